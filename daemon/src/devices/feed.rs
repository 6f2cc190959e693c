//! Where readings come from: chips on a bus, or a recorded light. Live, each
//! feed has its own thread, so that a stalled bus delays no signal; in
//! rehearsal the same feeds are polled in made-up time.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicI64, Ordering};
use std::thread::JoinHandle;
use std::time::Duration;

use frameside_core::chips::emulated::EmulatedBus;
use frameside_core::chips::{Bus, Sampler, SensorEvent};
use frameside_core::exposure::SensorId;
use frameside_core::light::Reading;
use frameside_core::quantity::{Irradiance, Mono};
use tokio::sync::mpsc;

use crate::clock::Clock;
use crate::devices::bus::LinuxBus;

/// Something that gives readings when polled.
pub trait Feed: Send {
    /// Does what is due at `now`, tells what came of it, and returns when to
    /// poll again. Early and late calls are harmless.
    fn poll(&mut self, now: Mono, tell: &mut dyn FnMut(SensorId, SensorEvent)) -> Mono;
}

/// A bus that can be told the time, if it is one that was made up.
pub trait Timed {
    /// It is `now`.
    fn set_now(&mut self, now: Mono);
}

impl Timed for LinuxBus {
    fn set_now(&mut self, _: Mono) {}
}

impl Timed for EmulatedBus {
    fn set_now(&mut self, now: Mono) {
        Self::set_now(self, now);
    }
}

/// Chips that share a bus.
pub struct BusFeed<B> {
    bus: B,
    samplers: Vec<(SensorId, Sampler<B>, Mono)>,
}

impl<B: Bus + Timed> BusFeed<B> {
    /// A bus with the samplers of the chips on it.
    #[must_use]
    pub fn new(bus: B, samplers: Vec<(SensorId, Sampler<B>)>) -> Self {
        let samplers = samplers.into_iter().map(|(id, s)| (id, s, Mono::from_nanos(i64::MIN))).collect();
        Self { bus, samplers }
    }

    /// The bus, to bring trouble to an emulated one.
    pub fn bus_mut(&mut self) -> &mut B {
        &mut self.bus
    }
}

impl<B: Bus + Timed + Send> Feed for BusFeed<B> {
    fn poll(&mut self, now: Mono, tell: &mut dyn FnMut(SensorId, SensorEvent)) -> Mono {
        self.bus.set_now(now);
        for (id, sampler, wake) in &mut self.samplers {
            if *wake <= now {
                let (event, next) = sampler.poll(&mut self.bus, now);
                *wake = next;
                if let Some(event) = event {
                    tell(*id, event);
                }
            }
        }
        self.samplers.iter().map(|&(.., wake)| wake).min().unwrap_or(now + Duration::from_secs(3600))
    }
}

/// Opens a feed, or says why it cannot be opened.
pub type OpenFeed = Box<dyn FnMut(Mono) -> Result<Box<dyn Feed>, String> + Send>;

/// A feed that may not be there yet: a bus whose device node comes late.
pub struct WaitingFeed {
    open: OpenFeed,
    feed: Option<Box<dyn Feed>>,
    /// Why it could not be opened, as it was told last.
    told: String,
}

/// A feed that could not be opened is tried again this often.
const OPEN_AGAIN: Duration = Duration::from_secs(5);

impl WaitingFeed {
    /// Opens the feed when it is first polled, and again until it can be.
    #[must_use]
    pub fn new(open: OpenFeed) -> Self {
        Self { open, feed: None, told: String::new() }
    }
}

impl Feed for WaitingFeed {
    fn poll(&mut self, now: Mono, tell: &mut dyn FnMut(SensorId, SensorEvent)) -> Mono {
        if self.feed.is_none() {
            match (self.open)(now) {
                Ok(feed) => self.feed = Some(feed),
                Err(why) => {
                    if why != self.told {
                        tracing::error!("{why}; tried again until it works");
                        self.told = why;
                    }
                    return now + OPEN_AGAIN;
                }
            }
        }
        self.feed.as_mut().map_or(now + OPEN_AGAIN, |feed| feed.poll(now, tell))
    }
}

