//! Pins: what a rig switches (buzzer, lights, relay) and what is pressed on it.
//!
//! A buzzer must fall silent even if the daemon is killed in the middle of a
//! call, so it gets short pulses only, and a stop command of the service drives
//! its pin low. For the same reason a passive buzzer is driven by software PWM:
//! a hardware PWM would go on sounding by itself. A lamp's relay needs more: see
//! [`crate::devices::relay`].

use std::collections::{BTreeMap, VecDeque};
use std::io::Write;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use frameside_core::quantity::Mono;
use rppal::gpio::{Error as GpioError, Gpio, InputPin, OutputPin, Trigger};

/// Tone of a passive buzzer. rppal's software PWM sleeps through most of a
/// period this long; from about 2 kHz on it would keep a core busy.
const TONE_HZ: f64 = 1000.0;
/// A button's contacts bounce for less than this.
const BOUNCE: Duration = Duration::from_millis(30);
/// Pulses that may wait; a call too many is left out.
const MOST_WAITING: usize = 256;
/// Nobody counts more beeps than this.
const MOST_BEEPS: usize = 12;

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

impl From<GpioError> for PinError {
    fn from(error: GpioError) -> Self {
        match error {
            GpioError::UnknownModel => Self::NoPins,
            GpioError::PermissionDenied(_) => Self::Permission,
            GpioError::PinNotAvailable(pin) => Self::NotThere { pin },
            GpioError::PinUsed(pin) => Self::InUse { pin },
            GpioError::Io(e) if e.kind() == std::io::ErrorKind::NotFound => Self::NoPins,
            GpioError::Io(_) | GpioError::ThreadPanic => Self::Failed(error.to_string()),
        }
    }
}

/// The pins of a Pi.
pub struct GpioPins {
    gpio: Gpio,
    /// Kept so that they go on calling.
    buttons: Vec<InputPin>,
}

impl GpioPins {
    /// Opens the GPIO of this Pi.
    ///
    /// # Errors
    /// [`PinError::NoPins`], [`PinError::Permission`] or [`PinError::Failed`].
    pub fn open() -> Result<Self, PinError> {
        Ok(Self { gpio: Gpio::new()?, buttons: Vec::new() })
    }

