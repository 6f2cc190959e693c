//! `frameside recipe`

use std::collections::BTreeMap;
use std::fmt::Write as _;

use clap::Subcommand;
use frameside_core::light::Response;
use frameside_core::quantity::{Dose, Irradiance, TargetDose};
use frameside_core::sensitometry::{EqualPrint, Reciprocity, fit_exponent};
use frameside_core::source::SUN;
use jiff::tz::TimeZone;
use serde_json::{Value, json};

use super::{Context, Failure, now_ms, out, out_json};
use crate::advice;
use crate::ledger::{Facts, Filter, Recipe, RecipeVersion, Record, one_line};
use crate::words;

/// What a print is made of.
///
/// Each change makes a new version; a print belongs to the version it was made with, and
/// advice rests on those made alike.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  frameside recipe add citrate --support \"cotton rag\" --target 15kJ/m2
  frameside recipe change citrate --support \"washi\" --target box=22kJ/m2
  frameside recipe list
  frameside recipe show citrate")]
pub(super) struct Args {
    #[command(subcommand)]
    verb: Verb,
}

#[derive(Debug, Subcommand)]
enum Verb {
    /// Describe a new recipe
    #[command(
        after_help = "Example:\n  frameside recipe add citrate --support \"cotton rag\" --target 15kJ/m2"
    )]
    Add(Told),
    /// Change what you name of a recipe; the rest stays
    #[command(after_help = "Example:\n  frameside recipe change citrate --support washi")]
    Change(Told),
    /// The recipes there are
    #[command(after_help = "Example:\n  frameside recipe list")]
    List,
    /// Whether it answers to dose alone, by its prints in strong and in weak light
    ///
    /// Where its judged prints say that it answers to the strength of the light too, the
    /// exponent is kept with the recipe and the doses of its next prints are counted at it:
    /// light of the reference counts as it is. It stays 1 unless the prints exclude that.
    #[command(after_help = "Example:\n  frameside recipe exponent citrate")]
    Exponent(Exponent),
    /// One recipe with its versions
    #[command(after_help = "Example:\n  frameside recipe show citrate")]
    Show(Named),
}

#[derive(Debug, clap::Args)]
struct Named {
    /// Its name
    #[arg(value_parser = one_line)]
    name: String,
}

#[derive(Debug, clap::Args)]
struct Exponent {
    #[command(flatten)]
    recipe: Named,
    /// The source of light
    #[arg(long, default_value = SUN)]
    source: String,
}

#[derive(Debug, clap::Args)]
struct Told {
    #[command(flatten)]
    recipe: Named,
    #[command(flatten)]
    facts: Facts,
    /// The target dose, such as 15kJ/m2; of another source than the sun, box=22kJ/m2
    #[arg(long = "target", allow_hyphen_values = true, value_name = "[SOURCE=]DOSE", value_parser = parse_target)]
    targets: Vec<(String, TargetDose)>,
}

impl Told {
    fn recipe(&self) -> Recipe {
        let targets = self.targets.iter().map(|(source, dose)| (source.clone(), dose.dose().j_m2()));
        Recipe { facts: self.facts.clone(), targets: targets.collect() }
    }

    fn check_sources(&self, context: &Context) -> Result<(), Failure> {
        self.targets.iter().try_for_each(|(source, _)| context.known_source(source))
    }

    /// An exponent alone does not say what it counts.
    fn check(&self, recipe: &Recipe) -> Result<(), Failure> {
        let exponent = self.facts.exponent.filter(|exponent| *exponent != 1.0);
        if exponent.is_none() || recipe.facts.reference.is_some() {
            return Ok(());
        }
        let name = &self.recipe.name;
        Err(Failure::Usage(format!(
            "--exponent needs the light in which a dose stays what it is: add --reference 30W/m2, or let 'frameside recipe exponent {name}' find both"
        )))
    }
}

fn parse_target(text: &str) -> Result<(String, TargetDose), String> {
    let (source, dose) = text.split_once('=').unwrap_or((SUN, text));
    let dose =
        dose.parse().map_err(|error: frameside_core::quantity::ParseQuantityError| error.to_string())?;
    Ok((one_line(source)?, dose))
}

pub(super) fn run(args: &Args, context: &Context) -> Result<(), Failure> {
    match &args.verb {
        Verb::Add(told) => add(told, context),
        Verb::Change(told) => change(told, context),
        Verb::List => list(context),
        Verb::Exponent(args) => exponent(args, context),
        Verb::Show(Named { name }) => show(name, context),
    }
}

