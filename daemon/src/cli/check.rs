//! `frameside check`

use std::fmt::Write as _;
use std::io::ErrorKind;
use std::os::unix::net::UnixStream;
use std::path::Path;
use std::time::{Duration, Instant};

use embedded_hal::i2c::I2c;
use frameside_core::chips::SensorEvent;
use frameside_core::exposure::SensorId;
use frameside_core::light::{Flags, Reading};
use serde_json::{Value, json};

use super::source::LAMP_CAUTIONS;
use super::{Context, Failure, out, out_json};
use crate::assemble;
use crate::clock::{Clock, WallState};
use crate::config::{Config, SensorKind, SourceKind};
use crate::devices::bus::{LinuxBus, kernel_driver};
use crate::devices::pins::{self, Buzzer, BuzzerKind, MemoryPins, Pattern, Pins, RelayPin};
use crate::mqtt::{CredentialsError, credentials_problem};

/// Check the config and, with --rig, the devices.
///
/// Names every mistake in the config with line and column. With --rig it also
/// tries the parts: what answers on the buses, a reading of each sensor, a beep.
/// Beside a running daemon its pins are left alone. Stop it first to try all.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  frameside check
  frameside check --config configs/emulated.toml --rig")]
pub(super) struct Args {
    /// Try the devices too
    #[arg(long)]
    rig: bool,
}

/// Where the chips that Frameside knows can be (datasheets of each).
const ADDRESSES: [u8; 13] = [0x10, 0x38, 0x39, 0x48, 0x49, 0x4A, 0x4B, 0x53, 0x74, 0x75, 0x76, 0x77, 0x0C];
/// A sensor has this long for its first reading, or three periods.
const FIRST_READING: Duration = Duration::from_secs(3);

pub(super) fn run(args: &Args, context: &Context) -> Result<(), Failure> {
    let config = usable(context).inspect_err(|failure| {
        if context.json {
            out_json(&json!({ "problems": failure.text().lines().collect::<Vec<_>>() }));
        }
    })?;
    let warnings: Vec<String> = config.warnings().iter().map(ToString::to_string).collect();
    let has_lamp = config.sources.iter().any(|source| matches!(source.kind, SourceKind::Lamp { .. }));
    let cautions = has_lamp.then_some(LAMP_CAUTIONS);
    let wall = WallState::of(&config);
    let broker = config.mqtt.as_ref().and_then(credentials_problem).filter(is_known_here);
    let broker = broker.map(|problem| problem.to_string());
    let rig = if args.rig { Some(try_rig(&config)?) } else { None };
    if context.json {
        out_json(&json!({
            "config": config.file, "sensors": config.sensors.len(), "frames": config.frames.len(),
            "page": config.page.as_ref().map(|page| page.listen.to_string()),
            "clock": { "is_right": wall.is_right(), "text": wall.text() },
            "broker": broker, "warnings": warnings, "cautions": cautions,
            "rig": rig.as_ref().map(Tried::to_json),
        }));
    } else {
        for warning in &warnings {
            out(&format!("! {warning}\n"));
        }
        out(&format!(
            "{}: good; sensors: {}, frames: {}\n",
            config.file.display(),
            config.sensors.len(),
            config.frames.len()
        ));
        out(&format!("clock: {}\n", wall.text()));
        if let Some(problem) = &broker {
            out(&format!("broker: {problem}\n"));
        }
        if let Some(page) = &config.page {
            out(&format!("page: on http://{}/; its link: 'frameside page token'\n", page.listen));
        }
        if let Some(rig) = &rig {
            out(&rig.for_people());
        }
        out(cautions.unwrap_or_default());
    }
    if rig.is_some_and(|rig| !rig.is_well()) {
        return Err(Failure::Failed("some part of the rig does not work; see above".to_owned()));
    }
    if broker.is_some() {
        return Err(Failure::Failed("the daemon would run without its broker; see above".to_owned()));
    }
    Ok(())
}

/// What systemd hands over is known to the service alone.
const fn is_known_here(problem: &CredentialsError) -> bool {
    !matches!(problem, CredentialsError::NoCredential(_))
}

