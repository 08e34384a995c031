//! The walk of `round`: which pot is the next, whose weight it is that came, what it says of the
//! pot, and how to take it back.
//!
//! A weight is on the disk before anything is said of it. One that does not look like its pot's is
//! asked about first; while it is asked about nothing is lost: what is not noted is said, with the
//! command that notes it.

use super::inputs::Input;
use super::names::{Roll, list};
use super::round::{rows, why};
use super::said::{Said, understand};
use super::weigh::{self, BENCH, Clay, HEAVIEST_G};
use super::words::{self, Words, printable, shell_word};
use super::{Context, reader_went_away, screen};
use crate::answers::{Stop, Taught};
use crate::clock;
use crate::core::need::Decision;
use crate::core::whose::{self, Doubt};
use crate::records::{Name, Reading};
use crate::sensing::settle::Settled;
use crate::store::Store;
use anstyle::Style;
use std::collections::BTreeMap;
use std::io::{IsTerminal, Write};
use std::process::ExitCode;
use std::sync::mpsc::Receiver;

/// Something that `undo` takes back.
enum Step {
    /// A weighing, with the pot as it was known before and its place among those that waited.
    Weighed(Reading, Option<Stop>, Option<usize>),
    Skipped(usize, Stop),
}

/// A weight that is not noted yet.
struct Held {
    /// Of the pot that it is taken for; the empty name where nobody knows.
    reading: Reading,
    /// What was asked.
    question: String,
}

/// Somebody walks along the boards with a scale.
pub struct Walk<'a> {
    context: &'a Context,
    store: Store,
    taught: Taught,
    roll: Roll,
    /// Pots that wait to be weighed, the next one first.
    waiting: Vec<Stop>,
    /// What is known of all pots that are drying.
    known: BTreeMap<Name, Stop>,
    /// A pot that was named to be the next.
    named: Option<Name>,
    /// The name under which the scale's weights are kept.
    source: Option<Name>,
    held: Option<Held>,
    steps: Vec<Step>,
    /// A prompt stands on the last line.
    prompted: bool,
    ended: bool,
}

type Done = anyhow::Result<()>;

