//! Rows of readings and counts: which series each belongs to, and its numbers in the program's
//! units.

use super::sheet::{Sheet, no_number, unfit};
use crate::records::{Name, Quantity};
use crate::store::readings::{Numbers, Writer};
use crate::store::rules::{self, Unfit};
use crate::store::text::{self, PERCENT};
use crate::store::{StoreError, rows, shown};
use crate::units::{MassUnit, Time, celsius_from_fahrenheit};
use rusqlite::Connection;
use std::collections::HashMap;

/// Odd weights that are told one by one.
pub(super) const MOST_ODD: usize = 5;

/// A number of samples, where there is one.
pub(super) fn read_samples(sheet: &Sheet, column: &'static str) -> Result<Option<u32>, Unfit> {
    match sheet.text(column)? {
        "" => Ok(None),
        text => text.parse::<u32>().map(Some).map_err(|_| {
            let got = shown(text);
            unfit(column, format!("\"{got}\" is no number of samples; expected one like 100"))
        }),
    }
}

/// A reading on its way into the database.
pub(super) struct Pending {
    pub series: i64,
    pub time: Time,
    pub numbers: Numbers,
    pub line: u64,
}

/// How a number in a file becomes one in the program's unit.
#[derive(Clone, Copy)]
enum Scale {
    /// Divided by that power of ten.
    Places(i32),
    /// Times that factor.
    Factor(f64),
    /// Degrees Fahrenheit.
    Fahrenheit,
}

impl Scale {
    fn parse(quantity: Quantity, unit: &str) -> Result<Scale, Unfit> {
        let (scale, expected) = match quantity {
            Quantity::Mass => {
                let scale = MassUnit::parse(unit).map(|unit| match unit {
                    MassUnit::Gram => Scale::Places(0),
                    MassUnit::Kilogram => Scale::Places(-3),
                    other => Scale::Factor(other.grams()),
                });
                (scale, "g, kg, oz or lb")
            }
            Quantity::Temperature => match unit {
                "Cel" => (Some(Scale::Places(0)), ""),
                "degF" => (Some(Scale::Fahrenheit), ""),
                _ => (None, "Cel or degF"),
            },
            Quantity::Humidity => ((unit == "%RH").then_some(Scale::Places(PERCENT)), "%RH"),
            // Raw counts stand in a file of their own.
            Quantity::Count => (None, "no unit"),
        };
        scale.ok_or_else(|| {
            let (word, got) = (quantity.word(), shown(unit));
            unfit("unit", format!("\"{got}\" is no unit of {word}; expected {expected}"))
        })
    }

    /// A value; `None` if the text is no finite number.
    fn value(self, text: &str) -> Option<f64> {
        match self {
            Scale::Places(places) => text::read_number(text, places),
            Scale::Factor(factor) => text::read_number(text, 0).map(|v| v * factor),
            Scale::Fahrenheit => text::read_number(text, 0).map(celsius_from_fahrenheit),
        }
        .filter(|v| v.is_finite())
    }

    /// A difference of values.
    fn difference(self, text: &str) -> Option<f64> {
        match self {
            Scale::Fahrenheit => {
                self.value(text).zip(self.value("0")).map(|(value, zero)| value - zero)
            }
            other => other.value(text),
        }
    }
}

/// What is told by the texts of source, quantity, unit and pot together.
#[derive(Clone, Copy)]
struct Kind {
    series: i64,
    quantity: Quantity,
    scale: Scale,
}

/// Turns rows into readings; remembers the kinds that it has met.
pub(super) struct Kinds<'db> {
    pub writer: Writer<'db>,
    known: HashMap<Vec<u8>, Kind>,
    pots: HashMap<Name, Time>,
    /// Series of weights that name a pot, and when that was made.
    weights: HashMap<i64, Time>,
    /// Weights that were found odd.
    pub odd: usize,
}

