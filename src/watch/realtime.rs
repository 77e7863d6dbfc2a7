//! Priority: real-time for the threads whose edges have to be on time, low for
//! those that can wait.
#![allow(unsafe_code)]

use std::io;

/// Low among real-time priorities: above everything ordinary, below the
/// kernel's own threads that serve interrupts (50 where they are threads).
const PRIORITY: libc::c_int = 10;

/// Gives the calling thread first-in-first-out scheduling, which its children
/// do not inherit.
///
/// # Errors
/// The rights are missing (`LimitRTPRIO=` of the service, or root).
pub(crate) fn raise() -> io::Result<()> {
    // SAFETY: all fields of `sched_param` are integers, for which zero is valid.
    let mut param: libc::sched_param = unsafe { std::mem::zeroed() };
    param.sched_priority = PRIORITY;
    let policy = libc::SCHED_FIFO | libc::SCHED_RESET_ON_FORK;
    // SAFETY: the thread named is the calling one, alive; `param` is only read.
    match unsafe { libc::pthread_setschedparam(libc::pthread_self(), policy, &param) } {
        0 => Ok(()),
        code => Err(io::Error::from_raw_os_error(code)),
    }
}

/// Lets other threads of the program go before the calling one, by so many steps
/// of niceness. A refusal costs nothing but that, so it is no error.
pub(crate) fn lower(steps: libc::c_int) {
    // SAFETY: takes and gives plain numbers; 0 is the calling thread on Linux.
    unsafe {
        let now = libc::getpriority(libc::PRIO_PROCESS, 0);
        libc::setpriority(libc::PRIO_PROCESS, 0, now + steps);
    }
}
