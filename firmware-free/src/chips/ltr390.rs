//! LTR-390UV-01, a digital sensor that knows the UV index; its UV channel is read.
//!
//! Sources: datasheet LTR-390UV-01 V1.4 and the Linux driver ltr390. The chip
//! measures by itself; every measurement here begins with a write to MAIN_CTRL,
//! which restarts it, so that the instant at which it begins is known.
//!
//! Counts become a UV index. How many make one differs between revisions of the
//! datasheet, and none tells W/m²: without a factor of the user's own the
//! readings are UV indices and flagged [`Flags::UNCALIBRATED`].

use std::time::Duration;

use super::auto_range::AutoRange;
use super::{Bus, BusFault, Chip, Ranging, SensorFault, SetupError, Step};
use crate::light::{Flags, Reading, Seen};
use crate::quantity::{Irradiance, Mono};

const PART: &str = "LTR-390";
const ADDRESS: u8 = 0x53;
const TIMES: &str = "12.5, 25, 50, 100, 200 and 400 ms";

/// The registers, shared with the emulator.
pub(super) mod register {
    pub(in crate::chips) const MAIN_CTRL: u8 = 0x00;
    pub(in crate::chips) const MEAS_RATE: u8 = 0x04;
    pub(in crate::chips) const GAIN: u8 = 0x05;
    pub(in crate::chips) const PART_ID: u8 = 0x06;
    pub(in crate::chips) const STATUS: u8 = 0x07;
    /// Three bytes, the lowest first.
    pub(in crate::chips) const UVS_DATA: u8 = 0x10;

    /// PART_ID: the part number; the low nibble is the revision.
    pub(in crate::chips) const PART_NUMBER: u8 = 0xB0;
    pub(in crate::chips) const PART_NUMBER_MASK: u8 = 0xF0;

    /// MAIN_CTRL: back to the state after power-on. Not acknowledged.
    pub(in crate::chips) const RESET: u8 = 0x10;
    /// MAIN_CTRL: measures UV.
    pub(in crate::chips) const UV_ON: u8 = 0x0A;

    /// MEAS_RATE: where the resolution is, and with it the integration time.
    pub(in crate::chips) const RESOLUTION_SHIFT: u8 = 4;
    /// MEAS_RATE: begins a measurement by itself every 2 s, the slowest it can.
    pub(in crate::chips) const EVERY_2_S: u8 = 0x06;

    /// STATUS: there is a result that was not read; cleared by reading.
    pub(in crate::chips) const NEW_DATA: u8 = 0x08;
    /// STATUS: the supply came, or came back; cleared by reading.
    pub(in crate::chips) const POWERED_ON: u8 = 0x20;
}
use register::{
    EVERY_2_S, GAIN, MAIN_CTRL, MEAS_RATE, NEW_DATA, PART_ID, PART_NUMBER, PART_NUMBER_MASK, POWERED_ON,
    RESET, RESOLUTION_SHIFT, STATUS, UV_ON, UVS_DATA,
};

/// Bits and integration time by resolution code (datasheet, "ALS_UVS_MEAS_RATE").
pub(super) const RESOLUTIONS: [(u32, Duration); 6] = [
    (20, Duration::from_micros(400_000)),
    (19, Duration::from_micros(200_000)),
    (18, Duration::from_micros(100_000)),
    (17, Duration::from_micros(50_000)),
    (16, Duration::from_micros(25_000)),
    (13, Duration::from_micros(12_500)),
];
/// Full scale by range as a share of the least sensitive range's.
const FULL_SCALES: &[f64] = &[1.0, 1.0 / 3.0, 1.0 / 6.0, 1.0 / 9.0, 1.0 / 18.0];
/// Gain 18: the counts of a bright sun fill a fiftieth of it.
const FIRST_RANGE: u8 = 4;
/// The chip begins a measurement of its own after that time (see [`EVERY_2_S`]).
const ALONE: Duration = Duration::from_secs(2);
/// From a reset to the first word (datasheet, "start-up").
const RESETTING: Duration = Duration::from_millis(10);

