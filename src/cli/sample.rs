//! `body sample`: an offcut of the clay, weighed wet and again as it dries.

use super::names::{SEE_BODIES, check_body};
use super::weigh;
use super::words::{self, Words, printable, shell_word};
use super::{Context, REFUSED, body, completions, screen};
use crate::core::sample::{self, BagWater, Finding, Progress};
use crate::records::{Drying, Name, Sample, Studio};
use crate::store::{Clash, Store};
use crate::units::Time;
use std::process::ExitCode;

/// An offcut with its dish weighs no more than this, g (common practice, no source).
const HEAVIEST_SAMPLE_G: f64 = 10_000.0;
/// No scale for an offcut shows coarser steps, g (common practice, no source).
const COARSEST_STEP_G: f64 = 10.0;

/// Fixes the water of a bag before the first window opens: cut some 200 g off while wedging, weigh
/// it, dry it, weigh it until its weight is constant. Without a weight: what the samples say.
#[derive(clap::Args, Debug)]
#[command(after_long_help = "\
In a drying oven at 105–110 °C constant is less than 0.1 % of change over an hour
(ISO 17892-1). In a room it is three weighings a day apart within 0.1 % (after
EN ISO 12570), once the water that the clay keeps in that air is taken off: give
the humidity, or have a sensor.

Thin slices, never a whole pot. Ventilated, and in no oven that is used for food.
In a microwave nothing with metal in or about it. Let it cool, covered, before it is
weighed.")]
pub struct Args {
    /// The body
    #[arg(add = completions::bodies())]
    body: String,
    /// What the scale shows, with its dish if --dish is given (212.4, 212.4g, "7.5 oz")
    #[arg(value_name = "GRAMS", num_args = 0.., allow_negative_numbers = true)]
    weight: Vec<String>,
    /// The bag, pugging or wedging that it was cut from, as in `pot add --lot`
    #[arg(long, value_name = "NAME")]
    lot: Option<String>,
    /// How it was dried since the last time; room and oven are remembered
    #[arg(long, value_parser = ["wet", "room", "oven"])]
    dried: Option<String>,
    /// The dish on the scale with it; without: the scale was set to zero with it
    #[arg(long, value_name = "WEIGHT")]
    dish: Option<String>,
    /// Relative humidity of the room, % [default: by the room's sensor]
    #[arg(long, value_name = "PERCENT", value_parser = body::percent)]
    humidity: Option<f64>,
    /// The smallest step of the scale [default: as last time, at first 1 g]
    #[arg(long, value_name = "WEIGHT")]
    scale_step: Option<String>,
    /// When it was weighed (18:25, yesterday 9:10 …) [default: now]
    #[arg(long, value_name = "WHEN", requires = "weight")]
    at: Option<String>,
    /// The sample's name [default: the last one of this body and lot, or a new one]
    #[arg(long, value_name = "NAME")]
    name: Option<String>,
    /// Another sample of the same lot
    #[arg(long, requires = "weight")]
    new: bool,
    /// Correct the weight noted for that minute; without --at: the last one
    #[arg(long, requires = "weight", conflicts_with = "new")]
    replace: bool,
}

/// Runs `body sample`.
pub fn run(args: Args, context: &Context) -> anyhow::Result<ExitCode> {
    let mut store = context.open()?;
    let words = context.words(store.settings(), None)?;
    let bodies = store.bodies()?;
    check_body(&args.body, bodies.iter().map(|b| b.name.as_str()), SEE_BODIES)?;
    if args.weight.is_empty() {
        return tell_all(&args, &store, &words);
    }
    let all = store.samples()?;
    let row = row(&args, &all, &words)?;
    let begins = all.iter().all(|s| s.sample != row.sample);
    let clash = if args.replace { Clash::Replace } else { Clash::Refuse };
    let stored = store.put_samples(std::slice::from_ref(&row), clash)?;
    let (name, when) = (printable(&row.sample), words.time(row.time));
    if !stored.refused.is_empty() {
        screen::complain(&format!(
            "sample {name} has another weight noted at {when}, or another body or lot: add \
             --replace if that was wrong"
        ));
        return Ok(ExitCode::from(REFUSED));
    }
    let verb = match (stored.known, stored.replaced) {
        (1.., _) => "Noted already",
        (_, 1..) => "Corrected",
        _ => "Noted",
    };
    let how = match row.drying {
        Drying::Wet => "wet",
        Drying::Room => "dried in the room",
        Drying::Oven => "dried in the oven",
    };
    let lot = in_lot(row.lot.as_ref());
    screen::say(&format!(
        "{verb}: sample {name} of {}{lot} weighs {}, {how}, {when} ({}).",
        printable(&row.body),
        words.weighed(row.mass_g),
        words.distance(row.time)
    ))?;
    if begins {
        return screen::say(&next_steps(&row, context));
    }
    let studio = store.studio(Time::MAX)?;
    let found = sample::of_body(&studio, &row.body);
    let its = found.iter().find(|(name, ..)| **name == row.sample);
    its.map_or(Ok(ExitCode::SUCCESS), |(.., found)| {
        screen::say(&format!("{name}: {}", finding(found, &words)))
    })
}

