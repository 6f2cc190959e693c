//! The picture: lines of text that fit the width, and curves in the rows left.
//!
//! Colour only repeats what the words say, so it may be left out.

use frameside_core::exposure::FrameState;
use frameside_core::quantity::{Dose, Irradiance};
use ratatui::Frame;
use ratatui::layout::Rect;
use ratatui::style::{Color, Modifier, Style};
use ratatui::symbols::Marker;
use ratatui::text::Line;
use ratatui::widgets::canvas::{Canvas, Line as Stroke, Points};

use super::View;
use crate::status::FrameStatus;

/// From this width on a frame has its figures beside its name, and a bar.
const WIDE: usize = 60;
/// Rows of a curve: with fewer nothing can be read from it, and more say no more.
const ROWS: std::ops::RangeInclusive<u16> = 2..=6;
/// Columns left of a curve, for the number at its top.
const GUTTER: u16 = 7;
/// Light that is further apart than this, in seconds, is not joined by a line.
const JOINED_S: f64 = 90.0;
const KEYS: [&str; 6] = ["up/down choose", "c cover", "u uncover", "b bring in", "h hush", "q leave"];

/// Draws the rig on the whole terminal.
pub fn draw(screen: &mut Frame<'_>, view: &View, coloured: bool) {
    let ink = Ink { coloured };
    let area = screen.area();
    let width = usize::from(area.width);
    let head = head(view, width);
    let foot = foot(view, width, ink);
    let foot_top = area.height.saturating_sub(foot.len() as u16);
    let mut cursor = Cursor { screen, bottom: foot_top, y: 0 };
    cursor.text(&head);
    let texts: Vec<_> = (0..view.status.frames.len()).map(|i| frame_text(view, i, width, ink)).collect();
    let plan = Plan::new(view, &texts, foot_top.saturating_sub(cursor.y));
    if plan.light > 0 {
        cursor.chart(plan.light, &light_chart(view, ink));
    }
    for (i, text) in texts.iter().enumerate().skip(plan.first) {
        cursor.text(text);
        let rows = if i == view.chosen() { plan.chosen } else { plan.others };
        if let Some(chart) = frame_chart(view, i, ink).filter(|_| rows > 0) {
            cursor.chart(rows, &chart);
        }
    }
    cursor.y = foot_top;
    cursor.bottom = area.height;
    cursor.text(&foot);
}

/// What colour there is.
#[derive(Debug, Clone, Copy)]
struct Ink {
    coloured: bool,
}

impl Ink {
    fn colour(self, colour: Color) -> Color {
        if self.coloured { colour } else { Color::Reset }
    }

    fn state(self, frame: &FrameStatus) -> Style {
        match frame.state {
            FrameState::Due if frame.waiting => {
                Style::new().fg(self.colour(Color::Red)).add_modifier(Modifier::BOLD | Modifier::REVERSED)
            }
            FrameState::Due => Style::new().fg(self.colour(Color::Red)).add_modifier(Modifier::BOLD),
            _ => Style::new(),
        }
    }
}

/// Which frames are shown, and the rows of their curves and of the light's.
#[derive(Debug, Default)]
struct Plan {
    first: usize,
    light: u16,
    chosen: u16,
    others: u16,
}

