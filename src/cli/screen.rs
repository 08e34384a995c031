//! The report as people read it: what to trim now first, then what comes next.
//!
//! Every pot stands in one group; what speaks against an answer stands below with what to do.
//! Headings and words carry the meaning, weight and colour only help the eye.

use super::questions::{self, is_question};
use super::words::{self, Words, printable};
use crate::core::report::{ConstantMass, FireCall, PotAnswer, Report, TimeQuantiles, TrimCall};
use crate::records::Cover;
use crate::store::settings::Units;
use crate::units::Time;
use anstyle::{AnsiColor, Style};
use comfy_table::presets::NOTHING;
use comfy_table::{Attribute, Cell, CellAlignment, ColumnConstraint, ContentArrangement};
use comfy_table::{Row, Table, Width};
use std::fmt::Write as _;
use std::io::{IsTerminal, Write as _};
use std::process::ExitCode;

/// Said wherever dryness is named.
pub const CAUTION: &str = "Dry means in balance with this room's air. The clay still holds the \
    water that belongs to that air, a thick base perhaps more: in the kiln it turns to steam. The \
    kiln maker's instructions and local codes come first.";

/// The same in two lines: in pictures and for programs, where firing is named.
pub const FIRING: [&str; 2] = [
    "Dry means: no further drying detected in this air. The water of that air is still in the clay, \
     and turns to steam in the kiln.",
    "The kiln maker's instructions and local codes come first. This program has not seen the inside \
     of the pot.",
];

/// Said where a pot goes into the kiln with water in it.
pub const STEAM: &str = "In the kiln that water turns to steam and can burst a pot: let it dry and \
    weigh it again before it is fired. The kiln maker's instructions and local codes come first.";

/// Of a pot that is not dry by its answer, or perhaps not inside: how much water is left in it.
pub fn not_dry(pot: &PotAnswer, words: &Words) -> Option<String> {
    let damp_inside = pot.warnings.iter().any(|warning| warning.code == "base-may-be-damp");
    if pot.fire.call == FireCall::Ready || pot.fire.call == FireCall::Doubtful && !damp_inside {
        return None;
    }
    let is = if damp_inside { "may be damp inside still" } else { "is not dry" };
    let left = pot
        .story
        .free_water_g
        .as_ref()
        .map(|g| format!(" {} of water would still leave it in this air;", words.water(g)));
    Some(format!(
        "{} {is}:{} its wettest part is dry with a chance of {}.",
        printable(&pot.pot),
        left.unwrap_or_default(),
        words::chance(pot.fire.probability_bone_dry)
    ))
}

/// How the page is laid out.
#[derive(Clone, Debug)]
pub struct Look {
    /// Columns of the terminal.
    pub width: u16,
    /// How this program is called on this studio, for commands to copy.
    pub command: String,
    /// Pots that are in the kiln, finished or lost, and not on the page.
    pub finished: usize,
    /// Up to when an air forecast tells the air to come.
    pub air_told_until: Option<Time>,
}

/// Where a pot stands on the page.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum Group {
    /// In its trimming window.
    TrimNow,
    /// Its window comes.
    Next,
    /// Trimmed or too stiff for it.
    Drying,
    /// No further drying detected.
    Dry,
    /// Dry on the mean, but something speaks against it.
    Doubtful,
}

/// The group of a pot: what can be done now goes first.
pub fn group(pot: &PotAnswer) -> Group {
    match (pot.trim.call, pot.fire.call) {
        (TrimCall::Now, _) => Group::TrimNow,
        (_, FireCall::Ready) => Group::Dry,
        (_, FireCall::Doubtful) => Group::Doubtful,
        (TrimCall::Wait | TrimCall::Soon, _) => Group::Next,
        (TrimCall::Past | TrimCall::Done, _) => Group::Drying,
    }
}

/// Pots of a group in the order in which they want attention.
pub fn in_group(report: &Report, which: Group) -> Vec<&PotAnswer> {
    let mut pots: Vec<&PotAnswer> = report.pots.iter().filter(|p| group(p) == which).collect();
    // Beyond the horizon goes last.
    let key = |time: &TimeQuantiles| time.p50.or(time.p90).unwrap_or(Time::MAX);
    match which {
        Group::TrimNow => pots.sort_by_key(|p| key(&p.trim.closes)),
        Group::Next => {
            pots.sort_by_key(|p| (p.trim.call != TrimCall::Soon, key(&p.trim.opens)));
        }
        Group::Drying => pots.sort_by_key(|p| key(&p.fire.bone_dry)),
        Group::Dry | Group::Doubtful => {}
    }
    pots
}

