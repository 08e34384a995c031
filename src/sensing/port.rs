//! A serial port: the only file descriptor of the module.
//!
//! What a port does when its far end goes (seen on Linux): unplugged, a read gives `Ok(0)` or an
//! error; far end silent, nothing at all happens, and only [`Port::moved`] tells that the path
//! leads to another device by now. An open port is held against other programs.

use rustix::fs::{Mode, OFlags};
use std::fs::Metadata;
use std::io;
use std::os::unix::fs::{FileTypeExt, MetadataExt};
use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
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

    /// Sends bytes; a far end that takes none within a second counts as gone.
    pub async fn write(&mut self, bytes: &[u8]) -> io::Result<()> {
        let sent = tokio::time::timeout(Duration::from_secs(1), self.stream.write_all(bytes));
        sent.await.unwrap_or_else(|_| Err(io::ErrorKind::TimedOut.into()))
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
