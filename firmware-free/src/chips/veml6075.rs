//! VEML6075, a UV-A and UV-B sensor out of production; its UV-A channel is read.
//!
//! Sources: datasheet VEML6075 rev 1.2, the application note of 2018, and the
//! Linux driver veml6075. Every register is read with a repeated start: after a
//! STOP the chip gives wrong data. It has no flag for a finished measurement,
//! so each one is triggered and waited for.
//!
//! Visible and infrared light that leaks into the UV-A channel is taken off by
//! two more channels. The coefficients are those of sunlight; under a lamp they
//! can take too much, which is flagged [`Flags::CLAMPED`] at the worst.

use std::time::Duration;

use super::auto_range::AutoRange;
use super::{Bus, Chip, Ranging, SensorFault, SetupError, Step};
use crate::light::{Flags, Reading, Seen};
use crate::quantity::{Irradiance, Mono};

const PART: &str = "VEML6075";
const ADDRESS: u8 = 0x10;

/// The registers, 16 bit each, the low byte first; shared with the emulator.
pub(super) mod register {
    pub(in crate::chips) const CONF: u8 = 0x00;
    pub(in crate::chips) const UVA: u8 = 0x07;
    pub(in crate::chips) const UVB: u8 = 0x09;
    /// Visible light.
    pub(in crate::chips) const COMP1: u8 = 0x0A;
    /// Infrared light.
    pub(in crate::chips) const COMP2: u8 = 0x0B;
    pub(in crate::chips) const ID: u8 = 0x0C;

    /// What ID holds.
    pub(in crate::chips) const IDENTITY: u16 = 0x0026;

    /// CONF: where the integration time is.
    pub(in crate::chips) const TIME_SHIFT: u16 = 4;
    /// CONF: begins a measurement; clears itself.
    pub(in crate::chips) const TRIGGER: u16 = 0x04;
    /// CONF: measures only when triggered.
    pub(in crate::chips) const ON_TRIGGER: u16 = 0x02;
    /// CONF: switched off.
    pub(in crate::chips) const OFF: u16 = 0x01;
}
use register::{COMP1, COMP2, CONF, ID, IDENTITY, OFF, ON_TRIGGER, TIME_SHIFT, TRIGGER, UVA};

/// UV-A counts for one µW/cm² at 50 ms, rising with the time (datasheet,
/// "UVA sensitivity").
const COUNTS_PER_UW_CM2: f64 = 0.93;
/// W/m² in one µW/cm².
const W_M2_PER_UW_CM2: f64 = 0.01;
/// UV-A of a full channel at 50 ms, in W/m².
const FULL_SCALE_50_MS: f64 = 65_535.0 / COUNTS_PER_UW_CM2 * W_M2_PER_UW_CM2;
/// Full scale of UV-A in W/m² by range, range n being 50 ms × 2^n, which is
/// also its code.
const FULL_SCALES_W_M2: &[f64] = &[
    FULL_SCALE_50_MS,
    FULL_SCALE_50_MS / 2.0,
    FULL_SCALE_50_MS / 4.0,
    FULL_SCALE_50_MS / 8.0,
    FULL_SCALE_50_MS / 16.0,
];
/// Free ranging stays at 200 ms and below: with a longer time a change of range
/// would take longer than the second from one reading to the next.
const FREE_RANGES: usize = 3;
/// 100 ms, 352 W/m²: sun and lamp boxes fit.
const FIRST_RANGE: u8 = 1;

/// What visible and infrared light add to UV-A, by counts of their channels
/// (application note, coefficients a and b for no cover).
pub(super) const UVA_LEAKS: [f64; 2] = [2.22, 1.33];

/// How a VEML6075 is to be used.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Veml6075Settings {
    /// Range n integrates for 50 ms × 2^n, 0 to 4.
    pub ranging: Ranging,
}

/// Integration time of a range.
pub(super) fn time(range: u8) -> Duration {
    Duration::from_millis(50) * (1 << range)
}

/// Counts that one W/m² of UV-A gives in a range.
pub(super) fn counts_per_w_m2(range: u8) -> f64 {
    COUNTS_PER_UW_CM2 / W_M2_PER_UW_CM2 * f64::from(1u8 << range)
}

/// The channels of one measurement.
#[derive(Debug, Clone, Copy)]
struct Channels {
    uva: u16,
    comp1: u16,
    comp2: u16,
}

impl Channels {
    /// UV-A without what leaks into it; may be negative.
    fn compensated(self) -> f64 {
        f64::from(self.uva) - UVA_LEAKS[0] * f64::from(self.comp1) - UVA_LEAKS[1] * f64::from(self.comp2)
    }