/// The gain that the counts per UV index are given for.
const GAIN_OF_UV_INDEX: f64 = 18.0;
/// The integration time that they are given for, in seconds.
const TIME_OF_UV_INDEX_S: f64 = 0.4;

/// Counts that one UV index gives at a gain and an integration time, from those
/// at gain 18 and 400 ms (datasheet, "UV index"; Linux driver, `ltr390_counts_per_uvi`).
pub(super) fn counts_per_uvi(at_most_sensitive: f64, range: u8, time: Duration) -> f64 {
    let gain = f64::from(Ltr390::GAINS[usize::from(range)]) / GAIN_OF_UV_INDEX;
    at_most_sensitive * gain * time.as_secs_f64() / TIME_OF_UV_INDEX_S
}

/// How an LTR-390 is to be used.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ltr390Settings {
    /// 12.5, 25, 50, 100, 200 or 400 ms, which gives 13 and 16 to 20 bits.
    pub time: Duration,
    /// Range n is gain n of [`Ltr390::GAINS`].
    pub ranging: Ranging,
    /// Counts for one UV index at gain 18 and 400 ms: 1400 in revision 1.4 of
    /// the datasheet, 2300 in revision 1.1.
    pub counts_per_uvi: f64,
    /// W/m² for one UV index, from a comparison with a meter under the light in
    /// use; without it readings are UV indices.
    pub w_m2_per_uvi: Option<f64>,
}

impl Default for Ltr390Settings {
    fn default() -> Self {
        Self {
            time: Duration::from_millis(400),
            ranging: Ranging::Free,
            counts_per_uvi: 1400.0,
            w_m2_per_uvi: None,
        }
    }
}

/// Refuses a factor that is not above zero.
fn check_factor(key: &'static str, factor: f64) -> Result<(), SetupError> {
    if factor.is_finite() && factor > 0.0 { Ok(()) } else { Err(SetupError::Factor { part: PART, key }) }
}

#[derive(Debug, Clone, Copy)]
enum Phase {
    /// Nothing is known of the chip.
    Unset,
    /// It was reset; it takes its settings from `until` on.
    Resetting { until: Mono },
    /// Nothing under way that is waited for.
    Idle,
    /// Measuring since `started`, done at `ready` or soon after.
    Measuring { started: Mono, ready: Mono, discard: bool },
    /// Done; to be read before the chip begins another by itself.
    Done { started: Mono, discard: bool },
}

/// Driver for the LTR-390UV-01.
#[derive(Debug)]
pub struct Ltr390 {
    settings: Ltr390Settings,
    resolution: u8,
    range: AutoRange,
    /// The range that the chip is set to.
    written: Option<u8>,
    phase: Phase,
}

impl Ltr390 {
    /// Gains by code, which is also the range (datasheet, "ALS_UVS_GAIN").
    pub const GAINS: [u16; 5] = [1, 3, 6, 9, 18];

    /// A driver; the bus is not touched yet.
    ///
    /// # Errors
    /// [`SetupError`] when time or range do not exist, or a factor is
    /// not above zero.
    pub fn new(settings: Ltr390Settings) -> Result<Self, SetupError> {
        let Ltr390Settings { time, ranging, counts_per_uvi, w_m2_per_uvi } = settings;
        check_factor("counts_per_UVI", counts_per_uvi)?;
        check_factor("W_m2_per_UVI", w_m2_per_uvi.unwrap_or(1.0))?;
        let Some(resolution) = RESOLUTIONS.iter().position(|&(_, t)| t == time) else {
            return Err(SetupError::Time { part: PART, time, times: TIMES });
        };
        let range = AutoRange::new(PART, FULL_SCALES, ranging, FIRST_RANGE)?;
        Ok(Self { settings, resolution: resolution as u8, range, written: None, phase: Phase::Unset })
    }

