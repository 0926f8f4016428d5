//! The codes that occur: the step between them, a pile-up at the lowest, a pile-up at the highest.

use rayon::prelude::*;
use statrs::function::erf::erf;

use crate::fits::Pixels;

/// Share of pixels on multiples of a step that makes it the step: a few pixels may have been interpolated.
const STEP_OCCUPANCY: f64 = 0.99;
/// Steps looked for beside the greatest common divisor: samples of 8 to 15 bits shifted to the left within 16.
const SHIFTED_STEPS: [u32; 8] = [256, 128, 64, 32, 16, 8, 4, 2];
/// Fewest different codes that tell a step.
const FEWEST_CODES: usize = 3;
/// Share of bias pixels at the lowest code above which it is looked at as a floor (0.5 %: at 2.6 sigma of a normal law).
pub(crate) const FLOOR_FRACTION: f64 = 0.005;
/// The same at code 0, which is a floor for certain: from here on it bends a variance by 0.1 % (0.05 %: at 3.3 sigma).
pub(crate) const FLOOR_FRACTION_AT_ZERO: f64 = 5e-4;
/// Fewest codes with more than that share from which on the lowest can be a floor.
const FLOOR_CODES: usize = 4;
/// Share of a flat's pixels at its highest code that makes a pile-up: a per mille, more than hot pixels make up.
const PILE_UP_FRACTION: f64 = 1e-3;
/// The highest code must outnumber the mean of the codes below it by this factor.
const PILE_UP_CONTRAST: f64 = 5.0;
/// Number of steps below the highest code that it is compared with.
const PILE_UP_NEIGHBOURS: usize = 10;
/// Share of pixels beyond which the bright end is treated as censored, so that hot pixels cannot widen the fit.
const BRIGHT_CENSOR: f64 = 0.998;

/// Number of pixels at each 16-bit code of one frame.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Histogram {
    counts: Vec<u32>,
    total: u64,
}

impl Histogram {
    /// Counts a frame. `None` where a value is no whole number of 0 to 65535.
    pub fn new(pixels: &Pixels) -> Option<Self> {
        const CODES: usize = 1 << 16;
        let merge = |mut a: Vec<u32>, b: Vec<u32>| {
            a.iter_mut().zip(b).for_each(|(a, b)| *a += b);
            a
        };
        let (rows, columns) = pixels.dim();
        let block = rows.div_ceil(rayon::current_num_threads().max(1)).max(1);
        let starts: Vec<usize> = (0..rows).step_by(block).collect();
        let counts = starts
            .par_iter()
            .map(|start| {
                let mut counts = vec![0u32; CODES];
                let mut values = vec![0f32; columns];
                for row in *start..(start + block).min(rows) {
                    match pixels {
                        Pixels::U16(a) => a.row(row).iter().for_each(|v| counts[usize::from(*v)] += 1),
                        Pixels::Holed(..) | Pixels::F32(_) => {
                            pixels.copy_row(row, &mut values);
                            for v in values.iter().filter(|v| !v.is_nan()) {
                                if v.fract() != 0.0 || !(0.0..=65535.0).contains(v) {
                                    return None;
                                }
                                counts[*v as usize] += 1;
                            }
                        }
                    }
                }
                Some(counts)
            })
            .try_reduce(|| vec![0; CODES], |a, b| Some(merge(a, b)))?;
        let total = counts.iter().map(|n| u64::from(*n)).sum();
        (total > 0).then_some(Self { counts, total })
    }

