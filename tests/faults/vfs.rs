//! A shim between SQLite and the file system: writes down what is written and synced, and can let
//! it fail. Only these tests use its unsafe code.
//!
//! It is SQLite's own file system ("unix", <https://www.sqlite.org/vfs.html>) with five functions
//! replaced: open, delete, write, truncate, sync. The replaced ones write down what they were
//! asked and hand on to the original; syncs are not handed on, which makes the tests quick. Of
//! files outside the watched folder nothing is written down.
//!
//! What the unsafe code relies on:
//! - SQLite gives `szOsFile` zeroed bytes for each file, aligned for pointers. The shim asks for
//!   room for [`Extra`] behind what the original needs, and touches nothing before it but the
//!   first field, `pMethods`, which SQLite defines.
//! - The original's functions take the methods from where they were called, never from
//!   `pMethods`, so they run unchanged on a file whose methods were replaced.
//! - A path is a C string that lives as long as the call.

use rusqlite::ffi;
use std::ffi::{CStr, c_char, c_int, c_void};
use std::path::{Path, PathBuf};
use std::ptr;
use std::sync::{Mutex, MutexGuard, OnceLock};

/// What was asked of the file system, in order.
#[derive(Clone, PartialEq, Debug)]
pub enum Op {
    /// A file of that name was made.
    Create(String),
    /// A name was taken away; `true`: and the folder synced.
    Delete(String, bool),
    /// Bytes were written at an offset.
    Write(String, u64, Vec<u8>),
    /// A file was cut to a length.
    Truncate(String, u64),
    /// A file was synced.
    Sync(String),
    /// Written down by a test between the operations.
    Mark(usize),
}

/// What a write, truncation or sync answers once it is to fail.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Trouble {
    /// No room is left: half of what was to be written is, then none.
    Full,
    /// The disk does not take it.
    Broken,
}

/// What the shim knows; one for the process, since SQLite has one list of file systems.
#[derive(Default)]
struct State {
    folder: Option<PathBuf>,
    ops: Vec<Op>,
    /// How many operations still go well, and what the others answer.
    fails: Option<(usize, Trouble)>,
}

static STATE: Mutex<Option<State>> = Mutex::new(None);
static TURN: Mutex<()> = Mutex::new(());

/// The original, its table and ours.
struct Originals {
    vfs: *mut ffi::sqlite3_vfs,
    extra_at: usize,
}
// SAFETY: the pointer is to SQLite's own static table, which it never changes after start.
unsafe impl Send for Originals {}
unsafe impl Sync for Originals {}
static ORIGINALS: OnceLock<Originals> = OnceLock::new();

/// What the shim keeps behind each file.
#[repr(C)]
struct Extra {
    original: *const ffi::sqlite3_io_methods,
    replaced: ffi::sqlite3_io_methods,
    /// A boxed name; null for files that are not watched.
    name: *mut String,
}

/// Watches one folder for as long as it lives; one at a time.
pub struct Watched {
    _turn: MutexGuard<'static, ()>,
}

impl Watched {
    /// Begins to write down what happens in `folder`.
    pub fn folder(folder: &Path) -> Watched {
        let turn = TURN.lock().unwrap_or_else(|poisoned| poisoned.into_inner());
        install();
        let folder = Some(folder.canonicalize().unwrap());
        *STATE.lock().unwrap() = Some(State { folder, ..State::default() });
        Watched { _turn: turn }
    }

    /// Writes down a mark.
    pub fn mark(&self, mark: usize) {
        note(|state| state.ops.push(Op::Mark(mark)));
    }

    /// All that was written down so far.
    pub fn ops(&self) -> Vec<Op> {
        STATE.lock().unwrap().as_ref().map_or(Vec::new(), |state| state.ops.clone())
    }

    /// From the `n`-th operation from now on (0: the next) all fail.
    pub fn fail_from(&self, n: usize, trouble: Trouble) {
        note(|state| state.fails = Some((n, trouble)));
    }

