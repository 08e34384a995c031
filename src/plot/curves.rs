//! The picture of a body's pots over each other: how the water of each went from its making on.
//!
//! Lines differ by their dashes and by the letter that each carries, which stands beside the pot's
//! name too.

use super::axis::{Values, decimals, marks};
use super::canvas::{Area, Canvas, Hatch, Stroke, Tone, Type};
use super::picture::{CURVE, FAINT, GRID, INK, LEFT, RIGHT, WINDOW_EDGE, clip, number};
use super::{Drawing, Look, PlotError, grid};
use crate::records::Name;
use crate::units::{DAY, HOUR, Time};
use plotters::backend::DrawingBackend;

/// Width of the picture, points; its height.
const WIDTH: f64 = RIGHT + LEFT;
const HEIGHT: f64 = 590.0;
const PANEL: Area = Area { left: LEFT, top: 104.0, right: RIGHT - 190.0, bottom: 526.0 };
/// Names of the pots.
const NAMES: f64 = PANEL.right + 22.0;
const NAME_STEP: f64 = 30.0;
/// Dashes and gaps that lines take in turn.
const DASHES: [Option<(f64, f64)>; 5] =
    [None, Some((10.0, 4.0)), Some((2.5, 3.0)), Some((18.0, 4.0)), Some((6.0, 7.0))];

/// What is in the picture.
#[derive(Clone, PartialEq, Debug)]
pub struct Curves {
    /// The body.
    pub body: Name,
    /// Mean water (dry basis) at which its trimming window opens and closes.
    pub band: (f64, f64),
    /// Its pots, and how many more there are.
    pub pots: Vec<Curve>,
    /// Pots beside these.
    pub left_out: usize,
}

/// How the water of a pot went.
#[derive(Clone, PartialEq, Debug)]
pub struct Curve {
    /// By what it is told from the others.
    pub mark: String,
    /// The pot.
    pub pot: Name,
    /// When it was made.
    pub made_at: Time,
    /// Mean water (dry basis), in order of time.
    pub water: Vec<(Time, f64)>,
    /// When it was trimmed.
    pub trims: Vec<Time>,
}

/// The curves, ready to be drawn.
pub(super) struct Picture<'a> {
    curves: &'a Curves,
    look: &'a Look,
    /// The longest that a pot was looked at, s, and the water that is shown.
    longest: f64,
    water: Values,
}

