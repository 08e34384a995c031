//! A plan as people read it, as a picture, and as events of a calendar.

use super::walks::{Walk, named, planned_for};
use crate::cli::Context;
use crate::cli::calendar::Event;
use crate::cli::names::{counted, list};
use crate::cli::screen::{self, CAUTION, FIRING, heading, paragraph};
use crate::cli::words::{self, Words, printable};
use crate::core::plan::backwards::Needs;
use crate::core::plan::done::Unconfirmed;
use crate::core::plan::work::Work;
use crate::core::plan::{Chances, Plan, Planned, Question};
use crate::core::uneven::by_pots;
use crate::plot::{PlanPicture, PlanRow};
use crate::records::{HandlingRow, Name, shell_word};
use crate::units::{DAY, Time};
use anstyle::AnsiColor;

/// A plan with what it was made for.
pub struct Timetable<'a> {
    /// The plan.
    pub plan: &'a Plan,
    /// What it was made for.
    pub question: &'a Question,
    /// Planned rows ahead of its pots.
    pub ahead: &'a [HandlingRow],
    /// Those of them that its own take the place of, or that would change nothing.
    pub replaced: &'a [HandlingRow],
    /// From when to when nobody is there.
    pub away: Option<(Time, Time)>,
    /// What a fresh pot of each body needs.
    pub fresh: &'a [Needs],
    /// Planned steps whose time has come and that nobody confirmed.
    pub unconfirmed: &'a [Unconfirmed],
}

/// What else the page is made of.
pub struct Look<'a> {
    /// Pots that came along with others of their boards.
    pub along: &'a [Name],
    /// Whether it is accepted at once.
    pub accept: bool,
}

/// A work in words.
pub(super) struct Said {
    /// `trim jar-1`.
    pub to_do: &'static str,
    /// `once trimmed`.
    pub done: &'static str,
    /// A heading.
    pub doing: &'static str,
}

fn said(work: Work) -> Said {
    let [to_do, done, doing] = match work {
        Work::Trim => ["trim", "trimmed", "Trimming"],
        Work::Attach => ["attach to", "attached to", "Attaching"],
        Work::Carve => ["carve", "carved", "Carving"],
        Work::Burnish => ["burnish", "burnished", "Burnishing"],
    };
    Said { to_do, done, doing }
}

