//! `note`: what was done to pots, or is going to be.

use super::completions;
use super::names::{Roll, Target, list, suggestion};
use super::pot::{action as say_action, in_future};
use super::weigh::BENCH;
use super::when::{self, Lean};
use super::words::{self, Words, printable};
use super::{Context, REFUSED, screen, undo};
use crate::answers;
use crate::core::on_its_rim;
use crate::core::readiness::FRESH;
use crate::records::{
    ACTION_WORDS, Action, HEAVIEST_G, HandlingRow, MOST_ATTACHED, Name, Quantity, nearest,
};
use crate::store::settings::Units;
use crate::store::{Clash, Store};
use crate::units::{HOUR, Time};
use std::process::ExitCode;

/// Options of `note`.
#[derive(clap::Args, Debug)]
#[command(
    override_usage = "warecast note [OPTIONS] <POT-OR-BOARD>... <ACTION> [DETAIL]",
    after_long_help = "\
Actions:
  cover open|draped|wrapped|cupboard
                   how it is kept from then on
  flip             stood on its rim, or back on its foot; a trim turns it on its rim
                   by itself
  move PLACE       stands in another place from then on
  trim             clay was cut away; it stands on its rim from then on, until a
                   flip (one noted within 8 hours is the same turning)
  attach [WEIGHT]  wet clay was added (a handle, a knob, slip)
  sponge           water was taken out of the inside
  wet              water was brought on
  on SCALE         stands on that scale or cell from then on
  off              lifted off its scale
  tare WEIGHT      from then on this much else stands on the scale with it
  verdict soft|right|stiff
                   the hand's judgement at the moment of trimming
  length MM        distance between two marks on it, for shrinkage
  outcome sound|cracked-drying|cracked-cooling|warped|burst
                   what became of it
  kiln             packed in the kiln
  lost [REASON]    scrapped, reclaimed, broken

Forecasts follow planned cover, flip and move:
  warecast note north cover open --at \"tomorrow 8:00\"
A plain \"monday 9:00\" is the coming Monday for these three, the last one for
all others; \"last\" and \"next\" say which. A note made late corrects the past:
it counts from its own time on. What was noted and is not true is taken back with
--undo: the last one of that action, or that of --at:
  warecast note jar-1 kiln --undo"
)]
pub struct Args {
    /// Pots, or boards that stand for all their pots, then what was done (`planter-1 jar-2 cover
    /// wrapped`)
    #[arg(required = true, value_name = "WORDS", allow_negative_numbers = true)]
    #[arg(add = completions::note())]
    words: Vec<String>,
    /// When (18:25, 9am, yesterday 9:10, monday 9:00, 40 min ago, in 3 h, 2031-04-02 18:25,
    /// RFC 3339) [default: now]
    #[arg(long, value_name = "WHEN")]
    at: Option<String>,
    /// Replace what was noted for the same pot, time and action; without --at the last of that
    /// action
    #[arg(long)]
    replace: bool,
    /// Take back what was noted: the last of that action, or that of --at
    #[arg(long, conflicts_with = "replace")]
    undo: bool,
}

/// A step that was planned is confirmed by a note of the same within this, s: on one day (common
/// practice, no source). One of longer ago may have been done twice, and that is said.
const CONFIRMS: f64 = 12.0 * HOUR;

/// What was typed: pots and boards, the action's word and its detail.
pub struct Noted<'a> {
    /// Pots and boards.
    pub targets: &'a [String],
    /// The action's word.
    pub word: &'a str,
    /// Its detail; empty where none was typed.
    pub detail: String,
}

