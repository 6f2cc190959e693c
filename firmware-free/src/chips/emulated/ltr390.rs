//! The LTR-390UV-01 from the other side of the bus (datasheet LTR-390UV-01
//! V1.4). Its other channel, for visible light, is not there.

use std::time::Duration;

use super::{EmulatedChip, Jam, Light, Noise, Trouble, mean_w_m2};
use crate::chips::Ltr390;
use crate::chips::ltr390::register::{
    GAIN, MAIN_CTRL, MEAS_RATE, NEW_DATA, PART_ID, PART_NUMBER, POWERED_ON, RESET, RESOLUTION_SHIFT, STATUS,
    UV_ON, UVS_DATA,
};
use crate::chips::ltr390::{RESOLUTIONS, counts_per_uvi};
use crate::quantity::Mono;

/// MEAS_RATE after power-on: 18 bit, every 100 ms.
const RATE_AT_RESET: u8 = 0x22;
/// GAIN after power-on: 3.
const GAIN_AT_RESET: u8 = 0x01;
/// The revision in the low nibble of PART_ID.
const REVISION: u8 = 0x02;
/// Time from one measurement to the next by rate code, in ms (datasheet,
/// "ALS_UVS_MEAS_RATE").
const RATES_MS: [u64; 8] = [25, 50, 100, 200, 500, 1000, 2000, 2000];

struct Conversion {
    start: Mono,
    end: Mono,
}

/// An emulated LTR-390UV-01.
pub struct EmulatedLtr390 {
    light: Light,
    /// At gain 18 and 400 ms.
    counts_per_w_m2: f64,
    clock: f64,
    noise: Noise,
    part_id: u8,
    pointer: u8,
    main_ctrl: u8,
    meas_rate: u8,
    gain: u8,
    status: u8,
    data: u32,
    conversion: Option<Conversion>,
    acknowledges: bool,
    jam: Jam,
}

impl EmulatedLtr390 {
    /// A chip just switched on that gives `counts_per_w_m2` counts for a W/m²
    /// at gain 18 and 400 ms.
    #[must_use]
    pub fn new(counts_per_w_m2: f64, light: Light) -> Self {
        Self {
            light,
            counts_per_w_m2,
            clock: 1.0,
            noise: Noise::usual(),
            part_id: PART_NUMBER | REVISION,
            pointer: 0,
            main_ctrl: 0,
            meas_rate: RATE_AT_RESET,
            gain: GAIN_AT_RESET,
            status: POWERED_ON,
            data: 0,
            conversion: None,
            acknowledges: true,
            jam: Jam::default(),
        }
    }

    /// With a clock that runs at `rate` times its nominal frequency.
    #[must_use]
    pub fn with_clock(mut self, rate: f64) -> Self {
        self.clock = rate;
        self
    }

    /// Without noise: counts are exact, but never flicker as a real part's do.
    #[must_use]
    pub fn without_noise(mut self) -> Self {
        self.noise = Noise::none();
        self
    }

    fn reset(&mut self) {
        self.main_ctrl = 0;
        self.meas_rate = RATE_AT_RESET;
        self.gain = GAIN_AT_RESET;
        self.status = POWERED_ON;
        self.data = 0;
        self.conversion = None;
        self.jam = Jam::default();
    }

    fn resolution(&self) -> (u32, Duration) {
        RESOLUTIONS[usize::from(self.meas_rate >> RESOLUTION_SHIFT & 7).min(RESOLUTIONS.len() - 1)]
    }

    fn range(&self) -> u8 {
        (self.gain & 7).min(Ltr390::GAINS.len() as u8 - 1)
    }

    /// Any write to one of the settings begins a new measurement.
    fn restart(&mut self, now: Mono) {
        let is_on = self.main_ctrl & UV_ON == UV_ON;
        self.conversion = is_on.then(|| self.conversion_from(now));
    }

    fn conversion_from(&self, start: Mono) -> Conversion {
        let span = self.resolution().1.as_secs_f64() / self.clock;
        Conversion { start, end: start.plus_seconds(span) }
    }

    /// Lets time pass: every measurement that is over has left its result.
    fn advance(&mut self, now: Mono) {
        while !self.jam.hung
            && let Some(done) = self.conversion.take_if(|c| now >= c.end)
        {
            self.finish(&done);
            let rate = Duration::from_millis(RATES_MS[usize::from(self.meas_rate & 7)]);
            let cycle = rate.max(self.resolution().1).as_secs_f64() / self.clock;
            // Of many measurements since then only the last two can matter.
            let cycles = ((now.seconds_since(done.start) / cycle).floor() - 1.0).max(1.0);
            self.conversion = Some(self.conversion_from(done.start.plus_seconds(cycles * cycle)));
        }
    }

    fn finish(&mut self, done: &Conversion) {
        self.status |= NEW_DATA;
        if self.jam.stale {
            return;
        }
        let (bits, time) = self.resolution();
        let sensitivity = counts_per_uvi(self.counts_per_w_m2, self.range(), time);
        let counts = self.noise.counts(mean_w_m2(&self.light, done.start, done.end) * sensitivity);
        self.data = counts.clamp(0.0, f64::from((1u32 << bits) - 1)) as u32;
    }

