//! `kiln`: loads, how likely all of a load is dry when it is packed, and its slow first stage.

mod listed;
mod page;

use super::names::{Roll, list, suggestion};
use super::progress::Progress;
use super::report::{air_forecast, looking_at};
use super::when::{self, Lean};
use super::words::{Words, printable};
use super::{Context, REFUSED, completions, plot, screen};
use crate::answers::{Taught, kiln};
use crate::core::candling::{Candling, hold};
use crate::core::forecast::HORIZON;
use crate::core::kiln::Question;
use crate::plot as pictures;
use crate::records::{KilnPot, Name};
use crate::store::settings::KilnSettings;
use crate::store::{Clash, Store, rules};
use crate::units::{Time, shifted};
use anyhow::bail;
use page::Page;
use std::collections::BTreeMap;
use std::io::Write;
use std::path::PathBuf;
use std::process::ExitCode;
use std::sync::atomic::{AtomicUsize, Ordering};

/// Options of `kiln`.
#[derive(clap::Args, Debug)]
#[command(after_long_help = "\
A load is a list of pots with a name and a time at which it is packed. `show`
says how likely the wettest part of each pot, and of all together, is dry by
then; which pot holds it up and which to leave out; how much water is to be
driven off; and how long to hold it below boiling (candling, water-smoking).

The studio's altitude, by which water boils, and all else that steers this is
set in studio.toml under [kiln].

Dry means: no further drying detected in this air. The kiln maker's instructions
and local codes come first.")]
pub struct Args {
    #[command(subcommand)]
    command: Command,
}

#[derive(clap::Subcommand, Debug)]
enum Command {
    /// Put pots on a load; a new load wants its time
    Add(Add),
    /// All loads
    List,
    /// How likely a load is dry when it is packed, and how to begin its firing
    Show(Show),
    /// Take pots off a load, or forget it
    Remove(Remove),
}

#[derive(clap::Args, Debug)]
struct Add {
    /// Name of the load
    #[arg(add = completions::kiln_loads())]
    load: String,
    /// Its pots; a board stands for the pots on it
    #[arg(value_name = "POT-OR-BOARD", add = completions::pots_and_boards())]
    pots: Vec<String>,
    /// When it is packed ("saturday 9:00"); of a load that is there: its new time
    #[arg(long, value_name = "WHEN")]
    date: Option<String>,
}

#[derive(clap::Args, Debug)]
struct Show {
    /// Name of the load
    #[arg(add = completions::kiln_loads())]
    load: String,
    /// As if it were packed then
    #[arg(long, value_name = "WHEN")]
    date: Option<String>,
    /// As it would have been at that time (18:25, yesterday 9:10, 2031-04-02 18:25 …)
    /// [default: now]
    #[arg(long, value_name = "WHEN")]
    at: Option<String>,
    /// As JSON, for programs
    #[arg(long, conflicts_with = "output")]
    json: bool,
    /// Draw it into this file, ending in .svg or .png
    #[arg(short, long, value_name = "FILE")]
    output: Option<PathBuf>,
    /// Overwrite the picture if it exists
    #[arg(long, requires = "output")]
    force: bool,
}

#[derive(clap::Args, Debug)]
struct Remove {
    /// Name of the load
    #[arg(add = completions::kiln_loads())]
    load: String,
    /// Its pots; none: the whole load
    #[arg(value_name = "POT", add = completions::pots())]
    pots: Vec<String>,
}

/// Runs `kiln`.
pub fn run(args: Args, context: &Context) -> anyhow::Result<ExitCode> {
    let mut store = context.open()?;
    match args.command {
        Command::Add(args) => add(&args, &mut store, context),
        Command::List => list_all(&store, context),
        Command::Show(args) => show(&args, &store, context),
        Command::Remove(args) => remove(&args, &mut store),
    }
}

/// Loads by name: when they are packed, and their pots.
fn loads(store: &Store) -> anyhow::Result<BTreeMap<Name, (Time, Vec<Name>)>> {
    let mut loads: BTreeMap<Name, (Time, Vec<Name>)> = BTreeMap::new();
    for row in store.kiln_pots()? {
        loads.entry(row.load).or_insert((row.at, Vec::new())).1.push(row.pot);
    }
    Ok(loads)
}

/// A load by its name, or a sentence that says which may have been meant.
fn load(store: &Store, name: &str) -> anyhow::Result<(Time, Vec<Name>)> {
    let mut loads = loads(store)?;
    match loads.remove(name) {
        Some(load) => Ok(load),
        None => {
            let known = loads.keys().map(String::as_str);
            let hint = suggestion(name, known, "see `warecast kiln list`");
            bail!("there is no kiln load \"{}\": {hint}", printable(name))
        }
    }
}

