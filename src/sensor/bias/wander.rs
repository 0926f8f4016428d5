//! Wander of the bias level from frame to frame, and what it does to the errors of dark rates.

use statrs::distribution::ContinuousCDF;

use super::pairs::BiasSet;
use crate::facts::sensor::SensorNote;

/// Wander of the bias level from frame to frame where it cannot be measured, ADU: real cameras show a few tenths to
/// several ADU; common practice, no source.
pub(crate) const BIAS_WANDER_ASSUMED_ADU: f64 = 1.0;
/// Chance below which residuals of a line are taken for more than their stated errors: growing all errors whose chi2 is above its
/// mean would overstate two in five of them.
const UNLIKELY: f64 = 0.05;

/// Frame-to-frame wander of the bias level, ADU, statistical errors taken off, and the degrees of freedom that it was seen
/// in. `None` without a set of two frames.
pub(crate) fn bias_wander(biases: &[BiasSet]) -> Option<(f64, usize)> {
    let (mut squares, mut degrees) = (0.0, 0);
    for set in biases.iter().filter(|s| s.levels.len() > 1) {
        let (mean, n) = (set.level()?, set.levels.len() as f64);
        let own = set.levels.iter().map(|l| l.1 * l.1).sum::<f64>() / n;
        squares += set.levels.iter().map(|l| (l.0 - mean).powi(2)).sum::<f64>() - (n - 1.0) * own;
        degrees += set.levels.len() - 1;
    }
    (degrees > 0).then(|| ((squares / degrees as f64).max(0.0).sqrt(), degrees))
}

/// Wander of the bias level from frame to frame, with the number of differences that it was seen in.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Wander {
    pub adu: f64,
    pub degrees: Option<f64>,
}

impl Wander {
    pub fn of(biases: &[BiasSet]) -> Self {
        match bias_wander(biases) {
            Some((adu, degrees)) => Self { adu, degrees: Some(degrees as f64) },
            None => Self { adu: BIAS_WANDER_ASSUMED_ADU, degrees: None },
        }
    }

    /// Factor on an error of `whole` in which the wander makes `part`: a wander seen in few differences is often larger
    /// than it looked. Student's t at one standard deviation with the degrees of freedom of Welch and Satterthwaite.
    pub fn factor(&self, part: f64, whole: f64) -> f64 {
        match self.degrees {
            Some(degrees) if part > 0.0 => student(degrees * (whole / part).powi(4)),
            _ => 1.0,
        }
    }

    /// The same for a line through `n` levels, whose residuals tell the wander as well as the biases do.
    ///
    /// Residuals that the wander does not explain are something else, and count alone.
    pub fn factor_of_line(&self, share: f64, chi2: f64, n: usize) -> f64 {
        let own = n.saturating_sub(2) as f64;
        match self.degrees {
            Some(degrees) if share > 0.0 && grown(chi2, n) == 1.0 => {
                let degrees = degrees * share.powi(-4);
                ((degrees + chi2) / (degrees + own)).sqrt() * student(degrees + own)
            }
            _ => grown(chi2, n),
        }
    }

    pub fn note(&self) -> Option<SensorNote> {
        self.degrees.is_none().then_some(SensorNote::BiasWanderAssumed { wander_adu: BIAS_WANDER_ASSUMED_ADU })
    }
}

/// Student's t that covers 68.27 %: 1.837, 1.321, 1.197 for 1, 2, 3 degrees; `1 + 1/(2 n) ...` for many.
fn student(degrees: f64) -> f64 {
    use statrs::distribution::StudentsT;
    /// Beyond this the normal law is good to a tenth of a per cent.
    const MANY: f64 = 500.0;
    if degrees > MANY {
        return 1.0;
    }
    StudentsT::new(0.0, 1.0, degrees.max(1.0)).map_or(1.0, |t| t.inverse_cdf(ONE_SIGMA))
}

/// Share below one standard deviation of a normal law.
const ONE_SIGMA: f64 = 0.841_344_746;

/// Factor on the error of a line of `n` points: `sqrt(chi2/dof)` where so large a chi2 is unlikely, else 1.
pub(crate) fn grown(chi2: f64, n: usize) -> f64 {
    use statrs::distribution::ChiSquared;
    let degrees = n.saturating_sub(2) as f64;
    let Ok(law) = ChiSquared::new(degrees) else { return 1.0 };
    if law.sf(chi2) < UNLIKELY { (chi2 / degrees).sqrt() } else { 1.0 }
}

#[cfg(test)]
mod tests {
    use super::*;

    // C9.8 gives 4.302653 and 2.093024 for 2 and 19 degrees at 97.5 %, from the same distribution of scipy; at one standard
    // deviation scipy 1.17.1 `t.ppf(0.841344746, n)` gives these.
    #[test]
    fn student_s_t_at_one_standard_deviation() {
        for (degrees, want) in [(1.0, 1.837_337), (2.0, 1.321_277), (9.0, 1.058_728), (19.0, 1.027_017)] {
            assert!((student(degrees) - want).abs() < 1e-4, "{degrees}: {}", student(degrees));
        }
    }

    // Levels 100, 101, 103: variance 7/3 about their mean (closed form), of which 0.5^2 is each level's own error.
    #[test]
    fn wander_is_what_the_errors_of_the_levels_leave() {
        let set = BiasSet { levels: [100.0, 101.0, 103.0].map(|l| (l, 0.5)).to_vec(), ..BiasSet::default() };
        let (adu, degrees) = bias_wander(&[set]).unwrap();
        assert_eq!(degrees, 2);
        assert!((adu * adu - (7.0 / 3.0 - 0.25)).abs() < 1e-12, "{adu}");
    }
}