/// The config, if the rig can start with it.
fn usable(context: &Context) -> Result<Config, Failure> {
    let config = context.config()?;
    let problems: Vec<String> =
        assemble::unreadable_lights(&config).iter().map(ToString::to_string).collect();
    if problems.is_empty() { Ok(config) } else { Err(Failure::Failed(problems.join("\n"))) }
}

/// A sensor's name, and its reading or what is wrong.
type FirstReading = (String, Result<Reading, String>);

/// What came of trying the parts.
struct Tried {
    /// Bus, address, and the kernel driver that holds it, if one does.
    answers: Vec<(u8, u8, Option<String>)>,
    buses: Vec<Result<u8, String>>,
    sensors: Vec<FirstReading>,
    beep: Result<&'static str, String>,
    /// The pins of relays, and what was found of them. No lamp is switched on to try it.
    relays: Vec<(u8, Result<&'static str, String>)>,
}

fn try_rig(config: &Config) -> Result<Tried, Failure> {
    let mut tried = Tried {
        answers: Vec::new(),
        buses: Vec::new(),
        sensors: Vec::new(),
        beep: Ok(""),
        relays: Vec::new(),
    };
    let mut numbers: Vec<u8> = config
        .sensors
        .iter()
        .filter_map(|sensor| match sensor.kind {
            SensorKind::Real { bus, .. } => Some(bus),
            _ => None,
        })
        .collect();
    numbers.dedup();
    for number in numbers {
        match LinuxBus::open(number) {
            Ok(mut bus) => {
                tried.buses.push(Ok(number));
                for address in ADDRESSES {
                    let driver = kernel_driver(number, address);
                    if driver.is_some() || bus.read(address, &mut [0]).is_ok() {
                        tried.answers.push((number, address, driver));
                    }
                }
            }
            Err(error) => tried.buses.push(Err(error.to_string())),
        }
    }
    tried.sensors = first_readings(config)?;
    let is_running = is_running(&config.socket);
    tried.beep = if is_running { Ok(HELD) } else { beep(config) };
    let try_relay = |pin: RelayPin| (pin.bcm, if is_running { Ok(HELD) } else { drive_off(pin) });
    tried.relays = assemble::relay_pins(config).map(try_relay).collect();
    Ok(tried)
}

/// Of a pin that is not tried.
const HELD: &str = "held by the running daemon, and left alone";

/// Whether a daemon answers on the socket, or may: one of another user.
fn is_running(socket: &Path) -> bool {
    match UnixStream::connect(socket) {
        Ok(_) => true,
        Err(error) => error.kind() == ErrorKind::PermissionDenied,
    }
}

/// Polls every sensor of this machine until it has read once, failed, or had its time.
fn first_readings(config: &Config) -> Result<Vec<FirstReading>, Failure> {
    let clock = Clock::real_time();
    let mut feeds = assemble::feeds(config, &assemble::Lamps::new(), clock.now())
        .map_err(|error| Failure::Failed(error.to_string()))?;
    let mut found: Vec<Result<Reading, String>> =
        vec![Err("no reading came in time".to_owned()); config.sensors.len()];
    let longest = config.sensors.iter().map(|sensor| sensor.period).max().unwrap_or_default();
    let end = Instant::now() + FIRST_READING.max(3 * longest);
    while Instant::now() < end && found.iter().any(Result::is_err) {
        let mut tell = |SensorId(id): SensorId, event: SensorEvent| match event {
            SensorEvent::Reading(reading) => found[usize::from(id)] = Ok(reading),
            SensorEvent::Fault(fault) => found[usize::from(id)] = Err(fault.to_string()),
            SensorEvent::Recovered => {}
        };
        for feed in &mut feeds {
            feed.poll(clock.now(), &mut tell);
        }
        std::thread::sleep(Duration::from_millis(2));
    }
    let sensors = config.sensors.iter().zip(found);
    let here = sensors.filter(|(sensor, _)| !matches!(sensor.kind, SensorKind::Mqtt { .. }));
    Ok(here.map(|(sensor, reading)| (sensor.name.to_string(), reading)).collect())
}

/// Drives the pin of a relay off, and leaves it so.
fn drive_off(pin: RelayPin) -> Result<&'static str, String> {
    let taken = pins::open().and_then(|mut pins| pins.relay(pin)).map_err(|error| error.to_string());
    taken.map(|_| "off; no lamp is switched on by a check")
}

