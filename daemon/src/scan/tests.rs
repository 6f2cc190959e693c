//! Made-up scans of known densities: tilted, noisy, unevenly lit.

use frameside_core::sensitometry::{Density, PatchLight, Reference, ScanScale};
use image::{DynamicImage, ImageBuffer, Luma, Rgb};
use proptest::prelude::*;
use tempfile::TempDir;

use super::*;
use crate::chance::Chance;

/// About normal, of standard deviation 1.
fn normal(chance: &mut Chance) -> f64 {
    (0..12).map(|_| chance.between(0.0, 1.0)).sum::<f64>() - 6.0
}

const WIDTH: u32 = 900;
const HEIGHT: u32 = 300;
/// Of the patches in a row, from left to right.
const DENSITIES: [f64; 9] = [0.10, 0.15, 0.30, 0.50, 0.75, 1.0, 1.25, 1.40, 1.60];
const STRAY: f64 = 0.004;

/// The row, tilted by about two degrees.
const ROW: Quad = Quad([(60.0, 60.0), (840.0, 90.0), (836.0, 190.0), (56.0, 160.0)]);
const WHITE: Quad = Quad([(100.0, 220.0), (200.0, 220.0), (200.0, 290.0), (100.0, 290.0)]);
const BLACK: Quad = Quad([(700.0, 220.0), (800.0, 220.0), (800.0, 290.0), (700.0, 290.0)]);

/// The inverse of sRGB (IEC 61966-2-1).
fn srgb(light: f64) -> f64 {
    if light <= 0.003_130_8 { 12.92 * light } else { 1.055 * light.powf(1.0 / 2.4) - 0.055 }
}

fn density_at(x: f64, y: f64) -> f64 {
    let is_in =
        |area: &Quad| (area.0[0].0..area.0[2].0).contains(&x) && (area.0[0].1..area.0[2].1).contains(&y);
    if is_in(&BLACK) {
        return 1.80;
    }
    // Along and across the row, whose sides are parallel.
    let (dx, dy) = (x - 60.0, y - 60.0);
    let across = (dy - dx * 30.0 / 780.0) / (100.0 + 4.0 * 30.0 / 780.0);
    let along = (dx + 4.0 * across) / 780.0;
    let is_row = (0.0..1.0).contains(&along) && (0.0..1.0).contains(&across);
    if is_row { DENSITIES[(along * 9.0) as usize] } else { 0.10 }
}

/// Numbers from 0 to 1 of a scan of that sheet: 1 % less light at its right edge,
/// 2 % noise in it, and stray light.
fn render(seed: u64, encode: fn(f64) -> f64) -> Vec<f64> {
    let mut chance = Chance::new(seed);
    let mut numbers = Vec::new();
    for y in 0..HEIGHT {
        for x in 0..WIDTH {
            let (x, y) = (f64::from(x) + 0.5, f64::from(y) + 0.5);
            let reflected = 10f64.powf(-density_at(x, y));
            let lit = 0.9 * (1.0 - 0.01 * x / f64::from(WIDTH)) * (reflected + STRAY);
            numbers.push(encode((lit * (1.0 + 0.02 * normal(&mut chance))).clamp(0.0, 1.0)));
        }
    }
    numbers
}

fn grey_16(numbers: &[f64]) -> DynamicImage {
    let pixels = numbers.iter().map(|number| (number * 65535.0).round() as u16).collect();
    ImageBuffer::<Luma<u16>, _>::from_vec(WIDTH, HEIGHT, pixels).unwrap().into()
}

fn rgb_8(numbers: &[f64]) -> DynamicImage {
    let pixels = numbers.iter().flat_map(|number| [(number * 255.0).round() as u8; 3]).collect();
    ImageBuffer::<Rgb<u8>, _>::from_vec(WIDTH, HEIGHT, pixels).unwrap().into()
}

fn read(folder: &TempDir, name: &str, picture: &DynamicImage, linear: bool) -> Scan {
    let path = folder.path().join(name);
    picture.save(&path).unwrap();
    Scan::read(&path, linear).unwrap()
}

fn patch(scan: &Scan, area: &Quad) -> PatchLight {
    PatchLight::new(&scan.quarters(area).unwrap()).unwrap()
}

fn densities(scan: &Scan) -> Vec<f64> {
    let reference =
        |area: &Quad, density| Reference { density: Density::new(density), light: patch(scan, area).middle };
    let scale = ScanScale::new(&[reference(&WHITE, 0.10), reference(&BLACK, 1.80)]).unwrap();
    let count = DENSITIES.len();
    let density = |i| scale.patch(&patch(scan, &ROW.part(i, count))).unwrap().density.value();
    (0..count).map(density).collect()
}

#[test]
fn densities_come_back_from_every_kind_of_scan() {
    let folder = TempDir::new().unwrap();
    for seed in 0..2 {
        let curved = render(seed, srgb);
        let straight = render(seed, |light| light);
        for (name, picture, linear) in [
            ("grey16.png", grey_16(&curved), false),
            ("grey16.tif", grey_16(&curved), false),
            ("rgb8.tiff", rgb_8(&curved), false),
            ("rgb8.png", rgb_8(&curved), false),
            ("rgb8.jpg", rgb_8(&curved), false),
            ("linear16.tif", grey_16(&straight), true),
        ] {
            let told = densities(&read(&folder, name, &picture, linear));
            for (told, known) in told.iter().zip(DENSITIES) {
                assert!((told - known).abs() < 0.02, "seed {seed}, {name}: {told} instead of {known}");
            }
        }
    }
}

