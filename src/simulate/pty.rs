//! A real pseudo-terminal: the shelf holds one end, a reader opens the other as its serial port.
//!
//! A pseudo-terminal takes only so much before it is read. Whoever writes then waits: a slow
//! reader loses nothing. While nobody has the port open, nothing is sent.

use crate::clock;
use rustix::event::{PollFd, PollFlags, Timespec, poll};
use rustix::fs::{Mode, OFlags};
use rustix::io::Errno;
use rustix::pty::OpenptFlags;
use rustix::termios::{OptionalActions, tcgetattr, tcsetattr};
use std::fs;
use std::io;
use std::os::fd::OwnedFd;
use std::path::{Path, PathBuf};
use std::thread;
use std::time::Duration;

/// How long one wait for the other side lasts before the wish to stop is looked at again.
const WAIT: Duration = Duration::from_millis(20);

/// How long a reader may take nothing before it is no longer waited for at the end.
const PATIENCE: Duration = Duration::from_secs(3);

/// Why there is no pseudo-terminal.
#[derive(Debug, thiserror::Error)]
pub enum PtyError {
    /// The system did not give one.
    #[error("the system gives no pseudo-terminal")]
    Open(#[source] io::Error),
    /// Something else has the link's name.
    #[error(
        "{} is there already and is not a link to a terminal: choose another name for the link, \
         or move it away",
        .0.display()
    )]
    Taken(PathBuf),
    /// The link could not be made.
    #[error("cannot make the link {}", .path.display())]
    Link {
        /// The link.
        path: PathBuf,
        /// Why.
        source: io::Error,
    },
    /// Writing failed.
    #[error("cannot write to the pseudo-terminal")]
    Write(#[source] io::Error),
}

/// The shelf's end of the line. Its link, if it has one, goes away with it.
#[derive(Debug)]
pub struct Pty {
    ours: OwnedFd,
    path: PathBuf,
    link: Option<PathBuf>,
}

impl Pty {
    /// Opens a pseudo-terminal whose other end passes bytes as they are, and makes a link to it
    /// under a name that stays the same from one run to the next.
    pub fn open(link: Option<&Path>) -> Result<Pty, PtyError> {
        let (ours, path) = open_pair().map_err(|e| PtyError::Open(e.into()))?;
        let link = link.map(|link| make_link(&path, link)).transpose()?;
        Ok(Pty { ours, path, link })
    }

    /// The path that a reader opens.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Whether somebody has the port open.
    pub fn has_reader(&self) -> bool {
        !self.poll(PollFlags::OUT, Duration::ZERO).contains(PollFlags::HUP)
    }

    /// Waits until somebody has the port open; `false` if it is to stop before.
    pub fn wait_for_reader(&self, stop: &dyn Fn() -> bool) -> bool {
        while !self.has_reader() {
            if stop() {
                return false;
            }
            thread::sleep(WAIT);
        }
        true
    }

    /// Sends all of it, waiting for the reader as long as it takes. If the reader goes away in the
    /// middle, the whole is sent again to the next one. `false` if it is to stop before.
    pub fn send(&self, bytes: &[u8], stop: &dyn Fn() -> bool) -> Result<bool, PtyError> {
        let mut sent = 0;
        while sent < bytes.len() {
            if stop() {
                return Ok(false);
            }
            if !self.has_reader() {
                sent = 0;
                self.wait_for_reader(stop);
                continue;
            }
            self.discard_input();
            match rustix::io::write(&self.ours, &bytes[sent..]) {
                Ok(n) => sent += n,
                Err(Errno::AGAIN) => {
                    self.poll(PollFlags::OUT, WAIT);
                }
                // Nobody there any more, or interrupted by a signal: look again.
                Err(Errno::IO | Errno::INTR) => {}
                Err(other) => return Err(PtyError::Write(other.into())),
            }
        }
        Ok(true)
    }

    /// Waits until the reader has taken what was sent: what it has not, is lost when the terminal
    /// goes away. Gives up once nothing has been taken for three seconds.
    pub fn drain(&self, stop: &dyn Fn() -> bool) -> Result<(), PtyError> {
        // Only the other end can tell what waits there.
        let theirs = open_theirs(&self.path).map_err(|e| PtyError::Write(e.into()))?;
        let mut last = (u64::MAX, clock::steady());
        // Empty twice in a row: the kernel hands on what waits in two steps.
        let mut empty = 0;
        while empty < 2 && last.1.elapsed() < PATIENCE && !stop() {
            let waiting =
                rustix::io::ioctl_fionread(&theirs).map_err(|e| PtyError::Write(e.into()))?;
            empty = if waiting == 0 { empty + 1 } else { 0 };
            if waiting != last.0 {
                last = (waiting, clock::steady());
            }
            thread::sleep(WAIT);
        }
        Ok(())
    }

    /// What a reader writes to us means nothing here; left alone it would one day block it.
    fn discard_input(&self) {
        let mut buffer = [0_u8; 256];
        while let Ok(1..) = rustix::io::read(&self.ours, &mut buffer) {}
    }

    fn poll(&self, events: PollFlags, wait: Duration) -> PollFlags {
        let mut fds = [PollFd::new(&self.ours, events)];
        let wait = Timespec { tv_sec: 0, tv_nsec: i64::from(wait.subsec_nanos()) };
        match poll(&mut fds, Some(&wait)) {
            Ok(_) => fds[0].revents(),
            Err(_) => PollFlags::empty(),
        }
    }
}

