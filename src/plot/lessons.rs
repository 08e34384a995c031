//! The picture of a body: what its finished pots have taught, before and now.
//!
//! One line for each thing, with an axis of its own: above, hatched between two posts, where it
//! lay beforehand in 8 of 10 cases; below, filled, where it lies now; the middle of each is marked.
//! What each says stands beside it, so that neither colour nor axis is needed to read it.

use super::axis::{decimals, marks};
use super::canvas::{Area, Canvas, Hatch, Stroke, Type};
use super::picture::{CURVE, FAINT, GRID, INK, LEFT, RIGHT, number};
use super::{Drawing, Look, PlotError};
use crate::core::learnt::{Learnt, Row, Unit};
use crate::core::report::Quantiles;
use plotters::backend::DrawingBackend;

/// Width of the picture, points.
const WIDTH: f64 = RIGHT + LEFT;
/// Where the lines begin, and how high each is.
const TOP: f64 = 112.0;
const STEP: f64 = 62.0;
/// Left and right edge of the axes.
const FROM: f64 = LEFT + 250.0;
const TO: f64 = RIGHT - 240.0;

/// Everything that is to be drawn.
pub(super) struct Lessons<'a> {
    body: &'a str,
    learnt: &'a Learnt,
    look: &'a Look,
    rows: Vec<Row>,
}

impl<'a> Lessons<'a> {
    pub fn new(body: &'a str, learnt: &'a Learnt, look: &'a Look) -> Lessons<'a> {
        let finite = |q: &Quantiles| [q.p10, q.p50, q.p90].iter().all(|v| v.is_finite());
        let rows = learnt.rows().into_iter();
        let rows = rows.filter(|row| finite(&row.before) && finite(&row.now)).collect();
        Lessons { body, learnt, look, rows }
    }

    fn heading<DB: DrawingBackend>(&self, canvas: &Canvas<DB>) -> Result<(), PlotError> {
        let title = Type::plain(25.0, INK).bold();
        let under = Type::plain(14.0, FAINT);
        canvas.text((LEFT, 34.0), &canvas.cut(self.body, title, RIGHT - LEFT), title)?;
        let at = self.look.as_of();
        canvas.text((LEFT, 62.0), &from_what(self.learnt), under)?;
        canvas.text((RIGHT, 62.0), &at, under.ending())?;
        let set = Type::plain(12.0, FAINT);
        let (mut x, y) = (LEFT + 6.0, 90.0);
        for (now, words) in [(false, "before"), (true, "now")] {
            let bar = Area { left: x, top: y - 5.0, right: x + 34.0, bottom: y + 5.0 };
            span(canvas, bar, x + 17.0, now)?;
            x += 42.0;
            canvas.text((x, y), words, set)?;
            x += canvas.width(words, set) + 24.0;
        }
        canvas.text((x, y), "bars hold 8 of 10 cases; the mark in them is the middle", set)
    }

    fn row<DB: DrawingBackend>(
        &self,
        canvas: &Canvas<DB>,
        row: &Row,
        top: f64,
    ) -> Result<(), PlotError> {
        let area = Area { left: FROM, top: top + 4.0, right: TO, bottom: top + 36.0 };
        let (small, word) = (Type::plain(12.0, FAINT), Type::plain(14.0, INK));
        canvas.text((LEFT, top + 14.0), &row.what, word.bold())?;
        canvas.text((LEFT, top + 31.0), row.of, small)?;
        let per = if row.unit == Unit::Percent { 100.0 } else { 1.0 };
        let seen = [row.before.p10, row.now.p10, row.before.p90, row.now.p90].map(|v| per * v);
        let low = seen.into_iter().fold(f64::INFINITY, f64::min);
        let high = seen.into_iter().fold(f64::NEG_INFINITY, f64::max);
        let room = 0.06 * (high - low).max(1e-6);
        let (low, high) = (low - room, high + room);
        let x = |value: f64| FROM + (per * value - low) / (high - low) * (TO - FROM);
        let marks: Vec<f64> = marks(low, high, 6.0);
        let digits = decimals(&marks);
        for mark in &marks {
            let at = x(mark / per);
            canvas.line(&[(at, area.top), (at, area.bottom)], Stroke::solid(GRID, 0.8))?;
            canvas.text((at, area.bottom + 9.0), &number(*mark, digits), small.centred())?;
        }
        canvas.line(&[(FROM, area.bottom), (TO, area.bottom)], Stroke::solid(FAINT, 0.8))?;
        for (q, y, now) in [(&row.before, top + 12.0, false), (&row.now, top + 28.0, true)] {
            let bar = Area { left: x(q.p10), top: y - 5.0, right: x(q.p90), bottom: y + 5.0 };
            span(canvas, bar, x(q.p50), now)?;
            let words = format!("{} {}", if now { "now" } else { "before" }, row.say(q));
            let set = if now { Type::plain(13.0, INK).bold() } else { small };
            canvas.text((TO + 16.0, y), &words, set)?;
        }
        Ok(())
    }
}

impl Drawing for Lessons<'_> {
    fn size(&self) -> (u32, u32) {
        (WIDTH as u32, (TOP + STEP * self.rows.len() as f64 + 16.0).ceil() as u32)
    }

    fn draw<DB: DrawingBackend>(&self, canvas: &Canvas<DB>) -> Result<(), PlotError> {
        self.heading(canvas)?;
        for (i, row) in self.rows.iter().enumerate() {
            self.row(canvas, row, TOP + STEP * i as f64)?;
        }
        Ok(())
    }
}

/// A bar with its middle: hatched between posts, or filled.
fn span<DB: DrawingBackend>(
    canvas: &Canvas<DB>,
    bar: Area,
    middle: f64,
    now: bool,
) -> Result<(), PlotError> {
    // What is known beyond all doubt still wants to be seen.
    let bar = Area { right: bar.right.max(bar.left + 1.0), ..bar };
    if now {
        canvas.fill_area(bar, CURVE.at(0.55))?;
        canvas.frame(bar, Stroke::solid(CURVE, 1.0))?;
        let middle = middle.clamp(bar.left, bar.right);
        let reach = bar.bottom - bar.middle();
        let mark = [(middle - 4.0, bar.middle()), (middle, bar.middle() - reach - 2.0)];
        let rest = [(middle + 4.0, bar.middle()), (middle, bar.middle() + reach + 2.0)];
        return canvas.fill(&[mark[0], mark[1], rest[0], rest[1]], INK);
    }
    canvas.hatch(bar, Hatch::Rising, Stroke::solid(FAINT, 0.6))?;
    let tall = Stroke::solid(FAINT, 1.4);
    for x in [bar.left, bar.right] {
        canvas.line(&[(x, bar.top - 1.0), (x, bar.bottom + 1.0)], tall)?;
    }
    canvas.line(&[(middle, bar.top), (middle, bar.bottom)], Stroke::solid(INK, 1.6))
}

/// `learnt from 6 finished pots and 2 verdicts of the hand`.
fn from_what(learnt: &Learnt) -> String {
    let pots = match learnt.pots {
        1 => "1 finished pot".into(),
        n => format!("{n} finished pots"),
    };
    match learnt.verdicts {
        0 => format!("learnt from {pots}"),
        1 => format!("learnt from {pots} and 1 verdict of the hand"),
        n => format!("learnt from {pots} and {n} verdicts of the hand"),
    }
}
