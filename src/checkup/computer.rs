//! The disk that the studio lies on, and the computer's clock.

use super::{Finding, What};
use crate::records::{Name, shell_word};
use crate::units::{DAY, Time, span};
use std::path::PathBuf;

/// What one reading takes in the database, bytes: measured 39.6 for half a million of 18 sources,
/// each with count and spread, and 28.7 without.
const READING_BYTES: f64 = 40.0;
/// A shelf of 16 cells and a room sensor, each at one reading per 10 s: readings a day.
const SHELF_A_DAY: f64 = 155_520.0;
/// A disk with less than this is full before long, whoever fills it: 200 MB.
const LITTLE: u64 = 200_000_000;
/// Nor is it enough for fewer days than this.
const FEW_DAYS: f64 = 30.0;
/// Decimal, as disks are sold.
const GB: f64 = 1e9;

/// The disk.
#[derive(Clone, PartialEq, Debug)]
pub struct Disk {
    /// Where its file system is hung in: what takes the room lies below.
    pub root: PathBuf,
    /// What this user may still write, bytes.
    pub free: u64,
    /// Whether it takes no further file, whatever room there is.
    pub no_more_files: bool,
    /// Readings that were stored in the last 24 h.
    pub readings_a_day: u64,
}

/// Judges the disk.
pub fn judge_disk(disk: &Disk) -> Finding {
    let readings = match disk.readings_a_day {
        0 => SHELF_A_DAY,
        n => n as f64,
    };
    let days = disk.free as f64 / (readings * READING_BYTES);
    let lasts = match days / 365.0 {
        y if y >= 10.0 => "more than ten years".into(),
        y if y >= 2.0 => format!("{y:.0} years"),
        _ => span(days * DAY),
    };
    let of = match disk.readings_a_day {
        0 => "of a shelf of 16 cells",
        _ => "at the rate of the last 24 h",
    };
    let free = match disk.free as f64 / GB {
        gb if gb >= 10.0 => format!("{gb:.0} GB"),
        gb if gb >= 1.0 => format!("{gb:.1} GB"),
        gb => format!("{:.0} MB", gb * 1000.0),
    };
    let wrong = |text: String| {
        Finding::wrong(What::Disk, "nearly-full", text)
            .say("Make room. What takes it, the largest last:")
            .run(format!(
                "du -xh --max-depth=2 {} 2>/dev/null | sort -h | tail -n 20",
                shell_word(&disk.root.display().to_string())
            ))
    };
    match disk {
        Disk { no_more_files: true, .. } => wrong(format!(
            "{free} free, but it holds as many files as it can: no further one can be made"
        )),
        Disk { free: 0, .. } => wrong("full: nothing can be stored any more".into()),
        _ if disk.free < LITTLE || days < FEW_DAYS => {
            wrong(format!("nearly full: {free} free, enough for {lasts} of readings {of}"))
        }
        _ => Finding::fine(What::Disk, format!("{free} free, {lasts} of readings {of}")),
    }
}

/// This program is younger than this: a clock before it is wrong (2026-01-01T00:00:00Z).
const YOUNGER_THAN: Time = Time(1_767_225_600_000_000);
/// Readings so far in the future are worth a word, s: as much as `watch` lets pass.
pub const AHEAD_S: f64 = 600.0;

/// The clock.
#[derive(Clone, PartialEq, Debug)]
pub struct Clock {
    /// What it says.
    pub now: Time,
    /// The same in the words of its zone.
    pub said: String,
    /// Whether the computer knows its time zone, or the settings tell it.
    pub zone_known: bool,
    /// Sources with stored times further ahead than [`AHEAD_S`], each with the latest.
    pub ahead: Vec<(Name, Time)>,
    /// How many sources have a stored time within the last day.
    pub in_step: usize,
    /// Whether the network sets it, where that can be told.
    pub synchronised: Option<bool>,
    /// Whether the computer has a clock that runs without power.
    pub battery: bool,
}

impl Clock {
    /// Whether readings of later times are stored than the clock can be right about. Where other
    /// sources are in step with it, it is the clocks of those sources that are wrong.
    pub fn is_behind(&self) -> bool {
        self.ahead.len() > self.in_step
    }
}

