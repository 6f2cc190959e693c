//! The dose curve of one print: how it reached its target, over the light it had.

use frameside_core::quantity::Dose;

use super::Span;
use super::figure::{Axis, Figure, Panel, PanelPlan, covering};
use super::labels::{ABOVE_LEFT, ABOVE_RIGHT, BELOW_RIGHT, Labels};
use super::light::{draw_light, hatch, label_spans};
use super::svg::{DOSE, INK, Point, QUIET, Svg, TARGET_LINE};
use super::trace::{trace, value_at};

/// What a dose-curve chart shows. Seconds count from the start of the print.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct DoseCurve {
    /// What print it is.
    pub title: String,
    /// More about it, a line each.
    pub subtitle: Vec<String>,
    /// When it began on the wall clock, as people say it; empty when not known.
    pub started: String,
    /// The light and the dose, in order of time.
    pub points: Vec<CurvePoint>,
    /// The dose to reach, in J/m².
    pub target_j_m2: f64,
    /// When the frame was covered.
    pub covered: Vec<Span>,
    /// When the light was not seen, in order of time.
    pub gaps: Vec<Span>,
    /// The lowest and highest dose it can have been, where they differ.
    pub band: Vec<BandPoint>,
    /// Signals to mark, other than `due` and `brought-in`.
    pub signals: Vec<Signal>,
    /// When it reached its target.
    pub due_s: Option<f64>,
    /// When it was brought in; `None` while it still counts.
    pub brought_in_s: Option<f64>,
}

/// The light and the dose at one instant. A number that is not finite is a
/// break in its line.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CurvePoint {
    /// Seconds since the start of the print.
    pub seconds: f64,
    /// Irradiance in W/m².
    pub irradiance_w_m2: f64,
    /// Dose so far, in J/m².
    pub dose_j_m2: f64,
}

/// Between what the dose lay at one instant.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BandPoint {
    /// Seconds since the start of the print.
    pub seconds: f64,
    /// At least this dose, in J/m².
    pub low_j_m2: f64,
    /// At most this dose, in J/m².
    pub high_j_m2: f64,
}

/// A signal that was given.
#[derive(Debug, Clone, PartialEq)]
pub struct Signal {
    /// Seconds since the start of the print.
    pub seconds: f64,
    /// Its kind, as people read it.
    pub kind: String,
}

/// Draws the dose curve of a print as SVG.
#[must_use]
pub fn dose_curve(chart: &DoseCurve) -> String {
    figure(chart).finish()
}

pub(super) fn figure(chart: &DoseCurve) -> Figure {
    let time = Axis::elapsed(chart.last_s(), &chart.started);
    let mut figure = Figure::new(&chart.title, &chart.subtitle, &chart.panels(), &time);
    let (dose, light) = (figure.panels[0], figure.panels[1]);
    let svg = &mut figure.svg;
    for panel in [&dose, &light] {
        shade(svg, panel, &chart.covered);
        hatch(svg, panel, &chart.gaps);
    }
    chart.draw_marks(svg, &dose, &light);
    chart.draw_dose(svg, &dose);
    let irradiance = chart.points.iter().map(|p| (p.seconds, p.irradiance_w_m2));
    draw_light(svg, &light, irradiance, &chart.gaps);
    chart.label(svg, &dose);
    figure
}

impl DoseCurve {
    /// The last instant there is anything to show of.
    fn last_s(&self) -> f64 {
        let points = self.points.iter().map(|p| p.seconds);
        let bands = self.band.iter().map(|b| b.seconds);
        let spans = self.covered.iter().chain(&self.gaps).map(|s| s.to_s);
        let marks = self.signals.iter().map(|s| s.seconds).chain(self.due_s).chain(self.brought_in_s);
        covering(points.chain(bands).chain(spans).chain(marks)).1
    }

