//! `simulate`: a made-up shelf behind a real pseudo-terminal, for trying things without hardware.

use super::{Context, whole_number};
use crate::clock;
use crate::simulate::play::{Pace, play};
use crate::simulate::pty::Pty;
use crate::simulate::scenario;
use crate::simulate::shelf::{Moment, Reporting, Shelf};
use crate::store::{Clash, Store, Stored};
use crate::units::{DAY, Time};
use anyhow::{Context as _, bail};
use jiff::tz::TimeZone;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread;
use tokio::signal::unix::{SignalKind, signal};

/// Options of `simulate`.
#[derive(clap::Args, Debug)]
pub struct Args {
    /// Which shelf: the same number gives the same pots, weather and faults
    #[arg(long, value_name = "N", default_value_t = 1)]
    #[arg(value_parser = whole_number::<u64>(0, u64::MAX), allow_negative_numbers = true)]
    pub seed: u64,
    /// How many pots, each on a cell of its own
    #[arg(long, value_name = "N", default_value_t = 6)]
    #[arg(value_parser = whole_number::<u8>(1, 99), allow_negative_numbers = true)]
    pub pots: u8,
    /// How many times faster than the clock
    #[arg(long, value_name = "FACTOR", default_value_t = 1.0, value_parser = positive)]
    pub speed: f64,
    /// Shelf days after which it ends [default: goes on until stopped]
    #[arg(long, value_name = "D", value_parser = positive)]
    pub days: Option<f64>,
    /// Shelf seconds between samples
    #[arg(long, value_name = "SECONDS", default_value_t = 60.0, value_parser = interval)]
    pub every: f64,
    /// Shelf time at which it begins, RFC 3339 [default: now; with --days and a --speed above 1 so
    /// that it ends now]
    #[arg(long, value_name = "TIME")]
    pub from: Option<String>,
    /// A link to the port, under a name that stays the same from one run to the next
    #[arg(long, value_name = "PATH")]
    pub link: Option<PathBuf>,
    /// End each line in its CRC-32
    #[arg(long)]
    pub checksum: bool,
    /// No rubbish on the line now and then
    #[arg(long)]
    pub clean: bool,
    /// Enter the made-up bodies, pots and handling into the studio, as they come
    #[arg(long)]
    pub enter: bool,
}

/// Runs `simulate`.
pub fn run(args: Args, context: &Context) -> anyhow::Result<ExitCode> {
    let length = args.days.map_or(f64::INFINITY, |days| days * DAY);
    let start = match &args.from {
        Some(text) => Time::parse_rfc3339(text).with_context(|| format!("--from {text:?}"))?,
        None if args.speed > 1.0 && length.is_finite() => whole(clock::now().plus(-length)),
        None => whole(clock::now()),
    };
    absolute(start, length)?;
    let scenario = scenario::shelf(args.seed, args.pots.into(), seconds_of_day(start));
    let reporting = Reporting { every: args.every, checksum: args.checksum, rubbish: !args.clean };
    let bodies = scenario.bodies.clone();
    let mut shelf = Shelf::new(scenario, args.seed, start, reporting);
    let mut diary = match args.enter {
        true => Some(Diary::open(&context.studio)?),
        false => None,
    };
    if let Some(diary) = &mut diary {
        refused("body", &diary.store.put_bodies(&bodies, Clash::Refuse)?)?;
    }
    let pty = Pty::open(args.link.as_deref())?;
    let port = args.link.as_deref().unwrap_or(pty.path());
    // The only thing on standard output: for `warecast watch --port "$(…)"`.
    writeln!(std::io::stdout(), "{}", port.display())?;
    let pots = if args.pots == 1 { "pot" } else { "pots" };
    anstream::eprintln!("A made-up shelf: {} invented {pots} from {start} on.", args.pots);
    for (i, pot) in shelf.pots().iter().enumerate() {
        let (ball, bat) = (pot.ball_g.unwrap_or_default(), pot.tare_g.unwrap_or_default());
        anstream::eprintln!(
            "  {}:cell-{}  {} ({}, ball {ball} g, bat {bat} g)",
            scenario::SHELF,
            i + 1,
            pot.name,
            pot.body
        );
    }
    anstream::eprintln!("It begins when somebody reads {}; Ctrl-C ends it.", port.display());
    let asked = stop_when_asked()?;
    let stop = || asked.load(Ordering::Relaxed);
    let pace = Pace { speed: args.speed, length };
    play(&mut shelf, &pty, pace, &stop, |_, moment| {
        for row in &moment.done {
            let detail = row.action.detail();
            anstream::eprintln!("{}  {} {} {detail}", row.time, row.pot, row.action.word());
        }
        diary.as_mut().map_or(Ok(()), |diary| diary.write(moment))
    })?;
    pty.drain(&stop)?;
    anstream::eprintln!("The shelf ends at {}.", shelf.now());
    Ok(ExitCode::SUCCESS)
}

