//! How measured values compare with the truth over many simulated cases.

/// Values of one kind.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Tally {
    /// Relative errors (or errors in the unit of the value, as the caller counts).
    errors: Vec<f64>,
    pulls: Vec<f64>,
    missing: usize,
}

impl Tally {
    /// Adds a measured value with its stated error, as a relative error; `None` counts as not measurable.
    pub fn relative(&mut self, measured: Option<(f64, f64)>, truth: f64) {
        match measured {
            Some((value, sigma)) => {
                self.errors.push(value / truth - 1.0);
                self.pulls.push((value - truth) / sigma);
            }
            None => self.missing += 1,
        }
    }

    /// Values that were measured.
    pub fn n(&self) -> usize {
        self.errors.len()
    }

    /// Values that were said not to be measurable.
    pub fn missing(&self) -> usize {
        self.missing
    }

    /// Mean error and its standard error.
    pub fn bias(&self) -> (f64, f64) {
        let n = self.errors.len() as f64;
        let mean = self.errors.iter().sum::<f64>() / n;
        let variance = self.errors.iter().map(|e| (e - mean).powi(2)).sum::<f64>() / (n - 1.0);
        (mean, (variance / n).sqrt())
    }

    /// Share of cases whose truth lies within one stated sigma, and its binomial error.
    pub fn coverage(&self) -> (f64, f64) {
        let n = self.pulls.len() as f64;
        let share = self.pulls.iter().filter(|p| p.abs() < 1.0).count() as f64 / n;
        (share, (share * (1.0 - share) / n).sqrt())
    }

    /// Mean of the pulls.
    pub fn mean_pull(&self) -> f64 {
        self.pulls.iter().sum::<f64>() / self.pulls.len() as f64
    }

    /// Cells of a Markdown table: number, bias in per cent with its error, coverage in per cent.
    pub fn markdown(&self) -> String {
        let ((bias, error), (inside, inside_error)) = (self.bias(), self.coverage());
        format!(
            "{} | {:+.2} ± {:.2} | {:.1} ± {:.1}",
            self.n(),
            100.0 * bias,
            100.0 * error,
            100.0 * inside,
            100.0 * inside_error
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn errors_and_coverage_are_counted() {
        let mut tally = Tally::default();
        for value in [0.9, 1.1, 1.3, 1.1] {
            tally.relative(Some((value, 0.2)), 1.0);
        }
        tally.relative(None, 1.0);
        let (bias, error) = tally.bias();
        // Mean of -0.1, 0.1, 0.3, 0.1; deviation 0.1633 over the root of four.
        assert!((bias - 0.1).abs() < 1e-12 && (error - 0.0816).abs() < 1e-4);
        assert_eq!((tally.n(), tally.missing(), tally.coverage().0), (4, 1, 0.75));
        assert!((tally.mean_pull() - 0.5).abs() < 1e-12);
    }
}
