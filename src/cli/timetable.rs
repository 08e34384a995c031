//! A plan as people read it, as JSON, and as events of a calendar.

use super::Context;
use super::calendar::Event;
use super::names::{Roll, counted, list};
use super::plan::action;
use super::screen::{self, CAUTION, heading, paragraph};
use super::words::{self, Words, printable};
use crate::core::plan::backwards::Needs;
use crate::core::plan::{Chances, Plan, Planned, Question, Step};
use crate::core::prospect::Doing;
use crate::core::report::{TimeQuantiles, Warning};
use crate::records::{Action, Cover, HandlingRow, Name};
use crate::units::{DAY, Time};
use anstyle::AnsiColor;
use serde::Serialize;
use std::collections::BTreeMap;

/// A plan with what it was made for.
pub struct Timetable<'a> {
    /// The plan.
    pub plan: &'a Plan,
    /// What it was made for.
    pub question: &'a Question,
    /// Planned rows that its own take the place of.
    pub replaced: &'a [HandlingRow],
    /// From when to when nobody is there.
    pub away: Option<(Time, Time)>,
    /// What a fresh pot of each body needs.
    pub fresh: &'a [Needs],
}

/// What else the page is made of.
pub struct Look<'a> {
    /// Pots that came along with others of their boards.
    pub along: &'a [Name],
    /// Whether it is accepted at once.
    pub accept: bool,
    /// All pots and their log.
    pub roll: &'a Roll,
}

/// Something on one walk.
struct Walk {
    at: Time,
    to: Time,
    text: String,
}

/// Slots this close are one session, s.
const SAME: f64 = 1.0;

