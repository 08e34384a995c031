//! `demo`: four days of a made-up studio in less than half a minute, through the real daemon.
//!
//! A made-up shelf stands behind a pseudo-terminal; `watch` runs as a process of its own and reads
//! it as it would read a board on a serial port, only faster. What the invented potters do is
//! written down as it happens. What comes out is a studio like any other.

use super::simulate::{Diary, absolute, positive, refused, stop_when_asked};
use super::words::shell_word;
use super::{Context, FAILED, plot, report, screen, whole_number};
use crate::clock;
use crate::records::{Action, Cover, Quantity};
use crate::simulate::play::{End, Pace, play};
use crate::simulate::pty::Pty;
use crate::simulate::scenario;
use crate::simulate::shelf::{Moment, Reporting, Shelf};
use crate::store::Clash;
use crate::units::{HOUR, Time};
use anyhow::{Context as _, bail};
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use jiff::tz::TimeZone;
use jiff::{ToSpan, ZonedDateTime};
use rustix::process::{Pid, Signal, kill_process};
use std::cell::RefCell;
use std::fs::{self, File};
use std::io::{IsTerminal, Write};
use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, ExitCode, Stdio};
use std::sync::atomic::Ordering;
use std::thread;
use std::time::Duration;

/// The folder that is made when no other is named.
const FOLDER: &str = "warecast-demo";
/// What the daemon says goes here, in the studio's folder.
const LOG: &str = "watch.log";
/// How long the daemon may take to open its port, to store what came last, and to end.
const PATIENCE: Duration = Duration::from_secs(20);
/// How often it is looked after meanwhile.
const LOOK: Duration = Duration::from_millis(50);

/// What lies in the folder, so that nobody takes it for measured.
const ABOUT: &str = "\
Everything in this folder is made up by `warecast demo`: the studio, its clay bodies, its pots and
what they weigh. No clay has been measured for it. Delete the folder when you are done with it.

studio.toml, studio.db   the studio: settings and database
watch.log                what the daemon said while it read the made-up shelf
*.svg, *.png             pictures of two pots
";

/// Options of `demo`.
#[derive(clap::Args, Debug)]
pub struct Args {
    /// The folder to make [default: warecast-demo in the current one]
    #[arg(long, value_name = "DIR")]
    pub into: Option<PathBuf>,
    /// Which shelf: the same number gives the same pots, weather and faults
    #[arg(long, value_name = "N", default_value_t = 1)]
    #[arg(value_parser = whole_number::<u64>(0, u64::MAX), allow_negative_numbers = true)]
    pub seed: u64,
    /// How many times faster than the clock
    #[arg(long, value_name = "FACTOR", default_value_t = 20_000.0, value_parser = positive)]
    pub speed: f64,
    /// Shelf time at which it ends, RFC 3339 [default: the last half past ten in the morning]
    #[arg(long, value_name = "TIME")]
    pub until: Option<String>,
    /// Shelf hours after which it breaks off; for tests
    #[arg(long, value_name = "HOURS", value_parser = positive, hide = true)]
    pub hours: Option<f64>,
}

