//! `frameside wedge`

use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use clap::Subcommand;
use frameside_core::quantity::{Dose, TargetDose};
use frameside_core::sensitometry::{CharacteristicCurve, Density, NegativeFit, Tone, WedgeStep, tone_table};
use serde_json::{Value, json};

use super::recipe::{self, parse_name};
use super::table::Table;
use super::{Context, Failure, now_ms, out, out_json, wedge_scan};
use crate::advice::SUN;
use crate::charts::{self, Characteristic, Mark, WedgeCurve};
use crate::ledger::{RecipeVersion, WedgeRow};

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
  frameside wedge citrate.csv --dose 30kJ/m2 --increment 0.15 --first 0.05 --chart citrate.png
  frameside wedge citrate.csv --dose 30kJ/m2 --recipe citrate
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
    #[arg(long, value_name = "DOSE")]
    dose: Option<TargetDose>,
    /// The wedge's density from step to step, where the table does not tell it
    #[arg(long, value_name = "D", value_parser = parse_increment)]
    increment: Option<f64>,
    /// The wedge's density at the first row, with --increment
    #[arg(long, value_name = "D", value_parser = parse_density, default_value_t = 0.0, requires = "increment")]
    first: f64,
    /// Keep it with this recipe: advice for full density and densities rests on it
    #[arg(long, requires = "dose", value_parser = parse_name)]
    recipe: Option<String>,
    /// The source it was printed under
    #[arg(long, requires = "recipe", default_value = SUN, value_parser = parse_name)]
    source: String,
    /// The density range of your negative; the recipe's unless told
    #[arg(long, value_name = "D", value_parser = parse_range)]
    range: Option<f64>,
    /// The dose you print with now, through the negative's clear parts; the recipe's unless told
    #[arg(long, value_name = "DOSE", requires = "dose")]
    target: Option<TargetDose>,
    /// Write what negative density gives which tone, evenly spaced in L*, into a CSV file
    #[arg(long, value_name = "FILE.csv")]
    tones: Option<PathBuf>,
    /// Draw the curves into a file ending in .svg or .png
    #[arg(long, value_name = "FILE")]
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
    let recipe = match &args.recipe {
        Some(name) => Some(recipe::newest(&context.record()?.0, name)?),
        None => None,
    };
    let present = Present::new(args, recipe.as_ref());
    let read = |file: &PathBuf| Wedge::read(file, args, present);
    let wedges = args.files.iter().map(read).collect::<Result<Vec<_>, _>>()?;
    if let Some(recipe) = &recipe {
        keep(&wedges, recipe, &args.source, context)?;
    }
    if let Some(file) = &args.chart {
        let svg = charts::characteristic(&chart(&wedges));
        charts::save(file, &svg).map_err(|error| Failure::Failed(error.to_string()))?;
    }
    if let Some(file) = &args.tones {
        write_tones(file, &wedges)?;
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

/// Writes the correction of a negative for one wedge.
fn write_tones(file: &Path, wedges: &[Wedge]) -> Result<(), Failure> {
    /// In even steps of lightness.
    const ROWS: usize = 33;
    let [wedge] = wedges else {
        return Err(Failure::Failed("--tones takes one wedge; give one FILE".to_owned()));
    };
    let tones = tone_table(&wedge.curve, wedge.printed(), ROWS);
    if tones.is_empty() {
        let why = "prints nothing but paper white; give more dose with --target";
        return Err(Failure::Failed(format!("{} {why}", wedge.at(wedge.printed()))));
    }
    let row = |tone: &Tone| {
        format!("{:.3},{:.4},{:.4}\n", tone.lightness.value(), tone.print.value(), tone.negative.value())
    };
    let rows: String = tones.iter().map(row).collect();
    std::fs::write(file, format!("lstar,density,negative_density\n{rows}")).map_err(|error| {
        let fix = "choose a folder that you may write to";
        Failure::Failed(format!("cannot write {} ({error}); {fix}", file.display()))
    })
}

/// How prints are made now.
#[derive(Clone, Copy)]
struct Present {
    /// The density range of the negative.
    range: Option<f64>,
    /// The density of its clear parts.
    base: Density,
    /// The target dose, before the negative.
    target: Option<Dose>,
}

impl Present {
    fn new(args: &Args, recipe: Option<&RecipeVersion>) -> Self {
        let recipe = recipe.map(|version| &version.recipe);
        let facts = recipe.map(|recipe| &recipe.facts);
        let target = args.target.or_else(|| recipe?.target(&args.source));
        Self {
            range: args.range.or_else(|| facts?.negative_range),
            base: Density::new(facts.and_then(|facts| facts.negative_base).unwrap_or(0.0)),
            target: target.map(TargetDose::dose),
        }
    }
}

/// A printed wedge and its curve.
struct Wedge {
    name: String,
    /// What it received; `None` when that is not known and log H counts from it.
    dose: Option<Dose>,
    steps: Vec<WedgeStep>,
    curve: CharacteristicCurve,
    present: Present,
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

/// Reads a wedge's steps; a table without the wedge's own densities needs them
/// even.
fn steps(table: &Table, even: Option<(f64, f64)>) -> Result<Vec<WedgeStep>, Failure> {
    let prints = table.densities()?;
    let wedge = match (table.column("wedge_density"), even) {
        (Some(densities), None) => densities,
        (None, Some((first, increment))) => match table.column("step") {
            Some(steps) => steps.iter().map(|step| first + increment * (step - steps[0])).collect(),
            None => (0..prints.len()).map(|i| first + increment * i as f64).collect(),
        },
        (None, None) => {
            let why = "there is no column wedge_density; add it, or give --increment 0.15 --first 0.05";
            return Err(table.wrong(1, why));
        }
        (Some(_), Some(_)) => {
            return Err(table.wrong(1, "wedge_density is in the table already; leave --increment out"));
        }
    };
    let step = |(wedge, print)| WedgeStep { wedge: Density::new(wedge), print };
    Ok(wedge.into_iter().zip(prints).map(step).collect())
}

impl Wedge {
    fn read(file: &Path, args: &Args, present: Present) -> Result<Self, Failure> {
        let table = Table::read(file, &["step", "wedge_density", "density", "lstar", "spread"])?;
        let steps = steps(&table, args.increment.map(|increment| (args.first, increment)))?;
        let dose = args.dose.map(TargetDose::dose);
        let curve = CharacteristicCurve::new(dose.unwrap_or(UNKNOWN), &steps)
            .map_err(|error| table.wrong_row(error.step(), &error.to_string()))?;
        let name = file.file_stem().unwrap_or_default().to_string_lossy().into_owned();
        Ok(Self { name, dose, steps, curve, present })
    }

    /// What the paper gets through the negative's clear parts: of the dose in use,
    /// or the least for full density.
    fn printed(&self) -> Dose {
        let through_clear = |target: Dose| target * self.present.base.reflectance();
        self.present.target.map_or(self.curve.full_dose().dose, through_clear)
    }

    /// How the present negative suits the paper.
    fn fit(&self) -> NegativeFit {
        self.curve.negative_fit(self.present.range.unwrap_or(0.0), self.printed())
    }

    fn to_json(&self) -> Value {
        let key = self.curve.key();
        let full = self.curve.full_dose();
        // Doses follow from the dose it received alone.
        let known = |dose: Dose| self.dose.map(|_| dose.j_m2());
        let fit = self.fit();
        let turn_over = self.curve.turn_over().map(|over| {
            json!({
                "dose_j_m2": known(over.dose), "lost": over.lost,
                "shoulder_again_j_m2": over.shoulder_again.and_then(known),
            })
        });
        let point =
            |p: &frameside_core::sensitometry::CurvePoint| json!({ "log_h": p.log_h, "density": p.density });
        json!({
            "wedge": self.name,
            "dose_j_m2": self.dose.map(Dose::j_m2),
            "d_min": key.d_min, "d_max": key.d_max,
            "log_range": key.log_range(), "range_stops": key.range(), "iso_range": key.iso_range(),
            "log_toe": key.log_toe, "log_mid": key.log_mid, "log_shoulder": key.log_shoulder,
            "speed_dose_j_m2": known(key.speed_dose()),
            "full_dose_j_m2": known(full.dose), "full_low_j_m2": known(full.low), "full_high_j_m2": known(full.high),
            "turn_over": turn_over,
            "negative_must_span": fit.must_span,
            "negative_off": self.present.range.map(|_| fit.off),
            "target_shift_stops": self.present.target.map(|_| fit.target_shift),
            "points": self.curve.points().iter().map(point).collect::<Vec<_>>(),
        })
    }

    /// A place on the scale of exposure, as a printmaker says it.
    fn at(&self, dose: Dose) -> String {
        match self.dose {
            Some(_) => dose.to_string(),
            None => format!("wedge density {:.2}", -dose.kj_m2().log10()),
        }
    }

    fn for_people(&self) -> String {
        let key = self.curve.key();
        let full = self.curve.full_dose();
        let given = self.dose.map(|dose| format!(" under {dose}")).unwrap_or_default();
        let toe_and_shoulder = [key.log_toe, key.log_shoulder].map(|log| self.at(kj_of_log(log)));
        let mut text = format!("{}: {} steps{given}\n", self.name, self.curve.points().len());
        let _ = writeln!(text, "  paper white (Dmin) {}, darkest (Dmax) {}", key.d_min, key.d_max);
        let _ = writeln!(
            text,
            "  range {:.2}, {:.1} stops (ISO range {}), from {} to {}",
            key.log_range(),
            key.range().value(),
            key.iso_range(),
            toe_and_shoulder[0],
            toe_and_shoulder[1]
        );
        let _ = writeln!(text, "  speed point, 0.60 above paper white: {}", self.at(key.speed_dose()));
        let _ = writeln!(
            text,
            "  full density from {} (between {} and {})",
            self.at(full.dose),
            self.at(full.low),
            self.at(full.high)
        );
        let _ = writeln!(text, "  {}", self.turn_over());
        for sentence in self.advice() {
            let _ = writeln!(text, "  {sentence}");
        }
        text
    }

    fn turn_over(&self) -> String {
        let Some(over) = self.curve.turn_over() else {
            return "no turn-over: more light takes no blue away within this wedge".to_owned();
        };
        let peak = self.at(over.dose);
        let back = over.shoulder_again.map(|dose| format!(", back at its shoulder by {}", self.at(dose)));
        format!(
            "turns over past {peak}: {:.2} lost at the clearest step{}",
            over.lost,
            back.unwrap_or_default()
        )
    }

    /// What follows for the negative and the target.
    fn advice(&self) -> Vec<String> {
        let fit = self.fit();
        let printed = match self.present.target {
            Some(target) => format!("printed with {target}"),
            None => "printed for full density".to_owned(),
        };
        let mut said = vec![format!(
            "{printed}, the negative must span {:.2} from its clear parts to the first trace of tone",
            fit.must_span
        )];
        if let Some(range) = self.present.range {
            said.push(match fit.off {
                off if off > 0.05 => {
                    format!("yours spans {range:.2}, {off:.2} too much: its lights come out as bare paper")
                }
                off if off < -0.05 => {
                    format!("yours spans {range:.2}, {:.2} too little: its lights come out grey", -off)
                }
                _ => format!("yours spans {range:.2}, which suits it"),
            });
        }
        if let Some(target) = self.present.target {
            let full = self.curve.full_dose().through(self.present.base).dose;
            said.push(format!("target shift {}: from {target} to {full}", fit.target_shift));
        }
        said
    }

    fn drawn(&self, is_alone: bool) -> WedgeCurve {
        /// Enough for a smooth line.
        const PIECES: u32 = 240;
        let points = self.curve.points();
        let (from, to) = (points[0].log_h, points[points.len() - 1].log_h);
        let on_line = |i: u32| {
            let log_h = from + (to - from) * f64::from(i) / f64::from(PIECES);
            self.curve.density_at(log_h).map(|density| (log_h, density.value()))
        };
        WedgeCurve {
            label: self.name.clone(),
            line: (0..=PIECES).filter_map(on_line).collect(),
            steps: points.iter().map(|point| (point.log_h, point.density.value())).collect(),
            marks: if is_alone { self.marks() } else { Vec::new() },
        }
    }

    fn marks(&self) -> Vec<Mark> {
        let key = self.curve.key();
        let full = self.curve.full_dose().dose;
        let turn_over = self.curve.turn_over().map(|over| (over.dose.kj_m2().log10(), "turns over"));
        let marks = turn_over.into_iter().chain([
            (full.kj_m2().log10(), "full density"),
            (key.log_shoulder, "shoulder"),
            (key.log_mid, "speed point"),
            (key.log_toe, "toe"),
        ]);
        let mark = |(log_h, name): (f64, &str)| {
            let density = self.curve.density_at(log_h)?.value();
            Some(Mark { log_h, density, label: vec![name.to_owned(), self.at(kj_of_log(log_h))] })
        };
        marks.filter_map(mark).collect()
    }
}

/// Stands for a dose that is not known: log H then counts from the wedge's clear.
const UNKNOWN: Dose = Dose::from_j_m2(1000.0);

fn kj_of_log(log_h: f64) -> Dose {
    Dose::from_j_m2(1000.0 * 10f64.powf(log_h))
}

fn chart(wedges: &[Wedge]) -> Characteristic {
    let in_doses = wedges.iter().all(|wedge| wedge.dose.is_some());
    let sentence = |wedge: &Wedge| {
        let key = wedge.curve.key();
        let range = format!("range {:.2} ({:.1} stops)", key.log_range(), key.range().value());
        format!("{}: {} to {}, {range}", wedge.name, key.d_min, key.d_max)
    };
    Characteristic {
        title: if wedges.len() == 1 { "Characteristic curve" } else { "Characteristic curves" }.to_owned(),
        subtitle: wedges.iter().map(sentence).collect(),
        curves: wedges.iter().map(|wedge| wedge.drawn(wedges.len() == 1)).collect(),
        in_doses,
    }
}
