//! A plan for programs. Times are RFC 3339, UTC.

use super::action;
use super::timetable::{Latest, Timetable};
use crate::cli::screen::FIRING;
use crate::core::plan::done::Unconfirmed;
use crate::core::plan::{Chances, Pair, Planned, Step};
use crate::core::report::{TimeQuantiles, Warning};
use crate::records::{Cover, HandlingRow, Name};
use crate::units::Time;
use serde::Serialize;

/// The plan.
#[derive(Serialize)]
pub struct Listed {
    at: String,
    /// What the pots are to be ready for.
    work: &'static str,
    /// Up to when was looked.
    until: String,
    wanted: f64,
    /// How likely a pot may crack or warp before a gentler way is taken.
    warn_from: f64,
    trim_s: f64,
    kiln: Option<String>,
    hours: Vec<Span>,
    /// Sheets of plastic that there are for these pots.
    sheets: Option<usize>,
    /// Planned steps whose time has come and that nobody confirmed.
    unconfirmed: Vec<Open>,
    steps: Vec<Done>,
    /// What was planned before and stays so.
    planned: Vec<Row>,
    replaces: Vec<Row>,
    pots: Vec<Pot>,
    /// Pairs that cannot be kept equally damp: each of their pots is planned by itself.
    apart: Vec<Apart>,
    latest_to_throw: Vec<Thrown>,
    /// Where it was planned for a kiln.
    #[serde(skip_serializing_if = "Option::is_none")]
    caution: Option<String>,
}

#[derive(Serialize)]
struct Apart {
    pots: Pair,
    /// How likely they could be worked on together, at best.
    chance: f64,
}

impl Listed {
    /// Of a plan.
    pub fn new(table: &Timetable) -> Listed {
        let at = table.question.at;
        let apart = |(pots, chance): &(Pair, f64)| Apart { pots: pots.clone(), chance: *chance };
        let span = |(from, to): &(f64, f64)| Span {
            from: at.plus(*from).to_string(),
            to: at.plus(*to).to_string(),
        };
        let step = |step: &Step| Done {
            time: step.at.to_string(),
            action: action(step.doing).word(),
            detail: action(step.doing).detail(),
            board: step.board.clone(),
            pots: step.pots.clone(),
            once_trimmed: step.once_trimmed,
        };
        Listed {
            at: at.to_string(),
            work: table.question.work.word(),
            until: at.plus(table.question.until).to_string(),
            wanted: table.question.wanted,
            warn_from: table.question.wary.0,
            trim_s: table.question.trim_s,
            kiln: table.question.kiln.map(|kiln| at.plus(kiln).to_string()),
            hours: table.question.hours.spans().iter().map(span).collect(),
            sheets: table.question.sheets,
            unconfirmed: table.unconfirmed.iter().filter_map(Open::new).collect(),
            steps: table.plan.steps.iter().map(step).collect(),
            planned: table.kept_rows().map(Row::new).collect(),
            replaces: table.replaced.iter().map(Row::new).collect(),
            pots: table.plan.pots.iter().map(Pot::new).collect(),
            apart: table.plan.apart.iter().map(apart).collect(),
            latest_to_throw: table.latest().into_iter().map(Thrown::new).collect(),
            caution: table.question.kiln.map(|_| FIRING.join(" ")),
        }
    }
}

#[derive(Serialize)]
struct Open {
    time: String,
    action: &'static str,
    detail: String,
    board: Option<Name>,
    pots: Vec<Name>,
    /// How likely it was done, by the weights.
    done: Option<f64>,
    /// Whether the plan goes by that it was not.
    refuted: bool,
}

impl Open {
    fn new(step: &Unconfirmed) -> Option<Open> {
        let first = step.rows.first()?;
        Some(Open {
            time: first.time.to_string(),
            action: first.action.word(),
            detail: first.action.detail(),
            board: step.board.clone(),
            pots: step.rows.iter().map(|row| row.pot.clone()).collect(),
            done: step.done,
            refuted: step.is_refuted(),
        })
    }
}

