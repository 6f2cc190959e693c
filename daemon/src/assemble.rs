//! From the config to the parts of a running rig.

use std::fs::File;
use std::time::Duration;

use frameside_core::chips::emulated::{EmulatedAds1x1x, EmulatedAs7331, EmulatedBus, Light};
use frameside_core::chips::{
    Ads1x1x, Ads1x1xSettings, As7331, As7331Settings, Bus, Chip, Part, Photodiode, Ranging, Sampler,
    SetupError,
};
use frameside_core::exposure::{Rules, SensorId};
use frameside_core::outlook::Place;
use frameside_core::quantity::{Irradiance, Mono};
use jiff::tz::TimeZone;
use serde_json::json;

use crate::clock;
use crate::config::{self, Chip as ChipConfig, Config, PlayFrom, Playback, SensorKind};
use crate::devices::bus::LinuxBus;
use crate::devices::feed::{BusFeed, Feed, RecordedFeed, WaitingFeed};
use crate::devices::pins::BuzzerKind;
use crate::mqtt::topics;
use crate::replay::{RecordedLight, ReplayError};
use crate::service::{FramePart, SensorPart, Setup};

/// Why a part of the rig cannot be had.
#[derive(Debug, thiserror::Error)]
pub enum AssembleError {
    /// A chip's settings do not fit.
    #[error("sensor {sensor}: {source}")]
    Setup {
        /// The sensor.
        sensor: String,
        /// What does not fit.
        source: SetupError,
    },
    /// A recorded light cannot be read.
    #[error("sensor {sensor}: {file}:{source}")]
    Light {
        /// The sensor.
        sensor: String,
        /// The file.
        file: String,
        /// Why not.
        source: ReplayError,
    },
    /// This build does not have it.
    #[error("sensor {sensor}: {what} is not built yet")]
    NotBuilt {
        /// The sensor.
        sensor: String,
        /// What is missing.
        what: &'static str,
    },
}

/// What the service needs to know of the rig.
#[must_use]
pub fn setup(config: &Config) -> Setup {
    let sensors: Vec<SensorPart> = config
        .sensors
        .iter()
        .map(|sensor| SensorPart {
            name: sensor.name.to_string(),
            period_s: sensor.period.as_secs_f64(),
            calibration: calibration(sensor),
        })
        .collect();
    let position = |name: &config::Name| config.sensors.iter().position(|sensor| sensor.name == *name);
    let frames = config
        .frames
        .iter()
        .map(|frame| FramePart {
            name: frame.name.to_string(),
            label: frame.label.clone(),
            sensor: SensorId(position(&frame.sensor).unwrap_or(0) as u16),
            glass: frame.glass,
        })
        .collect();
    let mqtt = config.mqtt.as_ref();
    Setup {
        rig: config.rig.name.to_string(),
        zone: config.rig.timezone.clone().unwrap_or_else(TimeZone::system),
        place: config.rig.place.map(|p| Place { latitude: p.latitude, longitude: p.longitude }),
        rules: Rules {
            nearly_s: config.signal.nearly.as_secs_f64(),
            overdue_every_s: config.signal.overdue_every.as_secs_f64(),
            ..Rules::default()
        },
        sensors,
        frames,
        keep_idle_light: config.ledger.keep_idle_light,
        boot: clock::boot_id().chars().take(BOOT_LETTERS).collect(),
        discovery: mqtt.map(|mqtt| mqtt.discovery).unwrap_or_default(),
        discovery_prefix: mqtt.map(|mqtt| mqtt.discovery_prefix.clone()).unwrap_or_default(),
        ledger: config.ledger.path.clone(),
        speed: config.speed,
    }
}

/// So much of the kernel's name for a boot tells it from the others of a machine.
const BOOT_LETTERS: usize = 8;

/// The sensors whose light other rigs publish, with the topics in full.
#[must_use]
pub fn remote_lights(config: &Config) -> Vec<(SensorId, String)> {
    let sensors = (0..).map(SensorId).zip(&config.sensors);
    sensors
        .filter_map(|(id, sensor)| match &sensor.kind {
            SensorKind::Mqtt { rig, sensor } => {
                let topic = topics::sensor_irradiance(sensor.as_str());
                Some((id, format!("{}/{topic}", topics::prefix(rig.as_str()))))
            }
            _ => None,
        })
        .collect()
}