    /// They go well again.
    pub fn heal(&self) {
        note(|state| state.fails = None);
    }
}

impl Drop for Watched {
    fn drop(&mut self) {
        if let Ok(mut state) = STATE.lock() {
            *state = None;
        }
    }
}

fn note(change: impl FnOnce(&mut State)) {
    if let Some(state) = STATE.lock().unwrap().as_mut() {
        change(state);
    }
}

/// Takes an operation down; what it is to answer if it is to fail.
fn take(op: Op) -> Option<Trouble> {
    let mut state = STATE.lock().unwrap();
    let state: &mut State = state.as_mut()?;
    if let Some((left, trouble)) = state.fails.as_mut() {
        if *left == 0 {
            return Some(*trouble);
        }
        *left -= 1;
    }
    state.ops.push(op);
    None
}

/// The name of a file in the watched folder.
fn watched_name(path: &Path) -> Option<String> {
    let state = STATE.lock().unwrap();
    let folder = state.as_ref()?.folder.as_ref()?;
    Some(path.strip_prefix(folder).ok()?.to_str()?.to_owned())
}

/// Makes the shim the file system of every connection that is opened from now on. Once.
pub fn install() {
    ORIGINALS.get_or_init(|| {
        // SAFETY: `sqlite3_vfs_find(NULL)` gives SQLite's static default. The copy differs in its
        // name, its size and two functions, is never freed, and lives as long as the process.
        unsafe {
            ffi::sqlite3_initialize();
            let vfs = ffi::sqlite3_vfs_find(ptr::null());
            assert!(!vfs.is_null(), "SQLite has a file system");
            let align = align_of::<Extra>();
            let extra_at = ((*vfs).szOsFile as usize).next_multiple_of(align);
            let mut ours = *vfs;
            ours.pNext = ptr::null_mut();
            ours.zName = c"faults".as_ptr();
            ours.szOsFile = (extra_at + size_of::<Extra>()) as c_int;
            ours.xOpen = Some(open);
            ours.xDelete = Some(delete);
            let status = ffi::sqlite3_vfs_register(Box::into_raw(Box::new(ours)), 1);
            assert_eq!(status, ffi::SQLITE_OK);
            Originals { vfs, extra_at }
        }
    });
}

fn originals() -> &'static Originals {
    ORIGINALS.get().expect("the shim was installed before SQLite could call it")
}

/// What the shim keeps behind a file. SAFETY: `file` was opened by [`open`].
unsafe fn extra(file: *mut ffi::sqlite3_file) -> *mut Extra {
    unsafe { file.byte_add(originals().extra_at).cast() }
}

/// A path as SQLite hands it over. SAFETY: null or a C string.
unsafe fn path_of(name: *const c_char) -> Option<PathBuf> {
    if name.is_null() {
        return None;
    }
    let name = unsafe { CStr::from_ptr(name) };
    Some(PathBuf::from(name.to_str().ok()?))
}

unsafe extern "C" fn open(
    vfs: *mut ffi::sqlite3_vfs,
    name: ffi::sqlite3_filename,
    file: *mut ffi::sqlite3_file,
    flags: c_int,
    out: *mut c_int,
) -> c_int {
    // SAFETY: as SQLite's contract for xOpen has it; the original finds its own settings in the
    // copied table, and `file` has room for both.
    unsafe {
        let path = path_of(name);
        let watched = path.as_deref().and_then(watched_name);
        let is_new = path.as_deref().is_some_and(|path| !path.exists());
        if is_new
            && let Some(name) = &watched
            && let Some(trouble) = take(Op::Create(name.clone()))
        {
            (*file).pMethods = ptr::null(); // nothing to close
            return status(trouble, ffi::SQLITE_CANTOPEN);
        }
        let Some(original) = (*originals().vfs).xOpen else { return ffi::SQLITE_CANTOPEN };
        let status = original(vfs, name, file, flags, out);
        if (*file).pMethods.is_null() {
            return status;
        }
        let kept = extra(file);
        let methods = (*file).pMethods;
        let mut replaced = *methods;
        replaced.xClose = Some(close);
        replaced.xWrite = Some(write);
        replaced.xTruncate = Some(truncate);
        replaced.xSync = Some(sync);
        let name = watched.map_or(ptr::null_mut(), |name| Box::into_raw(Box::new(name)));
        kept.write(Extra { original: methods, replaced, name });
        (*file).pMethods = &raw const (*kept).replaced;
        status
    }
}

