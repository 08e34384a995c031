//! The minimiser against certified nonlinear regressions: NIST Statistical Reference Datasets
//! (StRD), all 27 sets of the nonlinear part, <https://www.itl.nist.gov/div898/strd/>.
//!
//! The files in `fixtures/nist_strd/` are NIST's own, works of the United States government and in
//! the public domain. Certified values come from runs in 128-bit arithmetic by two algorithms.
//! Measure: the log relative error, the number of digits that agree (McCullough, Am. Stat. 52,
//! 358–366, 1998). Derivatives are the minimiser's own differences.

use nalgebra::{DMatrix, DVector};
use std::cell::Cell;
use std::f64::consts::PI;
use warecast::core::inference::least_squares::{
    Fit, Options, Problem, Refusal, Scatter, Stop, fit, runs_test,
};

type Model = fn(&DVector<f64>, &[f64]) -> f64;

/// Models as the files print them.
const SETS: [(&str, Model); 27] = [
    ("Bennett5", |b, x| b[0] * (b[1] + x[0]).powf(-1.0 / b[2])),
    ("BoxBOD", |b, x| b[0] * (1.0 - (-b[1] * x[0]).exp())),
    ("Chwirut1", |b, x| (-b[0] * x[0]).exp() / (b[1] + b[2] * x[0])),
    ("Chwirut2", |b, x| (-b[0] * x[0]).exp() / (b[1] + b[2] * x[0])),
    ("DanWood", |b, x| b[0] * x[0].powf(b[1])),
    ("Eckerle4", |b, x| b[0] / b[1] * (-0.5 * ((x[0] - b[2]) / b[1]).powi(2)).exp()),
    ("ENSO", |b, x| {
        let wave = |period: f64, cos: f64, sin: f64| {
            let angle = 2.0 * PI * x[0] / period;
            cos * angle.cos() + sin * angle.sin()
        };
        b[0] + wave(12.0, b[1], b[2]) + wave(b[3], b[4], b[5]) + wave(b[6], b[7], b[8])
    }),
    ("Gauss1", peaks),
    ("Gauss2", peaks),
    ("Gauss3", peaks),
    ("Hahn1", cubics),
    ("Kirby2", |b, x| (b[0] + x[0] * (b[1] + x[0] * b[2])) / (1.0 + x[0] * (b[3] + x[0] * b[4]))),
    ("Lanczos1", exponentials),
    ("Lanczos2", exponentials),
    ("Lanczos3", exponentials),
    ("MGH09", |b, x| b[0] * (x[0] * x[0] + x[0] * b[1]) / (x[0] * x[0] + x[0] * b[2] + b[3])),
    ("MGH10", |b, x| b[0] * (b[1] / (x[0] + b[2])).exp()),
    ("MGH17", |b, x| b[0] + b[1] * (-x[0] * b[3]).exp() + b[2] * (-x[0] * b[4]).exp()),
    ("Misra1a", |b, x| b[0] * (1.0 - (-b[1] * x[0]).exp())),
    ("Misra1b", |b, x| b[0] * (1.0 - (1.0 + b[1] * x[0] / 2.0).powi(-2))),
    ("Misra1c", |b, x| b[0] * (1.0 - (1.0 + 2.0 * b[1] * x[0]).powf(-0.5))),
    ("Misra1d", |b, x| b[0] * b[1] * x[0] / (1.0 + b[1] * x[0])),
    ("Nelson", |b, x| b[0] - b[1] * x[0] * (-b[2] * x[1]).exp()),
    ("Rat42", |b, x| b[0] / (1.0 + (b[1] - b[2] * x[0]).exp())),
    ("Rat43", |b, x| b[0] / (1.0 + (b[1] - b[2] * x[0]).exp()).powf(1.0 / b[3])),
    ("Roszman1", |b, x| b[0] - b[1] * x[0] - (b[2] / (x[0] - b[3])).atan() / PI),
    ("Thurber", cubics),
];

fn peaks(b: &DVector<f64>, x: &[f64]) -> f64 {
    let peak = |height: f64, at: f64, width: f64| height * (-((x[0] - at) / width).powi(2)).exp();
    b[0] * (-b[1] * x[0]).exp() + peak(b[2], b[3], b[4]) + peak(b[5], b[6], b[7])
}

fn cubics(b: &DVector<f64>, x: &[f64]) -> f64 {
    let x = x[0];
    (b[0] + x * (b[1] + x * (b[2] + x * b[3]))) / (1.0 + x * (b[4] + x * (b[5] + x * b[6])))
}

