//! Plays a shelf down its line, at the pace of the clock or so many times faster.

use super::pty::{Pty, PtyError};
use super::shelf::{Moment, Shelf};
use crate::clock;
use std::thread;
use std::time::{Duration, Instant};

/// Longest sleep before the wish to stop is looked at again.
const NAP: Duration = Duration::from_millis(50);

/// Why playing ended.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum End {
    /// The scenario is over, or it has gone on as long as it should; all was sent.
    Over,
    /// It was told to stop.
    Stopped,
}

/// How a shelf is played.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Pace {
    /// Shelf seconds in a second.
    pub speed: f64,
    /// Shelf seconds after which it ends.
    pub length: f64,
}

/// Waits for a reader, then sends moment after moment as their time comes; a moment that is late
/// (the reader was slow, or away for a while) is sent at once, so that none is lost.
///
/// `each` sees every moment before its line is sent: what people do is written down before the
/// scales show it.
pub fn play<E: From<PtyError>>(
    shelf: &mut Shelf,
    pty: &Pty,
    pace: Pace,
    stop: &dyn Fn() -> bool,
    mut each: impl FnMut(&Shelf, &Moment) -> Result<(), E>,
) -> Result<End, E> {
    if !pty.wait_for_reader(stop) {
        return Ok(End::Stopped);
    }
    let begun = clock::steady();
    let played = shelf.elapsed();
    loop {
        if shelf.elapsed() >= pace.length {
            return Ok(End::Over);
        }
        let Some(moment) = shelf.advance() else { return Ok(End::Over) };
        // Bounded, so that the slowest pace cannot overflow: a year is as good as for ever.
        let due = ((shelf.elapsed() - played) / pace.speed).clamp(0.0, 3e7);
        if !sleep_until(begun + Duration::from_secs_f64(due), stop) {
            return Ok(End::Stopped);
        }
        each(shelf, &moment)?;
        if !pty.send(&moment.bytes, stop)? {
            return Ok(End::Stopped);
        }
    }
}

/// Sleeps; `false` if it is to stop before.
fn sleep_until(then: Instant, stop: &dyn Fn() -> bool) -> bool {
    loop {
        let left = then.saturating_duration_since(clock::steady());
        if stop() {
            return false;
        }
        if left.is_zero() {
            return true;
        }
        thread::sleep(left.min(NAP));
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::simulate::scenario;
    use crate::simulate::shelf::Reporting;
    use crate::units::Time;
    use std::io::Read;

    #[test]
    fn what_is_played_is_what_is_read() {
        let shelf = || {
            let start = Time::from_seconds(1.9e9);
            Shelf::new(scenario::shelf(5, 4, 0.0), 5, start, Reporting::default())
        };
        let pty = Pty::open(None).unwrap();
        let mut port = std::fs::File::open(pty.path()).unwrap();
        let reading = thread::spawn(move || {
            let mut got = Vec::new();
            let mut buffer = [0; 4096];
            // Reading ends in an error when the other end goes away.
            while let Ok(n @ 1..) = port.read(&mut buffer) {
                got.extend_from_slice(&buffer[..n]);
                if got.ends_with(b"THE END\n") {
                    break;
                }
            }
            got
        });
        let mut want = Vec::new();
        let mut moments = 0;
        let pace = Pace { speed: 1e9, length: 6.0 * 3600.0 };
        let mut played = shelf();
        let end = play(&mut played, &pty, pace, &|| false, |shelf, moment| {
            assert_eq!(moment.time, shelf.now());
            want.extend_from_slice(&moment.bytes);
            moments += 1;
            Ok::<(), PtyError>(())
        });
        assert_eq!((end.unwrap(), moments), (End::Over, 72));
        assert_eq!(played.elapsed(), pace.length, "it does not go on unheard");
        pty.send(b"THE END\n", &|| false).unwrap();
        want.extend_from_slice(b"THE END\n");
        assert!(reading.join().unwrap() == want);
        let stopped = play(&mut shelf(), &pty, pace, &|| true, |_, _| Ok::<(), PtyError>(()));
        assert_eq!(stopped.unwrap(), End::Stopped);
    }
}
