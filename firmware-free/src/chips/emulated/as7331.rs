//! The AS7331 from the other side of the bus (datasheet DS001047 4-00), in
//! command mode. UV-B and UV-C stay dark.

use std::time::Duration;

use super::{EmulatedChip, Jam, Light, Noise, Trouble, mean_w_m2};
use crate::chips::as7331::register::{
    AGEN, CONFIGURATION, CONVERTER_OVERFLOW, CREG1, CREG3, IDENTITY, LOST_DATA, MEASUREMENT, NEW_DATA,
    NOT_READY, OPTREG, OSR, POWER_DOWN, RESET, RESULT_OVERFLOW, START, STATE,
};
use crate::chips::as7331::{FULL_SCALES_W_M2, GAIN_ONE, clocks};
use crate::quantity::Mono;

/// Registers after a reset: power down, configuration state; gain 2, 64 ms;
/// command mode, standby; register pointer to zero at every STOP.
const AT_RESET: [u8; 12] = [0x42, 0, IDENTITY, 0, 0, 0, 0xA6, 0x40, 0x50, 0x19, 0x01, 0x73];
/// What traffic during a conversion does to its result. The datasheet gives no
/// figure; enough to be seen.
const DISTURBED: f64 = 0.95;
/// OPTREG: whether a STOP sets the pointer to zero.
const POINTER_TO_ZERO: u8 = 0x01;
/// CREG3: the bits of the mode.
const MODE: u8 = 0xC0;
/// CREG3: command mode.
const COMMAND: u8 = 0x40;

struct Conversion {
    start: Mono,
    end: Mono,
    disturbed: bool,
}

/// An emulated AS7331.
pub struct EmulatedAs7331 {
    light: Light,
    clock: f64,
    temperature_c: f64,
    noise: Noise,
    identity: u8,
    registers: [u8; 12],
    pointer: u8,
    status: u8,
    /// TEMP, UVA, UVB, UVC.
    results: [u16; 4],
    conversion: Option<Conversion>,
    /// Nothing was converted since the configuration: the first result is zero.
    fresh: bool,
    jam: Jam,
}

impl EmulatedAs7331 {
    /// A chip at 25 °C, in power-down.
    #[must_use]
    pub fn new(light: Light) -> Self {
        Self {
            light,
            clock: 1.0,
            temperature_c: 25.0,
            noise: Noise::usual(),
            identity: IDENTITY,
            registers: AT_RESET,
            pointer: 0,
            status: 0,
            results: [0; 4],
            conversion: None,
            fresh: true,
            jam: Jam::default(),
        }
    }

    /// With a clock that runs at `rate` times its nominal frequency (0.75 to
    /// 1.25 in real parts).
    #[must_use]
    pub fn with_clock(mut self, rate: f64) -> Self {
        self.clock = rate;
        self
    }

    /// At a temperature in °C.
    #[must_use]
    pub fn at_temperature(mut self, celsius: f64) -> Self {
        self.temperature_c = celsius;
        self
    }

    /// Without noise: counts are exact, but never flicker as a real part's do.
    #[must_use]
    pub fn without_noise(mut self) -> Self {
        self.noise = Noise::none();
        self
    }

    fn state(&self) -> u8 {
        self.registers[usize::from(OSR)] & STATE
    }

    fn time_ms(&self) -> u16 {
        1 << (self.registers[usize::from(CREG1)] & 0xF).min(14)
    }

    fn reset(&mut self) {
        self.registers = AT_RESET;
        self.registers[usize::from(AGEN)] = self.identity;
        self.pointer = 0;
        self.status = 0;
        self.results = [0; 4];
        self.conversion = None;
        self.fresh = true;
        self.jam = Jam::default();
    }

    /// Lets time pass: a conversion that is over has its results in place.
    fn advance(&mut self, now: Mono) {
        let over = |c: &mut Conversion| !self.jam.hung && now >= c.end;
        if let Some(conversion) = self.conversion.take_if(over) {
            self.finish(&conversion);
        }
    }

