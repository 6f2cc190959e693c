//! From the config to the parts of a running rig.

use std::collections::BTreeMap;
use std::fs::File;
use std::path::Path;
use std::time::Duration;

use frameside_core::chips::emulated::{
    EmulatedAds1x1x, EmulatedAs7331, EmulatedBus, EmulatedLtr390, EmulatedVeml6070, EmulatedVeml6075, Light,
};
use frameside_core::chips::{
    Ads1x1x, Ads1x1xSettings, As7331, As7331Settings, Bus, Chip, Ltr390, Photodiode, Ranging, Sampler,
    SetupError, Veml6070, Veml6075,
};
use frameside_core::exposure::{LampRules, Rules, SensorId};
use frameside_core::outlook::{Place, Site, Tilt};
use frameside_core::quantity::{Irradiance, Mono};
use jiff::tz::TimeZone;
use serde_json::{Value, json};
use tokio::sync::mpsc;

use crate::clock;
use crate::config::{
    self, Chip as ChipConfig, Config, IioUnit, PlayFrom, Playback, Relay, SensorKind, SourceKind,
};
use crate::devices::bus::LinuxBus;
use crate::devices::feed::{BusFeed, Feed, RecordedFeed, WaitingFeed};
use crate::devices::iio::{self, IioChip};
use crate::devices::pins::{BuzzerKind, RelayPin};
use crate::devices::relay::{self, Lit, RelayEvent};
use crate::mqtt::topics;
use crate::replay::{RecordedLight, ReplayError};
use crate::service::{FramePart, LampPart, SensorPart, Setup};

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
    #[error("sensor {sensor}: {file}:{}{source}", if matches!(.source, ReplayError::Line { .. }) { "" } else { " " })]
    Light {
        /// The sensor.
        sensor: String,
        /// The file.
        file: String,
        /// Why not.
        source: ReplayError,
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
            conversion: conversion(sensor),
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
        site: site(config),
        sources: config.sources.iter().map(|source| source.name.to_string()).collect(),
        lamps: lamps(config),
        switched: switched(config),
        rules: Rules {
            nearly_s: config.signal.nearly.as_secs_f64(),
            overdue_every_s: config.signal.overdue_every.as_secs_f64(),
            ..Rules::default()
        },
        sensors,
        frames,
        boot: clock::boot_id().chars().take(BOOT_LETTERS).collect(),
        discovery: mqtt.map(|mqtt| mqtt.discovery).unwrap_or_default(),
        discovery_prefix: mqtt.map(|mqtt| mqtt.discovery_prefix.clone()).unwrap_or_default(),
        ledger: config.ledger.path.clone(),
        speed: config.speed,
    }
}

/// The names of the lamp boxes.
fn lamps(config: &Config) -> Vec<String> {
    let is_lamp = |source: &&config::Source| matches!(source.kind, SourceKind::Lamp { .. });
    config.sources.iter().filter(is_lamp).map(|source| source.name.to_string()).collect()
}

/// The lamp boxes that are switched by a relay.
fn switched(config: &Config) -> Vec<LampPart> {
    let part = |(name, relay): (String, Relay)| LampPart {
        name,
        relay: relay.pin.map(config::Pin::bcm),
        rules: LampRules { min_off_s: relay.min_off.as_secs_f64(), max_on_s: relay.max_on.as_secs_f64() },
    };
    relays(config).map(part).collect()
}

/// Each relay with the name of its lamp.
fn relays(config: &Config) -> impl Iterator<Item = (String, Relay)> {
    config.sources.iter().filter_map(|source| match source.kind {
        SourceKind::Lamp { relay: Some(relay) } => Some((source.name.to_string(), relay)),
        _ => None,
    })
}

/// The pin of a relay, unless that is emulated.
fn relay_pin(relay: Relay) -> Option<RelayPin> {
    relay.pin.map(|pin| RelayPin { bcm: pin.bcm(), active_low: relay.active_low })
}

/// The pins of relays.
pub fn relay_pins(config: &Config) -> impl Iterator<Item = RelayPin> {
    relays(config).filter_map(|(_, relay)| relay_pin(relay))
}

/// Every pin that the rig switches, with the level at which it is off.
#[must_use]
pub fn switched_pins(config: &Config) -> Vec<RelayPin> {
    let buzzer = match config.buzzer {
        config::Buzzer::Active(pin) | config::Buzzer::Passive(pin) => Some(pin),
        config::Buzzer::Terminal | config::Buzzer::None => None,
    };
    let leds = config.frames.iter().filter_map(|frame| frame.led);
    let plain = buzzer.into_iter().chain(leds).map(|pin| RelayPin { bcm: pin.bcm(), active_low: false });
    relay_pins(config).chain(plain).collect()
}

/// Which lamps are lit, by name.
pub type Lamps = BTreeMap<String, Lit>;