    fn occupied(&self) -> impl DoubleEndedIterator<Item = (u32, f64)> + '_ {
        self.counts.iter().enumerate().filter(|(_, n)| **n > 0).map(|(code, n)| (code as u32, f64::from(*n)))
    }

    /// Step between codes, ADU: their greatest common divisor, or a shift that 99 % of the pixels keep to.
    pub fn step(&self) -> Option<u32> {
        let lowest = self.occupied().next()?.0;
        if self.occupied().take(FEWEST_CODES).count() < FEWEST_CODES {
            return None;
        }
        let divisor = self.occupied().fold(0, |d, (code, _)| gcd(d, code - lowest));
        let shifted = SHIFTED_STEPS.into_iter().find(|step| {
            let mut residues = vec![0.0; *step as usize];
            self.occupied().for_each(|(code, n)| residues[(code % step) as usize] += n);
            let codes = self.occupied().take(4 * FEWEST_CODES).count();
            codes >= 2 * FEWEST_CODES
                && residues.iter().copied().fold(0.0, f64::max) >= STEP_OCCUPANCY * self.total as f64
                && self.spans(*step)
        });
        Some(divisor.max(shifted.unwrap_or(1)))
    }

    /// Whether several multiples of the step are well filled: a single spike of narrow noise tells nothing.
    fn spans(&self, step: u32) -> bool {
        let mut filled = std::collections::BTreeMap::new();
        self.occupied().for_each(|(code, n)| *filled.entry(code / step).or_insert(0.0) += n);
        let mut filled: Vec<f64> = filled.into_values().collect();
        filled.sort_by(|a, b| b.total_cmp(a));
        // Of a flat's many multiples none holds much; it is a spike only if a few hold nearly all.
        filled.iter().take(FEWEST_CODES - 1).sum::<f64>() < STEP_OCCUPANCY * self.total as f64
    }

    /// The lowest code, ADU.
    pub fn lowest(&self) -> u32 {
        self.occupied().next().map_or(0, |(code, _)| code)
    }

    /// Share of pixels at the lowest code.
    pub fn floor_fraction(&self) -> f64 {
        self.occupied().next().map_or(0.0, |(_, n)| n / self.total as f64)
    }

    /// Share of pixels at or above a level, ADU.
    pub fn fraction_from(&self, level_adu: f64) -> f64 {
        self.occupied().filter(|(code, _)| f64::from(*code) >= level_adu).map(|(_, n)| n).sum::<f64>()
            / self.total as f64
    }

    /// The highest code where pixels pile up at it, ADU.
    pub fn pile_up(&self, step: u32) -> Option<u32> {
        let (top, n) = self.occupied().next_back()?;
        let below =
            (1..=PILE_UP_NEIGHBOURS).map(|i| top.checked_sub(i as u32 * step).map_or(0, |c| self.counts[c as usize]));
        let mean = below.map(f64::from).sum::<f64>() / PILE_UP_NEIGHBOURS as f64;
        let share = n / self.total as f64;
        (share >= PILE_UP_FRACTION && n > PILE_UP_CONTRAST * mean && self.floor_fraction() < 1.0).then_some(top)
    }

    /// Mean and sigma of the normal law whose values below the lowest code were raised to it, both in ADU.
    ///
    /// Maximum likelihood by expectation and maximisation (Dempster, Laird & Rubin 1977, from memory), the bright end
    /// censored too; step^2/12 is taken off the variance. The sigma holds fixed pattern besides the temporal noise.
    pub fn censored_normal(&self, step: u32) -> Option<(f64, f64)> {
        let q = f64::from(step);
        let lowest = f64::from(self.occupied().next()?.0);
        let mut running = 0.0;
        let highest = self.occupied().find(|(_, n)| {
            running += n;
            running >= BRIGHT_CENSOR * self.total as f64
        })?;
        let (low, high) = (lowest + 0.5 * q, f64::from(highest.0) + 0.5 * q);
        let inner: Vec<(f64, f64)> = self
            .occupied()
            .map(|(code, n)| (f64::from(code), n))
            .filter(|(code, _)| *code > low && *code < high)
            .collect();
        let n_low = self.occupied().next()?.1;
        let n_in: f64 = inner.iter().map(|(_, n)| n).sum();
        let n_high = self.total as f64 - n_low - n_in;
        if n_in == 0.0 {
            return None;
        }
        let first: f64 = inner.iter().map(|(x, n)| n * x).sum();
        let (mut mean, mut sigma) = (first / n_in, ((high - low) / 3.0).max(q));
        for _ in 0..5000 {
            let (a, b) = ((low - mean) / sigma, (high - mean) / sigma);
            let (la, lb) = (phi(a) / below(a).max(1e-300), phi(b) / (1.0 - below(b)).max(1e-300));
            // First and second moments of the two censored tails under the present law.
            let (m_low, m_high) = (mean - sigma * la, mean + sigma * lb);
            let next = (first + n_low * m_low + n_high * m_high) / self.total as f64;
            let tail = |m: f64, v: f64| v + (m - next).powi(2);
            let v_low = sigma * sigma * (1.0 - la * (la + a));
            let v_high = sigma * sigma * (1.0 - lb * (lb - b));
            let within: f64 = inner.iter().map(|(x, n)| n * ((x - next).powi(2) - q * q / 12.0)).sum();
            let variance = (within + n_low * tail(m_low, v_low) + n_high * tail(m_high, v_high)) / self.total as f64;
            let moved = (next - mean).abs() + (variance.max(0.0).sqrt() - sigma).abs();
            (mean, sigma) = (next, variance.max(1e-6 * q * q).sqrt());
            if moved < 1e-9 * sigma {
                break;
            }
        }
        Some((mean, sigma))
    }

    /// Whether the lowest code is a floor at which lower values pile up, and not just the tail of narrow noise.
    pub fn has_floor(&self, step: u32) -> bool {
        let share = self.floor_fraction();
        let (Some((mean, sigma)), Some((lowest, _))) = (self.censored_normal(step), self.occupied().next()) else {
            return false;
        };
        let q = f64::from(step);
        if share >= 1.0 || lowest == 0 {
            return share < 1.0 && share > FLOOR_FRACTION_AT_ZERO;
        }
        // Two or three codes have a lowest one wherever the level lies.
        let filled = self.occupied().filter(|(_, n)| *n > FLOOR_FRACTION * self.total as f64).count();
        if share <= FLOOR_FRACTION || filled < FLOOR_CODES {
            return false;
        }
        let edge = f64::from(lowest);
        let piled = below((edge + 0.5 * q - mean) / sigma);
        let unpiled = piled - below((edge - 0.5 * q - mean) / sigma);
        // Noise below half a step has all its tail in one code: nothing tells it from a floor then.
        sigma >= 0.5 * q && piled > 1.2 * unpiled
    }
}

