//! `weigh`: the bench scale and the notebook.

use super::completions;
use super::names::Roll;
use super::pot::in_future;
use super::screen;
use super::when::{self, Lean};
use super::words::{self, Words, printable};
use super::{Context, REFUSED, undo, whole_number};
use crate::core::readiness::lightest;
use crate::records::{Action, Pot, Quantity, Reading};
use crate::sensing::listen::SettleError;
use crate::sensing::port::PortError;
use crate::store::settings::DEFAULT_BAUD;
use crate::store::{Clash, PortSettings, Settings, Store};
use crate::units::{HOUR, Time};
use crate::watch::lock::Lock;
use crate::{clock, watch};
use std::process::ExitCode;
use std::time::Duration;

/// The source under which weights are kept that were read off a scale by eye.
pub const BENCH: &str = "bench";
pub use crate::records::HEAVIEST_G;

/// Options of `weigh`.
#[derive(clap::Args, Debug)]
#[command(group(clap::ArgGroup::new("typed").multiple(true)), after_long_help = "\
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
    #[arg(value_name = "GRAMS", num_args = 0.., allow_negative_numbers = true, group = "typed")]
    weight: Vec<String>,
    /// When (18:25, yesterday 9:10, 40 min ago, 2031-04-02 18:25 …) [default: now]
    #[arg(long, value_name = "WHEN", requires = "typed")]
    at: Option<String>,
    /// Take the weight from this serial port
    #[arg(long, value_name = "PATH", conflicts_with = "weight")]
    port: Option<String>,
    /// The scale, where several send on the port
    #[arg(long, value_name = "NAME", conflicts_with = "weight")]
    scale: Option<String>,
    /// How long to wait for the scale to come to rest, s
    #[arg(long, value_name = "SECONDS", default_value_t = 60, conflicts_with = "weight")]
    #[arg(allow_negative_numbers = true, value_parser = whole_number::<u64>(1, 86_400))]
    wait: u64,
    /// Correct the weight that was noted for that time; without --at: the last one typed, if that
    /// was within the hour
    #[arg(long, requires = "weight")]
    replace: bool,
    /// Take back a weight that was noted for the pot: the last one, or that of --at
    #[arg(long, group = "typed", conflicts_with_all = ["replace", "port", "scale"])]
    undo: bool,
}

/// Runs `weigh`.
pub fn run(args: Args, context: &Context) -> anyhow::Result<ExitCode> {
    let mut store = context.open()?;
    let words = context.words(store.settings(), None)?;
    let roll = Roll::read(&store)?;
    let pot = roll.find(&args.pot)?;
    if args.undo {
        let grams = match args.weight.is_empty() {
            true => None,
            false => Some(words::parse_mass(&args.weight.join(" "), words.units)?),
        };
        let at = args.at.as_deref().map(|text| past(text, &words)).transpose()?;
        return undo::weight(&args.pot, grams, at, &mut store, &words);
    }
    let mut weight = if args.weight.is_empty() {
        from_port(&args, &store, context)?
    } else {
        typed(&args, &words)?
    };
    if !(weight.value > 0.0 && weight.value <= HEAVIEST_G) {
        anyhow::bail!("{} is not the weight of a pot", words.weighed(weight.value));
    }
    if args.replace {
        weight.time = corrected(&args, &store, weight.time, &words)?;
    }
    if weight.time < pot.made_at {
        anyhow::bail!(
            "{} was made only {}: say with --at when it was weighed, or correct it with \
             warecast pot add {} --replace --made-at WHEN",
            printable(&args.pot),
            words.time(pot.made_at),
            words::shell_word(&args.pot)
        );
    }
    let clay = Clay::of(pot, &roll, &weight);
    if clay.grams <= 0.0 {
        anyhow::bail!("{}", clay.less_than_tare(pot, &weight, &words, context));
    }
    let body = store.bodies()?.into_iter().find(|body| body.name == pot.body);
    let bag = body.and_then(|body| body.bag_water());
    let doubt = clay.doubt(pot, bag, weight.time, &words, context);
    // Waiting for the scale took its time: what is said back is said from now.
    let words = context.words(store.settings(), None)?;
    let status = put(&mut store, &args.pot, weight, args.replace, &words)?;
    if status != ExitCode::SUCCESS {
        return Ok(status);
    }
    if let Some(end) = roll.past_it(&pot.name, words.now) {
        let undo = undo::ending(&pot.name, &roll, words.now, context).unwrap_or_default();
        screen::say(&format!("By the log it is {end}: this changes no answer. {undo}"))?;
    } else if let Some(doubt) = doubt {
        screen::say(&doubt)?;
    }
    Ok(status)
}

/// The time of the weight that is to be corrected: the last that was typed in the same minute,
/// since that is what people read and type. A weight that is not there is noted anew.
fn corrected(args: &Args, store: &Store, time: Time, words: &Words) -> anyhow::Result<Time> {
    let span = match &args.at {
        Some(_) => minute_of(time),
        None => (time.plus(-HOUR), time.plus(1.0)),
    };
    let mut typed = store.weights_of(&args.pot, span)?;
    typed.retain(|weight| weight.source == BENCH);
    if typed.iter().any(|weight| weight.time == time) {
        return Ok(time);
    }
    match (typed.last(), &args.at) {
        (Some(weight), _) => Ok(weight.time),
        (None, Some(_)) => Ok(time),
        (None, None) => anyhow::bail!(
            "no weight of {} was typed within the hour: say with --at which one is wrong \
             (--at \"{}\")",
            printable(&args.pot),
            words.typed_time(time)
        ),
    }
}

