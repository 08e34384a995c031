//! `plot`: the picture of a pot.

use super::names::Roll;
use super::report::{self, looking_at};
use super::words::{Words, printable};
use super::{Context, completions, screen};
use crate::answers;
use crate::plot::{self, Look};
use crate::store::settings::Units;
use anyhow::bail;
use std::path::PathBuf;
use std::process::ExitCode;

/// Options of `plot`.
#[derive(clap::Args, Debug)]
#[command(after_long_help = "\
What is in the picture:
  dots      weighings, without what else stood on the scale; crosses: left out of the fit
  line      fitted mass; dashed: forecast under the covers in the log, with those planned
  band      in 8 of 10 cases the pot lies within
  window    masses at which the pot can be trimmed; below, filled: when it can be on the middle
            forecast; hatched: when it perhaps can be
  diamond   bone-dry on the middle forecast; the bar holds 8 of 10 cases

Nothing is said by colour alone; with NO_COLOR set, the picture is grey.")]
pub struct Args {
    /// The pot
    #[arg(add = completions::pots())]
    pub pot: String,
    /// Where to, ending in .svg or .png [default: the pot's name and .svg, here]
    #[arg(short, long, value_name = "FILE")]
    pub output: Option<PathBuf>,
    /// As it would have been at that time (18:25, yesterday 9:10, 2031-04-02 18:25 …)
    /// [default: now]
    #[arg(long, value_name = "WHEN")]
    pub at: Option<String>,
    /// Overwrite the file if it exists
    #[arg(long)]
    pub force: bool,
}

/// Runs `plot`.
pub fn run(args: Args, context: &Context) -> anyhow::Result<ExitCode> {
    let store = context.open()?;
    let words = looking_at(args.at.as_deref(), context, store.settings())?;
    let pot = Roll::read(&store)?.find(&args.pot)?.name.clone();
    report::air_forecast(&store, &words);
    let studio = store.studio(words.now)?;
    let Some(answer) = answers::depict(&studio, &pot) else {
        let name = printable(&pot);
        bail!("{name} was not made yet at {}: give a later --at", words.full_time(words.now));
    };
    let look = look(&words, args.force);
    let path = args.output.unwrap_or_else(|| plot::file_name(&pot, "svg"));
    plot::write(&answer, &path, &look)?;
    screen::say(&format!("wrote {}", printable(&path.display().to_string())))
}

/// How this studio's pictures look.
pub fn look(words: &Words, force: bool) -> Look {
    Look {
        at: words.now,
        zone: words.zone.clone(),
        us: words.units == Units::Us,
        greys: std::env::var_os("NO_COLOR").is_some_and(|set| !set.is_empty()),
        force,
    }
}
