//! The config file: what stands on the rig, read into checked types.
//!
//! [`find()`] says which file, [`load`] reads it. What comes out needs no more
//! checking: names are names, pins exist and are used once, a frame's sensor
//! is there. What is wrong is told all in one run, each with line and column.

mod chip;
mod claims;
mod document;
mod find;
mod parse;
mod problems;
mod sensor;
#[cfg(test)]
mod tests;
mod values;

use std::fmt;
use std::fs::File;
use std::io::Read;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::time::Duration;

use frameside_core::chips::Photodiode;
use jiff::Timestamp;
use jiff::civil::Time;
use jiff::tz::TimeZone;

pub use chip::Chip;
pub use find::{Env, find};
pub(crate) use problems::nearest;
pub use problems::{ConfigError, Finding, Problem};

/// A config file larger than this is not one.
pub const MOST_BYTES: u64 = 1 << 20;

/// Everything the config file says, defaults filled in.
#[derive(Debug, Clone, PartialEq)]
pub struct Config {
    /// The file it was read from.
    pub file: PathBuf,
    /// The rig as a whole.
    pub rig: Rig,
    /// At least one; names differ.
    pub sensors: Vec<Sensor>,
    /// Names differ; may be empty, for a rig that only keeps the light.
    pub frames: Vec<Frame>,
    /// Names differ; `sun` is always among them.
    pub sources: Vec<Source>,
    /// What calls the printmaker to the rig.
    pub buzzer: Buzzer,
    /// `None` without a `[mqtt]` section: no broker.
    pub mqtt: Option<Mqtt>,
    /// When signals come.
    pub signal: Signal,
    /// `None` without a `[page]` section: no page for a phone.
    pub page: Option<Page>,
    /// Where the record is kept.
    pub ledger: Ledger,
    /// Path of the control socket. Where its folder is missing the listener
    /// makes it, with mode 0700.
    pub socket: PathBuf,
    /// How many times faster than the wall clock the rig's clock runs: 0.01 to
    /// 10000, and 1 as soon as one sensor is real.
    pub speed: f64,
    warnings: Vec<Problem>,
}

impl Config {
    /// What works but should be mended, such as a password file that anyone
    /// can read.
    #[must_use]
    pub fn warnings(&self) -> &[Problem] {
        &self.warnings
    }
}

/// Reads a config file. Relative paths in it start at the file's own folder.
///
/// # Errors
/// [`ConfigError`] when the file cannot be read, is over [`MOST_BYTES`], or is
/// wrong; then with every problem in it.
pub fn load(file: &Path, env: &Env) -> Result<Config, ConfigError> {
    let unreadable = |source| ConfigError::Unreadable { file: file.to_owned(), source };
    let mut bytes = Vec::new();
    File::open(file).and_then(|f| f.take(MOST_BYTES + 1).read_to_end(&mut bytes)).map_err(unreadable)?;
    read(&bytes, file, env)
}

/// Reads the bytes of a config file.
///
/// # Errors
/// As [`load`].
pub fn read(bytes: &[u8], file: &Path, env: &Env) -> Result<Config, ConfigError> {
    if bytes.len() as u64 > MOST_BYTES {
        return Err(ConfigError::TooLarge { file: file.to_owned() });
    }
    parse::parse(bytes, file, env).map_err(ConfigError::Wrong)
}

/// The name of a rig, sensor, frame or source: 1 to 32 of `a-z`, `0-9`, `-`
/// and `_`, so that it goes unchanged into topics, print ids and file names.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Name(String);

impl Name {
    /// Checks a name; `None` when it is not one.
    #[must_use]
    pub fn new(text: &str) -> Option<Self> {
        let fit = |b: u8| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'-' || b == b'_';
        ((1..=32).contains(&text.len()) && text.bytes().all(fit)).then(|| Self(text.to_owned()))
    }

