//! ADS1013/4/5 (12 bit) and ADS1113/4/5 (16 bit) with an analogue UV photodiode.
//!
//! Source: datasheet SBAS444D and the Linux driver ti-ads1015. Single-shot
//! conversions: the instant at which a conversion begins is then known, the
//! result cannot be an old one, and the gain may differ from one to the next.
//!
//! The crate `ads1x1x` is not used: it owns its bus and keeps its configuration
//! inside, so that several chips on one bus and a set-up from nothing after a
//! fault would have to be built around it with more code than is here.

use std::time::Duration;

use super::auto_range::AutoRange;
use super::{Bus, Chip, Ranging, SensorFault, SetupError, Step, check_address};
use crate::light::{Flags, Reading, Seen};
use crate::quantity::{Irradiance, Mono};

/// The registers, shared with the emulator.
pub(super) mod register {
    pub(in crate::chips) const CONVERSION: u8 = 0;
    pub(in crate::chips) const CONFIG: u8 = 1;
    /// The thresholds of the comparator, low and high, with what they hold after power-on
    /// (SBAS444D, 8.6.4). Nothing here sets them, so they serve as an identity.
    pub(in crate::chips) const THRESHOLDS: [(u8, u16); 2] = [(0x02, 0x8000), (0x03, 0x7FFF)];

    /// Config: written, begins a conversion; read, none is under way.
    pub(in crate::chips) const IDLE: u16 = 0x8000;
    /// Config: input AIN0 against ground.
    pub(in crate::chips) const AIN0: u16 = 0b100 << 12;
    /// Config: single conversions.
    pub(in crate::chips) const SINGLE: u16 = 0x0100;
    /// Config: comparator off.
    pub(in crate::chips) const NO_COMPARATOR: u16 = 0x0003;
    /// Config: where the range is.
    pub(in crate::chips) const RANGE_SHIFT: u16 = 9;
    /// Config: where the rate is.
    pub(in crate::chips) const RATE_SHIFT: u16 = 5;
    /// Config after power-on.
    pub(in crate::chips) const AT_RESET: u16 = 0x8583;
}
use register::{AIN0, CONFIG, CONVERSION, IDLE, NO_COMPARATOR, RANGE_SHIFT, RATE_SHIFT, SINGLE, THRESHOLDS};

/// Full scales in V by range, which is also the code in the configuration.
pub(super) const FULL_SCALES_V: &[f64] = &[6.144, 4.096, 2.048, 1.024, 0.512, 0.256];
/// ±4.096 V: the supply of a Pi fits.
const FIRST_RANGE: u8 = 1;
/// ±2.048 V, the only range of ADS1013 and ADS1113.
const FIXED_RANGE: u8 = 2;
/// The clock may be a tenth slow (datasheet, "data rate variation").
const SLOW: f64 = 1.1;
/// That many different counts with an empty low nibble make a 12-bit part.
const COARSE_AFTER: u8 = 64;

/// A part of the family.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Part {
    /// 12 bit, ±2.048 V, one differential input.
    Ads1013,
    /// 12 bit, six ranges, one differential input.
    Ads1014,
    /// 12 bit, six ranges, four inputs.
    Ads1015,
    /// 16 bit, ±2.048 V, one differential input.
    Ads1113,
    /// 16 bit, six ranges, one differential input.
    Ads1114,
    /// 16 bit, six ranges, four inputs.
    Ads1115,
}

impl Part {
    /// Its name as printed on it.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Ads1013 => "ADS1013",
            Self::Ads1014 => "ADS1014",
            Self::Ads1015 => "ADS1015",
            Self::Ads1113 => "ADS1113",
            Self::Ads1114 => "ADS1114",
            Self::Ads1115 => "ADS1115",
        }
    }

    /// Its data rates in samples per second, by code.
    #[must_use]
    pub const fn rates_sps(self) -> [u16; 8] {
        if self.is_12_bit() {
            [128, 250, 490, 920, 1600, 2400, 3300, 3300]
        } else {
            [8, 16, 32, 64, 128, 250, 475, 860]
        }
    }

    /// The full scales it has, in volts (datasheet SBAS444D, table of PGA
    /// settings; ADS1013 and ADS1113 have no amplifier).
    #[must_use]
    pub const fn full_scales_v(self) -> &'static [f64] {
        if self.has_ranges() { FULL_SCALES_V } else { &[2.048] }
    }

    /// Whether it resolves 12 bits, which stand in the upper 12 of 16.
    #[must_use]
    pub const fn is_12_bit(self) -> bool {
        matches!(self, Self::Ads1013 | Self::Ads1014 | Self::Ads1015)
    }

    const fn has_ranges(self) -> bool {
        !matches!(self, Self::Ads1013 | Self::Ads1113)
    }

    const fn has_inputs(self) -> bool {
        matches!(self, Self::Ads1015 | Self::Ads1115)
    }
}