/// The whole page, with colours; a stream that wants none takes them out.
pub fn page(report: &Report, words: &Words, look: &Look) -> String {
    let mut page = String::new();
    let bold = Style::new().bold();
    let _ = writeln!(page, "{bold}Pots as of {}{bold:#}", words.full_time(report.at));
    if report.pots.is_empty() {
        let (what, how) = match look.finished {
            0 if !words.live => ("No pot was made by then. All of them:", "pot list --all"),
            0 => ("No pots yet. Add one with:", "pot add NAME --body BODY"),
            _ => ("No pot is drying. All of them:", "pot list --all"),
        };
        let _ = writeln!(page, "\n{what}\n  {} {how}", look.command);
        return page;
    }
    let water = |pot: &PotAnswer| pot.story.free_water_g.as_ref().map(|g| words.water(g));
    let widest = |width: &dyn Fn(&PotAnswer) -> usize| report.pots.iter().map(width).max();
    let widths = [
        widest(&|pot| pot.pot.chars().count()).unwrap_or(0).min(24),
        widest(&|pot| water(pot).unwrap_or_default().chars().count()).unwrap_or(0),
        4,
    ];
    let sections = [
        (Group::TrimNow, "TRIM NOW", "in this order", AnsiColor::Green),
        (Group::Next, "NEXT", "", AnsiColor::Cyan),
        (Group::Drying, "DRYING", "", AnsiColor::Cyan),
        (Group::Dry, "DRY", "no further drying detected in this air", AnsiColor::Green),
        (Group::Doubtful, "DOUBTFUL", "dry on the mean, but", AnsiColor::Yellow),
    ];
    for (which, title, subtitle, colour) in sections {
        let pots = in_group(report, which);
        if pots.is_empty() && which != Group::TrimNow {
            continue;
        }
        heading(&mut page, title, if pots.is_empty() { "nothing" } else { subtitle }, colour);
        let rows = pots.into_iter().map(|pot| {
            let share = words::percent(pot.water.now.p50);
            let name = printable(&pot.pot).into();
            [name, water(pot).unwrap_or_default(), share, story(pot, which, words)]
        });
        page += &table(rows.collect(), widths, look.width);
    }
    attention(&mut page, report, look);
    questions::found(&mut page, report, words, look);
    foot(&mut page, report, words, look);
    page
}

pub fn heading(page: &mut String, title: &str, subtitle: &str, colour: AnsiColor) {
    let style = Style::new().bold().fg_color(Some(colour.into()));
    let dash = if subtitle.is_empty() { "" } else { " – " };
    let _ = writeln!(page, "\n{style}{title}{style:#}{dash}{subtitle}");
}

