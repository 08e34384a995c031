//! What may be on a disk after the power failed: a model of what a file system promises.
//!
//! A write that was synced is there. Each one that was not is kept, dropped or garbled, by itself
//! and in no order (Pillai et al. 2014, "All File Systems Are Not Created Equal", OSDI, table 1:
//! what file systems reorder). Garbled is, for each sector of 512 bytes: the old bytes, the new
//! ones, or rubbish. Names of files are made and taken away in order, and the last of these may
//! be missing until the folder is synced, which SQLite does with the first sync of a new log or
//! journal (<https://www.sqlite.org/atomiccommit.html>, section 3.7).

use super::vfs::Op;
use rand::{RngExt, rngs::StdRng};
use std::collections::BTreeMap;
use std::path::Path;

/// What may be torn within a write, bytes.
const SECTOR: usize = 512;

/// What became of unsynced operations, counted.
#[derive(Clone, Copy, Default, Debug)]
pub struct Fates {
    pub kept: u64,
    pub dropped: u64,
    pub garbled: u64,
}

impl std::ops::AddAssign for Fates {
    fn add_assign(&mut self, other: Fates) {
        self.kept += other.kept;
        self.dropped += other.dropped;
        self.garbled += other.garbled;
    }
}

/// How the unsynced operations come out.
pub enum Luck<'a> {
    /// All is kept: the program ended, the machine did not.
    All,
    /// By the dice.
    Dice(&'a mut StdRng),
}

type File = Vec<u8>;

/// Files by number; names by folder entry.
#[derive(Clone, Default)]
pub struct Disk {
    files: Vec<File>,
    names: BTreeMap<String, usize>,
    /// What is not synced yet.
    pending: Vec<(usize, Change)>,
    pending_names: Vec<NameChange>,
    /// The names as programs see them.
    seen: BTreeMap<String, usize>,
    /// A disk that says it synced and did not: the tests must see through it.
    pub lies: bool,
}

#[derive(Clone)]
enum Change {
    Write(u64, Vec<u8>),
    Truncate(u64),
}

#[derive(Clone)]
enum NameChange {
    Made(String, usize),
    Gone(String),
}

impl Disk {
    /// With these files, synced.
    pub fn new(files: impl IntoIterator<Item = (String, Vec<u8>)>) -> Disk {
        let mut disk = Disk::default();
        for (name, bytes) in files {
            disk.names.insert(name, disk.files.len());
            disk.files.push(bytes);
        }
        disk.seen = disk.names.clone();
        disk
    }

    /// Takes the next operation.
    pub fn take(&mut self, op: &Op) {
        match op {
            Op::Create(name) => {
                let file = self.files.len();
                self.files.push(Vec::new());
                self.seen.insert(name.clone(), file);
                self.pending_names.push(NameChange::Made(name.clone(), file));
            }
            Op::Delete(name, synced) => {
                self.seen.remove(name);
                self.pending_names.push(NameChange::Gone(name.clone()));
                if *synced {
                    self.sync_names();
                }
            }
            Op::Write(name, at, bytes) => {
                self.pending.push((self.seen[name], Change::Write(*at, bytes.clone())));
            }
            Op::Truncate(name, size) => {
                self.pending.push((self.seen[name], Change::Truncate(*size)));
            }
            Op::Sync(name) => self.sync(name),
            Op::Mark(_) => {}
        }
    }

    fn sync(&mut self, name: &str) {
        if self.lies {
            return;
        }
        let file = self.seen[name];
        let (synced, rest) =
            std::mem::take(&mut self.pending).into_iter().partition(|p| p.0 == file);
        self.pending = rest;
        let synced: Vec<(usize, Change)> = synced;
        for (_, change) in &synced {
            change.apply(&mut self.files[file]);
        }
        if name.ends_with("-wal") || name.ends_with("-journal") {
            self.sync_names();
        }
    }

    fn sync_names(&mut self) {
        if !self.lies {
            for change in std::mem::take(&mut self.pending_names) {
                change.apply(&mut self.names);
            }
        }
    }

    /// Writes into `folder` what is there after a loss of power now.
    pub fn after_power_loss(&self, mut luck: Luck, folder: &Path) -> Fates {
        let mut fates = Fates::default();
        let mut names = self.names.clone();
        let there = match &mut luck {
            Luck::All => self.pending_names.len(),
            Luck::Dice(rng) => rng.random_range(0..=self.pending_names.len()),
        };
        self.pending_names[..there].iter().for_each(|change| change.apply(&mut names));
        let mut files: BTreeMap<usize, File> =
            names.values().map(|file| (*file, self.files[*file].clone())).collect();
        // Now and then all have the same luck: a disk that lost its whole cache, or none of it.
        let all_alike = match &mut luck {
            Luck::All => Some(0),
            Luck::Dice(rng) => rng.random_bool(0.2).then(|| rng.random_range(0..3)),
        };
        for (file, change) in &self.pending {
            let Some(bytes) = files.get_mut(file) else { continue };
            let fate = match (&mut luck, all_alike) {
                (_, Some(fate)) => fate,
                (Luck::Dice(rng), None) => rng.random_range(0..3),
                (Luck::All, None) => 0,
            };
            let garbled = match &mut luck {
                Luck::Dice(rng) if fate == 2 => change.garble(bytes, rng),
                _ => false,
            };
            if fate == 0 {
                change.apply(bytes);
            }
            fates.kept += u64::from(fate == 0);
            fates.garbled += u64::from(garbled);
            fates.dropped += u64::from(fate != 0 && !garbled);
        }
        for (name, file) in &names {
            std::fs::write(folder.join(name), &files[file]).unwrap();
        }
        fates
    }
}

impl Change {
    fn apply(&self, file: &mut File) {
        match self {
            Change::Write(at, bytes) => put(file, *at as usize, bytes),
            Change::Truncate(size) => file.resize(*size as usize, 0),
        }
    }

    /// Torn; false for a change that can only be there or not.
    fn garble(&self, file: &mut File, rng: &mut StdRng) -> bool {
        let Change::Write(at, bytes) = self else { return false };
        let at = *at as usize;
        let mut torn = bytes.clone();
        let mut from = 0;
        while from < torn.len() {
            // To the end of the sector of the file, not of the write.
            let to = ((at + from) / SECTOR * SECTOR + SECTOR - at).min(torn.len());
            match rng.random_range(0..3) {
                0 => {}
                1 => {
                    for (i, byte) in torn[from..to].iter_mut().enumerate() {
                        *byte = file.get(at + from + i).copied().unwrap_or(0);
                    }
                }
                _ => torn[from..to].iter_mut().for_each(|byte| *byte = rng.random()),
            }
            from = to;
        }
        put(file, at, &torn);
        true
    }
}

fn put(file: &mut File, at: usize, bytes: &[u8]) {
    if file.len() < at + bytes.len() {
        file.resize(at + bytes.len(), 0);
    }
    file[at..at + bytes.len()].copy_from_slice(bytes);
}

impl NameChange {
    fn apply(&self, names: &mut BTreeMap<String, usize>) {
        match self {
            NameChange::Made(name, file) => drop(names.insert(name.clone(), *file)),
            NameChange::Gone(name) => drop(names.remove(name)),
        }
    }
}