/// Runs `demo`.
pub fn run(args: Args, _context: &Context) -> anyhow::Result<ExitCode> {
    let folder = args.into.clone().unwrap_or_else(|| FOLDER.into());
    let scenario = scenario::demo(args.seed);
    let end = match &args.until {
        Some(text) => Time::parse_rfc3339(text).with_context(|| format!("--until {text:?}"))?,
        None => last_half_past_ten(clock::now()),
    };
    let length = args.hours.map_or(scenario.length, |h| scenario.length.min(h * HOUR));
    let start = end.plus(-scenario.length);
    let bodies = scenario.bodies.clone();
    let mut shelf = Shelf::new(scenario, args.seed, start, Reporting::default());

    absolute(start, length)?;
    make_folder(&folder)?;
    let asked = stop_when_asked()?;
    let asked = || asked.load(Ordering::Relaxed);
    let mut diary = Diary::open(&folder)?;
    refused("body", &diary.store.put_bodies(&bodies, Clash::Refuse)?)?;
    let pty = Pty::open(None)?;
    let daemon = Daemon::start(&folder, &pty)?;
    screen::tell(&format!(
        "A made-up studio by the sea, in {}. Its shelf sends SenML lines down {}, and \
         `warecast watch` reads them there, {:.0} times faster than the clock.",
        folder.display(),
        pty.path().display(),
        args.speed
    ));
    anstream::eprintln!();
    let begun = clock::steady();
    daemon.wait_until_it_listens(&pty, &asked)?;
    let screen = Screen::new(length);
    let stop = || asked() || daemon.has_ended();
    let pace = Pace { speed: args.speed, length };
    let played = play(&mut shelf, &pty, pace, &stop, |shelf, moment| {
        screen.show(shelf, moment);
        diary.write(moment)
    });
    screen.finish();
    if played? == End::Over {
        daemon.wait_until_stored(&diary, &shelf, &asked)?;
    }
    if !asked() && daemon.has_ended() {
        return Err(daemon.complaint());
    }
    daemon.stop()?;
    if asked() {
        anstream::eprintln!("Stopped. What came so far is in {}.", folder.display());
        return Ok(ExitCode::from(FAILED));
    }
    refused("handling row", &diary.store.put_handling(&shelf.plans(), Clash::Refuse)?)?;
    drop(diary);
    screen::tell(&format!(
        "{:.1} days of the shelf in {:.0} s. This is how it stands at their end, {}:",
        shelf.elapsed() / (24.0 * HOUR),
        begun.elapsed().as_secs_f64(),
        local(shelf.now())
    ));
    anstream::eprintln!();
    let context = Context { studio: folder.clone() };
    let at = shelf.now().to_string();
    let status = report::run(report::Args { at: Some(at), json: false }, &context)?;
    draw(&shelf, &context)?;
    say_what_next(&folder, shelf.now());
    Ok(status)
}

/// Draws two pots as of the shelf's last moment, as `plot` would.
fn draw(shelf: &Shelf, context: &Context) -> anyhow::Result<()> {
    anstream::eprintln!();
    for (pots, ending) in [(["planter-2", "saucer-1"], "svg"), (["jar-1", "saucer-1"], "png")] {
        // A demo that was cut short may not have the first of them.
        let Some(pot) = pots.into_iter().find(|pot| shelf.truth(pot).is_some()) else { continue };
        let args = plot::Args {
            pot: pot.into(),
            output: Some(context.studio.join(format!("{pot}.{ending}"))),
            at: Some(shelf.now().to_string()),
            force: false,
        };
        plot::run(args, context)?;
    }
    Ok(())
}

/// Commands to try, ready to be pasted.
fn say_what_next(folder: &Path, at: Time) {
    let program = std::env::args().next().unwrap_or_else(|| "warecast".into());
    let program = shell_word(&program);
    let studio = format!("{program} --studio {}", shell_word(&folder.to_string_lossy()));
    let when = |time: Time| format!("'{}'", zoned(time).strftime("%Y-%m-%d %H:%M"));
    let (evening, later) = (when(at.plus(-16.0 * HOUR)), when(at.plus(600.0)));
    anstream::eprintln!(
        "\nTry next (all of it is invented, see {about}):\n\
         \n  what it would have said the evening before\
         \n    {studio} report --at {evening}\
         \n  write down a trim, and look again\
         \n    {studio} note planter-2 trim --at {later}\
         \n    {studio} report --at {later}\
         \n  the picture of another pot\
         \n    {studio} plot tall-planter --at {now} --output {picture}\
         \n  the report for programs\
         \n    {studio} report --at {now} --json\
         \n  a shelf that goes by the clock, and the daemon that reads it (in two terminals)\
         \n    {program} --studio warecast-live simulate --enter --link warecast-live/port\
         \n    {program} --studio warecast-live watch --port warecast-live/port",
        about = folder.join("ABOUT.txt").display(),
        now = when(at),
        picture = shell_word(&folder.join("tall-planter.svg").to_string_lossy()),
    );
}

/// Makes the folder, or takes one that is there and empty.
fn make_folder(folder: &Path) -> anyhow::Result<()> {
    match fs::read_dir(folder) {
        Ok(mut entries) => {
            if entries.next().is_some() {
                bail!(
                    "{} is there already and holds something: the demo wants a folder of its \
                     own and has left it as it is. Name another with --into, or move it away",
                    folder.display()
                );
            }
        }
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => {
            fs::create_dir_all(folder)
                .with_context(|| format!("cannot make the folder {}", folder.display()))?;
        }
        Err(error) => {
            return Err(error).with_context(|| format!("cannot use {}", folder.display()));
        }
    }
    let about = folder.join("ABOUT.txt");
    fresh(&about)
        .and_then(|mut file| file.write_all(ABOUT.as_bytes()))
        .with_context(|| format!("cannot write {}", about.display()))
}

