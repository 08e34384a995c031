//! The statistics of comparisons against SciPy and statsmodels (`fixtures/compare.csv`, made by
//! `fixtures/generate_compare.py`), and against published worked examples.

use nalgebra::DMatrix;
use warecast::core::compare::design::{Aim, power};
use warecast::core::compare::plain::{self, Effect, Known, PairsLost, Seen};
use warecast::core::compare::pooled::pooled;

#[track_caller]
fn close(got: f64, want: f64, within: f64, what: &str) {
    assert!((got - want).abs() <= within * want.abs().max(1.0), "{what}: {got}, {want}");
}

/// One row of the reference.
struct Row {
    what: String,
    found: Vec<f64>,
    a: Vec<f64>,
    b: Vec<f64>,
    marks: Vec<f64>,
}

impl Row {
    fn all(what: &str) -> Vec<Row> {
        let text = include_str!("../fixtures/compare.csv");
        let numbers = |field: &str| -> Vec<f64> {
            field.split_whitespace().map(|word| word.parse().unwrap()).collect()
        };
        let rows: Vec<Row> = text
            .lines()
            .skip(2)
            .map(|line| line.split(',').collect::<Vec<_>>())
            .filter(|fields| fields[0] == what)
            .map(|f| Row {
                what: f[0].into(),
                found: numbers(f[1]),
                a: numbers(f[2]),
                b: numbers(f[3]),
                marks: numbers(f[4]),
            })
            .collect();
        assert!(!rows.is_empty(), "{what}");
        rows
    }

    fn seen(&self) -> (Vec<Seen>, Vec<Seen>) {
        let mark = |(value, mark): (&f64, &f64)| {
            let known = [Known::OrLess, Known::Exactly, Known::OrMore][(mark + 1.0) as usize];
            Seen { value: *value, known }
        };
        let all: Vec<Seen> = self.a.iter().chain(&self.b).zip(&self.marks).map(mark).collect();
        let (a, b) = all.split_at(self.a.len().min(all.len()));
        (a.to_vec(), b.to_vec())
    }

    #[track_caller]
    fn is(&self, effect: &Effect, within: f64) {
        for (got, want) in [effect.value, effect.low, effect.high, effect.p].iter().zip(&self.found)
        {
            close(*got, *want, within, &self.what);
        }
    }

    fn shares(&self) -> ((u64, u64), (u64, u64)) {
        let share = |of: &[f64]| (of[0] as u64, of[1] as u64);
        (share(&self.a), share(&self.b))
    }
}

#[test]
fn welch_and_pairs_are_those_of_scipy() {
    for row in Row::all("welch") {
        row.is(&plain::welch(&row.a, &row.b, 0.95).unwrap(), 1e-9);
    }
    for row in Row::all("paired") {
        let differences: Vec<f64> = row.b.iter().zip(&row.a).map(|(b, a)| b - a).collect();
        row.is(&plain::pairs(&differences, 0.95).unwrap(), 1e-9);
    }
}

/// Student's own example: hours of sleep that two drugs gave ten patients (Biometrika 6 (1908) 1,
/// after Cushny & Peebles). t = 4.0621 with 9 degrees of freedom, p = 0.002833, interval 0.7001 to
/// 2.4599 (Student's own t: 1.29 standard deviations, "odds 666 to 1"); were they no pairs, Welch's
/// t = 1.8608 with 17.776, p = 0.07939, −0.2055 to 3.3655. Figures from memory, as statistics
/// packages print them for these data.
#[test]
fn students_sleepers_sleep_as_published() {
    let first = [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0];
    let second = [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4];
    let differences: Vec<f64> = second.iter().zip(&first).map(|(b, a)| b - a).collect();
    let paired = plain::pairs(&differences, 0.95).unwrap();
    let got = [paired.value, paired.low, paired.high, paired.p];
    for (got, want) in got.iter().zip([1.58, 0.700_114_2, 2.459_885_8, 0.002_833]) {
        close(*got, want, 1e-6, "paired");
    }
    let apart = plain::welch(&first, &second, 0.95).unwrap();
    let got = [apart.value, apart.low, apart.high, apart.p];
    for (got, want) in got.iter().zip([1.58, -0.205_483_2, 3.365_483_2, 0.079_39]) {
        close(*got, want, 1e-5, "Welch");
    }
}

#[test]
fn bounded_values_are_those_of_a_likelihood_by_scipy() {
    for row in Row::all("censored") {
        let (a, b) = row.seen();
        row.is(&plain::bounded(&a, &b, 0.95).unwrap(), 2e-6);
    }
    for row in Row::all("pairs") {
        row.is(&plain::bounded_pairs(&row.seen().0, 0.95).unwrap(), 2e-6);
    }
}

