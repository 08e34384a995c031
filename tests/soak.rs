//! Sixteen cells and a room sensor over weeks and a year, through the real `watch` behind a
//! pseudo-terminal, as fast as it reads: nothing is lost, its memory stays where it was, and the
//! studio's file keeps within what the README states. The shelf is made up.
//!
//! Here one week; a year by
//!
//! ```text
//! cargo test --release --test soak -- --ignored --nocapture
//! ```
//!
//! (`WARECAST_SOAK_WEEKS` shortens it), in which `watch` is started anew every eleven weeks; its
//! figures are kept in `tests/soak-figures.txt`.

#[path = "daemon/bench.rs"]
#[allow(dead_code, reason = "this test uses a part of it")]
mod bench;

use bench::{Studio, Watch, eventually};
use rustix::process::Signal;
use std::fs;
use std::time::{Duration, Instant};
use warecast::records::{Action, Reading};
use warecast::sensing::session::AT_ONCE;
use warecast::simulate::play::{Pace, play};
use warecast::simulate::pty::{Pty, PtyError};
use warecast::simulate::scenario::{self, SHELF};
use warecast::simulate::shelf::{Reporting, Shelf};
use warecast::store::{Clash, DATABASE, Store};
use warecast::units::{DAY, HOUR, Time};

/// Pots, each on a cell of its own, and how often each cell speaks, s.
const CELLS: usize = 16;
const EVERY: f64 = 60.0;
/// A batch of pots comes once a week, and stands on the shelf until the next ones are thrown, s.
const WEEK: f64 = 7.0 * DAY;
const ROUND: f64 = WEEK - 4.0 * HOUR;

/// What comes down the line in a week.
const OF_A_WEEK: usize = (ROUND / EVERY) as usize * (CELLS + 2);

/// What the README states: a reading as it came takes so many bytes at most …
const READING: u64 = 44;
/// … and an empty studio so many, its log not yet folded back included.
const EMPTY: u64 = 8 << 20;
/// How much memory `watch` may take beyond what it had at first: so much at once (the air of half a
/// year, several times, and one pot's weighings), and so much for each pot that has been
/// (what it taught), bytes. Readings of other pots take none.
const MEMORY: (u64, u64) = (48 << 20, 16 << 10);

/// What a process holds in memory, bytes (proc(5)).
fn resident(pid: u32) -> u64 {
    let status = fs::read_to_string(format!("/proc/{pid}/status")).unwrap();
    let line = status.lines().find_map(|line| line.strip_prefix("VmRSS:")).unwrap();
    1024 * line.trim().trim_end_matches(" kB").trim().parse::<u64>().unwrap()
}

/// The studio's file with its log, bytes.
fn size(studio: &Studio) -> u64 {
    let files = ["", "-wal", "-shm"].map(|end| studio.path().join(format!("{DATABASE}{end}")));
    files.iter().filter_map(|file| file.metadata().ok()).map(|file| file.len()).sum()
}

/// A studio whose shelf is filled anew every week.
struct Soak {
    studio: Studio,
    store: Store,
    pty: Pty,
    watch: Watch,
    begins: Time,
    /// What came down the line, in all and since `watch` was started last.
    sent: usize,
    sent_to_this: usize,
    /// What `watch` took in memory when it had been started, bytes.
    at_first: u64,
    rounds: usize,
}

impl Soak {
    fn new(rounds: usize) -> Soak {
        let studio = Studio::new();
        let store = studio.store();
        let pty = Pty::open(None).unwrap();
        let watch = Soak::start(&studio, &pty);
        // Times of the shelf's own, none of them ahead of the clock.
        let now = warecast::clock::now().plus(-(rounds as f64) * WEEK - DAY).seconds().floor();
        let (begins, at_first) = (Time::from_seconds(now), resident(watch.pid()));
        Soak { studio, store, pty, watch, begins, sent: 0, sent_to_this: 0, at_first, rounds: 0 }
    }

    fn start(studio: &Studio, pty: &Pty) -> Watch {
        let port = pty.path().to_str().unwrap();
        let watch = Watch::start(studio, &["--port", port, "--refit-every", "1"]);
        watch.until(&format!("{port}: ready"), 1);
        watch
    }

    /// The computer is started anew before a port has sent more than a device in its right mind can
    /// in so short a time; here a week passes in seconds.
    fn start_anew_where_due(&mut self) {
        if self.sent_to_this + OF_A_WEEK > AT_ONCE as usize {
            self.stop();
            self.watch = Soak::start(&self.studio, &self.pty);
            (self.sent_to_this, self.at_first) = (0, resident(self.watch.pid()));
        }
    }

