//! What a person reads: one voice, units everywhere, what to do next.

use std::fmt::Write as _;

use frameside_core::exposure::{Cut, LampState, Signal, SignalKind};
use frameside_core::light::Estimate;
use frameside_core::outlook::Doubt;
use frameside_core::quantity::{Dose, Stops};
use jiff::civil::Date;
use jiff::tz::TimeZone;
use jiff::{Timestamp, ZonedDateTime};

use crate::config::nearest;
use crate::ledger::Unjudged;
use crate::service::LampPart;

/// Whether a source of light is one of those that the config names; the sun always is.
///
/// # Errors
/// What to tell whoever named another: a slip would begin a history of its own.
pub fn known_source<'a>(source: &str, known: impl IntoIterator<Item = &'a str>) -> Result<(), String> {
    let known: Vec<&str> = known.into_iter().collect();
    if known.contains(&source) {
        return Ok(());
    }
    let meant = nearest(source, known.iter().copied());
    let meant = meant.map(|near| format!("did you mean '{near}'? ")).unwrap_or_default();
    let (source, known) = (source.escape_default(), known.join(", "));
    Err(format!(
        "there is no source '{source}'; {meant}the sources are: {known}; another is named by [[source]] in the config"
    ))
}

/// The text of a signal. `name` is the frame's name for people, `clock` turns
/// an instant into a clock time.
#[must_use]
pub fn signal(
    signal: &Signal,
    name: &str,
    clock: impl Fn(frameside_core::quantity::Mono) -> String,
) -> String {
    let dose = dose(signal.dose);
    let target = signal.target;
    let open = "Bring it in covered, and open it in subdued light.";
    match signal.kind {
        SignalKind::Begun => format!("{name}: print {} is out, target {target}.", signal.print),
        SignalKind::Covered => format!("{name} is covered at {dose} of {target}."),
        SignalKind::Uncovered => format!("{name} is uncovered and counts on from {dose} of {target}."),
        SignalKind::BroughtIn => {
            let over = signal.dose.best.stops_over(target);
            if over.value().is_finite() {
                format!("{name} is in with {dose}, {over} against its target of {target}.")
            } else {
                format!("{name} is in without any light.")
            }
        }
        SignalKind::Nearly { remaining_s } => {
            format!("{name} is nearly due: about {} to go in this light.", span(remaining_s))
        }
        SignalKind::Due => format!("{name} is due at {dose}. {open}"),
        SignalKind::Overdue { over } => {
            format!("{name} is past its target by {over}: {dose} instead of {target}. {open}")
        }
        SignalKind::Band { band, of } => {
            format!("{name}: cover band {band} of {of} now; it has its {dose}.")
        }
        SignalKind::SensorLost { fallback: Some(at), reached: false } => format!(
            "The sensor beside {name} is silent. Should the last light stay, {name} is due at about {}.",
            clock(at)
        ),
        SignalKind::SensorLost { reached: true, .. } => {
            format!(
                "The sensor beside {name} is still silent. By the last light it saw, {name} is due now: look at it."
            )
        }
        SignalKind::SensorLost { fallback: None, .. } => {
            format!("The sensor beside {name} is silent. {name} has {dose} of {target}.")
        }
        SignalKind::TooSlow { by_dusk, dusk } => format!(
            "{name} will not be due before the sun is too low at about {}: it will have about {by_dusk} of {target} \
             if the light stays. Lower its target, or cover it and go on tomorrow.",
            clock(dusk)
        ),
        SignalKind::Outage { seconds: Some(seconds), missed, is_corrected: true } => format!(
            "The clock was wrong and is right now: the power was gone for {} while {name} was out. It received {} in \
             that time, which makes {dose} of {target}.",
            span(seconds),
            self::dose(missed)
        ),
        SignalKind::Outage { seconds: Some(seconds), missed, is_corrected: false } => format!(
            "The power was gone for {} while {name} was out: it received {} in that time, which makes {dose} of {target}.",
            span(seconds),
            self::dose(missed)
        ),
        SignalKind::Outage { seconds: None, .. } => format!(
            "The power was gone while {name} was out, and no clock can tell for how long: its {dose} of {target} \
             are without the light of that time. Look at it."
        ),
        SignalKind::SensorBack => format!("The sensor beside {name} is back: {dose} of {target}."),
    }
}

/// What is told of a print that nobody has judged. `name` is its frame's name for
/// people.
#[must_use]
pub fn unjudged(print: &Unjudged, name: &str) -> String {
    let Unjudged { print, dose, is_strip, .. } = print;
    let how = if *is_strip {
        format!("frameside strip read {print} --first-full BAND --dry --oxidised")
    } else {
        format!("frameside judge {print} --good --dry --oxidised', or with '--off +1/3stop")
    };
    format!("{print} from {name} came in with {dose} a day ago or more and waits to be judged: '{how}'.")
}

