//! `calibrate`: what the raw counts of a cell weigh, by known masses; and how its zero follows the
//! temperature.

use super::calibrated;
use super::weigh::past;
use super::words::{self, Words, printable, shell_word};
use super::{Context, baud_rate, loads, screen, whole_number};
use crate::calibration::history::{Calibration, History, held};
use crate::calibration::warmth;
use crate::calibration::{Load, ZeroDrift};
use crate::clock;
use crate::records::{Action, Name, Point, Quantity};
use crate::store::{Clash, Settings, Store};
use crate::units::Time;
use crate::watch::loads::{Taken, stored as found_in};
use anyhow::bail;
use std::process::ExitCode;

/// Options of `calibrate`.
#[derive(clap::Args, Debug)]
#[command(after_long_help = "\
Let the cell carry its board for a day first. Then, with clean dry hands:
  warecast calibrate shelf-a:cell-1 0 500 1000 2000 1000 500 0
and put on and take off what it asks for; it sees by itself when a load has come to
rest. Up to the wettest pot and down again. Without masses it asks what stands
there. While `watch` runs, its readings are followed: let each load stand a minute.

From what is stored already, the loads in the order they stood there:
  warecast calibrate shelf-a:cell-1 0 500 1000 0 --between 10:02 --and 10:20
From a night in which nobody touched the cell, empty or with a bone-dry pot on it:
  warecast calibrate shelf-a:cell-1 --still --between \"yesterday 20:00\" --and 7:00")]
pub struct Args {
    /// The cell, by the name in its lines; without: all cells and how they stand
    pub source: Option<Name>,
    /// Known masses in the order in which they are put on, 0 for nothing
    #[arg(value_name = "MASS", allow_negative_numbers = true)]
    pub masses: Vec<String>,
    /// The masses are known to within plus and minus this
    #[arg(long, value_name = "WEIGHT")]
    pub good_to: Option<String>,
    /// The serial port [default: what `watch` stores while it runs, else the port in studio.toml]
    #[arg(long, value_name = "PATH", conflicts_with = "between")]
    pub port: Option<String>,
    /// Its baud rate
    #[arg(long, value_name = "N", requires = "port", value_parser = baud_rate)]
    pub baud: Option<u32>,
    /// Take the loads from what was stored from then on
    #[arg(long, value_name = "WHEN", requires = "and")]
    pub between: Option<String>,
    /// … until then
    #[arg(long, value_name = "WHEN", requires = "between")]
    pub and: Option<String>,
    /// Nothing was touched in that time: find how the zero follows the temperature
    #[arg(long, requires = "between", conflicts_with = "masses")]
    pub still: bool,
    /// It counts from then on, since nothing was changed on the cell [default: the first load]
    #[arg(long, value_name = "WHEN")]
    pub since: Option<String>,
    /// The source of the temperature beside the cell [default: the room's]
    #[arg(long, value_name = "NAME")]
    pub thermometer: Option<Name>,
    /// Put it in the place of the calibration that counts now, which was wrong
    #[arg(long, conflicts_with = "since")]
    pub replace: bool,
    /// Show the calibrations of the cell
    #[arg(long, conflicts_with_all = ["masses", "between", "port", "replace", "since"])]
    pub show: bool,
    /// Forget the calibration that counts from then on
    #[arg(long, value_name = "WHEN", conflicts_with_all = ["masses", "between", "port", "show"])]
    pub forget: Option<String>,
    /// How long to wait for a load to come to rest
    #[arg(long, value_name = "SECONDS", default_value_t = 300)]
    #[arg(value_parser = whole_number::<u64>(1, 86_400), allow_negative_numbers = true)]
    pub wait: u64,
}

/// Fewest loads: a line, and one more to see how well it fits.
pub const FEWEST: usize = 3;

