//! Sensor chips on I2C: registers, conversion to irradiance, and drivers that
//! are polled. [`emulated`] holds the same chips from the other side of the bus.
//!
//! A driver never sleeps and never reads a clock: it is told the time, does
//! what is due and says when to be called again. It does not own the bus, so
//! that many chips share one. [`Sampler`] gives one chip its cadence and deals
//! with its faults.

mod ads1x1x;
mod as7331;
mod auto_range;
pub mod emulated;
mod ltr390;
mod sampler;
mod scan;
#[cfg(test)]
mod test_bench;
mod veml6070;
mod veml6075;

use std::time::Duration;

use embedded_hal::i2c::{ErrorKind, I2c, NoAcknowledgeSource};

use crate::light::Reading;
use crate::quantity::Mono;

pub use ads1x1x::{Ads1x1x, Ads1x1xSettings, Part, Photodiode};
pub use as7331::{As7331, As7331Settings};
pub use auto_range::Ranging;
pub use ltr390::{Ltr390, Ltr390Settings};
pub use sampler::{Sampler, SensorEvent};
pub use scan::{Identity, scan};
pub use veml6070::{Veml6070, Veml6070Settings, Veml6070Time};
pub use veml6075::{Veml6075, Veml6075Settings};

/// What went wrong in a transfer on the bus.
///
/// More than embedded-hal's [`ErrorKind`] tells: the errno of the kernel
/// parts "nobody there" from "taken by a kernel driver", and they ask for
/// different deeds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum BusFault {
    /// No chip acknowledged the address or a byte.
    #[error("nothing answers; check wiring, supply and address, `frameside check --rig` lists what answers")]
    NoAcknowledge,
    /// The transfer took too long: a line is held low.
    #[error("the bus timed out; check the pull-ups and for a wire that touches another")]
    TimedOut,
    /// Another master spoke at the same time.
    #[error("another controller took the bus; let only this machine speak on it")]
    ArbitrationLost,
    /// The controller saw a malformed signal.
    #[error("the signals on the bus are malformed; shorten the wires or slow the bus down")]
    Bus,
    /// A kernel driver holds the address.
    #[error("a kernel driver holds the address; use chip = \"iio\" or unbind the driver")]
    Claimed,
    /// The bus cannot make this kind of transfer.
    #[error("the bus cannot make this transfer; report it, with the name of the chip")]
    Unsupported,
    /// Anything else, with the errno of the system (0 when there is none).
    #[error("the bus failed with errno {0}; look in the kernel log")]
    Other(i32),
}

impl embedded_hal::i2c::Error for BusFault {
    fn kind(&self) -> ErrorKind {
        match self {
            Self::NoAcknowledge => ErrorKind::NoAcknowledge(NoAcknowledgeSource::Unknown),
            Self::ArbitrationLost => ErrorKind::ArbitrationLoss,
            Self::Bus => ErrorKind::Bus,
            Self::TimedOut | Self::Claimed | Self::Unsupported | Self::Other(_) => ErrorKind::Other,
        }
    }
}

/// An I2C bus whose errors say what a driver needs to know. Every bus of
/// embedded-hal is one as soon as its error converts to a [`BusFault`].
pub trait Bus: I2c<Error: Into<BusFault>> {
    /// Writes `bytes` to the chip at `address`.
    ///
    /// # Errors
    /// [`SensorFault::Bus`].
    fn put(&mut self, address: u8, bytes: &[u8]) -> Result<(), SensorFault> {
        self.write(address, bytes).map_err(|e| SensorFault::Bus { address, fault: e.into() })
    }

    /// Fills `buffer` from `register` on, with a repeated start in between.
    ///
    /// # Errors
    /// [`SensorFault::Bus`].
    fn fetch(&mut self, address: u8, register: u8, buffer: &mut [u8]) -> Result<(), SensorFault> {
        self.write_read(address, &[register], buffer)
            .map_err(|e| SensorFault::Bus { address, fault: e.into() })
    }

    /// Reads one byte from a chip without registers.
    ///
    /// # Errors
    /// [`SensorFault::Bus`].
    fn take(&mut self, address: u8) -> Result<u8, SensorFault> {
        let mut byte = [0];
        self.read(address, &mut byte).map_err(|e| SensorFault::Bus { address, fault: e.into() })?;
        Ok(byte[0])
    }
}

impl<B: I2c<Error: Into<BusFault>>> Bus for B {}

/// What a driver wants next.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Step {
    /// Nothing to do before this instant.
    Wait(Mono),
    /// A measurement is done; the next call begins another.
    Done(Reading),
}

/// A driver that is polled.
pub trait Chip<B: Bus> {
    /// Does what is due at `now` and says what comes next. The first call
    /// after a [`Step::Done`] begins a measurement. Called early it only
    /// repeats when it wants to be called, without a word on the bus; called
    /// late it goes on where it stood.
    ///
    /// # Errors
    /// Any [`SensorFault`]. The driver stays where it was, so the same call
    /// may be made again; after [`Chip::reset`] it begins anew.
    fn step(&mut self, bus: &mut B, now: Mono) -> Result<Step, SensorFault>;

    /// Forgets what is known of the chip: the next call sets it up from
    /// nothing and writes its whole configuration.
    fn reset(&mut self);

