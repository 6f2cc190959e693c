//! The main job with no hardware: a made-up morning through the real service.
//!
//! Only the light, the chip before it and the person at the frames are made up.
//! Driver, machine, service, ledger and charts are those of the daemon; time
//! is handed to them step by step, so the same seed gives the same morning.

mod day;
mod pictures;
mod script;
mod summary;
mod view;

use std::path::PathBuf;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use frameside_core::chips::emulated::{EmulatedAs7331, EmulatedBus, Trouble};
use frameside_core::chips::{As7331, As7331Settings, Sampler};
use frameside_core::exposure::{Rules, SensorId};
use frameside_core::outlook::WallAnchor;
use frameside_core::quantity::Mono;
use frameside_core::source::SUN;
use jiff::tz::TimeZone;
use tokio::sync::{mpsc, oneshot};

pub use day::{Day, MIDNIGHT_UNIX_MS, ZONE};
pub use summary::Rehearsed;

use crate::charts::ChartError;
use crate::config::Discovery;
use crate::devices::feed::{BusFeed, Feed};
use crate::devices::pins::{Buzzer, BuzzerKind, MemoryPins};
use crate::ledger::{Boot, Ledger, LedgerError, LedgerEvent, Record};
use crate::request::Request;
use crate::service::{FramePart, Hands, SensorPart, Service, Setup, Told};

/// What is to be rehearsed.
#[derive(Debug, Clone, PartialEq)]
pub struct Wanted {
    /// How many times faster than life.
    pub speed: f64,
    /// Where ledger and pictures go; a new folder unless told.
    pub out: Option<PathBuf>,
    /// Which day of cloud.
    pub seed: u64,
}