/// Runs `calibrate`.
pub fn run(args: Args, context: &Context) -> anyhow::Result<ExitCode> {
    let Some(source) = args.source.clone() else {
        let store = context.open()?;
        let words = context.words(store.settings(), None)?;
        return calibrated::all(&store, &words);
    };
    crate::records::check_name(&source)?;
    let words = context.words(&Settings::read(&context.studio)?, None)?;
    let masses = masses(&args.masses, &words)?;
    let asks_the_past = args.show || args.forget.is_some() || args.between.is_some();
    // A new cell in a new studio may be the first thing that is seen to.
    let mut store = match asks_the_past {
        true => context.open()?,
        false => Store::open_or_create(&context.studio)?,
    };
    if let Some(when) = &args.forget {
        return forget(&mut store, &source, past(when, &words)?, &words);
    }
    if args.show {
        return calibrated::show(&store, &source, &words, context);
    }
    if args.still {
        return still(&args, &source, &mut store, &words, context);
    }
    let history = store.calibrations(&source)?;
    let taken = match between(&args, &words)? {
        Some(span) => stored(&source, &masses, span, &store, &words)?,
        None => loads::live(&args, &source, &masses, &store, &words, context)?,
    };
    let loads = facts(&args, &source, &taken, &history, &store, &words)?;
    keep(&args, &source, loads, &taken, &mut store, context)
}

/// The masses that were named.
fn masses(texts: &[String], words: &Words) -> anyhow::Result<Vec<f64>> {
    let masses: Vec<f64> = texts.iter().map(|text| mass(text, words)).collect::<Result<_, _>>()?;
    let mut different = masses.clone();
    different.sort_by(f64::total_cmp);
    different.dedup();
    if !masses.is_empty() && (masses.len() < FEWEST || different.len() < 2) {
        bail!(
            "a calibration needs the empty cell (0) and known masses: at least {FEWEST} loads, like \
             0 500 1000 0"
        );
    }
    if let Some(pair) = masses.windows(2).find(|pair| pair[0] == pair[1]) {
        bail!(
            "{} twice, one after the other, cannot be told apart: put another load between them",
            words.weighed(pair[0])
        );
    }
    Ok(masses)
}

/// A mass that a cell can carry, g.
pub fn mass(text: &str, words: &Words) -> anyhow::Result<f64> {
    let grams = if text.trim() == "0" { 0.0 } else { words::parse_mass(text, words.units)? };
    if !(0.0..=super::weigh::HEAVIEST_G).contains(&grams) {
        bail!("{} is no mass for a cell", words.weighed(grams));
    }
    Ok(grams)
}

fn between(args: &Args, words: &Words) -> anyhow::Result<Option<(Time, Time)>> {
    let (Some(from), Some(to)) = (&args.between, &args.and) else { return Ok(None) };
    let (from, to) = (past(from, words)?, past(to, words)?);
    if from >= to {
        bail!("--between must lie before --and: {} and {}", words.time(from), words.time(to));
    }
    Ok(Some((from, to)))
}

/// Loads out of what was stored.
fn stored(
    source: &str,
    masses: &[f64],
    span: (Time, Time),
    store: &Store,
    words: &Words,
) -> anyhow::Result<Vec<Taken>> {
    if masses.is_empty() {
        bail!("say which masses stood on it, in their order: calibrate {source} 0 500 1000 0 …");
    }
    let found = found_in(store, source, span)?;
    if found.is_empty() {
        let counts = store.readings_of(source, Quantity::Count, span)?.len();
        bail!(
            "{counts} raw counts of {} are stored for that time, and in none did it stand still \
             for long enough: let each load stand for a minute",
            printable(source)
        );
    }
    if found.len() != masses.len() {
        let mut text = format!(
            "{} masses are named, but {} stood still {} times in that time:",
            masses.len(),
            printable(source),
            found.len()
        );
        for (plateau, at) in &found {
            let stood = words::span(plateau.to - plateau.from);
            text += &format!("\n  {}: {:.0} counts for {stood}", words.time(*at), plateau.raw);
        }
        text += "\nName the masses that stood there, or another time.";
        bail!(text);
    }
    let taken = found.into_iter().zip(masses);
    Ok(taken.map(|((plateau, at), mass_g)| Taken { mass_g: *mass_g, plateau, at }).collect())
}

