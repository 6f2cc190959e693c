//! A Pi for a binary that does not know that it is none: `/dev/i2c-1` with emulated chips
//! behind it, and pins with buttons to press. The pins are driven through the registers of
//! `/dev/gpiomem`, or through the GPIO character device where that is all there is.
//!
//! The other half is `tests/device_node`, preloaded into the binary.

use std::collections::BTreeMap;
use std::collections::btree_map::Entry;
use std::ffi::OsString;
use std::fs::{self, File, OpenOptions};
use std::io::{self, Read, Write};
use std::os::unix::fs::FileExt;
use std::os::unix::net::{UnixListener, UnixStream};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, OnceLock};
use std::time::{Duration, Instant};

use embedded_hal::i2c::{I2c, Operation};
use frameside_core::chips::BusFault;
use frameside_core::chips::emulated::{EmulatedBus, Trouble};
use frameside_core::quantity::Mono;
use tempfile::TempDir;

use crate::preloaded;

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
const EBUSY: i32 = 16;
/// The chips of a Pi 3 on a mainline kernel: that of its expander comes first.
const GPIO_CHIPS: [(&str, &str); 2] = [("dev/gpiochip0", "raspberrypi-exp-gpio"), ("dev/gpiochip1", HEADER)];
/// The label of the chip that has the pins of the header.
const HEADER: &str = "pinctrl-bcm2835";
const HEADER_LINES: u32 = 54;

/// A line as it was asked for: see `struct gpio_v2_line_request` of the kernel's `gpio.h`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct LineRequest {
    /// Whether on is low.
    pub active_low: bool,
    /// Whether it is driven.
    pub output: bool,
    /// Whether edges from high to low are reported.
    pub falling_edge: bool,
    /// Pulled to high (`Some(true)`) or to low by a resistor of the Pi.
    pub pull: Option<bool>,
    /// How long contacts may bounce, in microseconds.
    pub debounce_us: Option<u32>,
}

impl LineRequest {
    const LENGTH: usize = 592;

    fn read(request: &[u8; Self::LENGTH]) -> (u8, Self) {
        const FLAGS: usize = 288;
        const ATTRIBUTES: usize = 296;
        const FIRST_ATTRIBUTE: usize = 320;
        const DEBOUNCE: u32 = 3;
        let word = |at: usize| u32::from_le_bytes(request[at..at + 4].try_into().unwrap());
        let has = |flag: u32| word(FLAGS) & flag != 0;
        let debounces = word(ATTRIBUTES) > 0 && word(FIRST_ATTRIBUTE) == DEBOUNCE;
        let line = Self {
            active_low: has(2),
            output: has(8),
            falling_edge: has(32),
            pull: if has(256) { Some(true) } else { has(512).then_some(false) },
            debounce_us: debounces.then(|| word(FIRST_ATTRIBUTE + 8)),
        };
        (u8::try_from(word(0)).unwrap(), line)
    }
}

/// The lines that are held, and the way to who holds each.
type Lines = Arc<Mutex<BTreeMap<u8, (LineRequest, UnixStream)>>>;

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
    /// Pins that were released while they were on.
    left_on: Arc<Mutex<Vec<u8>>>,
}

impl FakePi {
    /// A Pi 3 with these chips on bus 1.
    #[must_use]
    pub fn new(bus: EmulatedBus) -> Self {
        let pi = Self::without_pins(bus);
        pi.file("dev/gpiomem", &[0; GPIO_REGISTERS]);
        pi.watch_registers();
        pi.add_gpio_chips();
        pi
    }

    /// A Pi 3 whose pins are not there yet, on a kernel that knows no `/dev/gpiomem`.
    #[must_use]
    pub fn without_pins(bus: EmulatedBus) -> Self {
        let pi = Self {
            root: TempDir::new().unwrap(),
            levels: Levels::default(),
            is_gone: Arc::default(),
            bus: Arc::new(Mutex::new(bus)),
            lines: Lines::default(),
            left_on: Arc::default(),
        };
        pi.file("proc/cpuinfo", b"Revision\t: a02082\n");
        let bus = Arc::clone(&pi.bus);
        pi.device("dev/i2c-1", move |stream| transfers(stream, &bus));
        pi
    }

