//! What comes while a command waits at a scale: lines that are typed or scanned, settled weights,
//! an interrupt. Each has a thread of its own, and all end in one queue.

use crate::clock;
use crate::records::Quantity;
use crate::sensing::listen::{Listener, Scale, SettleError};
use crate::sensing::pan::Pan;
use crate::sensing::settle::Settled;
use crate::store::{PortSettings, Store};
use crate::units::Time;
use crate::watch;
use std::io::{self, BufRead};
use std::path::{Path, PathBuf};
use std::sync::mpsc::{Receiver, Sender, channel};
use std::thread;
use std::time::{Duration, Instant};

/// How often it is looked at whether a port that was lost is back.
const AGAIN: Duration = Duration::from_secs(2);
/// How often it is looked at what `watch` has stored.
const LOOK: Duration = Duration::from_millis(300);
/// Unreadable lines are spoken of when nothing else has come for so long, s.
const UNREAD_S: f64 = 5.0;
/// A scale that prints by itself now and then says the same again of a pot that still stands there:
/// within this time of the last, and no further off than this, g.
const SAME: (Duration, f64) = (Duration::from_secs(15), 1.0);
/// Longest line that is listened to, bytes; no name or weight is as long.
const LONGEST: u64 = 4096;

/// Something that came.
#[derive(Debug)]
pub enum Input {
    /// A line, without its end.
    Line(String),
    /// No more lines will come.
    End,
    /// Ctrl-C, or asked to stop.
    Interrupted,
    /// A weight came to rest.
    Weight(Settled),
    /// The scale is not heard any more, and why; whether it may come back by itself.
    Silent(String, bool),
    /// It is heard again.
    Back,
    /// What the scale sends cannot be read.
    Unread(String),
}

/// The scale that is listened to.
pub enum Source {
    /// On an open port.
    Port { listener: Box<Listener>, port: PortSettings, scale: Option<String> },
    /// By what `watch`, which has its port, stores.
    Stored { studio: PathBuf, source: String },
}

/// Starts listening to lines, signals and perhaps a scale. Whatever `watch` stores after this call
/// is heard.
pub fn listen(source: Option<Source>, studio: PathBuf) -> io::Result<Receiver<Input>> {
    let now = clock::now();
    let (sender, receiver) = channel();
    let to = sender.clone();
    thread::Builder::new().name("lines".into()).spawn(move || lines(&to))?;
    let to = sender.clone();
    thread::Builder::new().name("signals".into()).spawn(move || signals(&to))?;
    if let Some(source) = source {
        thread::Builder::new().name("scale".into()).spawn(move || {
            // It has ended; why, has been said.
            let _ = match source {
                Source::Port { listener, port, scale } => {
                    weights(*listener, &port, scale.as_deref(), &studio, &sender)
                }
                Source::Stored { studio, source } => stored(studio, &source, now, &sender),
            };
        })?;
    }
    Ok(receiver)
}

/// Nobody waits any more.
struct Over;
type Told = Result<(), Over>;

fn tell(to: &Sender<Input>, input: Input) -> Told {
    to.send(input).map_err(|_| Over)
}

/// Sends weights on, but for those that are the one before again.
#[derive(Default)]
struct Weights {
    last: Option<(Instant, f64)>,
}

impl Weights {
    fn tell(&mut self, to: &Sender<Input>, settled: Settled) -> Told {
        let now = clock::steady();
        let before = self.last.replace((now, settled.grams));
        let again = before.is_some_and(|(time, grams)| {
            now - time < SAME.0 && (settled.grams - grams).abs() <= SAME.1
        });
        // Of a scale that sends all the time an empty pan was seen in between.
        if again && settled.samples == 1 { Ok(()) } else { tell(to, Input::Weight(settled)) }
    }
}

fn lines(to: &Sender<Input>) {
    let mut stdin = io::stdin().lock();
    loop {
        let mut line = Vec::new();
        let read = io::Read::take(&mut stdin, LONGEST).read_until(b'\n', &mut line);
        match read {
            Ok(1..) => {}
            Err(error) if error.kind() == io::ErrorKind::Interrupted => continue,
            _ => break,
        }
        // A reader of codes may end its lines with either or both.
        let text = String::from_utf8_lossy(&line);
        let text = text.trim_end_matches(['\n', '\r']).to_owned();
        if tell(to, Input::Line(text)).is_err() {
            return;
        }
    }
    let _ = tell(to, Input::End);
}

fn signals(to: &Sender<Input>) {
    use tokio::signal::unix::{SignalKind, signal};
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build();
    // Without it Ctrl-C ends the program at once, which loses nothing either.
    let Ok(runtime) = runtime else { return };
    runtime.block_on(async {
        let kinds = [SignalKind::interrupt(), SignalKind::terminate(), SignalKind::hangup()];
        let [Ok(mut a), Ok(mut b), Ok(mut c)] = kinds.map(signal) else { return };
        tokio::select! { _ = a.recv() => {}, _ = b.recv() => {}, _ = c.recv() => {} }
        let _ = tell(to, Input::Interrupted);
    });
}

/// Weights from a port, until nobody waits or the scale cannot be used.
fn weights(
    listener: Listener,
    port: &PortSettings,
    source: Option<&str>,
    studio: &Path,
    to: &Sender<Input>,
) -> Told {
    let cells = Store::open(studio).and_then(|store| store.cells(clock::now())).unwrap_or_default();
    let weigh = |source: &str, raw| cells.grams(source, raw);
    let mut scale = Scale::new(listener, source, &weigh);
    let (mut told_unread, mut weights) = (false, Weights::default());
    loop {
        match scale.turn() {
            Ok(Some(settled)) => weights.tell(to, settled)?,
            Ok(None) => {
                let unread = scale.unread().filter(|_| scale.seconds() > UNREAD_S);
                if let Some(fault) = unread.filter(|_| !told_unread) {
                    told_unread = true;
                    tell(to, Input::Unread(fault.words().into()))?;
                }
            }
            Err(error @ SettleError::Lost(_)) => {
                tell(to, Input::Silent(error.to_string(), true))?;
                scale = loop {
                    thread::sleep(AGAIN);
                    if let Ok(listener) = watch::listen(port) {
                        break Scale::new(listener, source, &weigh);
                    }
                };
                tell(to, Input::Back)?;
            }
            Err(error) => return tell(to, Input::Silent(error.to_string(), false)),
        }
    }
}

/// Weights out of what `watch` stores of the scale from `start` on.
fn stored(studio: PathBuf, source: &str, start: Time, to: &Sender<Input>) -> Told {
    let failed = |error: crate::store::StoreError| Input::Silent(error.to_string(), false);
    let store = match Store::open(&studio) {
        Ok(store) => store,
        Err(error) => return tell(to, failed(error)),
    };
    let (mut last, mut pan, mut weights) = (start, Pan::default(), Weights::default());
    loop {
        thread::sleep(LOOK);
        let span = (Time(last.0 + 1), Time::MAX);
        let came = match store.readings_of(source, Quantity::Mass, span) {
            Ok(came) => came,
            Err(error) => return tell(to, failed(error)),
        };
        for reading in came {
            last = reading.time;
            let event = match (reading.count, reading.spread) {
                (Some(samples @ 2..), spread) => {
                    pan.reduced(reading.value, spread.unwrap_or(0.0), samples)
                }
                // One line: a scale that prints at its key, or when it is at rest.
                _ => pan.push(last.since(start), reading.value, Some(true)),
            };
            if let Some(settled) = event.and_then(|event| event.weight()) {
                weights.tell(to, settled)?;
            }
        }
    }
}