unsafe extern "C" fn close(file: *mut ffi::sqlite3_file) -> c_int {
    // SAFETY: the name was boxed by `open`, and SQLite closes a file once.
    unsafe {
        let kept = extra(file);
        if !(*kept).name.is_null() {
            drop(Box::from_raw((*kept).name));
            (*kept).name = ptr::null_mut();
        }
        match (*(*kept).original).xClose {
            Some(original) => original(file),
            None => ffi::SQLITE_OK,
        }
    }
}

unsafe extern "C" fn write(
    file: *mut ffi::sqlite3_file,
    bytes: *const c_void,
    amount: c_int,
    offset: i64,
) -> c_int {
    // SAFETY: SQLite hands over `amount` readable bytes.
    unsafe {
        let kept = extra(file);
        let Some(original) = (*(*kept).original).xWrite else { return ffi::SQLITE_IOERR_WRITE };
        if let Some(name) = (*kept).name.as_ref() {
            let new = std::slice::from_raw_parts(bytes.cast::<u8>(), amount as usize).to_vec();
            if let Some(trouble) = take(Op::Write(name.clone(), offset as u64, new)) {
                if trouble == Trouble::Full {
                    original(file, bytes, amount / 2, offset);
                }
                return status(trouble, ffi::SQLITE_IOERR_WRITE);
            }
        }
        original(file, bytes, amount, offset)
    }
}

unsafe extern "C" fn truncate(file: *mut ffi::sqlite3_file, size: i64) -> c_int {
    // SAFETY: the file is open.
    unsafe {
        let kept = extra(file);
        if let Some(name) = (*kept).name.as_ref()
            && let Some(trouble) = take(Op::Truncate(name.clone(), size as u64))
        {
            return status(trouble, ffi::SQLITE_IOERR_TRUNCATE);
        }
        match (*(*kept).original).xTruncate {
            Some(original) => original(file, size),
            None => ffi::SQLITE_IOERR_TRUNCATE,
        }
    }
}

unsafe extern "C" fn sync(file: *mut ffi::sqlite3_file, _flags: c_int) -> c_int {
    // SAFETY: the file is open.
    unsafe {
        let kept = extra(file);
        if let Some(name) = (*kept).name.as_ref() {
            let trouble = take(Op::Sync(name.clone()));
            return trouble.map_or(ffi::SQLITE_OK, |t| status(t, ffi::SQLITE_IOERR_FSYNC));
        }
        ffi::SQLITE_OK
    }
}

unsafe extern "C" fn delete(
    vfs: *mut ffi::sqlite3_vfs,
    name: *const c_char,
    sync_folder: c_int,
) -> c_int {
    // SAFETY: `name` is a C string; the original takes the copied table for its own.
    unsafe {
        let watched = path_of(name).filter(|path| path.exists()).as_deref().and_then(watched_name);
        if let Some(name) = watched
            && let Some(trouble) = take(Op::Delete(name, sync_folder != 0))
        {
            return status(trouble, ffi::SQLITE_IOERR_DELETE);
        }
        match (*originals().vfs).xDelete {
            Some(original) => original(vfs, name, 0),
            None => ffi::SQLITE_IOERR_DELETE,
        }
    }
}

fn status(trouble: Trouble, otherwise: c_int) -> c_int {
    match trouble {
        Trouble::Full => ffi::SQLITE_FULL,
        Trouble::Broken => otherwise,
    }
}
