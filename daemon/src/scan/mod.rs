//! Flat-bed scans: pixels as linear light, and the patches of a row.

mod place;
mod profile;

use std::fs::File;
use std::io::{BufRead, BufReader, Seek};
use std::path::{Path, PathBuf};

use frameside_core::sensitometry::{LightSample, PatchDensity, PatchLight, Reference, ScanError, ScanScale};
use image::{DynamicImage, ImageDecoder as _, ImageReader, Limits};

pub use place::{Known, NotCorners, NotKnown, Pixel, Quad};
use profile::Profile;
pub use profile::ProfileError;

/// Most memory that a scan may take to decode: A4 at 600 dpi and 16 bit is 210 MB.
const MOST_BYTES: u64 = 512 << 20;
/// Smaller patches have too few pixels to tell dust from paper.
const LEAST_PIXELS: f64 = 12.0;
/// A side of a patch is sampled at most this often.
const MOST_SAMPLES: f64 = 100.0;

/// Why a scan cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum ScanFileError {
    /// The file cannot be read.
    #[error("{}: {source}", .path.display())]
    Read {
        /// Which.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// It is no picture that is understood.
    #[error("{}: {source}; save the scan as PNG, TIFF or JPEG with 8 or 16 bit", .path.display())]
    Picture {
        /// Which.
        path: PathBuf,
        /// Why.
        source: image::ImageError,
    },
    /// Pixels that are no scanner's.
    #[error("{}: its pixels are {kind}; save the scan with 8 or 16 bit, grey or RGB", .path.display())]
    Pixels {
        /// Which.
        path: PathBuf,
        /// What they are.
        kind: String,
    },
    /// Its colours are told in a way that is not understood.
    #[error("{}: {source}", .path.display())]
    Profile {
        /// Which.
        path: PathBuf,
        /// Why.
        source: ProfileError,
    },
}

/// Why a place on a scan cannot be sampled.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum PlaceError {
    /// Off the picture.
    #[error("lies outside the scan of {width} by {height} pixels")]
    Outside {
        /// Of the scan.
        width: u32,
        /// Of the scan.
        height: u32,
    },
    /// Too small.
    #[error("is only {pixels:.0} pixels wide, {LEAST_PIXELS} are needed; scan at a higher resolution")]
    TooSmall {
        /// Its shorter side.
        pixels: f64,
    },
}

/// Why the patches of a row have no densities.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum RowError {
    /// An area lies where nothing can be measured.
    #[error("{area} {source}")]
    Place {
        /// Which, as "patch 3".
        area: String,
        /// Why.
        source: PlaceError,
    },
    /// What an area shows cannot be measured.
    #[error("{area} {source}")]
    Area {
        /// Which, as "patch 3".
        area: String,
        /// Why.
        source: ScanError,
    },
    /// The references make no scale.
    #[error(transparent)]
    References(ScanError),
}

/// A scan, decoded.
pub struct Scan {
    picture: DynamicImage,
    profile: Profile,
}

impl Scan {
    /// Reads a scan. Its own ICC profile says how its numbers become light;
    /// without one it is sRGB, or `linear` as some scanners save 16 bit.
    ///
    /// # Errors
    /// [`ScanFileError`] with the path, when it is no scan or would take more than 512 MB.
    pub fn read(path: &Path, linear: bool) -> Result<Self, ScanFileError> {
        let file =
            File::open(path).map_err(|source| ScanFileError::Read { path: path.to_owned(), source })?;
        Self::decode(BufReader::new(file), path, linear)
    }

    /// Reads a scan from its bytes; `path` is for the errors.
    ///
    /// # Errors
    /// As [`Scan::read`].
    pub fn decode(bytes: impl BufRead + Seek, path: &Path, linear: bool) -> Result<Self, ScanFileError> {
        let unreadable = |source| ScanFileError::Read { path: path.to_owned(), source };
        let no_picture = |source| ScanFileError::Picture { path: path.to_owned(), source };
        let mut reader = ImageReader::new(bytes).with_guessed_format().map_err(unreadable)?;
        let mut limits = Limits::default();
        limits.max_alloc = Some(MOST_BYTES);
        reader.limits(limits.clone());
        let mut decoder = reader.into_decoder().map_err(no_picture)?;
        let icc = decoder.icc_profile().map_err(no_picture)?;
        // A decoder keeps to the limits for itself, not for the pixels that it is asked for.
        limits.reserve(decoder.total_bytes()).map_err(no_picture)?;
        let picture = DynamicImage::from_decoder(decoder).map_err(no_picture)?;
        let profile = match icc {
            _ if linear => Profile::linear(),
            Some(icc) => Profile::from_icc(&icc)
                .map_err(|source| ScanFileError::Profile { path: path.to_owned(), source })?,
            None => Profile::srgb(),
        };
        let scan = Self { picture, profile };
        match scan.channels(0, 0) {
            Some(_) => Ok(scan),
            None => {
                let kind = format!("{:?}", scan.picture.color());
                Err(ScanFileError::Pixels { path: path.to_owned(), kind })
            }
        }
    }