impl<'db> Kinds<'db> {
    pub fn new(db: &'db Connection) -> Result<Kinds<'db>, StoreError> {
        let pots = rows::pots(db)?.into_iter().map(|pot| (pot.name, pot.made_at)).collect();
        let (known, weights) = (HashMap::new(), HashMap::new());
        Ok(Kinds { writer: Writer::new(db)?, known, pots, weights, odd: 0 })
    }

    /// What is to be told of a reading that is kept.
    pub fn odd(&mut self, row: &Pending) -> Option<Unfit> {
        let made_at = *self.weights.get(&row.series)?;
        let odd = rules::odd_weight(row.numbers.value, row.time, made_at)?;
        self.odd += 1;
        (self.odd <= MOST_ODD).then_some(odd)
    }

    /// A row of raw counts.
    pub fn read_count(&mut self, sheet: &Sheet) -> Result<Pending, StoreError> {
        let (time, line) = (sheet.time("time")?, sheet.line());
        let source = sheet.name("source")?;
        let value = sheet.number("raw", 0)?;
        let (count, spread) = (read_samples(sheet, "samples")?, sheet.maybe_number("spread", 0)?);
        rules::name("source", &source)?;
        rules::reading_value(Quantity::Count, value, count, spread).map_err(in_counts)?;
        let series = self.writer.series_of(&source, Quantity::Count, None)?;
        Ok(Pending { series, time, numbers: Numbers { value, count, spread }, line })
    }

    pub fn read(&mut self, sheet: &Sheet) -> Result<Pending, StoreError> {
        let time = sheet.time("time")?;
        let source = sheet.some_text("source", "a name")?;
        let quantity = sheet.some_text("quantity", "mass, temperature or humidity")?;
        let unit = sheet.some_text("unit", "a unit such as g")?;
        let pot = sheet.text("pot")?;
        let key = [source, quantity, unit, pot].map(str::as_bytes).join(&0xFF); // never in UTF-8
        let line = sheet.line();
        if let Some(kind) = self.known.get(&key) {
            let numbers = read_numbers(sheet, kind.quantity, kind.scale)?;
            return Ok(Pending { series: kind.series, time, numbers, line });
        }
        let found = Quantity::parse(quantity).filter(|q| *q != Quantity::Count);
        let quantity = found.ok_or_else(|| {
            let expected = "expected mass, temperature or humidity";
            unfit("quantity", format!("\"{}\" is none; {expected}", shown(quantity)))
        })?;
        let scale = Scale::parse(quantity, unit)?;
        let numbers = read_numbers(sheet, quantity, scale)?;
        rules::name("source", source)?;
        let pot = Some(pot).filter(|pot| !pot.is_empty());
        pot.map_or(Ok(()), |pot| rules::name("pot", pot))?;
        let series = self.writer.series_of(source, quantity, pot)?;
        if let (Quantity::Mass, Some(made)) = (quantity, pot.and_then(|pot| self.pots.get(pot))) {
            self.weights.insert(series, *made);
        }
        self.known.insert(key, Kind { series, quantity, scale });
        Ok(Pending { series, time, numbers, line })
    }
}

/// What is wrong with a reading, by the columns of the raw counts.
fn in_counts(unfit: Unfit) -> Unfit {
    let column = match unfit.column {
        "value" => "raw",
        "count" => "samples",
        other => other,
    };
    Unfit { column, ..unfit }
}

fn read_numbers(sheet: &Sheet, quantity: Quantity, scale: Scale) -> Result<Numbers, Unfit> {
    let text = sheet.some_text("value", "a number")?;
    let value = scale.value(text).ok_or_else(|| no_number("value", text))?;
    let count = read_samples(sheet, "count")?;
    let spread = match sheet.text("spread")? {
        "" => None,
        text => Some(scale.difference(text).ok_or_else(|| no_number("spread", text))?),
    };
    rules::reading_value(quantity, value, count, spread)?;
    Ok(Numbers { value, count, spread })
}
