//! Who comes in: the names the page answers to, whose page a command comes from, and
//! who has the token.

use std::collections::HashMap;
use std::net::IpAddr;
use std::path::PathBuf;
use std::sync::Mutex;
use std::time::{Duration, Instant};

use hyper::StatusCode;
use hyper::header::{AUTHORIZATION, CONTENT_TYPE, HOST, HeaderMap, HeaderName, ORIGIN};
use hyper::http::uri::Authority;

use super::token::{self, Token};
use crate::config;

/// Why somebody does not get what they ask for.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub(super) enum Refusal {
    #[error("this page is not served under the name it was asked for by; add it to hosts in [page]")]
    Host,
    #[error("this was sent by another page; use the rig's own")]
    Elsewhere,
    #[error("a command is JSON: send it as application/json")]
    NotJson,
    #[error("this needs the token; 'frameside page token' on the rig shows it")]
    NoToken,
    #[error("that is not the token; 'frameside page token' on the rig shows it")]
    WrongToken,
    #[error("too many wrong tokens; wait a minute")]
    TooManyTries,
    #[error("the rig cannot read its own token; see its log")]
    TokenLost,
    #[error("a command holds at most {} bytes", crate::socket::LONGEST_LINE)]
    TooLarge,
    #[error("the command did not come whole; send it again")]
    CutOff,
    #[error("too many look on already; close the page elsewhere")]
    Full,
    #[error("there is no such page; the rig's own is at /")]
    NotHere,
    #[error("this is not asked for in this way; use the page at /")]
    Method,
}

impl Refusal {
    pub(super) fn status(&self) -> StatusCode {
        match self {
            Self::Host => StatusCode::MISDIRECTED_REQUEST,
            Self::Elsewhere => StatusCode::FORBIDDEN,
            Self::NotJson => StatusCode::UNSUPPORTED_MEDIA_TYPE,
            Self::NoToken | Self::WrongToken => StatusCode::UNAUTHORIZED,
            Self::TooManyTries => StatusCode::TOO_MANY_REQUESTS,
            Self::TokenLost => StatusCode::INTERNAL_SERVER_ERROR,
            Self::TooLarge => StatusCode::PAYLOAD_TOO_LARGE,
            Self::CutOff => StatusCode::REQUEST_TIMEOUT,
            Self::Full => StatusCode::SERVICE_UNAVAILABLE,
            Self::NotHere => StatusCode::NOT_FOUND,
            Self::Method => StatusCode::METHOD_NOT_ALLOWED,
        }
    }
}

/// What a browser says of the page that a request comes from.
const FETCH_SITE: HeaderName = HeaderName::from_static("sec-fetch-site");

/// The door of the page.
pub(super) struct Door {
    names: Names,
    token: PathBuf,
    /// Whether it listens on the loopback alone.
    is_for_this_machine: bool,
    tries: Mutex<Tries>,
}

impl Door {
    pub(super) fn new(page: &config::Page, token: PathBuf) -> Self {
        Self {
            names: Names::of(page),
            token,
            is_for_this_machine: page.is_for_this_machine(),
            tries: Mutex::default(),
        }
    }

    /// A name of somebody else's that was made to lead here would give their page
    /// the rights of this one.
    pub(super) fn knows_host(&self, headers: &HeaderMap) -> Result<(), Refusal> {
        if host(headers).is_some_and(|host| self.names.have(host.host())) {
            Ok(())
        } else {
            Err(Refusal::Host)
        }
    }

    /// Lets a command in that the rig's own page sent, by somebody with the token.
    pub(super) fn lets_write(&self, from: IpAddr, headers: &HeaderMap) -> Result<(), Refusal> {
        is_from_here(headers)?;
        let kind = text(headers, &CONTENT_TYPE).and_then(|kind| kind.split(';').next()).unwrap_or_default();
        if !kind.trim().eq_ignore_ascii_case("application/json") {
            return Err(Refusal::NotJson);
        }
        self.has_token(from, headers)
    }

    /// Lets somebody look: without the token only on this machine itself, and not for
    /// others by way of a proxy on it.
    pub(super) fn lets_look(&self, from: IpAddr, headers: &HeaderMap) -> Result<(), Refusal> {
        is_from_here(headers)?;
        let is_here = self.is_for_this_machine && host(headers).is_some_and(|host| is_loopback(host.host()));
        if is_here { Ok(()) } else { self.has_token(from, headers) }
    }

