//! Treatments against each other.
//!
//! Two answers to each question stand side by side. The *plain* one goes by what was seen, pot by
//! pot, and supposes nothing of how clay dries. The *model's* goes by the pots' fits: it counts how
//! well each is known, looks ahead where a pot is not dry yet, and sends all of them through the
//! same air. Where the two part it is said.
//!
//! Times scatter by a factor: all is counted in their logarithms, and an effect is a ratio.

pub mod design;
pub mod groups;
pub mod plain;
pub mod pooled;
pub mod track;

use crate::records::Name;
use crate::units::HOUR;
use plain::{Effect, Method, Seen};
use serde::Serialize;
use std::collections::BTreeMap;
use track::{Told, Track};

/// What is asked.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Question {
    /// How long to leather-hard.
    LeatherHard,
    /// How long to bone-dry.
    BoneDry,
    /// How long the trimming window is open.
    Window,
    /// How fast to leather-hard, were the air the same.
    Rate,
    /// How much wetter the base is than the wall at leather-hard.
    Evenness,
    /// How many are lost.
    Losses,
}

impl Question {
    /// All, in the order of a pot's life.
    pub const ALL: [Question; 6] = [
        Question::LeatherHard,
        Question::BoneDry,
        Question::Window,
        Question::Rate,
        Question::Evenness,
        Question::Losses,
    ];

    /// Whether its effect is a ratio, else a difference.
    pub fn is_ratio(self) -> bool {
        !matches!(self, Question::Evenness | Question::Losses)
    }

    /// What a pot showed of it.
    fn seen(self, track: &Track) -> Option<Seen> {
        match self {
            Question::LeatherHard => track.opens,
            Question::BoneDry => track.bone_dry,
            Question::Window => track.window,
            // Twice as fast is half the dose.
            Question::Rate => track.dose.map(|dose| dose.negative()),
            Question::Evenness | Question::Losses => None,
        }
    }

    /// What a pot's fit says of it.
    fn told(self, track: &Track) -> Option<Told> {
        match self {
            Question::LeatherHard => track.told[0],
            Question::BoneDry => track.told[1],
            Question::Window => track.told[2],
            Question::Rate => track.alike.opens.map(|(ln, sd)| (-ln, sd)),
            Question::Evenness => track.alike.uneven,
            Question::Losses => None,
        }
    }
}

/// What is told of one treatment to one question.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Middle {
    /// A middle, in s or kg/kg; of a rate per Pa·s.
    About(f64),
    /// It is more than that.
    Over(f64),
    /// So many of so many.
    Of(u64, u64),
    /// Nothing is known.
    Unknown,
}

/// The answer to a question about two treatments.
#[derive(Clone, PartialEq, Debug)]
pub struct Answer {
    /// The question.
    pub question: Question,
    /// The treatment that the other is held against, and the other.
    pub treatments: (usize, usize),
    /// Of each.
    pub middles: [Middle; 2],
    /// How many pots of each tell.
    pub pots: [usize; 2],
    /// How many of them are bounds.
    pub bounds: usize,
    /// Pairs that tell, where there are pairs.
    pub pairs: Option<usize>,
    /// By what was seen; a logarithm of a ratio, or a difference.
    pub plain: Option<Effect>,
    /// By the model.
    pub model: Option<Effect>,
    /// The log-rank test's p, where some are bounds.
    pub log_rank: Option<f64>,
    /// p of the plain answer as if it had been the only question (Holm).
    pub plain_holm: Option<f64>,
    /// The same of the model's.
    pub model_holm: Option<f64>,
}

/// Whether an answer is one.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Finding {
    /// The second is more.
    More,
    /// The second is less.
    Less,
    /// No difference is sure.
    Unsure,
    /// Too few pots to say anything.
    Nothing,
}

impl Answer {
    /// The effect that leads: what was seen, else the model's.
    pub fn leading(&self) -> Option<&Effect> {
        self.plain.as_ref().or(self.model.as_ref())
    }

    /// Its p as if it had been the only question.
    pub fn holm(&self) -> Option<f64> {
        if self.plain.is_some() { self.plain_holm } else { self.model_holm }
    }

    /// What was found, several questions taken into account.
    pub fn finding(&self, level: f64) -> Finding {
        let (Some(effect), Some(p)) = (self.leading(), self.holm()) else {
            return Finding::Nothing;
        };
        match effect.value {
            _ if p > 1.0 - level => Finding::Unsure,
            value if value > 0.0 => Finding::More,
            _ => Finding::Less,
        }
    }

