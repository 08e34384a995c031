//! What came out of a comparison, as people read it and as a picture shows it; as JSON it is in
//! [`super::figures`].

use super::names::{counted, list};
use super::screen::{self, heading, paragraph};
use super::words::{self, Words, percent, printable};
use crate::answers::compare::{Compared, Member};
use crate::core::compare::plain::Effect;
use crate::core::compare::track::Track;
use crate::core::compare::{Answer, Finding, KNOWN_WELL, Middle, Question, known_to};
use crate::core::report::Warning;
use crate::plot::{Comparison, EffectRow};
use crate::records::{Cover, Name};
use crate::units::Time;
use anstyle::AnsiColor;

/// Where a comparison comes from.
#[derive(Clone, PartialEq, Debug)]
pub enum Origin {
    /// Drawn by chance.
    Drawn {
        /// From this seed.
        seed: u32,
        /// Then.
        at: Time,
    },
    /// Pots as they happen to be.
    Found,
}

/// What came out, with what was asked.
pub struct Findings<'a> {
    /// What it is called, if it was drawn.
    pub name: Option<&'a str>,
    /// The treatments; the others are held against the first.
    pub treatments: &'a [Name],
    /// The pots.
    pub members: &'a [Member],
    /// Whether it was drawn by chance.
    pub origin: &'a Origin,
    /// The answers.
    pub compared: &'a Compared,
    /// How often intervals hold what they are about.
    pub level: f64,
    /// The time up to which things are known.
    pub at: Time,
}

/// So many more of pots of one kind that could be said by chance: from how many questions on that
/// is said.
const SEVERAL: usize = 2;
/// A ratio of which no more is known than that it lies between a twentieth and the twentyfold is
/// not known: no clay, cover or place does as much (common practice, no source). Logarithm.
const ANYTHING: f64 = 3.0;