/// Density of a unit normal law.
pub(crate) fn phi(z: f64) -> f64 {
    (-0.5 * z * z).exp() / (2.0 * std::f64::consts::PI).sqrt()
}

/// Share of a unit normal law below `z`.
pub(crate) fn below(z: f64) -> f64 {
    0.5 * (1.0 + erf(z / std::f64::consts::SQRT_2))
}

fn gcd(a: u32, b: u32) -> u32 {
    if b == 0 { a } else { gcd(b, a % b) }
}

#[cfg(test)]
mod tests {
    use ndarray::Array2;
    use rand::{RngExt, SeedableRng};
    use rand_distr::{Distribution, Normal};
    use rand_xoshiro::Xoshiro256PlusPlus;

    use super::*;

    fn frame(mean: f64, sigma: f64, seed: u64, code: impl Fn(f64) -> u16) -> Pixels {
        let mut rng = Xoshiro256PlusPlus::seed_from_u64(seed);
        let law = Normal::new(mean, sigma).unwrap();
        Pixels::U16(Array2::from_shape_fn((400, 400), |_| code(law.sample(&mut rng))))
    }

    fn histogram(pixels: &Pixels) -> Histogram {
        Histogram::new(pixels).unwrap()
    }

    // Left-justified samples: 12 bits times 16, 14 bits times 4 (recipes restated from public issue trackers).
    #[test]
    fn a_shift_to_the_left_is_found_even_with_a_few_interpolated_pixels() {
        for step in [1u16, 4, 16] {
            let mut pixels = frame(2000.0, 30.0, 1, |v| v.round() as u16 * step);
            assert_eq!(histogram(&pixels).step(), Some(u32::from(step)));
            let mut rng = Xoshiro256PlusPlus::seed_from_u64(2);
            if let Pixels::U16(a) = &mut pixels {
                a.iter_mut().step_by(1000).for_each(|v| *v += rng.random_range(0..step));
            }
            assert_eq!(histogram(&pixels).step(), Some(u32::from(step)));
        }
    }

    #[test]
    fn narrow_noise_has_a_step_of_one() {
        assert_eq!(histogram(&frame(1000.0, 0.25, 3, |v| v.round() as u16)).step(), Some(1));
        assert_eq!(histogram(&frame(1000.0, 0.5, 3, |v| v.round() as u16)).step(), Some(1));
        assert_eq!(histogram(&frame(1000.0, 1e-3, 3, |v| v.round() as u16)).step(), None);
    }

    // Apparent sigma 1.77, 2.62, 2.96, 3.01 for true 3: computed independently of this project by Monte Carlo.
    #[test]
    fn the_sigma_behind_a_floor_is_recovered() {
        /// 160 000 pixels, 43 % of them above the floor in the worst case: 0.01 ADU is one standard error.
        const FIVE_ERRORS_ADU: f64 = 0.05;
        for (pedestal, floor) in [(0.0, true), (3.0, true), (6.0, true), (9.0, true), (12.0, false)] {
            let h = histogram(&frame(pedestal, 3.0, 4, |v| v.round().max(0.0) as u16));
            let (mean, sigma) = h.censored_normal(1).unwrap();
            assert!((sigma - 3.0).abs() < FIVE_ERRORS_ADU, "{pedestal}: {sigma}");
            assert!((mean - pedestal).abs() < FIVE_ERRORS_ADU, "{pedestal}: {mean}");
            assert_eq!(h.has_floor(1), floor, "{pedestal}");
        }
        // A floor need not be at 0.
        assert!(histogram(&frame(505.0, 3.0, 5, |v| v.round().max(500.0) as u16)).has_floor(1));
    }

    #[test]
    fn the_tail_of_narrow_noise_is_no_floor() {
        for sigma in [0.2, 0.3, 0.5, 0.7, 1.0] {
            assert!(!histogram(&frame(1000.0, sigma, 6, |v| v.round() as u16)).has_floor(1), "{sigma}");
        }
    }

    // C4.9: moments of a normal law clipped at 0, computed with scipy outside this project.
    #[test]
    fn c4_9_share_at_the_floor() {
        for (offset, share) in [(0.0, 0.5), (0.5, 0.308_538), (1.0, 0.158_655), (2.0, 0.022_750)] {
            assert!((below(-offset) - share).abs() < 1e-6);
        }
    }

    #[test]
    fn saturated_pixels_pile_up_and_a_hot_pixel_does_not() {
        assert_eq!(histogram(&frame(16_000.0, 300.0, 7, |v| v.round().min(16_383.0) as u16)).pile_up(1), Some(16_383));
        let mut lone = frame(16_000.0, 100.0, 8, |v| v.round() as u16);
        if let Pixels::U16(a) = &mut lone {
            a[[5, 5]] = 65_535;
        }
        assert_eq!(histogram(&lone).pile_up(1), None);
    }
}
