//! The ADS1x1x family from the other side of the bus (datasheet SBAS444D), with
//! a photodiode at its input. The comparator is not there.

use std::time::Duration;

use super::{EmulatedChip, Jam, Light, Trouble, mean_w_m2};
use crate::chips::ads1x1x::register::{
    AT_RESET, CONFIG, CONVERSION, IDLE, RANGE_SHIFT, RATE_SHIFT, SINGLE, THRESHOLDS,
};
use crate::chips::ads1x1x::{FULL_SCALES_V, Part, Photodiode};
use crate::quantity::{Irradiance, Mono};

struct Conversion {
    start: Mono,
    span: Duration,
    config: u16,
}

impl Conversion {
    fn end(&self) -> Mono {
        self.start + self.span
    }
}

/// An emulated ADS1x1x.
pub struct EmulatedAds1x1x {
    part: Part,
    photodiode: Photodiode,
    light: Light,
    clock: f64,
    /// Kept through a STOP.
    pointer: u8,
    config: u16,
    result: i16,
    conversion: Option<Conversion>,
    /// A single conversion was asked for while another was under way.
    queued: bool,
    jam: Jam,
}

impl EmulatedAds1x1x {
    /// A part just switched on, behind `photodiode` in `light`.
    #[must_use]
    pub fn new(part: Part, photodiode: Photodiode, light: Light) -> Self {
        Self {
            part,
            photodiode,
            light,
            clock: 1.0,
            pointer: CONVERSION,
            config: AT_RESET & !IDLE,
            result: 0,
            conversion: None,
            queued: false,
            jam: Jam::default(),
        }
    }

    /// With a clock that runs at `rate` times its nominal frequency (0.9 to 1.1
    /// in real parts).
    #[must_use]
    pub fn with_clock(mut self, rate: f64) -> Self {
        self.clock = rate;
        self
    }

    /// The configuration register is written. A conversion under way ends under
    /// its own configuration before the next begins.
    pub fn configure(&mut self, now: Mono, config: u16) {
        self.jam = Jam::default();
        self.config = config & !IDLE;
        let asked = config & SINGLE == 0 || config & IDLE != 0;
        if self.conversion.is_some() {
            self.queued = asked;
        } else if asked {
            self.convert_from(now);
        }
    }

    fn convert_from(&mut self, start: Mono) {
        let code = usize::from(self.config >> RATE_SHIFT & 7);
        let rate = f64::from(self.part.rates_sps()[code]) * self.clock;
        let span = Duration::from_secs_f64(1.0 / rate);
        self.conversion = Some(Conversion { start, span, config: self.config });
    }

    /// Lets time pass: every conversion that is over has left its result.
    fn advance(&mut self, now: Mono) {
        while !self.jam.hung
            && let Some(done) = self.conversion.take_if(|c| now >= c.end())
        {
            let end = done.end();
            if !self.jam.stale {
                self.result = self.converted(&done);
            }
            if std::mem::take(&mut self.queued) {
                self.convert_from(end);
            } else if self.config & SINGLE == 0 {
                // Of many conversions since then only the last can be seen.
                let missed = now.duration_since(end).as_nanos() / done.span.as_nanos();
                let skip = done.span * u32::try_from(missed.saturating_sub(1)).unwrap_or(0);
                self.convert_from(end + skip);
            }
        }
    }

    fn converted(&self, conversion: &Conversion) -> i16 {
        let mean = mean_w_m2(&self.light, conversion.start, conversion.end());
        let volts = self.photodiode.volts(Irradiance::from_w_m2(mean));
        let range = usize::from(conversion.config >> RANGE_SHIFT & 7).min(FULL_SCALES_V.len() - 1);
        // The cast stops at the ends of 16 bits, as the part does.
        let counts = (volts / FULL_SCALES_V[range] * 32_768.0).round() as i16;
        if self.part.is_12_bit() { counts & !0xF } else { counts }
    }
}

