//! One `watch` per studio: a lock file that names who holds it.
//!
//! The lock is the kernel's (`flock`), so it ends with the process however that ends; the text in
//! the file is only for people.

use crate::clock;
use crate::disk;
use jiff::tz::TimeZone;
use rustix::fs::{FlockOperation, OFlags, flock};
use std::fs::{File, OpenOptions};
use std::io::{self, Read, Write};
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};

/// The lock's file name in the studio's folder.
pub const LOCK: &str = "watch.lock";

/// Why the lock was not given.
#[derive(Debug, thiserror::Error)]
pub enum LockError {
    /// Another `watch` has it.
    #[error("this studio is being watched already by {0}: stop that first")]
    Held(String),
    /// The file cannot be made or locked.
    #[error("{path}: {}", disk::trouble(.error))]
    File {
        /// Which.
        path: PathBuf,
        /// Why.
        error: io::Error,
    },
}

/// Held as long as it lives.
#[derive(Debug)]
pub struct Lock {
    _file: File,
}

impl Lock {
    /// Takes the studio's lock, and writes into it who has it.
    pub fn take(dir: &Path) -> Result<Lock, LockError> {
        let path = dir.join(LOCK);
        let failed = |error| LockError::File { path: path.clone(), error };
        let mut file = open(&path).map_err(failed)?;
        match flock(&file, FlockOperation::NonBlockingLockExclusive) {
            Ok(()) => {}
            Err(rustix::io::Errno::WOULDBLOCK) => return Err(LockError::Held(words(&mut file))),
            Err(other) => return Err(failed(other.into())),
        }
        let since = clock::now().timestamp().to_zoned_datetime(TimeZone::system());
        let since = since.strftime("%a %-d %b %Y %H:%M");
        // Only for people: on a full disk it is locked without a word.
        if file.set_len(0).is_ok() {
            let _ = writeln!(file, "process {}, since {since}", std::process::id());
        }
        Ok(Lock { _file: file })
    }

    /// Who watches this studio now, in words; `None`: nobody.
    pub fn holder(dir: &Path) -> Option<String> {
        let mut file = File::open(dir.join(LOCK)).ok()?;
        match flock(&file, FlockOperation::NonBlockingLockShared) {
            Err(rustix::io::Errno::WOULDBLOCK) => Some(words(&mut file)),
            _ => None,
        }
    }
}

fn open(path: &Path) -> io::Result<File> {
    // What it is written into lies in this folder, whoever put a link there.
    let no_link = OFlags::NOFOLLOW.bits().cast_signed();
    let mut options = OpenOptions::new();
    options.read(true).write(true).create(true).truncate(false).custom_flags(no_link).open(path)
}

/// What the file says; bounded, since anybody may have written it.
fn words(file: &mut File) -> String {
    let mut text = String::new();
    let read = file.take(200).read_to_string(&mut text);
    let line = text.lines().next().unwrap_or("").trim();
    if read.is_err() || line.is_empty() || line.chars().any(char::is_control) {
        return "another process".into();
    }
    line.into()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_second_one_is_told_who_holds_it_until_the_first_is_gone() {
        let dir = tempfile::tempdir().unwrap();
        assert_eq!(Lock::holder(dir.path()), None);
        let lock = Lock::take(dir.path()).unwrap();
        let text = Lock::take(dir.path()).unwrap_err().to_string();
        assert!(text.contains(&format!("process {},", std::process::id())), "{text}");
        assert!(Lock::holder(dir.path()).unwrap().starts_with("process "));
        drop(lock);
        assert_eq!(Lock::holder(dir.path()), None);
        Lock::take(dir.path()).unwrap();
    }

    #[test]
    fn a_link_is_not_followed() {
        let dir = tempfile::tempdir().unwrap();
        let other = dir.path().join("other");
        std::fs::write(&other, "mine").unwrap();
        std::os::unix::fs::symlink(&other, dir.path().join(LOCK)).unwrap();
        let text = Lock::take(dir.path()).unwrap_err().to_string();
        assert!(text.contains("a link stands there"), "{text}");
        assert_eq!(std::fs::read_to_string(other).unwrap(), "mine");
    }

    #[test]
    fn what_others_wrote_into_the_file_is_not_shown_raw() {
        let dir = tempfile::tempdir().unwrap();
        let _lock = Lock::take(dir.path()).unwrap();
        std::fs::write(dir.path().join(LOCK), "\u{1b}[2J").unwrap();
        assert_eq!(Lock::holder(dir.path()).unwrap(), "another process");
    }
}
