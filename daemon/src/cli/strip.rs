//! `frameside strip`

use std::path::{Path, PathBuf};

use clap::{ArgGroup, Subcommand};
use frameside_core::exposure::{MOST_BANDS, Plan};
use frameside_core::quantity::{Dose, Stops, TargetDose};
use frameside_core::sensitometry::{Density, LeastDose, Lightness, StripReading};
use serde_json::{Value, json};

use super::judge::{parse_density, parse_lightness};
use super::show::judged;
use super::{Context, Failure, now_ms, out, out_json, recipe, table, wedge_scan};
use crate::advice;
use crate::ledger::{Judgement, PrintRow, RecipeVersion, StripRow, Verdict, one_line};
use crate::measured;
use crate::scan::{Known, Quad};

/// A test strip by dose.
///
/// Its bands rise by even stops, and each is covered when it has its dose, whatever the
/// clouds do.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  frameside strip plan --from 4kJ/m2 --bands 7 --step 1/2stop
  frameside strip read --csv strip.csv")]
pub(super) struct Args {
    #[command(subcommand)]
    verb: Verb,
}

#[derive(Debug, Subcommand)]
enum Verb {
    /// The dose of each band, and how to begin the strip
    Plan(PlanArgs),
    /// The least dose that gives full density
    ///
    /// Reads a strip of the record by what its bands show, or any other from a table.
    Read(Box<ReadArgs>),
}

#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  frameside strip plan --from 4kJ/m2 --bands 7 --step 1/2stop")]
struct PlanArgs {
    /// What the first band receives, such as 4kJ/m2
    #[arg(long, allow_hyphen_values = true, value_name = "DOSE")]
    from: TargetDose,
    /// How many bands, 2 to 24
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(2..=MOST_BANDS as i64))]
    bands: u16,
    /// From band to band, such as 1/2stop
    #[arg(long, value_name = "STOPS", allow_hyphen_values = true, value_parser = parse_step)]
    step: Stops,
}

fn parse_step(text: &str) -> Result<Stops, String> {
    match text.parse::<Stops>() {
        Ok(step) if step > Stops::new(0.0) => Ok(step),
        Ok(_) => Err("the step between bands must be above zero, such as 1/2stop".to_owned()),
        Err(error) => Err(error.to_string()),
    }
}

#[derive(Debug, clap::Args)]
#[command(group = ArgGroup::new("strip").required(true))]
#[command(after_help = "\
Examples:
  frameside strip read 2026-07-14-fir-1 --first-full 4 --dry --oxidised
  frameside strip read 2026-07-14-fir-1 \\
      --densities 0.62,0.84,1.06,1.24,1.34 --dry --oxidised
  frameside strip read 2026-07-14-fir-1 --scan strip.tif --patches 7 \\
      --row 120,340,2480,520 --reference 100,600,300,700=0.06 \\
      --reference 400,600,600,700=1.80
  frameside strip read --csv strip.csv
  frameside strip read --csv strip.csv --recipe citrate")]
struct ReadArgs {
    /// The strip, or the beginning of its name; a frame for its newest, 'last' for the newest of all
    #[arg(group = "strip", requires = "bands")]
    print: Option<String>,
    /// The density of each band, by rising dose
    #[arg(long, allow_hyphen_values = true, value_name = "D,D,...", group = "bands", value_delimiter = ',', value_parser = parse_density)]
    densities: Vec<f64>,
    /// The lightness L* of each band, by rising dose
    #[arg(long, allow_hyphen_values = true, value_name = "L,L,...", group = "bands", value_delimiter = ',', value_parser = parse_lightness)]
    lstar: Vec<f64>,
    /// A scan of the strip, as PNG, TIFF or JPEG: its bands as patches of a row
    #[arg(long, value_name = "IMAGE", group = "bands", requires_all = ["patches", "row", "references"])]
    scan: Option<PathBuf>,
    /// How many bands the row has
    #[arg(long, value_name = "N", requires = "scan", value_parser = clap::value_parser!(u16).range(1..=200))]
    patches: Option<u16>,
    /// Two opposite corners of the row, or all four in turn, from the band with the least dose along the row
    #[arg(long, value_name = "X,Y,...", requires = "scan", allow_hyphen_values = true)]
    row: Option<Quad>,
    /// A rectangle of known density on the scan, by two opposite corners; a light and a dark one
    #[arg(long = "reference", value_name = "X,Y,X,Y=D", requires = "scan")]
    references: Vec<Known>,
    /// The scan's numbers are linear light, as some scanners save 16 bit
    #[arg(long, requires = "scan")]
    linear: bool,
    /// The first band that is as dark as the next, counted from 1
    #[arg(long, value_name = "BAND", group = "bands")]
    first_full: Option<usize>,
    /// It is dry
    #[arg(long)]
    dry: bool,
    /// It is oxidised, by air or peroxide
    #[arg(long)]
    oxidised: bool,
    /// A table with dose_j_m2 or dose_kj_m2, and density or lstar, by rising dose
    #[arg(long, value_name = "FILE", group = "strip", conflicts_with_all = ["bands", "dry", "oxidised"])]
    csv: Option<PathBuf>,
    /// Keep the table's strip with this recipe, whose advice then rests on it
    #[arg(long, value_name = "R", requires = "csv", value_parser = one_line)]
    recipe: Option<String>,
    /// The source of light it was made under
    #[arg(long, requires = "recipe", default_value = frameside_core::source::SUN)]
    source: String,
}

