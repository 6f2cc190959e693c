//! `[[sensor]]`: which keys there are depends on the chip.

use std::time::Duration;

use frameside_core::chips::{
    Ltr390Settings, Part, Photodiode, Ranging, Veml6070Settings, Veml6070Time, Veml6075Settings,
};

use super::chip::Model;
use super::claims::{Claim, Pace};
use super::document::{Entry, Section};
use super::parse::Parser;
use super::problems::Finding;
use super::values;
use super::{Chip, Iio, IioUnit, Playback, Sensor, SensorKind};

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
/// The key of the ADS1x1x that their analogue part has no share in.
const FULL_SCALE: &str = "full_scale";
const ANALOGUE: [&str; 3] = ["volts_per_W_m2", "zero_V", "ceiling_V"];
const UV_INDEX: [&str; 2] = ["counts_per_UVI", "W_m2_per_UVI"];
const RESISTOR: &str = "rset_kohm";
const PLAYED: [&str; 4] = ["light", "speed", "from", "lit_by"];
/// The keys of chips on a bus, but for those of an analogue part.
const OF_CHIPS: [&[&str]; 5] = [&LOCATION, &RANGE, &[FULL_SCALE], &UV_INDEX, &[RESISTOR]];
const FACTOR: &str = "W_m2_per_count";
/// The keys of sensors that the kernel drives.
const OF_KERNEL: [&str; 3] = ["device", "channel", FACTOR];
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
        Some(Kind::Iio) => iio(parser, &mut section, by),
        Some(Kind::Mqtt) => of_other_rig(parser, &mut section, by),
        None => {
            // Without the chip nothing can be said of the keys that go with it.
            for keys in OF_CHIPS.into_iter().chain([&ANALOGUE[..], &OF_KERNEL, &PLAYED, &OF_OTHER_RIG]) {
                section.know(keys);
            }
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
        names.extend(["recorded", "iio", "mqtt"]);
        names.extend(["emulated:as7331", "emulated:ads1115", "emulated:ltr390"]);
        names.extend(["emulated:veml6075", "emulated:veml6070"]);
        values::not_among(entry, word, &names)
    })
}

fn real(parser: &mut Parser<'_>, section: &mut Section<'_>, model: Model, by: String) -> Option<SensorKind> {
    let location = location(section, model);
    let chip = chip(section, model);
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
    let chip = chip(section, model);
    let light = playback(parser, section, by);
    let (_, address) = location?;
    Some(SensorKind::Emulated { address, chip: chip?, light: light? })
}

fn recorded(parser: &mut Parser<'_>, section: &mut Section<'_>, by: String) -> Option<SensorKind> {
    let light = playback(parser, section, by);
    no_chip(section, "a recorded light");
    light.map(SensorKind::Recorded)
}

