//! The sections of the config file into the types of [`super::Config`].

use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::time::Duration;

use frameside_core::source::SUN;
use toml::de::DeTable;

use super::claims::{Claim, Claims};
use super::document::Section;
use super::problems::{Finding, Log, Problem, shown, together};
use super::sensor;
use super::values;
use super::{
    Buzzer, Ca, ClientCertificate, ClockSource, Config, Discovery, Env, Frame, Ledger, Login, Mqtt, Name,
    Page, Pin, Place, Relay, Rig, Secret, Signal, Source, SourceKind, Tilt, Tls,
};

const MINUTE: Duration = Duration::from_secs(60);

/// The keys of a lamp's relay.
const RELAY: [&str; 4] = ["relay", "relay_active", "min_off", "max_on"];

/// No rig has more sensors than this, so an error need not list more.
const MOST_LISTED: usize = 20;

/// What is gathered while the sections are read one after another.
pub(super) struct Parser<'a> {
    /// Where relative paths start.
    pub(super) folder: &'a Path,
    log: &'a Log<'a>,
    warnings: &'a Log<'a>,
    pub(super) claims: Claims,
}

/// Reads a config file, and everything that is wrong with it.
pub(super) fn parse(bytes: &[u8], file: &Path, env: &Env) -> Result<Config, Vec<Problem>> {
    let text = match std::str::from_utf8(bytes) {
        Ok(text) => text,
        Err(error) => {
            let readable = String::from_utf8_lossy(bytes);
            let log = Log::new(file, &readable);
            log.say(error.valid_up_to(), Finding::NotUtf8);
            return Err(log.into_problems());
        }
    };
    let (log, warnings) = (Log::new(file, text), Log::new(file, text));
    let (document, syntax) = DeTable::parse_recoverable(text);
    let config = Parser {
        // A bare name has the parent "", which no system call takes for a folder.
        folder: file.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new(".")),
        log: &log,
        warnings: &warnings,
        claims: Claims::default(),
    }
    .config(Section::root(document.get_ref(), &log), file, env);

    let problems = with_syntax_errors(text, file, syntax, log.into_problems());
    match config {
        Some(config) if problems.is_empty() => Ok(Config { warnings: warnings.into_problems(), ..config }),
        _ => Err(problems),
    }
}

/// Joins what is wrong with the TOML and what is wrong in what could be read
/// of it, without what may only follow from the former: a line's further
/// errors, and things that seem not to be there.
fn with_syntax_errors(
    text: &str,
    file: &Path,
    syntax: Vec<toml::de::Error>,
    problems: Vec<Problem>,
) -> Vec<Problem> {
    if syntax.is_empty() {
        return problems;
    }
    let log = Log::new(file, text);
    for error in syntax {
        let span = error.span().unwrap_or(0..0);
        let finding = match (error.message(), text.get(span.clone())) {
            ("duplicate key", Some(key)) => Finding::GivenTwice(shown(key)),
            (message, _) => Finding::Syntax(message.to_owned()),
        };
        log.say(span.start, finding);
    }
    let mut all = log.into_problems();
    all.dedup_by_key(|problem| problem.line);
    let follows = |problem: &Problem| {
        problem.finding.is_absence() || all.iter().any(|syntax| syntax.line == problem.line)
    };
    let others: Vec<_> = problems.into_iter().filter(|problem| !follows(problem)).collect();
    all.extend(others);
    together(all)
}

/// A buzzer before its pin is read.
#[derive(Clone, Copy)]
enum Sounder {
    Active,
    Passive,
    Pinless(Buzzer),
}

