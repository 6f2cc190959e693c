//! Exposing prints: the life of one print, and the [`Rig`] that runs many
//! frames under several sensors.
//!
//! ```text
//! expose --> covered <--> exposing --> due --> in
//!                 ^---------------------'  (a due print may be covered too)
//! ```

pub mod dose;
mod lamp;
mod plan;
mod print;
mod print_state;
mod rig;
mod spans;

use serde::{Deserialize, Serialize};

pub use lamp::{Cut, Demand, Lamp, LampRules, LampState};
pub use plan::{MOST_BANDS, Plan, PlanError};
pub use print::{Lacks, MOST_SPANS, Mark, PendingEvent, Resumed, Span, Totals};
pub use print_state::{Amendment, Exposure, PrintEvent, PrintEventKind, PrintState};
pub use rig::{FrameSetup, FrameView, MOST_RESPONSES, NEARLY_SHARE, Rig, Rules, SensorSetup, SensorView};

pub use spans::{OpenSpan, OpenSpans};

use crate::chips::SensorFault;
use crate::light::{Estimate, Lasted, Reading, Response, Tear, Unplaced};
use crate::quantity::{Dose, Mono, Stops, TargetDose};

/// Which sensor of the rig; the order they were added in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct SensorId(pub u16);

/// Which frame of the rig; the order they were added in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct FrameId(pub u32);

/// The name of a print in the record, chosen by the caller.
pub type PrintId = std::sync::Arc<str>;

/// What a frame is doing.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum FrameState {
    /// No print.
    Empty,
    /// A print is out under its cover; it does not count.
    Covered,
    /// Light falls on the print and is counted.
    Exposing,
    /// The target is reached; light still counts until the frame is in.
    Due,
    /// The exposure is over.
    In,
}

impl FrameState {
    /// The word of the contract.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Empty => "empty",
            Self::Covered => "covered",
            Self::Exposing => "exposing",
            Self::Due => "due",
            Self::In => "in",
        }
    }
}

/// What is told to the machine.
#[derive(Debug, Clone, PartialEq)]
pub enum Input {
    /// A sensor has seen something. Readings of a sensor come in rising order.
    Reading(SensorId, Reading),
    /// A sensor is in trouble, or another kind of it.
    Fault(SensorId, SensorFault),
    /// A person did something at a frame.
    Command(FrameId, Command),
    /// It is known now how long the power was gone after a boot, at a tear in a
    /// sensor's light, or that nobody will ever know (`None`).
    Outage(SensorId, Unplaced, Option<(Tear, Lasted)>),
    /// The deadline came. Harmless at any other time.
    Tick,
}

/// What a person does at a frame.
#[derive(Debug, Clone, PartialEq)]
pub enum Command {
    /// Lays a print out.
    Begin {
        /// Its name in the record.
        print: PrintId,
        /// What it is to receive.
        plan: Plan,
        /// Whether it starts under its cover.
        covered: bool,
        /// What its doses are to be multiplied by beside the glass: what the
        /// sensor needs under this print's source of light, 1 as a rule.
        factor: f64,
        /// What it answers to: its doses and its plan are counted so.
        response: Response,
    },
    /// Puts the cover on: light no longer counts.
    Cover,
    /// Takes the cover off.
    Uncover,
    /// Ends the exposure.
    BringIn,
    /// Acknowledges a signal.
    Hush,
    /// A new target, also for a print that is due.
    Retarget(TargetDose),
    /// Fixes the dose of this instant in the record, for a note.
    Note,
    /// Fixes it because the lamp above was switched; no person does this.
    LampOn,
    /// The same with why, unless nobody wanted it any more.
    LampOff(Option<Cut>),
}

/// Why something was refused; nothing has changed.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum Refused {
    /// Time ran backwards.
    #[error("time went backwards by {:.3} s; the input is ignored", .from.seconds_since(*.to))]
    Backwards {
        /// The latest instant known.
        from: Mono,
        /// The earlier one that was offered.
        to: Mono,
    },
    /// There is no such sensor or frame.
    #[error("there is no such sensor or frame on this rig")]
    Unknown,
    /// The frame has a print out.
    #[error("print {print} is still out in this frame ({}); bring it in first", .state.word())]
    Busy {
        /// The print on it.
        print: PrintId,
        /// What it is doing.
        state: FrameState,
    },
    /// There is no print out in the frame.
    #[error("no print is out in this frame; begin one with 'expose'")]
    NoPrint,
    /// The cover is on already, or off already.
    #[error("the frame is {} already", if *.covered { "covered" } else { "uncovered" })]
    Already {
        /// Whether it is covered.
        covered: bool,
    },
    /// Nothing is calling.
    #[error("nothing is calling from this frame")]
    Quiet,
    /// The cover went on and off more often than the record holds.
    #[error("the cover has been off {MOST_SPANS} times on this print; bring it in")]
    TooManySpans,
    /// Each response has an integral of its own.
    #[error(
        "prints of {MOST_RESPONSES} other exponents are out beside this sensor; bring those of one exponent in first"
    )]
    TooManyResponses,
    /// A strip's bands are fixed once it is out.
    #[error("a test strip keeps its bands; bring it in and begin another")]
    StripIsFixed,
}

