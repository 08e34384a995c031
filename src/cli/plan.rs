//! `plan`: which pots to cover and uncover when, so that they can be trimmed while somebody is
//! there.

mod listed;
mod timetable;
mod walks;

use super::names::{Roll, list};
use super::progress::Progress;
use super::report::{air_forecast, looking_at};
use super::when::{self, Lean};
use super::words::{Words, printable};
use super::{Context, calendar, completions, plot, screen};
use crate::answers::{Taught, plan};
use crate::core::forecast::HORIZON;
use crate::core::plan::backwards::Needs;
use crate::core::plan::done::{Unconfirmed, refuted};
use crate::core::plan::hours::Hours;
use crate::core::plan::work::{Within, Work};
use crate::core::plan::{Pair, Plan, Question, Step};
use crate::core::prospect::Doing;
use crate::plot as pictures;
use crate::records::{Action, Cover, HandlingRow, Name, Wary};
use crate::store::Store;
use crate::store::settings::{BandSettings, PlanSettings};
use crate::store::week::Week;
use crate::units::{DAY, HOUR, Time};
use clap::builder::PossibleValuesParser;
use std::io::Write;
use std::path::PathBuf;
use std::process::ExitCode;
use std::sync::atomic::{AtomicUsize, Ordering};
use timetable::Timetable;

/// Options of `plan`.
#[derive(clap::Args, Debug)]
#[command(after_long_help = "\
A pot is planned for as long as its trimming lies ahead. Where it is likely
enough (80%, a setting) to be trimmable while you are at the wheel if nothing is
done, nothing is. Else one change of its cover is looked for, or two; all pots of
a board are under one sheet. One pot at a time is on the wheel: the one that
closes first is trimmed first.

Percentages: how likely a pot can be trimmed, in one piece, within your hours
while no pot before it is on the wheel; with --kiln also how likely it is dry by
then. Where that cannot be had it is said, with the hour at which the pot is
likeliest to be trimmable.

--accept writes the steps as planned covers and flips, which forecasts follow;
planned covers that they replace are taken back. A step is confirmed by noting it
once it is done; one whose time has passed unconfirmed is asked about, and held
against the weights: where they say that it was not done, the plan goes by them.

--for attach, carve or burnish plans for those, each with its own band (settings).
--pair keeps two pots equally damp, a lid and its jar: they are worked on together.

Hours: 9-13,15-18 for every day, or \"mon-fri 9-13,15-18; sat 10-14\". They are
set for good in studio.toml under [plan].")]
pub struct Args {
    /// Only these boards, or the boards of these pots
    #[arg(value_name = "POT-OR-BOARD", add = completions::pots_and_boards())]
    pots: Vec<String>,
    /// Hours at the wheel, on the clock [default: those of studio.toml]
    #[arg(long, value_name = "HOURS", value_parser = Week::parse)]
    hours: Option<Week>,
    /// What the pots are to be ready for [default: trim]
    #[arg(long = "for", value_name = "WORK")]
    #[arg(value_parser = PossibleValuesParser::new(Work::ALL.map(Work::word)))]
    work: Option<String>,
    /// Two pots that must stay equally damp, beside those of studio.toml; may be repeated
    #[arg(long, num_args = 2, value_names = ["POT", "POT"], add = completions::pots())]
    pair: Vec<String>,
    /// When the kiln is packed ("saturday 9:00")
    #[arg(long, value_name = "WHEN")]
    kiln: Option<String>,
    /// Nobody is there for so long (12d, 36 h), from the end of today's hours on
    #[arg(long, value_name = "DURATION")]
    away: Option<String>,
    /// As it would have been at that time (18:25, yesterday 9:10, 2031-04-02 18:25 …)
    /// [default: now]
    #[arg(long, value_name = "WHEN")]
    at: Option<String>,
    /// As JSON, for programs
    #[arg(long)]
    json: bool,
    /// Write walks, trimming and windows as events into an iCalendar file (RFC 5545)
    #[arg(long, value_name = "FILE")]
    calendar: Option<PathBuf>,
    /// Draw it into this file, ending in .svg or .png
    #[arg(short, long, value_name = "FILE")]
    output: Option<PathBuf>,
    /// Overwrite the calendar or picture if it exists
    #[arg(long)]
    force: bool,
    /// Note the steps as planned
    #[arg(long, conflicts_with = "at")]
    accept: bool,
}