/// The lamp above a frame.
#[derive(Debug)]
pub struct Above<'a> {
    /// Its name.
    pub lamp: &'a str,
    /// What it does.
    pub state: LampState,
    /// Whether it is to be off, and may be on yet.
    pub is_going_off: bool,
    /// The frame's name, for commands.
    pub frame: &'a str,
    /// The other frames that it is on for, for people.
    pub others: Vec<&'a str>,
}

impl Above<'_> {
    /// The word of `status --json`.
    #[must_use]
    pub const fn state_word(&self) -> &'static str {
        lamp_state(self.state, self.is_going_off)
    }
}

/// The word of `status --json`.
#[must_use]
pub const fn lamp_state(state: LampState, is_going_off: bool) -> &'static str {
    match state {
        LampState::On => "on",
        _ if is_going_off => "going-off",
        LampState::Off => "off",
        LampState::Waiting { .. } => "waiting",
        LampState::Cut(_) => "cut",
    }
}

/// The text of a signal from a frame under a lamp that is switched, where that makes it
/// another. `name` is the frame's name for people.
#[must_use]
pub fn under_lamp(signal: &Signal, name: &str, above: &Above<'_>) -> Option<String> {
    let Above { lamp, frame, .. } = above;
    let is_on = above.state == LampState::On;
    let (dose, target) = (dose(signal.dose), signal.target);
    match signal.kind {
        SignalKind::Due if is_on => {
            let others = above.others.join(" and ");
            let stays = if others.is_empty() { String::new() } else { format!(" for {others}") };
            Some(format!(
                "{name} is due at {dose}, and lamp {lamp} stays on{stays}. Cover it or bring it in now."
            ))
        }
        SignalKind::Due => Some(format!(
            "{name} is due at {dose}, and lamp {lamp} is off. Bring it in, and open it in subdued light."
        )),
        SignalKind::SensorLost { reached: false, .. } if !is_on => Some(format!(
            "The sensor beside {name} is silent, so lamp {lamp} is off. {name} has {dose} of {target}. \
             Once the sensor is back, go on with 'frameside uncover {frame}'."
        )),
        SignalKind::SensorBack if !is_on => Some(format!(
            "The sensor beside {name} is back: {dose} of {target}. Lamp {lamp} stays off until \
             'frameside uncover {frame}'."
        )),
        _ => None,
    }
}

/// What cut a lamp.
#[must_use]
pub const fn cut(cut: Cut) -> &'static str {
    match cut {
        Cut::Restarted => "Frameside was started anew",
        Cut::Stopped => "Frameside was stopped",
        Cut::SensorLost => "a sensor under it is silent",
        Cut::Unlit => "it was on, and the sensor saw no light of it",
        Cut::WentOut => "its light went out",
        Cut::TooLong => "it was on for as long as it may",
        Cut::Stalled => "Frameside stood still, and the guard of its relay switched it off",
        Cut::NoRelay => "its relay cannot be switched",
        Cut::Unasked => "a print wants its light, and no person beside it has asked for that",
    }
}

/// The text of the signal that a lamp was cut; the frame's name for people and for
/// commands, and what is wrong with the relay.
#[must_use]
pub fn lamp_off(
    lamp: &LampPart,
    what: Cut,
    why: Option<&str>,
    (name, frame): (&str, &str),
    dose: Estimate,
    target: Dose,
) -> String {
    let part = &lamp.name;
    let reason = match (what, why) {
        (Cut::NoRelay, Some(why)) => why.to_owned(),
        (Cut::TooLong, _) => {
            format!("it was on for {}, as long as max_on lets it", span(lamp.rules.max_on_s))
        }
        _ => cut(what).to_owned(),
    };
    let next = match what {
        Cut::Unlit => {
            "Look whether it burns, whether the sensor lies in its light, and whether it can see \
             such a lamp. Then go on with"
        }
        Cut::WentOut => "Look at the lamp and at the sensor, then go on with",
        Cut::NoRelay => "Look that the lamp is dark, and mend the relay. Then go on with",
        _ => "Go on with",
    };
    format!(
        "Lamp {part} is off: {reason}. {name} has {} of {target}. {next} 'frameside uncover {frame}'.",
        self::dose(dose)
    )
}

