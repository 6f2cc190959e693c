//! The relay of a lamp box.
//!
//! A killed process leaves its pins as they were, and a hung one switches nothing off. So
//! the pin belongs to another process, the guard (`frameside guard`), which drives it off as it
//! takes it and keeps it on only while it hears so again and again. The daemon in turn
//! watches that the guard answers. A second one, the spare, runs already and has all it needs: it
//! takes the pin, off, when the first has ended or does not answer. No lamp is lit without it.

use std::collections::VecDeque;
use std::io::{BufRead, BufReader, Write};
use std::os::unix::process::CommandExt;
use std::process::{Child, ChildStdin, ChildStdout, Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicI64, AtomicUsize, Ordering};
use std::time::{Duration, Instant};

use frameside_core::exposure::Cut;
use frameside_core::quantity::Mono;
use tokio::sync::mpsc;

use crate::devices::pins::RelayPin;

/// The guard hears this often that the relay is to stay on.
const BEAT_EVERY: Duration = Duration::from_millis(500);
/// It lets go when it has not heard so for this long.
pub const LET_GO_AFTER: Duration = Duration::from_secs(3);
/// It is given up when an order is without its answer for this long. With the time to the next
/// order the lamp is off within 3 s, and 1 s is left for a busy machine.
const ANSWER_WITHIN: Duration = Duration::from_millis(2500);
/// A guard that could not be started, or ended at once, is tried again this often.
const START_EVERY: Duration = Duration::from_secs(1);
/// A pin that cannot be had is tried again this often: its driver may be loaded late.
const TAKE_EVERY: Duration = Duration::from_secs(2);
/// The guard has so long to end by itself.
const END_WITHIN: Duration = Duration::from_secs(1);

/// What the daemon says to the guard and hears from it; each order has one answer.
pub mod said {
    /// The order to take the pin, off; its answer is [`OFF`] or [`FAILED`].
    pub const TAKE: &str = "take";
    /// The relay is to be on, or is.
    pub const ON: &str = "on";
    /// The relay is to be off, or is.
    pub const OFF: &str = "off";
    /// No answer: it did not hear to stay on, and is off until it hears [`OFF`].
    pub const LET_GO: &str = "let go";
    /// Before the reason why it has no pin.
    pub const FAILED: &str = "failed: ";
}

/// What the service hears of a relay.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum RelayEvent {
    /// Something is wrong with it.
    Trouble(RelayTrouble),
    /// Its guard has confirmed that it is off, or has ended: it is to be held anew.
    Changed {
        /// Which lamp, in the order of the setup.
        lamp: usize,
    },
}

