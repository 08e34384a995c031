//! How good past forecasts were: errors, intervals that held, calls.
//!
//! A forecast of a time is three quantiles; what it is worth is told by its error, by whether the
//! truth lay inside, and by the interval score, which is small only for an interval that is both
//! narrow and right (Gneiting & Raftery, J. Am. Stat. Assoc. 102 (2007) 359, eq. 43):
//!
//! ```text
//! S = (u − l) + 2/α · max(l − x, 0) + 2/α · max(x − u, 0),    α = 0.2 for 80 %
//! ```

use super::forecast::HORIZON;
use super::handling::median;
use super::report::{FireCall, PotAnswer, TimeQuantiles, TrimCall};
use crate::units::{DAY, HOUR, Time};
use serde::Serialize;

/// When pots are asked about: ages, and the steps of the clock (UTC) to which each is put off, s.
pub const ASKED: [(f64, f64); 7] = [
    (3.0 * HOUR, HOUR),
    (6.0 * HOUR, HOUR),
    (12.0 * HOUR, 3.0 * HOUR),
    (24.0 * HOUR, 6.0 * HOUR),
    (48.0 * HOUR, 12.0 * HOUR),
    (96.0 * HOUR, DAY),
    (192.0 * HOUR, DAY),
];

/// When a pot is asked about that was weighed for the last time at `until`: nothing is known of
/// what came after that.
pub fn questions(made_at: Time, until: Time) -> impl Iterator<Item = Time> {
    let put_off = move |(age, step): (f64, f64)| {
        let due = made_at.plus(age).seconds();
        Time::from_seconds((due / step).ceil() * step)
    };
    ASKED.map(put_off).into_iter().filter(move |t| *t <= until)
}

/// What is forecast.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Event {
    /// Mean water passes the band's upper limit.
    Opens,
    /// Mean water passes the band's lower limit.
    Closes,
    /// Mean free water falls to 0.005.
    BoneDry,
}

impl Event {
    /// All, in order of time.
    pub const ALL: [Event; 3] = [Event::Opens, Event::Closes, Event::BoneDry];

    /// What an answer says of it.
    pub fn of(self, answer: &PotAnswer) -> TimeQuantiles {
        match self {
            Event::Opens => answer.trim.opens,
            Event::Closes => answer.trim.closes,
            Event::BoneDry => answer.fire.bone_dry,
        }
    }
}

/// Share of the truths that intervals promise to hold.
pub const LEVEL: f64 = 0.8;
/// Share that may lie outside: 1 − [`LEVEL`].
const ALPHA: f64 = 0.2;

/// A forecast of a time with what became of it; all in seconds after it was asked for.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Scored {
    /// 10 %, 50 % and 90 % of the forecast, no later than the horizon.
    pub said: [f64; 3],
    /// What happened, no later than the horizon.
    pub truth: f64,
    /// From when the pot was made to what happened.
    pub whole: f64,
}

impl Scored {
    /// A forecast asked for at a time about a pot, and what happened; what lies beyond the horizon
    /// is taken for the horizon.
    pub fn new(made_at: Time, asked_at: Time, said: &TimeQuantiles, truth: Time) -> Scored {
        let ahead = |t: Time| t.since(asked_at).min(HORIZON);
        Scored {
            said: [said.p10, said.p50, said.p90].map(|t| t.map_or(HORIZON, ahead)),
            truth: ahead(truth),
            whole: truth.since(made_at),
        }
    }

    /// The middle of the forecast less the truth, s: positive where it came sooner than said.
    pub fn error(&self) -> f64 {
        self.said[1] - self.truth
    }

    /// Whether the truth lay within the 80 % interval.
    pub fn inside(&self) -> bool {
        self.said[0] <= self.truth && self.truth <= self.said[2]
    }

    /// The interval's width, s.
    pub fn width(&self) -> f64 {
        self.said[2] - self.said[0]
    }

    /// The interval score, s (eq. 43): 2/α = 10.
    pub fn interval_score(&self) -> f64 {
        let [low, _, high] = self.said;
        let missed = (low - self.truth).max(0.0) + (self.truth - high).max(0.0);
        self.width() + 2.0 / ALPHA * missed
    }

