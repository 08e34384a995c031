//! `restore`: the studio as a backup has it.

use super::{Context, screen};
use crate::store::{SETTINGS, Settings, backup};
use crate::watch::lock::{Lock, LockError};
use anyhow::bail;
use std::path::PathBuf;
use std::process::ExitCode;

/// Options of `restore`.
#[derive(clap::Args, Debug)]
#[command(after_help = "\
The backup is checked before anything changes. What was in the studio is kept beside it, and can
be brought back in the same way.")]
pub struct Args {
    /// A file that `backup` wrote
    #[arg(value_hint = clap::ValueHint::FilePath)]
    pub file: PathBuf,
}

/// Runs `restore`.
pub fn run(args: Args, context: &Context) -> anyhow::Result<ExitCode> {
    let dir = &context.studio;
    // Where there is no folder yet, nobody watches it.
    let _lock = match dir.exists().then(|| Lock::take(dir)).transpose() {
        Err(LockError::Held(who)) => {
            bail!("this studio is being watched by {who}: stop that first")
        }
        other => other?,
    };
    let restored = backup::restore(dir, &args.file)?;
    let settings = Settings::read(dir)?;
    let words = context.words(&settings, None)?;
    let held = super::backup::in_words(&restored.held, &words);
    screen::tell(&format!("{}: {held}, brought back", dir.display()));
    if let Some(before) = &restored.before {
        screen::tell(&format!("What was there before is in {}", before.display()));
    }
    if let Some(tell) = &settings.tell {
        screen::tell(&format!(
            "`watch` will run {} and tell it what changes: if that is not yours, take [tell] \
             out of {}",
            tell.program.join(" "),
            dir.join(SETTINGS).display()
        ));
    }
    for (name, beside) in &restored.beside {
        screen::tell(&format!(
            "{name} stays as it is; that of the backup is in {}",
            beside.display()
        ));
    }
    Ok(ExitCode::SUCCESS)
}
