//! A sample of the clay, dried: how much water the bag held.
//!
//! An offcut is weighed wet, dried, and weighed again until its mass is constant; what it lost,
//! over what it weighed wet, is the water of its lot (wet basis). *Constant* is a named standard's:
//!
//! - in a drying oven at 105–110 °C, ISO 17892-1:2014 (soil, water content): less than 0.1 % of
//!   change over at least an hour (from memory; ASTM D2216-19 has the same figures);
//! - in the air of the room, after EN ISO 12570 and ISO 12571 (building materials, sorption): three
//!   weighings at least 24 h apart that agree within 0.1 % (from memory). There the temperature and
//!   humidity are held; here each weighing is first rid of the water that the clay keeps in balance
//!   with its air ([`super::inference::model::balance`], desorption).
//!
//! A sample that still loses water gives what it has lost so far as a lower bound; one that loses
//! ever less is extrapolated as the last stage of diffusion is, by one exponential (Crank, The
//! Mathematics of Diffusion, ch. 4), with half of what is left as its error.
//!
//! A scale's error: what it may show wrongly in service, ± 1, 2 or 3 steps up to 500, 2000 or more
//! steps (OIML R 76-1:2006, table 6, class III, twice the value at verification), taken as evenly
//! spread, and its rounding, step ÷ √12 (JCGM 100:2008, F.2.2.1).

use super::constant_mass::{APART, WEIGHINGS, WITHIN, spaced, spread};
use super::inference::model::balance;
use super::inference::priors::{BAG_WATER_WET, monolayer, written_sd};
use crate::records::{Air, Body, Drying, Name, POSSIBLE_BAG_WATER_WET, Sample, Studio};
use crate::units::{HOUR, Time};

/// Smallest step of a scale that nobody described, g: a kitchen scale's.
pub const STEP_G: f64 = 1.0;
/// Humidity of a room that nobody measured, fraction, and its deviation.
const HUMIDITY: (f64, f64) = (0.50, 0.15);
/// How well the humidity is known in which a sample lay: a sensor's ±3 %RH, and that thick clay
/// lags behind the air (common practice, no source).
const HUMIDITY_SD: f64 = 0.04;
/// A sample takes hours to follow the air: so long before a weighing the room counts, s.
const LAG: f64 = 6.0 * HOUR;
/// Two offcuts of a lot differ by so much, wet basis (common practice, no source).
const OFFCUT_SD: f64 = 0.002;
/// More than this share of dry clay left is too much to extrapolate.
const FAR: f64 = 0.03;
/// How far a sample has come.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Progress {
    /// Weighed wet only, or not even that.
    Begun,
    /// Its numbers cannot all be right: it weighs more dried than wet, or has lost next to nothing
    /// or nearly all.
    Doubtful,
    /// It still loses water.
    Losing,
    /// It still loses water, ever more slowly: what is left was extrapolated.
    Slowing,
    /// Constant as far as this scale, and what is known of the air, can tell.
    ConstantAsSeen,
    /// Constant by the standard.
    Constant,
}

/// Water of the bag by one sample or several, wet basis.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct BagWater {
    /// Mean.
    pub wet: f64,
    /// Standard deviation.
    pub sd: f64,
}

impl BagWater {
    /// Where it lies in 8 of 10 cases (a normal's 10th and 90th percentile).
    pub fn interval(&self) -> (f64, f64) {
        let reach = 1.281_552 * self.sd;
        ((self.wet - reach).max(0.0), (self.wet + reach).min(1.0))
    }
}

/// What a sample says.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Finding {
    /// How far it has come.
    pub progress: Progress,
    /// How it was dried.
    pub drying: Drying,
    /// Water lost so far over the wet mass: the bag held at least that much (wet basis).
    pub lost_wet: f64,
    /// Water of the bag; `None` while no more can be said than that it is above `lost_wet`.
    pub water: Option<BagWater>,
    /// The part of the deviation that all samples dried in a room share: how much water this clay
    /// keeps in balance with air.
    shared_sd: f64,
    /// When another weighing will tell whether it is constant.
    pub weigh_again: Option<Time>,
}