    /// UV index of a result.
    fn uv_index(&self, counts: u32, range: u8) -> f64 {
        f64::from(counts) / counts_per_uvi(self.settings.counts_per_uvi, range, self.settings.time)
    }

    /// The greatest result.
    fn most(&self) -> u32 {
        (1 << RESOLUTIONS[usize::from(self.resolution)].0) - 1
    }

    fn begin_reset<B: Bus>(&mut self, bus: &mut B, now: Mono) -> Result<Step, SensorFault> {
        self.written = None;
        match bus.put(ADDRESS, &[MAIN_CTRL, RESET]) {
            // The chip is already resetting when it should acknowledge. One that
            // is not there is noticed by the next word.
            Ok(()) | Err(SensorFault::Bus { fault: BusFault::NoAcknowledge, .. }) => {}
            Err(fault) => return Err(fault),
        }
        let until = now + RESETTING;
        self.phase = Phase::Resetting { until };
        Ok(Step::Wait(until))
    }

    fn set_up<B: Bus>(&mut self, bus: &mut B, now: Mono) -> Result<Step, SensorFault> {
        let mut part = [0];
        bus.fetch(ADDRESS, PART_ID, &mut part)?;
        if part[0] & PART_NUMBER_MASK != PART_NUMBER {
            return Err(SensorFault::WrongChip { address: ADDRESS, expected: PART, found: part[0].into() });
        }
        // The reset left its mark, which is cleared by reading.
        bus.fetch(ADDRESS, STATUS, &mut [0])?;
        self.start(bus, now)
    }

    /// Writes the settings and sees whether they are kept.
    fn write_settings<B: Bus>(&mut self, bus: &mut B, range: u8) -> Result<(), SensorFault> {
        let wanted = [self.resolution << RESOLUTION_SHIFT | EVERY_2_S, range];
        bus.put(ADDRESS, &[MEAS_RATE, wanted[0]])?;
        bus.put(ADDRESS, &[GAIN, wanted[1]])?;
        let mut kept = [0; 2];
        bus.fetch(ADDRESS, MEAS_RATE, &mut kept)?;
        if kept != wanted {
            return Err(SensorFault::SettingsLost { address: ADDRESS });
        }
        self.written = Some(range);
        Ok(())
    }

    /// Begins a measurement; the first after a change of settings is discarded.
    fn start<B: Bus>(&mut self, bus: &mut B, now: Mono) -> Result<Step, SensorFault> {
        let range = self.range.wanted();
        let discard = self.written != Some(range);
        if discard {
            self.write_settings(bus, range)?;
        }
        bus.put(ADDRESS, &[MAIN_CTRL, UV_ON])?;
        // Clears the announcement of a result that the chip made by itself.
        self.status(bus)?;
        let ready = now + self.settings.time;
        self.phase = Phase::Measuring { started: now, ready, discard };
        Ok(Step::Wait(ready))
    }

    /// STATUS, unless it tells that the supply was away.
    fn status<B: Bus>(&self, bus: &mut B) -> Result<u8, SensorFault> {
        let mut status = [0];
        bus.fetch(ADDRESS, STATUS, &mut status)?;
        if status[0] & POWERED_ON == 0 {
            Ok(status[0])
        } else {
            Err(SensorFault::SettingsLost { address: ADDRESS })
        }
    }

    fn ask<B: Bus>(
        &mut self,
        bus: &mut B,
        now: Mono,
        started: Mono,
        discard: bool,
    ) -> Result<Step, SensorFault> {
        if self.status(bus)? & NEW_DATA == 0 {
            let ready = now + self.settings.time / 8;
            self.phase = Phase::Measuring { started, ready, discard };
            return Ok(Step::Wait(ready));
        }
        self.phase = Phase::Done { started, discard };
        self.collect(bus, now, started, discard)
    }

