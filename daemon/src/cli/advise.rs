//! `frameside advise`

use frameside_core::exposure::Plan;
use frameside_core::quantity::{Stops, TargetDose};
use frameside_core::sensitometry::{Answer, Drift, StripToMake, Target, Weighed};
use frameside_core::source::SUN;
use jiff::tz::TimeZone;
use serde_json::{Value, json};

use super::{Context, Failure, now_ms, out, out_json, strip};
use crate::advice::{self, Piece, RecipeAdvice};
use crate::ledger::BorderTone;
use crate::words;

/// The next target of a recipe, with its spread and what it rests on.
///
/// It is drawn from all judged prints, strips and wedges of the recipe under one source.
/// Each counts by how surely it was judged and how old it
/// is; one that is far off the others hardly pulls, and is named. The longer nothing was
/// judged, the wider the range. It says so when the newest all wanted more or less than
/// those before.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  frameside advise citrate
  frameside advise citrate --source box --json")]
pub(super) struct Args {
    /// The recipe
    recipe: String,
    /// The source of light
    #[arg(long, default_value = SUN)]
    source: String,
}

pub(super) fn run(args: &Args, context: &Context) -> Result<(), Failure> {
    let (record, zone) = context.record()?;
    let advice = advice::for_recipe(&record, &args.recipe, &args.source, now_ms())
        .map_err(|error| Failure::Failed(error.to_string()))?;
    if context.json {
        out_json(&to_json(&advice, &zone));
    } else {
        out(&for_people(&advice));
    }
    Ok(())
}

fn to_json(advice: &RecipeAdvice, zone: &TimeZone) -> Value {
    let evidence: Vec<Value> = advice.weighed().map(|(piece, weighed)| piece_json(piece, weighed)).collect();
    let (target, guess, strip) = match advice.advice.answer {
        Answer::Found(target) => (Some(target), None, None),
        Answer::NotEnough { best, strip } => (None, best, Some(strip)),
    };
    let strip = strip.map(
        |strip| json!({ "from_j_m2": strip.from.j_m2(), "bands": strip.bands, "step_stops": strip.step }),
    );
    let since = advice.drift_since_ms.map(|unix_ms| words::rfc3339(unix_ms, zone));
    let drift = advice.advice.drift.map(|drift| json!({ "stops": drift.stops, "since": since }));
    json!({
        "recipe": advice.recipe, "source": advice.source, "exponent": advice.response.exponent(),
        "reference_w_m2": (!advice.response.is_plain()).then(|| advice.response.reference().w_m2()),
        "answer": if target.is_some() { "found" } else { "not-enough" },
        "target_j_m2": target.map(|t| t.dose.j_m2()),
        "low_j_m2": target.map(|t| t.low.j_m2()),
        "high_j_m2": target.map(|t| t.high.j_m2()),
        "set_j_m2": advice.set, "set_by_hand_j_m2": advice.set,
        "drift": drift,
        "guess_j_m2": guess.map(|t| t.dose.j_m2()),
        "strip": strip,
        "contradictory": advice.advice.contradictory,
        "evidence": evidence,
        "borders": advice.borders.iter().map(border_json).collect::<Vec<_>>(),
        "left_out": advice.left_out,
    })
}

fn piece_json(piece: &Piece, weighed: Weighed) -> Value {
    json!({
        "print": piece.name, "kind": piece.kind, "dose_j_m2": piece.dose.j_m2(), "off_stops": piece.off,
        "says_j_m2": piece.evidence.target.j_m2(), "weight": weighed.weight,
        "from_target_stops": weighed.off, "outlier": weighed.outlier,
    })
}

fn border_json(border: &BorderTone) -> Value {
    json!({ "print": border.print, "tone": border.tone, "dose_j_m2": border.dose.j_m2() })
}