    fn finish(&mut self, conversion: &Conversion) {
        if self.status & NEW_DATA != 0 {
            self.status |= LOST_DATA;
        }
        self.status |= NEW_DATA;
        if std::mem::take(&mut self.fresh) {
            self.results = [0; 4];
        } else if !self.jam.stale {
            self.results = [self.temperature(), self.uva(conversion), 0, 0];
        }
    }

    fn temperature(&self) -> u16 {
        ((self.temperature_c + 66.9) / 0.05).round().clamp(0.0, 4095.0) as u16
    }

    fn uva(&mut self, conversion: &Conversion) -> u16 {
        let gain_code = self.registers[usize::from(CREG1)] >> 4;
        let full_scale = FULL_SCALES_W_M2[usize::from(GAIN_ONE.saturating_sub(gain_code))];
        let clocks = f64::from(clocks(self.time_ms()));
        let mut counts = mean_w_m2(&self.light, conversion.start, conversion.end) / full_scale * clocks;
        if conversion.disturbed {
            counts *= DISTURBED;
        }
        let counts = self.noise.counts(counts);
        let most = clocks.min(f64::from(u16::MAX));
        self.status &= !(CONVERTER_OVERFLOW | RESULT_OVERFLOW);
        if counts > clocks {
            self.status |= CONVERTER_OVERFLOW;
        }
        if counts > f64::from(u16::MAX) {
            self.status |= RESULT_OVERFLOW;
        }
        counts.clamp(0.0, most) as u16
    }

    fn write_osr(&mut self, now: Mono, value: u8) {
        if value & RESET != 0 {
            self.reset();
            return;
        }
        self.registers[usize::from(OSR)] = value & !START;
        match value & STATE {
            CONFIGURATION => {
                self.conversion = None;
                self.fresh = true;
            }
            MEASUREMENT if value & START != 0 && value & POWER_DOWN == 0 => self.start(now),
            _ => {}
        }
    }

    fn start(&mut self, now: Mono) {
        if self.registers[usize::from(CREG3)] & MODE == COMMAND && self.conversion.is_none() {
            let nanos = f64::from(self.time_ms()) * 1e6 / self.clock;
            let end = now + Duration::from_nanos(nanos as u64);
            self.conversion = Some(Conversion { start: now, end, disturbed: false });
        }
    }

    /// What stands at a byte of the measurement state's registers.
    fn measured(&self, word: u8, high: bool) -> u8 {
        let value = match word {
            0 => {
                let (start, busy) = if self.conversion.is_some() { (START, NOT_READY) } else { (0, 0) };
                u16::from_le_bytes([self.registers[0] | start, self.status | busy])
            }
            1..=4 => self.results[usize::from(word) - 1],
            _ => 0,
        };
        value.to_le_bytes()[usize::from(high)]
    }
}

impl EmulatedChip for EmulatedAs7331 {
    fn write(&mut self, now: Mono, bytes: &[u8]) {
        self.advance(now);
        if let Some(conversion) = &mut self.conversion {
            conversion.disturbed = true;
        }
        let [pointer, values @ ..] = bytes else { return };
        self.pointer = *pointer;
        for &value in values {
            match self.pointer {
                OSR => self.write_osr(now, value),
                CREG1..=OPTREG if self.state() == CONFIGURATION => {
                    self.registers[usize::from(self.pointer)] = value;
                }
                _ => {}
            }
            self.pointer = self.pointer.wrapping_add(1);
        }
    }

    fn read(&mut self, now: Mono, buffer: &mut [u8]) {
        self.advance(now);
        if let Some(conversion) = &mut self.conversion {
            conversion.disturbed = true;
        }
        if self.state() != MEASUREMENT {
            for byte in buffer {
                *byte = self.registers.get(usize::from(self.pointer)).copied().unwrap_or(0);
                self.pointer = self.pointer.wrapping_add(1);
            }
            return;
        }
        let mut result_read = false;
        for (i, byte) in buffer.iter_mut().enumerate() {
            let high = i % 2 == 1;
            *byte = self.measured(self.pointer, high);
            result_read |= (2..=4).contains(&self.pointer);
            self.pointer = self.pointer.wrapping_add(high.into());
        }
        if result_read {
            self.status &= !(NEW_DATA | LOST_DATA);
        }
    }