fn in_lot(lot: Option<&Name>) -> String {
    lot.map(|lot| format!(", lot {}", printable(lot))).unwrap_or_default()
}

/// What to do with a sample that was weighed wet, and with what care.
fn next_steps(row: &Sample, context: &Context) -> String {
    let lot = row.lot.as_ref().map(|lot| format!(" --lot {}", shell_word(lot)));
    format!(
        "Cut it into thin slices, lose no crumb, dry them, let them cool, and weigh again:\n  \
         {} body sample {}{} WEIGHT --dried oven   (or room)\n\
         Never a whole pot. Ventilated, in no oven that is used for food; in a microwave nothing \
         with metal.",
        context.command(),
        shell_word(&row.body),
        lot.unwrap_or_default()
    )
}

/// The weighing that was typed.
fn row(args: &Args, all: &[Sample], words: &Words) -> anyhow::Result<Sample> {
    let before = chosen(args, all)?;
    let time = match &args.at {
        Some(text) => weigh::past(text, words)?,
        None => words.now,
    };
    let old = match args.replace {
        true => Some(corrected(args, before, time)?),
        false => None,
    };
    let last = before.last();
    let drying = match (args.dried.as_deref().and_then(Drying::parse), old, last) {
        (Some(drying), ..) => drying,
        (_, Some(old), _) => old.drying,
        (_, _, None) => Drying::Wet,
        (_, _, Some(last)) if last.drying != Drying::Wet => last.drying,
        _ => anyhow::bail!(
            "how was it dried? Add --dried oven or --dried room; or --new for another sample"
        ),
    };
    if last.is_none() && drying != Drying::Wet {
        anyhow::bail!("no sample of this was begun: a sample is weighed wet first");
    }
    let mass = |text: &Option<String>, (option, most): (&str, f64), else_: Option<f64>| match text {
        None => Ok(else_),
        Some(text) => match words::parse_mass(text, words.units) {
            Ok(g) if (0.0..=most).contains(&g) => Ok(Some(g)),
            Ok(g) => {
                let (g, most) = (words.weighed(g), words.weighed(most));
                anyhow::bail!("{option}: {g} cannot be; what can is 0 g to {most}")
            }
            Err(e) => Err(anyhow::anyhow!("{option}: {e}")),
        },
    };
    let from = old.or(last);
    let mass_g = words::parse_mass(&args.weight.join(" "), words.units)?;
    if !(mass_g > 0.0 && mass_g <= HEAVIEST_SAMPLE_G) {
        anyhow::bail!(
            "{} is not the weight of a sample: some 200 g are enough, {} the most",
            words.weighed(mass_g),
            words.weighed(HEAVIEST_SAMPLE_G)
        );
    }
    let tare_g = mass(&args.dish, ("--dish", HEAVIEST_SAMPLE_G), from.and_then(|s| s.tare_g))?;
    if let Some(tare) = tare_g.filter(|tare| *tare >= mass_g) {
        anyhow::bail!(
            "{} is no more than the dish alone weighs, {} (--dish)",
            words.weighed(mass_g),
            words.weighed(tare)
        );
    }
    let scale = ("--scale-step", COARSEST_STEP_G);
    let step_g = mass(&args.scale_step, scale, from.and_then(|s| s.step_g))?;
    if step_g == Some(0.0) {
        anyhow::bail!("--scale-step: the smallest change that the scale shows, like 1 or 0.1");
    }
    Ok(Sample {
        time: old.map_or(time, |old| old.time),
        sample: last.map_or_else(|| new_name(args, all), |last| last.sample.clone()),
        body: args.body.clone(),
        lot: last.map_or_else(|| args.lot.clone(), |last| last.lot.clone()),
        drying,
        mass_g,
        tare_g,
        humidity: args.humidity.or(old.and_then(|s| s.humidity)),
        step_g,
    })
}

/// The weighings so far of the sample that is meant, in order of time; none for a new one.
fn chosen<'a>(args: &Args, all: &'a [Sample]) -> anyhow::Result<&'a [Sample]> {
    let each = all.chunk_by(|a, b| a.sample == b.sample);
    if let Some(name) = &args.name {
        let named = each.clone().find(|rows| rows[0].sample == *name);
        if named.is_some_and(|rows| rows[0].body != args.body) {
            anyhow::bail!("sample {} is of another body", printable(name));
        }
        return Ok(named.unwrap_or_default());
    }
    let asked = |rows: &&[Sample]| {
        rows[0].body == args.body && (args.lot.is_none() || rows[0].lot == args.lot)
    };
    let its: Vec<&[Sample]> = each.filter(asked).collect();
    let fresh = args.new || args.dried.as_deref() == Some("wet") && !args.replace;
    if fresh {
        return Ok(&[]);
    }
    if its.iter().any(|rows| rows[0].lot != its[0][0].lot) {
        anyhow::bail!(
            "there are samples of several lots of {}: say which with --lot",
            printable(&args.body)
        );
    }
    let last = |rows: &&[Sample]| rows.last().map(|row| row.time);
    Ok(its.into_iter().max_by_key(last).unwrap_or_default())
}

