//! `round`: which pots most need to be weighed now, in the order of a walk along the boards.

use super::inputs::{self, Source};
use super::names::{Roll, counted, list};
use super::report::looking_at;
use super::walk::Walk;
use super::weigh::BENCH;
use super::words::{self, Words, printable};
use super::{Context, completions, learnt, screen};
use crate::answers::{Stop, Taught};
use crate::core::need::{Decision, Need};
use crate::records::{Action, Name, Pot};
use crate::sensing::listen::SettleError;
use crate::sensing::port::PortError;
use crate::store::settings::DEFAULT_BAUD;
use crate::store::{Format, PortSettings, Store};
use crate::units::Time;
use crate::watch;
use crate::watch::lock::Lock;
use serde::Serialize;
use std::io::Write;
use std::process::ExitCode;

/// Options of `round`.
#[derive(clap::Args, Debug)]
#[command(after_long_help = "\
It names the pots of which a weighing now tells most, board by board, and of each
what it would tell: \"narrows when it opens from 7 h to 3 h\" means that the time
within which its window opens in 8 of 10 cases becomes so much shorter. A pot that
is too soft to be lifted is left out, unless it stands on a bat or board that its
tare counts.

The scale's next settled weight counts for the pot that was named last; so does a
weight that is typed (812.4, 812g, \"1 lb 12 oz\"). Type or scan another pot's name to
weigh that one instead, or both at once (jar-2 812.4). What does not look like the
pot's own weight is asked about before it is noted. Other words:
  skip   not this one
  undo   takes the last weighing, or skip, back
  list   what is still to be weighed
  done   ends the round; so do Ctrl-C and the end of the input
A pot whose name is a number goes before a weight: write the weight with its unit.

The scale is on --port, else on the port in studio.toml whose source is \"bench\", else
on the only text port there; without one, weights are typed. While `watch` runs and
has that port, what it stores of the scale is followed.")]
pub struct Args {
    /// Only these pots, or the pots of these boards, boards in the order given
    #[arg(value_name = "POT-OR-BOARD", add = completions::pots_and_boards())]
    pots: Vec<String>,
    /// No more pots than this, those that need it most
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(1..))]
    most: Option<u32>,
    /// Only say which, and end
    #[arg(long, group = "printed")]
    list: bool,
    /// Only say which, as JSON
    #[arg(long, group = "printed")]
    json: bool,
    /// As it would have been at that time (18:25, yesterday 9:10 …) [default: now]
    #[arg(long, value_name = "WHEN", requires = "printed")]
    at: Option<String>,
    /// The scale's serial port
    #[arg(long, value_name = "PATH", conflicts_with = "printed")]
    port: Option<String>,
    /// Its baud rate
    #[arg(long, value_name = "N", requires = "port", value_parser = clap::value_parser!(u32).range(1..))]
    baud: Option<u32>,
    /// The scale, where several send on the port
    #[arg(long, value_name = "NAME", conflicts_with = "printed")]
    scale: Option<String>,
    /// Listen to no port: weights are typed
    #[arg(long, conflicts_with_all = ["port", "scale", "printed"])]
    typed: bool,
}

/// What a round is made of.
pub struct Plan {
    /// Pots to be weighed, in the order of the walk.
    pub stops: Vec<Stop>,
    /// Pots that ought to be, but are too soft to be lifted.
    pub soft: Vec<Stop>,
    /// Pots of which a weighing would tell too little.
    pub known: Vec<Stop>,
    /// Pots that need it less than those that were asked for at most.
    pub later: Vec<Stop>,
}

/// Runs `round`.
pub fn run(args: Args, context: &Context) -> anyhow::Result<ExitCode> {
    let store = context.open()?;
    let words = looking_at(args.at.as_deref(), context, store.settings())?;
    let roll = Roll::read(&store)?;
    let studio = store.studio(words.now)?;
    let taught = Taught::new(&studio);
    let asked = asked(&args.pots, &roll, words.now)?;
    let names: Vec<&Name> = asked.iter().filter(|name| studio.pots.contains_key(*name)).collect();
    let plan = Plan::new(taught.stops(&studio, &names), args.most);
    if args.json {
        return json(&plan, &roll, words.now);
    }
    if args.list {
        return screen::print(&page(&plan, &roll, &words, context));
    }
    let scale = scale(&args, &store, context)?;
    let source = scale.as_ref().map(|(name, _)| name.clone());
    // Whose weight is on the scale is asked of all pots, whichever the round is of.
    let mut stops: Vec<Stop> = [&plan.stops, &plan.soft, &plan.known, &plan.later]
        .into_iter()
        .flatten()
        .cloned()
        .collect();
    let others: Vec<&Name> = studio
        .pots
        .keys()
        .filter(|name| !asked.contains(*name) && roll.past_it(name, words.now).is_none())
        .collect();
    stops.extend(taught.stops(&studio, &others));
    let inputs = inputs::listen(scale.map(|(_, scale)| scale), context.studio.clone())?;
    screen::print(&opening(&plan, source.as_deref(), &roll, &words, context))?;
    Walk::new(context, store, taught, roll, (plan.stops, stops), source).go(&inputs)
}

