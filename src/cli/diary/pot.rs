//! The page of a pot: from the wheel to what became of it.

use super::super::names::Roll;
use super::super::plot::look;
use super::super::pot::action;
use super::super::screen::{self, CAUTION};
use super::super::words::{self, Words, span};
use super::page::Page;
use super::{Source, progress};
use crate::answers;
use crate::core::clay::volume_shrinkage;
use crate::core::record::{Event, Scored};
use crate::core::report::{Found, PotAnswer, TimeQuantiles, TrimCall};
use crate::core::shrinkage::Shrinkage;
use crate::plot::{self as pictures, Came, Foretold, Said, Stretch};
use crate::records::{Action, HandlingRow, Outcome, Point, Pot, Studio};
use crate::scorecard::{self, Past};
use crate::units::Time;
use anyhow::bail;

/// So many weighings stand in the log; of more the curve speaks.
const LISTED: usize = 40;
/// Said of a page's numbers.
pub const NUMBERS: &str = "In brackets the range that holds in 8 of 10 cases. Water is told as a share of \
    the dry clay (dry basis); grams to leave are the water above what clay keeps in this air.";

/// What is known of the pot.
struct Told<'a> {
    pot: &'a Pot,
    roll: &'a Roll,
    words: &'a Words,
    studio: &'a Studio,
    /// What it is since it no longer dries, when that was noted first, and as what.
    end: Option<End>,
    /// The answer as of its end, or of now, with its curve.
    answer: &'a PotAnswer,
    /// What was forecast of it.
    past: Option<&'a Past>,
}

/// Where a pot no longer dries.
#[derive(Clone, Copy)]
struct End {
    /// What it is now.
    what: &'static str,
    /// When it was first packed, finished or lost.
    at: Time,
    /// Which of these that was.
    when: &'static str,
}

/// The page.
pub fn page(source: &Source, name: &String) -> anyhow::Result<Page> {
    let (words, roll, store) = (&source.words, &source.roll, source.store);
    let pot = roll.find(name)?;
    let end = ended(roll, name, words.now);
    let then = end.map_or(words.now, |end| end.at);
    let Some(answer) = answers::depict(&store.studio(then)?, name) else {
        let shown = words::printable(name);
        bail!("{shown} was not made yet at {}: give a later --at", words.full_time(then));
    };
    let (bar, show) = progress();
    let past = scorecard::of_pot(store, words.now, name, |done, all| show(&bar, done, all))?;
    bar.end();
    let studio = &store.studio(words.now)?;
    let past = past.as_ref();
    let told = Told { pot, roll, words, studio, end, answer: &answer, past };
    let mut page = Page::new(name);
    page.text(told.in_short());
    told.facts(&mut page);
    told.fate(&mut page);
    told.drying(&mut page)?;
    told.forecasts(&mut page)?;
    told.lengths(&mut page);
    told.log(&mut page);
    page.text(NUMBERS);
    Ok(page)
}

/// When and how a pot ceased to dry, if it did.
fn ended(roll: &Roll, pot: &str, at: Time) -> Option<End> {
    let what = roll.past_it(pot, at)?;
    let when = |row: &HandlingRow| match row.action {
        Action::Kiln => Some("packed"),
        Action::Lost(_) => Some("lost"),
        Action::Outcome(_) => Some("looked at for the last time"),
        _ => None,
    };
    roll.log(pot).iter().find_map(|row| Some(End { what, at: row.time, when: when(row)? }))
}

/// How a pot came to its end, in words.
pub fn end(action: &Action) -> String {
    match action {
        Action::Kiln => "packed".into(),
        Action::Outcome(of) => outcome(*of).into(),
        Action::Lost(Some(reason)) => format!("lost ({reason})"),
        _ => "lost".into(),
    }
}

fn outcome(outcome: Outcome) -> &'static str {
    match outcome {
        Outcome::Sound => "sound",
        Outcome::CrackedDrying => "cracked while drying",
        Outcome::CrackedCooling => "cracked while cooling",
        Outcome::Warped => "warped",
        Outcome::Burst => "burst in the kiln",
    }
}

/// What became of it: rows of its end before the first firing, from that to the second, and after.
pub fn stages(log: &[HandlingRow], at: Time) -> [Vec<&HandlingRow>; 3] {
    let mut stages = [const { Vec::new() }; 3];
    let mut firings = 0;
    for row in log.iter().filter(|row| row.time <= at) {
        if row.action == Action::Kiln {
            firings += 1;
        }
        if matches!(row.action, Action::Kiln | Action::Lost(_) | Action::Outcome(_)) {
            stages[firings.min(2)].push(row);
        }
    }
    stages
}