/// What the machine has to say.
#[derive(Debug, Clone, PartialEq)]
pub enum Output {
    /// Somebody is to be told.
    Signal(Signal),
    /// Something to keep of a print.
    Event(Event),
    /// The dose of a kept event is now known from both sides.
    Settled {
        /// The print.
        print: PrintId,
        /// The event's number.
        seq: u32,
        /// What it had there.
        counted: Counted,
        /// The same as the plain dose, where it counts otherwise.
        plain: Option<Counted>,
    },
    /// Light was not seen for a while.
    Gap {
        /// Whose light.
        sensor: SensorId,
        /// The last reading before.
        from: Mono,
        /// The first reading after.
        to: Mono,
        /// What may have fallen as a plain dose, before the glass of any frame.
        dose: Estimate,
    },
    /// The light of a sensor goes on after a boot ended, for a time that the
    /// monotonic clock cannot tell: an [`Input::Outage`] is to follow.
    Torn(SensorId, Unplaced, Tear),
    /// A frame's state is not what it was.
    Changed(FrameId),
    /// A sensor was lost, or is back.
    SensorChanged {
        /// Which.
        sensor: SensorId,
        /// Whether it is lost now, and why if that is known.
        lost: Option<Option<SensorFault>>,
    },
}

/// One step in a print's life, kept in the record.
#[derive(Debug, Clone, PartialEq)]
pub struct Event {
    /// The print.
    pub print: PrintId,
    /// Its frame; `None` when it has left that to another print.
    pub frame: Option<FrameId>,
    /// Counts up from 0 within the print.
    pub seq: u32,
    /// What happened.
    pub kind: EventKind,
    /// When. May lie a little in the past: a crossing between two readings.
    pub at: Mono,
    /// What it had at that instant, as its response counts it.
    pub counted: Counted,
    /// The same as the plain dose, where it counts otherwise.
    pub plain: Option<Counted>,
    /// Whether the figures are final; else an [`Output::Settled`] follows the
    /// next reading.
    pub settled: bool,
}

/// The dose of a print at an instant, and where that comes from.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Counted {
    /// The print's dose.
    pub dose: Estimate,
    /// The sensor's integral, before the glass.
    pub total: Estimate,
}

/// The kinds of [`Event`].
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "kind")]
pub enum EventKind {
    /// Laid out, covered or not.
    Begun {
        /// Whether under its cover.
        covered: bool,
    },
    /// The cover went on.
    Covered,
    /// The cover came off.
    Uncovered,
    /// A band of a strip has its dose.
    Band {
        /// Counts from 1.
        band: u16,
    },
    /// It was called that the target is near.
    Nearly,
    /// The target was reached.
    Due,
    /// Somebody acknowledged the call.
    Hushed,
    /// Another target.
    Retargeted {
        /// The new one.
        target: Dose,
    },
    /// A note was made.
    Noted,
    /// The power was gone while its cover was off, and it became known only later
    /// for how long. What was kept of the print since then was without this.
    Outage {
        /// The boot that ended there, by its number in the record.
        after_boot: i64,
        /// Which of the print's spans it is in.
        span: usize,
        /// Most likely for so many seconds; `None` if nobody will ever know.
        seconds: Option<f64>,
        /// What fell then and was not counted, as the print counts, before the glass.
        missed: Estimate,
        /// The same as a plain dose.
        plain: Estimate,
    },
    /// The exposure ended.
    BroughtIn,
    /// The lamp above it went on.
    LampOn,
    /// The lamp above it went off.
    LampOff {
        /// Why, unless nobody wanted it any more.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        cut: Option<Cut>,
    },
}

/// A call.
#[derive(Debug, Clone, PartialEq)]
pub struct Signal {
    /// What for.
    pub kind: SignalKind,
    /// The frame that calls.
    pub frame: FrameId,
    /// The print in it.
    pub print: PrintId,
    /// When what it tells of happened.
    pub at: Mono,
    /// The print's dose then.
    pub dose: Estimate,
    /// What it aims at.
    pub target: Dose,
}

/// The kinds of [`Signal`].
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum SignalKind {
    /// A print was laid out.
    Begun,
    /// The cover went on.
    Covered,
    /// The cover came off.
    Uncovered,
    /// The exposure ended.
    BroughtIn,
    /// Soon due.
    Nearly {
        /// Seconds to go in this light.
        remaining_s: f64,
    },
    /// The target is reached.
    Due,
    /// It was reached a while ago and nobody came.
    Overdue {
        /// How far above the target by now.
        over: Stops,
    },
    /// A band of a strip has its dose: cover it.
    Band {
        /// Counts from 1.
        band: u16,
        /// How many bands the strip has.
        of: u16,
    },
    /// No light is seen any more.
    SensorLost {
        /// When the target will be reached should the last light stay; `None`
        /// in the dark.
        fallback: Option<Mono>,
        /// Whether that time has come.
        reached: bool,
    },
    /// Light is seen again.
    SensorBack,
    /// It is known now how long the power was gone while the print was out, or
    /// that nobody will ever know.
    Outage {
        /// Most likely for so many seconds.
        seconds: Option<f64>,
        /// What the print had then.
        missed: Estimate,
        /// Whether a wrong clock had given another length before.
        is_corrected: bool,
    },
    /// It will not be due before the sun is too low.
    TooSlow {
        /// What the print will have by then, if the light stays.
        by_dusk: Dose,
        /// When that is.
        dusk: Mono,
    },
}

impl SignalKind {
    /// The word of the contract.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Begun => "begun",
            Self::Covered => "covered",
            Self::Uncovered => "uncovered",
            Self::BroughtIn => "brought-in",
            Self::Nearly { .. } => "nearly",
            Self::Due => "due",
            Self::Overdue { .. } => "overdue",
            Self::Band { .. } => "band",
            Self::SensorLost { .. } => "sensor-lost",
            Self::SensorBack | Self::Outage { .. } => "sensor-back",
            Self::TooSlow { .. } => "too-slow",
        }
    }
}