/// Runs `note`.
pub fn run(args: Args, context: &Context) -> anyhow::Result<ExitCode> {
    let mut store = context.open()?;
    let words = context.words(store.settings(), None)?;
    let noted = read(&args.words)?;
    let roll = Roll::read(&store)?;
    if args.undo {
        let at = args.at.as_deref().map(|text| typed_time(text, noted.word, &words)).transpose()?;
        return undo::note(&noted, at.map(|(time, _)| time), (&roll, &mut store), &words);
    }
    let action = action(&noted, words.units)?;
    let (time, remark) = match &args.at {
        Some(text) => typed_time(text, noted.word, &words)?,
        None if args.replace => (undo::last(&noted, &roll, &words)?, None),
        None => (words.now, None),
    };
    let outcome = matches!(action, Action::Outcome(_));
    let mut targets: Vec<Target> = noted
        .targets
        .iter()
        .map(|word| roll.target(word, time, outcome))
        .collect::<anyhow::Result<_>>()?;
    let mut seen = std::collections::HashSet::new();
    for target in &mut targets {
        target.pots.retain(|pot| seen.insert(pot.clone()));
    }
    let pots: Vec<&Name> = targets.iter().flat_map(|target| &target.pots).collect();
    if matches!(action, Action::On(_)) && pots.len() > 1 {
        anyhow::bail!("only one pot can stand on a scale: note them one by one");
    }
    check_weight(&action, &pots, &roll, &words)?;
    let packed = match action {
        Action::Kiln => packed(&store, &pots, time, &words)?,
        _ => Vec::new(),
    };
    let rows: Vec<HandlingRow> = pots
        .iter()
        .map(|pot| HandlingRow { time, pot: (*pot).clone(), action: action.clone() })
        .collect();
    let status = put(&mut store, &rows, args.replace, &words)?;
    if status != ExitCode::SUCCESS {
        return Ok(status);
    }
    let confirmed = confirm(&mut store, &rows, &roll, &words, context)?;
    let remarks = remarks(&roll, &targets, &action, time, &words);
    let turned = match action {
        Action::Trim | Action::Flip => turned(&store, &pots, time, &words)?,
        _ => Vec::new(),
    };
    let silent = match &action {
        Action::On(scale) => never_heard(scale, &store)?,
        _ => None,
    };
    let remarks = confirmed
        .into_iter()
        .chain(remark)
        .chain(remarks)
        .chain(turned)
        .chain(silent)
        .chain(packed);
    for remark in remarks {
        screen::say(&remark)?;
    }
    Ok(status)
}

/// A time as it was typed, and what is to be remarked on it.
fn typed_time(text: &str, word: &str, words: &Words) -> anyhow::Result<(Time, Option<String>)> {
    let lean = if ["cover", "flip", "move"].contains(&word) { Lean::Future } else { Lean::Past };
    let when = when::parse(text, words.now, &words.zone, lean)?;
    Ok((when.time, when.remark))
}

/// Which words are pots and boards, and what was done. The action is the first word after the
/// first that is one; what follows it is its detail.
fn read(words: &[String]) -> anyhow::Result<Noted<'_>> {
    let place = words.iter().skip(1).position(|word| ACTION_WORDS.contains(&word.as_str()));
    let Some(place) = place.map(|index| index + 1) else {
        for word in &words[1..] {
            if let Some(near) = nearest(word, ACTION_WORDS) {
                anyhow::bail!("\"{}\" is no action: did you mean \"{near}\"?", printable(word));
            }
        }
        anyhow::bail!(
            "nothing here says what was done: expected one of {}",
            ACTION_WORDS.join(", ")
        );
    };
    let (word, detail) = (words[place].as_str(), words[place + 1..].join(" "));
    Ok(Noted { targets: &words[..place], word, detail })
}

/// The action with its detail.
pub fn action(noted: &Noted, units: Units) -> anyhow::Result<Action> {
    let (word, detail) = (noted.word, &noted.detail);
    Ok(match word {
        "tare" if detail.is_empty() => anyhow::bail!("tare wants a weight"),
        "tare" | "attach" if !detail.is_empty() => {
            let g = words::parse_mass(detail, units)
                .map_err(|e| anyhow::anyhow!("{word} wants a weight: {e}"))?;
            match word {
                "tare" => Action::Tare(g),
                _ if g < 0.0 => anyhow::bail!("attach wants the weight of the clay that was added"),
                _ => Action::Attach(Some(g)),
            }
        }
        "length" => Action::parse(word, detail.trim_end_matches("mm").trim_end())?,
        _ => Action::parse(word, detail)?,
    })
}

