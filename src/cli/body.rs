//! `body`: the clay bodies of the studio.

use super::blend;
use super::completions;
use super::learnt;
use super::names::{SEE_BODIES, check_body, list};
use super::report::looking_at;
use super::sample;
use super::screen;
use super::words::printable;
use super::{Context, REFUSED};
use crate::records::{Body, POSSIBLE_BAG_WATER_WET};
use crate::store::{Clash, DATABASE, Store, rules};
use crate::units;
use std::path::PathBuf;
use std::process::ExitCode;

/// Subcommands of `body`.
#[derive(clap::Args, Debug)]
pub struct Args {
    #[command(subcommand)]
    command: Command,
}

#[derive(clap::Subcommand, Debug)]
enum Command {
    /// Add a clay body, or change one; makes the studio when it is not there
    Add(Add),
    /// Weigh a sample of the clay, wet and as it dries: fixes the water of its bag
    Sample(Box<sample::Args>),
    /// Wedge a new body from others, or say how much of each to wedge
    Blend(Box<blend::Args>),
    /// List the bodies
    List,
    /// Show one body: what is known of it, what its finished pots have taught, and its pots
    Show(Show),
}

/// What was learnt is told before any pot of this studio taught, and now.
#[derive(clap::Args, Debug)]
struct Show {
    /// The body
    #[arg(add = completions::bodies())]
    body: String,
    /// Draw what was learnt into this file, ending in .svg or .png
    #[arg(short, long, value_name = "FILE")]
    output: Option<PathBuf>,
    /// Overwrite the file if it exists
    #[arg(long, requires = "output")]
    force: bool,
    /// As it would have been at that time (18:25, yesterday 9:10, 2031-04-02 18:25 …)
    /// [default: now]
    #[arg(long, value_name = "WHEN")]
    at: Option<String>,
}

/// Water is given on two bases, and each option says which: the WET basis is water ÷ (water + dry
/// clay), as on bags of clay; the DRY basis is water ÷ dry clay, as in this program's reports.
#[derive(clap::Args, Debug)]
struct Add {
    /// Name of the body
    body: String,
    /// Water of the clay as it comes out of the bag, % on the WET basis
    #[arg(long, value_name = "PERCENT", value_parser = bag_percent, allow_negative_numbers = true)]
    bag_water_wet_percent: Option<f64>,
    /// Mean water of a pot at which it first can be trimmed, % on the DRY basis
    #[arg(long, value_name = "PERCENT", value_parser = percent, allow_negative_numbers = true)]
    trim_from_dry_percent: Option<f64>,
    /// Mean water of a pot below which it is too stiff to trim, % on the DRY basis
    #[arg(long, value_name = "PERCENT", value_parser = percent, allow_negative_numbers = true)]
    trim_to_dry_percent: Option<f64>,
    /// Change a body that is there; what is not given stays as it is
    #[arg(long)]
    replace: bool,
}

/// Runs `body`.
pub fn run(args: Args, context: &Context) -> anyhow::Result<ExitCode> {
    match args.command {
        Command::Add(add) => {
            // Nothing is made for a name that cannot be kept.
            rules::name("body", &add.body)?;
            self::add(add, &mut open_or_create(context)?)
        }
        Command::Sample(args) => sample::run(*args, context),
        Command::Blend(args) => blend::run(*args, context),
        Command::List => list_all(&context.open()?),
        Command::Show(args) => show(&args, context),
    }
}

/// Opens the studio; a new one is told.
fn open_or_create(context: &Context) -> anyhow::Result<Store> {
    let new = !context.studio.join(DATABASE).exists();
    let store = Store::open_or_create(&context.studio)?;
    if new {
        screen::say(&format!("New studio in {}.", context.studio.display()))?;
    }
    Ok(store)
}

/// `22`, `22.5%`: a fraction.
pub(super) fn percent(text: &str) -> Result<f64, String> {
    let number = text.trim().trim_end_matches('%').trim_end();
    match number.parse::<f64>() {
        Ok(value) if value > 0.0 && value < 1.0 => {
            Err(format!("that is less than 1 %: was {}% meant?", units::shifted(value, 2)))
        }
        Ok(value) if (0.0..100.0).contains(&value) => Ok(units::shifted(value, -2)),
        Ok(_) => Err("a percentage from 0 to below 100 is wanted".into()),
        Err(_) => Err("a percentage is wanted, like 22 or 22.5".into()),
    }
}

/// A percentage that a bag of clay can hold.
fn bag_percent(text: &str) -> Result<f64, String> {
    let wet = percent(text)?;
    if POSSIBLE_BAG_WATER_WET.contains(&wet) {
        return Ok(wet);
    }
    Err("bags of throwing clay hold 20 to 25 % of their wet weight, plastic clay 10 to 40 %".into())
}