/// The minute that a time lies in, from and to before.
pub(super) fn minute_of(time: Time) -> (Time, Time) {
    let minute = Time::from_seconds((time.seconds() / 60.0).floor() * 60.0);
    (minute, minute.plus(60.0))
}

/// What a weight says of the clay on the scale.
pub(super) struct Clay {
    /// The weight without the tare that holds at its time, g.
    pub grams: f64,
    /// That tare, g, where one was given.
    tare: Option<f64>,
    /// Whether clay was, by the log, cut away until then.
    trimmed: bool,
    /// Whether clay or water was, by the log, brought on until then.
    added: bool,
}

impl Clay {
    /// More than this share of the ball is no pot thrown from it: it takes up some water.
    const MOST: f64 = 1.05;

    pub fn of(pot: &Pot, roll: &Roll, weight: &Reading) -> Clay {
        let noted = roll.last(&pot.name, weight.time, |a| matches!(a, Action::Tare(_)));
        let tare = match noted.map(|row| &row.action) {
            Some(Action::Tare(g)) => Some(*g),
            _ => pot.tare_g,
        };
        let was = |is: fn(&Action) -> bool| roll.last(&pot.name, weight.time, is).is_some();
        Clay {
            grams: weight.value - tare.unwrap_or(0.0),
            tare,
            trimmed: was(|a| matches!(a, Action::Trim | Action::Lost(_))),
            added: was(|a| matches!(a, Action::Attach(_) | Action::Wet)),
        }
    }

    pub fn less_than_tare(
        &self,
        pot: &Pot,
        weight: &Reading,
        words: &Words,
        context: &Context,
    ) -> String {
        let command = context.command();
        let name = words::shell_word(&pot.name);
        format!(
            "{} is not more than what stands on the scale with {} by its tare, {}: nothing is \
             noted. If it was weighed without, say so first: {command} note {name} tare 0g --at \
             \"{}\"",
            words.weighed(weight.value),
            printable(&pot.name),
            words.weighed(self.tare.unwrap_or(0.0)),
            words.typed_time(weight.time),
        )
    }

    /// Asks where the weight does not fit the ball.
    fn doubt(
        &self,
        pot: &Pot,
        bag_water_wet: Option<f64>,
        time: Time,
        words: &Words,
        context: &Context,
    ) -> Option<String> {
        let ball = pot.ball_g?;
        let command = context.command();
        let share = self.grams / ball;
        let (at, name) = (words.typed_time(time), words::shell_word(&pot.name));
        let without = match self.tare {
            Some(g) => format!("without the tare of {}", words.weighed(g)),
            None => "no tare given".into(),
        };
        let is = format!(
            "That is {} of clay ({without}) from a ball of {}.",
            words.weighed(self.grams),
            words.weighed(ball)
        );
        let tare = format!("{command} note {name} tare WEIGHT --at \"{at}\"");
        let mistyped = format!("{command} weigh {name} WEIGHT --at \"{at}\" --replace");
        if share > Self::MOST && !self.added {
            Some(format!(
                "{is}\nIf more stood on the scale: {tare}\nIf it was mistyped: {mistyped}"
            ))
        } else if share < lightest(bag_water_wet) && !self.trimmed {
            Some(format!(
                "{is}\nIf less stood on the scale, or no bat: {tare}\nIf it was trimmed: \
                 {command} note {name} trim --at WHEN\nIf it was mistyped: {mistyped}"
            ))
        } else {
            None
        }
    }
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
pub(super) fn past(text: &str, words: &Words) -> anyhow::Result<Time> {
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

/// A weight of a pot.
pub(super) fn reading(pot: &str, source: &str, time: Time, grams: f64) -> Reading {
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
fn from_port(args: &Args, store: &Store, context: &Context) -> anyhow::Result<Reading> {
    let port = bench_port(args, store.settings())?;
    let cells = store.cells(clock::now())?;
    anstream::eprintln!(
        "Put {} on the scale and take the hands away ({}, up to {} s) …",
        printable(&args.pot),
        printable(&port.path),
        args.wait
    );
    let scale = args.scale.as_deref();
    let weigh = |source: &str, raw| cells.grams(source, raw);
    let settled = watch::next_settled(&port, scale, Duration::from_secs(args.wait), &weigh);
    let settled = match settled {
        Err(SettleError::Port(PortError::Held(_))) if Lock::holder(&context.studio).is_some() => {
            anyhow::bail!(
                "`warecast watch` has {} and stores what comes from it. Tell it whose weights \
                 they are: {} note {} on SCALE",
                printable(&port.path),
                context.command(),
                words::shell_word(&args.pot)
            )
        }
        other => other?,
    };
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
        let unknown = || PortSettings::senml(path, DEFAULT_BAUD);
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
pub(super) fn put(
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
            let change = words.mass(lost.abs());
            match lost {
                _ if change == words.mass(0.0) => format!(", the same as {then}"),
                _ if lost > 0.0 => format!(", {change} less than {then}"),
                _ => format!(", {change} more than {then}"),
            }
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
