//! The picture of one pot's forecasts: each beside the time at which it was asked for, against what
//! became known.
//!
//! What happened is a line through all forecasts of it, with the hatched stretch in which it lies
//! in 8 of 10 cases. A forecast is a bar with its middle: a dot where the bar holds what happened,
//! a cross where it does not, a mark where nobody can say; a ring where it is still open.

use super::axis::Times;
use super::canvas::{Area, Canvas, Hatch, Stroke, Tone, Type};
use super::picture::{CURVE, FAINT, INK, LEFT, RIGHT};
use super::{Drawing, Look, PlotError, grid};
use crate::core::report::TimeQuantiles;
use crate::records::Name;
use crate::units::{HOUR, Time};
use plotters::backend::DrawingBackend;
use plotters::style::RGBColor;

/// Width of the picture, points.
const WIDTH: f64 = RIGHT + LEFT;
/// Where the first stretch begins, and how high a row, and the heading of a stretch, is.
const TOP: f64 = 112.0;
const STEP: f64 = 24.0;
const HEAD: f64 = 40.0;
/// Left and right edge of the axis.
const FROM: f64 = LEFT + 190.0;
const TO: f64 = RIGHT;

const PAPER: Tone = Tone(RGBColor(255, 255, 255), 1.0);
const MISSED: Tone = Tone(RGBColor(158, 48, 28), 1.0);

/// What came of a forecast.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Came {
    /// It held what happened.
    Inside,
    /// It did not.
    Outside,
    /// That cannot be said.
    Unknown,
    /// It is of now.
    Open,
}

impl Came {
    const ALL: [(Came, &'static str); 4] = [
        (Came::Inside, "held what happened"),
        (Came::Outside, "did not"),
        (Came::Unknown, "nobody can say"),
        (Came::Open, "as of now, open"),
    ];
}

/// A forecast.
#[derive(Clone, PartialEq, Debug)]
pub struct Said {
    /// When it is asked for.
    pub asked_at: Time,
    /// What was said.
    pub time: TimeQuantiles,
    /// What came of it.
    pub came: Came,
}

/// All forecasts of one event.
#[derive(Clone, PartialEq, Debug)]
pub struct Stretch {
    /// What is forecast.
    pub heading: String,
    /// When it happened, where that is known.
    pub happened: Option<TimeQuantiles>,
    /// In order of question.
    pub said: Vec<Said>,
}

/// What is in the picture.
#[derive(Clone, PartialEq, Debug)]
pub struct Foretold {
    /// The pot.
    pub pot: Name,
    /// When it was made.
    pub made_at: Time,
    /// From top to bottom.
    pub stretches: Vec<Stretch>,
}

/// The forecasts, ready to be drawn.
pub(super) struct Picture<'a> {
    foretold: &'a Foretold,
    look: &'a Look,
    times: Times,
}