    fn stop(&mut self) {
        if self.registers[usize::from(OPTREG)] & POINTER_TO_ZERO != 0 {
            self.pointer = 0;
        }
    }

    fn suffer(&mut self, _now: Mono, trouble: Trouble) {
        match self.jam.take(trouble) {
            Some(Trouble::BrownOut) => self.reset(),
            Some(Trouble::Impostor { identity }) => {
                self.identity = identity;
                self.reset();
            }
            _ => {}
        }
    }
}

#[cfg(test)]
mod tests {
    use embedded_hal::i2c::I2c;

    use super::*;
    use crate::chips::emulated::EmulatedBus;
    use crate::chips::test_bench::steady;

    fn bus() -> EmulatedBus {
        let mut bus = EmulatedBus::default();
        bus.attach(0x74, EmulatedAs7331::new(steady(66.406_25)).without_noise());
        bus
    }

    #[test]
    fn the_pointer_returns_to_zero_at_a_stop_unless_told_otherwise() {
        // DS001047 4-00, OPTREG.
        let mut bus = bus();
        let mut byte = [0];
        bus.write(0x74, &[AGEN]).unwrap();
        bus.read(0x74, &mut byte).unwrap();
        assert_eq!(byte, [0x42], "OSR, not AGEN");

        bus.write(0x74, &[OPTREG, 0x72]).unwrap();
        bus.write(0x74, &[AGEN]).unwrap();
        bus.read(0x74, &mut byte).unwrap();
        assert_eq!(byte, [0x21]);
    }

    #[test]
    fn the_first_result_after_a_configuration_is_zero() {
        let mut bus = bus();
        bus.write(0x74, &[CREG1, 0x76, 0, 0x40]).unwrap();
        let burst = |bus: &mut EmulatedBus, until_s: f64| {
            bus.write(0x74, &[OSR, 0x83]).unwrap();
            bus.set_now(Mono::from_seconds(until_s));
            let mut burst = [0; 6];
            bus.write_read(0x74, &[OSR], &mut burst).unwrap();
            burst
        };
        assert_eq!(burst(&mut bus, 0.1), [0x03, NEW_DATA, 0, 0, 0, 0]);
        // 20000 counts at gain 16 and 64 ms; 25 °C is (25 + 66.9) / 0.05 = 1838.
        assert_eq!(burst(&mut bus, 0.2), [0x03, NEW_DATA, 0x2E, 0x07, 0x20, 0x4E]);
    }

    #[test]
    fn status_tells_the_life_of_a_result() {
        let mut bus = bus();
        bus.write(0x74, &[CREG1, 0x76, 0, 0x40]).unwrap();
        bus.write(0x74, &[OSR, 0x83]).unwrap();
        let status = |bus: &mut EmulatedBus| {
            let mut word = [0; 2];
            bus.write_read(0x74, &[OSR], &mut word).unwrap();
            word
        };
        assert_eq!(status(&mut bus), [0x83, NOT_READY]);
        bus.set_now(Mono::from_seconds(0.1));
        assert_eq!(status(&mut bus), [0x03, NEW_DATA]);
        bus.write(0x74, &[OSR, 0x83]).unwrap();
        bus.set_now(Mono::from_seconds(0.2));
        assert_eq!(status(&mut bus), [0x03, NEW_DATA | LOST_DATA]);
        bus.write_read(0x74, &[2], &mut [0; 2]).unwrap();
        assert_eq!(status(&mut bus), [0x03, 0]);
    }

    #[test]
    fn registers_are_read_only_while_measuring() {
        let mut bus = bus();
        bus.write(0x74, &[OSR, 0x03]).unwrap();
        bus.write(0x74, &[CREG1, 0x00]).unwrap();
        bus.write(0x74, &[OSR, 0x02]).unwrap();
        let mut creg1 = [0];
        bus.write_read(0x74, &[CREG1], &mut creg1).unwrap();
        assert_eq!(creg1, [0xA6]);
    }
}