    fn panels(&self) -> [PanelPlan; 2] {
        let doses = self.points.iter().map(|p| p.dose_j_m2).chain([self.target_j_m2]);
        let bands = self.band.iter().flat_map(|b| [b.low_j_m2, b.high_j_m2]);
        let (low, high) = covering(doses.chain(bands));
        let irradiance = covering(self.points.iter().map(|p| p.irradiance_w_m2));
        // A tenth of the height stays free for the name of the target line.
        let kj = (low / 1000.0, high * 1.1 / 1000.0);
        [
            PanelPlan { name: "dose, kJ/m²", height: 330.0, covers: kj, steps: 6.0 },
            PanelPlan { name: "light, W/m²", height: 110.0, covers: irradiance, steps: 3.0 },
        ]
    }

    fn doses(&self) -> impl Iterator<Item = Point> {
        self.points.iter().map(|p| (p.seconds, p.dose_j_m2 / 1000.0))
    }

    /// A place on the curve, as far as there is a curve.
    fn on_curve(&self, panel: &Panel, seconds: f64) -> Option<Point> {
        value_at(self.doses(), seconds).map(|kj| panel.at(seconds, kj))
    }

    /// The least and the most the dose can have been, as lines.
    fn bounds(&self, panel: &Panel) -> [Vec<Point>; 2] {
        let line = |dose: fn(&BandPoint) -> f64| {
            trace(self.band.iter().map(|b| panel.at(b.seconds, dose(b) / 1000.0))).concat()
        };
        [line(|b| b.low_j_m2), line(|b| b.high_j_m2)]
    }

    fn target_line(&self, panel: &Panel) -> [Point; 2] {
        let y = panel.value.at(self.target_j_m2 / 1000.0);
        [(panel.area.left, y), (panel.area.right, y)]
    }