fn exponentials(b: &DVector<f64>, x: &[f64]) -> f64 {
    (0..3).map(|k| b[2 * k] * (-b[2 * k + 1] * x[0]).exp()).sum()
}

/// One set as its file has it.
struct Set {
    name: &'static str,
    model: Model,
    starts: [DVector<f64>; 2],
    certified: DVector<f64>,
    deviations: DVector<f64>,
    residual_sum: f64,
    x: Vec<Vec<f64>>,
    y: Vec<f64>,
}

impl Set {
    fn read(name: &'static str, model: Model) -> Set {
        let path = format!("{}/fixtures/nist_strd/{name}.dat", env!("CARGO_MANIFEST_DIR"));
        let text = std::fs::read_to_string(path).unwrap();
        let numbers = |line: &str| -> Vec<f64> {
            line.split_whitespace().filter_map(|word| word.parse().ok()).collect()
        };
        let table: Vec<Vec<f64>> = text
            .lines()
            .skip(40)
            .take_while(|line| line.contains('='))
            .map(|line| numbers(line.split_once('=').unwrap().1))
            .collect();
        let column = |k: usize| DVector::from_iterator(table.len(), table.iter().map(|r| r[k]));
        let sum = text.lines().find(|line| line.starts_with("Residual Sum of Squares")).unwrap();
        let data: Vec<Vec<f64>> =
            text.lines().skip(60).map(numbers).filter(|row| !row.is_empty()).collect();
        // Nelson's response is modelled on the log scale.
        let response = |y: f64| if name == "Nelson" { y.ln() } else { y };
        Set {
            name,
            model,
            starts: [column(0), column(1)],
            certified: column(2),
            deviations: column(3),
            residual_sum: numbers(sum)[0],
            x: data.iter().map(|row| row[1..].to_vec()).collect(),
            y: data.iter().map(|row| response(row[0])).collect(),
        }
    }

    fn all() -> Vec<Set> {
        SETS.into_iter().map(|(name, model)| Set::read(name, model)).collect()
    }

    fn fit(&self, start: usize) -> Result<Fit, Refusal> {
        fit(self, self.starts[start].clone(), &Options::default())
    }
}

impl Problem for Set {
    fn residuals(&self, b: &DVector<f64>) -> Option<DVector<f64>> {
        let each = self.x.iter().zip(&self.y).map(|(x, y)| y - (self.model)(b, x));
        Some(DVector::from_iterator(self.y.len(), each))
    }
}

/// Digits that agree, of the worst parameter; at most 11, as many as are certified.
fn digits(got: &DVector<f64>, certified: &DVector<f64>) -> f64 {
    let worst = got.iter().zip(certified).map(|(g, c)| ((g - c) / c).abs()).fold(0.0, f64::max);
    if worst.is_nan() { 0.0 } else { (-worst.log10()).clamp(0.0, 11.0) }
}

fn check(set: &Set, start: usize, least: f64) {
    let what = format!("{} from start {}", set.name, start + 1);
    let got = set.fit(start).unwrap_or_else(|refusal| panic!("{what}: {refusal}"));
    assert!(got.report.stop.converged(), "{what}: {:?}", got.report);
    let agree = digits(&got.parameters, &set.certified);
    assert!(agree >= least, "{what}: parameters agree to {agree:.1} digits only");
    // The residuals of Lanczos1 are the rounding of its 14 printed digits (certified sum 1.4e-25):
    // double precision can give its sum, and the errors that rest on it, only roughly.
    let rounding = set.name == "Lanczos1";
    let sum_error = (got.residual_sum / set.residual_sum - 1.0).abs();
    assert!(sum_error < if rounding { 0.05 } else { 1e-9 }, "{what}: sum off by {sum_error:e}");
    let agree = digits(&got.standard_errors(), &set.deviations);
    let least = if rounding { 1.3 } else { 6.0 };
    assert!(agree >= least, "{what}: standard errors agree to {agree:.1} digits only");
}

/// The usual pass mark is 6 digits from the nearer start.
#[test]
fn all_certified_sets_from_the_nearer_start() {
    let sets = Set::all();
    assert_eq!(sets.len(), 27);
    for set in &sets {
        check(set, 1, 6.0);
    }
}