fn add(told: &Told, context: &Context) -> Result<(), Failure> {
    let name = &told.recipe.name;
    told.check_sources(context)?;
    let (record, _) = context.record()?;
    if let Some(newest) = record.recipe(name)?.last() {
        let version = newest.version;
        return Err(Failure::Failed(format!(
            "there is a recipe {name} already (version {version}); 'frameside recipe change' makes a new version"
        )));
    }
    let recipe = told.recipe();
    told.check(&recipe)?;
    keep(name, &recipe, context)
}

fn change(told: &Told, context: &Context) -> Result<(), Failure> {
    let name = &told.recipe.name;
    told.check_sources(context)?;
    let (record, _) = context.record()?;
    let newest = newest(&record, name)?.recipe;
    let changed = newest.clone().changed_by(told.recipe());
    if changed == newest {
        return Err(Failure::Failed(format!(
            "{name} is so already; say what changes, such as --support washi"
        )));
    }
    told.check(&changed)?;
    keep(name, &changed, context)
}

/// The newest version of a recipe that was described.
pub(super) fn newest(record: &Record, name: &str) -> Result<RecipeVersion, Failure> {
    let found = record.recipe(name)?.pop();
    let names: Vec<String> = record.recipes()?.into_iter().map(|recipe| recipe.name).collect();
    found.ok_or_else(|| {
        let known = if names.is_empty() { "none yet".to_owned() } else { names.join(", ") };
        Failure::Failed(format!(
            "there is no recipe '{name}'; there is {known}; 'frameside recipe add' describes one"
        ))
    })
}

fn keep(name: &str, recipe: &Recipe, context: &Context) -> Result<(), Failure> {
    let version = context.notebook()?.keep_recipe(name, now_ms(), recipe)?;
    if context.json {
        out_json(&json!({ "recipe": name, "version": version }));
    } else {
        out(&format!("{name} is kept, version {version}\n"));
    }
    Ok(())
}

fn list(context: &Context) -> Result<(), Failure> {
    let (record, zone) = context.record()?;
    let recipes = record.recipes()?;
    if context.json {
        out_json(&recipes.iter().map(|recipe| to_json(recipe, &zone)).collect());
        return Ok(());
    }
    if recipes.is_empty() {
        out("no recipes yet; 'frameside recipe add NAME --target DOSE' describes one\n");
    }
    for recipe in &recipes {
        let targets = targets(&recipe.recipe);
        let targets = if targets.is_empty() { "no target set".to_owned() } else { targets.join(", ") };
        out(&format!("{}  version {}  {targets}\n", recipe.name, recipe.version));
    }
    Ok(())
}

fn show(name: &str, context: &Context) -> Result<(), Failure> {
    let (record, zone) = context.record()?;
    let newest = newest(&record, name)?;
    let versions = record.recipe(name)?;
    let prints = record.prints(&Filter { recipe: Some(name.to_owned()), ..Filter::default() })?.len();
    if context.json {
        let mut value = to_json(&newest, &zone);
        value["prints"] = prints.into();
        value["versions"] = versions.iter().map(|version| to_json(version, &zone)).collect();
        out_json(&value);
        return Ok(());
    }
    let mut text = format!("{name}, version {} of {}\n", newest.version, words::day(newest.unix_ms, &zone));
    for (fact, value) in newest.recipe.facts.listed() {
        if let Some(value) = value {
            let _ = writeln!(text, "  {fact:14}  {value}");
        }
    }
    for target in targets(&newest.recipe) {
        let _ = writeln!(text, "  {:14}  {target}", "target");
    }
    let _ = writeln!(text, "  {:14}  {prints}", "prints");
    for pair in versions.windows(2) {
        let changed = pair[1].recipe.facts.differing(&pair[0].recipe.facts);
        let changed = if changed.is_empty() { "targets".to_owned() } else { changed.join(", ") };
        let day = words::day(pair[1].unix_ms, &zone);
        let _ = writeln!(text, "version {} of {day} changed: {changed}", pair[1].version);
    }
    out(&text);
    Ok(())
}

