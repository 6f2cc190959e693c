//! The bed of a lamp box from above, and how even its light is.

use super::figure::{Axis, EDGE, Figure, PanelPlan, WIDTH};
use super::svg::{Anchor, Area, INK, TARGET_LINE};

/// What a map of a bed shows. Lengths in centimetres.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Bed {
    /// Which lamp box.
    pub title: String,
    /// More about it, a line each.
    pub subtitle: Vec<String>,
    /// Across, up, and stops against the brightest place.
    pub places: Vec<(f64, f64, f64)>,
    /// Width and height of the area about the middle that is even enough.
    pub even: Option<(f64, f64)>,
}

/// A place this many stops below the brightest is drawn darkest.
const DARKEST_STOPS: f64 = 1.0;

/// Draws a map of a bed as SVG.
#[must_use]
pub fn bed(chart: &Bed) -> String {
    let (left, right) = ends(chart.places.iter().map(|p| p.0));
    let (low, high) = ends(chart.places.iter().map(|p| p.1));
    // Room for the spots at the edge.
    let (across, up) = ((right - left) * 0.1, (high - low) * 0.1);
    let height = ((WIDTH - 4.0 * EDGE) * (high - low) / (right - left)).clamp(240.0, 700.0);
    let plan = PanelPlan {
        name: "cm, and stops against the brightest place",
        height,
        covers: (low - up, high + up),
        steps: 9.0,
    };
    let axis = Axis::length(left - across, right + across);
    let mut figure = Figure::new(&chart.title, &chart.subtitle, &[plan], &axis);
    let panel = figure.panels[0];
    let size = spot(chart.places.len(), panel.area);
    if let Some((width, height)) = chart.even {
        let middle = (f64::midpoint(left, right), f64::midpoint(low, high));
        let corner = |x: f64, y: f64| panel.at(middle.0 + x * width / 2.0, middle.1 + y * height / 2.0);
        let round =
            [corner(-1.0, -1.0), corner(1.0, -1.0), corner(1.0, 1.0), corner(-1.0, 1.0), corner(-1.0, -1.0)];
        figure.svg.path(&[round], TARGET_LINE);
    }
    for &(x, y, stops) in &chart.places {
        let (cx, cy) = panel.at(x, y);
        let area = Area { left: cx - size, right: cx + size, top: cy - size * 0.6, bottom: cy + size * 0.6 };
        // From white to a grey that black figures can still be read on.
        let grey = 255.0 - 110.0 * (-stops / DARKEST_STOPS).clamp(0.0, 1.0);
        let style =
            format!(r##"fill="rgb({grey:.0},{grey:.0},{grey:.0})" stroke="#505050" stroke-width="1.5""##);
        figure.svg.rect(area, &style);
        // Rounded first, so that nothing is 0.00 below zero.
        let below = (100.0 * stops).round() / 100.0 + 0.0;
        figure.svg.text((cx, cy + 6.0), Anchor::Middle, 17.0, INK, &format!("{below:.2}"));
    }
    figure.finish()
}

/// Half the width of a spot: so that as many as there are stand apart.
fn spot(count: usize, area: Area) -> f64 {
    let per_row = (count as f64).sqrt().ceil();
    (area.width() / per_row * 0.36).clamp(24.0, 60.0)
}

fn ends(values: impl Iterator<Item = f64>) -> (f64, f64) {
    let (low, high) = values.fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), v| (a.min(v), b.max(v)));
    if low < high { (low, high) } else { (0.0, 1.0) }
}
