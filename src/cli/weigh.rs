//! `weigh`: the bench scale and the notebook.

use super::completions;
use super::names::Roll;
use super::pot::in_future;
use super::screen;
use super::when::{self, Lean};
use super::words::{self, Words, printable};
use super::{Context, REFUSED};
use crate::records::{Quantity, Reading};
use crate::store::{Clash, Store};
use crate::units::Time;
use std::process::ExitCode;

/// The source under which weights are kept that were read off a scale by eye.
pub const BENCH: &str = "bench";
/// More than a potter puts on a scale, g.
const HEAVIEST_G: f64 = 200_000.0;

/// Options of `weigh`.
#[derive(clap::Args, Debug)]
pub struct Args {
    /// The pot
    #[arg(add = completions::pots())]
    pot: String,
    /// What the scale shows, with what `tare` counts (812.4, 812.4g, "1 lb 12 oz")
    #[arg(value_name = "GRAMS", num_args = 0.., allow_negative_numbers = true)]
    weight: Vec<String>,
    /// When (18:25, yesterday 9:10, 40 min ago, 2031-04-02 18:25 …) [default: now]
    #[arg(long, value_name = "WHEN")]
    at: Option<String>,
    /// Replace the weight that was noted for the same time
    #[arg(long)]
    replace: bool,
}

/// Runs `weigh`.
pub fn run(args: Args, context: &Context) -> anyhow::Result<ExitCode> {
    let mut store = context.open()?;
    let words = context.words(store.settings(), None)?;
    let roll = Roll::read(&store)?;
    let made_at = roll.find(&args.pot)?.made_at;
    let time = match &args.at {
        Some(text) => past(text, &words)?,
        None => words.now,
    };
    if args.weight.is_empty() {
        anyhow::bail!(
            "what does the scale show? Type it: warecast weigh {} 812.4g",
            words::shell_word(&args.pot)
        );
    }
    let grams = words::parse_mass(&args.weight.join(" "), words.units)?;
    if !(grams > 0.0 && grams <= HEAVIEST_G) {
        anyhow::bail!("{} is not the weight of a pot", words.weighed(grams));
    }
    if time < made_at {
        anyhow::bail!(
            "{} was made only {}: say with --at when it was weighed, or correct it with \
             warecast pot add {} --replace --made-at WHEN",
            printable(&args.pot),
            words.time(made_at),
            words::shell_word(&args.pot)
        );
    }
    put(&mut store, &args.pot, BENCH, grams, time, args.replace, &words)
}

/// A time that has been.
fn past(text: &str, words: &Words) -> anyhow::Result<Time> {
    let when = when::parse(text, words.now, &words.zone, Lean::Past)?;
    if let Some(remark) = when.remark {
        anstream::eprintln!("warecast: {remark}");
    }
    if in_future(when.time, words.now) {
        anyhow::bail!(
            "\"{}\" lies in the future ({}): a weight is known only once it is weighed",
            printable(text),
            words.time(when.time)
        );
    }
    Ok(when.time)
}

/// Stores a weight and says back what was stored, and how it compares with the one before.
fn put(
    store: &mut Store,
    pot: &str,
    source: &str,
    grams: f64,
    time: Time,
    replace: bool,
    words: &Words,
) -> anyhow::Result<ExitCode> {
    let before =
        store.studio_of(time, &[pot.into()])?.weighings.get(pot).and_then(|weighings| {
            weighings.0.iter().rev().find(|point| point.time < time).copied()
        });
    let reading = Reading {
        time,
        source: source.into(),
        quantity: Quantity::Mass,
        value: grams,
        pot: Some(pot.into()),
        count: None,
        spread: None,
    };
    let clash = if replace { Clash::Replace } else { Clash::Refuse };
    let stored = store.append(&[reading], clash)?;
    let (name, when) = (printable(pot), words.time(time));
    if !stored.refused.is_empty() {
        anstream::eprintln!(
            "warecast: {name} has another weight noted at {when}: add --replace if that was wrong"
        );
        return Ok(ExitCode::from(REFUSED));
    }
    let change = match before {
        Some(point) => {
            let lost = point.value - grams;
            let change = match lost {
                g if g >= 0.0 => format!("{} less", words.mass(g)),
                g => format!("{} more", words.mass(-g)),
            };
            format!(", {change} than {}", words.time(point.time))
        }
        None => String::new(),
    };
    let known = if stored.known > 0 { " already" } else { "" };
    let distance = words.distance(time);
    screen::say(&format!(
        "Noted{known}: {name} weighs {}, {when} ({distance}){change}.",
        words.weighed(grams)
    ))
}
