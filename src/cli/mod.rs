//! The command line: one file per command, no arithmetic.
//!
//! A command is a file with `#[derive(clap::Args)] pub struct Args` and
//! `pub fn run(args: Args, context: &Context) -> anyhow::Result<ExitCode>`; it is registered by
//! a `mod` line, a variant and a match arm in this file. What is meant for programs goes to
//! standard output, everything else to standard error.

pub mod allotting;
pub mod backup;
pub mod blend;
pub mod body;
pub mod calendar;
pub mod calibrate;
pub mod calibrated;
pub mod checkup;
pub mod compare;
pub mod completions;
pub mod demo;
pub mod diary;
pub mod export;
pub mod figures;
pub mod findings;
pub mod import;
pub mod inputs;
pub mod kiln;
pub mod learnt;
pub mod loads;
pub mod log;
pub mod names;
pub mod note;
pub mod plan;
pub mod plot;
pub mod pot;
pub mod progress;
pub mod questions;
pub mod ready;
pub mod report;
pub mod restore;
pub mod round;
pub mod said;
pub mod sample;
pub mod scorecard;
pub mod screen;
pub mod simulate;
pub mod undo;
pub mod walk;
pub mod watch;
pub mod weigh;
pub mod when;
pub mod words;

use crate::clock;
use crate::store::settings::{BAUD_MAX, Settings};
use crate::store::{Store, StoreError};
use crate::units::Time;
use anyhow::Context as _;
use clap::Parser;
use etcetera::BaseStrategy;
use jiff::tz::TimeZone;
use std::io::{self, IsTerminal};
use std::path::PathBuf;
use std::process::ExitCode;
use words::Words;

/// Exit status: some rows were refused, nothing is ready, or something is wrong.
pub const REFUSED: u8 = 1;
/// Exit status: wrong usage, or it could not be done.
pub const FAILED: u8 = 2;

/// Weighs drying pots and says when each can be trimmed and when it is bone-dry.
#[derive(Parser, Debug)]
#[command(
    name = "warecast",
    version,
    max_term_width = 100,
    subcommand_required = true,
    after_help = "\
Exit status: 0 done; 1 some rows were refused, (ready) nothing is ready, or
(checkup) something is wrong; 2 wrong usage, or it could not be done.
WARECAST_LOG says how much is told on the way: error, warn, info, debug.
NO_COLOR=1 keeps colours away."
)]
pub struct Cli {
    /// The studio's folder [default: warecast in the user's data folder]
    #[arg(
        long,
        global = true,
        env = "WARECAST_STUDIO",
        value_name = "DIR",
        hide_env_values = true
    )]
    pub studio: Option<PathBuf>,
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
}

/// What every command is given.
#[derive(Clone, Debug)]
pub struct Context {
    /// The studio's folder.
    pub studio: PathBuf,
}

impl Context {
    /// Opens the studio, which must be there.
    pub fn open(&self) -> anyhow::Result<Store> {
        Ok(Store::open(&self.studio)?)
    }

    /// How this studio says things to people; `at`: the time that is looked at, where it is not
    /// now.
    pub fn words(&self, settings: &Settings, at: Option<Time>) -> anyhow::Result<Words> {
        let zone = match &settings.time_zone {
            None => TimeZone::system(),
            Some(name) => TimeZone::get(name)
                .with_context(|| format!("no time zone \"{name}\" (studio.toml: time_zone)"))?,
        };
        let now = clock::now();
        let (now, live) = (at.unwrap_or(now), at.is_none());
        Ok(Words { units: settings.units, zone, now, live, dated: false })
    }

    /// How to call this program on this studio again, for commands to copy.
    pub fn command(&self) -> String {
        // Under the path it was called by, where that is none that the shell looks up.
        let called = std::env::args().next().filter(|name| name.contains('/'));
        let program = called.unwrap_or("warecast".into());
        let program = words::shell_word(&program).into_owned();
        match studio_dir(std::env::var_os("WARECAST_STUDIO").map(PathBuf::from)) {
            Ok(dir) if dir == self.studio => program,
            _ => {
                let dir = self.studio.display().to_string();
                format!("{program} --studio {}", words::shell_word(&dir))
            }
        }
    }
}

impl Cli {
    /// Runs the command.
    pub fn run(self) -> anyhow::Result<ExitCode> {
        let context = Context { studio: studio_dir(self.studio)? };
        // These two have another file at hand as well.
        let of_studio = !matches!(self.command, Command::Backup(_) | Command::Restore(_));
        self.command.run(&context).map_err(|error| match error.downcast_ref() {
            // The database does not know its own path.
            Some(StoreError::Database(_)) if of_studio => {
                anyhow::anyhow!("{}", context.studio.join(error.to_string()).display())
            }
            _ => error,
        })
    }
}

/// The folder as it was given, else the one in the user's data folder.
fn studio_dir(given: Option<PathBuf>) -> anyhow::Result<PathBuf> {
    match given.filter(|dir| !dir.as_os_str().is_empty()) {
        Some(dir) => Ok(dir),
        None => Ok(etcetera::choose_base_strategy()
            .context("no home folder to keep the studio in: say where it is with --studio DIR")?
            .data_dir()
            .join("warecast")),
    }
}