/// A weighing without its dish.
#[derive(Clone, Copy)]
struct Net {
    time: Time,
    g: f64,
    /// Deviation by the scale, g.
    sd: f64,
    /// Water in balance with the air it lay in, kg/kg dry; none in an oven.
    balance: f64,
    /// Deviation of that by the humidity.
    balance_sd: f64,
    step: f64,
}

impl Net {
    /// Its dry clay, g, were it in balance.
    fn dry(&self) -> f64 {
        self.g / (1.0 + self.balance)
    }

    /// Deviation of that, g, by scale and humidity.
    fn dry_sd(&self) -> f64 {
        (self.sd / (1.0 + self.balance)).hypot(self.dry() * self.balance_sd)
    }
}

/// Standard deviation of a weight that a scale of that step shows, g.
pub fn scale_sd(gross_g: f64, step_g: f64) -> f64 {
    let steps = match gross_g.abs() / step_g {
        n if n <= 500.0 => 1.0,
        n if n <= 2000.0 => 2.0,
        _ => 3.0,
    };
    step_g * f64::hypot(steps / 3f64.sqrt(), 1.0 / 12f64.sqrt())
}

/// Relative humidity that a sample lay in, and its deviation: as noted, else by the room's sensor,
/// else an ordinary room's.
fn humidity(row: &Sample, air: Option<&Air>) -> (f64, f64) {
    if let Some(noted) = row.humidity {
        return (noted.min(1.0), HUMIDITY_SD);
    }
    let before = |p: &&crate::records::Point| (0.0..=LAG).contains(&row.time.since(p.time));
    let seen = air.map(|air| air.humidity.iter().filter(before).map(|p| p.value));
    let (n, sum) = seen.into_iter().flatten().fold((0.0, 0.0), |(n, s), v| (n + 1.0, s + v));
    if n > 0.0 { ((sum / n).clamp(0.0, 1.0), HUMIDITY_SD) } else { HUMIDITY }
}

fn net(row: &Sample, air: Option<&Air>, monolayer: f64) -> Net {
    let tare = row.tare_g.unwrap_or(0.0);
    let step = row.step_g.unwrap_or(STEP_G);
    let scale = scale_sd(row.mass_g, step);
    // The dish was weighed too, where it was not taken off by setting the scale to zero.
    let sd = if tare > 0.0 { scale.hypot(scale_sd(tare, step)) } else { scale };
    let (water, water_sd) = match row.drying {
        Drying::Room => {
            let (h, sd) = humidity(row, air);
            let at = |h: f64| balance(monolayer, h.clamp(0.0, 0.98));
            (at(h), (at(h + sd) - at(h - sd)) / 2.0)
        }
        Drying::Wet | Drying::Oven => (0.0, 0.0),
    };
    let (time, g) = (row.time, row.mass_g - tare);
    Net { time, g, sd, balance: water, balance_sd: water_sd, step }
}

