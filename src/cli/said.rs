//! What a line of a round says: a pot's name, typed or scanned, a weight, both, or a word.

use super::names::{Roll, suggestion};
use super::words::{self, printable};
use crate::records::Name;
use crate::store::settings::Units;

/// What a line says.
#[derive(Clone, PartialEq, Debug)]
pub enum Said {
    /// It is empty.
    Nothing,
    /// Not this pot.
    Skip,
    /// The last one is to be taken back.
    Undo,
    /// What waits is to be shown.
    List,
    /// That was all.
    Done,
    /// To a question.
    Yes,
    /// To a question.
    No,
    /// A pot.
    Pot(Name),
    /// A weight, g.
    Weight(f64),
    /// A pot and its weight, g.
    Weighed(Name, f64),
    /// It was not understood, and why.
    Unclear(String),
}

/// What a line says.
pub fn understand(text: &str, roll: &Roll, units: Units) -> Said {
    let text = text.trim();
    let exact = |name: &str| roll.pot(name).map(|pot| pot.name.clone());
    // A reader of codes may write capitals only.
    let folded = |name: &str| {
        let lower = name.to_lowercase();
        let mut alike = roll.pots.iter().filter(|pot| pot.name.to_lowercase() == lower);
        alike.next().filter(|_| alike.next().is_none()).map(|pot| pot.name.clone())
    };
    match text.to_lowercase().as_str() {
        "" => return Said::Nothing,
        "skip" => return Said::Skip,
        "undo" => return Said::Undo,
        "list" => return Said::List,
        "done" => return Said::Done,
        "yes" | "y" => return Said::Yes,
        "no" | "n" => return Said::No,
        _ => {}
    }
    if let Some(pot) = exact(text).or_else(|| folded(text)) {
        return Said::Pot(pot);
    }
    let weight = words::parse_mass(text, units);
    if let Ok(grams) = weight {
        return Said::Weight(grams);
    }
    let spaces = text.char_indices().filter(|(_, c)| c.is_whitespace()).map(|(at, _)| at);
    for at in spaces.collect::<Vec<_>>().into_iter().rev() {
        let (name, weight) = (text[..at].trim_end(), text[at..].trim_start());
        if let (Some(pot), Ok(grams)) =
            (exact(name).or_else(|| folded(name)), words::parse_mass(weight, units))
        {
            return Said::Weighed(pot, grams);
        }
    }
    match weight {
        Err(error) if text.starts_with(|c: char| c.is_ascii_digit() || "+-.".contains(c)) => {
            Said::Unclear(error.to_string())
        }
        _ => {
            let known = roll.pots.iter().map(|pot| pot.name.as_str());
            let hint = suggestion(text, known, "see `warecast pot list`");
            Said::Unclear(format!("there is no pot \"{}\": {hint}", printable(text)))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::records::Pot;
    use crate::units::Time;

    fn roll() -> Roll {
        let pot = |name| Pot::bare(name, "tide", Time(0));
        Roll::of(["jar-1", "tall jar 2", "812", "Bowl", "bowl"].map(pot).into(), [])
    }

    fn says(text: &str) -> Said {
        understand(text, &roll(), Units::Metric)
    }

    #[test]
    fn names_weights_and_words_are_told_apart() {
        let pot = |name: &str| Said::Pot(name.into());
        for (text, said) in [
            ("jar-1", pot("jar-1")),
            (" jar-1\t", pot("jar-1")),
            // A reader of codes that writes capitals only.
            ("JAR-1", pot("jar-1")),
            ("tall jar 2", pot("tall jar 2")),
            // Two that differ in capitals alone are told by these.
            ("bowl", pot("bowl")),
            ("Bowl", pot("Bowl")),
            // A name that could be a weight is a name; with its unit it is a weight.
            ("812", pot("812")),
            ("812g", Said::Weight(812.0)),
            ("812.4", Said::Weight(812.4)),
            ("1 kg 20 g", Said::Weight(1020.0)),
            ("jar-1 812.4", Said::Weighed("jar-1".into(), 812.4)),
            ("jar-1  1.2 kg", Said::Weighed("jar-1".into(), 1200.0)),
            ("tall jar 2 640", Said::Weighed("tall jar 2".into(), 640.0)),
            ("812 640", Said::Weighed("812".into(), 640.0)),
            ("Undo", Said::Undo),
            ("skip", Said::Skip),
            ("y", Said::Yes),
            ("", Said::Nothing),
            ("  ", Said::Nothing),
        ] {
            assert_eq!(says(text), said, "{text:?}");
        }
    }

    #[test]
    fn what_is_not_understood_is_told_with_what_may_have_been_meant() {
        let unclear = |text| match says(text) {
            Said::Unclear(why) => why,
            other => panic!("{text}: {other:?}"),
        };
        assert_eq!(unclear("jra-1"), "there is no pot \"jra-1\": did you mean \"jar-1\"?");
        assert_eq!(unclear("BOWL"), "there is no pot \"BOWL\": did you mean \"Bowl\"?");
        assert!(unclear("812,4").contains("write the weight with a point"));
        assert!(unclear("8i2").contains("is not a weight"));
        assert!(unclear("\u{1b}[2J").starts_with("there is no pot \"\\u{1b}[2J\""));
        let us = understand("640", &roll(), Units::Us);
        assert!(matches!(us, Said::Unclear(why) if why.contains("\"640\" of what?")));
    }
}
