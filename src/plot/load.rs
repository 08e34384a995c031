//! The picture of a kiln load: for each pot when its wettest part is dry, beside the time at which
//! the load is packed.
//!
//! The pot that holds the load up stands on top. A bar holds 8 of 10 cases, a mark in it is the
//! middle; what lies behind the line of the packing is hatched, and what each comes to stands
//! beside it in words.

use super::axis::Times;
use super::canvas::{Area, Canvas, Hatch, Stroke, Tone, Type};
use super::picture::{CURVE, FAINT, INK, LEFT, RIGHT};
use super::{Drawing, Look, PlotError, grid};
use crate::core::report::TimeQuantiles;
use crate::records::Name;
use crate::units::{DAY, HOUR, Time};
use plotters::backend::DrawingBackend;
use plotters::style::RGBColor;

/// Width of the picture, points.
const WIDTH: f64 = RIGHT + LEFT;
/// Where the rows begin, and how high each is.
const TOP: f64 = 128.0;
const STEP: f64 = 34.0;
/// Left and right edge of the axis.
const FROM: f64 = LEFT + 190.0;
const TO: f64 = RIGHT - 250.0;
/// More pots than these make no picture that can be read: the others are counted.
const MOST: usize = 40;
/// Least time that is shown, s.
const LEAST: f64 = DAY;

const LATE: Tone = Tone(RGBColor(158, 48, 28), 1.0);

/// A pot of the load.
#[derive(Clone, PartialEq, Debug)]
pub struct LoadRow {
    /// Its name.
    pub pot: Name,
    /// When its wettest part is dry.
    pub dry: TimeQuantiles,
    /// How likely that is when it is packed, in words; `None` where it cannot be told.
    pub chance: Option<String>,
    /// All its water then, in words.
    pub water: String,
}

/// What is in the picture.
#[derive(Clone, PartialEq, Debug)]
pub struct LoadPicture {
    /// Name of the load.
    pub load: Name,
    /// When it is packed.
    pub packed: Time,
    /// What the whole of it comes to, in words.
    pub summary: String,
    /// What is said below of firing, line by line.
    pub caution: &'static [&'static str],
    /// Its pots, those that hold it up first.
    pub rows: Vec<LoadRow>,
}

/// The load, ready to be drawn.
pub(super) struct Picture<'a> {
    load: &'a LoadPicture,
    look: &'a Look,
    times: Times,
}

