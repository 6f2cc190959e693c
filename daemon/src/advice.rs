//! What the record advises: the next target of a recipe, from all that was judged.

use frameside_core::light::Response;
use frameside_core::quantity::{Dose, Stops, TargetDose};
use frameside_core::sensitometry::{
    Advice, Answer, Band, CharacteristicCurve, Correction, Density, Evidence, LeastDose, StripError,
    StripReading, Weighed, advise, read_densities, read_first_full,
};

use crate::ledger::{
    BorderTone, Facts, Judgement, LedgerError, PrintRow, Recipe, RecipeVersion, Record, StripRow, Verdict,
    WedgeRow,
};

/// Density per unit of log H where a recipe has no wedge: the middle tones of most
/// blue prints have 1 to 1.4 [common practice].
const USUAL_SLOPE: f64 = 1.2;
/// Tones of a bare border past full density [common practice].
const TURNED: [&str; 2] = ["grey", "bronze"];
const DAY_MS: f64 = 86_400_000.0;

/// Why there is no advice.
#[derive(Debug, thiserror::Error)]
pub enum NoAdvice {
    /// The record cannot be read.
    #[error(transparent)]
    Ledger(#[from] LedgerError),
    /// Nothing is known of it.
    #[error("there is no recipe '{name}'{}; 'frameside recipe add' describes one", known(.recipes))]
    NoRecipe {
        /// The one asked for.
        name: String,
        /// Those there are.
        recipes: Vec<String>,
    },
    /// Neither advised nor set.
    #[error(
        "{recipe} has no target under {source_name} yet; give one with --target, or make a strip: 'frameside advise' says which"
    )]
    NoTarget {
        /// The recipe.
        recipe: String,
        /// The source of light.
        source_name: String,
    },
    /// A print to repeat is still out.
    #[error("print {0} has not been brought in, so its dose is not known yet")]
    StillOut(String),
    /// A strip to repeat was not read.
    #[error("print {0} is a test strip; read it with 'frameside strip read {0} --first-full BAND'")]
    NotRead(String),
    /// A strip to repeat has no answer.
    #[error("strip {0} gave no answer and is to be extended; give --target")]
    NoAnswer(String),
    /// A print to repeat had no light.
    #[error("print {0} had no light, so there is no dose to repeat")]
    NoLight(String),
    /// A print to repeat counts otherwise, and its light is not known.
    #[error("not all the light of print {print} is in the record, so its dose is not known {}; give --target", counted(.response))]
    NotRecounted {
        /// The print.
        print: String,
        /// What it is to be counted as.
        response: Response,
    },
    /// A print to repeat was made under another source.
    #[error(
        "nothing says what a dose under {a} is under {b}; keep a factor with 'frameside source factor {a} {b} --paired PRINT PRINT --keep', or give --target"
    )]
    NoFactor {
        /// The source it was made under.
        a: String,
        /// The source it is to be repeated under.
        b: String,
    },
}

fn known(recipes: &[String]) -> String {
    if recipes.is_empty() { String::new() } else { format!("; the recipes are {}", recipes.join(", ")) }
}

/// How doses are counted, for people: the end of "a dose ...".
#[must_use]
pub fn counted(response: &Response) -> String {
    format!("at exponent {:.2}", response.exponent())
}

/// The same as a sentence; `None` where there is nothing to say.
#[must_use]
pub fn how_counted(response: &Response) -> Option<String> {
    let stronger = if response.exponent() < 1.0 { "less" } else { "more" };
    let (how, reference) = (counted(response), response.reference());
    (!response.is_plain()).then(|| {
        format!(
            "doses are counted {how}: light of {reference} counts as it is, stronger light counts for {stronger}"
        )
    })
}

