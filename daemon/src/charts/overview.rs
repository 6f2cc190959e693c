//! Several prints of a day over the light they had: why dose beats minutes.

use super::figure::{Axis, Figure, Panel, PanelPlan, covering};
use super::labels::{ABOVE_LEFT, Labels};
use super::light::{LightPoint, draw_light, hatch, label_spans};
use super::svg::{Point, Svg, TARGET_LINE};
use super::trace::trace;
use super::{STYLES, Span, stroke};

/// What an overview shows. Seconds count from local midnight, as the wall clock
/// shows them.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Overview {
    /// Which day.
    pub title: String,
    /// More about it, a line each.
    pub subtitle: Vec<String>,
    /// The prints, in the order they were begun.
    pub prints: Vec<OverviewPrint>,
    /// The light they had, in order of time.
    pub light: Vec<LightPoint>,
    /// When the light was not seen, in order of time.
    pub gaps: Vec<Span>,
}

/// One print of an overview.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct OverviewPrint {
    /// What stands at the end of its curve, a line each: its name, its minutes.
    pub label: Vec<String>,
    /// How it came to its target, in order of time.
    pub points: Vec<FractionPoint>,
}

/// How far a print was at one instant. A number that is not finite is a break in
/// its line.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FractionPoint {
    /// Seconds since local midnight.
    pub seconds: f64,
    /// Dose over target dose.
    pub fraction: f64,
}

/// Draws an overview as SVG.
#[must_use]
pub fn overview(chart: &Overview) -> String {
    let mut figure = Figure::new(&chart.title, &chart.subtitle, &chart.panels(), &chart.time());
    let (doses, light) = (figure.panels[0], figure.panels[1]);
    let svg = &mut figure.svg;
    for panel in [&doses, &light] {
        hatch(svg, panel, &chart.gaps);
    }
    draw_light(svg, &light, chart.light.iter().map(|p| (p.seconds, p.irradiance_w_m2)), &chart.gaps);
    let mut labels = Labels::new(doses.area);
    let whole = doses.value.at(100.0);
    let target = [(doses.area.left, whole), (doses.area.right, whole)];
    svg.path(&[target], TARGET_LINE);
    labels.avoid(&target);
    chart.draw_prints(svg, &doses, &mut labels);
    label_spans(svg, &doses, &mut labels, &chart.gaps, "not seen");
    figure.finish()
}

impl Overview {
    fn panels(&self) -> [PanelPlan; 2] {
        let fractions = self.prints.iter().flat_map(|print| &print.points).map(|p| p.fraction);
        let (low, high) = covering(fractions.chain([1.0]));
        // Above the curves there is room for the labels at their ends.
        let percent = (low * 100.0, high * 130.0);
        let light = covering(self.light.iter().map(|p| p.irradiance_w_m2));
        [
            PanelPlan { name: "dose, % of its target", height: 330.0, covers: percent, steps: 6.0 },
            PanelPlan { name: "light, W/m²", height: 130.0, covers: light, steps: 3.0 },
        ]
    }

    /// The curves, and then their labels clear of all of them.
    fn draw_prints(&self, svg: &mut Svg, panel: &Panel, labels: &mut Labels) {
        let curves: Vec<_> = self.prints.iter().map(|print| print.curve(panel)).collect();
        svg.clipped(&[panel.area], |svg| {
            for (curve, style) in curves.iter().zip(STYLES.iter().cycle()) {
                svg.path(curve, &stroke(*style));
            }
        });
        curves.iter().flatten().for_each(|run| labels.avoid(run));
        for ((print, curve), (colour, _)) in self.prints.iter().zip(&curves).zip(STYLES.iter().cycle()) {
            let Some(&end) = curve.last().and_then(|run| run.last()) else { continue };
            let lines: Vec<&str> = print.label.iter().map(String::as_str).collect();
            labels.set(svg, end, ABOVE_LEFT, colour, &lines);
            svg.dot(end, 6.0, &format!(r##"fill="{colour}" stroke="#fff" stroke-width="2""##));
        }
    }

    fn time(&self) -> Axis {
        let prints = self.prints.iter().flat_map(|print| &print.points).map(|p| p.seconds);
        let light = self.light.iter().map(|p| p.seconds);
        let gaps = self.gaps.iter().flat_map(|gap| [gap.from_s, gap.to_s]);
        Axis::clock_about(prints.chain(light).chain(gaps))
    }
}

impl OverviewPrint {
    fn curve(&self, panel: &Panel) -> Vec<Vec<Point>> {
        trace(self.points.iter().map(|p| panel.at(p.seconds, p.fraction * 100.0)))
    }
}
