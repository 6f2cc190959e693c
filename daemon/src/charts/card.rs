//! A record card: one print on one page of A4, to keep with it.

use super::dose_curve::{DoseCurve, figure};
use super::figure::{LEADING, SMALL, WIDTH, wrapped};
use super::svg::{Anchor, INK, QUIET, Svg};

/// The page in units of the card: a small text is then 10.8 points high on A4.
const PAGE: (f64, f64) = (1100.0, 1556.0);
const MARGIN: f64 = 60.0;
const TITLE: f64 = 36.0;
/// How much larger the curve is than on a chart of its own.
const SCALE: f64 = 1.2;
/// Between what is written by hand.
const RULE: f64 = 44.0;
/// So many lines by hand there always are.
const FEWEST_RULES: f64 = 3.0;
const LINE: f64 = SMALL * LEADING;

/// What a record card shows.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Card {
    /// What print it is.
    pub title: String,
    /// How it came by its dose.
    pub curve: DoseCurve,
    /// Two columns of facts, each under its heading.
    pub columns: [Column; 2],
    /// Notes and judgements, oldest first.
    pub remarks: Vec<String>,
}

/// Facts under a heading.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Column {
    /// What they are of.
    pub heading: String,
    /// Each with its name.
    pub facts: Vec<(&'static str, String)>,
}

/// Draws a record card as SVG. Remarks that do not fit leave a word about the
/// rest; there is always room to write.
#[must_use]
pub fn card(card: &Card) -> String {
    let mut page = Page { svg: Svg::new(), y: MARGIN };
    page.line(MARGIN, TITLE, INK, &card.title);
    let curve = figure(&DoseCurve { title: String::new(), subtitle: Vec::new(), ..card.curve.clone() });
    let height = curve.bottom * SCALE;
    page.svg.embed(((PAGE.0 - WIDTH * SCALE) / 2.0, page.y - 30.0), SCALE, curve.svg);
    page.y += height;
    page.columns(&card.columns);
    page.remarks(&card.remarks);
    page.rules();
    page.svg.finish(PAGE.0, PAGE.1, &card.title)
}

/// A page as it fills from the top.
struct Page {
    svg: Svg,
    y: f64,
}

impl Page {
    fn line(&mut self, left: f64, size: f64, colour: &str, text: &str) {
        self.y += size * LEADING;
        self.svg.text((left, self.y - size * 0.3), Anchor::Start, size, colour, text);
    }

    fn columns(&mut self, columns: &[Column; 2]) {
        const NAME: f64 = 150.0;
        let width = (PAGE.0 - 2.0 * MARGIN) / 2.0;
        let top = self.y;
        let mut bottom = top;
        for (column, left) in columns.iter().zip([MARGIN, MARGIN + width]) {
            self.y = top;
            self.line(left, SMALL * 1.1, INK, &column.heading);
            for (name, fact) in &column.facts {
                self.svg.text((left, self.y + LINE - SMALL * 0.3), Anchor::Start, SMALL, QUIET, name);
                for line in wrapped(fact, SMALL, width - NAME - 20.0) {
                    self.line(left + NAME, SMALL, INK, &line);
                }
            }
            bottom = self.y.max(bottom);
        }
        self.y = bottom + LINE / 2.0;
    }

    fn remarks(&mut self, remarks: &[String]) {
        let last = PAGE.1 - MARGIN - FEWEST_RULES * RULE - LINE;
        let mut remarks: Vec<Vec<String>> =
            remarks.iter().map(|remark| wrapped(remark, SMALL, PAGE.0 - 2.0 * MARGIN)).collect();
        if self.y + remarks.iter().map(Vec::len).sum::<usize>() as f64 * LINE > last {
            remarks.iter_mut().for_each(shorten);
        }
        for (i, lines) in remarks.iter().enumerate() {
            if self.y + lines.len() as f64 * LINE > last {
                let rest = format!("and {} more in the record", remarks.len() - i);
                return self.line(MARGIN, SMALL, QUIET, &rest);
            }
            lines.iter().for_each(|line| self.line(MARGIN, SMALL, INK, line));
        }
    }

    /// Lines to write on, down to the foot of the page.
    fn rules(&mut self) {
        let style = r##"stroke="#9a9a9a" stroke-width="1.5""##;
        let mut y = self.y + RULE;
        while y <= PAGE.1 - MARGIN {
            self.svg.line((MARGIN, y), (PAGE.0 - MARGIN, y), style);
            y += RULE;
        }
    }
}

/// Lines of a remark where not all can be shown whole.
const SHORT: usize = 3;

/// Leaves a remark its beginning, so that a long one does not take the place of the others.
fn shorten(lines: &mut Vec<String>) {
    if lines.len() > SHORT {
        lines.truncate(SHORT);
        let last = &mut lines[SHORT - 1];
        // In the place of its last word, so that it is no wider.
        last.truncate(last.rfind(' ').unwrap_or(last.len()));
        last.push_str(" …");
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::charts::png;

    fn example(remarks: usize) -> Card {
        let column = |heading: &str, name| Column {
            heading: heading.into(),
            facts: vec![(name, "a long fact that takes more than one line of its column".into())],
        };
        Card {
            title: "Print 2026-07-14-oak-1".into(),
            curve: DoseCurve { target_j_m2: 15_000.0, ..DoseCurve::default() },
            columns: [column("Recipe citrate", "sensitizer"), column("Exposure", "dose")],
            remarks: (1..=remarks).map(|i| format!("remark {i} of the print")).collect(),
        }
    }

    fn rules(svg: &str) -> usize {
        svg.matches(r##"stroke="#9a9a9a" stroke-width="1.5""##).count()
    }

    #[test]
    fn a_card_holds_every_fact_and_room_to_write() {
        let svg = card(&example(2));
        for text in
            ["Print 2026-07-14-oak-1", "Recipe citrate", "sensitizer", "dose", "remark 2 of the print"]
        {
            assert!(svg.contains(&format!(">{text}</text>")), "{text}");
        }
        assert!(rules(&svg) > 5);
        assert!(!svg.contains("more in the record"));
        png(&svg, 300).unwrap();
    }

    #[test]
    fn a_long_remark_is_shortened_and_the_others_are_shown() {
        let mut example = example(3);
        example.remarks[0] = "a long story of the print ".repeat(500);
        let svg = card(&example);
        assert!(svg.contains(" …</text>") && !svg.contains("more in the record"));
        for text in ["remark 2 of the print", "remark 3 of the print"] {
            assert!(svg.contains(&format!(">{text}</text>")), "{text}");
        }
    }

    #[test]
    fn many_remarks_leave_room_to_write_and_say_what_is_left_out() {
        let svg = card(&example(200));
        let shown = (1..=200).filter(|i| svg.contains(&format!(">remark {i} of the print</text>"))).count();
        assert!(shown > 5 && svg.contains(&format!("and {} more in the record", 200 - shown)));
        assert!(rules(&svg) >= FEWEST_RULES as usize);
    }
}
