//! In time: what changes for the potter is told to a program of theirs, which may ring or send it.
//!
//! The program is run as it stands in the settings, never through a shell, with JSON on its
//! standard input. What comes together is told together, and no more often than the settings
//! allow; outside the hours in which somebody wants to hear of it, it waits. Of what waits, a later
//! word on a pot takes the place of the earlier one, so that nobody is called to a pot that was
//! trimmed meanwhile. A program that fails is run again the next time with all that it was to tell;
//! one that does not end within half a minute is killed. All this on a thread of its own: readings
//! and answers wait for none of it.

use crate::clock;
use crate::core::report::{Fire, PotAnswer, Trim};
use crate::disk;
use crate::records::Name;
use crate::sensing::health::worth_saying;
use crate::store::settings::TellSettings;
use crate::units::Time;
use jiff::tz::TimeZone;
use rustix::process::{Pid, Signal, kill_process_group};
use serde::Serialize;
use std::collections::BTreeMap;
use std::io::{Seek, Write};
use std::os::unix::process::CommandExt;
use std::process::{Command, Stdio};
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::thread::{self, JoinHandle};
use std::time::{Duration, Instant};
use tracing::{info, warn};

/// So long a program may take.
const LIMIT: Duration = Duration::from_secs(30);
/// So long it is waited for more to come, that is told with it.
const GATHER: Duration = Duration::from_secs(10);
/// How often it is looked whether anything is due, and whether the program has ended.
const LOOK: (Duration, Duration) = (Duration::from_secs(1), Duration::from_millis(100));

/// What a word is about.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum About {
    /// Trimming.
    Trim,
    /// The kiln.
    Fire,
}

/// What is said of a pot, as in the terminal, with what the report knows.
#[derive(Clone, PartialEq, Debug, Serialize)]
struct Word {
    text: &'static str,
    pot: Name,
    trim: Trim,
    fire: Fire,
}

/// What changed.
enum Change {
    /// A pot's call: with something to say, or with nothing any more.
    Call((Name, About), Option<Box<Word>>),
    /// The pot is of no interest any more.
    Gone(Name),
}

/// Tells the thread; where nobody is to be told, nothing.
pub struct Teller(Option<Sender<Change>>);

impl Teller {
    /// The call of a pot changed.
    pub fn call(&self, about: About, text: Option<&'static str>, answer: &PotAnswer) {
        let PotAnswer { pot, trim, fire, .. } = answer;
        let word = text.map(|text| Word { text, pot: pot.clone(), trim: *trim, fire: *fire });
        self.tell(Change::Call((pot.clone(), about), word.map(Box::new)));
    }

    /// A pot is of no interest any more.
    pub fn gone(&self, pot: &Name) {
        self.tell(Change::Gone(pot.clone()));
    }

    fn tell(&self, change: Change) {
        if let Some(sender) = &self.0 {
            // Gone only if the thread has ended, with `watch`.
            let _ = sender.send(change);
        }
    }
}

/// Starts the thread where the settings name a program; it ends when the [`Teller`] is gone.
pub fn start(
    settings: Option<&TellSettings>,
    zone: TimeZone,
) -> std::io::Result<(Teller, Option<JoinHandle<()>>)> {
    let Some(settings) = settings.cloned() else { return Ok((Teller(None), None)) };
    info!("what changes is told to {}", settings.program[0]);
    let (sender, receiver) = channel();
    let waiting = Waiting { settings, zone, words: BTreeMap::new(), since: None, last: None };
    let thread = thread::Builder::new().name("tell".into());
    Ok((Teller(Some(sender)), Some(thread.spawn(move || run(waiting, &receiver))?)))
}

fn run(mut waiting: Waiting, changes: &Receiver<Change>) {
    let mut failed = 0;
    loop {
        match changes.recv_timeout(LOOK.0) {
            Ok(change) => waiting.heard(change, clock::steady()),
            Err(RecvTimeoutError::Timeout) => {}
            Err(RecvTimeoutError::Disconnected) => return,
        }
        if !waiting.is_due(clock::steady(), clock::now()) {
            continue;
        }
        let (told, program) = (waiting.words.clone(), waiting.settings.program.clone());
        waiting.last = Some(clock::steady());
        let json = json(&told, clock::now());
        let go_on = || match changes.recv_timeout(LOOK.1) {
            Ok(change) => {
                waiting.heard(change, clock::steady());
                true
            }
            Err(RecvTimeoutError::Timeout) => true,
            Err(RecvTimeoutError::Disconnected) => false,
        };
        match carry_out(&program, &json, LIMIT, go_on) {
            Ok(()) => waiting.told(&told, clock::steady()),
            Err(why) => {
                failed += 1;
                if worth_saying(failed) {
                    warn!(
                        "{} {why}; what it was to tell waits (failures so far: {failed})",
                        program[0]
                    );
                }
            }
        }
    }
}

