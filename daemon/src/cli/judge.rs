//! `frameside judge`

use clap::ArgGroup;
use frameside_core::quantity::Stops;
use frameside_core::sensitometry::{Correction, Density, Lightness};
use serde_json::json;

use super::show::judged;
use super::{Context, Failure, now_ms, out, out_json};
use crate::advice::{self, History};
use crate::judging;
use crate::ledger::{Judgement, PrintRow, Record, Verdict};

/// What the print itself says: the next target follows from it.
///
/// Until it is dry and oxidised it looks lighter than it will be, and counts for less. The
/// newest judgement of a print counts.
#[derive(Debug, clap::Args)]
#[command(group = ArgGroup::new("verdict").required(true))]
#[command(after_help = "\
Examples:
  frameside judge 2026-07-14-oak-1 --good --dry --oxidised
  frameside judge 2026-07-14-oak-1 --off +1/3stop --dry --oxidised
  frameside judge 2026-07-14-oak-1 --density 0.55 --want 0.40 --dry --oxidised
The second came out a third of a stop too light.")]
pub(super) struct Args {
    /// The print, or the beginning of its name; a frame for its newest, 'last' for the newest of all
    print: String,
    /// It is as it should be
    #[arg(long, group = "verdict")]
    good: bool,
    /// What it should have had besides: +1/3stop when it is that much too light, -1/2stop when too dark
    #[arg(long, value_name = "STOPS", group = "verdict", allow_hyphen_values = true, value_parser = judging::parse_off)]
    off: Option<Stops>,
    /// The density of a patch; --want is what it should be
    #[arg(long, allow_hyphen_values = true, value_name = "D", group = "verdict", requires = "want", value_parser = parse_density)]
    density: Option<f64>,
    /// The lightness L* of a patch; --want is what it should be
    #[arg(long, allow_hyphen_values = true, value_name = "L", group = "verdict", requires = "want", value_parser = parse_lightness)]
    lstar: Option<f64>,
    /// The density or L* that was wanted there
    #[arg(long, allow_hyphen_values = true, value_name = "D or L", conflicts_with_all = ["good", "off"])]
    want: Option<f64>,
    /// It is dry
    #[arg(long)]
    dry: bool,
    /// It is oxidised, by air or peroxide
    #[arg(long)]
    oxidised: bool,
}

pub(super) fn parse_density(text: &str) -> Result<f64, String> {
    match text.parse() {
        Ok(density) if Density::new(density).is_plausible() => Ok(density),
        _ => Err(format!("'{text}' is not a density of a print; write it like 0.55")),
    }
}

pub(super) fn parse_lightness(text: &str) -> Result<f64, String> {
    match text.parse() {
        Ok(lightness) if (Lightness::DARKEST_PRINT..=100.0).contains(&lightness) => Ok(lightness),
        Ok(lightness) if (0.0..Lightness::DARKEST_PRINT).contains(&lightness) => Err(format!(
            "'{text}' is darker than any print, and looks like a density; L* goes to 100 for white"
        )),
        _ => Err(format!("'{text}' is not a lightness; L* goes from 0 for black to 100")),
    }
}

impl Args {
    fn verdict(&self) -> Result<Verdict, Failure> {
        let of = |density: f64| Density::new(density);
        let of_lightness = |l: f64| Density::from(Lightness::new(l));
        let refused = |why: String| Failure::Failed(format!("--want: {why}"));
        match (self.density, self.lstar, self.want) {
            (Some(got), _, Some(want)) => {
                parse_density(&want.to_string()).map_err(refused)?;
                Ok(Verdict::Density { got: of(got), want: of(want) })
            }
            (_, Some(got), Some(want)) => {
                parse_lightness(&want.to_string()).map_err(refused)?;
                Ok(Verdict::Density { got: of_lightness(got), want: of_lightness(want) })
            }
            _ => Ok(Verdict::Off { stops: self.off.unwrap_or_default() }),
        }
    }
}

pub(super) fn run(args: &Args, context: &Context) -> Result<(), Failure> {
    let (record, _) = context.record()?;
    let print = record.find(&args.print)?;
    let verdict = args.verdict()?;
    let print = advice::as_counted_now(&record, print)?;
    let correction =
        judging::weigh(&record, &print, &verdict).map_err(|error| Failure::Failed(error.to_string()))?;
    let judgement = Judgement { unix_ms: now_ms(), verdict, dry: args.dry, oxidised: args.oxidised };
    let earlier = record.judgements(&print)?.pop();
    let took_back = earlier.as_ref().filter(|earlier| {
        let before = judging::weigh(&record, &print, &earlier.verdict);
        earlier.is_final() && before.is_ok_and(|before| is_another(before.stops, correction.stops))
    });
    context.notebook()?.keep_judgement(&print.id, &judgement)?;
    let changed = changed_since(&record, &print, &correction)?;
    let again = earlier.as_ref().map(|earlier| took_back.map(|_| judged(&earlier.verdict)));
    tell(context, &print, &judgement, &correction, again, changed.as_ref());
    Ok(())
}

