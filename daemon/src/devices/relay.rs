//! The relay of a lamp box.
//!
//! A killed process leaves its pins as they were, and a hung one switches nothing off. So
//! the pin belongs to another process, the guard (`frameside guard`), which drives it off as it
//! starts and keeps it on only while it is told so again and again. The daemon in turn
//! watches that the guard answers, and starts another where it does not.

use std::io::{BufRead, BufReader, Write};
use std::os::unix::process::CommandExt;
use std::process::{Child, ChildStdin, Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, AtomicU32, Ordering};
use std::time::{Duration, Instant};

use frameside_core::exposure::Cut;
use frameside_core::quantity::Mono;
use tokio::sync::mpsc;

use crate::devices::pins::RelayPin;

/// The guard is told this often that the relay is to stay on.
pub const BEAT_EVERY: Duration = Duration::from_millis(500);
/// It lets go when it was not told for so long; and is itself given up when it has not
/// answered for as long.
pub const LET_GO_AFTER: Duration = Duration::from_secs(3);
/// Beats without an answer in that time.
const UNANSWERED: u32 = (LET_GO_AFTER.as_millis() / BEAT_EVERY.as_millis()) as u32;
/// A guard that could not be started is tried again this often.
const START_EVERY: Duration = Duration::from_secs(1);
/// The guard has so long to end by itself.
const END_WITHIN: Duration = Duration::from_secs(1);

/// What the guard says.
pub mod said {
    /// The pin is its own, and off.
    pub const READY: &str = "ready";
    /// The relay is on.
    pub const ON: &str = "on";
    /// The relay is off, as told.
    pub const OFF: &str = "off";
    /// It was not told to stay on, and is off until it is told to be off.
    pub const LET_GO: &str = "let go";
    /// Before the reason why it has no pin.
    pub const FAILED: &str = "failed: ";
}

/// Something is wrong with a relay; it is off, as far as can be told.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RelayTrouble {
    /// Which lamp, in the order of the setup.
    pub lamp: usize,
    /// What kind.
    pub cut: Cut,
    /// The reason, for people.
    pub why: String,
    /// Whether it has no pin, and so is not to be tried again.
    pub lasts: bool,
}

/// Since when a lamp is on; shared with the emulated sensors that it lights.
#[derive(Debug, Clone)]
pub struct Lit(Arc<AtomicI64>);

const IS_OFF: i64 = i64::MIN;

impl Default for Lit {
    fn default() -> Self {
        Self(Arc::new(AtomicI64::new(IS_OFF)))
    }
}

impl Lit {
    /// The instant it went on, on the rig's clock; `None` while it is off.
    #[must_use]
    pub fn since(&self) -> Option<Mono> {
        let since = self.0.load(Ordering::Relaxed);
        (since != IS_OFF).then(|| Mono::from_nanos(since))
    }
}

/// The relay of a lamp box, on a pin or emulated.
pub struct Relay {
    lit: Lit,
    guarded: Option<GuardedRelay>,
}

impl Relay {
    /// One that switches nothing but emulated light.
    #[must_use]
    pub const fn emulated(lit: Lit) -> Self {
        Self { lit, guarded: None }
    }

    /// One on a pin, which is driven off now. `lamp` is its number in the setup.
    #[must_use]
    pub fn on_pin(lit: Lit, lamp: usize, pin: RelayPin, tell: mpsc::Sender<RelayTrouble>) -> Self {
        Self { lit, guarded: Some(GuardedRelay::new(lamp, pin, tell)) }
    }

    /// Whether it is to be held again soon although it is off: it is not known yet that it is.
    #[must_use]
    pub fn is_doubtful(&self) -> bool {
        self.guarded.as_ref().is_some_and(GuardedRelay::is_doubtful)
    }

    /// It is to be on or off. Called again at least each [`BEAT_EVERY`] of life while it is on
    /// or [doubtful](Self::is_doubtful).
    pub fn hold(&mut self, now: Mono, on: bool) {
        if let Some(guarded) = &mut self.guarded {
            guarded.hold(on);
        }
        if on != self.lit.since().is_some() {
            self.lit.0.store(if on { now.nanos() } else { IS_OFF }, Ordering::Relaxed);
        }
    }
}

/// A relay whose pin a guard holds.
struct GuardedRelay {
    lamp: usize,
    pin: RelayPin,
    tell: mpsc::Sender<RelayTrouble>,
    guard: Option<Guard>,
    on: bool,
    /// Something went wrong: on is not heard until off was.
    broken: bool,
    /// When a guard was started last, or could not be.
    tried: Instant,
}

impl GuardedRelay {
    /// Starts the guard, which drives the pin off.
    fn new(lamp: usize, pin: RelayPin, tell: mpsc::Sender<RelayTrouble>) -> Self {
        let tried = Instant::now();
        let mut relay = Self { lamp, pin, tell, guard: None, on: false, broken: false, tried };
        relay.start();
        relay
    }

    /// Whether there is a guard now.
    fn start(&mut self) -> bool {
        self.tried = Instant::now();
        match Guard::start(self.lamp, self.pin, self.tell.clone()) {
            Ok(guard) => self.guard = Some(guard),
            Err(error) => self.trouble(format!(
                "its guard does not start ({error}), and is tried again; look that the lamp is off"
            )),
        }
        self.guard.is_some()
    }

