//! Readings or prints as points over time, with levels to hold them against.

use super::figure::{Axis, Figure, Panel, PanelPlan, covering};
use super::labels::{ABOVE_LEFT, ABOVE_RIGHT, Labels, Side};
use super::svg::{Point, QUIET, Svg};
use super::trace::trace;
use super::{STYLES, stroke};

/// Which time the points are told in.
#[derive(Debug, Clone, Default, PartialEq)]
pub enum Across {
    /// Seconds since local midnight, as the wall clock shows them.
    #[default]
    TimeOfDay,
    /// Seconds since a start, with a word on when that was.
    Elapsed(String),
}

/// What a chart of readings shows.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Readings {
    /// What it is about.
    pub title: String,
    /// More about it, a line each.
    pub subtitle: Vec<String>,
    /// What the points are and their unit.
    pub name: &'static str,
    /// Their time.
    pub across: Across,
    /// The kinds of points.
    pub series: Vec<Series>,
}

/// Points of one kind.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Series {
    /// What they are, a line each.
    pub label: Vec<String>,
    /// Seconds and value, each a dot.
    pub dots: Vec<(f64, f64)>,
    /// Seconds and value, joined by a line.
    pub line: Vec<(f64, f64)>,
    /// Points to name.
    pub marks: Vec<(f64, f64, String)>,
}

/// Draws readings as SVG.
#[must_use]
pub fn readings(chart: &Readings) -> String {
    let mut figure = Figure::new(&chart.title, &chart.subtitle, &[chart.panel()], &chart.axis());
    let panel = figure.panels[0];
    let mut labels = Labels::new(panel.area);
    for (series, style) in chart.series.iter().zip(STYLES.iter().cycle()) {
        series.draw(&mut figure.svg, &panel, &mut labels, *style);
    }
    // After all points, so that no name stands on any of them.
    for (side, (series, style)) in
        [ABOVE_LEFT, ABOVE_RIGHT].into_iter().cycle().zip(chart.series.iter().zip(STYLES.iter().cycle()))
    {
        series.write(&mut figure.svg, &panel, &mut labels, style.0, side);
    }
    figure.finish()
}

impl Readings {
    fn points(&self) -> impl Iterator<Item = (f64, f64)> {
        self.series.iter().flat_map(|series| series.dots.iter().chain(&series.line).copied())
    }

    fn panel(&self) -> PanelPlan {
        let (low, high) = covering(self.points().map(|point| point.1));
        // A quarter of the height stays free for names.
        PanelPlan { name: self.name, height: 380.0, covers: (low, high * 1.25), steps: 6.0 }
    }

    fn axis(&self) -> Axis {
        let seconds = self.points().map(|point| point.0);
        match &self.across {
            Across::TimeOfDay => Axis::clock_about(seconds),
            Across::Elapsed(started) => Axis::elapsed(seconds.fold(0.0, f64::max), started),
        }
    }
}

impl Series {
    fn draw(&self, svg: &mut Svg, panel: &Panel, labels: &mut Labels, style: (&str, &str)) {
        let lines = trace(self.line.iter().map(|&(s, v)| panel.at(s, v)));
        svg.path(&lines, &stroke(style));
        lines.iter().for_each(|run| labels.avoid(run));
        for at in self.dots.iter().map(|&(s, v)| panel.at(s, v)) {
            svg.dot(at, 6.0, &format!(r##"fill="{}" stroke="#fff" stroke-width="1.5""##, style.0));
            labels.avoid(&[at]);
        }
        for at in self.marks.iter().map(|&(s, v, _)| panel.at(s, v)) {
            svg.dot(at, 9.0, &format!(r##"fill="#fff" stroke="{}" stroke-width="3""##, style.0));
        }
    }

    fn write(&self, svg: &mut Svg, panel: &Panel, labels: &mut Labels, colour: &str, side: Side) {
        for (seconds, value, text) in &self.marks {
            labels.set(svg, panel.at(*seconds, *value), side, QUIET, &[text]);
        }
        let lines: Vec<&str> = self.label.iter().map(String::as_str).collect();
        let named_at = self.named_at().filter(|_| !self.label.is_empty());
        if let Some(at) = named_at.map(|(s, v)| panel.at(s, v)) {
            labels.set(svg, at, side, colour, &lines);
        }
    }

    /// At the end of its line; else its highest point, where a name stands freest.
    fn named_at(&self) -> Option<Point> {
        let finite = |&&(s, v): &&Point| s.is_finite() && v.is_finite();
        let highest = || self.dots.iter().filter(finite).max_by(|a, b| a.1.total_cmp(&b.1));
        self.line.iter().rfind(finite).or_else(highest).copied()
    }
}