impl Timetable<'_> {
    pub(super) fn said(&self) -> Said {
        said(self.question.work)
    }

    /// The plan as a page.
    pub fn page(&self, words: &Words, context: &Context, look: &Look) -> String {
        let width = screen::terminal_width();
        let mut page = format!("Plan as of {}\n", words.full_time(words.now));
        let remarks = self.remarks(words, look);
        remarks.iter().for_each(|text| page += &paragraph(text, 0, width));
        if self.plan.pots.is_empty() {
            return page + "No pot is drying.\n";
        }
        self.open_steps(&mut page, words, context);
        let mut walks = self.walks();
        walks.extend(self.kept());
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
        let gone = self.taken_back().into_iter();
        let gone = list(gone.map(|walk| format!("{} {}", words.time(walk.at), walk.text)));
        if !gone.is_empty() {
            let how = if look.accept { "" } else { " with --accept" };
            page += &paragraph(&printable(&format!("Taken back{how}: {gone}.")), 2, width);
        }
        self.chances(&mut page, words);
        self.departs(&mut page, width);
        self.cracks(&mut page, width);
        self.cannot(&mut page, words, width);
        self.thrown(&mut page, words);
        page += "\n";
        let foot = self.foot(!look.accept && words.live, context);
        foot.iter().for_each(|text| page += &paragraph(text, 0, width));
        page
    }

    /// What is to be known before the rest.
    fn remarks(&self, words: &Words, look: &Look) -> Vec<String> {
        let mut remarks = Vec::new();
        if let Some((leaves, back)) = self.away {
            let [leaves, back] = [leaves, back].map(|time| words.full_time(time));
            remarks.push(format!("Nobody is there from {leaves} to {back}."));
        }
        if !look.along.is_empty() {
            let why = match self.question.pairs.iter().flatten().any(|p| look.along.contains(p)) {
                true => "One sheet covers a board, and pairs stay together",
                false => "One sheet covers a board",
            };
            remarks.push(format!("{why}: with it goes {}.", list(look.along)));
        }
        for [a, b] in &self.question.pairs {
            let is = |name: &Name| self.plan.pots.iter().find(|pot| pot.pot == *name);
            let ahead = |pot: Option<&Planned>| pot.is_some_and(|pot| pot.after.trim.is_some());
            if (is(a).is_some() || is(b).is_some()) && !(ahead(is(a)) && ahead(is(b))) {
                let (both, done) = (list([a, b]), self.said().done);
                remarks.push(format!(
                    "{both} are not planned as a pair: not both of them are still to be {done}."
                ));
            }
        }
        let unweighed = self.plan.pots.iter().filter(|pot| pot.unweighed).map(|pot| &pot.pot);
        let unweighed = list(unweighed);
        if self.question.kiln.is_some() && !unweighed.is_empty() {
            remarks.push(format!(
                "Never weighed: {unweighed}. What is said for the kiln rests on what is usual; a \
                 weight tells."
            ));
        }
        if self.question.work != Work::Trim {
            let band = |pot: &Planned| words::percent_span(pot.band.from, pot.band.to);
            let mut bands: Vec<String> = self.plan.pots.iter().map(band).collect();
            bands.sort();
            bands.dedup();
            let doing = self.said().doing;
            remarks.push(format!("{doing} wants {} water (dry basis).", bands.join(" or ")));
        }
        remarks
    }

    /// What stands below: what the numbers mean, what to do next, and cautions.
    fn foot(&self, accepts: bool, context: &Context) -> Vec<String> {
        let done = self.said().done;
        let mut foot = vec![format!(
            "Percentages: how likely it can be {done}, in one piece, while you are there and the \
             wheel is free. Times: the middle of the forecast; in brackets the range that holds in \
             8 of 10 cases."
        )];
        if self.plan.pots.iter().any(|pot| pot.pair.is_some()) {
            foot.push(format!(
                "Of a pair: how likely both can be {done} one after the other, no further apart \
                 in their band than {} of it.",
                words::percent(self.question.alike)
            ));
        }
        if accepts && !self.plan.steps.is_empty() {
            foot.push(format!(
                "The covers count once they are accepted (--accept) or noted: {} note BOARD cover \
                 wrapped",
                context.command()
            ));
        }
        foot.extend(self.question.kiln.map(|_| CAUTION.into()));
        foot
    }

    /// Planned steps whose time has come and that nobody confirmed, unless the weights bear them
    /// out.
    fn open_steps(&self, page: &mut String, words: &Words, context: &Context) {
        let width = screen::terminal_width();
        let mut lines = Vec::new();
        for step in self.unconfirmed.iter().filter(|step| !step.is_borne_out()) {
            let Some(row) = step.rows.first() else { continue };
            let pots = || step.rows.iter().map(|row| &row.pot);
            let (what, target) = match &step.board {
                Some(board) => (named(board), shell_word(board)),
                None => (list(pots()), shell_word(&row.pot)),
            };
            let others = match &step.board {
                None if step.rows.len() > 1 => format!(" (and so of {})", list(pots().skip(1))),
                _ => String::new(),
            };
            let doing = planned_for(&row.action, &what);
            let typed = words::typed_action(&row.action);
            let note = format!("{} note {target} {typed}", context.command());
            let at = words.typed_time(row.time);
            lines.push(match step.done.filter(|_| step.is_refuted()) {
                Some(done) => format!(
                    "{doing}, {}: by the weights it was not done ({}). This plan goes by them. If \
                     it was: {note} --at \"{at}\"{others}",
                    words.time(row.time),
                    words::chance(1.0 - done)
                ),
                None => format!(
                    "{doing}, {}: was it done? If so: {note} --at \"{at}\"{others}; if not, the \
                     same with --undo",
                    words.time(row.time)
                ),
            });
        }
        if !lines.is_empty() {
            heading(page, "Planned, and not confirmed", "", AnsiColor::Yellow);
            lines.iter().for_each(|line| *page += &paragraph(&printable(line), 2, width));
        }
    }

    /// What comes of each pot.
    fn chances(&self, page: &mut String, words: &Words) {
        let pots = self.in_order();
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
            heading(page, self.said().doing, "", AnsiColor::Green);
            *page += &screen::columns(&["Pot", "As it is", "Planned", "Window"], trims);
        }
        let Some(kiln) = self.question.kiln else { return };
        let kiln = words.full_time(self.question.at.plus(kiln));
        let done = self.said().done.trim_end_matches(" to");
        let mut title = format!("{done}, and dry for the kiln");
        title[..1].make_ascii_uppercase();
        heading(page, &title, &kiln, AnsiColor::Green);
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

    /// Pots that may crack or warp, drying faster than their bodies stand: as they are, or under
    /// the plan.
    fn cracks(&self, page: &mut String, width: u16) {
        let wary = self.question.wary.0;
        let told = |pot: &Planned| {
            let (before, after) = (pot.before.cracks?, pot.after.cracks?);
            let (pots, failed) = pot.stood.filter(|_| before.max(after) >= wary)?;
            let by = by_pots(pots, failed);
            let [was, is] = [before, after].map(words::chance);
            let moved = self.plan.steps.iter().any(|step| step.pots.contains(&pot.pot));
            let text = match (after < wary, moved) {
                (true, _) => {
                    format!("as it is {was} likely to crack or warp, planned {is} ({by}).")
                }
                (false, true) => format!(
                    "even as planned it may crack or warp: {is} likely, as it is {was} ({by}). No \
                     gentler way brings it into your hours."
                ),
                (false, false) => format!(
                    "as it is it may crack or warp: {is} likely ({by}). No cover that is reckoned \
                     with helps within your hours: put it where the air is damp and still."
                ),
            };
            Some(format!("{}: {text}", pot.pot))
        };
        let lines: Vec<String> = self.plan.pots.iter().filter_map(told).collect();
        if lines.is_empty() {
            return;
        }
        let from = format!("told from {} on", words::percent(wary));
        heading(page, "Drying unevenly", &from, AnsiColor::Yellow);
        lines.iter().for_each(|line| *page += &paragraph(&printable(line), 2, width));
    }

    /// What cannot be had, and what comes nearest.
    fn cannot(&self, page: &mut String, words: &Words, width: u16) {
        let mut lines = Vec::new();
        for pot in &self.plan.pots {
            if let Some(best) = pot.after.trim.filter(|chance| *chance < pot.enough) {
                let nearest = match pot.instead {
                    Some((from, to, chance)) => {
                        let when = words.from_to(from, to);
                        let how = match self.question.work {
                            Work::Trim => "trimmable",
                            _ => "ready",
                        };
                        format!("It is likeliest {how} {when} ({}).", words::chance(chance))
                    }
                    None if pot.opens.p50.is_some() => "At no hour is it at all likely.".into(),
                    None => "Its window does not come within the time that is looked at.".into(),
                };
                let chance = words::chance(best);
                let sheets = match self.question.sheets.filter(|_| pot.wants_sheets) {
                    Some(sheets) => format!(" Sheets of plastic left for these pots: {sheets}."),
                    None => String::new(),
                };
                let pot = &pot.pot;
                lines.push(format!("{pot}: {chance} within your hours. {nearest}{sheets}"));
            }
            if let Some(best) = pot.after.kiln.filter(|chance| *chance < pot.enough) {
                let chance = words::chance(best);
                lines.push(format!("{}: {chance} for the kiln; {}.", pot.pot, dry(pot, words)));
            }
        }
        for (pair, best) in &self.plan.apart {
            let (both, best) = (list(pair), words::chance(*best));
            lines.push(format!(
                "{both} as damp as each other: {best} at best. Each is planned by itself."
            ));
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
    pub(super) fn latest(&self) -> Vec<Latest> {
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
                summary: format!("{} can be {}", pot.pot, self.said().done),
                description: format!(
                    "{}. While you are there: {}.",
                    self::window(pot, words),
                    words::chance(chance)
                ),
                busy: false,
            })
        };
        let windows = self.plan.pots.iter().filter_map(window);
        let walks = self.walks().into_iter().chain(self.kept()).map(walk);
        let events: Vec<Event> = walks.chain(windows).collect();
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

    /// As a picture, in the order in which the pots are worked on.
    pub fn picture(&self, words: &Words) -> PlanPicture {
        let at = self.question.at;
        let chance = |of: fn(&Chances) -> Option<f64>, pot: &Planned| {
            let told = |of: Option<f64>| of.map_or("–".into(), words::chance);
            Some([told(of(&pot.before)), told(Some(of(&pot.after)?))])
        };
        let row = |pot: &&Planned| PlanRow {
            pot: pot.pot.clone(),
            under: pot
                .board
                .clone()
                .or_else(|| pot.pair.as_ref().map(|pair| format!("with {pair}"))),
            covers: pot.covers.clone(),
            opens: pot.opens,
            closes: pot.closes,
            works: pot.after.trim.is_some(),
            slot: pot.slot.map(|(from, to, _)| (from, to)),
            work: chance(|c| c.trim, pot),
            kiln: chance(|c| c.kiln, pot),
        };
        let spans = self.question.hours.spans().iter();
        PlanPicture {
            doing: self.said().doing.into(),
            to_do: self.said().to_do.into(),
            hours: spans.map(|(from, to)| (at.plus(*from), at.plus(*to))).collect(),
            kiln: self.question.kiln.map(|kiln| at.plus(kiln)),
            caution: if self.question.kiln.is_some() { &FIRING } else { &[] },
            until: words.now.plus(self.question.until),
            rows: self.in_order().iter().map(row).collect(),
        }
    }

    /// The pots in the order in which they are worked on.
    fn in_order(&self) -> Vec<&Planned> {
        let mut pots: Vec<&Planned> = self.plan.pots.iter().collect();
        let first = |pot: &&Planned| {
            let slot = pot.slot.map_or(Time::MAX, |(from, ..)| from);
            (slot, pot.closes.p50.unwrap_or(Time::MAX), counted(&pot.pot))
        };
        pots.sort_by_key(first);
        pots
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

/// By when a pot of a body, like its last one, has to come off the wheel.
pub(super) struct Latest {
    pub body: Name,
    pub like: Name,
    pub to_trim: Option<Time>,
    pub to_dry: Option<Time>,
}
