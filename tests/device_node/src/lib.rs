//! Device nodes of a Pi that are not there, for a binary that does not know it.
//!
//! Loaded with `LD_PRELOAD`, it stands in for `open`, `close`, `read`, `write` and
//! `ioctl`. `FRAMESIDE_DEVICE_ROOT` names a folder: what has its twin below that folder
//! is opened there. Where the twin is a Unix socket, the file is a device, and what the
//! kernel would do with it is asked of the test that listens:
//!
//! - `/dev/i2c-N`: each transfer is one question, answered with an errno and what was read;
//! - `/dev/gpiochipN`: its label is asked for; each line that is requested becomes a connection
//!   of its own, over which the values that are set go out as the kernel's own
//!   `gpio_v2_line_values`, and edges come in as its `gpio_v2_line_event`.
//!
//! All else goes to the kernel by raw system calls. Numbers and layouts: Linux
//! `include/uapi/linux/{i2c,i2c-dev,gpio}.h`.

use std::collections::BTreeMap;
use std::ffi::{CStr, CString, c_char, c_int, c_long, c_uint, c_ulong, c_void};
use std::os::unix::ffi::OsStringExt;
use std::sync::atomic::{AtomicU32, Ordering::SeqCst};
use std::sync::{Mutex, MutexGuard, OnceLock, PoisonError};

/// Files above this number are never ours.
const MOST_FILES: usize = 1024;
const NO_DEVICE: u32 = 0;
const GPIO_LINE: u32 = 1 << 29;
const GPIO_CHIP: u32 = 1 << 30;
/// With the chip's address in the lower bits.
const I2C_BUS: u32 = 1 << 31;

/// What each open file is.
static DEVICES: [AtomicU32; MOST_FILES] = [const { AtomicU32::new(NO_DEVICE) }; MOST_FILES];
/// One question at a time.
static ASKING: Mutex<()> = Mutex::new(());
/// Where lines of each open GPIO chip are asked for.
static GPIO_SOCKETS: Mutex<BTreeMap<c_int, CString>> = Mutex::new(BTreeMap::new());

fn device(fd: c_int) -> Option<&'static AtomicU32> {
    DEVICES.get(usize::try_from(fd).ok()?)
}

fn kind(fd: c_int) -> u32 {
    device(fd).map_or(NO_DEVICE, |device| device.load(SeqCst))
}

fn fail(errno: c_int) -> c_int {
    // SAFETY: the address of the calling thread's own errno.
    unsafe { *libc::__errno_location() = errno };
    -1
}

/// The path's twin below the root, if there is one, and whether it is a socket.
fn twin(path: &CStr) -> Option<(CString, bool)> {
    static ROOT: OnceLock<Option<Vec<u8>>> = OnceLock::new();
    let root = ROOT.get_or_init(|| std::env::var_os("FRAMESIDE_DEVICE_ROOT").map(OsStringExt::into_vec));
    let mut twin = root.clone()?;
    if !path.to_bytes().starts_with(b"/") {
        return None;
    }
    twin.extend_from_slice(path.to_bytes());
    let twin = CString::new(twin).ok()?;
    // SAFETY: a C string and a struct of our own.
    let found = unsafe {
        let mut stat: libc::stat = std::mem::zeroed();
        (libc::stat(twin.as_ptr(), &mut stat) == 0).then_some(stat.st_mode & libc::S_IFMT)
    }?;
    Some((twin, found == libc::S_IFSOCK))
}

fn connect(path: &CStr) -> c_int {
    // SAFETY: an address of our own, filled no further than its path's room.
    unsafe {
        let fd = libc::socket(libc::AF_UNIX, libc::SOCK_STREAM | libc::SOCK_CLOEXEC, 0);
        let mut address: libc::sockaddr_un = std::mem::zeroed();
        address.sun_family = libc::AF_UNIX as libc::sa_family_t;
        for (room, byte) in address.sun_path[..107].iter_mut().zip(path.to_bytes()) {
            *room = *byte as c_char;
        }
        let long = size_of::<libc::sockaddr_un>() as libc::socklen_t;
        if fd >= 0 && libc::connect(fd, (&raw const address).cast(), long) != 0 {
            libc::syscall(libc::SYS_close, fd);
            return -1;
        }
        fd
    }
}