/// Without bounds the interval in pairs is Student's, and in groups that of one common scatter.
#[test]
fn without_bounds_they_are_students() {
    for row in Row::all("paired") {
        let differences = row.b.iter().zip(&row.a).map(|(b, a)| Seen::exactly(b - a));
        row.is(&plain::bounded_pairs(&differences.collect::<Vec<_>>(), 0.95).unwrap(), 1e-6);
    }
    let exactly = |of: &[f64]| -> Vec<Seen> { of.iter().map(|v| Seen::exactly(*v)).collect() };
    // Equal sizes and scatters: Welch's and the common one's are the same.
    let (a, b) = ([1.0, 2.0, 3.0, 4.0], [3.5, 4.5, 5.5, 6.5]);
    let welch = plain::welch(&a, &b, 0.95).unwrap();
    let bounded = plain::bounded(&exactly(&a), &exactly(&b), 0.95).unwrap();
    for (got, want) in [
        (bounded.value, welch.value),
        (bounded.low, welch.low),
        (bounded.high, welch.high),
        (bounded.p, welch.p),
    ] {
        close(got, want, 1e-6, "no bounds");
    }
}

/// Tobin's own example (Econometrica 26 (1958) 24): what 20 households spent on durable goods by
/// age and liquidity, none of it below 0. Coefficients 15.1449, −0.1291, −0.0455 and a scatter of
/// 5.57, ln likelihood −28.9 (from memory, as a statistics package prints them for these data).
#[test]
fn tobins_households_are_as_published() {
    const ROWS: [(f64, f64, f64); 20] = [
        (0.0, 57.7, 236.0),
        (0.7, 50.9, 283.0),
        (0.0, 48.5, 207.0),
        (0.0, 41.7, 220.0),
        (0.0, 47.7, 238.0),
        (0.0, 59.8, 216.0),
        (0.0, 44.3, 284.0),
        (3.7, 45.1, 221.0),
        (0.0, 51.7, 275.0),
        (3.0, 50.0, 269.0),
        (10.4, 46.8, 207.0),
        (0.0, 58.0, 249.0),
        (0.0, 58.9, 246.0),
        (0.0, 40.0, 277.0),
        (1.5, 34.1, 231.0),
        (0.0, 39.9, 219.0),
        (0.0, 33.4, 240.0),
        (3.5, 48.1, 266.0),
        (6.1, 46.6, 214.0),
        (0.0, 53.1, 251.0),
    ];
    let x = DMatrix::from_fn(20, 3, |i, c| [1.0, ROWS[i].1, ROWS[i].2][c]);
    let spent = |row: &(f64, f64, f64)| Seen {
        value: row.0,
        known: if row.0 > 0.0 { Known::Exactly } else { Known::OrLess },
    };
    let y: Vec<Seen> = ROWS.iter().map(spent).collect();
    let found = plain::regression(&x, &y).unwrap();
    for (got, want) in found.coefficients.iter().zip([15.144_87, -0.129_06, -0.045_54]) {
        assert!((got - want).abs() < 6e-6, "{got}, {want}");
    }
    close(found.sd, 5.57, 0.001, "scatter");
    close(found.ln_likelihood, -28.9, 0.002, "ln likelihood");
}

#[test]
fn log_rank_and_the_curve_are_those_of_scipy() {
    for row in Row::all("logrank") {
        let (a, b) = row.seen();
        let (chi2, p) = plain::log_rank(&a, &b).unwrap();
        close(chi2, row.found[0], 1e-9, "χ²");
        close(p, row.found[1], 1e-9, "p");
    }
    for row in Row::all("kaplan") {
        // SciPy gives a value at each time, whether something happened then or not.
        let all = row.b.iter().zip(&row.found).map(|(time, share)| (*time, *share));
        let curve = plain::still_to_come(&row.seen().0);
        for (time, share) in &curve {
            let want = all.clone().find(|(at, _)| at == time).unwrap();
            close(*share, want.1, 1e-9, "still to come");
        }
        assert!(curve.len() + 1 >= row.found.len());
    }
}

