//! Labels set beside what they name, clear of lines and of one another.

use super::figure::{LEADING, SMALL};
use super::raster::text_width;
use super::svg::{Anchor, Area, Point, Svg};

/// How far a label stands from its point, nearest first.
const DISTANCES: [f64; 7] = [14.0, 34.0, 58.0, 86.0, 120.0, 160.0, 210.0];
/// A label further from its point than this gets a thin line to it.
const LEADER_FROM: f64 = 20.0;
/// Air round a label.
const AIR: f64 = 4.0;

/// Which side of a point a label stands on, as (across, down).
pub(super) type Side = (f64, f64);
pub(super) const ABOVE_LEFT: Side = (-1.0, -1.0);
pub(super) const ABOVE_RIGHT: Side = (1.0, -1.0);
pub(super) const BELOW_RIGHT: Side = (1.0, 1.0);
pub(super) const BELOW_LEFT: Side = (-1.0, 1.0);
const SIDES: [Side; 16] = [
    ABOVE_LEFT,
    BELOW_RIGHT,
    ABOVE_RIGHT,
    BELOW_LEFT,
    (-1.0, 0.0),
    (1.0, 0.0),
    (0.0, 1.0),
    (0.0, -1.0),
    (-1.0, -0.5),
    (1.0, 0.5),
    (1.0, -0.5),
    (-1.0, 0.5),
    (-0.5, -1.0),
    (0.5, 1.0),
    (0.5, -1.0),
    (-0.5, 1.0),
];

/// The labels of one panel.
pub(super) struct Labels {
    bounds: Area,
    taken: Vec<Area>,
    lines: Vec<Point>,
}

impl Labels {
    /// For labels a little inside `panel`.
    pub(super) fn new(panel: Area) -> Self {
        let Area { left, top, right, bottom } = panel;
        let bounds = Area { left: left + AIR, top: top + AIR, right: right - AIR, bottom: bottom - AIR };
        Self { bounds, taken: Vec::new(), lines: Vec::new() }
    }

    /// Keeps labels off a line.
    pub(super) fn avoid(&mut self, line: &[Point]) {
        self.lines.extend(line.first());
        for pair in line.windows(2) {
            let ((x0, y0), (x1, y1)) = (pair[0], pair[1]);
            let steps = ((x1 - x0).hypot(y1 - y0) / 4.0).ceil().clamp(1.0, 1000.0);
            let step = |i: u32| f64::from(i) / steps;
            self.lines
                .extend((1..=steps as u32).map(|i| (x0 + (x1 - x0) * step(i), y0 + (y1 - y0) * step(i))));
        }
    }

    /// Keeps labels, and the thin lines to them, off a dot.
    pub(super) fn avoid_dot(&mut self, at: Point, radius: f64) {
        let (left, top) = (at.0 - radius, at.1 - radius);
        self.taken.push(Area { left, top, right: at.0 + radius, bottom: at.1 + radius });
    }