/// A sensor that the kernel drives.
fn iio(parser: &mut Parser<'_>, section: &mut Section<'_>, by: String) -> Option<SensorKind> {
    let beside = "a sensor of the kernel";
    section.out_of_place(&OF_CHIPS.concat(), beside, "chips that Frameside drives itself");
    section.out_of_place(&PLAYED, beside, WITH_PLAYED);
    parser.claims.paces.push(Claim { of: Pace::Real, by, at: section.at(CHIP) });
    let device = section.required("device", r#""as73211""#, values::kernel_name);
    // Only of these two drivers is it known what their scale means.
    let (channel, unit) = match device.as_deref() {
        Some(name @ "as73211") => {
            section.out_of_place(&ANALOGUE, name, "ads1015");
            section.out_of_place(&[FACTOR], name, "devices whose scale is not known");
            let channel = section.or("channel", "intensity_uva".to_owned(), values::kernel_name);
            (channel, Some(IioUnit::NanowattPerCm2))
        }
        Some(name @ "ads1015") => {
            section.out_of_place(&[FACTOR], name, "devices whose scale is not known");
            let channel = section.or("channel", "voltage0".to_owned(), values::kernel_name);
            let unit = analogue(section).map(IioUnit::Volt);
            (channel, unit)
        }
        _ => {
            section.out_of_place(&ANALOGUE, beside, "ads1015");
            let channel = section.required("channel", r#""intensity_uv""#, values::kernel_name);
            let factor = "above 0 and at most 1000 W/m2 for one count";
            let w_m2 = section.optional(FACTOR, values::number(f64::MIN_POSITIVE..=1000.0, factor));
            (channel, Some(IioUnit::Count { w_m2 }))
        }
    };
    Some(SensorKind::Iio(Iio { device: device?, channel: channel?, unit: unit? }))
}

/// A sensor that another rig reads.
fn of_other_rig(parser: &mut Parser<'_>, section: &mut Section<'_>, by: String) -> Option<SensorKind> {
    let beside = "a sensor read elsewhere";
    no_chip(section, beside);
    section.out_of_place(&PLAYED, beside, WITH_PLAYED);
    parser.claims.paces.push(Claim { of: Pace::Real, by, at: section.at(CHIP) });
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

fn no_chip(section: &mut Section<'_>, beside: &str) {
    section.out_of_place(&[&OF_CHIPS.concat()[..], &ANALOGUE].concat(), beside, "chips on an I2C bus");
    no_kernel(section, beside);
}

fn no_kernel(section: &mut Section<'_>, beside: &str) {
    section.out_of_place(&OF_KERNEL, beside, "chip \"iio\"");
}

/// Bus and address of a chip, unless one of them is wrong.
fn location(section: &mut Section<'_>, model: Model) -> Option<(u8, u8)> {
    let bus = section.or("bus", 1, values::integer(0..=255u8));
    let among = model.addresses();
    let address = section.or("address", among[0], values::address(among));
    bus.zip(address)
}

/// The settings of a chip.
fn chip(section: &mut Section<'_>, model: Model) -> Option<Chip> {
    let name = model.name();
    no_kernel(section, name);
    if !matches!(model, Model::Adc(_)) {
        section.out_of_place(
            &[&[FULL_SCALE], &ANALOGUE[..]].concat(),
            name,
            "the ads101x and ads111x converters",
        );
    }
    if model != Model::Ltr390 {
        section.out_of_place(&UV_INDEX, name, "the ltr390");
    }
    if model != Model::Veml6070 {
        section.out_of_place(&[RESISTOR], name, "the veml6070");
    }
    let settable = "chips that can be set so";
    if model.gains().is_empty() {
        section.out_of_place(&["gain"], name, settable);
    }
    match model {
        Model::Adc(part) => {
            section.out_of_place(&["time"], name, settable);
            adc(section, part)
        }
        Model::As7331 => Some(Chip::As7331 { gain: gain(section, model), time: time(section, model) }),
        Model::Ltr390 => Some(Chip::Ltr390(ltr390(section))),
        Model::Veml6075 => Some(Chip::Veml6075(veml6075(section))),
        Model::Veml6070 => Some(Chip::Veml6070(veml6070(section))),
    }
}

fn gain(section: &mut Section<'_>, model: Model) -> Option<u16> {
    section.optional("gain", values::among(model.gains(), values::integer(0..=u16::MAX)))
}

fn time(section: &mut Section<'_>, model: Model) -> Option<Duration> {
    section.optional("time", values::integration_time(model.times_us()))
}

fn ltr390(section: &mut Section<'_>) -> Ltr390Settings {
    let usual = Ltr390Settings::default();
    let gain = gain(section, Model::Ltr390);
    let range = gain.and_then(|gain| Model::Ltr390.gains().iter().position(|&g| g == gain));
    let counts = values::number(1.0..=1e6, "1 to 1000000 counts for one UV index at gain 18 and 400 ms");
    let factor = values::number(f64::MIN_POSITIVE..=1000.0, "above 0 and at most 1000 W/m2 for one UV index");
    Ltr390Settings {
        time: time(section, Model::Ltr390).unwrap_or(usual.time),
        ranging: range.map_or(usual.ranging, |range| Ranging::Locked(range as u8)),
        counts_per_uvi: section.optional("counts_per_UVI", counts).unwrap_or(usual.counts_per_uvi),
        w_m2_per_uvi: section.optional("W_m2_per_UVI", factor),
    }
}

fn veml6075(section: &mut Section<'_>) -> Veml6075Settings {
    let times = Model::Veml6075.times_us();
    let range = time(section, Model::Veml6075)
        .and_then(|time| times.iter().position(|&us| Duration::from_micros(us) == time));
    Veml6075Settings { ranging: range.map_or(Ranging::Free, |range| Ranging::Locked(range as u8)) }
}

fn veml6070(section: &mut Section<'_>) -> Veml6070Settings {
    let usual = Veml6070Settings::default();
    let times = [
        ("0.5T", Veml6070Time::Half),
        ("1T", Veml6070Time::One),
        ("2T", Veml6070Time::Two),
        ("4T", Veml6070Time::Four),
    ];
    let rset = values::number(75.0..=1200.0, "75 to 1200, the resistor at the pin RSET in kiloohm");
    Veml6070Settings {
        rset_kohm: section.optional(RESISTOR, rset).unwrap_or(usual.rset_kohm),
        time: section.optional("time", values::one_of(&times)).unwrap_or(usual.time),
    }
}

fn adc(section: &mut Section<'_>, part: Part) -> Option<Chip> {
    let volts = values::number(f64::MIN..=f64::MAX, "a voltage");
    let full_scale_v = section.optional(FULL_SCALE, values::among(part.full_scales_v(), volts));
    Some(Chip::Adc { part, photodiode: analogue(section)?, full_scale_v })
}

fn analogue(section: &mut Section<'_>) -> Option<Photodiode> {
    let slope = values::number(f64::MIN_POSITIVE..=10.0, "above 0 and at most 10 V per W/m2");
    let volts_per_w_m2 = section.required("volts_per_W_m2", "0.0486", slope);
    let zero = values::number(-0.5..=5.5, "-0.5 to 5.5 V, what the photodiode gives in the dark");
    let zero_v = section.required("zero_V", "0.0", zero);
    // At least a tenth of a volt to measure in.
    let ceiling = zero_v.unwrap_or(0.0) + 0.1..=f64::MAX;
    let ceiling_v = section.optional("ceiling_V", values::number(ceiling, "at least 0.1 V above zero_V"));
    Some(Photodiode { volts_per_w_m2: volts_per_w_m2?, zero_v: zero_v?, ceiling_v })
}

fn playback(parser: &mut Parser<'_>, section: &mut Section<'_>, by: String) -> Option<Playback> {
    let file = section.required("light", r#""day.csv""#, values::path(parser.folder));
    let from = section.optional("from", values::play_from);
    let speed = section.or("speed", 1.0, values::number(0.01..=10_000.0, "0.01 to 10000"));
    if let Some(speed) = speed {
        parser.claims.paces.push(Claim { of: Pace::Played(speed), by: by.clone(), at: section.at("speed") });
    }
    let lit_by = section.optional("lit_by", values::name);
    if let Some(lamp) = lit_by.clone() {
        parser.claims.lit_by.push(Claim { of: lamp, by, at: section.at("lit_by") });
    }
    Some(Playback { file: file?, from, lit_by })
}