/// How far ahead is looked, s.
const AHEAD: f64 = 10.0 * DAY;
/// And after somebody comes back, s.
const AFTER_AWAY: f64 = 5.0 * DAY;
/// Steps of the clock to which the first walk is put off, s: nobody is at the shelf at once.
const WALK: f64 = 300.0;

/// Runs `plan`.
pub fn run(args: Args, context: &Context) -> anyhow::Result<ExitCode> {
    let mut store = context.open()?;
    let words = looking_at(args.at.as_deref(), context, store.settings())?;
    if args.force && args.calendar.is_none() && args.output.is_none() {
        anyhow::bail!("--force overwrites a calendar or picture: name one (--calendar, --output)");
    }
    let (mut question, away) = question(&args, &store.settings().plan, &words)?;
    let roll = Roll::read(&store)?;
    question.pairs = pairs(&args.pair, &store.settings().plan.pairs, &roll)?;
    question.wary = store.settings().wary;
    let (names, along) = asked(&args.pots, &question.pairs, &roll, words.now)?;
    question.sheets = store
        .settings()
        .plan
        .sheets
        .map(|all| (all as usize).saturating_sub(sheets_of_others(&roll, &names, words.now)));
    if !args.json {
        air_forecast(&store, &words);
    }
    let Made { plan, fresh, unconfirmed } = made(&store, &names, &question, away.is_some())?;
    let (plan, question, unconfirmed) = (&plan, &question, &unconfirmed[..]);
    let ahead = &ahead(&roll, &names, words.now)[..];
    let replaced = &replaced(plan, &roll, ahead, unconfirmed)[..];
    let table = Timetable { plan, question, ahead, replaced, away, fresh: &fresh, unconfirmed };
    if let Some(path) = &args.calendar {
        calendar::write(&table.events(&words), words.now, path, args.force)?;
        screen::tell(&format!("wrote {}", printable(&path.display().to_string())));
    }
    if let Some(path) = &args.output {
        pictures::write_plan(&table.picture(&words), path, &plot::look(&words, args.force))?;
        screen::tell(&format!("wrote {}", printable(&path.display().to_string())));
    }
    if args.json {
        let mut out = std::io::stdout().lock();
        let listed = listed::Listed::new(&table);
        serde_json::to_writer_pretty(&mut out, &listed).map_err(std::io::Error::from)?;
        writeln!(out)?;
    } else {
        let look = timetable::Look { along: &along, accept: args.accept };
        screen::print(&table.page(&words, context, &look))?;
    }
    if args.accept {
        let gone = refuted(unconfirmed).chain(replaced).cloned().collect::<Vec<_>>();
        accept(&mut store, plan, &gone, args.json)?;
    }
    Ok(ExitCode::SUCCESS)
}

/// What is told.
struct Made {
    plan: Plan,
    /// What fresh pots need, where there is a date by which they would have to be thrown.
    fresh: Vec<Needs>,
    unconfirmed: Vec<Unconfirmed>,
}