impl<'a> Walk<'a> {
    /// Along these pots, in a studio with all those that are drying; the name of the scale, where
    /// one is listened to.
    pub fn new(
        context: &'a Context,
        store: Store,
        taught: Taught,
        roll: Roll,
        (waiting, known): (Vec<Stop>, Vec<Stop>),
        source: Option<Name>,
    ) -> Walk<'a> {
        let known = known.into_iter().map(|stop| (stop.answer.pot.clone(), stop)).collect();
        Walk {
            context,
            store,
            taught,
            roll,
            waiting,
            known,
            named: None,
            source,
            held: None,
            steps: Vec::new(),
            prompted: false,
            ended: false,
        }
    }

    /// Goes until somebody says that it is done.
    pub fn go(mut self, inputs: &Receiver<Input>) -> anyhow::Result<ExitCode> {
        self.announce()?;
        while !self.ended {
            self.prompt()?;
            let Ok(input) = inputs.recv() else { break };
            // A line that was typed ends the prompt's; a weight is shown as if it had been typed.
            let ends = matches!(input, Input::Line(_) | Input::Weight(_));
            if std::mem::take(&mut self.prompted) && !ends {
                screen::print("\n")?;
            }
            match self.take(input) {
                Err(error) if reader_went_away(&error) => return Err(error),
                // The disk, or somebody else: what comes next may do well again.
                Err(error) => screen::complain(&format!("{error:#}")),
                Ok(()) => {}
            }
        }
        self.close()
    }

    fn take(&mut self, input: Input) -> Done {
        match input {
            Input::Line(text) => self.line(&text)?,
            Input::Weight(settled) => self.settled(settled)?,
            Input::Silent(why, back) => {
                let until = if back { "Until it is back" } else { "From now on" };
                screen::complain(&format!("{why}. {until}, type the weights"));
            }
            Input::Back => screen::tell("The scale is back."),
            Input::Unread(why) => screen::complain(&format!(
                "what the scale sends cannot be read ({why}): are its settings right?"
            )),
            Input::End | Input::Interrupted => self.ended = true,
        }
        Ok(())
    }

    fn words(&self) -> anyhow::Result<Words> {
        self.context.words(self.store.settings(), None)
    }

    /// The pot whose weight is awaited.
    fn next(&self) -> Option<Name> {
        let first = self.waiting.first().map(|stop| stop.answer.pot.clone());
        self.named.clone().or(first)
    }

    fn prompt(&mut self) -> Done {
        if !(std::io::stdin().is_terminal() && std::io::stdout().is_terminal()) {
            return Ok(());
        }
        let bold = Style::new().bold();
        let whose = match (&self.held, self.next()) {
            (Some(_), _) => "?".into(),
            (None, Some(pot)) => printable(&pot).into_owned(),
            (None, None) => String::new(),
        };
        screen::print(&format!("{bold}{whose}>{bold:#} "))?;
        std::io::stdout().flush()?;
        self.prompted = true;
        Ok(())
    }

    /// Says which pot is the next, and why.
    fn announce(&self) -> Done {
        let Some(pot) = self.next() else {
            let more = "A pot's name takes one more, undo takes the last back, done ends.";
            if !self.steps.is_empty() {
                screen::say(&format!("That was the last one. {more}"))?;
            }
            return Ok(());
        };
        let on = self.roll.pot(&pot).and_then(|pot| pot.board.as_deref());
        let on = on.map_or(String::new(), |board| format!(" on {}", printable(board)));
        let name = printable(&pot);
        let stop = self.known.get(&pot);
        let waits = self.waiting.iter().any(|stop| stop.answer.pot == pot);
        let what = match stop {
            Some(stop) if stop.too_soft => format!(
                ": still soft by its water ({}), lift it on its bat or board only",
                words::percent(stop.answer.water.now.p50)
            ),
            Some(stop) if waits => {
                stop.need.map_or(String::new(), |need| format!(": {}", why(&need)))
            }
            _ => String::new(),
        };
        let left = match self.waiting.len() {
            n if waits && n > 1 => format!(" ({} more after it)", n - 1),
            _ => String::new(),
        };
        screen::say(&format!("\nNext: {name}{on}{what}{left}."))?;
        Ok(())
    }

    fn line(&mut self, text: &str) -> Done {
        let mut said = understand(text, &self.roll, self.store.settings().units);
        if matches!(said, Said::Unclear(_)) {
            // It may have been added meanwhile.
            self.roll = Roll::read(&self.store)?;
            said = understand(text, &self.roll, self.store.settings().units);
        }
        if self.held.is_some() {
            return self.answered(said);
        }
        match said {
            Said::Nothing if self.next().is_none() => self.ended = true,
            Said::Nothing => return self.announce(),
            Said::Skip => return self.skip(),
            Said::Undo => return self.undo(),
            Said::List => return self.list(),
            Said::Done => self.ended = true,
            Said::Yes | Said::No => {
                screen::say("Nothing was asked.")?;
            }
            Said::Pot(pot) => return self.turn_to(pot),
            Said::Weight(grams) => return self.weight(self.next(), grams, None),
            Said::Weighed(pot, grams) => return self.weight(Some(pot), grams, None),
            Said::Unclear(why) => screen::complain(&why),
        }
        Ok(())
    }

    /// What was said to a question.
    fn answered(&mut self, said: Said) -> Done {
        let Some(held) = self.held.take() else { return Ok(()) };
        let whose = held.reading.pot.clone().filter(|pot| !pot.is_empty());
        match (said, whose) {
            (Said::Yes, Some(_)) => return self.note(held.reading),
            (Said::Pot(pot), Some(whose)) if pot == whose => return self.note(held.reading),
            (Said::Pot(pot), _) => {
                return self.consider(Reading { pot: Some(pot), ..held.reading });
            }
            (Said::Weight(grams), whose) => return self.weight(whose, grams, None),
            (Said::Weighed(pot, grams), _) => return self.weight(Some(pot), grams, None),
            (Said::No | Said::Undo, _) => {
                self.leave(&held)?;
                return self.announce();
            }
            (Said::Skip, _) => {
                self.leave(&held)?;
                return self.skip();
            }
            (Said::Done, _) => {
                self.leave(&held)?;
                self.ended = true;
            }
            (Said::Unclear(why), _) => {
                screen::complain(&why);
                screen::say(&held.question)?;
                self.held = Some(held);
            }
            (Said::Nothing | Said::Yes | Said::List, _) => {
                screen::say(&held.question)?;
                self.held = Some(held);
            }
        }
        Ok(())
    }

    /// Says what is not noted, and how it could be.
    fn leave(&self, held: &Held) -> Done {
        let words = self.words()?;
        let r = &held.reading;
        let pot = r.pot.as_deref().filter(|pot| !pot.is_empty());
        let command = self.context.command();
        screen::say(&format!(
            "Not noted: {}. To note it all the same: {command} weigh {} {}g --at \"{}\"",
            words.weighed(r.value),
            pot.map_or("POT".into(), shell_word),
            to_tenths(r.value),
            words.typed_time(r.time)
        ))?;
        Ok(())
    }

    fn skip(&mut self) -> Done {
        let Some(pot) = self.next() else {
            screen::say("No pot is waiting.")?;
            return Ok(());
        };
        self.named = None;
        if let Some(at) = self.waiting.iter().position(|stop| stop.answer.pot == pot) {
            let stop = self.waiting.remove(at);
            self.steps.push(Step::Skipped(at, stop));
        }
        self.announce()
    }

    fn list(&self) -> Done {
        let words = self.words()?;
        if self.waiting.is_empty() {
            screen::say("No pot is waiting.")?;
        } else {
            screen::print(&rows(&self.waiting, &self.roll, &words))?;
        }
        self.announce()
    }

    /// Makes a pot the next one.
    fn turn_to(&mut self, pot: Name) -> Done {
        let words = self.words()?;
        let made = self.roll.pot(&pot).map(|pot| pot.made_at).filter(|made| *made > words.now);
        if let Some(end) = self.roll.past_it(&pot, words.now) {
            screen::complain(&format!(
                "by the log {} is {end}: no weight of it changes an answer",
                printable(&pot)
            ));
        } else if let Some(made) = made {
            let (pot, made) = (printable(&pot), words.time(made));
            screen::complain(&format!("by its record {pot} is made only {made}"));
        } else {
            self.named = Some(pot);
        }
        self.announce()
    }

    fn settled(&mut self, settled: Settled) -> Done {
        let words = self.words()?;
        screen::say(&format!("{} on the scale.", words.weighed(settled.grams)))?;
        let whose = match self.held.take() {
            Some(held) => {
                self.leave(&held)?;
                held.reading.pot.filter(|pot| !pot.is_empty())
            }
            None => self.next(),
        };
        self.weight(whose, settled.grams, Some(settled))
    }

    /// A weight that is taken for a pot's; settled: it came from the scale.
    fn weight(&mut self, pot: Option<Name>, grams: f64, settled: Option<Settled>) -> Done {
        let source = match (&settled, &self.source) {
            (Some(_), Some(source)) => source.as_str(),
            _ => BENCH,
        };
        let whose = pot.clone().unwrap_or_default();
        let reading = Reading {
            count: settled.map(|s| s.samples).filter(|samples| *samples > 1),
            spread: settled.and_then(|s| s.spread),
            ..weigh::reading(&whose, source, clock::now(), grams)
        };
        let words = self.words()?;
        if !(grams > 0.0 && grams <= HEAVIEST_G) {
            let weight = words.weighed(grams);
            screen::complain(&format!("{weight} is not the weight of a pot: nothing is noted"));
            return Ok(());
        }
        match pot {
            Some(_) => self.consider(reading),
            None => {
                let weight = words.weighed(grams);
                self.ask(reading, format!("{weight}: of which pot? Its name, or no."))
            }
        }
    }

    fn ask(&mut self, reading: Reading, question: String) -> Done {
        screen::say(&question)?;
        self.held = Some(Held { reading, question });
        Ok(())
    }

    /// Notes a weight of a pot, if it looks like that pot's.
    fn consider(&mut self, reading: Reading) -> Done {
        let words = self.words()?;
        let name = reading.pot.clone().unwrap_or_default();
        let Some(pot) = self.roll.pot(&name) else { return Ok(()) };
        let clay = Clay::of(pot, &self.roll, &reading);
        if self.roll.past_it(&name, words.now).is_some() || pot.made_at > reading.time {
            self.leave(&Held { reading, question: String::new() })?;
            return self.turn_to(name);
        }
        if clay.grams <= 0.0 {
            let text = clay.less_than_tare(pot, &reading, &words, self.context);
            screen::complain(&text);
            return Ok(());
        }
        if self.doubt(&reading).is_none() {
            return self.note(reading);
        }
        // A round takes a while: what pots weigh now is asked again before anybody is bothered.
        self.know_again()?;
        match self.doubt(&reading) {
            None => self.note(reading),
            Some(doubt) => {
                let question = self.question(&reading, &doubt, &words);
                self.ask(reading, question)
            }
        }
    }

    fn doubt(&self, reading: &Reading) -> Option<Doubt> {
        let name = reading.pot.as_ref()?;
        let asked = &self.known.get(name)?.expected;
        let others = self.known.iter().filter(|(other, _)| *other != name);
        let others = others.map(|(name, stop)| (name, &stop.expected));
        whose::doubt(asked, reading.value, others)
    }

    fn know_again(&mut self) -> Done {
        let studio = self.store.studio(clock::now())?;
        let names: Vec<&Name> = self.known.keys().collect();
        let stops = self.taught.stops(&studio, &names);
        self.known.extend(stops.into_iter().map(|stop| (stop.answer.pot.clone(), stop)));
        Ok(())
    }

    fn question(&self, reading: &Reading, doubt: &Doubt, words: &Words) -> String {
        let name = reading.pot.as_deref().unwrap_or_default();
        let expected = self.known.get(name).map(|stop| stop.expected.interval());
        let (low, high) = expected.unwrap_or_default();
        let weight = words.weighed(reading.value);
        let name = printable(name);
        let ought = format!(
            "{weight}? {name} ought to weigh {} to {} by now",
            words.mass(low),
            words.mass(high)
        );
        match doubt {
            Doubt::Other(other) => {
                let other = printable(other);
                format!(
                    "{ought}; {other} would weigh that. Whose is it: {name} or {other}? Type the \
                     name, or no to leave it out."
                )
            }
            Doubt::Bare => format!(
                "{ought}; it would be right without what its tare counts. Put that beneath it and \
                 weigh again, or no to leave it out; yes notes it as it is."
            ),
            Doubt::Odd => format!(
                "{ought}. Was it trimmed, or is something else on the scale? Weigh or type it \
                 again, or yes to note it as it is; no leaves it out."
            ),
        }
    }

    /// Stores a weight, and says what it tells of its pot.
    fn note(&mut self, reading: Reading) -> Done {
        let words = self.words()?;
        let name = reading.pot.clone().unwrap_or_default();
        let put = weigh::put(&mut self.store, &name, reading.clone(), false, &words);
        if let Err(error) = put {
            let question = format!("Not stored: {error:#}. To try again: yes; no leaves it out.");
            return self.ask(reading, question);
        }
        let at = self.waiting.iter().position(|stop| stop.answer.pot == name);
        if let Some(at) = at {
            self.waiting.remove(at);
        }
        self.named = None;
        let before = self.known.get(&name).cloned();
        self.steps.push(Step::Weighed(reading, before.clone(), at));
        let now = self.know(&name)?;
        if let Some(now) = now {
            screen::say(&tells(before.as_ref(), &now, &words))?;
        }
        self.announce()
    }

    /// What is known of one pot now.
    fn know(&mut self, name: &Name) -> anyhow::Result<Option<Stop>> {
        let studio = self.store.studio_of(clock::now(), std::slice::from_ref(name))?;
        let stop = self.taught.stop(&studio, name);
        if let Some(stop) = &stop {
            self.known.insert(name.clone(), stop.clone());
        }
        Ok(stop)
    }

    fn undo(&mut self) -> Done {
        if let Some(Step::Weighed(reading, ..)) = self.steps.last() {
            let (pot, weight) = (reading.pot.as_deref().unwrap_or_default(), reading.value);
            let (pot, weight) = (printable(pot), self.words()?.weighed(weight));
            let text = match self.store.take_back(reading)? {
                true => format!("Taken back: {pot} weighs {weight}."),
                false => format!("{pot}: somebody else changed its {weight} meanwhile."),
            };
            screen::say(&text)?;
        }
        let (at, stop) = match self.steps.pop() {
            None => {
                screen::say("Nothing was weighed or skipped so far.")?;
                return Ok(());
            }
            Some(Step::Skipped(at, stop)) => {
                screen::say(&format!("{} waits again.", printable(&stop.answer.pot)))?;
                (at, stop)
            }
            Some(Step::Weighed(_, Some(stop), Some(at))) => {
                self.known.insert(stop.answer.pot.clone(), stop.clone());
                (at, stop)
            }
            Some(Step::Weighed(reading, ..)) => {
                let name = reading.pot.unwrap_or_default();
                self.know(&name)?;
                self.named = Some(name);
                return self.announce();
            }
        };
        self.waiting.insert(at.min(self.waiting.len()), stop);
        self.named = None;
        self.announce()
    }

    /// Says what was weighed and what was not.
    fn close(self) -> anyhow::Result<ExitCode> {
        if let Some(held) = &self.held {
            self.leave(held)?;
        }
        let mut weighed: Vec<&Name> = Vec::new();
        for step in &self.steps {
            if let Step::Weighed(Reading { pot: Some(pot), .. }, ..) = step
                && !weighed.contains(&pot)
            {
                weighed.push(pot);
            }
        }
        let waiting = self.waiting.iter().map(|stop| &stop.answer.pot);
        let waiting = match list(waiting) {
            names if names.is_empty() => String::new(),
            names => format!(" Not weighed: {names}."),
        };
        let pots = if weighed.len() == 1 { "pot" } else { "pots" };
        screen::say(&match weighed.as_slice() {
            [] => format!("Nothing was weighed.{waiting}"),
            names => format!("Weighed {} {pots}: {}.{waiting}", names.len(), list(names)),
        })
    }
}