    /// The longest that a measurement takes while all is well, a change of
    /// range included.
    fn longest(&self) -> Duration;

    /// Whether noise always moves the last bit under light, so that equal
    /// counts mean a chip that is stuck.
    fn flickers(&self) -> bool {
        true
    }
}

/// Why a sensor gives no reading.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum SensorFault {
    /// A transfer failed.
    #[error("sensor at {address:#04x}: {fault}")]
    Bus {
        /// 7-bit address of the chip.
        address: u8,
        /// What the bus said.
        fault: BusFault,
    },
    /// Another chip answers at the address.
    #[error(
        "sensor at {address:#04x} is not the {expected} (its identity is {found:#04x}); correct chip or address in the config"
    )]
    WrongChip {
        /// 7-bit address of the chip.
        address: u8,
        /// The part that the config names.
        expected: &'static str,
        /// What its identity register holds.
        found: u16,
    },
    /// What answers at the address does not behave as the chip, which has no identity.
    #[error(
        "sensor at {address:#04x} does not behave like an {expected}: another chip answers there, or its settings were changed; correct chip or address in the config, or switch it off and on"
    )]
    UnlikeChip {
        /// 7-bit address of the chip.
        address: u8,
        /// The part that the config names.
        expected: &'static str,
    },
    /// The chip lost its settings (its supply broke down), or never took them.
    #[error(
        "sensor at {address:#04x} does not keep its settings; check its supply and that the config names the right chip"
    )]
    SettingsLost {
        /// 7-bit address of the chip.
        address: u8,
    },
    /// A conversion did not end in time.
    #[error("sensor never finishes a measurement; it is set up again, check its supply if this comes back")]
    NeverReady,
    /// The same counts too many times.
    #[error("sensor is stuck at {counts} counts; it is set up again, check its supply if this comes back")]
    Stuck {
        /// The counts that do not change.
        counts: i32,
    },
    /// The kernel drives no such sensor.
    #[error(
        "the kernel has no IIO device of this name; `grep . /sys/bus/iio/devices/*/name` lists them, correct device in the config"
    )]
    NoIioDevice,
    /// The kernel's driver gives no reading.
    #[error(
        "the kernel's driver gives no reading (errno {errno}); look in the kernel log, and for the channel among the device's files"
    )]
    Iio {
        /// What the system said (0 when nothing).
        errno: i32,
    },
}

/// Why a chip cannot be used as the config wants it.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum SetupError {
    /// No such chip lives at this address.
    #[error("{part} cannot have the address {address:#04x}; it has {first:#04x} to {last:#04x}")]
    Address {
        /// The part.
        part: &'static str,
        /// The address asked for.
        address: u8,
        /// Its lowest address.
        first: u8,
        /// Its highest address.
        last: u8,
    },
    /// No such integration time.
    #[error("{part} cannot integrate for {time:?}; it has {times}")]
    Time {
        /// The part.
        part: &'static str,
        /// The time asked for.
        time: Duration,
        /// The times it has.
        times: &'static str,
    },
    /// No such data rate.
    #[error("{part} cannot sample at {sps} per second; it has {rates:?}")]
    Rate {
        /// The part.
        part: &'static str,
        /// The rate asked for in samples per second.
        sps: u16,
        /// The rates it has.
        rates: [u16; 8],
    },
    /// No such range.
    #[error("{part} has no range {range}; its ranges are 0 (least sensitive) to {last}")]
    Range {
        /// The part.
        part: &'static str,
        /// The range asked for.
        range: u8,
        /// Its most sensitive range.
        last: u8,
    },
    /// The analogue part's figures make no sense.
    #[error("volts_per_W_m2 must be above zero and zero_V a voltage below the ceiling of the part")]
    Photodiode,
    /// A factor that is not a positive number.
    #[error("{part} needs a {key} above zero")]
    Factor {
        /// The part.
        part: &'static str,
        /// What the config calls the factor.
        key: &'static str,
    },
    /// A resistor that the part does not work with.
    #[error("VEML6070 does not work with {kohm} kΩ at RSET; rset_kohm must be 75 to 1200")]
    Rset {
        /// The resistor in kΩ.
        kohm: f64,
    },
}

/// Refuses an address outside `first..=last`.
fn check_address(part: &'static str, address: u8, first: u8, last: u8) -> Result<(), SetupError> {
    if (first..=last).contains(&address) {
        Ok(())
    } else {
        Err(SetupError::Address { part, address, first, last })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn faults_are_one_line_in_lower_case_and_name_the_address() {
        let bus = [
            BusFault::NoAcknowledge,
            BusFault::TimedOut,
            BusFault::ArbitrationLost,
            BusFault::Bus,
            BusFault::Claimed,
            BusFault::Unsupported,
            BusFault::Other(71),
        ]
        .map(|fault| SensorFault::Bus { address: 0x49, fault });
        let chip = [
            SensorFault::WrongChip { address: 0x49, expected: "AS7331", found: 0x5b },
            SensorFault::UnlikeChip { address: 0x49, expected: "ADS1115" },
            SensorFault::SettingsLost { address: 0x49 },
        ];
        for fault in bus.into_iter().chain(chip) {
            let text = fault.to_string();
            assert!(text.starts_with("sensor at 0x49"), "{text}");
            assert!(text.contains(';') && !text.contains('\n'), "{text}");
        }
    }
}
