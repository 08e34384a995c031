//! The curve through known masses against JCGM 100:2008, annex H.3 (calibration of a thermometer),
//! and two sets of the NIST Statistical Reference Datasets: Norris (a straight line, 36 points) and
//! Pontius (a load cell, a quadratic, 40 points), with their certified values.

use warecast::calibration::curve::{Curve, CurveError, Shape};

/// Table H.6: thermometer reading °C, observed correction °C.
const THERMOMETER: [(f64, f64); 11] = [
    (21.521, -0.171),
    (22.012, -0.169),
    (22.512, -0.166),
    (23.003, -0.159),
    (23.507, -0.164),
    (23.999, -0.165),
    (24.513, -0.156),
    (25.002, -0.157),
    (25.503, -0.159),
    (26.010, -0.161),
    (26.511, -0.160),
];

fn close(got: f64, want: f64, tolerance: f64, what: &str) {
    assert!((got - want).abs() <= tolerance, "{what}: got {got}, published {want} ± {tolerance}");
}

/// Results of H.3.3 and H.3.4, to the digits printed there.
#[test]
fn thermometer_of_annex_h_3() {
    let line = Curve::through(&THERMOMETER, Shape::Straight).unwrap();
    let about = line.about(20.0);
    close(about.parameters[0], -0.1712, 5e-5, "y₁");
    close(about.u(0), 0.0029, 5e-5, "s(y₁)");
    close(about.parameters[1], 0.00218, 5e-6, "y₂");
    close(about.u(1), 0.00067, 5e-6, "s(y₂)");
    close(about.correlation(0, 1), -0.930, 5e-4, "r(y₁, y₂)");
    close(line.scatter(), 0.0035, 5e-5, "s");
    assert_eq!(line.degrees_of_freedom(), 9);
    let at_30 = line.at(30.0);
    close(at_30.value, -0.1494, 5e-5, "b(30 °C)");
    close(at_30.line_u, 0.0041, 5e-5, "u_c of b(30 °C)");
}

/// H.3.5 (figures from memory): with the reference at the mean reading the parameters are
/// uncorrelated, y₁ = −0.1625 with s = 0.0011.
#[test]
fn the_reference_point_does_not_matter() {
    let line = Curve::through(&THERMOMETER, Shape::Straight).unwrap();
    let mean = line.about(24.0085);
    close(mean.parameters[0], -0.1625, 5e-5, "y₁ at the mean");
    close(mean.u(0), 0.0011, 5e-5, "s(y₁) at the mean");
    close(mean.correlation(0, 1), 0.0, 1e-4, "r at the mean");
}

/// The residuals' sum of squares, 1.10096583e-4, as the GTC library computes it for this example.
#[test]
fn scatter_agrees_with_a_library() {
    let line = Curve::through(&THERMOMETER, Shape::Straight).unwrap();
    let sum: f64 = line.residuals().iter().map(|r| r * r).sum();
    close(sum, 1.100_965_83e-4, 1e-12, "sum of squares");
    close(line.scatter().powi(2) * 9.0, sum, 1e-15, "scatter");
    let one = line.at(24.0);
    close(one.reading_u.powi(2), one.line_u.powi(2) + sum / 9.0, 1e-15, "one reading");
}

/// NIST StRD, linear regression: Norris (calibration of ozone monitors; x, y).
const NORRIS: [(f64, f64); 36] = [
    (0.2, 0.1),
    (337.4, 338.8),
    (118.2, 118.1),
    (884.6, 888.0),
    (10.1, 9.2),
    (226.5, 228.1),
    (666.3, 668.5),
    (996.3, 998.5),
    (448.6, 449.1),
    (777.0, 778.9),
    (558.2, 559.2),
    (0.4, 0.3),
    (0.6, 0.1),
    (775.5, 778.1),
    (666.9, 668.8),
    (338.0, 339.3),
    (447.5, 448.9),
    (11.6, 10.8),
    (556.0, 557.7),
    (228.1, 228.3),
    (995.8, 998.0),
    (887.6, 888.8),
    (120.2, 119.6),
    (0.3, 0.3),
    (0.3, 0.6),
    (556.8, 557.6),
    (339.1, 339.3),
    (887.2, 888.0),
    (999.0, 998.5),
    (779.0, 778.9),
    (11.1, 10.2),
    (118.3, 117.6),
    (229.2, 228.9),
    (669.1, 668.4),
    (448.9, 449.2),
    (0.5, 0.2),
];

/// NIST StRD, linear regression: Pontius (calibration of a load cell); deflections at loads of
/// 150,000 to 3,000,000 in steps of 150,000, twice.
const PONTIUS: [f64; 40] = [
    0.11019, 0.21956, 0.32949, 0.43899, 0.54803, 0.65694, 0.76562, 0.87487, 0.98292, 1.09146,
    1.20001, 1.30822, 1.41599, 1.52399, 1.63194, 1.73947, 1.84646, 1.95392, 2.06128, 2.16844,
    0.11052, 0.22018, 0.32939, 0.43886, 0.54798, 0.65739, 0.76596, 0.87474, 0.98300, 1.09150,
    1.20004, 1.30818, 1.41613, 1.52408, 1.63159, 1.73965, 1.84696, 1.95445, 2.06177, 2.16829,
];

