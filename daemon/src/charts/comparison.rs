//! Several prints from their starts on: how each came by its dose.

use super::dose_curve::CurvePoint;
use super::figure::{Axis, Figure, PanelPlan, covering};
use super::labels::{ABOVE_LEFT, BELOW_LEFT, Labels};
use super::trace::trace;
use super::{STYLES, Span, stroke};

/// What a comparison shows. Seconds count from the start of each print.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Comparison {
    /// What is compared.
    pub title: String,
    /// More about it, a line each.
    pub subtitle: Vec<String>,
    /// The prints; at most [`MOST_COMPARED`] can be told apart.
    pub prints: Vec<Compared>,
}

/// One print of a comparison.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Compared {
    /// What stands at the end of its curve, a line each.
    pub label: Vec<String>,
    /// The light and the dose, in order of time.
    pub points: Vec<CurvePoint>,
    /// When the light was not seen, in order of time.
    pub gaps: Vec<Span>,
}

/// So many prints have lines of their own kind.
pub const MOST_COMPARED: usize = STYLES.len();

/// Draws a comparison as SVG. Where light was not seen its line is broken.
#[must_use]
pub fn comparison(chart: &Comparison) -> String {
    let all = || chart.prints.iter().flat_map(|print| &print.points);
    let (_, end_s) = covering(all().map(|p| p.seconds));
    let (low, high) = covering(all().map(|p| p.dose_j_m2));
    let light = covering(all().map(|p| p.irradiance_w_m2));
    // A quarter of the height stays free for the labels at the ends.
    let doses = (low / 1000.0, high * 1.25 / 1000.0);
    let plans = [
        PanelPlan { name: "dose, kJ/m²", height: 330.0, covers: doses, steps: 6.0 },
        PanelPlan { name: "light, W/m²", height: 160.0, covers: light, steps: 3.0 },
    ];
    let mut figure = Figure::new(&chart.title, &chart.subtitle, &plans, &Axis::elapsed(end_s, ""));
    let (dose, light) = (figure.panels[0], figure.panels[1]);
    let mut labels = Labels::new(dose.area);
    let curve =
        |print: &Compared| trace(print.points.iter().map(|p| dose.at(p.seconds, p.dose_j_m2 / 1000.0)));
    for (print, style) in chart.prints.iter().zip(STYLES) {
        let runs = curve(print);
        runs.iter().for_each(|run| labels.avoid(run));
        figure.svg.path(&runs, &stroke(style));
        let seen = print.points.iter().map(|p| {
            let hidden = print.gaps.iter().any(|gap| gap.from_s < p.seconds && p.seconds < gap.to_s);
            light.at(p.seconds, if hidden { f64::NAN } else { p.irradiance_w_m2 })
        });
        figure.svg.path(&trace(seen), &stroke(style).replace(r#"width="4""#, r#"width="2.5""#));
    }
    let end = |print: &Compared| curve(print).last().and_then(|run| run.last().copied());
    let mut ends: Vec<_> = chart
        .prints
        .iter()
        .zip(STYLES)
        .filter_map(|(print, style)| Some((end(print)?, print, style.0)))
        .collect();
    // From the top down, so that no label has to cross the curve below its own.
    ends.sort_by(|((_, a), ..), ((_, b), ..)| a.total_cmp(b));
    let sides = std::iter::once(ABOVE_LEFT).chain(std::iter::repeat(BELOW_LEFT));
    for ((end, print, colour), side) in ends.into_iter().zip(sides) {
        let lines: Vec<&str> = print.label.iter().map(String::as_str).collect();
        labels.set(&mut figure.svg, end, side, colour, &lines);
        figure.svg.dot(end, 7.0, &format!(r##"fill="{colour}" stroke="#fff" stroke-width="2""##));
    }
    figure.finish()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn print(name: &str, w_m2: f64) -> Compared {
        let point = |i: u32| {
            let seconds = f64::from(i) * 10.0;
            CurvePoint { seconds, irradiance_w_m2: w_m2, dose_j_m2: seconds * w_m2 }
        };
        Compared { label: vec![name.into()], points: (0..=60).map(point).collect(), gaps: Vec::new() }
    }

    #[test]
    fn every_print_has_its_name_and_its_own_line() {
        let names = ["oak", "ash", "elm", "fir", "yew", "box"];
        let prints = names.iter().zip(1..).map(|(name, i)| print(name, 10.0 * f64::from(i))).collect();
        let svg = comparison(&Comparison { title: "six".into(), subtitle: Vec::new(), prints });
        for (name, (colour, dashes)) in names.iter().zip(STYLES) {
            assert!(svg.contains(&format!(">{name}</text>")), "{name}");
            assert!(svg.contains(&stroke((colour, dashes))), "{name}");
        }
        assert_eq!(names.len(), MOST_COMPARED);
    }

    #[test]
    fn light_that_was_not_seen_is_not_drawn() {
        let whole = print("oak", 30.0);
        let broken = Compared { gaps: vec![Span { from_s: 200.0, to_s: 400.0 }], ..whole.clone() };
        let lines = |print: Compared| {
            let svg = comparison(&Comparison { prints: vec![print], ..Comparison::default() });
            let light = svg.lines().find(|line| line.contains(r#"stroke-width="2.5""#)).unwrap().to_owned();
            light.matches('M').count()
        };
        assert_eq!((lines(whole), lines(broken)), (1, 2));
    }
}
