//! The picture of a plan: for each pot how it is kept, when it can be worked on, and when that is
//! to be done, beside the hours in which somebody is there.
//!
//! The pot that is worked on first stands on top. Its upper strip is hatched as it is covered; in
//! the lower one the window is filled on the middle forecast and hatched where it may be open, and
//! the black block is the time that is kept for it.

use super::axis::Times;
use super::canvas::{Area, Canvas, Hatch, Stroke, Tone, Type};
use super::picture::{FAINT, INK, LEFT, RIGHT, WINDOW, WINDOW_EDGE, cover_hatch};
use super::{Drawing, Look, PlotError, grid};
use crate::core::report::TimeQuantiles;
use crate::records::{Cover, Name};
use crate::units::{DAY, Time};
use plotters::backend::DrawingBackend;
use plotters::style::RGBColor;

/// Width of the picture, points.
const WIDTH: f64 = RIGHT + LEFT;
/// Where the rows begin, how high each is, and its strips.
const TOP: f64 = 150.0;
const STEP: f64 = 52.0;
const STRIP: f64 = 19.0;
/// Left and right edge of the axis.
const FROM: f64 = LEFT + 170.0;
const TO: f64 = RIGHT - 150.0;
/// More pots than these make no picture that can be read: the others are counted.
const MOST: usize = 40;
/// So much is shown after all that is done, s.
const LEAST: f64 = DAY;
/// A kiln is in the picture if it is packed within so many times what is shown without it.
const FAR: f64 = 1.6;
/// A block is at least so wide that it is seen, points.
const SEEN: f64 = 5.0;

/// Behind hours in which somebody is there.
const THERE: Tone = Tone(RGBColor(226, 226, 221), 1.0);

/// A pot of the plan.
#[derive(Clone, PartialEq, Debug)]
pub struct PlanRow {
    /// Its name.
    pub pot: Name,
    /// Its board, or the pot that it is kept with.
    pub under: Option<String>,
    /// How it is kept, from when.
    pub covers: Vec<(Time, Cover)>,
    /// When its window opens and closes.
    pub opens: TimeQuantiles,
    /// The same.
    pub closes: TimeQuantiles,
    /// Whether it is to be worked on at all.
    pub works: bool,
    /// When it is.
    pub slot: Option<(Time, Time)>,
    /// How likely that can be, as it is and planned, in words.
    pub work: Option<[String; 2]>,
    /// How likely it is then dry for the kiln, in words.
    pub kiln: Option<[String; 2]>,
}

/// What is in the picture.
#[derive(Clone, PartialEq, Debug)]
pub struct PlanPicture {
    /// What is planned for: `Trimming`.
    pub doing: String,
    /// The same as something to do: `trim`.
    pub to_do: String,
    /// Hours in which somebody is there.
    pub hours: Vec<(Time, Time)>,
    /// When the kiln is packed.
    pub kiln: Option<Time>,
    /// What is said below of firing, line by line.
    pub caution: &'static [&'static str],
    /// Up to when was looked.
    pub until: Time,
    /// Its pots, those that are worked on first in front.
    pub rows: Vec<PlanRow>,
}

/// The plan, ready to be drawn.
pub(super) struct Picture<'a> {
    plan: &'a PlanPicture,
    look: &'a Look,
    times: Times,
}

