//! `pot`: the pots of the studio.

use super::completions;
use super::names::{Roll, check_body, list};
use super::screen;
use super::weigh::HEAVIEST_G;
use super::when::{self, Lean};
use super::words::{self, Words, printable};
use super::{Context, REFUSED, undo};
use crate::answers;
use crate::core::clay::volume_shrinkage;
use crate::core::on_its_rim;
use crate::core::shrinkage::Shrinkage;
use crate::records::{self, Action, HandlingRow, POSSIBLE_THICKNESS_MM, Pot};
use crate::store::{Clash, Store, rules};
use crate::units::Time;
use std::process::ExitCode;

/// Nobody throws a lighter ball, g: kilograms were meant.
const LEAST_BALL_G: f64 = 5.0;

/// Subcommands of `pot`.
#[derive(clap::Args, Debug)]
pub struct Args {
    #[command(subcommand)]
    command: Command,
}

#[derive(clap::Subcommand, Debug)]
enum Command {
    /// Add pots, or change some that are there
    Add(Box<Add>),
    /// List the pots that are still drying
    List {
        /// Those in the kiln, finished and lost too
        #[arg(long)]
        all: bool,
    },
    /// Show one pot: what is known, what was done to it, how it stands
    Show {
        /// The pot
        #[arg(add = completions::pots())]
        pot: String,
        /// As it stood at that time [default: now]
        #[arg(long, value_name = "WHEN")]
        at: Option<String>,
    },
}

/// Only the body must be known. The ball's weight and the thickness of the base help most. What
/// is given counts for all pots named; an empty value ("") means not known.
#[derive(clap::Args, Debug)]
struct Add {
    /// Names of the pots
    #[arg(required = true)]
    pots: Vec<String>,
    /// The clay body, added before with `body add`
    #[arg(long, required_unless_present = "replace", add = completions::bodies())]
    body: Option<String>,
    /// When they came off the wheel (9:30, yesterday 16:00 …) [default: now]
    #[arg(long, value_name = "WHEN")]
    made_at: Option<String>,
    /// The ball of clay as weighed before throwing (600g, "1 lb 4 oz")
    #[arg(long, value_name = "WEIGHT", allow_negative_numbers = true)]
    ball: Option<String>,
    /// What stands on the scale with the pot from the start: bat, ware board (180g, "6.3 oz")
    #[arg(long, value_name = "WEIGHT", allow_negative_numbers = true)]
    tare: Option<String>,
    /// Wet thickness of the wall, mm
    #[arg(long, value_name = "MM", allow_negative_numbers = true)]
    wall_mm: Option<String>,
    /// Wet thickness of the base, mm
    #[arg(long, value_name = "MM", allow_negative_numbers = true)]
    base_mm: Option<String>,
    /// The bag, pugging or wedging the clay came from: pots of a lot share their water
    #[arg(long, value_name = "NAME")]
    lot: Option<String>,
    /// The ware board they stand on; `note` may name the board instead of its pots
    #[arg(long, value_name = "NAME", add = completions::boards())]
    board: Option<String>,
    /// A sibling that is weighed in their stead
    #[arg(long, value_name = "POT", add = completions::pots())]
    like: Option<String>,
    /// Where they stand (shelf, room); a room sensor of the same place is preferred
    #[arg(long, value_name = "NAME")]
    place: Option<String>,
    /// Change pots that are there; what is not given stays as it is
    #[arg(long)]
    replace: bool,
}

/// Runs `pot`.
pub fn run(args: Args, context: &Context) -> anyhow::Result<ExitCode> {
    let mut store = context.open()?;
    match args.command {
        Command::Add(add) => {
            let words = context.words(store.settings(), None)?;
            self::add(&add, &words, &mut store)
        }
        Command::List { all } => {
            let words = context.words(store.settings(), None)?;
            list_all(all, &words, &store)
        }
        Command::Show { pot, at } => {
            let words = super::report::looking_at(at.as_deref(), context, store.settings())?;
            show(&pot, &words, &store, context)
        }
    }
}