/// The usual pass mark is 4 digits from the farther start; 6 are had.
///
/// Without bending the steps, BoxBOD runs away to a rate that its six points say nothing about,
/// and MGH17 creeps along a valley for 580 steps. MGH10 is left out: see below.
#[test]
fn all_certified_sets_but_one_from_the_farther_start() {
    for set in Set::all().iter().filter(|set| set.name != "MGH10") {
        check(set, 0, 6.0);
    }
}

/// MGH10 from its farther start (b1 = 2, to become 0.0056 while the model is proportional to it
/// and exponential in b2) creeps along a bent valley. It must say that it did not arrive; written
/// in the logarithm of b1 the same start leads to the certified minimum.
#[test]
fn mgh10_from_afar_says_that_it_did_not_arrive_and_needs_a_logarithm() {
    let mut set = Set::read("MGH10", SETS[16].1);
    let lost = set.fit(0).unwrap();
    assert_eq!(lost.report.stop, Stop::Iterations);
    assert!(!lost.report.stop.converged() && lost.report.offset > 1.0);
    set.model = |b, x| (b[0] + b[1] / (x[0] + b[2])).exp();
    set.starts[0][0] = set.starts[0][0].ln();
    set.certified[0] = set.certified[0].ln();
    let found = set.fit(0).unwrap();
    assert!(found.report.stop.converged(), "{:?}", found.report);
    assert!(digits(&found.parameters, &set.certified) >= 6.0);
}

/// Exact derivatives instead of differences lead to the same certified values.
#[test]
fn exact_derivatives_lead_to_the_same_minimum() {
    struct Exact(Set);
    impl Problem for Exact {
        fn residuals(&self, b: &DVector<f64>) -> Option<DVector<f64>> {
            self.0.residuals(b)
        }
        fn jacobian(&self, b: &DVector<f64>, _: &DVector<f64>) -> Option<DMatrix<f64>> {
            Some(DMatrix::from_fn(self.0.y.len(), 2, |i, j| {
                let x = self.0.x[i][0];
                let left = (-b[1] * x).exp();
                if j == 0 { left - 1.0 } else { -b[0] * x * left }
            }))
        }
    }
    let exact = Exact(Set::read("Misra1a", SETS[18].1));
    for start in &exact.0.starts {
        let got = fit(&exact, start.clone(), &Options::default()).unwrap();
        assert!(digits(&got.parameters, &exact.0.certified) >= 9.0);
        assert!(digits(&got.standard_errors(), &exact.0.deviations) >= 9.0);
    }
}

/// A model as a function, for what no certified set shows.
struct Curve<F>(F);

impl<F: Fn(&DVector<f64>) -> Option<DVector<f64>>> Problem for Curve<F> {
    fn residuals(&self, b: &DVector<f64>) -> Option<DVector<f64>> {
        (self.0)(b)
    }
}

fn refused(
    model: impl Fn(&DVector<f64>) -> Option<DVector<f64>>,
    start: &[f64],
) -> Option<Refusal> {
    fit(&Curve(model), DVector::from_row_slice(start), &Options::default()).err()
}

/// Water lost = b1 (1 − exp(−b2 t)) on a pot that loses nothing: the rate could be anything.
#[test]
fn a_flat_trace_has_no_rate() {
    let flat = |b: &DVector<f64>| {
        Some(DVector::from_fn(20, |i, _| b[0] * (1.0 - (-b[1] * i as f64).exp())))
    };
    assert_eq!(refused(flat, &[0.0, 0.1]), Some(Refusal::Unidentified(vec![1])));
    // With weighing noise and a start elsewhere the rate gets an error larger than itself.
    let noise = |i: usize| 0.05 * (f64::from(i as u32) * 2.4).sin();
    let noisy = |b: &DVector<f64>| {
        Some(DVector::from_fn(20, |i, _| b[0] * (1.0 - (-b[1] * i as f64).exp()) - noise(i)))
    };
    match fit(&Curve(noisy), DVector::from_row_slice(&[1.0, 0.1]), &Options::default()) {
        Ok(got) => assert!(
            got.standard_errors()[1] > got.parameters[1].abs() || { !got.report.stop.converged() }
        ),
        Err(refusal) => assert!(matches!(refusal, Refusal::Unidentified(_))),
    }
}

#[test]
fn a_product_is_not_told_apart() {
    let product = |b: &DVector<f64>| {
        Some(DVector::from_fn(9, |i, _| b[0] * b[1] * i as f64 - 3.0 * i as f64 + (i % 2) as f64))
    };
    assert_eq!(refused(product, &[1.0, 2.0]), Some(Refusal::Unidentified(vec![0, 1])));
}

