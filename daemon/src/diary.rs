//! The diary of the light: what the record says of days, against a clear sky.

use std::collections::BTreeMap;
use std::ops::Range;
use std::time::Duration;

use frameside_core::outlook::{ClearFit, Sample, Site, USUAL_AMPLITUDE, fit_clear_sky};
use frameside_core::quantity::Irradiance;
use frameside_core::source::SUN;
use tokio::sync::mpsc::Receiver;

use crate::assemble;
use crate::clock::Clock;
use crate::config::Config;
use crate::ledger::{Filter, LedgerError, LightSample, PrintRow, Record};

const MINUTE_MS: f64 = 60_000.0;
const DAY_MS: f64 = 86_400_000.0;
/// Clear hours are looked for this far back: long enough to hold one in most
/// weathers, short enough that the sensor's window is as dirty as now.
const FIT_DAYS: u32 = 14;
/// The clear sky is reckoned this often and drawn straight between.
const CLEAR_EVERY_MS: f64 = 300_000.0;

/// Means of the minutes that hold light, in order.
#[must_use]
pub fn minute_means(light: &[LightSample]) -> Vec<Sample> {
    let mut minutes: BTreeMap<i64, (f64, f64)> = BTreeMap::new();
    for LightSample { unix_ms, sample, .. } in light {
        let (sum, count) = minutes.entry((unix_ms / MINUTE_MS).floor() as i64).or_default();
        *sum += sample.seen.lowest().w_m2();
        *count += 1.0;
    }
    let mean = |(minute, (sum, count)): (i64, (f64, f64))| Sample {
        unix_ms: minute * MINUTE_MS as i64 + MINUTE_MS as i64 / 2,
        irradiance: Irradiance::from_w_m2(sum / count),
    };
    minutes.into_iter().map(mean).collect()
}

/// The clear sky as a sensor shows it, by its clear hours in the two weeks up
/// to a time in ms since 1970; `None` without any. A lamp that burns steadily about noon
/// looks like one: the light of prints under a lamp is left out.
///
/// # Errors
/// [`LedgerError`] when the record cannot be read.
pub fn clear_sky_before(
    record: &Record,
    site: Site,
    sensor: &str,
    until_ms: f64,
) -> Result<Option<ClearFit>, LedgerError> {
    let mut minutes = Vec::new();
    let from_ms = until_ms - f64::from(FIT_DAYS) * DAY_MS;
    let lit = under_lamps(record, sensor, from_ms - DAY_MS)?;
    // Day by day, so that a fortnight of seconds is never held at once.
    for back in (0..FIT_DAYS).rev() {
        let to = until_ms - f64::from(back) * DAY_MS;
        let of_day = minute_means(&record.light(sensor, to - DAY_MS, to - 1.0)?);
        let is_sky = |minute: &Sample| lit.iter().all(|lit| !lit.contains(&(minute.unix_ms as f64)));
        minutes.extend(of_day.into_iter().filter(is_sky));
    }
    Ok(fit_clear_sky(site, &minutes))
}

/// When prints lay beside a sensor under another source than the sun, in ms since 1970 and
/// to the minute.
fn under_lamps(record: &Record, sensor: &str, since_ms: f64) -> Result<Vec<Range<f64>>, LedgerError> {
    let filter = Filter { since_ms: Some(since_ms as i64), ..Filter::default() };
    let of_lamp = |print: &PrintRow| print.sensor == sensor && print.source != SUN;
    let lies = |print: PrintRow| {
        let from = print.begun().map_or(f64::MAX, |event| event.light_ms);
        let to = print.brought_in().map_or(f64::MAX, |event| event.light_ms);
        from - MINUTE_MS..to + MINUTE_MS
    };
    Ok(record.prints(&filter)?.into_iter().filter(of_lamp).map(lies).collect())
}