    /// The [`ratio`] of the interval: its halves count as a minute at least, times are told no
    /// finer.
    pub fn ratio(&self) -> f64 {
        ratio(self.said, self.truth, 60.0)
    }
}

/// By how much an interval (10 %, 50 %, 90 %) would have to be stretched about its median for the
/// truth to lie on its edge: at most 1 where it lay inside. A half of it counts as `least` at
/// least.
pub fn ratio([low, middle, high]: [f64; 3], truth: f64, least: f64) -> f64 {
    let off = truth - middle;
    let half = if off < 0.0 { middle - low } else { high - middle };
    off.abs() / half.max(least)
}

/// What many forecasts of one kind came to. Shares are of the whole time, made to event.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct Figures {
    /// Pots of which the truth is known.
    pub truths: usize,
    /// Forecasts made of them.
    pub forecasts: usize,
    /// How many of those held the truth within their 80 % intervals.
    pub inside: usize,
    /// The last truths, at most [`RECENT`].
    pub recent: usize,
    /// How many of these lay inside, each counted as the share of its forecasts that held it.
    pub recent_inside: f64,
    /// Median of the absolute error, h.
    pub median_error_h: f64,
    /// The same as a share of the whole.
    pub median_error_share: f64,
    /// Median of the error with its sign, as a share of the whole: positive where it came sooner
    /// than said.
    pub median_bias_share: f64,
    /// Median width of the 80 % interval as a share of the whole.
    pub median_width_share: f64,
    /// Mean interval score, h.
    pub mean_interval_score_h: f64,
    /// The same as a share of the whole.
    pub mean_interval_score_share: f64,
}

/// How many truths count as the last ones.
pub const RECENT: usize = 10;

/// Figures of forecasts, which come by truth in order of its time; `None` of none.
pub fn figures(truths: &[Vec<Scored>]) -> Option<Figures> {
    let truths: Vec<&Vec<Scored>> = truths.iter().filter(|f| !f.is_empty()).collect();
    let all: Vec<&Scored> = truths.iter().copied().flatten().collect();
    if all.is_empty() {
        return None;
    }
    let middle =
        |of: &dyn Fn(&Scored) -> f64| median(&mut all.iter().map(|s| of(s)).collect::<Vec<_>>());
    let mean =
        |of: &dyn Fn(&Scored) -> f64| all.iter().map(|s| of(s)).sum::<f64>() / all.len() as f64;
    let held = |of: &[Scored]| of.iter().filter(|s| s.inside()).count();
    let recent = &truths[truths.len().saturating_sub(RECENT)..];
    Some(Figures {
        truths: truths.len(),
        forecasts: all.len(),
        inside: all.iter().filter(|s| s.inside()).count(),
        recent: recent.len(),
        recent_inside: recent.iter().map(|of| held(of) as f64 / of.len() as f64).sum(),
        median_error_h: middle(&|s| s.error().abs() / HOUR),
        median_error_share: middle(&|s| s.error().abs() / s.whole),
        median_bias_share: middle(&|s| s.error() / s.whole),
        median_width_share: middle(&|s| s.width() / s.whole),
        mean_interval_score_h: mean(&|s| s.interval_score() / HOUR),
        mean_interval_score_share: mean(&|s| s.interval_score() / s.whole),
    })
}

/// Where a pot stood against its trimming window, as far as it is known now.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Window {
    /// Not open yet.
    Before,
    /// Open.
    In,
    /// Closed.
    After,
    /// Within the truth's own 80 % interval of a limit.
    Unsure,
}

impl Window {
    /// At a time, from when the window opened and closed as known now.
    pub fn at(time: Time, opens: &TimeQuantiles, closes: &TimeQuantiles) -> Window {
        let after = |t: Option<Time>| t.is_none_or(|t| t > time);
        let by = |t: Option<Time>| t.is_some_and(|t| t <= time);
        if after(opens.p10) {
            Window::Before
        } else if by(closes.p90) {
            Window::After
        } else if by(opens.p90) && after(closes.p10) {
            Window::In
        } else {
            Window::Unsure
        }
    }
}