/// What a weight tells of its pot: how it stands, how much closer that is, and what is odd.
fn tells(before: Option<&Stop>, now: &Stop, words: &Words) -> String {
    let answer = &now.answer;
    let water = answer.story.free_water_g.as_ref().map(|g| words.water(g)).unwrap_or_default();
    let share = words::percent(answer.water.now.p50);
    let story = screen::story(answer, screen::group(answer), words);
    let then = before.and_then(|stop| stop.need);
    let closer = match (then, now.need) {
        (Some(then), Some(now))
            if then.decision == now.decision && then.decision != Decision::Dry =>
        {
            let span = |seconds| words::span(super::learnt::told(seconds));
            let (then, now) = (span(then.width), span(now.width));
            if then == now { String::new() } else { format!(" Range {now}, before {then}.") }
        }
        _ => String::new(),
    };
    let mut lines = vec![format!("{water} of water left, {share}; {story}.{closer}")];
    let known =
        |code: &str| before.is_some_and(|b| b.answer.warnings.iter().any(|w| w.code == code));
    let odd = |code: &str| code.starts_with("weight-") || code.ends_with("-not-noted");
    let new = answer.warnings.iter().filter(|w| odd(w.code) && !known(w.code));
    lines.extend(new.map(|warning| format!("But {}.", printable(&warning.text))));
    lines.join("\n")
}

/// To a tenth of a gram, which is what a scale of a studio can mean: of an ounce that was typed
/// nobody wants more digits.
fn to_tenths(g: f64) -> f64 {
    (10.0 * g).round() / 10.0
}

#[cfg(test)]
mod tests {
    #[test]
    fn a_pound_and_two_ounces_are_told_as_a_scale_tells_them() {
        assert_eq!(super::to_tenths(1.125 * 453.592_37).to_string(), "510.3");
    }
}
