//! The trimming window among the masses: its band along time, and its name where nothing else lies.

use super::PlotError;
use super::canvas::{Area, Canvas, Stroke, Type};
use super::picture::{LEFT, MASSES, Picture, RIGHT, WINDOW, WINDOW_EDGE, number};
use crate::units::Time;
use plotters::backend::DrawingBackend;

impl Picture<'_> {
    /// The band of masses at which the pot can be trimmed; it steps where the pot was trimmed.
    pub(super) fn window<DB: DrawingBackend>(&self, canvas: &Canvas<DB>) -> Result<(), PlotError> {
        let story = &self.answer.story;
        let (from, to) = story.band;
        if !(from > to && to > 0.0) {
            return Ok(());
        }
        let clay = self.dry_clay_over_time();
        let edge = |water: f64| -> Vec<(f64, f64)> {
            clay.iter().map(|(x, g)| (*x, self.y(g * (1.0 + water)))).collect()
        };
        let (upper, lower) = (edge(from), edge(to));
        let outline: Vec<_> = upper.iter().chain(lower.iter().rev()).copied().collect();
        canvas.fill(&outline, WINDOW.at(0.30))?;
        for line in [&upper, &lower] {
            canvas.line(line, Stroke::dashed(WINDOW_EDGE, 1.0, 2.0, 3.0))?;
        }
        Ok(())
    }

    /// The window's name, in it or beside it, as far right as nothing else lies there.
    pub(super) fn window_words<DB: DrawingBackend>(
        &self,
        canvas: &Canvas<DB>,
    ) -> Result<(), PlotError> {
        let (from, to) = self.answer.story.band;
        if !(from > to && to > 0.0) {
            return Ok(());
        }
        let percent = |x: f64| number(100.0 * x, 1);
        let words = format!("trimming window, {}–{}% water", percent(from), percent(to));
        let set = Type::plain(12.0, WINDOW_EDGE);
        let wide = canvas.width(&words, set);
        let clay = self.dry_clay_over_time();
        let clay_at = |x: f64| clay.iter().rfind(|c| c.0 <= x).or(clay.first()).map(|c| c.1);
        let mut places = Vec::new();
        for k in 0..((RIGHT - LEFT - wide - 16.0) / 12.0).max(0.0) as usize {
            let x = RIGHT - 8.0 - wide - 12.0 * k as f64;
            // Not where it steps.
            let (Some(g), true) = (clay_at(x), clay_at(x) == clay_at(x + wide)) else { continue };
            let (above, below) = (self.y(g * (1.0 + from)), self.y(g * (1.0 + to)));
            let inside = below - above > 18.0;
            let rows =
                if inside { [above + 10.5, below - 10.5, above - 10.5] } else { [above - 10.5; 3] };
            places.push((x, rows.map(|y| y.clamp(MASSES.top + 9.0, MASSES.bottom - 9.0))));
        }
        let rows = (0..3).flat_map(|row| places.iter().map(move |(x, rows)| (*x, rows[row])));
        let free = rows.clone().find(|(x, y)| {
            self.is_free(&Area { left: *x, top: y - 8.0, right: x + wide, bottom: y + 8.0 })
        });
        match free.or(rows.into_iter().next()) {
            Some(place) => canvas.note(place, &words, set),
            None => Ok(()),
        }
    }

    /// Whether neither the curve with its band nor now, a trim or a weighing lies in an area.
    fn is_free(&self, area: &Area) -> bool {
        let story = &self.answer.story;
        let (left, right) = (area.left - 6.0, area.right + 6.0);
        let beside = |t: Time| !(left..=right).contains(&self.times.x(t));
        let over = |low: f64, high: f64| {
            let (top, bottom) = (self.y(high) - 3.0, self.y(low) + 3.0);
            bottom < area.top || top > area.bottom
        };
        // Points of the curve, and the one on either side of the area.
        let x = |i: usize| self.times.x(story.mass[i].0);
        let first = story.mass.partition_point(|(t, _)| self.times.x(*t) < left);
        let curve = (first.saturating_sub(1)..story.mass.len())
            .take_while(|i| *i < first || x(*i) <= right || *i > 0 && x(i - 1) < right);
        beside(self.look.at)
            && story.trims.iter().all(|t| beside(*t))
            && story.weighings.iter().all(|(t, g, _)| beside(*t) || over(*g, *g))
            && curve.into_iter().all(|i| over(story.mass[i].1.p10, story.mass[i].1.p90))
    }

    /// Dry clay (g) along x, in steps: what mass and water of the same moment say, else the
    /// estimate. Smaller changes than a trim or a handle makes are those of two medians.
    fn dry_clay_over_time(&self) -> Vec<(f64, f64)> {
        const STEP: f64 = 0.015;
        let story = &self.answer.story;
        let pairs = story.mass.iter().zip(&story.water);
        let mut runs: Vec<Vec<(f64, f64)>> = Vec::new();
        for ((time, mass), (_, water)) in pairs.filter(|((t, _), _)| self.times.holds(*t)) {
            let grams = mass.p50 / (1.0 + water.p50);
            let point = (self.times.x(*time), grams);
            match runs.last_mut() {
                _ if !grams.is_finite() => {}
                Some(run) if run.last().is_some_and(|l| (grams / l.1 - 1.0).abs() < STEP) => {
                    run.push(point);
                }
                _ => runs.push(vec![point]),
            }
        }
        let mut clay = Vec::new();
        for run in runs {
            let mut grams: Vec<f64> = run.iter().map(|p| p.1).collect();
            grams.sort_by(f64::total_cmp);
            let middle = grams[grams.len() / 2];
            clay.extend([run[0].0, run[run.len() - 1].0].map(|x| (x, middle)));
        }
        let first = clay.first().map_or(self.answer.dry_mass_g.p50, |c| c.1);
        let last = clay.last().map_or(self.answer.dry_mass_g.p50, |c| c.1);
        clay.insert(0, (LEFT, first));
        clay.push((RIGHT, last));
        clay
    }
}
