//! `note`: what was done to pots, or is going to be.

use super::completions;
use super::names::{Roll, Target, list};
use super::pot::{action as say_action, in_future};
use super::screen;
use super::when::{self, Lean};
use super::words::{self, Words, printable};
use super::{Context, REFUSED};
use crate::core::readiness::FRESH;
use crate::records::{ACTION_WORDS, Action, HandlingRow, Name, nearest};
use crate::store::settings::Units;
use crate::store::{Clash, Store};
use crate::units::Time;
use std::process::ExitCode;

/// Options of `note`.
#[derive(clap::Args, Debug)]
#[command(
    override_usage = "warecast note [OPTIONS] <POT-OR-BOARD>... <ACTION> [DETAIL]",
    after_long_help = "\
Actions:
  cover open|draped|wrapped|cupboard
                   how it is kept from then on
  flip             stood on its rim, or back on its foot
  move PLACE       stands in another place from then on
  trim             clay was cut away
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
it counts from its own time on."
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
    /// Replace what was noted for the same pot, time and action
    #[arg(long)]
    replace: bool,
}

/// Runs `note`.
pub fn run(args: Args, context: &Context) -> anyhow::Result<ExitCode> {
    let mut store = context.open()?;
    let words = context.words(store.settings(), None)?;
    let (targets, action) = read(&args.words, words.units)?;
    let lean = if action.can_be_planned() { Lean::Future } else { Lean::Past };
    let (time, remark) = match &args.at {
        Some(text) => {
            let when = when::parse(text, words.now, &words.zone, lean)?;
            (when.time, when.remark)
        }
        None => (words.now, None),
    };
    let roll = Roll::read(&store)?;
    let outcome = matches!(action, Action::Outcome(_));
    let mut targets: Vec<Target> = targets
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
    let rows: Vec<HandlingRow> = pots
        .iter()
        .map(|pot| HandlingRow { time, pot: (*pot).clone(), action: action.clone() })
        .collect();
    let status = put(&mut store, &rows, args.replace, &words)?;
    let packed = match action {
        Action::Kiln => unweighed(&store, &pots, time, &words)?,
        _ => None,
    };
    let remarks = remarks(&roll, &targets, &action, time, &words);
    let remarks = remark.into_iter().chain(remarks).chain(packed);
    for remark in remarks {
        screen::say(&remark)?;
    }
    Ok(status)
}

/// Which words are pots and boards, and what was done. The action is the first word after the
/// first that is one; what follows it is its detail.
fn read(words: &[String], units: Units) -> anyhow::Result<(&[String], Action)> {
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
    let action = match word {
        "tare" if detail.is_empty() => anyhow::bail!("tare wants a weight"),
        "tare" | "attach" if !detail.is_empty() => {
            let g = words::parse_mass(&detail, units)
                .map_err(|e| anyhow::anyhow!("{word} wants a weight: {e}"))?;
            match word {
                "tare" => Action::Tare(g),
                _ if g < 0.0 => anyhow::bail!("attach wants the weight of the clay that was added"),
                _ => Action::Attach(Some(g)),
            }
        }
        "length" => Action::parse(word, detail.trim_end_matches("mm").trim_end())?,
        _ => Action::parse(word, &detail)?,
    };
    Ok((&words[..place], action))
}

/// Stores the rows and says back what was stored.
fn put(
    store: &mut Store,
    rows: &[HandlingRow],
    replace: bool,
    words: &Words,
) -> anyhow::Result<ExitCode> {
    let clash = if replace { Clash::Replace } else { Clash::Refuse };
    let stored = store.put_handling(rows, clash)?;
    let Some(first) = rows.first() else { return Ok(ExitCode::SUCCESS) };
    let said = say_action(&first.action, words);
    let when = format!("{} ({})", words.time(first.time), words.distance(first.time));
    let pots = |keep: &dyn Fn(usize) -> bool| {
        list((0..rows.len()).filter(|&i| keep(i)).map(|i| rows[i].pot.as_str()))
    };
    let kept = pots(&|i| !stored.refused.contains(&i));
    if !kept.is_empty() {
        let verb = match (stored.added + stored.replaced, in_future(first.time, words.now)) {
            (0, _) => "Noted already",
            (_, true) if first.action.can_be_planned() => "Planned",
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

/// Pots that are being packed without a fresh weight.
fn unweighed(
    store: &Store,
    pots: &[&Name],
    time: Time,
    words: &Words,
) -> anyhow::Result<Option<String>> {
    // Of a kiln that was packed long ago nobody can weigh anything.
    if words.now.since(time).abs() > FRESH {
        return Ok(None);
    }
    let names: Vec<Name> = pots.iter().map(|pot| (*pot).clone()).collect();
    let studio = store.studio_of(time, &names)?;
    let fresh = |pot: &&Name| {
        let last = studio.weighings.get(*pot).and_then(|w| w.0.last());
        last.is_some_and(|weight| time.since(weight.time) <= FRESH)
    };
    let old: Vec<&Name> = pots.iter().copied().filter(|pot| !fresh(pot)).collect();
    Ok((!old.is_empty()).then(|| {
        format!(
            "Not weighed within a day before: {}. Ware that has stood takes up water again from \
             damp air: weigh it before it is fired.",
            list(old)
        )
    }))
}

/// Another pot that, by the log, stood on the scale until now: the later one takes it over.
fn stood_on(roll: &Roll, pot: &str, scale: &str, time: Time) -> Option<String> {
    let moved = |a: &Action| matches!(a, Action::On(_) | Action::Off);
    let there = roll.pots.iter().find(|other| {
        other.name != pot
            && roll.past_it(&other.name, time).is_none()
            && roll
                .last(&other.name, time, moved)
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
        match read(&words, units) {
            Ok((targets, action)) => Ok((targets.to_vec(), action)),
            Err(e) => Err(e.to_string()),
        }
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
