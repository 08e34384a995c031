//! Trims that nobody wrote down, against the made-up shelf, whose cells are knocked, drift and are
//! silent, and whose people lift pots to look at them.
//!
//! The truth is the shelf's own log, from which trims and flips are kept back. Simulated: says
//! nothing about real pots.

use std::collections::BTreeMap;
use warecast::core::found::What;
use warecast::core::handling::History;
use warecast::records::{Action, HandlingRow, Name, Point, Pot, Quantity, Weighings};
use warecast::simulate::scenario::{self, SHELF};
use warecast::simulate::shelf::{Reporting, Shelf};
use warecast::units::{DAY, HOUR, Time};

const BEGINS: f64 = 1_932_796_800.0;
const DAYS: f64 = 4.0;
const POTS: usize = 15;

#[test]
fn trims_are_found_and_none_made_up() {
    let (mut trims, mut found, mut made_up, mut days) = (0, 0, 0, 0.0);
    for seed in [1, 2, 3, 4] {
        let scenario = scenario::shelf(seed, POTS, 8.0 * HOUR);
        let start = Time::from_seconds(BEGINS);
        let mut shelf = Shelf::new(scenario, seed, start, Reporting::default());
        let mut pots: Vec<Pot> = Vec::new();
        let mut log: Vec<HandlingRow> = Vec::new();
        let mut cells: BTreeMap<Name, Vec<Point>> = BTreeMap::new();
        while shelf.elapsed() < DAYS * DAY {
            let moment = shelf.advance().unwrap();
            pots.extend(moment.made);
            log.extend(moment.done);
            let weights = moment.sample.readings(SHELF).into_iter();
            for reading in weights.filter(|r| r.quantity == Quantity::Mass) {
                let point = Point { time: reading.time, value: reading.value };
                cells.entry(reading.source).or_default().push(point);
            }
        }
        for pot in &pots {
            let (kept_back, known): (Vec<HandlingRow>, Vec<HandlingRow>) = log
                .iter()
                .filter(|row| row.pot == pot.name)
                .cloned()
                .partition(|row| matches!(row.action, Action::Trim | Action::Flip));
            let cell = known.iter().find_map(|row| match &row.action {
                Action::On(cell) => Some(cell),
                _ => None,
            });
            let weighings = Weighings(cells[cell.unwrap()].clone());
            let history = History::new(pot, &known, &weighings, shelf.now());
            let truth: Vec<f64> = kept_back
                .iter()
                .filter(|row| row.action == Action::Trim)
                .map(|row| row.time.since(pot.made_at))
                .collect();
            let told = history.found.iter().filter(|f| f.what == What::Trim);
            let told: Vec<f64> = told.map(|f| f.t).collect();
            let near = |a: f64, all: &[f64]| all.iter().any(|b| (a - b).abs() <= HOUR);
            trims += truth.len();
            found += truth.iter().filter(|t| near(**t, &told)).count();
            made_up += told.iter().filter(|t| !near(**t, &truth)).count();
            days += history.now / DAY;
        }
    }
    println!("{found} of {trims} found, {made_up} made up in {days:.0} pot-days");
    assert!(trims >= 30, "{trims}");
    assert!(found as f64 >= 0.95 * trims as f64, "{found} of {trims}");
    assert!(made_up as f64 <= 0.01 * days, "{made_up} in {days} pot-days");
}
