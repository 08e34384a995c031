//! What a calibration says, in the potter's terms.

use super::words::{Words, printable, shell_word, span};
use super::{Context, screen};
use crate::calibration::curve::Shape;
use crate::calibration::history::{Calibration, History};
use crate::calibration::warmth::Warmth;
use crate::calibration::worth::{Worth, meaning};
use crate::records::{Name, Quantity};
use crate::store::Store;
use crate::watch::loads::Taken;
use std::collections::BTreeSet;
use std::process::ExitCode;

/// The pot that an error is explained on, g.
const POT_G: f64 = 500.0;

/// All cells that send raw counts, and how they stand.
pub fn all(store: &Store, words: &Words) -> anyhow::Result<ExitCode> {
    let mut cells: BTreeSet<Name> = store.sources_of(Quantity::Count)?.into_iter().collect();
    cells.extend(store.loads()?.into_iter().map(|load| load.source));
    if cells.is_empty() {
        return screen::say("No cell has sent raw counts (unit \"count\") so far.");
    }
    let mut rows = Vec::new();
    for cell in cells {
        let history = store.calibrations(&cell)?;
        let state = match history.calibration(words.now) {
            None => "not calibrated: its counts are kept and weigh nothing".into(),
            Some(calibration) => {
                let worth = Worth::of(calibration, &history, POT_G);
                let right = worth.map(|w| {
                    format!(", {} right to ±{}", words.mass(POT_G), words.mass(w.interval))
                });
                let zero = if history.drift(words.now).is_some() {
                    ", zero follows the temperature"
                } else {
                    ""
                };
                let from = words.time(calibration.from);
                format!("calibrated {from}{}{zero}", right.unwrap_or_default())
            }
        };
        rows.push(vec![printable(&cell).into_owned(), state]);
    }
    screen::print(&screen::columns(&[], rows))
}

/// The calibrations of one cell.
pub fn show(
    store: &Store,
    source: &str,
    words: &Words,
    context: &Context,
) -> anyhow::Result<ExitCode> {
    let history = store.calibrations(source)?;
    if history.calibrations().is_empty() && history.drifts().is_empty() {
        return screen::say(&format!(
            "{} is not calibrated: {} calibrate {} 0 500 1000 500 0",
            printable(source),
            context.command(),
            shell_word(source)
        ));
    }
    let mut page = String::new();
    for calibration in history.calibrations() {
        page += &heading(source, calibration, words);
        page += &table(calibration, words);
        page += &worth(calibration, &history, words);
        page += "\n";
    }
    for drift in history.drifts() {
        page += &format!(
            "From {} on its zero moves by {:.1} counts per °C of {}.\n",
            words.time(drift.from),
            drift.per_degree,
            printable(&drift.thermometer)
        );
    }
    screen::print_wrapped(&page)
}

/// All about a calibration that was just made.
pub fn page(
    source: &str,
    calibration: &Calibration,
    history: &History,
    creep: Option<String>,
    words: &Words,
    context: &Context,
) -> String {
    let mut page = heading(source, calibration, words);
    page += &table(calibration, words);
    if let Some(back) = calibration.zero_return() {
        page +=
            &format!("Back at nothing it shows {} {}.\n", more_or_less(back, words), "than before");
    }
    page += &creep.unwrap_or_default();
    page += &worth(calibration, history, words);
    if calibration.loads.iter().all(|load| load.limit_g.is_none()) {
        page += "The masses were taken as exact; with --good-to their limits count too.\n";
    }
    if history.drift(words.now).is_none() {
        page += &format!(
            "How its zero follows the temperature is not known. After a night with nothing on \
             it: {} calibrate {} --still --between WHEN --and WHEN\n",
            context.command(),
            shell_word(source)
        );
    }
    page
}

fn heading(source: &str, calibration: &Calibration, words: &Words) -> String {
    let Ok(curve) = &calibration.curve else {
        return format!(
            "{}, from {}: of no use.\n",
            printable(source),
            words.time(calibration.from)
        );
    };
    let shape = match curve.shape() {
        Shape::Straight => "a straight line",
        Shape::Quadratic => "a bent line (quadratic)",
    };
    let slope = calibration.loads.first().map_or(f64::NAN, |load| curve.slope(load.raw));
    let warm = calibration.celsius.map(|c| format!(" at {}", words.temperature(c)));
    format!(
        "{}: {shape} through {} loads{}, {:.1} counts per gram; valid from {} on.\n",
        printable(source),
        calibration.loads.len(),
        warm.unwrap_or_default(),
        1.0 / slope,
        words.time(calibration.from)
    )
}

/// The loads, what the curve makes of them, and by how much that is off.
pub fn table(calibration: &Calibration, words: &Words) -> String {
    let Ok(curve) = &calibration.curve else { return String::new() };
    let row = |load: &crate::calibration::Load| {
        let shown = curve.value(load.raw);
        let off = shown - load.mass_g;
        vec![
            words.weighed(load.mass_g),
            format!("{:.0}", load.raw),
            words.weighed(shown),
            signed(off, words),
        ]
    };
    let rows = calibration.loads.iter().map(row).collect();
    screen::columns(&["on it", "counts", "shown", "off by"], rows)
}

