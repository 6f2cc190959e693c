//! What can be asked of a running rig: the same over the control socket and
//! over the broker.
//!
//! One JSON object: `{"do": "expose", "frame": "oak", "target": "15kJ/m2"}`.
//! Doses are written as people type them. Unknown fields are refused.

use std::fmt;

use frameside_core::quantity::{ParseQuantityError, Stops, TargetDose};
use jiff::civil::Date;
use serde_json::{Map, Value, json};

use crate::judging;

/// A request.
#[derive(Debug, Clone, PartialEq)]
pub enum Request {
    /// What is on the rig.
    Status,
    /// The newest prints of its record.
    Prints {
        /// Only those of this recipe.
        recipe: Option<String>,
        /// Only those begun on this day of the rig's zone or later.
        since: Option<Date>,
        /// Only those that wait to be judged.
        unjudged: bool,
    },
    /// Begin a print.
    Expose(Expose),
    /// The cover goes on.
    Cover {
        /// Which frame.
        frame: String,
    },
    /// The cover comes off.
    Uncover {
        /// Which frame.
        frame: String,
    },
    /// The exposure ends.
    BringIn {
        /// Which frame.
        frame: String,
    },
    /// Acknowledge a call; without a frame, every one.
    Hush {
        /// Which frame.
        frame: Option<String>,
    },
    /// A new target.
    Retarget {
        /// Which frame.
        frame: String,
        /// The new target.
        target: TargetDose,
    },
    /// A note on a print.
    Note {
        /// The print, as [`crate::ledger::Record::find`] takes it.
        print: String,
        /// What is noted.
        note: Note,
    },
    /// What a print itself says, by eye.
    Judge {
        /// The print, as [`crate::ledger::Record::find`] takes it.
        print: String,
        /// What it should have had besides; zero for a good print.
        off: Stops,
        /// Whether it is dry.
        dry: bool,
        /// Whether it is oxidised.
        oxidised: bool,
    },
}

/// What was asked, in a few words for the log.
impl fmt::Display for Request {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Status => f.write_str("status"),
            Self::Prints { .. } => f.write_str("prints"),
            Self::Expose(Expose { frame, aim, .. }) => write!(f, "expose {} {aim}", brief(frame)),
            Self::Cover { frame } => write!(f, "cover {}", brief(frame)),
            Self::Uncover { frame } => write!(f, "uncover {}", brief(frame)),
            Self::BringIn { frame } => write!(f, "bring in {}", brief(frame)),
            Self::Hush { frame: None } => f.write_str("hush"),
            Self::Hush { frame: Some(frame) } => write!(f, "hush {}", brief(frame)),
            Self::Retarget { frame, target } => write!(f, "retarget {} to {}", brief(frame), target.dose()),
            Self::Note { print, .. } => write!(f, "note on {}", brief(print)),
            Self::Judge { print, .. } => write!(f, "judge {}", brief(print)),
        }
    }
}

/// What is noted of a print.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Note {
    /// The note.
    pub text: String,
    /// How the bare border looks, one of [`TONES`].
    pub tone: Option<String>,
    /// A step of the work after the exposure, one of [`STEPS`].
    pub step: Option<String>,
    /// How long that took, in seconds.
    pub seconds: Option<f64>,
}

/// A print to begin.
#[derive(Debug, Clone, PartialEq)]
pub struct Expose {
    /// Which frame.
    pub frame: String,
    /// What it is to receive.
    pub aim: Aim,
    /// The recipe, as text.
    pub recipe: Option<String>,
    /// The negative, as text.
    pub negative: Option<String>,
    /// The source of light; the sun unless told.
    pub source: Option<String>,
    /// A note.
    pub note: Option<String>,
    /// Whether it starts under its cover.
    pub covered: bool,
}

/// What a print is to receive.
#[derive(Debug, Clone, PartialEq)]
pub enum Aim {
    /// A dose.
    Target(TargetDose),
    /// The dose an earlier print was brought in with, put right by its judgement.
    Like(String),
    /// The bands of a test strip.
    Strip(Vec<TargetDose>),
    /// The target of its recipe, advised or set.
    Recipe,
}

