//! Bodies, pots and handling rows in the database.

use super::text::{self, BODY_COLUMNS, HANDLING_COLUMNS, POT_COLUMNS};
use super::{Clash, StoreError, rules};
use crate::records::{ACTION_WORDS, Action, Body, HandlingRow, Pot};
use crate::units::Time;
use rusqlite::{Connection, OptionalExtension, Row, params};

/// What became of one row that was offered.
#[derive(Clone, PartialEq, Debug)]
pub(super) enum Fate {
    /// New.
    Added,
    /// There already, the same.
    Known,
    /// There with other values, which the offered ones took the place of.
    Replaced,
    /// There with other values, which stay: the first column that differs, as stored.
    Contradicts(&'static str, String),
}

/// What to do with a row: its fate, from what is stored under its key.
pub(super) fn fate(stored: Option<Option<(&'static str, String)>>, clash: Clash) -> Fate {
    match (stored, clash) {
        (None, _) => Fate::Added,
        (Some(None), _) => Fate::Known,
        (Some(Some(_)), Clash::Replace) => Fate::Replaced,
        (Some(Some((column, text))), Clash::Refuse) => Fate::Contradicts(column, text),
    }
}

/// The same of a row that shares some of its columns with others: whether it is there itself, and
/// where it contradicts it or them.
pub(super) fn fate_of_shared(
    there: bool,
    differs: Option<(&'static str, String)>,
    clash: Clash,
) -> Fate {
    fate((there || differs.is_some()).then_some(differs), clash)
}

const BODY: &str = "SELECT name, bag_water_wet, trim_from_dry, trim_to_dry FROM body";

fn body_of(row: &Row) -> rusqlite::Result<Body> {
    Ok(Body {
        name: row.get(0)?,
        bag_water_wet: row.get(1)?,
        trim_from_dry: row.get(2)?,
        trim_to_dry: row.get(3)?,
    })
}

/// All bodies, in order of name.
pub(super) fn bodies(db: &Connection) -> rusqlite::Result<Vec<Body>> {
    let mut found = db.prepare_cached(&format!("{BODY} ORDER BY name"))?;
    found.query_map([], body_of)?.collect()
}

/// The body of that name.
pub(super) fn body(db: &Connection, name: &str) -> rusqlite::Result<Option<Body>> {
    db.prepare_cached(&format!("{BODY} WHERE name = ?"))?.query_row([name], body_of).optional()
}

/// Writes one body. Errors: [`StoreError::Unfit`] for a row that breaks the rules.
pub(super) fn put_body(db: &Connection, b: &Body, clash: Clash) -> Result<Fate, StoreError> {
    rules::body(b)?;
    let differs =
        |old| text::difference(&BODY_COLUMNS, text::body_fields(&old), text::body_fields(b));
    let fate = fate(body(db, &b.name)?.map(differs), clash);
    if matches!(fate, Fate::Added | Fate::Replaced) {
        db.prepare_cached(
            "INSERT INTO body (name, bag_water_wet, trim_from_dry, trim_to_dry)
             VALUES (?1, ?2, ?3, ?4)
             ON CONFLICT (name) DO UPDATE
             SET bag_water_wet = ?2, trim_from_dry = ?3, trim_to_dry = ?4",
        )?
        .execute(params![b.name, b.bag_water_wet, b.trim_from_dry, b.trim_to_dry])?;
    }
    Ok(fate)
}

const POT: &str = "SELECT name, body, made_at, ball_g, tare_g, wall_mm, base_mm,
    lot, board, sibling, place FROM pot";

fn pot_of(row: &Row) -> rusqlite::Result<Pot> {
    Ok(Pot {
        name: row.get(0)?,
        body: row.get(1)?,
        made_at: Time(row.get(2)?),
        ball_g: row.get(3)?,
        tare_g: row.get(4)?,
        wall_mm: row.get(5)?,
        base_mm: row.get(6)?,
        lot: row.get(7)?,
        board: row.get(8)?,
        like: row.get(9)?,
        place: row.get(10)?,
    })
}

/// All pots, in order of name.
pub(super) fn pots(db: &Connection) -> rusqlite::Result<Vec<Pot>> {
    db.prepare_cached(&format!("{POT} ORDER BY name"))?.query_map([], pot_of)?.collect()
}

/// The pot of that name.
pub(super) fn pot(db: &Connection, name: &str) -> rusqlite::Result<Option<Pot>> {
    db.prepare_cached(&format!("{POT} WHERE name = ?"))?.query_row([name], pot_of).optional()
}

/// Writes one pot. Errors: [`StoreError::Unfit`] for a row that breaks the rules, or whose body
/// is not there.
pub(super) fn put_pot(db: &Connection, p: &Pot, clash: Clash) -> Result<Fate, StoreError> {
    rules::pot(p)?;
    if body(db, &p.body)?.is_none() {
        return Err(rules::missing("body", "body", &p.body).into());
    }
    let differs = |old| text::difference(&POT_COLUMNS, text::pot_fields(&old), text::pot_fields(p));
    let fate = fate(pot(db, &p.name)?.map(differs), clash);
    if matches!(fate, Fate::Added | Fate::Replaced) {
        db.prepare_cached(
            "INSERT INTO pot (name, body, made_at, ball_g, tare_g, wall_mm, base_mm,
                 lot, board, sibling, place)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11)
             ON CONFLICT (name) DO UPDATE
             SET body = ?2, made_at = ?3, ball_g = ?4, tare_g = ?5, wall_mm = ?6, base_mm = ?7,
                 lot = ?8, board = ?9, sibling = ?10, place = ?11",
        )?
        .execute(params![
            p.name,
            p.body,
            p.made_at.0,
            p.ball_g,
            p.tare_g,
            p.wall_mm,
            p.base_mm,
            p.lot,
            p.board,
            p.like,
            p.place
        ])?;
    }
    Ok(fate)
}

const HANDLING: &str = "SELECT time, pot, action, detail FROM handling";

pub(super) fn handling_of(row: &Row) -> rusqlite::Result<HandlingRow> {
    let (action, detail): (String, String) = (row.get(2)?, row.get(3)?);
    let action = Action::parse(&action, &detail).map_err(|e| {
        rusqlite::Error::FromSqlConversionFailure(3, rusqlite::types::Type::Text, Box::new(e))
    })?;
    Ok(HandlingRow { time: Time(row.get(0)?), pot: row.get(1)?, action })
}

/// Place of an action among [`ACTION_WORDS`]: the order of rows of the same time.
pub(super) fn rank(action: &Action) -> usize {
    ACTION_WORDS.iter().position(|word| *word == action.word()).unwrap_or(ACTION_WORDS.len())
}

/// All handling rows, in order of time, then pot, then action.
pub(super) fn handling(db: &Connection) -> rusqlite::Result<Vec<HandlingRow>> {
    let mut statement = db.prepare_cached(HANDLING)?;
    let mut rows: Vec<HandlingRow> =
        statement.query_map([], handling_of)?.collect::<Result<_, _>>()?;
    rows.sort_by(|a, b| (a.time, &a.pot, rank(&a.action)).cmp(&(b.time, &b.pot, rank(&b.action))));
    Ok(rows)
}

/// Writes one handling row. Errors: [`StoreError::Unfit`] for a row that breaks the rules, or
/// whose pot is not there.
pub(super) fn put_handling(
    db: &Connection,
    row: &HandlingRow,
    clash: Clash,
) -> Result<Fate, StoreError> {
    rules::handling(row)?;
    if pot(db, &row.pot)?.is_none() {
        return Err(rules::missing("pot", "pot", &row.pot).into());
    }
    let (word, detail) = (row.action.word(), row.action.detail());
    let stored = db
        .prepare_cached(&format!("{HANDLING} WHERE pot = ?1 AND time = ?2 AND action = ?3"))?
        .query_row(params![row.pot, row.time.0, word], handling_of)
        .optional()?;
    let offered = text::handling_fields(row);
    let differs = |old| text::difference(&HANDLING_COLUMNS, text::handling_fields(&old), offered);
    let fate = fate(stored.map(differs), clash);
    if matches!(fate, Fate::Added | Fate::Replaced) {
        db.prepare_cached(
            "INSERT INTO handling (time, pot, action, detail) VALUES (?1, ?2, ?3, ?4)
             ON CONFLICT (pot, time, action) DO UPDATE SET detail = ?4",
        )?
        .execute(params![row.time.0, row.pot, word, detail])?;
    }
    Ok(fate)
}

/// Removes a handling row that is there as it is given; whether it was.
pub(super) fn remove_handling(db: &Connection, row: &HandlingRow) -> rusqlite::Result<bool> {
    let (word, detail) = (row.action.word(), row.action.detail());
    let removed = db
        .prepare_cached(
            "DELETE FROM handling WHERE pot = ?1 AND time = ?2 AND action = ?3 AND detail = ?4",
        )?
        .execute(params![row.pot, row.time.0, word, detail])?;
    Ok(removed > 0)
}
