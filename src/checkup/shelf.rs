//! Cells and room sensors, by what they said last and by what is known of them.

use super::computer::AHEAD_S;
use super::{Finding, What};
use crate::calibration::history::History;
use crate::calibration::worth::{Worth, meaning};
use crate::core::witness::Drift;
use crate::records::{Name, Point, shell_word};
use crate::units::{DAY, HOUR, Time, fahrenheit_from_celsius, span};

/// A cell with a pot on it, and a room sensor, speak at least once an hour: boards send every 10 s
/// to every few minutes (firmware-notes; common practice, no source).
const STALE_S: f64 = HOUR;
/// A cell without a pot that was silent for so long is no longer part of the shelf, s.
const GONE_S: f64 = 30.0 * DAY;
/// A converter of 24 bits that reads its last step, up or down, reads no cell.
const END_OF_RANGE: f64 = 8_388_607.0;
/// So many raw counts on end, all the same, come from no cell that is alive: its noise alone
/// changes them.
const STUCK_COUNTS: usize = 20;
/// So many values of the room over a day, all the same, come from no sensor that is alive.
const STUCK_AIR: usize = 24;
/// A studio's air lies within these (common practice, no source): relative humidity, °C.
const HUMIDITY: std::ops::RangeInclusive<f64> = 0.05..=1.0;
const CELSIUS: std::ops::RangeInclusive<f64> = -10.0..=60.0;
/// The pot that a calibration is judged on, g.
const POT_G: f64 = 500.0;

/// What is known of the shelf.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Shelf {
    /// When.
    pub at: Time,
    /// Who ever spoke without naming a pot, or speaks now.
    pub sources: Vec<Source>,
    /// Pots that stand on a source of which nothing was ever heard, and the source whose name is
    /// nearest.
    pub on_nothing: Vec<(Name, Name, Option<Name>)>,
    /// Somebody watches, so that what is sent is stored.
    pub watched: bool,
}

/// A source.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Source {
    /// Its name.
    pub name: Name,
    /// The last weight.
    pub mass: Option<Point>,
    /// The last raw count.
    pub count: Option<Point>,
    /// The last temperature, °C.
    pub temperature: Option<Point>,
    /// The last humidity, fraction.
    pub humidity: Option<Point>,
    /// The latest time of a reading that is stored for the future, further ahead than [`AHEAD_S`].
    pub ahead: Option<Time>,
    /// It speaks on a port that was listened to.
    pub heard: bool,
    /// It was heard to weigh something.
    pub weighs: bool,
    /// It prints at the press of a key, and is silent in between.
    pub at_a_key: bool,
    /// It sends raw counts.
    pub raw: bool,
    /// It sends what a room sensor sends.
    pub air: bool,
    /// The pot that stands on it.
    pub pot: Option<Name>,
    /// What its raw counts weigh.
    pub calibration: Calibrated,
    /// What a dry pot on it, or its being empty, says of its zero.
    pub drift: Option<Drift>,
    /// How many of its values of late, up to the last, are all the same: raw counts of an hour, or
    /// both values of the air of a day.
    pub unchanged: usize,
}

/// What is known of a cell's calibration.
#[derive(Clone, PartialEq, Debug, Default)]
pub enum Calibrated {
    /// Nothing.
    #[default]
    No,
    /// There is one that weighs nothing, and why.
    NoUse(String),
    /// It weighs a pot of 500 g right to within this, g; whether that tells when to trim; whether
    /// its zero's way with the temperature is known.
    Yes(f64, bool, bool),
}

impl Calibrated {
    /// By the calibrations of a cell, as of a time.
    pub fn of(history: &History, at: Time) -> Calibrated {
        let Some(calibration) = history.calibration(at) else { return Calibrated::No };
        if let Err(why) = &calibration.curve {
            return Calibrated::NoUse(why.to_string());
        }
        if calibration.is_absurd() {
            let why = "its known masses lie too far off any curve: one was another than was said";
            return Calibrated::NoUse(why.into());
        }
        let within = Worth::of(calibration, history, POT_G).map_or(f64::INFINITY, |w| w.interval);
        let tells = meaning(within, POT_G).tells_trimming();
        Calibrated::Yes(within, tells, history.drift(at).is_some())
    }
}

impl Source {
    fn is_cell(&self) -> bool {
        self.mass.is_some() || self.count.is_some() || self.weighs
    }