/// A file of that name that is new, so that no link leads out of the folder.
fn fresh(path: &Path) -> std::io::Result<File> {
    match fs::remove_file(path) {
        Err(error) if error.kind() != std::io::ErrorKind::NotFound => Err(error),
        _ => File::create_new(path),
    }
}

/// The daemon, as a process of its own. It ends with the demo, whatever happens.
struct Daemon {
    child: RefCell<Child>,
    log: PathBuf,
}

impl Daemon {
    fn start(folder: &Path, pty: &Pty) -> anyhow::Result<Daemon> {
        let log = folder.join(LOG);
        let file = fresh(&log).with_context(|| format!("cannot write {}", log.display()))?;
        let program = std::env::current_exe().context("cannot find this program's own file")?;
        let child = Command::new(&program)
            .arg("--studio")
            .arg(folder)
            .args(["watch", "--port"])
            .arg(pty.path())
            // Should this program be killed, it ends too.
            .args(["--parent", &std::process::id().to_string()])
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(file)
            // A group of its own: Ctrl-C reaches it through us, once.
            .process_group(0)
            .spawn()
            .with_context(|| format!("cannot start {}", program.display()))?;
        Ok(Daemon { child: RefCell::new(child), log })
    }

    fn has_ended(&self) -> bool {
        !matches!(self.child.borrow_mut().try_wait(), Ok(None))
    }

    fn wait_until_it_listens(&self, pty: &Pty, asked: &dyn Fn() -> bool) -> anyhow::Result<()> {
        self.wait("open its port", asked, || Ok(pty.has_reader()))
    }

    /// Waits until it has read and stored the shelf's last moment.
    fn wait_until_stored(
        &self,
        diary: &Diary,
        shelf: &Shelf,
        asked: &dyn Fn() -> bool,
    ) -> anyhow::Result<()> {
        self.wait("store what the shelf sent last", asked, || {
            let last = diary.store.last_reading("room", Quantity::Temperature)?;
            Ok(last.is_some_and(|point| point.time >= shelf.now()))
        })
    }

    /// Asks it to end and waits until it has stored everything.
    fn stop(&self) -> anyhow::Result<()> {
        self.signal(Signal::TERM);
        self.wait("end", &|| false, || Ok(self.has_ended()))?;
        match self.child.borrow_mut().wait()?.success() {
            true => Ok(()),
            false => Err(self.complaint()),
        }
    }

    /// Waits for something that it should do; returns at once if it is `asked` to stop or the
    /// daemon has ended.
    fn wait(
        &self,
        what: &str,
        asked: &dyn Fn() -> bool,
        done: impl Fn() -> anyhow::Result<bool>,
    ) -> anyhow::Result<()> {
        let begun = clock::steady();
        while !asked() && !self.has_ended() && !done()? {
            if begun.elapsed() > PATIENCE {
                bail!("`warecast watch` does not {what}; see {}", self.log.display());
            }
            thread::sleep(LOOK);
        }
        Ok(())
    }

    fn signal(&self, signal: Signal) {
        if self.has_ended() {
            return;
        }
        if let Ok(Some(pid)) = i32::try_from(self.child.borrow().id()).map(Pid::from_raw) {
            // Fails only if it has ended by itself meanwhile.
            let _ = kill_process(pid, signal);
        }
    }

    /// What it said last, when it ended though it should not have.
    fn complaint(&self) -> anyhow::Error {
        let log = fs::read_to_string(&self.log).unwrap_or_default();
        let last = log.lines().rev().find(|line| !line.trim().is_empty());
        let status = self.child.borrow_mut().try_wait().ok().flatten();
        let status = status.map_or_else(|| "no exit status".into(), |s| s.to_string());
        anyhow::anyhow!(
            "`warecast watch` ended before the shelf did ({status}). The last that it said: {} \
             (all of it is in {})",
            last.unwrap_or("nothing"),
            self.log.display()
        )
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        self.signal(Signal::TERM);
        if self.wait("end", &|| false, || Ok(false)).is_err() {
            // It does not end when it is asked to: nothing is left but this.
            let _ = self.child.get_mut().kill();
        }
        let _ = self.child.get_mut().wait();
    }
}

