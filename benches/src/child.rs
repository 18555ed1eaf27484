//! Running the program under measurement as a child: its time, or its largest resident memory.

use crate::clock::{Took, Whose, timed};
use std::fs;
use std::io;
use std::process::{Child, Command, Stdio};
use std::thread::sleep;
use std::time::Duration;

/// How often a child's memory is looked at. The kernel keeps the largest value itself, so only a peak in the last
/// moments of the child could be missed.
const LOOK: Duration = Duration::from_millis(2);

/// Runs a child to its end; gives its wall and processor time. Nothing looks at it meanwhile.
///
/// # Errors
/// When it does not start, or ends with a code not in `good`.
pub fn time(command: &mut Command, good: &[i32]) -> io::Result<Took> {
    timed(Whose::Children, || {
        let status = spawn(command)?.wait()?;
        expect_good(command, status.code(), good)
    })
}

/// Runs a child to its end; gives its largest resident memory in MB (10⁶ bytes), from `VmHWM` of
/// `/proc/PID/status` (`proc_pid_status(5)`).
///
/// # Errors
/// As [`time`]; also where there is no such file (not Linux).
pub fn peak_memory_mb(command: &mut Command, good: &[i32]) -> io::Result<f64> {
    let mut child = spawn(command)?;
    let status_file = format!("/proc/{}/status", child.id());
    let mut most_kib = None;
    let status = loop {
        // A child that has ended and waits to be collected has no VmHWM line any more.
        if let Some(kib) = fs::read_to_string(&status_file)
            .ok()
            .as_deref()
            .and_then(high_water_kib)
        {
            most_kib = most_kib.max(Some(kib));
        }
        match child.try_wait()? {
            Some(status) => break status,
            None => sleep(LOOK),
        }
    };
    expect_good(command, status.code(), good)?;
    let kib = most_kib.ok_or_else(|| io::Error::other(format!("{status_file} tells no VmHWM")))?;
    Ok(kib as f64 * 1024.0 / 1e6)
}

fn spawn(command: &mut Command) -> io::Result<Child> {
    command.stdin(Stdio::null()).stdout(Stdio::null()).spawn()
}

fn expect_good(command: &Command, code: Option<i32>, good: &[i32]) -> io::Result<()> {
    match code {
        Some(code) if good.contains(&code) => Ok(()),
        other => Err(io::Error::other(format!("{command:?} ended with {other:?}"))),
    }
}

fn high_water_kib(status: &str) -> Option<u64> {
    let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:"))?;
    line.trim().strip_suffix("kB")?.trim().parse().ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_high_water_mark_is_read() {
        // The form of proc_pid_status(5).
        let status = "Name:\tbash\nVmPeak:\t  131168 kB\nVmHWM:\t   13484 kB\nVmRSS:\t   10264 kB\n";
        assert_eq!(high_water_kib(status), Some(13_484));
        assert_eq!(high_water_kib("Name:\tbash\nState:\tZ (zombie)\n"), None);
    }
}