    /// A week; what came down the line is in the store as it was sent.
    fn round(&mut self) {
        self.start_anew_where_due();
        let number = self.rounds;
        let mut scenario = scenario::shelf(number as u64 + 1, CELLS, 0.0);
        for pot in &mut scenario.pots {
            pot.name += &format!(" of week {}", number + 1);
            pot.handling.push((ROUND - 120.0, Action::Kiln));
            pot.handling.push((ROUND - 60.0, Action::Off));
        }
        self.store.put_bodies(&scenario.bodies, Clash::Refuse).unwrap();
        let start = self.begins.plus(number as f64 * WEEK);
        let reporting = Reporting { every: EVERY, checksum: true, rubbish: false };
        let mut shelf = Shelf::new(scenario, number as u64 + 1, start, reporting);
        let mut sent: Vec<Reading> = Vec::new();
        let pace = Pace { speed: 1e9, length: ROUND };
        let store = &mut self.store;
        play(&mut shelf, &self.pty, pace, &|| false, |_, moment| {
            store.put_pots(&moment.made, Clash::Refuse).unwrap();
            store.put_handling(&moment.done, Clash::Refuse).unwrap();
            sent.extend(moment.sample.readings(SHELF));
            Ok::<(), PtyError>(())
        })
        .unwrap();
        self.pty.drain(&|| false).unwrap();
        let last = sent.last().unwrap();
        let is_there = || {
            let point = self.store.last_reading(&last.source, last.quantity).unwrap();
            assert_eq!(self.watch.said("not stored"), 0, "{}", self.watch.everything_said());
            point.is_some_and(|point| point.time == last.time)
        };
        eventually("the last reading is stored", is_there);
        let mut sources: Vec<_> = sent.iter().map(|r| (r.source.clone(), r.quantity)).collect();
        sources.sort_unstable();
        sources.dedup();
        let mut found = 0;
        for (source, quantity) in sources {
            let span = (start, start.plus(ROUND + 1.0));
            let stored = self.store.readings_of(&source, quantity, span).unwrap();
            let wanted = sent.iter().filter(|r| r.source == source && r.quantity == quantity);
            // Percent on the line, a fraction in the store: so far the last digit may go.
            let same = |(a, b): (&Reading, &Reading)| {
                a.time == b.time && (a.value - b.value).abs() <= 1e-12 * b.value.abs()
            };
            assert!(stored.iter().zip(wanted).all(same), "{source}: not what was sent");
            found += stored.len();
        }
        assert_eq!(found, sent.len());
        self.sent += sent.len();
        self.sent_to_this += sent.len();
        self.rounds += 1;
    }

    fn stop(&mut self) {
        let status = self.watch.end(Signal::INT);
        assert!(status.success(), "{status}\n{}", self.watch.everything_said());
        assert_eq!(self.watch.said("not stored"), 0, "{}", self.watch.everything_said());
        // The line is silent while it is waited for what is thinned.
        let silent = self.watch.said("nothing has come for");
        assert_eq!(self.watch.said("WARN"), silent, "{}", self.watch.everything_said());
    }
}

#[test]
fn a_week_of_sixteen_cells_is_kept_in_bounded_memory_and_room() {
    let mut soak = Soak::new(1);
    soak.round();
    let (memory, size, readings) =
        (resident(soak.watch.pid()), size(&soak.studio), soak.sent as u64);
    let before = soak.at_first;
    println!("{readings} readings, {size} bytes on disk, {before} and {memory} in memory");
    assert_eq!(readings, OF_A_WEEK as u64);
    assert!(size < EMPTY + READING * readings, "{size}");
    assert!(memory < before + MEMORY.0 + MEMORY.1 * CELLS as u64, "{before} {memory}");
    soak.stop();
}

#[test]
#[ignore = "a year, an hour"]
fn a_year_of_sixteen_cells_is_kept_in_bounded_memory_and_room() {
    let weeks = std::env::var("WARECAST_SOAK_WEEKS").map_or(52, |weeks| weeks.parse().unwrap());
    // Raw for 60 days, and the week that is under way.
    let raw_weeks = (60.0 * DAY / WEEK).ceil() as u64 + 1;
    let raw = raw_weeks * OF_A_WEEK as u64;
    let begun = Instant::now();
    let mut soak = Soak::new(weeks);
    println!("week   readings sent   on disk, MB   in memory, MB   pots thinned   minutes");
    for week in 1..=weeks {
        soak.round();
        // The program has a week for it; here it is given what time it wants.
        let due = week.saturating_sub(raw_weeks as usize) * CELLS;
        let patience = Instant::now();
        while soak.store.thinned().unwrap().len() < due {
            assert!(
                patience.elapsed() < Duration::from_secs(1200),
                "{}",
                soak.watch.everything_said()
            );
            std::thread::sleep(Duration::from_millis(500));
        }
        let thinned = soak.store.thinned().unwrap().len();
        let (memory, size) = (resident(soak.watch.pid()), size(&soak.studio));
        println!(
            "{week:>4} {:>15} {:>13.1} {:>15.1} {thinned:>14} {:>9.1}",
            soak.sent,
            size as f64 / 1e6,
            memory as f64 / 1e6,
            begun.elapsed().as_secs_f64() / 60.0
        );
        // The air goes by windows of 60 days; of what was thinned a fifth is left at most.
        let whole = raw + 2 * (60.0 * DAY / EVERY) as u64;
        let kept = (soak.sent as u64).min(whole) + (soak.sent as u64).saturating_sub(whole) / 5;
        assert!(size < EMPTY + READING * kept, "{size} in week {week}");
        let (before, pots) = (soak.at_first, (week * CELLS) as u64);
        assert!(memory < before + MEMORY.0 + MEMORY.1 * pots, "{memory} in week {week}");
    }
    soak.stop();
}