/// A light as a function of time, read once a period.
pub struct RecordedFeed {
    sensor: SensorId,
    light: Box<dyn Fn(Mono) -> Option<Irradiance> + Send>,
    period: Duration,
    next: Mono,
}

impl RecordedFeed {
    /// Reads `light` from `first` on; where it has nothing, nothing is told.
    #[must_use]
    pub fn new(
        sensor: SensorId,
        light: Box<dyn Fn(Mono) -> Option<Irradiance> + Send>,
        period: Duration,
        first: Mono,
    ) -> Self {
        Self { sensor, light, period, next: first }
    }
}

impl Feed for RecordedFeed {
    fn poll(&mut self, now: Mono, tell: &mut dyn FnMut(SensorId, SensorEvent)) -> Mono {
        if now >= self.next {
            if let Some(light) = (self.light)(now) {
                tell(self.sensor, SensorEvent::Reading(Reading::of(now, light)));
            }
            // On the grid of periods; those that were missed are left out.
            let periods = now.duration_since(self.next).as_nanos() / self.period.as_nanos().max(1) + 1;
            let ahead = self.period.saturating_mul(u32::try_from(periods).unwrap_or(u32::MAX));
            self.next = self.next + ahead;
        }
        self.next
    }
}

/// A feed on its own thread.
pub struct FeedThread {
    stop: Arc<AtomicBool>,
    beat: Arc<AtomicI64>,
    thread: JoinHandle<()>,
}

/// No feed sleeps longer than this, so that it can be stopped and shows that it lives.
const LONGEST_SLEEP: Duration = Duration::from_millis(200);

impl FeedThread {
    /// Starts polling. Events go to `events`; when that is full the service is
    /// stuck, and a reading left out is an honest gap.
    ///
    /// # Errors
    /// When the system gives no thread.
    pub fn start(
        mut feed: Box<dyn Feed>,
        clock: Clock,
        events: mpsc::Sender<(SensorId, SensorEvent)>,
    ) -> std::io::Result<Self> {
        let (stop, beat) = (Arc::new(AtomicBool::new(false)), Arc::new(AtomicI64::new(clock.now().nanos())));
        let (stopping, beating) = (Arc::clone(&stop), Arc::clone(&beat));
        let thread = std::thread::Builder::new().name("feed".into()).spawn(move || {
            while !stopping.load(Ordering::Relaxed) {
                let now = clock.now();
                let next = feed.poll(now, &mut |id, event| {
                    if events.try_send((id, event)).is_err() {
                        tracing::warn!("the service does not take readings; one is left out");
                    }
                });
                beating.store(now.nanos(), Ordering::Relaxed);
                std::thread::sleep(clock.until(next).min(LONGEST_SLEEP));
            }
        })?;
        Ok(Self { stop, beat, thread })
    }

    /// When it was last seen alive.
    #[must_use]
    pub fn last_beat(&self) -> Mono {
        Mono::from_nanos(self.beat.load(Ordering::Relaxed))
    }

    /// Stops it and waits for it, a moment at most: a stalled bus does not
    /// hold up the end.
    pub fn stop(self) {
        self.stop.store(true, Ordering::Relaxed);
        let patience = std::time::Instant::now() + 3 * LONGEST_SLEEP;
        while !self.thread.is_finished() && std::time::Instant::now() < patience {
            std::thread::sleep(Duration::from_millis(5));
        }
        if self.thread.is_finished() && self.thread.join().is_err() {
            tracing::error!("a feed ended by a panic; please report it");
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_recorded_feed_keeps_its_grid_after_a_stall() {
        let light = |at: Mono| (at.seconds() < 9.0).then(|| Irradiance::from_w_m2(at.seconds()));
        let mut feed =
            RecordedFeed::new(SensorId(0), Box::new(light), Duration::from_secs(1), Mono::from_seconds(0.0));
        let mut told = Vec::new();
        for now in [0.0, 0.5, 1.0, 4.25, 5.0, 10.0] {
            feed.poll(Mono::from_seconds(now), &mut |_, event| {
                if let SensorEvent::Reading(reading) = event {
                    told.push(reading.at.seconds());
                }
            });
        }
        assert_eq!(told, [0.0, 1.0, 4.25, 5.0]);
    }
}