    fn set(&mut self, now: Mono, register: u8, value: u8) {
        match register {
            MAIN_CTRL if value & RESET != 0 => {
                self.reset();
                self.acknowledges = false;
                return;
            }
            MAIN_CTRL => self.main_ctrl = value,
            MEAS_RATE => self.meas_rate = value,
            GAIN => self.gain = value,
            _ => return,
        }
        self.restart(now);
    }

    fn get(&mut self, register: u8) -> u8 {
        match register {
            MAIN_CTRL => self.main_ctrl,
            MEAS_RATE => self.meas_rate,
            GAIN => self.gain,
            PART_ID => self.part_id,
            STATUS => std::mem::replace(&mut self.status, 0),
            UVS_DATA..=0x12 => self.data.to_le_bytes()[usize::from(register - UVS_DATA)],
            _ => 0,
        }
    }
}

impl EmulatedChip for EmulatedLtr390 {
    fn write(&mut self, now: Mono, bytes: &[u8]) {
        self.advance(now);
        self.acknowledges = true;
        let [pointer, values @ ..] = bytes else { return };
        self.pointer = *pointer;
        for &value in values {
            self.set(now, self.pointer, value);
            self.pointer = self.pointer.wrapping_add(1);
        }
    }

    fn acknowledges(&self) -> bool {
        self.acknowledges
    }

    fn read(&mut self, now: Mono, buffer: &mut [u8]) {
        self.advance(now);
        for byte in buffer {
            *byte = self.get(self.pointer);
            self.pointer = self.pointer.wrapping_add(1);
        }
    }

    fn suffer(&mut self, now: Mono, trouble: Trouble) {
        self.advance(now);
        match self.jam.take(trouble) {
            Some(Trouble::BrownOut) => self.reset(),
            Some(Trouble::Impostor { identity }) => {
                self.part_id = identity;
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
    use crate::chips::BusFault;
    use crate::chips::emulated::EmulatedBus;
    use crate::quantity::Irradiance;

    fn bus() -> EmulatedBus {
        let mut bus = EmulatedBus::default();
        // One W/m² more each second; 100 counts for one W/m².
        let climbing = Box::new(|at: Mono| Irradiance::from_w_m2(at.seconds()));
        bus.attach(0x53, EmulatedLtr390::new(100.0, climbing).without_noise());
        bus
    }

    fn read(bus: &mut EmulatedBus, register: u8) -> u8 {
        let mut byte = [0];
        bus.write_read(0x53, &[register], &mut byte).unwrap();
        byte[0]
    }

    fn data(bus: &mut EmulatedBus) -> u32 {
        let mut bytes = [0; 4];
        bus.write_read(0x53, &[UVS_DATA], &mut bytes[..3]).unwrap();
        u32::from_le_bytes(bytes)
    }

    #[test]
    fn registers_after_power_on() {
        // LTR-390UV-01 V1.4, register map.
        let mut bus = bus();
        for (register, value) in [(0x00, 0x00), (0x04, 0x22), (0x05, 0x01), (0x06, 0xB2), (0x07, 0x20)] {
            assert_eq!(read(&mut bus, register), value, "register {register:#04x}");
        }
        assert_eq!(read(&mut bus, STATUS), 0, "cleared by reading");
    }

    #[test]
    fn a_reset_is_done_but_not_acknowledged() {
        let mut bus = bus();
        bus.write(0x53, &[GAIN, 4]).unwrap();
        assert_eq!(bus.write(0x53, &[MAIN_CTRL, RESET]), Err(BusFault::NoAcknowledge));
        assert_eq!((read(&mut bus, GAIN), read(&mut bus, STATUS)), (1, POWERED_ON));
    }

    #[test]
    fn it_goes_on_by_itself_and_the_old_result_stands_until_then() {
        let mut bus = bus();
        bus.write(0x53, &[MEAS_RATE, 0x06, 0x04]).unwrap(); // 20 bit, every 2 s, gain 18
        bus.write(0x53, &[MAIN_CTRL, UV_ON]).unwrap();
        read(&mut bus, STATUS);
        for (at_s, status, counts) in [
            (0.399, 0, 0),
            // Mean of t over 0 to 0.4 s is 0.2, then 2.2 over 2 to 2.4 s.
            (0.4, NEW_DATA, 20),
            (2.399, 0, 20),
            (2.4, NEW_DATA, 220),
            (1000.5, NEW_DATA, 100_020),
        ] {
            bus.set_now(Mono::from_seconds(at_s));
            assert_eq!((read(&mut bus, STATUS), data(&mut bus)), (status, counts), "at {at_s} s");
        }
    }

    #[test]
    fn writing_main_ctrl_restarts() {
        let mut bus = bus();
        bus.write(0x53, &[MEAS_RATE, 0x06, 0x04]).unwrap();
        bus.write(0x53, &[MAIN_CTRL, UV_ON]).unwrap();
        bus.set_now(Mono::from_seconds(0.3));
        bus.write(0x53, &[MAIN_CTRL, UV_ON]).unwrap();
        bus.set_now(Mono::from_seconds(0.5));
        assert_eq!(data(&mut bus), 0);
        bus.set_now(Mono::from_seconds(0.7));
        // Mean of t over 0.3 to 0.7 s.
        assert_eq!(data(&mut bus), 50);
    }
}