/// What is said about one pot of a group.
pub fn story(pot: &PotAnswer, group: Group, words: &Words) -> String {
    let kept = match pot.cover {
        Cover::Open => "",
        Cover::Draped => "; draped",
        Cover::Wrapped => "; wrapped",
        Cover::Cupboard => "; in the damp cupboard",
    };
    let will = |verb: &str, does_not: &str, time| match words.forecast(time) {
        Some(when) => format!("{verb} {when}"),
        None => format!("{does_not} within 30 days, kept like this"),
    };
    let past = |time: &TimeQuantiles| time.p50.is_some_and(|time| time <= words.now);
    match group {
        Group::TrimNow => {
            let closes = will("closes", "does not close", &pot.trim.closes);
            let sure = match pot.trim.probability_now {
                p if p < 0.8 => format!("; {} sure", words::chance(p)),
                _ => String::new(),
            };
            format!("{closes}{sure}{kept}")
        }
        Group::Next => {
            let opens = will("opens", "does not open", &pot.trim.opens);
            let soon = match (pot.trim.call, pot.trim.opens.p50) {
                // On the middle of the forecast it is open, on most of the draws it is not.
                (_, Some(time)) if time <= words.now => "look at it: ",
                (TrimCall::Soon, _) => "soon: ",
                _ => "",
            };
            format!("{soon}{opens}{kept}")
        }
        Group::Drying => {
            let done = pot.trim.call == TrimCall::Done;
            let state = if done { "trimmed" } else { "too stiff to trim" };
            // On the middle of the forecast it is dry, on most of the draws it is not.
            let verb = if past(&pot.fire.bone_dry) { "was to be dry" } else { "dry" };
            format!("{state}; {}{kept}", will(verb, "not dry", &pot.fire.bone_dry))
        }
        Group::Dry => {
            let sure = words::chance(pot.fire.probability_bone_dry);
            let weighed = match pot.evidence.last_reading_at {
                Some(time) => format!("; weighed {}", words.time(time)),
                None => String::new(),
            };
            format!("{sure} sure{weighed}{kept}")
        }
        Group::Doubtful => {
            let chance = words::chance(pot.fire.probability_bone_dry);
            let why: Vec<_> = reasons(pot).filter(|(code, _)| !background(code)).collect();
            let why: Vec<_> = why.into_iter().map(|(_, text)| text).collect();
            match why.is_empty() {
                // What was asked about below is not said here.
                true if pot.found.iter().any(is_question) => {
                    format!("a step in its weights is not in the log: see below{kept}")
                }
                true => format!("its wettest part is dry with a chance of {chance} only{kept}"),
                false => format!("{}{kept}", why.join("; ")),
            }
        }
    }
}

/// What speaks against answers in the other groups, once for all pots that it concerns.
fn attention(page: &mut String, report: &Report, look: &Look) {
    let mut concerns: Vec<(String, Vec<&str>)> = Vec::new();
    for pot in &report.pots {
        let said = |code: &str| group(pot) == Group::Doubtful && !background(code);
        for (_, reason) in reasons(pot).filter(|(code, _)| !said(code)) {
            match concerns.iter_mut().find(|(text, _)| *text == reason) {
                Some((_, pots)) => pots.push(&pot.pot),
                None => concerns.push((reason, vec![&pot.pot])),
            }
        }
    }
    if concerns.is_empty() {
        return;
    }
    heading(page, "ATTENTION", "", AnsiColor::Yellow);
    for (text, pots) in concerns {
        let pots = if pots.len() == report.pots.len() && pots.len() > 1 {
            "All pots".into()
        } else {
            pots.join(", ")
        };
        *page += &paragraph(&format!("{}: {text}", printable(&pots)), 2, look.width);
    }
}

/// What the columns mean, and the caution where dryness was named.
fn foot(page: &mut String, report: &Report, words: &Words, look: &Look) {
    *page += "\n";
    let unit = match words.units {
        Units::Metric => "Grams",
        Units::Us => "Ounces",
    };
    let text = format!(
        "{unit}: water that will still leave in this air. Percent: mean water, of dry clay. In \
         brackets the range that holds in 8 of 10 cases."
    );
    *page += &paragraph(&text, 0, look.width);
    if let Some(corrected) = report.correction.as_ref().and_then(words::corrected) {
        *page += &paragraph(&corrected, 0, look.width);
    }
    if let Some(time) = look.air_told_until {
        let text = format!("The air to come is the air forecast's until {}.", words.time(time));
        *page += &paragraph(&text, 0, look.width);
    }
    if look.finished > 0 {
        let text = format!("Not shown: {} in the kiln, finished or lost.", look.finished);
        *page += &paragraph(&text, 0, look.width);
    }
    let dry = |pot: &PotAnswer| matches!(group(pot), Group::Dry | Group::Doubtful);
    if report.pots.iter().any(dry) {
        *page += &paragraph(CAUTION, 0, look.width);
    }
}

/// How one pot stands, one thing a line.
pub fn one_pot(pot: &PotAnswer, words: &Words) -> String {
    let reasons = reasons(pot).map(|(_, text)| ("attention", text));
    let asked = pot.found.iter().filter(|step| is_question(step)).map(|step| {
        let sure = words::chance(step.probability);
        let when = words.time(step.time);
        ("not noted", format!("{} {when}, {sure} sure: `report` asks about it", step.action))
    });
    let rows = standing(pot, words).into_iter().chain(asked).chain(reasons);
    let rows = rows.map(|(what, text)| vec![what.into(), text]).collect();
    let mut page = columns(&[], rows);
    if pot.fire.call != FireCall::Wait {
        page += &format!("\n{}", paragraph(CAUTION, 0, terminal_width()));
    }
    page
}

