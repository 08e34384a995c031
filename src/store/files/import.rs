//! Import: the files into a studio, good rows kept, each bad row named with its place.

use super::series::{Kinds, MOST_ODD, Pending, read_samples};
use super::sheet::{Layout, Sheet, unfit};
use super::{AIR_FORECAST, AirForecast, Defect, FILES, Note, check_folder, forecast};
use crate::calibration::{Load, ZeroDrift};
use crate::disk;
use crate::records::{
    Action, ActionError, Allotment, Blend, Body, Drying, HandlingRow, Ingredient, KilnPot, Name,
    Pot, Sample,
};
use crate::store::rows::{self, Fate};
use crate::store::rules::{self, Unfit};
use crate::store::text::{
    AIR_COLUMNS, ALLOTMENT_COLUMNS, BLEND_COLUMNS, BODY_COLUMNS, COUNT_COLUMNS, DRIFT_COLUMNS,
    HANDLING_COLUMNS, KILN_COLUMNS, LOAD_COLUMNS, PERCENT, POT_COLUMNS, READING_COLUMNS,
    SAMPLE_COLUMNS,
};
use crate::store::{
    Clash, Durability, Store, StoreError, allotments, calibrations, clay, kiln, planned, shown,
};
use rusqlite::Connection;
use std::collections::HashMap;
use std::io::ErrorKind;
use std::path::Path;

/// How to import.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Options {
    /// Keep nothing at all if any row is refused.
    pub strict: bool,
    /// A row that contradicts a stored one takes its place.
    pub replace: bool,
}

/// What became of the rows of one file.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Counts {
    /// New rows.
    pub added: usize,
    /// Rows that were there already.
    pub known: usize,
    /// Rows that took the place of stored ones.
    pub replaced: usize,
    /// Rows that were refused (a file without a usable header counts as one).
    pub refused: usize,
}

/// What became of an import.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Imported {
    /// For each file that was there, in the order of [`FILES`].
    pub files: Vec<(&'static str, Counts)>,
    /// Whether the rows that were not refused are now in the studio.
    pub kept: bool,
}

impl Imported {
    /// Whether any row was refused.
    pub fn any_refused(&self) -> bool {
        self.files.iter().any(|(_, counts)| counts.refused > 0)
    }
}

const BODIES: Layout =
    Layout { file: FILES[0], columns: &BODY_COLUMNS, required: &[BODY_COLUMNS[0]] };
const POTS: Layout =
    Layout { file: FILES[1], columns: &POT_COLUMNS, required: &["pot", "body", "made_at"] };
const HANDLING: Layout =
    Layout { file: FILES[2], columns: &HANDLING_COLUMNS, required: &HANDLING_COLUMNS };
const READINGS: Layout = Layout {
    file: FILES[3],
    columns: &READING_COLUMNS,
    required: &["time", "source", "quantity", "value", "unit", "pot"],
};

const SAMPLES: Layout = Layout {
    file: FILES[4],
    columns: &SAMPLE_COLUMNS,
    required: &["time", "sample", "body", "drying", "mass_g"],
};
const BLENDS: Layout = Layout { file: FILES[5], columns: &BLEND_COLUMNS, required: &BLEND_COLUMNS };
const COUNTS: Layout =
    Layout { file: FILES[6], columns: &COUNT_COLUMNS, required: &["time", "source", "raw"] };
const LOADS: Layout = Layout {
    file: FILES[7],
    columns: &LOAD_COLUMNS,
    required: &["source", "from", "at", "mass_g", "raw"],
};
const DRIFTS: Layout = Layout {
    file: FILES[8],
    columns: &DRIFT_COLUMNS,
    required: &["source", "from", "raw_per_c", "thermometer"],
};

const ALLOTMENTS: Layout = Layout {
    file: FILES[9],
    columns: &ALLOTMENT_COLUMNS,
    required: &["comparison", "pot", "treatment", "rank", "seed", "drawn_at"],
};
const KILN: Layout = Layout { file: FILES[11], columns: &KILN_COLUMNS, required: &KILN_COLUMNS };
const PLANNED: Layout =
    Layout { file: FILES[12], columns: &HANDLING_COLUMNS, required: &HANDLING_COLUMNS };

