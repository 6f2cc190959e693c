//! A print of the record as its chart wants it.

use frameside_core::exposure::EventKind;
use frameside_core::quantity::{Dose, Irradiance};
use jiff::tz::TimeZone;

use crate::advice::counted;
use crate::charts::{self, BandPoint, CurvePoint, DoseCurve, Span};
use crate::ledger::PrintDetail;
use crate::words;

/// The print as the chart wants it.
pub(crate) fn dose_curve(print: &PrintDetail, zone: &TimeZone) -> DoseCurve {
    let row = &print.row;
    let begun = row.begun().map_or(0, |e| e.unix_ms);
    let since = |ms: f64| (ms - begun as f64) / 1000.0;
    let end = print.curve.last().map_or(0.0, |&(s, ..)| s);
    let at = if row.response.is_plain() { String::new() } else { format!(" {}", counted(&row.response)) };
    let mut subtitle = vec![format!("frame {}, target {}{at}", row.frame, row.target())];
    subtitle.extend(row.recipe.iter().chain(&row.negative).cloned());
    let covered = std::iter::once(0.0)
        .chain(print.spans.iter().filter_map(|&(_, to)| to))
        .zip(print.spans.iter().map(|&(from, _)| from).chain([end]))
        .filter(|(from, to)| to - from > 0.5)
        .map(|(from_s, to_s)| Span { from_s, to_s })
        .collect();
    let mut points: Vec<CurvePoint> = print
        .curve
        .iter()
        .map(|&(seconds, irradiance_w_m2, dose_j_m2)| CurvePoint { seconds, irradiance_w_m2, dose_j_m2 })
        .collect();
    let mut band = band(print, begun);
    // It ends as the record says, and not as it adds up.
    if let Some(end) = row.brought_in()
        && let Some(last) = points.last_mut()
    {
        last.dose_j_m2 = end.dose.best.j_m2();
        if let Some(last) = band.last_mut() {
            (last.low_j_m2, last.high_j_m2) = (end.dose.low.j_m2(), end.dose.high.j_m2());
        }
    }
    DoseCurve {
        title: format!("Print {}", row.id),
        subtitle,
        started: format!("{} on {}", words::clock(begun, zone), words::day(begun, zone)),
        points,
        target_j_m2: row.target().j_m2(),
        covered,
        gaps: print
            .gaps
            .iter()
            .map(|gap| Span { from_s: since(gap.from_ms).max(0.0), to_s: since(gap.to_ms).min(end) })
            .collect(),
        band,
        signals: row
            .events
            .iter()
            .filter_map(|event| match event.kind {
                EventKind::Band { band } => Some(charts::Signal {
                    seconds: since(event.unix_ms as f64),
                    kind: format!("band {band}"),
                }),
                _ => None,
            })
            .collect(),
        due_s: row.due().map(|event| since(event.unix_ms as f64)),
        brought_in_s: row.brought_in().map(|event| since(event.unix_ms as f64)),
    }
}

/// Where low and high part, along the curve: every gap widens the band by
/// what may have fallen through the glass while the cover was off, as an even light
/// of that would count.
fn band(print: &PrintDetail, begun: i64) -> Vec<BandPoint> {
    let since = |ms: f64| (ms - begun as f64) / 1000.0;
    let off = |t: f64| print.spans.iter().any(|&(from, to)| from <= t && to.is_none_or(|to| t <= to));
    let spread = |t: f64| {
        print.gaps.iter().fold((0.0, 0.0), |(below, above), gap| {
            let (from, to) = (since(gap.from_ms), since(gap.to_ms));
            if !off(0.5 * (from + to)) {
                return (below, above);
            }
            let share = ((t - from) / (to - from)).clamp(0.0, 1.0);
            let passes = print.row.response.of_factor(print.row.glass * print.row.factor);
            let counts = |dose: Dose| {
                let even = Irradiance::from_w_m2(dose.j_m2() / (to - from));
                print.row.response.rate(even).w_m2() * (to - from) * passes * share
            };
            let (low, best, high) = (counts(gap.dose.low), counts(gap.dose.best), counts(gap.dose.high));
            (below + best - low, above + high - best)
        })
    };
    if print.gaps.is_empty() {
        return Vec::new();
    }
    print
        .curve
        .iter()
        .map(|&(seconds, _, dose)| {
            let (below, above) = spread(seconds);
            BandPoint { seconds, low_j_m2: (dose - below).max(0.0), high_j_m2: dose + above }
        })
        .collect()
}
