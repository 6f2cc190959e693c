//! A Pi for a binary that does not know that it is none: `/dev/i2c-1` with emulated chips
//! behind it, and a GPIO chip with buttons to press.
//!
//! The other half is `tests/device_node`, preloaded into the binary.

use std::collections::BTreeMap;
use std::ffi::OsString;
use std::fs::{self, File, OpenOptions};
use std::io::{self, Read, Write};
use std::os::unix::fs::FileExt;
use std::os::unix::net::{UnixListener, UnixStream};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, OnceLock};
use std::time::{Duration, Instant};

use embedded_hal::i2c::{I2c, Operation};
use frameside_core::chips::BusFault;
use frameside_core::chips::emulated::{EmulatedBus, Trouble};
use frameside_core::quantity::Mono;
use tempfile::TempDir;

use crate::cargo;

/// Offsets into the GPIO registers that every Pi before the 5 has (BCM2835 ARM Peripherals, 6.1).
const GPFSEL0: u64 = 0;
const GPSET0: u64 = 0x1c;
const GPCLR0: u64 = 0x28;
/// A pin's function as an output.
const IS_OUTPUT: u32 = 1;
/// How often the registers are looked at.
const LOOK_EVERY: Duration = Duration::from_millis(1);
const GPIO_REGISTERS: usize = 4096;
/// `GPIO_V2_LINE_EVENT_FALLING_EDGE` of the kernel's `gpio.h`.
const FALLING_EDGE: u32 = 2;

type Lines = Arc<Mutex<BTreeMap<u32, UnixStream>>>;

/// Each change of a pin, the oldest first.
type Changes = Arc<Mutex<Vec<(Mono, u8, bool)>>>;

/// The levels of the pins that the binary drives, now and earlier.
#[derive(Clone, Default)]
pub struct Levels(Changes);

impl Levels {
    /// Whether a pin was high at an instant of the chips' clock.
    #[must_use]
    pub fn was_high(&self, pin: u8, at: Mono) -> bool {
        let changes = self.0.lock().unwrap();
        changes.iter().rev().find(|(when, of, _)| *of == pin && *when <= at).is_some_and(|&(.., high)| high)
    }

    /// When a pin went high or low, the oldest first.
    #[must_use]
    pub fn changes(&self, pin: u8) -> Vec<(Mono, bool)> {
        let changes = self.0.lock().unwrap();
        changes.iter().filter(|(_, of, _)| *of == pin).map(|&(at, _, high)| (at, high)).collect()
    }

    fn set(&self, pins: u32, high: bool) {
        let mut changes = self.0.lock().unwrap();
        for pin in (0..32).filter(|pin| pins & (1 << pin) != 0) {
            let before = changes.iter().rev().find(|(_, of, _)| *of == pin);
            if before.is_none_or(|&(.., before)| before != high) {
                changes.push((now(), pin, high));
            }
        }
    }
}

/// The Pi. Its chips live on real time.
pub struct FakePi {
    root: TempDir,
    levels: Levels,
    is_gone: Arc<AtomicBool>,
    bus: Arc<Mutex<EmulatedBus>>,
    lines: Lines,
}

impl FakePi {
    /// A Pi 3 with these chips on bus 1.
    #[must_use]
    pub fn new(bus: EmulatedBus) -> Self {
        let root = TempDir::new().unwrap();
        let bus = Arc::new(Mutex::new(bus));
        let (levels, is_gone) = (Levels::default(), Arc::new(AtomicBool::new(false)));
        let pi = Self { root, levels, is_gone, bus, lines: Lines::default() };
        pi.file("proc/cpuinfo", b"Revision\t: a02082\n");
        pi.file("dev/gpiomem", &[0; GPIO_REGISTERS]);
        pi.watch_pins();
        let bus = Arc::clone(&pi.bus);
        pi.device("dev/i2c-1", move |stream| transfers(stream, &bus));
        let lines = Arc::clone(&pi.lines);
        pi.device("dev/gpiochip0", move |stream| line(stream, &lines));
        pi
    }