/// Whether a pot was dry, as far as it is known now: its wettest part, as `ready` promises.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Dryness {
    /// At most 0.010 of free water in its wettest part, sure to 90 %.
    Dry,
    /// More than that, sure to 90 %.
    Damp,
    /// Neither is sure.
    Unsure,
}

/// Trim calls against what is known now.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize)]
pub struct TrimCalls {
    /// Asked about, where the truth is sure and the pot was not trimmed yet.
    pub asked: usize,
    /// Called `now`.
    pub now: usize,
    /// Of these, those whose window had not opened yet.
    pub too_soon: usize,
    /// Of these, those whose window had closed.
    pub too_late: usize,
    /// In their window.
    pub open: usize,
    /// Of these, those that were not called `now`.
    pub missed: usize,
}

impl TrimCalls {
    /// Counts a call.
    pub fn add(&mut self, call: TrimCall, window: Window) {
        if window == Window::Unsure || call == TrimCall::Done {
            return;
        }
        let now = call == TrimCall::Now;
        self.asked += 1;
        self.now += usize::from(now);
        self.too_soon += usize::from(now && window == Window::Before);
        self.too_late += usize::from(now && window == Window::After);
        self.open += usize::from(window == Window::In);
        self.missed += usize::from(!now && window == Window::In);
    }
}

/// Fire calls against what is known now.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize)]
pub struct FireCalls {
    /// Asked about, where the truth is sure.
    pub asked: usize,
    /// Called `ready`.
    pub ready: usize,
    /// Of these, those whose wettest part was damp.
    pub too_soon: usize,
    /// Dry in their wettest part, and weighed within 24 h.
    pub dry: usize,
    /// Of these, those called `wait`.
    pub missed: usize,
    /// Of these, those called `doubtful`.
    pub doubtful: usize,
}

