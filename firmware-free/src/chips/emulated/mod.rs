//! Chips from the other side of the bus, register by register: what a driver
//! cannot tell from hardware runs without hardware.
//!
//! An [`EmulatedBus`] holds chips by address. Its clock stands still until the
//! caller moves it; a chip integrates the [`Light`] over the real window of
//! each conversion. [`Trouble`] makes it fail.

mod ads1x1x;
mod as7331;
mod ltr390;
mod veml6070;
mod veml6075;

use embedded_hal::i2c::{ErrorType, I2c, Operation, SevenBitAddress};

use super::BusFault;
use crate::quantity::{Irradiance, Mono};

pub use ads1x1x::EmulatedAds1x1x;
pub use as7331::EmulatedAs7331;
pub use ltr390::EmulatedLtr390;
pub use veml6070::EmulatedVeml6070;
pub use veml6075::{Background, EmulatedVeml6075};

/// The irradiance on a sensor at any instant.
pub type Light = Box<dyn Fn(Mono) -> Irradiance + Send>;

/// Mean irradiance in W/m² over a window, by Simpson's rule on 32 intervals.
fn mean_w_m2(light: &Light, from: Mono, to: Mono) -> f64 {
    const INTERVALS: u32 = 32;
    let step = to.seconds_since(from) / f64::from(INTERVALS);
    let sum: f64 = (0..=INTERVALS)
        .map(|i| {
            let weight = match i {
                0 | INTERVALS => 1.0,
                odd if odd % 2 == 1 => 4.0,
                _ => 2.0,
            };
            weight * light(from.plus_seconds(step * f64::from(i))).w_m2()
        })
        .sum();
    sum / f64::from(3 * INTERVALS)
}

/// Rounds to whole counts, with noise as a real converter does: the last bit
/// never rests.
struct Noise(Option<u32>);

impl Noise {
    /// Up to two counts more or less, right on average.
    const fn usual() -> Self {
        Self(Some(0x2545_F491))
    }

    /// None: counts are exact.
    const fn none() -> Self {
        Self(None)
    }

    fn counts(&mut self, exact: f64) -> f64 {
        let Some(state) = &mut self.0 else { return exact.round() };
        // Marsaglia's xorshift, 32 bit.
        *state ^= *state << 13;
        *state ^= *state >> 17;
        *state ^= *state << 5;
        let uniform = f64::from(*state) / f64::from(u32::MAX);
        (exact + 4.0 * uniform - 1.5).floor()
    }
}

/// What can happen to a chip.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Trouble {
    /// The next transfers are not acknowledged.
    NoAcknowledge {
        /// How many.
        times: u32,
    },
    /// The next transfers time out.
    TimeOut {
        /// How many.
        times: u32,
    },
    /// A kernel driver takes the address: the next transfers are refused.
    Claimed {
        /// How many.
        times: u32,
    },
    /// The conversion under way, or the next one, never ends until the chip is
    /// set up again.
    Hang,
    /// Every result is the same until the chip is set up again.
    Stale,
    /// The supply broke down for a moment: registers as after power-on.
    BrownOut,
    /// Another chip answers, for good; ignored by chips with no identity.
    Impostor {
        /// What its identity register holds.
        identity: u8,
    },
    /// A result changes while its bytes are being read; ignored by chips that
    /// hold a result until it is read whole.
    Tear,
}

/// What lasts until a chip is set up again.
#[derive(Debug, Default)]
struct Jam {
    /// The conversion under way never ends.
    hung: bool,
    /// Every result is the same.
    stale: bool,
}

impl Jam {
    /// Takes a trouble that jams a chip, and gives back any other.
    fn take(&mut self, trouble: Trouble) -> Option<Trouble> {
        match trouble {
            Trouble::Hang => self.hung = true,
            Trouble::Stale => self.stale = true,
            other => return Some(other),
        }
        None
    }
}

/// A chip as the bus sees it.
pub trait EmulatedChip: Send {
    /// A transfer with it begins, at one of its addresses; whether it answers.
    fn select(&mut self, _address: u8) -> bool {
        true
    }
    /// Bytes written to it.
    fn write(&mut self, now: Mono, bytes: &[u8]);
    /// Whether it acknowledges what was just written.
    fn acknowledges(&self) -> bool {
        true
    }
    /// Bytes read from it.
    fn read(&mut self, now: Mono, buffer: &mut [u8]);
    /// A STOP ended a transfer with it; a repeated start does not come here.
    fn stop(&mut self) {}
    /// Takes any [`Trouble`] that is not the bus's own; one that it cannot have changes nothing.
    fn suffer(&mut self, now: Mono, trouble: Trouble);
}

struct Seat {
    addresses: Vec<u8>,
    chip: Box<dyn EmulatedChip>,
    /// What the next transfers fail with, and how many of them.
    failing: Option<(BusFault, u32)>,
}

/// A bus with emulated chips on it. It refuses the transfers that the bus of a
/// Pi refuses, so that a driver that works here works there.
#[derive(Default)]
pub struct EmulatedBus {
    now: Mono,
    seats: Vec<Seat>,
}

impl EmulatedBus {
    /// Puts a chip at an address, in place of one that is there.
    pub fn attach(&mut self, address: u8, chip: impl EmulatedChip + 'static) {
        self.attach_at(&[address], chip);
    }

    /// Puts a chip at all of its addresses, in place of those that are there.
    pub fn attach_at(&mut self, addresses: &[u8], chip: impl EmulatedChip + 'static) {
        self.seats.retain(|seat| !seat.addresses.iter().any(|address| addresses.contains(address)));
        self.seats.push(Seat { addresses: addresses.to_vec(), chip: Box::new(chip), failing: None });
    }