/// What the program reads.
fn json(words: &Words, at: Time) -> Vec<u8> {
    #[derive(Serialize)]
    struct Told<'a> {
        at: String,
        told: Vec<&'a Word>,
    }
    let told = Told { at: at.to_string(), told: words.values().collect() };
    serde_json::to_vec(&told).unwrap_or_default()
}

/// Runs a program with this on its standard input, and waits until it has ended; it is killed, with
/// all that it started, after so long or when it is not to `go_on`, which is asked again and again
/// and takes its time.
fn carry_out(
    program: &[String],
    input: &[u8],
    limit: Duration,
    mut go_on: impl FnMut() -> bool,
) -> Result<(), String> {
    let failed = |error: std::io::Error| format!("could not be run: {}", disk::trouble(&error));
    // A file: nobody has to wait until all of it is read.
    let mut file = tempfile::tempfile().map_err(failed)?;
    file.write_all(input).and_then(|()| file.rewind()).map_err(failed)?;
    let mut child = Command::new(&program[0])
        .args(&program[1..])
        .stdin(file)
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .process_group(0)
        .spawn()
        .map_err(failed)?;
    let begun = clock::steady();
    loop {
        match child.try_wait().map_err(failed)? {
            Some(status) if status.success() => return Ok(()),
            Some(status) => return Err(format!("failed ({status})")),
            None if begun.elapsed() < limit && go_on() => {}
            None => {
                let _ = kill_process_group(Pid::from_child(&child), Signal::KILL);
                let _ = child.wait();
                return Err(match begun.elapsed() < limit {
                    true => "was killed before it had ended".into(),
                    false => format!("was killed: it took more than {} s", limit.as_secs_f64()),
                });
            }
        }
    }
}

type Words = BTreeMap<(Name, About), Word>;

/// What waits to be told.
struct Waiting {
    settings: TellSettings,
    zone: TimeZone,
    words: Words,
    /// Since when anything waits.
    since: Option<Instant>,
    /// When the program was run last.
    last: Option<Instant>,
}

impl Waiting {
    fn heard(&mut self, change: Change, now: Instant) {
        match change {
            Change::Call(key, Some(word)) => drop(self.words.insert(key, *word)),
            Change::Call(key, None) => drop(self.words.remove(&key)),
            Change::Gone(gone) => self.words.retain(|(pot, _), _| *pot != gone),
        }
        self.wait_since(now);
    }

    fn wait_since(&mut self, now: Instant) {
        self.since = (!self.words.is_empty()).then(|| self.since.unwrap_or(now));
    }

    /// Whether the program is to be run.
    fn is_due(&self, now: Instant, wall: Time) -> bool {
        let TellSettings { hours, every, .. } = &self.settings;
        let long_ago = |then: Option<Instant>, pause| then.is_none_or(|then| now - then >= pause);
        self.since.is_some()
            && long_ago(self.since, GATHER)
            && long_ago(self.last, *every)
            && hours.as_ref().is_none_or(|hours| hours.holds(wall, &self.zone))
    }