/// An analogue UV photodiode: volts rise linearly with irradiance.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Photodiode {
    /// V per W/m².
    pub volts_per_w_m2: f64,
    /// V in the dark.
    pub zero_v: f64,
    /// V above which its output cannot rise, where known: its supply.
    pub ceiling_v: Option<f64>,
}

impl Photodiode {
    /// What a voltage tells of the light, with the flags that belong to it.
    /// `full`: the converter was at its end.
    #[must_use]
    pub fn seen(&self, volts: f64, full: bool) -> (Seen, Flags) {
        let (irradiance, clamped) = self.irradiance(volts);
        let flags = if clamped { Flags::CLAMPED } else { Flags::NONE };
        if full || volts >= self.ceiling() {
            (Seen::AtLeast(irradiance), flags.with(Flags::SATURATED))
        } else {
            (Seen::Exactly(irradiance), flags)
        }
    }

    /// E = (V − V0) / k, and whether a negative one was set to zero.
    fn irradiance(&self, volts: f64) -> (Irradiance, bool) {
        let w_m2 = (volts - self.zero_v) / self.volts_per_w_m2;
        (Irradiance::from_w_m2(w_m2.max(0.0)), w_m2 < 0.0)
    }

    /// V = V0 + k E, up to the ceiling: what the part puts out.
    #[must_use]
    pub fn volts(&self, irradiance: Irradiance) -> f64 {
        (self.zero_v + self.volts_per_w_m2 * irradiance.w_m2()).min(self.ceiling())
    }

    fn ceiling(&self) -> f64 {
        self.ceiling_v.unwrap_or(f64::INFINITY)
    }

    fn makes_sense(&self) -> bool {
        self.volts_per_w_m2.is_finite()
            && self.volts_per_w_m2 > 0.0
            && self.zero_v.is_finite()
            && self.zero_v < self.ceiling()
    }
}

/// Volts of a result: counts × full scale / 2^15 (datasheet, "data format").
fn volts(counts: i16, range: u8) -> f64 {
    f64::from(counts) * FULL_SCALES_V[usize::from(range)] / 32_768.0
}

/// How an ADS1x1x is to be used.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ads1x1xSettings {
    /// Which part: it cannot be told from outside.
    pub part: Part,
    /// 7-bit address, 0x48 to 0x4b.
    pub address: u8,
    /// Samples per second, one of [`Part::rates_sps`]; a conversion takes its
    /// inverse. The slowest evens out a flickering lamp best.
    pub rate_sps: u16,
    /// Range 0 is ±6.144 V, 5 is ±0.256 V. A part with one range knows only
    /// `Free`.
    pub ranging: Ranging,
    /// What is wired to AIN0 (to AIN0 and AIN1 where there is no choice).
    pub photodiode: Photodiode,
}

#[derive(Debug, Clone, Copy)]
enum Phase {
    /// Nothing is known of the chip.
    Unset,
    /// Nothing under way.
    Idle,
    /// Converting since `started`, done at `ready` or soon after.
    Converting { started: Mono, ready: Mono, discard: bool },
}

/// Driver for the ADS1x1x family.
#[derive(Debug)]
pub struct Ads1x1x {
    part: Part,
    address: u8,
    rate_code: u8,
    photodiode: Photodiode,
    range: AutoRange,
    /// The configuration in the chip, without [`IDLE`].
    written: u16,
    phase: Phase,
    last_counts: i16,
    /// Different counts in a row with an empty low nibble.
    empty_nibbles: u8,
}