/// The advice for a recipe under one source.
#[derive(Debug)]
pub struct RecipeAdvice {
    /// The recipe.
    pub recipe: String,
    /// The source.
    pub source: String,
    /// What the recipe answers to: all doses are counted so.
    pub response: Response,
    /// The target set by hand, if there is one.
    pub set: Option<TargetDose>,
    /// What the evidence says together.
    pub advice: Advice,
    /// What each piece says, in the order of `advice.weighed`.
    pub pieces: Vec<Piece>,
    /// How bare borders looked, by rising dose.
    pub borders: Vec<BorderTone>,
    /// What was judged and does not count, and why.
    pub left_out: Vec<String>,
    /// When the first of the pieces that lie to one side was made, since 1970.
    pub drift_since_ms: Option<i64>,
}

/// What one print, strip or wedge says.
#[derive(Debug, Clone, PartialEq)]
pub struct Piece {
    /// The print, or the wedge's name.
    pub name: String,
    /// `print`, `strip` or `wedge`.
    pub kind: &'static str,
    /// What it received; of strips and wedges, the least dose for full density.
    pub dose: Dose,
    /// What it should have had besides.
    pub off: Stops,
    /// The same as evidence.
    pub evidence: Evidence,
    /// The full density of a strip or wedge that was read with an instrument.
    pub plateau: Option<Density>,
}

impl RecipeAdvice {
    /// The target to use: the advised one, else the one set by hand, else what a strip or a
    /// wedge was read to ask for, however unsure.
    #[must_use]
    pub fn target(&self) -> Option<TargetDose> {
        match self.advice.answer {
            Answer::Found(target) => TargetDose::new(target.dose).ok(),
            Answer::NotEnough { best, .. } => {
                let was_measured = self.pieces.iter().any(|piece| piece.plateau.is_some());
                let guess = best.filter(|_| was_measured && !self.advice.contradictory);
                self.set.or_else(|| TargetDose::new(guess?.dose).ok())
            }
        }
    }

    /// Where a bare border was seen to have turned: more light than that adds
    /// nothing, or takes blue away.
    #[must_use]
    pub fn turned(&self) -> Option<&BorderTone> {
        self.borders.iter().find(|border| TURNED.contains(&border.tone.as_str()))
    }

    /// The pieces with what each counted for.
    pub fn weighed(&self) -> impl Iterator<Item = (&Piece, Weighed)> {
        self.pieces.iter().zip(self.advice.weighed.iter().copied())
    }
}

/// A recipe through its versions, and its wedges.
#[derive(Debug)]
pub struct History {
    versions: Vec<RecipeVersion>,
    wedges: Vec<WedgeRow>,
}

impl History {
    /// Reads it; empty for a recipe that is only text.
    ///
    /// # Errors
    /// [`LedgerError`] when the record cannot be read.
    pub fn of(record: &Record, recipe: &str) -> Result<Self, LedgerError> {
        Ok(Self { versions: record.recipe(recipe)?, wedges: record.wedges(recipe)? })
    }

    fn newest(&self) -> Recipe {
        self.versions.last().map(|version| version.recipe.clone()).unwrap_or_default()
    }

    /// The facts of a version. What was made while the recipe was only text counts
    /// to its first.
    #[must_use]
    pub fn facts(&self, version: Option<u32>) -> Facts {
        let version = version.unwrap_or(1);
        let found = self.versions.iter().find(|known| known.version == version);
        found.map(|known| known.recipe.facts.clone()).unwrap_or_default()
    }

    /// What the recipe answers to now.
    #[must_use]
    pub fn response(&self) -> Response {
        self.newest().facts.response()
    }

    /// The curve of the newest wedge made as a version was, under any source, with
    /// exposures as a response counts them: its shape is the same.
    #[must_use]
    pub fn curve(&self, version: Option<u32>, response: &Response) -> Option<CharacteristicCurve> {
        let facts = self.facts(version);
        let is_alike = |wedge: &&WedgeRow| self.facts(wedge.version).differing_in_dose(&facts).is_empty();
        self.wedges.iter().rev().filter(is_alike).find_map(|wedge| wedge.curve(response).ok())
    }
}

