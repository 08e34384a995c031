//! A kiln load as people read it, and as it is drawn.

use crate::cli::names::{counted, list};
use crate::cli::screen::{self, heading, paragraph};
use crate::cli::words::{self, Words, printable};
use crate::core::candling::hold;
use crate::core::kiln::{Load, Question, Told};
use crate::core::report::Warning;
use crate::plot::{LoadPicture, LoadRow};
use crate::records::Name;
use crate::store::settings::KilnSettings;
use crate::units::{HOUR, Time};
use anstyle::AnsiColor;

/// Said under every load.
const FIRING: &str = "Dry means: no further drying detected in this air. The clay still holds the \
    water that belongs to that air; steam that cannot get out bursts a pot. The kiln maker's \
    instructions and local codes come first. Vent the kiln as they say. This program has not seen \
    the inside of the pot.";

/// Said where ware is dried on.
const WARMTH: &str = "No plastic, wood or wiring near kiln or heater; no fan on dry ware: its dust \
    harms the lungs.";

/// End of the slow heating, °C: bound to the clay's surfaces, the last of the air's water leaves
/// there (common practice).
pub const SLOW_TO: f64 = 120.0;

/// Nobody holds a kiln below boiling for longer, s (common practice, no source: overnight, for
/// thick sculpture some days and nights).
const LONGEST_HOLD: f64 = 48.0 * HOUR;

/// Warnings that are said of a load, beside those for which a pot cannot be told of.
const SAID: [&str; 4] = ["reading-stale", "room-stale", "no-room-sensor", "thickness-guessed"];

/// A load with what it was asked for.
pub struct Page<'a> {
    /// Its name.
    pub name: &'a str,
    /// When it is packed, perhaps in the past.
    pub packed: Time,
    /// What was asked.
    pub question: &'a Question,
    /// What is told.
    pub load: &'a Load,
    /// Pots of it that no longer dry, or not yet, and why.
    pub left: &'a [(Name, &'static str)],
}