/// What is to be stored of the loads.
fn facts(
    args: &Args,
    source: &str,
    taken: &[Taken],
    history: &History,
    store: &Store,
    words: &Words,
) -> anyhow::Result<Vec<Load>> {
    let first = taken.iter().map(|t| t.at).min().unwrap_or(words.now);
    let from = match &args.since {
        Some(since) => past(since, words)?,
        None => first,
    };
    let from = match (args.replace, history.calibration(clock::now())) {
        (true, Some(old)) => old.from,
        (true, None) => bail!("{} has no calibration that could be replaced", printable(source)),
        (false, _) => from,
    };
    if !args.replace && history.calibrations().iter().any(|old| old.from == from) {
        bail!(
            "{} has a calibration from {} on: replace it with --replace",
            printable(source),
            words.time(from)
        );
    }
    let limit_g = match &args.good_to {
        Some(text) => Some(mass(text, words)?),
        None => None,
    };
    let thermometer = thermometer(args, source, history, store)?;
    let air: Vec<Point> = match &thermometer {
        Some(name) => temperatures(store, name, (Time::MIN, Time::MAX))?,
        None => Vec::new(),
    };
    let load = |t: &Taken| Load {
        source: source.into(),
        from,
        at: t.at,
        mass_g: t.mass_g,
        limit_g: limit_g.filter(|_| t.mass_g > 0.0),
        raw: t.plateau.raw,
        spread: Some(t.plateau.spread),
        samples: Some(t.plateau.samples),
        celsius: held(&air, t.at),
    };
    Ok(taken.iter().map(load).collect())
}

fn temperatures(store: &Store, name: &str, span: (Time, Time)) -> anyhow::Result<Vec<Point>> {
    points(store, name, Quantity::Temperature, span)
}

fn points(
    store: &Store,
    name: &str,
    quantity: Quantity,
    span: (Time, Time),
) -> anyhow::Result<Vec<Point>> {
    let readings = store.readings_of(name, quantity, span)?.into_iter();
    Ok(readings.map(|r| Point { time: r.time, value: r.value }).collect())
}

/// Whose temperature counts for the cell: as named; as before; that of its own board or room.
fn thermometer(
    args: &Args,
    source: &str,
    history: &History,
    store: &Store,
) -> anyhow::Result<Option<Name>> {
    let known = store.sources_of(Quantity::Temperature)?;
    if let Some(name) = &args.thermometer {
        if !known.contains(name) {
            bail!("{} has told no temperature so far", printable(name));
        }
        return Ok(Some(name.clone()));
    }
    if let Some(drift) = history.drift(clock::now()) {
        return Ok(Some(drift.thermometer.clone()));
    }
    let board = source.split_once(':').map(|(board, _)| format!("{board}:room"));
    let wanted = [Some(source.to_owned()), board, Some("room".into())];
    let found = wanted.into_iter().flatten().find(|name| known.contains(name));
    let only = if let [only] = known.as_slice() { Some(only.clone()) } else { None };
    let some_room = known.iter().find(|name| name.ends_with(":room")).cloned();
    Ok(found.or(some_room).or(only))
}