#[test]
fn what_cannot_be_fitted_is_refused_by_name() {
    let line = |n: usize| {
        move |b: &DVector<f64>| {
            Some(DVector::from_fn(n, |i, _| b[0] + b[1] * i as f64 - (i * i) as f64))
        }
    };
    let few = Some(Refusal::TooFew { residuals: 2, parameters: 2 });
    assert_eq!(refused(line(2), &[0.0, 0.0]), few);
    let none = Some(Refusal::TooFew { residuals: 9, parameters: 0 });
    assert_eq!(refused(|_| Some(DVector::zeros(9)), &[]), none);
    assert_eq!(refused(line(9), &[f64::NAN, 0.0]), Some(Refusal::Start));
    assert_eq!(refused(|_| None, &[0.0]), Some(Refusal::Start));
    let infinite = |b: &DVector<f64>| Some(DVector::from_element(5, 1.0 / b[0]));
    assert_eq!(refused(infinite, &[0.0]), Some(Refusal::Start));
    // Exists at the start alone: no derivatives.
    let point = |b: &DVector<f64>| (b[0] == 1.0).then(|| DVector::from_element(5, 1.0));
    assert_eq!(refused(point, &[1.0]), Some(Refusal::Derivatives));
}

/// On the way from its farther start MGH17 overflows now and then, and arrives all the same.
#[test]
fn steps_into_infinity_are_taken_back() {
    let set = Set::read("MGH17", SETS[17].1);
    let overflows = Cell::new(0);
    let counted = Curve(|b: &DVector<f64>| {
        let residuals = set.residuals(b)?;
        let finite = residuals.iter().all(|r| r.is_finite());
        overflows.set(overflows.get() + usize::from(!finite));
        Some(residuals)
    });
    let found = fit(&counted, set.starts[0].clone(), &Options::default()).unwrap();
    assert!(overflows.get() > 0);
    assert!(digits(&found.parameters, &set.certified) >= 6.0, "{:?}", found.report);
}

/// A model that ends before the minimum is reached stalls the search, which says so.
#[test]
fn a_wall_before_the_minimum_is_not_called_converged() {
    let set = Set::read("BoxBOD", SETS[1].1);
    let walled = Curve(|b: &DVector<f64>| (b[1] < 0.4).then(|| set.residuals(b)).flatten());
    let start = DVector::from_row_slice(&[1.0, 0.1]);
    let stuck = fit(&walled, start, &Options::default()).unwrap();
    assert!(!stuck.report.stop.converged() && stuck.report.offset > 1.0, "{:?}", stuck.report);
}

/// With residuals in units of their standard deviations the covariance is (JᵀJ)⁻¹: a mean of n
/// values of unit scatter has the variance 1/n, whatever they say.
#[test]
fn known_scatter_is_taken_as_it_stands() {
    let mean = Curve(|b: &DVector<f64>| Some(DVector::from_fn(25, |i, _| b[0] - (i % 3) as f64)));
    let options = Options { scatter: Scatter::Unit, ..Options::default() };
    let got = fit(&mean, DVector::from_element(1, 0.0), &options).unwrap();
    assert!((got.covariance[(0, 0)] - 1.0 / 25.0).abs() < 1e-9);
    assert!((got.parameters[0] - 24.0 / 25.0).abs() < 1e-8);
}

/// statsmodels 0.15.0, `runstest_1samp(x, cutoff=0, correction=False)`.
#[test]
fn runs_agree_with_a_library() {
    let mixed = [1.0, 2.0, 1.0, -1.0, -2.0, -1.0, 3.0, 1.0, -1.0, -2.0, -2.0, 1.0];
    let split = [1.0, 1.0, 1.0, 1.0, 1.0, -1.0, -1.0, -1.0, -1.0, -1.0];
    let saw: Vec<f64> = (0..12).map(|i| if i % 2 == 0 { 1.0 } else { -1.0 }).collect();
    for (residuals, z) in [
        (&mixed[..], -1.211_060_141_639),
        (&split[..], -2.683_281_573),
        (&saw[..], 3.027_650_354_097),
    ] {
        assert!((runs_test(residuals).unwrap() - z).abs() < 1e-9);
    }
    assert_eq!(runs_test(&[1.0, 1.0, 1.0, -1.0]), None);
}