impl Plan {
    /// Shares out `rows`: text first, then the light, then a curve for every
    /// frame, or else for the chosen one.
    fn new(view: &View, texts: &[Vec<Line<'_>>], rows: u16) -> Self {
        let mut plan = Self::default();
        let height = |first: usize| texts[first..].iter().map(|text| text.len() as u16).sum::<u16>();
        while plan.first < view.chosen() && height(plan.first) > rows {
            plan.first += 1;
        }
        let mut spare = rows.saturating_sub(height(plan.first));
        let curves = (plan.first..texts.len()).filter(|&i| curve(view, i).is_some()).count() as u16;
        let fit = |rows: u16| if rows < *ROWS.start() { 0 } else { rows.min(*ROWS.end()) };
        if !view.past.light.is_empty() {
            plan.light = fit((spare / (curves + 1)).max(spare.min(3)));
            spare -= plan.light;
        }
        plan.others = fit(spare.checked_div(curves).unwrap_or(0));
        plan.chosen = if plan.others > 0 { plan.others } else { fit(spare) };
        plan
    }
}

/// Where the next line goes.
struct Cursor<'a, 'b> {
    screen: &'a mut Frame<'b>,
    bottom: u16,
    y: u16,
}

impl Cursor<'_, '_> {
    fn text(&mut self, lines: &[Line<'_>]) {
        for line in lines {
            if let Some(row) = self.rows(1) {
                self.screen.render_widget(line, row);
            }
        }
    }

    fn chart(&mut self, rows: u16, chart: &Chart) {
        if let Some(area) = self.rows(rows) {
            chart.draw(self.screen, area);
        }
    }

    fn rows(&mut self, rows: u16) -> Option<Rect> {
        let area = Rect { y: self.y, height: rows, ..self.screen.area() };
        self.y += rows;
        (self.y <= self.bottom).then_some(area)
    }
}

fn head(view: &View, width: usize) -> Vec<Line<'static>> {
    let bold = Style::new().add_modifier(Modifier::BOLD);
    let mut lines = vec![Line::styled(view.status.rig.clone(), bold)];
    for sensor in &view.status.sensors {
        lines.extend(wrapped(&sensor.line(), width).into_iter().map(Line::from));
    }
    if let Some(most) = most(&view.past.light) {
        let text = format!("  its last hour, up to {}", Irradiance::from_w_m2(most));
        lines.push(Line::from(text));
    }
    for lamp in &view.status.lamps {
        lines.extend(wrapped(&lamp.line(), width).into_iter().map(Line::from));
    }
    lines
}

fn foot(view: &View, width: usize, ink: Ink) -> Vec<Line<'static>> {
    let alarm = Style::new().fg(ink.colour(Color::Red)).add_modifier(Modifier::BOLD);
    let mut lines = Vec::new();
    let mut say = |text: &str, style: Style| {
        lines.extend(wrapped(text, width).into_iter().map(|line| Line::styled(line, style)));
    };
    for trouble in view.status.troubles.iter().chain(&view.past.trouble) {
        say(&format!("! {trouble}"), Style::new());
    }
    if let Some(why) = &view.away {
        say(&format!("! {why}. The last it told is shown; waiting for it."), alarm);
    }
    if let Some(said) = &view.said {
        say(said, Style::new().add_modifier(Modifier::BOLD));
    }
    let quiet = Style::new().add_modifier(Modifier::DIM);
    lines.extend(flowed(KEYS, "   ", width).into_iter().map(|line| Line::styled(line, quiet)));
    lines
}

fn frame_text(view: &View, number: usize, width: usize, ink: Ink) -> Vec<Line<'static>> {
    let frame = &view.status.frames[number];
    let chosen = number == view.chosen();
    let name = frame.label.as_ref().unwrap_or(&frame.frame);
    let head = format!("{} {name}  {}", if chosen { ">" } else { " " }, frame.state.word());
    let name_style = if chosen { Style::new().add_modifier(Modifier::BOLD) } else { Style::new() };
    let Some(target) = frame.target_j_m2 else {
        return vec![Line::styled(head, name_style)];
    };
    let share = frame.fraction.unwrap_or(0.0) * 100.0;
    // The record may be some seconds behind: then it does not know since when yet.
    let known = curve(view, number).and_then(|curve| curve.state.as_ref());
    let since = known.filter(|(state, _)| *state == frame.state);
    let since = since.map(|(_, clock)| format!("  since {clock}")).unwrap_or_default();
    let (dose, of, at) = (frame.dose(), Dose::from_j_m2(target), frame.beside_dose());
    let figures = format!("{dose} of {of}{at}  {share:.0} %{since}");
    let says_more = frame.state == FrameState::Exposing || (frame.is_due() && frame.state != FrameState::In);
    let next = if says_more { frame.what_next() } else { String::new() };
    let mut lines = Vec::new();
    let mut indented = |text: &str, style: Style| {
        let parts = wrapped(text, width.saturating_sub(2));
        lines.extend(parts.into_iter().map(|part| Line::styled(format!("  {part}"), style)));
    };
    if width < WIDE {
        indented(&figures, Style::new());
        indented(&next, ink.state(frame));
        lines.insert(0, Line::styled(head, name_style));
    } else {
        indented(&format!("{}  {next}", frame.bar()), ink.state(frame));
        let gap = width.saturating_sub(head.chars().count() + figures.chars().count()).max(2);
        lines.insert(0, Line::styled(format!("{head}{}{figures}", " ".repeat(gap)), name_style));
    }
    lines
}

