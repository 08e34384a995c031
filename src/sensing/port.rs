//! A serial port: the only file descriptor of the module.
//!
//! What a port does when its far end goes (seen on Linux): unplugged, a read gives `Ok(0)` or an
//! error; far end silent, nothing at all happens, and only [`Port::moved`] tells that the path
//! leads to another device by now. An open port is held against other programs.

use super::access::{Access, Hurdle};
use rustix::fs::{Mode, OFlags};
use std::fs::Metadata;
use std::io;
use std::os::unix::fs::{FileTypeExt, MetadataExt};
use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio_serial::{ClearBuffer, Error, ErrorKind, SerialPort, SerialStream};

/// Why a port could not be opened, and what to do.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
pub enum PortError {
    /// Nothing there.
    #[error("{0}: no such port: is it plugged in? `warecast checkup` says what is")]
    Missing(String),
    /// Another program has it.
    #[error("{0} is held by another program: close that first")]
    Held(String),
    /// Not allowed, and why not.
    #[error("{0}: not allowed: {1}. `warecast checkup` says what to do")]
    Denied(String, Hurdle),
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

    /// Goes on at another baud rate; what waits there of the old one is dropped.
    pub fn set_baud(&mut self, baud: u32) -> io::Result<()> {
        self.stream.set_baud_rate(baud)?;
        Ok(self.stream.clear(ClearBuffer::Input)?)
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
        ErrorKind::Io(io::ErrorKind::PermissionDenied) => {
            let hurdle = Access::of(path.as_ref()).unwrap_or_default().hurdle();
            PortError::Denied(name, hurdle)
        }
        ErrorKind::NoDevice => PortError::Held(name),
        _ if std::fs::metadata(path).is_ok() && !is_terminal(path) => PortError::NotSerial(name),
        _ => PortError::Other(name, error.to_string()),
    }
}

/// Whether the file is a terminal; one that cannot be looked at is taken for one.
pub fn is_terminal(path: &str) -> bool {
    // Without waiting for a carrier, and not as the terminal of this process.
    let flags = OFlags::RDONLY | OFlags::NONBLOCK | OFlags::NOCTTY | OFlags::CLOEXEC;
    let device = std::fs::metadata(path).is_ok_and(|m| m.file_type().is_char_device());
    device && rustix::fs::open(path, flags, Mode::empty()).map_or(true, rustix::termios::isatty)
}