fn add(add: Add, store: &mut Store) -> anyhow::Result<ExitCode> {
    let stored = store.bodies()?.into_iter().find(|body| body.name == add.body);
    let old = stored.as_ref().filter(|_| add.replace);
    let body = Body {
        bag_water_wet: add.bag_water_wet_percent.or(old.and_then(|b| b.bag_water_wet)),
        trim_from_dry: add.trim_from_dry_percent.or(old.and_then(|b| b.trim_from_dry)),
        trim_to_dry: add.trim_to_dry_percent.or(old.and_then(|b| b.trim_to_dry)),
        name: add.body,
    };
    if let (Some(from), Some(to)) = (body.trim_from_dry, body.trim_to_dry)
        && from <= to
    {
        anyhow::bail!(
            "trimming begins wet and ends dry: --trim-from-dry-percent ({}) must lie above \
             --trim-to-dry-percent ({})",
            exact(from),
            exact(to)
        );
    }
    if let Some(odd) = rules::odd_band(&body) {
        anyhow::bail!("--trim-to-dry-percent: {}", odd.text);
    }
    let clash = if add.replace { Clash::Replace } else { Clash::Refuse };
    let outcome = store.put_bodies(std::slice::from_ref(&body), clash)?;
    let (name, facts) = (printable(&body.name), facts(&body));
    if let (Some(stored), false) = (&stored, outcome.refused.is_empty()) {
        screen::complain(&format!(
            "body {name} is there already: {}. Add --replace to change it",
            self::facts(stored)
        ));
        return Ok(ExitCode::from(REFUSED));
    }
    let done = match (outcome.added, outcome.replaced) {
        (1.., _) => "added",
        (_, 1..) => "changed",
        _ => "was there already, the same",
    };
    screen::say(&format!("Body {name} {done}: {facts}."))?;
    if let Some(odd) = rules::odd_body(&body).filter(|_| add.bag_water_wet_percent.is_some()) {
        screen::complain(&odd.text);
    }
    Ok(ExitCode::SUCCESS)
}

/// What is known about a body, in a sentence.
pub(super) fn facts(body: &Body) -> String {
    let bag = match body.bag_water_wet {
        Some(wet) => format!(
            "bag water {} of the wet clay ({} of the dry clay)",
            exact(wet),
            exact(units::dry_from_wet(wet))
        ),
        None => "bag water not known".into(),
    };
    format!("{bag}; {}", band(body))
}

fn band(body: &Body) -> String {
    match (body.trim_from_dry, body.trim_to_dry) {
        (Some(from), Some(to)) => {
            format!("trims from {} to {} of the dry clay", exact(from), exact(to))
        }
        (Some(from), None) => format!("trims from {} of the dry clay", exact(from)),
        (None, Some(to)) => format!("trims down to {} of the dry clay", exact(to)),
        (None, None) => "trimming band not known".into(),
    }
}

/// A percentage as it was given: `22%`, `28.2%`.
pub(super) fn exact(fraction: f64) -> String {
    let tenths = (1000.0 * fraction).round() / 10.0;
    format!("{tenths}%")
}

fn list_all(store: &Store) -> anyhow::Result<ExitCode> {
    let (bodies, pots) = (store.bodies()?, store.pots()?);
    if bodies.is_empty() {
        return screen::say("No bodies yet. Add one with: warecast body add NAME");
    }
    let rows = bodies.iter().map(|body| {
        let count = pots.iter().filter(|pot| pot.body == body.name).count();
        let bag = body.bag_water_wet.map(exact).unwrap_or_default();
        let limit = |x: Option<f64>| x.map(exact).unwrap_or_default();
        vec![
            printable(&body.name).into(),
            bag,
            limit(body.trim_from_dry),
            limit(body.trim_to_dry),
            count.to_string(),
        ]
    });
    let header = ["BODY", "BAG WATER, WET", "TRIM FROM, DRY", "TRIM TO, DRY", "POTS"];
    screen::print(&screen::columns(&header, rows.collect()))
}

fn show(args: &Show, context: &Context) -> anyhow::Result<ExitCode> {
    let store = &context.open()?;
    let words = &looking_at(args.at.as_deref(), context, store.settings())?;
    let studio = store.studio(words.now)?;
    let name = args.body.as_str();
    check_body(name, studio.bodies.keys().map(String::as_str), SEE_BODIES)?;
    let body = &studio.bodies[name];
    let taught = learnt::of_body(&studio, name);
    if let Some(path) = &args.output {
        return learnt::draw(name, &taught.learnt, path, args.force, words);
    }
    let pots = studio.pots.values().filter(|pot| pot.body == name).map(|pot| &pot.name);
    let pots = list(pots);
    let pots = if pots.is_empty() { "none" } else { &pots };
    let mut lines = vec![format!("{}: {}.", printable(name), facts(body))];
    lines.extend(blend::lines(&studio, name));
    lines.extend(sample::lines(&studio, name, words));
    lines.push(format!("Pots: {pots}"));
    screen::say(&lines.join("\n"))?;
    screen::print_wrapped(&learnt::table(&taught.learnt))?;
    // What would have helped then is of no use now.
    if args.at.is_some() {
        return Ok(ExitCode::SUCCESS);
    }
    screen::say(&learnt::helps(&studio, &taught, name, &context.command()))
}
