//! Pictures of light, dose and density: SVG written here, and PNG drawn from that same SVG.
//!
//! A chart is a plain struct of numbers in, one SVG text out; only [`save`]
//! touches the disk. Axes cover every finite number they are given, a number
//! that is not finite is a break in its line, and what was not seen is hatched
//! and never bridged. Everything is labelled in place, in words, so a chart
//! reads without its colours and on a telephone.

mod bed;
mod card;
mod characteristic;
mod comparison;
mod correction;
mod day_of_light;
mod dose_curve;
mod figure;
mod labels;
mod light;
mod overview;
mod pdf;
mod raster;
mod readings;
mod svg;
mod trace;

use std::path::{Path, PathBuf};

pub use bed::{Bed, bed};
pub use card::{Card, Column, card};
pub use characteristic::{Characteristic, Mark, WedgeCurve, characteristic};
pub use comparison::{Compared, Comparison, MOST_COMPARED, comparison};
pub use correction::{Correction, correction};
pub use day_of_light::{DayOfLight, HourDose, day_of_light};
pub use dose_curve::{BandPoint, CurvePoint, DoseCurve, Signal, dose_curve};
pub use light::LightPoint;
pub use overview::{FractionPoint, Overview, OverviewPrint, overview};
pub use raster::png;
pub use readings::{Across, Readings, Series, readings};

/// Width of a saved PNG in pixels.
pub const PNG_WIDTH: u32 = 1200;

/// Colour and dashes of several lines in turn, apart under every colour
/// blindness (after Okabe and Ito) and without colour.
const STYLES: [(&str, &str); 6] = [
    ("#0072b2", "none"),
    ("#c44e00", "14 7"),
    ("#00795a", "3 8"),
    ("#a0528a", "16 7 3 7"),
    ("#1a1a1a", "8 6"),
    ("#2f7fb3", "22 6 3 6 3 6"),
];

/// A line in one of the [`STYLES`].
fn stroke((colour, dashes): (&str, &str)) -> String {
    format!(r#"fill="none" stroke="{colour}" stroke-width="4" stroke-dasharray="{dashes}""#)
}

/// A stretch of time, in the seconds of the chart it is given to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Span {
    /// Where it begins.
    pub from_s: f64,
    /// Where it ends.
    pub to_s: f64,
}

/// Why a chart could not be saved.
#[derive(Debug, thiserror::Error)]
pub enum ChartError {
    /// The name of the file does not say what kind of picture it is to be.
    #[error("a picture is written as .svg, .png or .pdf; end the file name in one of them")]
    Ending {
        /// The file asked for.
        path: PathBuf,
    },
    /// The SVG could not be read back to draw it.
    #[error("the chart cannot be drawn ({0}); save it as .svg")]
    Svg(#[from] resvg::usvg::Error),
    /// The picture has no size that can be drawn.
    #[error("a png {width} pixels wide cannot be drawn; ask for 1 to 20000")]
    Width {
        /// The width asked for, in pixels.
        width: u32,
    },
    /// The drawn picture could not be packed.
    #[error("the chart cannot be packed as png ({reason}); save it as .svg")]
    Png {
        /// What the encoder said.
        reason: String,
    },
    /// The file could not be written.
    #[error("cannot write {} ({source}); choose a folder that you may write to", path.display())]
    Write {
        /// The file asked for.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
}

/// How a picture is written.
#[derive(Debug, Clone, Copy)]
enum Form {
    Svg,
    Png,
    Pdf,
}

impl Form {
    fn of(path: &Path) -> Result<Self, ChartError> {
        let ending = path.extension().and_then(|e| e.to_str()).map(str::to_ascii_lowercase);
        match ending.as_deref() {
            Some("svg") => Ok(Self::Svg),
            Some("png") => Ok(Self::Png),
            Some("pdf") => Ok(Self::Pdf),
            _ => Err(ChartError::Ending { path: path.to_owned() }),
        }
    }
}

/// The name of a file that [`save`] can write, as far as its ending tells.
///
/// # Errors
/// [`ChartError::Ending`] for any other.
pub fn picture_file(path: PathBuf) -> Result<PathBuf, ChartError> {
    Form::of(&path).map(|_| path)
}

/// Writes a chart to `path`, as its ending says: `.svg` as it is, `.png` drawn
/// [`PNG_WIDTH`] pixels wide, `.pdf` as a page as wide as A4. A file that is there is replaced.
///
/// # Errors
/// [`ChartError::Ending`] for any other ending, before anything is drawn;
/// otherwise what failed in drawing or writing.
pub fn save(path: &Path, svg: &str) -> Result<(), ChartError> {
    let bytes = match Form::of(path)? {
        Form::Svg => svg.as_bytes().to_vec(),
        Form::Png => png(svg, PNG_WIDTH)?,
        Form::Pdf => pdf::pdf(svg)?,
    };
    std::fs::write(path, bytes).map_err(|source| ChartError::Write { path: path.to_owned(), source })
}

#[cfg(test)]
mod tests;
