//! The correction of a negative: its density over the lightness it gives the print.

use super::figure::{Axis, Figure, PanelPlan, covering};
use super::labels::{ABOVE_LEFT, ABOVE_RIGHT, BELOW_RIGHT, Labels};
use super::svg::{Point, QUIET};
use super::trace::trace;
use super::{STYLES, stroke};

/// What a chart of a negative's correction shows.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Correction {
    /// Which paper.
    pub title: String,
    /// More about it, a line each.
    pub subtitle: Vec<String>,
    /// Lightness L* of the print and density of the negative there, above its clear
    /// parts, from one end of the tones to the other.
    pub tones: Vec<(f64, f64)>,
}

/// Draws a correction as SVG, beside the straight line between its ends.
#[must_use]
pub fn correction(chart: &Correction) -> String {
    let plan = PanelPlan {
        name: "density of the negative",
        height: 420.0,
        covers: covering(chart.tones.iter().map(|tone| tone.1)),
        steps: 8.0,
    };
    let mut figure = Figure::new(&chart.title, &chart.subtitle, &[plan], &Axis::lightness());
    let panel = figure.panels[0];
    let mut labels = Labels::new(panel.area);
    let at = |&(lightness, density): &(f64, f64)| panel.at(lightness, density);
    let ends: Vec<Point> = chart.tones.first().into_iter().chain(chart.tones.last()).map(at).collect();
    let (even, curve) = (trace(ends.iter().copied()), trace(chart.tones.iter().map(at)));
    for (line, style) in [(&even, STYLES[4]), (&curve, STYLES[0])] {
        figure.svg.path(line, &stroke(style));
        line.iter().for_each(|run| labels.avoid(run));
    }
    if let (Some(middle), [from, to]) = (chart.tones.get(chart.tones.len() / 2).map(at), &ends[..]) {
        let half = (f64::midpoint(from.0, to.0), f64::midpoint(from.1, to.1));
        let (above, below) =
            if middle.1 < half.1 { (ABOVE_LEFT, BELOW_RIGHT) } else { (BELOW_RIGHT, ABOVE_LEFT) };
        labels.set(&mut figure.svg, middle, above, STYLES[0].0, &["this paper"]);
        labels.set(&mut figure.svg, half, below, STYLES[4].0, &["even steps of density"]);
    }
    for (tone, end) in chart.tones.first().into_iter().chain(chart.tones.last()).zip(&ends) {
        figure.svg.dot(*end, 9.0, &format!(r##"fill="#fff" stroke="{}" stroke-width="3""##, STYLES[0].0));
        let text = format!("L* {:.0}: {:.2}", tone.0, tone.1);
        labels.set(&mut figure.svg, *end, ABOVE_RIGHT, QUIET, &[&text]);
    }
    figure.finish()
}
