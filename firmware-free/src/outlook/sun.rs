//! The position of the sun, by the NREL solar position algorithm.

use solar_positioning::time::JulianDate;
use solar_positioning::{Location, RefractionCorrection, SolarPositions, delta_t};

/// Where a rig stands, in degrees, north and east positive.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Place {
    /// -90 to 90.
    pub latitude: f64,
    /// -180 to 180.
    pub longitude: f64,
}

/// Where the sun stands, in degrees.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SunPosition {
    /// From straight above, refraction included.
    pub zenith: f64,
    /// From north, eastwards.
    pub azimuth: f64,
}

/// The sun seen from a place. `None` outside the algorithm's years
/// (-2000 to 6000) or for a place off the globe.
///
/// Source: Reda and Andreas, Solar Energy 76 (2004) 577.
#[must_use]
pub fn sun_position(place: Place, unix_ms: i64) -> Option<SunPosition> {
    position_at(place, unix_ms, 0.0, Some(RefractionCorrection::standard()))
}

fn position_at(
    place: Place,
    unix_ms: i64,
    height_m: f64,
    refraction: Option<RefractionCorrection>,
) -> Option<SunPosition> {
    const UNIX_EPOCH_JULIAN: f64 = 2_440_587.5;
    let days = unix_ms as f64 / 86_400_000.0;
    let tt_minus_ut = delta_t::estimate(1970.0 + days / 365.2425).ok()?;
    let time = JulianDate::new(UNIX_EPOCH_JULIAN + days, tt_minus_ut).ok()?;
    let location = Location { latitude: place.latitude, longitude: place.longitude };
    let position = SolarPositions::new().at_from_julian(time, location, height_m, refraction).ok()?;
    Some(SunPosition { zenith: position.zenith_angle(), azimuth: position.azimuth() })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn agrees_with_the_published_example() {
        // Reda and Andreas 2004, worked example: 2003-10-17 12:30:30 UTC-7,
        // 39.742476 N, 105.1786 W, 1830.14 m, 820 hPa, 11 °C: zenith 50.11162,
        // azimuth 194.34024. Delta T is estimated here instead of 67 s.
        let place = Place { latitude: 39.742_476, longitude: -105.1786 };
        let unix_ms = 1_066_419_030_000;
        let refraction = RefractionCorrection::new(820.0, 11.0).ok();
        let sun = position_at(place, unix_ms, 1830.14, refraction).unwrap();
        assert!((sun.zenith - 50.11162).abs() < 2e-5, "{sun:?}");
        assert!((sun.azimuth - 194.34024).abs() < 5e-5, "{sun:?}");
        // Without refraction, computed with pvlib.
        let airless = position_at(place, unix_ms, 1830.14, None).unwrap();
        assert!((airless.zenith - 50.127_954).abs() < 2e-5, "{airless:?}");
    }

    #[test]
    fn a_place_off_the_globe_has_no_sun() {
        assert_eq!(sun_position(Place { latitude: 91.0, longitude: 0.0 }, 0), None);
    }
}