    /// The time on the bus.
    #[must_use]
    pub fn now(&self) -> Mono {
        self.now
    }

    /// Moves the time on the bus; it never goes back.
    pub fn set_now(&mut self, now: Mono) {
        self.now = self.now.max(now);
    }

    /// Lets something happen to the chip at an address, if one is there.
    pub fn strike(&mut self, address: u8, trouble: Trouble) {
        let now = self.now;
        if let Some(seat) = self.seat(address) {
            match trouble {
                Trouble::NoAcknowledge { times } => seat.failing = Some((BusFault::NoAcknowledge, times)),
                Trouble::TimeOut { times } => seat.failing = Some((BusFault::TimedOut, times)),
                Trouble::Claimed { times } => seat.failing = Some((BusFault::Claimed, times)),
                _ => seat.chip.suffer(now, trouble),
            }
        }
    }

    fn seat(&mut self, address: u8) -> Option<&mut Seat> {
        self.seats.iter_mut().find(|seat| seat.addresses.contains(&address))
    }
}

impl ErrorType for EmulatedBus {
    type Error = BusFault;
}

impl I2c<SevenBitAddress> for EmulatedBus {
    fn transaction(&mut self, address: u8, operations: &mut [Operation<'_>]) -> Result<(), BusFault> {
        let now = self.now;
        let seat = self.seat(address).ok_or(BusFault::NoAcknowledge)?;
        if let Some((fault, times)) = seat.failing.take().filter(|&(_, times)| times > 0) {
            seat.failing = Some((fault, times - 1));
            return Err(fault);
        }
        let chip = &mut seat.chip;
        if !chip.select(address) {
            return Err(BusFault::NoAcknowledge);
        }
        match operations {
            [Operation::Write(bytes), Operation::Read(buffer)] => {
                chip.write(now, bytes);
                chip.read(now, buffer);
            }
            [Operation::Write(bytes)] => chip.write(now, bytes),
            [Operation::Read(buffer)] => chip.read(now, buffer),
            _ => return Err(BusFault::Unsupported),
        }
        let acknowledged = chip.acknowledges();
        chip.stop();
        if acknowledged { Ok(()) } else { Err(BusFault::NoAcknowledge) }
    }
}

#[cfg(test)]
mod tests {
    use std::sync::mpsc;

    use super::*;

    /// Tells what it sees.
    struct Witness(mpsc::Sender<String>);

    impl EmulatedChip for Witness {
        fn write(&mut self, _: Mono, bytes: &[u8]) {
            self.0.send(format!("write {bytes:?}")).unwrap();
        }
        fn read(&mut self, _: Mono, buffer: &mut [u8]) {
            self.0.send(format!("read {}", buffer.len())).unwrap();
        }
        fn stop(&mut self) {
            self.0.send("stop".into()).unwrap();
        }
        fn suffer(&mut self, _: Mono, trouble: Trouble) {
            self.0.send(format!("{trouble:?}")).unwrap();
        }
    }

    #[test]
    fn a_repeated_start_is_not_a_stop() {
        let (sender, seen) = mpsc::channel();
        let mut bus = EmulatedBus::default();
        bus.attach(0x10, Witness(sender));
        bus.write_read(0x10, &[7], &mut [0; 2]).unwrap();
        bus.write(0x10, &[7]).unwrap();
        bus.read(0x10, &mut [0]).unwrap();
        bus.strike(0x10, Trouble::Hang);
        drop(bus);
        let seen: Vec<String> = seen.iter().collect();
        assert_eq!(seen, ["write [7]", "read 2", "stop", "write [7]", "stop", "read 1", "stop", "Hang"]);
    }

    #[test]
    fn refusals() {
        let (sender, seen) = mpsc::channel();
        let mut bus = EmulatedBus::default();
        assert_eq!(bus.read(0x10, &mut [0]), Err(BusFault::NoAcknowledge));
        bus.attach(0x10, Witness(sender));
        let troubles = [
            (Trouble::NoAcknowledge { times: 1 }, BusFault::NoAcknowledge),
            (Trouble::TimeOut { times: 1 }, BusFault::TimedOut),
            (Trouble::Claimed { times: 1 }, BusFault::Claimed),
        ];
        for (trouble, fault) in troubles {
            bus.strike(0x10, trouble);
            assert_eq!(bus.read(0x10, &mut [0]), Err(fault));
        }
        assert_eq!(seen.try_iter().count(), 0);
        bus.read(0x10, &mut [0]).unwrap();
        let two_writes = &mut [Operation::Write(&[1]), Operation::Write(&[2])];
        assert_eq!(bus.transaction(0x10, two_writes), Err(BusFault::Unsupported));
    }

    #[test]
    fn noise_flickers_and_is_right_on_average() {
        let mut noise = Noise::usual();
        let counts: Vec<f64> = (0..10_000).map(|_| noise.counts(500.3)).collect();
        let mean = counts.iter().sum::<f64>() / 10_000.0;
        assert!((mean - 500.3).abs() < 0.03, "{mean}");
        assert!(counts.iter().all(|c| (498.0..=502.0).contains(c)));
        assert!(counts.windows(15).all(|run| run.iter().any(|c| c != &run[0])));
    }

    #[test]
    fn the_mean_of_a_cubic_is_exact() {
        // Simpson's rule is exact up to the third degree.
        let light: Light = Box::new(|at| Irradiance::from_w_m2(at.seconds().powi(3)));
        let mean = mean_w_m2(&light, Mono::from_seconds(1.0), Mono::from_seconds(3.0));
        assert!((mean - 10.0).abs() < 1e-6);
    }
}