impl Drop for Pty {
    fn drop(&mut self) {
        if let Some(link) = &self.link {
            // Only if it is still ours: a later shelf may have taken the name over.
            if fs::read_link(link).is_ok_and(|target| target == self.path) {
                let _ = fs::remove_file(link);
            }
        }
    }
}

fn open_pair() -> Result<(OwnedFd, PathBuf), Errno> {
    let ours = rustix::pty::openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY)?;
    rustix::pty::grantpt(&ours)?;
    rustix::pty::unlockpt(&ours)?;
    let name = rustix::pty::ptsname(&ours, Vec::new())?;
    let path = PathBuf::from(name.to_string_lossy().into_owned());
    let theirs = open_theirs(&path)?;
    // Raw before anybody opens it: no echo, no line editing that would cut long lines. It stays
    // so while our end is open. Opening and closing it once is also what makes "nobody has it
    // open" show as a hang-up.
    let mut attributes = tcgetattr(&theirs)?;
    attributes.make_raw();
    tcsetattr(&theirs, OptionalActions::Now, &attributes)?;
    rustix::io::fcntl_setfd(&ours, rustix::io::FdFlags::CLOEXEC)?;
    rustix::fs::fcntl_setfl(&ours, OFlags::NONBLOCK)?;
    Ok((ours, path))
}

fn open_theirs(path: &Path) -> Result<OwnedFd, Errno> {
    rustix::fs::open(path, OFlags::RDWR | OFlags::NOCTTY | OFlags::CLOEXEC, Mode::empty())
}

/// Makes a link, in place of one that an earlier run left behind.
fn make_link(target: &Path, link: &Path) -> Result<PathBuf, PtyError> {
    match fs::read_link(link) {
        Ok(old) if old.starts_with("/dev") => {
            fs::remove_file(link).map_err(|source| PtyError::Link { path: link.into(), source })?;
        }
        Ok(_) => return Err(PtyError::Taken(link.into())),
        Err(_) if link.exists() => return Err(PtyError::Taken(link.into())),
        Err(_) => {}
    }
    std::os::unix::fs::symlink(target, link)
        .map_err(|source| PtyError::Link { path: link.into(), source })?;
    Ok(link.into())
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::Read;
    use std::sync::Arc;

    fn reader(path: &Path) -> fs::File {
        fs::OpenOptions::new().read(true).write(true).open(path).unwrap()
    }

    #[test]
    fn a_slow_reader_loses_nothing() {
        let pty = Pty::open(None).unwrap();
        let stop = || false;
        // Far more than a pseudo-terminal holds, in lines longer than line editing would allow.
        let line: Vec<u8> = (0..6000_u32).map(|i| b'a' + (i % 26) as u8).chain([b'\n']).collect();
        let count = 100;
        let path = pty.path().to_owned();
        let want = line.repeat(count);
        let there = reader(&path);
        let reading = thread::spawn(move || {
            let mut there = there;
            let mut got = Vec::new();
            let mut buffer = [0; 1000];
            while got.len() < want.len() {
                if got.len() % 7 == 0 {
                    thread::sleep(Duration::from_millis(1));
                }
                let n = there.read(&mut buffer).unwrap();
                got.extend_from_slice(&buffer[..n]);
            }
            got == want
        });
        for _ in 0..count {
            assert!(pty.send(&line, &stop).unwrap());
        }
        assert!(reading.join().unwrap());
    }

    #[test]
    fn waits_for_a_reader_and_for_the_next_one() {
        let pty = Arc::new(Pty::open(None).unwrap());
        assert!(!pty.has_reader());
        assert!(!pty.wait_for_reader(&|| true), "told to stop");
        let sending = {
            let pty = Arc::clone(&pty);
            thread::spawn(move || {
                pty.wait_for_reader(&|| false) && pty.send(b"one\n", &|| false).unwrap()
            })
        };
        thread::sleep(3 * WAIT);
        assert!(!sending.is_finished(), "nothing is sent while nobody reads");
        let mut first = reader(pty.path());
        let mut got = [0; 4];
        first.read_exact(&mut got).unwrap();
        assert_eq!(&got, b"one\n");
        assert!(sending.join().unwrap());
        drop(first);
        assert!(!pty.has_reader());
        let mut second = reader(pty.path());
        assert!(pty.send(b"two\n", &|| false).unwrap());
        second.read_exact(&mut got).unwrap();
        assert_eq!(&got, b"two\n");
        pty.drain(&|| false).unwrap();
    }

    #[test]
    fn the_link_is_stable_careful_and_goes_away() {
        let folder = tempfile::tempdir().unwrap();
        let link = folder.path().join("shelf");
        let pty = Pty::open(Some(&link)).unwrap();
        assert_eq!(fs::read_link(&link).unwrap(), pty.path());
        let next = Pty::open(Some(&link)).unwrap();
        drop(pty);
        assert_eq!(fs::read_link(&link).unwrap(), next.path(), "the later one keeps it");
        drop(next);
        assert!(fs::symlink_metadata(&link).is_err());
        fs::write(&link, "mine").unwrap();
        assert!(matches!(Pty::open(Some(&link)), Err(PtyError::Taken(_))));
        assert_eq!(fs::read_to_string(&link).unwrap(), "mine");
    }
}