/// Stores a calibration, and says what it is worth.
fn keep(
    args: &Args,
    source: &str,
    loads: Vec<Load>,
    taken: &[Taken],
    store: &mut Store,
    context: &Context,
) -> anyhow::Result<ExitCode> {
    let words = context.words(store.settings(), None)?;
    let from = loads.first().map_or(words.now, |load| load.from);
    let calibration = Calibration::new(from, loads.clone());
    if let Err(error) = &calibration.curve {
        bail!("{error}. Nothing was stored");
    }
    if calibration.is_absurd() {
        let table = calibrated::table(&calibration, &words);
        bail!(
            "these loads lie on no line; was one of them another mass than was said? Nothing was \
             stored.\n{table}"
        );
    }
    let clash = if args.replace { Clash::Replace } else { Clash::Refuse };
    store.put_calibration(&loads, clash)?;
    let history = store.calibrations(source)?;
    let creep = calibrated::creep(&calibration, taken, &words);
    screen::print_wrapped(&calibrated::page(source, &calibration, &history, creep, &words, context))
}

fn forget(store: &mut Store, source: &str, when: Time, words: &Words) -> anyhow::Result<ExitCode> {
    let history = store.calibrations(source)?;
    let (from, to) = super::weigh::minute_of(when);
    let calibrations = history.calibrations().iter().map(|calibration| calibration.from);
    let drifts = history.drifts().iter().map(|drift| drift.from);
    let Some(found) = calibrations.chain(drifts).find(|time| (from..to).contains(time)) else {
        bail!(
            "{} has no calibration from {} on: see `calibrate {} --show`",
            printable(source),
            words.time(when),
            shell_word(source)
        );
    };
    store.forget_calibration(source, found)?;
    screen::say(&format!(
        "Forgotten: what counted for {} from {} on. All that followed from it is made again.",
        printable(source),
        words.time(found)
    ))
}

/// How the zero follows the temperature, from a time in which nothing was touched.
fn still(
    args: &Args,
    source: &str,
    store: &mut Store,
    words: &Words,
    context: &Context,
) -> anyhow::Result<ExitCode> {
    let history = store.calibrations(source)?;
    let Some(span) = between(args, words)? else { bail!("say when: --between … --and …") };
    let Some(thermometer) = thermometer(args, source, &history, store)? else {
        bail!("no source has told a temperature: a sensor beside the cell is needed for this");
    };
    let counts = points(store, source, Quantity::Count, span)?;
    let air = temperatures(store, &thermometer, span)?;
    let pot = standing(store, source, span)?;
    let humidity = match &pot {
        None => None,
        Some(pot) => {
            let humidity = points(store, &thermometer, Quantity::Humidity, span)?;
            if humidity.is_empty() {
                bail!(
                    "{} stood there, and it breathes with the air's humidity, which {} does not \
                     tell: take a night with the cell empty",
                    printable(pot),
                    printable(&thermometer)
                );
            }
            Some(humidity)
        }
    };
    let found = warmth::find(&counts, &air, humidity.as_deref())?;
    let text = calibrated::warmth(source, &found, pot.as_deref(), &history, words, context);
    if found.is_told() {
        let from = match &args.since {
            Some(since) => past(since, words)?,
            None => history.calibration(span.1).map_or(span.0, |calibration| calibration.from),
        };
        let drift = ZeroDrift {
            source: source.into(),
            from,
            per_degree: found.per_degree,
            per_degree_u: Some(found.per_degree_u),
            thermometer,
        };
        let there = history.drifts().iter().any(|drift| drift.from == from);
        if there && !args.replace {
            bail!("{text}It has been told before for that time: add --replace to take this one");
        }
        store.put_zero_drifts(&[drift], Clash::Replace)?;
    }
    screen::print_wrapped(&text)
}

/// The pot that stood on the cell at any time in that span, by the log.
fn standing(store: &Store, source: &str, span: (Time, Time)) -> anyhow::Result<Option<Name>> {
    let mut on: Option<Name> = None;
    for row in store.handling()?.iter().filter(|row| row.time < span.1) {
        match &row.action {
            Action::On(name) if name == source => on = Some(row.pot.clone()),
            Action::On(_) | Action::Off if on.as_ref() == Some(&row.pot) => {
                if row.time >= span.0 {
                    return Ok(on);
                }
                on = None;
            }
            _ => {}
        }
    }
    Ok(on)
}