fn gpio_sockets() -> MutexGuard<'static, BTreeMap<c_int, CString>> {
    GPIO_SOCKETS.lock().unwrap_or_else(PoisonError::into_inner)
}

fn open_at(folder: c_int, path: *const c_char, flags: c_int, mode: c_uint) -> c_int {
    // SAFETY: whoever calls open hands in a C string.
    let asked = unsafe { CStr::from_ptr(path) };
    let raw = |path: *const c_char| {
        // SAFETY: as open itself.
        unsafe { libc::syscall(libc::SYS_openat, folder, path, flags, mode) as c_int }
    };
    match twin(asked) {
        None => raw(path),
        Some((twin, false)) => raw(twin.as_ptr()),
        Some((twin, true)) => {
            let fd = connect(&twin);
            let is_bus = asked.to_bytes().starts_with(b"/dev/i2c-");
            if let Some(device) = device(fd) {
                device.store(if is_bus { I2C_BUS } else { GPIO_CHIP }, SeqCst);
            }
            if !is_bus {
                gpio_sockets().insert(fd, twin);
            }
            fd
        }
    }
}

/// # Safety
/// As open(2).
#[unsafe(no_mangle)]
pub unsafe extern "C" fn open(path: *const c_char, flags: c_int, mode: c_uint) -> c_int {
    open_at(libc::AT_FDCWD, path, flags, mode)
}

/// # Safety
/// As open(2).
#[unsafe(no_mangle)]
pub unsafe extern "C" fn open64(path: *const c_char, flags: c_int, mode: c_uint) -> c_int {
    open_at(libc::AT_FDCWD, path, flags, mode)
}

/// # Safety
/// As openat(2).
#[unsafe(no_mangle)]
pub unsafe extern "C" fn openat(folder: c_int, path: *const c_char, flags: c_int, mode: c_uint) -> c_int {
    open_at(folder, path, flags, mode)
}

/// # Safety
/// As close(2).
#[unsafe(no_mangle)]
pub unsafe extern "C" fn close(fd: c_int) -> c_int {
    if let Some(device) = device(fd) {
        device.store(NO_DEVICE, SeqCst);
    }
    // SAFETY: as close itself.
    unsafe { libc::syscall(libc::SYS_close, fd) as c_int }
}

/// # Safety
/// As read(2).
#[unsafe(no_mangle)]
pub unsafe extern "C" fn read(fd: c_int, buffer: *mut c_void, count: usize) -> isize {
    if kind(fd) & I2C_BUS == 0 {
        // SAFETY: as read itself.
        return unsafe { libc::syscall(libc::SYS_read, fd, buffer, count) as isize };
    }
    let mut message = [Message::new(kind(fd), READ, count, buffer.cast())];
    // SAFETY: the buffer has room for `count` bytes.
    unsafe { transfer(fd, &mut message) }.map_or_else(|errno| fail(errno) as isize, |()| count as isize)
}

/// # Safety
/// As write(2).
#[unsafe(no_mangle)]
pub unsafe extern "C" fn write(fd: c_int, buffer: *const c_void, count: usize) -> isize {
    if kind(fd) & I2C_BUS == 0 {
        // SAFETY: as write itself.
        return unsafe { libc::syscall(libc::SYS_write, fd, buffer, count) as isize };
    }
    let mut message = [Message::new(kind(fd), 0, count, buffer.cast_mut().cast())];
    // SAFETY: the buffer holds `count` bytes and is only read.
    unsafe { transfer(fd, &mut message) }.map_or_else(|errno| fail(errno) as isize, |()| count as isize)
}