/// Why a rehearsal did not come to its end.
#[derive(Debug, thiserror::Error)]
pub enum RehearsalError {
    /// The folder cannot be used.
    #[error("{path}: {source}; choose another folder with --out")]
    Folder {
        /// The folder or file.
        path: PathBuf,
        /// Why not.
        source: std::io::Error,
    },
    /// The folder holds something already.
    #[error("{0} is not empty; choose a new folder with --out")]
    NotEmpty(PathBuf),
    /// The ledger.
    #[error(transparent)]
    Ledger(#[from] LedgerError),
    /// A picture.
    #[error(transparent)]
    Chart(#[from] ChartError),
    /// The service refused what the script asks.
    #[error("the rehearsal does not go on: {0}")]
    Stuck(String),
}

/// The chip's address and how often it is read.
const ADDRESS: u8 = 0x74;
const PERIOD: Duration = Duration::from_secs(1);
const SENSOR: &str = "sky";

/// Plays the morning. With `watched`, shows it on the terminal as it goes.
///
/// # Errors
/// [`RehearsalError`] when the folder, the ledger or a picture fails.
pub fn run(wanted: &Wanted, watched: bool) -> Result<Rehearsed, RehearsalError> {
    let folder = folder(wanted)?;
    let day = Arc::new(Day::new(wanted.seed));
    pictures::write_config(&folder, &day)?;
    let mut stage = Stage::set(&folder, &day)?;
    let mut view = view::View::new(watched);
    let began = Instant::now();
    while let Some(next) = stage.next() {
        stage.step(next)?;
        view.show(&mut stage, false);
        let due = Duration::from_secs_f64(next.seconds_since(script::OPENS) / wanted.speed);
        // Sleeping for less than this costs more than it paces.
        if let Some(ahead) = due.checked_sub(began.elapsed()).filter(|d| *d > Duration::from_millis(5)) {
            std::thread::sleep(ahead);
        }
    }
    view.show(&mut stage, true);
    stage.close()?;
    let record = Record::open(&folder.join("ledger.sqlite"))?;
    pictures::draw(&folder, &record, &zone())?;
    summary::of(folder, &record, &day, wanted.seed)
}

/// The zone the morning is told in.
fn zone() -> TimeZone {
    // Where the system has no zone database, UTC labels are still right.
    TimeZone::get(ZONE).unwrap_or(TimeZone::UTC)
}

fn folder(wanted: &Wanted) -> Result<PathBuf, RehearsalError> {
    let io = |path: &PathBuf| {
        let path = path.clone();
        move |source| RehearsalError::Folder { path, source }
    };
    let folder = match &wanted.out {
        Some(folder) => folder.clone(),
        None => (1..)
            .map(|n| std::env::temp_dir().join(format!("frameside-rehearsal-{n}")))
            .find(|folder| !folder.exists())
            .expect("some number is free"),
    };
    std::fs::create_dir_all(&folder).map_err(io(&folder))?;
    if std::fs::read_dir(&folder).map_err(io(&folder))?.next().is_some() {
        return Err(RehearsalError::NotEmpty(folder));
    }
    Ok(folder)
}

/// The service on its stage: made-up chip, made-up person, made-up time.
struct Stage {
    service: Service,
    feed: BusFeed<EmulatedBus>,
    feed_at: Mono,
    script: script::Script,
    ledger: mpsc::UnboundedReceiver<LedgerEvent>,
    told: Arc<Mutex<Vec<Told>>>,
    now: Mono,
}

impl Stage {
    fn set(folder: &std::path::Path, day: &Arc<Day>) -> Result<Self, RehearsalError> {
        let now = script::OPENS;
        let wall = WallAnchor { mono: Mono::default(), unix_ms: MIDNIGHT_UNIX_MS, synchronised: true };
        let (tell, ledger_events) = mpsc::unbounded_channel();
        let boot = Boot { id: "rehearsal".to_owned(), wall };
        let (ledger, recovered) = Ledger::start(&folder.join("ledger.sqlite"), &boot, tell)?;
        let told: Arc<Mutex<Vec<Told>>> = Arc::default();
        let heard = Arc::clone(&told);
        let voice =
            move |told: &Told| heard.lock().unwrap_or_else(PoisonError::into_inner).push(told.clone());
        let stuck = |error: String| RehearsalError::Stuck(error);
        // The view shows the calls; bells by the dozen at this speed help nobody.
        let buzzer =
            Buzzer::open(BuzzerKind::None, &mut MemoryPins::default()).map_err(|e| stuck(e.to_string()))?;
        let hands = Hands {
            buzzer,
            lights: Vec::new(),
            relays: Vec::new(),
            link: None,
            hook: None,
            voice: Box::new(voice),
        };
        let service = Service::new(setup(folder), ledger, recovered, hands, now, wall)
            .map_err(|error| stuck(error.to_string()))?;
        Ok(Self {
            service,
            feed: feed(day, now).map_err(stuck)?,
            feed_at: now,
            script: script::Script::new(),
            ledger: ledger_events,
            told,
            now,
        })
    }

    /// When something happens next; `None` once every frame is in.
    fn next(&mut self) -> Option<Mono> {
        if self.script.is_over() || self.now > script::CLOSES {
            return None;
        }
        let wake = self.service.next_wake(self.now);
        Some(wake.min(self.feed_at).min(self.script.next()).max(self.now))
    }

    fn step(&mut self, now: Mono) -> Result<(), RehearsalError> {
        self.now = now;
        if now >= self.feed_at {
            let mut seen = Vec::new();
            self.feed_at = self.feed.poll(now, &mut |id, event| seen.push((id, event)));
            for (id, event) in seen {
                self.service.on_sensor(now, id, event);
            }
        }
        while let Some(act) = self.script.take(now) {
            match act {
                script::Act::Ask(request) => self.ask(request)?,
                script::Act::Strike(times) => {
                    self.feed.bus_mut().strike(ADDRESS, Trouble::NoAcknowledge { times });
                }
            }
        }
        self.service.wake(now);
        self.settle_ledger();
        let told = std::mem::take(&mut *self.told.lock().unwrap_or_else(PoisonError::into_inner));
        self.script.hear(now, told);
        Ok(())
    }

    fn ask(&mut self, request: Request) -> Result<(), RehearsalError> {
        let is_hush = matches!(request, Request::Hush { .. });
        let (answer, mut answered) = oneshot::channel();
        self.service.on_question(self.now, request, answer);
        self.settle_lookups()?;
        self.settle_ledger();
        match answered.try_recv() {
            Ok(answer) if answer["ok"] == true => Ok(()),
            // One hush may have been enough for two calls close together.
            Ok(_) if is_hush => Ok(()),
            Ok(answer) => Err(RehearsalError::Stuck(answer["error"].to_string())),
            Err(error) => Err(RehearsalError::Stuck(error.to_string())),
        }
    }

    /// Made-up time does not go on while the record is read.
    fn settle_lookups(&mut self) -> Result<(), RehearsalError> {
        let runtime = tokio::runtime::Builder::new_current_thread().build();
        let runtime = runtime.map_err(|error| RehearsalError::Stuck(error.to_string()))?;
        while self.service.awaits_record() {
            let Some(found) = runtime.block_on(self.service.found()) else { break };
            self.service.on_found(self.now, found);
        }
        Ok(())
    }

    /// Made-up time does not go on while the ledger writes.
    fn settle_ledger(&mut self) {
        while self.service.awaits_ledger() {
            match self.ledger.blocking_recv() {
                Some(event) => self.service.on_ledger(self.now, event),
                None => return,
            }
        }
    }

    fn close(mut self) -> Result<(), RehearsalError> {
        self.service.stop(self.now);
        let runtime = tokio::runtime::Builder::new_current_thread().enable_time().build();
        let runtime = runtime.map_err(|error| RehearsalError::Stuck(error.to_string()))?;
        runtime.block_on(self.service.close());
        Ok(())
    }
}

fn setup(folder: &std::path::Path) -> Setup {
    let sensor = SensorPart {
        name: SENSOR.to_owned(),
        period_s: PERIOD.as_secs_f64(),
        conversion: serde_json::json!({ "from": "datasheet" }),
    };
    let frames = script::FRAMES.map(|(name, glass)| FramePart {
        name: name.to_owned(),
        label: None,
        sensor: SensorId(0),
        glass,
    });
    Setup {
        rig: "garden".to_owned(),
        zone: zone(),
        site: Some(day::GARDEN),
        switched: Vec::new(),
        sources: vec![SUN.to_owned()],
        lamps: Vec::new(),
        rules: Rules::default(),
        sensors: vec![sensor],
        frames: frames.to_vec(),
        boot: String::new(),
        discovery: Discovery::Off,
        discovery_prefix: String::new(),
        ledger: folder.join("ledger.sqlite"),
        speed: 1.0,
    }
}

fn feed(day: &Arc<Day>, now: Mono) -> Result<BusFeed<EmulatedBus>, String> {
    let light = Arc::clone(day);
    let mut bus = EmulatedBus::default();
    bus.attach(ADDRESS, EmulatedAs7331::new(Box::new(move |at: Mono| light.irradiance(at.seconds()))));
    let chip = As7331::new(As7331Settings { address: ADDRESS, ..As7331Settings::default() })
        .map_err(|error| error.to_string())?;
    Ok(BusFeed::new(bus, vec![(SensorId(0), Sampler::new(Box::new(chip), PERIOD, now))]))
}
