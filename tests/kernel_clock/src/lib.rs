//! What the kernel says of the wall clock, as a test wants it.
//!
//! Loaded with `LD_PRELOAD`, it stands in for `adjtimex`, which libfaketime leaves alone.
//! `FRAMESIDE_KERNEL_CLOCK` names a file that holds the maximum error in µs, and is read at
//! each call. As in the kernel, 16 s and above means that no time service keeps the clock.

use std::ffi::c_int;

/// The kernel's `NTP_PHASE_LIMIT`, in µs.
const UNKNOWN_ERROR_US: i64 = 16_000_000;

fn max_error_us() -> Option<i64> {
    let file = std::env::var_os("FRAMESIDE_KERNEL_CLOCK")?;
    std::fs::read_to_string(file).ok()?.trim().parse().ok()
}

/// Answers a question as the file says; without the file, as the kernel does.
///
/// # Safety
///
/// `timex` points to a `timex` of the caller's.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn adjtimex(timex: *mut libc::timex) -> c_int {
    let Some(max_error_us) = max_error_us() else {
        // SAFETY: the caller's own pointer, as it asked.
        return unsafe { libc::syscall(libc::SYS_adjtimex, timex) } as c_int;
    };
    // SAFETY: it points to a timex of the caller's.
    let timex = unsafe { &mut *timex };
    assert_eq!(timex.modes, 0, "the clock is only asked, never set");
    let is_unknown = max_error_us >= UNKNOWN_ERROR_US;
    timex.maxerror = max_error_us as libc::c_long;
    timex.esterror = timex.maxerror;
    timex.status = if is_unknown { libc::STA_UNSYNC } else { 0 };
    if is_unknown { libc::TIME_ERROR } else { libc::TIME_OK }
}