    /// What is known of UV-A in counts, with the flags that belong to it.
    fn judged(self) -> (Judged, Flags) {
        let full = |counts| counts == u16::MAX;
        if full(self.comp1) || full(self.comp2) {
            // More than what is known may have to be taken off.
            return (Judged::AtLeast(0.0), Flags::SATURATED);
        }
        let counts = self.compensated();
        let flags = if counts < 0.0 { Flags::CLAMPED } else { Flags::NONE };
        if full(self.uva) {
            (Judged::AtLeast(counts.max(0.0)), flags.with(Flags::SATURATED))
        } else {
            (Judged::Exactly(counts.max(0.0)), flags)
        }
    }
}

/// UV-A counts after compensation.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Judged {
    Exactly(f64),
    AtLeast(f64),
}

#[derive(Debug, Clone, Copy)]
enum Phase {
    /// Nothing is known of the chip.
    Unset,
    /// Set up, nothing under way.
    Idle,
    /// Measuring since `started`, done at `ready`.
    Measuring { started: Mono, ready: Mono, discard: bool },
}

/// Driver for the VEML6075.
#[derive(Debug)]
pub struct Veml6075 {
    range: AutoRange,
    /// The range of the last measurement.
    measured: Option<u8>,
    phase: Phase,
}

impl Veml6075 {
    /// A driver; the bus is not touched yet.
    ///
    /// # Errors
    /// [`SetupError`] when there is no such range.
    pub fn new(settings: Veml6075Settings) -> Result<Self, SetupError> {
        let ranges = match settings.ranging {
            Ranging::Free => &FULL_SCALES_W_M2[..FREE_RANGES],
            Ranging::Locked(_) => FULL_SCALES_W_M2,
        };
        let range = AutoRange::new(PART, ranges, settings.ranging, FIRST_RANGE)?;
        Ok(Self { range, measured: None, phase: Phase::Unset })
    }

    /// The configuration of the wanted range, without [`TRIGGER`].
    fn wanted(&self) -> u16 {
        u16::from(self.range.wanted()) << TIME_SHIFT | ON_TRIGGER
    }

    fn read<B: Bus>(&self, bus: &mut B, register: u8) -> Result<u16, SensorFault> {
        let mut bytes = [0; 2];
        bus.fetch(ADDRESS, register, &mut bytes)?;
        Ok(u16::from_le_bytes(bytes))
    }

    fn configure<B: Bus>(&self, bus: &mut B, conf: u16) -> Result<(), SensorFault> {
        let [low, high] = conf.to_le_bytes();
        bus.put(ADDRESS, &[CONF, low, high])
    }

    fn set_up<B: Bus>(&mut self, bus: &mut B, now: Mono) -> Result<Step, SensorFault> {
        let found = self.read(bus, ID)?;
        if found != IDENTITY {
            return Err(SensorFault::WrongChip { address: ADDRESS, expected: PART, found });
        }
        self.configure(bus, OFF)?;
        self.start(bus, now)
    }

    /// Triggers a measurement; the first in a range is discarded.
    fn start<B: Bus>(&mut self, bus: &mut B, now: Mono) -> Result<Step, SensorFault> {
        self.configure(bus, self.wanted() | TRIGGER)?;
        let range = self.range.wanted();
        let discard = self.measured.replace(range) != Some(range);
        // 1.3 to 1.4 times the integration time (Linux driver veml6075).
        let ready = now + time(range) * 3 / 2;
        self.phase = Phase::Measuring { started: now, ready, discard };
        Ok(Step::Wait(ready))
    }

    fn collect<B: Bus>(
        &mut self,
        bus: &mut B,
        now: Mono,
        started: Mono,
        discard: bool,
    ) -> Result<Step, SensorFault> {
        if self.read(bus, CONF)? & !TRIGGER != self.wanted() {
            return Err(SensorFault::SettingsLost { address: ADDRESS });
        }
        let channels = Channels {
            uva: self.read(bus, UVA)?,
            comp1: self.read(bus, COMP1)?,
            comp2: self.read(bus, COMP2)?,
        };
        self.phase = Phase::Idle;
        let (uva, flags) = channels.judged();
        if discard || flags.has(Flags::SATURATED) && self.range.escape() {
            return self.start(bus, now);
        }
        Ok(Step::Done(self.reading(started, channels, uva, flags)))
    }

    fn reading(&mut self, started: Mono, channels: Channels, uva: Judged, flags: Flags) -> Reading {
        let range = self.range.wanted();
        let irradiance = |counts: f64| Irradiance::from_w_m2(counts / counts_per_w_m2(range));
        let seen = match uva {
            Judged::Exactly(counts) => Seen::Exactly(irradiance(counts)),
            Judged::AtLeast(counts) => Seen::AtLeast(irradiance(counts)),
        };
        // The fullest channel decides, not what is left of it.
        let fullest = channels.uva.max(channels.comp1).max(channels.comp2);
        let flags = flags.with(self.range.observe(irradiance(fullest.into()).w_m2()));
        let span = time(range);
        let at = started + span / 2;
        Reading { at, span, seen, counts: channels.uva.into(), range, flags, temperature_c: None }
    }
}