/// What the weighings of one sample say. `air`: of the room in which it dries. `monolayer`: of its
/// body's sorption, kg/kg dry, and the deviation of its logarithm ([`monolayer`]).
pub fn look(weighings: &[Sample], air: Option<&Air>, monolayer: (f64, f64)) -> Finding {
    let mut rows: Vec<&Sample> = weighings.iter().collect();
    rows.sort_by_key(|row| row.time);
    let nothing = Finding {
        progress: Progress::Begun,
        drying: Drying::Wet,
        lost_wet: 0.0,
        water: None,
        shared_sd: 0.0,
        weigh_again: None,
    };
    let Some(first) = rows.iter().position(|row| row.drying == Drying::Wet) else { return nothing };
    let wet = net(rows[first], air, monolayer.0);
    let after = rows[first..].iter().filter(|row| row.drying != Drying::Wet);
    // Out of the oven it takes up water from the room again: what counts is the oven.
    let oven = after.clone().any(|row| row.drying == Drying::Oven);
    let drying = if oven { Drying::Oven } else { Drying::Room };
    let run: Vec<Net> =
        after.filter(|row| row.drying == drying).map(|row| net(row, air, monolayer.0)).collect();
    let Some(last) = run.last() else { return nothing };
    let lost_wet = 1.0 - last.g / wet.g;
    let mut finding = Finding { drying, lost_wet, ..nothing };
    let gap = gap(drying);
    let (progress, left) = progress(&run, drying);
    finding.progress = progress;
    finding.weigh_again = (progress != Progress::Constant).then(|| last.time.plus(gap));
    if run.iter().any(|n| n.g > wet.g + 3.0 * wet.sd.hypot(n.sd)) {
        finding.progress = Progress::Doubtful;
        return finding;
    }
    let Some((left, left_sd)) = left else { return finding };
    let dry = last.dry() - left;
    let water = 1.0 - dry / wet.g;
    if !POSSIBLE_BAG_WATER_WET.contains(&water) {
        finding.progress = Progress::Doubtful;
        return finding;
    }
    let by_wet = wet.sd * dry / (wet.g * wet.g);
    let by_dry = last.dry_sd().hypot(left_sd) / wet.g;
    let shared_sd = last.dry() * last.balance / (1.0 + last.balance) * monolayer.1 / wet.g;
    finding.shared_sd = shared_sd;
    finding.water = Some(BagWater { wet: water, sd: by_wet.hypot(by_dry).hypot(shared_sd) });
    finding
}

/// How far apart weighings must lie to tell that a mass is constant, s.
fn gap(drying: Drying) -> f64 {
    if drying == Drying::Oven { HOUR } else { APART }
}

/// How far a run of weighings has come, and the water that is left with its deviation, g.
fn progress(run: &[Net], drying: Drying) -> (Progress, Option<(f64, f64)>) {
    let needed = if drying == Drying::Oven { 2 } else { WEIGHINGS };
    let apart = spaced(run, |n| n.time.seconds(), gap(drying), needed);
    let Some(last) = apart.first().copied() else { return (Progress::Begun, None) };
    let spread = spread(apart.iter().map(|n| n.dry()));
    let constant = WITHIN * last.dry();
    // What is left is about what the last interval still took, were it exponential.
    if apart.len() == needed && spread <= constant && last.step <= constant {
        return (Progress::Constant, Some((0.0, spread)));
    }
    let noise = apart.iter().map(|n| n.dry_sd()).fold(0.0, f64::max);
    if apart.len() >= 2 && spread <= constant.max(2.0 * noise) {
        return (Progress::ConstantAsSeen, Some((0.0, spread.max(noise))));
    }
    match run {
        [.., a, b, c] => match left(a, b, c) {
            Some(left) => (Progress::Slowing, Some(left)),
            None => (Progress::Losing, None),
        },
        _ => (Progress::Losing, None),
    }
}

/// Water left after three weighings that lose ever less, and its deviation, g; `None` where they
/// do not, or too much is left to be told.
fn left(a: &Net, b: &Net, c: &Net) -> Option<(f64, f64)> {
    let steps = (b.time.since(a.time), c.time.since(b.time));
    let [ga, gb, gc] = [a, b, c].map(Net::dry);
    let left = exponential_rest((ga - gb, gb - gc), steps)?;
    // Each weight by one deviation: what that changes.
    let moved = [(a.dry_sd(), 0.0), (-b.dry_sd(), b.dry_sd()), (0.0, -c.dry_sd())];
    let mut variance = (0.5 * left).powi(2) + c.dry_sd().powi(2);
    for (first, second) in moved {
        let other = exponential_rest((ga - gb + first, gb - gc + second), steps)?;
        variance += (other - left).powi(2);
    }
    (left <= FAR * gc && variance.sqrt() <= FAR * gc).then_some((left, variance.sqrt()))
}

