//! How many pots a comparison takes, and who gets which treatment.
//!
//! Times of pots scatter by a factor, so all is counted in logarithms: a difference of 20 % is
//! ln 1.2, whatever the times are. How likely a difference is found is the power of Student's t
//! (noncentral t; Johnson, Kotz & Balakrishnan, *Continuous Univariate Distributions* 2, 2nd ed.
//! 1995, ch. 31, by its integral over the scatter that happens to be seen).
//!
//! Who gets what is drawn by chance from a seed: within pairs of pots that are alike (blocks, of
//! more than two treatments), since pots alike tell treatments apart best, or among all.

use super::plain::student_quantile;
use crate::records::{Name, Pot};
use crate::units::HOUR;
use rand::SeedableRng;
use rand::rngs::StdRng;
use rand::seq::SliceRandom;
use statrs::distribution::{ContinuousCDF, Normal};
use statrs::function::gamma::ln_gamma;

/// What is to be found, and how surely.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Aim {
    /// Standard deviation of the logarithm of pots' times that are treated alike.
    pub spread: f64,
    /// Share of the variance that the pots of a pair have in common; 0 without pairs.
    pub shared: f64,
    /// Level of the interval.
    pub level: f64,
    /// How likely a difference of that size is found.
    pub power: f64,
    /// Whether pots are in pairs.
    pub paired: bool,
}

/// More pots of a treatment than any studio compares.
pub const MOST: usize = 1000;

impl Aim {
    /// A difference in standard deviations of what is looked at: of a pot, or of a pair's
    /// difference.
    fn size(&self, ln_ratio: f64) -> f64 {
        let of_pair = (2.0 * (1.0 - self.shared)).sqrt() * self.spread;
        ln_ratio.abs() / if self.paired { of_pair } else { self.spread }
    }

    /// How likely a difference (ln of a ratio) is found with so many pots of each treatment.
    pub fn power_of(&self, ln_ratio: f64, pots: usize) -> f64 {
        power(self.size(ln_ratio), pots, self.paired, self.level)
    }

    /// Pots of each treatment that it takes; `None` beyond [`MOST`].
    pub fn pots(&self, ln_ratio: f64) -> Option<usize> {
        let enough = |pots: usize| self.power_of(ln_ratio, pots) >= self.power;
        if !enough(MOST) {
            return None;
        }
        let (mut low, mut high) = (1, MOST);
        while high - low > 1 {
            let middle = usize::midpoint(low, high);
            if enough(middle) { high = middle } else { low = middle }
        }
        Some(high)
    }

    /// The least difference (ln of a ratio) that so many pots of each treatment find; `None` of
    /// fewer than two.
    pub fn least(&self, pots: usize) -> Option<f64> {
        const LARGEST: f64 = 10.0;
        if pots < 2 || self.power_of(LARGEST, pots) < self.power {
            return None;
        }
        let (mut low, mut high) = (0.0, LARGEST);
        while high - low > 1e-6 {
            let middle = 0.5 * (low + high);
            if self.power_of(middle, pots) >= self.power { high = middle } else { low = middle }
        }
        Some(high)
    }
}

/// Power of Student's t for an effect in standard deviations, with so many pots of each treatment
/// (or pairs).
pub fn power(size: f64, pots: usize, paired: bool, level: f64) -> f64 {
    if pots < 2 {
        return 0.0;
    }
    let n = pots as f64;
    let (freedom, away) = match paired {
        true => (n - 1.0, size * n.sqrt()),
        false => (2.0 * n - 2.0, size * (0.5 * n).sqrt()),
    };
    let t = student_quantile(0.5 * (1.0 + level), freedom);
    // The scatter that is seen, over the true one, is √(χ²/ν).
    let ln_scale = 2f64.ln() + 0.5 * freedom * (0.5 * freedom).ln() - ln_gamma(0.5 * freedom);
    let density =
        |s: f64| (ln_scale + (freedom - 1.0) * s.max(1e-300).ln() - 0.5 * freedom * s * s).exp();
    let normal = Normal::standard();
    let found = |s: f64| normal.cdf(away - t * s) + normal.cdf(-away - t * s);
    let wide = 9.0 / (2.0 * freedom).sqrt();
    let (from, to) = ((1.0 - wide).max(0.0), 1.0 + wide);
    const PARTS: usize = 2000;
    let step = (to - from) / PARTS as f64;
    // Simpson's rule.
    let part = |i: usize| {
        let s = from + step * i as f64;
        let weight = if i == 0 || i == PARTS { 1.0 } else { [2.0, 4.0][i % 2] };
        weight * density(s) * found(s)
    };
    ((0..=PARTS).map(part).sum::<f64>() * step / 3.0).clamp(0.0, 1.0)
}

