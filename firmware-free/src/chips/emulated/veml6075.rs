//! The VEML6075 from the other side of the bus (datasheet rev 1.2 and
//! application note of 2018), measuring when triggered. It forgets the register
//! asked for at a STOP, as the part gives wrong data then.

use super::{EmulatedChip, Jam, Light, Noise, Trouble, mean_w_m2};
use crate::chips::veml6075::register::{
    COMP1, COMP2, CONF, ID, IDENTITY, OFF, ON_TRIGGER, TIME_SHIFT, TRIGGER, UVA, UVB,
};
use crate::chips::veml6075::{UVA_LEAKS, counts_per_w_m2, time};
use crate::quantity::Mono;

/// What visible and infrared light add to UV-B (application note, coefficients
/// c and d for no cover).
const UVB_LEAKS: [f64; 2] = [2.95, 1.74];
/// A measurement takes so many integration times (Linux driver veml6075: 1.3 to 1.4).
const OVERHEAD: f64 = 1.35;
/// The longest time there is a code for.
const SLOWEST: u8 = 4;

/// The light beside UV-A, each in counts of its channel for one count of UV-A.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Background {
    /// UV-B.
    pub uvb: f64,
    /// Visible light.
    pub visible: f64,
    /// Infrared light.
    pub infrared: f64,
}

impl Background {
    /// About that of a clear day.
    const DAYLIGHT: Self = Self { uvb: 0.7, visible: 0.07, infrared: 0.024 };
}

struct Conversion {
    start: Mono,
    /// End of the integration.
    end: Mono,
    /// When the result can be read.
    there: Mono,
}

/// An emulated VEML6075.
pub struct EmulatedVeml6075 {
    light: Light,
    background: Background,
    clock: f64,
    noise: Noise,
    identity: u16,
    /// The register asked for; none after a STOP.
    pointer: Option<u8>,
    conf: u16,
    /// UVA, UVB, comp1, comp2.
    results: [u16; 4],
    conversion: Option<Conversion>,
    jam: Jam,
}

impl EmulatedVeml6075 {
    /// A chip just switched on, in daylight.
    #[must_use]
    pub fn new(light: Light) -> Self {
        Self {
            light,
            background: Background::DAYLIGHT,
            clock: 1.0,
            noise: Noise::usual(),
            identity: IDENTITY,
            pointer: None,
            conf: OFF,
            results: [0; 4],
            conversion: None,
            jam: Jam::default(),
        }
    }

    /// With other light beside UV-A.
    #[must_use]
    pub fn before(mut self, background: Background) -> Self {
        self.background = background;
        self
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
        self.pointer = None;
        self.conf = OFF;
        self.results = [0; 4];
        self.conversion = None;
        self.jam = Jam::default();
    }

    fn range(&self) -> u8 {
        ((self.conf >> TIME_SHIFT & 7) as u8).min(SLOWEST)
    }

    fn configure(&mut self, now: Mono, conf: u16) {
        self.conf = conf & !TRIGGER;
        if conf & OFF != 0 {
            self.conversion = None;
            self.jam = Jam::default();
        } else if conf & ON_TRIGGER != 0 && conf & TRIGGER != 0 {
            let span = time(self.range()).as_secs_f64() / self.clock;
            self.conversion = Some(Conversion {
                start: now,
                end: now.plus_seconds(span),
                there: now.plus_seconds(span * OVERHEAD),
            });
        }
    }

    /// Lets time pass: a measurement that is over has left its results.
    fn advance(&mut self, now: Mono) {
        let over = |c: &mut Conversion| !self.jam.hung && now >= c.there;
        if let Some(done) = self.conversion.take_if(over)
            && !self.jam.stale
        {
            self.results = self.measured(&done);
        }
    }

