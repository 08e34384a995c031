//! Nothing that was acknowledged is lost, and nothing is stored by halves, whatever happens to
//! the power, the disk or the program at any moment.
//!
//! `vfs` lies between SQLite and the file system and writes down every write and sync. From that
//! list `disk` makes what may be on a disk after the power failed at the n-th of them, with each
//! write that was not synced kept, dropped or garbled. Every such disk is opened as the program
//! opens it, and must hold the state after one of the transactions of the `story`.
//!
//! Here a bounded part is tried; the whole (every n with 200 seeds) by
//!
//! ```text
//! cargo test --test faults -- --ignored --nocapture
//! ```
//!
//! whose figures are kept in `tests/faults/figures.txt`.

mod disk;
mod story;
mod vfs;

use disk::{Disk, Fates, Luck};
use rand::{SeedableRng, rngs::StdRng};
use std::fs;
use std::path::Path;
use std::thread;
use story::{Promise, digest};
use vfs::Trouble::{Broken, Full};
use vfs::{Op, Watched};

/// Seeds that are tried here at each operation, and those of the whole.
const SEEDS: u64 = 10;
const ALL_SEEDS: u64 = 200;
/// Here the disk begins to fail at one of so many operations.
const FAILING: usize = 23;

/// A story that was played once, with all that it wrote.
struct Recorded {
    base: Vec<(String, Vec<u8>)>,
    ops: Vec<Op>,
    promises: Vec<Promise>,
    /// Digest of the studio before step k, and after the last.
    states: Vec<u64>,
}

fn record() -> Recorded {
    let (dir, files) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    story::begin(dir.path());
    let base = read_folder(dir.path());
    let steps = story::steps(files.path());
    let watched = Watched::folder(dir.path());
    let went_well = story::play(dir.path(), &steps, Some(&watched));
    assert!(went_well.iter().all(|well| *well), "the story goes well on a sound disk");
    let ops = watched.ops();
    drop(watched);
    let promises: Vec<Promise> = steps.iter().map(|(promise, _)| *promise).collect();
    let mut recorded = Recorded { base, ops, promises, states: Vec::new() };
    let mut disk = Disk::new(recorded.base.clone());
    for op in &recorded.ops {
        if matches!(op, Op::Mark(mark) if mark % 2 == 0) {
            recorded.states.push(state(&disk));
        }
        disk.take(op);
    }
    recorded.states.push(state(&disk));
    recorded
}

/// Digest of a disk that lost nothing.
fn state(disk: &Disk) -> u64 {
    let dir = tempfile::tempdir().unwrap();
    disk.after_power_loss(Luck::All, dir.path());
    digest(dir.path()).unwrap()
}

fn read_folder(dir: &Path) -> Vec<(String, Vec<u8>)> {
    let mut found = Vec::new();
    for entry in fs::read_dir(dir).unwrap() {
        let entry = entry.unwrap();
        found.push((entry.file_name().into_string().unwrap(), fs::read(entry.path()).unwrap()));
    }
    found
}

/// What was tried, and what came out.
#[derive(Default, Debug)]
struct Tally {
    images: u64,
    fates: Fates,
    /// Images that held transactions which were not acknowledged yet.
    beyond: u64,
    complaints: Vec<String>,
}

impl Tally {
    fn add(&mut self, other: Tally) {
        self.images += other.images;
        self.fates += other.fates;
        self.beyond += other.beyond;
        self.complaints.extend(other.complaints);
    }
}

impl Recorded {
    /// The states that may be there after operation n: from the last that was promised to the
    /// last that was begun.
    fn allowed(&self, n: usize, promise: Promise) -> (usize, usize) {
        let (mut least, mut most) = (0, 0);
        for op in &self.ops[..n] {
            let Op::Mark(mark) = op else { continue };
            let step = mark / 2;
            if mark % 2 == 0 {
                most = step + 1;
            } else if promise == Promise::Process || self.promises[step] == Promise::Power {
                least = step + 1;
            }
        }
        (least, most)
    }

    /// Opens what is left by a fault after operation n.
    fn check(&self, disk: &Disk, n: usize, seed: Option<u64>, tally: &mut Tally) {
        let dir = tempfile::tempdir().unwrap();
        let mut rng = StdRng::seed_from_u64(seed.unwrap_or(0) << 32 | n as u64);
        let (luck, promise) = match seed {
            Some(_) => (Luck::Dice(&mut rng), Promise::Power),
            None => (Luck::All, Promise::Process),
        };
        tally.images += 1;
        tally.fates += disk.after_power_loss(luck, dir.path());
        let (least, most) = self.allowed(n, promise);
        let complaint = match digest(dir.path()) {
            Err(complaint) => complaint,
            Ok(found) if self.states[least..=most].contains(&found) => {
                tally.beyond += u64::from(found != self.states[least]);
                return;
            }
            Ok(found) => match self.states.iter().position(|state| *state == found) {
                Some(step) => format!("state {step}, but {least} to {most} may be there"),
                None => "a state that never was".into(),
            },
        };
        tally.complaints.push(format!("operation {n}, seed {seed:?}: {complaint}"));
    }

