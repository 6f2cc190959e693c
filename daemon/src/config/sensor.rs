//! `[[sensor]]`: which keys there are depends on the chip.

use std::time::Duration;

use frameside_core::chips::Part;

use super::chip::Model;
use super::claims::{Claim, Pace};
use super::document::{Entry, Section};
use super::parse::Parser;
use super::problems::Finding;
use super::values;
use super::{Chip, Playback, Sensor, SensorKind};

/// What `chip` names.
#[derive(Clone, Copy)]
enum Kind {
    Real(Model),
    Emulated(Model),
    Recorded,
    Iio,
    Mqtt,
}

const CHIP: &str = "chip";
const LOCATION: [&str; 2] = ["bus", "address"];
const RANGE: [&str; 2] = ["gain", "time"];
const ANALOGUE: [&str; 3] = ["full_scale", "volts_per_W_m2", "zero_V"];
const PLAYED: [&str; 3] = ["light", "speed", "from"];
const OF_OTHER_RIG: [&str; 2] = ["rig", "sensor"];
const WITH_PLAYED: &str = "recorded and emulated sensors";

pub(super) fn parse(parser: &mut Parser<'_>, mut section: Section<'_>) -> Option<Sensor> {
    let name = parser.name(&mut section, "sensor", r#""sky""#);
    let by = name.as_ref().map_or_else(|| "a sensor".to_owned(), |name| format!("sensor \"{name}\""));
    let bounds = Duration::from_millis(100)..=Duration::from_secs(600);
    let period = section.or("period", Duration::from_secs(1), values::duration(bounds, "100ms to 10min"));
    let kind = match section.required(CHIP, r#""as7331""#, chip_name) {
        Some(Kind::Real(model)) => real(parser, &mut section, model, by),
        Some(Kind::Emulated(model)) => emulated(parser, &mut section, model, by),
        Some(Kind::Recorded) => recorded(parser, &mut section, by),
        Some(Kind::Iio) => Some(iio(parser, &mut section, by)),
        Some(Kind::Mqtt) => of_other_rig(parser, &mut section, by),
        None => {
            // Without the chip nothing can be said of the keys that go with it.
            section.know(&[&LOCATION[..], &RANGE, &ANALOGUE, &PLAYED, &OF_OTHER_RIG].concat());
            None
        }
    };
    section.finish();
    Some(Sensor { name: name?, period: period?, kind: kind? })
}

/// Reads `as7331`, `emulated:as7331`, `recorded`, `iio` or `mqtt`.
fn chip_name(entry: &Entry<'_>) -> Result<Kind, Finding> {
    let word = values::string(entry)?;
    let kind = match word {
        "recorded" => Some(Kind::Recorded),
        "iio" => Some(Kind::Iio),
        "mqtt" => Some(Kind::Mqtt),
        _ => match word.strip_prefix("emulated:") {
            Some(emulated) => Model::named(emulated).map(Kind::Emulated),
            None => Model::named(word).map(Kind::Real),
        },
    };
    kind.ok_or_else(|| {
        let mut names: Vec<_> = Model::NAMED.iter().map(|&(name, _)| name).collect();
        names.extend(["recorded", "iio", "mqtt", "emulated:as7331", "emulated:ads1115"]);
        values::not_among(entry, word, &names)
    })
}

fn real(parser: &mut Parser<'_>, section: &mut Section<'_>, model: Model, by: String) -> Option<SensorKind> {
    let location = location(section, model);
    let chip = chip(parser, section, model);
    section.out_of_place(&PLAYED, "a real chip", WITH_PLAYED);
    let at = section.at(CHIP);
    parser.claims.paces.push(Claim { of: Pace::Real, by: by.clone(), at });
    let (bus, address) = location?;
    if bus == 1 && parser.claims.header_bus.is_none() {
        // SDA1 and SCL1.
        parser.claims.header_bus = Some(Claim { of: [2, 3], by: format!("I2C bus 1 of {by}"), at });
    }
    parser.claims.addresses.push(Claim { of: (bus, address), by, at: section.at("address") });
    Some(SensorKind::Real { bus, address, chip: chip? })
}

/// An emulated chip takes the keys of the real one, so that changing one word
/// makes the config one for the real chip.
fn emulated(
    parser: &mut Parser<'_>,
    section: &mut Section<'_>,
    model: Model,
    by: String,
) -> Option<SensorKind> {
    let location = location(section, model);
    let chip = chip(parser, section, model);
    let light = playback(parser, section, by);
    let (_, address) = location?;
    Some(SensorKind::Emulated { address, chip: chip?, light: light? })
}

fn recorded(parser: &mut Parser<'_>, section: &mut Section<'_>, by: String) -> Option<SensorKind> {
    let light = playback(parser, section, by);
    no_chip(section, "a recorded light");
    light.map(SensorKind::Recorded)
}

/// A sensor that the kernel reads.
fn iio(parser: &mut Parser<'_>, section: &mut Section<'_>, by: String) -> SensorKind {
    read_elsewhere(parser, section, by);
    let at = section.at(CHIP);
    parser.not_built(at, "chip \"iio\"".to_owned(), "take an as7331 or ads1115 on the bus");
    SensorKind::Iio
}

/// A sensor that another rig reads.
fn of_other_rig(parser: &mut Parser<'_>, section: &mut Section<'_>, by: String) -> Option<SensorKind> {
    read_elsewhere(parser, section, by);
    let own = parser.claims.rig.clone();
    let rig = section.required("rig", r#""shed""#, |entry| {
        let rig = values::name(entry)?;
        if Some(&rig) == own.as_ref() {
            Err(values::refused(entry, "the name of another rig"))
        } else {
            Ok(rig)
        }
    });
    let sensor = section.required("sensor", r#""sky""#, values::name);
    parser.claims.over_the_broker.get_or_insert(section.at(CHIP));
    Some(SensorKind::Mqtt { rig: rig?, sensor: sensor? })
}

fn read_elsewhere(parser: &mut Parser<'_>, section: &mut Section<'_>, by: String) {
    no_chip(section, "a sensor read elsewhere");
    section.out_of_place(&PLAYED, "a sensor read elsewhere", WITH_PLAYED);
    parser.claims.paces.push(Claim { of: Pace::Real, by, at: section.at(CHIP) });
}

fn no_chip(section: &mut Section<'_>, beside: &str) {
    section.out_of_place(&[&LOCATION[..], &RANGE, &ANALOGUE].concat(), beside, "chips on an I2C bus");
}

/// Bus and address of a chip, unless one of them is wrong.
fn location(section: &mut Section<'_>, model: Model) -> Option<(u8, u8)> {
    let bus = section.or("bus", 1, values::integer(0..=255u8));
    let among = model.addresses();
    let address = section.or("address", among[0], values::address(among));
    bus.zip(address)
}

/// The settings of a chip.
fn chip(parser: &mut Parser<'_>, section: &mut Section<'_>, model: Model) -> Option<Chip> {
    let name = model.name();
    if !model.is_built() {
        parser.not_built(section.at(CHIP), format!("chip \"{name}\""), "take an as7331 or ads1115");
    }
    if !matches!(model, Model::Adc(_)) {
        section.out_of_place(&ANALOGUE, name, "the ads101x and ads111x converters");
    }
    let (gains, times) = (model.gains(), model.times_us());
    let read_gain = values::among(gains, values::integer(0..=u16::MAX));
    let gain = setting(section, "gain", name, !gains.is_empty(), read_gain);
    let time = setting(section, "time", name, !times.is_empty(), values::integration_time(times));
    match model {
        Model::Adc(model) => adc(section, model),
        Model::As7331 => Some(Chip::As7331 { gain, time }),
        Model::Ltr390 => Some(Chip::Ltr390 { gain, time }),
        Model::Veml6075 => Some(Chip::Veml6075 { time }),
        Model::Veml6070 => Some(Chip::Veml6070),
    }
}

fn adc(section: &mut Section<'_>, part: Part) -> Option<Chip> {
    let volts = values::number(f64::MIN..=f64::MAX, "a voltage");
    let full_scale_v = section.optional("full_scale", values::among(part.full_scales_v(), volts));
    let slope = values::number(f64::MIN_POSITIVE..=10.0, "above 0 and at most 10 V per W/m2");
    let volts_per_w_m2 = section.required("volts_per_W_m2", "0.0486", slope);
    let zero = values::number(-0.5..=5.5, "-0.5 to 5.5 V, what the photodiode gives in the dark");
    let zero_v = section.required("zero_V", "0.0", zero);
    Some(Chip::Adc { part, volts_per_w_m2: volts_per_w_m2?, zero_v: zero_v?, full_scale_v })
}

/// A setting that only some chips have.
fn setting<'a, T>(
    section: &mut Section<'a>,
    key: &'static str,
    chip: &str,
    has_it: bool,
    read: impl FnOnce(&Entry<'a>) -> Result<T, Finding>,
) -> Option<T> {
    if has_it {
        return section.optional(key, read);
    }
    section.out_of_place(&[key], chip, "chips that can be set so");
    None
}

fn playback(parser: &mut Parser<'_>, section: &mut Section<'_>, by: String) -> Option<Playback> {
    let file = section.required("light", r#""day.csv""#, values::path(parser.folder));
    let from = section.optional("from", values::play_from);
    let speed = section.or("speed", 1.0, values::number(0.01..=10_000.0, "0.01 to 10000"));
    if let Some(speed) = speed {
        parser.claims.paces.push(Claim { of: Pace::Played(speed), by, at: section.at("speed") });
    }
    Some(Playback { file: file?, from })
}
