//! The picture of one pot: heading, masses over time, and how the panels hang together.
//!
//! From top to bottom: who and how wet; weighings with the fitted and forecast mass, its 80 % band
//! and the trimming window; how it was kept, when it can be trimmed, when it will be bone-dry
//! (see [`super::strips`]); the room's deficit; the time axis; what speaks against it all.

use super::axis::{Times, Values, decimals};
use super::canvas::{Area, Canvas, Hatch, Stroke, Tone, Type};
use super::{Drawing, Look, PlotError, grid};
use crate::core::report::{FireCall, PotAnswer, Quantiles, TimeQuantiles, TrimCall};
use crate::units::{DAY, GRAMS_PER_OUNCE, GRAMS_PER_POUND, HOUR, Time};
use plotters::backend::DrawingBackend;
use plotters::style::RGBColor;
use std::collections::HashSet;

/// Width of the picture, points.
const WIDTH: f64 = 1200.0;
/// Left and right edge of the panels.
pub(super) const LEFT: f64 = 92.0;
pub(super) const RIGHT: f64 = WIDTH - 92.0;
/// Panel of the masses.
pub(super) const MASSES: Area = Area { left: LEFT, top: 122.0, right: RIGHT, bottom: 482.0 };
/// Panel of the deficit.
pub(super) const AIR: Area = Area { left: LEFT, top: 626.0, right: RIGHT, bottom: 700.0 };
/// Bottom of the strips between them.
pub(super) const STRIPS_BOTTOM: f64 = 584.0;
/// First line of the notes.
const NOTES: f64 = 762.0;
const NOTE_STEP: f64 = 18.0;
/// Most warnings that are written out.
const MOST_NOTES: usize = 4;

pub(super) const INK: Tone = Tone(RGBColor(32, 32, 36), 1.0);
pub(super) const FAINT: Tone = Tone(RGBColor(105, 105, 110), 1.0);
pub(super) const GRID: Tone = Tone(RGBColor(226, 226, 230), 1.0);
const MIDNIGHT: Tone = Tone(RGBColor(188, 188, 196), 1.0);
pub(super) const CURVE: Tone = Tone(RGBColor(24, 72, 120), 1.0);
pub(super) const WINDOW: Tone = Tone(RGBColor(236, 170, 60), 1.0);
pub(super) const WINDOW_EDGE: Tone = Tone(RGBColor(142, 88, 8), 1.0);
const TRIMMED: Tone = Tone(RGBColor(158, 48, 28), 1.0);

/// Everything that is to be drawn, ready to be drawn on any paper.
pub(super) struct Picture<'a> {
    pub(super) answer: &'a PotAnswer,
    pub(super) look: &'a Look,
    pub(super) times: Times,
    masses: Values,
    /// Name of the mass unit, and its grams.
    unit: (&'static str, f64),
}

impl<'a> Picture<'a> {
    /// # Errors
    ///
    /// [`PlotError::Nothing`] if there are neither weighings nor a curve.
    pub fn new(answer: &'a PotAnswer, look: &'a Look) -> Result<Picture<'a>, PlotError> {
        let story = &answer.story;
        if story.weighings.is_empty() && story.mass.is_empty() {
            return Err(PlotError::Nothing(answer.pot.clone()));
        }
        let (from, to) = stretch(answer, look.at);
        let times = Times::new(from, to, MASSES, look.zone.clone());
        let weighed = story.weighings.iter().filter(|(_, _, used)| *used).map(|(t, g, _)| (*t, *g));
        let curve = story.mass.iter().flat_map(|(t, q)| [(*t, q.p10), (*t, q.p90)]);
        let seen: Vec<f64> = weighed
            .chain(curve)
            .filter(|(t, g)| times.holds(*t) && g.is_finite())
            .map(|(_, g)| g)
            .chain(Some(answer.dry_mass_g.p10).filter(|g| g.is_finite()))
            .collect();
        let low = seen.iter().copied().fold(f64::INFINITY, f64::min);
        let high = seen.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        if low > high {
            return Err(PlotError::Nothing(answer.pot.clone()));
        }
        let unit = match (look.us, high) {
            (true, g) if g < 10.0 * GRAMS_PER_POUND => ("oz", GRAMS_PER_OUNCE),
            (true, _) => ("lb", GRAMS_PER_POUND),
            (false, g) if g < 10_000.0 => ("g", 1.0),
            (false, _) => ("kg", 1000.0),
        };
        let masses = Values::spanning(low / unit.1, high / unit.1, MASSES);
        Ok(Picture { answer, look, times, masses, unit })
    }
}

