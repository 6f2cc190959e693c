//! One value of the config file into one checked type.
//!
//! Every reader takes an [`Entry`] and gives the value or what is wrong with it.

use std::fmt::Display;
use std::net::SocketAddr;
use std::ops::RangeInclusive;
use std::path::{Path, PathBuf};
use std::time::Duration;

use frameside_core::quantity::{parse_duration, parse_fraction};
use jiff::tz::TimeZone;
use toml::de::DeValue;

use super::document::{Entry, wrong_type};
use super::problems::{Finding, nearest, shown};
use super::{Name, Pin, PlayFrom};

type Read<T> = Result<T, Finding>;

/// A value of the right kind that cannot be.
pub(super) fn refused(entry: &Entry<'_>, accepted: impl Into<String>) -> Finding {
    let value = match entry.value {
        DeValue::String(text) => format!("\"{}\"", shown(text)),
        DeValue::Integer(integer) => shown(&integer.to_string()),
        DeValue::Float(float) => shown(&float.to_string()),
        other => format!("this {}", other.type_str()),
    };
    Finding::Refused { key: entry.key, value, near: None, accepted: accepted.into() }
}

/// A string, whatever is in it.
pub(super) fn string<'a>(entry: &Entry<'a>) -> Read<&'a str> {
    entry.value.as_str().ok_or_else(|| wrong_type(entry.key, "a string in quotes", entry.value))
}

/// 1 to 64 characters that can be printed on one line.
pub(super) fn line(entry: &Entry<'_>) -> Read<String> {
    let text = string(entry)?;
    let fit = (1..=64).contains(&text.chars().count()) && !text.chars().any(char::is_control);
    if fit { Ok(text.to_owned()) } else { Err(refused(entry, "1 to 64 characters on one line")) }
}

pub(super) fn name(entry: &Entry<'_>) -> Read<Name> {
    Name::new(string(entry)?).ok_or_else(|| refused(entry, "1 to 32 of a-z, 0-9, \"-\" and \"_\""))
}

pub(super) fn boolean(entry: &Entry<'_>) -> Read<bool> {
    entry.value.as_bool().ok_or_else(|| wrong_type(entry.key, "true or false", entry.value))
}