impl Timetable<'_> {
    fn wanted(&self) -> f64 {
        // Chances are sums of shares.
        self.question.wanted - 1e-9
    }

    /// What is done at the same time, as one line.
    fn walks(&self) -> Vec<Walk> {
        let same =
            |a: &Step, b: &Step| (a.at, a.doing, a.once_trimmed) == (b.at, b.doing, b.once_trimmed);
        let mut steps: Vec<&Step> = self.plan.steps.iter().collect();
        steps.sort_by_key(|step| (step.at, action(step.doing).detail(), step.once_trimmed));
        let line = |steps: &[&Step]| {
            let what = list(steps.iter().map(|step| label(step)));
            let once = if steps[0].once_trimmed { ", once trimmed" } else { "" };
            let text = done_to(steps[0].doing, &what) + once;
            Walk { at: steps[0].at, to: steps[0].at, text }
        };
        let mut walks: Vec<Walk> = steps.chunk_by(|a, b| same(a, b)).map(line).collect();
        walks.extend(self.sessions().into_iter().map(|(at, to, pots)| Walk {
            at,
            to,
            text: format!("trim {}", list(&pots)),
        }));
        walks
    }

    /// Trimming without a pause: from, to, and the pots in their order.
    fn sessions(&self) -> Vec<(Time, Time, Vec<Name>)> {
        let slot = |pot: &Planned| pot.slot.map(|(from, to, _)| (from, to, pot.pot.clone()));
        let mut slots: Vec<_> = self.plan.pots.iter().filter_map(slot).collect();
        slots.sort();
        let mut sessions: Vec<(Time, Time, Vec<Name>)> = Vec::new();
        for (from, to, pot) in slots {
            match sessions.last_mut() {
                Some(last) if from.since(last.1) < SAME => {
                    last.1 = to;
                    last.2.push(pot);
                }
                _ => sessions.push((from, to, vec![pot])),
            }
        }
        sessions
    }

    /// Rows that were planned before and stay so.
    fn kept(&self, roll: &Roll) -> Vec<Walk> {
        let mut rows: BTreeMap<(Time, &str, String), Vec<&Name>> = BTreeMap::new();
        for pot in &self.plan.pots {
            let kept = roll.log(&pot.pot).iter().filter(|row| {
                row.time > self.question.at
                    && row.action.can_be_planned()
                    && !self.replaced.contains(row)
            });
            for row in kept {
                let key = (row.time, row.action.word(), row.action.detail());
                rows.entry(key).or_default().push(&row.pot);
            }
        }
        let walk = |((at, word, detail), pots): ((Time, &str, String), Vec<&Name>)| {
            let what = match Action::parse(word, &detail) {
                Ok(Action::Cover(cover)) => done_to(Doing::Cover(cover), &list(pots)),
                Ok(Action::Flip) => done_to(Doing::Flip, &list(pots)),
                _ => format!("{word} {} to {}", list(pots), printable(&detail)),
            };
            Walk { at, to: at, text: format!("{what} (planned already)") }
        };
        rows.into_iter().map(walk).collect()
    }

    /// The plan as a page.
    pub fn page(&self, words: &Words, context: &Context, look: &Look) -> String {
        let width = screen::terminal_width();
        let mut page = format!("Plan as of {}\n", words.full_time(words.now));
        let mut remarks = Vec::new();
        if let Some((leaves, back)) = self.away {
            remarks.push(format!(
                "Nobody is there from {} to {}.",
                words.full_time(leaves),
                words.full_time(back)
            ));
        }
        if !look.along.is_empty() {
            remarks.push(format!("One sheet covers a board: with it goes {}.", list(look.along)));
        }
        remarks.iter().for_each(|text| page += &paragraph(text, 0, width));
        if self.plan.pots.is_empty() {
            return page + "No pot is drying.\n";
        }
        let mut walks = self.walks();
        walks.extend(self.kept(look.roll));
        walks.sort_by_key(|walk| (walk.at, walk.to));
        heading(&mut page, "What to do", "", AnsiColor::Green);
        if walks.is_empty() {
            page += "  Nothing.\n";
        }
        let row = |walk: &Walk| {
            let when = match walk.to > walk.at {
                true => words.from_to(walk.at, walk.to),
                false => words.time(walk.at),
            };
            vec![when, printable(&walk.text).into_owned()]
        };
        page += &screen::columns(&[], walks.iter().map(row).collect());
        self.chances(&mut page, words);
        self.departs(&mut page, width);
        self.cannot(&mut page, words, width);
        self.thrown(&mut page, words);
        let accepts = !self.plan.steps.is_empty() && !look.accept && words.live;
        let mut foot = vec![
            "Percentages: how likely it is trimmable, in one piece, while you are there and the \
             wheel is free. Times: the middle of the forecast; in brackets the range that holds in \
             8 of 10 cases."
                .into(),
        ];
        if accepts {
            foot.push(format!(
                "The covers count once they are accepted (--accept) or noted: {} note BOARD cover \
                 wrapped",
                context.command()
            ));
        }
        if self.question.kiln.is_some() {
            foot.push(CAUTION.into());
        }
        page += "\n";
        foot.iter().for_each(|text| page += &paragraph(text, 0, width));
        page
    }

    /// What comes of each pot.
    fn chances(&self, page: &mut String, words: &Words) {
        let mut pots: Vec<&Planned> = self.plan.pots.iter().collect();
        let first = |pot: &&Planned| {
            let slot = pot.slot.map_or(Time::MAX, |(from, ..)| from);
            (slot, pot.closes.p50.unwrap_or(Time::MAX), counted(&pot.pot))
        };
        pots.sort_by_key(first);
        let told = |chances: fn(&Chances) -> Option<f64>, pot: &Planned| {
            let chance = |of: &Chances| chances(of).map_or("–".into(), words::chance);
            [chance(&pot.before), chance(&pot.after)]
        };
        let trims: Vec<Vec<String>> = pots
            .iter()
            .filter(|pot| pot.after.trim.is_some())
            .map(|pot| {
                let [before, after] = told(|c| c.trim, pot);
                vec![printable(&pot.pot).into_owned(), before, after, window(pot, words)]
            })
            .collect();
        if !trims.is_empty() {
            heading(page, "Trimming", "", AnsiColor::Green);
            *page += &screen::columns(&["Pot", "As it is", "Planned", "Window"], trims);
        }
        let Some(kiln) = self.question.kiln else { return };
        let kiln = words.full_time(self.question.at.plus(kiln));
        heading(page, "Trimmed, and dry for the kiln", &kiln, AnsiColor::Green);
        let rows = pots.iter().map(|pot| {
            let [before, after] = told(|c| c.kiln, pot);
            vec![printable(&pot.pot).into_owned(), before, after, dry(pot, words)]
        });
        *page +=
            &screen::columns(&["Pot", "As it is", "Planned", "Under the plan"], rows.collect());
    }

    /// Pots that are not kept as the log has it.
    fn departs(&self, page: &mut String, width: u16) {
        let told = |pot: &Planned| {
            let lines = pot.departs.iter().map(|w| format!("{}: {}", pot.pot, w.text));
            lines.collect::<Vec<String>>()
        };
        let lines: Vec<String> = self.plan.pots.iter().flat_map(told).collect();
        if lines.is_empty() {
            return;
        }
        heading(page, "Otherwise than noted", "note it and plan anew", AnsiColor::Yellow);
        lines.iter().for_each(|line| *page += &paragraph(&printable(line), 2, width));
    }

    /// What cannot be had, and what comes nearest.
    fn cannot(&self, page: &mut String, words: &Words, width: u16) {
        let mut lines = Vec::new();
        for pot in &self.plan.pots {
            if let Some(best) = pot.after.trim.filter(|chance| *chance < self.wanted()) {
                let nearest = match pot.instead {
                    Some((from, to, chance)) => format!(
                        "It is likeliest trimmable {} ({}).",
                        words.from_to(from, to),
                        words::chance(chance)
                    ),
                    None => "Its window does not come within the time that is looked at.".into(),
                };
                let chance = words::chance(best);
                lines.push(format!("{}: {chance} within your hours. {nearest}", pot.pot));
            }
            if let Some(best) = pot.after.kiln.filter(|chance| *chance < self.wanted()) {
                let chance = words::chance(best);
                lines.push(format!("{}: {chance} for the kiln; {}.", pot.pot, dry(pot, words)));
            }
        }
        if lines.is_empty() {
            return;
        }
        let wanted = format!("as surely as {}", words::percent(self.question.wanted));
        heading(page, "What cannot be had", &wanted, AnsiColor::Yellow);
        lines.iter().for_each(|line| *page += &paragraph(&printable(line), 2, width));
    }

    /// By when a pot that stands open has to come off the wheel, by body: to be trimmed before
    /// everybody leaves, and to be dry for the kiln.
    fn latest(&self) -> Vec<Latest> {
        let (at, trim_s) = (self.question.at, self.question.trim_s);
        let by = |end: Time, needs: f64| needs.is_finite().then(|| end.plus(-needs));
        let kiln = self.question.kiln.map(|kiln| at.plus(kiln));
        let latest = |needs: &Needs| Latest {
            body: needs.body.clone(),
            like: needs.like.clone(),
            to_trim: self.away.and_then(|(leaves, _)| by(leaves, needs.opens + trim_s)),
            to_dry: kiln.and_then(|kiln| by(kiln, needs.dry)),
        };
        self.fresh.iter().map(latest).collect()
    }

    fn thrown(&self, page: &mut String, words: &Words) {
        let told = |by: Option<Time>, asked: bool| match by {
            _ if !asked => None,
            Some(by) if by > words.now => Some(words.roughly(by, 1800.0)),
            Some(_) => Some("too late now".into()),
            None => Some("needs over 30 days".into()),
        };
        let (away, kiln) = (self.away.is_some(), self.question.kiln.is_some());
        let row = |latest: Latest| {
            let name = format!("{} (like {})", latest.body, latest.like);
            let by = [told(latest.to_trim, away), told(latest.to_dry, kiln)];
            let name = printable(&name).into_owned();
            std::iter::once(name).chain(by.into_iter().flatten()).collect::<Vec<String>>()
        };
        let rows: Vec<_> = self.latest().into_iter().map(row).collect();
        if rows.is_empty() {
            return;
        }
        heading(page, "Latest to throw", "left open in this air", AnsiColor::Green);
        let mut header = vec!["Body"];
        header.extend(away.then_some("To trim before leaving"));
        header.extend(kiln.then_some("To be dry for the kiln"));
        *page += &screen::columns(&header, rows);
    }

    /// Walks, trimming and windows as events.
    pub fn events(&self, words: &Words) -> Vec<Event> {
        let walk = |walk: Walk| Event {
            key: format!("walk {} {}", walk.at, walk.text),
            from: walk.at,
            to: walk.to,
            summary: walk.text,
            description: "Planned by warecast; note what was done.".into(),
            busy: walk.to > walk.at,
        };
        let window = |pot: &Planned| {
            let (opens, chance) = (pot.opens.p50?, pot.after.trim?);
            let opens = opens.max(self.question.at);
            let closes = pot.closes.p50.filter(|closes| *closes > opens);
            Some(Event {
                key: format!("window {}", pot.pot),
                from: opens,
                to: closes.unwrap_or(opens.plus(DAY)),
                summary: format!("{} can be trimmed", pot.pot),
                description: format!(
                    "{}. While you are there: {}.",
                    self::window(pot, words),
                    words::chance(chance)
                ),
                busy: false,
            })
        };
        let windows = self.plan.pots.iter().filter_map(window);
        let events: Vec<Event> = self.walks().into_iter().map(walk).chain(windows).collect();
        // A calendar holds one component at least (RFC 5545, section 3.6).
        let nothing = || Event {
            key: "nothing".into(),
            from: self.question.at,
            to: self.question.at,
            summary: "Nothing to cover or trim".into(),
            description: "Planned by warecast.".into(),
            busy: false,
        };
        if events.is_empty() { vec![nothing()] } else { events }
    }

    /// For programs.
    pub fn json(&self) -> Listed {
        let at = self.question.at;
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
            until: at.plus(self.question.until).to_string(),
            wanted: self.question.wanted,
            trim_s: self.question.trim_s,
            kiln: self.question.kiln.map(|kiln| at.plus(kiln).to_string()),
            hours: self.question.hours.spans().iter().map(span).collect(),
            steps: self.plan.steps.iter().map(step).collect(),
            replaces: self.replaced.iter().map(Replaced::new).collect(),
            pots: self.plan.pots.iter().map(Pot::new).collect(),
            latest_to_throw: self.latest().into_iter().map(Thrown::new).collect(),
        }
    }
}