/// Why the light of a sensor is doubted.
#[must_use]
pub fn doubt(doubt: Doubt) -> String {
    match doubt {
        Doubt::Shaded { share } => format!(
            "something may be shading it: its light fell to {:.0} % while another sensor saw no change; look at it",
            share * 100.0
        ),
        Doubt::AboveClearSky { clear } => format!(
            "it shows far more than a clear sky gives, which is {clear}; look for a lamp or a mirror, and check its calibration"
        ),
    }
}

/// So many stops, without a sign.
#[must_use]
pub fn stops(stops: Stops) -> String {
    stops.to_string().trim_start_matches(['+', '-']).to_owned()
}

/// So many of a thing, `1 print` or `3 prints`; `thing` takes an s.
#[must_use]
pub fn count(number: usize, thing: &str) -> String {
    format!("{number} {thing}{}", if number == 1 { "" } else { "s" })
}

/// A dose, with its bounds where they differ by more than half a percent.
#[must_use]
pub fn dose(dose: Estimate) -> String {
    let mut text = dose.best.to_string();
    if (dose.high - dose.low).j_m2() > 0.005 * dose.high.j_m2() {
        let _ = write!(text, " (between {} and {}, as some light was not seen)", dose.low, dose.high);
    }
    text
}

/// A dose for tables and bars, without its unit: `8.12`, or `8.12 (7.00 to
/// 9.10)` where the bounds differ by more than half a percent.
#[must_use]
pub fn brief_dose(dose: Estimate) -> String {
    let number = |dose: Dose| {
        let text = dose.to_string();
        text.trim_end_matches(" kJ/m²").to_owned()
    };
    if (dose.high - dose.low).j_m2() > 0.005 * dose.high.j_m2() {
        format!("{} ({} to {})", number(dose.best), number(dose.low), number(dose.high))
    } else {
        number(dose.best)
    }
}

/// A length of time as people say it: two units at most.
#[must_use]
pub fn span(seconds: f64) -> String {
    let total = seconds.max(0.0).round() as u64;
    let (h, min, s) = (total / 3600, total / 60 % 60, total % 60);
    match (h, min, s) {
        (0, 0, s) => format!("{s} s"),
        (0, min, 0) => format!("{min} min"),
        (0, min, s) => format!("{min} min {s} s"),
        (h, 0, _) => format!("{h} h"),
        (h, min, _) if h < 48 => format!("{h} h {min} min"),
        (h, ..) => format!("{} days", h / 24),
    }
}

/// RFC 3339 with the zone's offset, to the second.
#[must_use]
pub fn rfc3339(unix_ms: i64, zone: &TimeZone) -> String {
    zoned(unix_ms, zone).strftime("%Y-%m-%dT%H:%M:%S%:z").to_string()
}

/// The clock time in a zone.
#[must_use]
pub fn clock(unix_ms: i64, zone: &TimeZone) -> String {
    zoned(unix_ms, zone).strftime("%H:%M").to_string()
}

/// The clock time in a zone, to the second.
#[must_use]
pub fn clock_s(unix_ms: i64, zone: &TimeZone) -> String {
    zoned(unix_ms, zone).strftime("%H:%M:%S").to_string()
}

/// The day in a zone, as in the names of prints.
#[must_use]
pub fn day(unix_ms: i64, zone: &TimeZone) -> String {
    zoned(unix_ms, zone).strftime("%Y-%m-%d").to_string()
}

/// The first instant of a day in a zone, in ms since 1970; `None` at the ends of the calendar.
#[must_use]
pub fn midnight_ms(day: Date, zone: &TimeZone) -> Option<i64> {
    Some(day.to_zoned_datetime(zone.clone()).ok()?.timestamp().as_millisecond())
}

/// Seconds since midnight in a zone, as the wall clock shows them.
#[must_use]
pub fn seconds_of_day(unix_ms: i64, zone: &TimeZone) -> f64 {
    let time = zoned(unix_ms, zone).time();
    f64::from(time.hour()) * 3600.0 + f64::from(time.minute()) * 60.0 + f64::from(time.second())
}

/// Hours and minutes out of an RFC 3339 time, in that time's own offset.
#[must_use]
pub fn clock_of_rfc3339(text: &str) -> Option<String> {
    let clock = text.split_once('T')?.1.get(..5)?;
    Some(clock.to_owned())
}

/// The same to the second.
#[must_use]
pub fn clock_s_of_rfc3339(text: &str) -> Option<String> {
    let clock = text.split_once('T')?.1.get(..8)?;
    Some(clock.to_owned())
}

fn zoned(unix_ms: i64, zone: &TimeZone) -> ZonedDateTime {
    // Outside the calendar's years there is no label; the epoch stands for it.
    Timestamp::from_millisecond(unix_ms).unwrap_or(Timestamp::UNIX_EPOCH).to_zoned_datetime(zone.clone())
}