impl EmulatedChip for EmulatedAds1x1x {
    fn write(&mut self, now: Mono, bytes: &[u8]) {
        self.advance(now);
        if let &[pointer, ..] = bytes {
            self.pointer = pointer & 0b11;
        }
        if let &[CONFIG, high, low, ..] = bytes {
            self.configure(now, u16::from_be_bytes([high, low]));
        }
    }

    fn read(&mut self, now: Mono, buffer: &mut [u8]) {
        self.advance(now);
        let value = match self.pointer {
            CONVERSION => self.result.cast_unsigned(),
            CONFIG if self.conversion.is_none() => self.config | IDLE,
            CONFIG => self.config,
            threshold => THRESHOLDS[usize::from(threshold & 1)].1,
        };
        for (byte, value) in buffer.iter_mut().zip(value.to_be_bytes().into_iter().cycle()) {
            *byte = value;
        }
    }

    fn suffer(&mut self, now: Mono, trouble: Trouble) {
        self.advance(now);
        if let Some(Trouble::BrownOut) = self.jam.take(trouble) {
            self.config = AT_RESET & !IDLE;
            self.result = 0;
            self.conversion = None;
            self.queued = false;
        }
    }
}

#[cfg(test)]
mod tests {
    use embedded_hal::i2c::I2c;

    use super::*;
    use crate::chips::emulated::EmulatedBus;
    use crate::chips::test_bench::steady;

    const PLAIN: Photodiode = Photodiode { volts_per_w_m2: 1.0, zero_v: 0.0, ceiling_v: None };

    fn bus(light: Light) -> EmulatedBus {
        let mut bus = EmulatedBus::default();
        bus.attach(0x48, EmulatedAds1x1x::new(Part::Ads1115, PLAIN, light));
        bus
    }

    fn read(bus: &mut EmulatedBus, register: u8) -> u16 {
        let mut bytes = [0; 2];
        bus.write_read(0x48, &[register], &mut bytes).unwrap();
        u16::from_be_bytes(bytes)
    }

    #[test]
    fn the_pointer_outlives_a_stop() {
        // SBAS444D, "address pointer register".
        let mut bus = bus(steady(1.0));
        let mut bytes = [0; 2];
        bus.write(0x48, &[CONFIG]).unwrap();
        bus.read(0x48, &mut bytes).unwrap();
        assert_eq!(bytes, [0x85, 0x83]);
    }

    #[test]
    fn the_old_result_stands_until_a_conversion_is_over() {
        let mut bus = bus(Box::new(|at| Irradiance::from_w_m2(at.seconds())));
        bus.write(0x48, &[CONFIG, 0xC3, 0x03]).unwrap();
        bus.set_now(Mono::from_seconds(0.124_9));
        assert_eq!((read(&mut bus, CONFIG), read(&mut bus, CONVERSION)), (0x4303, 0));
        bus.set_now(Mono::from_seconds(0.125));
        // Mean of t over 0 to 0.125 s is 0.0625 V: 500 steps of 125 µV.
        assert_eq!((read(&mut bus, CONFIG), read(&mut bus, CONVERSION)), (0xC303, 500));
    }

    #[test]
    fn a_new_configuration_waits_for_the_conversion_under_way() {
        let mut bus = bus(steady(1.0));
        bus.write(0x48, &[CONFIG, 0x42, 0x03]).unwrap(); // continuous, ±4.096 V, 8 SPS
        bus.set_now(Mono::from_seconds(1000.0));
        bus.write(0x48, &[CONFIG, 0xC1, 0xE3]).unwrap(); // single, ±6.144 V, 860 SPS
        bus.set_now(Mono::from_seconds(1000.124));
        assert_eq!((read(&mut bus, CONFIG), read(&mut bus, CONVERSION)), (0x41E3, 8000));
        bus.set_now(Mono::from_seconds(1000.125 + 1.0 / 860.0 + 1e-6));
        // 1 V of 6.144 V: 5333.3 counts.
        assert_eq!((read(&mut bus, CONFIG), read(&mut bus, CONVERSION)), (0xC1E3, 5333));
    }
}
