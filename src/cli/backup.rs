//! `backup`: the whole studio as one file, also while `watch` runs.

use super::words::Words;
use super::{Context, screen};
use crate::store::backup::{self, Held};
use std::path::PathBuf;
use std::process::ExitCode;

/// Options of `backup`.
#[derive(clap::Args, Debug)]
#[command(after_help = "\
The file is complete when it appears, and is checked before. `restore FILE` brings it back.")]
pub struct Args {
    /// The file to write
    #[arg(value_hint = clap::ValueHint::FilePath)]
    pub file: PathBuf,
    /// Put it in the place of a file of that name
    #[arg(long)]
    pub force: bool,
}

/// Runs `backup`.
pub fn run(args: Args, context: &Context) -> anyhow::Result<ExitCode> {
    let store = context.open()?;
    let held = backup::backup(&store, &args.file, args.force)?;
    let words = context.words(store.settings(), None)?;
    screen::tell(&format!("{}: {}", args.file.display(), in_words(&held, &words)));
    Ok(ExitCode::SUCCESS)
}

/// `12 pots, 3456 readings up to today 12:30`
pub fn in_words(held: &Held, words: &Words) -> String {
    let many = |n: u64, what: &str| match n {
        1 => format!("1 {what}"),
        n => format!("{n} {what}s"),
    };
    let until = held.last_reading.map(|time| format!(" up to {}", words.time(time)));
    let (pots, readings) = (many(held.pots as u64, "pot"), many(held.readings, "reading"));
    format!("{pots}, {readings}{}", until.unwrap_or_default())
}
