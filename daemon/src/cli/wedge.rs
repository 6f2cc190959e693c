//! `frameside wedge`

use std::path::{Path, PathBuf};

use clap::Subcommand;
use frameside_core::light::Response;
use frameside_core::quantity::TargetDose;
use frameside_core::sensitometry::{CharacteristicCurve, Density, Tone, tone_table};
use frameside_core::source::SUN;

use super::printed_wedge::{Present, UNKNOWN, Wedge, chart};
use super::recipe;
use super::{Context, Failure, now_ms, out, out_json, picture, refuse_to_overwrite, table, wedge_scan};
use crate::charts;
use crate::ledger::{Facts, RecipeVersion, WedgeRow, effects, one_line};
use crate::measured::{self, EvenWedge};

/// The characteristic curve of a step wedge printed on your coating: how light and how
/// dark it gets, what a negative must span, and the dose for full density.
///
/// FILE has a header and one row a step, from the clear end: wedge_density (or
/// --increment and --first), and density or lstar of the dry, oxidised print. L* gives a
/// visual density; a red-filter density of a blue print is higher: never mix them.
#[derive(Debug, clap::Args)]
#[command(args_conflicts_with_subcommands = true, subcommand_negates_reqs = true)]
#[command(after_help = "\
Examples:
  frameside wedge citrate.csv --dose 30kJ/m2
  frameside wedge citrate.csv --dose 30kJ/m2 --increment 0.15 --first 0.05
  frameside wedge citrate.csv --dose 30kJ/m2 --recipe citrate
  frameside wedge citrate.csv --dose 30kJ/m2 --chart citrate.png
  frameside wedge citrate.csv --dose 30kJ/m2 --range 1.4 --target 15kJ/m2
  frameside wedge citrate.csv --dose 30kJ/m2 --tones correction.csv
  frameside wedge may.csv june.csv --dose 30kJ/m2 --chart both.svg")]
pub(super) struct Args {
    #[command(subcommand)]
    verb: Option<Verb>,
    /// Tables of printed wedges; several are compared
    #[arg(required = true, value_name = "FILE")]
    files: Vec<PathBuf>,
    /// What bare paper beside the wedge received, such as 30kJ/m2
    #[arg(long, allow_hyphen_values = true, value_name = "DOSE")]
    dose: Option<TargetDose>,
    /// The wedge's density from step to step, where the table does not tell it
    #[arg(long, allow_hyphen_values = true, value_name = "D", value_parser = parse_increment)]
    increment: Option<f64>,
    /// The wedge's density at the first row, with --increment
    #[arg(long, allow_hyphen_values = true, value_name = "D", value_parser = parse_density, default_value_t = 0.0, requires = "increment")]
    first: f64,
    /// Keep it with this recipe: advice for full density and densities rests on it
    #[arg(long, requires = "dose", value_parser = one_line)]
    recipe: Option<String>,
    /// The source it was printed under
    #[arg(long, requires = "recipe", default_value = SUN, value_parser = one_line)]
    source: String,
    /// The density range of your negative; the recipe's unless told
    #[arg(long, allow_hyphen_values = true, value_name = "D", value_parser = parse_range)]
    range: Option<f64>,
    /// The dose you print with now, through the negative's clear parts; the recipe's unless told
    #[arg(long, allow_hyphen_values = true, value_name = "DOSE", requires = "dose")]
    target: Option<TargetDose>,
    /// Write what negative density gives which tone, evenly spaced in L*, into a CSV file
    #[arg(long, value_name = "FILE.csv")]
    tones: Option<PathBuf>,
    /// Draw the curves into a file ending in .svg, .png or .pdf; with --tones, draw that correction
    #[arg(long, value_name = "FILE", value_parser = picture())]
    chart: Option<PathBuf>,
}

#[derive(Debug, Subcommand)]
enum Verb {
    #[command(about = "The densities of a wedge from a flat-bed scan")]
    Scan(wedge_scan::Args),
}

fn parse_within(text: &str, least: f64, most: f64) -> Result<f64, String> {
    match text.parse() {
        Ok(number) if (least..=most).contains(&number) => Ok(number),
        _ => Err(format!(
            "'{text}' is not a density here; write a number from {least} to {most}, such as 0.15"
        )),
    }
}

fn parse_increment(text: &str) -> Result<f64, String> {
    parse_within(text, 0.01, 1.0)
}

fn parse_density(text: &str) -> Result<f64, String> {
    parse_within(text, 0.0, 4.0)
}

fn parse_range(text: &str) -> Result<f64, String> {
    parse_within(text, 0.1, 5.0)
}