    fn last(&self) -> Option<Time> {
        let all = [self.mass, self.count, self.temperature, self.humidity];
        all.into_iter().flatten().map(|point| point.time).max()
    }

    /// How long it has been silent, s; 0 where it is heard now. What lies in the future was not
    /// said yet.
    fn silent(&self, at: Time) -> f64 {
        match self.last().map(|last| at.since(last)) {
            _ if self.heard => 0.0,
            Some(silent) if silent >= -AHEAD_S => silent,
            _ => f64::INFINITY,
        }
    }

    /// That readings of it lie in the future: all that it sends, or one beside those of now.
    fn ahead(&self, what: What, at: Time) -> Option<Finding> {
        let ahead = span(self.ahead?.since(at));
        let text = match self.last().is_some_and(|last| last.since(at) <= AHEAD_S) {
            true => format!("a reading of it lies {ahead} in the future, and counts from then on"),
            false => format!("the times that it sends lie {ahead} in the future"),
        };
        let finding = Finding::wrong(what, "source-clock", text).of([&self.name]);
        let what_to_do =
            "Set the board's clock, or let it send no times: then they count from arrival.";
        Some(finding.say(what_to_do))
    }
}

/// Judges cells and room.
pub fn judge(shelf: &Shelf, program: &str) -> Vec<Finding> {
    let part = |source: &&Source| {
        let there = source.pot.is_some() || source.ahead.is_some();
        source.is_cell() && (there || source.silent(shelf.at) < GONE_S)
    };
    let cells: Vec<&Source> = shelf.sources.iter().filter(part).collect();
    let mut findings: Vec<Finding> =
        shelf.on_nothing.iter().map(|one| on_nothing(one, program)).collect();
    findings.extend(stale_cells(&cells, shelf));
    findings.extend(uncalibrated(&cells, program));
    findings.extend(cells.iter().filter_map(|cell| cell.ahead(What::Cell, shelf.at)));
    let fresh = |source: &&&Source| {
        !is_stale(source, shelf.at) && !is_uncalibrated(source) && source.ahead.is_none()
    };
    findings.extend(cells.iter().filter(fresh).map(|cell| cell_alone(cell, shelf.at, program)));
    findings.extend(room(shelf));
    findings
}

fn is_stale(cell: &Source, at: Time) -> bool {
    let silent = cell.silent(at);
    cell.pot.is_some() && !cell.at_a_key && silent > STALE_S && silent.is_finite()
}

fn is_uncalibrated(cell: &Source) -> bool {
    cell.raw && cell.calibration == Calibrated::No
}

fn on_nothing((pot, source, near): &(Name, Name, Option<Name>), program: &str) -> Finding {
    let text = format!("{pot} is noted to stand on {source}, of which nothing was ever heard");
    let finding = Finding::wrong(What::Cell, "never-heard", text).of([source]);
    match near {
        Some(near) => finding.say(format!("Was {near} meant?")).run(format!(
            "{program} note {} on {}",
            shell_word(pot),
            shell_word(near)
        )),
        None => finding
            .say("Is its board on a port that `watch` has, and does it send under that very name?"),
    }
}

/// All that are silent at once, as one.
fn stale_cells(cells: &[&Source], shelf: &Shelf) -> Option<Finding> {
    let stale: Vec<&&Source> = cells.iter().filter(|cell| is_stale(cell, shelf.at)).collect();
    let since = stale.iter().filter_map(|cell| cell.last()).max()?;
    let pots: Vec<&str> = stale.iter().filter_map(|cell| cell.pot.as_deref()).collect();
    let text = format!(
        "silent for {}, with {} on {}",
        span(shelf.at.since(since)),
        pots.join(", "),
        if stale.len() == 1 { "it" } else { "them" }
    );
    let finding = Finding::wrong(What::Cell, "stale", text).of(stale.iter().map(|cell| &cell.name));
    Some(match (shelf.watched, stale.len() == cells.len()) {
        (false, _) => finding.say("`watch` does not run: start it, and let it run."),
        (true, true) => finding.say("All at once: look at the board, its supply and its cable."),
        (true, false) => finding.say(
            "The others speak: look at this cell's plug and wires, and whether its board names it \
             as before. If the pot stands elsewhere by now, note that (`note POT on CELL`).",
        ),
    })
}

