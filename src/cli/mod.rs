//! The command line: one file per command, no arithmetic.
//!
//! A command is a file with `#[derive(clap::Args)] pub struct Args` and
//! `pub fn run(args: Args, context: &Context) -> anyhow::Result<ExitCode>`; it is registered by
//! a `mod` line, a variant and a match arm in this file. What is meant for programs goes to
//! standard output, everything else to standard error.

pub mod export;
pub mod import;
pub mod log;
pub mod report;
pub mod simulate;
pub mod watch;

use anyhow::Context as _;
use clap::Parser;
use etcetera::BaseStrategy;
use std::io;
use std::path::PathBuf;
use std::process::ExitCode;

/// Exit status: some rows were refused, or nothing is ready.
pub const REFUSED: u8 = 1;
/// Exit status: wrong usage, or it could not be done.
pub const FAILED: u8 = 2;

/// Weighs drying pots and says when each can be trimmed and when it is bone-dry.
#[derive(Parser, Debug)]
#[command(name = "warecast", version, max_term_width = 100, subcommand_required = true)]
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

impl Cli {
    /// Runs the command.
    pub fn run(self) -> anyhow::Result<ExitCode> {
        let context = Context { studio: studio_dir(self.studio)? };
        self.command.run(&context)
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

/// One sentence on standard error.
pub fn say_error(error: &anyhow::Error) {
    anstream::eprintln!("warecast: {error:#}");
}

/// All commands, in the order of the help.
#[derive(clap::Subcommand, Debug)]
pub enum Command {
    /// What to trim now, what comes next, what is dry, what is doubtful and why
    Report(report::Args),
    /// A made-up shelf behind a real serial line, for trying things without hardware
    Simulate(simulate::Args),
    /// Take studio files (CSV) in
    Import(import::Args),
    /// Write the whole studio as studio files (CSV)
    Export(export::Args),
    /// Reads the serial ports and stores what they say, until it is stopped
    Watch(watch::Args),
}

impl Command {
    fn run(self, context: &Context) -> anyhow::Result<ExitCode> {
        match self {
            Command::Report(args) => report::run(args, context),
            Command::Simulate(args) => simulate::run(args, context),
            Command::Import(args) => import::run(args, context),
            Command::Export(args) => export::run(args, context),
            Command::Watch(args) => watch::run(args, context),
        }
    }
}
