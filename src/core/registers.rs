//! Arithmetic on as many numbers at once as a register of the processor holds.
//!
//! Written once, done in the widest registers there are; never with fused operations, so what comes
//! of it is the same to the bit on all of them.

use pulp::Simd;
use std::ops::{Add, Div, Mul, Sub};

/// A registerful of numbers.
#[derive(Clone, Copy, Debug)]
pub struct Register<S: Simd> {
    simd: S,
    values: S::f64s,
}

impl<S: Simd> Register<S> {
    /// All the same.
    #[inline(always)]
    pub fn all(simd: S, value: f64) -> Self {
        Register { simd, values: simd.splat_f64s(value) }
    }

    /// The `part`-th registerful of some numbers.
    #[inline(always)]
    pub fn of(simd: S, numbers: &[f64], part: usize) -> Self {
        Register { simd, values: S::as_simd_f64s(numbers).0[part] }
    }

    /// Puts them where [`Register::of`] takes them from.
    #[inline(always)]
    pub fn put(self, numbers: &mut [f64], part: usize) {
        S::as_mut_simd_f64s(numbers).0[part] = self.values;
    }

    /// Their square roots.
    #[inline(always)]
    pub fn sqrt(self) -> Self {
        Register { values: self.simd.sqrt_f64s(self.values), ..self }
    }

    /// Each as it is, or this much if it is less.
    #[inline(always)]
    pub fn at_least(self, least: f64) -> Self {
        let least = self.simd.splat_f64s(least);
        Register { values: self.simd.max_f64s(self.values, least), ..self }
    }
}

macro_rules! arithmetic {
    ($($operator:ident $method:ident $of_registers:ident),*) => {$(
        impl<S: Simd> $operator for Register<S> {
            type Output = Register<S>;

            #[inline(always)]
            fn $method(self, other: Register<S>) -> Register<S> {
                let values = self.simd.$of_registers(self.values, other.values);
                Register { values, ..self }
            }
        }

        impl<S: Simd> $operator<f64> for Register<S> {
            type Output = Register<S>;

            #[inline(always)]
            fn $method(self, other: f64) -> Register<S> {
                self.$method(Register::all(self.simd, other))
            }
        }

        impl<S: Simd> $operator<Register<S>> for f64 {
            type Output = Register<S>;

            #[inline(always)]
            fn $method(self, other: Register<S>) -> Register<S> {
                Register::all(other.simd, self).$method(other)
            }
        }
    )*};
}

arithmetic!(Add add add_f64s, Sub sub sub_f64s, Mul mul mul_f64s, Div div div_f64s);

#[cfg(test)]
mod tests {
    use super::*;
    use pulp::{Arch, WithSimd};

    /// Some numbers by some others, in every way, register by register.
    struct All<'a> {
        a: &'a [f64; 8],
        b: &'a [f64; 8],
    }

    impl WithSimd for All<'_> {
        type Output = [[f64; 8]; 6];

        fn with_simd<S: Simd>(self, simd: S) -> Self::Output {
            let mut out = [[0.0; 8]; 6];
            for part in 0..8 / S::F64_LANES {
                let (a, b) = (Register::of(simd, self.a, part), Register::of(simd, self.b, part));
                let each = [a + b, a - b, a * b, 2.0 * (a / b) - 1.0, b.sqrt(), a.at_least(0.5)];
                for (out, found) in out.iter_mut().zip(each) {
                    found.put(out, part);
                }
            }
            out
        }
    }

    /// In registers of any width, the least of which is one number, to the bit.
    #[test]
    fn registers_reckon_as_single_numbers_do() {
        let a = [0.1, -2.0, 3.3, 1e-12, 7e7, 0.5, -0.0, 12.5];
        let b = [3.0, 0.7, 1e-3, 5.0, 0.3, 2.0, 9.0, 1.0 / 3.0];
        let single = |f: fn(f64, f64) -> f64| std::array::from_fn(|i| f(a[i], b[i]));
        let want: [[f64; 8]; 6] = [
            single(|a, b| a + b),
            single(|a, b| a - b),
            single(|a, b| a * b),
            single(|a, b| 2.0 * (a / b) - 1.0),
            single(|_, b| b.sqrt()),
            single(|a, _| a.max(0.5)),
        ];
        assert_eq!(Arch::new().dispatch(All { a: &a, b: &b }), want);
        assert_eq!(All { a: &a, b: &b }.with_simd(pulp::Scalar), want);
    }
}