impl<B: Bus> Chip<B> for Veml6075 {
    fn step(&mut self, bus: &mut B, now: Mono) -> Result<Step, SensorFault> {
        match self.phase {
            Phase::Unset => self.set_up(bus, now),
            Phase::Idle => self.start(bus, now),
            Phase::Measuring { ready, .. } if now < ready => Ok(Step::Wait(ready)),
            Phase::Measuring { started, discard, .. } => self.collect(bus, now, started, discard),
        }
    }

    fn reset(&mut self) {
        self.measured = None;
        self.phase = Phase::Unset;
    }

    /// A measurement, saturated; one in the least sensitive range, discarded;
    /// one kept.
    fn longest(&self) -> Duration {
        time(self.range.wanted()) * 9 / 2
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::chips::emulated::{Background, EmulatedBus, EmulatedVeml6075, Trouble};
    use crate::chips::test_bench::{measure, steady};

    const NOTHING_ELSE: Background = Background { uvb: 0.0, visible: 0.0, infrared: 0.0 };

    fn driver(ranging: Ranging) -> Veml6075 {
        Veml6075::new(Veml6075Settings { ranging }).unwrap()
    }

    fn quiet(w_m2: f64) -> EmulatedVeml6075 {
        EmulatedVeml6075::new(steady(w_m2)).without_noise()
    }

    fn bus_with(chip: EmulatedVeml6075) -> EmulatedBus {
        let mut bus = EmulatedBus::default();
        bus.attach(0x10, chip);
        bus
    }

    #[test]
    fn application_note_values_through_driver_and_emulator() {
        // Application note of 2018: UVA - 2.22 comp1 - 1.33 comp2, here 5000, 300 and 100 at
        // 100 ms; datasheet rev 1.2: 0.93 counts per µW/cm² at 50 ms.
        let channels = Channels { uva: 5000, comp1: 300, comp2: 100 };
        assert_eq!(channels.compensated(), 4201.0);
        let background =
            Background { uvb: 2941.0 / 4201.0, visible: 300.0 / 4201.0, infrared: 100.0 / 4201.0 };
        let light = 4201.0 / counts_per_w_m2(1);
        assert!((light - 22.586).abs() < 5e-4, "{light}");
        let mut bus = bus_with(quiet(light).before(background));
        let reading = measure(&mut driver(Ranging::Locked(1)), &mut bus).unwrap();
        assert_eq!((reading.counts, reading.flags), (5000, Flags::NONE));
        assert!((reading.seen.lowest().w_m2() - 22.586).abs() < 5e-4, "{reading:?}");
    }

    #[test]
    fn codes_and_sensitivities_are_the_datasheets() {
        // VEML6075 rev 1.2, UV_CONF with active force mode; 0.93 counts per µW/cm² at 50 ms.
        let times = [(50, 0x02, 93.0), (100, 0x12, 186.0), (200, 0x22, 372.0), (400, 0x32, 744.0)];
        for (range, (ms, conf, counts)) in (0..).zip(times.into_iter().chain([(800, 0x42, 1488.0)])) {
            assert_eq!(driver(Ranging::Locked(range)).wanted(), conf);
            assert_eq!(time(range), Duration::from_millis(ms));
            assert!((counts_per_w_m2(range) - counts).abs() < 1e-9);
            assert!((FULL_SCALES_W_M2[usize::from(range)] - 65_535.0 / counts).abs() < 1e-9);
        }
    }

    #[test]
    fn every_time_through_driver_and_emulator() {
        for range in 0..5 {
            for counts in [0, 1, 4201, 65_534] {
                let light = f64::from(counts) / counts_per_w_m2(range);
                let mut bus = bus_with(quiet(light).before(NOTHING_ELSE));
                let reading = measure(&mut driver(Ranging::Locked(range)), &mut bus).unwrap();
                assert_eq!((reading.counts, reading.range), (counts, range));
                assert!((reading.seen.lowest().w_m2() - light).abs() <= 1e-9 * light);
                assert_eq!((reading.flags, reading.span), (Flags::NONE, time(range)));
            }
        }
    }

    #[test]
    fn saturation_is_a_lower_bound_and_free_ranging_escapes_it() {
        let mut bus = bus_with(quiet(500.0).before(NOTHING_ELSE));
        let reading = measure(&mut driver(Ranging::Locked(1)), &mut bus).unwrap();
        let Seen::AtLeast(bound) = reading.seen else { panic!("not saturated: {reading:?}") };
        // 65535 counts at 1.86 for one µW/cm².
        assert!((bound.w_m2() - 352.339).abs() < 1e-3, "{bound}");
        assert_eq!(reading.flags, Flags::SATURATED);

        let reading = measure(&mut driver(Ranging::Free), &mut bus).unwrap();
        assert!((reading.seen.lowest().w_m2() - 500.0).abs() < 0.02 && !reading.seen.is_bound());
        assert_eq!(reading.range, 0);
    }

    #[test]
    fn too_much_else_leaves_nothing_known() {
        let infrared = Background { infrared: 100.0, ..NOTHING_ELSE };
        let mut bus = bus_with(quiet(50.0).before(infrared));
        let reading = measure(&mut driver(Ranging::Locked(4)), &mut bus).unwrap();
        assert_eq!((reading.seen, reading.flags), (Seen::AtLeast(Irradiance::ZERO), Flags::SATURATED));
    }

    #[test]
    fn less_than_nothing_is_zero_and_flagged() {
        // A lamp whose other light leaks less than the sun's: too much is taken off.
        let channels = Channels { uva: 600, comp1: 300, comp2: 100 };
        assert_eq!(channels.judged(), (Judged::Exactly(0.0), Flags::CLAMPED));
        let bound = Channels { uva: u16::MAX, comp1: 60_000, comp2: 0 };
        assert_eq!(bound.judged(), (Judged::AtLeast(0.0), Flags::CLAMPED.with(Flags::SATURATED)));
    }

    #[test]
    fn free_ranging_stays_at_200_ms_and_below() {
        let mut bus = bus_with(quiet(0.5));
        let mut chip = driver(Ranging::Free);
        let ranges: Vec<u8> = (0..10).map(|_| measure(&mut chip, &mut bus).unwrap().range).collect();
        assert_eq!(ranges, [1, 1, 1, 2, 2, 2, 2, 2, 2, 2]);
    }

    #[test]
    fn the_instant_is_mid_integration() {
        let mut bus = bus_with(quiet(10.0));
        let reading = measure(&mut driver(Ranging::Locked(1)), &mut bus).unwrap();
        // One measurement of 1.5 x 100 ms discarded, half of 100 ms.
        assert!((reading.at.seconds() - 0.2).abs() < 1e-9, "{:?}", reading.at);
    }

    #[test]
    fn an_impostor_is_refused() {
        let mut bus = bus_with(quiet(10.0));
        bus.strike(0x10, Trouble::Impostor { identity: 0x81 });
        let fault = measure(&mut driver(Ranging::Free), &mut bus).unwrap_err();
        assert_eq!(fault, SensorFault::WrongChip { address: 0x10, expected: PART, found: 0x81 });
    }

    #[test]
    fn a_brown_out_in_any_measurement_is_noticed_and_survived() {
        // The 1st step measures for nothing, the 2nd in earnest.
        for steps in 1..=2 {
            let mut bus = bus_with(quiet(10.0).before(NOTHING_ELSE));
            let mut chip = driver(Ranging::Locked(1));
            for _ in 0..steps {
                let now = bus.now();
                if let Step::Wait(until) = chip.step(&mut bus, now).unwrap() {
                    bus.set_now(until);
                }
            }
            bus.strike(0x10, Trouble::BrownOut);
            let fault = measure(&mut chip, &mut bus).unwrap_err();
            assert_eq!(fault, SensorFault::SettingsLost { address: 0x10 });
            Chip::<EmulatedBus>::reset(&mut chip);
            assert_eq!(measure(&mut chip, &mut bus).unwrap().counts, 1860);
        }
    }

    #[test]
    fn settings_that_do_not_exist_are_refused() {
        let ranging = Ranging::Locked(5);
        assert!(matches!(Veml6075::new(Veml6075Settings { ranging }), Err(SetupError::Range { .. })));
    }

    proptest! {
        #[test]
        fn any_light_comes_back_within_the_steps_of_its_channels(w_m2 in 0.0..590.0, clock in 0.95..1.05) {
            let mut bus = bus_with(quiet(w_m2).with_clock(clock));
            let mut chip = driver(Ranging::Free);
            for _ in 0..8 {
                let reading = measure(&mut chip, &mut bus).unwrap();
                // Half a count of each of the three channels, as they weigh.
                let most = 0.5 * (1.0 + UVA_LEAKS[0] + UVA_LEAKS[1]) / counts_per_w_m2(reading.range);
                let Seen::Exactly(seen) = reading.seen else { panic!("{reading:?}") };
                prop_assert!((seen.w_m2() - w_m2).abs() <= most + 1e-9, "{:?}", reading);
            }
        }
    }
}
