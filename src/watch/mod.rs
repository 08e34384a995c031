//! The daemon: ports to store, answers for the pots that changed.
//!
//! ```text
//! line (one task per port) ─► writer (a thread: the store) ─► refit (a thread: answers)
//!                                      a program of the potter's ◄─ tell (a thread) ◄─┘
//!                                                    retention (a thread: old readings thinned)
//! ```
//!
//! What may be lost when the program is killed at any moment: of a source slower than one reading
//! per 10 s nothing that was read from its port, of a faster one the 10 s that are still open.

pub mod by_turns;
pub mod intake;
pub mod line;
pub mod loads;
pub mod lock;
pub mod record;
pub mod refit;
pub mod retention;
pub mod tell;
pub mod timeline;
pub mod writer;

use crate::disk;
use crate::records::{Name, Quantity, Reading};
use crate::sensing::ask::Ask;
use crate::sensing::formats::{Format, senml::Senml, text::Text};
use crate::sensing::listen::{self, Listener, SettleError, Weigh};
use crate::sensing::session::Session;
use crate::sensing::settle::Settled;
use crate::store::settings::compile_pattern;
use crate::store::{self, DATABASE, PortSettings, Settings, Store, StoreError};
use intake::Batch;
use jiff::tz::TimeZone;
use line::Line;
use std::collections::BTreeSet;
use std::io::{self, ErrorKind};
use std::path::{Path, PathBuf};
use std::time::Duration;
use tokio::signal::unix::{Signal, SignalKind, signal};
use tokio::task::JoinSet;
use tokio::time::interval;
use tracing::{error, info, warn};
use writer::Event;

/// How often the wall clock is looked at where nothing arrives.
const CLOCK_CHECK: Duration = Duration::from_secs(5);

