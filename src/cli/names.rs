//! Names as people type them: pots, boards that stand for their pots, and near misses.

use super::words::printable;
use crate::records::{Action, HandlingRow, Name, Pot, nearest};
use crate::store::Store;
use crate::units::Time;
use std::collections::HashMap;

/// `: did you mean "…"?`, or what to do where nothing is near.
pub fn suggestion<'a>(
    name: &str,
    known: impl IntoIterator<Item = &'a str>,
    otherwise: &str,
) -> String {
    match nearest(name, known) {
        Some(near) => format!("did you mean \"{}\"?", printable(near)),
        None => otherwise.into(),
    }
}

/// Refuses a body that is none of these; `otherwise` says what to do where no name is near.
pub fn check_body<'a>(
    name: &str,
    known: impl IntoIterator<Item = &'a str>,
    otherwise: &str,
) -> anyhow::Result<()> {
    let known: Vec<&str> = known.into_iter().collect();
    if known.contains(&name) {
        return Ok(());
    }
    let hint = suggestion(name, known, otherwise);
    anyhow::bail!("there is no body \"{}\": {hint}", printable(name))
}

/// What to do about a body that has to be there already.
pub const SEE_BODIES: &str = "see `warecast body list`";

/// Pots and their log, to look names up in.
pub struct Roll {
    /// All pots.
    pub pots: Vec<Pot>,
    log: HashMap<Name, Vec<HandlingRow>>,
}

/// What a word of a command stood for.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Target {
    /// The pots.
    pub pots: Vec<Name>,
    /// The board, where it was one.
    pub board: Option<Name>,
    /// Pots of the board that are past it, and why.
    pub left_out: Vec<(Name, &'static str)>,
}

impl Roll {
    /// Reads all pots and handling rows.
    pub fn read(store: &Store) -> anyhow::Result<Roll> {
        Ok(Roll::of(store.pots()?, store.handling()?))
    }

    /// Of these pots and handling rows.
    pub fn of(pots: Vec<Pot>, rows: impl IntoIterator<Item = HandlingRow>) -> Roll {
        let mut log: HashMap<Name, Vec<HandlingRow>> = HashMap::new();
        for row in rows {
            log.entry(row.pot.clone()).or_default().push(row);
        }
        for rows in log.values_mut() {
            rows.sort_by_key(|row| row.time);
        }
        Roll { pots, log }
    }

    /// A pot by its name.
    pub fn pot(&self, name: &str) -> Option<&Pot> {
        self.pots.iter().find(|pot| pot.name == name)
    }

    /// The pots that were ever put on a board.
    pub fn on_board(&self, board: &str) -> impl Iterator<Item = &Pot> {
        self.pots.iter().filter(move |pot| pot.board.as_deref() == Some(board))
    }

    /// A pot by its name, or a sentence that says which name may have been meant.
    pub fn find(&self, name: &str) -> anyhow::Result<&Pot> {
        self.pot(name).ok_or_else(|| {
            let known = self.pots.iter().map(|pot| pot.name.as_str());
            let hint = suggestion(name, known, "see `warecast pot list`");
            anyhow::anyhow!("there is no pot \"{}\": {hint}", printable(name))
        })
    }

    /// The log of a pot, in order of time.
    pub fn log(&self, pot: &str) -> &[HandlingRow] {
        self.log.get(pot).map_or(&[], Vec::as_slice)
    }

    /// The last row of a pot's log, up to a time, that `is` true for.
    pub fn last(&self, pot: &str, at: Time, is: impl Fn(&Action) -> bool) -> Option<&HandlingRow> {
        self.log(pot).iter().rev().find(|row| row.time <= at && is(&row.action))
    }

    /// Why a pot no longer dries on its board at a time; `None` where it does.
    pub fn past_it(&self, pot: &str, at: Time) -> Option<&'static str> {
        let end = |a: &Action| matches!(a, Action::Kiln | Action::Lost(_) | Action::Outcome(_));
        match self.last(pot, at, end)?.action {
            Action::Kiln => Some("in the kiln"),
            Action::Lost(_) => Some("lost"),
            _ => Some("finished"),
        }
    }

    /// What a word stands for at a time: a pot, or all pots that stand on a board. Of a board
    /// those are left out that were made later or are past it; `outcome` reaches those in the
    /// kiln.
    pub fn target(&self, word: &str, at: Time, outcome: bool) -> anyhow::Result<Target> {
        if self.pot(word).is_some() {
            return Ok(Target { pots: vec![word.into()], board: None, left_out: vec![] });
        }
        let mut target = Target { pots: vec![], board: Some(word.into()), left_out: vec![] };
        for pot in self.on_board(word) {
            let why = match self.past_it(&pot.name, at) {
                _ if pot.made_at > at => Some("made later"),
                Some("in the kiln") if outcome => None,
                why => why,
            };
            match why {
                None => target.pots.push(pot.name.clone()),
                Some(why) => target.left_out.push((pot.name.clone(), why)),
            }
        }
        if target.pots.is_empty() && target.left_out.is_empty() {
            let boards = self.pots.iter().filter_map(|pot| pot.board.as_deref());
            let known = self.pots.iter().map(|pot| pot.name.as_str()).chain(boards);
            let hint = suggestion(word, known, "see `warecast pot list`");
            anyhow::bail!("\"{}\" is neither a pot nor a board: {hint}", printable(word));
        }
        if target.pots.is_empty() {
            let why = list(target.left_out.iter().map(|(pot, why)| format!("{pot} {why}")));
            anyhow::bail!("board \"{}\" holds no pot at that time ({why})", printable(word));
        }
        Ok(target)
    }
}