/// What an exponential decay loses after two steps of time (s) in which it lost that much: with
/// q = exp(−k·t), losses L₁ = A(1 − q₁), L₂ = A q₁(1 − q₂), rest A q₁ q₂. `None` where the second
/// rate of loss is not clearly below the first.
fn exponential_rest((first, second): (f64, f64), steps: (f64, f64)) -> Option<f64> {
    if !(first > 0.0 && second > 0.0 && steps.0 > 0.0 && steps.1 > 0.0) {
        return None;
    }
    let ratio = second / first;
    if ratio >= 0.8 * steps.1 / steps.0 {
        return None;
    }
    // The ratio of losses falls with k, from that of the steps at 0.
    let of = |k: f64| -(-k * steps.1).exp_m1() / (k * steps.0).exp_m1();
    let (mut low, mut high) = (1e-9 / steps.0, 100.0 / steps.0.min(steps.1));
    for _ in 0..100 {
        let k = f64::sqrt(low * high);
        if of(k) > ratio { low = k } else { high = k }
    }
    let q = (-low * steps.1).exp();
    Some(second * q / (1.0 - q))
}

/// Water of a lot by all its samples, wet basis; `None` where none has come far enough.
///
/// `samples`: weighings of any samples. `lot`: of that lot, or of none.
pub fn bag_water(
    samples: &[Sample],
    (body, lot): (&str, Option<&str>),
    air: Option<&Air>,
    monolayer: (f64, f64),
) -> Option<BagWater> {
    let its = samples.iter().filter(|s| s.body == body && s.lot.as_deref() == lot);
    let mut its: Vec<Sample> = its.cloned().collect();
    its.sort_by(|a, b| a.sample.cmp(&b.sample));
    let each = its.chunk_by(|a, b| a.sample == b.sample);
    pooled(&each.map(|rows| look(rows, air, monolayer)).collect::<Vec<_>>())
}

/// The air in which samples of a studio lie: its room's.
fn room(studio: &Studio) -> Option<&Air> {
    studio.air.get("").or_else(|| studio.air.values().next())
}

/// [`bag_water`] as a studio knows it.
pub fn of_lot(studio: &Studio, body: &str, lot: Option<&str>) -> Option<BagWater> {
    bag_water(&studio.samples, (body, lot), room(studio), monolayer())
}

/// Each sample of a body with its lot and what it says, in order of name.
pub fn of_body<'a>(studio: &'a Studio, body: &str) -> Vec<(&'a Name, Option<&'a Name>, Finding)> {
    let each = studio.samples.chunk_by(|a, b| a.sample == b.sample);
    each.filter(|rows| rows[0].body == body)
        .map(|rows| {
            let found = look(rows, room(studio), monolayer());
            (&rows[0].sample, rows[0].lot.as_ref(), found)
        })
        .collect()
}

/// Whether two studios with the same samples hear the same from each of them, in the air of each.
pub fn say_the_same(a: &Studio, b: &Studio) -> bool {
    let each = a.samples.chunk_by(|a, b| a.sample == b.sample);
    let said = |studio, rows| look(rows, room(studio), monolayer());
    each.into_iter().all(|rows| said(a, rows) == said(b, rows))
}

/// Several samples of a lot together: each weighs by its own deviation; where they differ by more
/// than that the deviation grows (the ratio of Birge, Phys. Rev. 40, 207, 1932).
fn pooled(found: &[Finding]) -> Option<BagWater> {
    let own = |f: &Finding, w: BagWater| {
        let alone = (w.sd * w.sd - f.shared_sd * f.shared_sd).max(0.0).sqrt();
        alone.hypot(OFFCUT_SD)
    };
    let said: Vec<(f64, f64, f64)> =
        found.iter().filter_map(|f| f.water.map(|w| (w.wet, own(f, w), f.shared_sd))).collect();
    let weight = |(_, own, shared): &(f64, f64, f64)| 1.0 / (own * own + shared * shared);
    let total: f64 = said.iter().map(weight).sum();
    if !(total.is_finite() && total > 0.0) {
        return None;
    }
    let mean = said.iter().map(|s| weight(s) * s.0).sum::<f64>() / total;
    let alone: f64 = said.iter().map(|s| (weight(s) * s.1).powi(2)).sum::<f64>().sqrt() / total;
    let shared: f64 = said.iter().map(|s| weight(s) * s.2).sum::<f64>() / total;
    let scatter: f64 = said.iter().map(|s| ((s.0 - mean) / s.1).powi(2)).sum();
    let ratio =
        if said.len() > 1 { (scatter / (said.len() - 1) as f64).sqrt().max(1.0) } else { 1.0 };
    Some(BagWater { wet: mean, sd: (alone * ratio).hypot(shared) })
}