fn curve(view: &View, number: usize) -> Option<&super::Curve> {
    view.past.curves.get(view.status.frames[number].print.as_ref()?).filter(|curve| curve.points.len() > 1)
}

/// A curve with its number at the top, and a line to reach.
struct Chart {
    points: Vec<(f64, f64)>,
    across: [f64; 2],
    top: f64,
    label: String,
    line: Option<f64>,
    joined_s: f64,
    colour: Color,
}

fn light_chart(view: &View, ink: Ink) -> Chart {
    let most = most(&view.past.light).unwrap_or(1.0);
    Chart {
        points: view.past.light.clone(),
        across: [-3600.0, 0.0],
        top: if most > 0.0 { most } else { 1.0 },
        label: brief(most),
        line: None,
        joined_s: JOINED_S,
        colour: ink.colour(Color::Yellow),
    }
}

fn frame_chart(view: &View, number: usize, ink: Ink) -> Option<Chart> {
    let frame = &view.status.frames[number];
    let points = curve(view, number)?.points.clone();
    let end = points.last()?.0;
    let target = frame.target_j_m2?;
    // While it counts, as far as it will go; then as far as it went.
    let ahead = frame.remaining_s.filter(|_| frame.state == FrameState::Exposing).unwrap_or(0.0);
    Some(Chart {
        across: [0.0, (end + ahead.min(4.0 * end.max(60.0))).max(1.0)],
        top: most(&points)?.max(target) * 1.05,
        label: brief(target / 1000.0),
        line: Some(target),
        joined_s: f64::INFINITY,
        colour: ink.colour(Color::Cyan),
        points,
    })
}

impl Chart {
    fn draw(&self, screen: &mut Frame<'_>, area: Rect) {
        let plot = Rect { x: area.x + GUTTER, width: area.width.saturating_sub(GUTTER), ..area };
        let down = 1.0 - self.line.unwrap_or(self.top) / self.top;
        let row = area.y + (down * f64::from(area.height)) as u16;
        let width = usize::from(GUTTER - 1);
        let label = |text: &str| Line::from(format!("{text:>width$}"));
        let at = |y| Rect { y, height: 1, ..area };
        screen.render_widget(label("0"), at(area.bottom() - 1));
        screen.render_widget(label(&self.label), at(row.min(area.bottom() - 2)));
        let canvas =
            Canvas::default().marker(Marker::Braille).x_bounds(self.across).y_bounds([0.0, self.top]).paint(
                |context| {
                    if let Some(line) = self.line {
                        context.draw(&Points { coords: &self.dots(line, plot.width), color: Color::Reset });
                    }
                    for pair in self.points.windows(2).filter(|pair| pair[1].0 - pair[0].0 <= self.joined_s) {
                        let ((x1, y1), (x2, y2)) = (pair[0], pair[1]);
                        context.draw(&Stroke { x1, y1, x2, y2, color: self.colour });
                    }
                },
            );
        screen.render_widget(canvas, plot);
    }

    /// A dotted line across.
    fn dots(&self, height: f64, columns: u16) -> Vec<(f64, f64)> {
        let [from, to] = self.across;
        let dots = (columns / 2).max(1);
        (0..=dots).map(|i| (from + (to - from) * f64::from(i) / f64::from(dots), height)).collect()
    }
}

fn most(points: &[(f64, f64)]) -> Option<f64> {
    points.iter().map(|point| point.1).filter(|value| value.is_finite()).reduce(f64::max)
}

/// Three figures or so.
fn brief(value: f64) -> String {
    let decimals = if value < 10.0 { 2 } else { usize::from(value < 100.0) };
    format!("{value:.decimals$}")
}

/// A text in lines of at most `width` characters, broken between words.
fn wrapped(text: &str, width: usize) -> Vec<String> {
    flowed(text.split_whitespace(), " ", width)
}

/// Parts side by side, and on the next line where they do not fit.
fn flowed<'a>(parts: impl IntoIterator<Item = &'a str>, between: &str, width: usize) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for part in parts {
        let fits = |line: &&mut String| line.chars().count() + between.len() + part.chars().count() <= width;
        match lines.last_mut().filter(fits) {
            Some(line) => {
                line.push_str(between);
                line.push_str(part);
            }
            None => lines.push(part.to_owned()),
        }
    }
    lines
}