/// What the record advises for a recipe under a source at `now_ms` (since 1970).
///
/// # Errors
/// [`NoAdvice`] when the recipe is not known or the record cannot be read.
pub fn for_recipe(
    record: &Record,
    recipe: &str,
    source: &str,
    now_ms: i64,
) -> Result<RecipeAdvice, NoAdvice> {
    let history = History::of(record, recipe)?;
    if history.versions.is_empty() && !record.has_prints_of(recipe)? {
        let recipes = record.recipes()?.into_iter().map(|version| version.name).collect();
        return Err(NoAdvice::NoRecipe { name: recipe.escape_default().to_string(), recipes });
    }
    let response = history.response();
    let mut gathered = Gathered::new(&history, now_ms);
    for wedge in history.wedges.iter().filter(|wedge| wedge.source == source) {
        gathered.wedge(wedge);
    }
    for strip in record.strips(recipe)?.iter().filter(|strip| strip.source == source) {
        gathered.strip(strip);
    }
    for print in record.judged(recipe)?.iter().filter(|print| print.source == source) {
        if let Some(judgement) = record.judgements(print)?.pop() {
            match record.recounted(print, response)? {
                Some(print) => gathered.print(&print, &judgement),
                None => gathered.leave_out_unseen(&print.id),
            }
        }
    }
    let Gathered { pieces, left_out, newest, not_full_at, full_at, .. } = gathered;
    let set = newest.target(source);
    let evidence: Vec<Evidence> = pieces.iter().map(|piece| piece.evidence).collect();
    let mut advice =
        advise(&evidence, set.map(TargetDose::dose)).expect("pieces have doses above zero, errors and ages");
    if let Answer::NotEnough { strip, .. } = &mut advice.answer {
        *strip = strip.within(not_full_at, full_at);
    }
    let borders = borders(record, recipe, source, response)?;
    let (recipe, source) = (recipe.to_owned(), source.to_owned());
    let drift_since_ms = advice.drift.map(|drift| now_ms - (drift.age_days * DAY_MS).round() as i64);
    Ok(RecipeAdvice { recipe, source, response, set, advice, pieces, borders, left_out, drift_since_ms })
}

/// How bare borders looked, by rising dose as a response counts it.
fn borders(
    record: &Record,
    recipe: &str,
    source: &str,
    response: Response,
) -> Result<Vec<BorderTone>, LedgerError> {
    let mut borders = Vec::new();
    for border in record.border_tones(recipe, source)? {
        let Some(print) = record.recounted(&record.find(&border.print)?, response)? else { continue };
        let noted = print.events.iter().find(|event| event.seq == border.seq);
        borders.extend(noted.map(|event| BorderTone { dose: event.dose.best, ..border.clone() }));
    }
    borders.sort_by(|a, b| a.dose.j_m2().total_cmp(&b.dose.j_m2()));
    Ok(borders)
}

/// Evidence as it is found.
struct Gathered<'a> {
    history: &'a History,
    newest: Recipe,
    /// The curve of the newest version.
    curve: Option<CharacteristicCurve>,
    now_ms: i64,
    pieces: Vec<Piece>,
    left_out: Vec<String>,
    /// The most dose that a strip without an answer showed not to be full.
    not_full_at: Option<Dose>,
    /// The least that one showed to be full.
    full_at: Option<Dose>,
}

impl<'a> Gathered<'a> {
    fn new(history: &'a History, now_ms: i64) -> Self {
        let newest = history.versions.last().map(|version| version.version);
        let curve = history.curve(newest, &history.response());
        Self {
            history,
            newest: history.newest(),
            curve,
            now_ms,
            pieces: Vec::new(),
            left_out: Vec::new(),
            not_full_at: None,
            full_at: None,
        }
    }

    /// A strip without an answer still says on which side of it that lies.
    fn extend(&mut self, name: &str, doses: &[Dose], reading: StripReading) {
        self.left_out.push(format!("{name} is a strip to be extended"));
        match (reading, doses) {
            (StripReading::ExtendDown, [first, ..]) => {
                let least = self.full_at.filter(|dose| dose < first);
                self.full_at = least.or(Some(*first));
            }
            // The last band may be full, since none after it says that it is not.
            (StripReading::ExtendUp, [.., lighter, _]) => {
                let most = self.not_full_at.filter(|dose| dose > lighter);
                self.not_full_at = most.or(Some(*lighter));
            }
            _ => {}
        }
    }