/// # Safety
/// As ioctl(2).
#[unsafe(no_mangle)]
pub unsafe extern "C" fn ioctl(fd: c_int, request: c_ulong, argument: *mut c_void) -> c_int {
    // SAFETY: each request's argument is what the kernel would take it for.
    unsafe {
        match kind(fd) {
            NO_DEVICE => libc::syscall(libc::SYS_ioctl, fd, request, argument) as c_int,
            GPIO_CHIP => gpio_chip(fd, request, argument),
            GPIO_LINE => gpio_line(fd, request, argument),
            _ => i2c(fd, request, argument),
        }
    }
}

/// `struct i2c_msg`.
#[repr(C)]
struct Message {
    address: u16,
    flags: u16,
    count: u16,
    buffer: *mut u8,
}

/// `I2C_M_RD`.
const READ: u16 = 1;

impl Message {
    fn new(device: u32, flags: u16, count: usize, buffer: *mut u8) -> Self {
        Self { address: device as u16, flags, count: count as u16, buffer }
    }
}

/// `struct i2c_rdwr_ioctl_data`.
#[repr(C)]
struct Transfer {
    messages: *mut Message,
    count: u32,
}

unsafe fn i2c(fd: c_int, request: c_ulong, argument: *mut c_void) -> c_int {
    const SLAVE: c_ulong = 0x703;
    const FUNCTIONS: c_ulong = 0x705;
    const SLAVE_FORCE: c_ulong = 0x706;
    const TRANSFER: c_ulong = 0x707;
    const PLAIN_I2C: c_ulong = 1;
    match request {
        SLAVE | SLAVE_FORCE => {
            if let Some(device) = device(fd) {
                device.store(I2C_BUS | argument as u32, SeqCst);
            }
            0
        }
        FUNCTIONS => {
            // SAFETY: it takes the address of an unsigned long.
            unsafe { *argument.cast::<c_ulong>() = PLAIN_I2C };
            0
        }
        TRANSFER => {
            // SAFETY: it takes the address of messages with their buffers.
            let outcome = unsafe {
                let asked = &*argument.cast::<Transfer>();
                transfer(fd, std::slice::from_raw_parts_mut(asked.messages, asked.count as usize))
            };
            outcome.map_or_else(fail, |()| 0)
        }
        // Time-outs and retries are the other side's business.
        _ => 0,
    }
}

/// Asks for a transfer: address, number of messages, and of each its flags, its length and
/// what it writes. The answer is an errno and, if that is 0, what was read.
///
/// # Safety
/// The messages' buffers must hold what they say.
unsafe fn transfer(fd: c_int, messages: &mut [Message]) -> Result<(), c_int> {
    let mut question = Vec::new();
    question.extend(messages.first().map_or(0, |message| message.address).to_le_bytes());
    question.extend((messages.len() as u16).to_le_bytes());
    for message in messages.iter() {
        question.extend((message.flags & READ).to_le_bytes());
        question.extend(message.count.to_le_bytes());
        if message.flags & READ == 0 {
            // SAFETY: told by the caller.
            question.extend(unsafe { std::slice::from_raw_parts(message.buffer, message.count.into()) });
        }
    }
    let _turn = ASKING.lock();
    let mut errno = [0; 4];
    // SAFETY: buffers of our own, and those of the caller.
    unsafe {
        all(libc::SYS_write, fd, question.as_mut_ptr(), question.len())?;
        all(libc::SYS_read, fd, errno.as_mut_ptr(), errno.len())?;
        match c_int::from_le_bytes(errno) {
            0 => {}
            errno => return Err(errno),
        }
        for message in messages.iter().filter(|message| message.flags & READ != 0) {
            all(libc::SYS_read, fd, message.buffer, message.count.into())?;
        }
    }
    Ok(())
}

