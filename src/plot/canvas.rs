//! Lines, areas, hatching and words on either kind of paper, in points of the picture.
//!
//! Both papers (SVG and pixels) count in whole numbers, so everything is drawn [`FINE`] times as
//! large. The font is compiled in: nothing depends on the fonts of the machine.

use super::PlotError;
use plotters::backend::DrawingBackend;
use plotters::coord::Shift;
use plotters::drawing::DrawingArea;
use plotters::element::{Circle, PathElement, Polygon, Text};
use plotters::style::text_anchor::{HPos, Pos, VPos};
use plotters::style::{
    Color, FontDesc, FontFamily, FontStyle, RGBAColor, RGBColor, ShapeStyle, TextStyle,
};
use std::sync::OnceLock;

/// Fine steps in a point of the picture.
pub(super) const FINE: u32 = 4;

/// Name of the font: the compiled-in one where pixels are made, else what the reader of an SVG
/// has of a similar width.
const FONT: &str = "DejaVu Sans, Verdana, sans-serif";
/// What the SVG backend divides a font size by.
const FONT_SIZE_TO_EM: f64 = 1.24;

/// A colour with its opacity, 0–1.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(super) struct Tone(pub RGBColor, pub f64);

impl Tone {
    /// The same colour, more or less opaque.
    pub fn at(self, opacity: f64) -> Tone {
        Tone(self.0, opacity)
    }
}

/// A line: tone, width, and lengths of dash and gap (none: solid).
#[derive(Clone, Copy, PartialEq, Debug)]
pub(super) struct Stroke {
    pub tone: Tone,
    pub width: f64,
    pub dash: Option<(f64, f64)>,
}

impl Stroke {
    /// A solid line.
    pub fn solid(tone: Tone, width: f64) -> Stroke {
        Stroke { tone, width, dash: None }
    }

    /// A dashed line.
    pub fn dashed(tone: Tone, width: f64, dash: f64, gap: f64) -> Stroke {
        Stroke { tone, width, dash: Some((dash, gap)) }
    }
}

/// How words are set.
#[derive(Clone, Copy)]
pub(super) struct Type {
    pub size: f64,
    pub bold: bool,
    pub tone: Tone,
    pub anchor: HPos,
}

impl Type {
    /// Plain words that begin at their place.
    pub fn plain(size: f64, tone: Tone) -> Type {
        Type { size, bold: false, tone, anchor: HPos::Left }
    }

    pub fn bold(self) -> Type {
        Type { bold: true, ..self }
    }

    pub fn centred(self) -> Type {
        Type { anchor: HPos::Center, ..self }
    }

    /// Words that end at their place.
    pub fn ending(self) -> Type {
        Type { anchor: HPos::Right, ..self }
    }
}

/// A rectangle in points.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(super) struct Area {
    pub left: f64,
    pub top: f64,
    pub right: f64,
    pub bottom: f64,
}

impl Area {
    pub fn middle(&self) -> f64 {
        0.5 * (self.top + self.bottom)
    }

    pub fn width(&self) -> f64 {
        self.right - self.left
    }

    /// The part between two x, if there is any.
    pub fn between(&self, left: f64, right: f64) -> Option<Area> {
        let part = Area { left: left.max(self.left), right: right.min(self.right), ..*self };
        (part.right > part.left).then_some(part)
    }

    fn corners(&self) -> [(f64, f64); 4] {
        [
            (self.left, self.top),
            (self.right, self.top),
            (self.right, self.bottom),
            (self.left, self.bottom),
        ]
    }
}

/// Patterns that tell areas apart without colour.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Hatch {
    /// Rising lines.
    Rising,
    /// Rising and falling lines.
    Crossed,
    /// Lying lines.
    Lying,
}

/// Paper to draw on.
pub(super) struct Canvas<'a, DB: DrawingBackend> {
    area: &'a DrawingArea<DB, Shift>,
    greys: bool,
    /// How far below its place the backend must be told to set words, in their size, so that
    /// digits and capitals are centred there.
    drop: f64,
}

impl<'a, DB: DrawingBackend> Canvas<'a, DB> {
    /// Paper filled with white, of pixels or else of SVG.
    pub fn new(
        area: &'a DrawingArea<DB, Shift>,
        pixels: bool,
        greys: bool,
    ) -> Result<Self, PlotError> {
        register_font()?;
        area.fill(&RGBColor(255, 255, 255)).map_err(PlotError::draw)?;
        Ok(Canvas { area, greys, drop: if pixels { 0.22 } else { 0.08 } })
    }