/// The plan, with a bar while it is made. What the weights say was not done is not supposed.
fn made(store: &Store, names: &[Name], question: &Question, away: bool) -> anyhow::Result<Made> {
    let mut studio = store.studio(question.at)?;
    let taught = Taught::new(&studio);
    let names: Vec<&Name> = names.iter().filter(|name| studio.pots.contains_key(*name)).collect();
    let (progress, done) = (Progress::new("thoughts"), AtomicUsize::new(0));
    let step = || {
        let done = done.fetch_add(1, Ordering::Relaxed) + 1;
        progress.show(done, done.max(2 * names.len()));
    };
    let mut planned = store.planned()?;
    planned.retain(|row| names.contains(&&row.pot));
    let unconfirmed = plan::unconfirmed(&studio, &taught, &planned, store.settings().plan.sure);
    for row in refuted(&unconfirmed) {
        if let Some(log) = studio.handling.get_mut(&row.pot) {
            log.retain(|other| other != row);
        }
    }
    let plan = plan::plan(&studio, &taught, &names, question, &step);
    let fresh = match away || question.kiln.is_some() {
        true => plan::fresh(&studio, &taught, question),
        false => Vec::new(),
    };
    progress.end();
    Ok(Made { plan, fresh, unconfirmed })
}

/// Pots that must stay equally damp: those that were named, and those of the settings where their
/// pots are there.
fn pairs(named: &[String], set: &[Pair], roll: &Roll) -> anyhow::Result<Vec<Pair>> {
    let mut pairs: Vec<Pair> = Vec::new();
    for two in named.chunks_exact(2) {
        let [a, b] = [&two[0], &two[1]].map(|name| roll.find(name).map(|pot| pot.name.clone()));
        let pair = [a?, b?];
        let again = pairs.iter().flatten().find(|name| pair.contains(name));
        if let Some(name) = again.or((pair[0] == pair[1]).then_some(&pair[0])) {
            anyhow::bail!("--pair: {} is in a pair already", printable(name));
        }
        pairs.push(pair);
    }
    for pair in set {
        let is_new = |name: &Name| pairs.iter().flatten().all(|other| other != name);
        if pair.iter().all(|name| roll.pot(name).is_some() && is_new(name)) {
            pairs.push(pair.clone());
        }
    }
    Ok(pairs)
}

/// Sheets of plastic that lie over boards and pots that are not asked about, or will.
fn sheets_of_others(roll: &Roll, names: &[Name], at: Time) -> usize {
    let plastic =
        |row: &HandlingRow| matches!(row.action, Action::Cover(cover) if cover.is_plastic());
    let covered = |name: &Name| {
        let now = roll.last(name, at, |action| matches!(action, Action::Cover(_)));
        let to_come = roll.log(name).iter().filter(|row| row.time > at);
        now.into_iter().chain(to_come).any(plastic)
    };
    let others = roll.pots.iter().filter(|pot| {
        let dries = pot.made_at <= at && roll.past_it(&pot.name, at).is_none();
        dries && !names.contains(&pot.name) && covered(&pot.name)
    });
    let under = others.map(|pot| (pot.board.as_ref(), pot.board.is_none().then_some(&pot.name)));
    under.collect::<std::collections::BTreeSet<_>>().len()
}

/// A work with its band and minutes.
fn work(word: Option<&str>, settings: &PlanSettings) -> (Work, Within, f64) {
    let work = word.and_then(Work::parse).unwrap_or_default();
    let BandSettings { from, to, minutes } = match work {
        Work::Trim => BandSettings { from: 0.0, to: 1.0, minutes: settings.trim_minutes },
        Work::Attach => settings.attach,
        Work::Carve => settings.carve,
        Work::Burnish => settings.burnish,
    };
    (work, Within { from, to }, minutes)
}