impl Drawing for Picture<'_> {
    fn size(&self) -> (u32, u32) {
        let notes = self.answer.warnings.len().min(MOST_NOTES + 1) as f64;
        (WIDTH as u32, (NOTES + NOTE_STEP * notes).ceil() as u32)
    }

    fn draw<DB: DrawingBackend>(&self, canvas: &Canvas<DB>) -> Result<(), PlotError> {
        self.heading(canvas)?;
        self.legend(canvas)?;
        self.window(canvas)?;
        self.grid(canvas)?;
        self.weighings(canvas)?;
        self.curve(canvas)?;
        self.window_words(canvas)?;
        self.now(canvas)?;
        self.strips(canvas)?;
        self.deficit(canvas)?;
        self.dry_clay(canvas)?;
        self.events(canvas)?;
        self.frames(canvas)?;
        self.notes(canvas)
    }
}

impl Picture<'_> {
    fn heading<DB: DrawingBackend>(&self, canvas: &Canvas<DB>) -> Result<(), PlotError> {
        let a = self.answer;
        let title = Type::plain(25.0, INK).bold();
        let calls = format!("{} · {}", trim_words(a.trim.call), fire_words(a.fire.call));
        let calls_type = Type::plain(16.0, INK).ending();
        let room = RIGHT - LEFT - canvas.width(&calls, calls_type) - 30.0;
        canvas.text((LEFT, 34.0), &canvas.cut(&a.pot, title, room), title)?;
        canvas.text((RIGHT, 36.0), &calls, calls_type)?;
        let line = format!(
            "{} · {} · water {} of its dry clay",
            a.body,
            a.stage.words(),
            percents(&a.water.now),
        );
        let at = self.look.as_of();
        let under = Type::plain(14.0, FAINT);
        let room = RIGHT - LEFT - canvas.width(&at, under) - 30.0;
        canvas.text((LEFT, 62.0), &canvas.cut(&line, under, room), under)?;
        canvas.text((RIGHT, 62.0), &at, under.ending())
    }

    fn legend<DB: DrawingBackend>(&self, canvas: &Canvas<DB>) -> Result<(), PlotError> {
        let set = Type::plain(12.0, FAINT);
        let story = &self.answer.story;
        let (mut x, y) = (LEFT + 6.0, 90.0);
        let word = |x: &mut f64, words: &str| {
            canvas.text((*x, y), words, set)?;
            *x += canvas.width(words, set) + 24.0;
            Ok::<(), PlotError>(())
        };
        if story.weighings.iter().any(|w| w.2) {
            canvas.dot((x, y), 2.6, INK)?;
            x += 10.0;
            word(&mut x, "weighed")?;
        }
        let left_out = story.weighings.iter().filter(|w| !w.2).count();
        if left_out > 0 {
            canvas.cross((x, y), 3.5, Stroke::solid(INK, 1.2))?;
            x += 10.0;
            let shown = story.weighings.iter().filter(|w| !w.2 && self.holds(w)).count();
            let where_from = match left_out - shown {
                0 => String::new(),
                _ if shown == 0 => ", off the picture".into(),
                outside => format!(", {outside} off the picture"),
            };
            word(&mut x, &format!("left out of the fit ({left_out}{where_from})"))?;
        }
        if !story.mass.is_empty() {
            canvas.line(&[(x, y), (x + 30.0, y)], Stroke::solid(CURVE, 2.2))?;
            x += 38.0;
            word(&mut x, "fitted")?;
            canvas.line(&[(x, y), (x + 30.0, y)], forecast_stroke())?;
            x += 38.0;
            word(&mut x, "forecast")?;
            let band = Area { left: x, top: y - 6.0, right: x + 30.0, bottom: y + 6.0 };
            canvas.fill_area(band, CURVE.at(0.2))?;
            x += 38.0;
            word(&mut x, "8 of 10 cases")?;
        }
        Ok(())
    }

    fn grid<DB: DrawingBackend>(&self, canvas: &Canvas<DB>) -> Result<(), PlotError> {
        for mark in self.times.marks(62.0) {
            let tone = if mark.midnight { MIDNIGHT } else { GRID };
            for area in [MASSES, AIR] {
                let line = [(mark.x, area.top), (mark.x, area.bottom)];
                canvas.line(&line, Stroke::solid(tone, 0.8))?;
            }
            let set = Type::plain(12.0, FAINT).centred();
            canvas.text((mark.x, AIR.bottom + 13.0), &mark.label, set)?;
        }
        if self.times.marks(62.0).iter().any(|mark| !mark.midnight) {
            let set = Type::plain(12.0, INK);
            for (from, to, name) in self.times.day_names() {
                if to - from > canvas.width(&name, set) + 8.0 {
                    canvas.text((from + 4.0, AIR.bottom + 31.0), &name, set)?;
                }
                if from > LEFT {
                    let line = [(from, AIR.bottom), (from, AIR.bottom + 38.0)];
                    canvas.line(&line, Stroke::solid(MIDNIGHT, 0.8))?;
                }
            }
        }
        grid::values(canvas, &self.masses, MASSES, (7.0, 12.0, ""))?;
        let head = Type::plain(12.0, INK);
        let title = format!("mass, {}", self.unit.0);
        canvas.text((LEFT - 8.0, MASSES.top - 28.0), &title, head.ending())?;
        canvas.text((LEFT - 8.0, MASSES.top - 14.0), "without tare", head.ending())?;
        self.water_marks(canvas)
    }

    /// Water on the right: what each mass means for the clay that the pot has now.
    fn water_marks<DB: DrawingBackend>(&self, canvas: &Canvas<DB>) -> Result<(), PlotError> {
        let story = &self.answer.story;
        let dry = self.answer.dry_mass_g.p50;
        if !dry.is_finite() || dry <= 0.0 {
            return Ok(());
        }
        let held = |y: f64| 100.0 * (self.unit.1 * self.masses.value(y) / dry - 1.0);
        let scale = Values::exactly(held(MASSES.bottom), held(MASSES.top), MASSES);
        // Before the last trim the same masses meant less water: no marks for what never was.
        let last_trim = story.trims.iter().copied().max().unwrap_or(Time::MIN);
        let since = story.water.iter().filter(|(t, _)| *t >= last_trim).map(|(_, q)| q.p90);
        let most = 100.0 * since.fold(story.band.0, f64::max);
        let marks = scale.marks(8.0).into_iter().filter(|m| (0.0..=most).contains(m));
        let marks: Vec<f64> = marks.collect();
        let digits = decimals(&marks);
        for mark in marks {
            let y = scale.y(mark);
            canvas.line(&[(RIGHT, y), (RIGHT + 5.0, y)], Stroke::solid(FAINT, 0.8))?;
            let words = number(mark, digits);
            canvas.text((RIGHT + 9.0, y), &words, Type::plain(12.0, FAINT))?;
        }
        canvas.text((RIGHT + 9.0, MASSES.top - 14.0), "water, %", Type::plain(12.0, INK))
    }

    fn curve<DB: DrawingBackend>(&self, canvas: &Canvas<DB>) -> Result<(), PlotError> {
        let at = self.look.at;
        let path = |pick: fn(&Quantiles) -> f64, from: Time, to: Time| -> Vec<(f64, f64)> {
            let series: Vec<_> =
                self.answer.story.mass.iter().map(|(t, q)| (*t, pick(q))).collect();
            let part = clip(&series, from.max(self.times.from), to.min(self.times.to));
            part.into_iter().map(|(t, g)| (self.times.x(t), self.y(g))).collect()
        };
        for (from, to, opacity) in [(Time::MIN, at, 0.24), (at, Time::MAX, 0.15)] {
            let (low, high) = (path(|q| q.p10, from, to), path(|q| q.p90, from, to));
            let outline: Vec<_> = low.iter().chain(high.iter().rev()).copied().collect();
            if outline.len() > 2 {
                canvas.fill(&outline, CURVE.at(opacity))?;
                for edge in [&low, &high] {
                    canvas.line(edge, Stroke::solid(CURVE.at(0.45), 0.7))?;
                }
            }
        }
        canvas.line(&path(|q| q.p50, Time::MIN, at), Stroke::solid(CURVE, 2.2))?;
        canvas.line(&path(|q| q.p50, at, Time::MAX), forecast_stroke())
    }

    /// Weighings; of those that would fall on the same spot one is drawn.
    /// Whether a weighing lies in the picture: one of a pot that was lifted off may not.
    fn holds(&self, (time, grams, _): &(Time, f64, bool)) -> bool {
        self.times.holds(*time) && self.masses.holds(grams / self.unit.1)
    }

    fn weighings<DB: DrawingBackend>(&self, canvas: &Canvas<DB>) -> Result<(), PlotError> {
        let all = &self.answer.story.weighings;
        let radius = if all.len() > 400 { 1.5 } else { 2.2 };
        let mut drawn = HashSet::new();
        for weighing @ (time, grams, used) in all {
            if !self.holds(weighing) {
                continue;
            }
            let value = grams / self.unit.1;
            let place = (self.times.x(*time), self.masses.y(value));
            let spot = ((place.0 * 1.5) as i64, (place.1 * 1.5) as i64, *used);
            if !drawn.insert(spot) {
                continue;
            }
            if *used {
                canvas.dot(place, radius, INK.at(0.85))?;
            } else {
                canvas.cross(place, 3.0, Stroke::solid(INK, 1.1))?;
            }
        }
        Ok(())
    }

    fn dry_clay<DB: DrawingBackend>(&self, canvas: &Canvas<DB>) -> Result<(), PlotError> {
        let dry = &self.answer.dry_mass_g;
        if !dry.p50.is_finite() || !self.masses.holds(dry.p50 / self.unit.1) {
            return Ok(());
        }
        let y = self.y(dry.p50);
        canvas.line(&[(LEFT, y), (RIGHT, y)], Stroke::dashed(FAINT, 1.0, 8.0, 5.0))?;
        let digits = if self.unit.1 > 1.0 { 1 } else { 0 };
        let [low, middle, high] =
            [dry.p10, dry.p50, dry.p90].map(|g| number(g / self.unit.1, digits));
        let words = format!("dry clay {middle} {} ({low}–{high})", self.unit.0);
        canvas.note((LEFT + 8.0, y - 11.0), &words, Type::plain(12.0, FAINT))
    }

    fn now<DB: DrawingBackend>(&self, canvas: &Canvas<DB>) -> Result<(), PlotError> {
        let now = self.times.held(self.look.at);
        for (top, bottom) in [(MASSES.top - 6.0, STRIPS_BOTTOM), (AIR.top, AIR.bottom)] {
            canvas.line(&[(now, top), (now, bottom)], Stroke::solid(INK, 1.4))?;
        }
        let words = format!("now {}", self.times.words(self.look.at, "%H:%M"));
        let set = Type::plain(12.0, INK).bold();
        let half = 0.5 * canvas.width(&words, set);
        let x = now.clamp(LEFT + half, RIGHT - half);
        canvas.text((x, MASSES.top - 14.0), &words, set.centred())
    }

    /// Trims, and what was found.
    fn events<DB: DrawingBackend>(&self, canvas: &Canvas<DB>) -> Result<(), PlotError> {
        let found = &self.answer.found;
        let near = |t: Time| found.iter().find(|f| f.action == "trim" && near_in_time(f.time, t));
        let trims = self.answer.story.trims.iter().map(|t| match near(*t) {
            Some(f) => (*t, format!("trim, found ({}%)", number(100.0 * f.probability, 0))),
            None => (*t, "trim".to_string()),
        });
        let is_drawn = |t: Time| self.answer.story.trims.iter().any(|s| near_in_time(t, *s));
        let others = found.iter().filter(|f| f.action != "trim" || !is_drawn(f.time)).map(|f| {
            let sure = number(100.0 * f.probability, 0);
            (f.time, format!("{}, found ({sure}%)", f.action))
        });
        for (row, (time, words)) in trims.chain(others).enumerate() {
            if !self.times.holds(time) {
                continue;
            }
            let x = self.times.x(time);
            canvas.line(&[(x, MASSES.top), (x, MASSES.bottom)], dotted(TRIMMED))?;
            let top = MASSES.top;
            canvas.fill(&[(x - 6.0, top), (x + 6.0, top), (x, top + 10.0)], TRIMMED)?;
            // Neighbours take turns in height, so that their words do not meet.
            let y = top + 18.0 + 16.0 * (row % 3) as f64;
            let set = Type::plain(12.0, TRIMMED).bold();
            let wide = canvas.width(&words, set);
            let place = if x + wide + 10.0 < RIGHT { x + 6.0 } else { x - 6.0 - wide };
            canvas.note((place, y), &words, set)?;
        }
        Ok(())
    }

    fn frames<DB: DrawingBackend>(&self, canvas: &Canvas<DB>) -> Result<(), PlotError> {
        for area in [MASSES, AIR] {
            canvas.frame(area, Stroke::solid(FAINT, 1.0))?;
        }
        Ok(())
    }

    fn notes<DB: DrawingBackend>(&self, canvas: &Canvas<DB>) -> Result<(), PlotError> {
        let set = Type::plain(12.0, INK);
        let warnings = &self.answer.warnings;
        let mut lines: Vec<String> =
            warnings.iter().take(MOST_NOTES).map(|w| format!("! {}", w.text)).collect();
        if warnings.len() > MOST_NOTES {
            lines.push(format!("and {} more", warnings.len() - MOST_NOTES));
        }
        for (i, line) in lines.iter().enumerate() {
            let y = NOTES + NOTE_STEP * i as f64;
            canvas.text((LEFT, y), &canvas.cut(line, set, RIGHT - LEFT), set)?;
        }
        Ok(())
    }

    /// Grams to y, held inside the panel.
    pub(super) fn y(&self, grams: f64) -> f64 {
        self.masses.held(grams / self.unit.1)
    }

    /// y at which the middle of the curve passes at a time, if it does.
    pub(super) fn curve_at(&self, time: Time) -> Option<f64> {
        let series: Vec<_> = self.answer.story.mass.iter().map(|(t, q)| (*t, q.p50)).collect();
        clip(&series, time, time).first().map(|(_, g)| self.y(*g))
    }

    /// A time with the interval in which it lies in 8 of 10 cases, no finer than it is sure:
    /// `16:40 (16:05 – 17:30)`.
    pub(super) fn interval(&self, q: &TimeQuantiles) -> String {
        let told = |t: Option<Time>| t.map(|t| self.times.rounded(t, q.told_to()));
        self.times.interval([q.p10, q.p50, q.p90].map(told), self.look.at)
    }

    /// Bottom of the panel of the masses.
    pub(super) fn masses_bottom(&self) -> f64 {
        MASSES.bottom
    }
}

