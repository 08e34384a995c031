//! `ready`: names of the pots that are ready, for scripts.

use super::completions;
use super::names::{Roll, list};
use super::report::looking_at;
use super::screen::{self, CAUTION};
use super::words::printable;
use super::{Context, FAILED, REFUSED};
use crate::answers;
use crate::core::report::{FireCall, PotAnswer, TrimCall};
use crate::records::{Name, Pot};
use crate::units::{DAY, Time};
use std::io::Write;
use std::process::ExitCode;

/// Options of `ready`.
#[derive(clap::Args, Debug)]
#[command(after_long_help = "\
Names go to standard output, one per line: for `trim` in the order in which
their windows close. Everything else goes to standard error.

Exit status:
  0  at least one pot is ready
  1  none is
  2  none is, but for at least one that cannot be told, since it was not weighed
     lately (it is named on standard error); or it could not be found out at all

Not weighed lately: not for 24 h, or the report warns of it (`reading-stale`).
A pot that was not weighed for 24 h is never named as ready. `fire` means: no
further drying detected in this air. Whether a firing is right is for the
potter, the kiln maker's instructions and local codes to say.")]
pub struct Args {
    /// Ready for what
    what: What,
    /// Only these pots, or the pots of these boards
    #[arg(value_name = "POT-OR-BOARD", add = completions::pots_and_boards())]
    pots: Vec<String>,
    /// As it would have been at that time (18:25, yesterday 9:10 …) [default: now]
    #[arg(long, value_name = "WHEN")]
    at: Option<String>,
}

#[derive(clap::ValueEnum, Clone, Copy, PartialEq, Eq, Debug)]
enum What {
    /// To be trimmed: in the trimming window now
    Trim,
    /// For the kiln: no further drying detected in this air
    Fire,
}

/// Runs `ready`.
pub fn run(args: Args, context: &Context) -> anyhow::Result<ExitCode> {
    let store = context.open()?;
    let at = looking_at(args.at.as_deref(), context, store.settings())?.now;
    let roll = Roll::read(&store)?;
    let asked = asked(&args.pots, &roll, at)?;
    let studio = store.studio(at)?;
    let names: Vec<&Name> = asked.iter().filter(|name| studio.pots.contains_key(*name)).collect();
    let mut answers = answers::of_pots(&studio, &names);
    answers.sort_by_key(|a| (a.trim.closes.p50.unwrap_or(Time::MAX), a.pot.clone()));
    let (mut ready, mut doubtful) = (Vec::new(), Vec::new());
    for answer in &answers {
        let old = is_old(answer, &studio.pots[&answer.pot], at);
        let stale = old || answer.warnings.iter().any(|w| w.code == "reading-stale");
        if is_ready(answer, args.what) && !old {
            ready.push(answer.pot.as_str());
        } else if stale && may_be_ready(answer, args.what) {
            doubtful.push(answer.pot.as_str());
        }
    }
    if args.what == What::Fire {
        ready.sort_unstable();
    }
    let mut out = std::io::stdout().lock();
    for name in &ready {
        writeln!(out, "{}", printable(name))?;
    }
    out.flush()?;
    if !doubtful.is_empty() {
        screen::complain(&format!(
            "not weighed lately: {}. Weigh again: warecast weigh POT GRAMS",
            list(&doubtful)
        ));
    }
    if args.what == What::Fire && !ready.is_empty() {
        screen::complain(CAUTION);
    }
    Ok(match (ready.is_empty(), doubtful.is_empty()) {
        (false, _) => ExitCode::SUCCESS,
        (true, true) => ExitCode::from(REFUSED),
        (true, false) => ExitCode::from(FAILED),
    })
}

/// The pots in question: those named, else all that are still drying.
fn asked(words: &[String], roll: &Roll, at: Time) -> anyhow::Result<Vec<Name>> {
    if words.is_empty() {
        let drying = |pot: &&Pot| roll.past_it(&pot.name, at).is_none();
        return Ok(roll.pots.iter().filter(drying).map(|pot| pot.name.clone()).collect());
    }
    let mut names = Vec::new();
    for word in words {
        names.extend(roll.target(word, at, false)?.pots);
    }
    names.sort_unstable();
    names.dedup();
    Ok(names)
}

fn is_ready(answer: &PotAnswer, what: What) -> bool {
    match what {
        What::Trim => answer.trim.call == TrimCall::Now,
        What::Fire => answer.fire.call == FireCall::Ready,
    }
}

/// Whether a fresh weighing could make it ready: a trimmed pot is not in question for `trim`.
fn may_be_ready(answer: &PotAnswer, what: What) -> bool {
    what == What::Fire || answer.trim.call != TrimCall::Done
}

/// Not weighed for 24 h. A pot that is younger than that needs no weighing, and one that is like
/// another is judged by that one.
fn is_old(answer: &PotAnswer, pot: &Pot, at: Time) -> bool {
    match answer.evidence.last_reading_at {
        Some(last) => at.since(last) > DAY,
        None => pot.like.is_none() && at.since(pot.made_at) > DAY,
    }
}
