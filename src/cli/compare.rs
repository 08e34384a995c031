//! `compare`: treatments against each other: how many pots, who gets what, what came out.

use super::findings::{Findings, Origin};
use super::names::{Roll, counted, list, suggestion};
use super::progress::Progress;
use super::report::looking_at;
use super::words::{Words, printable};
use super::{Context, allotting, completions, plot, screen};
use crate::answers::compare::{Member, compare};
use crate::core::compare::groups::{By, groups};
use crate::plot as pictures;
use crate::records::{Allotment, Name, Studio};
use crate::store::Store;
use std::io::Write;
use std::path::PathBuf;
use std::process::ExitCode;
use std::sync::atomic::{AtomicUsize, Ordering};

/// More treatments than anybody tells apart at once.
pub const MOST_TREATMENTS: usize = 6;

/// Options of `compare`.
#[derive(clap::Args, Debug)]
pub struct Args {
    #[command(subcommand)]
    command: Command,
}

#[derive(clap::Subcommand, Debug)]
enum Command {
    /// Say how many pots it takes, and draw by chance which pot gets which treatment
    Design(allotting::Args),
    /// Say what came out, of a comparison that was drawn or of past pots
    Result(ResultArgs),
}

/// Options of `compare result`.
#[derive(clap::Args, Debug)]
#[command(after_long_help = "\
Two answers to each question. The plain one goes by what was seen of each pot:
Welch's t of the logarithms, paired where pots were drawn in pairs; where some are
not dry yet, by how long they were seen not to be (censored). The model's goes by
the pots' fits: how well each is known, where it is going, and how it would have
dried had all stood in the same steady air.