impl Findings<'_> {
    fn name_of(&self, treatment: usize) -> String {
        printable(&self.treatments[treatment]).into_owned()
    }

    /// As a page.
    pub fn page(&self, words: &Words) -> String {
        let width = screen::terminal_width();
        let mut page = match self.name {
            Some(name) => {
                format!("Comparison {} as of {}\n", printable(name), words.full_time(self.at))
            }
            None => format!("Comparison of past pots as of {}\n", words.full_time(self.at)),
        };
        for other in 1..self.treatments.len() {
            let answers: Vec<&Answer> = self.of(other).collect();
            let title = format!("{} against {}", self.name_of(other), self.name_of(0));
            heading(&mut page, &title, &self.sizes(other), AnsiColor::Green);
            for answer in &answers {
                page += &paragraph(&self.in_words(answer), 2, width);
            }
            page.push('\n');
            page += &self.table(other, &answers);
        }
        page.push('\n');
        for warning in self.warnings() {
            page += &paragraph(&warning.text, 0, width);
        }
        page += &paragraph(&self.foot(words), 0, width);
        page
    }

    fn of(&self, other: usize) -> impl Iterator<Item = &Answer> {
        self.compared.outcome.answers.iter().filter(move |a| a.treatments.1 == other)
    }

    /// `6 pairs`, `6 and 7 pots`.
    fn sizes(&self, other: usize) -> String {
        let of = |treatment: usize| self.members.iter().filter(move |m| m.1 == treatment);
        if self.members.iter().any(|m| m.2.is_some()) {
            let pair = |m: &&Member| of(0).any(|first| first.2.is_some() && first.2 == m.2);
            return match of(other).filter(pair).count() {
                1 => "1 pair".into(),
                n => format!("{n} pairs"),
            };
        }
        format!("{} and {} pots", of(other).count(), of(0).count())
    }

    /// An answer in a sentence.
    fn in_words(&self, answer: &Answer) -> String {
        let question = answer.question;
        let (first, other) = (self.name_of(answer.treatments.0), self.name_of(answer.treatments.1));
        let finding = answer.finding(self.level);
        if question == Question::Losses {
            return self.losses(answer, finding);
        }
        let Some(effect) = answer.leading() else {
            return format!("{}: nothing can be said yet, too few pots tell.", subject(question));
        };
        // So much would be sure, had it been the only question.
        let alone = finding == Finding::Unsure && effect.p <= 1.0 - self.level;
        if finding == Finding::Unsure && !alone {
            let range = times(question, effect);
            return match question {
                _ if is_anything(question, effect) => {
                    format!("{}: nothing is known yet.", subject(question))
                }
                Question::LeatherHard | Question::BoneDry => format!(
                    "{}: no difference is sure; {other} may take {range} as long as {first}.",
                    subject(question)
                ),
                Question::Rate => format!(
                    "{}: no difference is sure; {other} may dry {range} as fast as {first}.",
                    subject(question)
                ),
                Question::Window => format!(
                    "{}: no difference is sure; with {other} it may be {range} as long as with \
                     {first}.",
                    subject(question)
                ),
                _ => format!("{}: no difference is sure ({range}).", subject(question)),
            };
        }
        let says = self.difference(answer, effect, (&first, &other));
        match alone {
            true => format!(
                "{says} Likely, but not sure: of {} questions one may look like this by chance.",
                self.compared.outcome.tests
            ),
            false => says,
        }
    }

    /// A difference that was found.
    fn difference(&self, answer: &Answer, effect: &Effect, (first, other): (&str, &str)) -> String {
        let told = size(answer.question, effect);
        match answer.question {
            Question::LeatherHard => {
                format!("{other} takes {told} as long to leather-hard as {first}.")
            }
            Question::BoneDry => format!("{other} takes {told} as long to bone-dry as {first}."),
            Question::Window => {
                format!("With {other} the window is open {told} as long as with {first}.")
            }
            Question::Evenness if effect.value > 0.0 => format!(
                "{other} dries less evenly: at leather-hard its bases are {told} wetter, against \
                 their walls, than with {first}."
            ),
            Question::Evenness => format!(
                "{other} dries more evenly: at leather-hard its bases are {} less wet, against \
                 their walls, than with {first}.",
                size(answer.question, &effect.negative())
            ),
            _ => format!("In the same air {other} dries {told} as fast as {first}."),
        }
    }

    fn losses(&self, answer: &Answer, finding: Finding) -> String {
        let (first, other) = (self.name_of(answer.treatments.0), self.name_of(answer.treatments.1));
        if answer.middles == [Middle::Unknown; 2] {
            return "Losses: nothing is known yet.".into();
        }
        let [a, b] = answer.middles.map(|m| middle(Question::Losses, m));
        let end = match finding {
            Finding::More => ": more are lost, surely",
            Finding::Less => ": fewer are lost, surely",
            Finding::Unsure => ": no difference is sure",
            Finding::Nothing => "",
        };
        format!("Lost: {b} with {other}, {a} with {first}{end}.")
    }

    fn table(&self, other: usize, answers: &[&Answer]) -> String {
        let (first, second) = (self.name_of(0), self.name_of(other));
        let rows = answers.iter().map(|answer| {
            let [a, b] = answer.middles.map(|m| middle(answer.question, m));
            let effect =
                |e: &Option<Effect>| e.as_ref().map_or("–".into(), |e| size(answer.question, e));
            let p = answer.holm().map_or("–".into(), chance);
            vec![
                row_name(answer.question).into(),
                a,
                b,
                effect(&answer.plain),
                effect(&answer.model),
                p,
            ]
        });
        let header = ["", first.as_str(), second.as_str(), "PLAIN", "MODEL", "P"];
        screen::columns(&header, rows.collect())
    }

    fn foot(&self, words: &Words) -> String {
        let air = self.compared.air;
        format!(
            "In brackets the range that holds in {:.0} of 100 such comparisons. Plain: by what was \
             seen. Model: by the pots' fits; the same air is {} and {:.0}% humidity, the mean of \
             what they stood in. P: how often chance alone shows as much, of {} questions (Holm).",
            100.0 * self.level,
            words.temperature(air.temperature),
            100.0 * air.humidity,
            self.compared.outcome.tests
        )
    }

    /// What ought to be known beside the answers.
    pub fn warnings(&self) -> Vec<Warning> {
        let mut out = Vec::new();
        let mut warn = |code: &'static str, text: String| out.push(Warning { code, text });
        if *self.origin == Origin::Found {
            warn(
                "observational",
                "Nobody drew by chance which pot was treated how: this says how they differed, not \
                 that the treatment did it. What else went with it (hand, week, size, shelf) is in \
                 the difference."
                    .into(),
            );
        }
        let questions = self.compared.outcome.tests;
        if questions >= SEVERAL {
            let by_chance = (1.0 - self.level.powi(questions as i32)) * 100.0;
            warn(
                "several-questions",
                format!(
                    "{questions} questions were asked of the same pots: were there no difference \
                     at all, one or more would still look like one {by_chance:.0} times in 100. P \
                     and what is called a difference allow for that; the ranges in brackets do not."
                ),
            );
        }
        self.of_pots(&mut warn);
        for answer in self.compared.outcome.answers.iter().filter(|answer| answer.disagree()) {
            warn("answers-part", self.part(answer));
        }
        out
    }

    fn of_pots(&self, warn: &mut impl FnMut(&'static str, String)) {
        let tracks = &self.compared.tracks;
        let of = |is: &dyn Fn(&Track) -> bool| self.which(is);
        let wet = of(&|t| t.bone_dry.is_some_and(|seen| !seen.is_exact()));
        if !wet.is_empty() {
            warn(
                "not-dry-yet",
                format!(
                    "Not seen to be dry: {}. What is known of each is that it takes longer than it \
                     was weighed.",
                    list(wet)
                ),
            );
        }
        if let Some(wide) = known_to(tracks).filter(|wide| *wide > KNOWN_WELL) {
            warn(
                "known-poorly",
                format!(
                    "When each was leather-hard is known to {} of the time only, in the middle: \
                     weighed on until they are dry, pots tell it to {} or better. What is unsure \
                     alike of all falls out of the comparison.",
                    percent(wide),
                    percent(KNOWN_WELL)
                ),
            );
        }
        let unweighed = of(&|t| !t.is_weighed());
        if !unweighed.is_empty() {
            warn(
                "not-weighed",
                format!("Never weighed, and counted among losses alone: {}.", list(unweighed)),
            );
        }
        if !self.compared.not_made.is_empty() {
            warn("not-made", format!("Not made yet: {}.", list(&self.compared.not_made)));
        }
        let weighed = || tracks.iter().filter(|t| t.is_weighed());
        if weighed().any(|t| !t.air_measured) {
            warn(
                "no-humidity",
                "No sensor told of the air of some: an ordinary room is supposed there, and the \
                 rate in the same air is no better than the times."
                    .into(),
            );
        }
        let strays = self.strays();
        if !strays.is_empty() {
            warn(
                "not-as-drawn",
                format!(
                    "By the log not as drawn, most of the first day: {}. They count where they \
                     were drawn; note covers that were forgotten.",
                    strays.join("; ")
                ),
            );
        }
    }

    /// Pots of which something is so, in the order in which people count.
    fn which(&self, is: &dyn Fn(&Track) -> bool) -> Vec<&Name> {
        let tracks = self.compared.tracks.iter().filter(|t| is(t));
        let mut pots: Vec<&Name> = tracks.map(|t| &t.pot).collect();
        pots.sort_by_key(|pot| counted(pot));
        pots
    }

    /// Pots that were kept otherwise than drawn, by how they were kept: `open jar-1 and jar-2`.
    fn strays(&self) -> Vec<String> {
        let stray = |t: &Track, kept: Cover| {
            let meant = Cover::parse(&self.treatments[t.treatment]);
            let known = self.name.is_some() && t.is_weighed() && t.cover == Some(kept);
            known && meant.is_some_and(|meant| meant != kept)
        };
        let strays = Cover::ALL.map(|kept| (kept, self.which(&|t| stray(t, kept))));
        let some = strays.iter().filter(|(_, pots)| !pots.is_empty());
        some.map(|(kept, pots)| format!("{} {}", kept.word(), list(pots))).collect()
    }

    /// A word where the two answers part.
    fn part(&self, answer: &Answer) -> String {
        let what = subject(answer.question);
        let [plain, model] = [&answer.plain, &answer.model]
            .map(|e| e.as_ref().map_or(String::new(), |e| size(answer.question, e)));
        let why = match answer.question {
            Question::Rate => {
                "the plain answer takes wet clay for open water, which damp air slows down less \
                 than clay, and every pot for as good as another"
            }
            _ if answer.bounds > 0 => {
                "some are not there yet, of which the model forecasts the rest and the plain \
                 answer does not"
            }
            _ => "some of these times are known poorly, and the plain answer does not ask how well",
        };
        format!(
            "{what}: the two answers part (plain {plain}, model {model}): {why}. Believe what both \
             hold."
        )
    }

    /// The trimming band, where all go by one.
    fn band(&self) -> Option<(f64, f64)> {
        let first = self.compared.tracks.first()?.band;
        self.compared.tracks.iter().all(|track| track.band == first).then_some(first)
    }

    /// What goes into the picture.
    pub fn picture(&self) -> Comparison<'_> {
        let against = list(&self.treatments[1..]);
        let told = self.compared.outcome.answers.iter().filter(|a| a.leading().is_some());
        let effect = |answer: &Answer, effect: Option<Effect>| {
            let words = effect.as_ref().map_or("–".into(), |e| size(answer.question, e));
            (effect, words)
        };
        let row = |answer: &Answer| EffectRow {
            question: answer.question,
            what: subject(answer.question).into(),
            of: format!("{} against {}", self.name_of(answer.treatments.1), self.name_of(0)),
            plain: effect(answer, answer.plain),
            model: effect(answer, answer.model),
        };
        let name = self.name.map_or(String::new(), |name| format!("{}: ", printable(name)));
        let drawn = match self.origin {
            Origin::Drawn { .. } => "drawn by chance",
            Origin::Found => "past pots; nobody drew by chance which was treated how",
        };
        Comparison {
            title: format!("{name}{against} against {}", self.name_of(0)),
            under: format!("{} pots; {drawn}", self.compared.tracks.len()),
            treatments: self.treatments,
            tracks: &self.compared.tracks,
            level: self.level,
            band: self.band(),
            effects: told.map(row).collect(),
        }
    }
}