/// Something is wrong with a relay; it is off, as far as is known.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RelayTrouble {
    /// Which lamp, in the order of the setup.
    pub lamp: usize,
    /// What kind.
    pub cut: Cut,
    /// The reason, for people.
    pub why: String,
    /// Whether it has no pin, and cannot be switched until it has.
    pub has_no_pin: bool,
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
    pub fn on_pin(lit: Lit, lamp: usize, pin: RelayPin, tell: mpsc::Sender<RelayEvent>) -> Self {
        Self { lit, guarded: Some(GuardedRelay::new(lamp, pin, tell)) }
    }

    /// Whether it is to be off, and its guard has not confirmed that it is.
    #[must_use]
    pub fn is_going_off(&self) -> bool {
        self.guarded.as_ref().is_some_and(GuardedRelay::is_going_off)
    }

    /// Whether its guard could not have the pin.
    #[must_use]
    pub fn has_no_pin(&self) -> bool {
        self.guarded.as_ref().is_some_and(GuardedRelay::has_no_pin)
    }

    /// How long from now it is to be [held](Self::hold) again, in life's time.
    #[must_use]
    pub fn hold_within(&self) -> Option<Duration> {
        let at = self.guarded.as_ref().and_then(GuardedRelay::next)?;
        Some(at.saturating_duration_since(Instant::now()))
    }

    /// It is to be on or off. Called again [in time](Self::hold_within); more often is harmless.
    pub fn hold(&mut self, now: Mono, on: bool) {
        if let Some(guarded) = &mut self.guarded {
            guarded.hold(Instant::now(), on);
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
    tell: mpsc::Sender<RelayEvent>,
    guard: Option<Guard>,
    /// Runs, and has not taken the pin.
    spare: Option<Guard>,
    /// Killed, and not gone yet.
    killed: Vec<Child>,
    on: bool,
    /// Something went wrong: on is not heard until off was.
    broken: bool,
    /// When the guard hears next that the relay is to stay on. On a grid, so that being late
    /// once makes no later beat late.
    beat_at: Instant,
    /// When a guard was started last, or could not be.
    tried: Instant,
    /// No guard could be started the last time.
    is_wanting: bool,
}

impl GuardedRelay {
    /// Starts the guard, which drives the pin off, and its spare.
    fn new(lamp: usize, pin: RelayPin, tell: mpsc::Sender<RelayEvent>) -> Self {
        let now = Instant::now();
        let mut relay = Self {
            lamp,
            pin,
            tell,
            guard: None,
            spare: None,
            killed: Vec::new(),
            on: false,
            broken: false,
            beat_at: now,
            tried: now,
            is_wanting: false,
        };
        relay.start(now);
        relay.promote(now);
        relay.start(now);
        relay
    }

    /// Starts a spare guard.
    fn start(&mut self, now: Instant) {
        self.tried = now;
        match Guard::start(self.lamp, self.pin, self.tell.clone()) {
            Ok(guard) => {
                self.spare = Some(guard);
                self.is_wanting = false;
            }
            Err(error) if !self.is_wanting => {
                self.is_wanting = true;
                self.trouble(format!(
                    "a guard of it does not start ({error}), and is tried again; look that the lamp is off"
                ));
            }
            Err(_) => {}
        }
    }

    /// The spare guard takes the pin, if there is one.
    fn promote(&mut self, now: Instant) {
        self.guard = self.spare.take();
        if let Some(guard) = &mut self.guard {
            // One that has ended is found at the next look.
            let _ = guard.order(now, said::TAKE);
        }
    }

    fn trouble(&self, why: String) {
        let trouble = RelayTrouble { lamp: self.lamp, cut: Cut::NoRelay, why, has_no_pin: false };
        if self.tell.try_send(RelayEvent::Trouble(trouble)).is_err() {
            tracing::warn!("trouble with a relay was not taken");
        }
    }

    fn is_going_off(&self) -> bool {
        !self.on && self.guard.as_ref().is_none_or(|guard| guard.waits_since().is_some())
    }

    fn next(&self) -> Option<Instant> {
        let beat = self.on.then_some(self.beat_at);
        let answer = self.guard.as_ref().and_then(Guard::waits_since).map(|since| since + ANSWER_WITHIN);
        let start = if self.has_no_pin() {
            Some(self.tried + TAKE_EVERY)
        } else {
            (self.guard.is_none() || self.spare.is_none()).then_some(self.tried + START_EVERY)
        };
        [beat, answer, start].into_iter().flatten().min()
    }

    fn has_no_pin(&self) -> bool {
        self.guard.as_ref().is_some_and(|guard| guard.heard.failed.load(Ordering::Relaxed))
    }

    /// Another guard tries to have the pin.
    fn take_again(&mut self, now: Instant) {
        self.on = false;
        if now >= self.tried + TAKE_EVERY {
            self.killed.extend(self.guard.take().map(Guard::kill));
            self.promote(now);
            self.start(now);
        }
    }

    /// The guard is gone or does not answer. The spare one drives the pin off.
    fn replace(&mut self, now: Instant, why: &str) {
        self.on = false;
        self.broken = true;
        self.killed.extend(self.guard.take().map(Guard::kill));
        if self.spare.is_none() {
            self.start(now);
        }
        self.promote(now);
        let next = if self.guard.is_some() { "another one took over" } else { "no other one starts" };
        self.trouble(format!("its guard {why}, and {next}"));
    }

    fn hold(&mut self, now: Instant, on: bool) {
        self.broken &= on;
        self.killed.retain_mut(|child| matches!(child.try_wait(), Ok(None)));
        if self.has_no_pin() {
            return self.take_again(now);
        }
        self.keep_guards(now);
        let on = on && !self.broken && self.may_be_on(now);
        let Some(guard) = &mut self.guard else { return };
        let is_beat = on && now >= self.beat_at;
        if on == self.on && !is_beat {
            return;
        }
        if on != self.on {
            self.beat_at = now;
        }
        while self.beat_at <= now {
            self.beat_at += BEAT_EVERY;
        }
        self.on = on;
        if guard.order(now, if on { said::ON } else { said::OFF }).is_err() {
            self.replace(now, "has ended");
        }
    }

    /// Replaces a guard that ended or does not answer, and starts what is missing.
    fn keep_guards(&mut self, now: Instant) {
        // One that ended has switched it off, and one that was killed has not.
        let why = self.guard.as_ref().and_then(|guard| match guard.waits_since() {
            _ if guard.has_ended() => Some("has ended"),
            Some(since) if now >= since + ANSWER_WITHIN => Some("does not answer"),
            _ => None,
        });
        if let Some(why) = why {
            self.replace(now, why);
        }
        if self.spare.as_ref().is_some_and(Guard::has_ended) {
            self.killed.extend(self.spare.take().map(Guard::kill));
        }
        if self.spare.is_none() && now >= self.tried + START_EVERY {
            self.start(now);
        }
        if self.guard.is_none() && self.spare.is_some() {
            self.promote(now);
        }
    }

    /// No lamp is on without a spare guard, to switch it off should the first one fail.
    fn may_be_on(&mut self, now: Instant) -> bool {
        if self.spare.is_none() && !self.on {
            self.start(now);
        }
        if self.spare.is_none() && !self.broken {
            self.broken = true;
            self.trouble("it has no spare guard, and is not switched on without".to_owned());
        }
        self.spare.is_some()
    }
}

impl Drop for GuardedRelay {
    fn drop(&mut self) {
        for guard in [self.guard.take(), self.spare.take()].into_iter().flatten() {
            guard.end();
        }
    }
}

/// The process that holds the pin, or is ready to.
struct Guard {
    child: Child,
    orders: ChildStdin,
    heard: Arc<Heard>,
    /// How many orders were given, and when the latest of them.
    ordered: usize,
    times: VecDeque<Instant>,
}

/// What a guard has said.
#[derive(Debug, Default)]
struct Heard {
    answers: AtomicUsize,
    failed: AtomicBool,
    ended: AtomicBool,
}

impl Guard {
    fn start(lamp: usize, pin: RelayPin, tell: mpsc::Sender<RelayEvent>) -> std::io::Result<Self> {
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
        let heard = Arc::new(Heard::default());
        let of_it = Arc::clone(&heard);
        let listen = move || listen(lamp, answers, &of_it, &tell);
        std::thread::Builder::new().name("relay".into()).spawn(listen)?;
        Ok(Self { child, orders, heard, ordered: 0, times: VecDeque::new() })
    }

    fn order(&mut self, now: Instant, order: &str) -> std::io::Result<()> {
        self.ordered += 1;
        self.times.push_back(now);
        let waiting = self.waiting();
        self.times.drain(..self.times.len().saturating_sub(waiting));
        writeln!(self.orders, "{order}")
    }

    /// How many orders wait for their answer.
    fn waiting(&self) -> usize {
        self.ordered.saturating_sub(self.heard.answers.load(Ordering::Relaxed))
    }

    /// When the oldest order was given that waits for its answer.
    fn waits_since(&self) -> Option<Instant> {
        let first = self.times.len().checked_sub(self.waiting())?;
        self.times.get(first).copied()
    }

    fn has_ended(&self) -> bool {
        self.heard.ended.load(Ordering::Relaxed)
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

    /// The process, which is gone once the kernel lets it.
    fn kill(mut self) -> Child {
        // It may have ended by itself.
        let _ = self.child.kill();
        self.child
    }
}

/// Takes in what a guard says until it ends.
fn listen(lamp: usize, answers: ChildStdout, heard: &Heard, tell: &mpsc::Sender<RelayEvent>) {
    for line in BufReader::new(answers).lines().map_while(Result::ok) {
        let event = if let Some(why) = line.strip_prefix(said::FAILED) {
            heard.failed.store(true, Ordering::Relaxed);
            let why = format!("{why} (it is tried again)");
            RelayEvent::Trouble(RelayTrouble { lamp, cut: Cut::NoRelay, why, has_no_pin: true })
        } else if line == said::LET_GO {
            let why = "Frameside stood still for some seconds, and the guard of its relay switched it off";
            let (cut, why) = (Cut::Stalled, why.to_owned());
            RelayEvent::Trouble(RelayTrouble { lamp, cut, why, has_no_pin: false })
        } else {
            heard.answers.fetch_add(1, Ordering::Relaxed);
            if line == said::ON {
                continue;
            }
            RelayEvent::Changed { lamp }
        };
        if tell.blocking_send(event).is_err() {
            return;
        }
    }
    heard.ended.store(true, Ordering::Relaxed);
    // The service may have ended.
    drop(tell.blocking_send(RelayEvent::Changed { lamp }));
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
