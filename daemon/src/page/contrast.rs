//! Whether the page can be read in glare: contrast of its colours by WCAG 2.2.

/// Text has at least this contrast (1.4.6, level AAA).
const OF_TEXT: f64 = 7.0;
/// Lines and borders at least this (1.4.11, level AA).
const OF_LINES: f64 = 3.0;

/// The colours of a scheme: those of the first `:root`, or of the one for the dark.
fn colour(name: &str, dark: bool) -> [f64; 3] {
    let css = include_str!("page.css");
    let (light_part, dark_part) = css.split_once("prefers-color-scheme: dark").unwrap();
    let part = if dark { dark_part } else { light_part };
    let (_, value) = part.split_once(&format!("--{name}: #")).unwrap_or_else(|| panic!("no colour {name}"));
    let channel = |at: usize| f64::from(u8::from_str_radix(&value[at..at + 2], 16).unwrap()) / 255.0;
    [channel(0), channel(2), channel(4)]
}

/// Relative luminance, by the definition in WCAG 2.2.
fn luminance(colour: [f64; 3]) -> f64 {
    let linear = |c: f64| if c <= 0.04045 { c / 12.92 } else { ((c + 0.055) / 1.055).powf(2.4) };
    let [red, green, blue] = colour.map(linear);
    0.2126 * red + 0.7152 * green + 0.0722 * blue
}

fn contrast(a: [f64; 3], b: [f64; 3]) -> f64 {
    let (a, b) = (luminance(a), luminance(b));
    (a.max(b) + 0.05) / (a.min(b) + 0.05)
}

#[test]
fn the_contrast_is_that_of_the_definition() {
    let grey = |value: u8| [f64::from(value) / 255.0; 3];
    assert!((contrast(grey(255), grey(0)) - 21.0).abs() < 1e-9);
    // #767676 on white is the usual example of what just passes 4.5.
    assert!((contrast(grey(255), grey(0x76)) - 4.54).abs() < 0.005);
}

#[test]
fn every_colour_can_be_read_on_its_ground() {
    for dark in [false, true] {
        for (text, ground) in [
            ("ink", "ground"),
            ("quiet", "ground"),
            ("ink", "raised"),
            ("quiet", "raised"),
            ("on-button", "button"),
            ("on-call", "call"),
            ("wrong", "ground"),
        ] {
            let found = contrast(colour(text, dark), colour(ground, dark));
            assert!(found >= OF_TEXT, "{text} on {ground}, dark {dark}: {found:.2}");
        }
        for (line, ground) in
            [("curve", "raised"), ("edge", "ground"), ("edge", "raised"), ("call", "ground")]
        {
            let found = contrast(colour(line, dark), colour(ground, dark));
            assert!(found >= OF_LINES, "{line} on {ground}, dark {dark}: {found:.2}");
        }
    }
}
