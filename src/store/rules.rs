//! What a row must hold to be kept: the rules of the studio files for names, numbers and times.
//!
//! Checked for every row, whichever way it comes in, so that all that is stored can be written
//! to files and read back.

use super::text::{PERCENT, write_number};
use crate::calibration::{Load, ZeroDrift};
use crate::records::{
    self, Action, Allotment, Blend, Body, Drying, HEAVIEST_G, HandlingRow, Ingredient, KilnPot,
    Name, POSSIBLE_THICKNESS_MM, Pot, Quantity, Reading, Sample, USUAL_BAG_WATER_WET,
};
use crate::units::{HOUR, Time, dry_from_wet};
use std::collections::HashMap;

/// Why a row cannot be kept: the column of the studio files, and what is wrong with it.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
#[error("{column}: {text}")]
pub struct Unfit {
    /// The column's name.
    pub column: &'static str,
    /// What is wrong and what was expected.
    pub text: String,
}

/// Room for rounding at the ends of a range, in the unit of the value (conversion from °F).
const ROUNDING: f64 = 1e-9;
/// Temperatures that are taken for real, °C.
pub const TEMPERATURE_C: std::ops::RangeInclusive<f64> = -60.0..=120.0;
/// Humidities that are taken for real, fraction.
pub const HUMIDITY: std::ops::RangeInclusive<f64> = 0.0..=1.1;
/// Longest reason of a `lost` row, in characters.
const REASON_CHARS: usize = 1000;

fn unfit<T>(column: &'static str, text: impl Into<String>) -> Result<T, Unfit> {
    Err(Unfit { column, text: text.into() })
}

/// Checks a name by [`records::check_name`].
pub fn name(column: &'static str, text: &str) -> Result<(), Unfit> {
    match records::check_name(text) {
        Ok(()) => Ok(()),
        Err(e) => unfit(column, format!("{e}; got \"{}\"", super::shown(text))),
    }
}

fn maybe_name(column: &'static str, text: &Option<String>) -> Result<(), Unfit> {
    text.as_deref().map_or(Ok(()), |text| name(column, text))
}

fn time(column: &'static str, time: Time) -> Result<(), Unfit> {
    if (Time::MIN..=Time::MAX).contains(&time) {
        return Ok(());
    }
    unfit(column, "time outside 1970–2200")
}

/// `value`, where known, is finite and `fits`; else says what was `expected`.
fn number(
    column: &'static str,
    value: Option<f64>,
    fits: impl Fn(f64) -> bool,
    expected: &str,
) -> Result<(), Unfit> {
    match value {
        Some(v) if !v.is_finite() => unfit(column, format!("{v} is not a finite number")),
        Some(v) if !fits(v) => {
            unfit(column, format!("expected {expected}; leave it empty if it is not known"))
        }
        _ => Ok(()),
    }
}

/// Checks a clay body.
pub fn body(b: &Body) -> Result<(), Unfit> {
    name("body", &b.name)?;
    let wet = |w: f64| (0.0..1.0).contains(&w);
    number("bag_water_wet_percent", b.bag_water_wet, wet, "0 to below 100 (% of the wet clay)")?;
    let dry = |x: f64| x >= 0.0;
    number("trim_from_dry_percent", b.trim_from_dry, dry, "0 or more (% of the dry clay)")?;
    number("trim_to_dry_percent", b.trim_to_dry, dry, "0 or more (% of the dry clay)")?;
    match (b.trim_from_dry, b.trim_to_dry) {
        (Some(from), Some(to)) if to > from => unfit(
            "trim_to_dry_percent",
            "lies above trim_from_dry_percent; a pot dries from the upper to the lower one",
        ),
        _ => Ok(()),
    }
}

/// What is odd about a clay body that is kept all the same.
pub fn odd_body(b: &Body) -> Option<Unfit> {
    let wet = b.bag_water_wet.filter(|wet| !USUAL_BAG_WATER_WET.contains(wet))?;
    let percent = write_number((1000.0 * wet).round() / 1000.0, PERCENT);
    let what = match b.bag_water() {
        Some(_) => "is unusual",
        None => "cannot be and counts as not known",
    };
    let text = format!(
        "{percent} % {what}: bags of throwing clay hold 20 to 25 % of their wet weight, plastic \
         clay 10 to 40 %"
    );
    Some(Unfit { column: "bag_water_wet_percent", text })
}

/// What is wrong with a trimming band that no pot of a body can ever come to: it ends above the
/// water that the clay has in its bag, or that any plastic clay has.
pub fn odd_band(b: &Body) -> Option<Unfit> {
    let most = dry_from_wet(b.bag_water().unwrap_or(*USUAL_BAG_WATER_WET.end()));
    let to = b.trim_to_dry.filter(|to| *to >= most)?;
    let [to, most] = [to, most].map(|x| (1000.0 * x).round() / 10.0);
    let whose = if b.bag_water().is_some() { "this clay has in its bag" } else { "any clay has" };
    let text = format!(
        "{to} % of the dry clay is more water than {whose} ({most} %): its pots would be too stiff \
         to trim as they come off the wheel"
    );
    Some(Unfit { column: "trim_to_dry_percent", text })
}

