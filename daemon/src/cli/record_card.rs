//! A print of the record as its card and its comparison want it.

use jiff::tz::TimeZone;

use super::show::{Times, judged, noted};
use crate::advice::counted;
use crate::charts::{Card, Column, Compared, Comparison};
use crate::ledger::{PrintDetail, Recipe};
use crate::listed::over;
use crate::print_chart::dose_curve;
use crate::words;

/// The card of a print. `recipe` is the version it was made by.
pub(super) fn card(print: &PrintDetail, recipe: Option<&Recipe>, zone: &TimeZone) -> Card {
    Card {
        title: format!("Print {}", print.row.id),
        curve: dose_curve(print, zone),
        columns: [recipe_facts(print, recipe), exposure_facts(print, zone)],
        remarks: remarks(print, zone),
    }
}

fn recipe_facts(print: &PrintDetail, recipe: Option<&Recipe>) -> Column {
    let row = &print.row;
    let heading = match (&row.recipe, row.recipe_version) {
        (Some(name), Some(version)) => format!("Recipe {name}, version {version}"),
        (Some(name), None) => format!("Recipe {name}"),
        (None, _) => "No recipe".to_owned(),
    };
    let facts = recipe.map(|recipe| recipe.facts.clone()).unwrap_or_default();
    let range = facts.negative_range.map(|range| format!("density range {range}"));
    let facts = [
        ("sensitizer", facts.sensitizer),
        ("support", facts.support),
        ("coating", facts.coating),
        ("drying", facts.drying),
        ("humidity", facts.humidity),
        ("negatives", facts.negative),
        ("", range),
        ("developer", facts.developer),
        ("rinse", facts.rinse),
        ("oxidation", facts.oxidation),
    ];
    Column { heading, facts: facts.into_iter().filter_map(|(name, fact)| Some((name, fact?))).collect() }
}

fn exposure_facts(print: &PrintDetail, zone: &TimeZone) -> Column {
    let row = &print.row;
    let times = Times::of(print, zone);
    let time = |unix_ms: i64| times.clock_s(unix_ms);
    let mut facts = vec![
        ("frame", format!("{}, glass {:.0} %", row.frame, row.glass * 100.0)),
        ("light", format!("{}, sensor {}", row.source, row.sensor)),
    ];
    facts.extend(row.negative.clone().map(|negative| ("negative", negative)));
    facts.extend(row.begun().map(|e| {
        ("laid out", format!("{} {}", words::day(e.unix_ms, zone), words::clock_s(e.unix_ms, zone)))
    }));
    facts.push(("target", row.target().to_string()));
    if !row.response.is_plain() {
        facts.push(("counted", format!("{}, {} as it is", counted(&row.response), row.response.reference())));
    }
    facts.extend(row.due().map(|event| ("due", time(event.unix_ms))));
    if let Some(event) = row.brought_in() {
        facts.push(("brought in", time(event.unix_ms)));
        facts.push(("dose", words::dose(event.dose)));
        facts.push(("", format!("{} against the target", over(event.dose.best, row.target()))));
        if !row.response.is_plain() {
            facts.push(("plain dose", words::dose(event.plain)));
        }
    }
    facts.extend(row.seconds_of_light().map(|seconds| ("in the light", words::span(seconds))));
    Column { heading: "Exposure".to_owned(), facts }
}

fn remarks(print: &PrintDetail, zone: &TimeZone) -> Vec<String> {
    let mut remarks: Vec<(i64, String)> = Vec::new();
    for note in &print.notes {
        remarks.push((note.unix_ms, format!("Note of {}", noted(note, print.row.begun(), zone))));
    }
    for judgement in &print.judgements {
        let wet = if judgement.is_final() { "" } else { ", before it was dry and oxidised" };
        let day = words::day(judgement.unix_ms, zone);
        remarks.push((judgement.unix_ms, format!("Judged on {day}{wet}: {}", judged(&judgement.verdict))));
    }
    remarks.sort_by_key(|&(unix_ms, _)| unix_ms);
    let first = print.row.note.as_ref().map(|note| format!("Note: {note}"));
    first.into_iter().chain(remarks.into_iter().map(|(_, text)| text)).collect()
}

/// Prints side by side, in the order given.
pub(super) fn comparison(prints: &[&PrintDetail], zone: &TimeZone) -> Comparison {
    let compared = |print: &&PrintDetail| {
        let curve = dose_curve(print, zone);
        let dose = print.row.dose_to_repeat().map(|dose| match print.row.seconds_of_light() {
            Some(seconds) => format!("{dose} in {}", words::span(seconds)),
            None => dose.to_string(),
        });
        let label = std::iter::once(print.row.id.clone()).chain(dose).collect();
        Compared { label, points: curve.points, gaps: curve.gaps }
    };
    let subtitle = |print: &&PrintDetail| {
        let row = &print.row;
        let recipe = row.recipe.as_ref().map(|recipe| format!(", {recipe}")).unwrap_or_default();
        format!("{}: frame {}, target {}{recipe}", row.id, row.frame, row.target())
    };
    Comparison {
        title: "Prints compared".to_owned(),
        subtitle: prints.iter().map(subtitle).collect(),
        prints: prints.iter().map(compared).collect(),
    }
}