    /// Whether the two answers part: each lies outside the other's interval, or one is sure of a
    /// difference of which the other is not, or both are sure of opposite ones.
    pub fn disagree(&self) -> bool {
        let (Some(plain), Some(model)) = (&self.plain, &self.model) else { return false };
        let outside = |a: &Effect, b: &Effect| a.value < b.low || a.value > b.high;
        let side = |e: &Effect| i8::from(e.low > 0.0) - i8::from(e.high < 0.0);
        side(plain) != side(model) || (outside(plain, model) && outside(model, plain))
    }
}

/// Answers to all questions about all treatments, each against the first.
#[derive(Clone, PartialEq, Debug)]
pub struct Outcome {
    /// The answers, by treatment, then question.
    pub answers: Vec<Answer>,
    /// How many of them are tests.
    pub tests: usize,
}

/// Compares treatments: each with the first, in every question that some pots answer.
pub fn outcome(tracks: &[Track], treatments: usize, level: f64) -> Outcome {
    let mut answers = Vec::new();
    for other in 1..treatments {
        let of = |question| answer(tracks, question, (0, other), level);
        answers.extend(Question::ALL.into_iter().map(of));
    }
    let adjust = |of: fn(&Answer) -> Option<f64>| -> Vec<Option<f64>> {
        let p: Vec<f64> = answers.iter().filter_map(of).collect();
        let mut adjusted = plain::holm(&p).into_iter();
        answers.iter().map(|a| of(a).and_then(|_| adjusted.next())).collect()
    };
    let seen = adjust(|a| a.plain.map(|e| e.p));
    let told = adjust(|a| a.model.map(|e| e.p));
    for ((answer, seen), told) in answers.iter_mut().zip(seen).zip(told) {
        (answer.plain_holm, answer.model_holm) = (seen, told);
    }
    let tests = answers.iter().filter(|a| a.leading().is_some()).count();
    Outcome { answers, tests }
}

/// Pots of two treatments that stand in one block.
fn pairs(tracks: &[Track], (a, b): (usize, usize)) -> Vec<(&Track, &Track)> {
    let mut blocks: BTreeMap<u32, [Option<&Track>; 2]> = BTreeMap::new();
    for track in tracks {
        let Some(pair) = track.pair else { continue };
        let block = blocks.entry(pair).or_default();
        if track.treatment == a {
            block[0] = Some(track);
        } else if track.treatment == b {
            block[1] = Some(track);
        }
    }
    blocks.into_values().filter_map(|[a, b]| Some((a?, b?))).collect()
}

fn answer(tracks: &[Track], question: Question, treatments: (usize, usize), level: f64) -> Answer {
    let of = |treatment: usize| tracks.iter().filter(move |t| t.treatment == treatment);
    let paired = tracks.iter().any(|track| track.pair.is_some());
    let pairs = if paired { pairs(tracks, treatments) } else { Vec::new() };
    let both = [treatments.0, treatments.1];
    let mut answer = Answer {
        question,
        treatments,
        middles: [Middle::Unknown; 2],
        pots: [0; 2],
        bounds: 0,
        pairs: None,
        plain: None,
        model: None,
        log_rank: None,
        plain_holm: None,
        model_holm: None,
    };
    if question == Question::Losses {
        losses(&mut answer, both.map(|t| of(t).collect()), &pairs, paired, level);
        return answer;
    }
    let seen: [Vec<Seen>; 2] = both.map(|t| of(t).filter_map(|t| question.seen(t)).collect());
    let told: [Vec<Told>; 2] = both.map(|t| of(t).filter_map(|t| question.told(t)).collect());
    answer.middles = match question {
        Question::Evenness => told.each_ref().map(|of| middle_told(of)),
        _ => seen.each_ref().map(|of| middle(of)),
    };
    answer.pots = match question {
        Question::Evenness => told.each_ref().map(Vec::len),
        _ => seen.each_ref().map(Vec::len),
    };
    answer.bounds = seen.iter().flatten().filter(|s| !s.is_exact()).count();
    if paired {
        let differences: Vec<Seen> =
            pairs.iter().filter_map(|(a, b)| question.seen(b)?.less(&question.seen(a)?)).collect();
        let told: Vec<Told> = pairs
            .iter()
            .filter_map(|(a, b)| {
                let ((a, sa), (b, sb)) = (question.told(a)?, question.told(b)?);
                Some((b - a, sa.hypot(sb)))
            })
            .collect();
        // Where of all pairs one or both pots are not there yet, groups may still tell.
        answer.plain =
            plain_of_pairs(&differences, level).or_else(|| plain_of(&seen[0], &seen[1], level));
        answer.model = pooled::pairs(&told, level);
        let telling = if question == Question::Evenness { told.len() } else { differences.len() };
        answer.pairs = Some(telling);
    } else {
        answer.plain = plain_of(&seen[0], &seen[1], level);
        answer.model = pooled::groups(&told[0], &told[1], level);
    }
    if answer.bounds > 0 {
        // A rate is bounded the other way round.
        let times = |of: &[Seen]| -> Vec<Seen> {
            let way = |s: &Seen| if question == Question::Rate { s.negative() } else { *s };
            of.iter().map(way).collect()
        };
        answer.log_rank = plain::log_rank(&times(&seen[0]), &times(&seen[1])).map(|(_, p)| p);
    }
    answer
}

