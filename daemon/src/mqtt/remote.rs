//! The light of another rig's sensor, as it comes over the broker.
//!
//! The payload is a number in W/m². Beside it, as MQTT 5 user properties, the
//! other rig tells when it read that on its own monotonic clock (`at_ns`), which
//! boot that clock belongs to (`boot`) and the remarks on the reading (`flags`).
//! So a message that is late on its way, or waits here, is still put to the
//! instant at which the light fell.

use std::collections::VecDeque;

use frameside_core::light::recorded::MOST_W_M2;
use frameside_core::light::{Flags, Reading, Seen};
use frameside_core::quantity::{Irradiance, Mono};

/// The name of the property with the instant of a reading, in nanoseconds.
const AT: &str = "at_ns";
/// The name of the property with the boot of its clock.
const BOOT: &str = "boot";
/// The name of the property with its remarks, separated by commas.
const FLAGS: &str = "flags";

/// Differences between the clocks are remembered of this many messages: the
/// least of them is that of the message least delayed. Clocks that differ by
/// 100 parts in a million part by 6 ms in a minute.
const MOST_DIFFERENCES: usize = 60;
/// A reading this old is of no use to a rig that had to do without: what was
/// not seen meanwhile is bounded already. In seconds.
const STALE_S: f64 = 10.0;
/// No message is this long on its way: its clock was set, or never was one. In ns.
const OTHER_CLOCK_NS: u64 = 3_600_000_000_000;

/// What another rig says of its light.
#[derive(Debug, Clone, PartialEq)]
pub struct LightMessage {
    /// In W/m².
    pub irradiance: Irradiance,
    /// When that was, on the other rig's clock, in ns, and the boot of that clock.
    pub at: Option<(i64, String)>,
    /// Remarks on it.
    pub flags: Flags,
}

/// A payload that is not a light.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("a light is a number in W/m2 from 0 to {MOST_W_M2:.0}")]
pub struct NotALight;

impl LightMessage {
    /// Of a reading, on a clock of this boot.
    #[must_use]
    pub fn of(reading: &Reading, boot: &str) -> Self {
        Self {
            irradiance: reading.seen.lowest(),
            at: Some((reading.at.nanos(), boot.to_owned())),
            flags: reading.flags,
        }
    }

    /// The payload.
    #[must_use]
    pub fn payload(&self) -> String {
        format!("{:.3}", self.irradiance.w_m2())
    }

    /// The user properties.
    #[must_use]
    pub fn properties(&self) -> Vec<(String, String)> {
        let mut properties = Vec::new();
        if let Some((at_ns, boot)) = &self.at {
            properties.push((AT.to_owned(), at_ns.to_string()));
            properties.push((BOOT.to_owned(), boot.clone()));
        }
        let flags: Vec<&str> = self.flags.names().collect();
        if !flags.is_empty() {
            properties.push((FLAGS.to_owned(), flags.join(",")));
        }
        properties
    }

    /// Reads a message. Properties that it lacks or that make no sense are done
    /// without.
    ///
    /// # Errors
    /// [`NotALight`] when the payload is no number from 0 to [`MOST_W_M2`].
    pub fn read(payload: &[u8], properties: &[(String, String)]) -> Result<Self, NotALight> {
        let w_m2: f64 =
            std::str::from_utf8(payload).ok().and_then(|text| text.trim().parse().ok()).ok_or(NotALight)?;
        if !(0.0..=MOST_W_M2).contains(&w_m2) {
            return Err(NotALight);
        }
        let property =
            |name: &str| properties.iter().find(|(n, _)| n == name).map(|(_, value)| value.as_str());
        let at_ns = property(AT).and_then(|text| text.parse().ok());
        let flags = property(FLAGS).unwrap_or_default().split(',').filter_map(Flags::named);
        Ok(Self {
            irradiance: Irradiance::from_w_m2(w_m2),
            at: at_ns.zip(property(BOOT).map(str::to_owned)),
            flags: flags.fold(Flags::NONE, Flags::with),
        })
    }

    fn seen(&self) -> Seen {
        if self.flags.has(Flags::SATURATED) {
            Seen::AtLeast(self.irradiance)
        } else {
            Seen::Exactly(self.irradiance)
        }
    }
}

/// Puts the messages of one sensor on this rig's clock.
#[derive(Debug, Clone, Default)]
pub struct RemoteLight {
    boot: String,
    /// What this clock showed at a message's arrival less what the other showed
    /// at its reading, in ns, the newest last.
    differences: VecDeque<i64>,
}

impl RemoteLight {
    /// The reading that a message brings which arrived at `arrived`; `None` when
    /// it is too old. Without the other rig's clock, as over a bridge that
    /// speaks MQTT 3, it counts from its arrival.
    pub fn reading(&mut self, arrived: Mono, message: &LightMessage) -> Option<Reading> {
        let at = match &message.at {
            Some((at_ns, boot)) => self.on_this_clock(arrived, *at_ns, boot),
            None => arrived,
        };
        let fresh = arrived.seconds_since(at) <= STALE_S;
        fresh.then(|| Reading {
            seen: message.seen(),
            flags: message.flags,
            ..Reading::of(at, message.irradiance)
        })
    }