fn exponent(args: &Exponent, context: &Context) -> Result<(), Failure> {
    let name = &args.recipe.name;
    let (record, _) = context.record()?;
    let failed = |error: String| Failure::Failed(format!("{name} under {}: {error}", args.source));
    let advice = advice::for_recipe(&record, name, &args.source, now_ms())
        .map_err(|error| Failure::Failed(error.to_string()))?;
    let mut prints = Vec::new();
    for piece in advice.pieces.iter().filter(|piece| piece.kind == "print") {
        let print = record.find(&piece.name)?;
        // A stop more is a stop more of the same light, however that is counted.
        if let Some((irradiance, dose)) = print.mean_irradiance().zip(print.plain_dose()) {
            prints.push(EqualPrint { irradiance, dose: dose.changed_by(piece.off) });
        }
    }
    let fit = fit_exponent(&prints).map_err(|error| failed(error.to_string()))?;
    let (exponent, reference) = (rounded(fit.exponent, 2), rounded(fit.reference.w_m2(), 1));
    let response = Response::new(exponent, Irradiance::from_w_m2(reference)).map_err(|error| {
        failed(format!("its prints fit {:.2}, but {error}; look at how they were judged", fit.fitted))
    })?;
    let version = keep_response(&record, name, response, context)?;
    if context.json {
        out_json(&json!({
            "recipe": name, "source": args.source, "exponent": response.exponent(), "fitted": fit.fitted,
            "low": fit.low, "high": fit.high, "prints": prints.len(), "version": version,
            "reference_w_m2": (!response.is_plain()).then(|| response.reference().w_m2()),
        }));
        return Ok(());
    }
    let Reciprocity { fitted, low, high, .. } = fit;
    let mut text = format!(
        "{name} under {}: {} prints fit an exponent of {fitted:.2} (between {low:.2} and {high:.2})\n",
        args.source,
        prints.len()
    );
    text += &match (advice::how_counted(&response), version) {
        (None, None) => "dose alone explains them: the exponent stays 1\n".to_owned(),
        (None, Some(version)) => {
            format!("dose alone explains them: the exponent is 1 again from version {version} on\n")
        }
        (Some(how), None) => format!("as it is kept already: {how}\n"),
        (Some(how), Some(version)) => {
            format!("the strength of the light matters too; from version {version} on {how}\n")
        }
    };
    if version.is_some() && !newest(&record, name)?.recipe.targets.is_empty() {
        text += "targets that you set stay as they are: look whether they still hold\n";
    }
    out(&text);
    Ok(())
}

fn rounded(value: f64, digits: i32) -> f64 {
    let unit = 10f64.powi(digits);
    (value * unit).round() / unit
}

/// Keeps what a recipe answers to, if that is new; gives the version.
fn keep_response(
    record: &Record,
    name: &str,
    response: Response,
    context: &Context,
) -> Result<Option<u32>, Failure> {
    // One that was only text so far is described by this alone.
    let mut recipe = record.recipe(name)?.pop().map(|version| version.recipe).unwrap_or_default();
    if recipe.facts.response() == response {
        return Ok(None);
    }
    recipe.facts.exponent = Some(response.exponent());
    recipe.facts.reference = (!response.is_plain()).then(|| response.reference().w_m2());
    Ok(Some(context.notebook()?.keep_recipe(name, now_ms(), &recipe)?))
}

fn targets(recipe: &Recipe) -> Vec<String> {
    let told = |(source, &j_m2): (&String, &f64)| format!("{} under {source}", Dose::from_j_m2(j_m2));
    recipe.targets.iter().map(told).collect()
}

fn to_json(version: &RecipeVersion, zone: &TimeZone) -> Value {
    let facts: BTreeMap<String, Option<String>> = version
        .recipe
        .facts
        .listed()
        .into_iter()
        .map(|(name, value)| (name.replace(' ', "_"), value))
        .collect();
    let mut value = json!({
        "recipe": version.name, "version": version.version,
        "at": words::rfc3339(version.unix_ms, zone), "targets_j_m2": version.recipe.targets,
    });
    if let (Some(fields), Value::Object(facts)) = (value.as_object_mut(), json!(facts)) {
        fields.extend(facts);
    }
    // Numbers stay numbers, with their unit in their name.
    value.as_object_mut().map(|fields| fields.remove("reference"));
    value["negative_range"] = json!(version.recipe.facts.negative_range);
    value["negative_base"] = json!(version.recipe.facts.negative_base);
    value["exponent"] = json!(version.recipe.facts.exponent);
    value["reference_w_m2"] = json!(version.recipe.facts.reference);
    value
}