/// Why watching could not begin, or ended badly.
#[derive(Debug, thiserror::Error)]
pub enum WatchError {
    /// Nothing to watch.
    #[error(
        "no port to watch: name one with --port PATH, or write a [[port]] into {0}/studio.toml"
    )]
    NoPort(String),
    /// The same port twice.
    #[error("{0} is named twice")]
    Twice(String),
    /// Several ports and one recording.
    #[error("a recording is of one port: name it with --port")]
    RecordOne,
    /// A port's settings do not hold together.
    #[error("{0}: {1}")]
    Port(String, String),
    /// Another `watch` is there.
    #[error(transparent)]
    Lock(#[from] lock::LockError),
    /// The studio.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// The system.
    #[error("watching could not be set up: {0}")]
    System(#[from] io::Error),
    /// Ended, but not everything could be stored.
    #[error("{0} readings could not be stored before the end")]
    Lost(u64),
    /// A part of the program failed.
    #[error("watching ended on a fault of the program; what had been stored is safe")]
    Fault,
}

/// What to watch.
#[derive(Clone, Debug)]
pub struct Options {
    /// Ports named by hand; none: those of the settings.
    pub ports: Vec<PortSettings>,
    /// A pot is assessed at most once in this time.
    pub refit_every: Duration,
    /// Write all that comes into this file, which must not be there; of one port only.
    pub record: Option<PathBuf>,
}

/// Watches until SIGINT or SIGTERM; then stores all there is.
pub fn run(dir: &Path, options: Options) -> Result<(), WatchError> {
    std::fs::create_dir_all(dir)?;
    let _lock = lock::Lock::take(dir)?;
    let new = !dir.join(DATABASE).exists();
    let store = Store::open_or_create(dir)?;
    if new {
        info!("new studio in {}", dir.display());
    }
    let named = !options.ports.is_empty();
    let ports = if named { options.ports } else { store.settings().port.clone() };
    let sessions = sessions(&ports)?;
    if sessions.is_empty() {
        return Err(WatchError::NoPort(dir.display().to_string()));
    }
    let recorder = match (&options.record, ports.as_slice()) {
        (None, _) => None,
        (Some(path), [port]) => Some(record::Recorder::begin(path, port).map_err(|error| {
            let why = match error.kind() {
                ErrorKind::AlreadyExists => "it is there already: take another name".into(),
                _ => disk::trouble(&error),
            };
            WatchError::Port(path.display().to_string(), format!("no recording: {why}"))
        })?),
        (Some(_), _) => return Err(WatchError::RecordOne),
    };
    let (teller, tell) = tell::start(store.settings().tell.as_ref(), zone(store.settings()))?;
    let (tell_known, known) = tokio::sync::watch::channel(store.known_sources()?);
    let every = options.refit_every;
    let (changes, refit) = refit::start(Store::open(dir)?, every, teller, tell_known)?;
    let (alive, retention) = retention::start(Store::open(dir)?, options.refit_every)?;
    let mut unweighed = Unweighed { store: Store::open(dir)?, seen: BTreeSet::new() };
    let after = move |event: Event| {
        if let Event::Stored(readings) = event {
            unweighed.look(readings);
        }
        changes.tell(event);
    };
    let (inbox, writer) = writer::start(store, after)?;
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
    let sound = runtime.block_on(tend_all(ports, sessions, recorder, (inbox, known)));
    // The lines are done and their inboxes gone: the writer ends, and with it the refit.
    let written = writer.join().map_err(|_| WatchError::Fault)?;
    drop(alive);
    let refitted = refit.join().and_then(|()| retention.join());
    let refitted = refitted.and_then(|()| tell.map_or(Ok(()), |tell| tell.join()));
    info!("stopped; {} readings stored", written.kept);
    if written.refused > 0 {
        warn!("{} readings contradicted stored ones of the same time", written.refused);
    }
    match (sound?, refitted, written.lost) {
        (_, _, lost) if lost > 0 => Err(WatchError::Lost(lost)),
        (true, Ok(()), _) => Ok(()),
        _ => Err(WatchError::Fault),
    }
}

/// The time zone of the settings, which were checked; else the computer's.
fn zone(settings: &Settings) -> TimeZone {
    let named = settings.time_zone.as_deref().and_then(|name| TimeZone::get(name).ok());
    named.unwrap_or_else(TimeZone::system)
}

/// Looks for cells that send raw counts which weigh nothing.
struct Unweighed {
    store: Store,
    seen: BTreeSet<Name>,
}

impl Unweighed {
    /// Says once of each such cell that nothing is known of what its counts weigh.
    fn look(&mut self, readings: &[Reading]) {
        for reading in readings.iter().filter(|reading| reading.quantity == Quantity::Count) {
            if self.seen.contains(&reading.source) {
                continue;
            }
            self.seen.insert(reading.source.clone());
            let known = self.store.calibrations(&reading.source);
            if known.is_ok_and(|history| history.calibration(reading.time).is_none()) {
                warn!(
                    "{0}: its raw counts are kept, but weigh nothing until it is calibrated: \
                     warecast calibrate {0}",
                    reading.source
                );
            }
        }
    }
}

/// Opens a port for a command that listens to it for a while.
///
/// Errors: [`crate::sensing::port::PortError::Held`] while `watch` has the port; who that is says
/// [`lock::Lock::holder`].
pub fn listen(port: &PortSettings) -> Result<Listener, SettleError> {
    let format = format_of(port).map_err(|why| SettleError::System(port.path.clone(), why))?;
    Listener::open(&port.path, port.baud, format, ask_of(port), port.banner)
}

/// The next settled weight on a port, for `weigh`; waits up to `timeout` and blocks meanwhile.
/// `scale` picks one of several scales of the port by name, `weigh` turns raw counts into grams.
///
/// Errors: those of [`listen()`], and that no weight came to rest.
pub fn next_settled(
    port: &PortSettings,
    scale: Option<&str>,
    timeout: Duration,
    weigh: Weigh,
) -> Result<Settled, SettleError> {
    listen::next_settled(listen(port)?, scale, timeout, weigh)
}

/// The line format that a port's settings ask for; what is wrong with them, in words.
pub fn format_of(port: &PortSettings) -> Result<Box<dyn Format>, String> {
    match (port.format, &port.pattern, &port.source) {
        (store::Format::Senml, _, _) => Ok(Box::new(Senml::new())),
        (store::Format::Text, Some(pattern), Some(source)) => {
            Ok(Box::new(Text::new(compile_pattern(pattern)?, source)))
        }
        (store::Format::Text, _, _) => Err("a text port needs a pattern and a source".into()),
    }
}

/// What a port's settings say is to be asked, and how often.
pub fn ask_of(port: &PortSettings) -> Option<Ask> {
    port.ask.as_ref().map(|text| Ask::new(text.as_bytes(), port.ask_every))
}

fn sessions(ports: &[PortSettings]) -> Result<Vec<Session>, WatchError> {
    let mut sessions = Vec::with_capacity(ports.len());
    for (at, port) in ports.iter().enumerate() {
        if ports[..at].iter().any(|other| other.path == port.path) {
            return Err(WatchError::Twice(port.path.clone()));
        }
        let format = format_of(port).map_err(|why| WatchError::Port(port.path.clone(), why))?;
        sessions.push(Session::asking(format, ask_of(port)));
    }
    Ok(sessions)
}

/// Tends all ports until a signal; true if none failed.
async fn tend_all(
    ports: Vec<PortSettings>,
    sessions: Vec<Session>,
    mut recorder: Option<record::Recorder>,
    (inbox, known): (writer::Inbox, line::Known),
) -> io::Result<bool> {
    let mut signals = (signal(SignalKind::interrupt())?, signal(SignalKind::terminate())?);
    let (stop, stopped) = tokio::sync::watch::channel(false);
    let timeline = timeline::Shared::start();
    let mut lines = JoinSet::new();
    for (port, session) in ports.into_iter().zip(sessions) {
        let format = match port.format {
            store::Format::Senml => "SenML",
            store::Format::Text => "text",
        };
        let ends = (inbox.clone(), known.clone());
        let line = Line::new(&port, format, session, timeline.clone(), ends);
        let line = line.recorded_by(recorder.take());
        lines.spawn(line.tend(stopped.clone()));
    }
    tokio::select! {
        name = asked_to_stop(&mut signals) => info!("{name}: storing what is open"),
        _ = lines.join_next() => error!("a port's task failed; stopping"),
        () = watch_the_clock(timeline, inbox) => {}
    }
    let sound = !lines.is_empty();
    // Every line holds a receiver: they all hear it.
    let _ = stop.send(true);
    let mut all = sound;
    while let Some(ended) = lines.join_next().await {
        all &= ended.is_ok();
    }
    Ok(all)
}

async fn asked_to_stop((interrupt, terminate): &mut (Signal, Signal)) -> &'static str {
    tokio::select! {
        _ = interrupt.recv() => "interrupted",
        _ = terminate.recv() => "asked to stop",
    }
}

/// Tells the writer when the wall clock was set, also where nothing arrives.
async fn watch_the_clock(timeline: timeline::Shared, inbox: writer::Inbox) {
    let mut check = interval(CLOCK_CHECK);
    let mut moves = timeline.now().moves;
    loop {
        check.tick().await;
        let now = timeline.now().moves;
        // It is gone only when all ports are.
        if now != moves && inbox.send(Batch { moves: now, ..Batch::default() }).await.is_err() {
            return;
        }
        moves = now;
    }
}