    /// The pin of a relay; off at first, and driven off when it is no longer used: what
    /// floats may close a relay.
    ///
    /// # Errors
    /// [`PinError`] when the pin cannot be had.
    pub fn relay(&mut self, pin: RelayPin) -> Result<Box<dyn Switch>, PinError> {
        let taken = self.gpio.get(pin.bcm)?;
        let mut output = if pin.active_low { taken.into_output_high() } else { taken.into_output_low() };
        output.set_reset_on_drop(false);
        Ok(Box::new(RelayLevel { output, active_low: pin.active_low }))
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

impl Pins for GpioPins {
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

/// Rings the bell of a terminal at every pulse.
struct Bell<W>(W);

impl<W: Write + Send> Switch for Bell<W> {
    fn set(&mut self, on: bool) {
        if on && let Err(error) = self.0.write_all(b"\x07").and_then(|()| self.0.flush()) {
            tracing::debug!(%error, "the terminal does not take the bell");
        }
    }
}

/// Nothing at all.
struct Silence;

impl Switch for Silence {
    fn set(&mut self, _on: bool) {}
}

/// Pulses to play: each is on for a time, then off for a time.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Pattern(Vec<(Duration, Duration)>);

impl Pattern {
    /// A single beep, to hear that the buzzer works.
    #[must_use]
    pub fn beep() -> Self {
        Self(vec![pulse(150, 150)])
    }

    /// The call of frame number `frame`, counted from 1 in the order of the
    /// config: a long beep, then as many short ones (at most 12).
    #[must_use]
    pub fn call(frame: usize) -> Self {
        let short = pulse(120, 180);
        let shorts = std::iter::repeat_n(short, frame.min(MOST_BEEPS));
        Self(std::iter::once(pulse(600, 300)).chain(shorts).collect())
    }

    /// The pulses: on for the first time, off for the second.
    #[must_use]
    pub fn pulses(&self) -> &[(Duration, Duration)] {
        &self.0
    }
}

fn pulse(on_ms: u64, off_ms: u64) -> (Duration, Duration) {
    (Duration::from_millis(on_ms), Duration::from_millis(off_ms))
}

/// What sounds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum BuzzerKind {
    /// A buzzer with its own oscillator.
    Active {
        /// BCM number of its pin.
        pin: u8,
    },
    /// A bare piezo or coil that needs a tone.
    Passive {
        /// BCM number of its pin.
        pin: u8,
    },
    /// The bell of the terminal on stderr.
    Terminal,
    /// Nothing.
    None,
}

/// Plays patterns one after the other; it is polled like everything else.
pub struct Buzzer {
    switch: Box<dyn Switch>,
    /// Turn on or off, and stay so for how long.
    waiting: VecDeque<(bool, Duration)>,
    until: Mono,
}

impl Buzzer {
    /// A buzzer of a kind.
    ///
    /// # Errors
    /// [`PinError`] when its pin cannot be had.
    pub fn open(kind: BuzzerKind, pins: &mut dyn Pins) -> Result<Self, PinError> {
        Ok(Self::on(match kind {
            BuzzerKind::Active { pin } => pins.output(pin)?,
            BuzzerKind::Passive { pin } => pins.tone(pin)?,
            BuzzerKind::Terminal => Box::new(Bell(std::io::stderr())),
            BuzzerKind::None => Box::new(Silence),
        }))
    }

    /// A buzzer behind any switch.
    #[must_use]
    pub fn on(switch: Box<dyn Switch>) -> Self {
        Self { switch, waiting: VecDeque::new(), until: Mono::from_nanos(i64::MIN) }
    }

    /// Plays a pattern after those that wait; [`Buzzer::poll`] begins it.
    /// Left out when too many wait already.
    pub fn play(&mut self, pattern: &Pattern) {
        let steps = pattern.pulses().iter().flat_map(|&(on, off)| [(true, on), (false, off)]);
        if self.waiting.len() + 2 * pattern.pulses().len() <= MOST_WAITING {
            self.waiting.extend(steps);
        }
    }

    /// Forgets what waits and falls silent.
    pub fn hush(&mut self) {
        self.waiting.clear();
        self.switch.set(false);
        self.until = Mono::from_nanos(i64::MIN);
    }

    /// Does what is due at `now`; returns when to call again, or nothing when
    /// all is played. Called late, a pulse is longer, but none is lost; called
    /// early or twice, nothing happens.
    pub fn poll(&mut self, now: Mono) -> Option<Mono> {
        if now >= self.until {
            let (on, length) = self.waiting.pop_front()?;
            self.switch.set(on);
            self.until = now + length;
        }
        Some(self.until)
    }
}

impl Drop for Buzzer {
    fn drop(&mut self) {
        self.switch.set(false);
    }
}

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

    use proptest::prelude::*;

    use super::*;

    /// Plays to the end; returns for how many ms it was on, off, on, off ...
    fn played(buzzer: &mut Buzzer) -> Vec<u64> {
        let mut now = Mono::default();
        let mut lengths = Vec::new();
        while let Some(next) = buzzer.poll(now) {
            lengths.push(next.duration_since(now).as_millis() as u64);
            now = next;
        }
        lengths
    }

    #[test]
    fn a_call_is_a_long_beep_and_as_many_short_ones_as_the_frames_number() {
        let mut pins = MemoryPins::default();
        let mut buzzer = Buzzer::open(BuzzerKind::Active { pin: 18 }, &mut pins).unwrap();
        buzzer.play(&Pattern::call(3));
        assert_eq!(played(&mut buzzer), [600, 300, 120, 180, 120, 180, 120, 180]);
        let expected = [false, true, false, true, false, true, false, true, false];
        assert_eq!(pins.history(18), expected);
        assert_eq!(Pattern::call(1_000_000).pulses().len(), 13);
    }

    #[test]
    fn calls_wait_for_each_other_and_not_without_end() {
        let mut buzzer = Buzzer::open(BuzzerKind::None, &mut MemoryPins::default()).unwrap();
        for _ in 0..1000 {
            buzzer.play(&Pattern::call(2));
        }
        let lengths = played(&mut buzzer);
        assert_eq!(lengths.len(), 252, "42 calls of 6 steps fit into 256");
        assert_eq!(lengths[..7], [600, 300, 120, 180, 120, 180, 600]);
    }

    #[test]
    fn hush_and_drop_leave_the_pin_low() {
        let mut pins = MemoryPins::default();
        let mut buzzer = Buzzer::open(BuzzerKind::Passive { pin: 13 }, &mut pins).unwrap();
        buzzer.play(&Pattern::call(1));
        buzzer.poll(Mono::default());
        assert_eq!(pins.history(13).last(), Some(&true));
        buzzer.hush();
        assert_eq!(pins.history(13).last(), Some(&false));
        assert_eq!(buzzer.poll(Mono::default()), None);

        buzzer.play(&Pattern::beep());
        buzzer.poll(Mono::default());
        assert_eq!(pins.history(13).last(), Some(&true));
        drop(buzzer);
        assert_eq!(pins.history(13).last(), Some(&false));
    }

    #[test]
    fn the_terminal_gets_one_bell_a_pulse() {
        let (sender, bytes) = mpsc::channel();
        struct Sent(mpsc::Sender<u8>);
        impl Write for Sent {
            fn write(&mut self, buffer: &[u8]) -> std::io::Result<usize> {
                buffer.iter().for_each(|&byte| self.0.send(byte).unwrap());
                Ok(buffer.len())
            }
            fn flush(&mut self) -> std::io::Result<()> {
                Ok(())
            }
        }
        let mut buzzer = Buzzer::on(Box::new(Bell(Sent(sender))));
        buzzer.play(&Pattern::call(2));
        played(&mut buzzer);
        drop(buzzer);
        assert_eq!(bytes.iter().collect::<Vec<u8>>(), [7, 7, 7]);
    }

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

    proptest! {
        #[test]
        fn late_and_needless_polls_lose_no_pulse(
            frame in 1usize..12,
            pauses in prop::collection::vec(0u64..500, 400),
        ) {
            let mut pins = MemoryPins::default();
            let mut buzzer = Buzzer::open(BuzzerKind::Active { pin: 18 }, &mut pins).unwrap();
            buzzer.play(&Pattern::call(frame));
            let mut now = Mono::default();
            for pause in pauses {
                buzzer.poll(now);
                buzzer.poll(now);
                now = now + Duration::from_millis(pause);
            }
            let history = pins.history(18);
            prop_assert_eq!(history.len(), 1 + 2 * (1 + frame));
            prop_assert!(history.windows(2).all(|pair| pair[0] != pair[1]));
            prop_assert_eq!(buzzer.poll(now), None);
        }
    }
}
