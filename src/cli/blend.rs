//! `body blend`: a body wedged together from others, and what it must not be mixed with.

use super::names::{check_body, list};
use super::words::{self, Words, printable, shell_word};
use super::{Context, REFUSED, body, completions, sample, screen, whole_number};
use crate::core::blend::{self, Mixture, UNEVEN};
use crate::records::{Blend, Ingredient, Name, Studio};
use crate::store::{Clash, Store, StoreError, rules};
use std::process::ExitCode;

/// More than this share of the dry mass that is no clay, and a body hardly holds together (common
/// practice, no source; grog goes up to two fifths).
const MOST_ADDED: f64 = 0.5;

/// The new body is one like others: it has pots and samples of its own, and learns by itself. Its
/// water and trimming band come from the parts.
#[derive(clap::Args, Debug)]
#[command(after_long_help = "\
With --balls nothing is stored: the numbers are then parts by DRY weight, and what
is said is how much of each to weigh out, wet as it comes from the bag:
  warecast body blend shore --part tide=2 --part dune=1 --add grog=0.3 --balls 12 --ball 600g")]
pub struct Args {
    /// The new body
    body: String,
    /// A body of the studio and how much of it, wet as it was wedged (tide=3000g)
    #[arg(long = "part", value_name = "BODY=WEIGHT", required = true, add = completions::bodies())]
    parts: Vec<String>,
    /// Something dry that is no clay, and how much of it (grog=300g)
    #[arg(long = "add", value_name = "NAME=WEIGHT")]
    additions: Vec<String>,
    /// Say how much to wedge for that many balls
    #[arg(long, value_name = "N", requires = "ball", conflicts_with = "replace",
          value_parser = whole_number::<u32>(1, 100_000))]
    balls: Option<u32>,
    /// Weight of one of these balls (600g, "1 lb 4 oz")
    #[arg(long, value_name = "WEIGHT", requires = "balls")]
    ball: Option<String>,
    /// Blend a body that is there anew: what is given takes the place of all that it was
    #[arg(long)]
    replace: bool,
}

/// Runs `body blend`.
pub fn run(args: Args, context: &Context) -> anyhow::Result<ExitCode> {
    rules::name("body", &args.body)?;
    let mut store = context.open()?;
    let words = context.words(store.settings(), None)?;
    let studio = store.studio(words.now)?;
    if let (Some(balls), Some(ball)) = (args.balls, &args.ball) {
        let ball_g =
            words::parse_mass(ball, words.units).map_err(|e| anyhow::anyhow!("--ball: {e}"))?;
        return plan(&args, &studio, (balls, ball_g), &words, context);
    }
    let mass = |text: &str| words::parse_mass(text, words.units).map_err(anyhow::Error::from);
    let parts = named(&args.parts, "--part", mass)?;
    let additions = named(&args.additions, "--add", mass)?;
    check_parts(&studio, &parts)?;
    let row = |kind| {
        let body = args.body.clone();
        move |(name, mass_g): &(Name, f64)| Blend {
            body: body.clone(),
            kind,
            name: name.clone(),
            mass_g: *mass_g,
        }
    };
    let rows: Vec<Blend> = parts.iter().map(row(Ingredient::Part)).collect();
    let rows: Vec<Blend> =
        rows.into_iter().chain(additions.iter().map(row(Ingredient::Addition))).collect();
    for row in &rows {
        rules::blend(row).map_err(|e| anyhow::anyhow!("{}", e.text))?;
    }
    let (known, added) = blend::ingredients(&studio, &rows);
    let Some(mixture) = blend::mix(&known, &added) else {
        anyhow::bail!("these weights are no blend");
    };
    wedge(&args, &rows, &mixture, &studio, &mut store, &words)
}