/// Remissions of leukaemia under 6-MP and under placebo (Freireich et al., Blood 21 (1963) 699),
/// the worked example of textbooks: χ² = 16.79; of 6-MP 0.857, 0.807, 0.753, 0.690, 0.627, 0.538
/// and 0.448 after 6, 7, 10, 13, 16, 22 and 23 weeks, half of them after 23; placebo after 8
/// (Kleinbaum & Klein, *Survival Analysis*, ch. 2; from memory).
#[test]
fn remissions_last_as_published() {
    let drug: Vec<Seen> = [6.0, 6.0, 6.0, 7.0, 10.0, 13.0, 16.0, 22.0, 23.0]
        .map(Seen::exactly)
        .into_iter()
        .chain(
            [6.0, 9.0, 10.0, 11.0, 17.0, 19.0, 20.0, 25.0, 32.0, 32.0, 34.0, 35.0]
                .map(Seen::or_more),
        )
        .collect();
    let placebo = [
        1.0, 1.0, 2.0, 2.0, 3.0, 4.0, 4.0, 5.0, 5.0, 8.0, 8.0, 8.0, 8.0, 11.0, 11.0, 12.0, 12.0,
        15.0, 17.0, 22.0, 23.0,
    ]
    .map(Seen::exactly);
    let (chi2, p) = plain::log_rank(&drug, &placebo).unwrap();
    assert!((chi2 - 16.79).abs() < 0.005, "{chi2}");
    assert!(p < 0.0001);
    let shares = [0.857, 0.807, 0.753, 0.690, 0.627, 0.538, 0.448];
    for ((time, share), want) in plain::still_to_come(&drug).iter().zip(shares) {
        assert!((share - want).abs() < 6e-4, "{time}: {share}");
    }
    assert_eq!(plain::half_has_come(&drug), Some(23.0));
    assert_eq!(plain::half_has_come(&placebo), Some(8.0));
}

#[test]
fn losses_are_those_of_scipy_and_statsmodels() {
    for row in Row::all("fisher") {
        let (a, b) = row.shares();
        row.is(&plain::fisher(a, b, 0.95).unwrap(), 1e-9);
    }
    for row in Row::all("mcnemar") {
        let [both, first, second, none] = [0, 1, 2, 3].map(|i| row.a[i] as u64);
        row.is(&plain::mcnemar(PairsLost { both, first, second, none }, 0.95).unwrap(), 1e-9);
    }
}

/// 161 patients before and after a treatment (Cavo et al. 2012), the worked example of Fagerland,
/// Lydersen & Laake (*Statistical Analysis of Contingency Tables*, 2017, ch. 8), as the tests of
/// its authors' own package print it: -0.0621 (-0.1186 to -0.0046), McNemar's exact P = 0.052479.
/// Newcombe's 41 coordinators before and after a training (Altman et al., *Statistics with
/// Confidence*, 2nd ed. 2000, table 6.2): 0.122 (0.011 to 0.226), from memory.
#[test]
fn patients_and_coordinators_are_as_published() {
    let patients = PairsLost { both: 59, first: 16, second: 6, none: 80 };
    let found = plain::mcnemar(patients, 0.95).unwrap();
    for (got, want) in [found.value, found.low, found.high].iter().zip([-0.0621, -0.1186, -0.0046])
    {
        assert!((got - want).abs() < 5e-5, "{got}, {want}");
    }
    assert!((found.p - 0.052_479).abs() < 5e-7, "{found:?}");
    let coordinators = PairsLost { both: 14, first: 0, second: 5, none: 22 };
    let found = plain::mcnemar(coordinators, 0.95).unwrap();
    for (got, want) in [found.value, found.low, found.high].iter().zip([0.122, 0.011, 0.226]) {
        assert!((got - want).abs() < 5e-4, "{got}, {want}");
    }
}

/// All that twelve pairs may come to, in many worlds: how often the interval holds the truth, added
/// up without any chance. Treatments that pairs have nothing, much and nearly all in common with.
#[test]
fn intervals_of_pairs_hold_as_often_as_they_say() {
    const N: u64 = 12;
    let ln_factorial = |n: u64| (1..=n).map(|k| (k as f64).ln()).sum::<f64>();
    let (mut worst, mut sum, mut worlds) = (1.0f64, 0.0, 0.0);
    for [both, first, second] in [
        [0.0, 0.05, 0.05],
        [0.0, 0.05, 0.3],
        [0.02, 0.08, 0.18],
        [0.1, 0.0, 0.2],
        [0.2, 0.1, 0.1],
        [0.2, 0.02, 0.4],
        [0.25, 0.25, 0.25],
        [0.4, 0.05, 0.05],
    ] {
        let ln = [both, first, second, 1.0 - both - first - second].map(f64::ln);
        let mut held = 0.0;
        for a in 0..=N {
            for b in 0..=N - a {
                for c in 0..=N - a - b {
                    let counts = [a, b, c, N - a - b - c];
                    let part = |(n, ln): (u64, f64)| {
                        (if n > 0 { n as f64 * ln } else { 0.0 }) - ln_factorial(n)
                    };
                    let ln_p = ln_factorial(N) + counts.into_iter().zip(ln).map(part).sum::<f64>();
                    let [both, first_alone, second_alone, none] = counts;
                    let pairs = PairsLost { both, first: first_alone, second: second_alone, none };
                    let found = plain::mcnemar(pairs, 0.95).unwrap();
                    let holds = found.low <= second - first && second - first <= found.high;
                    held += if holds { ln_p.exp() } else { 0.0 };
                }
            }
        }
        (worst, sum, worlds) = (worst.min(held), sum + held, worlds + 1.0);
    }
    assert!(worst > 0.92 && sum / worlds > 0.95, "worst {worst}, mean {}", sum / worlds);
}

