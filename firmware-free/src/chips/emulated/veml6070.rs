//! The VEML6070 from the other side of the bus (datasheet rev 1.5 and its
//! application note). After power-on it takes no command until its alert
//! response was read; the threshold alert is not there.

use std::time::Duration;

use super::{EmulatedChip, Jam, Light, Noise, Trouble, mean_w_m2};
use crate::chips::veml6070::register::{ALERT_RESPONSE, COMMAND, HIGH_BYTE, OFF, RESERVED, TIME_SHIFT};
use crate::chips::veml6070::{step_w_m2, time_s};
use crate::quantity::Mono;

/// The command after power-on.
const AT_RESET: u8 = RESERVED | OFF;

/// An emulated VEML6070.
pub struct EmulatedVeml6070 {
    light: Light,
    rset_kohm: f64,
    clock: f64,
    noise: Noise,
    /// The address of the transfer under way.
    selected: u8,
    /// Its power-on was not told yet.
    alert: bool,
    command: u8,
    result: u16,
    /// When the measurement under way began.
    since: Option<Mono>,
    jam: Jam,
    torn: bool,
}

impl EmulatedVeml6070 {
    /// Where it answers, the command first.
    pub const ADDRESSES: [u8; 3] = [COMMAND, HIGH_BYTE, ALERT_RESPONSE];

    /// A chip just switched on, with a resistor of so many kΩ.
    #[must_use]
    pub fn new(rset_kohm: f64, light: Light) -> Self {
        Self {
            light,
            rset_kohm,
            clock: 1.0,
            noise: Noise::usual(),
            selected: COMMAND,
            alert: true,
            command: AT_RESET,
            result: 0,
            since: None,
            jam: Jam::default(),
            torn: false,
        }
    }

    /// With a clock that runs at `rate` times its nominal frequency; it counts
    /// by the light and not by the clock.
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

    fn code(&self) -> u8 {
        self.command >> TIME_SHIFT & 3
    }

    fn span(&self) -> Duration {
        Duration::from_secs_f64(time_s(self.rset_kohm, self.code()) / self.clock)
    }

    /// Lets time pass: it measures again and again while it is on.
    fn advance(&mut self, now: Mono) {
        let Some(since) = self.since.filter(|_| !self.jam.hung) else { return };
        let span = self.span();
        let over = u32::try_from(now.duration_since(since).as_nanos() / span.as_nanos()).unwrap_or(u32::MAX);
        if over == 0 {
            return;
        }
        let end = since + span * over;
        if !self.jam.stale {
            let steps = mean_w_m2(&self.light, since + span * (over - 1), end);
            // The cast stops at the ends of 16 bits, as the part does.
            self.result = self.noise.counts(steps / step_w_m2(self.rset_kohm, self.code())) as u16;
        }
        self.since = Some(end);
    }
}

impl EmulatedChip for EmulatedVeml6070 {
    fn select(&mut self, address: u8) -> bool {
        self.selected = address;
        address != ALERT_RESPONSE || self.alert
    }

    fn write(&mut self, now: Mono, bytes: &[u8]) {
        self.advance(now);
        if let (COMMAND, false, &[command, ..]) = (self.selected, self.alert, bytes) {
            self.command = command;
            self.since = (command & OFF == 0).then_some(now);
        }
    }

    fn read(&mut self, now: Mono, buffer: &mut [u8]) {
        self.advance(now);
        let [high, low] = self.result.to_be_bytes();
        buffer.fill(match self.selected {
            HIGH_BYTE if std::mem::take(&mut self.torn) => high.wrapping_sub(1),
            HIGH_BYTE => high,
            ALERT_RESPONSE => {
                self.alert = false;
                COMMAND << 1
            }
            _ => low,
        });
    }

    /// There is no way to set it up again but its supply: a hang or a stale
    /// result stays until [`Trouble::BrownOut`].
    fn suffer(&mut self, now: Mono, trouble: Trouble) {
        self.advance(now);
        match self.jam.take(trouble) {
            Some(Trouble::Tear) => self.torn = true,
            Some(Trouble::BrownOut) => {
                self.alert = true;
                self.command = AT_RESET;
                self.result = 0;
                self.since = None;
                self.jam = Jam::default();
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
        // One W/m² more each second; 1T is 100 ms and a step 0.05 W/m² at 240 kΩ.
        let climbing = Box::new(|at: Mono| Irradiance::from_w_m2(100.0 + at.seconds()));
        bus.attach_at(&EmulatedVeml6070::ADDRESSES, EmulatedVeml6070::new(240.0, climbing).without_noise());
        bus
    }

    fn result(bus: &mut EmulatedBus) -> u16 {
        let (mut high, mut low) = ([0], [0]);
        bus.read(HIGH_BYTE, &mut high).unwrap();
        bus.read(COMMAND, &mut low).unwrap();
        u16::from_be_bytes([high[0], low[0]])
    }

    #[test]
    fn it_is_mute_until_its_alert_was_read() {
        let mut bus = bus();
        bus.write(COMMAND, &[0x06]).unwrap();
        bus.set_now(Mono::from_seconds(1.0));
        assert_eq!(result(&mut bus), 0);

        bus.read(ALERT_RESPONSE, &mut [0]).unwrap();
        assert_eq!(bus.read(ALERT_RESPONSE, &mut [0]), Err(BusFault::NoAcknowledge), "told once");
        bus.write(COMMAND, &[0x06]).unwrap();
        bus.set_now(Mono::from_seconds(1.099));
        assert_eq!(result(&mut bus), 0);
        bus.set_now(Mono::from_seconds(1.1));
        // Mean of t over 1 to 1.1 s is 1.05: 101.05 W/m² are 2021 steps.
        assert_eq!(result(&mut bus), 2021);
        bus.set_now(Mono::from_seconds(5.15));
        // And over 5 to 5.1 s.
        assert_eq!(result(&mut bus), 2101);
    }

    #[test]
    fn switched_off_the_result_stands() {
        let mut bus = bus();
        bus.read(ALERT_RESPONSE, &mut [0]).unwrap();
        bus.write(COMMAND, &[0x06]).unwrap();
        bus.set_now(Mono::from_seconds(0.1));
        bus.write(COMMAND, &[0x07]).unwrap();
        bus.set_now(Mono::from_seconds(50.0));
        assert_eq!(result(&mut bus), 2001);
    }
}