/// Writes what the shelf's people do into a studio.
pub(super) struct Diary {
    pub(super) store: Store,
}

impl Diary {
    /// In that studio; it is made when it is not there.
    pub(super) fn open(studio: &Path) -> anyhow::Result<Diary> {
        Ok(Diary { store: Store::open_or_create(studio)? })
    }

    /// New pots, handling and bench weighings of a moment.
    pub(super) fn write(&mut self, moment: &Moment) -> anyhow::Result<()> {
        if !moment.made.is_empty() {
            refused("pot", &self.store.put_pots(&moment.made, Clash::Refuse)?)?;
        }
        if !moment.done.is_empty() {
            refused("handling row", &self.store.put_handling(&moment.done, Clash::Refuse)?)?;
        }
        if !moment.bench.is_empty() {
            refused("reading", &self.store.append(&moment.bench, Clash::Refuse)?)?;
        }
        Ok(())
    }
}

/// An invented row must not get into somebody's own.
pub(super) fn refused(what: &str, stored: &Stored) -> anyhow::Result<()> {
    if stored.refused.is_empty() {
        return Ok(());
    }
    bail!(
        "the studio holds another {what} under the same name or time already; it was left as it \
         is. Name a fresh studio with --studio DIR"
    )
}

/// Set once somebody presses Ctrl-C, closes the terminal, or asks the process to end.
pub(super) fn stop_when_asked() -> anyhow::Result<Arc<AtomicBool>> {
    let asked = Arc::new(AtomicBool::new(false));
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
    let mut signals = {
        let _inside = runtime.enter();
        let (interrupt, terminate) = (SignalKind::interrupt(), SignalKind::terminate());
        (signal(interrupt)?, signal(terminate)?, signal(SignalKind::hangup())?)
    };
    let flag = Arc::clone(&asked);
    thread::Builder::new().name("signals".into()).spawn(move || {
        runtime.block_on(async {
            tokio::select! {
                _ = signals.0.recv() => (),
                _ = signals.1.recv() => (),
                _ = signals.2.recv() => (),
            }
        });
        flag.store(true, Ordering::Relaxed);
    })?;
    Ok(asked)
}

/// The second that it lies in: nobody wants to read more of it.
fn whole(time: Time) -> Time {
    Time::from_seconds(time.seconds().floor())
}

/// Lines carry absolute times, which RFC 8428 knows by their size: 2²⁸ s after 1970 and above.
pub(super) fn absolute(start: Time, length: f64) -> anyhow::Result<()> {
    let earliest = Time::from_seconds(2f64.powi(28)).plus(DAY);
    let latest = Time::MAX.plus(-DAY);
    if start < earliest || latest.since(start) < length.min(DAY) {
        bail!("the shelf's time must lie between {earliest} and {latest}, not begin at {start}");
    }
    Ok(())
}

/// Seconds after midnight of this computer's time zone.
pub(super) fn seconds_of_day(time: Time) -> f64 {
    let local = time.timestamp().to_zoned_datetime(TimeZone::system());
    f64::from(local.hour()) * 3600.0 + f64::from(local.minute()) * 60.0 + f64::from(local.second())
}

pub(super) fn positive(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(value) if value.is_finite() && value > 0.0 => Ok(value),
        _ => Err("expected a number above 0".into()),
    }
}

fn interval(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(value) if (0.1..=86_400.0).contains(&value) => Ok(value),
        _ => Err("expected seconds between 0.1 and 86400".into()),
    }
}