impl Parser<'_> {
    fn config(mut self, mut root: Section<'_>, file: &Path, env: &Env) -> Option<Config> {
        let rig = rig(root.section("rig", "[rig]"));
        self.claims.rig = rig.as_ref().map(|rig| rig.name.clone());
        let sensor_sections = root.sections("sensor", "[[sensor]]");
        if !root.has("sensor") {
            self.log.say(0, Finding::NoSensor);
        }
        let sensors = sensor_sections.into_iter().filter_map(|s| sensor::parse(&mut self, s)).collect();
        let frame_sections = root.sections("frame", "[[frame]]");
        let frames = frame_sections.into_iter().filter_map(|s| self.frame(s)).collect();
        let sources = self.sources(root.sections("source", "[[source]]"));
        self.lamps_are_there(&sources);
        let buzzer = self.buzzer(root.section("buzzer", "[buzzer]"));
        let mqtt = self.mqtt(root.section("mqtt", "[mqtt]"));
        if let Some(at) = self.claims.over_the_broker.filter(|_| !root.has("mqtt")) {
            self.log.say(at, Finding::Alone { key: "chip \"mqtt\"", needs: "[mqtt]" });
        }
        let signal = self.signal(root.section("signal", "[signal]"));
        let page = self.page(root.section("page", "[page]"));
        let ledger = self.ledger(root.section("ledger", "[ledger]"), env);
        let socket = self.socket(root.section("socket", "[socket]"), env);
        root.finish();

        let speed = self.claims.check(self.log);
        Some(Config {
            file: file.to_owned(),
            rig: rig?,
            sensors,
            frames,
            sources,
            buzzer,
            mqtt,
            signal: signal?,
            page,
            ledger: ledger?,
            socket,
            speed,
            warnings: Vec::new(),
        })
    }

    /// The name of a section, which no other `what` can have.
    pub(super) fn name(
        &mut self,
        section: &mut Section<'_>,
        what: &'static str,
        example: &'static str,
    ) -> Option<Name> {
        let name = section.required("name", example, values::name)?;
        self.claims.names.push(Claim {
            of: (what, name.clone()),
            by: what.to_owned(),
            at: section.at("name"),
        });
        Some(name)
    }

    /// A pin, which nothing else can be on.
    fn pin(&mut self, section: &mut Section<'_>, key: &'static str, by: String) -> Option<Pin> {
        let pin = section.optional(key, values::pin)?;
        self.claims.pins.push(Claim { of: pin, by, at: section.at(key) });
        Some(pin)
    }

    fn frame(&mut self, mut section: Section<'_>) -> Option<Frame> {
        let name = self.name(&mut section, "frame", r#""oak""#);
        let label = section.optional("label", values::line);
        let sensor = section.required("sensor", r#""sky""#, values::name);
        let glass = section.or("glass", 1.0, values::share);
        let of_frame = |device| {
            name.as_ref().map_or_else(
                || format!("the {device} of a frame"),
                |name| format!("the {device} of frame \"{name}\""),
            )
        };
        let button = self.pin(&mut section, "button", of_frame("button"));
        let led = self.pin(&mut section, "led", of_frame("led"));
        if let (Some(name), Some(sensor)) = (&name, &sensor) {
            self.sensor_is_there(name, sensor, section.at("sensor"));
        }
        section.finish();
        Some(Frame { name: name?, label, sensor: sensor?, glass: glass?, button, led })
    }

    fn sensor_is_there(&self, frame: &Name, sensor: &Name, at: usize) {
        // Sensors are read first, so their names lead.
        let sensors =
            self.claims.names.iter().take_while(|name| name.of.0 == "sensor").map(|name| &name.of.1);
        if !sensors.clone().any(|name| name == sensor) {
            let sensors = sensors.take(MOST_LISTED).map(Name::to_string).collect();
            let (frame, sensor) = (frame.to_string(), sensor.to_string());
            self.log.say(at, Finding::NoSuchSensor { frame, sensor, sensors });
        }
    }

    fn source(&mut self, mut section: Section<'_>) -> Option<Source> {
        let name = self.name(&mut section, "source", r#""box""#);
        let is_sun = name.as_ref().is_some_and(|name| name.as_str() == SUN);
        let is_lamp = section.required("kind", r#""lamp""#, |entry| {
            match values::one_of(&[("lamp", true), ("sun", false)])(entry)? {
                true if is_sun => Err(values::refused(entry, "\"sun\" for the source named so")),
                is_lamp => Ok(is_lamp),
            }
        });
        let kind = if is_lamp == Some(false) {
            section.out_of_place(&RELAY, "kind \"sun\"", "lamps");
            SourceKind::Sun
        } else {
            SourceKind::Lamp { relay: self.relay(&mut section, name.as_ref()) }
        };
        section.finish();
        is_lamp?;
        Some(Source { name: name?, kind })
    }

    /// The relay of a lamp box, if it has one.
    fn relay(&mut self, section: &mut Section<'_>, lamp: Option<&Name>) -> Option<Relay> {
        for key in ["relay_active", "min_off", "max_on"] {
            section.needs(key, "relay");
        }
        let pin = section.optional("relay", values::relay);
        let levels = [("high", false), ("low", true)];
        let active_low = section.or("relay_active", false, values::one_of(&levels));
        let bounds = Duration::from_secs(1)..=Duration::from_secs(3600);
        let min_off = section.or("min_off", MINUTE / 2, values::duration(bounds, "1s to 1h"));
        let bounds = Duration::from_secs(1)..=Duration::from_secs(12 * 3600);
        let max_on = section.or("max_on", 60 * MINUTE, values::duration(bounds, "1s to 12h"));
        let (pin, active_low) = (pin?, active_low?);
        if let Some(pin) = pin {
            let by =
                lamp.map_or_else(|| "a relay".to_owned(), |name| format!("the relay of source \"{name}\""));
            self.claims.pins.push(Claim { of: pin, by, at: section.at("relay") });
            if active_low != pin.is_pulled_high() {
                let warning = Finding::PulledOn { pin: pin.bcm(), active_low };
                self.warnings.say(section.at("relay"), warning);
            }
        }
        Some(Relay { pin, active_low, min_off: min_off?, max_on: max_on? })
    }

    /// A light that is a lamp's own needs a lamp that is switched.
    fn lamps_are_there(&self, sources: &[Source]) {
        let is_switched = |source: &&Source| matches!(source.kind, SourceKind::Lamp { relay: Some(_) });
        let lamps: Vec<&Name> = sources.iter().filter(is_switched).map(|source| &source.name).collect();
        for Claim { of, by, at } in &self.claims.lit_by {
            if !lamps.contains(&of) {
                let lamps = lamps.iter().map(ToString::to_string).collect();
                let (lamp, by) = (of.to_string(), by.clone());
                self.log.say(*at, Finding::NoSuchLamp { lamp, by, lamps });
            }
        }
    }

    /// The sources of the file, and the sun.
    fn sources(&mut self, sections: Vec<Section<'_>>) -> Vec<Source> {
        let mut sources: Vec<_> = sections.into_iter().filter_map(|section| self.source(section)).collect();
        if let Some(name) = Name::new(SUN).filter(|sun| sources.iter().all(|source| source.name != *sun)) {
            sources.insert(0, Source { name, kind: SourceKind::Sun });
        }
        sources
    }

    fn buzzer(&mut self, mut section: Section<'_>) -> Buzzer {
        if !section.is_present() {
            return Buzzer::None;
        }
        let kinds = [
            ("active", Sounder::Active),
            ("passive", Sounder::Passive),
            ("terminal", Sounder::Pinless(Buzzer::Terminal)),
            ("none", Sounder::Pinless(Buzzer::None)),
        ];
        let buzzer = match section.required("kind", r#""active""#, values::one_of(&kinds)) {
            Some(Sounder::Active) => section.required("pin", "18", values::pin).map(Buzzer::Active),
            Some(Sounder::Passive) => section.required("pin", "18", values::pin).map(Buzzer::Passive),
            Some(Sounder::Pinless(buzzer)) => {
                section.out_of_place(&["pin"], "this kind", "active and passive buzzers");
                Some(buzzer)
            }
            None => {
                section.know(&["pin"]);
                None
            }
        };
        if let Some(Buzzer::Active(pin) | Buzzer::Passive(pin)) = buzzer {
            self.claims.pins.push(Claim { of: pin, by: "the buzzer".to_owned(), at: section.at("pin") });
        }
        section.finish();
        buzzer.unwrap_or_default()
    }

    fn mqtt(&self, mut section: Section<'_>) -> Option<Mqtt> {
        if !section.is_present() {
            return None;
        }
        let broker = section.required("broker", r#""127.0.0.1""#, values::host);
        let port = section.optional("port", values::integer(1..=u16::MAX));
        let login = self.login(&mut section);
        let tls = self.tls(&mut section);
        // "components" was a second way, for home servers of before 2024.11.
        let modes = [("device", Discovery::Device), ("off", Discovery::Off)];
        let discovery = section.or("discovery", Discovery::Off, |entry| {
            if entry.value.as_str() == Some("components") {
                self.warnings.say(entry.at, Finding::DiscoveryByComponents);
                return Ok(Discovery::Device);
            }
            values::one_of(&modes)(entry)
        });
        let discovery_prefix = section.or("discovery_prefix", "homeassistant".to_owned(), values::topic);
        // Below 5 s the MQTT library refuses; a day has no room in 16 bits.
        let bounds = Duration::from_secs(5)..=Duration::from_secs(18 * 3600);
        let keep_alive =
            section.or("keep_alive", Duration::from_secs(30), values::duration(bounds, "5s to 18h"));
        section.finish();
        Some(Mqtt {
            broker: broker?,
            port: port.unwrap_or(if tls.is_some() { 8883 } else { 1883 }),
            login,
            tls,
            discovery: discovery?,
            discovery_prefix: discovery_prefix?,
            keep_alive: keep_alive?,
        })
    }

    fn login(&self, section: &mut Section<'_>) -> Option<Login> {
        section.needs("password_file", "user");
        section.needs("password_credential", "user");
        let user = section.optional("user", values::line);
        let file = section.optional("password_file", values::path(self.folder));
        self.warn_if_readable_by_everyone(section.at("password_file"), file.as_deref());
        if file.is_some() {
            section.out_of_place(&["password_credential"], "password_file", "a user without one");
        }
        let credential = section.optional("password_credential", values::file_name);
        let password = file.map(Secret::File).or_else(|| credential.map(Secret::Credential));
        Some(Login { user: user?, password })
    }

    fn warn_if_readable_by_everyone(&self, at: usize, secret: Option<&Path>) {
        if let Some(file) = secret.filter(|file| is_readable_by_everyone(file)) {
            self.warnings.say(at, Finding::SecretReadable(file.to_owned()));
        }
    }

    fn tls(&self, broker: &mut Section<'_>) -> Option<Tls> {
        let mut section = broker.section("tls", "tls");
        if !section.is_present() {
            return None;
        }
        let ca = section.required("ca", r#""system""#, |entry| match values::string(entry)? {
            "system" => Ok(Ca::System),
            _ => values::path(self.folder)(entry).map(Ca::File),
        });
        section.needs("cert", "key");
        section.needs("key", "cert");
        let cert = section.optional("cert", values::path(self.folder));
        let key = section.optional("key", values::path(self.folder));
        self.warn_if_readable_by_everyone(section.at("key"), key.as_deref());
        section.finish();
        let client = cert.zip(key).map(|(cert, key)| ClientCertificate { cert, key });
        Some(Tls { ca: ca?, client })
    }

    fn signal(&self, mut section: Section<'_>) -> Option<Signal> {
        let interval = values::duration(Duration::from_secs(1)..=Duration::from_secs(3600), "1s to 1h");
        let nearly = section.or("nearly", MINUTE, &interval);
        let overdue_every = section.or("overdue_every", MINUTE, &interval);
        let hook = section.optional("hook", values::argv);
        section.finish();
        Some(Signal { nearly: nearly?, overdue_every: overdue_every?, hook })
    }

    fn page(&self, mut section: Section<'_>) -> Option<Page> {
        if !section.is_present() {
            return None;
        }
        let at = section.at("listen");
        if !cfg!(feature = "page") {
            self.log.say(at, Finding::NoPage);
        }
        let listen = section.required("listen", r#""127.0.0.1:8330""#, values::listen);
        let hosts = section.or("hosts", Vec::new(), values::hosts);
        section.finish();
        let page = Page { listen: listen?, hosts: hosts? };
        if !page.is_for_this_machine() {
            self.warnings.say(at, Finding::PageInTheClear);
        }
        Some(page)
    }

    fn ledger(&self, mut section: Section<'_>, env: &Env) -> Option<Ledger> {
        let named = section.optional("path", values::path(self.folder));
        let path = if section.has("path") { named } else { self.usual_ledger(env) };
        if section.optional("keep_idle_light", values::boolean).is_some() {
            self.warnings.say(section.at("keep_idle_light"), Finding::KeepIdleLight);
        }
        section.finish();
        Some(Ledger { path: path? })
    }

    fn usual_ledger(&self, env: &Env) -> Option<PathBuf> {
        let usual = env.ledger();
        if usual.is_none() {
            self.log.say(0, Finding::NoLedgerPlace);
        }
        usual
    }

    fn socket(&self, mut section: Section<'_>, env: &Env) -> PathBuf {
        let path = section.optional("path", values::path(self.folder)).unwrap_or_else(|| env.socket());
        // sockaddr_un has 108 bytes, one of them the closing zero: unix(7).
        if path.as_os_str().len() > 107 {
            self.log.say(section.at("path"), Finding::SocketPathLong(path.clone()));
        }
        section.finish();
        path
    }
}

fn rig(mut section: Section<'_>) -> Option<Rig> {
    let name = section.required("name", r#""yard""#, values::name);
    let timezone = section.optional("timezone", values::timezone);
    let clocks = [("network", ClockSource::Network), ("battery", ClockSource::Battery)];
    let clock = section.or("clock", ClockSource::default(), values::one_of(&clocks));
    let place = place(section.section("place", "place"));
    let tilt = tilt(section.section("tilt", "tilt"));
    section.finish();
    Some(Rig { name: name?, timezone, clock: clock?, place, tilt })
}

fn place(mut section: Section<'_>) -> Option<Place> {
    if !section.is_present() {
        return None;
    }
    let latitude = section.required("latitude", "46.8", values::number(-90.0..=90.0, "-90 to 90 degrees"));
    let longitude =
        section.required("longitude", "6.9", values::number(-180.0..=180.0, "-180 to 180 degrees"));
    section.finish();
    Some(Place { latitude: latitude?, longitude: longitude? })
}

fn tilt(mut section: Section<'_>) -> Option<Tilt> {
    if !section.is_present() {
        return None;
    }
    let angle = section.required("angle", "30", values::number(0.0..=90.0, "0 to 90 degrees from flat"));
    let azimuth =
        section.required("azimuth", "180", values::number(0.0..=360.0, "0 to 360 degrees from north"));
    section.finish();
    Some(Tilt { angle: angle?, azimuth: azimuth? })
}

fn is_readable_by_everyone(file: &Path) -> bool {
    std::fs::metadata(file).is_ok_and(|metadata| metadata.permissions().mode() & 0o004 != 0)
}
