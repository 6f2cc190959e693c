//! The dose that repeats a print, also under another source of light.
//!
//! Doses are those under the glass, in true J/m²: another glass makes the same dose
//! take another time. Another source needs a factor, and whoever prints is told where
//! it comes from.

use frameside_core::light::Response;
use frameside_core::quantity::{Dose, TargetDose};
use frameside_core::sensitometry::StripReading;
use frameside_core::source::{Factor, factor_of_curves};
use jiff::tz::TimeZone;

use crate::advice::{NoAdvice, correction, counted, curve_of, read_strip};
use crate::ledger::{LedgerError, PrintRow, Record};
use crate::words;

/// A print repeated.
#[derive(Debug, Clone, PartialEq)]
pub struct Repeated {
    /// The dose to give.
    pub target: TargetDose,
    /// The source it is for.
    pub source: String,
    /// What its glass passed.
    pub glass: f64,
    /// How the dose comes about, one step after the other, for people.
    pub steps: Vec<String>,
}

/// The dose that repeats a print as a response counts it, put right by its judgement if
/// it has one, under a source; under its own if none is told. Of a strip, what its
/// reading says. Dates are told in `zone`.
///
/// # Errors
/// [`NoAdvice`] when there is no such print, it has no dose to repeat, or nothing says
/// what that is under the other source.
pub fn repeating(
    record: &Record,
    print: &str,
    source: Option<&str>,
    response: Response,
    zone: &TimeZone,
) -> Result<Repeated, NoAdvice> {
    let print = record.find(print)?;
    let as_it_was = print.dose_to_repeat().ok_or_else(|| NoAdvice::StillOut(print.id.clone()))?;
    let unknown = || NoAdvice::NotRecounted { print: print.id.clone(), response };
    let print = record.recounted(&print, response)?.ok_or_else(unknown)?;
    let (mut dose, mut steps) = if print.is_strip() {
        of_strip(record, &print)?
    } else {
        of_print(record, &print, as_it_was, response)?
    };
    let source = source.unwrap_or(&print.source).to_owned();
    if source != print.source {
        let (factor, from) = factor(record, &print, &source, zone)?;
        dose = Dose::from_j_m2(dose.j_m2() / factor.factor);
        steps.push(format!(
            "from {} to {source} by the factor {:.3}, from {from}: {dose}",
            print.source, factor.factor
        ));
        if !response.is_plain() {
            steps.push(
                "! that factor is one of plain doses: it holds where both lights are about as strong"
                    .to_owned(),
            );
        }
    }
    let target = TargetDose::new(dose).map_err(|_| NoAdvice::NoLight(print.id))?;
    Ok(Repeated { target, source, glass: print.glass, steps })
}

/// The dose of a print, put right by its judgement, and how it comes about.
fn of_print(
    record: &Record,
    print: &PrintRow,
    as_it_was: Dose,
    response: Response,
) -> Result<(Dose, Vec<String>), NoAdvice> {
    let mut steps = vec![format!("{} came in with {as_it_was}", print.id)];
    let mut dose = print.dose_to_repeat().unwrap_or(as_it_was);
    if dose != as_it_was {
        steps.push(format!("counted {}: {dose}", counted(&response)));
    }
    let judgement = record.judgements(print)?.pop();
    let curve = curve_of(record, print)?;
    let correction = judgement.and_then(|judgement| correction(print, &judgement.verdict, curve.as_ref()));
    if let Some(correction) = correction.filter(|correction| correction.stops.value() != 0.0) {
        dose = correction.next();
        steps.push(format!("put right by its judgement, {}: {dose}", correction.stops));
    }
    Ok((dose, steps))
}

/// The dose that a strip was read to ask for: what it came in with is that of its last
/// band alone.
fn of_strip(record: &Record, strip: &PrintRow) -> Result<(Dose, Vec<String>), NoAdvice> {
    let judgement = record.judgements(strip)?.pop();
    match judgement.and_then(|judgement| read_strip(strip, &judgement.verdict)) {
        Some(Ok(StripReading::Found(least))) => {
            let dose = least.dose;
            Ok((dose, vec![format!("strip {} was read: full density from {dose}", strip.id)]))
        }
        Some(Ok(StripReading::ExtendUp | StripReading::ExtendDown)) => {
            Err(NoAdvice::NoAnswer(strip.id.clone()))
        }
        Some(Err(_)) | None => Err(NoAdvice::NotRead(strip.id.clone())),
    }
}

/// The factor from a print's source to another, and where it comes from: one that was
/// kept, else the wedges of the print's recipe.
fn factor(
    record: &Record,
    print: &PrintRow,
    source: &str,
    zone: &TimeZone,
) -> Result<(Factor, String), NoAdvice> {
    if let Some(kept) = record.factor(&print.source, source)? {
        return Ok((kept.factor, format!("{}, kept on {}", kept.evidence, words::day(kept.unix_ms, zone))));
    }
    if let Some(recipe) = &print.recipe
        && let Some(factor) = of_wedges(record, recipe, &print.source, source)?
    {
        return Ok((factor, format!("step wedges of {recipe}")));
    }
    Err(NoAdvice::NoFactor { a: print.source.clone(), b: source.to_owned() })
}

/// The factor by the newest wedge of a recipe under each source, where it has them.
fn of_wedges(record: &Record, recipe: &str, a: &str, b: &str) -> Result<Option<Factor>, LedgerError> {
    let wedges = record.wedges(recipe)?;
    let newest = |source: &str| wedges.iter().rev().find(|wedge| wedge.source == source);
    let curve = |source: &str| newest(source)?.curve(&Response::PLAIN).ok();
    Ok(curve(a).zip(curve(b)).and_then(|(a, b)| factor_of_curves(&a, &b).ok()))
}
