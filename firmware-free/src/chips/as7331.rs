//! AS7331, a UV-A/B/C sensor with its own converter; the UV-A channel is read.
//!
//! Sources: datasheet DS001047 4-00 and the Linux driver as73211. Command mode:
//! one conversion at a time, no word to the chip while it converts (the traffic
//! disturbs it), then one burst. The first result after a configuration is
//! often zero and is discarded. Counts do not depend on the chip's own clock,
//! so they are never rescaled by the time that passed.

use std::time::Duration;

use super::auto_range::AutoRange;
use super::{Bus, Chip, Ranging, SensorFault, SetupError, Step, check_address};
use crate::light::{Flags, Reading, Seen};
use crate::quantity::{Irradiance, Mono};

const PART: &str = "AS7331";
const TIMES: &str = "1, 2, 4, 8, 16, 32 and 64 ms";

/// The registers, shared with the emulator.
pub(super) mod register {
    pub(in crate::chips) const OSR: u8 = 0x00;
    pub(in crate::chips) const AGEN: u8 = 0x02;
    pub(in crate::chips) const CREG1: u8 = 0x06;
    pub(in crate::chips) const CREG3: u8 = 0x08;
    pub(in crate::chips) const OPTREG: u8 = 0x0B;

    /// What AGEN holds.
    pub(in crate::chips) const IDENTITY: u8 = 0x21;

    /// OSR: start a conversion; reads as 1 while it runs.
    pub(in crate::chips) const START: u8 = 0x80;
    /// OSR: power down.
    pub(in crate::chips) const POWER_DOWN: u8 = 0x40;
    /// OSR: software reset.
    pub(in crate::chips) const RESET: u8 = 0x08;
    /// OSR: the bits of the state.
    pub(in crate::chips) const STATE: u8 = 0x07;
    /// OSR: the configuration state, where the 8-bit registers are.
    pub(in crate::chips) const CONFIGURATION: u8 = 0x02;
    /// OSR: the measurement state, where the 16-bit results are.
    pub(in crate::chips) const MEASUREMENT: u8 = 0x03;

    /// STATUS: a result is beyond 16 bits.
    pub(in crate::chips) const RESULT_OVERFLOW: u8 = 0x40;
    /// STATUS: a converter was at its end.
    pub(in crate::chips) const CONVERTER_OVERFLOW: u8 = 0x20;
    /// STATUS: a result was lost unread.
    pub(in crate::chips) const LOST_DATA: u8 = 0x10;
    /// STATUS: results not read yet.
    pub(in crate::chips) const NEW_DATA: u8 = 0x08;
    /// STATUS: a conversion is under way.
    pub(in crate::chips) const NOT_READY: u8 = 0x04;

    /// CREG2: no divider, no measurement of the conversion time.
    pub(in crate::chips) const CREG2_PLAIN: u8 = 0x00;
    /// CREG3: command mode, awake between conversions, 1.024 MHz.
    pub(in crate::chips) const CREG3_COMMAND: u8 = 0x40;
}
use register::{
    AGEN, CONFIGURATION, CONVERTER_OVERFLOW, CREG1, CREG2_PLAIN, CREG3_COMMAND, IDENTITY, MEASUREMENT,
    NEW_DATA, NOT_READY, OSR, POWER_DOWN, RESET, RESULT_OVERFLOW, START, STATE,
};

/// Full scale of UV-A in W/m² by range, range n being gain 2^n: 348160 µW/cm²
/// at gain 1 (datasheet, "responsivity"; the same for every time up to 64 ms).
pub(super) const FULL_SCALES_W_M2: &[f64] =
    &[3481.6, 1740.8, 870.4, 435.2, 217.6, 108.8, 54.4, 27.2, 13.6, 6.8, 3.4, 1.7];
/// CREG1's code for gain 1; every step less doubles the gain.
pub(super) const GAIN_ONE: u8 = 11;

/// Gain 16, 217.6 W/m²: sun and lamp boxes fit.
const FIRST_RANGE: u8 = 4;
/// Leaving power-down takes up to 2 ms (datasheet, "start-up time").
const WAKE: Duration = Duration::from_millis(3);