/// The pots in question, in the order of a walk: as they were named, else place by place and board
/// by board; those on no board last.
fn asked(asked: &[String], roll: &Roll, at: Time) -> anyhow::Result<Vec<Name>> {
    let in_order = |pots: &mut Vec<&Pot>| pots.sort_by_key(|pot| counted(&pot.name));
    let mut names: Vec<Name> = Vec::new();
    for word in asked {
        let target = roll.target(word, at, false)?;
        let mut pots: Vec<&Pot> = target.pots.iter().filter_map(|name| roll.pot(name)).collect();
        in_order(&mut pots);
        names.extend(pots.iter().map(|pot| pot.name.clone()));
    }
    if asked.is_empty() {
        let drying = |pot: &&Pot| pot.made_at <= at && roll.past_it(&pot.name, at).is_none();
        let mut pots: Vec<&Pot> = roll.pots.iter().filter(drying).collect();
        in_order(&mut pots);
        pots.sort_by_key(|pot| {
            let place = place(pot, roll, at).map(|name| counted(&name));
            let board = pot.board.as_deref();
            (place, board.is_none(), board.map(counted))
        });
        names.extend(pots.iter().map(|pot| pot.name.clone()));
    }
    let mut seen = std::collections::HashSet::new();
    names.retain(|name| seen.insert(name.clone()));
    Ok(names)
}

/// Where a pot stands at a time.
fn place(pot: &Pot, roll: &Roll, at: Time) -> Option<Name> {
    match roll.last(&pot.name, at, |a| matches!(a, Action::Move(_))).map(|row| &row.action) {
        Some(Action::Move(place)) => Some(place.clone()),
        _ => pot.place.clone(),
    }
}

impl Plan {
    /// Of pots in the order of the walk.
    fn new(all: Vec<Stop>, most: Option<u32>) -> Plan {
        let (needed, known): (Vec<Stop>, _) = all.into_iter().partition(Stop::is_needed);
        let (soft, needed): (Vec<Stop>, Vec<Stop>) = needed.into_iter().partition(|s| s.too_soft);
        let worth = |stop: &Stop| stop.need.map_or(0.0, |need| need.worth);
        let mut worths: Vec<f64> = needed.iter().map(worth).collect();
        worths.sort_by(|a, b| b.total_cmp(a));
        let least = most.and_then(|most| worths.get(most as usize - 1)).copied().unwrap_or(0.0);
        let (mut stops, mut later): (Vec<Stop>, Vec<Stop>) =
            needed.into_iter().partition(|stop| worth(stop) >= least);
        // Of pots that need it alike, those that come first on the way.
        later.extend(stops.drain(stops.len().min(most.map_or(usize::MAX, |n| n as usize))..));
        Plan { stops, soft, known, later }
    }
}

/// What a weighing would do, in words that follow a pot's name.
pub fn why(need: &Need) -> String {
    let over = if need.beyond { "over " } else { "" };
    let (before, after) = words::spans(learnt::told(need.width), learnt::told(need.weighed));
    let narrows = |when| format!("narrows when it {when} from {over}{before} to {after}");
    match need.decision {
        Decision::Opens => narrows("opens"),
        Decision::Closes => narrows("closes"),
        Decision::BoneDry => narrows("is dry"),
        Decision::Dry => {
            format!("may settle whether it is dry ({} that it does)", words::chance(need.chance))
        }
    }
}

/// How many of how many.
fn counted_pots(plan: &Plan) -> String {
    let all = plan.stops.len() + plan.soft.len() + plan.known.len() + plan.later.len();
    match (plan.stops.len(), all) {
        (n, all) if n == all => format!("{n} {}", if n == 1 { "pot" } else { "pots" }),
        (n, all) => format!("{n} of {all} pots"),
    }
}

