//! What a clear sky gives over a stretch of which it is known when it was.

use crate::light::{Flags, GapRates, Response};
use crate::outlook::{Site, USUAL_AMPLITUDE, may_be_sky};
use crate::quantity::Irradiance;
use crate::time::{Clocks, Stamp};

use super::sample::Sample;

/// The clear sky is integrated in pieces no longer than this, each by Gauss's rule of two
/// points. The sun's light is smooth within them: over a day that is good to 1e-4 [calc].
const PIECE_S: f64 = 600.0;
/// Days and nights that follow each other say no more than their mean.
const LONGEST_S: f64 = 32.0 * 86_400.0;

/// The sky over a sensor.
#[derive(Debug, Clone, Default)]
pub struct Sky {
    site: Option<Site>,
    /// Its brightness as the sensor's own clear hours showed it, in order of time.
    amplitudes: Vec<(Stamp, Irradiance)>,
}

/// Bounds of what fell where no light was seen, as a response counts it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum SkyBounds {
    /// A dose of at least and at most so many J/m²: it is known when it was.
    Within([f64; 2]),
    /// At no instant more than this, in W/m².
    Below(f64),
}

impl Sky {
    /// The sky over a site; without one nothing is known of it.
    #[must_use]
    pub const fn new(site: Option<Site>) -> Self {
        Self { site, amplitudes: Vec::new() }
    }

    /// From an instant on, later than those before, the clear sky is known to be so bright.
    pub fn note_amplitude(&mut self, at: Stamp, amplitude: Irradiance) {
        debug_assert!(self.amplitudes.last().is_none_or(|&(before, _)| before <= at));
        self.amplitudes.push((at, amplitude));
    }

    /// UV-A with the sun straight above at mean distance, as it was known at an instant.
    fn amplitude(&self, at: Stamp) -> Irradiance {
        let after = self.amplitudes.partition_point(|&(known, _)| known <= at);
        after.checked_sub(1).map_or(USUAL_AMPLITUDE, |last| self.amplitudes[last].1)
    }

    /// Bounds of what fell from `from` to `to`, in a stretch without light between the readings
    /// `ends`, which ended at `known`: facts after that do not move them. `None` where the
    /// ends are no light of this sky.
    pub(super) fn bounds(
        &self,
        clocks: &Clocks,
        ends: [Option<Sample>; 2],
        (from, to): (Stamp, Stamp),
        known: Stamp,
        response: &Response,
    ) -> Option<SkyBounds> {
        let site = self.site?;
        let amplitude = self.amplitude(known);
        let most = amplitude * (GapRates::ABOVE_CLEAR * Site::NEAREST);
        for end in ends.into_iter().flatten() {
            let light = end.seen.map(|seen| seen.lowest())?;
            let may_be = match clocks.unix_ns(end.at) {
                Some(unix_ns) => may_be_sky(light, amplitude * site.clear_light(ms(unix_ns))?.share),
                None => light <= most,
            };
            if end.flags.has(Flags::UNCALIBRATED) || !may_be {
                return None;
            }
        }
        let hours = clocks.unix_ns(from).zip(clocks.unix_ns(to));
        match hours.filter(|(from, to)| (to - from) as f64 / 1e9 <= LONGEST_S) {
            Some(hours) => clear_dose(site, amplitude, hours, response).map(SkyBounds::Within),
            None => Some(SkyBounds::Below(response.rate(most).w_m2())),
        }
    }
}

fn ms(unix_ns: i64) -> i64 {
    unix_ns.div_euclid(1_000_000)
}

/// What the least and the most of the clear sky count as between two instants, in J/m²; `None`
/// where the sun's position is not known.
fn clear_dose(site: Site, amplitude: Irradiance, hours: (i64, i64), response: &Response) -> Option<[f64; 2]> {
    let seconds = (hours.1 - hours.0) as f64 / 1e9;
    let pieces = (seconds / PIECE_S).ceil().max(1.0);
    let piece_s = seconds / pieces;
    let mut dose = [0.0; 2];
    for point in 0..2 * pieces as u32 {
        // The two points of Gauss's rule are 1/sqrt(3) from the middle of a piece.
        let aside = (f64::from(point % 2) - 0.5) / 3.0_f64.sqrt();
        let at_s = piece_s * (f64::from(point / 2) + 0.5 + aside);
        let clear = amplitude * site.clear_light(ms(hours.0 + (at_s * 1e9) as i64))?.share;
        for (sum, share) in dose.iter_mut().zip([GapRates::BELOW_CLEAR, GapRates::ABOVE_CLEAR]) {
            *sum += 0.5 * piece_s * response.rate(clear * share).w_m2();
        }
    }
    Some(dose)
}