/// How one pot stands, thing by thing.
pub fn standing(pot: &PotAnswer, words: &Words) -> Vec<(&'static str, String)> {
    let mut rows = vec![
        ("stage", pot.stage.words().to_string()),
        ("kept", pot.cover.word().into()),
        ("water", format!("{} of the dry clay", words::percents(&pot.water.now))),
    ];
    if let Some(water) = &pot.story.free_water_g {
        rows.push(("to leave", format!("{} in this air", words.water(water))));
    }
    for (part, water) in [("wall", &pot.water.wall), ("base", &pot.water.base)] {
        rows.extend(water.as_ref().map(|water| (part, words::percents(water))));
    }
    rows.push(("dry clay", words.water(&pot.dry_mass_g)));
    let time = |time| words.forecast(time).unwrap_or("not within 30 days, kept like this".into());
    let (opens, closes) = (time(&pot.trim.opens), time(&pot.trim.closes));
    rows.push((
        "trimming",
        match pot.trim.call {
            TrimCall::Wait | TrimCall::Soon => format!("opens {opens}; closes {closes}"),
            TrimCall::Now => {
                format!("now, {} sure; closes {closes}", words::chance(pot.trim.probability_now))
            }
            TrimCall::Past => format!("too stiff since {closes}"),
            TrimCall::Done => "done".into(),
        },
    ));
    // Of a base that is as firm as the whole nothing is to be said.
    let lags = |foot: &&TimeQuantiles| foot.p50 > pot.trim.opens.p50.max(Some(words.now));
    if let Some(foot) = pot.trim.foot_opens.as_ref().filter(lags) {
        rows.push(("a foot", format!("base firm enough {}", time(foot))));
    }
    let dry = time(&pot.fire.bone_dry);
    let passed = pot.fire.bone_dry.p50.is_some_and(|time| time <= words.now);
    let sure = words::chance(pot.fire.probability_bone_dry);
    rows.push((
        "dry",
        match pot.fire.call {
            FireCall::Wait if passed => format!("was to be {dry}"),
            FireCall::Wait => dry,
            FireCall::Doubtful => format!("on the mean {dry}; its wettest part {sure} sure"),
            FireCall::Ready => format!("no further drying detected in this air, {sure} sure"),
        },
    ));
    rows.push(("constant mass", constant_mass(&pot.fire.constant_mass)));
    rows
}

/// The constant-mass rule in words.
fn constant_mass(rule: &ConstantMass) -> String {
    let change = rule.change.map(|share| format!("{:.2}%", 100.0 * share)).unwrap_or_default();
    match (rule.met, rule.weighings) {
        (Some(true), n) => {
            format!("yes by EN ISO 12570: {n} weighings a day apart, within {change}")
        }
        (Some(false), _) => {
            format!("no by EN ISO 12570: {change} of change, where 0.1% is allowed")
        }
        (None, 3) => "cannot be told: the scale's steps are more than 0.1% of the pot".into(),
        (None, n) => format!(
            "cannot be told: EN ISO 12570 wants 3 weighings, each a day after the last; {n} so far"
        ),
    }
}

/// What speaks against an answer, code and text; steps found in the trace are asked about
/// elsewhere, and what an old weight asks for is said once.
pub fn reasons(pot: &PotAnswer) -> impl Iterator<Item = (&'static str, String)> {
    let stale = pot.warnings.iter().any(|warning| warning.code == "reading-stale");
    let asked = move |code: &str| {
        code.ends_with("-not-noted") && !pot.found.is_empty() || code == "weigh-again" && stale
    };
    pot.warnings
        .iter()
        .filter(move |warning| !asked(warning.code))
        .map(|warning| (warning.code, printable(&warning.text).into_owned()))
}

/// What makes answers wider all along, rather than speak against this one.
fn background(code: &str) -> bool {
    ["no-room-sensor", "ball-unknown", "thickness-guessed", "band-supposed"].contains(&code)
}

