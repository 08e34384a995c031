//! Groups among the pots that there are, for comparisons that nobody drew by chance.

use super::track::cover_at_first;
use crate::records::{Cover, Name, Pot, Studio};
use std::collections::BTreeMap;

/// By what pots are told apart.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum By {
    /// The clay body.
    Body,
    /// The cover of most of the first day.
    Cover,
    /// The shelf or room.
    Place,
    /// The ware board.
    Board,
    /// The bag, pugging or wedging.
    Lot,
    /// Thin walls and thick ones, parted at the median.
    Wall,
    /// Thin bases and thick ones, parted at the median.
    Base,
}

impl By {
    /// All, with their words.
    pub const ALL: [(By, &'static str); 7] = [
        (By::Body, "body"),
        (By::Cover, "cover"),
        (By::Place, "place"),
        (By::Board, "board"),
        (By::Lot, "lot"),
        (By::Wall, "wall"),
        (By::Base, "base"),
    ];

    /// By its word.
    pub fn parse(word: &str) -> Option<By> {
        By::ALL.into_iter().find(|(_, known)| *known == word).map(|(by, _)| by)
    }

    fn of(self, studio: &Studio, pot: &Pot, median: Option<f64>) -> Option<String> {
        let rows = studio.handling.get(&pot.name).map_or(&[][..], Vec::as_slice);
        let parted = |mm: Option<f64>| {
            let (mm, median) = (mm?, median?);
            let side = if mm <= median { "up to" } else { "over" };
            Some(format!("{side} {} mm", (10.0 * median).round() / 10.0))
        };
        match self {
            By::Body => Some(pot.body.clone()),
            By::Cover => cover_at_first(pot, rows, studio.at).map(Cover::word).map(String::from),
            By::Place => pot.place.clone(),
            By::Board => pot.board.clone(),
            By::Lot => pot.lot.clone(),
            By::Wall => parted(pot.wall_mm),
            By::Base => parted(pot.base_mm),
        }
    }
}

/// Weighed pots that were made by the studio's time, in groups: covers as freely as they let dry,
/// thin before thick, else the largest first, then by name.
/// Pots of which it is not known where they belong are in none.
pub fn groups(studio: &Studio, by: By) -> Vec<(String, Vec<Name>)> {
    let pots = || {
        let weighed = |pot: &&Pot| studio.weighings.contains_key(&pot.name);
        studio.pots.values().filter(|pot| pot.made_at <= studio.at).filter(weighed)
    };
    let thickness = |pot: &Pot| if by == By::Wall { pot.wall_mm } else { pot.base_mm };
    let mut all: Vec<f64> = pots().filter_map(thickness).collect();
    all.sort_by(f64::total_cmp);
    // Of an even number the lower one: half of them are up to it.
    let median = all.len().checked_sub(1).map(|last| all[last / 2]);
    let mut groups: BTreeMap<String, Vec<Name>> = BTreeMap::new();
    for pot in pots() {
        if let Some(group) = by.of(studio, pot, median) {
            groups.entry(group).or_default().push(pot.name.clone());
        }
    }
    let mut groups: Vec<_> = groups.into_iter().collect();
    let cover = |name: &str| Cover::ALL.iter().position(|cover| cover.word() == name);
    groups.sort_by_key(|(name, pots)| match by {
        By::Cover => cover(name).unwrap_or_default(),
        By::Wall | By::Base => usize::from(name.starts_with("over")),
        _ => usize::MAX - pots.len(),
    });
    groups
}
