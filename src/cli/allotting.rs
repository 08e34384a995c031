//! `compare design`: how many pots a comparison takes, and which pot gets which treatment.

use super::compare::MOST_TREATMENTS;
use super::names::{Roll, counted, list};
use super::screen::{self, heading, paragraph};
use super::words::{Words, percent, printable, shell_word};
use super::{Context, FAILED, REFUSED, compare, completions};
use crate::answers::compare::spread;
use crate::core::compare::design::{Aim, MOST, blocks, dealt, dealt_in_blocks};
use crate::core::seed;
use crate::records::{Allotment, Cover, Name, Pot, check_name};
use crate::store::settings::{CompareSettings, DIFFERENCE};
use crate::store::{Clash, Store};
use crate::units::HOUR;
use anstyle::AnsiColor;
use serde::Serialize;
use std::io::Write;
use std::process::ExitCode;

/// Options of `compare design`.
#[derive(clap::Args, Debug)]
#[command(after_long_help = "\
Without a name it only says how many pots it takes to find a difference. With a name
and treatments it draws by chance which pot gets which: within pairs of pots that are
alike (in body, board, ball, wall, base, lot and hour), since these tell treatments
apart best. The first treatment is that against which the others are held.

  warecast compare design --difference 20%
  warecast compare design spring open draped --pots north south
  warecast compare design grog plain grogged --throw 12

--throw is for what is chosen before a pot is made, such as its body or how thick it
is: it says what the first to the last have to be; add them by these names.
A treatment that is called open, draped, wrapped or cupboard is a cover.")]
pub struct Args {
    /// What the comparison is called
    #[arg(value_name = "COMPARISON", add = completions::comparisons())]
    name: Option<String>,
    /// Two treatments or more, the one you know first
    #[arg(value_name = "TREATMENT")]
    treatments: Vec<String>,
    /// Pots that are there, or boards with all of theirs
    #[arg(long, value_name = "POT-OR-BOARD", num_args = 1.., add = completions::pots_and_boards())]
    pots: Vec<String>,
    /// So many pots that are still to be thrown
    #[arg(long, value_name = "N", conflicts_with = "pots",
          value_parser = super::whole_number::<u32>(4, MOST as u64))]
    throw: Option<u32>,
    /// The difference in drying time that is worth finding (20%) [default: that of studio.toml]
    #[arg(long, value_name = "PERCENT", value_parser = difference)]
    difference: Option<f64>,
    /// Draw among all pots, not within pairs
    #[arg(long)]
    apart: bool,
    /// What chance goes by [default: from the name]
    #[arg(long, value_name = "N", value_parser = super::whole_number::<u32>(0, u32::MAX.into()))]
    seed: Option<u32>,
    /// Draw anew, in the place of what was drawn under that name
    #[arg(long)]
    replace: bool,
    /// Take the comparison back
    #[arg(long, conflicts_with_all = ["pots", "throw", "replace", "seed", "apart", "treatments"])]
    undo: bool,
    /// As JSON, for programs
    #[arg(long)]
    json: bool,
}

/// A pot that was made so long before is no fresh one, s: in an ordinary room a thin pot is halfway
/// to leather-hard by then (common practice, no source).
const FRESH: f64 = 6.0 * HOUR;

/// `20%` or `20`, as a share.
fn difference(text: &str) -> Result<f64, String> {
    let number = text.trim().trim_end_matches('%').trim_end().parse::<f64>();
    let (low, high) = (100.0 * DIFFERENCE.start(), 100.0 * DIFFERENCE.end());
    match number.map(|percent| percent / 100.0) {
        Ok(share) if DIFFERENCE.contains(&share) => Ok(share),
        _ => Err(format!("a difference from {low}% to {high}% is wanted, such as 20%")),
    }
}

/// How many pots it takes.
#[derive(Clone, Debug, Serialize)]
struct Size {
    difference: f64,
    level: f64,
    power: f64,
    /// Standard deviation of ln of the time of pots that are treated alike.
    spread: f64,
    /// Pots of this studio that told it.
    spread_told_by: usize,
    paired: bool,
    treatments: usize,
    /// Pots of each treatment; null beyond what any studio compares.
    pots_each: Option<usize>,
    /// The least difference that the pots at hand find.
    finds: Option<f64>,
}

