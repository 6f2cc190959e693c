//! Pins: what a rig switches (buzzer, lights, relay) and what is pressed on it.
//!
//! A buzzer must fall silent even if the daemon is killed in the middle of a
//! call, so it gets short pulses only, and a stop command of the service drives
//! its pin low. For the same reason a passive buzzer is driven by software: a
//! hardware PWM would go on sounding by itself. A lamp's relay needs more: see
//! [`crate::devices::relay`].

mod buzzer;
mod character_device;
mod mapped;
mod memory;
mod permission;

use std::fs::File;
use std::io::{self, ErrorKind};
use std::path::{Path, PathBuf};
use std::time::Duration;

pub(crate) use buzzer::buzzer_switch;
pub use buzzer::{Buzzer, BuzzerKind, Pattern};
use character_device::CharacterDevice;
use mapped::MappedPins;
pub use memory::MemoryPins;
pub use permission::Remedy;

/// Where the kernel of Raspberry Pi OS offers the registers of the pins; the second on a Pi 5.
const MAPPED: [&str; 2] = ["/dev/gpiomem", "/dev/gpiomem0"];
/// Tone of a passive buzzer, which software makes. rppal's sleeps through most of a
/// period this long; from about 2 kHz on it would keep a core busy.
const TONE_HZ: f64 = 1000.0;
/// A button's contacts bounce for less than this.
const BOUNCE: Duration = Duration::from_millis(30);

/// Something that is on or off.
pub trait Switch: Send {
    /// Turns it on or off.
    fn set(&mut self, on: bool);
}

/// What to do when a button is pressed; runs on a thread of its own.
pub type OnPress = Box<dyn FnMut() + Send>;

/// The pins of the header, by BCM number.
pub trait Pins: Send {
    /// A pin that is low when off and high when on; off at first.
    ///
    /// # Errors
    /// [`PinError`] when the pin cannot be had.
    fn output(&mut self, pin: u8) -> Result<Box<dyn Switch>, PinError>;

    /// A pin that gives a tone when on; off at first.
    ///
    /// # Errors
    /// [`PinError`] when the pin cannot be had.
    fn tone(&mut self, pin: u8) -> Result<Box<dyn Switch>, PinError>;

    /// Calls `on_press` at every press of a button between the pin and ground,
    /// for as long as these pins live.
    ///
    /// # Errors
    /// [`PinError`] when the pin cannot be had.
    fn button(&mut self, pin: u8, on_press: OnPress) -> Result<(), PinError>;

    /// The pin of a relay; off at first, and driven off when it is no longer used: what
    /// floats may close a relay. On the character device it is held by one process at a time.
    ///
    /// # Errors
    /// [`PinError`] when the pin cannot be had.
    fn relay(&mut self, pin: RelayPin) -> Result<Box<dyn Switch>, PinError>;
}

/// The pins of this Pi: through rppal where the kernel offers their registers, else, or where
/// that fails, through its GPIO character device.
///
/// # Errors
/// [`PinError`] when neither way works: the reason of the first that there is.
pub fn open() -> Result<Box<dyn Pins>, PinError> {
    let is_missing = |path: &&str| File::open(path).is_err_and(|error| error.kind() == ErrorKind::NotFound);
    if MAPPED.iter().all(is_missing) {
        return Ok(Box::new(CharacterDevice::open()?));
    }
    match MappedPins::open() {
        Ok(pins) => Ok(Box::new(pins)),
        Err(error) => Ok(Box::new(CharacterDevice::open().map_err(|_| error)?)),
    }
}

/// Why a pin cannot be had.
#[derive(Debug, thiserror::Error)]
pub enum PinError {
    /// There is no GPIO chip of a Pi, or its driver is not loaded yet.
    #[error("this machine has no pins of a Raspberry Pi; is the driver of its pins loaded?")]
    NoPins,
    /// The user may not use a device.
    #[error("no permission to use {}; {remedy}", path.display())]
    Permission {
        /// Which device.
        path: PathBuf,
        /// What to do.
        remedy: Remedy,
    },
    /// No such pin.
    #[error("there is no pin {pin}; use a BCM number of the header, 2 to 27")]
    NotThere {
        /// BCM number.
        pin: u8,
    },
    /// The pin serves already.
    #[error("pin {pin} is in use, here or by another program; give each device a pin of its own")]
    InUse {
        /// BCM number.
        pin: u8,
    },
    /// Anything else.
    #[error("the pins fail: {0}; look in the kernel log")]
    Failed(String),
}

impl PinError {
    /// Why a device could not be used.
    fn of(error: io::Error, path: &Path) -> Self {
        match error.kind() {
            ErrorKind::PermissionDenied => {
                Self::Permission { path: path.to_owned(), remedy: Remedy::at(path) }
            }
            _ => Self::Failed(format!("{}: {error}", path.display())),
        }
    }
}

/// The pin of a relay.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct RelayPin {
    /// BCM number.
    pub bcm: u8,
    /// Whether the relay closes when the pin is low.
    pub active_low: bool,
}
