//! When a frame will be due, whatever the sky does.

use super::{ClearDay, LastHour};
use crate::light::Response;
use crate::quantity::{Dose, Irradiance, Mono};

/// How much of what is expected is the mean of the last hour; the rest is the
/// last reading. Light clings to what it is: on days 1 to 15 of June 2016 at
/// Payerne a sixth to a tenth was best for 15 kJ/m².
const OF_LAST_HOUR: f64 = 0.15;
/// Half of the 80 % spread of the mean light until due, as a natural logarithm,
/// is this much under the steadiest sky
const SPREAD_AT_LEAST: f64 = 0.12;
/// and this much more for each unit of the last hour's spread. Fitted to the
/// same days; the score is printed by the reference tests.
const OF_LAST_SPREAD: f64 = 0.65;
/// Without a clear sky to go by, the sun's own way adds to both.
const WITHOUT_SKY: f64 = 1.25;
/// With the sun so low that a clear sky gives less, light is not measured
/// against it.
const LEAST_CLEAR: Irradiance = Irradiance::from_w_m2(1.5);
/// A wait of ten years is "never", in seconds.
const NEVER_S: f64 = 3.2e8;

/// When a frame will be due.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Outlook {
    /// If the light stays as it is: the share of the clear sky that reaches the
    /// sensor, mostly the present one. `None`: not before the sun is too low.
    pub due: Option<Mono>,
    /// If the sky clears now. Without a clear sky to go by: in the brightest
    /// light of the last hour.
    pub if_clear: Option<Mono>,
    /// One in ten is due before this, as far as the last hour tells.
    pub low: Option<Mono>,
    /// One in ten is due after this.
    pub high: Option<Mono>,
    /// Whether it will not be due before the sun is too low.
    pub too_slow: bool,
}

/// What the light will still give before the sun is too low, if it stays as it
/// is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Prospect {
    /// At the sensor, from now on, as the response counts it.
    pub dose: Dose,
    /// When the sun is too low.
    pub dusk: Mono,
}

/// The level that [`LastHour`] is to be given for a reading: its share of the
/// clear sky, or the irradiance itself where there is no day to go by. `None`
/// with the sun too low.
#[must_use]
pub fn level(day: Option<ClearDay<'_>>, at: Mono, light: Irradiance) -> Option<f64> {
    match day {
        None => Some(light.w_m2().max(0.0)),
        Some(day) => {
            let clear = day.irradiance(at);
            (clear >= LEAST_CLEAR).then(|| light.w_m2().max(0.0) / clear.w_m2())
        }
    }
}

/// The level that is to be expected: mostly the present one.
fn expected(present: f64, hour: &LastHour) -> f64 {
    hour.mean().map_or(present, |mean| present + OF_LAST_HOUR * (mean - present))
}

/// The prospect at `now` with the last reading and the last hour. `None` where
/// the sun does not set, and before it is high enough to tell.
#[must_use]
pub fn prospect(
    now: Mono,
    last: Irradiance,
    hour: &LastHour,
    day: ClearDay<'_>,
    response: &Response,
) -> Option<Prospect> {
    let dusk = day.dusk(now)?;
    if dusk <= now {
        return Some(Prospect { dose: Dose::ZERO, dusk });
    }
    let present = level(Some(day), now, last)?;
    Some(Prospect { dose: day.dose(now, dusk, expected(present, hour), response), dusk })
}

/// The outlook at `now` for a frame that needs so much more at the sensor, as its
/// response counts it, with the last reading and the last hour, on the coming day if
/// it is known.
#[must_use]
pub fn outlook(
    now: Mono,
    needs: Dose,
    last: Irradiance,
    hour: &LastHour,
    day: Option<ClearDay<'_>>,
    response: &Response,
) -> Outlook {
    let dusk = day.and_then(|day| day.dusk(now));
    let too_slow = day
        .and_then(|day| prospect(now, last, hour, day, response))
        .is_some_and(|prospect| needs > prospect.dose);
    let in_time = |at: &Mono| dusk.is_none_or(|dusk| *at < dusk);
    let constant = |w_m2: f64| {
        let rate = response.rate(Irradiance::from_w_m2(w_m2));
        in_constant_light(now, needs, rate.w_m2())
    };
    let Some(present) = level(day, now, last) else {
        let due = constant(last.w_m2()).filter(in_time);
        return Outlook { due, too_slow, ..Outlook::default() };
    };
    let when = |level: f64| {
        let at = match day {
            Some(day) => day.when(now, needs, level, response),
            None => constant(level),
        };
        at.filter(in_time)
    };
    // Without a clear sky, the last hour's mean would only lag behind the sun.
    let stays = if day.is_some() { expected(present, hour) } else { present };
    let clear = if day.is_some() { Some(1.0) } else { hour.brightest() };
    let wider = if day.is_some() { 1.0 } else { WITHOUT_SKY };
    let factor = hour.spread().map(|spread| (wider * (SPREAD_AT_LEAST + OF_LAST_SPREAD * spread)).exp());
    Outlook {
        due: when(stays),
        if_clear: clear.and_then(|clear| when(clear.max(stays))),
        low: factor.and_then(|factor| when(stays * factor)),
        high: factor.and_then(|factor| when(stays / factor)),
        too_slow,
    }
}

