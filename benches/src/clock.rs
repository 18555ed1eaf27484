//! Wall time and processor time of a piece of work. On a machine that others use too, wall time says how long one
//! waited and processor time what the work cost.

use std::io;
use std::time::Instant;

/// What a piece of work took, in ms.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Took {
    /// Wall time.
    pub wall_ms: f64,
    /// Processor time, user and system together.
    pub processor_ms: f64,
}

/// Whose processor time counts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Whose {
    /// This thread's.
    ThisThread,
    /// That of the children that have ended.
    Children,
}

/// Times a piece of work.
///
/// # Errors
/// When the work fails, or the system tells no processor time.
pub fn timed(whose: Whose, work: impl FnOnce() -> io::Result<()>) -> io::Result<Took> {
    let before_ms = processor_ms(whose)?;
    let start = Instant::now();
    work()?;
    let wall_ms = start.elapsed().as_secs_f64() * 1e3;
    Ok(Took {
        wall_ms,
        processor_ms: processor_ms(whose)? - before_ms,
    })
}

#[cfg(unix)]
fn processor_ms(whose: Whose) -> io::Result<f64> {
    use nix::sys::resource::{UsageWho, getrusage};
    use nix::time::{ClockId, clock_gettime};
    match whose {
        Whose::ThisThread => {
            let time = clock_gettime(ClockId::CLOCK_THREAD_CPUTIME_ID)?;
            Ok(time.tv_sec() as f64 * 1e3 + time.tv_nsec() as f64 / 1e6)
        }
        Whose::Children => {
            let usage = getrusage(UsageWho::RUSAGE_CHILDREN)?;
            let ms = |time: nix::sys::time::TimeVal| time.tv_sec() as f64 * 1e3 + time.tv_usec() as f64 / 1e3;
            Ok(ms(usage.user_time()) + ms(usage.system_time()))
        }
    }
}

#[cfg(not(unix))]
fn processor_ms(_: Whose) -> io::Result<f64> {
    Err(io::Error::other("processor time is measured on Unix only"))
}

#[cfg(test)]
#[cfg(unix)]
mod tests {
    use super::*;

    #[test]
    fn waiting_costs_wall_time_and_no_processor_time() {
        let waits = std::time::Duration::from_millis(50);
        let took = timed(Whose::ThisThread, || {
            std::thread::sleep(waits);
            Ok(())
        });
        let took = took.unwrap();
        assert!(took.wall_ms >= 50.0);
        assert!(took.processor_ms < took.wall_ms / 2.0);
    }
}