/// What a step is done to.
fn label(step: &Step) -> String {
    match &step.board {
        Some(board) => format!("board {board}"),
        None => list(&step.pots),
    }
}

/// What is done, to what.
fn done_to(doing: Doing, what: &str) -> String {
    match doing {
        Doing::Cover(Cover::Open) => format!("uncover {what}"),
        Doing::Cover(Cover::Draped) => format!("drape {what}"),
        Doing::Cover(Cover::Wrapped) => format!("wrap {what}"),
        Doing::Cover(Cover::Cupboard) => format!("put {what} into the damp cupboard"),
        Doing::Flip => format!("turn {what} over"),
    }
}

/// When a pot can be trimmed, in words.
fn window(pot: &Planned, words: &Words) -> String {
    let open = pot.opens.p90.is_some_and(|opens| opens <= words.now);
    let opens = match words.forecast(&pot.opens) {
        _ if open => "open now".into(),
        Some(opens) => format!("opens {opens}"),
        None => "does not open".into(),
    };
    match words.forecast(&pot.closes) {
        Some(closes) => format!("{opens}, closes {closes}"),
        None => format!("{opens}, stays so"),
    }
}

/// When a pot is dry, in words.
fn dry(pot: &Planned, words: &Words) -> String {
    let dry = pot.bone_dry.as_ref().and_then(|dry| words.forecast(dry));
    dry.map_or("not dry within the time that is looked at".into(), |dry| format!("dry {dry}"))
}

