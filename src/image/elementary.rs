//! Logarithm and exponential that a compiler can turn into vector instructions.
//!
//! The profile needs one of each a node, some hundred thousand a frame; the C library's take one number a call. Ranges are
//! those of the profile, and checked against the library.

use std::f64::consts::LN_2;

/// Bits of 1.5 * 2^52: added to a small number it leaves that number's nearest integer in the low bits.
const ROUNDER: f64 = 6_755_399_441_055_744.0;

/// Natural logarithm of a number from 1 to 1e300, relative error below 1e-11: no branch, no table, so that loops over it
/// use the processor's vectors, which calls of the C library prevent.
///
/// Exponent and mantissa m in [sqrt 1/2, sqrt 2): `ln m = 2 artanh((m - 1)/(m + 1))` as a power series.
#[inline(always)]
pub(crate) fn ln_above_one(x: f64) -> f64 {
    // Subtracting the bits of sqrt(1/2) puts the change of exponent where the mantissa passes sqrt 2.
    const SQRT_HALF_BITS: u64 = 0x3fe6_a09e_667f_3bcd;
    let above = x.to_bits() - SQRT_HALF_BITS;
    let exponent = f64::from_bits((above >> 52) | 0x4330_0000_0000_0000) - 4_503_599_627_370_496.0;
    let m = f64::from_bits(x.to_bits() - (above & 0xfff0_0000_0000_0000));
    let s = (m - 1.0) / (m + 1.0);
    let z = s * s;
    let series =
        1.0 + z * (1.0 / 3.0 + z * (0.2 + z * (1.0 / 7.0 + z * (1.0 / 9.0 + z * (1.0 / 11.0 + z * (1.0 / 13.0))))));
    exponent * LN_2 + 2.0 * s * series
}

/// Exponential of a number from -700 to 0, relative error below 1e-11, likewise; smaller numbers count as -700.
///
/// `2^n e^r` with |r| at most ln 2 / 2, the latter by its power series.
#[inline(always)]
pub(crate) fn exp_negative(y: f64) -> f64 {
    let y = y.max(-700.0);
    let shifted = y * std::f64::consts::LOG2_E + ROUNDER;
    let n = shifted - ROUNDER;
    // ln 2 in two parts, so that the remainder keeps its digits.
    let r = (y - n * 0.693_147_180_369_123_8) - n * 1.908_214_929_270_587_7e-10;
    let series = 1.0
        + r * (1.0
            + r * (0.5
                + r * (1.0 / 6.0
                    + r * (1.0 / 24.0
                        + r * (1.0 / 120.0
                            + r * (1.0 / 720.0
                                + r * (1.0 / 5040.0 + r * (1.0 / 40_320.0 + r * (1.0 / 362_880.0)))))))));
    // The low bits of `shifted` hold n; moved to the exponent field they scale the series.
    let scale = f64::from_bits((shifted.to_bits() << 52).wrapping_add(0x3ff0_0000_0000_0000));
    series * scale
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn fast_functions_match_the_library() {
        for i in 0..20_000 {
            let y = -f64::from(i) * 0.03;
            assert!((exp_negative(y) / y.exp() - 1.0).abs() < 1e-11, "exp {y}");
            let x = (f64::from(i) * 0.003).exp();
            assert!((ln_above_one(x) - x.ln()).abs() <= 1e-11 * x.ln().max(1e-3), "ln {x}");
        }
        assert!(exp_negative(-1e9) < 1e-300);
    }
}