fn certified(got: f64, want: f64, what: &str) {
    close(got / want, 1.0, 1e-9, what);
}

/// Certified: B0, B1 with standard deviations, residual standard deviation (from the residual sum
/// of squares 26.6173985294224 and 34 degrees of freedom).
#[test]
fn norris_is_a_straight_line() {
    let curve = Curve::demanded(&NORRIS, 0.0).unwrap();
    assert_eq!(curve.shape(), Shape::Straight);
    let about = curve.about(0.0);
    certified(about.parameters[0], -0.262_323_073_774_029, "B0");
    certified(about.parameters[1], 1.002_116_818_020_45, "B1");
    certified(about.u(0), 0.232_818_234_301_152, "s(B0)");
    certified(about.u(1), 0.429_796_848_199_937e-3, "s(B1)");
    certified(curve.scatter().powi(2) * 34.0, 26.617_398_529_422_4, "sum of squares");
}

#[test]
fn pontius_demands_a_quadratic() {
    let points: Vec<(f64, f64)> =
        PONTIUS.iter().enumerate().map(|(i, y)| (150_000.0 * (i % 20 + 1) as f64, *y)).collect();
    let curve = Curve::demanded(&points, 0.0).unwrap();
    assert_eq!(curve.shape(), Shape::Quadratic);
    let about = curve.about(0.0);
    certified(about.parameters[0], 0.673_565_789_473_684e-3, "B0");
    certified(about.parameters[1], 0.732_059_160_401_003e-6, "B1");
    certified(about.parameters[2], -0.316_081_871_345_029e-14, "B2");
    certified(about.u(0), 0.107_938_612_033_077e-3, "s(B0)");
    certified(about.u(1), 0.157_817_399_981_659e-9, "s(B1)");
    certified(about.u(2), 0.486_652_849_992_036e-16, "s(B2)");
    certified(curve.scatter().powi(2) * 37.0, 0.155_761_768_796_992e-5, "sum of squares");
    for x in [150_000.0, 1_234_567.0, 3_100_000.0] {
        close(curve.inverse(curve.value(x)).unwrap() / x, 1.0, 1e-12, "there and back");
    }
    // Where masses are not known that well, they may be what is bent.
    let straight = Curve::demanded(&points, 0.01).unwrap();
    assert_eq!(straight.shape(), Shape::Straight);
}

/// Errors of the points move the curve as a curve through the errors alone (least squares are
/// linear in y).
#[test]
fn errors_of_the_masses_go_through_the_curve() {
    let shifts: Vec<f64> = NORRIS.iter().map(|(x, _)| 0.5 + 1e-3 * x).collect();
    let curve = Curve::through(&NORRIS, Shape::Quadratic).unwrap();
    let moved: Vec<(f64, f64)> =
        NORRIS.iter().zip(&shifts).map(|((x, y), s)| (*x, y + s)).collect();
    let moved = Curve::through(&moved, Shape::Quadratic).unwrap();
    for x in [-50.0, 0.0, 400.0, 1100.0] {
        close(curve.moved_by(&shifts, x), moved.value(x) - curve.value(x), 1e-9, "shift");
        close(curve.moved_by(&shifts, x), 0.5 + 1e-3 * x, 1e-9, "a line of shifts");
    }
    close(curve.slope(400.0), (curve.value(401.0) - curve.value(399.0)) / 2.0, 1e-9, "slope");
}

#[test]
fn no_curve_without_points_that_differ() {
    let straight = |points: &[(f64, f64)]| Curve::demanded(points, 0.0);
    assert_eq!(straight(&THERMOMETER[..2]), Err(CurveError::TooFew(2)));
    assert_eq!(straight(&[(5.0, 1.0), (5.0, 2.0), (5.0, 3.0)]), Err(CurveError::NoSpan));
    assert_eq!(straight(&[(1.0, 5.0), (2.0, 5.0), (3.0, 5.0)]), Err(CurveError::NoSpan));
    let broken = [(1.0, 1.0), (2.0, f64::NAN), (3.0, 3.0)];
    assert_eq!(straight(&broken), Err(CurveError::NotFinite(2)));
    // Three points in a row of which two share x have a line and no quadratic.
    let two = [(1.0, 0.0), (1.0, 0.1), (9.0, 5.0), (9.0, 5.1), (9.0, 5.0)];
    assert_eq!(straight(&two).map(|c| c.shape()), Ok(Shape::Straight));
    assert_eq!(Curve::through(&two, Shape::Quadratic), Err(CurveError::NoSpan));
}