    /// The target, and lines down through both panels where it was due and
    /// brought in.
    fn draw_marks(&self, svg: &mut Svg, dose: &Panel, light: &Panel) {
        svg.path(&[self.target_line(dose)], TARGET_LINE);
        for seconds in self.due_s.into_iter().chain(self.brought_in_s) {
            let x = dose.across.at(seconds);
            let top = self.on_curve(dose, seconds).map_or(dose.area.top, |(_, y)| y);
            let style = format!(r#"stroke="{INK}" stroke-width="2" stroke-dasharray="2 5""#);
            svg.line((x, top), (x, dose.area.bottom), &style);
            svg.line((x, light.area.top), (x, light.area.bottom), &style);
        }
    }

    /// The curve, whole where the light was seen and broken where it was not,
    /// over the band it lies in.
    fn draw_dose(&self, svg: &mut Svg, panel: &Panel) {
        let [low, high] = self.bounds(panel);
        let curve = trace(self.doses().map(|(s, kj)| panel.at(s, kj)));
        let unseen: Vec<_> = self.gaps.iter().map(|&gap| panel.during(gap)).collect();
        let whole = format!(r#"fill="none" stroke="{DOSE}" stroke-width="5""#);
        svg.clipped(&[panel.area], |svg| {
            let round: Vec<Point> = low.iter().chain(high.iter().rev()).copied().collect();
            svg.path(&[round], &format!(r#"fill="{DOSE}" fill-opacity="0.2""#));
            let edge = format!(r#"fill="none" stroke="{DOSE}" stroke-width="1.5""#);
            svg.path(&[low, high], &edge);
        });
        svg.clipped(&panel.outside(&self.gaps), |svg| svg.path(&curve, &whole));
        if !unseen.is_empty() {
            svg.clipped(&unseen, |svg| svg.path(&curve, &format!(r#"{whole} stroke-dasharray="1 10""#)));
        }
    }

    fn label(&self, svg: &mut Svg, panel: &Panel) {
        let mut labels = Labels::new(panel.area);
        for run in trace(self.doses().map(|(s, kj)| panel.at(s, kj))) {
            labels.avoid(&run);
        }
        self.bounds(panel).iter().for_each(|edge| labels.avoid(edge));
        let target = self.target_line(panel);
        labels.avoid(&target);
        for x in self.due_s.into_iter().chain(self.brought_in_s).map(|s| panel.across.at(s)) {
            labels.avoid(&[(x, target[0].1), (x, panel.area.bottom)]);
        }
        let text = format!("target {}", Dose::from_j_m2(self.target_j_m2));
        labels.set(svg, target[0], ABOVE_RIGHT, INK, &[&text]);
        self.label_end(svg, panel, &mut labels);
        if let Some(due) = self.due_s.and_then(|due_s| self.on_curve(panel, due_s)) {
            labels.avoid_dot(due, 8.0);
        }
        self.label_signals(svg, panel, &mut labels);
        self.label_due(svg, panel, &mut labels);
        for (spans, text) in [(&self.covered, "covered"), (&self.gaps, "not seen")] {
            label_spans(svg, panel, &mut labels, spans, text);
        }
    }

    /// What the print got in the end, or so far.
    fn label_end(&self, svg: &mut Svg, panel: &Panel, labels: &mut Labels) {
        let last = self.doses().filter(|(s, kj)| s.is_finite() && kj.is_finite()).last();
        let Some(end_s) = self.brought_in_s.or(last.map(|(s, _)| s)) else { return };
        let Some(kj) = value_at(self.doses(), end_s).or(last.map(|(_, kj)| kj)) else { return };
        let end = panel.at(end_s, kj);
        let when = match self.brought_in_s {
            Some(s) => format!("brought in, {}", elapsed(s)),
            None => format!("so far, {}", elapsed(end_s)),
        };
        let dose = Dose::from_j_m2(kj * 1000.0).to_string();
        let between = self.band.last().map(|b| {
            let kj = |j: f64| Dose::from_j_m2(j).to_string().replace(" kJ/m²", "");
            format!("(between {} and {})", kj(b.low_j_m2), kj(b.high_j_m2))
        });
        let lines: Vec<&str> = [when.as_str(), &dose].into_iter().chain(between.as_deref()).collect();
        labels.set(svg, end, ABOVE_LEFT, INK, &lines);
        svg.dot(end, 8.0, &format!(r##"fill="{DOSE}" stroke="#fff" stroke-width="2""##));
    }

    fn label_due(&self, svg: &mut Svg, panel: &Panel, labels: &mut Labels) {
        let Some(due_s) = self.due_s else { return };
        let Some(point) = self.on_curve(panel, due_s) else { return };
        let text = format!("due, {}", elapsed(due_s));
        if !labels.set_beside(svg, point, panel.area.bottom, INK, &text) {
            labels.set(svg, point, BELOW_RIGHT, INK, &[&text]);
        }
        svg.dot(point, 8.0, &format!(r##"fill="#fff" stroke="{INK}" stroke-width="3""##));
    }

    /// A mark for every signal, and its kind where it differs from the one
    /// before: a signal that repeats is named once.
    fn label_signals(&self, svg: &mut Svg, panel: &Panel, labels: &mut Labels) {
        let mut named = "";
        for signal in &self.signals {
            let Some(point) = self.on_curve(panel, signal.seconds) else { continue };
            if signal.kind != named {
                labels.set(svg, point, BELOW_RIGHT, QUIET, &[&signal.kind]);
            }
            svg.dot(point, 5.0, &format!(r##"fill="#fff" stroke="{DOSE}" stroke-width="2.5""##));
            named = &signal.kind;
        }
    }
}

/// Shades the spans in which a frame was covered.
fn shade(svg: &mut Svg, panel: &Panel, covered: &[Span]) {
    for &span in covered {
        svg.rect(panel.during(span), r##"fill="#000" fill-opacity="0.11""##);
    }
}

/// A length of time as people say it.
fn elapsed(seconds: f64) -> String {
    let whole = seconds.round() as i64;
    let (hours, minutes, rest) = (whole / 3600, whole / 60 % 60, whole % 60);
    match (hours, minutes, rest) {
        (0, 0, s) => format!("{s} s"),
        (0, m, 0) => format!("{m} min"),
        (0, m, s) => format!("{m} min {s} s"),
        (h, m, _) => format!("{h} h {m} min"),
    }
}
