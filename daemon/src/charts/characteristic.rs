//! Characteristic curves of step wedges: print density over the logarithm of dose.

use super::figure::{Axis, Figure, Panel, PanelPlan, covering};
use super::labels::{ABOVE_LEFT, Labels};
use super::svg::{Point, Svg};
use super::trace::trace;
use super::{STYLES, stroke};

/// What a chart of characteristic curves shows.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Characteristic {
    /// Which recipe or wedge.
    pub title: String,
    /// More about it, a line each.
    pub subtitle: Vec<String>,
    /// The curves.
    pub curves: Vec<WedgeCurve>,
    /// Whether log H is that of a dose in kJ/m², or counts from the clear end of
    /// the wedge.
    pub in_doses: bool,
}

/// One curve. Points are log H, to base 10, and density.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct WedgeCurve {
    /// What stands at its end.
    pub label: String,
    /// The curve through the steps, by rising log H.
    pub line: Vec<(f64, f64)>,
    /// The steps as they were measured.
    pub steps: Vec<(f64, f64)>,
    /// Points of the curve to name.
    pub marks: Vec<Mark>,
}

/// A point of a curve and its name.
#[derive(Debug, Clone, PartialEq)]
pub struct Mark {
    /// Log H, to base 10.
    pub log_h: f64,
    /// Density.
    pub density: f64,
    /// Standard error of `log_h`, drawn as a bar of two either way; zero for none.
    pub sigma: f64,
    /// Its name, a line each.
    pub label: Vec<String>,
}

/// Draws characteristic curves as SVG.
#[must_use]
pub fn characteristic(chart: &Characteristic) -> String {
    let mut figure = Figure::new(&chart.title, &chart.subtitle, &[chart.panel()], &chart.axis());
    let panel = figure.panels[0];
    let mut labels = Labels::new(panel.area);
    let curves: Vec<_> = chart.curves.iter().map(|curve| curve.trace(&panel)).collect();
    for (curve, style) in curves.iter().zip(STYLES.iter().cycle()) {
        figure.svg.path(curve, &stroke(*style));
        curve.iter().for_each(|run| labels.avoid(run));
    }
    for (curve, style) in chart.curves.iter().zip(STYLES.iter().cycle()) {
        curve.draw_points(&mut figure.svg, &panel, &mut labels, style.0);
    }
    figure.finish()
}

impl Characteristic {
    fn panel(&self) -> PanelPlan {
        let densities = self.curves.iter().flat_map(|curve| &curve.steps).map(|step| step.1);
        let (low, high) = covering(densities);
        // A quarter of the height stays free for names above the shoulder.
        PanelPlan { name: "density of the print", height: 420.0, covers: (low, high * 1.25), steps: 8.0 }
    }

    fn axis(&self) -> Axis {
        // From a millionth to a million kJ/m²: beyond is no dose.
        let is_shown = |log: &f64| (-6.0..=6.0).contains(log);
        let logs = || self.curves.iter().flat_map(|curve| &curve.steps).map(|step| step.0).filter(is_shown);
        let (from, to) = (logs().fold(f64::INFINITY, f64::min), logs().fold(f64::NEG_INFINITY, f64::max));
        let (from, to) = if from < to { (from, to) } else { (-1.0, 1.0) };
        let axis = if self.in_doses { Axis::doses } else { Axis::log_h };
        axis(from - 0.08, to + 0.08)
    }
}

impl WedgeCurve {
    fn trace(&self, panel: &Panel) -> Vec<Vec<Point>> {
        trace(self.line.iter().map(|&(log_h, density)| panel.at(log_h, density)))
    }

    fn draw_points(&self, svg: &mut Svg, panel: &Panel, labels: &mut Labels, colour: &str) {
        for &(log_h, density) in &self.steps {
            svg.dot(
                panel.at(log_h, density),
                5.0,
                &format!(r##"fill="{colour}" stroke="#fff" stroke-width="1""##),
            );
        }
        for mark in &self.marks {
            let at = panel.at(mark.log_h, mark.density);
            let lines: Vec<&str> = mark.label.iter().map(String::as_str).collect();
            labels.set(svg, at, ABOVE_LEFT, colour, &lines);
            if mark.sigma > 0.0 {
                let across = |sigmas: f64| panel.across.at(mark.log_h + sigmas * mark.sigma);
                let end = |sigmas: f64| (across(sigmas).clamp(panel.area.left, panel.area.right), at.1);
                svg.line(end(-2.0), end(2.0), &format!(r##"stroke="{colour}" stroke-width="3""##));
            }
            svg.dot(at, 9.0, &format!(r##"fill="#fff" stroke="{colour}" stroke-width="3""##));
        }
        if let Some(&(log_h, density)) = self.steps.last() {
            labels.set(svg, panel.at(log_h, density), ABOVE_LEFT, colour, &[&self.label]);
        }
    }
}