    /// What a process needs in its environment to find this Pi.
    #[must_use]
    pub fn environment(&self) -> Vec<(&'static str, OsString)> {
        vec![("LD_PRELOAD", preloaded().into()), ("FRAMESIDE_DEVICE_ROOT", self.root.path().into())]
    }

    /// Lets something happen to a chip.
    pub fn strike(&self, address: u8, trouble: Trouble) {
        self.bus.lock().unwrap().strike(address, trouble);
    }

    /// Takes a chip off the bus, or puts it back.
    pub fn rewire(&self, change: impl FnOnce(&mut EmulatedBus)) {
        change(&mut self.bus.lock().unwrap());
    }

    /// Pulls a pin to ground for a moment; false until somebody listens to it.
    #[must_use]
    pub fn press(&self, pin: u8) -> bool {
        let Some(line) = self.lines.lock().unwrap().get(&pin.into()).map(|l| l.try_clone().unwrap()) else {
            return false;
        };
        // struct gpio_v2_line_event: timestamp, id, offset, two counters, padding.
        let mut event = [0_u8; 48];
        event[8..12].copy_from_slice(&FALLING_EDGE.to_ne_bytes());
        event[12..16].copy_from_slice(&u32::from(pin).to_ne_bytes());
        (&line).write_all(&event).is_ok()
    }

    /// The levels of its pins, for a light that one of them switches.
    #[must_use]
    pub fn levels(&self) -> Levels {
        self.levels.clone()
    }

    /// Whether this pin is high.
    #[must_use]
    pub fn is_high(&self, pin: u8) -> bool {
        self.levels.was_high(pin, now())
    }

    /// Whether this pin is driven, as an output.
    #[must_use]
    pub fn is_driven(&self, pin: u8) -> bool {
        let register = GPFSEL0 + 4 * u64::from(pin / 10);
        let mut functions = [0; 4];
        self.registers().read_exact_at(&mut functions, register).unwrap();
        u32::from_ne_bytes(functions) >> (3 * (pin % 10)) & 0b111 == IS_OUTPUT
    }

    /// Whether this pin was switched on.
    #[must_use]
    pub fn was_switched_on(&self, pin: u8) -> bool {
        self.levels.changes(pin).iter().any(|change| change.1)
    }

    /// Whether this pin was switched off.
    #[must_use]
    pub fn was_switched_off(&self, pin: u8) -> bool {
        self.levels.changes(pin).iter().any(|change| !change.1)
    }

    fn registers(&self) -> File {
        OpenOptions::new().read(true).write(true).open(self.root.path().join("dev/gpiomem")).unwrap()
    }

    /// Takes what was written into the registers. Of what was written between two looks,
    /// off is taken for the later.
    fn watch_pins(&self) {
        let (levels, is_gone, registers) = (self.levels(), Arc::clone(&self.is_gone), self.registers());
        let take = move |register: u64| {
            let mut bits = [0; 4];
            registers.read_exact_at(&mut bits, register).unwrap();
            if bits != [0; 4] {
                registers.write_all_at(&[0; 4], register).unwrap();
            }
            u32::from_ne_bytes(bits)
        };
        std::thread::spawn(move || {
            while !is_gone.load(Ordering::Relaxed) {
                for (register, high) in [(GPSET0, true), (GPCLR0, false)] {
                    levels.set(take(register), high);
                }
                std::thread::sleep(LOOK_EVERY);
            }
        });
    }

    fn file(&self, path: &str, content: &[u8]) {
        let path = self.root.path().join(path);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(path, content).unwrap();
    }