    fn measured(&mut self, done: &Conversion) -> [u16; 4] {
        let uva = mean_w_m2(&self.light, done.start, done.end) * counts_per_w_m2(self.range());
        let Background { uvb, visible, infrared } = self.background;
        let (comp1, comp2) = (visible * uva, infrared * uva);
        let with = |counts: f64, leaks: [f64; 2]| counts + leaks[0] * comp1 + leaks[1] * comp2;
        let exact = [with(uva, UVA_LEAKS), with(uvb * uva, UVB_LEAKS), comp1, comp2];
        // The cast stops at the ends of 16 bits, as the part does.
        exact.map(|counts| self.noise.counts(counts) as u16)
    }

    fn get(&self, register: u8) -> u16 {
        match register {
            CONF => self.conf,
            UVA => self.results[0],
            UVB => self.results[1],
            COMP1 => self.results[2],
            COMP2 => self.results[3],
            ID => self.identity,
            _ => 0,
        }
    }
}

impl EmulatedChip for EmulatedVeml6075 {
    fn write(&mut self, now: Mono, bytes: &[u8]) {
        self.advance(now);
        self.pointer = bytes.first().copied();
        if let &[CONF, low, high, ..] = bytes {
            self.configure(now, u16::from_le_bytes([low, high]));
        }
    }

    fn read(&mut self, now: Mono, buffer: &mut [u8]) {
        self.advance(now);
        let value = self.pointer.map_or(u16::MAX, |register| self.get(register));
        for (byte, value) in buffer.iter_mut().zip(value.to_le_bytes().into_iter().cycle()) {
            *byte = value;
        }
    }

    fn stop(&mut self) {
        self.pointer = None;
    }

    fn suffer(&mut self, now: Mono, trouble: Trouble) {
        self.advance(now);
        match self.jam.take(trouble) {
            Some(Trouble::BrownOut) => self.reset(),
            Some(Trouble::Impostor { identity }) => {
                self.identity = identity.into();
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

    fn bus(background: Background) -> EmulatedBus {
        let mut bus = EmulatedBus::default();
        // 4201 counts of UV-A at 100 ms.
        let light = steady(4201.0 / counts_per_w_m2(1));
        bus.attach(0x10, EmulatedVeml6075::new(light).before(background).without_noise());
        bus
    }

    fn read(bus: &mut EmulatedBus, register: u8) -> u16 {
        let mut bytes = [0; 2];
        bus.write_read(0x10, &[register], &mut bytes).unwrap();
        u16::from_le_bytes(bytes)
    }

    #[test]
    fn the_register_is_forgotten_at_a_stop() {
        // UM10204: a repeated start has no STOP before it. VEML6075 rev 1.2, "read word protocol".
        let mut bus = bus(Background::DAYLIGHT);
        assert_eq!(read(&mut bus, ID), 0x0026);
        let mut bytes = [0; 2];
        bus.write(0x10, &[ID]).unwrap();
        bus.read(0x10, &mut bytes).unwrap();
        assert_eq!(bytes, [0xFF, 0xFF], "not the identity");
    }

    #[test]
    fn the_channels_are_the_application_notes() {
        // UVAc 4201 and UVBc 2941 come from 5000, 4000, 300, 100 (application note of 2018).
        let mut bus =
            bus(Background { uvb: 2941.0 / 4201.0, visible: 300.0 / 4201.0, infrared: 100.0 / 4201.0 });
        bus.write(0x10, &[CONF, 0x16, 0x00]).unwrap();
        bus.set_now(Mono::from_seconds(0.134));
        assert_eq!([UVA, UVB, COMP1, COMP2].map(|register| read(&mut bus, register)), [0; 4]);
        bus.set_now(Mono::from_seconds(0.136));
        let channels = [UVA, UVB, COMP1, COMP2].map(|register| read(&mut bus, register));
        assert_eq!(channels, [5000, 4000, 300, 100]);
        assert_eq!(read(&mut bus, CONF), 0x12, "the trigger clears itself");
    }

    #[test]
    fn switched_off_it_measures_nothing() {
        let mut bus = bus(Background::DAYLIGHT);
        bus.write(0x10, &[CONF, 0x17, 0x00]).unwrap();
        bus.set_now(Mono::from_seconds(1.0));
        assert_eq!(read(&mut bus, UVA), 0);
    }
}