impl fmt::Display for Aim {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Target(target) => write!(f, "to {}", target.dose()),
            Self::Like(print) => write!(f, "like {}", brief(print)),
            Self::Strip(bands) => write!(f, "as a strip of {} bands", bands.len()),
            Self::Recipe => f.write_str("to the target of its recipe"),
        }
    }
}

/// The answer to what is not done.
#[must_use]
pub(crate) fn refusal(error: &str) -> Value {
    json!({ "ok": false, "error": error })
}

/// How the bare border of a print may look.
pub const TONES: [&str; 5] = ["yellow-green", "green", "blue", "grey", "bronze"];

/// What is done with a print once it is in.
pub const STEPS: [&str; 3] = ["rinse", "oxidise", "dry"];

/// A step does not take longer than a month, in seconds.
const LONGEST_STEP_S: f64 = 30.0 * 86_400.0;
/// Longest name of a recipe, negative or source, in bytes.
const LONGEST_NAME: usize = 200;
/// Longest note, in bytes.
const LONGEST_NOTE: usize = 4000;

/// Why a request was not understood. The message says what would be.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum RequestError {
    /// Not a JSON object.
    #[error("a request is one JSON object such as {{\"do\":\"status\"}}: {0}")]
    NotJson(String),
    /// No verb, or one that is not known.
    #[error(
        "'{0}' cannot be done; what can: status, prints, expose, cover, uncover, bring-in, hush, retarget, note, judge"
    )]
    Verb(String),
    /// A field is missing.
    #[error("'{verb}' needs \"{field}\"")]
    Missing {
        /// What was to be done.
        verb: String,
        /// What was not told.
        field: &'static str,
    },
    /// A field that the verb does not know.
    #[error("'{verb}' does not take \"{field}\"")]
    Unknown {
        /// What was to be done.
        verb: String,
        /// The field.
        field: String,
    },
    /// A field of the wrong kind or size.
    #[error("\"{field}\" {why}")]
    Field {
        /// The field.
        field: &'static str,
        /// What is wrong with it.
        why: String,
    },
}

/// What somebody wrote, fit for an error of one line.
fn brief(text: &str) -> String {
    text.chars().take(40).flat_map(char::escape_default).collect()
}

impl Request {
    /// Reads a request from a line of JSON.
    ///
    /// # Errors
    /// [`RequestError`], with what would be understood.
    pub fn from_json(line: &[u8]) -> Result<Self, RequestError> {
        Self::from_fields(Self::fields(line)?)
    }

    /// The fields of a JSON object.
    ///
    /// # Errors
    /// [`RequestError::NotJson`]
    pub(crate) fn fields(json: &[u8]) -> Result<Map<String, Value>, RequestError> {
        let value = serde_json::from_slice(json).map_err(|error| RequestError::NotJson(error.to_string()))?;
        match value {
            Value::Object(fields) => Ok(fields),
            _ => Err(RequestError::NotJson("this is not an object".to_owned())),
        }
    }

    /// Reads a request from the fields of an object.
    ///
    /// # Errors
    /// As [`Self::from_json`].
    pub fn from_fields(fields: Map<String, Value>) -> Result<Self, RequestError> {
        let mut fields = Fields::new(fields)?;
        let request = match fields.verb.as_str() {
            "status" => Self::Status,
            "prints" => Self::Prints {
                recipe: fields.text("recipe", LONGEST_NAME)?,
                since: fields.day("since")?,
                unjudged: fields.flag("unjudged")?,
            },
            "expose" => Self::Expose(Expose {
                frame: fields.name("frame")?,
                aim: fields.aim()?,
                recipe: fields.text("recipe", LONGEST_NAME)?,
                negative: fields.text("negative", LONGEST_NAME)?,
                source: fields.text("source", LONGEST_NAME)?,
                note: fields.text("note", LONGEST_NOTE)?,
                covered: fields.flag("covered")?,
            }),
            "cover" => Self::Cover { frame: fields.name("frame")? },
            "uncover" => Self::Uncover { frame: fields.name("frame")? },
            "bring-in" => Self::BringIn { frame: fields.name("frame")? },
            "hush" => Self::Hush { frame: fields.text("frame", LONGEST_NAME)? },
            "retarget" => {
                let target = fields.dose("target")?.ok_or_else(|| fields.missing("target"))?;
                Self::Retarget { frame: fields.name("frame")?, target }
            }
            "note" => Self::Note {
                print: fields.name("print")?,
                note: Note {
                    text: fields.text("text", LONGEST_NOTE)?.ok_or_else(|| fields.missing("text"))?,
                    tone: fields.one_of("tone", &TONES)?,
                    step: fields.one_of("step", &STEPS)?,
                    seconds: fields.seconds()?,
                },
            },
            "judge" => Self::Judge {
                print: fields.name("print")?,
                off: fields.off()?,
                dry: fields.flag("dry")?,
                oxidised: fields.flag("oxidised")?,
            },
            other => return Err(RequestError::Verb(brief(other))),
        };
        fields.nothing_left()?;
        Ok(request)
    }