    /// Sets `lines` of text at the best free place round `point`, on the side
    /// `first` if that is free; with a thin line to the point from further away.
    pub(super) fn set(&mut self, svg: &mut Svg, point: Point, first: Side, colour: &str, lines: &[&str]) {
        let (width, height) = size(lines);
        let mut best: Option<(f64, f64, Area)> = None;
        for distance in DISTANCES {
            for (across, down) in std::iter::once(first).chain(SIDES) {
                let x = point.0 + across * (distance + width / 2.0);
                let y = point.1 + down * (distance + height / 2.0);
                let area = self.inside((x, y), width, height);
                let cost = self.cost(area) + self.leader_cost(point, area) + distance / 2.0;
                if best.is_none_or(|(least, ..)| cost < least) {
                    best = Some((cost, distance, area));
                }
            }
        }
        let Some((_, distance, area)) = best else { return };
        if distance > LEADER_FROM {
            let end = nearest(point, area);
            self.avoid(&[point, end]);
            svg.line(point, end, r##"stroke="#707070" stroke-width="1.5""##);
        }
        self.write(svg, area, colour, lines);
    }

    /// Sets a text beside a vertical line, as high as it is free; says whether
    /// it is anywhere.
    pub(super) fn set_beside(
        &mut self,
        svg: &mut Svg,
        top: Point,
        bottom: f64,
        colour: &str,
        text: &str,
    ) -> bool {
        let (width, height) = size(&[text]);
        let steps = ((bottom - top.1) / 8.0).max(0.0) as u32;
        let heights = (2..steps).map(|i| top.1 + 8.0 * f64::from(i));
        let sides = [top.0 - DISTANCES[0] - width / 2.0, top.0 + DISTANCES[0] + width / 2.0];
        let mut centres = heights.flat_map(|y| sides.map(|x| (x, y + height / 2.0)));
        centres.any(|centre| self.set_if_free(svg, centre, colour, text))
    }

    /// Sets a text centred on `centre` if nothing is there yet; says whether.
    pub(super) fn set_if_free(&mut self, svg: &mut Svg, centre: Point, colour: &str, text: &str) -> bool {
        let (width, height) = size(&[text]);
        let area = self.inside(centre, width, height);
        let free = self.cost(area) == 0.0;
        if free {
            self.write(svg, area, colour, &[text]);
        }
        free
    }

    /// How badly a label would sit here; nothing when it is free.
    fn cost(&self, area: Area) -> f64 {
        let on_labels: f64 = self.taken.iter().map(|&other| overlap(area, other)).sum();
        let on_lines = self.lines.iter().filter(|&&(x, y)| {
            x > area.left - AIR && x < area.right + AIR && y > area.top - AIR && y < area.bottom + AIR
        });
        on_labels + 20.0 * on_lines.count() as f64
    }

    /// How badly a line from `point` to a label would cross other labels.
    fn leader_cost(&self, point: Point, area: Area) -> f64 {
        let end = nearest(point, area);
        let on_way = (1..20).map(|i| f64::from(i) / 20.0).map(|part| {
            let (x, y) = (point.0 + (end.0 - point.0) * part, point.1 + (end.1 - point.1) * part);
            Area { left: x, top: y, right: x, bottom: y }
        });
        let crosses = |spot: &Area| self.taken.iter().any(|&other| overlap(*spot, other) > 0.0);
        200.0 * on_way.filter(crosses).count() as f64
    }

    /// An area of this size about `centre`, moved into the bounds.
    fn inside(&self, centre: Point, width: f64, height: f64) -> Area {
        let Area { left, top, right, bottom } = self.bounds;
        let x = (centre.0 - width / 2.0).min(right - width).max(left);
        let y = (centre.1 - height / 2.0).min(bottom - height).max(top);
        Area { left: x, top: y, right: x + width, bottom: y + height }
    }

    fn write(&mut self, svg: &mut Svg, area: Area, colour: &str, lines: &[&str]) {
        self.taken.push(area);
        let mut baseline = area.top - SMALL * 0.3;
        for line in lines {
            baseline += SMALL * LEADING;
            svg.text((area.left, baseline), Anchor::Start, SMALL, colour, line);
        }
    }
}

fn size(lines: &[&str]) -> (f64, f64) {
    let width = lines.iter().map(|line| text_width(line, SMALL)).fold(0.0, f64::max);
    (width, lines.len() as f64 * SMALL * LEADING)
}

/// The place in an area that is nearest to a point.
fn nearest(point: Point, area: Area) -> Point {
    (point.0.clamp(area.left, area.right), point.1.clamp(area.top, area.bottom))
}

/// The area two labels share, with the air between them.
fn overlap(a: Area, b: Area) -> f64 {
    let across = a.right.min(b.right) - a.left.max(b.left) + 2.0 * AIR;
    let down = a.bottom.min(b.bottom) - a.top.max(b.top) + AIR;
    across.max(0.0) * down.max(0.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    const BOUNDS: Area = Area { left: 0.0, top: 0.0, right: 400.0, bottom: 300.0 };

    #[test]
    fn labels_of_one_point_do_not_overlap() {
        let mut labels = Labels::new(BOUNDS);
        labels.avoid(&[(0.0, 300.0), (400.0, 0.0)]);
        let mut svg = Svg::new();
        for _ in 0..6 {
            labels.set(&mut svg, (200.0, 150.0), ABOVE_LEFT, "#000", &["oak", "8 min"]);
        }
        for (i, &a) in labels.taken.iter().enumerate() {
            assert!(labels.taken[i + 1..].iter().all(|&b| overlap(a, b) == 0.0), "{:?}", labels.taken);
        }
    }

    #[test]
    fn labels_stay_in_the_panel_and_off_lines() {
        let mut labels = Labels::new(BOUNDS);
        let line = [(0.0, 150.0), (400.0, 150.0)];
        labels.avoid(&line);
        let mut svg = Svg::new();
        labels.set(&mut svg, (398.0, 150.0), BELOW_RIGHT, "#000", &["brought in"]);
        let area = labels.taken[0];
        assert!(area.right <= 400.0 && (area.top > 150.0 || area.bottom < 150.0), "{area:?}");
        assert!(!labels.set_if_free(&mut svg, (200.0, 150.0), "#000", "on the line"));
        assert!(labels.set_if_free(&mut svg, (100.0, 50.0), "#000", "off it"));
    }
}