/// How counts become irradiance, as each print remembers it.
fn calibration(sensor: &config::Sensor) -> String {
    let facts = match &sensor.kind {
        SensorKind::Real { chip, .. } | SensorKind::Emulated { chip, .. } => match chip {
            ChipConfig::Adc { volts_per_w_m2, zero_v, .. } => {
                json!({ "from": "config", "volts_per_w_m2": volts_per_w_m2, "zero_v": zero_v })
            }
            _ => json!({ "from": "datasheet" }),
        },
        SensorKind::Recorded(_) => json!({ "from": "recorded" }),
        SensorKind::Mqtt { rig, sensor } => {
            json!({ "from": "mqtt", "rig": rig.as_str(), "sensor": sensor.as_str() })
        }
        SensorKind::Iio => json!({ "from": "elsewhere" }),
    };
    facts.to_string()
}

/// The buzzer as the pins know it.
#[must_use]
pub fn buzzer(config: &Config) -> BuzzerKind {
    match config.buzzer {
        config::Buzzer::Active(pin) => BuzzerKind::Active { pin: pin.bcm() },
        config::Buzzer::Passive(pin) => BuzzerKind::Passive { pin: pin.bcm() },
        config::Buzzer::Terminal => BuzzerKind::Terminal,
        config::Buzzer::None => BuzzerKind::None,
    }
}

/// The feeds of all sensors: one for each real bus, one for each that is
/// emulated or recorded; none for what the link brings. A real bus is opened when it is first polled, and
/// again until it can be.
///
/// # Errors
/// [`AssembleError`] for settings that do not fit and light that cannot be read.
pub fn feeds(config: &Config, now: Mono) -> Result<Vec<Box<dyn Feed>>, AssembleError> {
    let mut feeds: Vec<Box<dyn Feed>> = Vec::new();
    let mut buses: Vec<u8> = Vec::new();
    for (id, sensor) in (0..).map(SensorId).zip(&config.sensors) {
        match &sensor.kind {
            SensorKind::Real { bus, .. } if buses.contains(bus) => {}
            SensorKind::Real { bus, .. } => {
                buses.push(*bus);
                // Settings that do not fit are told now and not when the bus is there.
                samplers::<EmulatedBus>(config, *bus, now)?;
                let (config, bus) = (config.clone(), *bus);
                feeds.push(Box::new(WaitingFeed::new(Box::new(move |now| bus_feed(&config, bus, now)))));
            }
            SensorKind::Emulated { address, chip, light } => {
                feeds.push(emulated(id, sensor, *address, chip, light, now)?);
            }
            SensorKind::Recorded(light) => feeds.push(recorded(id, sensor, light, now)?),
            SensorKind::Iio => return Err(not_built(sensor, "chip = \"iio\"")),
            // The link brings it.
            SensorKind::Mqtt { .. } => {}
        }
    }
    Ok(feeds)
}

fn not_built(sensor: &config::Sensor, what: &'static str) -> AssembleError {
    AssembleError::NotBuilt { sensor: sensor.name.to_string(), what }
}

/// All chips on one real bus.
fn bus_feed(config: &Config, number: u8, now: Mono) -> Result<Box<dyn Feed>, String> {
    let samplers = samplers(config, number, now).map_err(|error| error.to_string())?;
    let bus = LinuxBus::open(number).map_err(|error| error.to_string())?;
    Ok(Box::new(BusFeed::new(bus, samplers)))
}

fn samplers<B: Bus>(
    config: &Config,
    number: u8,
    now: Mono,
) -> Result<Vec<(SensorId, Sampler<B>)>, AssembleError> {
    let mut samplers = Vec::new();
    for (id, sensor) in (0..).map(SensorId).zip(&config.sensors) {
        match &sensor.kind {
            SensorKind::Real { bus, address, chip } if *bus == number => {
                samplers.push((id, Sampler::new(driver(sensor, *address, chip)?, sensor.period, now)));
            }
            _ => {}
        }
    }
    Ok(samplers)
}