    /// Only a guard that said so is known to have driven the pin off.
    fn is_doubtful(&self) -> bool {
        self.guard.as_ref().is_none_or(Guard::is_awaited)
    }

    fn trouble(&self, why: String) {
        let trouble = RelayTrouble { lamp: self.lamp, cut: Cut::NoRelay, why, lasts: false };
        if self.tell.try_send(trouble).is_err() {
            tracing::warn!("trouble with a relay was not taken");
        }
    }

    /// The guard is gone or does not answer. Another one drives the pin off.
    fn replace(&mut self, why: &str) {
        if let Some(guard) = self.guard.take() {
            guard.kill();
        }
        self.broken = true;
        if self.start() {
            self.trouble(format!("its guard {why}, and another one was started"));
        }
    }

    fn hold(&mut self, on: bool) {
        self.broken &= on;
        let on = on && !self.broken;
        let changed = on != self.on;
        self.on = on;
        if self.guard.is_none() && self.tried.elapsed() >= START_EVERY {
            self.start();
        }
        let Some(guard) = &mut self.guard else { return };
        let is_time = (on || guard.is_awaited()) && guard.told.elapsed() >= BEAT_EVERY;
        if !changed && !is_time {
            return;
        }
        if guard.unanswered.load(Ordering::Relaxed) > UNANSWERED {
            self.replace("does not answer");
        } else if guard.tell(on).is_err() {
            // One that ended has switched it off, and one that was killed has not.
            self.replace("has ended");
        }
    }
}

impl Drop for GuardedRelay {
    fn drop(&mut self) {
        if let Some(guard) = self.guard.take() {
            guard.end();
        }
    }
}

/// The process that holds the pin.
struct Guard {
    child: Child,
    orders: ChildStdin,
    told: Instant,
    unanswered: Arc<AtomicU32>,
}

impl Guard {
    fn start(lamp: usize, pin: RelayPin, tell: mpsc::Sender<RelayTrouble>) -> std::io::Result<Self> {
        let active = if pin.active_low { "low" } else { "high" };
        // The running program itself, even if a newer one has taken its path.
        let mut child = Command::new("/proc/self/exe")
            .arg0("frameside")
            .args(["guard", &pin.bcm.to_string(), active])
            // A Ctrl-Z or Ctrl-C at the daemon's terminal is not for the guard.
            .process_group(0)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()?;
        let none = || std::io::Error::other("no pipe");
        let orders = child.stdin.take().ok_or_else(none)?;
        let answers = child.stdout.take().ok_or_else(none)?;
        let unanswered = Arc::new(AtomicU32::new(0));
        let answered = Arc::clone(&unanswered);
        std::thread::Builder::new().name("relay".into()).spawn(move || {
            for line in BufReader::new(answers).lines().map_while(Result::ok) {
                let trouble = |cut, why: &str, lasts| RelayTrouble { lamp, cut, why: why.to_owned(), lasts };
                let trouble = match line.strip_prefix(said::FAILED) {
                    Some(why) => trouble(Cut::NoRelay, &format!("{why}, and start Frameside anew"), true),
                    None if line == said::LET_GO => trouble(
                        Cut::Stalled,
                        "Frameside stood still for some seconds, and the guard of its relay switched it off",
                        false,
                    ),
                    None if line == said::READY => continue,
                    // Each order has its answer, in turn.
                    None => {
                        let one_less = |orders: u32| Some(orders.saturating_sub(1));
                        let _ = answered.fetch_update(Ordering::Relaxed, Ordering::Relaxed, one_less);
                        continue;
                    }
                };
                if tell.blocking_send(trouble).is_err() {
                    return;
                }
            }
        })?;
        Ok(Self { child, orders, told: Instant::now(), unanswered })
    }

    fn tell(&mut self, on: bool) -> std::io::Result<()> {
        self.told = Instant::now();
        self.unanswered.fetch_add(1, Ordering::Relaxed);
        writeln!(self.orders, "{}", if on { said::ON } else { said::OFF })
    }

    /// Closes the pipe, upon which the guard drives the pin off and ends.
    fn end(self) {
        let Self { mut child, orders, .. } = self;
        drop(orders);
        let patience = Instant::now() + END_WITHIN;
        while matches!(child.try_wait(), Ok(None)) && Instant::now() < patience {
            std::thread::sleep(Duration::from_millis(2));
        }
        if matches!(child.try_wait(), Ok(None)) {
            tracing::error!("the guard of a relay does not end; look that the lamp is off");
        }
    }

    /// Whether an order waits for its answer.
    fn is_awaited(&self) -> bool {
        self.unanswered.load(Ordering::Relaxed) > 0
    }

    fn kill(mut self) {
        // It may have ended by itself.
        let _ = self.child.kill();
        // One that hangs in the kernel ends whenever that lets it; nobody waits for it.
        let reap = move || self.child.wait();
        if let Err(error) = std::thread::Builder::new().name("reap".into()).spawn(reap) {
            tracing::debug!(%error, "an ended guard stays in the list of processes");
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_lamp_is_lit_since_it_was_switched() {
        let lit = Lit::default();
        let mut relay = Relay::emulated(lit.clone());
        assert_eq!(lit.since(), None);
        relay.hold(Mono::from_nanos(5), true);
        relay.hold(Mono::from_nanos(9), true);
        assert_eq!(lit.since(), Some(Mono::from_nanos(5)));
        relay.hold(Mono::from_nanos(10), false);
        assert_eq!(lit.since(), None);
    }
}