impl Ads1x1x {
    /// A driver; the bus is not touched yet.
    ///
    /// # Errors
    /// [`SetupError`] when address, rate or range do not exist, or the
    /// photodiode's figures make no sense.
    pub fn new(settings: Ads1x1xSettings) -> Result<Self, SetupError> {
        let Ads1x1xSettings { part, address, rate_sps, ranging, photodiode } = settings;
        check_address(part.name(), address, 0x48, 0x4B)?;
        let rates = part.rates_sps();
        let Some(rate_code) = rates.iter().position(|&rate| rate == rate_sps) else {
            return Err(SetupError::Rate { part: part.name(), sps: rate_sps, rates });
        };
        if !photodiode.makes_sense() {
            return Err(SetupError::Photodiode);
        }
        let ranging = if part.has_ranges() { ranging } else { Ranging::Locked(FIXED_RANGE) };
        Ok(Self {
            part,
            address,
            rate_code: rate_code as u8,
            photodiode,
            range: AutoRange::new(part.name(), FULL_SCALES_V, ranging, FIRST_RANGE)?,
            written: 0,
            phase: Phase::Unset,
            last_counts: 0,
            empty_nibbles: 0,
        })
    }

    /// The configuration wanted. Bits that a part does not have stay as they
    /// are at reset.
    fn wanted(&self) -> u16 {
        let input = if self.part.has_inputs() { AIN0 } else { 0 };
        let range = u16::from(self.range.wanted()) << RANGE_SHIFT;
        input | range | SINGLE | u16::from(self.rate_code) << RATE_SHIFT | NO_COMPARATOR
    }

    /// How long a conversion takes under a configuration, in seconds.
    fn conversion_s(&self, config: u16) -> f64 {
        let code = usize::from(config >> RATE_SHIFT & 7);
        1.0 / f64::from(self.part.rates_sps()[code])
    }

    fn read<B: Bus>(&self, bus: &mut B, register: u8) -> Result<u16, SensorFault> {
        let mut bytes = [0; 2];
        bus.fetch(self.address, register, &mut bytes)?;
        Ok(u16::from_be_bytes(bytes))
    }

    /// Begins a conversion. After a change of configuration the chip may first
    /// finish one under the old one, so both are waited for and the result is
    /// discarded.
    fn start<B: Bus>(&mut self, bus: &mut B, now: Mono) -> Result<Step, SensorFault> {
        let wanted = self.wanted();
        let [high, low] = (wanted | IDLE).to_be_bytes();
        bus.put(self.address, &[CONFIG, high, low])?;
        let discard = self.written != wanted;
        let old_s = if discard { self.conversion_s(self.written) } else { 0.0 };
        self.written = wanted;
        let ready = now.plus_seconds((old_s + self.conversion_s(wanted)) * SLOW);
        self.phase = Phase::Converting { started: now, ready, discard };
        Ok(Step::Wait(ready))
    }

    fn collect<B: Bus>(
        &mut self,
        bus: &mut B,
        now: Mono,
        started: Mono,
        discard: bool,
    ) -> Result<Step, SensorFault> {
        let config = self.read(bus, CONFIG)?;
        // A part without inputs, used as it is at reset, cannot show a reset.
        if config & !IDLE != self.written {
            return Err(SensorFault::SettingsLost { address: self.address });
        }
        if config & IDLE == 0 {
            let ready = now.plus_seconds(self.conversion_s(self.written) / 8.0);
            self.phase = Phase::Converting { started, ready, discard };
            return Ok(Step::Wait(ready));
        }
        let counts = self.read(bus, CONVERSION)?.cast_signed();
        self.phase = Phase::Idle;
        let saturated = counts >= if self.part.is_12_bit() { 0x7FF0 } else { i16::MAX };
        if discard || saturated && self.range.escape() {
            return self.start(bus, now);
        }
        Ok(Step::Done(self.reading(started, counts, saturated)))
    }

    fn reading(&mut self, started: Mono, counts: i16, saturated: bool) -> Reading {
        let range = self.range.wanted();
        let volts = volts(counts, range);
        let span = Duration::from_secs_f64(self.conversion_s(self.written));
        let (seen, flags) = self.photodiode.seen(volts, saturated);
        let mut flags = flags.with(self.range.observe(volts.abs()));
        if self.is_coarse(counts) {
            flags = flags.with(Flags::COARSE);
        }
        let at = started + span / 2;
        Reading { at, span, seen, counts: counts.into(), range, flags, temperature_c: None }
    }

    /// Whether a part sold as 16 bit shows 12 (a relabelled one).
    fn is_coarse(&mut self, counts: i16) -> bool {
        if counts != self.last_counts {
            self.last_counts = counts;
            self.empty_nibbles = if counts & 0xF == 0 { self.empty_nibbles.saturating_add(1) } else { 0 };
        }
        !self.part.is_12_bit() && self.empty_nibbles >= COARSE_AFTER
    }
}

