//! Pins: what a rig switches (buzzer, lights, relay) and what is pressed on it.
//!
//! A buzzer must fall silent even if the daemon is killed in the middle of a
//! call, so it gets short pulses only, and a stop command of the service drives
//! its pin low. For the same reason a passive buzzer is driven by software PWM:
//! a hardware PWM would go on sounding by itself. A lamp's relay needs more: see
//! [`crate::devices::relay`].

mod buzzer;
mod mapped;
mod memory;

use std::time::Duration;

pub use buzzer::{Buzzer, BuzzerKind, Pattern};
pub use mapped::GpioPins;
pub use memory::MemoryPins;

/// Tone of a passive buzzer. rppal's software PWM sleeps through most of a
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
}

/// Why a pin cannot be had.
#[derive(Debug, thiserror::Error)]
pub enum PinError {
    /// This is no Pi that the GPIO library knows.
    #[error("there are no pins on this machine; take buzzer, buttons, leds and relays out of the config")]
    NoPins,
    /// The user may not use them.
    #[error("no permission to use the pins; add the user of the daemon to the group gpio")]
    Permission,
    /// No such pin.
    #[error("there is no pin {pin}; use a BCM number of the header, 2 to 27")]
    NotThere {
        /// BCM number.
        pin: u8,
    },
    /// The pin serves already.
    #[error("pin {pin} is in use; give each device a pin of its own")]
    InUse {
        /// BCM number.
        pin: u8,
    },
    /// Anything else.
    #[error("the pins fail: {0}; look in the kernel log")]
    Failed(String),
}

/// The pin of a relay.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct RelayPin {
    /// BCM number.
    pub bcm: u8,
    /// Whether the relay closes when the pin is low.
    pub active_low: bool,
}