fn add(add: &Add, words: &Words, store: &mut Store) -> anyhow::Result<ExitCode> {
    let roll = Roll::read(store)?;
    check_its_body(add, store)?;
    if let Some(like) = add.like.as_deref().filter(|like| !like.is_empty()) {
        roll.find(like)?;
    }
    check_names(add, &roll)?;
    let made_at =
        add.made_at.as_ref().map(|at| when::parse(at, words.now, &words.zone, Lean::Past));
    if let Some(remark) = made_at.transpose()?.and_then(|when| when.remark) {
        screen::complain(&remark);
    }
    let mut pots = Vec::new();
    let mut seen = std::collections::HashSet::new();
    for name in add.pots.iter().filter(|name| seen.insert(*name)) {
        let old = roll.pot(name);
        if add.replace && old.is_none() && add.body.is_none() {
            roll.find(name)?;
        }
        let mut pot = row(add, name, old.filter(|_| add.replace), words)?;
        if let (None, Some(old)) = (&add.made_at, old) {
            // Entered twice, a pot without --made-at is the same one, not a later one.
            pot.made_at = old.made_at;
        }
        pots.push(pot);
    }
    for pot in &pots {
        let find = |name: &str| pots.iter().find(|p| p.name == name).or_else(|| roll.pot(name));
        if let Some(round) = records::circle(pot, find).filter(|round| round.len() > 1) {
            anyhow::bail!("{} (--like \"\")", rules::in_a_circle(&round));
        }
    }
    let clash = if add.replace { Clash::Replace } else { Clash::Refuse };
    let outcome = store.put_pots(&pots, clash)?;
    let names = |keep: &dyn Fn(usize) -> bool| {
        list((0..pots.len()).filter(|&i| keep(i)).map(|i| pots[i].name.as_str()))
    };
    if !outcome.refused.is_empty() {
        screen::complain(&format!(
            "there already, with other values: {}. Add --replace to change what is \
             given; the rest stays as it is",
            names(&|i| outcome.refused.contains(&i))
        ));
    }
    if outcome.refused.len() < pots.len() {
        let kept = |i: usize| !outcome.refused.contains(&i);
        let done = match (outcome.added, outcome.replaced) {
            (1.., _) => "Added",
            (_, 1..) => "Changed",
            _ => "There already, the same:",
        };
        let first = (0..pots.len()).find(|&i| kept(i)).map(|i| facts(&pots[i], words));
        screen::say(&format!("{done} {}: {}.", names(&kept), first.unwrap_or_default()))?;
    }
    Ok(if outcome.refused.is_empty() { ExitCode::SUCCESS } else { ExitCode::from(REFUSED) })
}

/// `note` takes pots and boards: no word may mean both.
fn check_names(add: &Add, roll: &Roll) -> anyhow::Result<()> {
    if let Some(name) = add.pots.iter().find(|name| roll.on_board(name).next().is_some()) {
        anyhow::bail!(
            "\"{}\" is a board here, and `note` takes it for its pots: give the pot another name",
            printable(name)
        );
    }
    let pot = |board: &&str| roll.pot(board).is_some() || add.pots.iter().any(|p| p == board);
    if let Some(board) = add.board.as_deref().filter(pot) {
        anyhow::bail!(
            "\"{}\" is a pot here, and `note` takes it for that: give the board another name",
            printable(board)
        );
    }
    Ok(())
}

/// The body must be there, or the potter is told how to add it.
fn check_its_body(add: &Add, store: &Store) -> anyhow::Result<()> {
    let Some(body) = &add.body else { return Ok(()) };
    let bodies = store.bodies()?;
    let otherwise = format!("add it with `warecast body add {}`", words::shell_word(body));
    check_body(body, bodies.iter().map(|b| b.name.as_str()), &otherwise)
}