/// Whether the only thing wrong is that nobody reads our output any more (`… | head`).
pub fn reader_went_away(error: &anyhow::Error) -> bool {
    error.chain().any(|cause| match cause.downcast_ref::<io::Error>() {
        Some(error) => error.kind() == io::ErrorKind::BrokenPipe,
        None => false,
    })
}

/// Help and version as they are asked for; what is wrong with a command line on standard error,
/// wrapped where it goes to a terminal (the parser wraps its help alone).
pub fn say_usage(error: &clap::Error) -> ExitCode {
    if !error.use_stderr() || !io::stderr().is_terminal() {
        error.exit();
    }
    let said = error.render();
    anstream::eprint!("{}", screen::usage(&said.ansi().to_string(), screen::terminal_width()));
    ExitCode::from(FAILED)
}

/// One sentence on standard error.
pub fn say_error(error: &anyhow::Error) {
    screen::complain(&format!("{error:#}"));
}

/// A whole number between two, ends included, for options; what is wrong is said in plain words.
pub fn whole_number<T: TryFrom<u64>>(
    low: u64,
    high: u64,
) -> impl Fn(&str) -> Result<T, String> + Clone + Send + Sync + 'static {
    move |text: &str| {
        let number = text.parse::<u64>().ok().filter(|number| (low..=high).contains(number));
        let expected = match high {
            u64::MAX => format!("a whole number from {low} on is wanted"),
            _ => format!("a whole number from {low} to {high} is wanted"),
        };
        number.and_then(|number| T::try_from(number).ok()).ok_or(expected)
    }
}

/// Bits per second, as an option.
pub fn baud_rate(text: &str) -> Result<u32, String> {
    whole_number(1, BAUD_MAX.into())(text)
}

/// All commands, in the order of the help.
#[derive(clap::Subcommand, Debug)]
pub enum Command {
    /// Clay bodies: add, sample, blend, list, show
    Body(body::Args),
    /// Pots: add, list, show
    Pot(pot::Args),
    /// Write down what was done to pots, or is going to be
    Note(note::Args),
    /// Write down what a pot weighs
    Weigh(weigh::Args),
    /// Weigh the pots that most need it now, in the order of a walk along the boards
    Round(round::Args),
    /// Read the serial ports and store what they say, until stopped
    Watch(watch::Args),
    /// Say in plain words what is wrong with ports, cells, sensors, disk and clock, and what to do
    Checkup(checkup::Args),
    /// Find out what the raw counts of a load cell weigh, by known masses
    Calibrate(calibrate::Args),
    /// Say what to trim now, what comes next, what is dry, what is doubtful and why
    Report(report::Args),
    /// Print the names of the pots that are ready, for scripts
    Ready(ready::Args),
    /// Say which pots to cover and uncover when, so that they can be trimmed while you are there
    Plan(plan::Args),
    /// Kiln loads: add, list, show how likely all is dry when it is packed, remove
    Kiln(kiln::Args),
    /// Say how good past forecasts were, made again as of then
    Scorecard(scorecard::Args),
    /// Hold treatments against each other: how many pots, who gets what, what came out
    Compare(compare::Args),
    /// Draw the picture of a pot: weighings, fit, forecast, handling and air
    Plot(plot::Args),
    /// Write a page to keep: a pot from wheel to kiln, or a body and its pots
    Diary(diary::Args),
    /// Take studio files (CSV) in
    Import(import::Args),
    /// Write the whole studio as studio files (CSV)
    Export(export::Args),
    /// Write the whole studio into one file, also while `watch` runs
    Backup(backup::Args),
    /// Bring the studio back from a file that `backup` wrote
    Restore(restore::Args),
    /// Four days of a made-up studio in less than half a minute, through the real daemon
    Demo(demo::Args),
    /// Play a made-up shelf behind a real serial line, for trying things without hardware
    Simulate(simulate::Args),
    /// Print what a shell needs to complete commands and names
    Completions(completions::Args),
}

impl Command {
    fn run(self, context: &Context) -> anyhow::Result<ExitCode> {
        match self {
            Command::Body(args) => body::run(args, context),
            Command::Pot(args) => pot::run(args, context),
            Command::Note(args) => note::run(args, context),
            Command::Weigh(args) => weigh::run(args, context),
            Command::Round(args) => round::run(args, context),
            Command::Watch(args) => watch::run(args, context),
            Command::Checkup(args) => checkup::run(args, context),
            Command::Calibrate(args) => calibrate::run(args, context),
            Command::Report(args) => report::run(args, context),
            Command::Ready(args) => ready::run(args, context),
            Command::Plan(args) => plan::run(args, context),
            Command::Kiln(args) => kiln::run(args, context),
            Command::Scorecard(args) => scorecard::run(args, context),
            Command::Compare(args) => compare::run(args, context),
            Command::Plot(args) => plot::run(args, context),
            Command::Diary(args) => diary::run(args, context),
            Command::Import(args) => import::run(args, context),
            Command::Export(args) => export::run(args, context),
            Command::Backup(args) => backup::run(args, context),
            Command::Restore(args) => restore::run(args, context),
            Command::Demo(args) => demo::run(args, context),
            Command::Simulate(args) => simulate::run(args, context),
            Command::Completions(args) => completions::run(args, context),
        }
    }
}