/// A time to come, as it was written after `--date`.
fn to_come(text: &str, words: &Words) -> anyhow::Result<Time> {
    let when = when::parse(text, words.now, &words.zone, Lean::Future)?;
    if let Some(remark) = &when.remark {
        screen::complain(remark);
    }
    if when.time <= words.now {
        let shown = words.full_time(when.time);
        bail!("--date {shown} lies in the past: say when it is going to be packed");
    }
    Ok(when.time)
}

fn add(args: &Add, store: &mut Store, context: &Context) -> anyhow::Result<ExitCode> {
    rules::name("load", &args.load)?;
    let words = context.words(store.settings(), None)?;
    let name = printable(&args.load).into_owned();
    let there = loads(store)?.remove(&args.load);
    let given = args.date.as_deref().map(|text| to_come(text, &words)).transpose()?;
    let (Some(at), false) = (given.or(there.as_ref().map(|t| t.0)), {
        let nothing = args.pots.is_empty() && given.is_none();
        nothing || args.pots.is_empty() && there.is_none()
    }) else {
        match args.pots.is_empty() {
            true => bail!("which pots go into {name}? Name them, or a board"),
            false => bail!("when is {name} packed? Say it with --date \"saturday 9:00\""),
        }
    };
    let roll = Roll::read(store)?;
    let (mut pots, mut remarks) = (Vec::new(), Vec::new());
    for word in &args.pots {
        let target = roll.target(word, words.now, false)?;
        for pot in target.pots {
            if let Some(why) = roll.past_it(&pot, words.now) {
                bail!("{} is {why} by its log: it goes into no other load", printable(&pot));
            }
            pots.push(pot);
        }
        if !target.left_out.is_empty() {
            let left = target.left_out.iter().map(|(pot, why)| format!("{pot} ({why})"));
            remarks.push(format!("Left out: {}.", list(left)));
        }
    }
    let held = there.map(|t| t.1).unwrap_or_default();
    pots.sort();
    pots.dedup();
    let new = pots.iter().filter(|pot| !held.contains(pot)).count();
    let row = |pot: &Name| KilnPot { load: args.load.clone(), at, pot: pot.clone() };
    let rows: Vec<KilnPot> = match pots.is_empty() {
        true => held.iter().map(row).collect(),
        false => pots.iter().map(row).collect(),
    };
    store.put_kiln_pots(&rows, Clash::Replace)?;
    let added = match pots.iter().filter(|pot| !held.contains(pot)).collect::<Vec<_>>() {
        fresh if fresh.is_empty() => String::new(),
        fresh => format!(" {} added;", list(fresh)),
    };
    screen::say(&format!(
        "Load {name}:{added} {} in it, packed {} ({}).",
        count(held.len() + new),
        words.full_time(at),
        words.distance(at)
    ))?;
    remarks.extend(elsewhere(store, &args.load, &rows)?);
    if at.since(words.now) > HORIZON {
        remarks.push("That is further off than the 30 days that forecasts reach.".into());
    }
    remarks.iter().for_each(|text| screen::tell(text));
    Ok(ExitCode::SUCCESS)
}

/// Pots that are in another load, too.
fn elsewhere(store: &Store, load: &str, rows: &[KilnPot]) -> anyhow::Result<Option<String>> {
    let also = store
        .kiln_pots()?
        .into_iter()
        .filter(|other| other.load != load && rows.iter().any(|row| row.pot == other.pot));
    let also: Vec<String> = also.map(|row| format!("{} in {}", row.pot, row.load)).collect();
    Ok((!also.is_empty()).then(|| format!("In another load, too: {}.", list(also))))
}

fn count(pots: usize) -> String {
    match pots {
        1 => "1 pot".into(),
        n => format!("{n} pots"),
    }
}