/// Judges the clock.
pub fn judge_clock(clock: &Clock) -> Finding {
    let says = format!("it is {} by this computer", clock.said);
    let set = |finding: Finding| {
        finding
            .say("Let the network set it, or set it by hand:")
            .run("sudo timedatectl set-ntp true")
            .run("sudo timedatectl set-time \"YYYY-MM-DD HH:MM\"")
    };
    if clock.now < YOUNGER_THAN {
        let text = format!("{says}, which cannot be: its clock was never set, or lost its battery");
        return set(Finding::wrong(What::Clock, "not-set", text));
    }
    if let Some((name, latest)) = clock.ahead.iter().max_by_key(|(_, latest)| *latest)
        && clock.is_behind()
    {
        let text = format!(
            "{says}, but a reading of {name} is stored for {} later: the clock was set back, or \
             was wrong then",
            span(latest.since(clock.now))
        );
        return set(Finding::wrong(What::Clock, "before-readings", text));
    }
    if !clock.zone_known {
        let text = format!("{says}, but its time zone is not known: times are told in UTC");
        return Finding::wrong(What::Clock, "no-time-zone", text)
            .say("Say it in studio.toml:")
            .write("time_zone = \"Europe/Lisbon\"");
    }
    match (clock.synchronised, clock.battery) {
        (Some(false), false) => set(Finding::wrong(
            What::Clock,
            "not-synchronised",
            format!(
                "{says}, but no network has set it since the start, and this computer has no clock \
                 that runs without power"
            ),
        )),
        (Some(false), true) => Finding::fine(What::Clock, says)
            .say("No network has set it since the start: compare it with another clock."),
        (Some(true), _) => Finding::fine(What::Clock, format!("{says}, set by the network")),
        (None, _) => Finding::fine(What::Clock, says),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_disk_is_judged_by_its_room_and_by_how_long_that_lasts() {
        let disk = |free, readings_a_day| {
            let root = PathBuf::from("/mnt/clay disk");
            let found = judge_disk(&Disk { root, free, no_more_files: false, readings_a_day });
            let look = format!("{:?}", found.to_do);
            assert_eq!(found.wrong, look.contains("du -xh --max-depth=2 '/mnt/clay disk' 2>"));
            (found.wrong, found.text)
        };
        let (wrong, text) = disk(50_000_000_000, 155_520);
        assert!(!wrong && text.starts_with("50 GB free, more than ten years"), "{text}");
        let (wrong, text) = disk(199_000_000, 100);
        assert!(wrong && text.starts_with("nearly full: 199 MB free"), "{text}");
        // 8 readings a second for 64 cells, each port: 691,200 a day and port.
        let (wrong, text) = disk(1_500_000_000, 2_000_000);
        assert!(wrong && text.contains("enough for 19 days"), "{text}");
        assert!(!disk(1_500_000_000, 0).0);
        assert_eq!(disk(0, 0), (true, "full: nothing can be stored any more".into()));
        let root = PathBuf::from("/");
        let crammed = Disk { root, free: 9_000_000_000, no_more_files: true, readings_a_day: 0 };
        assert!(judge_disk(&crammed).wrong);
    }

    fn clock() -> Clock {
        Clock {
            now: Time(1_900_000_000_000_000),
            said: "Sun 17 Mar 2030 18:46".into(),
            zone_known: true,
            ahead: vec![],
            in_step: 3,
            synchronised: None,
            battery: true,
        }
    }

    #[test]
    fn a_clock_is_held_against_readings_and_zone() {
        let found = |clock: &Clock| (judge_clock(clock).wrong, judge_clock(clock).code);
        assert_eq!(found(&clock()), (false, "fine"));
        let lost = Clock { now: Time(86_400_000_000), ..clock() };
        assert_eq!(found(&lost), (true, "not-set"));
        let later = |n: usize| {
            (0..n).map(|i| (format!("cell-{i}"), clock().now.plus(7200.0 + i as f64))).collect()
        };
        let set_back = Clock { ahead: later(3), in_step: 0, ..clock() };
        assert_eq!(found(&set_back), (true, "before-readings"));
        assert!(judge_clock(&set_back).text.contains("cell-2 is stored for 2 h later"));
        // One board with a clock of its own that is wrong says nothing of this one.
        assert_eq!(found(&Clock { ahead: later(1), ..clock() }), (false, "fine"));
        assert_eq!(found(&Clock { zone_known: false, ..clock() }), (true, "no-time-zone"));
    }

    #[test]
    fn only_a_computer_without_a_clock_must_be_set_by_the_network() {
        let found = |synchronised, battery| {
            let found = judge_clock(&Clock { synchronised, battery, ..clock() });
            (found.wrong, found.to_do.len())
        };
        assert_eq!(found(Some(true), false), (false, 0));
        assert_eq!(found(Some(false), true), (false, 1));
        assert_eq!(found(Some(false), false), (true, 3));
        assert_eq!(found(None, false), (false, 0));
    }
}