/// The plan for programs. Times are RFC 3339, UTC.
#[derive(Serialize)]
pub struct Listed {
    at: String,
    /// Up to when was looked.
    until: String,
    wanted: f64,
    trim_s: f64,
    kiln: Option<String>,
    hours: Vec<Span>,
    steps: Vec<Done>,
    replaces: Vec<Replaced>,
    pots: Vec<Pot>,
    latest_to_throw: Vec<Thrown>,
}

/// By when a pot of a body, like its last one, has to come off the wheel.
struct Latest {
    body: Name,
    like: Name,
    to_trim: Option<Time>,
    to_dry: Option<Time>,
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

/// A planned row that would be taken back.
#[derive(Serialize)]
struct Replaced {
    time: String,
    pot: Name,
    action: &'static str,
    detail: String,
}

impl Replaced {
    fn new(row: &HandlingRow) -> Replaced {
        Replaced {
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
    /// Chances if nothing is done, and under the plan.
    trim: Option<BeforeAfter>,
    kiln: Option<BeforeAfter>,
    slot: Option<Slot>,
    /// Where the plan is not sure enough: when it is likeliest trimmable at whatever hour.
    instead: Option<Slot>,
    opens: TimeQuantiles,
    closes: TimeQuantiles,
    bone_dry: Option<TimeQuantiles>,
    covers: Vec<Covered>,
    /// It is not kept as the log has it.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    otherwise: Vec<Warning>,
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
            trim: both(|c| c.trim),
            kiln: both(|c| c.kiln),
            slot: pot.slot.map(slot),
            instead: pot.instead.map(slot),
            opens: pot.opens,
            closes: pot.closes,
            bone_dry: pot.bone_dry,
            covers: pot.covers.iter().map(covered).collect(),
            otherwise: pot.departs.clone(),
        }
    }
}
