//! The picture of a comparison: how the water of each treatment's pots went, over time and over
//! the drying dose, each with the band of its mean; beneath, the effects ([`super::effects`]).
//!
//! On the left the clock decides, a wet week included; on the right the same pots stand over what
//! the air had taken up to then: where lines part there, it is not the weather. Treatments differ
//! by dashes and marks and carry their names at the end of their lines.

use super::axis::{Values, decimals, marks};
use super::canvas::{Area, Canvas, Stroke, Tone, Type};
use super::effects::{EffectRow, Effects};
use super::picture::{CURVE, FAINT, INK, LEFT, RIGHT, number};
use super::{Drawing, Look, PlotError, grid};
use crate::core::compare::track::Track;
use crate::core::compare::{Along, Curve, curve};
use crate::records::Name;
use plotters::backend::DrawingBackend;
use plotters::style::RGBColor;

const WIDTH: u32 = 1200;
/// The panels of the curves.
const TOP: f64 = 128.0;
const BOTTOM: f64 = 468.0;
const GAP: f64 = 70.0;
/// The heading of the effects.
const EFFECTS: f64 = 532.0;
/// Steps along a curve.
const GRID_STEPS: usize = 160;
const BROWN: Tone = Tone(RGBColor(142, 88, 8), 1.0);
const GREEN: Tone = Tone(RGBColor(40, 110, 70), 1.0);

/// What is in the picture.
#[derive(Clone, PartialEq, Debug)]
pub struct Comparison<'a> {
    /// Heading.
    pub title: String,
    /// The line under it.
    pub under: String,
    /// The treatments.
    pub treatments: &'a [Name],
    /// Their pots.
    pub tracks: &'a [Track],
    /// How often intervals hold.
    pub level: f64,
    /// The trimming band, where all go by one: mean water from and to, kg/kg dry basis.
    pub band: Option<(f64, f64)>,
    /// The effects.
    pub effects: Vec<EffectRow>,
}

/// The comparison, ready to be drawn.
pub(super) struct Picture<'a> {
    comparison: &'a Comparison<'a>,
    look: &'a Look,
    panels: [Panel; 2],
}

/// One panel of curves.
struct Panel {
    along: Along,
    area: Area,
    most: f64,
    curves: Vec<Curve>,
}

impl Panel {
    fn new(comparison: &Comparison, along: Along, area: Area) -> Panel {
        let tracks = comparison.tracks;
        let ends = tracks.iter().filter_map(|track| track.way.last()).map(|p| match along {
            Along::Time => p.0 / crate::units::HOUR,
            Along::Dose => p.1 / (1000.0 * crate::units::HOUR),
        });
        let most = ends.fold(0.0, f64::max);
        let grid: Vec<f64> =
            (0..=GRID_STEPS).map(|i| most * i as f64 / GRID_STEPS as f64).collect();
        let of = |t: usize| curve(tracks, t, along, &grid, comparison.level);
        let curves = (0..comparison.treatments.len()).map(of).collect();
        Panel { along, area, most, curves }
    }

    fn x(&self, value: f64) -> f64 {
        self.area.left + value / self.most.max(1e-9) * self.area.width()
    }
}