fn subject(question: Question) -> &'static str {
    match question {
        Question::LeatherHard => "Time to leather-hard",
        Question::BoneDry => "Time to bone-dry",
        Question::Window => "Length of the trimming window",
        Question::Rate => "Rate in the same air",
        Question::Evenness => "Evenness of base and wall",
        Question::Losses => "Losses",
    }
}

fn row_name(question: Question) -> &'static str {
    match question {
        Question::LeatherHard => "leather-hard",
        Question::BoneDry => "bone-dry",
        Question::Window => "window",
        Question::Rate => "same air",
        Question::Evenness => "base wetter by",
        Question::Losses => "lost",
    }
}

/// Whether a ratio may be whatever it likes.
fn is_anything(question: Question, effect: &Effect) -> bool {
    question.is_ratio() && effect.low < -ANYTHING && effect.high > ANYTHING
}

/// What is told of one treatment.
fn middle(question: Question, middle: Middle) -> String {
    match (middle, question) {
        (Middle::Of(some, all), _) => format!("{some} of {all}"),
        // As a multiple of the other it says more.
        (_, Question::Rate) => String::new(),
        (Middle::About(x), Question::Evenness) => format!("{:.1} points", 100.0 * x),
        (Middle::About(s), _) => words::span(s),
        (Middle::Over(s), _) => format!("over {}", words::span(s)),
        (Middle::Unknown, Question::Losses) => "not known yet".into(),
        (Middle::Unknown, _) => "–".into(),
    }
}

