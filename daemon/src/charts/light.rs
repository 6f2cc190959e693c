//! Drawing the light, and where it was not seen.

use super::Span;
use super::figure::Panel;
use super::labels::{BELOW_RIGHT, Labels};
use super::svg::{LIGHT, Point, QUIET, Svg};
use super::trace::trace;

/// The light at one instant of a day. A number that is not finite is a break in
/// the line.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LightPoint {
    /// Seconds since local midnight, as the wall clock shows them.
    pub seconds: f64,
    /// Irradiance in W/m².
    pub irradiance_w_m2: f64,
}

/// Hatches the spans in which the light was not seen.
pub(super) fn hatch(svg: &mut Svg, panel: &Panel, gaps: &[Span]) {
    for &span in gaps {
        svg.rect(panel.during(span), r#"fill="url(#unseen)" fill-opacity="0.55""#);
    }
}

/// The light as a line over a filled area, and nothing where it was not seen.
pub(super) fn draw_light(svg: &mut Svg, panel: &Panel, light: impl Iterator<Item = Point>, gaps: &[Span]) {
    let runs = trace(light.map(|(s, irradiance)| panel.at(s, irradiance)));
    let zero = panel.value.at(0.0);
    let filled = |run: &Vec<Point>| {
        let ends = run.first().zip(run.last()).map(|(first, last)| [(last.0, zero), (first.0, zero)]);
        run.iter().copied().chain(ends.into_iter().flatten()).collect::<Vec<_>>()
    };
    let areas: Vec<_> = runs.iter().map(filled).collect();
    svg.clipped(&panel.outside(gaps), |svg| {
        svg.path(&areas, &format!(r#"fill="{LIGHT}" fill-opacity="0.22""#));
        svg.path(&runs, &format!(r#"fill="none" stroke="{LIGHT}" stroke-width="2""#));
    });
}

/// Names spans of time at the top or the foot of the panel, each where there is
/// room and at least the first.
pub(super) fn label_spans(svg: &mut Svg, panel: &Panel, labels: &mut Labels, spans: &[Span], text: &str) {
    for (i, area) in spans.iter().map(|&span| panel.during(span)).enumerate() {
        let middle = f64::midpoint(area.left, area.right);
        let rows = [area.bottom - 20.0, f64::midpoint(area.top, area.bottom), area.top + 20.0];
        let set = rows.into_iter().any(|y| labels.set_if_free(svg, (middle, y), QUIET, text));
        if !set && i == 0 {
            labels.set(svg, (middle, area.bottom - 20.0), BELOW_RIGHT, QUIET, &[text]);
        }
    }
}
