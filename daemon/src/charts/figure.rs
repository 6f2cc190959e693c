//! The sheet a chart is drawn on: heading, panels one under the other over one
//! axis of time or dose, their ticks and grids.

use super::Span;
use super::raster::text_width;
use super::svg::{Anchor, Area, INK, Point, QUIET, Svg};

/// Width of every chart in its own units. Shown 380 pixels wide on a telephone,
/// the smallest text is then 10 pixels high.
pub(super) const WIDTH: f64 = 760.0;
/// Size of tick labels and of labels in a panel.
pub(super) const SMALL: f64 = 20.0;
/// Distance of anything from the edge of the picture.
pub(super) const EDGE: f64 = 18.0;
const TITLE: f64 = 28.0;
/// Height of a line of text over its size.
pub(super) const LEADING: f64 = 1.25;

const GRID: &str = r##"stroke="#d9d9d9" stroke-width="1.5""##;
const FRAME: &str = r##"stroke="#505050" stroke-width="2""##;

/// Where a value lies on the picture.
#[derive(Debug, Clone, Copy)]
pub(super) struct Scale {
    value: (f64, f64),
    place: (f64, f64),
}

impl Scale {
    pub(super) fn at(self, value: f64) -> f64 {
        let ((v0, v1), (p0, p1)) = (self.value, self.place);
        p0 + (value - v0) / (v1 - v0) * (p1 - p0)
    }
}

/// A panel with its scales, once it is laid out.
#[derive(Debug, Clone, Copy)]
pub(super) struct Panel {
    pub(super) area: Area,
    pub(super) across: Scale,
    pub(super) value: Scale,
}

impl Panel {
    pub(super) fn at(&self, across: f64, value: f64) -> Point {
        (self.across.at(across), self.value.at(value))
    }

    /// The part of the panel that a span of time covers.
    pub(super) fn during(&self, span: Span) -> Area {
        let Area { left, right, .. } = self.area;
        let at = |seconds| self.across.at(seconds).clamp(left, right);
        Area { left: at(span.from_s), right: at(span.to_s), ..self.area }
    }

    /// The parts of the panel outside the given spans, which are in order.
    pub(super) fn outside(&self, spans: &[Span]) -> Vec<Area> {
        let mut rest = self.area;
        let mut parts = Vec::new();
        for hidden in spans.iter().map(|&span| self.during(span)) {
            parts.push(Area { right: hidden.left.max(rest.left), ..rest });
            rest.left = hidden.right.max(rest.left);
        }
        parts.push(rest);
        parts.retain(|part| part.width() > 0.0);
        parts
    }
}

/// What a panel is to show, before it is laid out.
pub(super) struct PanelPlan {
    /// What is shown and its unit, above the axis.
    pub(super) name: &'static str,
    pub(super) height: f64,
    /// The lowest and highest value the axis must cover.
    pub(super) covers: (f64, f64),
    /// About how many steps the axis is to have.
    pub(super) steps: f64,
}

/// The axis that the panels of a chart share: seconds, or logs of dose.
pub(super) struct Axis {
    from: f64,
    to: f64,
    ticks: Vec<(f64, String)>,
    name: String,
}

impl Axis {
    /// Time since the start of a print, from zero to a little past `end_s`,
    /// under a name that says when `started` was, where that is known.
    pub(super) fn elapsed(end_s: f64, started: &str) -> Self {
        let to_s = end_s.max(8.0) * 1.02;
        let (step, seconds) = time_ticks(0.0, to_s);
        let (unit, unit_s) = match step {
            s if s < 60.0 => ("seconds", 1.0),
            s if s < 3600.0 => ("minutes", 60.0),
            s if s < 86_400.0 => ("hours", 3600.0),
            _ => ("days", 86_400.0),
        };
        let ticks = seconds.into_iter().map(|s| (s, format!("{}", s / unit_s))).collect();
        let since = if started.is_empty() { String::new() } else { format!(", {started}") };
        Self { from: 0.0, to: to_s, ticks, name: format!("{unit} since the start{since}") }
    }

    /// The time of day about the given seconds since midnight, in full five
    /// minutes.
    pub(super) fn clock_about(seconds: impl IntoIterator<Item = f64>) -> Self {
        const FULL_S: f64 = 300.0;
        let none = (f64::INFINITY, f64::NEG_INFINITY);
        let finite = seconds.into_iter().filter(|s| s.is_finite());
        let (from_s, to_s) = finite.fold(none, |(from, to), s| (from.min(s), to.max(s)));
        if from_s > to_s {
            return Self::clock(0.0, 86_400.0); // nothing to show: an empty day
        }
        let from_s = (from_s / FULL_S).floor() * FULL_S;
        Self::clock(from_s, ((to_s / FULL_S).ceil() * FULL_S).max(from_s + FULL_S))
    }