/// Fisher's lady who tastes tea (*The Design of Experiments*, 1935, ch. 2): three of four cups
/// right have 17 of 70 chances to be as good or better, and as many the other way. Newcombe's
/// example 56 of 70 and 48 of 80 (Stat. Med. 17 (1998) 873, table II, method 10): 0.0524 to 0.3339
/// (from memory).
#[test]
fn tea_and_newcombes_table_are_as_published() {
    let tea = plain::fisher((3, 4), (1, 4), 0.95).unwrap();
    close(tea.p, 34.0 / 70.0, 1e-9, "tea");
    let found = plain::fisher((48, 80), (56, 70), 0.95).unwrap();
    close(found.value, 0.2, 1e-12, "difference");
    assert!((found.low - 0.0524).abs() < 6e-5 && (found.high - 0.3339).abs() < 6e-5, "{found:?}");
}

/// The four p of the usual textbook example of Holm's procedure, and statsmodels' of more.
#[test]
fn several_questions_are_holms() {
    for row in Row::all("holm") {
        for (got, want) in plain::holm(&row.a).iter().zip(&row.found) {
            close(*got, *want, 1e-12, "Holm");
        }
    }
    assert!(plain::holm(&[]).is_empty());
}

#[test]
fn pooled_pots_are_those_of_statsmodels() {
    for row in Row::all("pooled") {
        let values: Vec<(f64, f64)> = row.a.iter().copied().zip(row.b.iter().copied()).collect();
        let found = pooled(&values).unwrap();
        close(found.mean, row.found[0], 1e-9, "mean");
        close(found.variance.sqrt(), row.found[1], 1e-9, "standard error");
        close(found.between, row.found[2], 1e-9, "between");
    }
}

/// Thirteen trials of a vaccine (Colditz et al., JAMA 271 (1994) 698), ln of the risk ratio and its
/// variance: τ² = 0.3088, mean −0.7141 (DerSimonian & Laird), standard error 0.1787, Hartung &
/// Knapp's 0.1807 (all from memory).
#[test]
fn a_vaccines_trials_pool_as_published() {
    let trials = [
        (-0.8893, 0.3256),
        (-1.5854, 0.1946),
        (-1.3481, 0.4154),
        (-1.4416, 0.0200),
        (-0.2175, 0.0512),
        (-0.7861, 0.0069),
        (-1.6209, 0.2230),
        (0.0120, 0.0040),
        (-0.4694, 0.0564),
        (-1.3713, 0.0730),
        (-0.3394, 0.0124),
        (0.4459, 0.5325),
        (-0.0173, 0.0714),
    ];
    let values = trials.map(|(y, v): (f64, f64)| (y, v.sqrt()));
    let found = pooled(&values).unwrap();
    assert!((found.between - 0.3088).abs() < 0.001, "{found:?}");
    assert!((found.mean + 0.7141).abs() < 0.0005, "{found:?}");
    assert!((found.variance.sqrt() - 0.1807).abs() < 0.0005, "{found:?}");
}

#[test]
fn power_is_that_of_statsmodels() {
    for row in Row::all("power") {
        let found = power(row.a[0], row.a[1] as usize, row.a[2] == 1.0, 0.95);
        close(found, row.found[0], 1e-7, "power");
    }
}

/// Pots of each treatment for a power of 0.80 at 0.05, two-sided: 393 (393.4, so that it takes one
/// more), 64 and 26 for effects of 0.2, 0.5 and 0.8 standard deviations (Cohen, *Statistical Power
/// Analysis for the Behavioral Sciences*, 2nd ed. 1988, table 2.4.1; from memory).
#[test]
fn groups_are_as_large_as_in_cohens_table() {
    let aim = Aim { spread: 1.0, shared: 0.0, level: 0.95, power: 0.8, paired: false };
    assert_eq!([0.2, 0.5, 0.8].map(|size| aim.pots(size).unwrap()), [394, 64, 26]);
    // In pairs that share nothing the difference has √2 of the scatter.
    let paired = Aim { paired: true, shared: 0.5, ..aim };
    assert_eq!(paired.pots(0.5), Some(34));
    let least = aim.least(64).unwrap();
    assert!(least < 0.5 && least > 0.49, "{least}");
    assert_eq!((aim.pots(0.01), aim.least(1)), (None, None));
}