    /// The name as text.
    #[must_use]
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl fmt::Display for Name {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

/// A pin of the Pi's header by its BCM number, 2 to 27.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Pin(u8);

impl Pin {
    /// Checks a BCM number; `None` when no device can be on that pin. 0 and 1
    /// belong to the ID EEPROM of add-on boards.
    #[must_use]
    pub fn new(bcm: u8) -> Option<Self> {
        (2..=27).contains(&bcm).then_some(Self(bcm))
    }

    /// The BCM number.
    #[must_use]
    pub const fn bcm(self) -> u8 {
        self.0
    }

    /// Whether the pin is pulled high, and not low, from power-on until a program takes
    /// it: BCM2835 ARM Peripherals, table 6-31.
    #[must_use]
    pub const fn is_pulled_high(self) -> bool {
        self.0 <= 8
    }
}

/// `[rig]`: the rig as a whole.
#[derive(Debug, Clone, PartialEq)]
pub struct Rig {
    /// Also the middle of every MQTT topic.
    pub name: Name,
    /// `None`: the system's.
    pub timezone: Option<TimeZone>,
    /// What makes the wall clock right.
    pub clock: ClockSource,
    /// Where the rig stands; needed for anything that asks for the sun.
    pub place: Option<Place>,
    /// How the frames lie; `None`: flat.
    pub tilt: Option<Tilt>,
}

/// What makes the wall clock right, on which the length of an outage rests.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum ClockSource {
    /// A time service: the kernel knows when it has.
    #[default]
    Network,
    /// A clock that runs without power. The config vouches for it, since nothing else can.
    Battery,
}

/// A place on earth.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Place {
    /// Degrees, north positive, -90 to 90.
    pub latitude: f64,
    /// Degrees, east positive, -180 to 180.
    pub longitude: f64,
}

/// The plane the frames and the sensor lie in.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tilt {
    /// Degrees from flat, 0 to 90.
    pub angle: f64,
    /// Degrees from north by east that it faces, 0 to 360.
    pub azimuth: f64,
}

/// `[[sensor]]`: one sensor.
#[derive(Debug, Clone, PartialEq)]
pub struct Sensor {
    /// What frames name it by.
    pub name: Name,
    /// From reading to reading, 100 ms to 10 min.
    pub period: Duration,
    /// What it is.
    pub kind: SensorKind,
}

impl Sensor {
    /// Whether it lies in a lamp box, as far as a config tells.
    #[must_use]
    pub fn is_lit_by_lamp(&self) -> bool {
        matches!(
            &self.kind,
            SensorKind::Emulated { light, .. } | SensorKind::Recorded(light) if light.lit_by.is_some()
        )
    }
}

/// Where a sensor's light comes from.
#[derive(Debug, Clone, PartialEq)]
pub enum SensorKind {
    /// A chip on an I2C bus; no two on one bus share an address.
    Real {
        /// `N` of `/dev/i2c-N`.
        bus: u8,
        /// 7-bit address.
        address: u8,
        /// The chip and how it is set.
        chip: Chip,
    },
    /// A chip at register level with a recorded light before it, alone on a
    /// made-up bus of its own.
    Emulated {
        /// 7-bit address.
        address: u8,
        /// The chip and how it is set.
        chip: Chip,
        /// What it looks at.
        light: Playback,
    },
    /// A recorded day without any chip.
    Recorded(Playback),
    /// A sensor that the kernel drives.
    Iio(Iio),
    /// A sensor of another rig at the same broker.
    Mqtt {
        /// That rig.
        rig: Name,
        /// Its sensor.
        sensor: Name,
    },
}

/// A sensor that the kernel drives, as its IIO subsystem shows it.
#[derive(Debug, Clone, PartialEq)]
pub struct Iio {
    /// What stands in the file `name` of the device, or the device itself as
    /// `iio:deviceN`.
    pub device: String,
    /// The part of `in_<channel>_raw` in the middle.
    pub channel: String,
    /// What the channel measures.
    pub unit: IioUnit,
}

/// What a channel of the kernel's measures.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum IioUnit {
    /// Irradiance, by the kernel's scale.
    NanowattPerCm2,
    /// The voltage of an analogue UV photodiode, by the kernel's scale.
    Volt(Photodiode),
    /// Counts, whatever the kernel's scale says.
    Count {
        /// W/m² for one count, above 0; without it readings are counts.
        w_m2: Option<f64>,
    },
}

/// A recorded light played into the rig.
#[derive(Debug, Clone, PartialEq)]
pub struct Playback {
    /// CSV with the header `time,irradiance_w_m2`.
    pub file: PathBuf,
    /// Where in the file to begin; `None`: at its first row.
    pub from: Option<PlayFrom>,
    /// The lamp box whose light this is: dark while that is off, and from the start
    /// each time it goes on.
    pub lit_by: Option<Name>,
}

/// Where in a recorded light to begin.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PlayFrom {
    /// A time of day in UTC, on the first day of the file.
    TimeOfDay(Time),
    /// An instant.
    At(Timestamp),
}