/// How an AS7331 is to be used.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct As7331Settings {
    /// 7-bit address, 0x74 to 0x77.
    pub address: u8,
    /// Integration time in ms: a power of two up to 64, beyond which the
    /// result outgrows its 16 bits.
    pub time_ms: u16,
    /// Range n is a gain of 2^n, 0 to 11.
    pub ranging: Ranging,
}

impl Default for As7331Settings {
    fn default() -> Self {
        Self { address: 0x74, time_ms: 64, ranging: Ranging::Free }
    }
}

/// Clocks in an integration time: 1024 a millisecond.
pub(super) fn clocks(time_ms: u16) -> u32 {
    u32::from(time_ms) * 1024
}

/// UV-A irradiance of a result: E = counts × full scale / clocks
/// (datasheet, "measurement result").
fn irradiance(counts: u16, range: u8, time_ms: u16) -> Irradiance {
    let full_scale = FULL_SCALES_W_M2[usize::from(range)];
    Irradiance::from_w_m2(f64::from(counts) * full_scale / f64::from(clocks(time_ms)))
}

/// °C of a TEMP result: 0.05 n − 66.9 (datasheet, "temperature measurement").
fn temperature_c(counts: u16) -> f32 {
    (0.05 * f64::from(counts) - 66.9) as f32
}

#[derive(Debug, Clone, Copy)]
enum Phase {
    /// Nothing is known of the chip, or it is set to another range.
    Unset,
    /// Set up and switched on; takes commands from `until` on.
    Waking { until: Mono },
    /// Set up, nothing under way.
    Idle,
    /// Converting since `started`; not to be disturbed before `ready`.
    Converting { started: Mono, ready: Mono, discard: bool },
}

/// Driver for the AS7331.
#[derive(Debug)]
pub struct As7331 {
    address: u8,
    time_ms: u16,
    range: AutoRange,
    /// The range that the chip is set to.
    written: Option<u8>,
    phase: Phase,
}

impl As7331 {
    /// A driver; the bus is not touched yet.
    ///
    /// # Errors
    /// [`SetupError`] when address, time or range do not exist.
    pub fn new(settings: As7331Settings) -> Result<Self, SetupError> {
        let As7331Settings { address, time_ms, ranging } = settings;
        check_address(PART, address, 0x74, 0x77)?;
        if !(time_ms.is_power_of_two() && time_ms <= 64) {
            let time = Duration::from_millis(time_ms.into());
            return Err(SetupError::Time { part: PART, time, times: TIMES });
        }
        let range = AutoRange::new(PART, FULL_SCALES_W_M2, ranging, FIRST_RANGE)?;
        Ok(Self { address, time_ms, range, written: None, phase: Phase::Unset })
    }

    fn time(&self) -> Duration {
        Duration::from_millis(self.time_ms.into())
    }

    /// The chip's clock may be a quarter slow: 4/3 of the nominal time, rounded up.
    fn wait(&self) -> Duration {
        Duration::from_nanos((u64::from(self.time_ms) * 4_000_000).div_ceil(3))
    }

    fn set_up<B: Bus>(&mut self, bus: &mut B, now: Mono) -> Result<Step, SensorFault> {
        let address = self.address;
        self.written = None;
        bus.put(address, &[OSR, POWER_DOWN | RESET | CONFIGURATION])?;

        let mut identity = [0];
        bus.fetch(address, AGEN, &mut identity)?;
        if identity[0] != IDENTITY {
            let found = identity[0].into();
            return Err(SensorFault::WrongChip { address, expected: PART, found });
        }

        let range = self.range.wanted();
        let time_code = self.time_ms.trailing_zeros() as u8;
        let wanted = [(GAIN_ONE - range) << 4 | time_code, CREG2_PLAIN, CREG3_COMMAND];
        bus.put(address, &[CREG1, wanted[0], wanted[1], wanted[2]])?;
        let mut kept = [0; 3];
        bus.fetch(address, CREG1, &mut kept)?;
        if kept != wanted {
            return Err(SensorFault::SettingsLost { address });
        }

        bus.put(address, &[OSR, CONFIGURATION])?;
        self.written = Some(range);
        let until = now + WAKE;
        self.phase = Phase::Waking { until };
        Ok(Step::Wait(until))
    }