    fn has_token(&self, from: IpAddr, headers: &HeaderMap) -> Result<(), Refusal> {
        let Some(given) = text(headers, &AUTHORIZATION).and_then(|value| value.strip_prefix("Bearer "))
        else {
            return Err(Refusal::NoToken);
        };
        let mut tries = self.tries.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
        let now = Instant::now();
        if tries.are_up(from, now) {
            return Err(Refusal::TooManyTries);
        }
        // Read each time, so that a new one counts at once.
        let token = token::load(&self.token).map_err(|error| {
            tracing::error!("{error}");
            Refusal::TokenLost
        })?;
        if Token::read(given).is_some_and(|given| given.is(&token)) {
            return Ok(());
        }
        tries.note(from, now);
        tracing::warn!(%from, "a wrong token came to the page");
        Err(Refusal::WrongToken)
    }
}

/// Browsers say where a request comes from; other programs do not, and have no page's
/// rights to misuse.
fn is_from_here(headers: &HeaderMap) -> Result<(), Refusal> {
    let same_site = headers.get(FETCH_SITE).is_none_or(|site| site == "same-origin" || site == "none");
    let same_origin = headers.get(ORIGIN).is_none_or(|_| {
        let origin = text(headers, &ORIGIN).unwrap_or_default();
        let authority = origin.strip_prefix("http://").or_else(|| origin.strip_prefix("https://"));
        authority.zip(text(headers, &HOST)).is_some_and(|(a, host)| a.eq_ignore_ascii_case(host))
    });
    if same_site && same_origin { Ok(()) } else { Err(Refusal::Elsewhere) }
}

fn host(headers: &HeaderMap) -> Option<Authority> {
    text(headers, &HOST)?.parse().ok()
}

fn is_loopback(host: &str) -> bool {
    let address = address_of(host);
    address.map_or_else(|| host.eq_ignore_ascii_case("localhost"), |address| address.is_loopback())
}

/// An address in place of a name; those of IPv6 stand in brackets.
fn address_of(host: &str) -> Option<IpAddr> {
    host.trim_start_matches('[').trim_end_matches(']').parse().ok()
}

/// The value of a header that comes once.
fn text<'a>(headers: &'a HeaderMap, name: &HeaderName) -> Option<&'a str> {
    let mut values = headers.get_all(name).iter();
    let value = values.next()?.to_str().ok();
    if values.next().is_some() { None } else { value }
}

/// What the page may be called.
struct Names {
    names: Vec<String>,
    /// The one address it listens on; none when it listens on all.
    address: Option<IpAddr>,
}

impl Names {
    fn of(page: &config::Page) -> Self {
        let mut names = page.hosts.clone();
        if page.is_for_this_machine() {
            names.push("localhost".to_owned());
        } else {
            // As the network calls it, by itself or by multicast DNS.
            let own = rustix::system::uname().nodename().to_string_lossy().to_ascii_lowercase();
            names.extend([format!("{own}.local"), own]);
        }
        let ip = page.listen.ip();
        Self { names, address: (!ip.is_unspecified()).then_some(ip) }
    }

    /// The port does not matter: it may be forwarded. An address cannot be made to lead
    /// elsewhere as a name can, so that all are taken where all are listened on.
    fn have(&self, host: &str) -> bool {
        match address_of(host) {
            Some(address) => self.address.is_none_or(|own| own == address),
            None => self.names.iter().any(|name| name.eq_ignore_ascii_case(host)),
        }
    }
}

/// Wrong tokens from one address before no more are looked at for a while.
const MOST_TRIES: u32 = 5;
/// That while.
const TRIES_WITHIN: Duration = Duration::from_secs(60);
/// Addresses that are remembered; of more, the oldest is forgotten. 80 bits are not
/// guessed by many hosts either.
const MOST_ADDRESSES: usize = 256;

/// Who gave wrong tokens: how many, and when the first.
#[derive(Debug, Default)]
struct Tries(HashMap<IpAddr, (u32, Instant)>);