impl<'a> Picture<'a> {
    /// # Errors
    ///
    /// [`PlotError::NoPlan`] if there is no pot.
    pub fn new(plan: &'a PlanPicture, look: &'a Look) -> Result<Picture<'a>, PlotError> {
        if plan.rows.is_empty() {
            return Err(PlotError::NoPlan);
        }
        // What is done is to be seen, with a day around it; a window may go on beyond.
        let end = |row: &PlanRow| match row.slot {
            Some((_, to)) => Some(to),
            None => row.closes.p50.or(row.opens.p50),
        };
        let ends = plan.rows.iter().take(MOST).filter(|row| row.works).filter_map(end);
        let last = ends.max().unwrap_or(look.at).plus(LEAST);
        let to = last.min(plan.until);
        // A kiln far behind all windows would press them together.
        let near = look.at.plus(FAR * to.since(look.at));
        let to = plan.kiln.filter(|kiln| *kiln < near).map_or(to, |kiln| kiln.max(to));
        let to = to.plus(0.03 * to.since(look.at));
        let times = Times::new(look.at, to, axis(plan.rows.len()), look.zone.clone());
        Ok(Picture { plan, look, times })
    }

    fn heading<DB: DrawingBackend>(&self, canvas: &Canvas<DB>) -> Result<(), PlotError> {
        let title = Type::plain(25.0, INK).bold();
        canvas.text((LEFT, 34.0), &format!("{} by plan", self.plan.doing), title)?;
        let at = self.look.as_of();
        canvas.text((RIGHT, 36.0), &at, Type::plain(14.0, FAINT).ending())?;
        let to_do = &self.plan.to_do;
        let under = Type::plain(14.0, FAINT);
        let first = "upper strip: how it is kept; lower: its window, filled on the middle \
                     forecast, hatched where it may be open";
        canvas.text((LEFT, 66.0), first, under)?;
        let second = format!(
            "black: when to {to_do} it; grey behind: somebody is there; right: how likely that \
             can be, as it is → planned"
        );
        canvas.text((LEFT, 88.0), &second, under)
    }

    fn grid<DB: DrawingBackend>(&self, canvas: &Canvas<DB>) -> Result<(), PlotError> {
        let area = axis(self.plan.rows.len());
        for (from, to) in &self.plan.hours {
            let [from, to] = [from, to].map(|time| self.times.held(*time));
            if let Some(area) = area.between(from, to) {
                canvas.fill_area(area, THERE)?;
            }
        }
        grid::clock(canvas, &self.times, area)
    }

    fn row<DB: DrawingBackend>(
        &self,
        canvas: &Canvas<DB>,
        row: &PlanRow,
        top: f64,
    ) -> Result<(), PlotError> {
        let strip = |k: f64| Area {
            left: FROM,
            top: top + 4.0 + (STRIP + 3.0) * k,
            right: TO,
            bottom: top + 4.0 + (STRIP + 3.0) * k + STRIP,
        };
        let (kept, window) = (strip(0.0), strip(1.0));
        let bold = Type::plain(16.0, INK).bold();
        let room = FROM - LEFT - 14.0;
        canvas.text((LEFT, kept.middle()), &canvas.cut(&row.pot, bold, room), bold)?;
        if let Some(under) = &row.under {
            let set = Type::plain(13.0, FAINT);
            canvas.text((LEFT, window.middle()), &canvas.cut(under, set, room), set)?;
        }
        self.kept(canvas, row, kept)?;
        if row.works {
            self.window(canvas, row, window)?;
        }
        let x = TO + 14.0;
        let told = |told: &Option<[String; 2]>| {
            let [before, after] = told.as_ref()?;
            Some(if before == after { after.clone() } else { format!("{before} → {after}") })
        };
        let [work, kiln] = [told(&row.work), told(&row.kiln)];
        match (work, kiln) {
            (Some(work), kiln) => {
                canvas.text((x, kept.middle()), &work, bold)?;
                let kiln = kiln.map_or(String::new(), |kiln| format!("kiln {kiln}"));
                canvas.text((x, window.middle()), &kiln, Type::plain(14.0, INK))
            }
            (None, Some(kiln)) => canvas.text((x, kept.middle()), &format!("kiln {kiln}"), bold),
            (None, None) => Ok(()),
        }
    }

    fn kept<DB: DrawingBackend>(
        &self,
        canvas: &Canvas<DB>,
        row: &PlanRow,
        strip: Area,
    ) -> Result<(), PlotError> {
        let ends = row.covers.iter().skip(1).map(|(from, _)| *from).chain([Time::MAX]);
        for ((from, cover), to) in row.covers.iter().zip(ends) {
            let (left, right) = (self.times.held(*from), self.times.held(to));
            let Some(area) = strip.between(left, right) else { continue };
            if let Some(hatch) = cover_hatch(*cover) {
                canvas.hatch(area, hatch, Stroke::solid(FAINT.at(0.6), 0.9))?;
            }
            canvas.frame(area, Stroke::solid(INK, 1.0))?;
            let set = Type::plain(13.0, INK);
            let words = cover.word();
            if canvas.width(words, set) + 12.0 < area.width() {
                canvas.note((area.left + 6.0, area.middle()), words, set)?;
            }
        }
        Ok(())
    }

    fn window<DB: DrawingBackend>(
        &self,
        canvas: &Canvas<DB>,
        row: &PlanRow,
        strip: Area,
    ) -> Result<(), PlotError> {
        let end = |time: Option<Time>| self.times.held(time.unwrap_or(Time::MAX));
        let (opens, closes) = (&row.opens, &row.closes);
        if let Some(area) = strip.between(end(opens.p10), end(closes.p90)) {
            canvas.hatch(area, Hatch::Rising, Stroke::solid(WINDOW_EDGE.at(0.6), 0.9))?;
            canvas.frame(area, Stroke::dashed(WINDOW_EDGE, 0.9, 3.0, 2.0))?;
        }
        if let Some(area) = strip.between(end(opens.p50), end(closes.p50)) {
            canvas.fill_area(area, WINDOW)?;
            canvas.frame(area, Stroke::solid(WINDOW_EDGE, 1.0))?;
        }
        if let Some((from, to)) = row.slot {
            let (left, right) = (self.times.held(from), self.times.held(to));
            let right = right.max(left + SEEN);
            let block = Area { left, top: strip.top - 3.0, right, bottom: strip.bottom + 3.0 };
            canvas.fill_area(block, INK)?;
            let words = self.times.words(from, "%H:%M");
            let set = Type::plain(14.0, INK).bold();
            let wide = canvas.width(&words, set);
            let at = if right + wide + 8.0 < TO { right + 5.0 } else { left - wide - 5.0 };
            return canvas.note((at, strip.middle()), &words, set);
        }
        let words = match opens.p50.filter(|time| self.times.holds(*time)) {
            Some(_) => "no time for it",
            None => "not within the time that is shown",
        };
        let set = Type::plain(13.0, INK);
        canvas.note((FROM + 6.0, strip.middle()), words, set)
    }

    fn kiln<DB: DrawingBackend>(&self, canvas: &Canvas<DB>) -> Result<(), PlotError> {
        let Some(kiln) = self.plan.kiln else { return Ok(()) };
        let (area, x) = (axis(self.plan.rows.len()), self.times.held(kiln));
        let mut words = self.times.words(kiln, "kiln %a %-d %b %H:%M");
        if self.times.holds(kiln) {
            let line = [(x, area.top - 6.0), (x, area.bottom)];
            canvas.line(&line, Stroke::dashed(INK, 2.0, 6.0, 4.0))?;
        } else {
            words += " →";
        }
        let set = Type::plain(14.0, INK).bold();
        let wide = canvas.width(&words, set);
        let left = (x - 0.5 * wide).clamp(LEFT, if x < TO { RIGHT } else { TO } - wide);
        canvas.text((left, area.top - 16.0), &words, set)
    }
}