#[test]
fn numbers_of_another_curve_are_refused() {
    let folder = TempDir::new().unwrap();
    let references = [
        Known { area: WHITE, density: Density::new(0.10) },
        Known { area: BLACK, density: Density::new(1.80) },
    ];
    let read = |numbers: &[f64], linear: bool| {
        let scan = read(&folder, "scan.tif", &grey_16(numbers), linear);
        scan.densities(&ROW, DENSITIES.len(), &references).err()
    };
    let (curved, straight) = (render(0, srgb), render(0, |light| light));
    assert_eq!((read(&curved, false), read(&straight, true)), (None, None));
    // The darkest patch was 0.59 too dense, and the scan accepted.
    assert_eq!(read(&straight, false), Some(RowError::References(ScanError::TooDarkInTheDark)));
    assert_eq!(read(&curved, true), Some(RowError::References(ScanError::TooLightInTheDark)));
}

#[test]
fn a_place_off_the_scan_or_too_small_is_refused() {
    let folder = TempDir::new().unwrap();
    let scan = read(&folder, "scan.png", &grey_16(&render(0, srgb)), false);
    let outside = Quad::between((10.0, 10.0), (901.0, 100.0));
    assert_eq!(scan.quarters(&outside), Err(PlaceError::Outside { width: 900, height: 300 }));
    let not_a_place = Quad::between((10.0, 10.0), (f64::NAN, 100.0));
    assert!(scan.quarters(&not_a_place).is_err());
    assert_eq!(
        scan.quarters(&ROW.part(0, 100)),
        Err(PlaceError::TooSmall { pixels: ROW.part(0, 100).width() })
    );
}

impl Quad {
    fn width(&self) -> f64 {
        let [a, b, ..] = self.0;
        (b.0 - a.0).hypot(b.1 - a.1)
    }
}

#[test]
fn a_patch_across_an_edge_is_uneven() {
    let folder = TempDir::new().unwrap();
    let scan = read(&folder, "scan.png", &grey_16(&render(0, srgb)), false);
    let white = Reference { density: Density::new(0.1), light: patch(&scan, &WHITE).middle };
    let scale = ScanScale::new(&[white]).unwrap();
    // Half a patch further along, the middle of each lies on an edge.
    let shifted = Quad(ROW.0.map(|(x, y)| (x + 40.0, y + 1.5)));
    let error = scale.patch(&patch(&scan, &shifted.part(4, 9))).unwrap_err();
    assert!(error.to_string().starts_with("is uneven by 0.2"), "{error}");
}

#[test]
fn what_is_no_scan_is_refused_with_its_name() {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("scan.png");
    let message = |path: &Path| match Scan::read(path, false) {
        Ok(_) => panic!("it was read"),
        Err(error) => error.to_string(),
    };
    assert!(message(&path).starts_with(&format!("{}: ", path.display())));
    std::fs::write(&path, b"\x89PNG\r\n\x1a\nno picture").unwrap();
    assert!(
        message(&path).ends_with("save the scan as PNG, TIFF or JPEG with 8 or 16 bit"),
        "{}",
        message(&path)
    );
    let floats = ImageBuffer::<Rgb<f32>, _>::from_pixel(20, 20, Rgb([0.5; 3]));
    let path = folder.path().join("scan.tiff");
    DynamicImage::from(floats).save(&path).unwrap();
    assert!(
        message(&path).contains("its pixels are Rgb32F; save the scan with 8 or 16 bit"),
        "{}",
        message(&path)
    );
}

/// A grey PNG that says it is so large, with no pixels in it.
fn png_of(width: u32, height: u32) -> Vec<u8> {
    let mut header = b"IHDR".to_vec();
    header.extend([width.to_be_bytes(), height.to_be_bytes()].concat());
    header.extend([16, 0, 0, 0, 0]);
    let mut png = b"\x89PNG\r\n\x1a\n".to_vec();
    for chunk in [&header[..], b"IDAT"] {
        png.extend((chunk.len() as u32 - 4).to_be_bytes());
        png.extend(chunk);
        png.extend(crc32(chunk).to_be_bytes());
    }
    png
}

/// The check of a PNG chunk (ISO/IEC 15948, annex D).
fn crc32(bytes: &[u8]) -> u32 {
    let bit = |crc: u32| if crc & 1 == 1 { 0xEDB8_8320 ^ (crc >> 1) } else { crc >> 1 };
    !bytes.iter().fold(u32::MAX, |crc, byte| (0..8).fold(crc ^ u32::from(*byte), |crc, _| bit(crc)))
}

#[test]
fn a_picture_that_says_it_is_huge_is_not_made_room_for() {
    let read = |width, height| {
        let bytes = std::io::Cursor::new(png_of(width, height));
        Scan::decode(bytes, Path::new("scan.png"), false).err().unwrap().to_string()
    };
    // 16 bit of 300 million pixels are 600 MB; a picture of less fails for want of its pixels.
    assert!(read(30_000, 10_000).contains("limit"), "{}", read(30_000, 10_000));
    assert!(!read(100, 100).contains("limit"), "{}", read(100, 100));
}

proptest! {
    #[test]
    fn corners_read_back(numbers in prop::collection::vec(-1e5f64..1e5, 8), d in 0.0f64..3.0) {
        let typed = |numbers: &[f64]| numbers.iter().map(f64::to_string).collect::<Vec<_>>().join(", ");
        let corner = |i: usize| (numbers[2 * i], numbers[2 * i + 1]);
        let all: Quad = typed(&numbers).parse().unwrap();
        prop_assert_eq!(all, Quad([corner(0), corner(1), corner(2), corner(3)]));
        let known: Known = format!("{}={d}", typed(&numbers[..4])).parse().unwrap();
        prop_assert_eq!(known, Known { area: Quad::between(corner(0), corner(1)), density: Density::new(d) });
        prop_assert!(typed(&numbers[..6]).parse::<Quad>().is_err());
    }
}
