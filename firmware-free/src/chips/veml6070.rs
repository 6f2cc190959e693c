//! VEML6070, a UV-A sensor without registers: one command byte, one result.
//!
//! Sources: datasheet VEML6070 rev 1.5, its application note, and the Linux
//! driver veml6070. The chip is switched on for each measurement and off after
//! it, so that the instant at which it begins is known. A resistor beside it,
//! RSET, sets its integration time and with it the size of a step.
//!
//! It has no identity and its settings cannot be read back; they are written
//! before every measurement. After a power-on it answers at the address of alert
//! responses, which tells of a supply that broke down meanwhile. The result
//! comes as two bytes at two addresses and may change between them.

use std::time::Duration;

use super::{Bus, BusFault, Chip, SensorFault, SetupError, Step};
use crate::light::{Flags, Reading, Seen};
use crate::quantity::{Irradiance, Mono};

/// Addresses and the command, shared with the emulator.
pub(super) mod register {
    /// Takes the command, gives the low byte.
    pub(in crate::chips) const COMMAND: u8 = 0x38;
    /// Gives the high byte.
    pub(in crate::chips) const HIGH_BYTE: u8 = 0x39;
    /// Answers when there is something to be told, such as a power-on; until it
    /// is read the chip may take no command.
    pub(in crate::chips) const ALERT_RESPONSE: u8 = 0x0C;

    /// Command: always set.
    pub(in crate::chips) const RESERVED: u8 = 0x02;
    /// Command: switched off.
    pub(in crate::chips) const OFF: u8 = 0x01;
    /// Command: where the integration time is.
    pub(in crate::chips) const TIME_SHIFT: u8 = 2;
}
use register::{ALERT_RESPONSE, COMMAND, HIGH_BYTE, OFF, RESERVED, TIME_SHIFT};

/// RSET in kΩ of which [`STEP_W_M2`] is told.
const RSET_OF_STEP_KOHM: f64 = 240.0;
/// One step in W/m² at T and 240 kΩ: 5 µW/cm² (datasheet, "UVA sensitivity").
const STEP_W_M2: f64 = 0.05;
/// T in seconds for one kΩ: 125 ms at 300 kΩ (datasheet, "refresh time").
const T_S_PER_KOHM: f64 = 0.125 / 300.0;
/// RSET that the Linux driver accepts, in kΩ.
const RSET_KOHM: std::ops::RangeInclusive<f64> = 75.0..=1200.0;
/// The time that RSET gives may be a quarter longer. The datasheet has no
/// figure; the Linux driver waits 8 to 60 % more than it, by the time.
const SLOW: f64 = 1.25;
/// A result that changes while it is read is read again so many times.
const READS: usize = 3;

/// Integration times in multiples of T, which RSET sets.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Veml6070Time {
    /// T/2.
    Half,
    /// T.
    One,
    /// 2 T.
    Two,
    /// 4 T.
    Four,
}

impl Veml6070Time {
    /// Its code in the command, which is also the range of the readings.
    const fn code(self) -> u8 {
        self as u8
    }
}

/// Integration time of a code in seconds.
pub(super) fn time_s(rset_kohm: f64, code: u8) -> f64 {
    T_S_PER_KOHM * rset_kohm * multiple(code)
}

/// W/m² of one step at a code.
pub(super) fn step_w_m2(rset_kohm: f64, code: u8) -> f64 {
    STEP_W_M2 * RSET_OF_STEP_KOHM / rset_kohm / multiple(code)
}

fn multiple(code: u8) -> f64 {
    0.5 * f64::from(1u8 << code)
}

/// How a VEML6070 is to be used.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Veml6070Settings {
    /// The resistor at its pin RSET in kΩ, 75 to 1200; printed on it as 274 for
    /// 270 kΩ.
    pub rset_kohm: f64,
    /// How long it integrates. The range is wide enough to need no other.
    pub time: Veml6070Time,
}

impl Default for Veml6070Settings {
    fn default() -> Self {
        Self { rset_kohm: 270.0, time: Veml6070Time::Two }
    }
}

#[derive(Debug, Clone, Copy)]
enum Phase {
    Idle,
    /// Measuring since `started`, done at `ready`.
    Measuring {
        started: Mono,
        ready: Mono,
    },
}

