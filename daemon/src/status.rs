//! What is on the rig, as the contract's JSON and as lines for a person.

use std::fmt::Write as _;

use frameside_core::exposure::{Cut, FrameState};
use frameside_core::light::Estimate;
use frameside_core::quantity::{Dose, Irradiance};
use serde::{Deserialize, Serialize};

use crate::words;

/// The rig at an instant.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Status {
    /// The rig's name.
    pub rig: String,
    /// Its sensors.
    pub sensors: Vec<SensorStatus>,
    /// Its lamp boxes that are switched by a relay.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub lamps: Vec<LampStatus>,
    /// Its frames.
    pub frames: Vec<FrameStatus>,
    /// What needs a person's attention beside the frames.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub troubles: Vec<String>,
}

/// A sensor at an instant.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SensorStatus {
    /// Its name.
    pub name: String,
    /// The last irradiance in W/m²; none before the first reading.
    pub irradiance_w_m2: Option<f64>,
    /// How old that is, in seconds.
    pub age_s: Option<f64>,
    /// The UV index, from a part that knows it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub uv_index: Option<f64>,
    /// Remarks on it.
    pub flags: Vec<String>,
    /// What is wrong, while it is lost.
    pub problem: Option<String>,
}

/// A lamp box with a relay at an instant.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LampStatus {
    /// The source's name.
    pub source: String,
    /// BCM number of the relay's pin; none for one that is emulated.
    pub relay: Option<u8>,
    /// `off`, `waiting`, `on`, `cut`, or `going-off`: ordered off, and not confirmed by its relay yet.
    pub state: String,
    /// Whether it is on, or may be.
    pub on: bool,
    /// Since when it does so; RFC 3339.
    pub since: String,
    /// The same in seconds.
    pub seconds: f64,
    /// When it goes on, while it waits.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub until: Option<String>,
    /// What cut it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub cut: Option<Cut>,
    /// The same for people, or what is wrong with its relay.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub why: Option<String>,
    /// Off at least so long, in seconds.
    pub min_off_s: f64,
    /// On at most so long at a stretch, in seconds.
    pub max_on_s: f64,
}

/// A frame at an instant.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FrameStatus {
    /// Its name.
    pub frame: String,
    /// Its name for people.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub label: Option<String>,
    /// The print in it.
    pub print: Option<String>,
    /// What it is doing.
    pub state: FrameState,
    /// The print's dose in J/m², as its exponent counts it.
    pub dose_j_m2: f64,
    /// At least this.
    pub low_j_m2: f64,
    /// At most this.
    pub high_j_m2: f64,
    /// Why the dose and its bounds are without the light of an outage: `length-to-come` until the
    /// clock is right, `unknown-length` for good; left out where they have all light.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lacks: Option<String>,
    /// What it aims at.
    pub target_j_m2: Option<f64>,
    /// The exponent that doses and target are counted at, where it is not 1.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub exponent: Option<f64>,
    /// The irradiance at which such a dose is the plain dose.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reference_w_m2: Option<f64>,
    /// The plain dose beside it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub plain_dose_j_m2: Option<f64>,
    /// Dose over target.
    pub fraction: Option<f64>,
    /// When it will be due if the light stays, or was due; RFC 3339.
    pub due: Option<String>,
    /// When it would be due if the sky cleared now.
    pub due_if_clear: Option<String>,
    /// One in ten is due before this, as far as the last hour tells.
    pub due_low: Option<String>,
    /// One in ten is due after this.
    pub due_high: Option<String>,
    /// Whether it will not be due before the sun is too low.
    pub too_slow: bool,
    /// Seconds until then.
    pub remaining_s: Option<f64>,
    /// What the lamp above it does, where that has a relay: as in [`LampStatus::state`].
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lamp: Option<String>,
    /// Whether a call waits for somebody.
    pub waiting: bool,
    /// The band of a strip that is exposing, counting from 1.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub next_band: Option<u16>,
    /// The dose at which that band is to be covered.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub next_band_j_m2: Option<f64>,
}

/// Nobody waits longer than a day for a print, in seconds.
const WORTH_TELLING_S: f64 = 86_400.0;
/// Remarks that say nothing of the light, and that nobody need act on.
const PASSING: [&str; 2] = ["range-changed", "switched"];
/// How wide the bar of a frame is, in characters.
const BAR: usize = 20;

