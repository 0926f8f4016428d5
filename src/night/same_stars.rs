//! What frames of one field have in common: all measure the same of its stars.

/// Error that a mean over stars keeps however many frames there are.
///
/// A frame's own error is that of the scatter of its stars; what it has beyond the scatter from frame to frame, `spread`,
/// comes from which stars were measured, and they are the same in all frames. Of `N` stars of the field, `n` of them
/// measured, their mean errs by `sqrt(1 - n/N)` of that (sampling without replacement; Cochran 1977, section 2.6, from
/// memory); `unmeasured` is `1 - n/N`.
pub fn kept_error(own_sigmas: &[f64], spread: f64, unmeasured: f64) -> f64 {
    let own = own_sigmas.iter().map(|s| s * s).sum::<f64>() / own_sigmas.len().max(1) as f64;
    ((own - spread * spread).max(0.0) * unmeasured.max(0.0)).sqrt()
}

#[cfg(test)]
mod tests {
    use rand::SeedableRng;
    use rand_distr::{Distribution, Normal};
    use rand_xoshiro::Xoshiro256PlusPlus;

    use super::*;
    use crate::stats::mean_and_std;

    /// Stars of a field, those of them that frames measure, and frames.
    const FIELD: usize = 200;
    const MEASURED: usize = 120;
    const FRAMES: usize = 20;
    const TRIALS: usize = 2000;

    /// Means of the frames over their stars with the error of each, and the mean of the whole field.
    fn trial(random: &mut Xoshiro256PlusPlus) -> (Vec<(f64, f64)>, f64) {
        let (stars, noise) = (Normal::new(1.0, 0.3).unwrap(), Normal::new(0.0, 0.2).unwrap());
        let field: Vec<f64> = (0..FIELD).map(|_| stars.sample(random)).collect();
        let frame = |random: &mut Xoshiro256PlusPlus| {
            let seen: Vec<f64> = field[..MEASURED].iter().map(|v| v + noise.sample(random)).collect();
            let (mean, std) = mean_and_std(&seen).unwrap();
            (mean, std / (MEASURED as f64).sqrt())
        };
        ((0..FRAMES).map(|_| frame(random)).collect(), field.iter().sum::<f64>() / FIELD as f64)
    }

    #[test]
    fn the_mean_of_many_frames_lies_within_its_error_as_often_as_it_should() {
        let mut random = Xoshiro256PlusPlus::seed_from_u64(1);
        let (mut with, mut without) = (0, 0);
        for _ in 0..TRIALS {
            let (frames, truth) = trial(&mut random);
            let (means, sigmas): (Vec<f64>, Vec<f64>) = frames.into_iter().unzip();
            let (mean, spread) = mean_and_std(&means).unwrap();
            let scatter = spread / (FRAMES as f64).sqrt();
            let kept = kept_error(&sigmas, spread, 1.0 - MEASURED as f64 / FIELD as f64);
            with += usize::from((mean - truth).abs() < scatter.hypot(kept));
            without += usize::from((mean - truth).abs() < scatter);
        }
        // Binomial error of 68.3 % of the trials: 1.0 %; three of that. The scatter alone covers far less.
        let [with, without] = [with, without].map(|n| n as f64 / TRIALS as f64);
        assert!((with - 0.683).abs() < 0.03 && without < 0.3, "{with} {without}");
    }

    #[test]
    fn frames_that_scatter_by_their_own_errors_have_nothing_in_common() {
        assert_eq!(kept_error(&[0.1, 0.1], 0.1, 0.5), 0.0);
        assert_eq!(kept_error(&[0.1], 0.0, 0.0), 0.0, "all stars were measured");
        assert_eq!(kept_error(&[], 0.0, 1.0), 0.0);
    }
}