/// Stores a blend, and says what came of it.
fn wedge(
    args: &Args,
    rows: &[Blend],
    mixture: &Mixture,
    studio: &Studio,
    store: &mut Store,
    words: &Words,
) -> anyhow::Result<ExitCode> {
    let new = mixture.body(&args.body);
    let name = printable(&args.body);
    let there = studio.bodies.contains_key(&args.body);
    if there && !args.replace {
        let same = |stored: &Vec<Blend>| {
            stored.len() == rows.len() && rows.iter().all(|row| stored.contains(row))
        };
        if studio.blends.get(&args.body).is_some_and(same) {
            return screen::say(&format!("Body {name} was there already, of the same."));
        }
        screen::complain(&format!(
            "body {name} is there already: give the blend a name of its own, or add --replace to \
             make it anew"
        ));
        return Ok(ExitCode::from(REFUSED));
    }
    let clash = if args.replace { Clash::Replace } else { Clash::Refuse };
    store.put_blended(&new, rows, clash).map_err(|e| match e {
        StoreError::Unfit(unfit) => anyhow::anyhow!("{}", unfit.text),
        other => other.into(),
    })?;
    screen::say(&format!(
        "Body {name} blended: {}. {}.\nIts water is known to lie at {}.",
        shares(rows, mixture),
        body::facts(&new),
        sample::water(&mixture.water)
    ))?;
    let parts = rows.iter().filter(|row| row.kind == Ingredient::Part);
    let no_band = parts.filter(|row| {
        let part = studio.bodies.get(&row.name);
        part.is_none_or(|b| b.trim_from_dry.is_none() || b.trim_to_dry.is_none())
    });
    let no_band: Vec<&str> = no_band.map(|row| row.name.as_str()).collect();
    if !no_band.is_empty() {
        screen::say(&format!("No trimming band, since none is known of {}.", list(no_band)))?;
    }
    if mixture.uneven > UNEVEN {
        screen::complain(&format!(
            "the parts differ by {} in water (of the dry clay): soft and stiff clay wedge into \
             lumps. Let the softer one stiffen first, or wet the stiffer one",
            words::percent(mixture.uneven)
        ));
    }
    let added: f64 = mixture.additions.iter().sum();
    if added > MOST_ADDED {
        screen::complain(&format!(
            "{} of its dry mass is no clay, and that is hardly a body to throw: was a weight \
             mistyped? Blend it anew with --replace",
            words::percent(added)
        ));
    }
    let studio = store.studio(words.now)?;
    let cautions = cautions(&studio, &args.body);
    if cautions.is_empty() {
        return Ok(ExitCode::SUCCESS);
    }
    screen::say(&cautions.join("\n"))
}

/// How much to wedge; nothing is stored.
fn plan(
    args: &Args,
    studio: &Studio,
    (balls, ball_g): (u32, f64),
    words: &Words,
    context: &Context,
) -> anyhow::Result<ExitCode> {
    let number = |text: &str| {
        text.parse::<f64>().map_err(|_| {
            anyhow::anyhow!("\"{}\": with --balls a number of parts, like 2", printable(text))
        })
    };
    let parts = named(&args.parts, "--part", number)?;
    let additions = named(&args.additions, "--add", number)?;
    check_parts(studio, &parts)?;
    let Some((wet, dry)) = blend::for_balls(studio, &parts, &additions, (balls, ball_g)) else {
        anyhow::bail!("parts and the ball must each be more than nothing");
    };
    let parts: Vec<(&Name, String)> =
        parts.iter().zip(&wet).map(|((name, _), g)| (name, words.mass(*g))).collect();
    let additions: Vec<(&Name, String)> =
        additions.iter().zip(&dry).map(|((name, _), g)| (name, words.mass(*g))).collect();
    let mut text = format!("For {balls} balls of {} weigh out:", words.weighed(ball_g));
    for (name, mass) in &parts {
        let water = blend::bag_water(studio, name, None);
        let (name, held) = (printable(name), sample::water(&water));
        text += &format!("\n  {mass} of {name}, wet, which holds {held}");
    }
    for (name, mass) in &additions {
        text += &format!("\n  {mass} of {}, dry", printable(name));
    }
    let option = |option: &str, (name, mass): &(&Name, String)| {
        format!(" {option} {}", shell_word(&format!("{name}={mass}")))
    };
    let all = parts.iter().map(|p| option("--part", p));
    let all: String = all.chain(additions.iter().map(|a| option("--add", a))).collect();
    let (command, body) = (context.command(), shell_word(&args.body));
    text += &format!("\nWhen it is wedged: {command} body blend {body}{all}");
    screen::say(&text)
}