impl<B: Bus> Chip<B> for Ads1x1x {
    fn step(&mut self, bus: &mut B, now: Mono) -> Result<Step, SensorFault> {
        match self.phase {
            Phase::Unset => {
                for (threshold, at_power_on) in THRESHOLDS {
                    if self.read(bus, threshold)? != at_power_on {
                        let (address, expected) = (self.address, self.part.name());
                        return Err(SensorFault::UnlikeChip { address, expected });
                    }
                }
                // Whatever it was told to do by someone else may still be under way.
                self.written = self.read(bus, CONFIG)? & !IDLE;
                self.start(bus, now)
            }
            Phase::Idle => self.start(bus, now),
            Phase::Converting { ready, .. } if now < ready => Ok(Step::Wait(ready)),
            Phase::Converting { started, discard, .. } => self.collect(bus, now, started, discard),
        }
    }

    fn reset(&mut self) {
        self.phase = Phase::Unset;
    }

    /// A measurement, saturated; a conversion under the old range and one
    /// under the new, discarded; one kept. The old rate may be the slowest.
    fn longest(&self) -> Duration {
        let slowest_s = 1.0 / f64::from(self.part.rates_sps()[0]);
        Duration::from_secs_f64(SLOW * (slowest_s + 3.0 * self.conversion_s(self.wanted())))
    }

