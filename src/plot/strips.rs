//! The lower half of a picture: how the pot was kept, when it can be trimmed, when it will be
//! bone-dry, and the room's deficit.

use super::PlotError;
use super::axis::{Values, decimals};
use super::canvas::{Area, Canvas, Hatch, Stroke, Type};
use super::picture::{
    AIR, CURVE, FAINT, INK, LEFT, Picture, RIGHT, STRIPS_BOTTOM, WINDOW, WINDOW_EDGE, clip,
    cover_hatch, dotted, forecast_stroke, number,
};
use crate::core::report::{FireCall, TrimCall};
use crate::records::Cover;
use crate::units::Time;
use plotters::backend::DrawingBackend;

/// Strip of the covers.
const COVER: Area = Area { left: LEFT, top: 496.0, right: RIGHT, bottom: 520.0 };
/// Strip of the trimming window.
const TRIM: Area = Area { left: LEFT, top: 528.0, right: RIGHT, bottom: 552.0 };
/// Strip of the way to bone-dry.
const DRY: Area = Area { left: LEFT, top: 560.0, right: RIGHT, bottom: STRIPS_BOTTOM };

impl Picture<'_> {
    pub(super) fn strips<DB: DrawingBackend>(&self, canvas: &Canvas<DB>) -> Result<(), PlotError> {
        for (area, name) in [(COVER, "kept"), (TRIM, "to trim"), (DRY, "bone-dry")] {
            let set = Type::plain(12.0, INK).ending();
            canvas.text((LEFT - 8.0, area.middle()), name, set)?;
        }
        self.covers(canvas)?;
        self.trim(canvas)?;
        self.dry(canvas)
    }

    fn covers<DB: DrawingBackend>(&self, canvas: &Canvas<DB>) -> Result<(), PlotError> {
        let mut kept = self.answer.story.covers.clone();
        if kept.is_empty() {
            kept.push((self.times.from, self.answer.cover));
        }
        kept.dedup_by_key(|k| k.1);
        let ends = kept.iter().skip(1).map(|k| k.0).chain([Time::MAX]);
        for ((from, cover), to) in kept.iter().zip(ends) {
            let (left, right) = (self.times.held(*from), self.times.held(to));
            let Some(area) = COVER.between(left, right) else { continue };
            self.cover(canvas, area, *cover, *from > self.look.at)?;
        }
        Ok(())
    }

    fn cover<DB: DrawingBackend>(
        &self,
        canvas: &Canvas<DB>,
        area: Area,
        cover: Cover,
        planned: bool,
    ) -> Result<(), PlotError> {
        if let Some(hatch) = cover_hatch(cover) {
            canvas.hatch(area, hatch, Stroke::solid(FAINT.at(0.55), 0.8))?;
        }
        let edge =
            if planned { Stroke::dashed(INK, 1.0, 5.0, 3.0) } else { Stroke::solid(INK, 1.0) };
        canvas.frame(area, edge)?;
        let words = match planned {
            true => format!("{}, planned", cover.word()),
            false => cover.word().to_string(),
        };
        let set = Type::plain(12.0, INK);
        let words = if canvas.width(&words, set) + 12.0 > area.width() {
            cover.word().to_string()
        } else {
            words
        };
        self.label(canvas, area, &words)
    }

    /// Words on hatching, if they fit.
    fn label<DB: DrawingBackend>(
        &self,
        canvas: &Canvas<DB>,
        area: Area,
        words: &str,
    ) -> Result<(), PlotError> {
        let set = Type::plain(12.0, INK);
        let wide = canvas.width(words, set);
        if wide + 8.0 > area.width() {
            return Ok(());
        }
        canvas.note((area.left + 7.0, area.middle()), words, set)
    }

    /// Perhaps in the window: hatched; in it on the middle forecast: filled.
    fn trim<DB: DrawingBackend>(&self, canvas: &Canvas<DB>) -> Result<(), PlotError> {
        let (opens, closes) = (&self.answer.trim.opens, &self.answer.trim.closes);
        let end = |t: Option<Time>| self.times.held(t.unwrap_or(Time::MAX));
        let perhaps = TRIM.between(end(opens.p10), end(closes.p90));
        if let Some(area) = perhaps {
            canvas.hatch(area, Hatch::Rising, Stroke::solid(WINDOW_EDGE.at(0.6), 0.8))?;
            canvas.frame(area, Stroke::dashed(WINDOW_EDGE, 0.8, 3.0, 2.0))?;
        }
        if let Some(area) = TRIM.between(end(opens.p50), end(closes.p50)) {
            canvas.fill_area(area, WINDOW)?;
            canvas.frame(area, Stroke::solid(WINDOW_EDGE, 1.0))?;
        }
        for time in [opens.p50, closes.p50].into_iter().flatten() {
            if let Some(y) = self.curve_at(time).filter(|_| self.times.holds(time)) {
                let x = self.times.x(time);
                let line = [(x, y), (x, self.masses_bottom())];
                canvas.line(&line, dotted(WINDOW_EDGE))?;
                canvas.dot((x, y), 3.4, WINDOW_EDGE)?;
            }
        }
        let words = match self.answer.trim.call {
            TrimCall::Done => vec!["trimmed".to_string()],
            _ if opens.p10.is_none() => vec!["not within 30 days".to_string()],
            _ => {
                let past = |t: Option<Time>| t.is_some_and(|t| t <= self.look.at);
                let opens_word = if past(opens.p50) { "opened" } else { "opens" };
                let closes_word = if past(closes.p50) { "closed" } else { "closes" };
                let [a, b] = [opens, closes].map(|q| self.interval(q));
                let long = format!("{opens_word} {a}, {closes_word} {b}");
                // Where there is little room the bar alone shows the intervals.
                let middle = |words: &str| words.split(" (").next().unwrap_or(words).to_string();
                let [a, b] = [middle(&a), middle(&b)];
                vec![long, format!("{opens_word} {a}, {closes_word} {b}")]
            }
        };
        let bar = perhaps.unwrap_or(Area { right: LEFT, ..TRIM });
        self.beside(canvas, bar, &words)
    }

    fn dry<DB: DrawingBackend>(&self, canvas: &Canvas<DB>) -> Result<(), PlotError> {
        let q = &self.answer.fire.bone_dry;
        let end = |t: Option<Time>| self.times.held(t.unwrap_or(Time::MAX));
        let y = DRY.middle();
        let (low, high) = (end(q.p10), end(q.p90));
        if q.p10.is_some() {
            let bar = Area { left: low, top: y - 5.0, right: high.max(low + 1.0), bottom: y + 5.0 };
            canvas.fill_area(bar, CURVE.at(0.25))?;
            canvas.line(&[(low, y - 8.0), (low, y + 8.0)], Stroke::solid(CURVE, 1.4))?;
            if q.p90.is_some() {
                canvas.line(&[(high, y - 8.0), (high, y + 8.0)], Stroke::solid(CURVE, 1.4))?;
            }
        }
        if let Some(time) = q.p50.filter(|t| self.times.holds(*t)) {
            let x = self.times.x(time);
            let diamond = [(x - 6.0, y), (x, y - 8.0), (x + 6.0, y), (x, y + 8.0)];
            canvas.fill(&diamond, CURVE)?;
        }
        let mut words = match self.answer.fire.call {
            FireCall::Ready => "no further drying detected in this air".to_string(),
            _ => self.interval(q),
        };
        if let (Some(time), FireCall::Ready) = (q.p50, self.answer.fire.call) {
            let about = self.times.rounded(time, q.told_to());
            words = format!("{words} since about {}", self.times.short(about, self.look.at));
        }
        let left = if q.p10.is_some() { low } else { LEFT };
        let bar = Area { left, right: if q.p10.is_some() { high + 7.0 } else { LEFT }, ..DRY };
        // Below it there is room, too.
        let set = Type::plain(12.0, INK);
        let wide = canvas.width(&words, set);
        let now = self.times.held(self.look.at);
        let free = |left: f64| {
            left > LEFT && left + wide < RIGHT && !(left - 4.0..left + wide + 4.0).contains(&now)
        };
        if !free(bar.right + 8.0) && !free(bar.left - 8.0 - wide) {
            let x = (0.5 * (bar.left + bar.right - wide)).clamp(LEFT, RIGHT - wide);
            return canvas.note((x, DRY.bottom + 10.0), &words, set);
        }
        self.beside(canvas, bar, &[words])
    }

    /// Words right of a bar or else left of it: the first that have room there. None has: on it.
    fn beside<DB: DrawingBackend>(
        &self,
        canvas: &Canvas<DB>,
        bar: Area,
        choices: &[String],
    ) -> Result<(), PlotError> {
        let set = Type::plain(12.0, INK);
        for words in choices {
            let wide = canvas.width(words, set);
            if bar.right + 10.0 + wide < RIGHT {
                return canvas.note((bar.right + 8.0, bar.middle()), words, set);
            } else if bar.left - 10.0 - wide > LEFT {
                return canvas.note((bar.left - 8.0 - wide, bar.middle()), words, set);
            }
        }
        if let Some(words) = choices.last() {
            let wide = canvas.width(words, set);
            let left = (bar.left + 8.0).min(RIGHT - wide - 10.0).max(LEFT + 6.0);
            canvas.note((left, bar.middle()), words, set)?;
        }
        Ok(())
    }

    pub(super) fn deficit<DB: DrawingBackend>(&self, canvas: &Canvas<DB>) -> Result<(), PlotError> {
        let head = Type::plain(12.0, INK);
        let title = "how dry the room is: vapour pressure deficit, kPa";
        canvas.text((LEFT, AIR.top - 13.0), title, head)?;
        let series: Vec<_> = self.answer.story.deficit.iter().map(|(t, p)| (*t, p / 1e3)).collect();
        let seen = clip(&series, self.times.from, self.times.to);
        if seen.is_empty() {
            let words = "no room sensor: an ordinary room is assumed";
            let place = (0.5 * (LEFT + RIGHT), AIR.middle());
            return canvas.text(place, words, Type::plain(12.0, FAINT).centred());
        }
        let high = seen.iter().map(|p| p.1).fold(0.1, f64::max);
        let values = Values::exactly(0.0, 1.08 * high, AIR);
        let marks = values.marks(3.0);
        let digits = decimals(&marks);
        for mark in marks {
            let y = values.y(mark);
            canvas.line(&[(LEFT - 4.0, y), (LEFT, y)], Stroke::solid(FAINT, 0.8))?;
            let set = Type::plain(12.0, FAINT).ending();
            canvas.text((LEFT - 8.0, y), &number(mark, digits), set)?;
        }
        let at = self.look.at;
        for (from, to, stroke) in [
            (self.times.from, at, Stroke::solid(INK, 1.5)),
            (at, self.times.to, Stroke { tone: INK, width: 1.5, ..forecast_stroke() }),
        ] {
            let part = clip(&series, from.max(self.times.from), to.min(self.times.to));
            let line: Vec<_> =
                part.into_iter().map(|(t, p)| (self.times.x(t), values.held(p))).collect();
            canvas.line(&line, stroke)?;
        }
        Ok(())
    }
}