/// A factor no finer than it deserves.
fn factor(x: f64) -> String {
    match x {
        x if x < 0.995 => format!("{x:.2}"),
        x if x < 9.95 => format!("{x:.1}"),
        x if x < 1000.0 => format!("{x:.0}"),
        _ => "over 1000".into(),
    }
}

fn end(question: Question, x: f64) -> String {
    match question {
        // Nothing has no sign.
        Question::Evenness => format!("{:.1}", (1000.0 * x).round() / 10.0 + 0.0),
        Question::Losses => format!("{:.0}", (100.0 * x).round() + 0.0),
        _ => factor(x.exp()),
    }
}

/// `1.9 × (1.6–2.3)`, `1.6 × or more`, `0.8 points (0.3–1.2)`.
fn size(question: Question, effect: &Effect) -> String {
    let unit = unit(question);
    if effect.value.is_infinite() {
        return match effect.value > 0.0 {
            true => format!("{}{unit} or more", end(question, effect.low)),
            false => format!("{}{unit} or less", end(question, effect.high)),
        };
    }
    format!("{}{unit} ({})", end(question, effect.value), range(question, effect))
}

/// `1.6–2.3`, `1.6 or more`; a difference may lie on either side of nothing.
fn range(question: Question, effect: &Effect) -> String {
    let (low, high) = (end(question, effect.low), end(question, effect.high));
    match (effect.low.is_finite(), effect.high.is_finite()) {
        (true, true) if question.is_ratio() => format!("{low}–{high}"),
        (true, true) => format!("{low} to {high}"),
        (true, false) => format!("{low} or more"),
        (false, true) => format!("{high} or less"),
        (false, false) => "anything".into(),
    }
}

/// `0.8–1.6 ×`, `1.6 × or more`, `-0.4 to 0.5 points`.
fn times(question: Question, effect: &Effect) -> String {
    let unit = unit(question);
    match (effect.low.is_finite(), effect.high.is_finite()) {
        (true, true) => format!("{}{unit}", range(question, effect)),
        (true, false) => format!("{}{unit} or more", end(question, effect.low)),
        (false, true) => format!("{}{unit} or less", end(question, effect.high)),
        (false, false) => "any number of times".into(),
    }
}

fn unit(question: Question) -> &'static str {
    match question {
        Question::Evenness => " points",
        Question::Losses => " in 100",
        _ => " ×",
    }
}

/// A p, never a certainty.
fn chance(p: f64) -> String {
    if p < 0.001 { "<0.001".into() } else { format!("{p:.3}") }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::core::compare::plain::Method;

    #[test]
    fn a_ratio_that_may_be_anything_is_not_known() {
        let effect = |low: f64, high: f64| Effect {
            value: 0.0,
            low: low.ln(),
            high: high.ln(),
            p: 0.9,
            method: Method::Fisher,
        };
        let is = |low, high| is_anything(Question::BoneDry, &effect(low, high));
        assert!(is(0.001, 2000.0) && is(0.0, f64::INFINITY));
        assert!(!is(0.2, 5.0) && !is(0.9, 2000.0) && !is(0.001, 1.1));
        assert!(!is_anything(Question::Evenness, &effect(0.001, 2000.0)));
    }
}