impl Told<'_> {
    fn in_short(&self) -> String {
        let words = self.words;
        let now = match self.end {
            Some(end) => format!("It is {}", end.what),
            None => format!("Not packed yet: {}", self.stands()),
        };
        let made = words.full_time(self.pot.made_at);
        format!(
            "A pot of {}, made {made}. {now}. As of {}.",
            self.pot.body,
            words.full_time(words.now)
        )
    }

    /// Where it stands, and who says so.
    fn stands(&self) -> String {
        let stage = self.answer.stage.words();
        match self.answer.evidence.readings {
            0 => format!("{stage} as is to be expected, without a weight of it"),
            _ => format!("{stage} by its weights"),
        }
    }

    fn facts(&self, page: &mut Page) {
        let (pot, words) = (self.pot, self.words);
        let mut facts = vec![("Body", super::body::facts(self.studio, &pot.body))];
        let mut fact = |what, text: Option<String>| facts.extend(text.map(|text| (what, text)));
        fact("Lot", pot.lot.clone());
        fact("Ball", pot.ball_g.map(|g| words.weighed(g)));
        fact("Tare", pot.tare_g.map(|g| words.weighed(g)));
        fact("Wall, wet", pot.wall_mm.map(|mm| format!("{mm} mm")));
        fact("Base, wet", pot.base_mm.map(|mm| format!("{mm} mm")));
        fact("Board", pot.board.clone());
        fact("Like", pot.like.clone());
        fact("Place", pot.place.clone());
        let weighed = self.weighed();
        let times = match (weighed.first(), weighed.last()) {
            (Some(only), _) if weighed.len() == 1 => {
                format!("once, {}: {}", words.time(only.time), words.weighed(only.value))
            }
            (Some(first), Some(last)) => format!(
                "{} times, first {} ({}), last {} ({}), with what stood on the scale",
                weighed.len(),
                words.time(first.time),
                words.weighed(first.value),
                words.time(last.time),
                words.weighed(last.value)
            ),
            _ => "not yet".into(),
        };
        fact("Weighed", Some(times));
        page.heading("The pot");
        page.facts(facts);
    }

    fn weighed(&self) -> &[Point] {
        self.studio.weighings.get(&self.pot.name).map_or(&[], |weighings| &weighings.0)
    }

    fn fate(&self, page: &mut Page) {
        page.heading("What became of it");
        let stages = stages(self.roll.log(&self.pot.name), self.words.now);
        let [drying, first, after] = stages.each_ref().map(|rows| self.stage(rows));
        let lost = stages[0].iter().any(|row| matches!(row.action, Action::Lost(_)));
        let drying = match (drying, self.end) {
            (Some(said), _) => said,
            (None, Some(end)) => format!("{}, when it was {}", self.stands(), end.when),
            (None, None) => format!("nothing noted; {}", self.stands()),
        };
        let mut facts = vec![("In drying", drying)];
        if !lost {
            facts.push(("First firing", first.unwrap_or("not yet".into())));
        }
        facts.extend(after.map(|said| ("After that", said)));
        page.facts(facts);
        page.text(CAUTION);
    }

    /// What was noted of its end, in a sentence.
    fn stage(&self, rows: &[&HandlingRow]) -> Option<String> {
        let say =
            |row: &&HandlingRow| format!("{} ({})", end(&row.action), self.words.time(row.time));
        (!rows.is_empty()).then(|| rows.iter().map(say).collect::<Vec<_>>().join(", "))
    }

    fn drying(&self, page: &mut Page) -> anyhow::Result<()> {
        let (answer, now) = (self.answer, self.words.now);
        let then = Words { now: self.end.map_or(now, |end| end.at), ..self.words.clone() };
        let told = then.full_time(then.now);
        page.heading("Its drying");
        page.text(match self.end {
            Some(end) => {
                let when = end.when;
                format!("How it stood when it was {when}, {told}, by what was known then:")
            }
            None => format!("How it stands as of {told}:"),
        });
        let standing = screen::standing(answer, &then).into_iter();
        page.facts(standing.map(|(what, text)| (capital(what), text)).collect());
        let doubts = screen::reasons(answer).map(|(_, text)| text);
        page.list(doubts.collect());
        let used: Vec<_> = answer.story.weighings.iter().filter(|w| w.2).collect();
        let svg = match pictures::svg(answer, &look(&then, false)) {
            Ok(svg) => svg,
            Err(pictures::PlotError::Nothing(_)) => {
                page.text("It was not weighed: there is nothing to draw.");
                return Ok(());
            }
            Err(error) => return Err(error.into()),
        };
        let alt = self.in_a_sentence(&used);
        let caption = "Dots: weighings, without what else stood on the scale; crosses: left out of \
            the fit. Line: fitted mass; dashed: forecast. Band: 8 of 10 cases. Below: how it was \
            kept, its trimming window, when it is bone-dry, the room's air.";
        page.picture("drying", &svg, &alt, caption);
        Ok(())
    }

    /// The curve in words.
    fn in_a_sentence(&self, used: &[&(Time, f64, bool)]) -> String {
        let (pot, words) = (&self.pot.name, self.words);
        let dry = words.water(&self.answer.dry_mass_g);
        match (used.first(), used.last()) {
            (Some(first), Some(last)) => format!(
                "Drying curve of {pot}: {} {}, {} {}; dry clay {dry}.",
                words.mass(first.1),
                words.time(first.0),
                words.mass(last.1),
                words.time(last.0)
            ),
            _ => format!("Drying curve of {pot} as expected, without a weight; dry clay {dry}."),
        }
    }

    fn forecasts(&self, page: &mut Page) -> anyhow::Result<()> {
        page.heading("What was forecast, and what happened");
        if self.past.is_none_or(|past| past.said.is_empty()) {
            page.text(
                "It was not weighed for long enough to be asked about: the first forecast is \
                       that of 3 hours after its making.",
            );
        } else {
            page.text(
                "Each forecast is made again as of then, from what was known then, and before any \
                 correction by the studio's own record. What happened is what all its weights say \
                 by now.",
            );
        }
        if Event::ALL.iter().any(|event| self.open(*event).is_some()) {
            page.text(
                "Marked open: what a report says now, with that correction where there is one.",
            );
        }
        let stretches = Event::ALL.map(|event| self.stretch(page, event));
        let stretches: Vec<Stretch> = stretches.into_iter().flatten().collect();
        if stretches.is_empty() {
            return Ok(());
        }
        let (pot, made_at) = (self.pot.name.clone(), self.pot.made_at);
        let svg = pictures::svg_foretold(
            &Foretold { pot, made_at, stretches },
            &look(self.words, false),
        )?;
        let alt =
            format!("Forecasts of {} against what happened, as in the tables.", self.pot.name);
        let caption = "From top to bottom as it was asked. A short line across: when it was asked; \
            hatched: where what happened lies in 8 of 10 cases; a ring on dashes: what is forecast \
            now.";
        page.picture("forecasts", &svg, &alt, caption);
        Ok(())
    }

    /// What is forecast now of an event, where it is still to come.
    fn open(&self, event: Event) -> Option<TimeQuantiles> {
        let asked = event == Event::BoneDry || self.answer.trim.call != TrimCall::Done;
        let time = event.of(self.answer);
        let to_come = time.p50.is_none_or(|middle| middle > self.words.now);
        (self.end.is_none() && asked && to_come).then_some(time)
    }

    /// The forecasts of an event, as a table on the page and for the picture.
    fn stretch(&self, page: &mut Page, event: Event) -> Option<Stretch> {
        let words = self.words;
        let known = self.past.and_then(|past| past.known.as_ref());
        let truth = known.and_then(|known| known.truth(event)).map(|(_, time)| time);
        let happened = match (truth.and_then(|time| words.forecast(&time)), known, self.end) {
            (Some(time), ..) => time,
            (None, Some(_), _) => "not known well enough to be counted".into(),
            (None, None, Some(_)) => "not known: not weighed after it was surely dry".into(),
            (None, None, None) => "to be known once it is weighed dry".into(),
        };
        let caption = format!("{}: {happened}", heading(event));
        let (mut rows, mut said) = (Vec::new(), Vec::new());
        let mut add = |asked_at: Time, time: TimeQuantiles, (came, of): (Came, String)| {
            let age = span(asked_at.since(self.pot.made_at));
            let forecast = words.forecast(&time).unwrap_or("not within 30 days".into());
            rows.push([format!("{} ({age} old)", words.time(asked_at)), forecast, of]);
            said.push(Said { asked_at, time, came });
        };
        let open = self.open(event);
        for (asked, time, scored) in self.past.iter().flat_map(|past| past.forecasts(event)) {
            // What is asked now stands there as open.
            if open.is_none() || asked < words.now {
                add(asked, time, compared(scored.as_ref(), truth.is_some()));
            }
        }
        if let Some(time) = open {
            add(words.now, time, (Came::Open, "open".into()));
        }
        if rows.is_empty() {
            // Of what nobody asked about nothing is said.
            if self.past.is_some_and(|past| !past.said.is_empty()) {
                page.text(format!("{caption}, before it was asked about."));
            }
            return None;
        }
        page.table(caption, ["Asked", "Forecast", "What came of it"], rows);
        Some(Stretch { heading: heading(event).into(), happened: truth, said })
    }

    fn lengths(&self, page: &mut Page) {
        let words = self.words;
        let log = self.roll.log(&self.pot.name);
        page.heading("Shrinkage");
        let Some(shrunk) = Shrinkage::new(log, words.now) else {
            page.text(
                "Not measured: it wants the length between two marks, noted wet and again later.",
            );
            return;
        };
        let length = |row: &HandlingRow| match row.action {
            Action::Length(mm) if row.time <= words.now => {
                Some([words.time(row.time), format!("{mm} mm")])
            }
            _ => None,
        };
        page.table(
            "Between two marks",
            ["When", "Length"],
            log.iter().filter_map(length).collect(),
        );
        let of = |linear: f64| {
            let volume = words::percent(volume_shrinkage(linear));
            format!("{} ({volume} of the volume)", words::percent(linear))
        };
        let dry = if shrunk.packed { "Drying" } else { "So far" };
        let mut facts = Vec::new();
        facts.extend(shrunk.drying().map(|linear| (dry, of(linear))));
        let fired = |share| format!("{} of the dry length", words::percent(share));
        facts.extend(shrunk.firing().map(|linear| ("In the fire", fired(linear))));
        facts.extend(shrunk.total().map(|linear| ("In all", of(linear))));
        page.facts(facts);
        page.text("By the formulas of ASTM C326, from the first length that was noted.");
    }

    fn log(&self, page: &mut Page) {
        let (words, now) = (self.words, self.words.now);
        let weighed = self.weighed();
        let mut rows = vec![(self.pot.made_at, "made".to_string(), String::new())];
        let noted = self.roll.log(&self.pot.name).iter();
        rows.extend(noted.filter(|row| row.time <= now || row.action.can_be_planned()).map(
            |row| {
                let plan = if row.time > now { "planned" } else { "" };
                (row.time, action(&row.action, words), plan.into())
            },
        ));
        rows.extend(self.answer.found.iter().map(|found| {
            let sure = words::chance(found.probability);
            (found.time, found_words(found, words), format!("found in its weights, {sure} sure"))
        }));
        if weighed.len() <= LISTED {
            let weighed = weighed.iter();
            rows.extend(
                weighed.map(|p| {
                    (p.time, format!("weighed {}", words.weighed(p.value)), String::new())
                }),
            );
        }
        rows.sort_by_key(|row| row.0);
        page.heading("What was done");
        let row = |(time, what, how): (Time, String, String)| [words.time(time), what, how];
        let caption = "By the clock";
        page.table(caption, ["When", "What", ""], rows.into_iter().map(row).collect());
        if weighed.len() > LISTED {
            page.text(format!("Its {} weighings are left to the curve.", weighed.len()));
        }
    }
}