/// Whether two judgements differ by more than any eye does.
fn is_another(one: Stops, other: Stops) -> bool {
    const HALF_A_STOP: f64 = 0.5;
    (one.value() - other.value()).abs() > HALF_A_STOP
}

/// An earlier judged print of the recipe, and what is not the same with it.
struct Changed {
    since: String,
    what: Vec<String>,
    /// How that one was judged, where nothing changed and it was judged otherwise.
    contradicts: Option<String>,
}

fn changed_since(
    record: &Record,
    print: &PrintRow,
    correction: &Correction,
) -> Result<Option<Changed>, Failure> {
    let Some(recipe) = &print.recipe else { return Ok(None) };
    let prints = record.judged(recipe)?;
    let earlier = prints.iter().take_while(|other| other.id != print.id).filter(|other| !other.is_strip());
    let Some(other) = earlier.last() else { return Ok(None) };
    let what = differences(record, recipe, other, print)?;
    let verdict = record.judgements(other)?.pop().map(|judgement| judgement.verdict);
    let curve = advice::curve_of(record, other)?;
    let contradicts = verdict.filter(|verdict| {
        let before = advice::correction(other, verdict, curve.as_ref());
        what.is_empty() && before.is_some_and(|before| is_another(before.stops, correction.stops))
    });
    let contradicts = contradicts.map(|verdict| judged(&verdict));
    Ok(Some(Changed { since: other.id.clone(), what, contradicts }))
}

fn differences(
    record: &Record,
    recipe: &str,
    earlier: &PrintRow,
    later: &PrintRow,
) -> Result<Vec<String>, Failure> {
    /// Less is seen by nobody.
    const SAME_DOSE: f64 = 0.05;
    let history = History::of(record, recipe)?;
    let facts = |print: &PrintRow| history.facts(print.recipe_version);
    let mut changed = facts(later).differing(&facts(earlier));
    let stops = later.plain_dose().zip(earlier.plain_dose()).map(|(a, b)| a.stops_over(b).value());
    let others = [
        ("dose", stops.is_some_and(|stops| stops.abs() > SAME_DOSE)),
        ("negative", later.negative != earlier.negative),
        ("source", later.source != earlier.source),
    ];
    changed.extend(others.into_iter().filter(|(_, changed)| *changed).map(|(name, _)| name));
    changed.dedup();
    Ok(changed.into_iter().map(str::to_owned).collect())
}

fn tell(
    context: &Context,
    print: &PrintRow,
    judgement: &Judgement,
    correction: &Correction,
    again: Option<Option<String>>,
    changed: Option<&Changed>,
) {
    let (off, next) = (correction.stops, correction.next());
    if context.json {
        out_json(&json!({
            "print": print.id, "dose_j_m2": correction.printed.j_m2(), "off_stops": off,
            "next_j_m2": next.j_m2(), "exponent": print.response.exponent(), "final": judgement.is_final(), "again": again.is_some(),
            "took_back": again.flatten(), "contradicts": changed.and_then(|changed| changed.contradicts.as_ref()),
            "since": changed.map(|changed| &changed.since), "changed": changed.map(|changed| &changed.what),
        }));
        return;
    }
    out(&format!("{} with {}: {}\n", print.id, correction.printed, judging::sentence(correction)));
    if let Some(how) = advice::how_counted(&print.response) {
        out(&(how + "\n"));
    }
    if print.recipe.is_none() {
        out("it was made with no recipe, so no advice follows from it; --like repeats it put right\n");
    }
    match again {
        Some(Some(said)) => out(&format!(
            "! this contradicts its earlier judgement ({said}) and takes its place; judge it again if that was right\n"
        )),
        Some(None) => out("this takes the place of its earlier judgement\n"),
        None => {}
    }
    if let Some(remark) = judging::too_early(judgement) {
        out(&format!("! {remark}\n"));
    }
    if let Some(Changed { since, contradicts: Some(said), .. }) = changed {
        out(&format!(
            "! {since} had the same dose, recipe, negative and source, and was judged otherwise ({said}): look at both again, side by side and dry\n"
        ));
    }
    if let Some(Changed { since, what, .. }) = changed.filter(|changed| changed.what.len() > 1) {
        out(&format!(
            "since {since} more than one thing changed ({}): this pair alone does not say which of them did it\n",
            what.join(", ")
        ));
    }
}
