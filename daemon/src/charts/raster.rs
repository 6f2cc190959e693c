//! SVG to PNG, and how wide a text is, both by the one embedded font.
//!
//! `DejaVuSans-subset.ttf` is DejaVu Sans 2.37 cut down to Latin letters and
//! the signs charts use, without hints or kerning; its licence lies beside it
//! and inside it.

use std::sync::{Arc, LazyLock};

use resvg::tiny_skia::{Pixmap, Transform};
use resvg::usvg::{Node, Options, Tree, fontdb};

use super::ChartError;
use super::svg::{FONT, escape};

static FONTS: LazyLock<Arc<fontdb::Database>> = LazyLock::new(|| {
    let mut fonts = fontdb::Database::new();
    fonts.load_font_data(include_bytes!("DejaVuSans-subset.ttf").to_vec());
    fonts.set_sans_serif_family("DejaVu Sans");
    Arc::new(fonts)
});

/// Widest PNG that [`png`] draws, in pixels.
const WIDEST: u32 = 20_000;

pub(super) fn tree(svg: &str) -> Result<Tree, resvg::usvg::Error> {
    let options = Options { fontdb: Arc::clone(&FONTS), ..Options::default() };
    Tree::from_str(svg, &options)
}

/// Draws an SVG as a PNG `width` pixels wide, in its own proportions.
///
/// # Errors
/// [`ChartError::Svg`] when the text is not an SVG, [`ChartError::Width`] when
/// the width is zero or over 20,000, [`ChartError::Png`] when it cannot be packed.
pub fn png(svg: &str, width: u32) -> Result<Vec<u8>, ChartError> {
    pixels(svg, width)?.encode_png().map_err(|error| ChartError::Png { reason: error.to_string() })
}

/// An SVG drawn `width` pixels wide.
pub(super) fn pixels(svg: &str, width: u32) -> Result<Pixmap, ChartError> {
    let tree = tree(svg)?;
    let scale = width as f32 / tree.size().width();
    let height = (tree.size().height() * scale).round() as u32;
    let mut pixels = Some(width)
        .filter(|&w| w <= WIDEST)
        .and_then(|w| Pixmap::new(w, height))
        .ok_or(ChartError::Width { width })?;
    resvg::render(&tree, Transform::from_scale(scale, scale), &mut pixels.as_mut());
    Ok(pixels)
}

/// How wide a line of text comes out, in the units of its size.
pub(super) fn text_width(text: &str, size: f64) -> f64 {
    let svg = format!(
        r#"<svg xmlns="http://www.w3.org/2000/svg" width="9" height="9"><text font-family="{FONT}" font-size="100">{}</text></svg>"#,
        escape(text)
    );
    let width = match tree(&svg).ok().as_ref().and_then(|tree| tree.root().children().first()) {
        Some(Node::Text(text)) => f64::from(text.bounding_box().width()),
        _ => 0.0, // nothing but spaces
    };
    width * size / 100.0
}