impl<'a> Picture<'a> {
    pub fn new(curves: &'a Curves, look: &'a Look) -> Picture<'a> {
        let points = curves.pots.iter().flat_map(|pot| {
            pot.water.iter().map(|(time, water)| (time.since(pot.made_at), *water))
        });
        let points: Vec<(f64, f64)> = points.filter(|(_, water)| water.is_finite()).collect();
        let longest = points.iter().map(|p| p.0).fold(HOUR, f64::max);
        let most = points.iter().map(|p| 100.0 * p.1).fold(100.0 * curves.band.0, f64::max);
        Picture { curves, look, longest, water: Values::exactly(0.0, 1.06 * most, PANEL) }
    }

    fn x(&self, age: f64) -> f64 {
        PANEL.left + PANEL.width() * (age / (1.03 * self.longest)).clamp(0.0, 1.0)
    }

    fn y(&self, water: f64) -> f64 {
        self.water.held(100.0 * water)
    }

    fn heading<DB: DrawingBackend>(&self, canvas: &Canvas<DB>) -> Result<(), PlotError> {
        let title = Type::plain(25.0, INK).bold();
        let name = format!("Pots of {}", self.curves.body);
        canvas.text((LEFT, 34.0), &canvas.cut(&name, title, RIGHT - LEFT - 260.0), title)?;
        let at = self.look.as_of();
        canvas.text((RIGHT, 36.0), &at, Type::plain(14.0, FAINT).ending())?;
        let words = "mean water, % of the dry clay, up to the last weight; triangle: trimmed; \
                     hatched: the trimming window";
        canvas.text((LEFT, 66.0), words, Type::plain(14.0, FAINT))
    }

    fn grid<DB: DrawingBackend>(&self, canvas: &Canvas<DB>) -> Result<(), PlotError> {
        let (from, to) = (self.y(self.curves.band.0), self.y(self.curves.band.1));
        let window = Area { top: from, bottom: to, ..PANEL };
        canvas.hatch(window, Hatch::Rising, Stroke::solid(WINDOW_EDGE.at(0.45), 0.8))?;
        let small = Type::plain(13.0, FAINT);
        grid::values(canvas, &self.water, PANEL, (7.0, 13.0, ""))?;
        let (per, unit) = if self.longest > 4.0 * DAY { (DAY, "days") } else { (HOUR, "h") };
        let ages = marks(0.0, 1.03 * self.longest / per, 9.0);
        let digits = decimals(&ages);
        for age in ages {
            let x = self.x(age * per);
            canvas.line(&[(x, PANEL.top), (x, PANEL.bottom)], Stroke::solid(GRID, 0.8))?;
            canvas.text((x, PANEL.bottom + 14.0), &number(age, digits), small.centred())?;
        }
        let words = format!("{unit} since it was made");
        let place = (0.5 * (PANEL.left + PANEL.right), PANEL.bottom + 38.0);
        canvas.text(place, &words, Type::plain(13.0, INK).centred())?;
        canvas.frame(PANEL, Stroke::solid(FAINT, 1.0))
    }

    fn pot<DB: DrawingBackend>(
        &self,
        canvas: &Canvas<DB>,
        number: usize,
        pot: &Curve,
    ) -> Result<(), PlotError> {
        let (tone, stroke) = stroke(number);
        let place = |(time, water): &(Time, f64)| (self.x(time.since(pot.made_at)), self.y(*water));
        let way = self.way(pot);
        canvas.line(&way, stroke)?;
        let at = |time: Time| clip(&pot.water, time, time).first().map(place);
        for (x, y) in pot.trims.iter().filter_map(|time| at(*time)) {
            canvas.fill(&[(x - 6.0, y - 11.0), (x + 6.0, y - 11.0), (x, y - 1.0)], tone)?;
        }
        if let Some(end) = way.last() {
            canvas.dot(*end, 3.0, tone)?;
        }
        let y = PANEL.top + NAME_STEP * (number as f64 + 0.5);
        canvas.line(&[(NAMES, y), (NAMES + 44.0, y)], stroke)?;
        canvas.text((NAMES + 54.0, y), &pot.mark, Type::plain(14.0, tone).bold())?;
        let set = Type::plain(14.0, INK);
        let name = canvas.cut(&pot.pot, set, WIDTH - NAMES - 84.0);
        canvas.text((NAMES + 74.0, y), &name, set)
    }

    /// The way of a pot's water on the paper.
    fn way(&self, pot: &Curve) -> Vec<(f64, f64)> {
        let known = pot.water.iter().filter(|(_, water)| water.is_finite());
        known.map(|(time, water)| (self.x(time.since(pot.made_at)), self.y(*water))).collect()
    }

    /// The letter of a pot on its line, at a level of its own, so that neighbours do not meet.
    fn letter<DB: DrawingBackend>(
        &self,
        canvas: &Canvas<DB>,
        number: usize,
        pot: &Curve,
    ) -> Result<(), PlotError> {
        let way = self.way(pot);
        let all = self.curves.pots.len().max(1) as f64;
        let share = 0.06 + 0.7 * (number as f64 + 0.5) / all;
        let (first, last) = (way.first().map_or(0.0, |p| p.1), way.last().map_or(0.0, |p| p.1));
        let y = first + share * (last - first);
        let on_it = way.windows(2).find(|ends| ends[1].1 >= y);
        let set = Type::plain(14.0, stroke(number).0).bold();
        if let Some([(x0, y0), (x1, y1)]) = on_it.and_then(|ends| ends.first_chunk()) {
            let x = x0 + (x1 - x0) * ((y - y0) / (y1 - y0).max(1e-9)).clamp(0.0, 1.0);
            canvas.note((x - 0.5 * canvas.width(&pot.mark, set), y), &pot.mark, set)?;
        }
        Ok(())
    }
}

fn stroke(number: usize) -> (Tone, Stroke) {
    let tone = if number.is_multiple_of(2) { CURVE } else { INK };
    let dash = DASHES[number % DASHES.len()];
    (tone, Stroke { tone, width: 1.8, dash })
}

impl Drawing for Picture<'_> {
    fn size(&self) -> (u32, u32) {
        let names = PANEL.top + NAME_STEP * (self.curves.pots.len() as f64 + 1.5);
        (WIDTH as u32, HEIGHT.max(names).ceil() as u32)
    }

    fn draw<DB: DrawingBackend>(&self, canvas: &Canvas<DB>) -> Result<(), PlotError> {
        self.heading(canvas)?;
        self.grid(canvas)?;
        for (number, pot) in self.curves.pots.iter().enumerate() {
            self.pot(canvas, number, pot)?;
        }
        for (number, pot) in self.curves.pots.iter().enumerate() {
            self.letter(canvas, number, pot)?;
        }
        match self.curves.left_out {
            0 => Ok(()),
            n => {
                let y = PANEL.top + NAME_STEP * (self.curves.pots.len() as f64 + 0.6);
                canvas.text((NAMES, y), &format!("and {n} older"), Type::plain(14.0, INK))
            }
        }
    }
}