impl Status {
    /// A table of at most 80 columns. `clock` turns an RFC 3339 time into the
    /// clock time a person reads.
    #[must_use]
    pub fn for_people(&self) -> String {
        let mut out = String::new();
        for sensor in &self.sensors {
            let _ = writeln!(out, "{}", sensor.line());
        }
        for lamp in &self.lamps {
            let _ = writeln!(out, "{}", lamp.line());
        }
        let wide = self.frames.iter().map(|f| f.frame.len()).max().unwrap_or(0).max(5);
        for frame in &self.frames {
            let _ = writeln!(out, "{}", frame.line(wide));
        }
        for trouble in &self.troubles {
            let _ = writeln!(out, "! {trouble}");
        }
        out
    }
}

impl SensorStatus {
    /// The light, how old it is where that matters, and what is wrong.
    pub(crate) fn line(&self) -> String {
        let mut line = format!("light at {}: ", self.name);
        match (self.irradiance_w_m2, self.age_s) {
            (Some(light), Some(age)) => {
                let _ = if self.flags.iter().any(|flag| flag == "uncalibrated") {
                    write!(line, "{light:.3} in its own unit")
                } else {
                    write!(line, "{}", Irradiance::from_w_m2(light))
                };
                if age > 5.0 || self.problem.is_some() {
                    let _ = write!(line, ", {} ago", words::span(age));
                }
            }
            _ => line.push_str("nothing read yet"),
        }
        for flag in self.flags.iter().filter(|flag| !PASSING.contains(&flag.as_str())) {
            let _ = write!(line, ", {flag}");
        }
        if let Some(problem) = &self.problem {
            let _ = write!(line, "; {problem}");
        }
        line
    }
}

impl LampStatus {
    /// On or off, since when, and why not on.
    pub(crate) fn line(&self) -> String {
        let Self { source, min_off_s, max_on_s, .. } = self;
        let clock = words::clock_of_rfc3339(&self.since).unwrap_or_default();
        let for_so_long = words::span(self.seconds);
        let why = self.why.as_deref().unwrap_or_default();
        match self.state.as_str() {
            "on" => {
                let most = words::span(*max_on_s);
                format!("lamp {source}: ON since {clock}, for {for_so_long} of {most} at most")
            }
            "going-off" => {
                let why = if why.is_empty() { String::new() } else { format!(": {why}") };
                format!("lamp {source}: GOING OFF, not confirmed by its relay yet{why}; look that it is dark")
            }
            "waiting" => {
                let until = self.until.as_deref().and_then(words::clock_s_of_rfc3339).unwrap_or_default();
                let least = words::span(*min_off_s);
                format!("lamp {source}: off until {until}: once off, it is off for at least {least}")
            }
            "cut" => {
                let first = if self.cut == Some(Cut::NoRelay) { "mend that first, then " } else { "" };
                format!(
                    "lamp {source}: OFF since {clock}: {why}; {first}'frameside uncover FRAME' switches it on again"
                )
            }
            _ if why.is_empty() => format!("lamp {source}: off"),
            _ => format!("lamp {source}: off; {why}"),
        }
    }
}

impl FrameStatus {
    /// Name, bar, dose of target, and what is next.
    fn line(&self, wide: usize) -> String {
        let name = format!("{:wide$}", self.frame);
        let Some(target) = self.target_j_m2.filter(|_| self.state != FrameState::Empty) else {
            return format!("{name}  empty");
        };
        let share = self.fraction.unwrap_or(0.0);
        let bar = self.bar();
        let dose = self.dose();
        let of = Dose::from_j_m2(target);
        let at = self.beside_dose();
        format!("{name}  {bar} {:>4.0} %  {dose} of {of}{at}  {}", share * 100.0, self.what_next())
    }

    /// What the doses are counted at, where it is not 1, and what they lack.
    pub(crate) fn beside_dose(&self) -> String {
        let at = self.exponent.map(|exponent| format!(" at exponent {exponent:.2}")).unwrap_or_default();
        at + &self.lacking().map(|lacks| format!(", {lacks}")).unwrap_or_default()
    }

