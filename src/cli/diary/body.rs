//! The page of a body: what is known of it, and what became of its pots.

use super::super::names::counted;
use super::super::plot::look;
use super::super::screen::CAUTION;
use super::super::words::{self, span};
use super::super::{blend, learnt, sample, scorecard as told};
use super::page::Page;
use super::pot::{NUMBERS, end, stages};
use super::{Source, progress};
use crate::answers::Taught;
use crate::answers::diary::{Remembered, remembered};
use crate::core::record::{Event, Scored, figures};
use crate::core::shrinkage::Shrinkage;
use crate::plot::{self as pictures, Curve, Curves};
use crate::records::{Action, HandlingRow, Name, Pot, Studio};
use crate::scorecard::{self, Scorecard};
use crate::units::Time;
use std::cmp::Reverse;
use std::collections::BTreeMap;

/// Finished pots whose forecasts are scored, at most: as `scorecard` does.
const SCORED: usize = 60;
/// Pots that a table can hold.
const LISTED: usize = 24;
/// Curves that a picture can hold.
const CURVES: usize = 12;

/// What is known of the body.
struct Told<'a> {
    source: &'a Source<'a>,
    studio: &'a Studio,
    name: &'a str,
    /// Its pots, oldest first.
    pots: Vec<&'a Pot>,
    remembered: Vec<Remembered>,
    card: Scorecard,
}

/// What was written down of a body, in a sentence; with its name.
pub fn facts(studio: &Studio, body: &str) -> String {
    match studio.bodies.get(body) {
        Some(known) => format!("{body}: {}", super::super::body::facts(known)),
        None => format!("{body}, of which nothing is written down"),
    }
}

/// The page.
pub fn page(source: &Source, name: &str) -> anyhow::Result<Page> {
    let (words, store) = (&source.words, source.store);
    let studio = &store.studio(words.now)?;
    let made = |pot: &&Pot| pot.body == name && pot.made_at <= words.now;
    let mut pots: Vec<&Pot> = studio.pots.values().filter(made).collect();
    pots.sort_by_key(|pot| (pot.made_at, counted(&pot.name)));
    let taught = Taught::new(studio);
    let names: Vec<&Name> = pots.iter().map(|pot| &pot.name).collect();
    let remembered = remembered(studio, &taught, &names);
    let (bar, show) = progress();
    let made_again = |done, all| show(&bar, done, all);
    let card = scorecard::of_studio(store, words.now, Some(name), SCORED, made_again)?;
    bar.end();
    let told = Told { source, studio, name, pots, remembered, card };
    let mut page = Page::new(name);
    told.facts(&mut page);
    told.learnt(&mut page, &taught)?;
    told.table(&mut page);
    told.curves(&mut page)?;
    told.record(&mut page);
    page.text(NUMBERS);
    Ok(page)
}