    /// The time of day, between two times in seconds since midnight.
    fn clock(from_s: f64, to_s: f64) -> Self {
        let (step, seconds) = time_ticks(from_s, to_s);
        let label = |s: f64| {
            let whole = s as i64;
            let (hour, minute, second) = (whole / 3600 % 24, whole / 60 % 60, whole % 60);
            if step < 60.0 {
                format!("{hour}:{minute:02}:{second:02}")
            } else if s == 86_400.0 {
                "24:00".to_owned()
            } else {
                format!("{hour}:{minute:02}")
            }
        };
        let ticks = seconds.into_iter().map(|s| (s, label(s))).collect();
        Self { from: from_s, to: to_s, ticks, name: "time of day".to_owned() }
    }
}

impl Axis {
    /// Doses on a logarithmic scale, between two logs to base 10 of kJ/m².
    pub(super) fn doses(from: f64, to: f64) -> Self {
        let decades = from.floor() as i32..=to.floor() as i32;
        // Where there are many decades, their steps would stand too close.
        let steps: &[f64] = if to - from > 3.6 { &[1.0] } else { &[1.0, 2.0, 5.0] };
        let doses = decades.flat_map(|decade| steps.iter().map(move |step| step * 10f64.powi(decade)));
        let ticks = doses.map(|kj| (kj.log10(), format!("{kj}")));
        let ticks = ticks.filter(|(log, _)| (from..=to).contains(log)).collect();
        Self { from, to, ticks, name: "dose, kJ/m²".to_owned() }
    }

    /// Lengths in centimetres.
    pub(super) fn length(from: f64, to: f64) -> Self {
        let mut ticks = value_ticks((from, to), 7.0);
        ticks.retain(|(cm, _)| (from..=to).contains(cm));
        Self { from, to, ticks, name: "cm".to_owned() }
    }

    /// Lightness L* of a print, black to white.
    pub(super) fn lightness() -> Self {
        let (from, to) = (0.0, 100.0);
        Self { from, to, ticks: value_ticks((from, to), 10.0), name: "lightness of the print, L*".to_owned() }
    }

    /// Log H without the dose that it counts from, rising with the exposure.
    pub(super) fn log_h(from: f64, to: f64) -> Self {
        let mut ticks = value_ticks((from, to), 7.0);
        ticks.retain(|(log, _)| (from..=to).contains(log));
        Self { from, to, ticks, name: "log H, zero where the wedge is clear".to_owned() }
    }
}

/// A chart laid out: an SVG with everything but its data, and the panels to
/// draw the data in.
pub(super) struct Figure {
    pub(super) svg: Svg,
    pub(super) panels: Vec<Panel>,
    /// How far down the picture is filled.
    pub(super) bottom: f64,
    title: String,
}

impl Figure {
    pub(super) fn new(title: &str, subtitle: &[String], plans: &[PanelPlan], axis: &Axis) -> Self {
        let mut figure = Self { svg: Svg::new(), panels: Vec::new(), bottom: EDGE, title: title.to_owned() };
        figure.heading(title, TITLE, INK);
        for line in subtitle {
            figure.heading(line, SMALL, QUIET);
        }
        let axes: Vec<_> = plans.iter().map(|plan| value_ticks(plan.covers, plan.steps)).collect();
        let widest = axes.iter().flatten().map(|(_, label)| text_width(label, SMALL)).fold(0.0, f64::max);
        let last_tick = axis.ticks.last().map_or(0.0, |(_, label)| text_width(label, SMALL));
        let sides = (EDGE + widest + 10.0, WIDTH - EDGE.max(last_tick / 2.0 + 10.0));
        for (plan, ticks) in plans.iter().zip(&axes) {
            figure.panel(plan, ticks, axis, sides);
        }
        figure.axis(axis);
        figure
    }

    /// The finished document.
    pub(super) fn finish(self) -> String {
        self.svg.finish(WIDTH, self.bottom + EDGE, &self.title)
    }

    /// A line above the panels, broken into several where it is too long.
    fn heading(&mut self, text: &str, size: f64, colour: &str) {
        for line in wrapped(text, size, WIDTH - 2.0 * EDGE) {
            self.bottom += size * LEADING;
            self.svg.text((EDGE, self.bottom - size * 0.3), Anchor::Start, size, colour, &line);
        }
    }