/// Cache of the database while a file is read, in KiB.
const CACHE_KIB: i64 = 64 * 1024;
/// How many readings are put in order before they are written: neighbours in the table are then
/// written together.
const BATCH: usize = 1 << 17;

/// Reads what is in the folder into the studio, in one transaction; refused rows and warnings
/// are told as they are found.
///
/// Errors: the folder, a file or the database cannot be read or written; then nothing is kept.
pub fn import(
    store: &mut Store,
    folder: &Path,
    options: Options,
    tell: &mut dyn FnMut(Note),
) -> Result<Imported, StoreError> {
    check_folder(folder)?;
    let usual: i64 = store.db.pragma_query_value(None, "cache_size", |row| row.get(0))?;
    store.db.pragma_update(None, "cache_size", -CACHE_KIB)?;
    let (there, named) = (store.air_forecast(), store.settings().air_forecast.is_some());
    let mut forecast = forecast::Rows::new();
    let imported = store.write_if(Durability::Power, |db| {
        let clash = if options.replace { Clash::Replace } else { Clash::Refuse };
        let mut import = Import { db, folder, clash, tell, done: Imported::default() };
        let odd = |body: &Body, _| rules::odd_body(body).or_else(|| rules::odd_band(body));
        import.rows(&BODIES, read_body, rows::put_body, odd)?;
        import.pots()?;
        import.rows(&HANDLING, read_handling, rows::put_handling, |_, _| None)?;
        import.readings(&READINGS, |kinds, sheet| kinds.read(sheet))?;
        import.rows(&SAMPLES, read_sample, clay::put_sample, |_, _| None)?;
        import.rows(&BLENDS, read_blend, clay::put_blend, |_, _| None)?;
        import.readings(&COUNTS, |kinds, sheet| kinds.read_count(sheet))?;
        import.rows(&LOADS, read_load, calibrations::put_load, |_, _| None)?;
        import.rows(&DRIFTS, read_drift, calibrations::put_drift, |_, _| None)?;
        import.rows(&ALLOTMENTS, read_allotment, allotments::put_allotment, |_, _| None)?;
        forecast = import.forecast(there.as_ref(), named)?;
        import.rows(&KILN, read_kiln_pot, kiln::put_pot, |_, _| None)?;
        import.rows(&PLANNED, read_handling, planned::put_planned, |_, _| None)?;
        let mut done = import.done;
        done.kept = !(options.strict && done.any_refused());
        let keep = done.kept;
        Ok((done, keep))
    });
    store.db.pragma_update(None, "cache_size", usual)?;
    if !forecast.is_empty() && imported.as_ref().is_ok_and(|done| done.kept) {
        forecast::save(&forecast, store.dir())?;
    }
    imported
}

struct Import<'a> {
    db: &'a Connection,
    folder: &'a Path,
    clash: Clash,
    tell: &'a mut dyn FnMut(Note),
    done: Imported,
}