    /// Begins a conversion out of the state that the chip should be in. One
    /// that was reset meanwhile would start as well, at the gain of its reset.
    fn start<B: Bus>(&mut self, bus: &mut B, now: Mono, from: u8) -> Result<Step, SensorFault> {
        let mut osr = [0];
        bus.fetch(self.address, OSR, &mut osr)?;
        if osr[0] & (POWER_DOWN | STATE) != from {
            return Err(SensorFault::SettingsLost { address: self.address });
        }
        bus.put(self.address, &[OSR, START | MEASUREMENT])?;
        let ready = now + self.wait();
        self.phase = Phase::Converting { started: now, ready, discard: from == CONFIGURATION };
        Ok(Step::Wait(ready))
    }

    fn collect<B: Bus>(
        &mut self,
        bus: &mut B,
        now: Mono,
        started: Mono,
        discard: bool,
    ) -> Result<Step, SensorFault> {
        // OSR, STATUS, TEMP, UVA: one burst, because the pointer is at zero after a STOP.
        let mut burst = [0; 6];
        bus.fetch(self.address, OSR, &mut burst)?;
        let [osr, status, results @ ..] = burst;
        if osr & STATE != MEASUREMENT {
            return Err(SensorFault::SettingsLost { address: self.address });
        }
        if status & NOT_READY != 0 || status & NEW_DATA == 0 {
            let ready = now + self.time() / 8;
            self.phase = Phase::Converting { started, ready, discard };
            return Ok(Step::Wait(ready));
        }
        let temperature = u16::from_le_bytes([results[0], results[1]]);
        // The result is read and gone: whatever fails from here on must not be read again.
        self.phase = Phase::Idle;
        if discard || temperature == 0 {
            return self.start(bus, now, MEASUREMENT);
        }

        let counts = u16::from_le_bytes([results[2], results[3]]);
        let most = clocks(self.time_ms).min(u16::MAX.into());
        let saturated = status & (RESULT_OVERFLOW | CONVERTER_OVERFLOW) != 0 || u32::from(counts) >= most;
        if saturated && self.range.escape() {
            return self.set_up(bus, now);
        }
        Ok(Step::Done(self.reading(started, counts, saturated, temperature)))
    }

    fn reading(&mut self, started: Mono, counts: u16, saturated: bool, temperature: u16) -> Reading {
        let range = self.range.wanted();
        let irradiance = irradiance(counts, range, self.time_ms);
        let flags = self.range.observe(irradiance.w_m2());
        let (seen, flags) = if saturated {
            (Seen::AtLeast(irradiance), flags.with(Flags::SATURATED))
        } else {
            (Seen::Exactly(irradiance), flags)
        };
        Reading {
            at: started + self.time() / 2,
            span: self.time(),
            seen,
            counts: counts.into(),
            range,
            flags,
            temperature_c: Some(temperature_c(temperature)),
        }
    }
}

impl<B: Bus> Chip<B> for As7331 {
    fn step(&mut self, bus: &mut B, now: Mono) -> Result<Step, SensorFault> {
        match self.phase {
            Phase::Unset => self.set_up(bus, now),
            Phase::Waking { until } if now < until => Ok(Step::Wait(until)),
            Phase::Waking { .. } => self.start(bus, now, CONFIGURATION),
            Phase::Idle if self.written != Some(self.range.wanted()) => self.set_up(bus, now),
            Phase::Idle => self.start(bus, now, MEASUREMENT),
            Phase::Converting { ready, .. } if now < ready => Ok(Step::Wait(ready)),
            Phase::Converting { started, discard, .. } => self.collect(bus, now, started, discard),
        }
    }

    fn reset(&mut self) {
        self.written = None;
        self.phase = Phase::Unset;
    }

