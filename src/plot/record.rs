//! The picture of a scorecard: every forecast against what happened, together by pot.
//!
//! A bar is an 80 % interval, told from what happened: where it does not reach the middle line, the
//! truth lay outside, and a cross stands in place of the dot.

use super::axis::Values;
use super::canvas::{Area, Canvas, Stroke, Tone, Type};
use super::picture::{CURVE, FAINT, INK, LEFT, RIGHT};
use super::{Drawing, Look, PlotError};
use crate::core::record::Scored;
use crate::records::Name;
use plotters::backend::DrawingBackend;
use plotters::style::RGBColor;

const WIDTH: u32 = 1200;
/// Top of the first panel, and what one takes with its heading.
const TOP: f64 = 150.0;
const PANEL: f64 = 190.0;
const PANEL_STEP: f64 = 250.0;
/// How far the panels reach to either side, as a share of the whole time.
const REACH: f64 = 1.0;

const GRID: Tone = Tone(RGBColor(226, 226, 230), 1.0);
const MISSED: Tone = Tone(RGBColor(158, 48, 28), 1.0);

/// Forecasts of one kind.
#[derive(Clone, PartialEq, Debug)]
pub struct Panel {
    /// What they came to.
    pub heading: String,
    /// Each with its pot; those of a pot follow each other.
    pub forecasts: Vec<(Name, Scored)>,
}

/// What is in the picture.
#[derive(Clone, PartialEq, Debug)]
pub struct Record {
    /// Finished pots.
    pub pots: usize,
    /// From top to bottom.
    pub panels: Vec<Panel>,
}

/// The record, ready to be drawn.
pub(super) struct Picture<'a> {
    record: &'a Record,
    look: &'a Look,
}

impl<'a> Picture<'a> {
    /// # Errors
    ///
    /// [`PlotError::NoRecord`] if there is no forecast.
    pub fn new(record: &'a Record, look: &'a Look) -> Result<Picture<'a>, PlotError> {
        if record.panels.iter().all(|panel| panel.forecasts.is_empty()) {
            return Err(PlotError::NoRecord);
        }
        Ok(Picture { record, look })
    }
}

impl Drawing for Picture<'_> {
    fn size(&self) -> (u32, u32) {
        (WIDTH, (TOP + PANEL_STEP * self.record.panels.len() as f64) as u32)
    }

    fn draw<DB: DrawingBackend>(&self, canvas: &Canvas<DB>) -> Result<(), PlotError> {
        let title = Type::plain(25.0, INK).bold();
        canvas.text((LEFT, 34.0), "How good the forecasts were", title)?;
        let pots = match self.record.pots {
            1 => "1 finished pot".into(),
            n => format!("{n} finished pots"),
        };
        let under = Type::plain(14.0, FAINT);
        canvas.text(
            (LEFT, 62.0),
            &format!("{pots}, oldest first; asked from left to right"),
            under,
        )?;
        canvas.text((RIGHT, 62.0), &self.look.as_of(), under.ending())?;
        legend(canvas)?;
        for (i, panel) in self.record.panels.iter().enumerate() {
            let top = TOP + PANEL_STEP * i as f64;
            draw_panel(canvas, panel, Area { left: LEFT, top, right: RIGHT, bottom: top + PANEL })?;
        }
        Ok(())
    }
}

fn legend<DB: DrawingBackend>(canvas: &Canvas<DB>) -> Result<(), PlotError> {
    let set = Type::plain(12.0, FAINT);
    let (mut x, y) = (LEFT + 6.0, 92.0);
    for (inside, words) in [
        (true, "80 % interval and middle of a forecast that held the truth"),
        (false, "one that did not"),
    ] {
        draw_bar(canvas, x, [y + 9.0, y, y - 9.0], inside)?;
        x += 12.0;
        canvas.text((x, y), words, set)?;
        x += canvas.width(words, set) + 28.0;
    }
    canvas.line(&[(x, y), (x + 22.0, y)], Stroke::solid(INK, 1.4))?;
    canvas.text((x + 30.0, y), "what happened", set)
}

fn draw_panel<DB: DrawingBackend>(
    canvas: &Canvas<DB>,
    panel: &Panel,
    area: Area,
) -> Result<(), PlotError> {
    canvas.text((area.left, area.top - 14.0), &panel.heading, Type::plain(14.0, INK).bold())?;
    let values = Values::exactly(-REACH, REACH, area);
    for mark in [-1.0, -0.5, 0.5, 1.0] {
        let y = values.y(mark);
        canvas.line(&[(area.left, y), (area.right, y)], Stroke::solid(GRID, 0.8))?;
        let set = Type::plain(12.0, FAINT).ending();
        canvas.text((area.left - 8.0, y), &format!("{:+.0} %", 100.0 * mark), set)?;
    }
    let aside = Type::plain(12.0, FAINT);
    canvas.text((area.right + 6.0, values.y(0.75)), "said too late", aside)?;
    canvas.text((area.right + 6.0, values.y(-0.75)), "said too soon", aside)?;
    if panel.forecasts.is_empty() {
        let place = (0.5 * (area.left + area.right), area.top + 40.0);
        canvas.text(place, "nothing known yet", Type::plain(13.0, FAINT).centred())?;
    }
    let middle = values.y(0.0);
    canvas.line(&[(area.left, middle), (area.right, middle)], Stroke::solid(INK, 1.4))?;
    let groups: Vec<&[(Name, Scored)]> = panel.forecasts.chunk_by(|a, b| a.0 == b.0).collect();
    // Between two pots as much room as for a forecast.
    let places = panel.forecasts.len() + groups.len();
    let step = (area.width() / places.max(1) as f64).min(24.0);
    let mut x = area.left;
    for (k, group) in groups.iter().enumerate() {
        let wide = step * (group.len() + 1) as f64;
        for (i, (_, scored)) in group.iter().enumerate() {
            let ends = scored.said.map(|t| values.held((t - scored.truth) / scored.whole));
            draw_bar(canvas, x + step * (i + 1) as f64, ends, scored.inside())?;
        }
        if k > 0 {
            canvas.line(&[(x, area.top), (x, area.bottom)], Stroke::dashed(GRID, 0.8, 3.0, 3.0))?;
        }
        let set = Type::plain(11.0, FAINT);
        // The last one may go on where no other follows.
        let room = if k + 1 == groups.len() { area.right - x } else { wide };
        let name = canvas.cut(&group[0].0, set, room - 6.0);
        if name.chars().count() > 3 {
            canvas.text((x + 4.0, area.bottom + 12.0), &name, set)?;
        }
        x += wide;
    }
    canvas.frame(area, Stroke::solid(FAINT, 1.0))
}

/// From its lower end over its middle to its upper end.
fn draw_bar<DB: DrawingBackend>(
    canvas: &Canvas<DB>,
    x: f64,
    [low, middle, high]: [f64; 3],
    inside: bool,
) -> Result<(), PlotError> {
    let tone = if inside { CURVE } else { MISSED };
    canvas.line(&[(x, low), (x, high)], Stroke::solid(tone.at(0.75), 2.0))?;
    match inside {
        true => canvas.dot((x, middle), 2.6, tone),
        false => canvas.cross((x, middle), 3.6, Stroke::solid(tone, 1.6)),
    }
}