/// The row of one pot: what was given, else what was known.
fn row(add: &Add, name: &str, old: Option<&Pot>, words: &Words) -> anyhow::Result<Pot> {
    let made_at = match (&add.made_at, old) {
        (Some(text), _) => {
            let when = when::parse(text, words.now, &words.zone, Lean::Past)?;
            if when.time > words.now {
                anyhow::bail!(
                    "--made-at {} lies in the future ({})",
                    printable(text),
                    words.time(when.time)
                );
            }
            when.time
        }
        (None, Some(old)) => old.made_at,
        (None, None) => words.now,
    };
    let mass = |given: &Option<String>, old: Option<f64>, option: &str| match given.as_deref() {
        None => Ok(old),
        Some("") => Ok(None),
        Some(text) => match words::parse_mass(text, words.units) {
            Ok(g) if (0.0..=HEAVIEST_G).contains(&g) => Ok(Some(g)),
            Ok(g) => anyhow::bail!("{option}: {}", words.cannot_be(g)),
            Err(e) => Err(anyhow::anyhow!("{option}: {e}")),
        },
    };
    let name_of = |given: &Option<String>, old: Option<String>| match given.as_deref() {
        None => old,
        Some("") => None,
        Some(text) => Some(text.into()),
    };
    let ball_g = mass(&add.ball, old.and_then(|o| o.ball_g), "--ball")?;
    if let Some(g) = ball_g.filter(|g| add.ball.is_some() && *g < LEAST_BALL_G) {
        let meant = if g > 0.0 { format!("; with kilograms write {g}kg") } else { String::new() };
        anyhow::bail!("--ball: {} is no ball of clay{meant}", words.weighed(g));
    }
    Ok(Pot {
        name: name.into(),
        body: add.body.clone().or(old.map(|o| o.body.clone())).unwrap_or_default(),
        made_at,
        ball_g,
        tare_g: mass(&add.tare, old.and_then(|o| o.tare_g), "--tare")?,
        wall_mm: thickness(&add.wall_mm, old.and_then(|o| o.wall_mm), "--wall-mm")?,
        base_mm: thickness(&add.base_mm, old.and_then(|o| o.base_mm), "--base-mm")?,
        lot: name_of(&add.lot, old.and_then(|o| o.lot.clone())),
        board: name_of(&add.board, old.and_then(|o| o.board.clone())),
        like: name_of(&add.like, old.and_then(|o| o.like.clone())),
        place: name_of(&add.place, old.and_then(|o| o.place.clone())),
    })
}

/// Millimetres: `6`, `6.5`, `6mm`.
fn thickness(
    given: &Option<String>,
    old: Option<f64>,
    option: &str,
) -> anyhow::Result<Option<f64>> {
    match given.as_deref().map(|text| text.trim().trim_end_matches("mm").trim_end()) {
        None => Ok(old),
        Some("") => Ok(None),
        Some(text) => match text.parse::<f64>() {
            Ok(mm) if POSSIBLE_THICKNESS_MM.contains(&mm) => Ok(Some(mm)),
            Ok(mm) if POSSIBLE_THICKNESS_MM.contains(&(10.0 * mm)) && mm < 1.0 => {
                anyhow::bail!("{option}: no pot is {mm} mm thick: were centimetres meant?")
            }
            Ok(mm) if mm.is_finite() => anyhow::bail!("{option}: no pot is {mm} mm thick"),
            _ => anyhow::bail!("{option}: millimetres are wanted, like 6 or 6.5"),
        },
    }
}

/// What is known about a pot, in a sentence.
fn facts(pot: &Pot, words: &Words) -> String {
    let mut facts =
        vec![format!("of {}", printable(&pot.body)), format!("made {}", words.time(pot.made_at))];
    let mut fact = |name: &str, value: Option<String>| {
        facts.extend(value.map(|value| format!("{name} {value}")));
    };
    fact("ball", pot.ball_g.map(|g| words.weighed(g)));
    fact("tare", pot.tare_g.map(|g| words.weighed(g)));
    fact("wall", pot.wall_mm.map(|mm| format!("{mm} mm")));
    fact("base", pot.base_mm.map(|mm| format!("{mm} mm")));
    let name = |name: &Option<String>| name.as_deref().map(|name| printable(name).into_owned());
    fact("lot", name(&pot.lot));
    fact("board", name(&pot.board));
    fact("like", name(&pot.like));
    fact("place", name(&pot.place));
    facts.join(", ")
}

fn list_all(all: bool, words: &Words, store: &Store) -> anyhow::Result<ExitCode> {
    let roll = Roll::read(store)?;
    let mut rows = Vec::new();
    for pot in &roll.pots {
        let end = roll.past_it(&pot.name, words.now);
        if end.is_some() && !all {
            continue;
        }
        let cover = roll.last(&pot.name, words.now, |a| matches!(a, Action::Cover(_)));
        let kept =
            end.map_or_else(|| cover.map_or("open".into(), |row| row.action.detail()), Into::into);
        let text = |name: &Option<String>| printable(name.as_deref().unwrap_or("")).into_owned();
        rows.push(vec![
            printable(&pot.name).into_owned(),
            printable(&pot.body).into_owned(),
            words.time(pot.made_at),
            pot.ball_g.map(|g| words.weighed(g)).unwrap_or_default(),
            text(&pot.board),
            kept,
        ]);
    }
    match (rows.is_empty(), roll.pots.is_empty()) {
        (true, true) => screen::say("No pots yet. Add one with: warecast pot add NAME --body BODY"),
        (true, false) => screen::say("No pot is drying. All of them: warecast pot list --all"),
        _ => {
            screen::print(&screen::columns(&["POT", "BODY", "MADE", "BALL", "BOARD", "KEPT"], rows))
        }
    }
}

