//! The few SVG elements a chart is made of.

use std::fmt::{self, Write as _};

/// The font of every text: ours where it is installed, and always in a PNG.
pub(super) const FONT: &str = "DejaVu Sans, sans-serif";

/// Text and main lines.
pub(super) const INK: &str = "#1a1a1a";
/// Text that explains.
pub(super) const QUIET: &str = "#505050";
/// Dose: a blue that stays apart from [`LIGHT`] under every colour blindness.
pub(super) const DOSE: &str = "#0b4f8a";
/// Light: a dark orange that can still be read as text on white.
pub(super) const LIGHT: &str = "#b85c00";

/// The line of a target dose.
pub(super) const TARGET_LINE: &str =
    r##"fill="none" stroke="#1a1a1a" stroke-width="2.5" stroke-dasharray="12 7" stroke-linecap="butt""##;

/// A place on the picture: across and down, in its units.
pub(super) type Point = (f64, f64);

/// A rectangle on the picture.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Area {
    pub(super) left: f64,
    pub(super) top: f64,
    pub(super) right: f64,
    pub(super) bottom: f64,
}

impl Area {
    pub(super) fn width(self) -> f64 {
        self.right - self.left
    }

    pub(super) fn height(self) -> f64 {
        self.bottom - self.top
    }
}

/// Which end of a text stands at its place.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Anchor {
    Start,
    Middle,
    End,
}

/// A picture as it grows from top to bottom and from back to front.
pub(super) struct Svg {
    body: String,
    clips: usize,
}

impl Svg {
    pub(super) fn new() -> Self {
        Self { body: String::new(), clips: 0 }
    }

    pub(super) fn rect(&mut self, area: Area, style: &str) {
        let (x, y, w, h) = (N(area.left), N(area.top), N(area.width()), N(area.height()));
        self.put(format_args!(r#"<rect x="{x}" y="{y}" width="{w}" height="{h}" {style}/>"#));
    }

    pub(super) fn line(&mut self, from: Point, to: Point, style: &str) {
        let (x1, y1, x2, y2) = (N(from.0), N(from.1), N(to.0), N(to.1));
        self.put(format_args!(r#"<line x1="{x1}" y1="{y1}" x2="{x2}" y2="{y2}" {style}/>"#));
    }

    pub(super) fn dot(&mut self, at: Point, radius: f64, style: &str) {
        let (x, y, r) = (N(at.0), N(at.1), N(radius));
        self.put(format_args!(r#"<circle cx="{x}" cy="{y}" r="{r}" {style}/>"#));
    }

    /// Lines through the points of each run. A run of one point is a dot.
    pub(super) fn path<R: AsRef<[Point]>>(&mut self, runs: &[R], style: &str) {
        let mut d = String::new();
        for run in runs.iter().map(AsRef::as_ref) {
            for (i, &(x, y)) in run.iter().enumerate() {
                let command = if i == 0 { 'M' } else { 'L' };
                let _ = write!(d, "{command}{} {}", N(x), N(y)); // a String takes everything
            }
            if run.len() == 1 {
                d.push_str("h0.1");
            }
        }
        if !d.is_empty() {
            self.put(format_args!(r#"<path d="{d}" {style}/>"#));
        }
    }

    /// One line of text on its baseline, with a white edge that keeps it
    /// legible over lines.
    pub(super) fn text(&mut self, at: Point, anchor: Anchor, size: f64, colour: &str, text: &str) {
        let anchor = match anchor {
            Anchor::Start => "start",
            Anchor::Middle => "middle",
            Anchor::End => "end",
        };
        let (x, y, size, text) = (N(at.0), N(at.1), N(size), escape(text));
        self.put(format_args!(
            r#"<text x="{x}" y="{y}" font-size="{size}" text-anchor="{anchor}" fill="{colour}">{text}</text>"#
        ));
    }

    /// Draws only inside the given rectangles.
    pub(super) fn clipped(&mut self, areas: &[Area], draw: impl FnOnce(&mut Self)) {
        self.clips += 1;
        let id = self.clips;
        self.put(format_args!(r#"<clipPath id="clip{id}">"#));
        for &area in areas {
            self.rect(area, "");
        }
        self.put(format_args!(r#"</clipPath><g clip-path="url(#clip{id})">"#));
        draw(self);
        self.put(format_args!("</g>"));
    }

    /// Another picture, larger by `scale`, with its corner at `at`.
    pub(super) fn embed(&mut self, at: Point, scale: f64, other: Self) {
        debug_assert_eq!(self.clips, 0, "clips would have the same names");
        self.clips = other.clips;
        let (x, y, scale, body) = (N(at.0), N(at.1), N(scale), other.body);
        self.put(format_args!(r#"<g transform="translate({x} {y}) scale({scale})">{body}</g>"#));
    }

    /// The whole document, `title` for those who hear it instead of seeing it.
    pub(super) fn finish(self, width: f64, height: f64, title: &str) -> String {
        let (w, h, title, body) = (N(width), N(height), escape(title), self.body);
        format!(
            r##"<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {w} {h}" width="{w}" height="{h}" role="img" font-family="{FONT}" stroke-linejoin="round" stroke-linecap="round">
<title>{title}</title>
<style>text {{ paint-order: stroke; stroke: #fff; stroke-width: 4px }}</style>
<defs><pattern id="unseen" width="9" height="9" patternUnits="userSpaceOnUse" patternTransform="rotate(45)"><line x1="0" y1="0" x2="0" y2="9" stroke="#8a8a8a" stroke-width="3"/></pattern></defs>
<rect width="{w}" height="{h}" fill="#fff"/>
{body}</svg>
"##
        )
    }

    fn put(&mut self, element: fmt::Arguments<'_>) {
        let _ = writeln!(self.body, "{element}"); // a String takes everything
    }
}

/// Text as XML content or attribute: markup escaped, line ends as spaces, and
/// characters that XML forbids as question marks.
pub(super) fn escape(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&apos;"),
            '\t' | '\n' | '\r' => out.push(' '),
            c if c.is_control() || matches!(c, '\u{fffe}' | '\u{ffff}') => out.push('?'),
            c => out.push(c),
        }
    }
    out
}

/// A coordinate to a hundredth, without needless zeros.
struct N(f64);

impl fmt::Display for N {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let rounded = (self.0 * 100.0).round() / 100.0;
        write!(f, "{}", rounded + 0.0) // no "-0"
    }
}