/// What is left out of the round, and why; a sentence each.
fn left_out(plan: &Plan, words: &Words, context: &Context) -> Vec<String> {
    let mut out = Vec::new();
    if !plan.soft.is_empty() {
        let soft = plan.soft.iter().map(|stop| {
            let by = stop.firm.and_then(|firm| Some((firm.p90?, firm.told_to())));
            let by = by.map(|(time, to)| format!(" (firm enough by {})", words.roughly(time, to)));
            let by = by.unwrap_or_default();
            format!("{}{by}", stop.answer.pot)
        });
        out.push(format!(
            "Left out, too soft to be lifted: {}. On a bat or board whose weight is noted they \
             can be weighed: {} note POT tare WEIGHT",
            list(soft),
            context.command()
        ));
    }
    if !plan.later.is_empty() {
        let later = plan.later.iter().map(|stop| &stop.answer.pot);
        out.push(format!("For another time: {}.", list(later)));
    }
    out
}

/// Which pots are to be weighed, in their order.
fn chosen(plan: &Plan, roll: &Roll, words: &Words) -> String {
    if plan.stops.is_empty() {
        return "No pot needs to be weighed now: it would narrow no forecast by ten minutes.\n"
            .into();
    }
    format!("Weigh {}, in this order:\n{}\n", counted_pots(plan), rows(&plan.stops, roll, words))
}

fn wrapped<'a>(lines: impl IntoIterator<Item = &'a String>) -> String {
    let width = screen::terminal_width();
    lines.into_iter().map(|line| screen::paragraph(&printable(line), 0, width)).collect()
}

/// What is said before the first pot.
fn opening(
    plan: &Plan,
    source: Option<&str>,
    roll: &Roll,
    words: &Words,
    context: &Context,
) -> String {
    let how = match source {
        Some(_) => "Put each on the scale and take the hands away, or type what it shows.",
        None => "Type what the scale shows, with all that the tare counts.",
    };
    let how = format!(
        "{how} A pot's name, typed or scanned, makes that one the next. Other words: skip, undo, \
         list, done."
    );
    chosen(plan, roll, words) + &wrapped(left_out(plan, words, context).iter().chain([&how]))
}

/// The list as a page.
fn page(plan: &Plan, roll: &Roll, words: &Words, context: &Context) -> String {
    let mut lines = left_out(plan, words, context);
    if !plan.stops.is_empty() {
        lines.push(
            "Lengths of time: within which it comes in 8 of 10 cases, as it is known now and once \
             it is weighed. Of other pots a weighing would tell less than ten minutes."
                .into(),
        );
    }
    let title = format!("Pots as of {}\n", words.full_time(words.now));
    title + &chosen(plan, roll, words) + &wrapped(&lines)
}

/// Pots with what a weighing would do for them, under the names of their boards.
pub fn rows<'a>(stops: impl IntoIterator<Item = &'a Stop>, roll: &Roll, words: &Words) -> String {
    let mut page = String::new();
    let stops: Vec<&Stop> = stops.into_iter().collect();
    let stands = |stop: &&Stop| {
        let pot = roll.pot(&stop.answer.pot);
        let place = pot.and_then(|pot| place(pot, roll, words.now));
        (place, pot.and_then(|pot| pot.board.clone()))
    };
    for group in stops.chunk_by(|a, b| stands(a) == stands(b)) {
        let (place, board) = stands(&group[0]);
        let board = board.map_or("on no board".into(), |board| format!("board {board}"));
        let title = place.into_iter().chain([board]).collect::<Vec<_>>().join(", ");
        page += &format!("\n{}\n", printable(&title));
        let row = |stop: &&Stop| {
            let why = stop.need.as_ref().map(why).unwrap_or_default();
            vec![printable(&stop.answer.pot).into_owned(), why]
        };
        page += &screen::columns(&[], group.iter().map(row).collect());
    }
    page
}

/// The list for programs.
#[derive(Serialize)]
struct Listed {
    at: String,
    pots: Vec<Row>,
    too_soft: Vec<Soft>,
    later: Vec<Name>,
    not_needed: Vec<Name>,
}

#[derive(Serialize)]
struct Row {
    pot: Name,
    place: Option<Name>,
    board: Option<Name>,
    /// What is decided next: `opens`, `closes`, `bone-dry` (when), `dry` (whether).
    decides: &'static str,
    /// Time within which that comes in 8 of 10 cases, s; none for `dry`.
    range_s: Option<f64>,
    /// It may come later still, beyond the horizon.
    range_open: bool,
    /// The same once it is weighed, s.
    range_weighed_s: Option<f64>,
    /// How likely the weighing says that it is dry; only for `dry`.
    chance: Option<f64>,
}