/// Checks a pot by itself (not whether its body is there).
pub fn pot(p: &Pot) -> Result<(), Unfit> {
    name("pot", &p.name)?;
    name("body", &p.body)?;
    time("made_at", p.made_at)?;
    number("ball_g", p.ball_g, |v| v > 0.0, "more than 0 g")?;
    number("tare_g", p.tare_g, |_| true, "grams")?;
    let clay = |mm: f64| POSSIBLE_THICKNESS_MM.contains(&mm);
    let expected = format!(
        "{} to {} mm (were centimetres meant?)",
        POSSIBLE_THICKNESS_MM.start(),
        POSSIBLE_THICKNESS_MM.end()
    );
    number("wall_mm", p.wall_mm, clay, &expected)?;
    number("base_mm", p.base_mm, clay, &expected)?;
    maybe_name("lot", &p.lot)?;
    maybe_name("board", &p.board)?;
    maybe_name("like", &p.like)?;
    if p.like.as_deref() == Some(&p.name) {
        return unfit("like", "a pot cannot be its own sibling");
    }
    maybe_name("place", &p.place)
}

/// What is odd about the sibling of a pot that is kept all the same: it is not there, or the way
/// from sibling to sibling leads back.
pub fn odd_sibling(pot: &Pot, pots: &HashMap<Name, Pot>) -> Option<Unfit> {
    let like = pot.like.as_ref()?;
    let text = match records::circle(pot, |name| pots.get(name)) {
        Some(round) => in_a_circle(&round),
        None if pots.contains_key(like) => return None,
        None => format!(
            "no pot named \"{}\" in this studio: until it is there, \"{}\" is like none",
            super::shown(like),
            super::shown(&pot.name)
        ),
    };
    Some(Unfit { column: "like", text })
}

/// Pots that are each like the next, and the last like the first.
pub fn in_a_circle(round: &[&Name]) -> String {
    let quoted = |name: &&Name| format!("\"{}\"", super::shown(name));
    let all: Vec<String> = round.iter().chain(round.first()).map(quoted).collect();
    format!("{}: a circle; the one that is weighed must be like none", all.join(" is like "))
}

/// Checks a handling row by itself (not whether its pot is there).
pub fn handling(row: &HandlingRow) -> Result<(), Unfit> {
    time("time", row.time)?;
    name("pot", &row.pot)?;
    match &row.action {
        Action::On(text) | Action::Move(text) => name("detail", text)?,
        Action::Lost(Some(text)) => reason(text)?,
        _ => {}
    }
    match Action::parse(row.action.word(), &row.action.detail()) {
        Ok(same) if same == row.action => Ok(()),
        Ok(_) => unfit("detail", "cannot be written down"),
        Err(e) => unfit("detail", e.to_string()),
    }
}

fn reason(text: &str) -> Result<(), Unfit> {
    if text.chars().count() > REASON_CHARS {
        return unfit("detail", format!("a reason has at most {REASON_CHARS} characters"));
    }
    if text.chars().any(records::is_hidden) {
        return unfit("detail", "a reason cannot hold line breaks or control characters");
    }
    if records::begins_a_formula(text) {
        return unfit("detail", "a reason cannot begin like a formula (=, +, - or @)");
    }
    if text.trim() != text || text.is_empty() {
        return unfit("detail", "a reason cannot be blank, or begin or end with a blank");
    }
    Ok(())
}

/// Checks a reading by itself (not whether its pot is there).
pub fn reading(r: &Reading) -> Result<(), Unfit> {
    time("time", r.time)?;
    name("source", &r.source)?;
    maybe_name("pot", &r.pot)?;
    reading_value(r.quantity, r.value, r.count, r.spread)
}

/// Checks the numbers of a reading.
pub fn reading_value(
    quantity: Quantity,
    value: f64,
    count: Option<u32>,
    spread: Option<f64>,
) -> Result<(), Unfit> {
    if !value.is_finite() {
        return unfit("value", "not a finite number");
    }
    let within = |range: &std::ops::RangeInclusive<f64>| {
        (range.start() - ROUNDING..=range.end() + ROUNDING).contains(&value)
    };
    match quantity {
        Quantity::Temperature if !within(&TEMPERATURE_C) => {
            return unfit("value", "a temperature outside -60…120 °C");
        }
        Quantity::Humidity if !within(&HUMIDITY) => {
            return unfit("value", "a humidity outside 0…110 %RH");
        }
        _ => {}
    }
    if count == Some(0) {
        return unfit("count", "expected 1 or more samples, or nothing");
    }
    number("spread", spread, |s| s >= 0.0, "0 or more")
}

