//! What came of the morning: the dose of each print against its minutes.

use std::fmt::Write as _;
use std::path::PathBuf;

use frameside_core::quantity::Dose;
use serde_json::{Value, json};

use super::{Day, MIDNIGHT_UNIX_MS, RehearsalError};
use crate::ledger::{Filter, PrintRow, Record};
use crate::words;

/// A rehearsal that came to its end.
#[derive(Debug, Clone, PartialEq)]
pub struct Rehearsed {
    folder: PathBuf,
    seed: u64,
    prints: Vec<Print>,
}

/// A print of the rehearsal.
#[derive(Debug, Clone, PartialEq)]
struct Print {
    id: String,
    target: Dose,
    at_due: Dose,
    brought_in: Dose,
    low: Dose,
    high: Dose,
    /// What really fell on it, from the made-up light itself.
    fell: Dose,
    minutes: f64,
    /// What the same minutes give at the dimmest and the brightest hour.
    elsewhen: (Dose, Dose),
}

/// Other hours: begun each ten minutes from 9:00 to 16:00.
const HOURS_FROM: f64 = 9.0 * 3600.0;
const HOURS_TO: f64 = 16.0 * 3600.0;
const HOURS_STEP: f64 = 600.0;

pub(super) fn of(
    folder: PathBuf,
    record: &Record,
    day: &Day,
    seed: u64,
) -> Result<Rehearsed, RehearsalError> {
    let mut prints = Vec::new();
    for row in record.prints(&Filter::default())?.into_iter().rev() {
        let detail = record.detail(&row.id)?;
        prints.extend(print(&row, &detail.spans, day));
    }
    Ok(Rehearsed { folder, seed, prints })
}

fn print(row: &PrintRow, spans: &[(f64, Option<f64>)], day: &Day) -> Option<Print> {
    let (due, brought_in) = (row.due()?, row.brought_in()?);
    let begun = (row.begun()?.unix_ms - MIDNIGHT_UNIX_MS) as f64 / 1000.0;
    let seconds = row.seconds_of_light()?;
    let fell = spans.iter().fold(Dose::ZERO, |sum, &(from, to)| {
        sum + day.dose(begun + from, begun + to.unwrap_or(from)) * row.glass
    });
    let starts =
        (0..).map(|n| HOURS_FROM + f64::from(n) * HOURS_STEP).take_while(|&t| t + seconds < HOURS_TO);
    let doses = starts.map(|t| day.dose(t, t + seconds) * row.glass);
    let elsewhen = doses.fold(None, |range: Option<(Dose, Dose)>, dose| {
        Some(range.map_or((dose, dose), |(least, most)| (least.min(dose), most.max(dose))))
    })?;
    Some(Print {
        id: row.id.clone(),
        target: row.target(),
        at_due: due.dose.best,
        brought_in: brought_in.dose.best,
        low: brought_in.dose.low,
        high: brought_in.dose.high,
        fell,
        minutes: seconds / 60.0,
        elsewhen,
    })
}

impl Rehearsed {
    /// The summary as a person reads it.
    #[must_use]
    pub fn for_people(&self) -> String {
        let mut text = String::from("\nEvery print got its dose. The minutes were the sky's affair:\n\n");
        for print in &self.prints {
            let (least, most) = print.elsewhen;
            let _ = writeln!(
                text,
                "{}: {} asked, in {:.1} min\n    {} at the call, {} when it came in",
                print.id, print.target, print.minutes, print.at_due, print.brought_in
            );
            if (print.high - print.low).j_m2() > 0.005 * print.high.j_m2() {
                let _ = writeln!(
                    text,
                    "    between {} and {}: the sensor was out for a while",
                    print.low, print.high
                );
            }
            // Rounded first, so that nothing is 0.00 below zero.
            let off = (print.brought_in.j_m2() / print.fell.j_m2() - 1.0) * 100.0;
            let off = (100.0 * off).round() / 100.0 + 0.0;
            let _ = writeln!(text, "    really fell on it: {} (recorded {off:+.2} %)", print.fell);
            let _ = writeln!(
                text,
                "    other hours, same minutes: {least} to {most}, {:+.2} to {:+.2} stops",
                least.stops_over(print.brought_in).value(),
                most.stops_over(print.brought_in).value()
            );
        }
        let folder = self.folder.display();
        let _ = write!(
            text,
            "\nLeft in {folder}:\n  \
             overview.png and a dose curve of each print\n  \
             ledger.sqlite, the record: prints, events, light\n  \
             config.toml, for the same rig before the same sky\n\n\
             Try next (`cargo run --release --` where frameside is not on your path):\n  \
             export FRAMESIDE_CONFIG={folder}/config.toml\n  \
             frameside prints\n  \
             frameside show {}\n  \
             frameside light --day {} --chart light.png\n  \
             frameside run              and in another terminal:\n  \
             frameside expose oak --target 5kJ/m2\n  \
             frameside rehearse --seed {}\n",
            self.prints.first().map_or("PRINT", |print| print.id.as_str()),
            words::day(MIDNIGHT_UNIX_MS, &super::zone()),
            self.seed + 1,
        );
        text
    }

    /// The summary as JSON.
    #[must_use]
    pub fn to_json(&self) -> Value {
        json!({
            "out": self.folder,
            "seed": self.seed,
            "prints": self.prints.iter().map(|print| json!({
                "print": print.id,
                "target_j_m2": print.target.j_m2(),
                "dose_at_due_j_m2": print.at_due.j_m2(),
                "dose_j_m2": print.brought_in.j_m2(),
                "low_j_m2": print.low.j_m2(),
                "high_j_m2": print.high.j_m2(),
                "fell_j_m2": print.fell.j_m2(),
                "minutes": print.minutes,
                "same_minutes_least_j_m2": print.elsewhen.0.j_m2(),
                "same_minutes_most_j_m2": print.elsewhen.1.j_m2(),
            })).collect::<Vec<_>>(),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn it_fits_a_terminal_of_80_columns() {
        let kj = |kj: f64| Dose::from_j_m2(kj * 1000.0);
        let print = Print {
            id: "2026-07-14-oak-1".to_owned(),
            target: kj(15.0),
            at_due: kj(15.0),
            brought_in: kj(15.7),
            low: kj(12.5),
            high: kj(17.5),
            fell: kj(15.9),
            minutes: 116.3,
            elsewhen: (kj(12.4), kj(30.4)),
        };
        let text = Rehearsed { folder: "/tmp/rehearsal".into(), seed: 41, prints: vec![print] }.for_people();
        for line in text.lines() {
            assert!(line.chars().count() <= 80, "{line}");
        }
        assert!(text.contains("12.4 kJ/m² to 30.4 kJ/m², -0.34 to +0.95 stops"), "{text}");
    }
}