impl Page<'_> {
    /// As a page.
    pub fn text(&self, words: &Words, settings: &KilnSettings, command: &str) -> String {
        let width = screen::terminal_width();
        let name = printable(self.name);
        let mut page = format!("Load {name}, as of {}\n", words.full_time(words.now));
        let mut say = |text: String| page += &paragraph(&printable(&text), 0, width);
        if self.packed <= words.now {
            let packed = words.full_time(self.packed);
            say(format!("Its time, {packed}, has passed: this is how it is now."));
        }
        if !self.left.is_empty() {
            let left = self.left.iter().map(|(pot, why)| format!("{pot} ({why})"));
            say(format!("Not counted: {}.", list(left)));
        }
        if self.load.pots.is_empty() {
            return page + "No pot of it is drying.\n";
        }
        heading(&mut page, "Dry when it is packed", &self.when(words), AnsiColor::Green);
        for line in self.summary(words) {
            page += &paragraph(&printable(&line), 2, width);
        }
        page += "\n";
        page += &self.table(words);
        self.doubts(&mut page, width);
        self.attention(&mut page, width);
        self.stage(&mut page, words, settings, width);
        self.turning(&mut page, width);
        self.warmth(&mut page, words, width);
        page += "\n";
        let foot = "Percentages: how likely the wettest part of a pot is dry by then; of a load, of \
                    all its pots together, in the same air. Times: the middle of the forecast; in \
                    brackets the range that holds in 8 of 10 cases.";
        page += &paragraph(foot, 0, width);
        if self.packed > words.now && words.live {
            let how = format!("Once it is packed: {command} note POT… kiln");
            page += &paragraph(&how, 0, width);
        }
        page + &paragraph(FIRING, 0, width)
    }

    fn when(&self, words: &Words) -> String {
        match self.packed > words.now {
            true => words.full_time(self.packed),
            false => "as it is now".into(),
        }
    }

    /// The whole load in a few sentences.
    fn summary(&self, words: &Words) -> Vec<String> {
        let (load, wanted) = (self.load, words::percent(self.question.wanted));
        let doubtful = load.doubtful().count();
        let known = load.pots.len() - doubtful;
        let mut lines = Vec::new();
        let (Some(chance), Some(wettest)) = (load.chance, load.wettest()) else {
            return vec!["It cannot be told of any of its pots: see below.".into()];
        };
        let enough = chance >= self.question.wanted - 1e-9;
        let all = match known {
            1 => "Its pot".into(),
            n => format!("All {n} pots"),
        };
        let said = words::chance(chance);
        let goal = if enough { "" } else { &format!("; {wanted} are wanted") };
        lines.push(match doubtful {
            0 => format!("{all}: {said}{goal}."),
            n => format!(
                "{} of {}: {said}{goal}. Of {} it cannot be told (below): all together are no \
                 likelier.",
                known,
                load.pots.len(),
                pots(n)
            ),
        });
        if known > 1 || !enough {
            let (name, chance) = (&wettest.pot, words::chance(wettest.chance));
            lines.push(format!("The wettest is {name}: {chance}; dry {}.", dry(wettest, words)));
        }
        if !enough {
            lines.push(match load.sure {
                Some(sure) => {
                    let sure = words.roughly(sure, 1800.0);
                    format!("As surely as {wanted}: from {sure} on.")
                }
                None => format!("As surely as {wanted}: not within 30 days, kept like this."),
            });
        }
        if !load.leave_out.is_empty() {
            let out = list(&load.leave_out);
            lines.push(match load.chance_of_others {
                Some(chance) => {
                    let others = load.pots.len() - load.leave_out.len();
                    let chance = words::chance(chance);
                    format!("Leave out {out}: {chance} for the other {others}.")
                }
                None => format!("None of its pots is dry as surely as {wanted} by then."),
            });
        }
        lines
    }

    fn table(&self, words: &Words) -> String {
        let row = |pot: &Told| {
            let chance = match pot.doubts.is_empty() {
                true => words::chance(pot.chance),
                false => "?".into(),
            };
            vec![
                printable(&pot.pot).into_owned(),
                chance,
                words.water(&pot.water_g),
                words::percents(&pot.wettest),
                dry(pot, words),
            ]
        };
        let rows = self.load.pots.iter().map(row).collect();
        let header = ["Pot", "Dry then", "All water then", "Wettest part", "Wettest part dry"];
        screen::columns(&header, rows)
    }

    /// Pots of which it cannot be told, and why.
    fn doubts(&self, page: &mut String, width: u16) {
        let of = |pot: &Told| pot.doubts.iter().map(|w| w.text.clone()).collect::<Vec<_>>();
        let doubts: Vec<(&Name, Vec<String>)> =
            self.load.doubtful().map(|pot| (&pot.pot, of(pot))).collect();
        if doubts.is_empty() {
            return;
        }
        heading(page, "Cannot be told", "or leave them out", AnsiColor::Yellow);
        for (text, pots) in grouped(doubts.into_iter()) {
            *page += &paragraph(&printable(&format!("{}: {text}", list(pots))), 2, width);
        }
    }

    /// What else makes the answer less sure, once for all pots that it concerns.
    fn attention(&self, page: &mut String, width: u16) {
        let of = |pot: &Told| {
            let said = |w: &&Warning| SAID.contains(&w.code);
            pot.warnings.iter().filter(said).map(|w| w.text.clone()).collect::<Vec<_>>()
        };
        let all = self.load.pots.len();
        let groups = grouped(self.load.pots.iter().map(|pot| (&pot.pot, of(pot))));
        if groups.is_empty() {
            return;
        }
        heading(page, "Attention", "", AnsiColor::Yellow);
        for (text, pots) in groups {
            let who = if pots.len() == all && all > 1 { "All pots".into() } else { list(pots) };
            *page += &paragraph(&printable(&format!("{who}: {text}")), 2, width);
        }
    }

    /// The slow first stage.
    fn stage(&self, page: &mut String, words: &Words, settings: &KilnSettings, width: u16) {
        heading(page, "The slow first stage", "candling, water-smoking", AnsiColor::Green);
        let shrinks = self.load.pots.iter().filter(|pot| pot.shrinks).map(|pot| &pot.pot);
        let shrinks = list(shrinks);
        if !shrinks.is_empty() {
            let text = format!("Into no kiln, for then it may still shrink: {shrinks}.");
            *page += &paragraph(&text, 2, width);
        }
        let (of_others, of_all) = (self.load.slowest_of_others(), self.load.slowest());
        let Some(slowest) = of_others.or(of_all) else { return };
        let boils = words.degrees(hold(settings.altitude_m.unwrap_or(0.0), 0.0));
        let held = words.degrees(self.question.candling.hold);
        let altitude = settings.altitude_m.map(|m| format!("{m} m"));
        let place = altitude.as_deref().unwrap_or("sea level");
        let place = format!("water boils at {boils} at {place}");
        let it = match (of_others, self.load.leave_out.is_empty()) {
            (Some(_), false) => "the others",
            _ => "it",
        };
        let water = words.water(&self.load.driven_off_g);
        let hours = words::half_hours(slowest.hold_s());
        let [low, middle, high] =
            [slowest.diffusion_s.p10, slowest.diffusion_s.p50, slowest.diffusion_s.p90]
                .map(|s| format!("{:.1}", s / HOUR));
        let (thickness, said) = slowest.thickness;
        let mm = (10_000.0 * thickness).round() / 10.0;
        let guess = if said { "" } else { ", a guess: nobody said" };
        let all = of_all.filter(|all| all.pot != slowest.pot).map_or(String::new(), |all| {
            let hours = words::half_hours(all.hold_s());
            format!(" With all that no longer shrinks: {hours}, for the sake of {}.", all.pot)
        });
        let mut lines = vec![
            format!("{water} of water are to be driven off, the clay's air-held water included."),
            format!("Hold {it} for at least {hours} at no more than {held} ({place}).{all}"),
            format!(
                "Basis: {}, thickest part {mm} mm{guess}. By diffusion out of its wall by both \
                 faces and its base by one: {middle} h ({low}–{high}). Common practice for that \
                 thickness: {}. The longer of both counts. Stood so that air reaches under it, a \
                 base needs a quarter of that by diffusion.",
                slowest.pot,
                words::half_hours(slowest.practice_s)
            ),
        ];
        lines.extend(beyond_practice(slowest));
        lines.push(
            "As long as a cold glass held at the spy-hole fogs, water leaves: hold on. Mind hands \
             and eyes."
                .into(),
        );
        if settings.altitude_m.is_none() {
            lines.push(
                "The altitude is not known, and higher up water boils sooner: set altitude_m under \
                 [kiln] in studio.toml."
                    .into(),
            );
        }
        lines.push(format!(
            "Controllers overshoot, and the thermocouple is not in the pot: set them below, and \
             look. Then no faster than {} in an hour up to {}, also where everything reads dry.",
            words.warmer(settings.rise_c_per_hour),
            words.degrees(SLOW_TO)
        ));
        lines.iter().for_each(|line| *page += &paragraph(&printable(line), 2, width));
    }

    /// Which pots to turn over now: their walls carry them, and their bases lag.
    fn turning(&self, page: &mut String, width: u16) {
        let line = |pot: &Told| {
            let [now, then] = [pot.chance, pot.turned?].map(words::chance);
            Some(format!("{}: {then} in place of {now}", pot.pot))
        };
        let lines: Vec<String> = self.load.pots.iter().filter_map(line).collect();
        if !lines.is_empty() {
            let why = "the wall is firm, the base lags";
            heading(page, "Turn over now", why, AnsiColor::Green);
            lines.iter().for_each(|line| *page += &paragraph(&printable(line), 2, width));
        }
    }

    /// From when pots that are not dry in time may stand nearer the warmth.
    fn warmth(&self, page: &mut String, words: &Words, width: u16) {
        let late = |pot: &&Told| pot.chance < self.question.wanted - 1e-9;
        let mut late: Vec<&Told> = self.load.pots.iter().filter(late).collect();
        if late.is_empty() {
            return;
        }
        late.sort_by_key(|pot| (pot.shrunk, counted(&pot.pot)));
        heading(page, "Nearer the warmth", "only after shrinkage has ended", AnsiColor::Green);
        let from = |shrunk: Option<Time>| match shrunk {
            Some(t) if t <= words.now => "now".into(),
            Some(t) => format!("from {} on", words.roughly(t, HOUR)),
            None => "not within 30 days".into(),
        };
        for group in late.chunk_by(|a, b| from(a.shrunk) == from(b.shrunk)) {
            let line = format!("{}: {}", list(group.iter().map(|p| &p.pot)), from(group[0].shrunk));
            *page += &paragraph(&printable(&line), 2, width);
        }
        *page += &paragraph(WARMTH, 2, width);
    }

    /// As a picture.
    pub fn picture(&self, words: &Words) -> LoadPicture {
        let row = |pot: &Told| LoadRow {
            pot: pot.pot.clone(),
            dry: pot.dry,
            chance: pot.doubts.is_empty().then(|| words::chance(pot.chance)),
            water: words.water(&pot.water_g),
        };
        let all = match (self.load.chance, self.load.doubtful().count()) {
            (None, _) => "cannot be told".into(),
            (Some(chance), 0) => format!("all dry by then: {}", words::chance(chance)),
            (Some(chance), n) => {
                let known = self.load.pots.len() - n;
                format!("{known} of {} dry by then: {}", known + n, words::chance(chance))
            }
        };
        let water = format!("{} of water in all", words.water(&self.load.water_g));
        LoadPicture {
            load: self.name.into(),
            packed: self.packed.max(words.now),
            summary: format!("{all}; {water}"),
            caution: &screen::FIRING,
            rows: self.load.pots.iter().map(row).collect(),
        }
    }
}