/// The weighing that is to be corrected.
fn corrected<'a>(args: &Args, before: &'a [Sample], time: Time) -> anyhow::Result<&'a Sample> {
    let found = match args.at {
        None => before.last(),
        Some(_) => {
            let (from, to) = weigh::minute_of(time);
            before.iter().rfind(|row| (from..to).contains(&row.time))
        }
    };
    found.ok_or_else(|| anyhow::anyhow!("no weight of this sample is noted for then"))
}

/// A name that no sample has yet: the lot's, or else the body's, with a number.
fn new_name(args: &Args, all: &[Sample]) -> Name {
    if let Some(name) = &args.name {
        return name.clone();
    }
    let base: String = args.lot.as_ref().unwrap_or(&args.body).chars().take(56).collect();
    let base = base.trim_end();
    let taken = |name: &String| all.iter().any(|s| s.sample == *name);
    let mut names = (1..=all.len() + 1).map(|n| format!("{base}-{n}"));
    // One more name than there are samples: one of them is free.
    names.find(|name| !taken(name)).unwrap_or_else(|| base.to_owned())
}

fn tell_all(args: &Args, store: &Store, words: &Words) -> anyhow::Result<ExitCode> {
    let studio = store.studio(words.now)?;
    let found = sample::of_body(&studio, &args.body);
    let asked = |name: &Name, lot: Option<&Name>| {
        args.name.as_ref().is_none_or(|asked| asked == name)
            && (args.lot.is_none() || args.lot.as_ref() == lot)
    };
    let lines = found.iter().filter(|(name, lot, _)| asked(name, *lot));
    let lines: Vec<String> = lines
        .map(|(name, lot, found)| {
            format!("{}{}: {}", printable(name), in_lot(*lot), finding(found, words))
        })
        .collect();
    if lines.is_empty() {
        return screen::say(&format!(
            "No samples of this. Begin one: warecast body sample {} WEIGHT",
            shell_word(&args.body)
        ));
    }
    screen::say(&lines.join("\n"))
}

/// What the samples of a body say, one a line, for `body show`.
pub fn lines(studio: &Studio, body: &str, words: &Words) -> Vec<String> {
    let found = sample::of_body(studio, body);
    let line = |(name, lot, found): &(&Name, Option<&Name>, Finding)| {
        format!("Sample {}{}: {}", printable(name), in_lot(*lot), finding(found, words))
    };
    found.iter().map(line).collect()
}

/// What a sample says, in a sentence or two.
fn finding(found: &Finding, words: &Words) -> String {
    let held = found.water.as_ref().map(water).unwrap_or_default();
    let oven = found.drying == Drying::Oven;
    let (standard, pause) = match oven {
        true => ("ISO 17892-1", "an hour more in the oven"),
        false => ("EN ISO 12570", "a day more"),
    };
    let again = found.weigh_again.map(|time| {
        let from =
            if time > words.now { format!(", from {}", words.time(time)) } else { "".into() };
        format!(" Weigh it again after {pause}{from}.")
    });
    let again = again.unwrap_or_default();
    match found.progress {
        Progress::Begun => "weighed wet, not yet dried.".into(),
        Progress::Doubtful if found.lost_wet < 0.0 => {
            "it weighs more than when it was wet: correct a weight with --replace (--at WHEN for \
             an earlier one), or begin again with --new."
                .into()
        }
        Progress::Doubtful => {
            "these weights cannot all be right; correct one with --replace, or begin again with \
             --new."
                .into()
        }
        Progress::Losing => format!(
            "not known to be dry yet: the clay held at least {} of the wet clay.{again}",
            body::exact(found.lost_wet.max(0.0))
        ),
        Progress::Slowing => {
            format!("it still loses a little; the clay held about {held}.{again}")
        }
        Progress::ConstantAsSeen => {
            format!("constant as far as this scale and air can tell: the clay held {held}.{again}")
        }
        Progress::Constant => format!("constant ({standard}): the clay held {held}."),
    }
}

/// `22% of the wet clay (21.8–22.2%)`.
pub fn water(water: &BagWater) -> String {
    let (low, high) = water.interval();
    let low = body::exact(low);
    let low = low.trim_end_matches('%');
    format!("{} of the wet clay ({low}–{})", body::exact(water.wet), body::exact(high))
}
