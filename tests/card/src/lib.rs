//! A card that is slow or fails, for a binary that does not know it.
//!
//! A test disk is fast, and a real card in its last weeks is not: a sync may take seconds. Nothing
//! in user space makes a file system do that on demand, so this library, loaded with `LD_PRELOAD`,
//! stands in for `fsync`, `fdatasync`, `pwrite` and `pwrite64` of the files whose path contains
//! `FRAMESIDE_CARD_FILES`. What it does then is read from the file `FRAMESIDE_CARD` at each call:
//!
//! - `sleep MS`: each sync takes so much longer;
//! - `eio`: each sync and each write fails with EIO;
//! - anything else, or no such file: nothing.
//!
//! All calls go to the kernel by raw system calls.

use std::ffi::{c_int, c_long, c_void};
use std::os::unix::ffi::OsStrExt;
use std::time::Duration;

enum Trouble {
    None,
    Slow(Duration),
    Broken,
}

/// What the card does with a file.
fn trouble(fd: c_int) -> Trouble {
    let (Some(files), Some(control)) =
        (std::env::var_os("FRAMESIDE_CARD_FILES"), std::env::var_os("FRAMESIDE_CARD"))
    else {
        return Trouble::None;
    };
    let Ok(path) = std::fs::read_link(format!("/proc/self/fd/{fd}")) else { return Trouble::None };
    let (path, files) = (path.as_os_str().as_bytes(), files.as_bytes());
    if !path.windows(files.len().max(1)).any(|part| part == files) {
        return Trouble::None;
    }
    let orders = std::fs::read_to_string(control).unwrap_or_default();
    let mut words = orders.split_whitespace();
    match (words.next(), words.next().map(str::parse)) {
        (Some("sleep"), Some(Ok(ms))) => Trouble::Slow(Duration::from_millis(ms)),
        (Some("eio"), _) => Trouble::Broken,
        _ => Trouble::None,
    }
}

fn fail() -> c_int {
    // SAFETY: the address of the calling thread's own errno.
    unsafe { *libc::__errno_location() = libc::EIO };
    -1
}

fn sync(call: c_long, fd: c_int) -> c_int {
    match trouble(fd) {
        Trouble::Broken => return fail(),
        Trouble::Slow(pause) => std::thread::sleep(pause),
        Trouble::None => {}
    }
    // SAFETY: as fsync itself.
    unsafe { libc::syscall(call, fd) as c_int }
}

fn write(fd: c_int, buffer: *const c_void, count: usize, offset: i64) -> isize {
    if matches!(trouble(fd), Trouble::Broken) {
        return fail() as isize;
    }
    // SAFETY: as pwrite itself.
    unsafe { libc::syscall(libc::SYS_pwrite64, fd, buffer, count, offset) as isize }
}

/// # Safety
/// As fsync(2).
#[unsafe(no_mangle)]
pub unsafe extern "C" fn fsync(fd: c_int) -> c_int {
    sync(libc::SYS_fsync, fd)
}

/// # Safety
/// As fdatasync(2).
#[unsafe(no_mangle)]
pub unsafe extern "C" fn fdatasync(fd: c_int) -> c_int {
    sync(libc::SYS_fdatasync, fd)
}

/// # Safety
/// As pwrite(2).
#[unsafe(no_mangle)]
pub unsafe extern "C" fn pwrite(
    fd: c_int,
    buffer: *const c_void,
    count: usize,
    offset: libc::off_t,
) -> isize {
    write(fd, buffer, count, offset)
}

/// # Safety
/// As pwrite(2).
#[unsafe(no_mangle)]
pub unsafe extern "C" fn pwrite64(fd: c_int, buffer: *const c_void, count: usize, offset: i64) -> isize {
    write(fd, buffer, count, offset)
}