fn list_all(store: &Store, context: &Context) -> anyhow::Result<ExitCode> {
    let words = context.words(store.settings(), None)?;
    let (loads, roll) = (loads(store)?, Roll::read(store)?);
    if loads.is_empty() {
        let how = format!("{} kiln add NAME POT… --date WHEN", context.command());
        return screen::say(&format!("No kiln loads yet. Make one with: {how}"));
    }
    let mut loads: Vec<_> = loads.into_iter().collect();
    loads.sort_by_key(|(_, (at, _))| *at);
    let row = |(name, (at, pots)): (Name, (Time, Vec<Name>))| {
        let drying = pots.iter().filter(|pot| roll.past_it(pot, words.now).is_none()).count();
        let state = match drying {
            0 => "none of them drying".into(),
            n if n == pots.len() => String::new(),
            n => format!("{n} of them drying"),
        };
        let at = format!("{} ({})", words.full_time(at), words.distance(at));
        vec![printable(&name).into_owned(), at, pots.len().to_string(), state]
    };
    let rows = loads.into_iter().map(row).collect();
    screen::print(&screen::columns(&["LOAD", "PACKED", "POTS", ""], rows))
}

fn remove(args: &Remove, store: &mut Store) -> anyhow::Result<ExitCode> {
    let (_, held) = load(store, &args.load)?;
    let pots = if args.pots.is_empty() { held.clone() } else { args.pots.clone() };
    let were = store.forget_kiln_pots(&args.load, &pots)?;
    let of = |was: bool| {
        let pots = pots.iter().zip(&were).filter(|(_, w)| **w == was).map(|(pot, _)| pot);
        pots.collect::<Vec<_>>()
    };
    let (name, gone, missing) = (printable(&args.load), of(true), of(false));
    if !gone.is_empty() {
        let left = held.iter().filter(|pot| !gone.contains(pot)).count();
        screen::say(&match left {
            0 => format!("Load {name} is forgotten."),
            _ => format!("Load {name}: {} taken off; {} left.", list(&gone), count(left)),
        })?;
    }
    if !missing.is_empty() {
        screen::complain(&format!("not in {name}: {}", list(missing)));
        return Ok(ExitCode::from(REFUSED));
    }
    Ok(ExitCode::SUCCESS)
}

fn show(args: &Show, store: &Store, context: &Context) -> anyhow::Result<ExitCode> {
    let settings = &store.settings().kiln;
    let words = looking_at(args.at.as_deref(), context, store.settings())?;
    let (packed, pots) = load(store, &args.load)?;
    let date = args.date.as_deref().map(|text| to_come(text, &words)).transpose()?;
    let question = question(date.unwrap_or(packed), settings, &words)?;
    if !args.json {
        air_forecast(store, &words);
    }
    let roll = Roll::read(store)?;
    let gone = |pot: &Name| match roll.pot(pot) {
        Some(it) if it.made_at > words.now => Some("not made yet"),
        _ => roll.past_it(pot, words.now),
    };
    let left: Vec<(Name, &str)> =
        pots.iter().filter_map(|pot| Some((pot.clone(), gone(pot)?))).collect();
    let names: Vec<&Name> = pots.iter().filter(|pot| gone(pot).is_none()).collect();
    let studio = store.studio(words.now)?;
    let taught = Taught::new(&studio);
    let (progress, done) = (Progress::new("pots"), AtomicUsize::new(0));
    let step = || progress.show(done.fetch_add(1, Ordering::Relaxed) + 1, names.len());
    let told = kiln::load(&studio, &taught, &names, &question, &step);
    progress.end();
    let packed = date.unwrap_or(packed);
    let page = Page { name: &args.load, packed, question: &question, load: &told, left: &left };
    if let Some(path) = &args.output {
        let picture = page.picture(&words);
        pictures::write_load(&picture, path, &plot::look(&words, args.force))?;
        return screen::say(&format!("wrote {}", printable(&path.display().to_string())));
    }
    if args.json {
        let mut out = std::io::stdout().lock();
        let listed = listed::Listed::new(&page, settings);
        serde_json::to_writer_pretty(&mut out, &listed).map_err(std::io::Error::from)?;
        writeln!(out)?;
        return Ok(ExitCode::SUCCESS);
    }
    screen::print(&page.text(&words, settings, &context.command()))
}

/// What is asked; a load whose time has passed is asked about as it is now.
fn question(packed: Time, settings: &KilnSettings, words: &Words) -> anyhow::Result<Question> {
    let date = packed.since(words.now).max(0.0);
    if date > HORIZON {
        let shown = words.full_time(packed);
        bail!(
            "it is packed {shown}, further off than the 30 days that forecasts reach: look at an \
             earlier time with --date"
        );
    }
    let altitude = settings.altitude_m.unwrap_or(0.0);
    let candling = Candling {
        hold: hold(altitude, settings.below_boiling_c),
        rest: shifted(settings.rest_percent, -2),
        hours_per_cm: settings.hours_per_cm,
        least_hours: settings.least_hours,
    };
    Ok(Question { at: words.now, date, wanted: settings.wanted, candling })
}