#[derive(Serialize)]
struct Json<'a> {
    comparison: Option<&'a str>,
    seed: Option<u32>,
    treatments: &'a [String],
    size: &'a Size,
    allotted: Vec<JsonPot>,
    left_over: &'a [Name],
}

#[derive(Serialize)]
struct JsonPot {
    pot: Name,
    treatment: Name,
    pair: Option<u32>,
}

/// Runs `compare design`.
pub fn run(args: Args, context: &Context) -> anyhow::Result<ExitCode> {
    let mut store = context.open()?;
    let words = context.words(store.settings(), None)?;
    if args.undo {
        return undo(&args, &mut store);
    }
    let drawn = match &args.name {
        Some(name)
            if !args.treatments.is_empty() || args.throw.is_some() || !args.pots.is_empty() =>
        {
            Some(draw(name, &args, &store, &words)?)
        }
        Some(name) => anyhow::bail!(
            "which treatments? Name two or more, as in: compare design {} open draped --pots BOARD",
            shell_word(name)
        ),
        None => None,
    };
    let each = drawn.as_ref().map(|drawn| drawn.each(args.treatments.len()));
    let size = size(&args, &store, &words, each)?;
    let mut status = ExitCode::SUCCESS;
    if let Some(drawn) = drawn.as_ref().filter(|drawn| !drawn.rows.is_empty()) {
        status = put(drawn, &args, &mut store)?;
        if status != ExitCode::SUCCESS {
            return Ok(status);
        }
    }
    if args.json {
        write_json(&args, &size, drawn.as_ref())?;
    } else {
        screen::print(&page(&args, &size, drawn.as_ref(), context))?;
    }
    Ok(status)
}

fn write_json(args: &Args, size: &Size, drawn: Option<&Drawn>) -> anyhow::Result<()> {
    let rows = drawn.map_or(&[][..], |drawn| &drawn.rows);
    let pot = |a: &'_ Allotment| JsonPot {
        pot: a.pot.clone(),
        treatment: a.treatment.clone(),
        pair: a.pair,
    };
    let json = Json {
        comparison: args.name.as_deref(),
        seed: rows.first().map(|a| a.seed),
        treatments: &args.treatments,
        size,
        allotted: rows.iter().map(pot).collect(),
        left_over: drawn.map_or(&[], |drawn| &drawn.left_over),
    };
    let mut out = std::io::stdout().lock();
    serde_json::to_writer_pretty(&mut out, &json).map_err(std::io::Error::from)?;
    writeln!(out)?;
    Ok(())
}

fn undo(args: &Args, store: &mut Store) -> anyhow::Result<ExitCode> {
    let Some(name) = &args.name else { anyhow::bail!("--undo of which comparison? Name it") };
    let shown = printable(name).into_owned();
    match store.forget_comparison(name)? {
        0 => {
            screen::complain(&format!("there is no comparison \"{shown}\" to take back"));
            Ok(ExitCode::from(FAILED))
        }
        pots => screen::say(&format!("Taken back: comparison {shown} with {pots} pots.")),
    }
}

/// Who gets what.
struct Drawn {
    rows: Vec<Allotment>,
    left_over: Vec<Name>,
    /// Places of the studio's pots.
    places: Vec<Name>,
    /// What else is to be said.
    remarks: Vec<String>,
}

impl Drawn {
    /// Pots of the treatment that has the fewest.
    fn each(&self, treatments: usize) -> usize {
        let of = |rank: usize| self.rows.iter().filter(|a| a.rank as usize == rank).count();
        (1..=treatments).map(of).min().unwrap_or(0)
    }
}