/// Refuses a tare or an addition that no pot has.
fn check_weight(action: &Action, pots: &[&Name], roll: &Roll, words: &Words) -> anyhow::Result<()> {
    match action {
        Action::Tare(g) if !(0.0..=HEAVIEST_G).contains(g) => {
            anyhow::bail!("tare: {}", words.cannot_be(*g))
        }
        Action::Attach(Some(g)) if *g > HEAVIEST_G => {
            anyhow::bail!("attach: {}", words.cannot_be(*g))
        }
        Action::Attach(Some(g)) => {
            for pot in pots.iter().filter_map(|pot| roll.pot(pot)) {
                if let Some(most) = pot.ball_g.map(|ball| MOST_ATTACHED * ball).filter(|m| g > m) {
                    anyhow::bail!(
                        "attach: {} is more than three times the ball of {}; up to {} can be (the \
                         ball is corrected with `pot add {} --replace --ball WEIGHT`)",
                        words.weighed(*g),
                        printable(&pot.name),
                        words.weighed(most),
                        words::shell_word(&pot.name)
                    );
                }
            }
            Ok(())
        }
        _ => Ok(()),
    }
}

/// Stores the rows and says back what was stored.
fn put(
    store: &mut Store,
    rows: &[HandlingRow],
    replace: bool,
    words: &Words,
) -> anyhow::Result<ExitCode> {
    let clash = if replace { Clash::Replace } else { Clash::Refuse };
    let Some(first) = rows.first() else { return Ok(ExitCode::SUCCESS) };
    let stored = match is_planned(first, words) {
        true => store.plan_handling(rows, clash)?,
        false => store.put_handling(rows, clash)?,
    };
    let said = say_action(&first.action, words);
    let when = format!("{} ({})", words.time(first.time), words.distance(first.time));
    let pots = |keep: &dyn Fn(usize) -> bool| {
        list((0..rows.len()).filter(|&i| keep(i)).map(|i| rows[i].pot.as_str()))
    };
    let kept = pots(&|i| !stored.refused.contains(&i));
    if !kept.is_empty() {
        let verb = match stored.added + stored.replaced {
            0 => "Noted already",
            _ if is_planned(first, words) => "Planned",
            _ if stored.replaced > 0 => "Corrected",
            _ => "Noted",
        };
        screen::say(&format!("{verb}: {said}, {when}, for {kept}."))?;
    }
    if stored.refused.is_empty() {
        return Ok(ExitCode::SUCCESS);
    }
    screen::complain(&format!(
        "{} noted otherwise at {} for {}: add --replace if that was wrong",
        first.action.word(),
        words.time(first.time),
        pots(&|i| stored.refused.contains(&i))
    ));
    Ok(ExitCode::from(REFUSED))
}

/// Whether a row is written down before its time.
fn is_planned(row: &HandlingRow, words: &Words) -> bool {
    in_future(row.time, words.now) && row.action.can_be_planned()
}

/// Confirms what was planned and is noted now: of each pot the nearest row that says the same. One
/// of another time leaves the log, since that is when it was done. Says what was planned.
fn confirm(
    store: &mut Store,
    rows: &[HandlingRow],
    roll: &Roll,
    words: &Words,
    context: &Context,
) -> anyhow::Result<Vec<String>> {
    let planned = match rows.first() {
        Some(first) if !is_planned(first, words) => store.planned()?,
        _ => return Ok(Vec::new()),
    };
    let apart = |plan: &HandlingRow, row: &HandlingRow| plan.time.since(row.time).abs();
    let mut met: Vec<HandlingRow> = Vec::new();
    let mut sure: Vec<Time> = Vec::new();
    for row in rows {
        let meant = planned.iter().filter(|plan| plan.pot == row.pot && plan.action == row.action);
        let same = meant.filter(|plan| apart(plan, row) <= CONFIRMS || is_late(plan, row, roll));
        let Some(plan) = same.min_by(|a, b| apart(a, row).total_cmp(&apart(b, row))) else {
            continue;
        };
        sure.extend((apart(plan, row) <= CONFIRMS).then_some(plan.time));
        met.push(plan.clone());
    }
    store.confirm(&met)?;
    met.retain(|plan| rows.iter().all(|row| row.time != plan.time));
    store.take_back_notes(&met)?;
    met.sort_by_key(|plan| plan.time);
    let said = |met: &[HandlingRow]| {
        let (plan, when) = (&met[0], words.time(met[0].time));
        let planned = format!("It was planned for {when}; it counts from when it was done.");
        if sure.contains(&plan.time) {
            return planned;
        }
        let pots: Vec<_> = met.iter().map(|plan| words::shell_word(&plan.pot)).collect();
        format!(
            "{planned} If it was done then, too: {} note {} {} --at \"{}\"",
            context.command(),
            pots.join(" "),
            words::typed_action(&plan.action),
            words.typed_time(plan.time)
        )
    };
    Ok(met.chunk_by(|a, b| a.time == b.time).map(said).collect())
}