/// That a hold is longer than any that is held, and what shortens it.
fn beyond_practice(slowest: &Told) -> Option<String> {
    (slowest.hold_s() > LONGEST_HOLD).then(|| {
        format!(
            "So long a hold is beyond practice: the less water is left, the shorter it is, so let \
             {} dry longer in the room.",
            slowest.pot
        )
    })
}

/// What is said of several pots, each text once, in the order in which it was met.
fn grouped<'a>(
    said: impl Iterator<Item = (&'a Name, Vec<String>)>,
) -> Vec<(String, Vec<&'a Name>)> {
    let mut groups: Vec<(String, Vec<&Name>)> = Vec::new();
    for (pot, texts) in said {
        for text in texts {
            match groups.iter_mut().find(|(held, _)| *held == text) {
                Some((_, pots)) => pots.push(pot),
                None => groups.push((text, vec![pot])),
            }
        }
    }
    groups
}

/// `1 pot`, `3 pots`.
fn pots(count: usize) -> String {
    if count == 1 { "1 pot".into() } else { format!("{count} pots") }
}

/// When the wettest part of a pot is dry, in words.
fn dry(pot: &Told, words: &Words) -> String {
    match words.forecast(&pot.dry) {
        _ if pot.dry.p90.is_some_and(|t| t <= words.now) => "now".into(),
        Some(when) => when,
        None => "not within 30 days, kept like this".into(),
    }
}