    /// A measurement, saturated; the least sensitive range set up; one
    /// conversion discarded, one kept.
    fn longest(&self) -> Duration {
        WAKE * 2 + self.wait() * 4
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::chips::emulated::{EmulatedAs7331, EmulatedBus, EmulatedChip, Trouble};
    use crate::chips::test_bench::{measure, steady};

    fn locked(range: u8, time_ms: u16) -> As7331 {
        As7331::new(As7331Settings { address: 0x74, time_ms, ranging: Ranging::Locked(range) }).unwrap()
    }

    fn bus_with(chip: EmulatedAs7331) -> EmulatedBus {
        let mut bus = EmulatedBus::default();
        bus.attach(0x74, chip);
        bus
    }

    fn quiet(w_m2: f64) -> EmulatedAs7331 {
        EmulatedAs7331::new(steady(w_m2)).without_noise()
    }

    #[test]
    fn datasheet_values() {
        // DS001047 4-00: responsivity of UV-A and the formula of the result.
        assert!((irradiance(4096, 1, 64).w_m2() - 108.80).abs() < 1e-9);
        assert!((irradiance(20_000, 4, 64).w_m2() - 66.406_25).abs() < 1e-9);
        // DS001047 4-00, "temperature measurement".
        assert!((temperature_c(0x922) - 50.0).abs() < 1e-4);
    }

    #[test]
    fn every_gain_and_time_through_driver_and_emulator() {
        for range in 0..12 {
            for time_ms in [1, 2, 4, 8, 16, 32, 64] {
                let full_scale = 3481.6 / f64::from(1u16 << range);
                for share in [0.0, 0.25, 0.5, 0.75] {
                    let mut bus = bus_with(quiet(share * full_scale).at_temperature(50.0));
                    let mut chip = locked(range, time_ms);
                    let reading = measure(&mut chip, &mut bus).unwrap();
                    let counts = share * 1024.0 * f64::from(time_ms);
                    assert_eq!(reading.counts, counts as i32, "range {range}, {time_ms} ms");
                    let Seen::Exactly(seen) = reading.seen else { panic!("saturated at {share}") };
                    assert!((seen.w_m2() - share * full_scale).abs() < 1e-9 * full_scale);
                    assert_eq!((reading.range, reading.flags), (range, Flags::NONE));
                    assert!((reading.temperature_c.unwrap() - 50.0).abs() < 1e-3);
                }
            }
        }
    }

    #[test]
    fn saturation_is_a_lower_bound() {
        for time_ms in [1, 64] {
            let mut bus = bus_with(quiet(300.0));
            let reading = measure(&mut locked(4, time_ms), &mut bus).unwrap();
            let Seen::AtLeast(bound) = reading.seen else { panic!("not saturated: {reading:?}") };
            assert!((217.0..=217.6).contains(&bound.w_m2()), "{bound}");
            assert!(reading.flags.has(Flags::SATURATED));
        }
    }

    #[test]
    fn free_ranging_escapes_saturation_within_the_measurement() {
        let mut bus = bus_with(quiet(300.0));
        let mut chip = As7331::new(As7331Settings::default()).unwrap();
        let reading = measure(&mut chip, &mut bus).unwrap();
        assert!((reading.seen.lowest().w_m2() - 300.0).abs() < 0.1 && !reading.seen.is_bound());
        assert_eq!(reading.range, 0);
    }

    #[test]
    fn free_ranging_climbs_after_three_readings_and_says_so() {
        let mut bus = bus_with(quiet(1.0));
        let mut chip = As7331::new(As7331Settings::default()).unwrap();
        for _ in 0..3 {
            let reading = measure(&mut chip, &mut bus).unwrap();
            assert_eq!((reading.range, reading.flags), (4, Flags::NONE));
        }
        let reading = measure(&mut chip, &mut bus).unwrap();
        // 1.0 is below 0.3 of 3.4 (range 10), not of 1.7 (range 11).
        assert_eq!((reading.range, reading.flags), (10, Flags::RANGE_CHANGED));
        assert_eq!(measure(&mut chip, &mut bus).unwrap().flags, Flags::NONE);
    }

    #[test]
    fn counts_do_not_follow_the_chips_clock_and_the_instant_is_mid_integration() {
        for clock in [0.75, 1.0, 1.25] {
            let mut bus = bus_with(quiet(66.406_25).with_clock(clock));
            let mut chip = locked(4, 64);
            let reading = measure(&mut chip, &mut bus).unwrap();
            assert_eq!(reading.counts, 20_000, "clock {clock}");
            // 3 ms to wake, one conversion discarded (85.33 ms), half of 64 ms.
            assert!((reading.at.seconds() - 0.120_333).abs() < 1e-5, "{:?}", reading.at);
        }
    }

    #[test]
    fn a_clock_slower_than_the_datasheet_allows_is_waited_for() {
        let mut bus = bus_with(quiet(66.406_25).with_clock(0.70));
        let reading = measure(&mut locked(4, 64), &mut bus).unwrap();
        // Asking too early disturbs the conversion, as the emulator shows.
        assert_eq!(reading.counts, 19_000);
    }

    #[test]
    fn early_calls_leave_the_bus_alone() {
        let mut bus = bus_with(quiet(66.406_25));
        let mut chip = locked(4, 64);
        let mut now = Mono::default();
        for _ in 0..1000 {
            bus.set_now(now);
            if let Step::Done(reading) = chip.step(&mut bus, now).unwrap() {
                assert_eq!(reading.counts, 20_000);
                return;
            }
            now = now + Duration::from_millis(1);
        }
        panic!("never done");
    }

    #[test]
    fn an_impostor_is_refused() {
        let mut bus = bus_with(quiet(10.0));
        bus.strike(0x74, Trouble::Impostor { identity: 0x5b });
        let fault = measure(&mut locked(4, 64), &mut bus).unwrap_err();
        assert_eq!(fault, SensorFault::WrongChip { address: 0x74, expected: "AS7331", found: 0x5b });
    }

    #[test]
    fn a_chip_that_does_not_keep_its_settings_is_refused() {
        /// Knows one byte, and that is the identity.
        struct Parrot;
        impl EmulatedChip for Parrot {
            fn write(&mut self, _: Mono, _: &[u8]) {}
            fn read(&mut self, _: Mono, buffer: &mut [u8]) {
                buffer.fill(IDENTITY);
            }
            fn suffer(&mut self, _: Mono, _: Trouble) {}
        }
        let mut bus = EmulatedBus::default();
        bus.attach(0x74, Parrot);
        let fault = locked(4, 64).step(&mut bus, Mono::default()).unwrap_err();
        assert_eq!(fault, SensorFault::SettingsLost { address: 0x74 });
    }

    #[test]
    fn a_brown_out_in_any_phase_is_noticed_and_survived() {
        // The 1st step sets up, the 2nd converts for nothing, the 3rd in earnest, the 4th is done.
        for steps in 1..=4 {
            let mut bus = bus_with(quiet(66.406_25));
            let mut chip = locked(4, 64);
            for _ in 0..steps {
                let now = bus.now();
                if let Step::Wait(until) = chip.step(&mut bus, now).unwrap() {
                    bus.set_now(until);
                }
            }
            bus.strike(0x74, Trouble::BrownOut);
            let fault = measure(&mut chip, &mut bus).unwrap_err();
            assert_eq!(fault, SensorFault::SettingsLost { address: 0x74 }, "after {steps} steps");
            Chip::<EmulatedBus>::reset(&mut chip);
            assert_eq!(measure(&mut chip, &mut bus).unwrap().counts, 20_000);
        }
    }

    #[test]
    fn settings_that_do_not_exist_are_refused() {
        let with = |address, time_ms, ranging| As7331::new(As7331Settings { address, time_ms, ranging });
        assert!(matches!(with(0x73, 64, Ranging::Free), Err(SetupError::Address { .. })));
        assert!(matches!(with(0x74, 128, Ranging::Free), Err(SetupError::Time { .. })));
        assert!(matches!(with(0x74, 0, Ranging::Free), Err(SetupError::Time { .. })));
        assert!(matches!(with(0x77, 1, Ranging::Locked(12)), Err(SetupError::Range { .. })));
    }
}