fn draw(name: &str, args: &Args, store: &Store, words: &Words) -> anyhow::Result<Drawn> {
    check(name, "comparison")?;
    let number = args.treatments.len();
    for (i, treatment) in args.treatments.iter().enumerate() {
        check(treatment, "treatment")?;
        if args.treatments[..i].contains(treatment) {
            anyhow::bail!("{} is named twice: two treatments must differ", printable(treatment));
        }
    }
    if !(2..=MOST_TREATMENTS).contains(&number) {
        anyhow::bail!(
            "{number} treatment{}: 2 to {MOST_TREATMENTS} can be compared, as in: compare design \
             {} open draped --pots BOARD",
            if number == 1 { "" } else { "s" },
            shell_word(name)
        );
    }
    let roll = Roll::read(store)?;
    let (pots, remarks) = match args.throw {
        Some(count) => (to_throw(name, count, &roll, words)?, Vec::new()),
        None if args.pots.is_empty() => (Vec::new(), Vec::new()),
        None => there(&args.pots, &roll, words)?,
    };
    if !pots.is_empty() && pots.len() < 2 * number {
        anyhow::bail!(
            "{} pot{} for {number} treatments: two of each are wanted at least, since nobody can \
             tell what one pot does from what pots do",
            pots.len(),
            if pots.len() == 1 { "" } else { "s" }
        );
    }
    let seed = args.seed.unwrap_or(seed(name) as u32);
    let row = |(pot, treatment, pair): (Name, usize, Option<u32>)| Allotment {
        comparison: name.into(),
        pot,
        treatment: args.treatments[treatment].clone(),
        rank: treatment as u32 + 1,
        pair,
        seed,
        drawn_at: words.now,
    };
    let names: Vec<Name> = pots.iter().map(|pot| pot.name.clone()).collect();
    let places = roll.pots.iter().filter_map(|pot| pot.place.clone()).collect();
    if args.apart {
        let all = dealt(&names, number, seed.into()).into_iter().map(|(pot, t)| (pot, t, None));
        let (rows, left_over) = (all.map(row).collect(), Vec::new());
        return Ok(Drawn { rows, left_over, places, remarks });
    }
    let (blocks, left_over) = match args.throw {
        // One after the other from the wheel: alike in clay, hand and hour.
        Some(_) => {
            let whole = names.len() / number * number;
            let blocks = names[..whole].chunks(number).map(<[Name]>::to_vec).collect();
            (blocks, names[whole..].to_vec())
        }
        None => blocks(&pots.iter().collect::<Vec<_>>(), number),
    };
    let all = dealt_in_blocks(&blocks, seed.into()).into_iter();
    let rows = all.map(|(pot, t, block)| row((pot, t, Some(block as u32 + 1)))).collect();
    Ok(Drawn { rows, left_over, places, remarks })
}

fn check(name: &str, what: &str) -> anyhow::Result<()> {
    check_name(name).map_err(|e| anyhow::anyhow!("the {what} \"{}\": {e}", printable(name)))
}

/// Pots that are still to be thrown, by name alone.
fn to_throw(name: &str, count: u32, roll: &Roll, words: &Words) -> anyhow::Result<Vec<Pot>> {
    let names: Vec<Name> = (1..=count).map(|i| format!("{name}-{i}")).collect();
    for pot in &names {
        check(pot, "pot")?;
        if roll.pot(pot).is_some() {
            anyhow::bail!(
                "there is a pot {} already: give the comparison another name",
                printable(pot)
            );
        }
    }
    Ok(names.iter().map(|pot| Pot::bare(pot, "", words.now)).collect())
}

/// Pots that are there, and what is to be said of some.
fn there(asked: &[String], roll: &Roll, words: &Words) -> anyhow::Result<(Vec<Pot>, Vec<String>)> {
    let mut names: Vec<Name> = Vec::new();
    for word in asked {
        for pot in roll.target(word, words.now, false)?.pots {
            if names.contains(&pot) {
                anyhow::bail!("{} is named twice: a pot counts once", printable(&pot));
            }
            names.push(pot);
        }
    }
    let mut old = Vec::new();
    let mut pots = Vec::new();
    for name in &names {
        if let Some(why) = roll.past_it(name, words.now) {
            anyhow::bail!("{} is {why}: nothing can be tried on it any more", printable(name));
        }
        let pot = roll.find(name)?;
        if words.now.since(pot.made_at) > FRESH {
            old.push(name);
        }
        pots.push(pot.clone());
    }
    let remarks = match old.as_slice() {
        [] => Vec::new(),
        old => vec![format!(
            "Made more than 6 h ago: {}. Times count from the wheel; what was done alike before \
             makes treatments look more alike than they are.",
            list(old)
        )],
    };
    Ok((pots, remarks))
}