    fn panel(&mut self, plan: &PanelPlan, ticks: &[(f64, String)], axis: &Axis, sides: (f64, f64)) {
        let top = self.bottom + 56.0;
        let area = Area { left: sides.0, right: sides.1, top, bottom: top + plan.height };
        let ends = (ticks[0].0, ticks[ticks.len() - 1].0);
        let panel = Panel {
            area,
            across: Scale { value: (axis.from, axis.to), place: (area.left, area.right) },
            value: Scale { value: ends, place: (area.bottom, area.top) },
        };
        self.svg.text((EDGE, top - 22.0), Anchor::Start, SMALL, QUIET, plan.name);
        for (value, _) in &axis.ticks {
            let x = panel.across.at(*value);
            self.svg.line((x, area.top), (x, area.bottom), GRID);
        }
        for (value, label) in ticks {
            let y = panel.value.at(*value);
            self.svg.line((area.left, y), (area.right, y), GRID);
            self.svg.text((area.left - 10.0, y + SMALL * 0.36), Anchor::End, SMALL, QUIET, label);
        }
        let zero = panel.value.at(0.0);
        self.svg.line((area.left, zero), (area.right, zero), FRAME);
        self.panels.push(panel);
        self.bottom = area.bottom;
    }

    /// Tick labels and name under the last panel.
    fn axis(&mut self, axis: &Axis) {
        let Some(&Panel { area, across, .. }) = self.panels.last() else { return };
        for (value, label) in &axis.ticks {
            let x = across.at(*value);
            self.svg.line((x, area.bottom), (x, area.bottom + 7.0), FRAME);
            self.svg.text((x, area.bottom + 30.0), Anchor::Middle, SMALL, QUIET, label);
        }
        self.bottom = area.bottom + 34.0;
        for line in wrapped(&axis.name, SMALL, area.width()) {
            self.bottom += SMALL * LEADING;
            let middle = f64::midpoint(area.left, area.right);
            self.svg.text((middle, self.bottom - 4.0), Anchor::Middle, SMALL, QUIET, &line);
        }
    }
}

/// The lowest and highest finite value and zero; up to one where all are zero.
pub(super) fn covering(values: impl IntoIterator<Item = f64>) -> (f64, f64) {
    let finite = values.into_iter().filter(|v| v.is_finite());
    let (low, high) = finite.fold((0.0, 0.0), |(low, high): (f64, f64), v| (low.min(v), high.max(v)));
    if high > low { (low, high) } else { (0.0, 1.0) }
}

/// Round values from at or below the lower end to at or above the upper one, in
/// about `steps` steps of 1, 2 or 5 times a power of ten, with their labels.
fn value_ticks((low, high): (f64, f64), steps: f64) -> Vec<(f64, String)> {
    let least = (high - low) / steps;
    let power = 10f64.powf(least.log10().floor());
    let step = [1.0, 2.0, 5.0, 10.0].map(|m| m * power).into_iter().find(|s| *s >= least * (1.0 - 1e-9));
    let step = step.unwrap_or(10.0 * power);
    let decimals = (-step.log10() - 1e-9).ceil().max(0.0) as usize;
    let first = (low / step + 1e-9).floor() as i64;
    let last = (high / step - 1e-9).ceil() as i64;
    let tick = |i: i64| (i as f64 * step, format!("{:.decimals$}", i as f64 * step));
    (first..=last).map(tick).collect()
}

/// A step in seconds that people count time in, and its multiples from `from_s`
/// to `to_s`: at most nine, and at least three where the range is eight seconds
/// or more.
fn time_ticks(from_s: f64, to_s: f64) -> (f64, Vec<f64>) {
    const STEPS: [f64; 18] = [
        1.0, 2.0, 5.0, 10.0, 15.0, 30.0, 60.0, 120.0, 300.0, 600.0, 900.0, 1800.0, 3600.0, 7200.0, 10_800.0,
        21_600.0, 43_200.0, 86_400.0,
    ];
    let days = (0..).flat_map(|power| [2.0, 5.0, 10.0].map(|m| m * 10f64.powi(power) * 86_400.0));
    let most = 8.0;
    let step = STEPS.into_iter().chain(days).find(|step| (to_s - from_s) / step <= most).unwrap_or(1.0);
    let (first, last) = ((from_s / step).ceil() as i64, (to_s / step).floor() as i64);
    (step, (first..=last).map(|i| i as f64 * step).collect())
}

