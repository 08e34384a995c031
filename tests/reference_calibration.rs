//! The calibration line against JCGM 100:2008, annex H.3 (calibration of a thermometer).

use warecast::sensing::calibration::{CalibrationError, Line};

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
    let line = Line::through(&THERMOMETER, 20.0).unwrap();
    close(line.intercept, -0.1712, 5e-5, "y₁");
    close(line.intercept_u, 0.0029, 5e-5, "s(y₁)");
    close(line.slope, 0.00218, 5e-6, "y₂");
    close(line.slope_u, 0.00067, 5e-6, "s(y₂)");
    close(line.correlation, -0.930, 5e-4, "r(y₁, y₂)");
    close(line.scatter, 0.0035, 5e-5, "s");
    assert_eq!(line.degrees_of_freedom, 9);
    let at_30 = line.at(30.0);
    close(at_30.value, -0.1494, 5e-5, "b(30 °C)");
    close(at_30.line_u, 0.0041, 5e-5, "u_c of b(30 °C)");
}

/// H.3.5 (figures from memory): with the reference at the mean reading the parameters are
/// uncorrelated, y₁ = −0.1625 with s = 0.0011, and what is read off the line stays the same.
#[test]
fn the_reference_point_does_not_matter() {
    let far = Line::through(&THERMOMETER, 20.0).unwrap();
    let mean = Line::through(&THERMOMETER, 24.0085).unwrap();
    close(mean.intercept, -0.1625, 5e-5, "y₁ at the mean");
    close(mean.intercept_u, 0.0011, 5e-5, "s(y₁) at the mean");
    close(mean.correlation, 0.0, 1e-4, "r at the mean");
    for t in [15.0, 24.0, 30.0] {
        close(far.at(t).value, mean.at(t).value, 1e-12, "value");
        close(far.at(t).line_u, mean.at(t).line_u, 1e-12, "uncertainty");
    }
}

/// The residuals' sum of squares, 1.10096583e-4, as the GTC library computes it for this example.
#[test]
fn scatter_agrees_with_a_library() {
    let line = Line::through(&THERMOMETER, 20.0).unwrap();
    close(line.scatter.powi(2) * 9.0, 1.100_965_83e-4, 1e-12, "sum of squares");
    let one = line.at(24.0);
    close(one.reading_u.powi(2), one.line_u.powi(2) + line.scatter.powi(2), 1e-15, "one reading");
}

#[test]
fn no_line_without_points_that_differ() {
    assert_eq!(Line::through(&THERMOMETER[..2], 0.0), Err(CalibrationError::TooFew(2)));
    let same = [(5.0, 1.0), (5.0, 2.0), (5.0, 3.0)];
    assert_eq!(Line::through(&same, 0.0), Err(CalibrationError::NoSpan));
    let broken = [(1.0, 1.0), (2.0, f64::NAN), (3.0, 3.0)];
    assert_eq!(Line::through(&broken, 0.0), Err(CalibrationError::NotFinite(2)));
}
