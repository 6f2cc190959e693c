//! What a rehearsal leaves: pictures, and a config to look at the record with.

use std::fmt::Write as _;
use std::path::Path;

use jiff::tz::TimeZone;

use super::{Day, MIDNIGHT_UNIX_MS, RehearsalError, SENSOR, ZONE, script};
use crate::charts::{self, FractionPoint, LightPoint, Overview, OverviewPrint, Span};
use crate::ledger::{PrintDetail, Record};
use crate::print_chart::dose_curve;
use crate::words;

/// Between two rows of the light that is left, in ns.
const ROW_NS: i64 = 10_000_000_000;

/// A config for the same rig before the same sky, so that every verb works on
/// the record, and `run` goes on with it.
pub(super) fn write_config(folder: &Path, day: &Day) -> Result<(), RehearsalError> {
    let mut config = format!(
        "# The rig of the rehearsal: an emulated AS7331 before a made-up sky.\n\
         [rig]\nname = \"garden\"\ntimezone = \"{ZONE}\"\n\n\
         [[sensor]]\nname = \"{SENSOR}\"\nchip = \"emulated:as7331\"\nlight = \"light.csv\"\nspeed = 60\n\n"
    );
    for (name, glass) in script::FRAMES {
        let _ = write!(
            config,
            "[[frame]]\nname = \"{name}\"\nsensor = \"{SENSOR}\"\nglass = \"{:.0}%\"\n\n",
            glass * 100.0
        );
    }
    config += "[buzzer]\nkind = \"terminal\"\n\n[ledger]\npath = \"ledger.sqlite\"\n\n[socket]\npath = \"frameside.sock\"\n";
    let mut light = String::from("time,irradiance_w_m2\n");
    let rows = (script::CLOSES.nanos() - script::OPENS.nanos()) / ROW_NS;
    for t in (0..rows).map(|row| script::OPENS.nanos() + row * ROW_NS) {
        let at = words::rfc3339(MIDNIGHT_UNIX_MS + t / 1_000_000, &TimeZone::UTC);
        let _ = writeln!(light, "{at},{:.3}", day.irradiance(t as f64 * 1e-9).w_m2());
    }
    for (name, text) in [("config.toml", config), ("light.csv", light)] {
        let path = folder.join(name);
        std::fs::write(&path, text).map_err(|source| RehearsalError::Folder { path, source })?;
    }
    Ok(())
}

/// A dose curve for each print, and all of them over the light they had.
pub(super) fn draw(folder: &Path, record: &Record, zone: &TimeZone) -> Result<(), RehearsalError> {
    let mut prints = Vec::new();
    for row in record.prints(&crate::ledger::Filter::default())?.into_iter().rev() {
        let print = record.detail(&row.id)?;
        charts::save(
            &folder.join(format!("{}.png", row.id)),
            &charts::dose_curve(&dose_curve(&print, zone)),
        )?;
        prints.push(print);
    }
    charts::save(&folder.join("overview.png"), &charts::overview(&overview(record, &prints)?))?;
    Ok(())
}

fn overview(record: &Record, prints: &[PrintDetail]) -> Result<Overview, RehearsalError> {
    let midnight = MIDNIGHT_UNIX_MS as f64;
    let since = |ms: f64| (ms - midnight) / 1000.0;
    let (from, to) = (midnight, midnight + 86_400_000.0);
    let light = record
        .light(SENSOR, from, to)?
        .iter()
        .map(|s| LightPoint { seconds: since(s.unix_ms), irradiance_w_m2: s.sample.seen.lowest().w_m2() })
        .collect();
    let gaps = record
        .gaps_between(SENSOR, from, to)?
        .iter()
        .map(|gap| Span { from_s: since(gap.from_ms), to_s: since(gap.to_ms) })
        .collect();
    let prints = prints
        .iter()
        .map(|print| {
            let begun = print.row.begun().map_or(0.0, |event| since(event.unix_ms as f64));
            let target = print.row.target().j_m2();
            let minutes = print.row.seconds_of_light().unwrap_or(0.0) / 60.0;
            OverviewPrint {
                label: vec![print.row.frame.clone(), format!("{minutes:.1} min")],
                points: print
                    .curve
                    .iter()
                    .map(|&(s, _, dose)| FractionPoint { seconds: begun + s, fraction: dose / target })
                    .collect(),
            }
        })
        .collect();
    Ok(Overview {
        title: "Four prints under broken cloud".to_owned(),
        subtitle: vec!["Each has its dose; the minutes were the sky's affair.".to_owned()],
        prints,
        light,
        gaps,
    })
}