    fn colour(&self, tone: Tone) -> RGBAColor {
        let RGBColor(r, g, b) = tone.0;
        let colour = if self.greys {
            // Luma of ITU-R BT.601.
            let grey = 0.299 * f64::from(r) + 0.587 * f64::from(g) + 0.114 * f64::from(b);
            let grey = grey.round() as u8;
            RGBColor(grey, grey, grey)
        } else {
            tone.0
        };
        colour.mix(tone.1)
    }

    pub fn fill(&self, outline: &[(f64, f64)], tone: Tone) -> Result<(), PlotError> {
        let points: Vec<_> = outline.iter().map(|p| fine(*p)).collect();
        self.area.draw(&Polygon::new(points, self.colour(tone))).map_err(PlotError::draw)
    }

    pub fn fill_area(&self, area: Area, tone: Tone) -> Result<(), PlotError> {
        self.fill(&area.corners(), tone)
    }

    pub fn frame(&self, area: Area, stroke: Stroke) -> Result<(), PlotError> {
        let [a, b, c, d] = area.corners();
        self.line(&[a, b, c, d, a], stroke)
    }

    pub fn line(&self, points: &[(f64, f64)], stroke: Stroke) -> Result<(), PlotError> {
        let style = ShapeStyle {
            color: self.colour(stroke.tone),
            filled: false,
            stroke_width: (stroke.width * f64::from(FINE)).round().max(1.0) as u32,
        };
        let whole = [points.to_vec()];
        let dashes = stroke.dash.map(|(dash, gap)| dashes(points, dash, gap));
        for piece in dashes.as_deref().unwrap_or(&whole) {
            let mut path: Vec<_> = piece.iter().map(|p| fine(*p)).collect();
            path.dedup();
            if path.len() > 1 {
                self.area.draw(&PathElement::new(path, style)).map_err(PlotError::draw)?;
            }
        }
        Ok(())
    }

    pub fn dot(&self, at: (f64, f64), radius: f64, tone: Tone) -> Result<(), PlotError> {
        let size = (radius * f64::from(FINE)).round() as i32;
        let style = self.colour(tone).filled();
        self.area.draw(&Circle::new(fine(at), size, style)).map_err(PlotError::draw)
    }

    pub fn cross(&self, (x, y): (f64, f64), reach: f64, stroke: Stroke) -> Result<(), PlotError> {
        self.line(&[(x - reach, y - reach), (x + reach, y + reach)], stroke)?;
        self.line(&[(x - reach, y + reach), (x + reach, y - reach)], stroke)
    }

    /// Hatches an area.
    pub fn hatch(&self, area: Area, hatch: Hatch, stroke: Stroke) -> Result<(), PlotError> {
        const STEP: f64 = 7.0;
        let height = area.bottom - area.top;
        if hatch == Hatch::Lying {
            for i in 1..(height / 4.0).ceil() as usize {
                let y = area.top + 4.0 * i as f64;
                self.line(&[(area.left, y), (area.right, y)], stroke)?;
            }
            return Ok(());
        }
        // Lines at 45°, cut where they leave the area; counted from x = 0 so that neighbours match.
        let first = ((area.left - height) / STEP).floor() as i64;
        let last = (area.right / STEP).ceil() as i64;
        for i in first..=last {
            let foot = i as f64 * STEP;
            let (from, to) = (foot.max(area.left), (foot + height).min(area.right));
            if from < to {
                let up = |x: f64| (x, area.bottom - (x - foot));
                let down = |x: f64| (x, area.top + (x - foot));
                self.line(&[up(from), up(to)], stroke)?;
                if hatch == Hatch::Crossed {
                    self.line(&[down(from), down(to)], stroke)?;
                }
            }
        }
        Ok(())
    }

    /// Words whose middle line lies at y.
    pub fn text(&self, (x, y): (f64, f64), words: &str, set: Type) -> Result<(), PlotError> {
        let words = printable(words);
        let element = Text::new(words, fine((x, y + self.drop * set.size)), self.style(set));
        self.area.draw(&element).map_err(PlotError::draw)
    }