/// Columns of the terminal: `COLUMNS`, else what the terminal says, else 80; never so wide that
/// a line is hard to follow.
pub fn terminal_width() -> u16 {
    let told = std::env::var("COLUMNS").ok().and_then(|text| text.parse().ok());
    let seen = || rustix::termios::tcgetwinsize(std::io::stdout()).ok().map(|size| size.ws_col);
    told.or_else(seen).filter(|columns| *columns > 0).unwrap_or(80).clamp(32, 110)
}

/// Prints to standard output; colours only where they are wanted.
pub fn print(text: &str) -> anyhow::Result<ExitCode> {
    anstream::stdout().lock().write_all(text.as_bytes())?;
    Ok(ExitCode::SUCCESS)
}

/// Prints a sentence, wrapped where it goes to a terminal.
pub fn say(text: &str) -> anyhow::Result<ExitCode> {
    print(&sentence(text, std::io::stdout().is_terminal()))
}

/// Prints a page whose lines fit, save some sentences: on a terminal these are wrapped.
pub fn print_wrapped(page: &str) -> anyhow::Result<ExitCode> {
    let (width, terminal) = (terminal_width(), std::io::stdout().is_terminal());
    let fits = |line: &str| {
        let plain = anstream::adapter::strip_str(line).to_string();
        plain.chars().count() <= usize::from(width)
    };
    let line = |line: &str| match terminal && !fits(line) {
        true => paragraph(line, 0, width),
        false => format!("{line}\n"),
    };
    print(&page.lines().map(line).collect::<String>())
}

/// What went wrong, or ought to be known, on standard error.
pub fn complain(text: &str) {
    let text = sentence(&format!("warecast: {text}"), std::io::stderr().is_terminal());
    anstream::eprint!("{text}");
}

/// A remark on standard error that is no complaint.
pub fn tell(text: &str) {
    let text = sentence(text, std::io::stderr().is_terminal());
    anstream::eprint!("{text}");
}

/// Wrapped for a terminal, else in one piece; what does not print is spelled out.
fn sentence(text: &str, terminal: bool) -> String {
    let lines = text.lines().map(printable);
    match terminal {
        true => lines.map(|line| paragraph(&line, 0, terminal_width())).collect(),
        false => lines.map(|line| format!("{line}\n")).collect(),
    }
}

/// Rows in columns under a bold header; the last column wraps.
pub fn columns(header: &[&str], rows: Vec<Vec<String>>) -> String {
    let mut table = Table::new();
    table.load_style(NOTHING).set_content_arrangement(ContentArrangement::Dynamic);
    table.force_no_tty().enforce_styling().set_width(terminal_width());
    table.style_text_only();
    if !header.is_empty() {
        let cell = |text: &&str| Cell::new(text).add_attribute(Attribute::Bold);
        table.add_row(header.iter().map(cell).collect::<Vec<_>>());
    }
    table.add_rows(rows);
    for (index, column) in table.column_iter_mut().enumerate() {
        column.set_padding((if index == 0 && !header.is_empty() { 0 } else { 2 }, 0));
    }
    lines(&table)
}

/// Below this width the columns stand under each other.
const NARROW: u16 = 64;

/// Name, grams, percent and words in columns; on a narrow terminal under each other.
fn table(rows: Vec<[String; 4]>, widths: [usize; 3], width: u16) -> String {
    let mut table = Table::new();
    table.load_style(NOTHING).set_content_arrangement(ContentArrangement::Dynamic);
    table.force_no_tty().enforce_styling().set_width(width);
    table.style_text_only();
    for [name, water, share, words] in rows {
        let name = Cell::new(name).add_attribute(Attribute::Bold);
        let right = |text: String| Cell::new(text).set_alignment(CellAlignment::Right);
        table.add_row(if width < NARROW {
            Row::from(vec![name, Cell::new(format!("{water} {share}\n{words}"))])
        } else {
            Row::from(vec![name, right(water), right(share), Cell::new(words)])
        });
    }
    // Two more: the columns' distance.
    table.set_constraints(
        widths.map(|n| ColumnConstraint::LowerBoundary(Width::Fixed(n as u16 + 2))),
    );
    for column in table.column_iter_mut() {
        column.set_padding((2, 0));
    }
    lines(&table)
}