    /// Whether something was made with another recipe in all but name; then that
    /// is told.
    fn leaves_out(&mut self, name: &str, version: Option<u32>) -> bool {
        let changed = self.history.facts(version).differing_in_dose(&self.newest.facts);
        if !changed.is_empty() {
            self.left_out.push(format!("{name} was made before {} changed", changed.join(" and ")));
        }
        !changed.is_empty()
    }

    fn leave_out_unseen(&mut self, name: &str) {
        let how = counted(&self.history.response());
        self.left_out
            .push(format!("not all the light of {name} is in the record, so its dose is not known {how}"));
    }

    fn age_days(&self, unix_ms: i64) -> f64 {
        ((self.now_ms - unix_ms) as f64 / DAY_MS).max(0.0)
    }

    fn wedge(&mut self, wedge: &WedgeRow) {
        let response = self.history.response();
        let Ok(curve) = wedge.curve(&response) else { return };
        if self.leaves_out(&wedge.name, wedge.version)
            || self.counts_otherwise("wedge", &wedge.name, wedge.version)
        {
            return;
        }
        let base = self.newest.facts.negative_base.unwrap_or(0.0);
        let least = curve.full_dose().through(Density::new(response.exponent() * base));
        let evidence = Evidence::of_strip(&least, self.age_days(wedge.unix_ms), true);
        self.pieces.push(Piece::of_least("wedge", &wedge.name, &least, evidence));
    }

    /// A strip of a table: its doses are those of its recipe's version.
    fn strip(&mut self, strip: &StripRow) {
        if self.leaves_out(&strip.name, strip.version)
            || self.counts_otherwise("strip", &strip.name, strip.version)
        {
            return;
        }
        match read_densities(&strip.bands) {
            Ok(StripReading::Found(least)) => {
                let evidence = Evidence::of_strip(&least, self.age_days(strip.unix_ms), true);
                self.pieces.push(Piece::of_least("strip", &strip.name, &least, evidence));
            }
            Ok(reading) => {
                let doses: Vec<Dose> = strip.bands.iter().map(|band| band.dose).collect();
                self.extend(&strip.name, &doses, reading);
            }
            Err(error) => self.left_out.push(format!("{}: {error}", strip.name)),
        }
    }

    /// Whether what was made elsewhere has a dose that is counted otherwise now; then
    /// that is told.
    fn counts_otherwise(&mut self, what: &str, name: &str, version: Option<u32>) -> bool {
        let response = self.history.response();
        let is_other = self.history.facts(version).response() != response;
        if is_other {
            let how = counted(&response);
            self.left_out.push(format!(
                "{what} {name} was kept before doses were counted {how}, and its light is not known"
            ));
        }
        is_other
    }

    fn print(&mut self, print: &PrintRow, judgement: &Judgement) {
        let Some(brought_in) = print.brought_in() else { return };
        if self.leaves_out(&print.id, print.recipe_version) {
            return;
        }
        let age_days = self.age_days(brought_in.unix_ms);
        match read_strip(print, &judgement.verdict) {
            Some(Ok(StripReading::Found(least))) => {
                let evidence = Evidence::of_strip(&least, age_days, judgement.is_final());
                self.pieces.push(Piece::of_least("strip", &print.id, &least, evidence));
            }
            Some(Ok(reading)) => self.extend(&print.id, &print.band_doses(), reading),
            Some(Err(error)) => self.left_out.push(format!("{}: {error}", print.id)),
            None => self.pieces.extend(self.corrected(print, judgement, age_days)),
        }
    }

    fn corrected(&self, print: &PrintRow, judgement: &Judgement, age_days: f64) -> Option<Piece> {
        let correction = correction(print, &judgement.verdict, self.curve.as_ref())?;
        let evidence = Evidence::of_print(&correction, age_days, judgement.is_final());
        let (dose, off) = (correction.printed, correction.stops);
        Some(Piece { name: print.id.clone(), kind: "print", dose, off, evidence, plateau: None })
    }
}

