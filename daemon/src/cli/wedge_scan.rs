//! `frameside wedge scan`

use std::fmt::Write as _;
use std::path::PathBuf;
use std::str::FromStr;

use frameside_core::sensitometry::{Density, PatchDensity, PatchLight, Reference, ScanScale};
use serde_json::{Value, json};

use super::{Context, Failure, out, out_json};
use crate::scan::{Pixel, Quad, Scan};

/// The densities of the patches of a wedge on a flat-bed scan, by references on the same
/// sheet. Give places in pixels, as any picture viewer shows them.
///
/// A scanner is no densitometer: switch its automatic corrections off, lay the paper's
/// white and something dark of known density beside the wedge, and scan a print that was
/// measured once to see by how much it errs. Its colour is not that of a density filter.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  frameside wedge scan wedge.tif --patches 21 --row 120,340,2480,366,2478,520,118,494 \\
      --reference 100,600,300,700=0.06 --reference 400,600,600,700=1.80 --out wedge.csv
  frameside wedge wedge.csv --dose 30kJ/m2 --increment 0.15 --first 0.05")]
pub(super) struct Args {
    /// The scan, as PNG, TIFF or JPEG
    image: PathBuf,
    /// How many patches the row has
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=200))]
    patches: u16,
    /// Two opposite corners of the row of patches, or all four in turn, from the clear end's outer corner along the row
    #[arg(long, value_name = "X,Y,...", allow_hyphen_values = true)]
    row: Corners,
    /// A rectangle of known density, by two opposite corners; a light and a dark one tell stray light too
    #[arg(long = "reference", value_name = "X,Y,X,Y=D", required = true)]
    references: Vec<Known>,
    /// Its numbers are linear light, as some scanners save 16 bit
    #[arg(long)]
    linear: bool,
    /// Write the table for 'frameside wedge'
    #[arg(long, value_name = "FILE.csv")]
    out: Option<PathBuf>,
}

/// Corners of an area on the scan.
#[derive(Debug, Clone, Copy)]
struct Corners(Quad);

impl FromStr for Corners {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let wrong =
            || format!("'{text}' are no corners; write X,Y,X,Y or all four as X,Y,X,Y,X,Y,X,Y in pixels");
        let numbers: Vec<f64> = text
            .split(',')
            .map(|number| number.trim().parse())
            .collect::<Result<_, _>>()
            .map_err(|_| wrong())?;
        let corner = |i: usize| -> Pixel { (numbers[2 * i], numbers[2 * i + 1]) };
        match numbers.len() {
            4 => Ok(Self(Quad::between(corner(0), corner(1)))),
            8 => Ok(Self(Quad([corner(0), corner(1), corner(2), corner(3)]))),
            _ => Err(wrong()),
        }
    }
}

/// An area of known density.
#[derive(Debug, Clone, Copy)]
struct Known {
    area: Quad,
    density: Density,
}

impl FromStr for Known {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let wrong = || format!("'{text}' is no reference; write it like 100,600,300,700=0.06");
        let (corners, density) = text.split_once('=').ok_or_else(wrong)?;
        let density = Density::new(density.trim().parse().map_err(|_| wrong())?);
        if !density.is_plausible() {
            return Err(wrong());
        }
        Ok(Self { area: corners.parse::<Corners>()?.0, density })
    }
}

pub(super) fn run(args: &Args, context: &Context) -> Result<(), Failure> {
    let scan = Scan::read(&args.image, args.linear).map_err(|error| Failure::Failed(error.to_string()))?;
    let patches = densities(&scan, args)?;
    if let Some(file) = &args.out {
        std::fs::write(file, table(&patches)).map_err(|error| {
            Failure::Failed(format!(
                "cannot write {} ({error}); choose a folder that you may write to",
                file.display()
            ))
        })?;
    }
    if context.json {
        out_json(&to_json(&patches));
    } else {
        out(&for_people(&patches, args));
    }
    Ok(())
}

fn densities(scan: &Scan, args: &Args) -> Result<Vec<PatchDensity>, Failure> {
    let failed = |what: &str, number: usize, why: String| {
        Failure::Failed(format!("{}: {what} {number} {why}", args.image.display()))
    };
    let light = |what: &str, number: usize, area: &Quad| {
        let quarters = scan.quarters(area).map_err(|error| failed(what, number, error.to_string()))?;
        PatchLight::new(&quarters).map_err(|error| failed(what, number, error.to_string()))
    };
    let mut references = Vec::new();
    let mut lights = Vec::new();
    for (number, known) in (1..).zip(&args.references) {
        let light = light("reference", number, &known.area)?;
        references.push(Reference { density: known.density, light: light.middle });
        lights.push(light);
    }
    let scale = ScanScale::new(&references)
        .map_err(|error| Failure::Failed(format!("{}: {error}", args.image.display())))?;
    for (number, light) in (1..).zip(&lights) {
        scale.patch(light).map_err(|error| failed("reference", number, error.to_string()))?;
    }
    let count = usize::from(args.patches);
    let density = |i: usize| {
        let light = light("patch", i + 1, &args.row.0.part(i, count))?;
        scale.patch(&light).map_err(|error| failed("patch", i + 1, error.to_string()))
    };
    (0..count).map(density).collect()
}

fn table(patches: &[PatchDensity]) -> String {
    let row = |(step, patch): (u32, &PatchDensity)| {
        format!("{step},{:.4},{:.4}\n", patch.density.value(), patch.spread)
    };
    let rows: String = (1..).zip(patches).map(row).collect();
    format!("step,density,spread\n{rows}")
}

fn to_json(patches: &[PatchDensity]) -> Value {
    let patch = |(step, patch): (u32, &PatchDensity)| json!({ "step": step, "density": patch.density, "spread": patch.spread });
    json!({ "patches": (1..).zip(patches).map(patch).collect::<Vec<_>>() })
}

fn for_people(patches: &[PatchDensity], args: &Args) -> String {
    let mut text = String::new();
    for (step, patch) in (1..).zip(patches) {
        let _ = writeln!(text, "step {step:2}  {} ± {:.2}", patch.density, patch.spread);
    }
    if args.references.len() == 1 {
        text.push_str("! of one reference alone, stray light makes the dark patches look too light; give a dark one too\n");
    }
    text.push_str("a scanner is no densitometer: check it against a print that was measured\n");
    if let Some(file) = &args.out {
        let _ = writeln!(
            text,
            "written: {0}; next: frameside wedge {0} --increment D --first D --dose DOSE",
            file.display()
        );
    }
    text
}