pub(super) fn run(args: &Args, context: &Context) -> Result<(), Failure> {
    if let Some(Verb::Scan(args)) = &args.verb {
        return wedge_scan::run(args, context);
    }
    let read_from: Vec<&Path> = args.files.iter().map(PathBuf::as_path).collect();
    refuse_to_overwrite(&read_from, &[args.tones.as_deref(), args.chart.as_deref()])?;
    let recipe = match &args.recipe {
        Some(name) => {
            context.known_source(&args.source)?;
            Some(recipe::newest(&context.record()?.0, name)?)
        }
        None => None,
    };
    let present = args.present(recipe.as_ref());
    let read_one = |file: &PathBuf| read(file, args, present);
    let wedges = args.files.iter().map(read_one).collect::<Result<Vec<_>, _>>()?;
    let svg = match &args.tones {
        Some(file) => write_tones(file, &wedges)?,
        None => charts::characteristic(&chart(&wedges)),
    };
    if let Some(file) = &args.chart {
        charts::save(file, &svg).map_err(|error| Failure::Failed(error.to_string()))?;
    }
    if let Some(recipe) = &recipe {
        keep(&wedges, recipe, &args.source, context)?;
    }
    if context.json {
        match &wedges[..] {
            [one] => out_json(&one.to_json()),
            several => out_json(&several.iter().map(Wedge::to_json).collect()),
        }
        return Ok(());
    }
    let told: Vec<String> = wedges.iter().map(Wedge::for_people).collect();
    out(&told.join("\n"));
    if let Some(RecipeVersion { name, version, .. }) = &recipe {
        out(&format!("kept with {name}, version {version}: 'frameside advise' rests on it\n"));
    }
    for (done, file) in [("drawn", &args.chart), ("written", &args.tones)] {
        if let Some(file) = file {
            out(&format!("{done}: {}\n", file.display()));
        }
    }
    Ok(())
}

/// Writes the correction of a negative for one wedge, and gives its drawing.
fn write_tones(file: &Path, wedges: &[Wedge]) -> Result<String, Failure> {
    /// In even steps of lightness.
    const ROWS: usize = 33;
    let [wedge] = wedges else {
        return Err(Failure::Failed("--tones takes one wedge; give one FILE".to_owned()));
    };
    let tones = tone_table(&wedge.curve, wedge.printed(), ROWS);
    if tones.is_empty() {
        let why = "prints nothing but paper white; give more dose with --target";
        return Err(Failure::Failed(format!("{} {why}", wedge.at(wedge.by_dose(wedge.printed())))));
    }
    let row = |tone: &Tone| {
        format!("{:.3},{:.4},{:.4}\n", tone.lightness.value(), tone.print.value(), tone.negative.value())
    };
    let rows: String = tones.iter().map(row).collect();
    std::fs::write(file, format!("lstar,density,negative_density\n{rows}")).map_err(|error| {
        let fix = "choose a folder that you may write to";
        Failure::Failed(format!("cannot write {} ({error}); {fix}", file.display()))
    })?;
    Ok(charts::correction(&wedge.correction(&tones)))
}

impl Args {
    /// How prints are made now, by what was told and what the recipe says.
    fn present(&self, recipe: Option<&RecipeVersion>) -> Present {
        let recipe = recipe.map(|version| &version.recipe);
        let facts = recipe.map(|recipe| &recipe.facts);
        let target = self.target.or_else(|| recipe?.target(&self.source));
        Present {
            range: self.range.or_else(|| facts?.negative_range),
            base: Density::new(facts.and_then(|facts| facts.negative_base).unwrap_or(0.0)),
            target: target.map(TargetDose::dose),
            response: facts.map_or(Response::PLAIN, Facts::response),
        }
    }
}

/// Keeps wedges with their recipe.
fn keep(wedges: &[Wedge], recipe: &RecipeVersion, source: &str, context: &Context) -> Result<(), Failure> {
    let mut notebook = context.notebook()?;
    for wedge in wedges {
        let row = WedgeRow {
            name: wedge.name.clone(),
            version: Some(recipe.version),
            source: source.to_owned(),
            unix_ms: now_ms(),
            dose: wedge.dose.unwrap_or(UNKNOWN),
            steps: wedge.steps.clone(),
        };
        notebook.keep_wedge(&recipe.name, &row)?;
    }
    Ok(())
}

fn read(file: &Path, args: &Args, present: Present) -> Result<Wedge, Failure> {
    let dose = args.dose.map(TargetDose::dose);
    let given = dose.unwrap_or(UNKNOWN);
    let even = args.increment.map(|increment| EvenWedge { first: args.first, increment });
    let (steps, curve) = table::read(file, |bytes| measured::wedge(bytes, even, given))?;
    // Without its dose there are places on the wedge only.
    let response = if dose.is_some() { present.response } else { Response::PLAIN };
    let present = Present { response, ..present };
    let effect = CharacteristicCurve::new(given, &effects(&steps, &present.response))
        .map_err(|error| Failure::Failed(format!("{}: {error}", file.display())))?;
    let name = file.file_stem().unwrap_or_default().to_string_lossy().into_owned();
    Ok(Wedge { name, dose, steps, curve, effect, present })
}