    fn collect<B: Bus>(
        &mut self,
        bus: &mut B,
        now: Mono,
        started: Mono,
        discard: bool,
    ) -> Result<Step, SensorFault> {
        if now.duration_since(started) >= ALONE {
            // Whoever called was held up: what is there now began at another time.
            return self.start(bus, now);
        }
        let mut bytes = [0; 4];
        bus.fetch(ADDRESS, UVS_DATA, &mut bytes[..3])?;
        self.phase = Phase::Idle;
        let counts = u32::from_le_bytes(bytes) & self.most();
        let saturated = counts == self.most();
        if discard || saturated && self.range.escape() {
            return self.start(bus, now);
        }
        Ok(Step::Done(self.reading(started, counts, saturated)))
    }

    fn reading(&mut self, started: Mono, counts: u32, saturated: bool) -> Reading {
        let range = self.range.wanted();
        let factor = self.settings.w_m2_per_uvi;
        let value = Irradiance::from_w_m2(self.uv_index(counts, range) * factor.unwrap_or(1.0));
        let filled = f64::from(counts) / f64::from(self.most());
        let mut flags = self.range.observe(filled * self.range.full_scale());
        if factor.is_none() {
            flags = flags.with(Flags::UNCALIBRATED);
        }
        let (seen, flags) = if saturated {
            (Seen::AtLeast(value), flags.with(Flags::SATURATED))
        } else {
            (Seen::Exactly(value), flags)
        };
        let span = self.settings.time;
        let at = started + span / 2;
        Reading { at, span, seen, counts: counts.cast_signed(), range, flags, temperature_c: None }
    }
}

impl<B: Bus> Chip<B> for Ltr390 {
    fn step(&mut self, bus: &mut B, now: Mono) -> Result<Step, SensorFault> {
        match self.phase {
            Phase::Unset => self.begin_reset(bus, now),
            Phase::Resetting { until } if now < until => Ok(Step::Wait(until)),
            Phase::Resetting { .. } => self.set_up(bus, now),
            Phase::Idle => self.start(bus, now),
            Phase::Measuring { ready, .. } if now < ready => Ok(Step::Wait(ready)),
            Phase::Measuring { started, discard, .. } => self.ask(bus, now, started, discard),
            Phase::Done { started, discard } => self.collect(bus, now, started, discard),
        }
    }

    fn reset(&mut self) {
        self.written = None;
        self.phase = Phase::Unset;
    }

