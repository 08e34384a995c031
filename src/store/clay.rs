//! Samples and blends in the database.

use super::rows::{self, Fate, fate, fate_of_shared};
use super::text::{self, BLEND_COLUMNS, SAMPLE_COLUMNS};
use super::{Clash, StoreError, rules};
use crate::records::{Blend, Drying, Ingredient, Name, Sample};
use crate::units::Time;
use rusqlite::types::Type;
use rusqlite::{Connection, OptionalExtension, Row, params};

const SAMPLE: &str = "SELECT time, sample, body, lot, drying, mass_g, tare_g, humidity, step_g
    FROM sample_weighing JOIN sample ON name = sample";

/// A word in the database that this program never wrote.
fn unknown_word(column: usize, word: &str) -> rusqlite::Error {
    rusqlite::Error::FromSqlConversionFailure(column, Type::Text, format!("\"{word}\"?").into())
}

fn sample_of(row: &Row) -> rusqlite::Result<Sample> {
    let drying: String = row.get(4)?;
    Ok(Sample {
        time: Time(row.get(0)?),
        sample: row.get(1)?,
        body: row.get(2)?,
        lot: row.get(3)?,
        drying: Drying::parse(&drying).ok_or_else(|| unknown_word(4, &drying))?,
        mass_g: row.get(5)?,
        tare_g: row.get(6)?,
        humidity: row.get(7)?,
        step_g: row.get(8)?,
    })
}

/// All weighings of samples, in order of sample, then time.
pub(super) fn samples(db: &Connection) -> rusqlite::Result<Vec<Sample>> {
    let mut found = db.prepare_cached(&format!("{SAMPLE} ORDER BY sample, time"))?;
    found.query_map([], sample_of)?.collect()
}

/// Writes one weighing of a sample; with [`Clash::Replace`] another body or lot holds for all its
/// weighings. Errors: [`StoreError::Unfit`] for a row that breaks the rules, or whose body is not
/// there.
pub(super) fn put_sample(db: &Connection, s: &Sample, clash: Clash) -> Result<Fate, StoreError> {
    rules::sample(s)?;
    if rows::body(db, &s.body)?.is_none() {
        return Err(rules::missing("body", "body", &s.body).into());
    }
    let of: Option<(Name, Option<Name>)> = db
        .prepare_cached("SELECT body, lot FROM sample WHERE name = ?")?
        .query_row([&s.sample], |row| Ok((row.get(0)?, row.get(1)?)))
        .optional()?;
    let stored = db
        .prepare_cached(&format!("{SAMPLE} WHERE sample = ?1 AND time = ?2"))?
        .query_row(params![s.sample, s.time.0], sample_of)
        .optional()?;
    let there = stored.is_some();
    // A new weighing of a known sample contradicts it where it names another body or lot.
    let old = stored.or_else(|| of.map(|(body, lot)| Sample { body, lot, ..s.clone() }));
    let differs = old.and_then(|old| {
        text::difference(&SAMPLE_COLUMNS, text::sample_fields(&old), text::sample_fields(s))
    });
    let fate = fate_of_shared(there, differs, clash);
    if matches!(fate, Fate::Added | Fate::Replaced) {
        db.prepare_cached(
            "INSERT INTO sample (name, body, lot) VALUES (?1, ?2, ?3)
             ON CONFLICT (name) DO UPDATE SET body = ?2, lot = ?3",
        )?
        .execute(params![s.sample, s.body, s.lot])?;
        db.prepare_cached(
            "INSERT INTO sample_weighing (sample, time, drying, mass_g, tare_g, humidity, step_g)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)
             ON CONFLICT (sample, time) DO UPDATE
             SET drying = ?3, mass_g = ?4, tare_g = ?5, humidity = ?6, step_g = ?7",
        )?
        .execute(params![
            s.sample,
            s.time.0,
            s.drying.word(),
            s.mass_g,
            s.tare_g,
            s.humidity,
            s.step_g
        ])?;
    }
    Ok(fate)
}

const BLEND: &str = "SELECT body, kind, name, mass_g FROM blend";

fn blend_of(row: &Row) -> rusqlite::Result<Blend> {
    let kind: String = row.get(1)?;
    Ok(Blend {
        body: row.get(0)?,
        kind: Ingredient::parse(&kind).ok_or_else(|| unknown_word(1, &kind))?,
        name: row.get(2)?,
        mass_g: row.get(3)?,
    })
}

/// All ingredients, in order of body; parts first, each kind in order of name.
pub(super) fn blends(db: &Connection) -> rusqlite::Result<Vec<Blend>> {
    let mut found = db.prepare_cached(&format!("{BLEND} ORDER BY body, kind DESC, name"))?;
    found.query_map([], blend_of)?.collect()
}

/// Writes one ingredient. Errors: [`StoreError::Unfit`] for a row that breaks the rules, whose
/// body or part is not there, or that would make a body a part of itself.
pub(super) fn put_blend(db: &Connection, b: &Blend, clash: Clash) -> Result<Fate, StoreError> {
    rules::blend(b)?;
    if rows::body(db, &b.body)?.is_none() {
        return Err(rules::missing("body", "body", &b.body).into());
    }
    if b.kind == Ingredient::Part {
        if rows::body(db, &b.name)?.is_none() {
            return Err(rules::missing("name", "body", &b.name).into());
        }
        if is_in(db, &b.body, &b.name)? {
            rules::part_of_itself(&b.body)?;
        }
    }
    let stored = db
        .prepare_cached(&format!("{BLEND} WHERE body = ?1 AND kind = ?2 AND name = ?3"))?
        .query_row(params![b.body, b.kind.word(), b.name], blend_of)
        .optional()?;
    let differs =
        |old| text::difference(&BLEND_COLUMNS, text::blend_fields(&old), text::blend_fields(b));
    let fate = fate(stored.map(differs), clash);
    if matches!(fate, Fate::Added | Fate::Replaced) {
        db.prepare_cached(
            "INSERT INTO blend (body, kind, name, mass_g) VALUES (?1, ?2, ?3, ?4)
             ON CONFLICT (body, kind, name) DO UPDATE SET mass_g = ?4",
        )?
        .execute(params![b.body, b.kind.word(), b.name, b.mass_g])?;
    }
    Ok(fate)
}

/// Whether `body` is a part of `whole`, or of one of its parts, however deep.
fn is_in(db: &Connection, body: &str, whole: &str) -> rusqlite::Result<bool> {
    db.prepare_cached(
        "WITH RECURSIVE inside (name) AS (
             SELECT ?2 UNION
             SELECT blend.name FROM blend JOIN inside ON blend.body = inside.name
             WHERE blend.kind = 'part'
         ) SELECT EXISTS (SELECT 1 FROM inside WHERE name = ?1)",
    )?
    .query_row([body, whole], |row| row.get(0))
}

/// Forgets the ingredients of a body.
pub(super) fn forget_blend(db: &Connection, body: &str) -> rusqlite::Result<usize> {
    db.prepare_cached("DELETE FROM blend WHERE body = ?")?.execute([body])
}