/// Creep under the load that stood longest, where any stood for a minute.
pub fn creep(calibration: &Calibration, taken: &[Taken], words: &Words) -> Option<String> {
    let curve = calibration.curve.as_ref().ok()?;
    let stood = |t: &Taken| t.plateau.to - t.plateau.from;
    let longest = taken.iter().filter(|t| t.plateau.creep.is_some() && t.mass_g > 0.0);
    let longest = longest.max_by(|a, b| stood(a).total_cmp(&stood(b)))?;
    let crept = longest.plateau.creep? * curve.slope(longest.plateau.raw);
    Some(format!(
        "Under {} it crept by {} in {}; a pot stands for days, and creeps further.\n",
        words.weighed(longest.mass_g),
        words.weighed(crept),
        span(stood(longest))
    ))
}

/// `+0.12 g`, `-0.1 g`, `0 g`.
fn signed(grams: f64, words: &Words) -> String {
    let text = words.weighed(grams);
    if text.starts_with(['-', '0']) && !text.starts_with("0.") { text } else { format!("+{text}") }
}

/// The parts of an uncertainty that can be seen.
fn parts(worth: &Worth, known_zero: bool, words: &Words) -> String {
    let zero = if known_zero { "temperature" } else { "temperature as of class C3" };
    let all = [
        ("line", worth.curve),
        ("scatter of a load", worth.scatter),
        ("masses", worth.masses),
        (zero, worth.temperature),
        ("creep as of class C3", worth.creep),
    ];
    let seen = all.iter().filter(|(_, grams)| *grams >= 0.005);
    let seen: Vec<String> =
        seen.map(|(what, grams)| format!("{what} {}", words.weighed(*grams))).collect();
    seen.join(", ")
}

fn more_or_less(grams: f64, words: &Words) -> String {
    let word = if grams < 0.0 { "less" } else { "more" };
    format!("{} {word}", words.weighed(grams.abs()))
}

/// What it is worth on a pot, and for what it will do.
fn worth(calibration: &Calibration, history: &History, words: &Words) -> String {
    let Some(worth) = Worth::of(calibration, history, POT_G) else { return String::new() };
    let means = meaning(worth.interval, POT_G);
    let minutes = if means.minutes < 1.0 { "1 min".into() } else { span(60.0 * means.minutes) };
    let mut text = format!(
        "A pot of {} is weighed right to ±{} in 8 of 10 cases ({}). That is ±{:.2} % of water (on \
         the dry clay), and ±{minutes} on the time when its trimming window opens, if it stands \
         open in a still room.\n",
        words.mass(POT_G),
        words.weighed(worth.interval),
        parts(&worth, history.drift(calibration.from).is_some(), words),
        100.0 * means.water,
    );
    if calibration.heaviest() < POT_G {
        text += &format!(
            "The heaviest load was {}: beyond it the line is a guess.\n",
            words.weighed(calibration.heaviest())
        );
    }
    text += &match (means.tells_trimming(), means.tells_dry()) {
        (true, true) => "Good for trimming, and for telling when a pot is dry.\n".into(),
        (true, false) => format!(
            "Good for trimming. For telling when a pot is dry ({} of water) it is too unsure: for \
             the last grams use a bench scale.\n",
            words.mass(means.last_grams)
        ),
        _ => "Too unsure for trimming: see that nothing touches the plate, that all screws are \
              tight and the board stands free, and calibrate it again.\n"
            .to_owned(),
    };
    text
}

/// What a night untouched tells.
pub fn warmth(
    source: &str,
    found: &Warmth,
    pot: Option<&str>,
    history: &History,
    words: &Words,
    context: &Context,
) -> String {
    let with = match pot {
        Some(pot) => format!("with {} on it", printable(pot)),
        None => "empty".into(),
    };
    let mut text = format!(
        "{}, {with}, {:.1} h between {} and {}: ",
        printable(source),
        found.hours,
        words.temperature(found.between.0),
        words.temperature(found.between.1)
    );
    let slope = history.calibration(words.now).and_then(|c| {
        let curve = c.curve.as_ref().ok()?;
        Some(curve.slope(c.loads.first()?.raw))
    });
    let size = |counts: f64| match slope {
        Some(slope) => format!("{:+.3} g", counts * slope),
        None => format!("{counts:+.0} counts"),
    };
    if found.is_told() {
        text += &format!(
            "its zero moves by {} per °C (± {}), and by {} an hour beside that.\nFrom now on \
             this is taken off; what has followed from its counts is made again.\n",
            size(found.per_degree),
            size(1.28 * found.per_degree_u).trim_start_matches(['+', '-']),
            size(found.per_hour)
        );
    } else {
        text += &format!(
            "no movement with the temperature is told from none ({} per °C, ± {}). Nothing is \
             taken off.\n",
            size(found.per_degree),
            size(1.28 * found.per_degree_u).trim_start_matches(['+', '-'])
        );
    }
    if slope.is_none() {
        let (command, source) = (context.command(), shell_word(source));
        text += &format!("It has no calibration yet: {command} calibrate {source} 0 500 1000 0\n");
    }
    text
}
