//! `plan`: which pots to cover and uncover when, so that they can be trimmed while somebody is
//! there.

use super::calendar;
use super::names::{Roll, list};
use super::progress::Progress;
use super::report::{air_forecast, looking_at};
use super::timetable::{self, Timetable};
use super::when::{self, Lean};
use super::words::{Words, printable};
use super::{Context, completions, screen};
use crate::answers::{Taught, plan};
use crate::core::forecast::HORIZON;
use crate::core::plan::backwards::Needs;
use crate::core::plan::hours::Hours;
use crate::core::plan::{Plan, Question, Step};
use crate::core::prospect::Doing;
use crate::records::{Action, HandlingRow, Name};
use crate::store::settings::PlanSettings;
use crate::store::week::Week;
use crate::store::{Clash, Store};
use crate::units::{DAY, HOUR, Time};
use std::io::Write;
use std::path::PathBuf;
use std::process::ExitCode;
use std::sync::atomic::{AtomicUsize, Ordering};

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
planned covers that they replace are taken back. What was done otherwise is
noted with `note` and planned anew.

Hours: 9-13,15-18 for every day, or \"mon-fri 9-13,15-18; sat 10-14\". They are
set for good in studio.toml under [plan].")]
pub struct Args {
    /// Only these boards, or the boards of these pots
    #[arg(value_name = "POT-OR-BOARD", add = completions::pots_and_boards())]
    pots: Vec<String>,
    /// Hours at the wheel, on the clock [default: those of studio.toml]
    #[arg(long, value_name = "HOURS", value_parser = Week::parse)]
    hours: Option<Week>,
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
    /// Overwrite the calendar if it exists
    #[arg(long, requires = "calendar")]
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
    let (question, away) = question(&args, &store.settings().plan, &words)?;
    let roll = Roll::read(&store)?;
    let (names, along) = asked(&args.pots, &roll, words.now)?;
    if !args.json {
        air_forecast(&store, &words);
    }
    let (plan, fresh) = planned(&store, &names, &question, away.is_some())?;
    let replaced = replaced(&plan, &roll, &names, words.now);
    let (plan, question, replaced) = (&plan, &question, &replaced[..]);
    let table = Timetable { plan, question, replaced, away, fresh: &fresh };
    if let Some(path) = &args.calendar {
        calendar::write(&table.events(&words), words.now, path, args.force)?;
        screen::tell(&format!("wrote {}", printable(&path.display().to_string())));
    }
    if args.json {
        let mut out = std::io::stdout().lock();
        serde_json::to_writer_pretty(&mut out, &table.json()).map_err(std::io::Error::from)?;
        writeln!(out)?;
    } else {
        let look = timetable::Look { along: &along, accept: args.accept, roll: &roll };
        screen::print(&table.page(&words, context, &look))?;
    }
    if args.accept {
        accept(&mut store, plan, replaced, args.json)?;
    }
    Ok(ExitCode::SUCCESS)
}

/// The plan, with a bar while it is made; and what fresh pots need, where there is a date by which
/// they would have to be thrown.
fn planned(
    store: &Store,
    names: &[Name],
    question: &Question,
    away: bool,
) -> anyhow::Result<(Plan, Vec<Needs>)> {
    let studio = store.studio(question.at)?;
    let taught = Taught::new(&studio);
    let names: Vec<&Name> = names.iter().filter(|name| studio.pots.contains_key(*name)).collect();
    let (progress, done) = (Progress::new("thoughts"), AtomicUsize::new(0));
    let step = || {
        let done = done.fetch_add(1, Ordering::Relaxed) + 1;
        progress.show(done, done.max(2 * names.len()));
    };
    let plan = plan::plan(&studio, &taught, &names, question, &step);
    let fresh = match away || question.kiln.is_some() {
        true => plan::fresh(&studio, &taught, question.wanted),
        false => Vec::new(),
    };
    progress.end();
    Ok((plan, fresh))
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
    let question = Question {
        at,
        hours: hours(week),
        moments: moments(&hours(there), at),
        trim_s: 60.0 * settings.trim_minutes,
        wanted: settings.wanted,
        covers: settings.covers.clone(),
        kiln: kiln.map(|kiln| kiln.since(at)),
        until,
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
    let Ok(when) = when::parse(&format!("in {text}"), at, zone, Lean::Future) else {
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

/// The pots in question, all of a board at once, and those that came along with others of theirs.
fn asked(asked: &[String], roll: &Roll, at: Time) -> anyhow::Result<(Vec<Name>, Vec<Name>)> {
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
    let boards: Vec<&Name> =
        names.iter().filter_map(|name| roll.pot(name)?.board.as_ref()).collect();
    let on_them = roll
        .pots
        .iter()
        .filter(|pot| pot.board.as_ref().is_some_and(|board| boards.contains(&board)));
    let mut along: Vec<Name> = on_them.map(|pot| pot.name.clone()).collect();
    along.retain(|name| !names.contains(name) && drying(name));
    along.sort();
    along.dedup();
    names.extend(along.iter().cloned());
    names.retain(drying);
    names.sort();
    names.dedup();
    Ok((names, along))
}

/// Planned covers that the plan's own take the place of: those that come after its first for the
/// pot.
fn replaced(plan: &Plan, roll: &Roll, names: &[Name], now: Time) -> Vec<HandlingRow> {
    let mut rows = Vec::new();
    for name in names {
        let covers =
            |step: &&Step| matches!(step.doing, Doing::Cover(_)) && step.pots.contains(name);
        let Some(first) = plan.steps.iter().find(covers) else { continue };
        let later = roll.log(name).iter().filter(|row| {
            matches!(row.action, Action::Cover(_)) && row.time > now && row.time >= first.at
        });
        rows.extend(later.cloned());
    }
    rows
}

/// A step as it is noted.
pub fn action(doing: Doing) -> Action {
    match doing {
        Doing::Cover(cover) => Action::Cover(cover),
        Doing::Flip => Action::Flip,
    }
}

/// Writes the steps as planned rows.
fn accept(
    store: &mut Store,
    plan: &Plan,
    replaced: &[HandlingRow],
    quiet: bool,
) -> anyhow::Result<()> {
    let row = |step: &Step, pot: &Name| HandlingRow {
        time: step.at,
        pot: pot.clone(),
        action: action(step.doing),
    };
    // What hangs on trimming is noted with it.
    let steps = || plan.steps.iter().filter(|step| !step.once_trimmed);
    let rows: Vec<HandlingRow> =
        steps().flat_map(|step| step.pots.iter().map(|pot| row(step, pot))).collect();
    store.take_back_notes(replaced)?;
    store.put_handling(&rows, Clash::Replace)?;
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