    /// Its noise is below the last bit at ±2.048 V and above (datasheet,
    /// "noise performance"): a steady lamp gives equal counts in good health.
    fn flickers(&self) -> bool {
        false
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::chips::emulated::{EmulatedAds1x1x, EmulatedBus, EmulatedVeml6075, Trouble};
    use crate::chips::test_bench::{measure, steady};

    /// 4.3 V/µA GaN photodiode breakout.
    const BREAKOUT: Photodiode = Photodiode { volts_per_w_m2: 0.04859, zero_v: 0.0, ceiling_v: None };
    /// One volt per W/m²: counts are easy to reckon.
    const PLAIN: Photodiode = Photodiode { volts_per_w_m2: 1.0, zero_v: 0.0, ceiling_v: None };

    const PARTS: [Part; 6] =
        [Part::Ads1013, Part::Ads1014, Part::Ads1015, Part::Ads1113, Part::Ads1114, Part::Ads1115];

    fn driver(part: Part, rate_sps: u16, ranging: Ranging, photodiode: Photodiode) -> Ads1x1x {
        Ads1x1x::new(Ads1x1xSettings { part, address: 0x48, rate_sps, ranging, photodiode }).unwrap()
    }

    fn emulator(part: Part, w_m2: f64, photodiode: Photodiode) -> EmulatedAds1x1x {
        EmulatedAds1x1x::new(part, photodiode, steady(w_m2))
    }

    fn bus_with(chip: EmulatedAds1x1x) -> EmulatedBus {
        let mut bus = EmulatedBus::default();
        bus.attach(0x48, chip);
        bus
    }

    #[test]
    fn datasheet_values() {
        // SBAS444D: LSB 125 µV at ±4.096 V. 4.3 V/µA GaN photodiode breakout.
        assert!((volts(0x2690, 1) - 1.2340).abs() < 1e-12);
        assert!((BREAKOUT.irradiance(1.2340).0.w_m2() - 25.396).abs() < 5e-4);
        // 1.0 V at zero and 1.8 V over 150 W/m² (280-390 nm photodiode).
        let offset = Photodiode { volts_per_w_m2: 1.8 / 150.0, zero_v: 1.0, ceiling_v: None };
        assert!((offset.irradiance(1.2).0.w_m2() - 16.67).abs() < 5e-3);
        // SBAS444D, table of LSB sizes in µV.
        let lsb_uv = [187.5, 125.0, 62.5, 31.25, 15.625, 7.8125];
        for (range, expected) in lsb_uv.into_iter().enumerate() {
            assert!((volts(1, range as u8) * 1e6 - expected).abs() < 1e-9);
        }
    }

    #[test]
    fn another_chip_at_its_address_is_reported_as_that() {
        let mut bus = EmulatedBus::default();
        bus.attach(0x48, EmulatedVeml6075::new(steady(20.0)));
        let mut chip = driver(Part::Ads1115, 128, Ranging::Free, PLAIN);
        let fault = chip.step(&mut bus, Mono::default()).unwrap_err();
        assert_eq!(fault, SensorFault::UnlikeChip { address: 0x48, expected: "ADS1115" });
    }

    #[test]
    fn the_configuration_is_the_datasheets() {
        // SBAS444D: single shot, AIN0, ±4.096 V, 128 SPS.
        let chip = driver(Part::Ads1115, 128, Ranging::Locked(1), PLAIN);
        assert_eq!(chip.wanted() | IDLE, 0xC383);
        // A part without inputs and ranges is used as it is at reset.
        let plain = driver(Part::Ads1113, 128, Ranging::Free, PLAIN);
        assert_eq!(plain.wanted() | IDLE, register::AT_RESET);
    }

    #[test]
    fn every_range_and_rate_through_driver_and_emulator() {
        for part in PARTS {
            let ranges = if part.has_ranges() { 0..6 } else { FIXED_RANGE..FIXED_RANGE + 1 };
            for range in ranges {
                for rate_sps in part.rates_sps() {
                    for counts in [0i32, 16, 0x2690, 0x7FE0] {
                        let v = f64::from(counts) * FULL_SCALES_V[usize::from(range)] / 32_768.0;
                        let mut bus = bus_with(emulator(part, v, PLAIN));
                        let mut chip = driver(part, rate_sps, Ranging::Locked(range), PLAIN);
                        let reading = measure(&mut chip, &mut bus).unwrap();
                        assert_eq!(reading.counts, counts, "{part:?} range {range} at {rate_sps}");
                        assert!((reading.seen.lowest().w_m2() - v).abs() < 1e-9);
                        assert_eq!((reading.range, reading.flags), (range, Flags::NONE));
                    }
                }
            }
        }
    }

    #[test]
    fn saturation_is_a_lower_bound() {
        for part in [Part::Ads1015, Part::Ads1115] {
            let mut bus = bus_with(emulator(part, 3.0, PLAIN));
            let reading = measure(&mut driver(part, 128, Ranging::Locked(2), PLAIN), &mut bus).unwrap();
            let Seen::AtLeast(bound) = reading.seen else { panic!("not saturated: {reading:?}") };
            assert!((2.046..2.048).contains(&bound.w_m2()));
            assert_eq!(reading.flags, Flags::SATURATED);

            let reading = measure(&mut driver(part, 128, Ranging::Free, PLAIN), &mut bus).unwrap();
            assert!(!reading.seen.is_bound());
        }
    }

    #[test]
    fn a_photodiode_at_its_supply_is_a_lower_bound_too() {
        let supplied = Photodiode { ceiling_v: Some(3.3), ..BREAKOUT };
        let mut bus = bus_with(emulator(Part::Ads1115, 90.0, supplied));
        let reading = measure(&mut driver(Part::Ads1115, 8, Ranging::Free, supplied), &mut bus).unwrap();
        let Seen::AtLeast(bound) = reading.seen else { panic!("not saturated: {reading:?}") };
        // 3.3 V / 0.04859 V per W/m².
        assert!((bound.w_m2() - 67.915).abs() < 1e-3);
    }

    #[test]
    fn a_conversion_begun_by_someone_else_is_waited_for() {
        for clock in [0.9, 1.0, 1.1] {
            let mut chip = emulator(Part::Ads1115, 1.0, PLAIN).with_clock(clock);
            // Continuous, AIN0, ±6.144 V, 8 SPS, under way since long.
            chip.configure(Mono::from_seconds(-0.06), 0x4003);
            let mut bus = bus_with(chip);
            let reading = measure(&mut driver(Part::Ads1115, 860, Ranging::Free, PLAIN), &mut bus).unwrap();
            assert_eq!((reading.counts, reading.flags), (8000, Flags::NONE), "clock {clock}");
            // (1/8 + 1/860) x 1.1, and one conversion of the own rate at the most.
            assert!((0.1388..0.1418).contains(&reading.at.seconds()), "{:?}", reading.at);
        }
    }

    #[test]
    fn one_conversion_is_discarded_after_a_change_of_range() {
        let mut bus = bus_with(emulator(Part::Ads1115, 0.1, PLAIN));
        let mut chip = driver(Part::Ads1115, 8, Ranging::Free, PLAIN);
        for _ in 0..3 {
            assert_eq!(measure(&mut chip, &mut bus).unwrap().range, 1);
        }
        let before = bus.now();
        let reading = measure(&mut chip, &mut bus).unwrap();
        // 0.1 is below 0.3 of 0.512, not of 0.256.
        assert_eq!((reading.range, reading.flags), (4, Flags::RANGE_CHANGED));
        // (1/8 + 1/8) x 1.1 discarded, then half of 1/8.
        assert!((reading.at.seconds_since(before) - (0.275 + 0.0625)).abs() < 1e-6);
    }

    #[test]
    fn below_the_dark_voltage_is_zero_and_flagged() {
        let offset = Photodiode { zero_v: 1.0, ..PLAIN };
        let dark = Photodiode { zero_v: 0.9, ..PLAIN };
        let mut bus = bus_with(emulator(Part::Ads1115, 0.0, dark));
        let reading = measure(&mut driver(Part::Ads1115, 8, Ranging::Free, offset), &mut bus).unwrap();
        assert_eq!((reading.seen, reading.flags), (Seen::Exactly(Irradiance::ZERO), Flags::CLAMPED));
    }

    #[test]
    fn a_relabelled_part_is_flagged_after_64_different_counts() {
        let climbing = Box::new(|at: Mono| Irradiance::from_w_m2(1.0 + at.seconds() / 20.0));
        let mut bus = bus_with(EmulatedAds1x1x::new(Part::Ads1015, PLAIN, climbing));
        // The rate code 0 is 8 SPS in one part and 128 in the other.
        let mut chip = driver(Part::Ads1115, 8, Ranging::Locked(1), PLAIN);
        let coarse: Vec<bool> =
            (0..80).map(|_| measure(&mut chip, &mut bus).unwrap().flags.has(Flags::COARSE)).collect();
        assert!(!coarse[..60].contains(&true));
        assert!(coarse[79]);
    }

    #[test]
    fn a_brown_out_is_noticed_and_survived() {
        let mut bus = bus_with(emulator(Part::Ads1115, 1.0, PLAIN));
        let mut chip = driver(Part::Ads1115, 8, Ranging::Locked(1), PLAIN);
        assert!(matches!(chip.step(&mut bus, Mono::default()), Ok(Step::Wait(_))));
        bus.strike(0x48, Trouble::BrownOut);
        let fault = measure(&mut chip, &mut bus).unwrap_err();
        assert_eq!(fault, SensorFault::SettingsLost { address: 0x48 });
        Chip::<EmulatedBus>::reset(&mut chip);
        assert_eq!(measure(&mut chip, &mut bus).unwrap().counts, 8000);
    }

    #[test]
    fn settings_that_do_not_exist_are_refused() {
        let good = Ads1x1xSettings {
            part: Part::Ads1115,
            address: 0x48,
            rate_sps: 8,
            ranging: Ranging::Free,
            photodiode: BREAKOUT,
        };
        let refused = |settings| Ads1x1x::new(settings).unwrap_err();
        assert!(matches!(refused(Ads1x1xSettings { address: 0x4C, ..good }), SetupError::Address { .. }));
        assert!(matches!(refused(Ads1x1xSettings { rate_sps: 100, ..good }), SetupError::Rate { .. }));
        let range = Ranging::Locked(6);
        assert!(matches!(refused(Ads1x1xSettings { ranging: range, ..good }), SetupError::Range { .. }));
        for (volts_per_w_m2, zero_v) in [(0.0, 0.0), (-1.0, 0.0), (f64::NAN, 0.0), (1.0, f64::NAN)] {
            let photodiode = Photodiode { volts_per_w_m2, zero_v, ceiling_v: None };
            assert_eq!(refused(Ads1x1xSettings { photodiode, ..good }), SetupError::Photodiode);
        }
    }

    proptest! {
        #[test]
        fn any_light_comes_back_within_one_step(w_m2 in 0.0..60.0, clock in 0.9..1.1, rate in 0usize..8) {
            let mut bus = bus_with(emulator(Part::Ads1115, w_m2, BREAKOUT).with_clock(clock));
            let rate_sps = Part::Ads1115.rates_sps()[rate];
            let mut chip = driver(Part::Ads1115, rate_sps, Ranging::Free, BREAKOUT);
            for _ in 0..8 {
                let reading = measure(&mut chip, &mut bus).unwrap();
                let step = volts(1, reading.range) / BREAKOUT.volts_per_w_m2;
                let Seen::Exactly(seen) = reading.seen else { panic!("{reading:?}") };
                prop_assert!((seen.w_m2() - w_m2).abs() <= step, "{reading:?}");
            }
        }
    }
}