/// Looks for clear hours in the record now and each day, on a thread of its own,
/// and tells how bright the clear sky is to the first sensor that has any. It
/// tells nothing where the place or the time is not known.
#[must_use]
pub fn follow_clear_sky(config: &Config, clock: Clock) -> Receiver<Irradiance> {
    let (tell, told) = tokio::sync::mpsc::channel(1);
    let Some(site) = assemble::site(config) else { return told };
    let sky = config.sensors.iter().filter(|sensor| !sensor.is_lit_by_lamp());
    let sensors: Vec<String> = sky.map(|sensor| sensor.name.to_string()).collect();
    let path = config.ledger.path.clone();
    let look = move || {
        loop {
            let wall = clock.wall();
            let fit = |sensor: &String| {
                let record = Record::open(&path)?;
                clear_sky_before(&record, site, sensor, wall.unix_ms as f64)
            };
            let found = sensors.iter().filter(|_| wall.synchronised).find_map(|sensor| match fit(sensor) {
                Ok(fit) => fit,
                Err(error) => {
                    tracing::warn!("no clear hours can be looked for: {error}");
                    None
                }
            });
            let gone = match found {
                Some(fit) => tell.blocking_send(fit.amplitude).is_err(),
                None => tell.is_closed(),
            };
            if gone {
                return;
            }
            // Until the network has told the time there is nothing to look for.
            let seconds = if wall.synchronised { 86_400 } else { 60 };
            std::thread::sleep(Duration::from_secs(seconds));
        }
    };
    if let Err(error) = std::thread::Builder::new().name("clear sky".into()).spawn(look) {
        tracing::warn!("no thread to look for clear hours: {error}");
    }
    told
}

/// A day under a clear sky.
#[derive(Debug, Clone, PartialEq)]
pub struct ClearDay {
    /// What it was fitted to; `None`: the usual amplitude stands in.
    pub fit: Option<ClearFit>,
    from_ms: f64,
    curve: Vec<f64>,
}

impl ClearDay {
    /// From one time to another, in ms since 1970. `None` where the sun's
    /// position is not known.
    #[must_use]
    pub fn new(site: Site, fit: Option<ClearFit>, from_ms: f64, to_ms: f64) -> Option<Self> {
        let amplitude = fit.as_ref().map_or(USUAL_AMPLITUDE, |fit| fit.amplitude);
        let steps = ((to_ms - from_ms) / CLEAR_EVERY_MS).ceil().max(1.0) as u32;
        let at = |step: u32| {
            let light = site.clear_light((from_ms + f64::from(step) * CLEAR_EVERY_MS) as i64)?;
            Some((amplitude * light.share).w_m2())
        };
        let curve = (0..=steps).map(at).collect::<Option<_>>()?;
        Some(Self { fit, from_ms, curve })
    }

    /// What a plane flat under the sun straight above would get, in W/m².
    #[must_use]
    pub fn amplitude(&self) -> Irradiance {
        self.fit.as_ref().map_or(USUAL_AMPLITUDE, |fit| fit.amplitude)
    }

    /// UV-A in W/m² at a time of the day, in ms since 1970.
    #[must_use]
    pub fn w_m2(&self, unix_ms: f64) -> f64 {
        let at = ((unix_ms - self.from_ms) / CLEAR_EVERY_MS).clamp(0.0, (self.curve.len() - 1) as f64);
        let (low, high) = (self.curve[at.floor() as usize], self.curve[at.ceil() as usize]);
        low + (high - low) * at.fract()
    }

    /// The curve, as ms since 1970 and W/m².
    pub fn points(&self) -> impl Iterator<Item = (f64, f64)> {
        (0u32..).zip(&self.curve).map(|(step, w)| (self.from_ms + f64::from(step) * CLEAR_EVERY_MS, *w))
    }
}

#[cfg(test)]
mod tests {
    use frameside_core::exposure::{Counted, Event, EventKind, FrameId, Plan};
    use frameside_core::light::{Estimate, Flags, Reading, Response, Seen};
    use frameside_core::outlook::{Place, WallAnchor};
    use frameside_core::quantity::{Dose, Mono, TargetDose};

    use super::*;
    use crate::ledger::{Boot, Entry, Ledger, NewPrint, Sample as Kept};

    fn kept(unix_ms: f64, w_m2: f64) -> LightSample {
        let seen = Seen::Exactly(Irradiance::from_w_m2(w_m2));
        LightSample { unix_ms, sample: Kept { at: Mono::default(), seen, flags: Flags::NONE }, boot: 1 }
    }