/// What is asked, and from when to when nobody is there.
fn question(
    args: &Args,
    settings: &PlanSettings,
    words: &Words,
) -> anyhow::Result<(Question, Option<(Time, Time)>)> {
    let Some(week) = args.hours.as_ref().or(settings.hours.as_ref()) else {
        anyhow::bail!(
            "when are you at the wheel? Say it with --hours 9-13,15-18, or set hours under [plan] \
             in studio.toml"
        );
    };
    let (at, there) = (words.now, settings.there.as_ref().unwrap_or(week));
    let kiln = args.kiln.as_deref().map(|text| kiln(text, words)).transpose()?;
    let away = args.away.as_deref().map(|text| away(text, there, words)).transpose()?;
    let reach = |time: Time, more: f64| (time.since(at) + more).clamp(AHEAD, HORIZON);
    let until = kiln.map_or(AHEAD, |kiln| reach(kiln, HOUR));
    let until = until.max(away.map_or(AHEAD, |(_, back)| reach(back, AFTER_AWAY)));
    let hours = |week: &Week| {
        let spans = week.between(at, at.plus(until), &words.zone).into_iter();
        let hours = Hours::new(spans.map(|(from, to)| (from.since(at), to.since(at))).collect());
        match away {
            Some((leaves, back)) => hours.without((leaves.since(at), back.since(at))),
            None => hours,
        }
    };
    let (work, within, minutes) = work(args.work.as_deref(), settings);
    let question = Question {
        at,
        hours: hours(week),
        moments: moments(&hours(there), at),
        trim_s: 60.0 * minutes,
        wanted: settings.wanted,
        worth: settings.worth,
        leave: settings.leave,
        covers: settings.covers.clone(),
        sheets: None,
        kiln: kiln.map(|kiln| kiln.since(at)),
        until,
        work,
        within,
        pairs: Vec::new(),
        alike: settings.alike,
        wary: Wary::default(),
    };
    Ok((question, away))
}

/// When the kiln is packed.
fn kiln(text: &str, words: &Words) -> anyhow::Result<Time> {
    let when = when::parse(text, words.now, &words.zone, Lean::Future)?;
    if let Some(remark) = &when.remark {
        screen::complain(remark);
    }
    let shown = words.full_time(when.time);
    match when.time.since(words.now) {
        ahead if ahead <= 0.0 => {
            anyhow::bail!("--kiln {shown} lies in the past: say when it is going to be packed")
        }
        ahead if ahead > HORIZON => {
            anyhow::bail!("--kiln {shown} is further off than the 30 days that forecasts reach")
        }
        _ => Ok(when.time),
    }
}

/// From when to when nobody is there: from the end of today's hours on.
fn away(text: &str, there: &Week, words: &Words) -> anyhow::Result<(Time, Time)> {
    let (at, zone) = (words.now, &words.zone);
    let shown = printable(text);
    let when = when::parse(&format!("in {text}"), at, zone, Lean::Future).ok();
    let Some(when) = when.filter(|when| when.time > at) else {
        anyhow::bail!("--away \"{shown}\": how long? Write it like 12d or 36 h");
    };
    let today = |span: &(Time, Time)| words.day_of(span.0) == words.day_of(at);
    let hours = there.between(at, at.plus(DAY), zone).into_iter().filter(today);
    let leaves = hours.map(|(_, to)| to).max().unwrap_or(at);
    let back = leaves.plus(when.time.since(at));
    if back.since(at) > HORIZON - DAY {
        anyhow::bail!("--away {shown} is longer than forecasts reach: say less than 29 days");
    }
    Ok((leaves, back))
}

/// Moments at which covers can be changed: when somebody comes, and when they go.
fn moments(there: &Hours, at: Time) -> Vec<f64> {
    let first = (at.seconds() / WALK + 0.1).ceil() * WALK - at.seconds();
    // Who is there now came before.
    let ends = |(from, to): &(f64, f64)| [if *from > 0.0 { *from } else { first.min(*to) }, *to];
    let mut moments: Vec<f64> = there.spans().iter().flat_map(ends).collect();
    moments.dedup();
    moments
}