What the rows mean:
  leather-hard    from the wheel until the trimming window opens
  bone-dry        from the wheel until no further drying is detected in this air
  window          how long it can be trimmed
  same air        how fast to leather-hard: plain by the air's deficit, added up
                  until then; model with all pots sent through the same steady air
  base wetter by  water of base less that of wall at leather-hard, in points of the
                  dry clay: less is more even (the model's word alone)
  lost            cracked in drying, warped, burst or lost; a pot that dried without
                  a word of it is whole
  P               how often so much would be seen by chance alone, of so many
                  questions (Holm)

--by tells past pots apart by body, cover (of most of the first day), place, board,
lot, wall or base (parted at the median); --by body=tide,shore takes these alone, the
others against the first. Nobody drew those by chance: it is said.")]
struct ResultArgs {
    /// The comparison, as it was drawn; without one, those that there are
    #[arg(value_name = "COMPARISON", add = completions::comparisons())]
    comparison: Option<String>,
    /// Past pots, told apart by body, cover, place, board, lot, wall or base
    #[arg(long, value_name = "WHAT[=A,B]", conflicts_with = "comparison")]
    by: Option<String>,
    /// Past pots in a group of your own (twice or more): thick=jar-1,jar-2 or thick=BOARD
    #[arg(long, value_name = "NAME=POTS", conflicts_with_all = ["comparison", "by"])]
    group: Vec<String>,
    /// As it would have been at that time (18:25, yesterday 9:10, 2031-04-02 18:25 …)
    /// [default: now]
    #[arg(long, value_name = "WHEN")]
    at: Option<String>,
    /// As JSON, for programs
    #[arg(long)]
    json: bool,
    /// Draw a picture too, into a file ending in .svg or .png
    #[arg(short, long, value_name = "FILE")]
    output: Option<PathBuf>,
    /// Overwrite the picture if it exists
    #[arg(long, requires = "output")]
    force: bool,
}

/// Runs `compare`.
pub fn run(args: Args, context: &Context) -> anyhow::Result<ExitCode> {
    match args.command {
        Command::Design(args) => allotting::run(args, context),
        Command::Result(args) => result(args, context),
    }
}

/// What is compared.
struct Asked {
    name: Option<Name>,
    treatments: Vec<Name>,
    members: Vec<Member>,
    origin: Origin,
}

fn result(args: ResultArgs, context: &Context) -> anyhow::Result<ExitCode> {
    let store = context.open()?;
    let words = looking_at(args.at.as_deref(), context, store.settings())?;
    let all = store.allotments()?;
    let studio = store.studio(words.now)?;
    let asked = match (&args.comparison, &args.by, args.group.as_slice()) {
        (Some(name), ..) => drawn(name, &all, &words)?,
        (None, Some(by), _) => by_property(by, &studio)?,
        (None, None, []) => return there_are(&all, context),
        (None, None, groups) => by_hand(groups, &store, &words)?,
    };
    let level = store.settings().compare.level;
    let (progress, done) = (Progress::new("pots"), AtomicUsize::new(0));
    let step = || progress.show(done.fetch_add(1, Ordering::Relaxed) + 1, asked.members.len());
    let compared = compare(&studio, &asked.members, asked.treatments.len(), level, &step);
    progress.end();
    let (treatments, members) = (&asked.treatments, &asked.members);
    let findings = Findings {
        name: asked.name.as_deref(),
        treatments,
        members,
        origin: &asked.origin,
        compared: &compared,
        level,
        at: words.now,
    };
    if args.json {
        let mut out = std::io::stdout().lock();
        serde_json::to_writer_pretty(&mut out, &findings.json()).map_err(std::io::Error::from)?;
        writeln!(out)?;
    } else {
        screen::print(&findings.page(&words))?;
    }
    if let Some(path) = &args.output {
        let look = plot::look(&words, args.force);
        pictures::write_comparison(&findings.picture(), path, &look)?;
        screen::tell(&format!("wrote {}", printable(&path.display().to_string())));
    }
    Ok(ExitCode::SUCCESS)
}

/// The comparisons that were drawn, in order of name.
pub fn names(all: &[Allotment]) -> Vec<&Name> {
    let mut names: Vec<&Name> = all.iter().map(|a| &a.comparison).collect();
    names.sort_by_key(|name| counted(name));
    names.dedup();
    names
}

/// The pots of a comparison with their treatments, these in order of rank.
fn drawn(name: &str, all: &[Allotment], words: &Words) -> anyhow::Result<Asked> {
    let rows: Vec<&Allotment> =
        all.iter().filter(|a| a.comparison == name && a.drawn_at <= words.now).collect();
    if rows.is_empty() {
        let known = names(all);
        let known = known.iter().map(|name| name.as_str());
        let hint = suggestion(name, known, "see `warecast compare result`");
        anyhow::bail!("there is no comparison \"{}\" at that time: {hint}", printable(name));
    }
    let mut ranked: Vec<(u32, &Name)> = rows.iter().map(|a| (a.rank, &a.treatment)).collect();
    ranked.sort();
    ranked.dedup();
    let treatments: Vec<Name> = ranked.into_iter().map(|(_, name)| name.clone()).collect();
    let place = |a: &Allotment| treatments.iter().position(|t| *t == a.treatment).unwrap_or(0);
    let members = rows.iter().map(|a| (a.pot.clone(), place(a), a.pair)).collect();
    let origin = Origin::Drawn { seed: rows[0].seed, at: rows[0].drawn_at };
    checked(Asked { name: Some(name.into()), treatments, members, origin })
}

/// Past pots told apart by what they are.
fn by_property(by: &str, studio: &Studio) -> anyhow::Result<Asked> {
    let (word, only) = match by.split_once('=') {
        Some((word, only)) => (word, only.split(',').map(str::trim).collect::<Vec<_>>()),
        None => (by, Vec::new()),
    };
    let Some(property) = By::parse(word) else {
        let known = list(By::ALL.iter().map(|(_, word)| *word));
        anyhow::bail!("--by \"{}\": expected one of {known}", printable(word));
    };
    let mut found = groups(studio, property);
    for wanted in &only {
        if !found.iter().any(|(name, _)| name == wanted) {
            let known = found.iter().map(|(name, _)| name.as_str());
            let hint = suggestion(wanted, known, "no weighed pot is of that");
            anyhow::bail!("--by {word}: there is no \"{}\": {hint}", printable(wanted));
        }
    }
    if !only.is_empty() {
        found.retain(|(name, _)| only.contains(&name.as_str()));
        found.sort_by_key(|(name, _)| only.iter().position(|only| only == name));
    }
    if found.len() < 2 {
        anyhow::bail!(
            "--by {word}: all weighed pots of which it is known are alike in that; two groups are \
             wanted"
        );
    }
    if found.len() > MOST_TREATMENTS {
        let names = list(found.iter().map(|(name, _)| name));
        anyhow::bail!(
            "--by {word}: {} groups are too many at once ({names}): name two of them, as in --by \
             {word}={},{}",
            found.len(),
            printable(&found[0].0),
            printable(&found[1].0)
        );
    }
    of_groups(found)
}

/// Past pots in groups that were named.
fn by_hand(groups: &[String], store: &Store, words: &Words) -> anyhow::Result<Asked> {
    let roll = Roll::read(store)?;
    let mut found: Vec<(Name, Vec<Name>)> = Vec::new();
    for group in groups {
        let Some((label, pots)) = group.split_once('=').filter(|(label, _)| !label.is_empty())
        else {
            anyhow::bail!("--group \"{}\": write it like thick=jar-1,jar-2", printable(group));
        };
        let mut names = Vec::new();
        // A name may hold a comma.
        let whole = roll.pot(pots).is_some();
        let each: Vec<&str> = if whole { vec![pots] } else { pots.split(',').collect() };
        for word in each {
            let word = word.trim();
            match roll.on_board(word).next() {
                Some(_) => names.extend(
                    roll.on_board(word)
                        .filter(|pot| pot.made_at <= words.now)
                        .map(|pot| pot.name.clone()),
                ),
                None => names.push(roll.find(word)?.name.clone()),
            }
        }
        match found.iter_mut().find(|(name, _)| name == label) {
            Some((_, pots)) => pots.extend(names),
            None => found.push((label.into(), names)),
        }
    }
    of_groups(found)
}

fn of_groups(groups: Vec<(Name, Vec<Name>)>) -> anyhow::Result<Asked> {
    let treatments = groups.iter().map(|(name, _)| name.clone()).collect();
    let members = groups.into_iter().enumerate().flat_map(|(i, (_, pots))| {
        pots.into_iter().map(move |pot| (pot, i, None)).collect::<Vec<_>>()
    });
    let members = members.collect();
    checked(Asked { name: None, treatments, members, origin: Origin::Found })
}

/// Refuses what is no comparison.
fn checked(asked: Asked) -> anyhow::Result<Asked> {
    let mut seen: Vec<(&Name, usize)> = Vec::new();
    for (pot, treatment, _) in &asked.members {
        if let Some((_, other)) = seen.iter().find(|(name, _)| *name == pot) {
            let (a, b) = (&asked.treatments[*other], &asked.treatments[*treatment]);
            anyhow::bail!(
                "{} cannot be both in {} and in {}: a pot counts once",
                printable(pot),
                printable(a),
                printable(b)
            );
        }
        seen.push((pot, *treatment));
    }
    let number = asked.treatments.len();
    if !(2..=MOST_TREATMENTS).contains(&number) {
        anyhow::bail!("{number} groups: 2 to {MOST_TREATMENTS} can be compared");
    }
    for (i, name) in asked.treatments.iter().enumerate() {
        let pots = asked.members.iter().filter(|(_, treatment, _)| *treatment == i).count();
        if pots < 2 {
            anyhow::bail!(
                "{} has {pots} pot{}: nobody can tell what one pot does from what pots do; two of \
                 each are wanted at least",
                printable(name),
                if pots == 1 { "" } else { "s" }
            );
        }
    }
    Ok(asked)
}

/// Which comparisons there are.
fn there_are(all: &[Allotment], context: &Context) -> anyhow::Result<ExitCode> {
    let names = names(all);
    if names.is_empty() {
        return screen::say(&format!(
            "No comparison was drawn yet: {0} compare design NAME open draped --pots BOARD draws \
             one. Past pots: {0} compare result --by cover",
            context.command()
        ));
    }
    let row = |name: &&Name| {
        let of: Vec<&Allotment> = all.iter().filter(|a| a.comparison == **name).collect();
        let mut treatments: Vec<(u32, &Name)> = of.iter().map(|a| (a.rank, &a.treatment)).collect();
        treatments.sort();
        treatments.dedup();
        let against = list(treatments.into_iter().map(|(_, name)| name));
        vec![printable(name).into_owned(), of.len().to_string(), against]
    };
    let rows = names.iter().map(row).collect();
    screen::print(&screen::columns(&["COMPARISON", "POTS", "TREATMENTS"], rows))
}
