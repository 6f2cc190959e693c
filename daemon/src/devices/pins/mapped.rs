//! Pins through rppal, which writes the registers that `/dev/gpiomem` maps.

use std::io::ErrorKind;
use std::path::Path;

use rppal::gpio::{Error as GpioError, Gpio, InputPin, OutputPin, Trigger};

use super::{BOUNCE, OnPress, PinError, Pins, RelayPin, Switch, TONE_HZ};

/// The pins of a Pi whose registers are mapped.
pub(super) struct MappedPins {
    gpio: Gpio,
    /// Kept so that they go on calling.
    buttons: Vec<InputPin>,
}

impl MappedPins {
    pub(super) fn open() -> Result<Self, PinError> {
        Ok(Self { gpio: Gpio::new()?, buttons: Vec::new() })
    }
}

struct RelayLevel {
    output: OutputPin,
    active_low: bool,
}

impl Switch for RelayLevel {
    fn set(&mut self, on: bool) {
        self.output.write((on != self.active_low).into());
    }
}

impl Drop for RelayLevel {
    fn drop(&mut self) {
        self.set(false);
    }
}

impl Pins for MappedPins {
    fn output(&mut self, pin: u8) -> Result<Box<dyn Switch>, PinError> {
        Ok(Box::new(Level(self.gpio.get(pin)?.into_output_low())))
    }

    fn tone(&mut self, pin: u8) -> Result<Box<dyn Switch>, PinError> {
        Ok(Box::new(Tone(self.gpio.get(pin)?.into_output_low())))
    }

    fn button(&mut self, pin: u8, mut on_press: OnPress) -> Result<(), PinError> {
        let mut input = self.gpio.get(pin)?.into_input_pullup();
        input.set_async_interrupt(Trigger::FallingEdge, Some(BOUNCE), move |_| on_press())?;
        self.buttons.push(input);
        Ok(())
    }

    fn relay(&mut self, pin: RelayPin) -> Result<Box<dyn Switch>, PinError> {
        let taken = self.gpio.get(pin.bcm)?;
        let mut output = if pin.active_low { taken.into_output_high() } else { taken.into_output_low() };
        output.set_reset_on_drop(false);
        Ok(Box::new(RelayLevel { output, active_low: pin.active_low }))
    }
}

struct Level(OutputPin);

impl Switch for Level {
    fn set(&mut self, on: bool) {
        self.0.write(on.into());
    }
}

struct Tone(OutputPin);

impl Switch for Tone {
    fn set(&mut self, on: bool) {
        let done = if on { self.0.set_pwm_frequency(TONE_HZ, 0.5) } else { self.0.clear_pwm() };
        if let Err(error) = done {
            tracing::warn!(%error, "the tone of the buzzer fails");
        }
        if !on {
            self.0.set_low();
        }
    }
}

impl From<GpioError> for PinError {
    fn from(error: GpioError) -> Self {
        match error {
            GpioError::UnknownModel => Self::NoPins,
            GpioError::PermissionDenied(path) => {
                Self::of(ErrorKind::PermissionDenied.into(), Path::new(&path))
            }
            GpioError::PinNotAvailable(pin) => Self::NotThere { pin },
            GpioError::PinUsed(pin) => Self::InUse { pin },
            GpioError::Io(e) if e.kind() == ErrorKind::NotFound => Self::NoPins,
            GpioError::Io(_) | GpioError::ThreadPanic => Self::Failed(error.to_string()),
        }
    }
}