/// What makes two pots of a pair unlike: by how much, in the same units as ln of the ball (a tenth
/// is a ball a tenth heavier). Another body or board never makes a pair while there is a better
/// one; hours between the two at the wheel are hours of other air (own judgement).
const OTHER_BODY: f64 = 100.0;
const OTHER_PLACE: f64 = 1.0;
const OTHER_LOT: f64 = 0.2;
const AN_HOUR: f64 = 0.02;

/// How unlike two pots are; what is not known of one counts for nothing.
fn unlike(a: &Pot, b: &Pot) -> f64 {
    let ratio = |of: fn(&Pot) -> Option<f64>| match (of(a), of(b)) {
        (Some(a), Some(b)) if a > 0.0 && b > 0.0 => (a / b).ln().abs(),
        _ => 0.0,
    };
    let other = |differs: bool, by: f64| if differs { by } else { 0.0 };
    // The way through the clay goes with its square.
    ratio(|p| p.ball_g)
        + 2.0 * ratio(|p| p.wall_mm)
        + 2.0 * ratio(|p| p.base_mm)
        + other(a.body != b.body, OTHER_BODY)
        + other(a.place != b.place || a.board != b.board, OTHER_PLACE)
        + other(a.lot != b.lot, OTHER_LOT)
        + AN_HOUR * a.made_at.since(b.made_at).abs() / HOUR
}

/// Pots that are alike, so many together: the two that are most alike first, then those that are
/// most like them; and who is left over.
pub fn blocks(pots: &[&Pot], size: usize) -> (Vec<Vec<Name>>, Vec<Name>) {
    let mut free: Vec<&Pot> = pots.to_vec();
    free.sort_by(|a, b| a.name.cmp(&b.name));
    let mut blocks = Vec::new();
    while size > 0 && free.len() >= size {
        let mut best = (f64::INFINITY, 0, 0);
        for i in 0..free.len() {
            for j in i + 1..free.len() {
                let far = unlike(free[i], free[j]);
                if far < best.0 {
                    best = (far, i, j);
                }
            }
        }
        let mut block = vec![free.remove(best.2.max(best.1))];
        if size > 1 {
            block.insert(0, free.remove(best.1));
        }
        while block.len() < size {
            let far = |pot: &Pot| block.iter().map(|of| unlike(of, pot)).sum::<f64>();
            let next = (0..free.len()).min_by(|a, b| far(free[*a]).total_cmp(&far(free[*b])));
            match next {
                Some(next) => block.push(free.remove(next)),
                None => break,
            }
        }
        blocks.push(block.into_iter().map(|pot| pot.name.clone()).collect());
    }
    (blocks, free.into_iter().map(|pot| pot.name.clone()).collect())
}

/// Who gets which treatment (its number), by chance: each treatment once in each block.
pub fn dealt_in_blocks(blocks: &[Vec<Name>], seed: u64) -> Vec<(Name, usize, usize)> {
    let mut rng = StdRng::seed_from_u64(seed);
    let mut dealt = Vec::new();
    for (number, block) in blocks.iter().enumerate() {
        let mut treatments: Vec<usize> = (0..block.len()).collect();
        treatments.shuffle(&mut rng);
        dealt.extend(block.iter().zip(treatments).map(|(pot, t)| (pot.clone(), t, number)));
    }
    dealt
}

/// The same without blocks: as many pots of each treatment as of any other, up to one.
pub fn dealt(pots: &[Name], treatments: usize, seed: u64) -> Vec<(Name, usize)> {
    let mut rng = StdRng::seed_from_u64(seed);
    let mut order: Vec<usize> = (0..treatments).collect();
    // Which treatment gets one more is chance, too.
    order.shuffle(&mut rng);
    let mut cards: Vec<usize> = (0..pots.len()).map(|i| order[i % treatments.max(1)]).collect();
    cards.shuffle(&mut rng);
    pots.iter().cloned().zip(cards).collect()
}