fn for_people(advice: &RecipeAdvice) -> String {
    let under = format!("{} under {}", advice.recipe, advice.source);
    let mut lines = match advice.advice.answer {
        Answer::Found(Target { dose, low, high }) => {
            let either_way = words::stops(high.stops_over(dose));
            vec![format!("{under}: aim at {dose} (between {low} and {high}, {either_way} either way)")]
        }
        Answer::NotEnough { best, strip } => not_enough(advice, &under, best, strip),
    };
    lines.extend(advice::how_counted(&advice.response));
    if let (Answer::NotEnough { .. }, Some(target)) = (advice.advice.answer, advice.target()) {
        let which = if advice.set.is_some() { "the target you set" } else { "that guess" };
        lines.push(format!("until then 'expose --recipe' takes {which}, {target}"));
    }
    if !advice.pieces.is_empty() {
        lines.push("it rests on".to_owned());
        lines.extend(advice.weighed().map(|(piece, weighed)| of_piece(piece, weighed)));
    }
    if let Some(Drift { stops, pieces, .. }) = advice.advice.drift {
        let wanted = if stops > Stops::new(0.0) {
            format!("{stops} more")
        } else {
            format!("{} less", words::stops(Stops::new(-stops.value())))
        };
        lines.push(format!("! your last {pieces} wanted {wanted} than before: paper, chemistry, sensor?"));
    }
    if advice.advice.contradictory {
        let perhaps = if advice.response.is_plain() {
            format!(
                "; 'frameside recipe exponent {}' tells whether it was the light's strength",
                advice.recipe
            )
        } else {
            String::new()
        };
        lines.push(format!(
            "! these contradict one another: something else than the dose was different between them{perhaps}"
        ));
    }
    if let Some(BorderTone { print, tone, dose, .. }) = advice.turned() {
        let past = advice.target().is_some_and(|target| target.dose() > *dose);
        let past = if past { "! the target lies past this: " } else { "" };
        lines.push(format!(
            "{past}the bare border of {print} had turned {tone} at {dose}; more light adds nothing or takes blue away"
        ));
    }
    lines.extend(advice.left_out.iter().map(|left_out| format!("left out: {left_out}")));
    lines.join("\n") + "\n"
}

fn of_piece(piece: &Piece, weighed: Weighed) -> String {
    let says = piece.evidence.target;
    let judged = match (piece.kind, piece.off.value()) {
        ("print", 0.0) => format!("good with {says}"),
        ("print", _) => format!("had {}, wanted {}: {says}", piece.dose, piece.off),
        _ => format!("full density from {says}"),
    };
    let finished = if piece.evidence.finished { "" } else { ", judged before it was dry and oxidised" };
    let outlier = if weighed.outlier {
        format!("  ! {} off the rest: something else was different about it", weighed.off)
    } else {
        String::new()
    };
    format!("  {:3.0} %  {} {}  {judged}{finished}{outlier}", 100.0 * weighed.weight, piece.kind, piece.name)
}

fn not_enough(advice: &RecipeAdvice, under: &str, best: Option<Target>, strip: StripToMake) -> Vec<String> {
    let guess = match best {
        Some(Target { dose, low, high }) => format!(": somewhere between {low} and {high}, perhaps {dose}"),
        None => ": nothing that counts was judged".to_owned(),
    };
    let mut lines = vec![
        format!("not enough yet for {under}{guess}"),
        format!("make a strip of {} bands from {}, {} each", strip.bands, strip.from, strip.step),
    ];
    let plan = TargetDose::new(strip.from)
        .ok()
        .and_then(|from| Plan::even_strip(from, strip.bands, strip.step).ok());
    if let Some(plan) = plan {
        let doses = strip::typed_doses(&plan);
        lines.push(format!("  frameside expose FRAME --recipe \"{}\" --strip {doses}", advice.recipe));
    }
    lines
}

#[cfg(test)]
mod tests {
    use frameside_core::light::Response;
    use frameside_core::quantity::Dose;
    use frameside_core::sensitometry::Evidence;

    use super::*;

    #[test]
    fn a_drift_is_said_with_when_it_began() {
        // Weekly prints of one dose; the newest three wanted 0.4 stop more.
        let piece = |(week, off): (u32, f64)| Piece {
            name: format!("print-{week}"),
            kind: "print",
            dose: Dose::from_j_m2(15_000.0),
            off: Stops::new(off),
            evidence: Evidence {
                target: Dose::from_j_m2(15_000.0).changed_by(Stops::new(off)),
                sigma: Stops::new(0.1),
                age_days: 7.0 * f64::from(week),
                finished: true,
            },
            plateau: None,
        };
        let pieces: Vec<Piece> = (0..9).map(|week| piece((week, if week < 3 { 0.4 } else { 0.0 }))).collect();
        let evidence: Vec<Evidence> = pieces.iter().map(|piece| piece.evidence).collect();
        let advice = RecipeAdvice {
            recipe: "citrate".to_owned(),
            source: SUN.to_owned(),
            response: Response::PLAIN,
            set: None,
            advice: frameside_core::sensitometry::advise(&evidence, None).unwrap(),
            pieces,
            borders: Vec::new(),
            left_out: Vec::new(),
            drift_since_ms: Some(1_784_017_269_000),
        };
        let told = to_json(&advice, &TimeZone::UTC);
        assert!((told["drift"]["stops"].as_f64().unwrap() - 0.4).abs() < 0.05, "{told}");
        assert_eq!(told["drift"]["since"], "2026-07-14T08:21:09+00:00");
        let said = for_people(&advice);
        assert!(
            said.contains("! your last 3 wanted +0.40 stops more than before: paper, chemistry, sensor?"),
            "{said}"
        );
    }
}