/// What is odd about a weight that names a pot, made then, and is kept all the same.
pub fn odd_weight(value: f64, time: Time, made_at: Time) -> Option<Unfit> {
    if !(value > 0.0 && value <= HEAVIEST_G) {
        let value = if value.abs() < 1e7 { value.to_string() } else { format!("{value:e}") };
        let text = format!("{value} g is not the weight of a pot");
        return Some(Unfit { column: "value", text });
    }
    let text =
        format!("the pot was made only {made_at}: what it weighed before counts for nothing");
    (made_at.since(time) >= HOUR).then_some(Unfit { column: "time", text })
}

/// Checks a weighing of a sample by itself (not whether its body is there).
pub fn sample(s: &Sample) -> Result<(), Unfit> {
    time("time", s.time)?;
    name("sample", &s.sample)?;
    name("body", &s.body)?;
    maybe_name("lot", &s.lot)?;
    number("mass_g", Some(s.mass_g), |v| v > 0.0, "more than 0 g")?;
    number("tare_g", s.tare_g, |v| v >= 0.0, "0 g or more")?;
    if s.tare_g.is_some_and(|tare| tare >= s.mass_g) {
        return unfit("tare_g", "the dish alone weighs no less than dish and sample together");
    }
    let humid = |h: f64| (*HUMIDITY.start()..=*HUMIDITY.end() + ROUNDING).contains(&h);
    number("humidity_percent", s.humidity, humid, "0 to 110 (%RH)")?;
    if s.drying == Drying::Oven && s.humidity.is_some() {
        return unfit("humidity_percent", "an oven has none of its own: leave it empty");
    }
    number("scale_step_g", s.step_g, |v| v > 0.0, "more than 0 g")
}

/// Checks a pot of a comparison.
pub fn allotment(a: &Allotment) -> Result<(), Unfit> {
    name("comparison", &a.comparison)?;
    name("pot", &a.pot)?;
    name("treatment", &a.treatment)?;
    if a.rank == 0 {
        return unfit("rank", "expected 1 or more");
    }
    if a.pair == Some(0) {
        return unfit("pair", "expected 1 or more, or nothing");
    }
    time("drawn_at", a.drawn_at)
}

/// Checks a load of a calibration.
pub fn load(l: &Load) -> Result<(), Unfit> {
    name("source", &l.source)?;
    time("from", l.from)?;
    time("at", l.at)?;
    number("mass_g", Some(l.mass_g), |v| v >= 0.0, "0 g or more")?;
    number("limit_g", l.limit_g, |v| v >= 0.0, "0 g or more")?;
    number("raw", Some(l.raw), |_| true, "a raw count")?;
    number("spread", l.spread, |v| v >= 0.0, "0 or more")?;
    if l.samples == Some(0) {
        return unfit("samples", "expected 1 or more samples, or nothing");
    }
    let real = |c: f64| TEMPERATURE_C.contains(&c);
    number("temperature_c", l.celsius, real, "a temperature of -60…120 °C")
}

/// Checks a zero drift.
pub fn drift(d: &ZeroDrift) -> Result<(), Unfit> {
    name("source", &d.source)?;
    time("from", d.from)?;
    number("raw_per_c", Some(d.per_degree), |_| true, "raw counts per °C")?;
    number("raw_per_c_u", d.per_degree_u, |v| v >= 0.0, "0 or more")?;
    name("thermometer", &d.thermometer)
}

/// Checks an ingredient of a blend by itself (not whether the bodies are there).
pub fn blend(b: &Blend) -> Result<(), Unfit> {
    name("body", &b.body)?;
    name("name", &b.name)?;
    if b.kind == Ingredient::Part && b.name == b.body {
        return part_of_itself(&b.body);
    }
    number("mass_g", Some(b.mass_g), |v| v > 0.0, "more than 0 g")
}

/// Checks a pot of a kiln load by itself (not whether the pot is there).
pub fn kiln_pot(k: &KilnPot) -> Result<(), Unfit> {
    name("load", &k.load)?;
    time("packed_at", k.at)?;
    name("pot", &k.pot)
}

/// Checks a planned row by itself (not whether the log has it).
pub fn planned(row: &HandlingRow) -> Result<(), Unfit> {
    handling(row)?;
    match row.action.can_be_planned() {
        true => Ok(()),
        false => unfit("action", "only a cover, flip or move can be planned"),
    }
}

/// A planned row is not in the log, or not like this.
pub fn not_in_the_log(detail: Option<&str>) -> Unfit {
    let (column, text) = match detail {
        Some(detail) => ("detail", format!("the log has \"{}\" there", super::shown(detail))),
        None => ("time", "handling.csv has no such row: a plan is a row of the log first".into()),
    };
    Unfit { column, text }
}

/// A body would be made of itself.
pub fn part_of_itself(body: &str) -> Result<(), Unfit> {
    unfit("name", format!("\"{}\" would be a part of itself", super::shown(body)))
}

/// A row names a body or pot (`what`) that the studio does not know.
pub fn missing(column: &'static str, what: &str, name: &str) -> Unfit {
    let text =
        format!("no {what} named \"{}\" in this studio; add the {what} first", super::shown(name));
    Unfit { column, text }
}