    fn on_this_clock(&mut self, arrived: Mono, at_ns: i64, boot: &str) -> Mono {
        let difference = arrived.nanos().saturating_sub(at_ns);
        let parts = |last: &i64| last.abs_diff(difference) > OTHER_CLOCK_NS;
        if self.boot != boot || self.differences.back().is_some_and(parts) {
            boot.clone_into(&mut self.boot);
            self.differences.clear();
        }
        if self.differences.len() == MOST_DIFFERENCES {
            self.differences.pop_front();
        }
        self.differences.push_back(difference);
        let least = self.differences.iter().copied().min().unwrap_or(0);
        Mono::from_nanos(at_ns.saturating_add(least))
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn light(at_s: f64, boot: &str) -> LightMessage {
        LightMessage::of(&Reading::of(Mono::from_seconds(at_s), Irradiance::from_w_m2(40.0)), boot)
    }

    #[test]
    fn a_light_reads_back_as_it_was_sent() {
        let reading = Reading {
            seen: Seen::AtLeast(Irradiance::from_w_m2(41.25)),
            flags: Flags::SATURATED.with(Flags::RANGE_CHANGED),
            ..Reading::of(Mono::from_seconds(12.5), Irradiance::ZERO)
        };
        let sent = LightMessage::of(&reading, "boot-1");
        assert_eq!(sent.payload(), "41.250");
        let property = |name: &str, value: &str| (name.to_owned(), value.to_owned());
        assert_eq!(
            sent.properties(),
            [
                property("at_ns", "12500000000"),
                property("boot", "boot-1"),
                property("flags", "saturated,range-changed")
            ]
        );
        let read = LightMessage::read(sent.payload().as_bytes(), &sent.properties()).unwrap();
        assert_eq!(read, sent);
        let mut remote = RemoteLight::default();
        let taken = remote.reading(Mono::from_seconds(100.0), &read).unwrap();
        assert_eq!(
            (taken.at, taken.seen, taken.flags),
            (Mono::from_seconds(100.0), reading.seen, reading.flags)
        );
    }

    #[test]
    fn what_is_no_light_is_refused_and_odd_properties_are_done_without() {
        for payload in ["", "abc", "NaN", "inf", "-1", "1 W/m2", "{}", "10000.1", "1e20", "1e308"] {
            assert_eq!(LightMessage::read(payload.as_bytes(), &[]), Err(NotALight), "{payload}");
        }
        assert_eq!(LightMessage::read(b"\xff", &[]), Err(NotALight));
        let odd = [("at_ns", "soon"), ("boot", "a"), ("flags", "tired,,coarse")]
            .map(|(name, value)| (name.to_owned(), value.to_owned()));
        let read = LightMessage::read(b"1.5\n", &odd).unwrap();
        assert_eq!((read.at.clone(), read.flags), (None, Flags::COARSE));
        let arrived = Mono::from_seconds(7.0);
        assert_eq!(RemoteLight::default().reading(arrived, &read).unwrap().at, arrived);
    }

    #[test]
    fn delays_are_taken_out_and_what_is_too_old_is_left_out() {
        let mut remote = RemoteLight::default();
        // This clock is 1000 s ahead; the way takes 1 ms at best.
        let mut at = |at_s: f64, delay_s: f64| {
            let arrived = Mono::from_seconds(1000.0 + at_s + delay_s);
            remote.reading(arrived, &light(at_s, "a")).map(|reading| reading.at.seconds() - 1000.0 - at_s)
        };
        assert!((at(0.0, 0.3).unwrap() - 0.3).abs() < 1e-6, "the first is all there is to go by");
        assert!((at(1.0, 0.001).unwrap() - 0.001).abs() < 1e-6);
        assert!((at(2.0, 0.8).unwrap() - 0.001).abs() < 1e-6);
        assert!((at(3.0, 9.0).unwrap() - 0.001).abs() < 1e-6);
        assert_eq!(at(4.0, 30.0), None);
    }

    #[test]
    fn another_boot_is_another_clock() {
        let mut remote = RemoteLight::default();
        let now = Mono::from_seconds;
        remote.reading(now(1000.0), &light(500.0, "a")).unwrap();
        // Twenty seconds later it has been up for a minute.
        assert_eq!(remote.reading(now(1020.0), &light(60.0, "b")).unwrap().at, now(1020.0));
    }

    #[test]
    fn an_absurd_instant_blinds_nobody() {
        let mut remote = RemoteLight::default();
        let now = Mono::from_seconds;
        assert_eq!(remote.reading(now(1000.0), &light(500.0, "a")).unwrap().at, now(1000.0));
        let absurd = LightMessage { at: Some((i64::MAX, "a".to_owned())), ..light(0.0, "a") };
        remote.reading(now(1001.0), &absurd);
        assert_eq!(remote.reading(now(1002.0), &light(502.0, "a")).unwrap().at, now(1002.0));
    }

    proptest! {
        #[test]
        fn instants_rise_lie_in_the_past_and_follow_a_drifting_clock(
            delays in prop::collection::vec(0.0..0.4f64, 200), ppm in -200.0..200.0f64,
        ) {
            let mut remote = RemoteLight::default();
            let mut last = f64::NEG_INFINITY;
            for (n, delay) in delays.iter().enumerate() {
                let fell = n as f64;
                let arrived = Mono::from_seconds(fell + delay);
                let other = fell * (1.0 + ppm * 1e-6) + 5000.0;
                let at = remote.reading(arrived, &light(other, "a")).unwrap().at;
                prop_assert!(at <= arrived && at.seconds() > last);
                // At most the delay of the best of a minute, and what clocks part by in that.
                prop_assert!(at.seconds() - fell > -0.013 && at.seconds() - fell <= delay + 1e-6);
                last = at.seconds();
            }
        }
    }
}