/// By which names go in the order in which people count: `jar-2` before `jar-10`.
pub fn counted(name: &str) -> Vec<(String, u128)> {
    let mut parts: Vec<(String, u128)> = vec![(String::new(), 0)];
    let mut after_digit = false;
    for c in name.chars() {
        let digit = c.to_digit(10);
        if digit.is_none() && after_digit {
            parts.push((String::new(), 0));
        }
        after_digit = digit.is_some();
        let (text, number) = parts.last_mut().expect("there is one from the start");
        match digit {
            Some(digit) => *number = number.saturating_mul(10).saturating_add(digit.into()),
            None => text.extend(c.to_lowercase()),
        }
    }
    parts
}

/// `a`, `a and b`, `a, b and c`.
pub fn list(items: impl IntoIterator<Item = impl AsRef<str>>) -> String {
    let items: Vec<_> = items.into_iter().map(|i| printable(i.as_ref()).into_owned()).collect();
    match items.split_last() {
        None => String::new(),
        Some((last, [])) => last.clone(),
        Some((last, rest)) => format!("{} and {last}", rest.join(", ")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_go_as_people_count() {
        let mut names = ["jar-10", "jar-2b", "Jar-2", "bowl", "jar-2-1", "9", "10", "jar"];
        names.sort_by_key(|name| counted(name));
        assert_eq!(names, ["9", "10", "bowl", "jar", "Jar-2", "jar-2-1", "jar-2b", "jar-10"]);
        assert!(counted(&"9".repeat(64)) > counted("10"));
    }

    #[test]
    fn lists_read_as_a_sentence() {
        assert_eq!(list(["a"]), "a");
        assert_eq!(list(["a", "b"]), "a and b");
        assert_eq!(list(["a", "b", "c"]), "a, b and c");
    }

    fn pot(name: &str, board: Option<&str>, made: i64) -> Pot {
        Pot { board: board.map(Into::into), ..Pot::bare(name, "smooth-stone", Time(made)) }
    }

    fn roll() -> Roll {
        let row =
            |pot: &str, time, action| HandlingRow { time: Time(time), pot: pot.into(), action };
        let rows = [
            row("jar-1", 50, Action::Kiln),
            row("jar-2", 60, Action::Lost(None)),
            row("jar-3", 500, Action::Kiln),
        ];
        let log = rows.into_iter().map(|row| (row.pot.clone(), vec![row])).collect();
        let pots = vec![
            pot("jar-1", Some("north"), 10),
            pot("jar-2", Some("north"), 10),
            pot("jar-3", Some("north"), 10),
            pot("jar-4", Some("north"), 200),
            pot("alone", None, 10),
        ];
        Roll { pots, log }
    }

    #[test]
    fn a_board_stands_for_the_pots_that_are_on_it_then() {
        let roll = roll();
        let target = roll.target("north", Time(100), false).unwrap();
        assert_eq!(target.pots, ["jar-3"]);
        let why = [("jar-1", "in the kiln"), ("jar-2", "lost"), ("jar-4", "made later")];
        assert_eq!(target.left_out, why.map(|(pot, why)| (pot.into(), why)));
        let fired = roll.target("north", Time(100), true).unwrap();
        assert_eq!(fired.pots, ["jar-1", "jar-3"]);
        assert_eq!(roll.target("alone", Time(0), false).unwrap().pots, ["alone"]);
    }

    #[test]
    fn a_wrong_name_is_told_with_the_right_one() {
        let roll = roll();
        let says = |word, at| roll.target(word, Time(at), false).unwrap_err().to_string();
        assert_eq!(
            says("nort", 100),
            "\"nort\" is neither a pot nor a board: did you mean \"north\"?"
        );
        assert_eq!(
            says("teapot", 100),
            "\"teapot\" is neither a pot nor a board: see `warecast pot list`"
        );
        assert_eq!(
            says("north", 5),
            "board \"north\" holds no pot at that time (jar-1 made later, jar-2 made later, \
             jar-3 made later and jar-4 made later)"
        );
    }
}
