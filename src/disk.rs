//! Files on the disk: a new one gets its name once it is complete, and takes the place of a file
//! alone; and what goes wrong with files, in words for people.

use std::fs::{self, File, Permissions};
use std::io::{self, ErrorKind, Write};
use std::os::unix::fs::PermissionsExt;
use std::path::Path;
use tempfile::NamedTempFile;

/// A new file in `dir` under a name of its own, with the usual permissions, gone if dropped.
pub fn fresh(dir: &Path) -> io::Result<NamedTempFile> {
    let permissions = Permissions::from_mode(0o666); // less the umask
    let mut builder = tempfile::Builder::new();
    builder.prefix(".warecast-").suffix(".part").permissions(permissions).tempfile_in(dir)
}

/// The folder that a file lies in.
pub fn folder_of(file: &Path) -> &Path {
    file.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."))
}

/// Whether a new file may have this name: nobody has it, or, with `force`, a file or a link, which
/// is not followed.
///
/// Errors: [`ErrorKind::AlreadyExists`] for a file or link where it is not to be replaced.
pub fn is_free(name: &Path, force: bool) -> io::Result<()> {
    let there = match name.symlink_metadata() {
        Err(error) if error.kind() == ErrorKind::NotFound => return Ok(()),
        there => there?.file_type(),
    };
    match (there.is_file() || there.is_symlink(), force) {
        (true, true) => Ok(()),
        (true, false) => Err(ErrorKind::AlreadyExists.into()),
        _ => Err(no_file(there)),
    }
}

/// Opens a file to be read, and nothing else: a device or a pipe may let its reader wait for ever.
pub fn open(path: &Path) -> io::Result<File> {
    let there = path.metadata()?.file_type();
    if there.is_file() { File::open(path) } else { Err(no_file(there)) }
}

fn no_file(there: fs::FileType) -> io::Error {
    match there.is_dir() {
        true => ErrorKind::IsADirectory.into(),
        false => io::Error::other("this is a device or a pipe, not a file"),
    }
}

/// Gives a complete file its name, if that [`is_free`].
pub fn give_name(part: NamedTempFile, name: &Path, force: bool) -> io::Result<()> {
    is_free(name, force)?;
    let named = if force { part.persist(name) } else { part.persist_noclobber(name) };
    named.map(drop).map_err(|refused| refused.error)
}

/// Writes a file, whole or not at all, if its name [`is_free`].
pub fn save(path: &Path, bytes: &[u8], force: bool) -> io::Result<()> {
    is_free(path, force)?;
    let mut part = fresh(folder_of(path))?;
    part.write_all(bytes)?;
    give_name(part, path, force)
}

/// Makes sure that the names of new files in `dir` are on the disk.
pub fn sync(dir: &Path) -> io::Result<()> {
    File::open(dir)?.sync_all()
}

/// What a failure of a file or folder means for people, and what to do.
pub fn trouble(error: &io::Error) -> String {
    if error.raw_os_error() == Some(rustix::io::Errno::LOOP.raw_os_error()) {
        return "a link stands there, and is not followed; take it away".into();
    }
    let advice = match error.kind() {
        ErrorKind::NotFound => "there is nothing of that name",
        ErrorKind::NotADirectory => "this is not a folder",
        ErrorKind::IsADirectory => "this is a folder, not a file",
        ErrorKind::PermissionDenied => "no permission; check who owns it",
        ErrorKind::ReadOnlyFilesystem => "this disk can only be read",
        ErrorKind::StorageFull => "the disk is full; make room and try again",
        ErrorKind::InvalidFilename => "this name is too long",
        // Met only where a folder was to be made.
        ErrorKind::AlreadyExists => "this is a file, not a folder",
        _ => return error.to_string(),
    };
    advice.into()
}

#[cfg(test)]
mod tests {
    use super::*;
    use rustix::fs::{CWD, FileType, Mode, mknodat};

    #[test]
    fn only_a_file_or_a_link_gives_way_to_a_file() {
        let dir = tempfile::tempdir().unwrap();
        let path = |name: &str| dir.path().join(name);
        fs::write(path("file"), "mine").unwrap();
        std::os::unix::fs::symlink(path("file"), path("link")).unwrap();
        fs::create_dir(path("folder")).unwrap();
        mknodat(CWD, path("pipe"), FileType::Fifo, Mode::RUSR | Mode::WUSR, 0).unwrap();
        let given = |name: &str, force| {
            let part = fresh(dir.path()).unwrap();
            give_name(part, &path(name), force).map_err(|error| (error.kind(), trouble(&error)))
        };
        for name in ["file", "link"] {
            assert_eq!(given(name, false).unwrap_err().0, ErrorKind::AlreadyExists);
        }
        for force in [false, true] {
            assert_eq!(given("folder", force).unwrap_err().1, "this is a folder, not a file");
            let (_, pipe) = given("pipe", force).unwrap_err();
            assert_eq!(pipe, "this is a device or a pipe, not a file");
            assert_eq!(given("nowhere/a", force).unwrap_err().0, ErrorKind::NotFound);
        }
        assert_eq!(fs::read_to_string(path("file")).unwrap(), "mine");
        given("link", true).unwrap();
        assert_eq!(fs::read_to_string(path("file")).unwrap(), "mine");
        given("file", true).unwrap();
        given("new", false).unwrap();
        assert!(open(&path("file")).is_ok() && open(&path("link")).is_ok());
        for name in ["folder", "pipe", "nowhere"] {
            assert!(open(&path(name)).is_err());
        }
        let left = fs::read_dir(dir.path()).unwrap().count();
        assert_eq!(left, 5, "nothing half-made stays");
    }
}
