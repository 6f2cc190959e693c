//! What the made-up person does, and when the sensor drops out.

use std::collections::BTreeMap;

use frameside_core::exposure::Plan;
use frameside_core::quantity::{Dose, Mono, Stops, TargetDose};

use crate::request::{Aim, Expose, Request};
use crate::service::Told;

/// The frames and what their glass passes of what the sensor sees.
pub(super) const FRAMES: [(&str, f64); 4] = [("oak", 0.92), ("elm", 0.85), ("ash", 1.0), ("fir", 0.92)];

/// The rehearsal opens and, if something hangs, closes at these times.
pub(super) const OPENS: Mono = clock(9, 30, 0);
pub(super) const CLOSES: Mono = clock(16, 0, 0);
/// The sensor drops out here, for as many failed transfers as this: about two minutes and a half.
const DROPS_OUT: Mono = clock(9, 53, 0);
const FAILED_TRANSFERS: u32 = 165;

/// Time of day; midnight is the origin.
const fn clock(hour: i64, minute: i64, second: i64) -> Mono {
    Mono::from_nanos((hour * 3600 + minute * 60 + second) * 1_000_000_000)
}

/// Something that happens from outside.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Act {
    /// The person asks the rig for something.
    Ask(Request),
    /// The sensor does not answer for this many transfers.
    Strike(u32),
}

/// What is still to happen.
pub(super) struct Script {
    acts: BTreeMap<(Mono, u32), Act>,
    written: u32,
    out: usize,
    begun: usize,
    /// The last calls, for the view.
    pub(super) calls: Vec<Told>,
}

impl Script {
    pub(super) fn new() -> Self {
        let mut script = Self { acts: BTreeMap::new(), written: 0, out: 0, begun: 0, calls: Vec::new() };
        let dose = |kj: f64| TargetDose::new(Dose::from_j_m2(kj * 1000.0)).expect("a dose of some kJ/m²");
        let strip = Plan::even_strip(dose(3.0), 5, Stops::new(0.5)).expect("five rising bands");
        script.expose(clock(9, 31, 0), "oak", Aim::Target(dose(15.0)), false);
        script.expose(clock(9, 33, 10), "elm", Aim::Target(dose(9.0)), true);
        script.at(clock(9, 36, 0), Request::Uncover { frame: "elm".to_owned() });
        script.expose(clock(9, 38, 20), "ash", Aim::Target(dose(26.0)), false);
        script.at(clock(9, 45, 0), Request::Cover { frame: "ash".to_owned() });
        script.at(clock(9, 51, 30), Request::Uncover { frame: "ash".to_owned() });
        script.expose(clock(9, 47, 0), "fir", Aim::Strip(strip.doses().to_vec()), false);
        script.write(DROPS_OUT, Act::Strike(FAILED_TRANSFERS));
        script
    }

    fn write(&mut self, at: Mono, act: Act) {
        self.acts.insert((at, self.written), act);
        self.written += 1;
    }

    fn at(&mut self, at: Mono, request: Request) {
        self.write(at, Act::Ask(request));
    }

    fn expose(&mut self, at: Mono, frame: &str, aim: Aim, covered: bool) {
        let recipe = if matches!(aim, Aim::Strip(_)) { "citrate on rag, strip" } else { "citrate on rag" };
        self.at(
            at,
            Request::Expose(Expose {
                frame: frame.to_owned(),
                aim,
                recipe: Some(recipe.to_owned()),
                negative: Some(format!("leaves {frame}")),
                source: None,
                note: None,
                covered,
            }),
        );
    }

    /// When the next thing happens; the end if nothing is left.
    pub(super) fn next(&self) -> Mono {
        self.acts.first_key_value().map_or(CLOSES, |(&(at, _), _)| at)
    }

    /// What happens now.
    pub(super) fn take(&mut self, now: Mono) -> Option<Act> {
        let entry = self.acts.first_entry().filter(|entry| entry.key().0 <= now)?;
        Some(entry.remove())
    }

    /// Whether every print came in and nothing is left to happen.
    pub(super) fn is_over(&self) -> bool {
        self.acts.is_empty() && self.begun == FRAMES.len() && self.out == 0
    }

    /// The person hears the calls, and comes after a while.
    pub(super) fn hear(&mut self, now: Mono, told: Vec<Told>) {
        for told in told {
            let frame = told.frame.clone();
            match told.kind {
                "begun" => {
                    self.begun += 1;
                    self.out += 1;
                }
                "brought-in" => self.out -= 1,
                // The person at the elm is on the telephone first.
                "due" if frame == "elm" => self.at(now.plus_seconds(95.0), Request::BringIn { frame }),
                "due" => self.at(now.plus_seconds(25.0), Request::BringIn { frame }),
                "band" => self.at(now.plus_seconds(6.0), Request::Hush { frame: Some(frame) }),
                _ => {}
            }
            self.calls.push(told);
        }
    }
}