#[derive(Serialize)]
struct Thrown {
    body: Name,
    like: Name,
    /// So that it can be trimmed before everybody leaves.
    to_trim: Option<String>,
    /// So that it is dry for the kiln.
    to_dry: Option<String>,
}

impl Thrown {
    fn new(latest: Latest) -> Thrown {
        let text = |time: Option<Time>| time.map(|time| time.to_string());
        let (to_trim, to_dry) = (text(latest.to_trim), text(latest.to_dry));
        Thrown { body: latest.body, like: latest.like, to_trim, to_dry }
    }
}

#[derive(Serialize)]
struct Span {
    from: String,
    to: String,
}

#[derive(Serialize)]
struct Done {
    time: String,
    action: &'static str,
    detail: String,
    board: Option<Name>,
    pots: Vec<Name>,
    /// Only once its pots are trimmed; not among the rows that are accepted.
    once_trimmed: bool,
}

/// A planned row.
#[derive(Serialize)]
struct Row {
    time: String,
    pot: Name,
    action: &'static str,
    detail: String,
}

impl Row {
    fn new(row: &HandlingRow) -> Row {
        Row {
            time: row.time.to_string(),
            pot: row.pot.clone(),
            action: row.action.word(),
            detail: row.action.detail(),
        }
    }
}

#[derive(Serialize)]
struct Pot {
    pot: Name,
    board: Option<Name>,
    /// Must stay as damp as it: the chances are those of both together.
    pair: Option<Name>,
    /// Water at which it can be worked on, dry basis.
    band: Water,
    /// Chances if nothing is done, and under the plan.
    trim: Option<BeforeAfter>,
    kiln: Option<BeforeAfter>,
    /// How likely it cracks or warps on the worst day of its way; null where that is not asked.
    cracks: Option<BeforeAfter>,
    slot: Option<Slot>,
    /// Where the plan is not sure enough: when it is likeliest trimmable at whatever hour.
    instead: Option<Slot>,
    opens: TimeQuantiles,
    closes: TimeQuantiles,
    bone_dry: Option<TimeQuantiles>,
    /// It was never weighed, nor is it like one that was.
    unweighed: bool,
    covers: Vec<Covered>,
    /// It is not kept as the log has it.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    otherwise: Vec<Warning>,
}

#[derive(Serialize)]
struct Water {
    from: f64,
    to: f64,
}

#[derive(Serialize)]
struct BeforeAfter {
    as_it_is: f64,
    planned: f64,
}

#[derive(Serialize)]
struct Slot {
    from: String,
    to: String,
    chance: f64,
}

#[derive(Serialize)]
struct Covered {
    from: String,
    cover: &'static str,
}

impl Pot {
    fn new(pot: &Planned) -> Pot {
        let both = |of: fn(&Chances) -> Option<f64>| {
            Some(BeforeAfter { as_it_is: of(&pot.before)?, planned: of(&pot.after)? })
        };
        let slot = |(from, to, chance): (Time, Time, f64)| Slot {
            from: from.to_string(),
            to: to.to_string(),
            chance,
        };
        let covered =
            |(from, cover): &(Time, Cover)| Covered { from: from.to_string(), cover: cover.word() };
        Pot {
            pot: pot.pot.clone(),
            board: pot.board.clone(),
            pair: pot.pair.clone(),
            band: Water { from: pot.band.from, to: pot.band.to },
            trim: both(|c| c.trim),
            kiln: both(|c| c.kiln),
            cracks: both(|c| c.cracks),
            slot: pot.slot.map(slot),
            instead: pot.instead.map(slot),
            opens: pot.opens,
            closes: pot.closes,
            bone_dry: pot.bone_dry,
            unweighed: pot.unweighed,
            covers: pot.covers.iter().map(covered).collect(),
            otherwise: pot.departs.clone(),
        }
    }
}