fn plain_of(first: &[Seen], second: &[Seen], level: f64) -> Option<Effect> {
    if first.is_empty() || second.is_empty() {
        return None;
    }
    if first.iter().chain(second).all(Seen::is_exact) {
        let values = |of: &[Seen]| -> Vec<f64> { of.iter().map(|s| s.value).collect() };
        return plain::welch(&values(first), &values(second), level);
    }
    plain::bounded(first, second, level)
}

fn plain_of_pairs(differences: &[Seen], level: f64) -> Option<Effect> {
    if differences.iter().all(Seen::is_exact) {
        let values: Vec<f64> = differences.iter().map(|s| s.value).collect();
        return plain::pairs(&values, level);
    }
    plain::bounded_pairs(differences, level)
}

/// The geometric mean where all is known, else when the half of them has come, if it has.
fn middle(seen: &[Seen]) -> Middle {
    let Some(most) = seen.iter().map(|s| s.value).max_by(f64::total_cmp) else {
        return Middle::Unknown;
    };
    if seen.iter().all(Seen::is_exact) {
        let sum: f64 = seen.iter().map(|s| s.value).sum();
        return Middle::About((sum / seen.len() as f64).exp());
    }
    match plain::half_has_come(seen) {
        Some(ln) => Middle::About(ln.exp()),
        None => Middle::Over(most.exp()),
    }
}

fn middle_told(told: &[Told]) -> Middle {
    match told {
        [] => Middle::Unknown,
        [one] => Middle::About(one.0),
        many => pooled::pooled(many).map_or(Middle::Unknown, |of| Middle::About(of.mean)),
    }
}

fn losses(
    answer: &mut Answer,
    groups: [Vec<&Track>; 2],
    pairs: &[(&Track, &Track)],
    paired: bool,
    level: f64,
) {
    let share = |of: &Vec<&Track>| {
        let known: Vec<bool> = of.iter().filter_map(|t| t.lost).collect();
        (known.iter().filter(|lost| **lost).count() as u64, known.len() as u64)
    };
    let [first, second] = groups.each_ref().map(share);
    let told = |(lost, all)| if all == 0 { Middle::Unknown } else { Middle::Of(lost, all) };
    answer.middles = [first, second].map(told);
    answer.pots = [first.1 as usize, second.1 as usize];
    if first.0 + second.0 == 0 {
        // Where nothing is lost nothing is asked.
        return;
    }
    if !paired {
        answer.plain = plain::fisher(first, second, level);
        return;
    }
    let known: Vec<(bool, bool)> =
        pairs.iter().filter_map(|(a, b)| Some((a.lost?, b.lost?))).collect();
    let count = |of: (bool, bool)| known.iter().filter(|p| **p == of).count() as u64;
    answer.pairs = Some(known.len());
    let became = plain::PairsLost {
        both: count((true, true)),
        first: count((true, false)),
        second: count((false, true)),
        none: count((false, false)),
    };
    answer.plain = plain::mcnemar(became, level);
}