#[cfg(test)]
mod tests {
    use frameside_core::exposure::{FrameId, LampRules};
    use frameside_core::quantity::Mono;

    use super::*;

    fn text(kind: SignalKind, j_m2: f64) -> String {
        let signal_ = Signal {
            kind,
            frame: FrameId(0),
            print: "2026-07-14-oak-1".into(),
            at: Mono::default(),
            dose: Estimate::certain(Dose::from_j_m2(j_m2)),
            target: Dose::from_j_m2(15_000.0),
        };
        signal(&signal_, "oak", |_| "10:21".to_owned())
    }

    #[test]
    fn signals_say_what_to_do() {
        assert_eq!(
            text(SignalKind::Due, 15_000.0),
            "oak is due at 15.0 kJ/m². Bring it in covered, and open it in subdued light."
        );
        assert!(text(SignalKind::Overdue { over: Stops::new(0.5) }, 21_213.0).contains("+0.50 stops"));
        assert_eq!(
            text(SignalKind::Band { band: 3, of: 7 }, 8_000.0),
            "oak: cover band 3 of 7 now; it has its 8.00 kJ/m²."
        );
        let slow = SignalKind::TooSlow { by_dusk: Dose::from_j_m2(11_000.0), dusk: Mono::default() };
        assert!(text(slow, 9_000.0).contains("at about 10:21: it will have about 11.0 kJ/m² of 15.0 kJ/m²"));
        let lost = SignalKind::SensorLost { fallback: Some(Mono::default()), reached: false };
        assert!(text(lost, 1.0).contains("due at about 10:21"));
    }

    #[test]
    fn a_lamp_that_is_cut_says_why_and_how_to_go_on() {
        let rules = LampRules { min_off_s: 30.0, max_on_s: 3600.0 };
        let lamp = LampPart { name: "box".into(), relay: Some(25), rules };
        let told = |cut, why| {
            let dose = Estimate::certain(Dose::from_j_m2(8_123.0));
            lamp_off(&lamp, cut, why, ("large oak frame", "oak"), dose, Dose::from_j_m2(15_000.0))
        };
        assert_eq!(
            told(Cut::TooLong, None),
            "Lamp box is off: it was on for 1 h, as long as max_on lets it. large oak frame has 8.12 kJ/m² of \
             15.0 kJ/m². Go on with 'frameside uncover oak'."
        );
        let relay = told(Cut::NoRelay, Some("its guard does not answer"));
        assert!(relay.contains("is off: its guard does not answer. "), "{relay}");
        assert!(relay.ends_with(
            "Look that the lamp is dark, and mend the relay. Then go on with 'frameside uncover oak'."
        ));
    }

    #[test]
    fn spans_read_well() {
        for (seconds, text) in [
            (5.4, "5 s"),
            (60.0, "1 min"),
            (167.0, "2 min 47 s"),
            (3600.0, "1 h"),
            (5400.0, "1 h 30 min"),
            (2e5, "2 days"),
        ] {
            assert_eq!(span(seconds), text);
        }
    }

    #[test]
    fn one_stands_alone() {
        let said = [1.0, -1.0, 1.0 / 3.0, 0.0, 2.0].map(|value| stops(Stops::new(value)));
        assert_eq!(said, ["1.00 stop", "1.00 stop", "0.33 stops", "0.00 stops", "2.00 stops"]);
        assert_eq!([0, 1, 2].map(|number| count(number, "print")), ["0 prints", "1 print", "2 prints"]);
    }

    #[test]
    fn an_unknown_source_is_told_with_those_there_are() {
        assert_eq!(known_source("box", ["sun", "box"]), Ok(()));
        let refused = |source| known_source(source, ["sun", "box"]).unwrap_err();
        let listed = "the sources are: sun, box; another is named by [[source]] in the config";
        assert_eq!(refused("bx"), format!("there is no source 'bx'; did you mean 'box'? {listed}"));
        assert_eq!(refused("moo\n"), format!("there is no source 'moo\\n'; {listed}"));
    }

    #[test]
    fn labels_are_local() {
        let zone = TimeZone::get("Europe/Zurich").unwrap();
        assert_eq!(rfc3339(1_784_017_269_000, &zone), "2026-07-14T10:21:09+02:00");
        assert_eq!(clock_of_rfc3339("2026-07-14T10:21:09+02:00").unwrap(), "10:21");
        assert_eq!(day(1_784_017_269_000, &zone), "2026-07-14");
    }
}
