//! What treatments do, each effect with its intervals, in a row of its own.
//!
//! Ratios have one axis, on which twice and half lie equally far from 1 ×. Differences follow, each
//! kind on an axis of its own that says which way is which. What was seen is filled, what the model
//! says hatched; a diamond is the middle.

use super::PlotError;
use super::axis::{decimals, marks};
use super::canvas::{Area, Canvas, Hatch, Stroke, Type};
use super::picture::{CURVE, FAINT, GRID, INK, LEFT, RIGHT, number};
use crate::core::compare::Question;
use crate::core::compare::plain::Effect;
use plotters::backend::DrawingBackend;

/// How high the heading is, a row, and the words under an axis with what is free beneath them.
const HEAD: f64 = 34.0;
const STEP: f64 = 58.0;
const FOOT: f64 = 66.0;
/// Left and right edge of the axes.
const FROM: f64 = LEFT + 300.0;
const TO: f64 = RIGHT - 290.0;
/// Share of an axis beyond the longest interval.
const ROOM: f64 = 0.04;
/// Least distance of two marks.
const APART: f64 = 52.0;

/// Ratios that may be marked on their axis, the dearest first.
const RATIOS: [f64; 15] =
    [1.0, 2.0, 0.5, 5.0, 0.2, 10.0, 0.1, 20.0, 0.05, 3.0, 0.33, 1.5, 0.67, 1.25, 0.8];

/// One effect of a treatment.
#[derive(Clone, PartialEq, Debug)]
pub struct EffectRow {
    /// What was asked.
    pub question: Question,
    /// The same in words.
    pub what: String,
    /// Of which treatment, against which.
    pub of: String,
    /// By what was seen, and in words.
    pub plain: (Option<Effect>, String),
    /// By the model, and in words.
    pub model: (Option<Effect>, String),
}

/// On what an effect is read.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Scale {
    Ratio,
    Evenness,
    Losses,
}

impl Scale {
    const ALL: [Scale; 3] = [Scale::Ratio, Scale::Evenness, Scale::Losses];

    fn of(question: Question) -> Scale {
        match question {
            Question::Evenness => Scale::Evenness,
            Question::Losses => Scale::Losses,
            _ => Scale::Ratio,
        }
    }

    /// What is under its axis: which way left is, what is marked, which way right is.
    fn words(self) -> [&'static str; 3] {
        match self {
            Scale::Ratio => ["← shorter, slower", "times", "longer, faster →"],
            Scale::Evenness => ["← more even", "points, base less wall", "less even →"],
            Scale::Losses => ["← fewer lost", "of 100 pots", "more lost →"],
        }
    }

    /// The shortest and the longest that is shown to either side, a logarithm of a ratio or a
    /// difference: what lies beyond has an arrow.
    fn reach(self) -> (f64, f64) {
        match self {
            Scale::Ratio => (1.25f64.ln(), 20f64.ln()),
            Scale::Evenness => (0.01, 0.2),
            Scale::Losses => (0.1, 1.0),
        }
    }
}

/// Rows on one axis.
struct Block<'a> {
    scale: Scale,
    rows: Vec<&'a EffectRow>,
    top: f64,
    /// The value at its right edge, and with the other sign at its left.
    far: f64,
}

/// All effects.
pub(super) struct Effects<'a> {
    blocks: Vec<Block<'a>>,
    level: f64,
    top: f64,
}

