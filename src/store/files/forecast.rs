//! The air forecast: how warm and how damp the studio's room is going to be, as a file says.
//!
//! It is read anew whenever the studio is, so that whoever writes it need tell nobody. It does not
//! say when it was made: no earlier than [`AHEAD`] before its first row is supposed, so that a
//! report of the past knows no later forecast.

use super::sheet::{Layout, Sheet};
use super::{Defect, FILES, Note};
use crate::disk;
use crate::records::{Air, Point, Quantity};
use crate::store::rules::{self, Unfit};
use crate::store::text::{AIR_COLUMNS, PERCENT};
use crate::store::{StoreError, text};
use crate::units::{HOUR, Time};
use std::collections::BTreeMap;
use std::io::{self, BufWriter};
use std::path::{Path, PathBuf};

/// The file's name in the studio's folder, where the settings name no other.
pub const AIR_FORECAST: &str = FILES[10];

/// A forecast begins at most so long after it was made, s.
const AHEAD: f64 = 6.0 * HOUR;
/// Rows may lie so far apart: of the time between others it says nothing, s.
const APART: f64 = 12.0 * HOUR;
/// Temperatures that the air of a room may come to, °C: 77 is one in °F.
const ROOM_C: std::ops::RangeInclusive<f64> = -30.0..=55.0;
/// No room is as dry as this, fraction: 0.55 % was meant as 55 % (common practice, no source).
const LEAST_HUMIDITY: f64 = 0.03;
/// All of its air warmer (°C) and drier (fraction) than this is that of a desert, or its columns
/// are exchanged (common practice, no source).
const DESERT: (f64, f64) = (35.0, 0.35);
/// Rows that are read: two months of minutes.
const MOST_ROWS: usize = 100_000;
/// Defects that are told one by one.
const MOST_NOTES: usize = 5;

pub(super) const LAYOUT: Layout =
    Layout { file: AIR_FORECAST, columns: &AIR_COLUMNS, required: &AIR_COLUMNS };

/// Its rows: °C and relative humidity (fraction) by time.
pub(super) type Rows = BTreeMap<Time, (f64, f64)>;

/// What the file says as it lies there now.
#[derive(Clone, PartialEq, Debug)]
pub struct AirForecast {
    /// The file.
    path: PathBuf,
    /// What is wrong with it, each with its place; rows that are sound are used.
    notes: Vec<String>,
    rows: Rows,
}

/// What a forecast is worth at a time.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Standing {
    /// It counts, up to this time.
    Until(Time),
    /// It lies in the past, since this time: it is not used.
    Over(Time),
    /// It begins only then: it is not used yet.
    Begins(Time),
    /// It says nothing.
    Empty,
}

impl AirForecast {
    /// Reads the file; what is wrong with it is among the notes.
    pub fn read(path: &Path) -> AirForecast {
        let mut forecast = AirForecast { path: path.into(), notes: vec![], rows: Rows::new() };
        if let Err(e) = forecast.take(path) {
            forecast.notes.push(format!("{}: {}", path.display(), disk::trouble(&e)));
        }
        let more = forecast.notes.len().saturating_sub(MOST_NOTES);
        forecast.notes.truncate(MOST_NOTES);
        if more > 0 {
            forecast.notes.push(format!("{}: {more} more like these", path.display()));
        }
        forecast
    }

    fn take(&mut self, path: &Path) -> io::Result<()> {
        let file = disk::open(path)?;
        let (rows, notes) = (&mut self.rows, &mut self.notes);
        let mut tell = |note: Note| {
            notes.push(match note {
                Note::Defect(defect) => defect.to_string(),
                Note::Warning(text) => text,
            });
        };
        let name = path.display().to_string();
        let Some(mut sheet) = Sheet::open_as(name.clone(), file, &LAYOUT, &mut tell)? else {
            return Ok(());
        };
        while let Some(next) = sheet.next()? {
            if rows.len() == MOST_ROWS {
                tell(Note::Warning(format!("{name}: what follows {MOST_ROWS} rows is left out")));
                break;
            }
            let taken = next
                .and_then(|()| take_row(rows, &sheet).map_err(|e| sheet.defect(e.column, e.text)));
            taken.unwrap_or_else(|defect: Defect| tell(Note::Defect(defect)));
        }
        Ok(())
    }