/// Driver for the VEML6070.
#[derive(Debug)]
pub struct Veml6070 {
    settings: Veml6070Settings,
    phase: Phase,
    /// Whether it is silent at the address of alert responses while all is well.
    tells_power_on: bool,
}

impl Veml6070 {
    /// A driver; the bus is not touched yet.
    ///
    /// # Errors
    /// [`SetupError::Rset`] when RSET cannot be.
    pub fn new(settings: Veml6070Settings) -> Result<Self, SetupError> {
        if !RSET_KOHM.contains(&settings.rset_kohm) {
            return Err(SetupError::Rset { kohm: settings.rset_kohm });
        }
        Ok(Self { settings, phase: Phase::Idle, tells_power_on: false })
    }

    fn time(&self) -> Duration {
        Duration::from_secs_f64(time_s(self.settings.rset_kohm, self.settings.time.code()))
    }

    fn command<B: Bus>(&self, bus: &mut B, off: u8) -> Result<(), SensorFault> {
        bus.put(COMMAND, &[self.settings.time.code() << TIME_SHIFT | RESERVED | off])
    }

    fn start<B: Bus>(&mut self, bus: &mut B, now: Mono) -> Result<Step, SensorFault> {
        // Once heard it is silent, unless it or another chip always answers.
        has_alert(bus)?;
        self.tells_power_on = !has_alert(bus)?;
        self.command(bus, OFF)?;
        self.command(bus, 0)?;
        let ready = now + self.time().mul_f64(SLOW);
        self.phase = Phase::Measuring { started: now, ready };
        Ok(Step::Wait(ready))
    }

    fn collect<B: Bus>(&mut self, bus: &mut B, now: Mono, started: Mono) -> Result<Step, SensorFault> {
        let counts = whole_result(bus)?;
        if self.tells_power_on && has_alert(bus)? {
            return Err(SensorFault::SettingsLost { address: COMMAND });
        }
        self.command(bus, OFF)?;
        self.phase = Phase::Idle;
        Ok(Step::Done(self.reading(now, started, counts)))
    }

    fn reading(&self, now: Mono, started: Mono, counts: u16) -> Reading {
        let range = self.settings.time.code();
        let irradiance = Irradiance::from_w_m2(f64::from(counts) * step_w_m2(self.settings.rset_kohm, range));
        let (seen, flags) = if counts == u16::MAX {
            (Seen::AtLeast(irradiance), Flags::SATURATED)
        } else {
            (Seen::Exactly(irradiance), Flags::NONE)
        };
        let span = self.time();
        // Asked late, it has measured again by itself: the result then ended
        // within the last integration time.
        let at = (started + span / 2).max(now.plus_seconds(-span.as_secs_f64()));
        Reading { at, span, seen, counts: counts.into(), range, flags, temperature_c: None }
    }
}

/// Whether something is to be told, which is heard by asking.
fn has_alert<B: Bus>(bus: &mut B) -> Result<bool, SensorFault> {
    match bus.take(ALERT_RESPONSE) {
        Ok(_) => Ok(true),
        Err(SensorFault::Bus { fault: BusFault::NoAcknowledge, .. }) => Ok(false),
        // Told by the address that the config knows.
        Err(SensorFault::Bus { fault, .. }) => Err(SensorFault::Bus { address: COMMAND, fault }),
        Err(fault) => Err(fault),
    }
}

/// The result, read until its high byte is the same before and after.
fn whole_result<B: Bus>(bus: &mut B) -> Result<u16, SensorFault> {
    // A chip that answers here and not at the other address is another chip; one
    // that is gone is told by the address that the config knows.
    bus.take(COMMAND)?;
    let mut high = bus.take(HIGH_BYTE)?;
    for _ in 0..READS {
        let low = bus.take(COMMAND)?;
        let again = bus.take(HIGH_BYTE)?;
        if again == high {
            return Ok(u16::from_be_bytes([high, low]));
        }
        high = again;
    }
    Err(SensorFault::NeverReady)
}

impl<B: Bus> Chip<B> for Veml6070 {
    fn step(&mut self, bus: &mut B, now: Mono) -> Result<Step, SensorFault> {
        match self.phase {
            Phase::Idle => self.start(bus, now),
            Phase::Measuring { ready, .. } if now < ready => Ok(Step::Wait(ready)),
            Phase::Measuring { started, .. } => self.collect(bus, now, started),
        }
    }

