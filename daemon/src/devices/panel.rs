//! The buzzer, lights and buttons of a rig. Each is taken as soon as its pin can be had, which
//! may be long after the start: a driver is loaded late, or a permission is given by hand.

use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::thread::JoinHandle;
use std::time::Duration;

use frameside_core::exposure::FrameId;
use tokio::sync::mpsc;

use crate::devices::pins::{BuzzerKind, OnPress, PinError, Pins, Switch, buzzer_switch};

/// What is missing is tried again this often.
const RETRY_EVERY: Duration = Duration::from_secs(2);

/// A part of the panel, with the BCM number of its pin.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Part {
    Buzzer(BuzzerKind),
    /// The light of a frame.
    Light(FrameId, u8),
    /// The button of a frame.
    Button(FrameId, u8),
}

/// What is new of the panel.
#[derive(Default)]
pub(crate) struct PanelChange {
    /// The buzzer, now that it has its pin.
    pub(crate) buzzer: Option<Box<dyn Switch>>,
    /// Lights that have their pins now.
    pub(crate) lights: Vec<(FrameId, Box<dyn Switch>)>,
    /// What is missing, and why, for people; `None` when nothing is.
    pub(crate) trouble: Option<String>,
}

/// Opens the pins of this machine.
type Open = Box<dyn FnMut() -> Result<Box<dyn Pins>, PinError> + Send>;

/// Takes the parts of a panel.
pub(crate) struct Panel {
    open: Open,
    pins: Option<Box<dyn Pins>>,
    missing: Vec<Part>,
    /// The name of each frame.
    frames: Vec<String>,
    press: mpsc::Sender<FrameId>,
    trouble: Option<String>,
}

impl Panel {
    /// A panel of these parts; none of them is taken yet. A button sends its frame to `press`.
    pub(crate) fn new(
        open: Open,
        parts: Vec<Part>,
        frames: Vec<String>,
        press: mpsc::Sender<FrameId>,
    ) -> Self {
        Self { open, pins: None, missing: parts, frames, press, trouble: None }
    }

    /// Tries what is missing. `None` when nothing is new.
    fn take(&mut self) -> Option<PanelChange> {
        let mut change = PanelChange::default();
        let mut reasons = Vec::new();
        if let Err(error) = self.open_pins() {
            reasons.push(format!("no buzzer, lights or buttons: {error}"));
        }
        if let Some(pins) = &mut self.pins {
            self.missing.retain(|part| {
                let taken = match *part {
                    Part::Buzzer(kind) => {
                        buzzer_switch(kind, &mut **pins).map(|switch| change.buzzer = Some(switch))
                    }
                    Part::Light(frame, pin) => {
                        pins.output(pin).map(|switch| change.lights.push((frame, switch)))
                    }
                    Part::Button(frame, pin) => pins.button(pin, on_press(self.press.clone(), frame)),
                };
                if let Err(error) = &taken {
                    let frame = |FrameId(id)| &self.frames[id as usize];
                    reasons.push(match *part {
                        Part::Buzzer(_) => format!("no buzzer: {error}"),
                        Part::Light(id, _) => format!("no light for {}: {error}", frame(id)),
                        Part::Button(id, _) => format!("no button for {}: {error}", frame(id)),
                    });
                }
                taken.is_err()
            });
        }
        let trouble = (!reasons.is_empty()).then(|| format!("{}; trying again", reasons.join("; ")));
        if self.trouble == trouble && change.buzzer.is_none() && change.lights.is_empty() {
            return None;
        }
        self.trouble.clone_from(&trouble);
        change.trouble = trouble;
        Some(change)
    }

    fn open_pins(&mut self) -> Result<(), PinError> {
        if self.pins.is_none() && !self.missing.is_empty() {
            self.pins = Some((self.open)()?);
        }
        Ok(())
    }
}

fn on_press(press: mpsc::Sender<FrameId>, frame: FrameId) -> OnPress {
    Box::new(move || {
        if press.try_send(frame).is_err() {
            tracing::warn!("a press of a button was not taken");
        }
    })
}

/// A panel on a thread of its own: a pin may be waited for.
pub(crate) struct PanelThread {
    stop: Sender<()>,
    thread: JoinHandle<()>,
}

impl PanelThread {
    /// Takes the parts as they can be had, and sends what is new.
    ///
    /// # Errors
    /// When there is no thread.
    pub(crate) fn start(panel: Panel, changes: mpsc::Sender<PanelChange>) -> std::io::Result<Self> {
        let (stop, stopped) = channel();
        let run = move || keep_taking(panel, &changes, &stopped);
        Ok(Self { stop, thread: std::thread::Builder::new().name("panel".into()).spawn(run)? })
    }

    /// Gives the pins back. No press counts from then on.
    pub(crate) fn stop(self) {
        drop(self.stop);
        if self.thread.join().is_err() {
            tracing::error!("the panel ended by a panic; please report it");
        }
    }
}

fn keep_taking(mut panel: Panel, changes: &mpsc::Sender<PanelChange>, stopped: &Receiver<()>) {
    loop {
        if let Some(change) = panel.take() {
            match &change.trouble {
                Some(trouble) => tracing::error!("{trouble}"),
                None => tracing::info!("buzzer, lights and buttons have their pins"),
            }
            if changes.blocking_send(change).is_err() {
                return;
            }
        }
        let end = if panel.missing.is_empty() {
            // Its pins are kept until the end.
            stopped.recv().map_err(|_| RecvTimeoutError::Disconnected)
        } else {
            stopped.recv_timeout(RETRY_EVERY)
        };
        if end != Err(RecvTimeoutError::Timeout) {
            return;
        }
    }
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;
    use std::sync::atomic::{AtomicBool, Ordering};

    use super::*;
    use crate::devices::pins::MemoryPins;

    const OAK: FrameId = FrameId(0);

    #[test]
    fn what_is_missing_is_tried_again_and_reported_once() {
        let pins = MemoryPins::default();
        let (press, mut presses) = mpsc::channel(4);
        let is_there = Arc::new(AtomicBool::new(false));
        let (given, looked_for) = (pins.clone(), Arc::clone(&is_there));
        let open: Open = Box::new(move || {
            if looked_for.load(Ordering::Relaxed) {
                Ok(Box::new(given.clone()))
            } else {
                Err(PinError::NoPins)
            }
        });
        let parts =
            vec![Part::Buzzer(BuzzerKind::Active { pin: 18 }), Part::Light(OAK, 24), Part::Button(OAK, 23)];
        let mut panel = Panel::new(open, parts, vec!["oak".into()], press);
        let trouble = panel.take().unwrap().trouble.unwrap();
        assert!(trouble.starts_with("no buzzer, lights or buttons: this machine has no pins"), "{trouble}");
        assert!(panel.take().is_none(), "nothing new");

        // The light's pin serves something else for now.
        let mut other = pins.clone();
        let _ = other.output(24).unwrap();
        is_there.store(true, Ordering::Relaxed);
        let change = panel.take().unwrap();
        assert!(change.buzzer.is_some() && change.lights.is_empty());
        let trouble = change.trouble.unwrap();
        assert!(trouble.starts_with("no light for oak: pin 24 is in use"), "{trouble}");
        assert!(pins.press(23));
        assert_eq!(presses.try_recv(), Ok(OAK));
        pins.release(24);
        let change = panel.take().unwrap();
        assert_eq!((change.lights.len(), change.trouble), (1, None));
        assert!(panel.missing.is_empty() && panel.take().is_none());
    }
}