    /// What it is worth at a time.
    pub fn standing(&self, at: Time) -> Standing {
        match (self.rows.first_key_value(), self.rows.last_key_value()) {
            (Some((first, _)), _) if at < first.plus(-AHEAD) => Standing::Begins(*first),
            (_, Some((last, _))) if *last <= at => Standing::Over(*last),
            (_, Some((last, _))) => Standing::Until(self.gap(at).map_or(*last, |(from, _)| from)),
            _ => Standing::Empty,
        }
    }

    /// The last row up to a time.
    fn last_by(&self, at: Time) -> Option<Time> {
        self.rows.range(..=at).next_back().map(|(time, _)| *time)
    }

    /// The first two rows, of those from a time on, between which it says nothing.
    fn gap(&self, from: Time) -> Option<(Time, Time)> {
        let times = self.rows.range(from..).map(|(time, _)| *time);
        let next = times.clone().skip(1);
        times.zip(next).find(|(from, to)| to.since(*from) > APART)
    }

    /// The air that it says is to come after a time, from its last row before that on; empty where
    /// it is not used then.
    pub fn as_of(&self, at: Time) -> Air {
        if !matches!(self.standing(at), Standing::Until(_)) {
            return Air::default();
        }
        let from = self.last_by(at).unwrap_or(at);
        let mut air = Air::default();
        for (&time, &(celsius, humidity)) in self.rows.range(from..) {
            air.temperature.push(Point { time, value: celsius });
            air.humidity.push(Point { time, value: humidity });
        }
        air
    }

    /// What there is to say of it at a time: what is wrong with it, and why it is not used; `when`
    /// puts a time into words.
    pub fn remarks(&self, at: Time, when: impl Fn(Time) -> String) -> Vec<String> {
        let file = self.path.display();
        let idle = match self.standing(at) {
            Standing::Until(_) => None,
            Standing::Over(time) => Some(format!(
                "{file} ended {}: it is not used; put a newer one there, or take it away",
                when(time)
            )),
            Standing::Begins(time) => {
                Some(format!("{file} begins only {}: it is not used yet", when(time)))
            }
            Standing::Empty => {
                self.notes.is_empty().then(|| format!("{file} holds no rows: it is not used"))
            }
        };
        let used = matches!(self.standing(at), Standing::Until(_));
        // One may be under way.
        let gap = self.gap(self.last_by(at).unwrap_or(at)).filter(|_| used).map(|(from, to)| {
            format!(
                "{file} says nothing between {} and {}: its rows may lie up to 12 hours apart",
                when(from),
                when(to)
            )
        });
        let mut air = self.rows.values().peekable();
        let desert = used
            && air.peek().is_some()
            && air.all(|(celsius, humidity)| *celsius > DESERT.0 && *humidity < DESERT.1);
        let exchanged = desert.then(|| {
            format!("{file} has a desert's air throughout, hot and dry: are its columns exchanged?")
        });
        self.notes.iter().cloned().chain(idle).chain(gap).chain(exchanged).collect()
    }

    pub(super) fn rows(&self) -> &Rows {
        &self.rows
    }
}

/// Takes the row at which the sheet stands among the others.
pub(super) fn take_row(rows: &mut Rows, sheet: &Sheet) -> Result<(), Unfit> {
    let [when, warm, damp] = AIR_COLUMNS;
    let time = sheet.time(when)?;
    let number = |column, places, quantity| {
        let value = sheet.number(column, places)?;
        let fits = rules::reading_value(quantity, value, None, None);
        fits.map(|()| value).map_err(|e| Unfit { column, ..e })
    };
    let row = (number(warm, 0, Quantity::Temperature)?, number(damp, PERCENT, Quantity::Humidity)?);
    if !ROOM_C.contains(&row.0) {
        let text = "expected the air of a room, -30…55 °C (is it in °F?)";
        return Err(Unfit { column: warm, text: text.into() });
    }
    if !(LEAST_HUMIDITY..).contains(&row.1) {
        let text = "expected percent, 3 or more (is it a fraction?)";
        return Err(Unfit { column: damp, text: text.into() });
    }
    if rows.get(&time).is_some_and(|other| *other != row) {
        let text = "an earlier row says otherwise of this time";
        return Err(Unfit { column: when, text: text.into() });
    }
    rows.insert(time, row);
    Ok(())
}