/// What is seen while the days go by: a bar on a terminal, plain lines elsewhere.
struct Screen {
    bar: ProgressBar,
}

impl Screen {
    fn new(length: f64) -> Screen {
        let bar = ProgressBar::new((length / HOUR).ceil() as u64);
        if !std::io::stderr().is_terminal() {
            bar.set_draw_target(ProgressDrawTarget::hidden());
        }
        // The template is a constant; the default style serves if it ever should not parse.
        if let Ok(style) = ProgressStyle::with_template("{wide_bar} {pos:>3} of {len} h  {msg}") {
            bar.set_style(style);
        }
        Screen { bar }
    }

    fn show(&self, shelf: &Shelf, moment: &Moment) {
        for line in happenings(moment) {
            if self.bar.is_hidden() {
                anstream::eprintln!("{line}");
            } else {
                self.bar.println(line);
            }
        }
        self.bar.set_position((shelf.elapsed() / HOUR) as u64);
        self.bar.set_message(local(moment.time));
    }

    fn finish(&self) {
        self.bar.finish_and_clear();
    }
}

/// What people did, a line for each kind of deed.
fn happenings(moment: &Moment) -> Vec<String> {
    let trimmed =
        |pot: &str| moment.done.iter().any(|row| row.pot == pot && row.action == Action::Trim);
    let mut deeds: Vec<(String, Vec<&str>)> = Vec::new();
    let mut add = |deed: String, pot| match deeds.iter_mut().find(|(d, _)| *d == deed) {
        Some((_, pots)) => pots.push(pot),
        None => deeds.push((deed, vec![pot])),
    };
    for pot in &moment.made {
        add(format!("off the wheel, of {}", pot.body), &pot.name);
    }
    for row in &moment.done {
        match row.action {
            Action::Cover(Cover::Open) => add("opened".into(), &row.pot),
            Action::Cover(cover) => add(cover.word().into(), &row.pot),
            Action::Trim => add("trimmed, and stood on its rim".into(), &row.pot),
            Action::Flip if !trimmed(&row.pot) => add("stood on its rim".into(), &row.pot),
            _ => {}
        }
    }
    for reading in &moment.bench {
        let pot = reading.pot.as_deref().unwrap_or_default();
        add(format!("on the bench scale, {:.0} g with its bat", reading.value), pot);
    }
    let time = local(moment.time);
    deeds.into_iter().map(|(deed, pots)| format!("{time}  {}: {deed}", pots.join(", "))).collect()
}

/// Day and time in this computer's time zone.
fn local(time: Time) -> String {
    zoned(time).strftime("%a %H:%M").to_string()
}

fn zoned(time: Time) -> ZonedDateTime {
    time.timestamp().to_zoned_datetime(TimeZone::system())
}

/// The last half past ten in the morning, in this computer's time zone.
fn last_half_past_ten(now: Time) -> Time {
    let local = zoned(now);
    let today = local.with().hour(10).minute(30).second(0).subsec_nanosecond(0).build();
    let found =
        today.and_then(|today| if today <= local { Ok(today) } else { today.checked_sub(1.day()) });
    // Only at the very ends of the calendar is there none.
    found.map_or(now, |found| Time(found.timestamp().as_microsecond()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ends_at_half_past_ten_and_never_in_the_future() {
        for hours in 0..48 {
            let now = Time::from_seconds(1_932_900_000.0 + 3600.0 * f64::from(hours));
            let end = last_half_past_ten(now);
            assert!(end <= now && now.since(end) <= 25.0 * HOUR);
            assert!(local(end).ends_with("10:30"));
        }
    }

    #[test]
    fn a_folder_of_its_own() {
        let home = tempfile::tempdir().unwrap();
        let fresh = home.path().join("a/b");
        make_folder(&fresh).unwrap();
        assert!(fresh.join("ABOUT.txt").exists());
        let again = make_folder(&fresh).unwrap_err().to_string();
        assert!(again.contains("left it as it is"), "{again}");
        let file = home.path().join("file");
        fs::write(&file, "").unwrap();
        assert!(make_folder(&file).is_err());
    }
}