    /// The request as a line of JSON, without its end.
    #[must_use]
    pub fn to_json(&self) -> String {
        self.to_value().to_string()
    }

    /// The request as a JSON object.
    #[must_use]
    pub fn to_value(&self) -> Value {
        match self {
            Self::Status => json!({ "do": "status" }),
            Self::Prints { recipe, since, unjudged } => {
                let since = since.map(|day| day.to_string());
                json!({ "do": "prints", "recipe": recipe, "since": since, "unjudged": unjudged })
            }
            Self::Expose(expose) => expose.to_value(),
            Self::Cover { frame } => json!({ "do": "cover", "frame": frame }),
            Self::Uncover { frame } => json!({ "do": "uncover", "frame": frame }),
            Self::BringIn { frame } => json!({ "do": "bring-in", "frame": frame }),
            Self::Hush { frame } => json!({ "do": "hush", "frame": frame }),
            Self::Retarget { frame, target } => {
                json!({ "do": "retarget", "frame": frame, "target": exact(*target) })
            }
            Self::Note { print, note: Note { text, tone, step, seconds } } => json!({
                "do": "note", "print": print, "text": text, "tone": tone, "step": step, "seconds": seconds,
            }),
            Self::Judge { print, off, dry, oxidised } => json!({
                "do": "judge", "print": print, "off": format!("{}stop", off.value()),
                "dry": dry, "oxidised": oxidised,
            }),
        }
    }

    /// Its word for `do`.
    #[must_use]
    pub const fn verb(&self) -> &'static str {
        match self {
            Self::Status => "status",
            Self::Prints { .. } => "prints",
            Self::Expose(_) => "expose",
            Self::Cover { .. } => "cover",
            Self::Uncover { .. } => "uncover",
            Self::BringIn { .. } => "bring-in",
            Self::Hush { .. } => "hush",
            Self::Retarget { .. } => "retarget",
            Self::Note { .. } => "note",
            Self::Judge { .. } => "judge",
        }
    }

    /// Whether it changes nothing.
    #[must_use]
    pub fn only_asks(&self) -> bool {
        matches!(self, Self::Status | Self::Prints { .. })
    }
}

impl Expose {
    fn to_value(&self) -> Value {
        let mut value = json!({
            "do": "expose", "frame": self.frame, "recipe": self.recipe, "negative": self.negative,
            "source": self.source, "note": self.note, "covered": self.covered,
        });
        match &self.aim {
            Aim::Target(target) => value["target"] = exact(*target).into(),
            Aim::Like(print) => value["like"] = print.as_str().into(),
            Aim::Strip(doses) => value["strip"] = doses.iter().map(|d| exact(*d)).collect(),
            Aim::Recipe => {}
        }
        value
    }
}

/// A dose in writing that loses no digit.
fn exact(dose: TargetDose) -> String {
    format!("{}J/m2", dose.dose().j_m2())
}

/// The fields of a request that have not been taken yet.
struct Fields {
    verb: String,
    left: Map<String, Value>,
}

impl Fields {
    fn new(mut left: Map<String, Value>) -> Result<Self, RequestError> {
        let verb = match left.remove("do") {
            Some(Value::String(verb)) => verb,
            Some(other) => return Err(RequestError::Verb(other.to_string())),
            None => return Err(RequestError::Missing { verb: "a request".to_owned(), field: "do" }),
        };
        Ok(Self { verb, left })
    }