fn show(name: &str, words: &Words, store: &Store, context: &Context) -> anyhow::Result<ExitCode> {
    let roll = Roll::read(store)?;
    let pot = roll.find(name)?;
    screen::say(&format!("{}: {}.", printable(name), facts(pot, words)))?;
    let known = |row: &&HandlingRow| row.time <= words.now || row.action.can_be_planned();
    let log: Vec<_> = roll.log(name).iter().filter(known).map(|row| log_line(row, words)).collect();
    if !log.is_empty() {
        screen::print(&format!("\nLog\n{}", screen::columns(&[], log)))?;
    }
    let studio = store.studio(words.now)?;
    let weighings = studio.weighings.get(name).map_or(&[][..], |weighings| &weighings.0);
    screen::say(&match weighings.last() {
        Some(last) => format!(
            "\nWeighed {}, last {} ({}): {} with what stood on the scale.",
            if weighings.len() == 1 { "once".into() } else { format!("{} times", weighings.len()) },
            words.time(last.time),
            words.distance(last.time),
            words.weighed(last.value)
        ),
        None => "\nNot weighed yet.".into(),
    })?;
    if let Some(shrunk) = Shrinkage::new(roll.log(name), words.now) {
        screen::say(&shrinkage(&shrunk, words))?;
    }
    if let Some(end) = roll.past_it(name, words.now) {
        let undo = undo::ending(name, &roll, words.now, context).filter(|_| words.live);
        let undo = undo.map(|how| format!(" {how}")).unwrap_or_default();
        return screen::say(&format!("It is {end}: nothing more is forecast.{undo}"));
    }
    if let Some(on_rim) = on_its_rim(&studio, name) {
        screen::say(&format!("It stands on its {}.", if on_rim { "rim" } else { "foot" }))?;
    }
    super::report::air_forecast(store, words);
    for answer in answers::of_pots(&studio, &[&pot.name]) {
        screen::print(&format!("\nAs of {}\n", words.full_time(words.now)))?;
        screen::print(&screen::one_pot(&answer, words))?;
    }
    Ok(ExitCode::SUCCESS)
}

/// What the lengths that were noted say.
fn shrinkage(shrunk: &Shrinkage, words: &Words) -> String {
    let (time, mm) = shrunk.from;
    let of = |linear: f64| {
        let volume = words::percent(volume_shrinkage(linear));
        format!("{} ({volume} of the volume)", words::percent(linear))
    };
    let mut parts = Vec::new();
    if let Some(linear) = shrunk.drying() {
        let dry = if shrunk.packed { "drying" } else { "so far" };
        parts.push(format!("{dry} {}", of(linear)));
    }
    let firing = |of_dry| format!("in the fire {} of the dry length", words::percent(of_dry));
    parts.extend(shrunk.firing().map(firing));
    parts.extend(shrunk.total().map(|linear| format!("in all {}", of(linear))));
    let parts = parts.join(", ");
    format!("Shrunk since {}, when it was {mm} mm: {parts} (ASTM C326).", words.time(time))
}

fn log_line(row: &HandlingRow, words: &Words) -> Vec<String> {
    let plan = if row.time > words.now { "planned" } else { "" };
    vec![words.time(row.time), action(&row.action, words), plan.into()]
}

/// An action and its detail, in words.
pub fn action(action: &Action, words: &Words) -> String {
    match action {
        Action::Tare(g) | Action::Attach(Some(g)) => {
            format!("{} {}", action.word(), words.weighed(*g))
        }
        Action::Length(mm) => format!("length {mm} mm"),
        _ => printable(format!("{} {}", action.word(), action.detail()).trim_end()).into_owned(),
    }
}

/// Whether a time is too far ahead to have happened: clocks of two machines differ a little.
pub fn in_future(time: Time, now: Time) -> bool {
    const SLACK_S: f64 = 60.0;
    time.since(now) > SLACK_S
}
