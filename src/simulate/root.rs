//! Root of a rising function between two ends: false position with the Illinois rule
//! (Dowell & Jarratt, BIT 11 (1971) 168), which always keeps the root bracketed.

/// Where `f`, rising from `low` to `high`, passes zero, to about 1e-9 of their distance; the
/// nearer end where it does not.
pub fn rising(f: impl Fn(f64) -> f64, low: f64, high: f64) -> f64 {
    let (mut a, mut b) = (low, high);
    let (mut at_a, mut at_b) = (f(a), f(b));
    if at_a >= 0.0 {
        return a;
    }
    if at_b <= 0.0 {
        return b;
    }
    // Which end moved last: if the same one moves twice, the other's value is halved.
    let mut moved = 0;
    let mut last = f64::NAN;
    for _ in 0..80 {
        let x = (a * at_b - b * at_a) / (at_b - at_a);
        let at_x = f(x);
        if at_x == 0.0 || (x - last).abs() <= 1e-9 * (high - low) || x <= a || x >= b {
            return x.clamp(a, b);
        }
        last = x;
        if at_x < 0.0 {
            (a, at_a) = (x, at_x);
            if moved == -1 {
                at_b *= 0.5;
            }
            moved = -1;
        } else {
            (b, at_b) = (x, at_x);
            if moved == 1 {
                at_a *= 0.5;
            }
            moved = 1;
        }
    }
    0.5 * (a + b)
}

#[cfg(test)]
mod tests {
    use super::rising;

    #[test]
    fn finds_roots_of_straight_and_kinked_functions() {
        assert!((rising(|x| x.powi(3) - 2.0, 0.0, 2.0) - 2f64.cbrt()).abs() < 1e-8);
        let kinked = |x: f64| if x < 0.3 { 1e-3 * (x - 0.3) } else { x - 0.3 };
        assert!((rising(kinked, 0.0, 1.0) - 0.3).abs() < 1e-8);
        assert_eq!(rising(|x| x + 1.0, 0.0, 1.0), 0.0);
        assert_eq!(rising(|x| x - 2.0, 0.0, 1.0), 1.0);
    }
}