fn in_constant_light(now: Mono, needs: Dose, w_m2: f64) -> Option<Mono> {
    let seconds = needs.j_m2() / w_m2;
    (0.0..NEVER_S).contains(&seconds).then(|| now.plus_seconds(seconds))
}

#[cfg(test)]
mod tests {
    use super::super::{ClearSky, Place, Site, WallAnchor};
    use super::*;

    const NEEDS: Dose = Dose::from_j_m2(15_000.0);

    fn light(w_m2: f64) -> Irradiance {
        Irradiance::from_w_m2(w_m2)
    }

    /// An hour of the same level up to an instant.
    fn hour_of(level: f64, until: Mono) -> LastHour {
        let mut hour = LastHour::default();
        for minute in -61..=0 {
            hour.take(until.plus_seconds(60.0 * f64::from(minute)), level);
        }
        hour
    }

    /// The sky over Payerne on 2016-06-23, so many hours after midnight UTC.
    fn sky(hours: f64) -> ClearSky {
        let unix_ms = 1_466_640_000_000 + (hours * 3.6e6) as i64;
        let mut sky = ClearSky::new(Site::flat(Place { latitude: 46.815, longitude: 6.944 }));
        sky.set_wall(WallAnchor { mono: Mono::default(), unix_ms, synchronised: true });
        sky.look_ahead(Mono::default());
        sky
    }

    #[test]
    fn steady_light_without_a_place_is_the_last_reading() {
        let now = Mono::default();
        let view = outlook(now, NEEDS, light(50.0), &hour_of(50.0, now), None, &Response::PLAIN);
        assert!((view.due.unwrap().seconds() - 300.0).abs() < 1e-6);
        assert!((view.low.unwrap().seconds() - 300.0 * (-0.15f64).exp()).abs() < 1e-6);
        assert!((view.high.unwrap().seconds() - 300.0 * 0.15f64.exp()).abs() < 1e-6);
        assert!(!view.too_slow);
    }

    #[test]
    fn under_a_cloud_it_is_due_later_than_if_it_clears() {
        let now = Mono::default();
        let sky = sky(11.5);
        let clear = sky.ahead().unwrap().irradiance(now);
        let view = outlook(now, NEEDS, clear * 0.25, &hour_of(0.25, now), sky.ahead(), &Response::PLAIN);
        let (due, if_clear) = (view.due.unwrap().seconds(), view.if_clear.unwrap().seconds());
        assert!((if_clear - 15_000.0 / clear.w_m2()).abs() < 2.0, "{if_clear}");
        assert!((due / if_clear - 4.0).abs() < 0.05, "{due}");
        assert!(view.low.unwrap() < view.due.unwrap() && view.due.unwrap() < view.high.unwrap());
    }

    #[test]
    fn without_an_hour_there_is_no_spread() {
        let view = outlook(Mono::default(), NEEDS, light(50.0), &LastHour::default(), None, &Response::PLAIN);
        assert_eq!((view.low, view.high, view.if_clear), (None, None, None));
        assert_eq!(view.due, Some(Mono::from_seconds(300.0)));
    }

    #[test]
    fn a_dull_evening_is_too_slow_and_a_bright_noon_is_not() {
        let now = Mono::default();
        // 17:00 UTC: the sun is about 22° high and sinks below 10° at about 18:15.
        let evening = sky(17.0);
        let clear = evening.ahead().unwrap().irradiance(now);
        let dull = outlook(now, NEEDS, clear * 0.2, &hour_of(0.2, now), evening.ahead(), &Response::PLAIN);
        assert!(dull.too_slow && dull.due.is_none(), "{dull:?}");
        assert!(dull.if_clear.is_some(), "there is time enough in clear light: {dull:?}");
        let bright = outlook(now, NEEDS, clear, &hour_of(1.0, now), evening.ahead(), &Response::PLAIN);
        assert!(!bright.too_slow && bright.due.is_some(), "{bright:?}");
    }

    #[test]
    fn after_dusk_it_is_too_slow_and_before_dawn_nothing_is_said() {
        let now = Mono::default();
        let hour = LastHour::default();
        let night = outlook(now, NEEDS, Irradiance::ZERO, &hour, sky(21.0).ahead(), &Response::PLAIN);
        assert!(night.too_slow && night.due.is_none());
        let dawn = outlook(now, NEEDS, light(0.5), &hour, sky(4.0).ahead(), &Response::PLAIN);
        assert!(!dawn.too_slow, "{dawn:?}");
    }

    #[test]
    fn a_print_that_answers_to_the_strength_of_the_light_waits_otherwise() {
        // By hand: at a quarter of the reference an exponent of one half halves the rate.
        let response = Response::new(0.5, light(40.0)).unwrap();
        let now = Mono::default();
        let view = outlook(now, NEEDS, light(10.0), &hour_of(10.0, now), None, &response);
        assert!((view.due.unwrap().seconds() - 750.0).abs() < 1e-6, "{view:?}");
        assert!((view.low.unwrap().seconds() - 750.0 * (-0.075f64).exp()).abs() < 1e-6, "{view:?}");
        let sky = sky(11.5);
        let clear = sky.ahead().unwrap().irradiance(now);
        let view = outlook(now, NEEDS, clear * 0.25, &hour_of(0.25, now), sky.ahead(), &response);
        let ratio = view.due.unwrap().seconds() / view.if_clear.unwrap().seconds();
        assert!((ratio - 2.0).abs() < 0.02, "{ratio}");
    }
}