    fn day(&mut self, field: &'static str) -> Result<Option<Date>, RequestError> {
        let wrong = || RequestError::Field { field, why: "is a day such as \"2026-07-14\"".to_owned() };
        self.text(field, LONGEST_NAME)?.map(|text| text.parse().map_err(|_| wrong())).transpose()
    }

    fn missing(&self, field: &'static str) -> RequestError {
        RequestError::Missing { verb: brief(&self.verb), field }
    }

    fn text(&mut self, field: &'static str, longest: usize) -> Result<Option<String>, RequestError> {
        let wrong = |why: String| Err(RequestError::Field { field, why });
        match self.left.remove(field) {
            None | Some(Value::Null) => Ok(None),
            Some(Value::String(text)) if text.len() > longest => {
                wrong(format!("is too long: {} bytes, at most {longest}", text.len()))
            }
            Some(Value::String(text)) if text.contains(|c: char| c.is_control() && c != '\n') => {
                wrong("holds control characters".to_owned())
            }
            Some(Value::String(text)) if text.trim().is_empty() => wrong("is empty".to_owned()),
            Some(Value::String(text)) => Ok(Some(text)),
            Some(_) => wrong("must be text".to_owned()),
        }
    }

    fn name(&mut self, field: &'static str) -> Result<String, RequestError> {
        self.text(field, LONGEST_NAME)?.ok_or_else(|| self.missing(field))
    }

    fn flag(&mut self, field: &'static str) -> Result<bool, RequestError> {
        match self.left.remove(field) {
            None | Some(Value::Null) => Ok(false),
            Some(Value::Bool(flag)) => Ok(flag),
            Some(_) => Err(RequestError::Field { field, why: "must be true or false".to_owned() }),
        }
    }

    fn dose(&mut self, field: &'static str) -> Result<Option<TargetDose>, RequestError> {
        let Some(text) = self.text(field, LONGEST_NAME)? else { return Ok(None) };
        read_dose(field, &text).map(Some)
    }

    /// `good`, or by how much it is `off`; one of them.
    fn off(&mut self) -> Result<Stops, RequestError> {
        let wrong = |why: String| RequestError::Field { field: "off", why };
        let good = self.flag("good")?;
        match self.text("off", LONGEST_NAME)? {
            Some(_) if good => Err(wrong("does not go with \"good\"; give one of them".to_owned())),
            Some(text) => {
                judging::parse_off(&text).map_err(|error| wrong(format!("cannot be used: {error}")))
            }
            None if good => Ok(Stops::default()),
            None => Err(self.missing("off")),
        }
    }

    fn aim(&mut self) -> Result<Aim, RequestError> {
        let target = self.dose("target")?.map(Aim::Target);
        let like = self.text("like", LONGEST_NAME)?.map(Aim::Like);
        let strip = self.strip()?.map(Aim::Strip);
        let mut aims = [target, like, strip].into_iter().flatten();
        match (aims.next(), aims.next()) {
            (Some(aim), None) => Ok(aim),
            (None, _) if self.left.get("recipe").is_some_and(Value::is_string) => Ok(Aim::Recipe),
            (None, _) => Err(self.missing("target")),
            (Some(_), Some(_)) => Err(RequestError::Field {
                field: "target",
                why: "goes with neither \"like\" nor \"strip\"; give one of them".to_owned(),
            }),
        }
    }

    fn strip(&mut self) -> Result<Option<Vec<TargetDose>>, RequestError> {
        let wrong = |why: &str| RequestError::Field { field: "strip", why: why.to_owned() };
        let no_list = || wrong("must be a list of doses such as [\"4kJ/m2\",\"8kJ/m2\"]");
        let doses = match self.left.remove("strip") {
            None | Some(Value::Null) => return Ok(None),
            Some(Value::Array(doses)) => doses,
            Some(_) => return Err(no_list()),
        };
        if doses.len() > frameside_core::exposure::MOST_BANDS {
            return Err(wrong("has too many bands; at most 24"));
        }
        let read = |dose: &Value| read_dose("strip", dose.as_str().ok_or_else(no_list)?);
        doses.iter().map(read).collect::<Result<_, _>>().map(Some)
    }