    /// A measurement, saturated; one in the least sensitive range, discarded;
    /// one kept; each an eighth late and another eighth until it is asked for.
    fn longest(&self) -> Duration {
        RESETTING + self.settings.time * 15 / 4
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::chips::emulated::{EmulatedBus, EmulatedChip, EmulatedLtr390, Trouble};
    use crate::chips::test_bench::{measure, steady};

    /// Counts for one W/m² at gain 18 and 400 ms in the emulated parts; with a
    /// factor of 1 W/m² for one UV index, one count is one count.
    const COUNTS_PER_W_M2: f64 = 1400.0;
    const CALIBRATED: Ltr390Settings = Ltr390Settings {
        time: Duration::from_millis(400),
        ranging: Ranging::Free,
        counts_per_uvi: COUNTS_PER_W_M2,
        w_m2_per_uvi: Some(1.0),
    };

    fn driver(settings: Ltr390Settings) -> Ltr390 {
        Ltr390::new(settings).unwrap()
    }

    fn quiet(w_m2: f64) -> EmulatedLtr390 {
        EmulatedLtr390::new(COUNTS_PER_W_M2, steady(w_m2)).without_noise()
    }

    fn bus_with(chip: EmulatedLtr390) -> EmulatedBus {
        let mut bus = EmulatedBus::default();
        bus.attach(0x53, chip);
        bus
    }

    /// The light that gives so many counts at a gain and a time.
    fn light_for(counts: u32, range: u8, time: Duration) -> f64 {
        f64::from(counts) / counts_per_uvi(COUNTS_PER_W_M2, range, time)
    }

    #[test]
    fn datasheet_values_through_driver_and_emulator() {
        // LTR-390UV-01: 1400 counts for one UV index (V1.4) or 2300 (V1.1) at 18x and 20 bit;
        // C7 12 00 is 4807. At 3x and 18 bit it is a 24th (Linux driver ltr390).
        let cases = [
            (4807, 4, 400, 1400.0, 3.4336),
            (4807, 4, 400, 2300.0, 2.0900),
            (200, 1, 100, 1400.0, 3.4286),
            (200, 1, 100, 2300.0, 2.0870),
        ];
        assert_eq!(u32::from_le_bytes([0xC7, 0x12, 0x00, 0x00]), 4807);
        for (counts, range, ms, counts_per_uvi, uv_index) in cases {
            let (time, ranging) = (Duration::from_millis(ms), Ranging::Locked(range));
            let mut bus = bus_with(quiet(light_for(counts, range, time)));
            let settings = Ltr390Settings { time, ranging, counts_per_uvi, w_m2_per_uvi: None };
            let reading = measure(&mut driver(settings), &mut bus).unwrap();
            assert_eq!(reading.counts, counts.cast_signed());
            assert!((reading.seen.lowest().w_m2() - uv_index).abs() < 5e-5, "{reading:?}");
            assert_eq!((reading.flags, reading.seen.is_bound()), (Flags::UNCALIBRATED, false));
        }
    }

    #[test]
    fn codes_and_sensitivities_are_the_datasheets() {
        // LTR-390UV-01 V1.4, ALS_UVS_MEAS_RATE (every 2000 ms) and ALS_UVS_GAIN; 1400 counts
        // for one UV index at 18x and 400 ms, in proportion to gain and time.
        let rates = [(400_000, 0x06), (200_000, 0x16), (100_000, 0x26), (50_000, 0x36), (25_000, 0x46)];
        for (us, code) in rates.into_iter().chain([(12_500, 0x56)]) {
            let time = Duration::from_micros(us);
            let chip = driver(Ltr390Settings { time, ..CALIBRATED });
            assert_eq!(chip.resolution << RESOLUTION_SHIFT | EVERY_2_S, code);
            for (range, at_400_ms) in [77.778, 233.333, 466.667, 700.0, 1400.0].into_iter().enumerate() {
                let wanted = at_400_ms * us as f64 / 400_000.0;
                assert!((counts_per_uvi(1400.0, range as u8, time) / wanted - 1.0).abs() < 1e-5);
            }
        }
    }

    #[test]
    fn every_gain_and_time_through_driver_and_emulator() {
        for range in 0..5 {
            for (bits, time) in RESOLUTIONS {
                for counts in [0, 5, 1 << (bits - 2), (1 << bits) - 2] {
                    let light = light_for(counts, range, time);
                    let mut bus = bus_with(quiet(light));
                    let ranging = Ranging::Locked(range);
                    let reading =
                        measure(&mut driver(Ltr390Settings { time, ranging, ..CALIBRATED }), &mut bus);
                    let reading = reading.unwrap();
                    assert_eq!(reading.counts, counts.cast_signed(), "range {range}, {bits} bits");
                    assert!((reading.seen.lowest().w_m2() - light).abs() <= 1e-9 * light);
                    assert_eq!((reading.range, reading.flags, reading.span), (range, Flags::NONE, time));
                }
            }
        }
    }

    #[test]
    fn a_factor_makes_the_uv_index_an_irradiance() {
        let mut bus = bus_with(quiet(3.0));
        let settings = Ltr390Settings { w_m2_per_uvi: Some(6.5), ..CALIBRATED };
        let reading = measure(&mut driver(settings), &mut bus).unwrap();
        assert!((reading.seen.lowest().w_m2() - 19.5).abs() < 1e-9);
        assert_eq!(reading.flags, Flags::NONE);
    }

    #[test]
    fn saturation_is_a_lower_bound_and_free_ranging_escapes_it() {
        // 20 bit at gain 18 and 1400 counts end at 749 UV indices.
        let mut bus = bus_with(quiet(1000.0));
        let locked = Ltr390Settings { ranging: Ranging::Locked(4), ..CALIBRATED };
        let reading = measure(&mut driver(locked), &mut bus).unwrap();
        let Seen::AtLeast(bound) = reading.seen else { panic!("not saturated: {reading:?}") };
        assert!((748.0..749.0).contains(&bound.w_m2()), "{bound}");
        assert_eq!(reading.flags, Flags::SATURATED);

        let reading = measure(&mut driver(CALIBRATED), &mut bus).unwrap();
        assert!((reading.seen.lowest().w_m2() - 1000.0).abs() < 0.1 && !reading.seen.is_bound());
        assert_eq!(reading.range, 0);
    }

    #[test]
    fn the_instant_is_mid_integration() {
        for clock in [0.9, 1.0, 1.1] {
            let mut bus = bus_with(quiet(10.0).with_clock(clock));
            let reading = measure(&mut driver(CALIBRATED), &mut bus).unwrap();
            // 10 ms of reset, one measurement discarded, an eighth later when slow.
            let discarded = if clock < 1.0 { 0.45 } else { 0.4 };
            assert!((reading.at.seconds() - (0.01 + discarded + 0.2)).abs() < 1e-6, "{:?}", reading.at);
            assert_eq!(reading.counts, 14_000, "clock {clock}");
        }
    }

    #[test]
    fn a_call_that_comes_too_late_measures_again() {
        let mut bus = bus_with(quiet(10.0));
        let mut chip = driver(CALIBRATED);
        measure(&mut chip, &mut bus).unwrap();
        let now = bus.now();
        chip.step(&mut bus, now).unwrap();
        bus.set_now(now + Duration::from_secs(60));
        let reading = measure(&mut chip, &mut bus).unwrap();
        assert!((reading.at.seconds_since(now) - 60.2).abs() < 1e-6, "{:?}", reading.at);
    }

    #[test]
    fn a_result_that_the_chip_made_by_itself_is_not_taken_for_the_new_one() {
        let climbing = Box::new(|at: Mono| Irradiance::from_w_m2(at.seconds()));
        let chip = EmulatedLtr390::new(COUNTS_PER_W_M2, climbing).with_clock(0.9).without_noise();
        let mut bus = bus_with(chip);
        let mut chip = driver(CALIBRATED);
        measure(&mut chip, &mut bus).unwrap();
        // It goes on every 2 s / 0.9; the next measurement of ours is slow to come.
        bus.set_now(Mono::from_seconds(7.0));
        let reading = measure(&mut chip, &mut bus).unwrap();
        // Mean of t over 7 to 7.444 s.
        assert!((reading.seen.lowest().w_m2() - 7.222).abs() < 2e-3, "{reading:?}");
    }

    #[test]
    fn a_chip_that_does_not_keep_its_settings_is_refused() {
        /// Says that it is the part, and nothing else.
        struct Parrot(u8);
        impl EmulatedChip for Parrot {
            fn write(&mut self, _: Mono, bytes: &[u8]) {
                self.0 = bytes[0];
            }
            fn read(&mut self, _: Mono, buffer: &mut [u8]) {
                buffer.fill(if self.0 == PART_ID { PART_NUMBER } else { 0 });
            }
            fn suffer(&mut self, _: Mono, _: Trouble) {}
        }
        let mut bus = EmulatedBus::default();
        bus.attach(ADDRESS, Parrot(0));
        let fault = measure(&mut driver(CALIBRATED), &mut bus).unwrap_err();
        assert_eq!(fault, SensorFault::SettingsLost { address: ADDRESS });
        assert!(bus.now() < Mono::from_seconds(0.1), "it was told before a measurement");
    }

    #[test]
    fn an_impostor_is_refused_and_another_revision_is_not() {
        for (identity, found) in [(0xB5, None), (0xC2, Some(0xC2))] {
            let mut bus = bus_with(quiet(10.0));
            bus.strike(0x53, Trouble::Impostor { identity });
            let fault = measure(&mut driver(CALIBRATED), &mut bus).err();
            let wrong = |found| SensorFault::WrongChip { address: 0x53, expected: PART, found };
            assert_eq!(fault, found.map(wrong));
        }
    }

    #[test]
    fn a_brown_out_in_any_phase_is_noticed_and_survived() {
        // The 1st step resets, the 2nd measures for nothing, the 3rd in earnest, the 4th is done.
        for steps in 2..=4 {
            let mut bus = bus_with(quiet(10.0));
            let mut chip = driver(CALIBRATED);
            for _ in 0..steps {
                let now = bus.now();
                if let Step::Wait(until) = chip.step(&mut bus, now).unwrap() {
                    bus.set_now(until);
                }
            }
            bus.strike(0x53, Trouble::BrownOut);
            let fault = measure(&mut chip, &mut bus).unwrap_err();
            assert_eq!(fault, SensorFault::SettingsLost { address: 0x53 }, "after {steps} steps");
            Chip::<EmulatedBus>::reset(&mut chip);
            assert_eq!(measure(&mut chip, &mut bus).unwrap().counts, 14_000);
        }
    }

    #[test]
    fn a_transfer_lost_between_announcement_and_result_loses_no_result() {
        let mut bus = bus_with(quiet(10.0));
        let mut chip = driver(CALIBRATED);
        measure(&mut chip, &mut bus).unwrap();
        let started = bus.now();
        chip.step(&mut bus, started).unwrap();
        bus.set_now(started + Duration::from_millis(400));
        // STATUS is read and cleared; then the chip falls silent for a word.
        let (status, now) = (chip.status(&mut bus).unwrap(), bus.now());
        assert_eq!(status & NEW_DATA, NEW_DATA);
        chip.phase = Phase::Done { started, discard: false };
        bus.strike(0x53, Trouble::NoAcknowledge { times: 1 });
        assert!(chip.step(&mut bus, now).is_err());
        let Ok(Step::Done(reading)) = chip.step(&mut bus, now) else { panic!("the result is lost") };
        assert!((reading.at.seconds_since(started) - 0.2).abs() < 1e-9);
    }

    #[test]
    fn settings_that_do_not_exist_are_refused() {
        let refused = |settings| Ltr390::new(settings).unwrap_err();
        let time = Duration::from_millis(300);
        let error = refused(Ltr390Settings { time, ..CALIBRATED });
        assert_eq!(
            error.to_string(),
            "LTR-390 cannot integrate for 300ms; it has 12.5, 25, 50, 100, 200 and 400 ms"
        );
        let ranging = Ranging::Locked(5);
        assert!(matches!(refused(Ltr390Settings { ranging, ..CALIBRATED }), SetupError::Range { .. }));
        for factor in [0.0, -1.0, f64::NAN, f64::INFINITY] {
            let error = refused(Ltr390Settings { counts_per_uvi: factor, ..CALIBRATED });
            assert_eq!(error.to_string(), "LTR-390 needs a counts_per_UVI above zero");
            let error = refused(Ltr390Settings { w_m2_per_uvi: Some(factor), ..CALIBRATED });
            assert_eq!(error.to_string(), "LTR-390 needs a W_m2_per_UVI above zero");
        }
    }

    proptest! {
        #[test]
        fn any_light_comes_back_within_one_step(w_m2 in 0.0..2000.0, clock in 0.9..1.1, code in 0usize..6) {
            let mut bus = bus_with(quiet(w_m2).with_clock(clock));
            let time = RESOLUTIONS[code].1;
            let mut chip = driver(Ltr390Settings { time, ..CALIBRATED });
            for _ in 0..8 {
                let reading = measure(&mut chip, &mut bus).unwrap();
                let step = 1.0 / counts_per_uvi(COUNTS_PER_W_M2, reading.range, time);
                prop_assert!(!reading.seen.is_bound() || w_m2 > 0.99 * f64::from(chip.most()) * step);
                let seen = reading.seen.lowest().w_m2();
                prop_assert!(reading.seen.is_bound() || (seen - w_m2).abs() <= step, "{:?}", reading);
            }
        }
    }
}