impl FireCalls {
    /// Counts a call; of a dry pot only where it was weighed within the last 24 h, since without
    /// that nothing is called ready.
    pub fn add(&mut self, call: FireCall, dryness: Dryness, weighed: bool) {
        if dryness == Dryness::Unsure {
            return;
        }
        let dry = dryness == Dryness::Dry && weighed;
        self.asked += 1;
        self.ready += usize::from(call == FireCall::Ready);
        self.too_soon += usize::from(call == FireCall::Ready && dryness == Dryness::Damp);
        self.dry += usize::from(dry);
        self.missed += usize::from(dry && call == FireCall::Wait);
        self.doubtful += usize::from(dry && call == FireCall::Doubtful);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::core::by_hand::{MADE, hour as at, said};

    /// Asked at 4 h of age; all in hours of age.
    fn scored(hours: [f64; 3], truth: f64) -> Scored {
        Scored::new(MADE, at(4.0), &said(hours), at(truth))
    }

    fn close(got: f64, want: f64) {
        assert!((got - want).abs() < 1e-9, "{got}, {want}");
    }

    /// By hand: 8 – 11 – 16 h against 10, 18 and 7 h.
    #[test]
    fn one_forecast_by_hand() {
        let held = scored([8.0, 11.0, 16.0], 10.0);
        assert!(held.inside());
        close(held.error(), HOUR);
        close(held.whole, 10.0 * HOUR);
        close(held.interval_score(), 8.0 * HOUR);
        close(held.ratio(), 1.0 / 3.0);
        let late = scored([8.0, 11.0, 16.0], 18.0);
        assert!(!late.inside());
        close(late.error(), -7.0 * HOUR);
        close(late.interval_score(), (8.0 + 10.0 * 2.0) * HOUR);
        close(late.ratio(), 7.0 / 5.0);
        let soon = scored([8.0, 11.0, 16.0], 7.0);
        close(soon.interval_score(), (8.0 + 10.0 * 1.0) * HOUR);
        close(soon.ratio(), 4.0 / 3.0);
        // Its own ends belong to it.
        assert!(
            scored([8.0, 11.0, 16.0], 8.0).inside() && scored([8.0, 11.0, 16.0], 16.0).inside()
        );
    }

    /// An end that never comes counts as the horizon of 30 days.
    #[test]
    fn beyond_the_horizon() {
        let never = f64::INFINITY;
        let open = scored([8.0, 11.0, never], 400.0);
        assert!(open.inside());
        close(open.width(), 30.0 * 24.0 * HOUR - 4.0 * HOUR);
        let none = scored([never; 3], 10.0);
        assert!(!none.inside());
        close(none.error(), 30.0 * 24.0 * HOUR - 6.0 * HOUR);
        close(none.interval_score(), 10.0 * none.error());
        // What came later than any forecast can look is no miss of one that said so.
        assert!(scored([500.0, never, never], 40.0 * 24.0).inside());
    }

    /// Three pots by hand. Errors 1, −2, 3, 0.5 h of 10, 10, 20, 20 h; inside: yes, no, no, yes.
    #[test]
    fn figures_by_hand() {
        let pots = vec![
            vec![scored([9.0, 11.0, 12.0], 10.0), scored([7.0, 8.0, 9.0], 10.0)],
            vec![],
            vec![scored([21.0, 23.0, 25.0], 20.0), scored([19.5, 20.5, 21.0], 20.0)],
        ];
        let f = figures(&pots).unwrap();
        assert_eq!((f.truths, f.forecasts, f.inside, f.recent), (2, 4, 2, 2));
        close(f.recent_inside, 1.0);
        close(f.median_error_h, 1.5);
        close(f.median_error_share, 0.125);
        close(f.median_bias_share, (0.1 + 0.025) / 2.0);
        close(f.median_width_share, 0.2);
        close(f.mean_interval_score_h, (3.0 + 12.0 + 14.0 + 1.5) / 4.0);
        close(f.mean_interval_score_share, (0.3 + 1.2 + 0.7 + 0.075) / 4.0);
        assert_eq!(figures(&[vec![]]), None);
        // Only the last ten are the last ten.
        let many: Vec<_> = (0..12).map(|i| vec![pots[0][usize::from(i >= 9)]]).collect();
        let f = figures(&many).unwrap();
        assert_eq!((f.recent, f.recent_inside, f.inside), (10, 7.0, 9));
    }

    #[test]
    fn a_window_is_unsure_within_its_own_intervals() {
        let (opens, closes) = (said([9.0, 10.0, 11.0]), said([19.0, 20.0, 21.0]));
        let at = |h| Window::at(at(h), &opens, &closes);
        use Window::*;
        let got = [8.9, 9.0, 10.9, 11.0, 18.9, 19.0, 20.9, 21.0].map(at);
        assert_eq!(got, [Before, Unsure, Unsure, In, In, Unsure, Unsure, After]);
        let never = said([f64::INFINITY; 3]);
        assert_eq!(Window::at(self::at(400.0), &opens, &never), In);
        assert_eq!(Window::at(self::at(400.0), &never, &never), Before);
    }

    #[test]
    fn trim_calls_by_hand() {
        let mut calls = TrimCalls::default();
        for (call, window) in [
            (TrimCall::Now, Window::In),
            (TrimCall::Now, Window::Before),
            (TrimCall::Now, Window::After),
            (TrimCall::Now, Window::Unsure),
            (TrimCall::Soon, Window::In),
            (TrimCall::Past, Window::In),
            (TrimCall::Past, Window::After),
            (TrimCall::Wait, Window::Before),
            (TrimCall::Done, Window::In),
        ] {
            calls.add(call, window);
        }
        let want = TrimCalls { asked: 7, now: 3, too_soon: 1, too_late: 1, open: 3, missed: 2 };
        assert_eq!(calls, want);
    }

    #[test]
    fn fire_calls_by_hand() {
        let mut calls = FireCalls::default();
        for (call, dryness, weighed) in [
            (FireCall::Ready, Dryness::Dry, true),
            (FireCall::Ready, Dryness::Damp, true),
            (FireCall::Ready, Dryness::Unsure, true),
            (FireCall::Wait, Dryness::Dry, true),
            (FireCall::Wait, Dryness::Dry, false),
            (FireCall::Doubtful, Dryness::Dry, true),
            (FireCall::Doubtful, Dryness::Dry, false),
            (FireCall::Wait, Dryness::Damp, true),
        ] {
            calls.add(call, dryness, weighed);
        }
        let want = FireCalls { asked: 7, ready: 2, too_soon: 1, dry: 3, missed: 1, doubtful: 1 };
        assert_eq!(calls, want);
    }
}