pub(super) fn dotted(tone: Tone) -> Stroke {
    Stroke::dashed(tone, 1.0, 1.5, 3.0)
}

pub(super) fn forecast_stroke() -> Stroke {
    Stroke::dashed(CURVE, 2.2, 9.0, 5.0)
}

/// Hatching of how a pot is kept.
pub(super) fn cover_hatch(cover: crate::records::Cover) -> Option<Hatch> {
    use crate::records::Cover;
    match cover {
        Cover::Open => None,
        Cover::Draped => Some(Hatch::Rising),
        Cover::Wrapped => Some(Hatch::Crossed),
        Cover::Cupboard => Some(Hatch::Lying),
    }
}

/// A number with so many digits behind the point, and never a negative zero.
pub(super) fn number(value: f64, digits: usize) -> String {
    let text = format!("{value:.digits$}");
    let zero = text.trim_start_matches('-').chars().all(|c| c == '0' || c == '.');
    let text = if zero { text.trim_start_matches('-').to_string() } else { text };
    match text.split_once('.') {
        Some((whole, rest)) if rest.chars().all(|c| c == '0') && digits == 1 => whole.to_string(),
        _ => text,
    }
}

fn percents(q: &Quantiles) -> String {
    let digits = usize::from(100.0 * q.p90 < 9.95);
    let [low, middle, high] = [q.p10, q.p50, q.p90].map(|x| number(100.0 * x, digits));
    format!("{middle}% ({low}–{high})")
}

