//! Writes what comes down a port into a recording, for somebody to look at and to play again.

use crate::clock;
use crate::sensing::recording::{self, Event};
use crate::store::PortSettings;
use std::fs::{File, OpenOptions};
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};
use std::time::Instant;
use tracing::{info, warn};

/// A recording ends when it has grown to this, bytes: a day of ten lines a second.
const MOST: u64 = 64 << 20;

/// An open recording.
#[derive(Debug)]
pub struct Recorder {
    path: PathBuf,
    file: Option<BufWriter<File>>,
    start: Instant,
    written: u64,
}

impl Recorder {
    /// Begins a new file; one that is there is not overwritten.
    pub fn begin(path: &Path, port: &PortSettings) -> io::Result<Recorder> {
        let file = OpenOptions::new().write(true).create_new(true).open(path)?;
        let mut file = BufWriter::new(file);
        file.write_all(recording::head(clock::now(), &port.lines()).as_bytes())?;
        file.flush()?;
        let (path, start) = (path.to_path_buf(), clock::steady());
        Ok(Recorder { path, file: Some(file), start, written: 0 })
    }

    /// Writes what happened. A disk that takes no more ends the recording, and nothing else.
    pub fn note(&mut self, event: &Event) {
        let Some(file) = &mut self.file else { return };
        let line = recording::line(self.start.elapsed().as_secs_f64(), event);
        self.written += line.len() as u64;
        if let Err(error) = file.write_all(line.as_bytes()) {
            warn!("{}: recording ended: {error}", self.path.display());
            self.file = None;
        } else if self.written > MOST {
            info!("{}: recording ended: it has grown to 64 MiB", self.path.display());
            self.flush();
            self.file = None;
        }
    }

    /// Makes sure that what was written is in the file.
    pub fn flush(&mut self) {
        if let Some(file) = &mut self.file
            && let Err(error) = file.flush()
        {
            warn!("{}: recording ended: {error}", self.path.display());
            self.file = None;
        }
    }
}