/// How much pots differ that are treated alike (standard deviation of ln of the time, were the air
/// the same): what is supposed beforehand counts as so many pots, then the studio's own, those of
/// one body and cover about their mean. Gives also how many pots it was told by.
pub fn spread(tracks: &[(Name, Track)], supposed: f64) -> (f64, usize) {
    /// As much as the fit's own prior of how pots differ.
    const WORTH: f64 = 8.0;
    let mut alike: BTreeMap<(&Name, Option<usize>), Vec<f64>> = BTreeMap::new();
    for (body, track) in tracks {
        let cover = track.cover.map(crate::core::inference::model::place_of);
        if let Some(dose) = track.dose.filter(Seen::is_exact) {
            alike.entry((body, cover)).or_default().push(dose.value);
        }
    }
    let (mut sum, mut freedom, mut pots) = (WORTH * supposed * supposed, WORTH, 0);
    for values in alike.values().filter(|values| values.len() > 1) {
        let more = values.len() as f64 - 1.0;
        sum += more * plain::variance(values);
        freedom += more;
        pots += values.len();
    }
    ((sum / freedom).sqrt(), pots)
}

/// Widest 80 % interval of a time to leather-hard in the middle of the pots, as a share of it, up
/// to which such times count as known well: as of those that forecasts are scored against.
pub const KNOWN_WELL: f64 = crate::core::hindsight::KNOWN;

/// How wide the 80 % interval of the time to leather-hard is in the middle of the pots, as a share.
pub fn known_to(tracks: &[Track]) -> Option<f64> {
    /// From a standard deviation to an 80 % interval: 2·Φ⁻¹(0.9).
    const WIDTH: f64 = 2.563_103;
    let mut widths: Vec<f64> =
        tracks.iter().filter_map(|track| Some(WIDTH * track.told[0]?.1)).collect();
    (!widths.is_empty()).then(|| crate::core::handling::median(&mut widths))
}

/// The mean way of the water of a treatment's pots.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Curve {
    /// Along (h since made, or kPa·h of dose), mean water, and the ends of its interval.
    pub points: Vec<(f64, f64, f64, f64)>,
}

/// What a curve goes along.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Along {
    /// Hours since the pot was made.
    Time,
    /// The air's deficit added up since then, kPa·h.
    Dose,
}

impl Along {
    fn of(self, (t, dose, _): &(f64, f64, f64)) -> f64 {
        match self {
            Along::Time => t / HOUR,
            Along::Dose => dose / (1000.0 * HOUR),
        }
    }
}

/// The mean way of a treatment's pots, with an interval of that level for the mean, along a grid.
/// It ends where fewer than half of them, or than two, were still weighed; one that was dry stays
/// so.
pub fn curve(tracks: &[Track], treatment: usize, along: Along, grid: &[f64], level: f64) -> Curve {
    let ways: Vec<(Vec<(f64, f64)>, bool)> = tracks
        .iter()
        .filter(|track| track.treatment == treatment && track.way.len() > 1)
        .map(|track| {
            let way = track.way.iter().map(|p| (along.of(p), p.2)).collect();
            (way, track.bone_dry.is_some_and(|s| s.is_exact()))
        })
        .collect();
    let mut points = Vec::new();
    for x in grid {
        let water: Vec<f64> = ways.iter().filter_map(|(way, dry)| at(way, *dry, *x)).collect();
        if water.len() < 2 || 2 * water.len() < ways.len() {
            continue;
        }
        let mean = water.iter().sum::<f64>() / water.len() as f64;
        let se = (plain::variance(&water) / water.len() as f64).sqrt();
        let around = Effect::student(mean, se, water.len() as f64 - 1.0, level, Method::Welch);
        let (low, high) = around.map_or((mean, mean), |e| (e.low, e.high));
        points.push((*x, mean, low, high));
    }
    Curve { points }
}

/// On the line between the neighbours of a place; after its end only of one that was dry.
fn at(way: &[(f64, f64)], dry: bool, x: f64) -> Option<f64> {
    let next = way.partition_point(|p| p.0 <= x);
    match (next.checked_sub(1).map(|i| way[i]), way.get(next)) {
        (Some((x0, y0)), Some((x1, y1))) if *x1 > x0 => Some(y0 + (y1 - y0) * (x - x0) / (x1 - x0)),
        (Some((end, last)), None) if dry || end == x => Some(last),
        (None, Some((_, first))) => Some(*first),
        _ => None,
    }
}