impl Tries {
    fn are_up(&mut self, from: IpAddr, now: Instant) -> bool {
        self.0.retain(|_, (_, since)| now.duration_since(*since) < TRIES_WITHIN);
        self.0.get(&from).is_some_and(|(count, _)| *count >= MOST_TRIES)
    }

    fn note(&mut self, from: IpAddr, now: Instant) {
        if self.0.len() >= MOST_ADDRESSES
            && let Some(oldest) = self.0.iter().min_by_key(|(_, (_, since))| *since).map(|(ip, _)| *ip)
        {
            self.0.remove(&oldest);
        }
        self.0.entry(from).or_insert((0, now)).0 += 1;
    }
}

#[cfg(test)]
mod tests {
    use hyper::header::HeaderValue;

    use super::*;

    fn names(listen: &str, hosts: &[&str]) -> Names {
        let hosts = hosts.iter().map(|&host| host.to_owned()).collect();
        Names::of(&config::Page { listen: listen.parse().unwrap(), hosts })
    }

    fn headers(of: &[(HeaderName, &'static str)]) -> HeaderMap {
        of.iter().map(|(name, value)| (name.clone(), HeaderValue::from_static(value))).collect()
    }

    #[test]
    fn the_page_answers_to_its_own_names_only() {
        let here = names("127.0.0.1:8330", &["rig.example"]);
        for host in ["127.0.0.1", "localhost", "LOCALHOST", "rig.example"] {
            assert!(here.have(host), "{host}");
        }
        for host in ["evil.example", "127.0.0.2", "192.168.1.20", "[::1]", "", "localhost.evil.example"] {
            assert!(!here.have(host), "{host}");
        }
        assert!(names("[::1]:8330", &[]).have("[::1]"));
        let all = names("0.0.0.0:8330", &[]);
        let own = rustix::system::uname().nodename().to_string_lossy().into_owned();
        assert!(all.have("192.168.1.20") && all.have(&own) && all.have(&format!("{own}.local")));
        assert!(!all.have("evil.example") && !all.have("localhost"));
        assert!(!names("192.168.1.20:8330", &[]).have("192.168.1.21"));
    }

    #[test]
    fn other_pages_are_told_apart_by_what_the_browser_says() {
        let of =
            |origin: &'static str| is_from_here(&headers(&[(HOST, "yard.local:8330"), (ORIGIN, origin)]));
        assert_eq!(of("http://yard.local:8330"), Ok(()));
        assert_eq!(of("https://Yard.local:8330"), Ok(()));
        for origin in ["http://yard.local", "http://evil.example", "null", "", "yard.local:8330"] {
            assert_eq!(of(origin), Err(Refusal::Elsewhere), "{origin}");
        }
        let site = |site: &'static str| is_from_here(&headers(&[(HOST, "a"), (FETCH_SITE, site)]));
        assert_eq!((site("same-origin"), site("none")), (Ok(()), Ok(())));
        assert_eq!(site("cross-site"), Err(Refusal::Elsewhere));
        assert_eq!(site("same-site"), Err(Refusal::Elsewhere));
        let twice = headers(&[(HOST, "a"), (ORIGIN, "http://a")]);
        let mut twice = twice;
        twice.append(ORIGIN, HeaderValue::from_static("http://b"));
        assert_eq!(is_from_here(&twice), Err(Refusal::Elsewhere));
    }

    #[test]
    fn tries_are_counted_by_address_and_forgotten() {
        let mut tries = Tries::default();
        let (start, one, other) = (Instant::now(), IpAddr::from([10, 0, 0, 1]), IpAddr::from([10, 0, 0, 2]));
        for _ in 0..MOST_TRIES {
            assert!(!tries.are_up(one, start));
            tries.note(one, start);
        }
        assert!(tries.are_up(one, start + TRIES_WITHIN / 2));
        assert!(!tries.are_up(other, start));
        assert!(!tries.are_up(one, start + TRIES_WITHIN));
        for host in 0..1000_u16 {
            let [a, b] = host.to_be_bytes();
            tries.note(IpAddr::from([10, 1, a, b]), start + Duration::from_millis(host.into()));
        }
        assert_eq!(tries.0.len(), MOST_ADDRESSES);
        assert!(tries.0.contains_key(&IpAddr::from([10, 1, 3, 231])), "the newest is remembered");
    }
}