    fn one_of(&mut self, field: &'static str, words: &[&str]) -> Result<Option<String>, RequestError> {
        match self.text(field, LONGEST_NAME)? {
            Some(word) if !words.contains(&word.as_str()) => {
                Err(RequestError::Field { field, why: format!("is one of {}", words.join(", ")) })
            }
            word => Ok(word),
        }
    }

    fn seconds(&mut self) -> Result<Option<f64>, RequestError> {
        let wrong = |why: &str| Err(RequestError::Field { field: "seconds", why: why.to_owned() });
        match self.left.remove("seconds") {
            None | Some(Value::Null) => Ok(None),
            Some(value) => match value.as_f64() {
                Some(seconds) if seconds > 0.0 && seconds <= LONGEST_STEP_S => Ok(Some(seconds)),
                _ => wrong("is a number above zero, at most a month"),
            },
        }
    }

    fn nothing_left(self) -> Result<(), RequestError> {
        match self.left.keys().next() {
            None => Ok(()),
            Some(field) => Err(RequestError::Unknown { verb: self.verb, field: brief(field) }),
        }
    }
}

fn read_dose(field: &'static str, text: &str) -> Result<TargetDose, RequestError> {
    text.parse().map_err(|error: ParseQuantityError| RequestError::Field {
        field,
        why: format!("cannot be used: {error}"),
    })
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn read(text: &str) -> Result<Request, RequestError> {
        Request::from_json(text.as_bytes())
    }

    #[test]
    fn a_request_is_logged_in_words() {
        let said = |text: &str| read(text).unwrap().to_string();
        assert_eq!(said(r#"{"do":"expose","frame":"oak","target":"15kJ/m2"}"#), "expose oak to 15.0 kJ/m²");
        assert_eq!(said(r#"{"do":"bring-in","frame":"oak"}"#), "bring in oak");
        assert_eq!(said(r#"{"do":"hush"}"#), "hush");
        // What comes from outside stays on one line.
        assert_eq!(said("{\"do\":\"cover\",\"frame\":\"oak\\nash\"}"), "cover oak\\nash");
    }

    #[test]
    fn every_request_reads_back() {
        let target: TargetDose = "15.123456789kJ/m2".parse().unwrap();
        let expose = |aim| {
            Request::Expose(Expose {
                frame: "oak".into(),
                aim,
                recipe: Some("citrate".into()),
                negative: None,
                source: None,
                note: Some("first\nsecond".into()),
                covered: true,
            })
        };
        for request in [
            Request::Status,
            expose(Aim::Target(target)),
            expose(Aim::Like("2026-07-14-oak-1".into())),
            expose(Aim::Strip(vec![target, "20kJ/m2".parse().unwrap()])),
            expose(Aim::Recipe),
            Request::Cover { frame: "oak".into() },
            Request::Uncover { frame: "oak".into() },
            Request::BringIn { frame: "oak".into() },
            Request::Hush { frame: None },
            Request::Hush { frame: Some("oak".into()) },
            Request::Retarget { frame: "oak".into(), target },
            Request::Note {
                print: "a".into(),
                note: Note { text: "b".into(), tone: Some("grey".into()), ..Note::default() },
            },
            Request::Note {
                print: "a".into(),
                note: Note {
                    text: "b".into(),
                    step: Some("rinse".into()),
                    seconds: Some(600.0),
                    ..Note::default()
                },
            },
            Request::Judge { print: "a".into(), off: Stops::new(-1.0 / 3.0), dry: true, oxidised: false },
        ] {
            assert_eq!(read(&request.to_json()).unwrap(), request);
        }
    }

    #[test]
    fn wrong_requests_say_what_is_wrong() {
        for (text, expected) in [
            (
                "",
                "a request is one JSON object such as {\"do\":\"status\"}: EOF while parsing a value at line 1 column 0",
            ),
            ("[]", "a request is one JSON object such as {\"do\":\"status\"}: this is not an object"),
            ("{}", "'a request' needs \"do\""),
            (
                r#"{"do":"bake"}"#,
                "'bake' cannot be done; what can: status, prints, expose, cover, uncover, bring-in, hush, retarget, note, judge",
            ),
            (r#"{"do":"cover"}"#, "'cover' needs \"frame\""),
            (r#"{"do":"cover","frame":3}"#, "\"frame\" must be text"),
            (r#"{"do":"cover","frame":"oak","x":1}"#, "'cover' does not take \"x\""),
            (r#"{"do":"expose","frame":"oak"}"#, "'expose' needs \"target\""),
            (
                r#"{"do":"expose","frame":"oak","target":"15kJ/m2","like":"a"}"#,
                "\"target\" goes with neither \"like\" nor \"strip\"; give one of them",
            ),
            (
                r#"{"do":"expose","frame":"oak","target":"15"}"#,
                "\"target\" cannot be used: '15' is not a dose; write it like 18kJ/m2, 1.8J/cm2, 1800mJ/cm2 or 18000J/m2",
            ),
            (
                r#"{"do":"expose","frame":"oak","target":"-1kJ/m2"}"#,
                "\"target\" cannot be used: a target must be above zero and at most 100000 kJ/m2, not -1 kJ/m2",
            ),
            (
                r#"{"do":"note","print":"a","text":"b","step":"boil"}"#,
                "\"step\" is one of rinse, oxidise, dry",
            ),
            (
                r#"{"do":"note","print":"a","text":"b","step":"dry","seconds":-1}"#,
                "\"seconds\" is a number above zero, at most a month",
            ),
            (r#"{"do":"judge","print":"a"}"#, "'judge' needs \"off\""),
            (
                r#"{"do":"judge","print":"a","good":true,"off":"+1/3stop"}"#,
                "\"off\" does not go with \"good\"; give one of them",
            ),
            (
                r#"{"do":"judge","print":"a","off":"1/3"}"#,
                "\"off\" cannot be used: '1/3' is not a number of stops; write it like +1/3stop, -0.5stop or +1stop",
            ),
            (
                r#"{"do":"judge","print":"a","off":"-7stop"}"#,
                "\"off\" cannot be used: '-7stop' is more than a print shows: at most 6 stops either way; make a strip",
            ),
            (
                r#"{"do":"note","print":"a","text":"b","tone":"pink"}"#,
                "\"tone\" is one of yellow-green, green, blue, grey, bronze",
            ),
        ] {
            assert_eq!(read(text).unwrap_err().to_string(), expected, "{text}");
        }
    }

    proptest! {
        #[test]
        fn arbitrary_bytes_never_panic(bytes in prop::collection::vec(any::<u8>(), 0..200)) {
            let _ = Request::from_json(&bytes);
        }

        /// Fields of every verb with values that are nearly right; what is
        /// understood is understood the same when it is written again.
        #[test]
        fn nearly_right_requests_are_understood_or_refused(
            verb in prop::sample::select(vec![
                "status", "expose", "cover", "uncover", "bring-in", "hush", "retarget", "note", "judge", "",
                "\u{0}",
            ]),
            fields in prop::collection::hash_map(
                prop::sample::select(vec![
                    "frame", "target", "like", "strip", "recipe", "negative", "source", "note", "covered",
                    "print", "text", "tone", "off", "good", "dry", "x",
                ]),
                prop_oneof![
                    Just(Value::Null), any::<bool>().prop_map(Value::from), any::<f64>().prop_map(Value::from),
                    "\\PC{0,12}".prop_map(Value::from),
                    prop::sample::select(vec!["oak", "15kJ/m2", "1e9kJ/m2", "-1/3stop", "grey", " "]).prop_map(Value::from),
                    prop::collection::vec(prop::sample::select(vec!["4kJ/m2", "8kJ/m2", "-1J/m2"]), 0..30)
                        .prop_map(|doses| doses.into_iter().map(Value::from).collect()),
                ],
                0..6,
            ),
        ) {
            let mut value = json!({ "do": verb });
            fields.into_iter().for_each(|(field, of)| value[field] = of);
            if let Ok(request) = read(&value.to_string()) {
                prop_assert_eq!(read(&request.to_json()).unwrap(), request);
            }
        }
    }
}