impl<'a> Picture<'a> {
    /// # Errors
    ///
    /// [`PlotError::NothingDrying`] if there is no pot.
    pub fn new(load: &'a LoadPicture, look: &'a Look) -> Result<Picture<'a>, PlotError> {
        if load.rows.is_empty() {
            return Err(PlotError::NothingDrying(load.load.clone()));
        }
        let ends = load.rows.iter().take(MOST).flat_map(|row| [row.dry.p90, row.dry.p50]);
        let last = ends.flatten().chain([load.packed, look.at.plus(LEAST)]).max();
        let to = last.unwrap_or(load.packed);
        let to = to.plus(0.06 * to.since(look.at));
        let times = Times::new(look.at, to, axis(load.rows.len()), look.zone.clone());
        Ok(Picture { load, look, times })
    }

    fn shown(&self) -> &[LoadRow] {
        &self.load.rows[..self.load.rows.len().min(MOST)]
    }

    fn heading<DB: DrawingBackend>(&self, canvas: &Canvas<DB>) -> Result<(), PlotError> {
        let title = Type::plain(25.0, INK).bold();
        let name = canvas.cut(&format!("Kiln load {}", self.load.load), title, RIGHT - LEFT);
        canvas.text((LEFT, 34.0), &name, title)?;
        let under = Type::plain(16.0, INK);
        canvas.text((LEFT, 64.0), &self.load.summary, under)?;
        let small = Type::plain(14.0, FAINT);
        let at = self.look.as_of();
        canvas.text((RIGHT, 36.0), &at, small.ending())?;
        let words = "bars: when the wettest part is dry, in 8 of 10 cases; the mark in them is the \
                     middle; hatched: after it is packed";
        canvas.text((LEFT, 88.0), words, Type::plain(13.0, FAINT))
    }

    fn row<DB: DrawingBackend>(
        &self,
        canvas: &Canvas<DB>,
        row: &LoadRow,
        y: f64,
    ) -> Result<(), PlotError> {
        let set = Type::plain(16.0, INK);
        let name = canvas.cut(&row.pot, set.bold(), FROM - LEFT - 16.0);
        canvas.text((LEFT, y), &name, set.bold())?;
        let packed = self.times.held(self.load.packed);
        // What is dry already has its mark at the beginning.
        let x = |time: Option<Time>| time.map_or(TO, |t| self.times.held(t));
        let (low, high) = (x(row.dry.p10), x(row.dry.p90));
        let bar = Area { left: low, top: y - 7.0, right: high.max(low + 2.0), bottom: y + 7.0 };
        if let Some(before) = bar.between(FROM, packed) {
            canvas.fill_area(before, CURVE.at(0.55))?;
        }
        if let Some(after) = bar.between(packed, TO) {
            canvas.hatch(after, Hatch::Rising, Stroke::solid(LATE, 1.2))?;
        }
        // A bar whose end lies beyond all that is looked at stays open.
        let end = row.dry.p90.map(|_| (bar.right, bar.top));
        let start = [(bar.right, bar.top), (bar.left, bar.top), (bar.left, bar.bottom)];
        let outline: Vec<_> =
            start.into_iter().chain([(bar.right, bar.bottom)]).chain(end).collect();
        if low < TO {
            canvas.line(&outline, Stroke::solid(INK, 1.0))?;
        }
        match row.dry.p50 {
            Some(middle) => {
                let x = self.times.held(middle);
                canvas.line(&[(x, y - 11.0), (x, y + 11.0)], Stroke::solid(INK, 2.4))?;
            }
            None => canvas.note((TO - 150.0, y), "not within 30 days", Type::plain(13.0, INK))?,
        }
        let chance = row.chance.as_deref().unwrap_or("cannot be told");
        let bold = Type::plain(16.0, INK).bold();
        canvas.text((TO + 16.0, y), chance, bold)?;
        let chance = canvas.width(chance, bold).max(96.0);
        let set = Type::plain(14.0, INK);
        let room = WIDTH - TO - 34.0 - chance;
        canvas.text((TO + 26.0 + chance, y), &canvas.cut(&row.water, set, room), set)
    }

    fn packed<DB: DrawingBackend>(&self, canvas: &Canvas<DB>) -> Result<(), PlotError> {
        let (area, x) = (axis(self.load.rows.len()), self.times.held(self.load.packed));
        canvas
            .line(&[(x, area.top - 6.0), (x, area.bottom)], Stroke::dashed(INK, 2.0, 6.0, 4.0))?;
        let now = self.load.packed.since(self.look.at) < HOUR;
        let words = match now {
            true => "now".into(),
            false => self.times.words(self.load.packed, "packed %a %-d %b %H:%M"),
        };
        let set = Type::plain(14.0, INK).bold();
        let wide = canvas.width(&words, set);
        let left = (x - 0.5 * wide).clamp(LEFT, TO - wide);
        canvas.text((left, area.top - 16.0), &words, set)?;
        let small = Type::plain(13.0, FAINT);
        canvas.text((TO + 16.0, area.top - 16.0), "dry then, and all its water", small)
    }
}

/// Where the rows stand.
fn axis(rows: usize) -> Area {
    let bottom = TOP + STEP * rows.min(MOST) as f64;
    Area { left: FROM, top: TOP, right: TO, bottom }
}

impl Drawing for Picture<'_> {
    fn size(&self) -> (u32, u32) {
        let more = if self.load.rows.len() > MOST { 24.0 } else { 0.0 };
        let height = axis(self.load.rows.len()).bottom + 52.0 + more;
        (WIDTH as u32, (height + grid::caution_height(self.load.caution)) as u32)
    }

    fn draw<DB: DrawingBackend>(&self, canvas: &Canvas<DB>) -> Result<(), PlotError> {
        self.heading(canvas)?;
        grid::clock(canvas, &self.times, axis(self.load.rows.len()))?;
        for (i, row) in self.shown().iter().enumerate() {
            self.row(canvas, row, TOP + STEP * (i as f64 + 0.5))?;
        }
        self.packed(canvas)?;
        grid::caution(canvas, self.load.caution, f64::from(self.size().1))?;
        match self.load.rows.len().saturating_sub(MOST) {
            0 => Ok(()),
            more => {
                let words = format!("and {more} more, no less likely dry than these");
                let y = axis(self.load.rows.len()).bottom + 56.0;
                canvas.text((LEFT, y), &words, Type::plain(14.0, INK))
            }
        }
    }
}