impl<'a> Picture<'a> {
    pub fn new(foretold: &'a Foretold, look: &'a Look) -> Picture<'a> {
        let from = foretold.made_at;
        let all = foretold.stretches.iter();
        let happened = all.clone().filter_map(|s| s.happened?.p90).max();
        let said = all.flat_map(|s| &s.said).flat_map(|said| [said.time.p90, said.time.p50]);
        let said = said.flatten().max().unwrap_or(from);
        // A forecast far behind all that happened runs out of the picture.
        let far = happened.map_or(said, |time| said.min(from.plus(2.5 * time.since(from))));
        let to = happened.into_iter().chain([far, from.plus(HOUR)]).max().unwrap_or(far);
        let to = to.plus(0.04 * to.since(from));
        Picture { foretold, look, times: Times::new(from, to, axis(foretold), look.zone.clone()) }
    }

    fn heading<DB: DrawingBackend>(&self, canvas: &Canvas<DB>) -> Result<(), PlotError> {
        let title = Type::plain(25.0, INK).bold();
        let name = format!("What was forecast of {}", self.foretold.pot);
        canvas.text((LEFT, 34.0), &canvas.cut(&name, title, RIGHT - LEFT - 260.0), title)?;
        let at = self.look.as_of();
        canvas.text((RIGHT, 36.0), &at, Type::plain(14.0, FAINT).ending())?;
        let set = Type::plain(13.0, FAINT);
        let (mut x, y, words) = (LEFT, 70.0, "forecasts (8 of 10 cases):");
        canvas.text((x, y), words, set)?;
        x += 20.0 + canvas.width(words, set);
        let stretches = &self.foretold.stretches;
        let said = |came| stretches.iter().flat_map(|s| &s.said).any(|said| said.came == came);
        for (came, words) in Came::ALL.into_iter().filter(|(came, _)| said(*came)) {
            bar(canvas, [x, x + 16.0, x + 36.0], true, y, came)?;
            canvas.text((x + 46.0, y), words, set)?;
            x += 72.0 + canvas.width(words, set);
        }
        if stretches.iter().all(|stretch| stretch.happened.is_none()) {
            return Ok(());
        }
        canvas.line(&[(x, y - 8.0), (x, y + 8.0)], Stroke::solid(INK, 2.0))?;
        canvas.text((x + 10.0, y), "what happened", set)
    }

    fn stretch<DB: DrawingBackend>(
        &self,
        canvas: &Canvas<DB>,
        stretch: &Stretch,
        top: f64,
    ) -> Result<(), PlotError> {
        let set = Type::plain(15.0, INK).bold();
        canvas.text((LEFT, top + 0.5 * HEAD), &stretch.heading, set)?;
        let (first, last) = (top + HEAD - 6.0, top + height(stretch) - 4.0);
        if let Some(TimeQuantiles { p10: Some(low), p50: Some(at), p90: Some(high) }) =
            stretch.happened
        {
            let [low, at, high] = [low, at, high].map(|time| self.times.held(time));
            let area = Area { left: low, top: first, right: high.max(low + 1.0), bottom: last };
            canvas.hatch(area, Hatch::Rising, Stroke::solid(FAINT.at(0.5), 0.8))?;
            canvas.line(&[(at, first - 6.0), (at, last)], Stroke::solid(INK, 2.0))?;
        }
        for (row, said) in stretch.said.iter().enumerate() {
            let y = top + HEAD + STEP * (row as f64 + 0.5);
            let asked = self.times.words(said.asked_at, "asked %a %-d %b %H:%M");
            canvas.text((LEFT, y), &asked, Type::plain(13.0, FAINT))?;
            let asked = self.times.held(said.asked_at);
            canvas.line(&[(asked, y - 6.0), (asked, y + 6.0)], Stroke::solid(FAINT, 1.0))?;
            let [low, middle, high] = [said.time.p10, said.time.p50, said.time.p90];
            let x = |time: Option<Time>| time.map_or(TO, |time| self.times.held(time));
            let ends = high.is_some_and(|time| self.times.holds(time));
            bar(canvas, [x(low), x(middle), x(high)], ends, y, said.came)?;
        }
        Ok(())
    }
}

/// A forecast from its lower end over its middle to its upper end, which may lie beyond all that is
/// shown.
fn bar<DB: DrawingBackend>(
    canvas: &Canvas<DB>,
    [low, middle, high]: [f64; 3],
    ends: bool,
    y: f64,
    came: Came,
) -> Result<(), PlotError> {
    let tone = if came == Came::Outside { MISSED } else { CURVE };
    let dash = (came == Came::Open).then_some((7.0, 4.0));
    canvas.line(&[(low, y), (high, y)], Stroke { tone: tone.at(0.8), width: 2.4, dash })?;
    canvas.line(&[(low, y - 5.0), (low, y + 5.0)], Stroke::solid(tone, 1.6))?;
    if ends {
        canvas.line(&[(high, y - 5.0), (high, y + 5.0)], Stroke::solid(tone, 1.6))?;
    }
    match came {
        Came::Inside => canvas.dot((middle, y), 4.0, tone),
        Came::Outside => canvas.cross((middle, y), 5.0, Stroke::solid(tone, 2.0)),
        Came::Unknown => {
            canvas.line(&[(middle, y - 7.0), (middle, y + 7.0)], Stroke::solid(tone, 2.4))
        }
        Came::Open => {
            canvas.dot((middle, y), 6.0, tone)?;
            canvas.dot((middle, y), 3.4, PAPER)
        }
    }
}

fn height(stretch: &Stretch) -> f64 {
    HEAD + STEP * stretch.said.len() as f64 + 8.0
}

/// Where the stretches stand.
fn axis(foretold: &Foretold) -> Area {
    let bottom = TOP + foretold.stretches.iter().map(height).sum::<f64>() + 6.0;
    Area { left: FROM, top: TOP, right: TO, bottom }
}

impl Drawing for Picture<'_> {
    fn size(&self) -> (u32, u32) {
        (WIDTH as u32, (axis(self.foretold).bottom + 50.0).ceil() as u32)
    }

    fn draw<DB: DrawingBackend>(&self, canvas: &Canvas<DB>) -> Result<(), PlotError> {
        self.heading(canvas)?;
        grid::clock(canvas, &self.times, axis(self.foretold))?;
        let mut top = TOP;
        for stretch in &self.foretold.stretches {
            self.stretch(canvas, stretch, top)?;
            top += height(stretch);
        }
        Ok(())
    }
}