/// Text wrapped to the width, under an indent.
pub fn paragraph(text: &str, indent: u16, width: u16) -> String {
    let mut table = Table::new();
    table.load_style(NOTHING).set_content_arrangement(ContentArrangement::Dynamic);
    table.force_no_tty().set_width(width).add_row([text]);
    for column in table.column_iter_mut() {
        column.set_padding((indent, 0));
    }
    lines(&table)
}

/// Text wrapped to the width at its blanks alone, so that a path or a command in it stays in one
/// piece; the first line and the others under indents of their own.
pub fn hanging(text: &str, (first, rest): (usize, usize), width: u16) -> String {
    let (mut out, mut column) = (" ".repeat(first), first);
    for (at, word) in text.split(' ').enumerate() {
        let length = anstream::adapter::strip_str(word).to_string().chars().count();
        if at > 0 && column + 1 + length > usize::from(width) {
            out += "\n";
            out += &" ".repeat(rest);
            column = rest;
        } else if at > 0 {
            out.push(' ');
            column += 1;
        }
        out += word;
        column += length;
    }
    out + "\n"
}

/// What the parser says of a command line, wrapped to the width, each line under its own indent.
pub fn usage(said: &str, width: u16) -> String {
    let line = |line: &str| {
        let indent = line.len() - line.trim_start_matches(' ').len();
        hanging(&line[indent..], (indent, indent + 2), width)
    };
    said.lines().map(line).collect()
}