impl<'a> Effects<'a> {
    /// From their heading down.
    pub fn new(rows: &'a [EffectRow], level: f64, top: f64) -> Effects<'a> {
        let mut blocks: Vec<Block> = Vec::new();
        for scale in Scale::ALL {
            let rows: Vec<_> = rows.iter().filter(|r| Scale::of(r.question) == scale).collect();
            if !rows.is_empty() {
                let top = blocks.last().map_or(top + HEAD, |block| block.bottom() + FOOT);
                blocks.push(Block::new(scale, rows, top));
            }
        }
        Effects { blocks, level, top }
    }

    pub fn bottom(&self) -> f64 {
        self.blocks.last().map_or(self.top + HEAD, |block| block.bottom() + FOOT)
    }

    pub fn draw<DB: DrawingBackend>(&self, canvas: &Canvas<DB>) -> Result<(), PlotError> {
        canvas.text((LEFT, self.top), "What it does", Type::plain(16.0, INK).bold())?;
        if self.blocks.is_empty() {
            let words = "nothing can be said yet: too few pots tell";
            return canvas.text((FROM, self.top), words, Type::plain(15.0, INK));
        }
        self.legend(canvas)?;
        self.blocks.iter().try_for_each(|block| block.draw(canvas))
    }

    fn legend<DB: DrawingBackend>(&self, canvas: &Canvas<DB>) -> Result<(), PlotError> {
        let set = Type::plain(14.0, FAINT);
        let (mut x, y) = (FROM, self.top);
        for (plain, words) in [(true, "by what was seen"), (false, "by the model")] {
            box_of(
                canvas,
                Area { left: x, top: y - 5.0, right: x + 36.0, bottom: y + 5.0 },
                plain,
            )?;
            x += 44.0;
            canvas.text((x, y), words, set)?;
            x += canvas.width(words, set) + 24.0;
        }
        canvas.text((x, y), &format!("bars hold {:.0} of 100", 100.0 * self.level), set)
    }
}

impl<'a> Block<'a> {
    fn new(scale: Scale, rows: Vec<&'a EffectRow>, top: f64) -> Block<'a> {
        let effects = rows.iter().flat_map(|row| [&row.plain.0, &row.model.0]).flatten();
        let ends = effects.flat_map(|e| [e.low.abs(), e.high.abs()]).filter(|end| end.is_finite());
        let (least, most) = scale.reach();
        let far = (1.0 + ROOM) * ends.fold(least, f64::max).min(most);
        Block { scale, rows, top, far }
    }

    fn bottom(&self) -> f64 {
        self.top + STEP * self.rows.len() as f64
    }

    fn x(&self, value: f64) -> f64 {
        FROM + (value / self.far + 1.0) * 0.5 * (TO - FROM)
    }

    /// Values with what is written at them; nothing is among them.
    fn marks(&self) -> Vec<(f64, String)> {
        if self.scale == Scale::Ratio {
            let ratio = |ratio: f64| (ratio.ln(), format!("{ratio} ×"));
            return RATIOS.into_iter().map(ratio).collect();
        }
        let values = marks(-100.0 * self.far, 100.0 * self.far, 6.0);
        let digits = decimals(&values);
        let mark = |value: f64| {
            let sign = if value > 1e-9 { "+" } else { "" };
            (0.01 * value, format!("{sign}{}", number(value, digits)))
        };
        values.into_iter().map(mark).collect()
    }

    fn draw<DB: DrawingBackend>(&self, canvas: &Canvas<DB>) -> Result<(), PlotError> {
        let (bottom, set) = (self.bottom(), Type::plain(14.0, FAINT).centred());
        let mut taken: Vec<f64> = Vec::new();
        for (value, words) in self.marks() {
            let x = self.x(value);
            let crowded = taken.iter().any(|other| (x - other).abs() < APART);
            if !(FROM..=TO).contains(&x) || crowded {
                continue;
            }
            taken.push(x);
            let nothing = value.abs() < 1e-9;
            let stroke = if nothing { Stroke::solid(INK, 1.4) } else { Stroke::solid(GRID, 0.8) };
            canvas.line(&[(x, self.top - 8.0), (x, bottom)], stroke)?;
            canvas.text((x, bottom + 12.0), &words, set)?;
        }
        let [left, unit, right] = self.scale.words();
        canvas.text((FROM, bottom + 34.0), left, Type::plain(14.0, FAINT))?;
        canvas.text((0.5 * (FROM + TO), bottom + 34.0), unit, set)?;
        canvas.text((TO, bottom + 34.0), right, Type::plain(14.0, FAINT).ending())?;
        for (i, row) in self.rows.iter().enumerate() {
            self.row(canvas, row, self.top + STEP * i as f64)?;
        }
        Ok(())
    }

    fn row<DB: DrawingBackend>(
        &self,
        canvas: &Canvas<DB>,
        row: &EffectRow,
        top: f64,
    ) -> Result<(), PlotError> {
        let (bold, small) = (Type::plain(15.0, INK).bold(), Type::plain(14.0, FAINT));
        canvas.text((LEFT, top + 13.0), &row.what, bold)?;
        let of = canvas.cut(&row.of, small, FROM - LEFT - 12.0);
        canvas.text((LEFT, top + 33.0), &of, small)?;
        for ((effect, words), y, plain) in
            [(&row.plain, top + 13.0, true), (&row.model, top + 33.0, false)]
        {
            if let Some(effect) = effect {
                self.bar(canvas, effect, y, plain)?;
            }
            let (set, source) =
                if plain { (bold, "plain") } else { (Type::plain(14.0, INK), "model") };
            canvas.text((TO + 22.0, y), &format!("{source} {words}"), set)?;
        }
        Ok(())
    }

    /// An interval with its middle; an end beyond the axis has an arrow.
    fn bar<DB: DrawingBackend>(
        &self,
        canvas: &Canvas<DB>,
        effect: &Effect,
        y: f64,
        plain: bool,
    ) -> Result<(), PlotError> {
        let held = |value: f64| self.x(value).clamp(FROM, TO);
        let (left, right) = (held(effect.low), held(effect.high).max(held(effect.low) + 1.0));
        box_of(canvas, Area { left, top: y - 6.0, right, bottom: y + 6.0 }, plain)?;
        for (end, at, way) in [(effect.low, FROM, -1.0), (effect.high, TO, 1.0)] {
            if (self.x(end) - at) * way > 0.5 {
                canvas.fill(&[(at, y - 7.0), (at + way * 10.0, y), (at, y + 7.0)], INK)?;
            }
        }
        let middle = self.x(effect.value);
        if !(FROM..=TO).contains(&middle) {
            return Ok(());
        }
        canvas.fill(
            &[(middle - 5.0, y), (middle, y - 9.0), (middle + 5.0, y), (middle, y + 9.0)],
            INK,
        )
    }
}

/// Filled, or hatched.
fn box_of<DB: DrawingBackend>(
    canvas: &Canvas<DB>,
    area: Area,
    plain: bool,
) -> Result<(), PlotError> {
    if plain {
        canvas.fill_area(area, CURVE.at(0.55))?;
        return canvas.frame(area, Stroke::solid(CURVE, 1.0));
    }
    canvas.hatch(area, Hatch::Rising, Stroke::solid(FAINT, 0.8))?;
    canvas.frame(area, Stroke::solid(FAINT, 1.2))
}
