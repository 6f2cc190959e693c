//! A made-up printer: a process whose right dose is known to the test alone is
//! printed, judged and advised in a loop.
//!
//! Noise, all as standard errors:
//! - 0.05 stop from sheet to sheet (coating, humidity) [common practice];
//! - light between 15 and 45 W/m², to which the process answers with an
//!   exponent of 0.96 to 1 that nobody has fitted: up to 0.04 stop;
//! - an eye comparing two prints: 0.08 stop, because a density difference of
//!   0.03 is just seen and the curve's slope is about 0.35 a stop; besides 20 %
//!   of what it is off; told in sixths of a stop;
//! - a densitometer: 0.015, told in hundredths.
//!
//! A second process answers to the strength of the light with an exponent of 0.7 to
//! 0.9. Its sheets lie out under clouds, between 4 and 50 W/m², until the dose has
//! come: counted at that exponent, or plainly.

use super::super::super::splitmix::SplitMix64;
use super::super::super::{Band, CharacteristicCurve, Density, StripReading, WedgeStep, read_densities};
use super::*;
use crate::light::{Estimate, Integral, Response, Seen};
use crate::quantity::{Irradiance, Mono};

struct Printer {
    random: SplitMix64,
    /// Gives full density through the clear.
    right: Dose,
    exponent: f64,
    /// How sheets under clouds are counted; without, light is even and counted plainly.
    clouds: Option<Response>,
    d_min: f64,
    d_max: f64,
}

impl Printer {
    fn new(seed: u64) -> Self {
        let mut random = SplitMix64::new(seed);
        Self {
            right: kj(random.between(1.0, 5.0).exp2()),
            exponent: random.between(0.96, 1.0),
            clouds: None,
            d_min: random.between(0.06, 0.12),
            d_max: random.between(1.25, 1.50),
            random,
        }
    }

    /// A process that answers to the strength of the light, and is counted so or plainly.
    fn under_clouds(seed: u64, is_known: bool) -> Self {
        let printer = Self::new(seed);
        let exponent = 0.7 + 5.0 * (printer.exponent - 0.96);
        let counted = if is_known { exponent } else { 1.0 };
        let clouds = Response::new(counted, Irradiance::from_w_m2(REFERENCE)).unwrap();
        Self { exponent, clouds: Some(clouds), ..printer }
    }

    /// What a density in the light's way takes of log H, where it is known.
    fn effect(&self) -> f64 {
        self.clouds.map_or(1.0, |counted| counted.exponent())
    }

    /// What it really takes.
    fn true_effect(&self) -> f64 {
        self.clouds.map_or(1.0, |_| self.exponent)
    }

    /// The process: a logistic curve that reaches full density, as a strip
    /// would have it, at log 0 above the right dose. As a wedge shows it, it is as
    /// steep whatever the exponent.
    fn density(&self, log_over_right: f64) -> f64 {
        const STEEPNESS: f64 = 4.2;
        let range = self.d_max - self.d_min;
        // 0.03 below the plateau at log 0.
        let offset = (range / 0.03 - 1.0).ln() / STEEPNESS;
        let by_wedge = log_over_right / self.true_effect();
        self.d_min + range / (1.0 + (-STEEPNESS * (by_wedge + offset)).exp())
    }

    /// Exposes a sheet to the sensor's dose; what it got, in stops over the
    /// right dose, as the process felt it.
    fn expose(&mut self, dose: Dose) -> f64 {
        if let Some(counted) = self.clouds {
            return self.expose_under_clouds(dose, counted) + self.random.normal(0.05);
        }
        let light = self.random.between(15_f64.log2(), 45_f64.log2()) - 30_f64.log2();
        dose.stops_over(self.right).value() + (self.exponent - 1.0) * light + self.random.normal(0.05)
    }