fn lines(table: &Table) -> String {
    table.lines().map(|line| format!("{}\n", line.trim_end())).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::core::report::*;
    use jiff::tz::TimeZone;

    /// Marks of colour take no room; what is indented stays so.
    #[test]
    fn what_the_parser_says_is_wrapped() {
        let bold = Style::new().bold();
        let said =
            format!("{bold}error:{bold:#} {}\n\n  tip: {}\n", "abc ".repeat(10), "de ".repeat(9));
        let wrapped = anstream::adapter::strip_str(&usage(&said, 32)).to_string();
        let lines: Vec<&str> = wrapped.lines().map(str::trim_end).collect();
        let expected = [
            "error: abc abc abc abc abc abc",
            "  abc abc abc abc",
            "",
            "  tip: de de de de de de de de",
            "    de",
        ];
        assert_eq!(lines, expected);
    }

    fn utc(text: &str) -> Time {
        Time::parse_rfc3339(text).unwrap()
    }

    /// Wednesday 2 April 2031, 18:00 in a zone of UTC+2.
    fn now() -> Time {
        utc("2031-04-02T16:00:00Z")
    }

    fn words(units: Units) -> Words {
        let zone = TimeZone::posix("XXX-2").unwrap();
        Words { units, zone, now: now(), live: true, dated: false }
    }

    fn quantiles(p50: f64, spread: f64) -> Quantiles {
        Quantiles { p10: p50 - spread, p50, p90: p50 + spread }
    }

    /// Hours from now; beyond 30 days is beyond the horizon.
    fn times(p10: f64, p50: f64, p90: f64) -> TimeQuantiles {
        let time = |h: f64| (h < 720.0).then(|| now().plus(3600.0 * h));
        TimeQuantiles { p10: time(p10), p50: time(p50), p90: time(p90) }
    }

    const NEVER: f64 = 1e4;

    fn pot(name: &str, trim: TrimCall, fire: FireCall) -> PotAnswer {
        PotAnswer {
            pot: name.into(),
            body: "smooth-stone".into(),
            made_at: now().plus(-86_400.0),
            cover: Cover::Open,
            stage: Stage::LeatherHard,
            water: Water {
                now: quantiles(0.172, 0.012),
                free: quantiles(0.159, 0.012),
                wall: None,
                base: None,
            },
            dry_mass_g: quantiles(355.0, 5.0),
            trim: Trim {
                call: trim,
                probability_now: 0.91,
                opens: times(-2.0, -1.0, 0.0),
                closes: times(1.3, 2.7, 4.5),
                foot_opens: None,
            },
            fire: Fire {
                call: fire,
                probability_bone_dry: 0.0,
                bone_dry: times(38.0, 49.0, 82.0),
                constant_mass: ConstantMass { met: None, weighings: 1, change: None },
            },
            evidence: Evidence { readings: 104, last_reading_at: Some(now().plus(-300.0)) },
            found: vec![],
            uneven: None,
            warnings: vec![],
            story: Story { free_water_g: Some(quantiles(56.0, 5.0)), ..Story::default() },
        }
    }

    fn found(action: &'static str, probability: f64, grams: Option<f64>) -> Found {
        let (time, until, cell) = (now().plus(-86_400.0), None, None);
        Found { action, time, probability, until, grams, cell }
    }

    fn report(pots: Vec<PotAnswer>) -> Report {
        Report { at: now(), pots, correction: None }
    }

    fn plain(report: &Report, width: u16) -> String {
        let look = Look { width, command: "warecast".into(), finished: 0, air_told_until: None };
        let page = page(report, &words(Units::Metric), &look);
        anstream::adapter::strip_str(&page).to_string()
    }

    fn shelf() -> Report {
        let mut later = pot("planter-2", TrimCall::Now, FireCall::Wait);
        later.trim.closes = times(5.0, 9.0, 13.5);
        later.trim.probability_now = 0.66;
        later.cover = Cover::Draped;
        let first = pot("planter-3", TrimCall::Now, FireCall::Wait);
        let mut wrapped = pot("jar-1", TrimCall::Wait, FireCall::Wait);
        wrapped.trim.opens = times(NEVER, NEVER, NEVER);
        wrapped.cover = Cover::Wrapped;
        let mut soon = pot("jar-2", TrimCall::Soon, FireCall::Wait);
        soon.trim.opens = times(0.5, 1.5, 2.5);
        let mut done = pot("lid-1", TrimCall::Done, FireCall::Wait);
        done.found = vec![found("trim", 0.82, None)];
        let mut dry = pot("lid-2", TrimCall::Past, FireCall::Ready);
        dry.fire.probability_bone_dry = 0.97;
        dry.story.free_water_g = Some(quantiles(0.4, 0.3));
        dry.water.now = quantiles(0.021, 0.001);
        let mut doubtful = pot("lid-3", TrimCall::Past, FireCall::Doubtful);
        let doubt = |code, text: &str| Warning { code, text: text.into() };
        doubtful.warnings = vec![
            doubt("reading-stale", "last weighed 31 h ago: weigh it again."),
            doubt("no-room-sensor", "no room sensor: wider."),
            doubt("weigh-again", "last weighed more than a day ago"),
        ];
        let no_room = Warning { code: "no-room-sensor", text: "no room sensor: wider.".into() };
        wrapped.warnings.push(no_room.clone());
        soon.warnings.push(no_room);
        let pots = vec![wrapped, soon, done, dry, doubtful, later, first];
        report(pots)
    }

    #[test]
    fn a_shelf_at_80_columns() {
        let page = plain(&shelf(), 80);
        let expected = [
            "Pots as of Wed 2 Apr 2031 18:00",
            "",
            "TRIM NOW – in this order",
            "  planter-3     56 g (51–61)   17%  closes about today 20:40 (19:20–22:30)",
            "  planter-2     56 g (51–61)   17%  closes about tomorrow 03:00 (today 23:00 –",
            "                                    tomorrow 07:30); 66% sure; draped",
            "",
            "NEXT",
            "  jar-2         56 g (51–61)   17%  soon: opens about today 19:30 (18:30–20:30)",
            "  jar-1         56 g (51–61)   17%  does not open within 30 days, kept like",
            "                                    this; wrapped",
            "",
            "DRYING",
            "  lid-1         56 g (51–61)   17%  trimmed; dry about Fri 19:00 (Fri 08:00 –",
            "                                    Sun 04:00)",
            "",
            "DRY – no further drying detected in this air",
            "  lid-2      0.4 g (0.1–0.7)  2.1%  97% sure; weighed today 17:55",
            "",
            "DOUBTFUL – dry on the mean, but",
            "  lid-3         56 g (51–61)   17%  last weighed 31 h ago: weigh it again.",
            "",
            "ATTENTION",
            "  jar-1, jar-2, lid-3: no room sensor: wider.",
            "",
            "NOT IN THE LOG – found in the weights",
            "  Was lid-1 trimmed yesterday 18:00 (82% sure)? If so:",
            "    warecast note lid-1 trim --at \"2031-04-01 18:00\"",
            "  If it was something else, note that in its place. If nothing was done, note",
            "  the tare as it was before (tare WEIGHT --at the same time): then the step",
            "  counts as the scale's own, and is not asked about again.",
            "",
            "Grams: water that will still leave in this air. Percent: mean water, of dry",
            "clay. In brackets the range that holds in 8 of 10 cases.",
            "Dry means in balance with this room's air. The clay still holds the water that",
            "belongs to that air, a thick base perhaps more: in the kiln it turns to steam.",
            "The kiln maker's instructions and local codes come first.",
        ];
        assert_eq!(page.lines().collect::<Vec<_>>(), expected, "{page}");
    }

    #[test]
    fn a_shelf_on_a_narrow_terminal() {
        let page = plain(&shelf(), 44);
        assert!(page.lines().all(|line| line.chars().count() <= 44 || line.contains("note")));
        assert!(page.contains("             closes about today 20:40\n"), "{page}");
    }

    #[test]
    fn nothing_to_trim_is_said_and_no_caution_without_dryness() {
        let one = report(vec![pot("jar-1", TrimCall::Wait, FireCall::Wait)]);
        let page = plain(&one, 80);
        assert!(page.contains("\nTRIM NOW – nothing\n"), "{page}");
        assert!(!page.contains("turns to steam"), "{page}");
        let none = plain(&report(vec![]), 80);
        assert!(none.contains("warecast pot add NAME --body BODY"), "{none}");
    }

    #[test]
    fn a_window_that_may_be_open_asks_for_a_look() {
        let mut perhaps = pot("lid-1", TrimCall::Soon, FireCall::Wait);
        perhaps.trim.opens = times(-16.0, -0.5, 2.0);
        let page = plain(&report(vec![perhaps]), 110);
        let line = "look at it: opens about today 18:00 (02:00–20:00)";
        assert!(page.contains(line), "{page}");
    }

    #[test]
    fn each_find_is_a_question_with_its_command() {
        let mut odd = pot("jar 1", TrimCall::Wait, FireCall::Wait);
        let back = Found { until: Some(now()), ..found("off", 0.95, None) };
        odd.found = vec![back.clone()];
        let page = plain(&report(vec![odd.clone()]), 110);
        assert!(!page.contains("NOT IN THE LOG"), "it is back: {page}");
        odd.found = vec![
            found("tare", 0.9, Some(35.04)),
            found("attach", 0.7, Some(41.26)),
            found("sponge", 0.6, None),
            found("wet", 0.6, None),
            found("off", 0.95, None),
            found("flip", 0.97, None),
            back,
        ];
        let page = plain(&report(vec![odd]), 110);
        let at = "--at \"2031-04-01 18:00\"";
        for (question, command) in [
            (
                "Does something else stand on the scale with jar 1 since yesterday 18:00: 35.04 g",
                "tare 35.0g",
            ),
            ("Was jar 1 given 41 g more clay yesterday 18:00 (70% sure)?", "attach 41.3g"),
            ("Was jar 1 sponged out yesterday 18:00 (60% sure)?", "sponge"),
            ("Was jar 1 wetted yesterday 18:00 (60% sure)?", "wet"),
            ("Is jar 1 off its scale since yesterday 18:00 (95% sure)?", "off"),
            ("turned over (97% sure)? The weights hardly tell when, perhaps yesterday", "flip"),
        ] {
            assert!(page.contains(question), "{question}: {page}");
            let line = format!("warecast note 'jar 1' {command} {at}\n");
            assert_eq!(page.matches(&line).count(), 1, "{line}: {page}");
        }
    }

    #[test]
    fn words_carry_the_meaning_and_hidden_characters_are_spelled_out() {
        let mut report = shelf();
        report.pots[4].warnings[0].text = "\u{1b}[2Jgone".into();
        let look =
            Look { width: 80, command: "warecast".into(), finished: 0, air_told_until: None };
        let page = page(&report, &words(Units::Us), &look);
        assert!(page.contains("\u{1b}[1m"), "styled for the eye");
        assert!(!page.contains("\u{1b}[2J"), "text of a file cannot clear the screen");
        assert!(page.contains("\\u{1b}[2Jgone"));
        assert!(page.contains("2.0 oz (1.8–2.2)") && page.contains("\nOunces: water"));
    }
}