fn near_in_time(a: Time, b: Time) -> bool {
    a.since(b).abs() < 60.0
}

fn trim_words(call: TrimCall) -> &'static str {
    match call {
        TrimCall::Wait => "not yet to be trimmed",
        TrimCall::Soon => "trim within 2 h",
        TrimCall::Now => "trim now",
        TrimCall::Past => "too stiff to trim",
        TrimCall::Done => "trimmed",
    }
}

fn fire_words(call: FireCall) -> &'static str {
    match call {
        FireCall::Wait => "still drying",
        FireCall::Doubtful => "dry on the mean, but doubtful",
        FireCall::Ready => "no further drying detected in this air",
    }
}

/// From when to when the picture goes: from the making to a little past the last that is awaited.
fn stretch(answer: &PotAnswer, at: Time) -> (Time, Time) {
    let story = &answer.story;
    let first = story.weighings.first().map_or(at, |w| w.0);
    let from = answer.made_at.min(first).min(at);
    let awaited = [&answer.trim.opens, &answer.trim.closes, &answer.fire.bone_dry]
        .into_iter()
        .flat_map(|q| [q.p10, q.p50, q.p90])
        .flatten();
    let last = story.weighings.last().map_or(at, |w| w.0);
    let known = awaited.chain([at, last]).max().unwrap_or(at);
    // What never comes within the horizon is shown as far as twice the time so far.
    let open_end = answer.fire.bone_dry.p90.is_none();
    let drawn = story.mass.last().map_or(at, |m| m.0);
    let far = at.plus(at.since(from).max(DAY));
    let to = if open_end { known.max(far.min(drawn)) } else { known };
    let room = 0.06 * to.since(from).max(HOUR);
    (from.plus(-0.01 * to.since(from)), to.plus(room))
}