/// The relay of each lamp that has one, in the order of the setup. Their pins are driven
/// off at once.
#[must_use]
pub fn open_relays(config: &Config, tell: &mpsc::Sender<RelayEvent>) -> (Vec<relay::Relay>, Lamps) {
    let (mut open, mut lamps) = (Vec::new(), Lamps::new());
    for (number, (name, relay)) in relays(config).enumerate() {
        let lit = lamps.entry(name).or_default().clone();
        open.push(match relay_pin(relay) {
            Some(pin) => relay::Relay::on_pin(lit, number, pin, tell.clone()),
            None => relay::Relay::emulated(lit),
        });
    }
    (open, lamps)
}

/// Where the rig stands and how its frames lie, where the config tells.
#[must_use]
pub fn site(config: &Config) -> Option<Site> {
    let place = config.rig.place.map(|p| Place { latitude: p.latitude, longitude: p.longitude })?;
    let tilt = config.rig.tilt.map(|t| Tilt { angle: t.angle, azimuth: t.azimuth });
    Some(Site { place, tilt: tilt.unwrap_or_default() })
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

/// Whether nothing tells what a sensor's readings are in W/m².
#[must_use]
pub fn has_no_unit(sensor: &config::Sensor) -> bool {
    conversion(sensor)["from"] == "uncalibrated"
}

/// How the driver makes counts into irradiance, as each print remembers it.
fn conversion(sensor: &config::Sensor) -> Value {
    match &sensor.kind {
        SensorKind::Real { chip, .. } | SensorKind::Emulated { chip, .. } => match chip {
            ChipConfig::Adc { photodiode, .. } => of_photodiode(photodiode),
            ChipConfig::Ltr390(settings) => {
                let from = if settings.w_m2_per_uvi.is_some() { "config" } else { "uncalibrated" };
                json!({
                    "from": from,
                    "counts_per_uvi": settings.counts_per_uvi,
                    "w_m2_per_uvi": settings.w_m2_per_uvi,
                })
            }
            ChipConfig::Veml6070(settings) => {
                json!({ "from": "datasheet", "rset_kohm": settings.rset_kohm })
            }
            ChipConfig::As7331 { .. } | ChipConfig::Veml6075(_) => json!({ "from": "datasheet" }),
        },
        SensorKind::Recorded(_) => json!({ "from": "recorded" }),
        SensorKind::Iio(setup) => match setup.unit {
            IioUnit::NanowattPerCm2 => json!({ "from": "kernel" }),
            IioUnit::Volt(photodiode) => of_photodiode(&photodiode),
            IioUnit::Count { w_m2: Some(w_m2) } => json!({ "from": "config", "w_m2_per_count": w_m2 }),
            IioUnit::Count { w_m2: None } => json!({ "from": "uncalibrated" }),
        },
        SensorKind::Mqtt { rig, sensor } => {
            json!({ "from": "mqtt", "rig": rig.as_str(), "sensor": sensor.as_str() })
        }
    }
}

fn of_photodiode(photodiode: &Photodiode) -> Value {
    json!({ "from": "config", "volts_per_w_m2": photodiode.volts_per_w_m2, "zero_v": photodiode.zero_v })
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
/// again until it can be. What a lamp lights is dark unless that is among `lamps` and on.
///
/// # Errors
/// [`AssembleError`] for settings that do not fit and light that cannot be read.
pub fn feeds(config: &Config, lamps: &Lamps, now: Mono) -> Result<Vec<Box<dyn Feed>>, AssembleError> {
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
                feeds.push(emulated(id, sensor, *address, chip, light, lamps, now)?);
            }
            SensorKind::Recorded(light) => feeds.push(recorded(id, sensor, light, lamps, now)?),
            SensorKind::Iio(setup) => {
                let chip = Box::new(IioChip::new(Path::new(iio::DEVICES), setup.clone()));
                // The kernel has the bus.
                let sampler = Sampler::new(chip, sensor.period, now);
                feeds.push(Box::new(BusFeed::new(EmulatedBus::default(), vec![(id, sampler)])));
            }
            // The link brings it.
            SensorKind::Mqtt { .. } => {}
        }
    }
    Ok(feeds)
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
    lamps: &Lamps,
    now: Mono,
) -> Result<Box<dyn Feed>, AssembleError> {
    let bus = emulated_bus(sensor, address, chip, playback, lamps, now)?;
    let sampler = Sampler::new(driver(sensor, address, chip)?, sensor.period, now);
    Ok(Box::new(BusFeed::new(bus, vec![(id, sampler)])))
}