/// Writes the rows; how many.
pub(super) fn write(rows: &Rows, csv: &mut csv::Writer<impl io::Write>) -> csv::Result<usize> {
    csv.write_record(AIR_COLUMNS)?;
    for (time, (celsius, humidity)) in rows {
        csv.write_record([
            time.to_string(),
            text::write_number(*celsius, 0),
            text::write_number(*humidity, PERCENT),
        ])?;
    }
    Ok(rows.len())
}

/// Puts the rows into the studio's folder, whole or not at all.
pub(super) fn save(rows: &Rows, dir: &Path) -> Result<(), StoreError> {
    let path = dir.join(AIR_FORECAST);
    let save = || -> io::Result<()> {
        let mut part = disk::fresh(dir)?;
        let mut csv = csv::Writer::from_writer(BufWriter::new(&mut part));
        write(rows, &mut csv).map_err(io::Error::other)?;
        csv.flush()?;
        drop(csv);
        part.as_file().sync_all()?;
        disk::give_name(part, &path, true)?;
        disk::sync(dir)
    };
    save().map_err(|error| StoreError::Folder { path: path.clone(), error })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(text: &str) -> AirForecast {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join(AIR_FORECAST);
        std::fs::write(&path, text).unwrap();
        let forecast = AirForecast::read(&path);
        let folder = format!("{}/", dir.path().display());
        let notes = forecast.notes.iter().map(|note| note.replace(&folder, "")).collect();
        AirForecast { notes, ..forecast }
    }

    fn at(text: &str) -> Time {
        Time::parse_rfc3339(&format!("2031-04-{text}:00Z")).unwrap()
    }

    const TWO_DAYS: &str = "humidity_percent,time,temperature_c\n\
                            62,2031-04-03T12:00:00+02:00,17.5\n\
                            55,2031-04-02T12:00:00Z,19\n\
                            71,2031-04-04T00:00:00Z,16\n";

    #[test]
    fn rows_are_put_in_order_and_count_while_they_last() {
        let forecast = read(TWO_DAYS);
        assert_eq!(forecast.notes, [""; 0]);
        let known = |t| {
            let air = forecast.as_of(at(t));
            let series = air.temperature.iter().zip(&air.humidity);
            let row = |(t, h): (&Point, &Point)| (t.time == h.time).then_some((t.value, h.value));
            series.map(|both| row(both).unwrap()).collect::<Vec<_>>()
        };
        let all = [(19.0, 0.55), (17.5, 0.62), (16.0, 0.71)];
        // It may have been made six hours before its first row, and no earlier.
        assert_eq!(known("02T05:59"), []);
        assert_eq!(known("02T06:00"), all);
        assert_eq!(known("02T12:00"), all);
        assert_eq!(known("03T10:00"), all[1..]);
        assert_eq!(known("03T23:59"), all[1..]);
        assert_eq!(known("04T00:00"), []);
        let (first, last) = (at("02T12:00"), at("04T00:00"));
        assert_eq!(forecast.standing(at("01T12:00")), Standing::Begins(first));
        assert_eq!(forecast.standing(at("03T12:00")), Standing::Until(last));
        assert_eq!(forecast.standing(at("05T12:00")), Standing::Over(last));
        assert_eq!(read("time,temperature_c,humidity_percent\n").standing(last), Standing::Empty);
    }

    #[test]
    fn degrees_fahrenheit_and_fractions_are_no_air_of_a_room() {
        let forecast = read(
            "time,temperature_c,humidity_percent\n2031-04-02T12:00:00Z,77,55\n\
             2031-04-02T13:00:00Z,19,0.55\n2031-04-02T14:00:00Z,19,55\n",
        );
        let [warm, damp] = &forecast.notes[..] else { panic!("{:?}", forecast.notes) };
        assert!(warm.contains(":2: temperature_c: ") && warm.contains("°F"), "{warm}");
        assert!(damp.contains(":3: humidity_percent: ") && damp.contains("fraction"), "{damp}");
        assert_eq!(forecast.rows.len(), 1);
    }

    #[test]
    fn a_deserts_air_is_asked_about() {
        let remarks = |rows: &str| {
            let forecast = read(&format!("time,temperature_c,humidity_percent\n{rows}"));
            forecast.remarks(at("02T13:00"), |time| time.to_string()).join("; ")
        };
        let hot = "2031-04-02T12:00:00Z,50,20\n2031-04-02T18:00:00Z,54,17\n";
        assert!(remarks(hot).ends_with("hot and dry: are its columns exchanged?"));
        assert_eq!(remarks(&format!("{hot}2031-04-02T20:00:00Z,24,50\n")), "");
    }

    #[test]
    fn rows_too_far_apart_say_nothing_of_the_time_between() {
        let forecast = read(
            "time,temperature_c,humidity_percent\n\
             2031-04-02T12:00:00Z,19,55\n2031-04-03T00:00:00Z,18,60\n\
             2031-04-05T06:00:00Z,18,60\n2031-04-05T12:00:00Z,18,60\n",
        );
        assert_eq!(forecast.standing(at("02T13:00")), Standing::Until(at("03T00:00")));
        assert_eq!(forecast.standing(at("04T13:00")), Standing::Until(at("05T12:00")));
        assert_eq!(forecast.remarks(at("04T13:00"), |time| time.to_string()).len(), 1);
        let remarks = forecast.remarks(at("02T13:00"), |time| time.to_string());
        let [gap] = &remarks[..] else { panic!("{remarks:?}") };
        assert!(
            gap.ends_with(
                "says nothing between 2031-04-03T00:00:00Z and 2031-04-05T06:00:00Z: its rows may \
                 lie up to 12 hours apart"
            ),
            "{gap}"
        );
        assert_eq!(forecast.remarks(at("05T07:00"), |time| time.to_string()), [""; 0]);
    }

    #[test]
    fn bad_rows_are_told_with_their_place_and_the_others_are_used() {
        let forecast = read(
            "time,temperature_c,humidity_percent,wind\n\
             2031-04-02T12:00:00,19,55,\n\
             2031-04-02T12:00:00Z,190,55,\n\
             2031-04-02T12:00:00Z,19,0.55e3,\n\
             2031-04-02T12:00:00Z,,55,\n\
             2031-04-02T12:00:00Z,19,55,\n\
             2031-04-02T14:00:00+02:00,19,55,\n\
             2031-04-02T14:00:00+02:00,19,56,\n\
             2031-04-02T18:00:00Z,18,x,\n",
        );
        let file = AIR_FORECAST;
        assert_eq!(
            forecast.notes,
            [
                format!("{file}: column \"wind\" is not known and was left out"),
                format!(
                    "{file}:2: time: not a time: expected RFC 3339 with an offset, like \
                     2031-04-02T18:25:00Z; got \"2031-04-02T12:00:00\""
                ),
                format!("{file}:3: temperature_c: a temperature outside -60…120 °C"),
                format!("{file}:4: humidity_percent: a humidity outside 0…110 %RH"),
                format!("{file}:5: temperature_c: is empty; expected a number like 812.4"),
                format!("{file}: 2 more like these"),
            ]
        );
        assert_eq!(forecast.rows.len(), 1);
        let header = read("time,temperature,humidity\n2031-04-02T12:00:00Z,19,55\n");
        assert_eq!(
            header.notes,
            [format!(
                "{file}:1: temperature_c: this column is missing; expected a first line like \
                 time,temperature_c,humidity_percent"
            )]
        );
    }

    #[test]
    fn what_is_no_file_is_told() {
        let dir = tempfile::tempdir().unwrap();
        let pipe = dir.path().join("pipe");
        rustix::fs::mkfifoat(rustix::fs::CWD, &pipe, rustix::fs::Mode::RWXU).unwrap();
        for path in [dir.path().to_owned(), dir.path().join("nothing"), pipe] {
            let forecast = AirForecast::read(&path);
            assert_eq!((forecast.notes.len(), forecast.standing(Time(0))), (1, Standing::Empty));
        }
    }

    proptest::proptest! {
        #[test]
        fn any_bytes_are_rows_or_notes(
            bytes in proptest::collection::vec(proptest::prelude::any::<u8>(), 0..300),
            with_header: bool,
        ) {
            let dir = tempfile::tempdir().unwrap();
            let path = dir.path().join(AIR_FORECAST);
            let header = if with_header { "time,temperature_c,humidity_percent\n" } else { "" };
            std::fs::write(&path, [header.as_bytes(), &bytes].concat()).unwrap();
            let _ = AirForecast::read(&path);
        }
    }
}