pub(super) fn run(args: &Args, context: &Context) -> Result<(), Failure> {
    match &args.verb {
        Verb::Plan(args) => plan(args, context),
        Verb::Read(args) => match &args.csv {
            Some(csv) => read_csv(csv, args.recipe.as_deref(), &args.source, context),
            None => read_print(args, context),
        },
    }
}

fn plan(args: &PlanArgs, context: &Context) -> Result<(), Failure> {
    let strip = Plan::even_strip(args.from, usize::from(args.bands), args.step)
        .map_err(|error| Failure::Failed(error.to_string()))?;
    let expose = format!("frameside expose FRAME --recipe R --strip {}", typed_doses(&strip));
    if context.json {
        out_json(&json!({ "doses_j_m2": strip.doses(), "expose": expose }));
        return Ok(());
    }
    for (band, dose) in (1..).zip(strip.doses()) {
        let over = dose.dose().stops_over(args.from.dose());
        out(&format!("band {band}  {dose}  {over}\n"));
    }
    out(&format!("begin it with: {expose}\ncover the bands as they are called, band 1 first\n"));
    Ok(())
}

/// The doses of a strip as they are typed.
pub(super) fn typed_doses(strip: &Plan) -> String {
    let doses: Vec<String> = strip.doses().iter().map(|dose| typed(dose.dose())).collect();
    doses.join(",")
}

/// A dose as it is typed, to four digits: far within what a band can be read to.
fn typed(dose: Dose) -> String {
    let decimals = (3 - dose.kj_m2().log10().floor() as i32).clamp(0, 9) as usize;
    format!("{:.decimals$}kJ/m2", dose.kj_m2())
}

/// Reads a strip from a table, and keeps it with its recipe if there is one.
fn read_csv(csv: &Path, recipe: Option<&str>, source: &str, context: &Context) -> Result<(), Failure> {
    let recipe = match recipe {
        Some(name) => {
            context.known_source(source)?;
            Some(recipe::newest(&context.record()?.0, name)?)
        }
        None => None,
    };
    let (bands, reading) = table::read(csv, measured::strip)?;
    if let Some(RecipeVersion { name, version, .. }) = &recipe {
        let strip = StripRow {
            name: csv.file_stem().unwrap_or_default().to_string_lossy().into_owned(),
            version: Some(*version),
            source: source.to_owned(),
            unix_ms: now_ms(),
            bands,
        };
        context.notebook()?.keep_strip(name, &strip)?;
    }
    tell(&reading, context);
    if let Some(RecipeVersion { name, version, .. }) = recipe.filter(|_| !context.json) {
        out(&match reading {
            StripReading::Found(_) => {
                format!("kept with {name}, version {version}: 'frameside advise' rests on it\n")
            }
            _ => format!("kept with {name}, version {version}\n"),
        });
    }
    Ok(())
}

impl ReadArgs {
    fn verdict(&self) -> Result<Verdict, Failure> {
        if let (Some(image), Some(row), Some(patches)) = (&self.scan, &self.row, self.patches) {
            let patches = wedge_scan::densities(image, row, patches, &self.references, self.linear)?;
            let densities = patches.iter().map(|patch| patch.density).collect();
            return Ok(Verdict::Bands { densities });
        }
        if let Some(band) = self.first_full {
            return Ok(Verdict::FirstFull { band });
        }
        let from_lstar = self.lstar.iter().map(|&l| Density::from(Lightness::new(l)));
        let densities = self.densities.iter().map(|&density| Density::new(density));
        Ok(Verdict::Bands { densities: densities.chain(from_lstar).collect() })
    }
}