/// Where the rows stand.
fn axis(rows: usize) -> Area {
    let bottom = TOP + STEP * rows.min(MOST) as f64;
    Area { left: FROM, top: TOP, right: TO, bottom }
}

impl Drawing for Picture<'_> {
    fn size(&self) -> (u32, u32) {
        let more = if self.plan.rows.len() > MOST { 24.0 } else { 0.0 };
        let height = axis(self.plan.rows.len()).bottom + 56.0 + more;
        (WIDTH as u32, (height + grid::caution_height(self.plan.caution)) as u32)
    }

    fn draw<DB: DrawingBackend>(&self, canvas: &Canvas<DB>) -> Result<(), PlotError> {
        self.heading(canvas)?;
        self.grid(canvas)?;
        for (i, row) in self.plan.rows.iter().take(MOST).enumerate() {
            self.row(canvas, row, TOP + STEP * i as f64)?;
        }
        self.kiln(canvas)?;
        grid::caution(canvas, self.plan.caution, f64::from(self.size().1))?;
        match self.plan.rows.len().saturating_sub(MOST) {
            0 => Ok(()),
            more => {
                let y = axis(self.plan.rows.len()).bottom + 60.0;
                canvas.text((LEFT, y), &format!("and {more} more"), Type::plain(14.0, INK))
            }
        }
    }
}