impl Import<'_> {
    /// Opens one of the files. `None` if it is not there, or of no use: then that was told.
    fn open(&mut self, layout: &'static Layout) -> Result<Option<Sheet>, StoreError> {
        let path = self.folder.join(layout.file);
        let file = match disk::open(&path) {
            Err(e) if e.kind() == ErrorKind::NotFound => return Ok(None),
            other => other,
        };
        let sheet = file.and_then(|file| Sheet::open(file, layout, self.tell));
        let sheet = sheet.map_err(|e| self.unreadable(layout, e))?;
        if sheet.is_none() {
            self.done.files.push((layout.file, Counts { refused: 1, ..Counts::default() }));
        }
        Ok(sheet)
    }

    fn unreadable(&self, layout: &Layout, error: std::io::Error) -> StoreError {
        StoreError::Folder { path: self.folder.join(layout.file), error }
    }

    /// Goes to the next row; tells and counts those that cannot be taken apart.
    fn next(&mut self, sheet: &mut Sheet, counts: &mut Counts) -> Result<bool, StoreError> {
        let layout = sheet.layout();
        loop {
            let next = sheet.next().map_err(|e| self.unreadable(layout, e))?;
            match next {
                None => return Ok(false),
                Some(Ok(())) => return Ok(true),
                Some(Err(defect)) => {
                    counts.refused += 1;
                    (self.tell)(Note::Defect(defect));
                }
            }
        }
    }

    /// Reads a file row by row; `odd` says what is to be told of a row that is kept, at its line.
    fn rows<T>(
        &mut self,
        layout: &'static Layout,
        read: impl Fn(&Sheet) -> Result<T, Unfit>,
        put: impl Fn(&Connection, &T, Clash) -> Result<Fate, StoreError>,
        mut odd: impl FnMut(&T, u64) -> Option<Unfit>,
    ) -> Result<(), StoreError> {
        let Some(mut sheet) = self.open(layout)? else { return Ok(()) };
        let mut counts = Counts::default();
        while self.next(&mut sheet, &mut counts)? {
            let row = read(&sheet);
            let put = |row: &T| put(self.db, row, self.clash);
            let fate = row.as_ref().map_err(|e| e.clone().into()).and_then(put);
            if let Some(unfit) = counts.count(fate)? {
                (self.tell)(Note::Defect(sheet.defect(unfit.column, unfit.text)));
            } else if let Some(unfit) = row.ok().and_then(|row| odd(&row, sheet.line())) {
                let defect = sheet.defect(unfit.column, unfit.text);
                (self.tell)(Note::Warning(defect.to_string()));
            }
        }
        self.done.files.push((layout.file, counts));
        Ok(())
    }

    /// Reads the pots; whom they are like can be told only when all of them are there.
    fn pots(&mut self) -> Result<(), StoreError> {
        let mut alike: Vec<(u64, Name)> = Vec::new();
        self.rows(&POTS, read_pot, rows::put_pot, |pot, line| {
            alike.extend(pot.like.as_ref().map(|_| (line, pot.name.clone())));
            None
        })?;
        let pots = rows::pots(self.db)?.into_iter().map(|pot| (pot.name.clone(), pot));
        let pots: HashMap<Name, Pot> = pots.collect();
        for (line, pot) in alike {
            if let Some(Unfit { column, text }) = rules::odd_sibling(&pots[&pot], &pots) {
                let column = column.into();
                let defect = Defect { file: POTS.file.into(), line, column, text };
                (self.tell)(Note::Warning(defect.to_string()));
            }
        }
        Ok(())
    }

    /// Reads the air forecast, which takes its place as a whole or not at all; what is to be kept.
    fn forecast(
        &mut self,
        there: Option<&AirForecast>,
        named: bool,
    ) -> Result<forecast::Rows, StoreError> {
        let mut rows = forecast::Rows::new();
        let Some(mut sheet) = self.open(&forecast::LAYOUT)? else { return Ok(rows) };
        let (mut counts, mut taken) = (Counts::default(), 0);
        while self.next(&mut sheet, &mut counts)? {
            match forecast::take_row(&mut rows, &sheet) {
                Ok(()) => taken += 1,
                Err(unfit) => {
                    counts.refused += 1;
                    (self.tell)(Note::Defect(sheet.defect(unfit.column, unfit.text)));
                }
            }
        }
        let number = rows.len();
        counts.known = taken - number; // said twice
        let other = there.filter(|there| !there.rows().is_empty());
        let refusal = match other {
            _ if rows.is_empty() => None,
            Some(other) if *other.rows() == rows => {
                counts.known = taken;
                rows.clear();
                None
            }
            _ if named => Some("the settings name another file for it: put it there"),
            Some(_) if self.clash == Clash::Refuse => {
                Some("the studio has another air forecast; --replace takes this one")
            }
            Some(_) => {
                counts.replaced = number;
                None
            }
            None => {
                counts.added = number;
                None
            }
        };
        if let Some(text) = refusal {
            rows.clear();
            counts.refused += number;
            let (file, column) = (AIR_FORECAST.into(), AIR_COLUMNS[0].into());
            (self.tell)(Note::Defect(Defect { file, line: 1, column, text: text.into() }));
        }
        self.done.files.push((AIR_FORECAST, counts));
        Ok(rows)
    }

    /// Reads the readings, which may be very many: batch by batch, each put in order first.
    fn readings(
        &mut self,
        layout: &'static Layout,
        read: impl Fn(&mut Kinds, &Sheet) -> Result<Pending, StoreError>,
    ) -> Result<(), StoreError> {
        let Some(mut sheet) = self.open(layout)? else { return Ok(()) };
        let mut counts = Counts::default();
        let mut kinds = Kinds::new(self.db)?;
        let mut batch: Vec<Pending> = Vec::new();
        let mut defects: Vec<Defect> = Vec::new();
        loop {
            let next = sheet.next().map_err(|e| self.unreadable(layout, e))?;
            let ended = next.is_none();
            match next {
                None => {}
                Some(Err(defect)) => defects.push(defect),
                Some(Ok(())) => match read(&mut kinds, &sheet) {
                    Ok(pending) => {
                        if let Some(odd) = kinds.odd(&pending) {
                            let defect = sheet.defect(odd.column, odd.text);
                            (self.tell)(Note::Warning(defect.to_string()));
                        }
                        batch.push(pending);
                    }
                    Err(StoreError::Unfit(e)) => defects.push(sheet.defect(e.column, e.text)),
                    Err(e) => return Err(e),
                },
            }
            if !ended && batch.len() + defects.len() < BATCH {
                continue;
            }
            counts.refused += defects.len();
            batch.sort_by_key(|row| (row.series, row.time)); // stable: the first of a key wins
            for row in batch.drain(..) {
                let fate = kinds.writer.put_numbers(row.series, row.time, row.numbers, self.clash);
                if let Some(unfit) = counts.count(fate)? {
                    let mut defect = sheet.defect(unfit.column, unfit.text);
                    defect.line = row.line;
                    defects.push(defect);
                }
            }
            defects.sort_by_key(|defect| defect.line);
            defects.drain(..).for_each(|defect| (self.tell)(Note::Defect(defect)));
            if ended {
                if kinds.odd > MOST_ODD {
                    let more = kinds.odd - MOST_ODD;
                    let text = format!("{}: {more} more weights like these", layout.file);
                    (self.tell)(Note::Warning(text));
                }
                self.done.files.push((layout.file, counts));
                return Ok(());
            }
        }
    }
}