/// Whether a step that was planned, whose time has passed and that nobody confirmed, may be what is
/// noted now, however late: unless something of the kind was noted in between.
fn is_late(plan: &HandlingRow, row: &HandlingRow, roll: &Roll) -> bool {
    let turns = |action: &Action| matches!(action, Action::Flip | Action::Trim);
    let like = |other: &HandlingRow| {
        other.action.word() == plan.action.word() || turns(&other.action) && turns(&plan.action)
    };
    let between = |other: &HandlingRow| plan.time < other.time && other.time < row.time;
    plan.time < row.time && !roll.log(&plan.pot).iter().any(|other| between(other) && like(other))
}

/// What the potter should know about what was noted.
fn remarks(
    roll: &Roll,
    targets: &[Target],
    action: &Action,
    time: Time,
    words: &Words,
) -> Vec<String> {
    let mut remarks = Vec::new();
    for target in targets.iter().filter(|target| !target.left_out.is_empty()) {
        let board = printable(target.board.as_deref().unwrap_or_default()).into_owned();
        let out = list(target.left_out.iter().map(|(pot, why)| format!("{pot} ({why})")));
        remarks.push(format!("Left out of board {board}: {out}."));
    }
    if in_future(time, words.now) && !action.can_be_planned() {
        remarks.push(
            "That lies in the future. Forecasts follow only a planned cover, flip or move; this \
             counts from its time on."
                .into(),
        );
    }
    for pot in targets.iter().flat_map(|target| &target.pots) {
        match roll.pot(pot) {
            Some(made) if made.made_at > time => remarks.push(format!(
                "{} was made only {}: is the time right?",
                printable(pot),
                words.time(made.made_at)
            )),
            _ => {}
        }
        if let Action::On(scale) = action {
            remarks.extend(stood_on(roll, pot, scale, time));
        }
    }
    remarks
}

/// How the pots stand now: nobody sees in the log that a trim turns them over.
fn turned(store: &Store, pots: &[&Name], time: Time, words: &Words) -> anyhow::Result<Vec<String>> {
    if in_future(time, words.now) {
        return Ok(Vec::new());
    }
    let names: Vec<Name> = pots.iter().map(|pot| (*pot).clone()).collect();
    let studio = store.studio_of(words.now.max(time), &names)?;
    let stand = |on_rim: bool| {
        let its = names.iter().filter(|pot| on_its_rim(&studio, pot) == Some(on_rim));
        let its: Vec<&Name> = its.collect();
        let (verb, whose) = if its.len() == 1 { ("stands", "its") } else { ("stand", "their") };
        let on = match (on_rim, its.len()) {
            (true, 1) => "rim",
            (true, _) => "rims",
            (false, 1) => "foot",
            (false, _) => "feet",
        };
        (!its.is_empty()).then(|| format!("{} {verb} on {whose} {on} now.", list(its)))
    };
    Ok([true, false].into_iter().filter_map(stand).collect())
}

/// A cell that has sent nothing, where others have.
fn never_heard(scale: &str, store: &Store) -> anyhow::Result<Option<String>> {
    let mut known = store.sources_of(Quantity::Mass)?;
    known.extend(store.sources_of(Quantity::Count)?);
    known.retain(|name| name != BENCH);
    known.sort();
    known.dedup();
    if known.is_empty() || known.iter().any(|name| name == scale) {
        return Ok(None);
    }
    let names = known.iter().map(String::as_str);
    let otherwise = format!("cells that have: {}", list(&known));
    Ok(Some(format!(
        "Nothing has come from {} so far: {}.",
        printable(scale),
        suggestion(scale, names, &otherwise).trim_end_matches('.')
    )))
}