/// All that send raw counts which weigh nothing, as one.
fn uncalibrated(cells: &[&Source], program: &str) -> Option<Finding> {
    let raw: Vec<&&Source> = cells.iter().filter(|cell| is_uncalibrated(cell)).collect();
    let first = raw.first()?;
    let text = "not calibrated: raw counts are kept, but nobody knows what they weigh";
    let finding = Finding::wrong(What::Cell, "no-calibration", text)
        .of(raw.iter().map(|cell| &cell.name))
        .say("With known masses (a litre of water is 1 kg), put on as it asks:")
        .run(format!("{program} calibrate {} 0 500 1000 500 0", shell_word(&first.name)));
    Some(match raw.len() {
        1 => finding,
        _ => finding.say("And so each of them."),
    })
}

/// A cell that speaks, and weighs something.
fn cell_alone(cell: &Source, at: Time, program: &str) -> Finding {
    let wrong = |code, text: String| Finding::wrong(What::Cell, code, text).of([&cell.name]);
    let calibrate = format!("{program} calibrate {} 0 500 1000 500 0", shell_word(&cell.name));
    if cell.count.is_some_and(|count| count.value.abs() >= END_OF_RANGE) {
        return wrong("end-of-range", "its converter stands at the end of its range".into()).say(
            "A wire of the cell is loose or swapped, or far more lies on it than it carries.",
        );
    }
    if cell.raw && cell.unchanged >= STUCK_COUNTS {
        let text = format!("its last {} raw counts are all the same", cell.unchanged);
        return wrong("stuck", text).say(
            "No cell is that still: its converter hangs, or its board repeats an old value. Take \
             the board's supply away and give it back; then look at the wires.",
        );
    }
    if let Some(drift) = cell.drift.as_ref().filter(|drift| drift.is_told()) {
        return drifts(cell, drift, &calibrate);
    }
    let weighs = match &cell.calibration {
        _ if !cell.raw => "sends grams".into(),
        Calibrated::NoUse(why) => {
            return wrong("bad-calibration", format!("its calibration is of no use: {why}"))
                .say("Once more, in the place of the old one:")
                .run(format!("{calibrate} --replace"));
        }
        Calibrated::Yes(within, false, _) => {
            let text = format!(
                "its calibration is too unsure to tell when to trim: {POT_G:.0} g are right to \
                 ±{within:.1} g only"
            );
            return wrong("unsure-calibration", text)
                .say("Once more, with better or more masses, up to the wettest pot and back:")
                .run(format!("{calibrate} --replace"));
        }
        Calibrated::Yes(within, true, drift) => format!(
            "calibrated, {POT_G:.0} g right to ±{within:.1} g{}",
            if *drift { "" } else { "; how its zero follows the temperature is not known" }
        ),
        Calibrated::No => "sends raw counts".into(),
    };
    let stands = match &cell.pot {
        Some(pot) => format!("; {pot} stands on it"),
        None => "; no pot is noted on it".into(),
    };
    Finding::fine(What::Cell, format!("{}{weighs}{stands}", spoke(cell, at))).of([&cell.name])
}

/// A cell whose zero drifts, by a witness.
fn drifts(cell: &Source, drift: &Drift, calibrate: &str) -> Finding {
    let days = drift.to.since(drift.from) / DAY;
    let by = match &drift.pot {
        Some(pot) => format!("{pot}, which stood dry on it for {days:.0} days,"),
        None => format!("empty for {days:.0} days, it"),
    };
    let text = format!("its zero drifts: {by} seems to {}", drift.in_words());
    let finding = Finding::wrong(What::Cell, "drifts", text).of([&cell.name]).say(
        "Damp, a loose screw or glue that gives: see that the cell is dry, that its screws are \
         tight and that nothing but its board touches it. Until it keeps still, what pots on it \
         seem to lose or gain is partly the cell's.",
    );
    match (cell.raw, &cell.pot) {
        (true, _) => finding.say("Then calibrate it again:").run(calibrate),
        (false, Some(pot)) => finding.say(format!("Then take {pot} off and set its zero again.")),
        (false, None) => finding.say("Then set its zero again."),
    }
}

/// `spoke 2 min ago, `.
fn spoke(source: &Source, at: Time) -> String {
    match source.silent(at) {
        _ if source.heard => "speaks now, ".into(),
        s if s < 60.0 => "spoke just now, ".into(),
        s => format!("spoke {} ago, ", span(s)),
    }
}