    /// What was told and is still so waits no more.
    fn told(&mut self, told: &Words, now: Instant) {
        self.words.retain(|key, word| told.get(key) != Some(word));
        self.since = None;
        self.wait_since(now);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::core::report::{ConstantMass, FireCall, TimeQuantiles, TrimCall};
    use crate::store::week::Week;

    /// Monday, 3 March 2031, 07:59:55 UTC.
    const WALL: Time = Time(1_930_377_595_000_000);

    fn waiting(hours: Option<&str>) -> Waiting {
        let settings = TellSettings {
            program: vec!["ring".into()],
            hours: hours.map(|hours| Week::parse(hours).unwrap()),
            every: Duration::from_secs(600),
        };
        let (words, zone) = (Words::new(), TimeZone::UTC);
        Waiting { settings, zone, words, since: None, last: None }
    }

    fn call(pot: &str, about: About, text: Option<&'static str>) -> Change {
        let never = TimeQuantiles { p10: None, p50: None, p90: None };
        let (opens, closes) = (never, never);
        let trim =
            Trim { call: TrimCall::Now, probability_now: 0.9, opens, closes, foot_opens: None };
        let fire = Fire {
            call: FireCall::Wait,
            probability_bone_dry: 0.0,
            bone_dry: never,
            constant_mass: ConstantMass { met: None, weighings: 0, change: None },
        };
        let word = text.map(|text| Word { text, pot: pot.into(), trim, fire });
        Change::Call((pot.into(), about), word.map(Box::new))
    }

    fn texts(words: &Words) -> String {
        let all = words.values().map(|word| format!("{} {}", word.pot, word.text));
        all.collect::<Vec<_>>().join(", ")
    }

    #[test]
    fn what_comes_together_is_told_together_and_no_more_often_than_is_wanted() {
        let (mut waiting, start) = (waiting(None), Instant::now());
        let at = |s: u64| start + Duration::from_secs(s);
        waiting.heard(call("a", About::Trim, Some("trim soon")), at(0));
        waiting.heard(call("b", About::Trim, Some("trim now")), at(5));
        assert!(!waiting.is_due(at(9), WALL) && waiting.is_due(at(10), WALL));
        // While the program runs, one is told anew.
        let told = waiting.words.clone();
        waiting.last = Some(at(10));
        waiting.heard(call("a", About::Trim, Some("trim now")), at(11));
        waiting.told(&told, at(12));
        assert_eq!(
            (texts(&told).as_str(), texts(&waiting.words).as_str()),
            ("a trim soon, b trim now", "a trim now")
        );
        assert!(!waiting.is_due(at(609), WALL) && waiting.is_due(at(610), WALL));
        // What failed waits with all the rest.
        waiting.last = Some(at(610));
        waiting.heard(call("c", About::Fire, Some("drying again")), at(611));
        assert!(!waiting.is_due(at(1209), WALL) && waiting.is_due(at(1210), WALL));
        assert_eq!(texts(&waiting.words), "a trim now, c drying again");
        let all = waiting.words.clone();
        waiting.told(&all, at(1211));
        assert!(!waiting.is_due(at(9999), WALL));
    }

    #[test]
    fn in_quiet_hours_it_waits_and_what_is_over_by_then_is_not_told() {
        let (mut waiting, start) = (waiting(Some("mon-sun 8-21")), Instant::now());
        let at = |s: u64| start + Duration::from_secs(s);
        for pot in ["trimmed", "packed", "still there"] {
            waiting.heard(call(pot, About::Trim, Some("trim now")), at(0));
        }
        assert!(!waiting.is_due(at(60), WALL));
        waiting.heard(call("trimmed", About::Trim, None), at(61));
        waiting.heard(Change::Gone("packed".into()), at(62));
        waiting.heard(call("still there", About::Trim, Some("past trimming")), at(63));
        assert!(waiting.is_due(at(64), WALL.plus(5.0)));
        assert_eq!(texts(&waiting.words), "still there past trimming");
        waiting.heard(Change::Gone("still there".into()), at(65));
        assert!(!waiting.is_due(at(99), WALL.plus(60.0)));
    }

    fn sh(script: &str, input: &str, limit: f64, go_on: bool) -> Result<(), String> {
        let program = ["/bin/sh", "-c", script].map(String::from);
        let pause = || {
            thread::sleep(Duration::from_millis(10));
            go_on
        };
        carry_out(&program, input.as_bytes(), Duration::from_secs_f64(limit), pause)
    }

    #[test]
    fn a_program_hears_all_and_one_that_fails_or_hangs_is_said() {
        let dir = tempfile::tempdir().unwrap();
        let heard = dir.path().join("heard");
        let long = "x".repeat(1 << 20);
        sh(&format!("cat > {}", heard.display()), &long, 60.0, true).unwrap();
        assert_eq!(std::fs::read_to_string(heard).unwrap(), long);
        // One that does not listen, and says what nobody reads.
        sh("yes | head -c 1000000", &long, 60.0, true).unwrap();
        let failed = sh("exit 3", "", 60.0, true).unwrap_err();
        assert!(failed.contains("failed (exit status: 3)"), "{failed}");
        let nowhere = ["/nowhere/ring".to_owned()];
        let missing = carry_out(&nowhere, b"", LIMIT, || true).unwrap_err();
        assert_eq!(missing, "could not be run: there is nothing of that name");
        // All that a hanging one started ends with it.
        let pid = dir.path().join("pid");
        let hangs = format!("sleep 600 & echo $! > {}; wait", pid.display());
        for (limit, go_on) in [(0.5, true), (600.0, false)] {
            let why = sh(&hangs, "", limit, go_on).unwrap_err();
            let words = if go_on { "was killed: it took more than 0.5 s" } else { "before it had" };
            assert!(why.contains(words), "{why}");
        }
        let sleeper = std::fs::read_to_string(pid).unwrap();
        let stat = format!("/proc/{}/stat", sleeper.trim());
        let lives = || std::fs::read_to_string(&stat).is_ok_and(|stat| !stat.contains(") Z "));
        let begun = Instant::now();
        while lives() {
            assert!(begun.elapsed() < Duration::from_secs(30), "{sleeper} is killed");
            thread::sleep(Duration::from_millis(10));
        }
    }
}
