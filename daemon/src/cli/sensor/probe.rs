//! A sensor by itself, read as fast as it goes.

use std::time::{Duration, Instant};

use frameside_core::chips::SensorEvent;
use frameside_core::light::Reading;

use crate::assemble;
use crate::cli::Failure;
use crate::clock::Clock;
use crate::config::{Config, Sensor, SensorKind};
use crate::devices::feed::Feed;

/// One sensor, in one range or in whatever it chooses.
pub(in crate::cli) struct Probe {
    name: String,
    feed: Box<dyn Feed>,
    clock: Clock,
    /// Given up without a reading for this long.
    patience: Duration,
}

/// The shortest period of a config.
pub(in crate::cli) const FASTEST: Duration = Duration::from_millis(100);

impl Probe {
    /// A sensor read every `period`, locked to a range if one is given.
    pub(in crate::cli) fn open(
        config: &Config,
        sensor: &Sensor,
        range: Option<u8>,
        period: Duration,
    ) -> Result<Self, Failure> {
        let mut alone = Sensor { period, ..sensor.clone() };
        if let (SensorKind::Real { chip, .. } | SensorKind::Emulated { chip, .. }, Some(range)) =
            (&mut alone.kind, range)
        {
            *chip = chip.locked_to(range);
        }
        let mut config = config.clone();
        config.sensors = vec![alone];
        let clock = Clock::real_time();
        let mut feeds = assemble::feeds(&config, &assemble::Lamps::new(), clock.now())
            .map_err(|error| Failure::Failed(error.to_string()))?;
        let feed = feeds.pop().ok_or_else(|| Failure::Failed(format!("{} cannot be read", sensor.name)))?;
        let patience = Duration::from_secs(5).max(3 * period);
        Ok(Self { name: sensor.name.to_string(), feed, clock, patience })
    }

    /// The next reading.
    pub(in crate::cli) fn next(&mut self) -> Result<Reading, Failure> {
        let end = Instant::now() + self.patience;
        let mut fault = None;
        loop {
            let mut reading = None;
            let mut tell = |_, event| match event {
                SensorEvent::Reading(came) => reading = Some(came),
                SensorEvent::Fault(why) => fault = Some(why.to_string()),
                SensorEvent::Recovered => fault = None,
            };
            let next = self.feed.poll(self.clock.now(), &mut tell);
            match reading {
                Some(reading) => return Ok(reading),
                None if Instant::now() > end => {
                    let why = fault.unwrap_or_else(|| "no reading comes".to_owned());
                    return Err(Failure::Failed(format!("sensor {}: {why}", self.name)));
                }
                None => std::thread::sleep(self.clock.until(next).min(FASTEST)),
            }
        }
    }

    /// The next so many readings.
    pub(in crate::cli) fn readings(&mut self, count: usize) -> Result<Vec<Reading>, Failure> {
        (0..count).map(|_| self.next()).collect()
    }
}
