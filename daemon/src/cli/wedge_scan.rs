//! `frameside wedge scan`

use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use frameside_core::sensitometry::{PatchDensity, ScanError};
use serde_json::{Value, json};

use super::{Context, Failure, out, out_json, refuse_to_overwrite};
use crate::scan::{Known, Quad, RowError, Scan};

/// The densities of the patches of a wedge on a flat-bed scan, by references on the same
/// sheet. Give places in pixels, as any picture viewer shows them.
///
/// A scanner is no densitometer: switch its automatic corrections off, lay the paper's
/// white and something dark of known density beside the wedge, and scan a print that was
/// measured once to see by how much it errs. Its colour is not that of a density filter.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  frameside wedge scan wedge.tif --patches 21 --out wedge.csv \\
      --row 120,340,2480,366,2478,520,118,494 \\
      --reference 100,600,300,700=0.06 --reference 400,600,600,700=1.80
  frameside wedge wedge.csv --dose 30kJ/m2 --increment 0.15 --first 0.05")]
pub(super) struct Args {
    /// The scan, as PNG, TIFF or JPEG
    image: PathBuf,
    /// How many patches the row has
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=200))]
    patches: u16,
    /// Two opposite corners of the row of patches, or all four in turn, from the clear end's outer corner along the row
    #[arg(long, value_name = "X,Y,...", allow_hyphen_values = true)]
    row: Quad,
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

pub(super) fn run(args: &Args, context: &Context) -> Result<(), Failure> {
    refuse_to_overwrite(&[&args.image], &[args.out.as_deref()])?;
    let patches = densities(&args.image, &args.row, args.patches, &args.references, args.linear)?;
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

/// The densities of the patches of a row on a scan.
pub(super) fn densities(
    image: &Path,
    row: &Quad,
    patches: u16,
    references: &[Known],
    linear: bool,
) -> Result<Vec<PatchDensity>, Failure> {
    let scan = Scan::read(image, linear).map_err(|error| Failure::Failed(error.to_string()))?;
    scan.densities(row, patches.into(), references).map_err(|error| {
        let fix = other_reading(&error, linear);
        Failure::Failed(format!("{}: {error}{fix}", image.display()))
    })
}

/// The other way to read the numbers, where the references say that this one is wrong.
fn other_reading(error: &RowError, linear: bool) -> &'static str {
    match (error, linear) {
        (RowError::References(ScanError::TooDarkInTheDark), false) => "; read it again with --linear",
        (RowError::References(ScanError::TooLightInTheDark), true) => "; read it again without --linear",
        (RowError::References(ScanError::TooDarkInTheDark | ScanError::TooLightInTheDark), _) => {
            ", or the scanner's automatic corrections are on"
        }
        _ => "",
    }
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
