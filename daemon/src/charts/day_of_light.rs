//! The light of one day, with the dose that each hour gave.

use super::Span;
use super::figure::{Axis, EDGE, Figure, LEADING, Panel, PanelPlan, SMALL, covering};
use super::labels::{ABOVE_LEFT, Labels};
use super::light::{LightPoint, draw_light, hatch, label_spans};
use super::raster::text_width;
use super::svg::{Anchor, Area, INK, QUIET};
use super::trace::trace;

const HOUR_S: f64 = 3600.0;
const CLEAR_LINE: &str = r##"fill="none" stroke="#505050" stroke-width="2.5" stroke-dasharray="9 7""##;

/// What a chart of a day's light shows. Seconds count from local midnight, as
/// the wall clock shows them.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct DayOfLight {
    /// Which day and which sensor.
    pub title: String,
    /// More about it, a line each.
    pub subtitle: Vec<String>,
    /// The light, in order of time.
    pub points: Vec<LightPoint>,
    /// When the light was not seen, in order of time.
    pub gaps: Vec<Span>,
    /// The same day under a clear sky, in order of time; empty where that is not known.
    pub clear: Vec<LightPoint>,
    /// The dose of each hour to show, in order.
    pub hours: Vec<HourDose>,
}

/// The dose that one hour gave.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HourDose {
    /// The hour it began at, 0 to 23.
    pub hour: u8,
    /// The dose of that hour in J/m²; not finite when it is not known.
    pub dose_j_m2: f64,
}

/// Draws a day of light as SVG.
#[must_use]
pub fn day_of_light(chart: &DayOfLight) -> String {
    let covers = covering(chart.points.iter().chain(&chart.clear).map(|p| p.irradiance_w_m2));
    let plan = PanelPlan { name: "light, W/m²", height: 330.0, covers, steps: 6.0 };
    let mut figure = Figure::new(&chart.title, &chart.subtitle, &[plan], &chart.time());
    let panel = figure.panels[0];
    let points = || chart.points.iter().map(|p| (p.seconds, p.irradiance_w_m2));
    hatch(&mut figure.svg, &panel, &chart.gaps);
    draw_light(&mut figure.svg, &panel, points(), &chart.gaps);
    let mut labels = Labels::new(panel.area);
    for (seconds, irradiance) in points().filter(|(s, irradiance)| s.is_finite() && irradiance.is_finite()) {
        labels.avoid(&[panel.at(seconds, irradiance)]);
    }
    let clear = trace(chart.clear.iter().map(|p| panel.at(p.seconds, p.irradiance_w_m2)));
    figure.svg.path(&clear, CLEAR_LINE);
    clear.iter().for_each(|run| labels.avoid(run));
    if let Some(top) = clear.iter().flatten().min_by(|a, b| a.1.total_cmp(&b.1)) {
        labels.set(&mut figure.svg, *top, ABOVE_LEFT, QUIET, &["clear sky"]);
    }
    label_spans(&mut figure.svg, &panel, &mut labels, &chart.gaps, "not seen");
    chart.write_hours(&mut figure, &panel);
    figure.finish()
}

impl DayOfLight {
    fn time(&self) -> Axis {
        let points = self.points.iter().map(|p| p.seconds);
        let gaps = self.gaps.iter().flat_map(|gap| [gap.from_s, gap.to_s]);
        let hours = self.hours.iter().flat_map(|h| [f64::from(h.hour), f64::from(h.hour) + 1.0]);
        Axis::clock_about(points.chain(gaps).chain(hours.map(|h| h * HOUR_S)))
    }

    /// The doses under the hours that gave them: in one row where the numbers
    /// stand apart, otherwise every other hour in a second row.
    fn write_hours(&self, figure: &mut Figure, panel: &Panel) {
        let hour_width = panel.across.at(HOUR_S) - panel.across.at(0.0);
        let fits = |dose: &HourDose| text_width(&dose.text(), SMALL) + 10.0 <= hour_width;
        let rows = if self.hours.iter().all(fits) { 1 } else { 2 };
        let row_height = SMALL * LEADING + 2.0;
        let name = figure.bottom + 16.0 + SMALL;
        let (top, bottom) = (name + 12.0, name + 18.0 + f64::from(rows) * row_height);
        figure.svg.text((EDGE, name), Anchor::Start, SMALL, QUIET, "dose of each hour, kJ/m²");
        for dose in self.hours.iter().filter(|dose| dose.hour % 2 == 0) {
            let [left, right] = dose.ends(panel);
            figure.svg.rect(Area { left, right, top, bottom }, r##"fill="#ececec""##);
        }
        for dose in &self.hours {
            let [left, right] = dose.ends(panel);
            let row = f64::from(dose.hour % rows);
            let place = (f64::midpoint(left, right), top + row * row_height + SMALL + 2.0);
            figure.svg.text(place, Anchor::Middle, SMALL, INK, &dose.text());
        }
        figure.bottom = bottom;
    }
}

impl HourDose {
    fn ends(&self, panel: &Panel) -> [f64; 2] {
        [0.0, 1.0].map(|hours| panel.across.at((f64::from(self.hour) + hours) * HOUR_S))
    }

    fn text(&self) -> String {
        match self.dose_j_m2 / 1000.0 {
            kj if !kj.is_finite() => "–".to_owned(),
            kj if kj.abs() < 0.05 => "0".to_owned(),
            kj if kj.abs() < 9.95 => format!("{kj:.1}"),
            kj => format!("{kj:.0}"),
        }
    }
}