impl Told<'_> {
    fn facts(&self, page: &mut Page) {
        let words = &self.source.words;
        let pots = match self.pots.len() {
            0 => "no pots yet".into(),
            1 => "1 pot".into(),
            n => format!("{n} pots"),
        };
        let at = words.full_time(words.now);
        page.text(format!("{}. {pots}. As of {at}.", facts(self.studio, self.name)));
        let mut lines = blend::lines(self.studio, self.name);
        lines.extend(sample::lines(self.studio, self.name, words));
        page.list(lines);
    }

    fn learnt(&self, page: &mut Page, taught: &Taught) -> anyhow::Result<()> {
        let (words, lessons) = (&self.source.words, taught.lessons.clone());
        let learnt = crate::core::learnt::of_body(self.studio, &lessons, self.name);
        page.heading("What was learnt");
        page.text(learnt::source(&learnt));
        if learnt.is_anything() {
            let head = ["", "Before any pot of this studio", "Now"];
            page.table("Of this body", head, learnt::rows(&learnt).collect());
            learnt::remarks(&learnt).into_iter().for_each(|remark| page.text(remark));
            let svg = pictures::svg_learnt(self.name, &learnt, &look(words, false))?;
            let alt = format!("What was learnt of {}, as in the table.", self.name);
            let caption = "Hatched between posts: before; filled: now. Bars hold 8 of 10 cases.";
            page.picture("learnt", &svg, &alt, caption);
        }
        if !self.source.past {
            let taught = learnt::Taught { lessons, learnt };
            let command = self.source.context.command();
            let helps = learnt::helps(self.studio, &taught, self.name, &command);
            page.list(helps.lines().map(String::from).collect());
        }
        Ok(())
    }

    fn of(&self, pot: &Name) -> Option<&Remembered> {
        self.remembered.iter().find(|it| it.answer.pot == *pot)
    }

    fn table(&self, page: &mut Page) {
        page.heading("Its pots");
        if self.pots.is_empty() {
            page.text("None was made yet.");
            return;
        }
        let head = [
            "Pot",
            "Curve",
            "Made",
            "What became of it",
            "To trim",
            "Bone-dry",
            "Shrunk",
            "Forecasts",
        ];
        if self.pots.len() > 1 {
            page.text(format!("What became of all {}: {}.", self.pots.len(), self.fates()));
        }
        let older = self.pots.len().saturating_sub(LISTED);
        let rows = self.pots[older..].iter().map(|pot| self.row(pot)).collect();
        let which =
            if older > 0 { format!("The newest {LISTED}, oldest") } else { "Oldest".into() };
        page.table(format!("{which} first; ages since each was made"), head, rows);
        if older > 0 {
            page.text(format!(
                "{older} older ones are in the count alone; \"warecast diary POT\" tells of each."
            ));
        }
        page.text(
            "To trim and bone-dry: when that was by all weights of a finished pot, where it is \
             known to a fifth of the time. Shrunk: by ASTM C326, in drying and in all. Forecasts: \
             how many held what happened in their range, and the median error as a share of the \
             time from made to event.",
        );
        page.text(CAUTION);
    }

    fn row(&self, pot: &Pot) -> [String; 8] {
        let words = &self.source.words;
        let log = self.source.roll.log(&pot.name);
        let past = self.of(&pot.name).and_then(|it| it.past.as_ref());
        let age = |event: Event| {
            let (_, time) = past?.truth(event)?;
            Some([time.p10?, time.p50?, time.p90?].map(|t| span(t.since(pot.made_at))))
        };
        let middle = |event| age(event).map(|[_, middle, _]| middle);
        let window = match (middle(Event::Opens), middle(Event::Closes)) {
            (Some(opens), Some(closes)) => format!("{opens} to {closes}"),
            (Some(opens), None) => format!("from {opens} on"),
            (None, Some(closes)) => format!("until {closes}"),
            (None, None) => String::new(),
        };
        let dry = age(Event::BoneDry).map(|[low, middle, high]| match low == high {
            true => middle,
            false => format!("{middle} ({low} – {high})"),
        });
        let scored: Vec<Scored> =
            self.card.forecasts.iter().filter(|f| f.pot == pot.name).map(|f| f.scored).collect();
        let figures = figures(&[scored]).map(|f| {
            let off = words::percent(f.median_error_share);
            format!("{} of {} inside, off by {off}", f.inside, f.forecasts)
        });
        [
            pot.name.clone(),
            self.mark(&pot.name).unwrap_or_default(),
            words.time(pot.made_at),
            self.fate(log, &pot.name),
            window,
            dry.unwrap_or_default(),
            shrunk(log, words.now),
            figures.unwrap_or_default(),
        ]
    }

    /// How many came to what, most first.
    fn fates(&self) -> String {
        let mut fates: BTreeMap<String, usize> = BTreeMap::new();
        for pot in &self.pots {
            let log = self.source.roll.log(&pot.name);
            let fate = match stages(log, self.source.words.now).into_iter().flatten().last() {
                Some(HandlingRow { action: Action::Lost(_), .. }) => "lost".into(),
                Some(row) => end(&row.action),
                None => self.fate(log, &pot.name),
            };
            *fates.entry(fate).or_default() += 1;
        }
        let mut fates: Vec<_> = fates.into_iter().collect();
        fates.sort_by_key(|(_, pots)| Reverse(*pots));
        let said: Vec<String> = fates.iter().map(|(fate, pots)| format!("{pots} {fate}")).collect();
        said.join("; ")
    }

    fn fate(&self, log: &[HandlingRow], pot: &Name) -> String {
        let said: Vec<String> = stages(log, self.source.words.now)
            .into_iter()
            .flatten()
            .map(|row| end(&row.action))
            .collect();
        match (said.is_empty(), self.of(pot)) {
            (false, _) => said.join(", "),
            (true, Some(it)) => it.answer.stage.words().into(),
            (true, None) => "drying, not weighed".into(),
        }
    }

    /// The newest pots that have a curve.
    fn drawn(&self) -> &[Remembered] {
        &self.remembered[self.remembered.len().saturating_sub(CURVES)..]
    }

    /// The letter of a pot's curve.
    fn mark(&self, pot: &Name) -> Option<String> {
        let number = self.drawn().iter().position(|it| it.answer.pot == *pot)?;
        Some(char::from(b'a' + u8::try_from(number).ok()?).into())
    }

    fn curves(&self, page: &mut Page) -> anyhow::Result<()> {
        let drawn = self.drawn();
        let Some(band) = drawn.last().map(|it| it.answer.story.band) else { return Ok(()) };
        let curve = |it: &Remembered| {
            let water = it.answer.story.water.iter();
            let water = water.filter(|(time, _)| *time <= it.until).map(|(t, q)| (*t, q.p50));
            Curve {
                mark: self.mark(&it.answer.pot).unwrap_or_default(),
                pot: it.answer.pot.clone(),
                made_at: it.answer.made_at,
                water: water.collect(),
                trims: it.answer.story.trims.clone(),
            }
        };
        let pots = drawn.iter().map(curve).collect();
        let left_out = self.remembered.len() - drawn.len();
        let curves = Curves { body: self.name.into(), band, pots, left_out };
        let svg = pictures::svg_curves(&curves, &look(&self.source.words, false))?;
        let alt = format!(
            "How the water of {} pots of {} went since each was made, over each other.",
            drawn.len(),
            self.name
        );
        let caption =
            "The middle of what all its weights say of each pot; letters as in the table.";
        page.heading("Their drying");
        page.picture("curves", &svg, &alt, caption);
        Ok(())
    }

    fn record(&self, page: &mut Page) {
        page.heading("How good the forecasts were");
        if self.card.pots.is_empty() {
            page.text(
                "No pot of it has finished yet: forecasts can be scored once a pot was weighed after \
                 it was bone-dry.",
            );
            return;
        }
        let all = self.card.summary(None);
        let mut lines: Vec<String> =
            Event::ALL.map(|event| told::in_words(event, all.figures(event))).into();
        lines.extend(told::calls(&all));
        page.list(lines);
        page.text(
            "As \"warecast scorecard\" counts them: forecasts made again as of then, before any correction of \
             their ranges.",
        );
    }
}

/// Shrinkage in drying and in all.
fn shrunk(log: &[HandlingRow], at: Time) -> String {
    let Some(shrunk) = Shrinkage::new(log, at) else { return String::new() };
    let dry = if shrunk.packed { "dry" } else { "so far" };
    let parts = [(dry, shrunk.drying()), ("in all", shrunk.total())];
    let parts = parts
        .into_iter()
        .filter_map(|(what, linear)| Some(format!("{what} {}", words::percent(linear?))));
    parts.collect::<Vec<_>>().join(", ")
}