    /// Listens where a device is opened; each opening is served by a thread.
    fn device(&self, path: &str, serve: impl Fn(UnixStream) -> io::Result<()> + Send + Sync + 'static) {
        let listener = UnixListener::bind(self.root.path().join(path)).unwrap();
        let serve = Arc::new(serve);
        std::thread::spawn(move || {
            for stream in listener.incoming().flatten() {
                let serve = Arc::clone(&serve);
                // It ends when the process that opened the device does.
                std::thread::spawn(move || serve(stream));
            }
        });
    }
}

impl Drop for FakePi {
    fn drop(&mut self) {
        self.is_gone.store(true, Ordering::Relaxed);
    }
}

/// The library that stands in for system calls, built first.
fn preloaded() -> &'static Path {
    static LIBRARY: OnceLock<PathBuf> = OnceLock::new();
    LIBRARY.get_or_init(|| {
        let built =
            cargo().args(["build", "--quiet", "--package", "frameside-device-node"]).status().unwrap();
        assert!(built.success(), "the device node does not build");
        let target = std::env::current_exe().unwrap();
        let target = target.ancestors().nth(3).expect("cargo puts tests into target/PROFILE/deps");
        target.join("debug/libframeside_device_node.so")
    })
}

/// Answers the transfers of one opened bus.
fn transfers(mut stream: UnixStream, bus: &Mutex<EmulatedBus>) -> io::Result<()> {
    loop {
        let address = u8::try_from(word(&mut stream)?).unwrap();
        let messages: Vec<Vec<u8>> = (0..word(&mut stream)?)
            .map(|_| {
                let (is_read, count) = (word(&mut stream)? != 0, word(&mut stream)?.into());
                let mut bytes = vec![0; count];
                if !is_read {
                    stream.read_exact(&mut bytes)?;
                }
                Ok((is_read, bytes))
            })
            .collect::<io::Result<Vec<_>>>()
            .map(|messages| answer(&mut bus.lock().unwrap(), address, messages))?;
        for bytes in messages {
            stream.write_all(&bytes)?;
        }
    }
}

fn word(stream: &mut UnixStream) -> io::Result<u16> {
    let mut bytes = [0; 2];
    stream.read_exact(&mut bytes)?;
    Ok(u16::from_le_bytes(bytes))
}

/// An errno and, if that is 0, what was read.
fn answer(
    bus: &mut MutexGuard<'_, EmulatedBus>,
    address: u8,
    mut messages: Vec<(bool, Vec<u8>)>,
) -> Vec<Vec<u8>> {
    bus.set_now(now());
    let mut operations: Vec<Operation<'_>> = messages
        .iter_mut()
        .map(|(is_read, bytes)| if *is_read { Operation::Read(bytes) } else { Operation::Write(bytes) })
        .collect();
    let errno = bus.transaction(address, &mut operations).map_or_else(errno, |()| 0);
    let read = messages.into_iter().filter(|(is_read, _)| *is_read && errno == 0).map(|(_, bytes)| bytes);
    std::iter::once(errno.to_le_bytes().to_vec()).chain(read).collect()
}

/// As the controllers of the Pi have it: Linux Documentation/i2c/fault-codes.rst and i2c-bcm2835.
fn errno(fault: BusFault) -> i32 {
    match fault {
        BusFault::NoAcknowledge => 121,
        BusFault::TimedOut => 110,
        BusFault::ArbitrationLost => 11,
        BusFault::Bus => 5,
        BusFault::Claimed => 16,
        BusFault::Unsupported => 95,
        BusFault::Other(errno) => errno,
    }
}

fn now() -> Mono {
    static BEGAN: OnceLock<Instant> = OnceLock::new();
    Mono::from_seconds(BEGAN.get_or_init(Instant::now).elapsed().as_secs_f64())
}

/// Keeps the way to whoever listens to a line. The chip itself is opened too and says nothing.
fn line(mut stream: UnixStream, lines: &Lines) -> io::Result<()> {
    let mut pin = [0; 4];
    stream.read_exact(&mut pin)?;
    lines.lock().unwrap().insert(u32::from_le_bytes(pin), stream);
    Ok(())
}
