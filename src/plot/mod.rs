//! Pictures of report values: one pot's weighings, fit, forecast, handling and air; what a body's
//! pots have taught, and how their water went; how good past forecasts were, of all pots and of
//! one; treatments against each other; when the pots of a kiln load are dry; what is planned for
//! pots.
//!
//! A picture says nothing by colour alone: lines differ by dashes, areas by hatching, and all of
//! them carry words. The font is compiled in.
//!
//! ```no_run
//! # fn show(answer: &warecast::core::report::PotAnswer, at: warecast::units::Time)
//! # -> Result<(), warecast::plot::PlotError> {
//! use warecast::plot::{self, Look};
//! plot::write(answer, "pot-1.svg".as_ref(), &Look::new(at))
//! # }
//! ```

mod axis;
mod canvas;
mod comparison;
mod curves;
mod effects;
mod foretold;
mod grid;
mod lessons;
mod load;
mod picture;
mod plan;
mod record;
mod strips;
mod window;

pub use comparison::Comparison;
pub use curves::{Curve, Curves};
pub use effects::EffectRow;
pub use foretold::{Came, Foretold, Said, Stretch};
pub use load::{LoadPicture, LoadRow};
pub use plan::{PlanPicture, PlanRow};
pub use record::{Panel, Record};

use crate::core::learnt::Learnt;
use crate::core::report::PotAnswer;
use crate::disk;
use crate::units::Time;
use canvas::{Canvas, FINE};
use jiff::tz::TimeZone;
use plotters::backend::{BitMapBackend, DrawingBackend, SVGBackend};
use plotters::drawing::IntoDrawingArea;
use std::io::{Cursor, ErrorKind};
use std::path::{Path, PathBuf};

/// How a picture is to look.
#[derive(Clone, PartialEq, Debug)]
pub struct Look {
    /// The time that the answer was made for: "now" in the picture.
    pub at: Time,
    /// Whose clock the time axis shows.
    pub zone: TimeZone,
    /// Ounces and pounds instead of grams.
    pub us: bool,
    /// Greys only.
    pub greys: bool,
    /// Whether an existing file may be overwritten.
    pub force: bool,
}

impl Look {
    /// Metric, in colour, in UTC, never overwriting.
    pub fn new(at: Time) -> Look {
        Look { at, zone: TimeZone::UTC, us: false, greys: false, force: false }
    }

    /// `as of Wed 2 Apr 2031 18:25`.
    fn as_of(&self) -> String {
        let at = self.zone.to_datetime(self.at.timestamp());
        at.strftime("as of %a %-d %b %Y %H:%M").to_string()
    }
}

/// Why there is no picture.
#[derive(Debug, thiserror::Error)]
pub enum PlotError {
    /// Neither weighings nor a curve.
    #[error("nothing is known about {0} that could be drawn: weigh it first")]
    Nothing(String),
    /// No forecast has been scored.
    #[error("no forecast can be scored yet: weigh pots until they are dry")]
    NoRecord,
    /// No treatment has two weighed pots.
    #[error("nothing can be drawn yet: a treatment wants two pots that were weighed")]
    NoComparison,
    /// No pot to draw.
    #[error("no pot of {0} is drying: there is nothing to draw")]
    NothingDrying(String),
    /// No pot to plan for.
    #[error("no pot is drying: there is no plan to draw")]
    NoPlan,
    /// The file is there.
    #[error("{} exists: take another name with -o, or overwrite it with --force", .0.display())]
    Exists(PathBuf),
    /// Neither SVG nor PNG.
    #[error("{}: a picture's name ends in .svg or .png", .0.display())]
    Format(PathBuf),
    /// The file cannot be written, and why.
    #[error("{} cannot be written: {}", .0.display(), .1)]
    Write(PathBuf, String),
    /// The drawing library gave up.
    #[error("the picture cannot be drawn: {0}")]
    Draw(String),
}

impl PlotError {
    fn draw(error: impl std::fmt::Display) -> PlotError {
        PlotError::Draw(error.to_string())
    }
}

/// Draws the picture of a pot into a file, `.svg` or `.png`.
///
/// # Errors
///
/// Nothing to draw, another ending, a file that exists (unless `force`) or cannot be written.
pub fn write(answer: &PotAnswer, path: &Path, look: &Look) -> Result<(), PlotError> {
    put(path, look, || picture::Picture::new(answer, look))
}

/// Draws what a body's pots have taught into a file, `.svg` or `.png`.
///
/// # Errors
///
/// As [`write()`].
pub fn write_learnt(
    body: &str,
    learnt: &Learnt,
    path: &Path,
    look: &Look,
) -> Result<(), PlotError> {
    put(path, look, || Ok(lessons::Lessons::new(body, learnt, look)))
}

/// Draws how good past forecasts were into a file, `.svg` or `.png`.
///
/// # Errors
///
/// As [`write()`].
pub fn write_record(record: &Record, path: &Path, look: &Look) -> Result<(), PlotError> {
    put(path, look, || record::Picture::new(record, look))
}

/// Draws when the pots of a kiln load are dry into a file, `.svg` or `.png`.
///
/// # Errors
///
/// As [`write()`].
pub fn write_load(load: &LoadPicture, path: &Path, look: &Look) -> Result<(), PlotError> {
    put(path, look, || load::Picture::new(load, look))
}