    /// Lies out, a minute a line of light, until the counted dose has come; the process
    /// adds up 30 (E/30)^p by itself.
    fn expose_under_clouds(&mut self, dose: Dose, counted: Response) -> f64 {
        const PIECES: u32 = 16;
        let day = self.random.between(8_f64.log2(), 30_f64.log2()).exp2();
        let mut integral = Integral::new(60.0).answering(counted, Estimate::ZERO);
        let (mut minute, mut before, mut felt) = (Mono::default(), day, 0.0);
        integral.take(minute, Seen::Exactly(Irradiance::from_w_m2(before)), |_, _| None);
        loop {
            let from = minute;
            minute = from.plus_seconds(60.0);
            let light = day * self.random.between(0.5, 1.6);
            let step =
                integral.take(minute, Seen::Exactly(Irradiance::from_w_m2(light)), |_, _| None).unwrap();
            let due = step.crossing(dose);
            let seconds = due.unwrap_or(minute).seconds_since(from);
            let piece = |n: u32| {
                let at = seconds * (f64::from(n) + 0.5) / f64::from(PIECES);
                let e = before + (light - before) * at / 60.0;
                REFERENCE * (e / REFERENCE).powf(self.exponent) * seconds / f64::from(PIECES)
            };
            felt += (0..PIECES).map(piece).sum::<f64>();
            if due.is_some() {
                return Dose::from_j_m2(felt).stops_over(self.right).value();
            }
            before = light;
        }
    }

    fn read(&mut self, log_over_right: f64) -> Density {
        let read = self.density(log_over_right) + self.random.normal(0.015);
        Density::new((100.0 * read).round() / 100.0)
    }
}

/// How a printmaker goes about it.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Way {
    /// A wedge, then prints judged by the density of a patch.
    WedgeAndDensity,
    /// Prints judged by the density of a patch from the first, with a guess at
    /// the curve's slope.
    Density,
    /// A strip, then prints judged by eye.
    StripAndEye,
    /// Prints judged by eye from the first.
    Eye,
}

/// The first guess is wrong by up to this many stops.
const FIRST_GUESS: f64 = 1.5;
/// The negative's density over the patch that is measured, above its clear.
const PATCH: f64 = 0.9;
/// In W/m².
const REFERENCE: f64 = 30.0;

/// Where the loop stands after some sheets.
struct Outcome {
    /// The target over the right dose, in stops.
    off: f64,
    /// Whether the target's interval holds the right dose.
    held: bool,
}

struct Loop {
    printer: Printer,
    evidence: Vec<Evidence>,
    curve: Option<CharacteristicCurve>,
}

impl Loop {
    /// Makes `sheets` sheets, a day apart, each with the dose that is advised.
    fn run(mut printer: Printer, way: Way, sheets: usize) -> Outcome {
        let wrong_by = Stops::new(printer.random.between(-FIRST_GUESS, FIRST_GUESS));
        let right = printer.right;
        let mut dose = right.changed_by(wrong_by);
        let mut held = false;
        let mut this = Self { printer, evidence: Vec::new(), curve: None };
        for _ in 0..sheets {
            for evidence in &mut this.evidence {
                evidence.age_days += 1.0;
            }
            match this.sheet(way, dose) {
                Ok(evidence) => this.evidence.push(evidence),
                Err(better_guess) => {
                    dose = better_guess;
                    continue;
                }
            }
            let target = best(advise(&this.evidence, None).unwrap().answer);
            held = target.low <= right && right <= target.high;
            dose = target.dose;
        }
        Outcome { off: dose.stops_over(right).value(), held }
    }

    /// One sheet about the dose thought right: what it says, or where to look
    /// if it says nothing.
    fn sheet(&mut self, way: Way, dose: Dose) -> Result<Evidence, Dose> {
        match (way, self.evidence.is_empty()) {
            (Way::WedgeAndDensity, true) => self.wedge(dose),
            (Way::StripAndEye, true) => self.strip(dose),
            _ => Ok(self.print(way, dose)),
        }
    }

    fn print(&mut self, way: Way, dose: Dose) -> Evidence {
        let got = self.printer.expose(dose);
        let patch = PATCH * self.printer.true_effect();
        let wanted = Density::new(self.printer.density(-patch));
        let patch = self.printer.read(got * std::f64::consts::LOG10_2 - patch);
        let seen = -got + self.printer.random.normal(0.08_f64.hypot(0.2 * got));
        let correction = match (way, &self.curve) {
            (Way::WedgeAndDensity, Some(curve)) => {
                let by_curve = Correction::by_curve(dose, patch, wanted, curve);
                by_curve.ok().or_else(|| self.by_slope(dose, patch, wanted)).unwrap()
            }
            (Way::Density, _) => self.by_slope(dose, patch, wanted).unwrap(),
            _ => Correction::by_eye(dose, Stops::new((6.0 * seen).round() / 6.0)),
        };
        Evidence::of_print(&correction, 0.0, true)
    }

    fn by_slope(&self, dose: Dose, got: Density, wanted: Density) -> Option<Correction> {
        Correction::by_slope(dose, got, wanted, 1.2 / self.printer.effect())
    }

