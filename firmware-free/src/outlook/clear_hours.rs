//! The amplitude of the clear sky, from the clear hours of a sensor's own record.

use super::Site;
use super::ahead::LOWEST_SUN_DEG;
use crate::quantity::Irradiance;

/// Light is looked at in stretches of this length: broken cloud seldom leaves a
/// whole hour alone, and the model's own error within an hour is small.
const WINDOW_MS: i64 = 3_600_000;
/// How far a stretch begins after the one before.
const STRIDE_MS: i64 = WINDOW_MS / 4;
/// A stretch with fewer samples tells nothing.
const LEAST_SAMPLES: usize = 20;
/// Clear is a stretch in which the light over the model's spreads (standard
/// deviation over mean) no more than this. An even overcast may do so too;
const STEADY: f64 = 0.02;
/// it is told apart by lying below this share of the brightest steady stretch.
const OF_BRIGHTEST: f64 = 0.9;

/// Light over a minute or so.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sample {
    /// Milliseconds since 1970-01-01T00:00:00Z.
    pub unix_ms: i64,
    /// The mean.
    pub irradiance: Irradiance,
}

/// A clear sky fitted to a record.
#[derive(Debug, Clone, PartialEq)]
pub struct ClearFit {
    /// UV-A on a flat plane with the sun straight above at mean distance.
    pub amplitude: Irradiance,
    /// Root mean square of what is left over the fit, as a share of it.
    pub rms: f64,
    /// Stretches taken as clear, from and to in milliseconds since 1970, in order.
    pub clear: Vec<(i64, i64)>,
}

/// Finds the clear hours among samples in order of time and fits the amplitude
/// to them by least squares. `None` when no hour was clear with the sun at
/// least [`LOWEST_SUN_DEG`] high.
#[must_use]
pub fn fit_clear_sky(site: Site, samples: &[Sample]) -> Option<ClearFit> {
    // Each sample with the clear sky's share; none where the sun is too low.
    let shared: Vec<(Sample, f64)> = samples
        .iter()
        .filter_map(|&sample| {
            let light = site.clear_light(sample.unix_ms)?;
            (light.sun_height >= LOWEST_SUN_DEG && light.share > 0.0).then_some((sample, light.share))
        })
        .collect();
    let steady = steady_stretches(&shared);
    let brightest = steady.iter().map(|s| s.amplitude).fold(0.0, f64::max);
    let mut clear: Vec<(i64, i64)> = Vec::new();
    for stretch in steady.iter().filter(|s| s.amplitude >= OF_BRIGHTEST * brightest) {
        match clear.last_mut() {
            Some(last) if stretch.from <= last.1 => last.1 = stretch.to,
            _ => clear.push((stretch.from, stretch.to)),
        }
    }
    let is_clear = |ms: i64| clear.iter().any(|&(from, to)| (from..to).contains(&ms));
    let fitted: Vec<(f64, f64)> = shared
        .iter()
        .filter(|(sample, _)| is_clear(sample.unix_ms))
        .map(|&(sample, share)| (sample.irradiance.w_m2(), share))
        .collect();
    let amplitude = least_squares(&fitted)?;
    let squares: f64 = fitted.iter().map(|(e, share)| (e / (amplitude * share) - 1.0).powi(2)).sum();
    let rms = (squares / fitted.len() as f64).sqrt();
    Some(ClearFit { amplitude: Irradiance::from_w_m2(amplitude), rms, clear })
}

/// The factor between shares and irradiances; `None` without any.
fn least_squares(points: &[(f64, f64)]) -> Option<f64> {
    let (over, under) = points.iter().fold((0.0, 0.0), |(a, b), (e, s)| (a + e * s, b + s * s));
    (over > 0.0 && under > 0.0).then(|| over / under)
}

struct Stretch {
    from: i64,
    to: i64,
    amplitude: f64,
}

fn steady_stretches(shared: &[(Sample, f64)]) -> Vec<Stretch> {
    let Some((first, last)) = shared.first().zip(shared.last()) else { return Vec::new() };
    let mut found = Vec::new();
    let mut from = first.0.unix_ms;
    while from + WINDOW_MS <= last.0.unix_ms + WINDOW_MS / LEAST_SAMPLES as i64 {
        let to = from + WINDOW_MS;
        let begin = shared.partition_point(|(sample, _)| sample.unix_ms < from);
        let end = shared.partition_point(|(sample, _)| sample.unix_ms < to);
        found.extend(steady_mean(&shared[begin..end]).map(|amplitude| Stretch { from, to, amplitude }));
        // Over a night there is nothing to step through.
        let next = shared.get(end).map_or(to, |(sample, _)| sample.unix_ms);
        from = if begin == end { next } else { from + STRIDE_MS };
    }
    found
}

/// The mean light over the model's, if it hardly changes.
fn steady_mean(window: &[(Sample, f64)]) -> Option<f64> {
    if window.len() < LEAST_SAMPLES {
        return None;
    }
    let ratios = || window.iter().map(|(sample, share)| sample.irradiance.w_m2() / share);
    let n = window.len() as f64;
    let mean = ratios().sum::<f64>() / n;
    let spread = (ratios().map(|ratio| (ratio - mean).powi(2)).sum::<f64>() / n).sqrt();
    (mean > 0.0 && spread <= STEADY * mean).then_some(mean)
}

#[cfg(test)]
mod tests {
    use super::super::Place;
    use super::*;

    /// 2016-06-23T00:00Z.
    const MIDNIGHT: i64 = 1_466_640_000_000;

    fn site() -> Site {
        Site::flat(Place { latitude: 46.815, longitude: 6.944 })
    }

    /// A day of minutes: `clearness` of a clear sky with an amplitude of 40 W/m².
    fn day(clearness: impl Fn(i64) -> f64) -> Vec<Sample> {
        (0..1440)
            .map(|minute| {
                let unix_ms = MIDNIGHT + minute * 60_000;
                let share = site().clear_light(unix_ms).unwrap().share;
                Sample { unix_ms, irradiance: Irradiance::from_w_m2(40.0 * share * clearness(minute)) }
            })
            .collect()
    }

    #[test]
    fn a_clear_morning_gives_the_amplitude_and_the_cloud_after_it_does_not_matter() {
        let broken = |minute: i64| if minute < 600 { 1.0 } else { 0.2 + 0.3 * ((minute / 7 % 3) as f64) };
        let fit = fit_clear_sky(site(), &day(broken)).unwrap();
        assert!((fit.amplitude.w_m2() - 40.0).abs() < 1e-9 && fit.rms < 1e-9, "{fit:?}");
        assert_eq!(fit.clear.len(), 1);
        assert!(fit.clear[0].1 <= MIDNIGHT + 600 * 60_000, "{fit:?}");
    }

    #[test]
    fn an_even_overcast_beside_a_clear_hour_is_not_taken_for_clear() {
        let fit = fit_clear_sky(site(), &day(|minute| if minute < 700 { 1.0 } else { 0.5 })).unwrap();
        assert!((fit.amplitude.w_m2() - 40.0).abs() < 1e-9, "{fit:?}");
    }

    #[test]
    fn without_a_clear_hour_there_is_no_fit() {
        assert_eq!(fit_clear_sky(site(), &day(|minute| 0.3 + 0.1 * ((minute / 5 % 5) as f64))), None);
        assert_eq!(fit_clear_sky(site(), &[]), None);
        assert_eq!(fit_clear_sky(site(), &day(|_| 0.0)), None);
    }
}