/// Reads or writes all of a buffer.
///
/// # Safety
/// The buffer must hold `count` bytes.
unsafe fn all(call: c_long, fd: c_int, buffer: *mut u8, count: usize) -> Result<(), c_int> {
    let mut done = 0;
    while done < count {
        // SAFETY: within the buffer.
        match unsafe { libc::syscall(call, fd, buffer.add(done), count - done) } {
            more if more > 0 => done += more as usize,
            _ => return Err(libc::EIO),
        }
    }
    Ok(())
}

/// The number of an ioctl request among those of its device.
const fn number(request: c_ulong) -> c_ulong {
    request & 0xff
}

unsafe fn gpio_chip(fd: c_int, request: c_ulong, argument: *mut c_void) -> c_int {
    const CHIP_INFO: c_ulong = 1;
    const GET_LINE: c_ulong = 7;
    let outcome = match number(request) {
        // SAFETY: it takes the address of a struct gpiochip_info.
        CHIP_INFO => unsafe { chip_info(fd, argument.cast()) },
        // SAFETY: it takes the address of a struct gpio_v2_line_request.
        GET_LINE => unsafe { get_line(fd, argument.cast()) },
        _ => Err(libc::EINVAL),
    };
    outcome.map_or_else(fail, |()| 0)
}

/// Asks for the label of a chip and its number of lines.
///
/// # Safety
/// As the ioctl.
unsafe fn chip_info(fd: c_int, info: *mut u8) -> Result<(), c_int> {
    /// Where `struct gpiochip_info` has its label, and how long that and the number of lines
    /// after it are.
    const LABEL: usize = 32;
    const ANSWER: usize = 36;
    let _turn = ASKING.lock();
    // SAFETY: within the struct.
    unsafe {
        all(libc::SYS_write, fd, [b'i'].as_mut_ptr(), 1)?;
        all(libc::SYS_read, fd, info.add(LABEL), ANSWER)
    }
}

/// Asks for a line with its whole request. The answer is an errno.
///
/// # Safety
/// As the ioctl.
unsafe fn get_line(chip: c_int, request: *mut u8) -> Result<(), c_int> {
    /// How long `struct gpio_v2_line_request` is, and where it has the file of the line.
    const REQUEST: usize = 592;
    const LINE_FILE: usize = 588;
    let Some(line) = gpio_sockets().get(&chip).map(|socket| connect(socket)).filter(|&fd| fd >= 0) else {
        return Err(libc::ENODEV);
    };
    let mut errno = [0; 4];
    // SAFETY: within the struct, and a buffer of our own.
    let answered = unsafe {
        all(libc::SYS_write, line, [b'l'].as_mut_ptr(), 1)
            .and_then(|()| all(libc::SYS_write, line, request, REQUEST))
            .and_then(|()| all(libc::SYS_read, line, errno.as_mut_ptr(), errno.len()))
    };
    match answered.map(|()| c_int::from_le_bytes(errno)) {
        Ok(0) => {
            if let Some(device) = device(line) {
                device.store(GPIO_LINE, SeqCst);
            }
            // SAFETY: within the struct.
            unsafe { request.add(LINE_FILE).cast::<c_int>().write_unaligned(line) };
            Ok(())
        }
        Ok(errno) | Err(errno) => {
            // SAFETY: a file of our own.
            unsafe { libc::syscall(libc::SYS_close, line) };
            Err(errno)
        }
    }
}

unsafe fn gpio_line(fd: c_int, request: c_ulong, argument: *mut c_void) -> c_int {
    const SET_VALUES: c_ulong = 15;
    /// How long `struct gpio_v2_line_values` is.
    const VALUES: usize = 16;
    match number(request) {
        // SAFETY: it takes the address of such a struct.
        SET_VALUES => unsafe { all(libc::SYS_write, fd, argument.cast(), VALUES) }.map_or_else(fail, |()| 0),
        _ => fail(libc::EINVAL),
    }
}