/// The bus of an emulated sensor, with its chip alone on it.
///
/// # Errors
/// [`AssembleError`] when its light cannot be read.
pub fn emulated_bus(
    sensor: &config::Sensor,
    address: u8,
    chip: &ChipConfig,
    playback: &Playback,
    lamps: &Lamps,
    now: Mono,
) -> Result<EmulatedBus, AssembleError> {
    let light = played(sensor, playback, lamps, now)?;
    let light: Light = Box::new(move |at| light(at).unwrap_or(Irradiance::ZERO));
    let mut bus = EmulatedBus::default();
    match chip {
        ChipConfig::As7331 { .. } => bus.attach(address, EmulatedAs7331::new(light)),
        ChipConfig::Adc { part, photodiode, .. } => {
            bus.attach(address, EmulatedAds1x1x::new(*part, *photodiode, light));
        }
        ChipConfig::Ltr390(settings) => {
            let w_m2_per_uvi = settings.w_m2_per_uvi.unwrap_or(EMULATED_W_M2_PER_UVI);
            bus.attach(address, EmulatedLtr390::new(settings.counts_per_uvi / w_m2_per_uvi, light));
        }
        ChipConfig::Veml6075(_) => bus.attach(address, EmulatedVeml6075::new(light)),
        ChipConfig::Veml6070(settings) => {
            bus.attach_at(&EmulatedVeml6070::ADDRESSES, EmulatedVeml6070::new(settings.rset_kohm, light));
        }
    }
    Ok(bus)
}

fn recorded(
    id: SensorId,
    sensor: &config::Sensor,
    playback: &Playback,
    lamps: &Lamps,
    now: Mono,
) -> Result<Box<dyn Feed>, AssembleError> {
    let light = played(sensor, playback, lamps, now)?;
    Ok(Box::new(RecordedFeed::new(id, light, sensor.period, now)))
}

type Played = Box<dyn Fn(Mono) -> Option<Irradiance> + Send>;

/// What is wrong with the files of light that sensors look at, each of them: those are
/// read when the rig starts.
#[must_use]
pub fn unreadable_lights(config: &Config) -> Vec<AssembleError> {
    let lights = config.sensors.iter().filter_map(|sensor| match &sensor.kind {
        SensorKind::Emulated { light, .. } | SensorKind::Recorded(light) => Some((sensor, light)),
        _ => None,
    });
    lights.filter_map(|(sensor, light)| recorded_light(sensor, light).err()).collect()
}

fn recorded_light(sensor: &config::Sensor, playback: &Playback) -> Result<RecordedLight, AssembleError> {
    let failed = |source| AssembleError::Light {
        sensor: sensor.name.to_string(),
        file: playback.file.display().to_string(),
        source,
    };
    let file = File::open(&playback.file).map_err(|error| failed(error.into()))?;
    RecordedLight::read(file).map_err(failed)
}