/// A text in lines no wider than `width`, broken between words.
pub(super) fn wrapped(text: &str, size: f64, width: f64) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for word in text.split_whitespace() {
        let longer = lines.last().map(|line| format!("{line} {word}"));
        match longer.filter(|line| text_width(line, size) <= width) {
            Some(line) => *lines.last_mut().expect("it was just made longer") = line,
            None => lines.extend(broken(word, size, width)),
        }
    }
    lines
}

/// A word in pieces no wider than `width`: one, unless it is very long.
fn broken(word: &str, size: f64, width: f64) -> Vec<String> {
    let mut pieces = vec![String::new()];
    if text_width(word, size) <= width {
        return vec![word.to_owned()];
    }
    for c in word.chars() {
        let piece = pieces.last_mut().expect("there is always a piece");
        piece.push(c);
        if text_width(piece, size) > width - size {
            pieces.push(String::new());
        }
    }
    pieces
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        #[test]
        fn value_ticks_cover_the_range(low in -1e3..=0.0f64, span in 1e-3..1e6f64, steps in 3.0..=6.0f64) {
            let ticks = value_ticks((low, low + span), steps);
            prop_assert!((3..=9).contains(&ticks.len()), "{ticks:?}");
            prop_assert!(ticks.is_sorted_by(|a, b| a.0 < b.0));
            let slack = span * 1e-6;
            prop_assert!(ticks[0].0 <= low + slack && ticks[ticks.len() - 1].0 >= low + span - slack);
            for (value, label) in &ticks {
                prop_assert!((label.parse::<f64>().unwrap() - value).abs() <= slack, "{label} is {value}");
            }
        }

        #[test]
        fn time_ticks_span_the_range(from in 0.0..1e5f64, span in 8.0..1e8f64) {
            let (step, ticks) = time_ticks(from, from + span);
            prop_assert!((3..=9).contains(&ticks.len()), "{step}: {ticks:?}");
            prop_assert!(ticks.is_sorted_by(|a, b| a < b));
            prop_assert!(ticks[0] >= from && ticks[0] < from + step);
            let last = ticks[ticks.len() - 1];
            prop_assert!(last <= from + span && last > from + span - step);
        }
    }

    #[test]
    fn minutes_are_counted_as_people_do() {
        let labels = |end_s| Axis::elapsed(end_s, "").ticks.into_iter().map(|t| t.1).collect::<Vec<_>>();
        assert_eq!(labels(532.0), ["0", "2", "4", "6", "8"]);
        assert_eq!(labels(42.0), ["0", "10", "20", "30", "40"]);
        assert_eq!(labels(7000.0), ["0", "15", "30", "45", "60", "75", "90", "105"]);
        assert_eq!(labels(36_000.0), ["0", "2", "4", "6", "8", "10"]);
        assert!(Axis::elapsed(532.0, "10:04").name.starts_with("minutes since the start, 10:04"));
    }

    #[test]
    fn a_clock_ends_at_midnight() {
        let labels: Vec<_> = Axis::clock(0.0, 86_400.0).ticks.into_iter().map(|t| t.1).collect();
        assert_eq!(labels, ["0:00", "3:00", "6:00", "9:00", "12:00", "15:00", "18:00", "21:00", "24:00"]);
    }

    #[test]
    fn long_titles_are_broken_not_cut() {
        let text = "twelve words that together are wider than any picture we would draw here";
        let lines = wrapped(text, TITLE, 400.0);
        assert!(lines.len() > 1);
        assert!(lines.iter().all(|line| text_width(line, TITLE) <= 400.0));
        assert_eq!(lines.join(" "), text);
        let pieces = wrapped(&"m".repeat(60), TITLE, 400.0);
        assert!(pieces.iter().all(|piece| text_width(piece, TITLE) <= 400.0));
        assert_eq!(pieces.concat(), "m".repeat(60));
    }

    #[test]
    fn what_is_outside_the_gaps_is_the_rest() {
        let area = Area { left: 0.0, right: 100.0, top: 0.0, bottom: 10.0 };
        let scale = Scale { value: (0.0, 10.0), place: (0.0, 100.0) };
        let panel = Panel { area, across: scale, value: scale };
        let span = |from_s, to_s| Span { from_s, to_s };
        let ends = |parts: Vec<Area>| parts.iter().map(|p| (p.left, p.right)).collect::<Vec<_>>();
        assert_eq!(ends(panel.outside(&[])), [(0.0, 100.0)]);
        assert_eq!(
            ends(panel.outside(&[span(2.0, 3.0), span(2.5, 4.0), span(9.0, 20.0)])),
            [(0.0, 20.0), (40.0, 90.0)]
        );
        assert!(panel.outside(&[span(-1.0, 11.0)]).is_empty());
    }
}