/// A whole number within a range.
pub(super) fn integer<T>(range: RangeInclusive<T>) -> impl Fn(&Entry<'_>) -> Read<T>
where
    T: TryFrom<i64> + PartialOrd + Display,
{
    move |entry| {
        let integer =
            entry.value.as_integer().ok_or_else(|| wrong_type(entry.key, "a whole number", entry.value))?;
        i64::from_str_radix(integer.as_str(), integer.radix())
            .ok()
            .and_then(|value| T::try_from(value).ok())
            .filter(|value| range.contains(value))
            .ok_or_else(|| refused(entry, format!("{} to {}", range.start(), range.end())))
    }
}

/// A number, whole or not, within a range that is written out in `accepted`.
pub(super) fn number(range: RangeInclusive<f64>, accepted: &'static str) -> impl Fn(&Entry<'_>) -> Read<f64> {
    move |entry| {
        let value = match entry.value {
            DeValue::Integer(i) => i64::from_str_radix(i.as_str(), i.radix()).ok().map(|i| i as f64),
            DeValue::Float(f) => f.as_str().parse().ok(),
            other => return Err(wrong_type(entry.key, "a number", other)),
        };
        value.filter(|value| range.contains(value)).ok_or_else(|| refused(entry, accepted))
    }
}

/// A length of time within a range that is written out in `accepted`.
pub(super) fn duration(
    range: RangeInclusive<Duration>,
    accepted: &'static str,
) -> impl Fn(&Entry<'_>) -> Read<Duration> {
    move |entry| {
        let value = parse_duration(quantity(entry, "a length of time in quotes, like \"1s\"")?)
            .map_err(|source| Finding::Quantity { key: entry.key, source })?;
        if range.contains(&value) { Ok(value) } else { Err(refused(entry, accepted)) }
    }
}

/// A share such as `92%`.
pub(super) fn share(entry: &Entry<'_>) -> Read<f64> {
    parse_fraction(quantity(entry, "a share in quotes, like \"92%\"")?)
        .map_err(|source| Finding::Quantity { key: entry.key, source })
}

fn quantity<'a>(entry: &Entry<'a>, wanted: &'static str) -> Read<&'a str> {
    entry.value.as_str().ok_or_else(|| wrong_type(entry.key, wanted, entry.value))
}

/// One of a few words.
pub(super) fn one_of<T: Copy>(choices: &[(&'static str, T)]) -> impl Fn(&Entry<'_>) -> Read<T> {
    move |entry| {
        let word = string(entry)?;
        choices.iter().find(|(name, _)| *name == word).map(|&(_, value)| value).ok_or_else(|| {
            let names: Vec<_> = choices.iter().map(|&(name, _)| name).collect();
            not_among(entry, word, &names)
        })
    }
}

/// A word that is none of `names`.
pub(super) fn not_among(entry: &Entry<'_>, word: &str, names: &[&'static str]) -> Finding {
    let quoted: Vec<_> = names.iter().map(|name| format!("\"{name}\"")).collect();
    match refused(entry, quoted.join(", ")) {
        Finding::Refused { key, value, accepted, .. } => {
            let near = nearest(word, names.iter().copied()).map(str::to_owned);
            Finding::Refused { key, value, near, accepted }
        }
        other => other,
    }
}

/// One of a few values that a chip can be set to.
pub(super) fn among<'a, T: Copy + PartialEq + Display>(
    among: &'static [T],
    read: impl Fn(&Entry<'a>) -> Read<T>,
) -> impl Fn(&Entry<'a>) -> Read<T> {
    move |entry| {
        let value = read(entry)?;
        if among.contains(&value) {
            return Ok(value);
        }
        let among: Vec<_> = among.iter().map(T::to_string).collect();
        Err(refused(entry, among.join(", ")))
    }
}

/// One of a few integration times, given in microseconds.
pub(super) fn integration_time(among_us: &'static [u64]) -> impl Fn(&Entry<'_>) -> Read<Duration> {
    move |entry| {
        let time = duration(Duration::ZERO..=Duration::MAX, "a length of time")(entry)?;
        if among_us.iter().any(|&us| Duration::from_micros(us) == time) {
            return Ok(time);
        }
        let among: Vec<_> = among_us.iter().map(|&us| format!("{}ms", us as f64 / 1000.0)).collect();
        Err(refused(entry, among.join(", ")))
    }
}

pub(super) fn pin(entry: &Entry<'_>) -> Read<Pin> {
    let accepted = "a BCM pin from 2 to 27 (0 and 1 belong to the ID EEPROM of add-on boards)";
    integer(i64::MIN..=i64::MAX)(entry)
        .and_then(|bcm| u8::try_from(bcm).ok().and_then(Pin::new).ok_or_else(|| refused(entry, accepted)))
}

/// The pin of a relay, or `None` for one that is emulated.
pub(super) fn relay(entry: &Entry<'_>) -> Read<Option<Pin>> {
    match entry.value {
        DeValue::String(text) if text == "emulated" => Ok(None),
        DeValue::String(_) => Err(refused(entry, "a BCM pin from 2 to 27, or \"emulated\"")),
        _ => pin(entry).map(Some),
    }
}

/// An I2C address that the chip can have.
pub(super) fn address(among: &'static [u8]) -> impl Fn(&Entry<'_>) -> Read<u8> {
    move |entry| {
        let value = integer(i64::MIN..=i64::MAX)(entry)?;
        among.iter().copied().find(|&address| i64::from(address) == value).ok_or_else(|| {
            let among: Vec<_> = among.iter().map(|address| format!("{address:#04x}")).collect();
            refused(entry, format!("{} for this chip", among.join(", ")))
        })
    }
}

/// A path; a relative one starts at `folder`.
pub(super) fn path(folder: &Path) -> impl Fn(&Entry<'_>) -> Read<PathBuf> {
    move |entry| {
        let text = string(entry)?;
        if text.is_empty() || text.starts_with('~') || text.contains('\0') {
            return Err(refused(
                entry,
                "a path, absolute or from the config's own folder (~ is not expanded)",
            ));
        }
        Ok(folder.join(text))
    }
}

pub(super) fn timezone(entry: &Entry<'_>) -> Read<TimeZone> {
    TimeZone::get(string(entry)?).map_err(|_| {
        refused(entry, "a time zone this system knows, like \"Europe/Zurich\" (ls /usr/share/zoneinfo)")
    })
}

/// `10:00`, or a whole RFC 3339 time.
pub(super) fn play_from(entry: &Entry<'_>) -> Read<PlayFrom> {
    let text = string(entry)?;
    let clock = |c: char| c.is_ascii_digit() || c == ':';
    let from = if text.len() >= 5 && text.chars().all(clock) {
        text.parse().map(PlayFrom::TimeOfDay)
    } else {
        text.parse().map(PlayFrom::At)
    };
    from.map_err(|_| refused(entry, "a time of day like \"10:00\" or a time like \"2026-06-01T10:00:00Z\""))
}

/// A name as the kernel gives it to a device or a channel.
pub(super) fn kernel_name(entry: &Entry<'_>) -> Read<String> {
    let text = string(entry)?;
    let fit = |b: u8| b.is_ascii_alphanumeric() || matches!(b, b'_' | b'-' | b':');
    if (1..=64).contains(&text.len()) && text.bytes().all(fit) {
        Ok(text.to_owned())
    } else {
        Err(refused(
            entry,
            "a name alone, as ls /sys/bus/iio/devices/iio:device0 and its file name show them",
        ))
    }
}

/// A host name or address without scheme or port.
pub(super) fn host(entry: &Entry<'_>) -> Read<String> {
    let text = string(entry)?;
    let name = |b: u8| b.is_ascii_alphanumeric() || matches!(b, b'.' | b'-' | b'_');
    let is_name = (1..=253).contains(&text.len()) && text.bytes().all(name);
    if is_name || text.parse::<std::net::IpAddr>().is_ok() {
        Ok(text.to_owned())
    } else {
        Err(refused(entry, "a host name or address alone, like \"127.0.0.1\"; the port goes in port = 1883"))
    }
}

/// Where to listen: an address, not a name, and a port.
pub(super) fn listen(entry: &Entry<'_>) -> Read<SocketAddr> {
    let address = string(entry)?.parse::<SocketAddr>().ok().filter(|address| address.port() != 0);
    address.ok_or_else(|| {
        refused(
            entry,
            "an address of this machine and a port, like \"127.0.0.1:8330\", or \"0.0.0.0:8330\" for the whole network",
        )
    })
}

/// Host names, in small letters.
pub(super) fn hosts(entry: &Entry<'_>) -> Read<Vec<String>> {
    let wanted = "a list of host names without a port, like [\"yard.local\"]";
    let array = entry.value.as_array().ok_or_else(|| wrong_type(entry.key, wanted, entry.value))?;
    let byte = |b: u8| b.is_ascii_alphanumeric() || matches!(b, b'.' | b'-' | b'_');
    let name = |text: &str| {
        let fits = (1..=253).contains(&text.len()) && text.bytes().all(byte);
        fits.then(|| text.to_ascii_lowercase())
    };
    let names = array.iter().map(|host| host.get_ref().as_str().and_then(name)).collect::<Option<_>>();
    names.ok_or_else(|| refused(entry, wanted))
}

/// A topic to put further levels under: no wildcards, no empty level.
pub(super) fn topic(entry: &Entry<'_>) -> Read<String> {
    let text = string(entry)?;
    let level = |level: &str| !level.is_empty() && !level.contains(['+', '#']);
    if text.len() <= 128 && text.split('/').all(level) && !text.chars().any(char::is_control) {
        Ok(text.to_owned())
    } else {
        Err(refused(entry, "a topic like \"homeassistant\", without + and #"))
    }
}

/// The name of a file in a folder that is known.
pub(super) fn file_name(entry: &Entry<'_>) -> Read<String> {
    let text = string(entry)?;
    let fit = (1..=255).contains(&text.len()) && !text.contains(['/', '\0']) && text != "." && text != "..";
    if fit { Ok(text.to_owned()) } else { Err(refused(entry, "a name without / like \"mqtt.password\"")) }
}

/// A program and its arguments.
pub(super) fn argv(entry: &Entry<'_>) -> Read<Vec<String>> {
    let wanted = "a list of strings like [\"/usr/local/bin/call\", \"printmaker\"]";
    let array = entry.value.as_array().ok_or_else(|| wrong_type(entry.key, wanted, entry.value))?;
    let argv: Option<Vec<_>> = array.iter().map(|arg| arg.get_ref().as_str().map(str::to_owned)).collect();
    argv.filter(|argv| {
        argv.first().is_some_and(|program| !program.is_empty()) && !argv.concat().contains('\0')
    })
    .ok_or_else(|| refused(entry, wanted))
}
