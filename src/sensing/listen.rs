//! Listening to one scale for a while, for a command that waits: the next settled weight, or
//! whatever comes, until it is enough.

use super::ask::Ask;
use super::formats::{Format, Measured, Sink};
use super::health::Fault;
use super::pan::Pan;
use super::port::{Port, PortError};
use super::settle::Settled;
use crate::clock;
use crate::records::{Name, Quantity};
use std::time::{Duration, Instant};
use tokio::runtime::{Builder, Runtime};

/// Longest wait for bytes before it is looked at whether to go on.
const TURN: Duration = Duration::from_millis(200);
/// A scale that prints on request is asked so often while somebody stands before it.
const ASK: Duration = Duration::from_millis(500);
/// Most that is read at once, bytes.
const CHUNK: usize = 4096;

/// Why no settled weight came from a port.
#[derive(Clone, PartialEq, Debug, thiserror::Error)]
pub enum SettleError {
    /// It could not be opened.
    #[error(transparent)]
    Port(#[from] PortError),
    /// It was lost while waiting.
    #[error("{0} was unplugged")]
    Lost(String),
    /// Nothing readable came.
    #[error("{0} sent no weight: is the scale switched on, and are its settings right?{1}")]
    Silent(String, String),
    /// Weights came, but the scale did not come to rest.
    #[error(
        "{0} did not come to rest with a pot on it: between {1:.1} g and {2:.1} g at the end. \
         Put the pot on the scale, take the hands away, and try again"
    )]
    Restless(String, f64, f64),
    /// Several scales send on this port.
    #[error("{0} carries several scales ({1}, {2} …): say which one")]
    Several(String, Name, Name),
    /// A cell sends raw counts, and nobody said what they weigh.
    #[error("{0} sends raw counts, and no calibration is known for it: warecast calibrate {0}")]
    NoCalibration(Name),
    /// The wait could not be set up.
    #[error("{0}: {1}")]
    System(String, String),
}

/// An open port with its format, listened to turn by turn; blocks meanwhile.
pub struct Listener {
    runtime: Runtime,
    port: Port,
    path: String,
    format: Box<dyn Format>,
    ask: Option<Ask>,
    /// What comes before is passed over.
    banner: Instant,
    start: Instant,
}

impl Listener {
    /// Opens the port; what comes within the `banner` is passed over.
    pub fn open(
        path: &str,
        baud: u32,
        format: Box<dyn Format>,
        ask: Option<Ask>,
        banner: Duration,
    ) -> Result<Listener, SettleError> {
        let runtime = Builder::new_current_thread().enable_all().build();
        let runtime = runtime.map_err(|e| SettleError::System(path.into(), e.to_string()))?;
        let port = runtime.block_on(async { Port::open(path, baud) })?;
        let start = clock::steady();
        let ask = ask.map(|ask| ask.at_least_every(ASK));
        Ok(Listener {
            runtime,
            port,
            path: path.into(),
            format,
            ask,
            banner: start + banner,
            start,
        })
    }

    /// Seconds since it was opened, on the steady clock.
    pub fn seconds(&self) -> f64 {
        self.start.elapsed().as_secs_f64()
    }

    /// Waits up to a fifth of a second for bytes, and hands on what they say; false if none came.
    pub fn turn(&mut self, sink: &mut dyn Sink) -> Result<bool, SettleError> {
        let mut buffer = [0; CHUNK];
        let Listener { runtime, port, ask, banner, .. } = self;
        let in_banner = clock::steady() < *banner;
        let question = ask.as_mut().filter(|_| !in_banner).and_then(|ask| ask.due(clock::steady()));
        let read = runtime.block_on(async {
            if let Some(question) = question {
                port.write(question.text).await?;
            }
            Ok(tokio::time::timeout(TURN, port.read(&mut buffer)).await)
        });
        match read.unwrap_or_else(|error| Ok(Err(error))) {
            Ok(Ok(0) | Err(_)) => Err(SettleError::Lost(self.path.clone())),
            Ok(Ok(_)) if in_banner => Ok(false),
            Ok(Ok(n)) => {
                self.ask.iter_mut().for_each(Ask::heard);
                self.format.feed(&buffer[..n], clock::now(), sink);
                Ok(true)
            }
            Err(_) => Ok(false),
        }
    }
}

/// Grams of a source's raw counts at this moment; `None` without a calibration.
pub type Weigh<'a> = &'a dyn Fn(&str, f64) -> Option<f64>;