impl Counts {
    /// Counts a row's fate; says why if it was refused.
    fn count(&mut self, fate: Result<Fate, StoreError>) -> Result<Option<Unfit>, StoreError> {
        let refused = match fate {
            Ok(Fate::Added) => {
                self.added += 1;
                None
            }
            Ok(Fate::Known) => {
                self.known += 1;
                None
            }
            Ok(Fate::Replaced) => {
                self.replaced += 1;
                None
            }
            Ok(Fate::Contradicts(column, stored)) => {
                let stored = match stored.as_str() {
                    "" => "nothing".into(),
                    text => format!("\"{}\"", shown(text)),
                };
                let text = format!("contradicts the stored row, which has {stored} here");
                Some(unfit(column, format!("{text}; --replace takes the new row")))
            }
            Err(StoreError::Unfit(unfit)) => Some(unfit),
            Err(e) => return Err(e),
        };
        self.refused += usize::from(refused.is_some());
        Ok(refused)
    }
}

fn read_body(sheet: &Sheet) -> Result<Body, Unfit> {
    Ok(Body {
        name: sheet.name("body")?,
        bag_water_wet: sheet.maybe_number("bag_water_wet_percent", PERCENT)?,
        trim_from_dry: sheet.maybe_number("trim_from_dry_percent", PERCENT)?,
        trim_to_dry: sheet.maybe_number("trim_to_dry_percent", PERCENT)?,
    })
}

fn read_pot(sheet: &Sheet) -> Result<Pot, Unfit> {
    Ok(Pot {
        name: sheet.name("pot")?,
        body: sheet.name("body")?,
        made_at: sheet.time("made_at")?,
        ball_g: sheet.maybe_number("ball_g", 0)?,
        tare_g: sheet.maybe_number("tare_g", 0)?,
        wall_mm: sheet.maybe_number("wall_mm", 0)?,
        base_mm: sheet.maybe_number("base_mm", 0)?,
        lot: sheet.maybe_name("lot")?,
        board: sheet.maybe_name("board")?,
        like: sheet.maybe_name("like")?,
        place: sheet.maybe_name("place")?,
    })
}