/// Draws a plan into a file, `.svg` or `.png`.
///
/// # Errors
///
/// As [`write()`].
pub fn write_plan(plan: &PlanPicture, path: &Path, look: &Look) -> Result<(), PlotError> {
    put(path, look, || plan::Picture::new(plan, look))
}

/// Draws treatments against each other into a file, `.svg` or `.png`.
///
/// # Errors
///
/// As [`write()`].
pub fn write_comparison(
    comparison: &Comparison,
    path: &Path,
    look: &Look,
) -> Result<(), PlotError> {
    put(path, look, || comparison::Picture::new(comparison, look))
}

/// What can be drawn on any paper.
trait Drawing {
    /// Width and height, points.
    fn size(&self) -> (u32, u32);
    fn draw<DB: DrawingBackend>(&self, canvas: &Canvas<DB>) -> Result<(), PlotError>;
}

/// Into a file, in the format of its ending; nothing is made where the ending is wrong.
fn put<D: Drawing>(
    path: &Path,
    look: &Look,
    drawing: impl FnOnce() -> Result<D, PlotError>,
) -> Result<(), PlotError> {
    let ending = path.extension().and_then(|e| e.to_str()).map(str::to_ascii_lowercase);
    let bytes = match ending.as_deref() {
        Some("svg") => as_svg(&drawing()?, look)?.into_bytes(),
        Some("png") => as_png(&drawing()?, look)?,
        _ => return Err(PlotError::Format(path.into())),
    };
    disk::save(path, &bytes, look.force).map_err(|error| match error.kind() {
        ErrorKind::AlreadyExists => PlotError::Exists(path.into()),
        _ => PlotError::Write(path.into(), disk::trouble(&error)),
    })
}

/// The picture of a pot as SVG.
///
/// # Errors
///
/// As [`write()`], without those of files.
pub fn svg(answer: &PotAnswer, look: &Look) -> Result<String, PlotError> {
    as_svg(&picture::Picture::new(answer, look)?, look)
}

/// What a body's pots have taught, as SVG.
///
/// # Errors
///
/// The drawing library's.
pub fn svg_learnt(body: &str, learnt: &Learnt, look: &Look) -> Result<String, PlotError> {
    as_svg(&lessons::Lessons::new(body, learnt, look), look)
}

/// How the water of a body's pots went, over each other, as SVG.
///
/// # Errors
///
/// The drawing library's.
pub fn svg_curves(curves: &Curves, look: &Look) -> Result<String, PlotError> {
    as_svg(&curves::Picture::new(curves, look), look)
}

/// What was forecast of a pot against what happened, as SVG.
///
/// # Errors
///
/// The drawing library's.
pub fn svg_foretold(foretold: &Foretold, look: &Look) -> Result<String, PlotError> {
    as_svg(&foretold::Picture::new(foretold, look), look)
}

fn as_svg(drawing: &impl Drawing, look: &Look) -> Result<String, PlotError> {
    let (width, height) = drawing.size();
    let mut text = String::new();
    {
        let size = (width * FINE, height * FINE);
        let area = SVGBackend::with_string(&mut text, size).into_drawing_area();
        drawing.draw(&Canvas::new(&area, false, look.greys)?)?;
        area.present().map_err(PlotError::draw)?;
    }
    // The drawing counts in fine steps; it is shown at the size of the picture.
    let fine = format!("width=\"{}\" height=\"{}\"", width * FINE, height * FINE);
    let shown = format!("role=\"img\" width=\"{width}\" height=\"{height}\"");
    Ok(text.replacen(&fine, &shown, 1))
}

/// The picture of a pot as PNG.
///
/// # Errors
///
/// As [`write()`], without those of files.
pub fn png(answer: &PotAnswer, look: &Look) -> Result<Vec<u8>, PlotError> {
    as_png(&picture::Picture::new(answer, look)?, look)
}

/// Two pixels to a point, smoothed from the finer drawing.
fn as_png(drawing: &impl Drawing, look: &Look) -> Result<Vec<u8>, PlotError> {
    let (width, height) = drawing.size();
    let (fine_width, fine_height) = (width * FINE, height * FINE);
    let mut pixels = vec![0; fine_width as usize * fine_height as usize * 3];
    {
        let size = (fine_width, fine_height);
        let area = BitMapBackend::with_buffer(&mut pixels, size).into_drawing_area();
        drawing.draw(&Canvas::new(&area, true, look.greys)?)?;
        area.present().map_err(PlotError::draw)?;
    }
    let fine = image::RgbImage::from_raw(fine_width, fine_height, pixels)
        .ok_or_else(|| PlotError::Draw("the picture is too large".into()))?;
    let image = image::imageops::thumbnail(&fine, width * 2, height * 2);
    let mut bytes = Cursor::new(Vec::new());
    image.write_to(&mut bytes, image::ImageOutputFormat::Png).map_err(PlotError::draw)?;
    Ok(bytes.into_inner())
}

/// A pot's name as the name of a file: letters, digits, `-`, `_` and inner dots stay, anything
/// else becomes `-`; at most 200 bytes and the ending.
pub fn file_name(pot: &str, ending: &str) -> PathBuf {
    let keep = |c: char| if c.is_alphanumeric() || "-_.".contains(c) { c } else { '-' };
    let mut safe: String = pot.chars().map(keep).collect();
    while safe.len() > 200 {
        safe.pop();
    }
    let safe = safe.trim_matches(['.', '-']);
    PathBuf::from(format!("{}.{ending}", if safe.is_empty() { "pot" } else { safe }))
}