    /// Tries the operations and seeds that are `wanted`, on all cores.
    fn try_all(&self, lies: bool, wanted: impl Fn(usize, Option<u64>) -> bool + Sync) -> Tally {
        let cores = thread::available_parallelism().map_or(1, usize::from);
        let mut all = Tally::default();
        let part = |core: usize| {
            let mut tally = Tally::default();
            let mut disk = Disk::new(self.base.clone());
            disk.lies = lies;
            for n in 0..=self.ops.len() {
                let seeds = std::iter::once(None).chain((0..ALL_SEEDS).map(Some));
                for seed in seeds.filter(|seed| n % cores == core && wanted(n, *seed)) {
                    self.check(&disk, n, seed, &mut tally);
                }
                if let Some(op) = self.ops.get(n) {
                    disk.take(op);
                }
            }
            tally
        };
        let part = &part;
        thread::scope(|scope| {
            let parts: Vec<_> = (0..cores).map(|core| scope.spawn(move || part(core))).collect();
            parts.into_iter().for_each(|part| all.add(part.join().unwrap()));
        });
        all
    }

    fn count(&self, kind: fn(&Op) -> bool) -> usize {
        self.ops.iter().filter(|op| kind(op)).count()
    }
}

#[track_caller]
fn all_survived(tally: &Tally) {
    let first: Vec<&String> = tally.complaints.iter().take(10).collect();
    assert!(first.is_empty(), "{} complaints, such as {first:#?}", tally.complaints.len());
}

#[test]
fn what_was_acknowledged_survives_a_loss_of_power_and_nothing_is_there_by_halves() {
    let recorded = record();
    let tally = recorded.try_all(false, |_, seed| match seed {
        None => true, // the program is killed: all that it wrote is there
        Some(seed) => seed < SEEDS,
    });
    all_survived(&tally);
    // The tests see only what is there: enough was at stake, and all fates were met.
    let Fates { kept, dropped, garbled } = tally.fates;
    assert!(kept.min(dropped).min(garbled) > 1000, "{tally:?}");
    assert!(tally.beyond > 50, "{tally:?}");
}

#[test]
fn a_disk_that_lies_about_its_syncs_is_seen_through() {
    let recorded = record();
    let tally = recorded.try_all(true, |n, seed| seed == Some(0) && n.is_multiple_of(3));
    assert!(tally.complaints.len() as u64 > tally.images / 4, "{tally:?}");
}

#[test]
#[ignore = "the whole: every operation with 200 seeds, about five minutes"]
fn every_operation_with_all_seeds() {
    let recorded = record();
    let tally = recorded.try_all(false, |_, _| true);
    let steps = recorded.promises.len();
    let powerful = recorded.promises.iter().filter(|p| **p == Promise::Power).count();
    println!("transactions {steps}, of them promised to survive a loss of power {powerful}");
    println!("writes {}", recorded.count(|op| matches!(op, Op::Write(..))));
    println!("syncs {}", recorded.count(|op| matches!(op, Op::Sync(_))));
    println!("truncations {}", recorded.count(|op| matches!(op, Op::Truncate(..))));
    let names = recorded.count(|op| matches!(op, Op::Create(_) | Op::Delete(..)));
    println!("files made or taken away {names}");
    println!("faults tried {} ({ALL_SEEDS} seeds and one kill at each)", tally.images);
    let Fates { kept, dropped, garbled } = tally.fates;
    println!("unsynced writes kept {kept}, dropped {dropped}, garbled {garbled}");
    println!("held more than was acknowledged {}", tally.beyond);
    println!("survived {}", tally.images - tally.complaints.len() as u64);
    all_survived(&tally);
}

/// From the n-th write or sync on the disk takes nothing, until it is well again.
#[test]
fn a_disk_that_fails_costs_no_more_than_the_steps_that_said_so() {
    let recorded = record();
    // Behind the last promise nobody is left who could be told.
    let last = recorded.promises.iter().rposition(|promise| *promise == Promise::Power).unwrap();
    let last = recorded.ops.iter().position(|op| *op == Op::Mark(2 * last + 1)).unwrap();
    let total = recorded.ops[..last].iter().filter(|op| !matches!(op, Op::Mark(_))).count();
    for (trouble, n) in (0..total).step_by(FAILING).flat_map(|n| [(Full, n), (Broken, n + 3)]) {
        let (dir, files) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
        story::begin(dir.path());
        let steps = story::steps(files.path());
        let watched = Watched::folder(dir.path());
        watched.fail_from(n.min(total - 1), trouble);
        let first = story::play(dir.path(), &steps, Some(&watched));
        let failed = first.iter().position(|well| !well);
        let failed = failed.unwrap_or_else(|| panic!("{trouble:?} at {n}: nobody was told"));
        watched.heal();
        let found = digest(dir.path()).unwrap();
        let allowed = &recorded.states[failed..=failed + 1];
        assert!(allowed.contains(&found), "{trouble:?} at {n}: not the state before {failed}");
        // Told of the trouble, the programs try again.
        let again = story::play(dir.path(), &steps, Some(&watched));
        assert!(again.iter().all(|well| *well), "{trouble:?} at {n}: {again:?}");
        drop(watched);
        assert_eq!(digest(dir.path()).unwrap(), recorded.states[steps.len()], "{trouble:?} at {n}");
    }
}