    /// The driver of the pins is loaded.
    pub fn add_gpio_chips(&self) {
        for (path, label) in GPIO_CHIPS {
            let (lines, levels, left_on) =
                (Arc::clone(&self.lines), self.levels(), Arc::clone(&self.left_on));
            self.device(path, move |stream| gpio_chip(stream, label, &lines, &levels, &left_on));
        }
    }

    /// What a process needs in its environment to find this Pi.
    #[must_use]
    pub fn environment(&self) -> Vec<(&'static str, OsString)> {
        vec![
            ("LD_PRELOAD", preloaded::library("frameside-device-node").into()),
            ("FRAMESIDE_DEVICE_ROOT", self.root.path().into()),
        ]
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
        let lines = self.lines.lock().unwrap();
        let Some((_, line)) = lines.get(&pin).filter(|(line, _)| line.falling_edge) else { return false };
        // struct gpio_v2_line_event: timestamp, id, offset, two counters, padding.
        let mut event = [0_u8; 48];
        event[8..12].copy_from_slice(&FALLING_EDGE.to_ne_bytes());
        event[12..16].copy_from_slice(&u32::from(pin).to_ne_bytes());
        (&*line).write_all(&event).is_ok()
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

    /// How a line of the character device is held, if it is.
    #[must_use]
    pub fn line(&self, pin: u8) -> Option<LineRequest> {
        self.lines.lock().unwrap().get(&pin).map(|(line, _)| *line)
    }

    /// The lines of the character device that were released while they were on.
    #[must_use]
    pub fn left_on(&self) -> Vec<u8> {
        self.left_on.lock().unwrap().clone()
    }

    /// Whether this pin is driven through its registers, as an output.
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
    fn watch_registers(&self) {
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
        let path = self.root.path().join(path);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        let listener = UnixListener::bind(path).unwrap();
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

/// Serves one opening of a GPIO chip: as the chip, or as a line of it once that is asked for.
fn gpio_chip(
    mut stream: UnixStream,
    label: &str,
    lines: &Lines,
    levels: &Levels,
    left_on: &Mutex<Vec<u8>>,
) -> io::Result<()> {
    let mut question = [0];
    loop {
        stream.read_exact(&mut question)?;
        if question == *b"l" {
            break;
        }
        let mut info = [0; 36];
        info[..label.len()].copy_from_slice(label.as_bytes());
        info[32..].copy_from_slice(&HEADER_LINES.to_le_bytes());
        stream.write_all(&info)?;
    }
    let mut request = [0; LineRequest::LENGTH];
    stream.read_exact(&mut request)?;
    let (pin, line) = LineRequest::read(&request);
    assert_eq!(label, HEADER, "pin {pin} is asked for from the wrong chip");
    if let Entry::Vacant(free) = lines.lock().unwrap().entry(pin) {
        free.insert((line, stream.try_clone()?));
    } else {
        return stream.write_all(&EBUSY.to_le_bytes());
    }
    let mut is_on = false;
    let drive = |on: bool| levels.set(1 << pin, on != line.active_low);
    if line.output {
        drive(false);
    }
    let granted = stream.write_all(&0_i32.to_le_bytes());
    let mut values = [0; 16];
    while granted.is_ok() && stream.read_exact(&mut values).is_ok() {
        is_on = values[0] & 1 != 0;
        drive(is_on);
    }
    // Released: an input again, at the level that its resistor pulls it to.
    if is_on {
        left_on.lock().unwrap().push(pin);
    }
    if let Some(high) = line.pull.filter(|_| line.output) {
        levels.set(1 << pin, high);
    }
    lines.lock().unwrap().remove(&pin);
    granted
}
