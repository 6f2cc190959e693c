//! UV-A from a clear sky, as a bound for light that was not seen.

use super::{Place, WallAnchor, sun_position};
use crate::light::GapRates;
use crate::quantity::{Irradiance, Mono};

/// Clear-sky UV-A on a horizontal plane with the sun straight above at mean
/// distance. Fitted to 23 and 24 June 2016 at Payerne (BSRN), rms 0.62 W/m².
const AMPLITUDE: Irradiance = Irradiance::from_w_m2(55.2);
/// Power of the cosine of the sun's zenith distance, from the same fit.
const EXPONENT: f64 = 1.44;
/// A gap's mean is taken at this many instants, however long it is.
const STEPS: u32 = 64;

/// The clear sky over a place, once it is known what time it is there.
#[derive(Debug, Clone)]
pub struct ClearSky {
    place: Place,
    wall: Option<WallAnchor>,
}

impl ClearSky {
    /// Over a place; knows nothing until it is told the time.
    #[must_use]
    pub const fn new(place: Place) -> Self {
        Self { place, wall: None }
    }

    /// Tells the time. A clock that is not synchronised is not believed.
    pub fn set_wall(&mut self, wall: WallAnchor) {
        self.wall = wall.synchronised.then_some(wall);
    }

    /// UV-A in W/m² on a horizontal plane: `A (R0/R)² cos(z)^1.44`, zero with
    /// the sun below the horizon; `None` while the time is unknown.
    #[must_use]
    pub fn irradiance(&self, at: Mono) -> Option<Irradiance> {
        let unix_ms = self.wall?.unix_ms_at(at);
        let sun = sun_position(self.place, unix_ms)?;
        let height = sun.zenith.to_radians().cos().max(0.0);
        Some(AMPLITUDE * (nearness(unix_ms) * height.powf(EXPONENT)))
    }

    /// Bounds of the mean irradiance over a stretch that was not seen.
    #[must_use]
    pub fn rates(&self, from: Mono, to: Mono) -> Option<GapRates> {
        let seconds = to.seconds_since(from);
        let middle = |n: u32| from.plus_seconds(seconds * (f64::from(n) + 0.5) / f64::from(STEPS));
        let sum = (0..STEPS).try_fold(0.0, |sum, n| Some(sum + self.irradiance(middle(n))?.w_m2()))?;
        Some(GapRates::of_clear_sky(Irradiance::from_w_m2(sum / f64::from(STEPS))))
    }
}

/// (R0/R)²: how much more the sun gives for being near. Spencer 1971 in its
/// one-term form, good to 0.1 %.
fn nearness(unix_ms: i64) -> f64 {
    let day_of_year = (unix_ms as f64 / 86_400_000.0).rem_euclid(365.2425);
    1.0 + 0.033 * (std::f64::consts::TAU * day_of_year / 365.2425).cos()
}

#[cfg(test)]
mod tests {
    use super::*;

    const PAYERNE: Place = Place { latitude: 46.815, longitude: 6.944 };

    fn sky(unix_ms: i64) -> ClearSky {
        let mut sky = ClearSky::new(PAYERNE);
        sky.set_wall(WallAnchor { mono: Mono::default(), unix_ms, synchronised: true });
        sky
    }

    #[test]
    fn noon_in_june_gives_what_the_fit_was_made_to() {
        // 2016-06-23T11:34Z: zenith 23.4°; A (R0/R)² cos(z)^1.44 by hand: 47.1 W/m².
        let noon = sky(1_466_681_640_000).irradiance(Mono::default()).unwrap();
        assert!((noon.w_m2() - 47.1).abs() < 0.3, "{noon}");
    }

    #[test]
    fn night_gives_nothing_and_an_unsure_clock_no_bounds() {
        let midnight = sky(1_466_640_000_000);
        assert_eq!(midnight.irradiance(Mono::default()), Some(Irradiance::ZERO));
        let mut unsure = ClearSky::new(PAYERNE);
        unsure.set_wall(WallAnchor { mono: Mono::default(), unix_ms: 0, synchronised: false });
        assert_eq!(unsure.rates(Mono::default(), Mono::from_seconds(60.0)), None);
    }

    #[test]
    fn bounds_are_shares_of_the_mean() {
        let sky = sky(1_466_681_640_000);
        let rates = sky.rates(Mono::default(), Mono::from_seconds(60.0)).unwrap();
        let noon = sky.irradiance(Mono::from_seconds(30.0)).unwrap();
        assert!((rates.low.w_m2() / noon.w_m2() - 0.10).abs() < 1e-4);
        assert!((rates.high.w_m2() / noon.w_m2() - 1.20).abs() < 1e-3);
    }
}