#[derive(Serialize)]
struct Soft {
    pot: Name,
    firm_by: Option<String>,
}

fn json(plan: &Plan, roll: &Roll, at: Time) -> anyhow::Result<ExitCode> {
    let row = |stop: &Stop| {
        let (need, pot) = (stop.need?, roll.pot(&stop.answer.pot)?);
        let decides = match need.decision {
            Decision::Opens => "opens",
            Decision::Closes => "closes",
            Decision::BoneDry => "bone-dry",
            Decision::Dry => "dry",
        };
        let dry = need.decision == Decision::Dry;
        let seconds = |s: f64| (!dry).then_some(s.round());
        Some(Row {
            pot: pot.name.clone(),
            place: place(pot, roll, at),
            board: pot.board.clone(),
            decides,
            range_s: seconds(need.width),
            range_open: need.beyond,
            range_weighed_s: seconds(need.weighed),
            chance: dry.then_some(need.chance),
        })
    };
    let names = |stops: &[Stop]| stops.iter().map(|stop| stop.answer.pot.clone()).collect();
    let soft = |stop: &Stop| Soft {
        pot: stop.answer.pot.clone(),
        firm_by: stop.firm.and_then(|firm| firm.p90).map(|time| time.to_string()),
    };
    let listed = Listed {
        at: at.to_string(),
        pots: plan.stops.iter().filter_map(row).collect(),
        too_soft: plan.soft.iter().map(soft).collect(),
        later: names(&plan.later),
        not_needed: names(&plan.known),
    };
    let mut out = std::io::stdout().lock();
    serde_json::to_writer_pretty(&mut out, &listed).map_err(std::io::Error::from)?;
    writeln!(out)?;
    Ok(ExitCode::SUCCESS)
}

/// The scale to listen to, with the name that its weights are kept under; `None`: they are typed.
fn scale(args: &Args, store: &Store, context: &Context) -> anyhow::Result<Option<(Name, Source)>> {
    let Some(port) = port(args, store).filter(|_| !args.typed) else { return Ok(None) };
    let source = args.scale.clone().or_else(|| port.source.clone());
    let name = source.clone().unwrap_or_else(|| BENCH.into());
    let scale = args.scale.clone();
    match watch::listen(&port) {
        Ok(listener) => {
            let listener = Box::new(listener);
            Ok(Some((name, Source::Port { listener, port, scale })))
        }
        Err(SettleError::Port(PortError::Held(path))) => {
            let watched = Lock::holder(&context.studio).is_some();
            let Some(source) = source.filter(|_| watched) else {
                anyhow::bail!(
                    "{} is held by {}: end that, {}or type the weights (--typed)",
                    printable(&path),
                    if watched { "`warecast watch`" } else { "another program" },
                    if watched { "say with --scale which source the scale is, " } else { "" }
                );
            };
            screen::tell(&format!(
                "`warecast watch` has {}: what it stores of {} is followed. Let each pot stand for \
                 20 s, unless the scale prints at its key.",
                printable(&path),
                printable(&source)
            ));
            let studio = context.studio.clone();
            Ok(Some((name, Source::Stored { studio, source })))
        }
        Err(error) if args.port.is_some() => Err(error.into()),
        // The round goes on without it.
        Err(error) => {
            screen::complain(&format!("{error}. Until then, type the weights"));
            Ok(None)
        }
    }
}

/// The port of the bench scale, if there is one.
fn port(args: &Args, store: &Store) -> Option<PortSettings> {
    let ports = &store.settings().port;
    let port = match &args.port {
        Some(path) => {
            let known = ports.iter().find(|port| port.path == *path).cloned();
            Some(known.unwrap_or_else(|| PortSettings::senml(path, DEFAULT_BAUD)))
        }
        None => {
            let bench = ports.iter().find(|port| port.source.as_deref() == Some(BENCH));
            let mut texts = ports.iter().filter(|port| port.format == Format::Text);
            let only = texts.next().filter(|_| texts.next().is_none());
            bench.or(only).or(args.scale.as_ref().and(ports.first())).cloned()
        }
    };
    port.map(|port| PortSettings { baud: args.baud.unwrap_or(port.baud), ..port })
}