    /// The densities of the `count` patches of a row, by areas of known density.
    ///
    /// # Errors
    /// [`RowError`] with the area that cannot be measured.
    pub fn densities(
        &self,
        row: &Quad,
        count: usize,
        references: &[Known],
    ) -> Result<Vec<PatchDensity>, RowError> {
        let light = |area: String, place: &Quad| match self.quarters(place) {
            Ok(quarters) => PatchLight::new(&quarters).map_err(|source| RowError::Area { area, source }),
            Err(source) => Err(RowError::Place { area, source }),
        };
        let name = |number| format!("reference {number}");
        let lights = (1..).zip(references).map(|(number, known)| light(name(number), &known.area));
        let lights = lights.collect::<Result<Vec<_>, _>>()?;
        let told = references.iter().zip(&lights);
        let told = told.map(|(known, light)| Reference { density: known.density, light: light.middle });
        let scale = ScanScale::new(&told.collect::<Vec<_>>()).map_err(RowError::References)?;
        let density = |area: String, light: &PatchLight| {
            scale.patch(light).map_err(|source| RowError::Area { area, source })
        };
        for (number, light) in (1..).zip(&lights) {
            density(name(number), light)?;
        }
        let patch = |i: usize| {
            let area = format!("patch {}", i + 1);
            density(area.clone(), &light(area, &row.part(i, count))?)
        };
        (0..count).map(patch).collect()
    }

    /// The samples of the four quarters of an area's inner half, where neighbours
    /// and edges do not reach.
    fn quarters(&self, area: &Quad) -> Result<[Vec<LightSample>; 4], PlaceError> {
        let (width, height) = (self.picture.width(), self.picture.height());
        let inside =
            |&(x, y): &Pixel| (0.0..=f64::from(width)).contains(&x) && (0.0..=f64::from(height)).contains(&y);
        if !area.0.iter().all(inside) {
            return Err(PlaceError::Outside { width, height });
        }
        let [a, b, _, d] = area.0;
        let [along, across] = [b, d].map(|end| (end.0 - a.0).hypot(end.1 - a.1));
        let pixels = along.min(across);
        if pixels.is_nan() || pixels < LEAST_PIXELS {
            return Err(PlaceError::TooSmall { pixels });
        }
        let quarter = |from: Pixel| self.samples(area, from, [along, across]);
        Ok([quarter((0.25, 0.25)), quarter((0.5, 0.25)), quarter((0.25, 0.5)), quarter((0.5, 0.5))])
    }

    /// About every pixel of the quarter of an area that begins at `from`.
    fn samples(&self, area: &Quad, from: Pixel, sides: [f64; 2]) -> Vec<LightSample> {
        let [along, across] = sides.map(|side| (0.25 * side).clamp(3.0, MOST_SAMPLES) as u32);
        let place = |i: u32, n: u32| 0.25 * (f64::from(i) + 0.5) / f64::from(n);
        let mut samples = Vec::new();
        for i in 0..along {
            for j in 0..across {
                let (x, y) = area.at(from.0 + place(i, along), from.1 + place(j, across));
                samples.extend(self.sample(x as u32, y as u32));
            }
        }
        samples
    }

    fn sample(&self, x: u32, y: u32) -> Option<LightSample> {
        let at = |n: u32, end: u32| n.min(end - 1);
        let channels = self.channels(at(x, self.picture.width()), at(y, self.picture.height()))?;
        let clipped = self.profile.is_clipped(channels);
        Some(LightSample { light: self.profile.light(channels), clipped })
    }

    /// Red, green and blue of 16 bit; `None` for pixels that are no scanner's.
    fn channels(&self, x: u32, y: u32) -> Option<[u16; 3]> {
        let grey = |grey: u16| [grey; 3];
        let wide = |channel: u8| u16::from(channel) * 257;
        Some(match &self.picture {
            DynamicImage::ImageLuma8(pixels) => grey(wide(pixels.get_pixel(x, y)[0])),
            DynamicImage::ImageLumaA8(pixels) => grey(wide(pixels.get_pixel(x, y)[0])),
            DynamicImage::ImageRgb8(pixels) => pixels.get_pixel(x, y).0.map(wide),
            DynamicImage::ImageRgba8(pixels) => {
                let [red, green, blue, _] = pixels.get_pixel(x, y).0;
                [red, green, blue].map(wide)
            }
            DynamicImage::ImageLuma16(pixels) => grey(pixels.get_pixel(x, y)[0]),
            DynamicImage::ImageLumaA16(pixels) => grey(pixels.get_pixel(x, y)[0]),
            DynamicImage::ImageRgb16(pixels) => pixels.get_pixel(x, y).0,
            DynamicImage::ImageRgba16(pixels) => {
                let [red, green, blue, _] = pixels.get_pixel(x, y).0;
                [red, green, blue]
            }
            _ => return None,
        })
    }
}

#[cfg(test)]
mod tests;
