//! `weigh`: the bench scale and the notebook.

use super::completions;
use super::names::Roll;
use super::pot::in_future;
use super::screen;
use super::when::{self, Lean};
use super::words::{self, Words, printable};
use super::{Context, REFUSED};
use crate::records::{Quantity, Reading};
use crate::store::settings::DEFAULT_BAUD;
use crate::store::{Clash, Format, PortSettings, Settings, Store};
use crate::units::Time;
use crate::{clock, watch};
use std::process::ExitCode;
use std::time::Duration;

/// The source under which weights are kept that were read off a scale by eye.
pub const BENCH: &str = "bench";
/// More than a potter puts on a scale, g.
const HEAVIEST_G: f64 = 200_000.0;

/// Options of `weigh`.
#[derive(clap::Args, Debug)]
#[command(after_long_help = "\
Without a weight the next one at which a scale comes to rest is taken: from
--port, else from the port in studio.toml whose source is \"bench\", else from the
only port there. Call it, put the pot on the scale, take the hands away. While
`watch` runs it holds its ports and stores what they say:
`warecast note POT on SCALE` tells it whose weights they are.")]
pub struct Args {
    /// The pot
    #[arg(add = completions::pots())]
    pot: String,
    /// What the scale shows, with what `tare` counts (812.4, 812.4g, "1 lb 12 oz"); without: the
    /// next settled weight from a serial port
    #[arg(value_name = "GRAMS", num_args = 0.., allow_negative_numbers = true)]
    weight: Vec<String>,
    /// When (18:25, yesterday 9:10, 40 min ago, 2031-04-02 18:25 …) [default: now]
    #[arg(long, value_name = "WHEN", requires = "weight")]
    at: Option<String>,
    /// Take the weight from this serial port
    #[arg(long, value_name = "PATH", conflicts_with = "weight")]
    port: Option<String>,
    /// The scale, where several send on the port
    #[arg(long, value_name = "NAME", conflicts_with = "weight")]
    scale: Option<String>,
    /// How long to wait for the scale to come to rest, s
    #[arg(long, value_name = "SECONDS", default_value_t = 60, conflicts_with = "weight")]
    wait: u64,
    /// Replace the weight that was noted for the same time
    #[arg(long)]
    replace: bool,
}

/// Runs `weigh`.
pub fn run(args: Args, context: &Context) -> anyhow::Result<ExitCode> {
    let mut store = context.open()?;
    let words = context.words(store.settings(), None)?;
    let made_at = Roll::read(&store)?.find(&args.pot)?.made_at;
    let weight = if args.weight.is_empty() {
        from_port(&args, store.settings())?
    } else {
        typed(&args, &words)?
    };
    if !(weight.value > 0.0 && weight.value <= HEAVIEST_G) {
        anyhow::bail!("{} is not the weight of a pot", words.weighed(weight.value));
    }
    if weight.time < made_at {
        anyhow::bail!(
            "{} was made only {}: say with --at when it was weighed, or correct it with \
             warecast pot add {} --replace --made-at WHEN",
            printable(&args.pot),
            words.time(made_at),
            words::shell_word(&args.pot)
        );
    }
    // Waiting for the scale took its time: what is said back is said from now.
    let words = context.words(store.settings(), None)?;
    put(&mut store, &args.pot, weight, args.replace, &words)
}

/// A weight that somebody read off a scale.
fn typed(args: &Args, words: &Words) -> anyhow::Result<Reading> {
    let time = match &args.at {
        Some(text) => past(text, words)?,
        None => words.now,
    };
    let grams = words::parse_mass(&args.weight.join(" "), words.units)?;
    Ok(reading(&args.pot, BENCH, time, grams))
}

/// A time that has been.
fn past(text: &str, words: &Words) -> anyhow::Result<Time> {
    let when = when::parse(text, words.now, &words.zone, Lean::Past)?;
    if let Some(remark) = when.remark {
        screen::complain(&remark);
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

fn reading(pot: &str, source: &str, time: Time, grams: f64) -> Reading {
    Reading {
        time,
        source: source.into(),
        quantity: Quantity::Mass,
        value: grams,
        pot: Some(pot.into()),
        count: None,
        spread: None,
    }
}

/// The next weight at which a scale on a port comes to rest.
fn from_port(args: &Args, settings: &Settings) -> anyhow::Result<Reading> {
    let port = bench_port(args, settings)?;
    anstream::eprintln!(
        "Put {} on the scale and take the hands away ({}, up to {} s) …",
        printable(&args.pot),
        printable(&port.path),
        args.wait
    );
    let scale = args.scale.as_deref();
    let settled = watch::next_settled(&port, scale, Duration::from_secs(args.wait))?;
    let source = scale.or(port.source.as_deref()).unwrap_or(BENCH);
    Ok(Reading {
        count: (settled.samples > 1).then_some(settled.samples),
        spread: settled.spread,
        ..reading(&args.pot, source, clock::now(), settled.grams)
    })
}

/// The port that the bench scale hangs on.
fn bench_port(args: &Args, settings: &Settings) -> anyhow::Result<PortSettings> {
    let ports = &settings.port;
    if let Some(path) = &args.port {
        let unknown = || PortSettings {
            path: path.clone(),
            baud: DEFAULT_BAUD,
            format: Format::Senml,
            pattern: None,
            source: None,
        };
        return Ok(ports.iter().find(|p| p.path == *path).cloned().unwrap_or_else(unknown));
    }
    let bench = ports.iter().find(|port| port.source.as_deref() == Some(BENCH));
    let only = if let [only] = ports.as_slice() { Some(only) } else { None };
    bench.or(only).cloned().ok_or_else(|| {
        anyhow::anyhow!(
            "what does the scale show? Type it (warecast weigh {} 812.4g), or name the port of \
             the bench scale: with --port, or in studio.toml with source = \"{BENCH}\"",
            words::shell_word(&args.pot)
        )
    })
}

/// Stores a weight and says back what was stored, and how it compares with the one before.
fn put(
    store: &mut Store,
    pot: &str,
    weight: Reading,
    replace: bool,
    words: &Words,
) -> anyhow::Result<ExitCode> {
    let (time, grams) = (weight.time, weight.value);
    let studio = store.studio_of(time, &[pot.into()])?;
    let known = studio.weighings.get(pot).map_or(&[][..], |weighings| &weighings.0);
    let before = known.iter().rev().find(|point| point.time < time);
    let clash = if replace { Clash::Replace } else { Clash::Refuse };
    let stored = store.append(&[weight], clash)?;
    let (name, when) = (printable(pot), words.time(time));
    if !stored.refused.is_empty() {
        screen::complain(&format!(
            "{name} has another weight noted at {when}: add --replace if that was wrong"
        ));
        return Ok(ExitCode::from(REFUSED));
    }
    let change = match before {
        Some(point) => {
            let (lost, then) = (point.value - grams, words.time(point.time));
            let word = if lost >= 0.0 { "less" } else { "more" };
            format!(", {} {word} than {then}", words.mass(lost.abs()))
        }
        None => String::new(),
    };
    let verb = match (stored.known, stored.replaced) {
        (1.., _) => "Noted already",
        (_, 1..) => "Corrected",
        _ => "Noted",
    };
    screen::say(&format!(
        "{verb}: {name} weighs {}, {when} ({}){change}.",
        words.weighed(grams),
        words.distance(time)
    ))
}