fn put(drawn: &Drawn, args: &Args, store: &mut Store) -> anyhow::Result<ExitCode> {
    let Some(name) = &args.name else { return Ok(ExitCode::SUCCESS) };
    let there = store.allotments()?;
    if !args.replace && compare::names(&there).contains(&name) {
        screen::complain(&format!(
            "there is a comparison \"{}\" already, and who gets what is drawn once; --replace \
             draws anew, --undo takes it back",
            printable(name)
        ));
        return Ok(ExitCode::from(REFUSED));
    }
    store.put_comparison(&drawn.rows, if args.replace { Clash::Replace } else { Clash::Refuse })?;
    Ok(ExitCode::SUCCESS)
}

fn size(args: &Args, store: &Store, words: &Words, each: Option<usize>) -> anyhow::Result<Size> {
    let CompareSettings { level, power, difference, spread: supposed, shared } =
        store.settings().compare;
    let difference = args.difference.unwrap_or(difference);
    let (spread, told_by) = spread(&store.studio(words.now)?, supposed);
    let paired = !args.apart;
    let aim = Aim { spread, shared, level, power, paired };
    Ok(Size {
        difference,
        level,
        power,
        spread,
        spread_told_by: told_by,
        paired,
        treatments: args.treatments.len().max(2),
        pots_each: aim.pots((1.0 + difference).ln()),
        finds: each.and_then(|each| aim.least(each)).map(|ln| ln.exp() - 1.0),
    })
}

fn page(args: &Args, size: &Size, drawn: Option<&Drawn>, context: &Context) -> String {
    let width = screen::terminal_width();
    let mut page = String::new();
    let mut say = |text: &str| page += &paragraph(text, 0, width);
    say(&in_words(size));
    let Some(drawn) = drawn else {
        say(&told_by(size));
        return page;
    };
    let (Some(name), false) = (&args.name, drawn.rows.is_empty()) else {
        say(&told_by(size));
        say("Nothing was drawn: say which pots (--pots), or how many are to be thrown (--throw).");
        return page;
    };
    let each = drawn.each(args.treatments.len());
    let what = if args.apart { "pots of each treatment" } else { "pairs" };
    let what = if !args.apart && args.treatments.len() > 2 { "blocks" } else { what };
    match size.finds.filter(|finds| DIFFERENCE.contains(finds)) {
        Some(finds) => say(&format!("These {each} {what} find one of {} or more.", percent(finds))),
        None => say(&format!("These {each} {what} are too few to find any that pots show.")),
    }
    say(&told_by(size));
    let against = list(&args.treatments[1..]);
    let title = format!("{} against {}", against, printable(&args.treatments[0]));
    heading(&mut page, "WHO GETS WHAT", &title, AnsiColor::Green);
    page += &table(args, drawn);
    let mut foot = drawn.remarks.clone();
    if !drawn.left_over.is_empty() {
        foot.push(format!("Left over, in no pair: {}.", list(&drawn.left_over)));
    }
    foot.push(format!(
        "Drawn by chance from the seed {}{}. Whatever else is done to them is done to all alike.",
        drawn.rows[0].seed,
        match (args.apart, args.throw) {
            (true, _) => "",
            (_, Some(_)) => ", within pots that follow each other",
            _ => ", within pots that are alike",
        }
    ));
    let command = context.command();
    if args.throw.is_some() {
        foot.push(format!(
            "Throw them in this order, and add each by its name: {command} pot add {} …",
            shell_word(&drawn.rows[0].pot)
        ));
    }
    foot.extend(notes(args, drawn, &command));
    foot.push(format!("What came out: {command} compare result {}", shell_word(name)));
    page.push('\n');
    foot.iter().for_each(|text| page += &paragraph(text, 0, width));
    page
}