/// A bench scale on an open port, that pots are put on one after the other.
pub struct Scale<'a> {
    listener: Listener,
    bench: Bench<'a>,
}

impl<'a> Scale<'a> {
    /// `source` picks one of several scales of the port by name; `weigh` turns raw counts into
    /// grams.
    pub fn new(listener: Listener, source: Option<&str>, weigh: Weigh<'a>) -> Scale<'a> {
        Scale { listener, bench: Bench::new(source, weigh) }
    }

    /// Listens for up to a fifth of a second; a weight, once for each that comes to rest.
    pub fn turn(&mut self) -> Result<Option<Settled>, SettleError> {
        let Scale { listener, bench } = self;
        let came = listener.turn(bench)?;
        bench.seconds = listener.seconds();
        if !came {
            let event = bench.pan.silence(bench.seconds);
            bench.found = bench.found.or(event.and_then(|event| event.weight()));
        }
        if let Some((one, other)) = bench.several.take() {
            return Err(SettleError::Several(listener.path.clone(), one, other));
        }
        if let Some(raw) = bench.raw.take() {
            return Err(SettleError::NoCalibration(raw));
        }
        Ok(bench.found.take())
    }

    /// Seconds since its port was opened.
    pub fn seconds(&self) -> f64 {
        self.listener.seconds()
    }

    /// What was wrong with what came last, where nothing was readable so far.
    pub fn unread(&self) -> Option<Fault> {
        self.bench.last_fault.filter(|_| self.bench.heard.is_none())
    }
}

/// The next settled weight on a port; waits up to `timeout` and blocks meanwhile.
///
/// `source` picks one of several scales of the port by name; `weigh` turns raw counts into grams.
pub fn next_settled(
    listener: Listener,
    source: Option<&str>,
    timeout: Duration,
    weigh: Weigh,
) -> Result<Settled, SettleError> {
    let mut scale = Scale::new(listener, source, weigh);
    while scale.listener.seconds() < timeout.as_secs_f64() {
        if let Some(settled) = scale.turn()? {
            return Ok(settled);
        }
    }
    Err(scale.bench.nothing(&scale.listener.path))
}

/// What is known while waiting for a weight.
struct Bench<'a> {
    wanted: Option<Name>,
    weigh: Weigh<'a>,
    /// The scale whose weights are looked at.
    heard: Option<Name>,
    seconds: f64,
    pan: Pan,
    found: Option<Settled>,
    several: Option<(Name, Name)>,
    /// A cell without a calibration.
    raw: Option<Name>,
    last_fault: Option<Fault>,
}

impl<'a> Bench<'a> {
    fn new(source: Option<&str>, weigh: Weigh<'a>) -> Bench<'a> {
        Bench {
            wanted: source.map(Into::into),
            weigh,
            heard: None,
            seconds: 0.0,
            pan: Pan::default(),
            found: None,
            several: None,
            raw: None,
            last_fault: None,
        }
    }

    fn nothing(&self, path: &str) -> SettleError {
        match self.pan.range() {
            Some((low, high)) => SettleError::Restless(path.into(), low, high),
            None => {
                let hint = self.last_fault.map(|f| format!(" (what came was: {})", f.words()));
                SettleError::Silent(path.into(), hint.unwrap_or_default())
            }
        }
    }
}

impl Sink for Bench<'_> {
    fn line(&mut self) {}

    fn measured(&mut self, m: Measured<'_>) {
        let wanted = self.wanted.as_ref().is_none_or(|w| w == m.source);
        if !wanted || !matches!(m.quantity, Quantity::Mass | Quantity::Count) {
            return;
        }
        let heard = self.heard.get_or_insert_with(|| m.source.into());
        if heard != m.source {
            self.several.get_or_insert((heard.clone(), m.source.into()));
            return;
        }
        let grams = match m.quantity {
            Quantity::Count => (self.weigh)(m.source, m.value),
            _ => Some(m.value),
        };
        match grams {
            Some(grams) => {
                let event = self.pan.push(self.seconds, grams, m.settled);
                self.found = self.found.or(event.and_then(|event| event.weight()));
            }
            None => drop(self.raw.get_or_insert_with(|| m.source.into())),
        }
    }

    fn fault(&mut self, _: Option<&str>, fault: Fault) {
        self.last_fault = Some(fault);
    }
}