/// The part of a series between two times, with its ends drawn in between neighbours.
pub(super) fn clip(series: &[(Time, f64)], from: Time, to: Time) -> Vec<(Time, f64)> {
    let sound: Vec<_> = series.iter().copied().filter(|(_, v)| v.is_finite()).collect();
    let between = |at: Time| {
        let after = sound.partition_point(|(t, _)| *t < at);
        let (t1, v1) = *sound.get(after)?;
        if t1 == at {
            return Some((at, v1));
        }
        let (t0, v0) = *sound.get(after.checked_sub(1)?)?;
        Some((at, v0 + (v1 - v0) * at.since(t0) / t1.since(t0)))
    };
    if from > to {
        return Vec::new();
    }
    let inner = sound.iter().copied().filter(|(t, _)| *t > from && *t < to);
    let mut part: Vec<_> = between(from).into_iter().chain(inner).collect();
    part.extend(between(to).filter(|_| to > from));
    part
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn clipping_draws_ends_between_neighbours() {
        let series = [(Time(0), 0.0), (Time(10), 10.0), (Time(20), f64::NAN), (Time(30), 30.0)];
        assert_eq!(
            clip(&series, Time(5), Time(20)),
            [(Time(5), 5.0), (Time(10), 10.0), (Time(20), 20.0)]
        );
        assert_eq!(clip(&series, Time(25), Time(25)), [(Time(25), 25.0)]);
        assert_eq!(clip(&series, Time(40), Time(50)), []);
        assert_eq!(clip(&[], Time(0), Time(50)), []);
    }

    #[test]
    fn numbers_read_well() {
        assert_eq!(number(-0.04, 1), "0");
        assert_eq!(number(16.0, 1), "16");
        assert_eq!(number(17.65, 1), "17.6");
        assert_eq!(number(0.25, 2), "0.25");
        assert_eq!(number(100.0, 0), "100");
    }
}