/// The room's sensors, or that there is none.
fn room(shelf: &Shelf) -> Vec<Finding> {
    let sensors: Vec<&Source> = shelf.sources.iter().filter(|source| source.air).collect();
    if sensors.is_empty() {
        return vec![Finding::fine(
            What::Room,
            "none: an ordinary room is supposed, and times are wider",
        )];
    }
    let ahead = sensors.iter().filter_map(|sensor| sensor.ahead(What::Room, shelf.at));
    let alone = sensors.iter().filter_map(|sensor| sensor_alone(sensor, shelf));
    ahead.chain(alone).collect()
}

/// What is wrong with one sensor; that it is fine, unless a reading of it lies in the future.
fn sensor_alone(sensor: &Source, shelf: &Shelf) -> Option<Finding> {
    let silent = sensor.silent(shelf.at);
    if silent.is_infinite() {
        return None;
    }
    let wrong = |code, text: String| Finding::wrong(What::Room, code, text).of([&sensor.name]);
    if silent > STALE_S {
        let (celsius, humidity) = (sensor.temperature, sensor.humidity);
        let shows = shows(celsius, humidity);
        let text = format!("silent for {}; the last it said was {shows}", span(silent));
        let finding = wrong("stale-room", text);
        return Some(match shelf.watched {
            false => finding.say("`watch` does not run: start it, and let it run."),
            true => finding.say(
                "Look at the sensor's plug, wires and supply. Until it speaks, forecasts go by \
                 the room's usual days, and no pot is called ready for the kiln after a day.",
            ),
        });
    }
    // Where one of both fell silent, what it said then is not how it is now.
    let now = |point: &Point| sensor.heard || shelf.at.since(point.time) <= STALE_S;
    let (celsius, humidity) = (sensor.temperature.filter(now), sensor.humidity.filter(now));
    let shows = shows(celsius, humidity);
    let real = celsius.is_none_or(|c| CELSIUS.contains(&c.value))
        && humidity.is_none_or(|h| HUMIDITY.contains(&h.value));
    if !real {
        return Some(wrong("odd-room", format!("it shows {shows}, which no studio has")).say(
            "A loose wire, a wet sensor, or another unit than it says (°C as Cel, percent as %RH).",
        ));
    }
    if sensor.unchanged >= STUCK_AIR {
        let text = format!("for a day it has shown {shows} without any change");
        let to_do = "No room is that still: take its supply away and give it back, or change it.";
        return Some(wrong("stuck-room", text).say(to_do));
    }
    if humidity.is_none() && !sensor.heard {
        let since = sensor.humidity.map(|h| format!(" for {}", span(shelf.at.since(h.time))));
        let since = since.unwrap_or_default();
        let finding = wrong("no-humidity", format!("it tells no humidity{since}, only {shows}"));
        return Some(
            finding.say("Drying hangs on the humidity: let it send that, too (unit %RH)."),
        );
    }
    let shows = if shows.is_empty() { "not stored so far".into() } else { shows };
    let fine = Finding::fine(What::Room, format!("{}{shows}", spoke(sensor, shelf.at)));
    sensor.ahead.is_none().then(|| fine.of([&sensor.name]))
}