    /// What the dose lacks, for people.
    pub(crate) fn lacking(&self) -> Option<&'static str> {
        self.lacks.as_deref().map(|lacks| match lacks {
            "length-to-come" => "without the outage until the clock is right",
            _ => "without an outage of unknown length",
        })
    }

    /// Dose over target as a bar.
    pub(crate) fn bar(&self) -> String {
        let filled = ((self.fraction.unwrap_or(0.0) * BAR as f64) as usize).min(BAR);
        "#".repeat(filled) + &".".repeat(BAR - filled)
    }

    /// The frame as an answer to whoever did something at it.
    #[must_use]
    pub fn sentence(&self) -> String {
        match self.target_j_m2 {
            None => format!("{} is empty", self.frame),
            Some(target) => {
                let of = Dose::from_j_m2(target);
                let next = match self.state {
                    FrameState::Covered | FrameState::In => String::new(),
                    _ => format!(", {}", self.what_next()),
                };
                let (state, dose, at) = (self.state.word(), self.dose(), self.beside_dose());
                format!("{} is {state}: {dose} of {of}{at}{next}", self.frame)
            }
        }
    }

    /// The dose without its unit, with its bounds where they part.
    pub(crate) fn dose(&self) -> String {
        let dose = Dose::from_j_m2;
        words::brief_dose(Estimate {
            best: dose(self.dose_j_m2),
            low: dose(self.low_j_m2),
            high: dose(self.high_j_m2),
        })
    }

    /// Whether its target was reached, also under its cover.
    pub(crate) fn is_due(&self) -> bool {
        self.due.is_some() && self.remaining_s.is_none()
    }

    /// Whether the lamp above it is known to be off.
    fn is_in_the_dark(&self) -> bool {
        self.lamp.as_deref().is_some_and(|lamp| !matches!(lamp, "on" | "going-off"))
    }

    /// The clock times it is likely to be due between, where they differ.
    fn spread(&self) -> String {
        let clock = |label: &Option<String>| label.as_deref().and_then(words::clock_of_rfc3339);
        match (clock(&self.due_low), clock(&self.due_high)) {
            (Some(low), Some(high)) if low != high => format!(" ({low} to {high})"),
            (Some(low), None) => format!(" ({low} to never today)"),
            _ => String::new(),
        }
    }

    fn if_clear(&self) -> String {
        let at = self.due_if_clear.as_deref().and_then(words::clock_of_rfc3339);
        at.map(|at| format!("; {at} if it clears")).unwrap_or_default()
    }

    /// What comes next, and when.
    pub(crate) fn what_next(&self) -> String {
        let at = self.due.as_deref().and_then(words::clock_of_rfc3339).unwrap_or_default();
        match self.state {
            FrameState::Empty => String::new(),
            FrameState::Covered if self.is_due() => format!("covered, due since {at}: bring it in"),
            FrameState::Covered => "covered".to_owned(),
            FrameState::In => "in".to_owned(),
            FrameState::Due if self.is_in_the_dark() => {
                format!("due since {at}, and its lamp is off: bring it in")
            }
            FrameState::Due if self.waiting => format!("DUE since {at}: bring it in covered"),
            FrameState::Due => format!("due since {at}, hushed"),
            FrameState::Exposing => {
                let band = self.next_band.map(|band| format!("band {band} next, ")).unwrap_or_default();
                match self.remaining_s {
                    _ if self.lamp.as_deref() == Some("waiting") => format!("{band}waits for its lamp"),
                    _ if self.is_in_the_dark() => format!("{band}ITS LAMP IS OFF"),
                    None if self.too_slow => {
                        format!("{band}not before the sun is too low{}", self.if_clear())
                    }
                    left if self.lamp.is_some() && left.is_none_or(|left| left > WORTH_TELLING_S) => {
                        format!("{band}its lamp is on, and hardly anything is seen of it yet")
                    }
                    Some(left) if left > WORTH_TELLING_S => {
                        format!("{band}not due within a day in this light")
                    }
                    Some(left) => {
                        format!("{band}due about {at}, in {}{}", words::span(left), self.spread())
                    }
                    None => format!("{band}no due time in this light"),
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_sensor_is_told_with_the_remarks_that_matter() {
        let mut sky = SensorStatus {
            name: "sky".into(),
            irradiance_w_m2: Some(41.2),
            age_s: Some(0.4),
            uv_index: None,
            flags: vec!["range-changed".into(), "switched".into()],
            problem: None,
        };
        assert_eq!(sky.line(), "light at sky: 41.2 W/m²");
        sky.flags.push("saturated".into());
        assert_eq!(sky.line(), "light at sky: 41.2 W/m², saturated");
    }

    fn frame() -> FrameStatus {
        FrameStatus {
            frame: "oak".into(),
            label: None,
            print: Some("2026-07-14-oak-1".into()),
            state: FrameState::Exposing,
            dose_j_m2: 8123.0,
            low_j_m2: 8123.0,
            high_j_m2: 8123.0,
            lacks: None,
            target_j_m2: Some(15_000.0),
            exponent: None,
            reference_w_m2: None,
            plain_dose_j_m2: None,
            fraction: Some(0.5415),
            due: Some("2026-07-14T10:21:09+02:00".into()),
            due_if_clear: None,
            due_low: None,
            due_high: None,
            too_slow: false,
            remaining_s: Some(166.9),
            lamp: None,
            waiting: false,
            next_band: None,
            next_band_j_m2: None,
        }
    }

    #[test]
    fn a_frame_reads_in_one_line_of_80_columns() {
        let line = frame().line(5);
        assert_eq!(
            line,
            "oak    ##########..........   54 %  8.12 of 15.0 kJ/m²  due about 10:21, in 2 min 47 s"
        );
        assert!(line.chars().count() <= 90);
    }

    #[test]
    fn what_is_next_is_said_as_a_person_needs_it() {
        let far = FrameStatus { remaining_s: Some(2e7), ..frame() };
        assert_eq!(far.what_next(), "not due within a day in this light");
        let due = FrameStatus { state: FrameState::Covered, remaining_s: None, ..frame() };
        assert_eq!(due.what_next(), "covered, due since 10:21: bring it in");
        assert_eq!(FrameStatus { due: None, ..due }.what_next(), "covered");
    }

    #[test]
    fn what_the_sky_may_do_is_told_in_clock_times() {
        let at = |clock: &str| Some(format!("2026-07-14T{clock}:00Z"));
        let spread = FrameStatus { due_low: at("10:19"), due_high: at("10:26"), ..frame() };
        assert!(spread.what_next().ends_with("(10:19 to 10:26)"), "{}", spread.what_next());
        let same = FrameStatus { due_low: at("10:21"), due_high: at("10:21"), ..frame() };
        assert_eq!(same.what_next(), frame().what_next());
        let slow = FrameStatus {
            due: None,
            remaining_s: None,
            too_slow: true,
            due_if_clear: at("16:40"),
            ..frame()
        };
        assert_eq!(slow.what_next(), "not before the sun is too low; 16:40 if it clears");
    }

    #[test]
    fn a_dose_that_counts_otherwise_says_so() {
        let other = FrameStatus { exponent: Some(0.85), ..frame() };
        assert!(
            other.line(5).contains("8.12 of 15.0 kJ/m² at exponent 0.85  due about"),
            "{}",
            other.line(5)
        );
        assert!(other.sentence().starts_with("oak is exposing: 8.12 of 15.0 kJ/m² at exponent 0.85, due"));
    }

    #[test]
    fn a_dose_without_an_outage_says_so() {
        let unknown = FrameStatus { lacks: Some("unknown-length".into()), ..frame() };
        assert!(
            unknown.line(5).contains("8.12 of 15.0 kJ/m², without an outage of unknown length  due about"),
            "{}",
            unknown.line(5)
        );
        assert_eq!(serde_json::to_value(&unknown).unwrap()["lacks"], "unknown-length");
        assert!(serde_json::to_value(frame()).unwrap().get("lacks").is_none());
    }

    #[test]
    fn what_was_not_seen_shows_as_a_range() {
        let unsure = FrameStatus { low_j_m2: 7000.0, high_j_m2: 9100.0, ..frame() };
        assert!(unsure.line(5).contains("8.12 (7.00 to 9.10) of 15.0 kJ/m²"));
    }

    #[test]
    fn the_json_has_the_names_of_the_contract() {
        let json = serde_json::to_value(frame()).unwrap();
        for name in [
            "frame",
            "print",
            "state",
            "dose_j_m2",
            "low_j_m2",
            "high_j_m2",
            "target_j_m2",
            "fraction",
            "due",
            "due_if_clear",
            "due_low",
            "due_high",
            "remaining_s",
        ] {
            assert!(json.get(name).is_some(), "{name}");
        }
        assert_eq!(json["state"], "exposing");
    }
}