/// `NAME=NUMBER`, each name once.
fn named(
    texts: &[String],
    option: &str,
    number: impl Fn(&str) -> anyhow::Result<f64>,
) -> anyhow::Result<Vec<(Name, f64)>> {
    let mut found: Vec<(Name, f64)> = Vec::new();
    for text in texts {
        let Some((name, value)) = text.rsplit_once('=') else {
            anyhow::bail!("{option} {}: expected NAME=NUMBER", printable(text));
        };
        let name = name.trim();
        if found.iter().any(|(other, _)| other == name) {
            anyhow::bail!("{option} {} is there twice: give it once, in all", printable(name));
        }
        let value = number(value.trim())
            .map_err(|e| anyhow::anyhow!("{option} {}: {e}", printable(name)))?;
        if value <= 0.0 {
            anyhow::bail!("{option} {}: more than nothing is wanted", printable(text));
        }
        found.push((name.into(), value));
    }
    Ok(found)
}

fn check_parts(studio: &Studio, parts: &[(Name, f64)]) -> anyhow::Result<()> {
    for (name, _) in parts {
        let otherwise = format!("add it with `warecast body add {}`", shell_word(name));
        check_body(name, studio.bodies.keys().map(String::as_str), &otherwise)?;
    }
    Ok(())
}

/// `74% tide, 26% dune and 13% grog (of the dry mass)`: parts first, the largest first.
fn shares(rows: &[Blend], mixture: &Mixture) -> String {
    let shares = mixture.parts.iter().chain(&mixture.additions);
    let mut each: Vec<(&Blend, f64)> = rows.iter().zip(shares.copied()).collect();
    each.sort_by(|(a, more), (b, less)| a.kind.cmp(&b.kind).then(less.total_cmp(more)));
    let each = each.iter().map(|(row, share)| format!("{} {}", words::percent(*share), row.name));
    format!("{} (of the dry mass)", printable(&list(each.collect::<Vec<_>>())))
}

/// What an addition can do to people, and to other clay.
fn cautions(studio: &Studio, body: &str) -> Vec<String> {
    let mut lines = Vec::new();
    for (name, hazards) in blend::additions(&studio.blends, body) {
        let name = printable(&name).into_owned();
        if hazards.is_empty() {
            lines.push(format!(
                "{name}: not known to this program, which does not make it harmless: read its \
                 safety data sheet."
            ));
        }
        lines.extend(hazards.iter().map(|hazard| format!("{name}: {}.", hazard.caution())));
    }
    let apart = blend::apart(&studio.blends, body);
    let others: Vec<&Name> = studio.bodies.keys().filter(|other| *other != body).collect();
    let without = |other: &&&Name| !apart.is_subset(&blend::apart(&studio.blends, other));
    let clean: Vec<&&Name> = others.iter().filter(|o| without(o)).collect();
    if !clean.is_empty() {
        lines.push(format!(
            "Keep its scrap, slops and tools apart: its reclaim must not be mixed with {}.",
            printable(&list(clean))
        ));
    }
    let strangers = others.iter().filter_map(|other| {
        let theirs = blend::apart(&studio.blends, other);
        let more: Vec<&Name> = theirs.difference(&apart).collect();
        (!more.is_empty()).then(|| format!("{other} ({})", list(more)))
    });
    let strangers: Vec<String> = strangers.collect();
    if !strangers.is_empty() {
        lines.push(format!("Keep out of its reclaim: {}.", printable(&list(strangers))));
    }
    lines
}

/// What a body is made of, and what its reclaim must not be mixed with, for `body show`.
pub fn lines(studio: &Studio, body: &str) -> Vec<String> {
    let mut lines = Vec::new();
    if let Some(rows) = studio.blends.get(body) {
        let (parts, additions) = blend::ingredients(studio, rows);
        if let Some(mixture) = blend::mix(&parts, &additions) {
            lines.push(format!("Made of {}.", shares(rows, &mixture)));
        }
    }
    lines.extend(cautions(studio, body));
    lines
}