impl<'a> Picture<'a> {
    /// # Errors
    ///
    /// [`PlotError::NoComparison`] if no treatment has two pots with a way.
    pub fn new(comparison: &'a Comparison, look: &'a Look) -> Result<Picture<'a>, PlotError> {
        let half = 0.5 * (RIGHT - LEFT - GAP);
        let area = |left: f64| Area { left, top: TOP, right: left + half, bottom: BOTTOM };
        let panels = [
            Panel::new(comparison, Along::Time, area(LEFT)),
            Panel::new(comparison, Along::Dose, area(LEFT + half + GAP)),
        ];
        if panels[0].curves.iter().all(|curve| curve.points.is_empty()) {
            return Err(PlotError::NoComparison);
        }
        Ok(Picture { comparison, look, panels })
    }

    fn heading<DB: DrawingBackend>(&self, canvas: &Canvas<DB>) -> Result<(), PlotError> {
        let title = Type::plain(25.0, INK).bold();
        canvas.text(
            (LEFT, 34.0),
            &canvas.cut(&self.comparison.title, title, RIGHT - LEFT),
            title,
        )?;
        let under = Type::plain(15.0, FAINT);
        let at = self.look.as_of();
        let room = RIGHT - LEFT - canvas.width(&at, under) - 30.0;
        canvas.text((LEFT, 62.0), &canvas.cut(&self.comparison.under, under, room), under)?;
        canvas.text((RIGHT, 62.0), &at, under.ending())
    }

    fn curves<DB: DrawingBackend>(
        &self,
        canvas: &Canvas<DB>,
        panel: &Panel,
    ) -> Result<(), PlotError> {
        let area = panel.area;
        let (title, unit) = match panel.along {
            Along::Time => ("By the clock", "hours since the wheel"),
            Along::Dose => ("By the air", "drying dose, kPa·h: how dry the air was, times hours"),
        };
        canvas.text((area.left, area.top - 16.0), title, Type::plain(16.0, INK).bold())?;
        let ends = |curve: &Curve| curve.points.iter().map(|p| p.1).fold(0.0, f64::max);
        let high = 100.0 * panel.curves.iter().map(ends).fold(0.05, f64::max);
        let values = Values::exactly(0.0, 1.12 * high, area);
        let set = Type::plain(14.0, FAINT);
        grid::values(canvas, &values, area, (6.0, 14.0, " %"))?;
        let across: Vec<f64> = marks(0.0, panel.most, 6.0);
        let digits = decimals(&across);
        for mark in &across {
            let x = panel.x(*mark);
            canvas.line(&[(x, area.bottom), (x, area.bottom + 5.0)], Stroke::solid(FAINT, 1.0))?;
            canvas.text((x, area.bottom + 16.0), &number(*mark, digits), set.centred())?;
        }
        let middle = 0.5 * (area.left + area.right);
        canvas.text((middle, area.bottom + 38.0), unit, set.centred())?;
        self.band(canvas, area, &values)?;
        let place = |x: f64, water: f64| (panel.x(x), values.held(100.0 * water));
        for (treatment, curve) in panel.curves.iter().enumerate() {
            let above = curve.points.iter().map(|p| place(p.0, p.3));
            let below = curve.points.iter().rev().map(|p| place(p.0, p.2));
            let outline: Vec<(f64, f64)> = above.chain(below).collect();
            if outline.len() > 3 {
                canvas.fill(&outline, hand(treatment).0.at(0.14))?;
            }
        }
        for (treatment, curve) in panel.curves.iter().enumerate() {
            let (tone, stroke) = hand(treatment);
            let way: Vec<(f64, f64)> = curve.points.iter().map(|p| place(p.0, p.1)).collect();
            for low in [true, false] {
                let end = |p: &(f64, f64, f64, f64)| place(p.0, if low { p.2 } else { p.3 });
                let edge: Vec<(f64, f64)> = curve.points.iter().map(end).collect();
                canvas.line(&edge, Stroke::solid(tone.at(0.55), 0.8))?;
            }
            canvas.line(&way, stroke)?;
            for at in way.iter().skip(6 + 5 * treatment).step_by(22) {
                mark(canvas, *at, treatment)?;
            }
        }
        canvas.frame(area, Stroke::solid(FAINT, 1.0))
    }

    /// Between which waters the pots can be trimmed.
    fn band<DB: DrawingBackend>(
        &self,
        canvas: &Canvas<DB>,
        area: Area,
        values: &Values,
    ) -> Result<(), PlotError> {
        let Some((from, to)) = self.comparison.band else { return Ok(()) };
        let [top, bottom] = [from, to].map(|water| values.held(100.0 * water));
        let tone = super::picture::WINDOW.at(0.18);
        canvas.fill_area(Area { top, bottom, ..area }, tone)?;
        for y in [top, bottom] {
            let stroke = Stroke::dashed(super::picture::WINDOW_EDGE, 0.9, 2.0, 3.0);
            canvas.line(&[(area.left, y), (area.right, y)], stroke)?;
        }
        let set = Type::plain(14.0, super::picture::WINDOW_EDGE).ending();
        canvas.text((area.right - 8.0, 0.5 * (top + bottom)), "can be trimmed", set)
    }

    /// The treatments with their hands, in a row.
    fn legend<DB: DrawingBackend>(&self, canvas: &Canvas<DB>) -> Result<(), PlotError> {
        let set = Type::plain(15.0, INK).bold();
        let (mut x, y) = (LEFT + 4.0, 90.0);
        for (treatment, name) in self.comparison.treatments.iter().enumerate() {
            canvas.line(&[(x, y), (x + 44.0, y)], hand(treatment).1)?;
            mark(canvas, (x + 22.0, y), treatment)?;
            let pots = self.comparison.tracks.iter().filter(|t| t.treatment == treatment).count();
            let name = format!("{} ({pots} pots)", canvas.cut(name, set, 200.0));
            canvas.text((x + 52.0, y), &name, set)?;
            x += 52.0 + canvas.width(&name, set) + 30.0;
        }
        let words = format!(
            "mean water, of dry clay; the band holds the mean {:.0} of 100 times",
            100.0 * self.comparison.level
        );
        let set = Type::plain(14.0, FAINT);
        // Where the names leave no room it stands under the panels as well as it can.
        if x + canvas.width(&words, set) <= RIGHT {
            canvas.text((RIGHT, y), &words, set.ending())?;
        }
        Ok(())
    }

    fn effects(&self) -> Effects<'_> {
        Effects::new(&self.comparison.effects, self.comparison.level, EFFECTS)
    }
}

impl Drawing for Picture<'_> {
    fn size(&self) -> (u32, u32) {
        (WIDTH, self.effects().bottom().ceil() as u32)
    }

    fn draw<DB: DrawingBackend>(&self, canvas: &Canvas<DB>) -> Result<(), PlotError> {
        self.heading(canvas)?;
        self.legend(canvas)?;
        for panel in &self.panels {
            self.curves(canvas, panel)?;
        }
        self.effects().draw(canvas)
    }
}

/// How a treatment is drawn.
fn hand(treatment: usize) -> (Tone, Stroke) {
    let tone = [CURVE, BROWN, GREEN][treatment % 3];
    let stroke = match treatment % 4 {
        0 => Stroke::solid(tone, 2.6),
        1 => Stroke::dashed(tone, 2.6, 11.0, 6.0),
        2 => Stroke::dashed(tone, 2.6, 3.0, 5.0),
        _ => Stroke::dashed(tone, 2.6, 20.0, 4.0),
    };
    (tone, stroke)
}

/// A mark on a treatment's line: a dot, a cross, or a square.
fn mark<DB: DrawingBackend>(
    canvas: &Canvas<DB>,
    at: (f64, f64),
    treatment: usize,
) -> Result<(), PlotError> {
    let tone = hand(treatment).0;
    match treatment % 3 {
        0 => canvas.dot(at, 4.4, tone),
        1 => canvas.cross(at, 5.4, Stroke::solid(tone, 2.2)),
        _ => {
            let (left, top) = (at.0 - 4.2, at.1 - 4.2);
            canvas.fill_area(Area { left, top, right: left + 8.4, bottom: top + 8.4 }, tone)
        }
    }
}
