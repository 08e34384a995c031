//! Completion in the shell: commands, options, and the names of the studio.
//!
//! The shell asks this very program what could follow, so that pots, boards and bodies complete
//! as they are stored.

use super::Context;
use super::names::Roll;
use crate::records::ACTION_WORDS;
use crate::store::Store;
use anyhow::Context as _;
use clap_complete::engine::{ArgValueCompleter, CompletionCandidate};
use clap_complete::env::Shells;
use std::collections::BTreeSet;
use std::ffi::OsStr;
use std::path::PathBuf;
use std::process::ExitCode;

/// Options of `completions`.
#[derive(clap::Args, Debug)]
#[command(after_help = "\
Make your shell read it when it starts:
  bash  echo 'source <(warecast completions bash)' >> ~/.bashrc
  zsh   echo 'source <(warecast completions zsh)' >> ~/.zshrc
  fish  echo 'warecast completions fish | source' > ~/.config/fish/completions/warecast.fish")]
pub struct Args {
    /// The shell
    #[arg(value_parser = ["bash", "elvish", "fish", "powershell", "zsh"])]
    shell: String,
}

/// Runs `completions`.
pub fn run(args: Args, _context: &Context) -> anyhow::Result<ExitCode> {
    let shells = Shells::builtins();
    let shell = shells.completer(&args.shell).context("this shell is not known")?;
    let mut out = std::io::stdout().lock();
    shell.write_registration("COMPLETE", "warecast", "warecast", "warecast", &mut out)?;
    Ok(ExitCode::SUCCESS)
}

/// Completes pots.
pub fn pots() -> ArgValueCompleter {
    ArgValueCompleter::new(|current: &OsStr| offer(current, |roll| pot_names(&roll)))
}

/// Completes boards.
pub fn boards() -> ArgValueCompleter {
    ArgValueCompleter::new(|current: &OsStr| offer(current, |roll| board_names(&roll)))
}

/// Completes pots and boards.
pub fn pots_and_boards() -> ArgValueCompleter {
    ArgValueCompleter::new(|current: &OsStr| {
        offer(current, |roll| &pot_names(&roll) | &board_names(&roll))
    })
}

/// Completes bodies.
pub fn bodies() -> ArgValueCompleter {
    ArgValueCompleter::new(|current: &OsStr| {
        let Some(bodies) = studio().and_then(|store| store.bodies().ok()) else { return vec![] };
        candidates(current, bodies.into_iter().map(|body| body.name))
    })
}

/// Completes comparisons.
pub fn comparisons() -> ArgValueCompleter {
    ArgValueCompleter::new(|current: &OsStr| {
        let all = studio().and_then(|store| store.allotments().ok()).unwrap_or_default();
        candidates(current, super::compare::names(&all).into_iter().cloned())
    })
}

/// Completes kiln loads.
pub fn kiln_loads() -> ArgValueCompleter {
    ArgValueCompleter::new(|current: &OsStr| {
        let Some(pots) = studio().and_then(|store| store.kiln_pots().ok()) else { return vec![] };
        let loads: BTreeSet<String> = pots.into_iter().map(|pot| pot.load).collect();
        candidates(current, loads)
    })
}

/// Completes pots and boards, then actions, then their details.
pub fn note() -> ArgValueCompleter {
    ArgValueCompleter::new(|current: &OsStr| {
        let words: Vec<String> =
            std::env::args_os().map(|word| word.to_string_lossy().into_owned()).collect();
        let after_note = words.iter().rposition(|word| word == "note").map_or(0, |i| i + 1);
        let written = &words[after_note.min(words.len())..words.len().max(1) - 1];
        let action = written.iter().skip(1).rfind(|word| ACTION_WORDS.contains(&word.as_str()));
        let fixed: &[&str] = match action.map(String::as_str) {
            Some("cover") => &["open", "draped", "wrapped", "cupboard"],
            Some("verdict") => &["soft", "right", "stiff"],
            Some("outcome") => &["sound", "cracked-drying", "cracked-cooling", "warped", "burst"],
            Some(_) => &[],
            None if written.is_empty() => &[],
            None => &ACTION_WORDS,
        };
        let mut found = candidates(current, fixed.iter().map(|word| (*word).into()));
        if action.is_none() {
            found.extend(offer(current, |roll| &pot_names(&roll) | &board_names(&roll)));
        }
        found
    })
}

fn offer(
    current: &OsStr,
    names: impl FnOnce(Roll) -> BTreeSet<String>,
) -> Vec<CompletionCandidate> {
    // No studio, no names: a shell has no use for an error message.
    match studio().and_then(|store| Roll::read(&store).ok()) {
        Some(roll) => candidates(current, names(roll)),
        None => vec![],
    }
}

fn pot_names(roll: &Roll) -> BTreeSet<String> {
    roll.pots.iter().map(|pot| pot.name.clone()).collect()
}

fn board_names(roll: &Roll) -> BTreeSet<String> {
    roll.pots.iter().filter_map(|pot| pot.board.clone()).collect()
}

fn candidates(
    current: &OsStr,
    names: impl IntoIterator<Item = String>,
) -> Vec<CompletionCandidate> {
    let Some(current) = current.to_str() else { return vec![] };
    // Bash takes what it is offered as it stands; the other shells put it in quotes themselves.
    let bash = std::env::var_os("COMPLETE").is_some_and(|shell| shell == "bash");
    let quoted = |name: String| match bash {
        true => name.replace('\\', "\\\\").replace(' ', "\\ ").replace('\'', "\\'"),
        false => name,
    };
    names
        .into_iter()
        .map(quoted)
        .filter(|name| name.starts_with(current))
        .map(CompletionCandidate::new)
        .collect()
}

/// The studio that the half-written command means.
fn studio() -> Option<Store> {
    let mut words = std::env::args_os().skip_while(|word| word != "--").skip(1);
    let mut given = std::env::var_os("WARECAST_STUDIO").map(PathBuf::from);
    while let Some(word) = words.next() {
        let text = word.to_string_lossy();
        if text == "--studio" {
            given = words.next().map(PathBuf::from);
        } else if let Some(dir) = text.strip_prefix("--studio=") {
            given = Some(dir.into());
        }
    }
    Store::open(&super::studio_dir(given).ok()?).ok()
}