/// The target of a recipe under a source: advised, else set by hand.
///
/// # Errors
/// As [`for_recipe`], and [`NoAdvice::NoTarget`].
pub fn target(record: &Record, recipe: &str, source: &str, now_ms: i64) -> Result<TargetDose, NoAdvice> {
    let none = || NoAdvice::NoTarget { recipe: recipe.to_owned(), source_name: source.to_owned() };
    for_recipe(record, recipe, source, now_ms)?.target().ok_or_else(none)
}

/// The curve of a print's recipe, as it was made, with exposures as the print counts
/// them.
///
/// # Errors
/// [`LedgerError`] when the record cannot be read.
pub fn curve_of(record: &Record, print: &PrintRow) -> Result<Option<CharacteristicCurve>, LedgerError> {
    let Some(recipe) = &print.recipe else { return Ok(None) };
    Ok(History::of(record, recipe)?.curve(print.recipe_version, &print.response))
}

/// A print with its doses as its recipe counts them now; as it was counted, where not
/// all of its light is in the record.
///
/// # Errors
/// [`LedgerError`] when the record cannot be read.
pub fn as_counted_now(record: &Record, print: PrintRow) -> Result<PrintRow, LedgerError> {
    let Some(recipe) = &print.recipe else { return Ok(print) };
    let response = response_of(record, recipe)?;
    Ok(record.recounted(&print, response)?.unwrap_or(print))
}

/// What a recipe answers to now; plainly, if it is only text.
///
/// # Errors
/// [`LedgerError`] when the record cannot be read.
pub fn response_of(record: &Record, recipe: &str) -> Result<Response, LedgerError> {
    let newest = record.recipe(recipe)?.pop();
    Ok(newest.map_or(Response::PLAIN, |version| version.recipe.facts.response()))
}

impl Piece {
    fn of_least(kind: &'static str, name: &str, least: &LeastDose, evidence: Evidence) -> Self {
        let (dose, plateau) = (least.dose, least.plateau);
        Self { name: name.to_owned(), kind, dose, off: Stops::default(), evidence, plateau }
    }
}

/// Reads a test strip; `None` when the verdict is not one on a strip.
#[must_use]
pub fn read_strip(print: &PrintRow, verdict: &Verdict) -> Option<Result<StripReading, StripError>> {
    let doses = print.band_doses();
    match verdict {
        Verdict::FirstFull { band } => Some(read_first_full(&doses, *band)),
        Verdict::Bands { densities } => {
            let band = |(&dose, &density)| Band { dose, density };
            let bands: Vec<Band> = doses.iter().zip(densities).map(band).collect();
            Some(read_densities(&bands))
        }
        Verdict::Off { .. } | Verdict::Density { .. } => None,
    }
}

/// What a judged print should have had; `None` for strips and prints without a
/// dose.
#[must_use]
pub fn correction(
    print: &PrintRow,
    verdict: &Verdict,
    curve: Option<&CharacteristicCurve>,
) -> Option<Correction> {
    let brought_in = print.brought_in()?.dose;
    let printed = brought_in.best;
    let by_curve = |got, want| Correction::by_curve(printed, got, want, curve?).ok();
    let mut correction = match *verdict {
        Verdict::Off { stops } => Correction::by_eye(printed, stops),
        Verdict::Density { got, want } => {
            // A density in the light's way takes that much of log H times the exponent.
            let slope = USUAL_SLOPE / print.response.exponent();
            by_curve(got, want).or_else(|| Correction::by_slope(printed, got, want, slope))?
        }
        Verdict::Bands { .. } | Verdict::FirstFull { .. } => return None,
    };
    // Between its bounds a dose lies as likely here as there: two errors either way.
    let bounds = brought_in.high.stops_over(brought_in.low).value() / 4.0;
    correction.sigma =
        Stops::new(correction.sigma.value().hypot(if bounds.is_finite() { bounds } else { 1.0 }));
    (printed > Dose::ZERO).then_some(correction)
}