/// `To find a difference of 20% in drying time in 8 of 10 tries it takes 13 pairs (26 pots).`
fn in_words(size: &Size) -> String {
    let tries = format!(
        "To find a difference of {} in drying time in {:.0} of 100 tries",
        percent(size.difference),
        100.0 * size.power
    );
    let all = |n: usize| n * size.treatments;
    match (size.pots_each, size.paired) {
        (None, _) => format!(
            "{tries} more than {MOST} pots of each treatment are wanted: no studio can tell that."
        ),
        (Some(n), true) if size.treatments > 2 => {
            format!("{tries}, of any against the first, it takes {n} blocks, {} pots.", all(n))
        }
        (Some(n), true) => format!("{tries} it takes {n} pairs, {} pots.", all(n)),
        (Some(n), false) => format!("{tries} it takes {n} pots of each treatment."),
    }
}

fn told_by(size: &Size) -> String {
    let by = match size.spread_told_by {
        0 => "supposed, as no finished pots tell it yet".into(),
        n => format!("by {n} finished pots of this studio, and eight that are supposed"),
    };
    format!(
        "Pots that are treated alike differ by about {} in drying time ({by}).",
        percent(size.spread.exp() - 1.0)
    )
}

fn table(args: &Args, drawn: &Drawn) -> String {
    let shown = |name: &Name| printable(name).into_owned();
    if args.throw.is_some() {
        let mut rows: Vec<&Allotment> = drawn.rows.iter().collect();
        rows.sort_by_key(|a| counted(&a.pot));
        let rows = rows.into_iter().map(|a| vec![shown(&a.pot), shown(&a.treatment)]);
        return screen::columns(&["POT", "TREATMENT"], rows.collect());
    }
    let of = |rank: usize, pair: Option<u32>| -> Vec<&Name> {
        let mut pots: Vec<&Name> = drawn
            .rows
            .iter()
            .filter(|a| a.rank as usize == rank && (pair.is_none() || a.pair == pair))
            .map(|a| &a.pot)
            .collect();
        pots.sort_by_key(|pot| counted(pot));
        pots
    };
    let treatments: Vec<String> = args.treatments.iter().map(shown).collect();
    if args.apart {
        let row = |(i, name): (usize, &String)| vec![name.clone(), list(of(i + 1, None))];
        return screen::columns(
            &["TREATMENT", "POTS"],
            treatments.iter().enumerate().map(row).collect(),
        );
    }
    let pairs = drawn.rows.iter().filter_map(|a| a.pair).max().unwrap_or(0);
    let word = if treatments.len() > 2 { "BLOCK" } else { "PAIR" };
    let header: Vec<&str> =
        std::iter::once(word).chain(treatments.iter().map(String::as_str)).collect();
    let row = |pair: u32| {
        let each = (1..=treatments.len()).map(|rank| list(of(rank, Some(pair))));
        std::iter::once(pair.to_string()).chain(each).collect()
    };
    screen::columns(&header, (1..=pairs).map(row).collect())
}

/// The commands that note treatments which are covers, or places of the studio.
fn notes(args: &Args, drawn: &Drawn, command: &str) -> Vec<String> {
    let action = |treatment: &String| match Cover::parse(treatment) {
        Some(Cover::Open) => None,
        Some(_) => Some(format!("cover {treatment}")),
        None => drawn.places.contains(treatment).then(|| format!("move {}", shell_word(treatment))),
    };
    let line = |treatment: &String| {
        let action = action(treatment)?;
        let pots = drawn.rows.iter().filter(|a| a.treatment == *treatment);
        let pots: Vec<String> = pots.map(|a| shell_word(&a.pot).into_owned()).collect();
        Some(format!("Once it is done: {command} note {} {action}", pots.join(" ")))
    };
    if args.throw.is_some() {
        return Vec::new();
    }
    args.treatments.iter().filter_map(line).collect()
}