/// The pots in question, all of a board and both of a pair at once, and those that came along with
/// others of theirs.
fn asked(
    asked: &[String],
    pairs: &[Pair],
    roll: &Roll,
    at: Time,
) -> anyhow::Result<(Vec<Name>, Vec<Name>)> {
    let drying = |name: &Name| {
        let made = roll.pot(name).is_some_and(|pot| pot.made_at <= at);
        made && roll.past_it(name, at).is_none()
    };
    let mut names: Vec<Name> = Vec::new();
    for word in asked {
        names.extend(roll.target(word, at, false)?.pots);
    }
    if asked.is_empty() {
        names.extend(roll.pots.iter().map(|pot| pot.name.clone()));
    }
    let whole = |pair: &&Pair| pair.iter().any(|name| names.contains(name));
    let mut along: Vec<Name> = pairs.iter().filter(whole).flatten().cloned().collect();
    let boards: Vec<&Name> =
        names.iter().chain(&along).filter_map(|name| roll.pot(name)?.board.as_ref()).collect();
    let on_them = roll
        .pots
        .iter()
        .filter(|pot| pot.board.as_ref().is_some_and(|board| boards.contains(&board)));
    let on_them: Vec<Name> = on_them.map(|pot| pot.name.clone()).collect();
    along.extend(on_them);
    along.retain(|name| !names.contains(name) && drying(name));
    along.sort();
    along.dedup();
    names.extend(along.iter().cloned());
    names.retain(drying);
    names.sort();
    names.dedup();
    Ok((names, along))
}

/// Planned rows ahead of some pots.
fn ahead(roll: &Roll, names: &[Name], now: Time) -> Vec<HandlingRow> {
    let rows = names.iter().flat_map(|name| roll.log(name));
    rows.filter(|row| row.time > now && row.action.can_be_planned()).cloned().collect()
}

/// Planned covers that those of the plan take the place of, or that would change nothing, as what
/// was to come before them was not done.
fn replaced(
    plan: &Plan,
    roll: &Roll,
    ahead: &[HandlingRow],
    unconfirmed: &[Unconfirmed],
) -> Vec<HandlingRow> {
    let refuted: Vec<&HandlingRow> = refuted(unconfirmed).collect();
    let mut gone = Vec::new();
    for pot in &plan.pots {
        let covers =
            |step: &&Step| matches!(step.doing, Doing::Cover(_)) && step.pots.contains(&pot.pot);
        let first = plan.steps.iter().find(covers).map_or(Time::MAX, |step| step.at);
        let mut cover = Cover::Open;
        for row in roll.log(&pot.pot).iter().filter(|row| !refuted.contains(row)) {
            let Action::Cover(next) = row.action else { continue };
            if ahead.contains(row) && (row.time >= first || next == cover) {
                gone.push(row.clone());
            } else {
                cover = next;
            }
        }
    }
    gone
}

/// A step as it is noted.
pub fn action(doing: Doing) -> Action {
    match doing {
        Doing::Cover(cover) => Action::Cover(cover),
        Doing::Flip => Action::Flip,
    }
}

/// Writes the steps as planned rows; these others go.
fn accept(store: &mut Store, plan: &Plan, gone: &[HandlingRow], quiet: bool) -> anyhow::Result<()> {
    let row = |step: &Step, pot: &Name| HandlingRow {
        time: step.at,
        pot: pot.clone(),
        action: action(step.doing),
    };
    // What hangs on trimming is noted with it.
    let steps = || plan.steps.iter().filter(|step| !step.once_trimmed);
    let rows: Vec<HandlingRow> =
        steps().flat_map(|step| step.pots.iter().map(|pot| row(step, pot))).collect();
    store.plan_instead(gone, &rows)?;
    if !quiet {
        let pots = steps().flat_map(|step| &step.pots);
        let mut pots: Vec<&Name> = pots.collect();
        pots.sort();
        pots.dedup();
        screen::say(&match rows.is_empty() {
            true => "Nothing to accept.".into(),
            false => format!("Planned for {}.", list(pots)),
        })?;
    }
    Ok(())
}
