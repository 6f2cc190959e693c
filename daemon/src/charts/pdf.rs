//! A picture as a page of PDF.
//!
//! The page is one image at 300 dots per inch, drawn from the same SVG as every
//! PNG: what prints is what was looked at. (Lines that stay lines would need a
//! second SVG reader in the binary: the converter there is holds to an older one.)

use image::codecs::png::{CompressionType, FilterType, PngEncoder};
use image::{ExtendedColorType, ImageEncoder};

use super::ChartError;
use super::raster::pixels;

/// Width of a page in points of 1/72 inch: A4.
const PAGE_WIDTH: f64 = 595.276;
/// Its width in dots, at 300 to the inch.
const DOTS: u32 = 2480;

/// Draws an SVG on a page as wide as A4, in its own proportions.
///
/// # Errors
/// As for [`super::png`].
pub(super) fn pdf(svg: &str) -> Result<Vec<u8>, ChartError> {
    let pixels = pixels(svg, DOTS)?;
    let (width, height) = (pixels.width(), pixels.height());
    // Every chart has a white ground, so nothing shines through.
    let rgb: Vec<u8> = pixels.pixels().iter().flat_map(|p| [p.red(), p.green(), p.blue()]).collect();
    let mut png = Vec::new();
    PngEncoder::new_with_quality(&mut png, CompressionType::Default, FilterType::Adaptive)
        .write_image(&rgb, width, height, ExtendedColorType::Rgb8)
        .map_err(|error| ChartError::Png { reason: error.to_string() })?;
    Ok(page(&image_data(&png), width, height))
}

/// The packed pixels of a PNG, which PDF unpacks by the same rules (PNG third
/// edition, 5.3 chunk layout; PDF 32000-1:2008, 7.4.4 Flate with PNG predictors).
fn image_data(png: &[u8]) -> Vec<u8> {
    let mut data = Vec::new();
    let mut rest = png.get(8..).unwrap_or_default();
    while let Some((length, after)) = rest.split_first_chunk::<4>() {
        let length = u32::from_be_bytes(*length) as usize;
        let (Some(kind), Some(content)) = (after.get(..4), after.get(4..4 + length)) else { break };
        if kind == b"IDAT" {
            data.extend_from_slice(content);
        }
        rest = after.get(length + 8..).unwrap_or_default();
    }
    data
}

/// The file: catalogue, pages, page, image, and how the image lies on the page.
fn page(data: &[u8], width: u32, height: u32) -> Vec<u8> {
    let page_height = PAGE_WIDTH * f64::from(height) / f64::from(width);
    let placed = format!("q {PAGE_WIDTH} 0 0 {page_height:.3} 0 0 cm /Page Do Q");
    let mut file = b"%PDF-1.4\n%\xe2\xe3\xcf\xd3\n".to_vec();
    let mut offsets = Vec::new();
    let mut object = |head: &str, stream: Option<&[u8]>| {
        offsets.push(file.len());
        file.extend_from_slice(format!("{} 0 obj\n{head}\n", offsets.len()).as_bytes());
        if let Some(stream) = stream {
            file.extend_from_slice(b"stream\n");
            file.extend_from_slice(stream);
            file.extend_from_slice(b"\nendstream\n");
        }
        file.extend_from_slice(b"endobj\n");
    };
    object("<< /Type /Catalog /Pages 2 0 R >>", None);
    object("<< /Type /Pages /Kids [3 0 R] /Count 1 >>", None);
    object(
        &format!(
            "<< /Type /Page /Parent 2 0 R /MediaBox [0 0 {PAGE_WIDTH} {page_height:.3}] \
             /Resources << /XObject << /Page 4 0 R >> >> /Contents 5 0 R >>"
        ),
        None,
    );
    object(
        &format!(
            "<< /Type /XObject /Subtype /Image /Width {width} /Height {height} /ColorSpace /DeviceRGB \
             /BitsPerComponent 8 /Filter /FlateDecode \
             /DecodeParms << /Predictor 15 /Colors 3 /BitsPerComponent 8 /Columns {width} >> /Length {} >>",
            data.len()
        ),
        Some(data),
    );
    object(&format!("<< /Length {} >>", placed.len()), Some(placed.as_bytes()));
    let table_at = file.len();
    let mut table = format!("xref\n0 {}\n0000000000 65535 f \n", offsets.len() + 1);
    table.extend(offsets.iter().map(|offset| format!("{offset:010} 00000 n \n")));
    table +=
        &format!("trailer\n<< /Size {} /Root 1 0 R >>\nstartxref\n{table_at}\n%%EOF\n", offsets.len() + 1);
    file.extend_from_slice(table.as_bytes());
    file
}

#[cfg(test)]
mod tests {
    use super::*;

    fn find(file: &[u8], text: &str) -> usize {
        file.windows(text.len()).position(|window| window == text.as_bytes()).unwrap()
    }

    #[test]
    fn every_offset_leads_to_its_object() {
        let svg = r##"<svg xmlns="http://www.w3.org/2000/svg" width="20" height="30"><rect width="20" height="30" fill="#fff"/></svg>"##;
        let file = pdf(svg).unwrap();
        let table_at = find(&file, "xref\n0 6");
        let table = String::from_utf8(file[table_at..].to_vec()).unwrap();
        assert!(table.ends_with(&format!("startxref\n{table_at}\n%%EOF\n")));
        for (i, line) in table.lines().skip(3).take(5).enumerate() {
            let offset: usize = line[..10].parse().unwrap();
            assert!(file[offset..].starts_with(format!("{} 0 obj", i + 1).as_bytes()));
        }
        find(&file, "/MediaBox [0 0 595.276 892.914]");
        find(&file, "/Width 2480 /Height 3720");
    }
}