    fn reset(&mut self) {
        self.phase = Phase::Idle;
    }

    fn longest(&self) -> Duration {
        self.time().mul_f64(SLOW)
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::chips::emulated::{EmulatedAs7331, EmulatedBus, EmulatedChip, EmulatedVeml6070, Trouble};
    use crate::chips::test_bench::{measure, steady};

    const TIMES: [Veml6070Time; 4] =
        [Veml6070Time::Half, Veml6070Time::One, Veml6070Time::Two, Veml6070Time::Four];
    const ONE_T: Veml6070Settings = Veml6070Settings { rset_kohm: 270.0, time: Veml6070Time::One };

    fn driver(settings: Veml6070Settings) -> Veml6070 {
        Veml6070::new(settings).unwrap()
    }

    fn quiet(rset_kohm: f64, w_m2: f64) -> EmulatedVeml6070 {
        EmulatedVeml6070::new(rset_kohm, steady(w_m2)).without_noise()
    }

    fn bus_with(chip: EmulatedVeml6070) -> EmulatedBus {
        let mut bus = EmulatedBus::default();
        bus.attach_at(&EmulatedVeml6070::ADDRESSES, chip);
        bus
    }

    #[test]
    fn datasheet_values_through_driver_and_emulator() {
        // VEML6070 rev 1.5: 5 µW/cm² a step at 240 kΩ and T; 1000 steps at 270 and 240 kΩ.
        for (rset_kohm, w_m2) in [(270.0, 44.444_444), (240.0, 50.0)] {
            let mut bus = bus_with(quiet(rset_kohm, w_m2));
            let reading = measure(&mut driver(Veml6070Settings { rset_kohm, ..ONE_T }), &mut bus).unwrap();
            assert_eq!((reading.counts, reading.flags), (1000, Flags::NONE));
            assert!((reading.seen.lowest().w_m2() - w_m2).abs() < 1e-5, "{reading:?}");
        }
    }

    #[test]
    fn codes_and_times_are_the_datasheets() {
        // VEML6070 rev 1.5, "refresh time" at 270 and 600 kΩ, and the command switched on.
        let times = [(0.056_25, 0.125, 0x02), (0.112_5, 0.25, 0x06), (0.225, 0.5, 0x0A), (0.45, 1.0, 0x0E)];
        for (time, (at_270, at_600, command)) in TIMES.into_iter().zip(times) {
            assert!((time_s(270.0, time.code()) - at_270).abs() < 1e-12);
            assert!((time_s(600.0, time.code()) - at_600).abs() < 1e-12);
            assert_eq!(time.code() << TIME_SHIFT | RESERVED, command);
        }
    }

    #[test]
    fn every_time_through_driver_and_emulator() {
        for rset_kohm in [75.0, 240.0, 270.0, 300.0, 600.0, 1200.0] {
            for time in TIMES {
                for counts in [0u16, 1, 255, 256, 1000, 65_534] {
                    let light = f64::from(counts) * step_w_m2(rset_kohm, time.code());
                    let mut bus = bus_with(quiet(rset_kohm, light));
                    let mut chip = driver(Veml6070Settings { rset_kohm, time });
                    let reading = measure(&mut chip, &mut bus).unwrap();
                    assert_eq!(reading.counts, i32::from(counts), "{rset_kohm} kΩ, {time:?}");
                    assert!((reading.seen.lowest().w_m2() - light).abs() <= 1e-9 * light);
                    assert_eq!((reading.flags, reading.range), (Flags::NONE, time.code()));
                }
            }
        }
    }

    #[test]
    fn saturation_is_a_lower_bound() {
        let mut bus = bus_with(quiet(270.0, 4000.0));
        let reading = measure(&mut driver(ONE_T), &mut bus).unwrap();
        let Seen::AtLeast(bound) = reading.seen else { panic!("not saturated: {reading:?}") };
        // 65535 steps of 0.04444 W/m².
        assert!((bound.w_m2() - 2912.667).abs() < 1e-3, "{bound}");
        assert_eq!(reading.flags, Flags::SATURATED);
    }

    #[test]
    fn a_torn_result_is_read_again() {
        let mut bus = bus_with(quiet(270.0, 44.444_444));
        let mut chip = driver(ONE_T);
        let now = bus.now();
        let Ok(Step::Wait(ready)) = chip.step(&mut bus, now) else { panic!("not measuring") };
        bus.set_now(ready);
        bus.strike(COMMAND, Trouble::Tear);
        assert_eq!(measure(&mut chip, &mut bus).unwrap().counts, 1000);
    }

    #[test]
    fn the_instant_is_mid_integration_and_late_calls_do_not_spoil_it() {
        let climbing = || Box::new(|at: Mono| Irradiance::from_w_m2(20.0 + at.seconds()));
        for late_s in [0.0, 0.05, 0.3, 7.7] {
            let mut bus = bus_with(EmulatedVeml6070::new(270.0, climbing()).without_noise());
            let mut chip = driver(ONE_T);
            let now = bus.now();
            let Ok(Step::Wait(ready)) = chip.step(&mut bus, now) else { panic!("not measuring") };
            bus.set_now(ready.plus_seconds(late_s));
            let now = bus.now();
            let Ok(Step::Done(reading)) = chip.step(&mut bus, now) else { panic!("not done") };
            let at = reading.seen.lowest().w_m2() - 20.0;
            // Half an integration time and a step.
            assert!((reading.at.seconds() - at).abs() < 0.057 + 0.05, "{late_s} s late: {reading:?}");
            if late_s == 0.0 {
                assert!((reading.at.seconds() - 0.056_25).abs() < 1e-9);
            }
        }
    }

    #[test]
    fn a_brown_out_while_measuring_is_noticed_and_survived() {
        let mut bus = bus_with(quiet(270.0, 44.444_444));
        let mut chip = driver(ONE_T);
        let now = bus.now();
        chip.step(&mut bus, now).unwrap();
        bus.strike(COMMAND, Trouble::BrownOut);
        let fault = measure(&mut chip, &mut bus).unwrap_err();
        assert_eq!(fault, SensorFault::SettingsLost { address: COMMAND });
        Chip::<EmulatedBus>::reset(&mut chip);
        assert_eq!(measure(&mut chip, &mut bus).unwrap().counts, 1000);
    }

    #[test]
    fn a_chip_that_always_has_something_to_tell_is_read_all_the_same() {
        /// Answers everywhere, always with the same.
        struct Chatterbox;
        impl EmulatedChip for Chatterbox {
            fn write(&mut self, _: Mono, _: &[u8]) {}
            fn read(&mut self, _: Mono, buffer: &mut [u8]) {
                buffer.fill(0x03);
            }
            fn suffer(&mut self, _: Mono, _: Trouble) {}
        }
        let mut bus = EmulatedBus::default();
        bus.attach_at(&EmulatedVeml6070::ADDRESSES, Chatterbox);
        assert_eq!(measure(&mut driver(ONE_T), &mut bus).unwrap().counts, 0x0303);
    }

    #[test]
    fn another_chip_at_its_address_does_not_answer_at_the_other() {
        let mut bus = EmulatedBus::default();
        bus.attach(COMMAND, EmulatedAs7331::new(steady(10.0)));
        let fault = measure(&mut driver(ONE_T), &mut bus).unwrap_err();
        assert_eq!(fault, SensorFault::Bus { address: HIGH_BYTE, fault: BusFault::NoAcknowledge });
    }

    #[test]
    fn settings_that_do_not_exist_are_refused() {
        let refused = |settings| Veml6070::new(settings).unwrap_err();
        for rset_kohm in [74.0, 1201.0, 0.0, f64::NAN] {
            assert!(matches!(refused(Veml6070Settings { rset_kohm, ..ONE_T }), SetupError::Rset { .. }));
        }
    }

    proptest! {
        #[test]
        fn any_light_comes_back_within_a_step(w_m2 in 0.0..600.0, clock in 0.81..1.2, time in 0usize..4) {
            let mut bus = bus_with(quiet(270.0, w_m2).with_clock(clock));
            let mut chip = driver(Veml6070Settings { time: TIMES[time], ..ONE_T });
            for _ in 0..4 {
                let reading = measure(&mut chip, &mut bus).unwrap();
                let Seen::Exactly(seen) = reading.seen else { panic!("{reading:?}") };
                prop_assert!((seen.w_m2() - w_m2).abs() <= step_w_m2(270.0, reading.range), "{:?}", reading);
            }
        }
    }
}