fn read_handling(sheet: &Sheet) -> Result<HandlingRow, Unfit> {
    let (time, pot) = (sheet.time("time")?, sheet.name("pot")?);
    let word = sheet.some_text("action", "an action such as cover or trim")?;
    let detail = sheet.text("detail")?;
    let action = Action::parse(word, detail).map_err(|e| {
        let (column, got) = match e {
            ActionError::Word => ("action", word),
            ActionError::Detail { .. } | ActionError::Name(_) => ("detail", detail),
        };
        unfit(column, format!("{e}; got \"{}\"", shown(got)))
    })?;
    Ok(HandlingRow { time, pot, action })
}

fn read_sample(sheet: &Sheet) -> Result<Sample, Unfit> {
    let word = sheet.some_text("drying", "wet, room or oven")?;
    let drying = Drying::parse(word).ok_or_else(|| {
        let got = shown(word);
        unfit("drying", format!("\"{got}\" is no way of drying; expected wet, room or oven"))
    })?;
    Ok(Sample {
        time: sheet.time("time")?,
        sample: sheet.name("sample")?,
        body: sheet.name("body")?,
        lot: sheet.maybe_name("lot")?,
        drying,
        mass_g: sheet.number("mass_g", 0)?,
        tare_g: sheet.maybe_number("tare_g", 0)?,
        humidity: sheet.maybe_number("humidity_percent", PERCENT)?,
        step_g: sheet.maybe_number("scale_step_g", 0)?,
    })
}

fn read_blend(sheet: &Sheet) -> Result<Blend, Unfit> {
    let word = sheet.some_text("kind", "part or add")?;
    let kind = Ingredient::parse(word)
        .ok_or_else(|| unfit("kind", format!("\"{}\" is neither part nor add", shown(word))))?;
    Ok(Blend {
        body: sheet.name("body")?,
        kind,
        name: sheet.name("name")?,
        mass_g: sheet.number("mass_g", 0)?,
    })
}

fn read_kiln_pot(sheet: &Sheet) -> Result<KilnPot, Unfit> {
    Ok(KilnPot { load: sheet.name("load")?, at: sheet.time("packed_at")?, pot: sheet.name("pot")? })
}

fn read_load(sheet: &Sheet) -> Result<Load, Unfit> {
    Ok(Load {
        source: sheet.name("source")?,
        from: sheet.time("from")?,
        at: sheet.time("at")?,
        mass_g: sheet.number("mass_g", 0)?,
        limit_g: sheet.maybe_number("limit_g", 0)?,
        raw: sheet.number("raw", 0)?,
        samples: read_samples(sheet, "samples")?,
        spread: sheet.maybe_number("spread", 0)?,
        celsius: sheet.maybe_number("temperature_c", 0)?,
    })
}

fn read_drift(sheet: &Sheet) -> Result<ZeroDrift, Unfit> {
    Ok(ZeroDrift {
        source: sheet.name("source")?,
        from: sheet.time("from")?,
        per_degree: sheet.number("raw_per_c", 0)?,
        per_degree_u: sheet.maybe_number("raw_per_c_u", 0)?,
        thermometer: sheet.name("thermometer")?,
    })
}

fn read_allotment(sheet: &Sheet) -> Result<Allotment, Unfit> {
    let count = |column| -> Result<Option<u32>, Unfit> {
        match sheet.text(column)? {
            "" => Ok(None),
            text => match text.parse() {
                Ok(number) => Ok(Some(number)),
                Err(_) => Err(unfit(
                    column,
                    format!("\"{}\" is no whole number from 0 to 4294967295", shown(text)),
                )),
            },
        }
    };
    let some =
        |column| count(column)?.ok_or_else(|| unfit(column, "is empty; expected a number".into()));
    Ok(Allotment {
        comparison: sheet.name("comparison")?,
        pot: sheet.name("pot")?,
        treatment: sheet.name("treatment")?,
        rank: some("rank")?,
        pair: count("pair")?,
        seed: some("seed")?,
        drawn_at: sheet.time("drawn_at")?,
    })
}