/// A recorded light that begins now, and again whenever it ends; that of a lamp begins
/// each time the lamp goes on.
fn played(
    sensor: &config::Sensor,
    playback: &Playback,
    lamps: &Lamps,
    now: Mono,
) -> Result<Played, AssembleError> {
    let light = recorded_light(sensor, playback)?;
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
    let since = move |began: Mono, at: Mono| {
        let into = from - first + at.nanos() - began.nanos();
        light.at(first + into.rem_euclid(length))
    };
    let Some(lamp) = &playback.lit_by else { return Ok(Box::new(move |at| since(now, at))) };
    let lit = lamps.get(lamp.as_str()).cloned().unwrap_or_default();
    Ok(Box::new(move |at| match lit.since() {
        Some(began) if began <= at => since(began, at),
        _ => Some(Irradiance::ZERO),
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
        ChipConfig::Adc { part, photodiode, full_scale_v } => {
            let scales = part.full_scales_v();
            let locked = full_scale_v.and_then(|scale| scales.iter().position(|&s| s == scale));
            let settings = Ads1x1xSettings {
                part: *part,
                address,
                rate_sps: part.rates_sps()[ADC_RATE],
                ranging: locked.map_or(Ranging::Free, |range| Ranging::Locked(range as u8)),
                photodiode: *photodiode,
            };
            Ok(Box::new(Ads1x1x::new(settings).map_err(failed)?))
        }
        ChipConfig::Ltr390(settings) => Ok(Box::new(Ltr390::new(*settings).map_err(failed)?)),
        ChipConfig::Veml6075(settings) => Ok(Box::new(Veml6075::new(*settings).map_err(failed)?)),
        ChipConfig::Veml6070(settings) => Ok(Box::new(Veml6070::new(*settings).map_err(failed)?)),
    }
}

/// The second slowest rate: slow enough to average over much of a lamp's
/// flicker, fast enough for ten readings a second.
const ADC_RATE: usize = 1;

/// UV-A for one UV index in an emulated LTR-390 whose config has no factor:
/// about that of a clear summer noon.
const EMULATED_W_M2_PER_UVI: f64 = 6.0;

#[cfg(test)]
mod tests {
    use frameside_core::chips::SensorEvent;
    use frameside_core::light::{Flags, Reading};

    use super::*;

    /// The third reading of a rig whose one sensor has `keys` and looks at a
    /// steady 20 W/m².
    fn third_reading(keys: &str) -> Reading {
        let folder = tempfile::tempdir().unwrap();
        let light = "time,irradiance_w_m2\n2026-06-01T10:00:00Z,20\n2026-06-01T11:00:00Z,20\n";
        std::fs::write(folder.path().join("day.csv"), light).unwrap();
        let file = folder.path().join("config.toml");
        let text = format!("[rig]\nname = \"yard\"\n[[sensor]]\nname = \"sky\"\nlight = \"day.csv\"\n{keys}");
        std::fs::write(&file, text).unwrap();
        let home = config::Env::new(|name| (name == "HOME").then(|| "/home/p".into()), 1000);
        let config = config::load(&file, &home).unwrap_or_else(|error| panic!("{error}"));

        let mut now = Mono::default();
        let mut feed = feeds(&config, &Lamps::new(), now).unwrap().remove(0);
        let mut readings = Vec::new();
        while readings.len() < 3 {
            now = feed.poll(now, &mut |_, event| match event {
                SensorEvent::Reading(reading) => readings.push(reading),
                other => panic!("{keys}: {other:?}"),
            });
        }
        readings[2]
    }

    #[test]
    fn every_chip_reads_through_the_keys_of_its_config() {
        let analogue = "volts_per_W_m2 = 0.0486\nzero_V = 0.1\n";
        let sensors = [
            "chip = \"emulated:as7331\"".to_owned(),
            "chip = \"emulated:as7331\"\ngain = 16\ntime = \"32ms\"".to_owned(),
            format!("chip = \"emulated:ads1115\"\nfull_scale = 2.048\n{analogue}"),
            format!("chip = \"emulated:ads1015\"\n{analogue}"),
            // Parts with one range: naming it changes nothing.
            format!("chip = \"emulated:ads1013\"\nfull_scale = 2.048\n{analogue}"),
            format!("chip = \"emulated:ads1113\"\nfull_scale = 2.048\n{analogue}"),
            format!("chip = \"emulated:ads1114\"\n{analogue}"),
            "chip = \"emulated:ltr390\"\nW_m2_per_UVI = 5.5".to_owned(),
            "chip = \"emulated:ltr390\"\nW_m2_per_UVI = 5\ncounts_per_UVI = 2300\ngain = 6\ntime = \"50ms\""
                .to_owned(),
            "chip = \"emulated:veml6075\"".to_owned(),
            "chip = \"emulated:veml6075\"\ntime = \"400ms\"".to_owned(),
            "chip = \"emulated:veml6070\"".to_owned(),
            "chip = \"emulated:veml6070\"\nrset_kohm = 300\ntime = \"0.5T\"".to_owned(),
        ];
        for keys in sensors {
            let reading = third_reading(&keys);
            // Counts that come again are the sampler's affair.
            assert_eq!(reading.flags.without(Flags::REPEATED), Flags::NONE, "{keys}");
            // One step of the coarsest, an ADS101x, is 0.03 W/m²; noise is two counts.
            assert!((reading.seen.lowest().w_m2() - 20.0).abs() < 0.3, "{keys}: {reading:?}");
        }
    }

    #[test]
    fn without_a_factor_an_ltr390_reads_the_uv_index_and_says_so() {
        let reading = third_reading("chip = \"emulated:ltr390\"");
        assert_eq!(reading.flags, Flags::UNCALIBRATED);
        assert!((reading.seen.lowest().w_m2() - 20.0 / EMULATED_W_M2_PER_UVI).abs() < 0.01, "{reading:?}");
    }

    #[test]
    fn a_photodiode_at_its_ceiling_gives_a_lower_bound() {
        let analogue = "chip = \"emulated:ads1115\"\nvolts_per_W_m2 = 0.2\nzero_V = 0\nceiling_V = 3.3";
        let reading = third_reading(analogue);
        assert_eq!(reading.flags, Flags::SATURATED);
        assert!((reading.seen.lowest().w_m2() - 16.5).abs() < 1e-3, "{reading:?}");
    }

    #[test]
    fn settings_of_the_config_reach_the_chip() {
        // Range 2 of an LTR-390 is gain 6, of a VEML6075 200 ms, of a VEML6070 2T.
        for keys in [
            "chip = \"emulated:ltr390\"\ngain = 6",
            "chip = \"emulated:veml6075\"\ntime = \"200ms\"",
            "chip = \"emulated:veml6070\"\ntime = \"2T\"",
        ] {
            assert_eq!(third_reading(keys).range, 2, "{keys}");
        }
    }
}