/// What is to be said of pots that are being packed: which are not dry, and which were not weighed
/// lately. Made before they are noted as packed.
fn packed(store: &Store, pots: &[&Name], time: Time, words: &Words) -> anyhow::Result<Vec<String>> {
    // Of a kiln that was packed long ago nobody can weigh anything.
    if words.now.since(time).abs() > FRESH {
        return Ok(Vec::new());
    }
    let studio = store.studio(time)?;
    let wet = answers::of_pots(&studio, pots);
    let mut remarks: Vec<String> =
        wet.iter().filter_map(|pot| screen::not_dry(pot, words)).collect();
    if !remarks.is_empty() {
        remarks.push(screen::STEAM.into());
    }
    let fresh = |pot: &&Name| {
        let last = studio.weighings.get(*pot).and_then(|w| w.0.last());
        last.is_some_and(|weight| time.since(weight.time) <= FRESH)
    };
    let old: Vec<&Name> = pots.iter().copied().filter(|pot| !fresh(pot)).collect();
    if !old.is_empty() {
        remarks.push(format!(
            "Not weighed within a day before: {}. Ware that has stood takes up water again from \
             damp air: weigh it before it is fired.",
            list(old)
        ));
    }
    Ok(remarks)
}

/// Another pot that, by the log, stood on the scale until now: the later one takes it over.
fn stood_on(roll: &Roll, pot: &str, scale: &str, time: Time) -> Option<String> {
    let there = roll.pots.iter().find(|other| {
        other.name != pot
            && roll.past_it(&other.name, time).is_none()
            && roll
                .last(&other.name, time, Action::changes_cell)
                .is_some_and(|row| matches!(&row.action, Action::On(on) if on == scale))
    })?;
    Some(format!(
        "{} stood on {} until then; what it weighs counts for {} from now on.",
        printable(&there.name),
        printable(scale),
        printable(pot)
    ))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::records::Cover;

    fn reads(text: &str, units: Units) -> Result<(Vec<String>, Action), String> {
        let words: Vec<String> = text.split(' ').map(Into::into).collect();
        let read = || {
            let noted = read(&words)?;
            anyhow::Ok((noted.targets.to_vec(), action(&noted, units)?))
        };
        read().map_err(|e| e.to_string())
    }

    #[test]
    fn pots_then_action_then_detail() {
        let ok = |text: &str| reads(text, Units::Metric).unwrap();
        let names = |names: &[&str]| names.iter().map(|n| n.to_string()).collect::<Vec<_>>();
        assert_eq!(ok("a cover wrapped"), (names(&["a"]), Action::Cover(Cover::Wrapped)));
        assert_eq!(ok("a b c flip"), (names(&["a", "b", "c"]), Action::Flip));
        let reason = Action::Lost(Some("fell off the shelf".into()));
        assert_eq!(ok("a lost fell off the shelf"), (names(&["a"]), reason));
        assert_eq!(ok("trim trim"), (names(&["trim"]), Action::Trim));
        assert_eq!(ok("a tare 180.5"), (names(&["a"]), Action::Tare(180.5)));
        assert_eq!(ok("a tare 0.5 kg"), (names(&["a"]), Action::Tare(500.0)));
        assert_eq!(ok("a attach"), (names(&["a"]), Action::Attach(None)));
        assert_eq!(ok("a length 102.5mm"), (names(&["a"]), Action::Length(102.5)));
        assert_eq!(ok("a move loft shelf"), (names(&["a"]), Action::Move("loft shelf".into())));
    }

    #[test]
    fn what_was_not_understood_is_said() {
        let wrong = |text: &str| reads(text, Units::Us).unwrap_err();
        assert_eq!(wrong("a covr wrapped"), "\"covr\" is no action: did you mean \"cover\"?");
        assert_eq!(wrong("a cover wraped"), "cover wants open, draped, wrapped or cupboard");
        assert_eq!(
            wrong("a b"),
            "nothing here says what was done: expected one of on, off, tare, cover, flip, move, \
             trim, attach, sponge, wet, verdict, length, outcome, kiln, lost"
        );
        assert_eq!(
            wrong("a tare 180"),
            "tare wants a weight: \"180\" of what? Write 180g, 180oz or 180lb"
        );
        assert_eq!(wrong("a tare"), "tare wants a weight");
    }
}