fn emulated(
    id: SensorId,
    sensor: &config::Sensor,
    address: u8,
    chip: &ChipConfig,
    playback: &Playback,
    now: Mono,
) -> Result<Box<dyn Feed>, AssembleError> {
    let light = played(sensor, playback, now)?;
    let light: Light = Box::new(move |at| light(at).unwrap_or(Irradiance::ZERO));
    let mut bus = EmulatedBus::default();
    match chip {
        ChipConfig::As7331 { .. } => bus.attach(address, EmulatedAs7331::new(light)),
        ChipConfig::Adc { .. } => {
            let (part, photodiode) = analogue(sensor, chip)?;
            bus.attach(address, EmulatedAds1x1x::new(part, photodiode, light));
        }
        _ => return Err(not_built(sensor, "this emulated chip")),
    }
    let sampler = Sampler::new(driver(sensor, address, chip)?, sensor.period, now);
    Ok(Box::new(BusFeed::new(bus, vec![(id, sampler)])))
}

fn recorded(
    id: SensorId,
    sensor: &config::Sensor,
    playback: &Playback,
    now: Mono,
) -> Result<Box<dyn Feed>, AssembleError> {
    let light = played(sensor, playback, now)?;
    Ok(Box::new(RecordedFeed::new(id, light, sensor.period, now)))
}

type Played = Box<dyn Fn(Mono) -> Option<Irradiance> + Send>;

/// A recorded light that begins now, and again whenever it ends.
fn played(sensor: &config::Sensor, playback: &Playback, now: Mono) -> Result<Played, AssembleError> {
    let failed = |source| AssembleError::Light {
        sensor: sensor.name.to_string(),
        file: playback.file.display().to_string(),
        source,
    };
    let file = File::open(&playback.file).map_err(|error| failed(error.into()))?;
    let light = RecordedLight::read(file).map_err(failed)?;
    let first = light.first_ns();
    let from = match playback.from {
        None => first,
        Some(PlayFrom::At(at)) => i64::try_from(at.as_nanosecond()).unwrap_or(first),
        Some(PlayFrom::TimeOfDay(time)) => {
            let day = 86_400_000_000_000;
            let of_day = Duration::from_secs(
                u64::from(time.hour().unsigned_abs()) * 3600
                    + u64::from(time.minute().unsigned_abs()) * 60
                    + u64::from(time.second().unsigned_abs()),
            );
            first - first.rem_euclid(day) + of_day.as_nanos() as i64
        }
    };
    let (first, length) = (light.first_ns(), light.length_ns());
    Ok(Box::new(move |at: Mono| {
        let into = from - first + at.nanos() - now.nanos();
        light.at(first + into.rem_euclid(length))
    }))
}

/// The driver of a chip.
fn driver<B: Bus>(
    sensor: &config::Sensor,
    address: u8,
    chip: &ChipConfig,
) -> Result<Box<dyn Chip<B> + Send>, AssembleError> {
    let failed = |source| AssembleError::Setup { sensor: sensor.name.to_string(), source };
    match chip {
        ChipConfig::As7331 { gain, time } => {
            let usual = As7331Settings::default();
            let time_ms = time.map_or(usual.time_ms, |time| u16::try_from(time.as_millis()).unwrap_or(64));
            // Range 0 is the least sensitive: a gain of 1.
            let ranging = gain.map_or(usual.ranging, |gain| Ranging::Locked(gain.trailing_zeros() as u8));
            let settings = As7331Settings { address, time_ms, ranging };
            Ok(Box::new(As7331::new(settings).map_err(failed)?))
        }
        ChipConfig::Adc { full_scale_v, .. } => {
            let (part, photodiode) = analogue(sensor, chip)?;
            let scales = part.full_scales_v();
            let locked = full_scale_v.and_then(|scale| scales.iter().position(|&s| s == scale));
            let ranging = locked.map_or(Ranging::Free, |range| Ranging::Locked(range as u8));
            let settings =
                Ads1x1xSettings { part, address, rate_sps: part.rates_sps()[ADC_RATE], ranging, photodiode };
            Ok(Box::new(Ads1x1x::new(settings).map_err(failed)?))
        }
        _ => Err(not_built(sensor, "this chip")),
    }
}

/// The second slowest rate: slow enough to average over much of a lamp's
/// flicker, fast enough for ten readings a second.
const ADC_RATE: usize = 1;

fn analogue(sensor: &config::Sensor, chip: &ChipConfig) -> Result<(Part, Photodiode), AssembleError> {
    let ChipConfig::Adc { part, volts_per_w_m2, zero_v, .. } = chip else {
        return Err(not_built(sensor, "this chip"));
    };
    let photodiode = Photodiode { volts_per_w_m2: *volts_per_w_m2, zero_v: *zero_v, ceiling_v: None };
    Ok((*part, photodiode))
}