/// `19.8 °C (68 °F), 54 %`.
fn shows(celsius: Option<Point>, humidity: Option<Point>) -> String {
    let celsius = celsius.map(|point| point.value);
    let celsius = celsius.map(|c| format!("{c:.1} °C ({:.0} °F)", fahrenheit_from_celsius(c)));
    let humidity = humidity.map(|point| format!("{:.0} %", 100.0 * point.value));
    celsius.into_iter().chain(humidity).collect::<Vec<_>>().join(", ")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::calibration::Load;

    const NOW: Time = Time(1_900_000_000_000_000);

    fn ago(minutes: f64, value: f64) -> Option<Point> {
        Some(Point { time: NOW.plus(-60.0 * minutes), value })
    }

    fn cell(name: &str, minutes: f64) -> Source {
        let pot = Some(format!("pot of {name}"));
        Source { name: name.into(), mass: ago(minutes, 812.4), pot, ..Source::default() }
    }

    fn raw(name: &str, value: f64) -> Source {
        let calibration = Calibrated::Yes(0.4, true, false);
        let raw = Source { raw: true, count: ago(1.0, value), mass: None, ..cell(name, 0.0) };
        Source { calibration, ..raw }
    }

    fn sensor(minutes: f64, celsius: f64, humidity: f64) -> Source {
        Source {
            name: "room".into(),
            temperature: ago(minutes, celsius),
            humidity: ago(minutes, humidity),
            air: true,
            ..Source::default()
        }
    }

    fn found(sources: Vec<Source>) -> Vec<Finding> {
        judge(&Shelf { at: NOW, sources, on_nothing: vec![], watched: true }, "warecast")
    }

    /// What is wrong with one cell beside a room that is fine.
    fn code(cell: Source) -> &'static str {
        let all = found(vec![cell, sensor(1.0, 19.8, 0.54)]);
        assert_eq!((all.len(), all[1].wrong), (2, false), "{all:?}");
        all[0].code
    }

    #[test]
    fn a_shelf_that_speaks_is_fine() {
        let all = found(vec![cell("a", 0.5), raw("b", 7.0), sensor(1.0, 19.8, 0.54)]);
        assert!(all.iter().all(|f| !f.wrong), "{all:?}");
        assert_eq!(all[0].text, "spoke just now, sends grams; pot of a stands on it");
        assert!(all[1].text.contains("500 g right to ±0.4 g; how its zero follows"), "{all:?}");
        assert_eq!(all[2].text, "spoke 1 min ago, 19.8 °C (68 °F), 54 %");
        let none = found(vec![cell("a", 0.5)]);
        assert!(!none[1].wrong && none[1].text.starts_with("none"), "{none:?}");
    }

    #[test]
    fn silent_cells_are_told_together_and_only_under_pots() {
        let (a, b, c) = (cell("a", 61.0), cell("b", 300.0), cell("c", 1.0));
        let all = found(vec![a.clone(), b.clone(), c]);
        assert_eq!((all[0].code, &all[0].names[..]), ("stale", &["a".into(), "b".into()][..]));
        assert!(all[0].text.contains("silent for 1 h 1 min, with pot of a, pot of b on them"));
        assert_eq!(all.len(), 3);
        assert!(format!("{:?}", found(vec![a, b.clone()])[0].to_do).contains("All at once"));
        // Heard on its port just now, it is not silent; nor is one that nothing stands on.
        assert_eq!(code(Source { heard: true, ..b.clone() }), "fine");
        assert_eq!(code(Source { pot: None, ..b.clone() }), "fine");
        assert_eq!(code(Source { at_a_key: true, ..b.clone() }), "fine");
        let long_gone = Source { pot: None, mass: ago(50_000.0, 1.0), ..b };
        assert_eq!(found(vec![long_gone]).len(), 1, "only the room");
    }

    #[test]
    fn raw_counts_without_a_calibration_weigh_nothing() {
        let new = Source { calibration: Calibrated::No, ..raw("new", 7.0) };
        let all = found(vec![new.clone(), Source { name: "newer".into(), ..new.clone() }]);
        assert_eq!((all[0].code, all[0].names.len()), ("no-calibration", 2));
        assert!(format!("{:?}", all[0].to_do).contains("warecast calibrate new 0 500 1000 500 0"));
        // Heard, and never stored.
        let heard = Source { count: None, pot: None, heard: true, weighs: true, ..new };
        assert_eq!(code(heard), "no-calibration");
    }

    #[test]
    fn a_cell_or_calibration_that_cannot_be_trusted_is_told() {
        assert_eq!(code(raw("a", -8_388_608.0)), "end-of-range");
        assert_eq!(code(Source { unchanged: 20, ..raw("a", 5.0) }), "stuck");
        // A kitchen scale in grams stands still for hours, and is right.
        assert_eq!(code(Source { unchanged: 500, ..cell("a", 1.0) }), "fine");
        let with = |calibration| code(Source { calibration, ..raw("a", 5.0) });
        assert_eq!(with(Calibrated::NoUse("two loads".into())), "bad-calibration");
        assert_eq!(with(Calibrated::Yes(40.0, false, true)), "unsure-calibration");
        // One that only ever spoke of times to come, and one that does so beside.
        let ahead = ago(-11.0, 1.0).map(|point| point.time);
        assert_eq!(code(Source { ahead, ..cell("a", -11.0) }), "source-clock");
        assert_eq!(code(Source { ahead, ..cell("a", 1.0) }), "source-clock");
        let all = found(vec![Source { ahead, ..cell("a", 61.0) }]);
        assert_eq!([all[0].code, all[1].code], ["stale", "source-clock"]);
    }

    #[test]
    fn a_calibration_is_known_by_its_loads() {
        let history = |masses: &[(f64, f64)]| {
            let load = |(i, (mass_g, raw)): (usize, &(f64, f64))| Load {
                source: "cell".into(),
                from: Time(0),
                at: Time(i as i64),
                mass_g: *mass_g,
                limit_g: None,
                raw: *raw,
                spread: None,
                samples: None,
                celsius: None,
            };
            let loads: Vec<Load> = masses.iter().enumerate().map(load).collect();
            Calibrated::of(&History::new("cell", &loads, &[]), NOW)
        };
        assert_eq!(history(&[]), Calibrated::No);
        let good = [(0.0, 8000.0), (500.0, 208_000.0), (1000.0, 408_010.0), (0.0, 8001.0)];
        let known = history(&good);
        assert!(matches!(known, Calibrated::Yes(within, true, false) if within < 1.0), "{known:?}");
        assert!(matches!(history(&good[..1]), Calibrated::NoUse(_)));
        let mistyped = [(0.0, 8000.0), (500.0, 408_000.0), (1000.0, 408_010.0), (0.0, 8001.0)];
        assert!(matches!(history(&mistyped), Calibrated::NoUse(_)));
    }

    #[test]
    fn a_pot_on_a_name_that_never_spoke_is_asked_about() {
        let one = ("jar-1".into(), "shelf-a:cel-1".into(), Some("shelf-a:cell-1".into()));
        let shelf = Shelf { at: NOW, on_nothing: vec![one], ..Shelf::default() };
        let found = &judge(&shelf, "warecast")[0];
        assert_eq!(found.code, "never-heard");
        assert!(format!("{:?}", found.to_do).contains("warecast note jar-1 on shelf-a:cell-1"));
    }

    #[test]
    fn what_a_room_sensor_says_of_the_future_is_not_its_last_word() {
        let ahead = ago(-500_000.0, 0.0).map(|point| point.time);
        let silent = Source { ahead, ..sensor(12_900.0, 20.0, 0.5) };
        let all = found(vec![silent]);
        let codes: Vec<_> = all.iter().map(|finding| finding.code).collect();
        assert_eq!(codes, ["source-clock", "stale-room"]);
        assert!(all[1].text.contains("the last it said was 20.0 °C (68 °F), 50 %"), "{all:?}");
        // It speaks, too; or only of times to come.
        for sensor in [sensor(1.0, 20.0, 0.5), sensor(-500_000.0, 20.0, 0.5)] {
            let all = found(vec![Source { ahead, ..sensor }]);
            assert_eq!((all.len(), all[0].code), (1, "source-clock"), "{all:?}");
        }
        // Its humidity is 9 days old.
        let half = Source { humidity: ago(12_900.0, 0.5), ..sensor(1.0, 20.0, 0.5) };
        let all = found(vec![half]);
        assert_eq!((all.len(), all[0].code), (1, "no-humidity"), "{all:?}");
        assert!(all[0].text.ends_with("only 20.0 °C (68 °F)"), "{all:?}");
    }

    #[test]
    fn a_room_sensor_may_be_stale_odd_stuck_or_half() {
        let code = |sensor| found(vec![sensor])[0].code;
        assert_eq!(code(sensor(59.0, 19.8, 0.54)), "fine");
        assert_eq!(code(sensor(61.0, 19.8, 0.54)), "stale-room");
        assert_eq!(code(sensor(1.0, 85.0, 0.54)), "odd-room");
        assert_eq!(code(sensor(1.0, 19.8, 0.0)), "odd-room");
        // A damp cupboard is damp.
        assert_eq!(code(sensor(1.0, 19.8, 1.0)), "fine");
        assert_eq!(code(Source { unchanged: 24, ..sensor(1.0, 19.8, 0.54) }), "stuck-room");
        assert_eq!(code(Source { humidity: None, ..sensor(1.0, 19.8, 0.5) }), "no-humidity");
        let heard =
            Source { temperature: None, humidity: None, heard: true, ..sensor(1.0, 0., 0.) };
        assert_eq!(code(heard), "fine");
    }
}