fn beep(config: &Config) -> Result<&'static str, String> {
    let kind = assemble::buzzer(config);
    let mut pins: Box<dyn Pins> = match kind {
        BuzzerKind::None => return Ok("no buzzer in the config"),
        BuzzerKind::Terminal => Box::new(MemoryPins::default()),
        _ => pins::open().map_err(|error| error.to_string())?,
    };
    let mut buzzer = Buzzer::open(kind, &mut *pins).map_err(|error| error.to_string())?;
    buzzer.play(&Pattern::beep());
    let clock = Clock::real_time();
    while let Some(at) = buzzer.poll(clock.now()) {
        std::thread::sleep(clock.until(at));
    }
    Ok("beeped once")
}

/// A reading for people.
fn told(reading: &Reading) -> String {
    let value = reading.seen.lowest().w_m2();
    if reading.flags.has(Flags::UNCALIBRATED) {
        return format!(
            "{value:.2} in the part's own unit, which is not W/m²; give its factor in the config"
        );
    }
    let bound = if reading.seen.is_bound() { "saturated, at least " } else { "" };
    format!("{bound}{value:.2} W/m²")
}

impl Tried {
    fn is_well(&self) -> bool {
        self.beep.is_ok()
            && self.relays.iter().all(|(_, relay)| relay.is_ok())
            && self.buses.iter().all(Result::is_ok)
            && self.sensors.iter().all(|(_, reading)| reading.is_ok())
    }

    fn for_people(&self) -> String {
        let mut text = String::new();
        for bus in &self.buses {
            let _ = match bus {
                Ok(number) => {
                    let here: Vec<String> = self
                        .answers
                        .iter()
                        .filter(|(bus, ..)| bus == number)
                        .map(|(_, address, driver)| match driver {
                            Some(driver) => format!("{address:#04x} (held by the kernel driver {driver})"),
                            None => format!("{address:#04x}"),
                        })
                        .collect();
                    let list = if here.is_empty() { "nothing answers".to_owned() } else { here.join(", ") };
                    writeln!(text, "bus {number}: {list}")
                }
                Err(error) => writeln!(text, "{error}"),
            };
        }
        for (name, reading) in &self.sensors {
            let _ = match reading {
                Ok(reading) => writeln!(text, "sensor {name}: {}", told(reading)),
                Err(error) => writeln!(text, "sensor {name}: {error}"),
            };
        }
        for (pin, relay) in &self.relays {
            let _ = match relay {
                Ok(found) => writeln!(text, "relay on pin {pin}: {found}"),
                Err(error) => writeln!(text, "relay on pin {pin}: {error}"),
            };
        }
        let _ = match &self.beep {
            Ok(beep) => writeln!(text, "buzzer: {beep}"),
            Err(error) => writeln!(text, "buzzer: {error}"),
        };
        text
    }

    fn to_json(&self) -> Value {
        json!({
            "answers": self.answers.iter().map(|(bus, address, driver)| {
                json!({ "bus": bus, "address": address, "kernel_driver": driver })
            }).collect::<Vec<_>>(),
            "buses": self.buses.iter().filter_map(|b| b.as_ref().err()).collect::<Vec<_>>(),
            "sensors": self.sensors.iter().map(|(name, reading)| {
                let value = reading.as_ref().ok().map(|reading| reading.seen.lowest().w_m2());
                let flags: Vec<_> = reading.iter().flat_map(|reading| reading.flags.names()).collect();
                let problem = reading.as_ref().err();
                json!({ "name": name, "irradiance_w_m2": value, "flags": flags, "problem": problem })
            }).collect::<Vec<_>>(),
            "relays": self.relays.iter().map(|(pin, off)| json!({
                "pin": pin, "problem": off.as_ref().err(),
            })).collect::<Vec<_>>(),
            "buzzer": self.beep.clone().map_or_else(|error| error, str::to_owned),
        })
    }
}