    #[test]
    fn minutes_are_means_of_what_was_seen_in_them() {
        let means = minute_means(&[kept(0.0, 10.0), kept(59_999.0, 20.0), kept(180_000.0, 7.0)]);
        let told: Vec<_> = means.iter().map(|m| (m.unix_ms, m.irradiance.w_m2())).collect();
        assert_eq!(told, [(30_000, 15.0), (210_000, 7.0)]);
    }

    /// A record of a clear morning and of a lamp of 120 W/m² from 11 to 14 o'clock, with a
    /// print under a source beside it.
    fn fitted_beside(source: &str) -> f64 {
        // 2026-06-21T00:00:00Z.
        const MIDNIGHT_MS: i64 = 1_782_000_000_000;
        let folder = tempfile::TempDir::new().unwrap();
        let path = folder.path().join("ledger.sqlite");
        let site = Site::flat(Place { latitude: 46.8, longitude: 6.9 });
        let wall = WallAnchor { mono: Mono::default(), unix_ms: MIDNIGHT_MS, synchronised: true };
        let boot = Boot { id: "a".into(), wall };
        let (tell, _events) = tokio::sync::mpsc::unbounded_channel();
        let (mut ledger, _) = Ledger::start(&path, &boot, tell).unwrap();
        let at = |minute: i64| Mono::from_seconds(60.0 * minute as f64);
        let lamp = 11 * 60..14 * 60;
        for minute in 5 * 60..15 * 60 {
            let clear = site.clear_light(MIDNIGHT_MS + 60_000 * minute).unwrap().share * 55.0;
            let w_m2 = if lamp.contains(&minute) { 120.0 } else { clear };
            let reading = Reading::of(at(minute), Irradiance::from_w_m2(w_m2));
            ledger.write(Entry::Light { sensor: "sky".into(), reading });
        }
        ledger.write(Entry::Print(NewPrint {
            id: "2026-06-21-oak-1".into(),
            frame: "oak".into(),
            sensor: "sky".into(),
            glass: 1.0,
            factor: 1.0,
            response: Response::PLAIN,
            source: source.into(),
            recipe: None,
            negative: None,
            note: None,
            plan: Plan::dose(TargetDose::new(Dose::from_j_m2(1e6)).unwrap()),
            calibration: "none".into(),
        }));
        let nothing = Counted { dose: Estimate::ZERO, total: Estimate::ZERO };
        let kinds = [EventKind::Begun { covered: false }, EventKind::BroughtIn];
        for (seq, (kind, minute)) in (0..).zip(kinds.into_iter().zip([lamp.start, lamp.end])) {
            ledger.write(Entry::Event(Event {
                print: "2026-06-21-oak-1".into(),
                frame: Some(FrameId(0)),
                seq,
                kind,
                at: at(minute),
                counted: nothing,
                plain: None,
                settled: true,
            }));
        }
        ledger.finish().unwrap();
        let record = Record::open(&path).unwrap();
        let fit = clear_sky_before(&record, site, "sky", MIDNIGHT_MS as f64 + DAY_MS).unwrap();
        fit.unwrap().amplitude.w_m2()
    }

    #[test]
    fn a_lamp_is_no_clear_sky() {
        assert!((fitted_beside("box") - 55.0).abs() < 0.5, "{}", fitted_beside("box"));
        // Without a lamp that is told of, it is taken for one.
        assert!(fitted_beside(SUN) > 100.0);
    }

    #[test]
    fn a_clear_day_is_the_model_with_the_usual_amplitude_until_it_is_fitted() {
        let site = Site::flat(Place { latitude: 46.8, longitude: 6.9 });
        // 2026-06-21T00:00:00Z, and noon.
        let (midnight, noon) = (1_782_000_000_000.0, 1_782_043_200_000.0);
        let day = ClearDay::new(site, None, midnight, midnight + DAY_MS).unwrap();
        let model = site.clear_light(noon as i64).unwrap().share * USUAL_AMPLITUDE.w_m2();
        assert!((day.w_m2(noon) - model).abs() < 1e-9);
        assert!((day.w_m2(noon + 100_000.0) - model).abs() < 0.05);
        assert_eq!(day.points().count(), 289);
    }
}