    /// A 21-step wedge with two stops more than is thought right; a failed one
    /// is made again with another stop.
    fn wedge(&mut self, dose: Dose) -> Result<Evidence, Dose> {
        let given = dose.changed_by(Stops::new(2.0));
        let got = self.printer.expose(given) * std::f64::consts::LOG10_2;
        let step = |i: u32| {
            let wedge = 0.05 + 0.15 * f64::from(i);
            let print = self.printer.read(got - wedge * self.printer.true_effect());
            WedgeStep { wedge: Density::new(wedge * self.printer.effect()), print }
        };
        let steps: Vec<_> = (0..21).map(step).collect();
        let curve = CharacteristicCurve::new(given, &steps).map_err(|_| dose.changed_by(Stops::new(1.0)))?;
        let evidence = Evidence::of_strip(curve.full_dose(), 0.0, true);
        self.curve = Some(curve);
        Ok(evidence)
    }

    /// The strip that is advised about the dose thought right; one that must be
    /// extended is made again two stops on.
    fn strip(&mut self, dose: Dose) -> Result<Evidence, Dose> {
        let Answer::NotEnough { strip, .. } = advise(&[], Some(dose)).unwrap().answer else { unreachable!() };
        let sheet = self.printer.expose(strip.from);
        let band = |i: usize| {
            let stops = strip.step.value() * i as f64;
            let density = self.printer.read((sheet + stops) * std::f64::consts::LOG10_2);
            Band { dose: strip.from.changed_by(Stops::new(stops)), density }
        };
        let bands: Vec<_> = (0..strip.bands).map(band).collect();
        match read_densities(&bands).unwrap() {
            StripReading::Found(least) => Ok(Evidence::of_strip(&least, 0.0, true)),
            StripReading::ExtendUp => Err(dose.changed_by(Stops::new(2.0))),
            StripReading::ExtendDown => Err(dose.changed_by(Stops::new(-2.0))),
        }
    }
}

/// The share of 1000 seeds, 0 to 999, of which something holds.
fn share(way: Way, sheets: usize, holds: impl Fn(&Outcome) -> bool) -> f64 {
    (0..1000).filter(|seed| holds(&Loop::run(Printer::new(*seed), way, sheets))).count() as f64 / 1000.0
}

/// The share of 1000 seeds within 0.1 stop after four sheets under clouds.
fn converged_under_clouds(way: Way, is_known: bool) -> f64 {
    let is_near = |seed: &u64| Loop::run(Printer::under_clouds(*seed, is_known), way, 4).off.abs() <= 0.1;
    (0..1000).filter(is_near).count() as f64 / 1000.0
}

#[test]
fn a_known_exponent_converges_under_clouds_where_plain_doses_do_not() {
    for way in [Way::WedgeAndDensity, Way::Density] {
        let (counted, plainly) = (converged_under_clouds(way, true), converged_under_clouds(way, false));
        assert!(counted >= 0.95, "{way:?}: {counted}, counted plainly {plainly}");
        assert!(plainly < 0.6, "{way:?}: {plainly}");
    }
}

#[test]
fn judged_by_density_the_target_converges_in_four_sheets() {
    for way in [Way::WedgeAndDensity, Way::Density] {
        let converged = share(way, 4, |outcome| outcome.off.abs() <= 0.1);
        assert!(converged >= 0.95, "{way:?}: {converged}");
    }
}

/// Told in sixths by an eye good to 0.08 stop, on sheets that differ by 0.05,
/// one judgement is good to 0.11 and four to 0.055: no estimator can bring more
/// than 93 % within 0.1 stop. What the eye can do is one of its own steps.
#[test]
fn judged_by_eye_the_target_comes_within_a_step_of_the_eye_in_four_prints() {
    for (way, sheets) in [(Way::Eye, 4), (Way::StripAndEye, 5)] {
        let converged = share(way, sheets, |outcome| outcome.off.abs() <= 1.0 / 6.0);
        assert!(converged >= 0.95, "{way:?}: {converged}");
    }
    let converged = share(Way::Eye, 4, |outcome| outcome.off.abs() <= 0.1);
    assert!(converged >= 0.85, "{converged}");
}

#[test]
fn the_interval_holds_the_right_dose() {
    for way in [Way::WedgeAndDensity, Way::Density, Way::StripAndEye, Way::Eye] {
        let held = share(way, 4, |outcome| outcome.held);
        assert!(held >= 0.93, "{way:?}: {held}");
    }
}
