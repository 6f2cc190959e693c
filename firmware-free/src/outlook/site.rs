//! How a clear sky lights the plane that the frames lie in.

use super::{Place, sun_position};

/// Power of the cosine of the sun's zenith distance in clear-sky UV-A. Fitted to
/// 23 and 24 June 2016 at Payerne (BSRN), for zenith distances under 80°.
const EXPONENT: f64 = 1.44;
/// What a clear sky gives from all sides, as a share of the amplitude; the rest
/// comes from the sun and close about it. With this, a plane that faces the sun
/// gets what SPECTRL2 says over a flat one: x 1.08, 1.29, 1.54 with the sun 25°,
/// 45° and 60° from the zenith.
const FROM_ALL_SIDES: f64 = 0.135;

/// How a plane lies.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Tilt {
    /// Degrees from flat, 0 to 90.
    pub angle: f64,
    /// Degrees from north, eastwards, that it faces.
    pub azimuth: f64,
}

/// Where the frames and their sensor lie, and how.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Site {
    /// Where.
    pub place: Place,
    /// How.
    pub tilt: Tilt,
}

/// The light of a clear sky at an instant.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ClearLight {
    /// UV-A on the plane over the amplitude, which is what a flat plane gets
    /// with the sun straight above at mean distance.
    pub share: f64,
    /// The sun's height above the horizon, in degrees.
    pub sun_height: f64,
}

impl Site {
    /// How much more than at mean distance the sun gives at its nearest; on no plane does a
    /// clear sky give more than this share of the amplitude.
    pub const NEAREST: f64 = 1.033;

    /// A flat site.
    #[must_use]
    pub fn flat(place: Place) -> Self {
        Self { place, tilt: Tilt::default() }
    }

    /// What a clear sky gives. On a flat plane `(R0/R)² cos(z)^1.44`. `None`
    /// where the sun's position is not known (see [`sun_position`]).
    #[must_use]
    pub fn clear_light(&self, unix_ms: i64) -> Option<ClearLight> {
        let sun = sun_position(self.place, unix_ms)?;
        let (zenith, tilt) = (sun.zenith.to_radians(), self.tilt.angle.to_radians());
        let height = zenith.cos().max(0.0);
        let flat = height.powf(EXPONENT);
        let from_all_sides = flat.min(FROM_ALL_SIDES);
        // The sun stands well above the horizon wherever something is left.
        let direct = (flat - from_all_sides) / height.max(f64::MIN_POSITIVE);
        let aside = (sun.azimuth - self.tilt.azimuth).to_radians();
        let facing = height * tilt.cos() + zenith.sin() * tilt.sin() * aside.cos();
        let on_plane = direct * facing.max(0.0) + from_all_sides * f64::midpoint(1.0, tilt.cos());
        Some(ClearLight { share: nearness(unix_ms) * on_plane, sun_height: 90.0 - sun.zenith })
    }
}

/// (R0/R)²: how much more the sun gives for being near. Spencer 1971 in its
/// one-term form, good to 0.1 %.
fn nearness(unix_ms: i64) -> f64 {
    let day_of_year = (unix_ms as f64 / 86_400_000.0).rem_euclid(365.2425);
    1.0 + (Site::NEAREST - 1.0) * (std::f64::consts::TAU * day_of_year / 365.2425).cos()
}

#[cfg(test)]
mod tests {
    use super::*;

    const PAYERNE: Place = Place { latitude: 46.815, longitude: 6.944 };
    /// The morning of 2016-06-23.
    const MORNING: i64 = 1_466_654_400_000;

    /// An instant at which the sun stands so far from the zenith.
    fn when(zenith: f64) -> i64 {
        let of = |ms: &i64| sun_position(PAYERNE, *ms).unwrap().zenith;
        (MORNING..MORNING + 28_800_000).step_by(1000).find(|ms| of(ms) <= zenith).unwrap()
    }

    #[test]
    fn facing_the_sun_gives_what_spectrl2_says() {
        for (zenith, ratio) in [(25.0, 1.08), (45.0, 1.29), (60.0, 1.54)] {
            let at = when(zenith);
            let azimuth = sun_position(PAYERNE, at).unwrap().azimuth;
            let facing = Site { place: PAYERNE, tilt: Tilt { angle: zenith, azimuth } };
            let flat = Site::flat(PAYERNE).clear_light(at).unwrap().share;
            let got = facing.clear_light(at).unwrap().share / flat;
            assert!((got - ratio).abs() < 0.01, "{zenith}°: {got}");
        }
    }

    #[test]
    fn a_flat_plane_follows_the_fit_and_faces_no_side() {
        let at = when(60.0);
        let share = Site::flat(PAYERNE).clear_light(at).unwrap().share;
        assert!((share / nearness(at) - 0.5f64.powf(1.44)).abs() < 1e-4, "{share}");
        let turned = Site { place: PAYERNE, tilt: Tilt { angle: 0.0, azimuth: 123.0 } };
        assert!((turned.clear_light(at).unwrap().share - share).abs() < 1e-12);
    }

    #[test]
    fn a_plane_turned_away_keeps_the_light_from_all_sides() {
        let at = when(60.0);
        let away = sun_position(PAYERNE, at).unwrap().azimuth + 180.0;
        let wall = Site { place: PAYERNE, tilt: Tilt { angle: 90.0, azimuth: away } };
        assert!((wall.clear_light(at).unwrap().share / nearness(at) - 0.0675).abs() < 1e-9);
    }

    #[test]
    fn the_sun_is_nearest_in_january() {
        // (R0/R)² is 1.0351 on 3 January and 0.9666 on 4 July (Spencer 1971, [memory]).
        assert!((nearness(1_451_779_200_000) - 1.0351).abs() < 0.003);
        assert!((nearness(1_467_590_400_000) - 0.9666).abs() < 0.003);
    }
}
