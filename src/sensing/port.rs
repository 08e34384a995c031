//! A serial port: the only file descriptor of the module.
//!
//! What a port does when its far end goes (seen on Linux): unplugged, a read gives `Ok(0)` or an
//! error; far end silent, nothing at all happens, and only [`Port::moved`] tells that the path
//! leads to another device by now. An open port is held against other programs.

use super::formats::{Format, Measured, Sink};
use super::health::Fault;
use super::settle::{Settle, Settled};
use crate::clock;
use crate::records::{Name, Quantity};
use rustix::fs::{Mode, OFlags};
use std::fs::Metadata;
use std::io;
use std::os::unix::fs::{FileTypeExt, MetadataExt};
use std::time::Duration;
use tokio::io::AsyncReadExt;
use tokio_serial::{Error, ErrorKind, SerialStream};

/// Why a port could not be opened, and what to do.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
pub enum PortError {
    /// Nothing there.
    #[error("{0}: no such port: is the scale plugged in?")]
    Missing(String),
    /// Another program has it.
    #[error("{0} is held by another program: close that first")]
    Held(String),
    /// Not allowed.
    #[error("{0}: not allowed: join the group that owns it (often dialout), then log in again")]
    Denied(String),
    /// Something else than a serial port.
    #[error("{0} is not a serial port")]
    NotSerial(String),
    /// Anything else, in the system's words.
    #[error("{0}: {1}")]
    Other(String, String),
}

/// An open port.
#[derive(Debug)]
pub struct Port {
    stream: SerialStream,
    path: String,
    device: Option<(u64, u64, u64)>,
}

impl Port {
    /// Opens it at `baud` bits per second, 8N1, for this program alone.
    ///
    /// Must be called inside a tokio runtime.
    pub fn open(path: &str, baud: u32) -> Result<Port, PortError> {
        let stream = SerialStream::open(&tokio_serial::new(path, baud));
        let stream = stream.map_err(|error| why(path, &error))?;
        Ok(Port { stream, path: path.into(), device: device(path) })
    }

    /// Waits for bytes; `Ok(0)`: the far end is gone.
    pub async fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        self.stream.read(buffer).await
    }

    /// What is there already, without waiting; 0 if nothing is.
    pub fn read_ready(&mut self, buffer: &mut [u8]) -> usize {
        self.stream.try_read(buffer).unwrap_or(0)
    }

    /// Whether the path leads to another device by now, or nowhere.
    pub fn moved(&self) -> bool {
        device(&self.path) != self.device
    }
}

/// What tells one device from another.
fn device(path: &str) -> Option<(u64, u64, u64)> {
    std::fs::metadata(path).ok().map(|m: Metadata| (m.dev(), m.ino(), m.rdev()))
}

fn why(path: &str, error: &Error) -> PortError {
    let name = path.to_owned();
    match error.kind() {
        ErrorKind::Io(io::ErrorKind::NotFound) => PortError::Missing(name),
        ErrorKind::Io(io::ErrorKind::PermissionDenied) => PortError::Denied(name),
        ErrorKind::NoDevice => PortError::Held(name),
        _ if std::fs::metadata(path).is_ok_and(|m| !is_terminal(path, &m)) => {
            PortError::NotSerial(name)
        }
        _ => PortError::Other(name, error.to_string()),
    }
}

/// Whether the file is a terminal; one that cannot be looked at is taken for one.
fn is_terminal(path: &str, metadata: &Metadata) -> bool {
    // Without waiting for a carrier, and not as the terminal of this process.
    let flags = OFlags::RDONLY | OFlags::NONBLOCK | OFlags::NOCTTY | OFlags::CLOEXEC;
    metadata.file_type().is_char_device()
        && rustix::fs::open(path, flags, Mode::empty()).map_or(true, rustix::termios::isatty)
}

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
    /// The wait could not be set up.
    #[error("{0}: {1}")]
    System(String, String),
}

/// The next settled weight on a port; waits up to `timeout` and blocks meanwhile.
///
/// `source` picks one of several scales of the port by name.
pub fn next_settled(
    path: &str,
    baud: u32,
    format: Box<dyn Format>,
    source: Option<&str>,
    timeout: Duration,
) -> Result<Settled, SettleError> {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build();
    let runtime = runtime.map_err(|e| SettleError::System(path.into(), e.to_string()))?;
    let mut bench = Bench { wanted: source.map(Into::into), ..Bench::default() };
    runtime.block_on(async {
        let waiting = wait(path, baud, format, &mut bench);
        match tokio::time::timeout(timeout, waiting).await {
            Ok(result) => result,
            Err(_) => Err(bench.nothing(path)),
        }
    })
}

async fn wait(
    path: &str,
    baud: u32,
    mut format: Box<dyn Format>,
    bench: &mut Bench,
) -> Result<Settled, SettleError> {
    let mut port = Port::open(path, baud)?;
    let start = clock::steady();
    let mut buffer = [0; 4096];
    loop {
        let read = tokio::time::timeout(Duration::from_millis(200), port.read(&mut buffer)).await;
        bench.seconds = start.elapsed().as_secs_f64();
        match read {
            Ok(Ok(0) | Err(_)) => return Err(SettleError::Lost(path.into())),
            Ok(Ok(n)) => format.feed(&buffer[..n], clock::now(), bench),
            Err(_) => bench.found = bench.found.or(bench.settle.silence(bench.seconds)),
        }
        if let Some((one, other)) = bench.several.take() {
            return Err(SettleError::Several(path.into(), one, other));
        }
        if let Some(settled) = bench.found {
            return Ok(settled);
        }
    }
}

/// What is known while waiting for a weight.
#[derive(Default)]
struct Bench {
    wanted: Option<Name>,
    /// The scale whose weights are looked at.
    heard: Option<Name>,
    seconds: f64,
    settle: Settle,
    found: Option<Settled>,
    several: Option<(Name, Name)>,
    last_fault: Option<Fault>,
}

impl Bench {
    fn nothing(&self, path: &str) -> SettleError {
        match self.settle.range() {
            Some((low, high)) => SettleError::Restless(path.into(), low, high),
            None => {
                let hint = self.last_fault.map(|f| format!(" (what came was: {})", f.words()));
                SettleError::Silent(path.into(), hint.unwrap_or_default())
            }
        }
    }
}

impl Sink for Bench {
    fn line(&mut self) {}

    fn measured(&mut self, m: Measured<'_>) {
        if m.quantity != Quantity::Mass || self.wanted.as_ref().is_some_and(|w| w != m.source) {
            return;
        }
        let heard = self.heard.get_or_insert_with(|| m.source.into());
        if heard == m.source {
            self.found = self.found.or(self.settle.push(self.seconds, m.value));
        } else if self.several.is_none() {
            self.several = Some((heard.clone(), m.source.into()));
        }
    }

    fn fault(&mut self, _: Option<&str>, fault: Fault) {
        self.last_fault = Some(fault);
    }
}