/// Reads a strip of the record, and keeps what it says.
fn read_print(args: &ReadArgs, context: &Context) -> Result<(), Failure> {
    let (record, _) = context.record()?;
    let print = record.find(args.print.as_deref().unwrap_or_default())?;
    let failed = |why: String| Failure::Failed(format!("print {} {why}", print.id));
    if !print.is_strip() {
        return Err(failed(format!("is no test strip; judge it with 'frameside judge {}'", print.id)));
    }
    if print.brought_in().is_none() {
        return Err(failed("is still out; bring it in first".to_owned()));
    }
    let print = advice::as_counted_now(&record, print.clone())?;
    let doses = print.band_doses();
    let verdict = args.verdict()?;
    if let Verdict::Bands { densities } = &verdict
        && densities.len() != doses.len()
    {
        let told: Vec<String> = doses.iter().map(ToString::to_string).collect();
        let why = format!(
            "has {} bands with a dose of their own ({}); give as many densities, not {}",
            doses.len(),
            told.join(", "),
            densities.len()
        );
        return Err(failed(why));
    }
    let reading = advice::read_strip(&print, &verdict)
        .expect("the verdict is one on a strip")
        .map_err(|error| Failure::Failed(format!("{}: {error}", print.id)))?;
    let judgement = Judgement { unix_ms: now_ms(), verdict, dry: args.dry, oxidised: args.oxidised };
    let earlier = record.judgements(&print)?.pop();
    context.notebook()?.keep_judgement(&print.id, &judgement)?;
    if context.json {
        let mut value = to_json(&reading);
        value["again"] = earlier.is_some().into();
        out_json(&value);
    } else {
        out(&for_people(&reading));
        if let Some(earlier) = earlier {
            out(&replaced(&print, &earlier, &reading, &judgement));
        }
        match &print.recipe {
            Some(_) if !matches!(reading, StripReading::Found(_)) => {}
            Some(recipe) => out(&format!("kept with {recipe}: 'frameside advise' rests on it\n")),
            None => out("it was made with no recipe, so no advice follows from it\n"),
        }
        if !judgement.is_final() {
            out("! read before it was dry and oxidised: read it again with --dry --oxidised\n");
        }
    }
    Ok(())
}

/// The newest reading counts, also where the one before it was the better one.
fn replaced(print: &PrintRow, earlier: &Judgement, reading: &StripReading, now: &Judgement) -> String {
    let had_answer = matches!(advice::read_strip(print, &earlier.verdict), Some(Ok(StripReading::Found(_))));
    let is_worse =
        had_answer && !matches!(reading, StripReading::Found(_)) || earlier.is_final() && !now.is_final();
    if is_worse {
        let said = judged(&earlier.verdict);
        format!("! this takes the place of a better reading ({said}); read it again if that was right\n")
    } else {
        "this takes the place of its earlier reading\n".to_owned()
    }
}

fn tell(reading: &StripReading, context: &Context) {
    if context.json {
        out_json(&to_json(reading));
    } else {
        out(&for_people(reading));
    }
}

fn to_json(reading: &StripReading) -> Value {
    let least = match reading {
        StripReading::Found(least) => Some(least),
        StripReading::ExtendUp | StripReading::ExtendDown => None,
    };
    let towards = match reading {
        StripReading::Found(_) => None,
        StripReading::ExtendUp => Some("more"),
        StripReading::ExtendDown => Some("less"),
    };
    json!({
        "answer": if least.is_some() { "found" } else { "extend" },
        "extend_to": towards,
        "least_dose_j_m2": least.map(|least| least.dose.j_m2()),
        "low_j_m2": least.map(|least| least.low.j_m2()),
        "high_j_m2": least.map(|least| least.high.j_m2()),
        "sigma_stops": least.map(|least| least.sigma),
        "plateau_density": least.and_then(|least| least.plateau),
    })
}

fn for_people(reading: &StripReading) -> String {
    match reading {
        StripReading::Found(LeastDose { dose, low, high, sigma, plateau }) => {
            let full = plateau.map(|density| format!(" of {density}")).unwrap_or_default();
            let sigma = sigma.value();
            format!(
                "full density{full} from {dose}: the band of {low} is still lighter, that of {high} is full\n\
                 take {dose} as the target through the clear film base; its standard error is {sigma:.1} stop\n"
            )
        }
        StripReading::ExtendUp => {
            "no answer: the last band is still getting darker; extend the strip to more dose\n".to_owned()
        }
        StripReading::ExtendDown => {
            "no answer: the first band is as dark as it gets; extend the strip to less dose\n".to_owned()
        }
    }
}