/// What a forecast came to, in words too.
fn compared(scored: Option<&Scored>, known: bool) -> (Came, String) {
    let Some(scored) = scored else {
        let words = match known {
            true => "not counted: trimmed, wetted or given clay in between",
            false => "not known",
        };
        return (Came::Unknown, words.into());
    };
    let (came, inside) = match scored.inside() {
        true => (Came::Inside, "inside"),
        false => (Came::Outside, "outside"),
    };
    let words = match (span(scored.error().abs()), scored.error() < 0.0) {
        (off, _) if off == "0 min" => format!("{inside}; just as said"),
        (off, true) => format!("{inside}; came {off} later than its middle"),
        (off, false) => format!("{inside}; came {off} sooner than its middle"),
    };
    (came, words)
}

/// What is forecast.
fn heading(event: Event) -> &'static str {
    match event {
        Event::Opens => "Trimming opens",
        Event::Closes => "Trimming closes",
        Event::BoneDry => "Bone-dry on the mean",
    }
}

/// With its first letter large.
fn capital(words: &str) -> String {
    let mut rest = words.chars();
    rest.next().into_iter().flat_map(char::to_uppercase).chain(rest).collect()
}

fn found_words(found: &Found, words: &Words) -> String {
    let grams = found.grams.map(|g| format!(" {}", words.mass(g))).unwrap_or_default();
    let until = found.until.map(|t| format!(" until {}", words.time(t))).unwrap_or_default();
    let cell = found.cell.as_ref().map(|cell| format!(" {cell}")).unwrap_or_default();
    format!("{}{grams}{until}{cell}", found.action)
}
