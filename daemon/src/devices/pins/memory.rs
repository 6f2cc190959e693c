//! Pins in memory.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use super::{OnPress, PinError, Pins, RelayPin, Switch};

/// Pins in memory, for running without hardware: every clone is the same pins.
#[derive(Clone, Default)]
pub struct MemoryPins(Arc<Mutex<Memory>>);

#[derive(Default)]
struct Memory {
    /// What each output was set to, the latest last.
    outputs: BTreeMap<u8, Vec<bool>>,
    buttons: BTreeMap<u8, OnPress>,
}

impl MemoryPins {
    /// What a pin was set to since it was taken, the latest last; the first is
    /// the off that it begins with. Empty for a pin that is no output.
    #[must_use]
    pub fn history(&self, pin: u8) -> Vec<bool> {
        self.lock().outputs.get(&pin).cloned().unwrap_or_default()
    }

    /// Presses a button; returns whether there is one.
    #[must_use]
    pub fn press(&self, pin: u8) -> bool {
        // Taken out for the call, which may want these pins itself.
        let Some(mut on_press) = self.lock().buttons.remove(&pin) else { return false };
        on_press();
        self.lock().buttons.insert(pin, on_press);
        true
    }

    #[cfg(test)]
    pub(crate) fn release(&self, pin: u8) {
        self.lock().outputs.remove(&pin);
    }

    fn lock(&self) -> MutexGuard<'_, Memory> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Refuses a pin that does not exist or serves already, as a Pi does.
    fn check(&self, pin: u8) -> Result<(), PinError> {
        let memory = self.lock();
        match pin {
            28.. => Err(PinError::NotThere { pin }),
            _ if memory.outputs.contains_key(&pin) || memory.buttons.contains_key(&pin) => {
                Err(PinError::InUse { pin })
            }
            _ => Ok(()),
        }
    }
}

impl Pins for MemoryPins {
    fn output(&mut self, pin: u8) -> Result<Box<dyn Switch>, PinError> {
        self.check(pin)?;
        self.lock().outputs.insert(pin, vec![false]);
        Ok(Box::new(MemorySwitch { pin, pins: self.clone() }))
    }

    fn tone(&mut self, pin: u8) -> Result<Box<dyn Switch>, PinError> {
        self.output(pin)
    }

    fn button(&mut self, pin: u8, on_press: OnPress) -> Result<(), PinError> {
        self.check(pin)?;
        self.lock().buttons.insert(pin, on_press);
        Ok(())
    }

    fn relay(&mut self, pin: RelayPin) -> Result<Box<dyn Switch>, PinError> {
        self.output(pin.bcm)
    }
}

struct MemorySwitch {
    pin: u8,
    pins: MemoryPins,
}

impl Switch for MemorySwitch {
    fn set(&mut self, on: bool) {
        self.pins.lock().outputs.entry(self.pin).or_default().push(on);
    }
}

#[cfg(test)]
mod tests {
    use std::sync::mpsc;

    use super::*;

    #[test]
    fn a_press_arrives() {
        let (sender, presses) = mpsc::channel();
        let mut pins = MemoryPins::default();
        pins.button(23, Box::new(move || sender.send("oak").unwrap())).unwrap();
        assert!(pins.press(23) && pins.press(23));
        assert!(!pins.press(24));
        assert_eq!(presses.try_iter().collect::<Vec<_>>(), ["oak", "oak"]);
    }

    #[test]
    fn a_pin_serves_once() {
        let mut pins = MemoryPins::default();
        pins.button(23, Box::new(|| {})).unwrap();
        assert!(matches!(pins.output(23), Err(PinError::InUse { pin: 23 })));
        assert!(matches!(pins.tone(28), Err(PinError::NotThere { pin: 28 })));
    }
}
