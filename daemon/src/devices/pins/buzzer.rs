//! A buzzer and what it plays.

use std::collections::VecDeque;
use std::io::Write;
use std::time::Duration;

use frameside_core::quantity::Mono;

use super::{PinError, Pins, Switch};

/// Pulses that may wait; a call too many is left out.
const MOST_WAITING: usize = 256;
/// Nobody counts more beeps than this.
const MOST_BEEPS: usize = 12;

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

/// What sounds while it is on.
pub(crate) fn buzzer_switch(kind: BuzzerKind, pins: &mut dyn Pins) -> Result<Box<dyn Switch>, PinError> {
    Ok(match kind {
        BuzzerKind::Active { pin } => pins.output(pin)?,
        BuzzerKind::Passive { pin } => pins.tone(pin)?,
        BuzzerKind::Terminal => Box::new(Bell(std::io::stderr())),
        BuzzerKind::None => Box::new(Silence),
    })
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
        Ok(Self::on(buzzer_switch(kind, pins)?))
    }

    /// A buzzer of a kind before it has a pin: one that needs a pin is silent until it is
    /// [connected](Self::connect).
    pub(crate) fn without_pin(kind: BuzzerKind) -> Self {
        match kind {
            BuzzerKind::Terminal => Self::on(Box::new(Bell(std::io::stderr()))),
            BuzzerKind::Active { .. } | BuzzerKind::Passive { .. } | BuzzerKind::None => {
                Self::on(Box::new(Silence))
            }
        }
    }

    /// Plays through another switch from the next step on.
    pub(crate) fn connect(&mut self, switch: Box<dyn Switch>) {
        self.switch = switch;
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

#[cfg(test)]
mod tests {
    use std::sync::mpsc;

    use proptest::prelude::*;

    use super::super::MemoryPins;
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