/// Water of a body's bag where no sample tells: as written on it, else as bags are.
pub fn written(body: Option<&Body>) -> BagWater {
    match body.and_then(Body::bag_water) {
        Some(wet) => BagWater { wet, sd: written_sd() },
        None => BagWater { wet: BAG_WATER_WET.0, sd: BAG_WATER_WET.1 },
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::records::Point;
    use crate::units::dry_from_wet;
    use proptest::prelude::*;

    const MONOLAYER: (f64, f64) = (0.0165, 0.45);
    const START: Time = Time(1_932_904_800_000_000);

    fn weighed(hours: f64, drying: Drying, mass_g: f64) -> Sample {
        Sample {
            time: START.plus(hours * HOUR),
            sample: "offcut".into(),
            body: "harbour stoneware".into(),
            lot: Some("bag-3".into()),
            drying,
            mass_g,
            tare_g: None,
            humidity: None,
            step_g: Some(0.1),
        }
    }

    fn oven(weights: &[(f64, f64)]) -> Finding {
        let wet = weighed(0.0, Drying::Wet, 200.0);
        let rows = weights.iter().map(|(t, g)| weighed(*t, Drying::Oven, *g));
        look(&std::iter::once(wet).chain(rows).collect::<Vec<_>>(), None, MONOLAYER)
    }

    /// ISO 17892-1: w = 100 · (m₁ − m₂)/(m₂ − m_c), dry basis, with the dish m_c.
    #[test]
    fn a_sample_out_of_the_oven_gives_the_water_of_the_standard() {
        let dish = |row: Sample| Sample { tare_g: Some(31.2), mass_g: row.mass_g + 31.2, ..row };
        let rows = [
            weighed(0.0, Drying::Wet, 200.0),
            weighed(16.0, Drying::Oven, 156.1),
            weighed(17.0, Drying::Oven, 156.0),
        ];
        let found = look(&rows.map(dish), None, MONOLAYER);
        assert_eq!((found.progress, found.weigh_again), (Progress::Constant, None));
        let water = found.water.unwrap();
        let (m1, m2, mc) = (231.2, 187.2, 31.2);
        assert!((dry_from_wet(water.wet) - (m1 - m2) / (m2 - mc)).abs() < 1e-12);
        // The scale errs by up to 0.2 or 0.3 g here: about a tenth of a point.
        assert!((0.0005..0.002).contains(&water.sd), "{water:?}");
    }

    /// OIML R 76-1:2006, table 6, class III, in service twice: ± 1 g up to 500 g of a scale with
    /// steps of 1 g, ± 2 g up to 2000 g, ± 3 g above; rounding 0.29 steps (JCGM 100, F.2.2.1).
    #[test]
    fn a_scale_errs_as_its_class_allows() {
        for (g, most) in [(20.0, 1.0), (500.0, 1.0), (501.0, 2.0), (2000.0, 2.0), (4000.0, 3.0)] {
            let evenly = most / 3f64.sqrt();
            assert!((scale_sd(g, 1.0) - evenly.hypot(0.288_675)).abs() < 1e-5, "{g}");
        }
        assert!((scale_sd(50.0, 0.1) - 0.1 * scale_sd(500.0, 1.0)).abs() < 1e-12);
    }

    /// ISO 17892-1: less than 0.1 % of change over at least an hour.
    #[test]
    fn constant_is_what_the_standard_says() {
        let progress = |weights: &[(f64, f64)]| oven(weights).progress;
        assert_eq!(progress(&[]), Progress::Begun);
        assert_eq!(progress(&[(16.0, 156.0)]), Progress::Losing);
        assert_eq!(progress(&[(16.0, 156.1), (17.0, 156.0)]), Progress::Constant);
        assert_eq!(progress(&[(16.0, 157.0), (17.0, 156.0)]), Progress::Losing);
        assert_eq!(progress(&[(16.0, 156.1), (16.5, 156.0)]), Progress::Losing, "half an hour");
        // In between weighed once more than needed: the hour counts.
        assert_eq!(progress(&[(16.0, 156.1), (16.5, 156.1), (17.0, 156.0)]), Progress::Constant);
        let losing = oven(&[(2.0, 170.0)]);
        assert_eq!((losing.water, losing.lost_wet), (None, 1.0 - 170.0 / 200.0));
        assert_eq!(losing.weigh_again, Some(START.plus(3.0 * HOUR)));
    }

    #[test]
    fn a_coarse_scale_cannot_see_the_standard_and_says_so() {
        let coarse = |row: Sample| Sample { step_g: None, ..row };
        let rows = [
            weighed(0.0, Drying::Wet, 200.0),
            weighed(16.0, Drying::Oven, 156.0),
            weighed(17.0, Drying::Oven, 156.0),
        ];
        let found = look(&rows.map(coarse), None, MONOLAYER);
        assert_eq!(found.progress, Progress::ConstantAsSeen);
        let water = found.water.unwrap();
        assert!((water.wet - 0.22).abs() < 1e-12 && (0.003..0.009).contains(&water.sd));
    }

    /// Clay bricks hold 1.67 to 2.14 % of their dry mass at 50 %RH (see [`super::super::clay`]).
    #[test]
    fn clay_dried_in_a_room_still_holds_the_rooms_water() {
        let rows = |humidity: Option<f64>| -> Vec<Sample> {
            let row = |(h, drying, g)| Sample { humidity, ..weighed(h, drying, g) };
            let room = Drying::Room;
            [
                (0.0, Drying::Wet, 200.0),
                (48.0, room, 159.0),
                (72.0, room, 159.0),
                (96.0, room, 159.0),
            ]
            .map(row)
            .into()
        };
        let found = look(&rows(Some(0.5)), None, MONOLAYER);
        assert_eq!(found.progress, Progress::Constant);
        let water = found.water.unwrap();
        let bound = [0.0167, 0.0214].map(|x| 1.0 - 159.0 / (1.0 + x) / 200.0);
        assert!((bound[0] - 0.001..bound[1] + 0.001).contains(&water.wet), "{water:?} {bound:?}");
        // Bodies differ two- to three-fold: most of what is not known.
        assert!((0.004..0.010).contains(&water.sd));
        let unknown = look(&rows(None), None, MONOLAYER).water.unwrap();
        assert!(unknown.sd > water.sd);
        // The room's sensor stands in for what was not noted.
        let points = (0..100).map(|h| Point { time: START.plus(f64::from(h) * HOUR), value: 0.5 });
        let air = Air { humidity: points.collect(), ..Air::default() };
        assert_eq!(look(&rows(None), Some(&air), MONOLAYER).water, Some(water));
    }

    #[test]
    fn a_room_that_grows_damp_makes_no_sample_wetter() {
        let dry = 156.0;
        let at = |hours: f64, humidity: f64| Sample {
            humidity: Some(humidity),
            step_g: Some(0.01),
            ..weighed(hours, Drying::Room, dry * (1.0 + balance(MONOLAYER.0, humidity)))
        };
        let wet = Sample { step_g: Some(0.01), ..weighed(0.0, Drying::Wet, 200.0) };
        let rows = [wet, at(48.0, 0.40), at(72.0, 0.65), at(96.0, 0.55)];
        let found = look(&rows, None, MONOLAYER);
        assert_eq!(found.progress, Progress::Constant);
        assert!((found.water.unwrap().wet - 0.22).abs() < 1e-9);
    }

    /// Crank, The Mathematics of Diffusion, 2nd ed. 1975, eq. 4.18: share left in a slab at
    /// Dt/L² = 0.5, 0.75, 1.0 is 0.236050, 0.127384, 0.068740 (series, summed to its end).
    #[test]
    fn the_last_of_a_slab_is_extrapolated_as_it_leaves() {
        let (dry, water) = (156.0, 44.0);
        let share = |fo: f64| -> f64 {
            let term = |n: f64| {
                let b = (2.0 * n + 1.0).powi(2) * std::f64::consts::PI.powi(2);
                8.0 / b * (-b * fo / 4.0).exp()
            };
            (0..50).map(f64::from).map(term).sum()
        };
        assert!(
            (share(0.5) - 0.236_049_67).abs() < 1e-8 && (share(1.0) - 0.068_740_32).abs() < 1e-8
        );
        let fine = |row: Sample| Sample { step_g: Some(0.01), ..row };
        let wet = weighed(0.0, Drying::Wet, dry + water);
        let at = |fo: f64| weighed(10.0 * fo, Drying::Oven, dry + water * share(fo));
        let rows = [wet.clone(), at(0.5), at(0.75), at(1.0)].map(fine);
        let found = look(&rows, None, MONOLAYER);
        assert_eq!(found.progress, Progress::Slowing);
        let got = found.water.unwrap();
        assert!((got.wet - 0.22).abs() < 0.0005, "{got:?}");
        assert!((0.003..0.015).contains(&got.sd), "{got:?}");
        assert!(found.lost_wet < 0.21);
        // Sooner there is more left than can be told.
        let rows = [wet, at(0.1), at(0.2), at(0.3)].map(fine);
        let early = look(&rows, None, MONOLAYER);
        assert_eq!((early.progress, early.water), (Progress::Losing, None));
    }

    #[test]
    fn numbers_that_cannot_be_are_no_answer() {
        for weights in [[(16.0, 205.0), (17.0, 205.0)], [(16.0, 20.0), (17.0, 20.0)]] {
            let found = oven(&weights);
            assert_eq!((found.progress, found.water), (Progress::Doubtful, None), "{weights:?}");
        }
        let never_wet = [weighed(16.0, Drying::Oven, 156.0), weighed(17.0, Drying::Oven, 156.0)];
        assert_eq!(look(&never_wet, None, MONOLAYER).progress, Progress::Begun);
    }

    #[test]
    fn samples_of_a_lot_are_pooled_and_those_that_differ_are_less_sure() {
        let samples = |dry: &[f64]| -> Vec<Sample> {
            let one = |(i, g): (usize, &f64)| {
                let rows =
                    [(0.0, Drying::Wet, 200.0), (16.0, Drying::Oven, *g), (17.0, Drying::Oven, *g)];
                rows.map(|(t, d, g)| Sample { sample: format!("s{i}"), ..weighed(t, d, g) })
            };
            dry.iter().enumerate().flat_map(one).collect()
        };
        let of = |dry: &[f64]| {
            let lot = ("harbour stoneware", Some("bag-3"));
            bag_water(&samples(dry), lot, None, MONOLAYER).unwrap()
        };
        let (one, alike, unlike) = (of(&[156.0]), of(&[156.0; 4]), of(&[150.0, 162.0]));
        assert!((alike.wet - 0.22).abs() < 1e-9 && (unlike.wet - 0.22).abs() < 1e-3);
        assert!((alike.sd / one.sd - 0.5).abs() < 1e-6);
        // Two that differ by 6 points: their mean is unsure by half of that (Birge).
        assert!((unlike.sd - 0.03).abs() < 1e-3, "{unlike:?}");
        let other =
            |lot| bag_water(&samples(&[156.0]), ("harbour stoneware", lot), None, MONOLAYER);
        assert_eq!((other(None), other(Some("bag-4"))), (None, None));
    }

    proptest! {
        #[test]
        fn any_weighings_give_a_finite_answer_or_none(
            rows in prop::collection::vec((0.0..200.0f64, 0..3usize, 0.1..300.0f64,
                prop::option::of(0.0..1.1f64)), 0..8),
        ) {
            let row = |(t, d, g, h): &(f64, usize, f64, Option<f64>)| {
                Sample { humidity: *h, ..weighed(*t, Drying::ALL[*d], *g) }
            };
            let rows: Vec<Sample> = rows.iter().map(row).collect();
            let found = look(&rows, None, MONOLAYER);
            prop_assert!(found.lost_wet.is_finite());
            if let Some(w) = found.water {
                prop_assert!(POSSIBLE_BAG_WATER_WET.contains(&w.wet));
                prop_assert!(w.sd > 0.0 && w.sd.is_finite());
            }
        }
    }
}
