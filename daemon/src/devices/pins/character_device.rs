//! Pins through the kernel's GPIO character device, where there is no `/dev/gpiomem`.
//!
//! A line belongs to the process that holds it. Once it is released, also by a kill, its level
//! is the kernel's affair: mostly it is an input again. So each output is requested with the
//! pull resistor of its off state, which stays on, and a relay needs one in its wiring as well.

use std::fs::File;
use std::io::{self, ErrorKind};
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use gpiocdev_uapi::v2::{LineEdgeEvent, LineFlags, LineRequest, LineValues};
use gpiocdev_uapi::{Error as GpioError, read_event, v2};

use super::{BOUNCE, OnPress, PinError, Pins, RelayPin, Switch, TONE_HZ};

/// The chips that have the pins of the header, by the label that their driver gives them; their
/// numbers differ from kernel to kernel. Their lines are the BCM numbers.
const LABELS: [&str; 3] = ["pinctrl-bcm2835", "pinctrl-bcm2711", "pinctrl-rp1"];
/// No machine that has these pins has more chips.
const MOST_CHIPS: u32 = 32;
/// What other programs see as the holder of a line.
const CONSUMER: &str = "frameside";
/// The guard that held a relay's line before may need this long to end.
const RELEASED_WITHIN: Duration = Duration::from_secs(1);
const ASK_AGAIN: Duration = Duration::from_millis(5);

/// The chip that has the pins of the header.
pub(super) struct CharacterDevice {
    path: PathBuf,
    chip: File,
    lines: u32,
    /// Gone with these pins, after which no press counts.
    alive: Arc<()>,
}

impl CharacterDevice {
    /// Finds the chip.
    pub(super) fn open() -> Result<Self, PinError> {
        let mut missing = PinError::NoPins;
        for number in 0..MOST_CHIPS {
            let path = PathBuf::from(format!("/dev/gpiochip{number}"));
            let opened = File::open(&path)
                .and_then(|chip| Ok((v2::get_chip_info(&chip).map_err(system_error)?, chip)));
            match opened {
                Ok((info, chip)) if LABELS.iter().any(|label| info.label.as_os_str() == *label) => {
                    return Ok(Self { path, chip, lines: info.num_lines, alive: Arc::default() });
                }
                Ok(_) => {}
                Err(error) if error.kind() == ErrorKind::NotFound => {}
                Err(error) => missing = PinError::of(error, &path),
            }
        }
        Err(missing)
    }

    fn request(&self, pin: u8, flags: LineFlags) -> Result<File, PinError> {
        if u32::from(pin) >= self.lines {
            return Err(PinError::NotThere { pin });
        }
        let mut request = LineRequest { consumer: CONSUMER.into(), num_lines: 1, ..LineRequest::default() };
        request.offsets.set(0, pin.into());
        request.config.flags = flags;
        if flags.contains(LineFlags::EDGE_FALLING) {
            request.config.add_debounce(BOUNCE.as_micros() as u32, 1);
        }
        v2::get_line(&self.chip, request).map_err(|error| {
            let error = system_error(error);
            let is_busy = error.kind() == ErrorKind::ResourceBusy;
            if is_busy { PinError::InUse { pin } } else { PinError::of(error, &self.path) }
        })
    }

    /// An output. An output that is requested without a value is off.
    fn line(&self, pin: RelayPin) -> Result<Line, PinError> {
        let off = if pin.active_low {
            LineFlags::ACTIVE_LOW | LineFlags::BIAS_PULL_UP
        } else {
            LineFlags::BIAS_PULL_DOWN
        };
        Ok(Line { pin: pin.bcm, file: self.request(pin.bcm, LineFlags::OUTPUT | off)? })
    }
}

fn system_error(error: GpioError) -> io::Error {
    match error {
        GpioError::Os(errno) => io::Error::from_raw_os_error(errno.0),
        GpioError::UnderRead(_) => io::Error::other(error),
    }
}