/// `[[frame]]`: one contact-printing frame, a fixed place on the rig.
#[derive(Debug, Clone, PartialEq)]
pub struct Frame {
    /// What commands and topics call it.
    pub name: Name,
    /// What people call it: 1 to 64 characters.
    pub label: Option<String>,
    /// The sensor it lies beside; one of [`Config::sensors`].
    pub sensor: Name,
    /// What the cover passes of what the sensor sees, above 0 and at most 2.
    pub glass: f64,
    /// The frame's own button.
    pub button: Option<Pin>,
    /// The frame's own light.
    pub led: Option<Pin>,
}

/// `[[source]]`: one source of light.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Source {
    /// What `--source` names.
    pub name: Name,
    /// Sun or lamp.
    pub kind: SourceKind,
}

/// What shines.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SourceKind {
    /// The sun and the sky.
    Sun,
    /// A lamp box, switched by a relay if it has one.
    Lamp {
        /// The relay.
        relay: Option<Relay>,
    },
}

/// The relay of a lamp box.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Relay {
    /// Its pin; `None` for one that is emulated.
    pub pin: Option<Pin>,
    /// Whether it closes when the pin is low.
    pub active_low: bool,
    /// Off at least so long before it is on again; 1 s to 1 h, 30 s unless given.
    pub min_off: Duration,
    /// On at most so long at a stretch; 1 s to 12 h, 60 min unless given.
    pub max_on: Duration,
}

/// `[buzzer]`: what calls the printmaker to the rig.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Buzzer {
    /// A buzzer that sounds by itself while its pin is high.
    Active(Pin),
    /// A bare sounder, which is given a tone while it is to sound.
    Passive(Pin),
    /// The bell of the terminal the daemon runs in.
    Terminal,
    /// Nothing sounds.
    #[default]
    None,
}

/// `[mqtt]`: the broker and how to speak to it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Mqtt {
    /// Host name or address.
    pub broker: String,
    /// 1883 unless given, 8883 with [`Mqtt::tls`].
    pub port: u16,
    /// Who the rig is to the broker.
    pub login: Option<Login>,
    /// `None`: in the clear.
    pub tls: Option<Tls>,
    /// How home automation is told what is on the rig; off unless given.
    pub discovery: Discovery,
    /// First level of the discovery topics; `homeassistant` unless given.
    pub discovery_prefix: String,
    /// 5 s to 18 h; 30 s unless given.
    pub keep_alive: Duration,
}

/// A user of the broker.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Login {
    /// The user's name.
    pub user: String,
    /// Where the password is.
    pub password: Option<Secret>,
}

/// Where a password is: its first line.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Secret {
    /// In a file.
    File(PathBuf),
    /// In a systemd credential of this name (`LoadCredential=` of the unit).
    Credential(String),
}

/// How the link to the broker is secured.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Tls {
    /// Who vouches for the broker.
    pub ca: Ca,
    /// The rig's own certificate.
    pub client: Option<ClientCertificate>,
}

/// Who vouches for the broker.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Ca {
    /// The roots the system trusts.
    System,
    /// The certificates in a PEM file.
    File(PathBuf),
}

/// A certificate with its key, both PEM files.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ClientCertificate {
    /// The certificate.
    pub cert: PathBuf,
    /// Its private key.
    pub key: PathBuf,
}

/// How home automation is told what is on the rig.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Discovery {
    /// One message for the whole rig.
    Device,
    /// Not at all.
    #[default]
    Off,
}

/// `[signal]`: when signals come.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Signal {
    /// How long before the dose is reached `nearly` comes; 1 s to 1 h, 1 min
    /// unless given.
    pub nearly: Duration,
    /// How often `overdue` comes back; 1 s to 1 h, 1 min unless given.
    pub overdue_every: Duration,
    /// A program to start for each signal, with its arguments; `None` or not empty.
    pub hook: Option<Vec<String>>,
}

/// `[page]`: the page for a phone.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Page {
    /// Where it is served; not on port 0.
    pub listen: SocketAddr,
    /// Names that it is reached by beside those it knows itself, in small letters.
    pub hosts: Vec<String>,
}

impl Page {
    /// Whether only this machine reaches it.
    #[must_use]
    pub fn is_for_this_machine(&self) -> bool {
        self.listen.ip().is_loopback()
    }
}

/// `[ledger]`: the record.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Ledger {
    /// The SQLite file.
    pub path: PathBuf,
}
