//! What lies behind and beside more than one picture: the clock under rows, values beside a panel.

use super::PlotError;
use super::axis::{Times, Values, decimals};
use super::canvas::{Area, Canvas, Stroke, Type};
use super::picture::{FAINT, GRID, INK, LEFT, number};
use plotters::backend::DrawingBackend;

/// Least distance of two marks on a clock, points.
const APART: f64 = 68.0;

/// Hours, or days, through rows, and what they are called beneath.
pub(super) fn clock<DB: DrawingBackend>(
    canvas: &Canvas<DB>,
    times: &Times,
    area: Area,
) -> Result<(), PlotError> {
    let (faint, ink) = (Type::plain(13.0, FAINT).centred(), Type::plain(14.0, INK).centred());
    let fits = |(from, to, name): &(f64, f64, String)| to - from > canvas.width(name, ink) + 6.0;
    let days: Vec<_> = times.day_names().into_iter().filter(fits).collect();
    for mark in times.marks(APART) {
        let width = if mark.midnight { 1.4 } else { 0.8 };
        canvas.line(&[(mark.x, area.top), (mark.x, area.bottom)], Stroke::solid(GRID, width))?;
        // Days that have their names need no dates.
        if mark.label.contains(':') || days.is_empty() {
            canvas.text((mark.x, area.bottom + 14.0), &mark.label, faint)?;
        }
    }
    for (from, to, name) in days {
        canvas.text((0.5 * (from + to), area.bottom + 35.0), &name, ink)?;
    }
    canvas.line(&[(area.left, area.bottom), (area.right, area.bottom)], Stroke::solid(FAINT, 0.8))
}

/// One line of a caution, points.
const CAUTION_LINE: f64 = 19.0;

/// So much lower is a picture with a caution beneath, points.
pub(super) fn caution_height(lines: &[&str]) -> f64 {
    match lines.len() {
        0 => 0.0,
        n => 8.0 + CAUTION_LINE * n as f64,
    }
}

/// The caution at the lower end of a picture of that height.
pub(super) fn caution<DB: DrawingBackend>(
    canvas: &Canvas<DB>,
    lines: &[&str],
    height: f64,
) -> Result<(), PlotError> {
    for (line, up) in lines.iter().rev().zip(0..) {
        let y = height - 18.0 - CAUTION_LINE * f64::from(up);
        canvas.text((LEFT, y), line, Type::plain(14.0, INK))?;
    }
    Ok(())
}

/// About `count` round values across a panel, in so large a type and with their unit.
pub(super) fn values<DB: DrawingBackend>(
    canvas: &Canvas<DB>,
    values: &Values,
    area: Area,
    (count, size, unit): (f64, f64, &str),
) -> Result<(), PlotError> {
    let marks = values.marks(count);
    let digits = decimals(&marks);
    for mark in marks {
        let y = values.y(mark);
        canvas.line(&[(area.left, y), (area.right, y)], Stroke::solid(GRID, 0.8))?;
        let words = format!("{}{unit}", number(mark, digits));
        canvas.text((area.left - 8.0, y), &words, Type::plain(size, FAINT).ending())?;
    }
    Ok(())
}