impl Pins for CharacterDevice {
    fn output(&mut self, pin: u8) -> Result<Box<dyn Switch>, PinError> {
        Ok(Box::new(self.line(RelayPin { bcm: pin, active_low: false })?))
    }

    fn tone(&mut self, pin: u8) -> Result<Box<dyn Switch>, PinError> {
        let line = Arc::new(self.line(RelayPin { bcm: pin, active_low: false })?);
        Ok(Box::new(Tone { line, playing: None }))
    }

    fn button(&mut self, pin: u8, mut on_press: OnPress) -> Result<(), PinError> {
        let flags = LineFlags::INPUT | LineFlags::BIAS_PULL_UP | LineFlags::EDGE_FALLING;
        let line = self.request(pin, flags)?;
        let alive = Arc::downgrade(&self.alive);
        let listen = move || {
            loop {
                match wait_for_edge(&line) {
                    _ if alive.strong_count() == 0 => return,
                    Ok(()) => on_press(),
                    Err(error) => {
                        tracing::error!("the button on pin {pin} is not heard any more: {error}");
                        return;
                    }
                }
            }
        };
        let started = std::thread::Builder::new().name("button".into()).spawn(listen);
        started.map(drop).map_err(|error| PinError::Failed(error.to_string()))
    }

    fn relay(&mut self, pin: RelayPin) -> Result<Box<dyn Switch>, PinError> {
        let asked_since = Instant::now();
        loop {
            match self.line(pin) {
                Err(PinError::InUse { .. }) if asked_since.elapsed() < RELEASED_WITHIN => {
                    std::thread::sleep(ASK_AGAIN);
                }
                line => return Ok(Box::new(line?)),
            }
        }
    }
}

fn wait_for_edge(line: &File) -> io::Result<()> {
    let mut event = vec![0; LineEdgeEvent::u64_size()];
    read_event(line, &mut event).map(drop).map_err(system_error)
}

/// An output; driven off before it is released.
struct Line {
    pin: u8,
    file: File,
}

impl Line {
    fn drive(&self, on: bool) {
        if let Err(error) = v2::set_line_values(&self.file, &LineValues::from_slice(&[on])) {
            tracing::error!("pin {} cannot be switched: {error}", self.pin);
        }
    }
}

impl Switch for Line {
    fn set(&mut self, on: bool) {
        self.drive(on);
    }
}

impl Drop for Line {
    fn drop(&mut self) {
        self.drive(false);
    }
}

/// A tone, made by a thread while it is on.
struct Tone {
    line: Arc<Line>,
    playing: Option<Playing>,
}

struct Playing {
    goes_on: Arc<AtomicBool>,
    thread: JoinHandle<()>,
}

impl Tone {
    fn start(&mut self) {
        let (goes_on, line) = (Arc::new(AtomicBool::new(true)), Arc::clone(&self.line));
        let is_on = Arc::clone(&goes_on);
        let play = move || {
            let half_period = Duration::from_secs_f64(0.5 / TONE_HZ);
            let mut next = Instant::now();
            for high in [true, false].into_iter().cycle() {
                if !is_on.load(Ordering::Relaxed) {
                    return;
                }
                line.drive(high);
                next = Instant::now().max(next + half_period);
                std::thread::sleep(next.saturating_duration_since(Instant::now()));
            }
        };
        match std::thread::Builder::new().name("tone".into()).spawn(play) {
            Ok(thread) => self.playing = Some(Playing { goes_on, thread }),
            Err(error) => tracing::warn!(%error, "the tone of the buzzer fails"),
        }
    }
}

impl Switch for Tone {
    fn set(&mut self, on: bool) {
        if on && self.playing.is_none() {
            self.start();
        } else if !on && let Some(Playing { goes_on, thread }) = self.playing.take() {
            goes_on.store(false, Ordering::Relaxed);
            // It ends within half a period, and leaves the line at any level.
            let _ = thread.join();
            self.line.drive(false);
        }
    }
}

impl Drop for Tone {
    fn drop(&mut self) {
        self.set(false);
    }
}