    /// Words that begin at their place, on a bit of paper that keeps them legible.
    pub fn note(&self, (x, y): (f64, f64), words: &str, set: Type) -> Result<(), PlotError> {
        let reach = 0.72 * set.size;
        let right = x + self.width(words, set) + 2.0;
        let under = Area { left: x - 2.0, top: y - reach, right, bottom: y + reach };
        self.fill_area(under, Tone(RGBColor(255, 255, 255), 0.85))?;
        self.text((x, y), words, Type { anchor: HPos::Left, ..set })
    }

    /// Width of words, in points.
    pub fn width(&self, words: &str, set: Type) -> f64 {
        let size = self.area.estimate_text_size(&printable(words), &self.style(set));
        size.map_or(0.0, |(width, _)| f64::from(width) / f64::from(FINE))
    }

    /// As much of the words as fits, with an ellipsis where something is cut off.
    pub fn cut(&self, words: &str, set: Type, room: f64) -> String {
        if self.width(words, set) <= room {
            return words.into();
        }
        let mut kept: Vec<char> = words.chars().collect();
        while kept.pop().is_some() {
            let text: String = kept.iter().collect::<String>().trim_end().to_string() + "…";
            if self.width(&text, set) <= room {
                return text;
            }
        }
        String::new()
    }

    fn style(&self, set: Type) -> TextStyle<'static> {
        let size = set.size * f64::from(FINE) * FONT_SIZE_TO_EM;
        let style = if set.bold { FontStyle::Bold } else { FontStyle::Normal };
        TextStyle {
            font: FontDesc::new(FontFamily::Name(FONT), size, style),
            color: self.colour(set.tone).to_backend_color(),
            pos: Pos::new(set.anchor, VPos::Center),
        }
    }
}

fn fine((x, y): (f64, f64)) -> (i32, i32) {
    let fine = |v: f64| (v * f64::from(FINE)).round() as i32;
    (fine(x), fine(y))
}

/// What a picture file may hold: characters that XML 1.0 cannot hold become U+FFFD.
pub(super) fn printable(words: &str) -> String {
    let fits = |c: char| !c.is_control() && !matches!(c, '\u{fffe}' | '\u{ffff}');
    words.chars().map(|c| if fits(c) { c } else { '\u{fffd}' }).collect()
}

/// Cuts a line into dashes.
fn dashes(points: &[(f64, f64)], dash: f64, gap: f64) -> Vec<Vec<(f64, f64)>> {
    let mut pieces = Vec::new();
    let mut piece: Vec<(f64, f64)> = points.first().copied().into_iter().collect();
    let (mut on, mut left) = (true, dash);
    for ends in points.windows(2) {
        let ((mut x, mut y), (to_x, to_y)) = (ends[0], ends[1]);
        let mut rest = (to_x - x).hypot(to_y - y);
        while rest > left {
            x += (to_x - x) * left / rest;
            y += (to_y - y) * left / rest;
            rest -= left;
            if on {
                piece.push((x, y));
                pieces.push(std::mem::take(&mut piece));
            } else {
                piece = vec![(x, y)];
            }
            on = !on;
            left = if on { dash } else { gap };
        }
        left -= rest;
        if on {
            piece.push((to_x, to_y));
        }
    }
    if piece.len() > 1 {
        pieces.push(piece);
    }
    pieces
}

/// Makes the compiled-in font known, once.
fn register_font() -> Result<(), PlotError> {
    static DONE: OnceLock<bool> = OnceLock::new();
    let done = DONE.get_or_init(|| {
        [(FontStyle::Normal, dejavu::sans::regular()), (FontStyle::Bold, dejavu::sans::bold())]
            .into_iter()
            .all(|(style, bytes)| plotters::style::register_font(FONT, style, bytes).is_ok())
    });
    if *done { Ok(()) } else { Err(PlotError::Draw("the font cannot be read".into())) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn dashes_cover_the_line_without_its_gaps() {
        let pieces = dashes(&[(0.0, 0.0), (3.0, 0.0), (10.0, 0.0)], 2.0, 1.0);
        let length: f64 = pieces.iter().map(|p| p[p.len() - 1].0 - p[0].0).sum();
        assert_eq!(pieces.len(), 4);
        assert!((length - 7.0).abs() < 1e-12, "{pieces:?}");
        assert!(dashes(&[], 2.0, 1.0).is_empty());
    }

    #[test]
    fn what_xml_cannot_hold_is_replaced() {
        assert_eq!(printable("a\u{1}b\u{ffff}<"), "a\u{fffd}b\u{fffd}<");
    }
}
