//! What a comparison is less sure for than its uncertainties say.

use super::pairing::{NewDark, Pairing};
use crate::facts::Source;

/// What a comparison is less sure for.
#[derive(Debug, Clone, PartialEq)]
pub enum Doubt {
    /// How the present dark current falls with temperature is not measured.
    AssumedLaw,
    /// The present dark current is taken beyond the temperatures at which it was measured.
    Extrapolated { measured_celsius: [f64; 2], to_celsius: Vec<f64> },
}

/// How far beyond the measured range a law still counts as measured, C: thermometers read in such steps.
const AT_THE_RANGE_C: f64 = 1.0;

impl Pairing {
    /// What the numbers are less sure for.
    pub(crate) fn doubts(&self) -> Vec<Doubt> {
        if !self.follows_air {
            return Vec::new();
        }
        if self.law_source == Source::Assumed {
            return vec![Doubt::AssumedLaw];
        }
        let Some([coldest, warmest]) = self.law_range else { return Vec::new() };
        let of_law = |[present, new]: [f64; 2]| match self.new_dark {
            NewDark::PresentLaw => vec![present, new],
            _ => vec![present],
        };
        let temperatures = self.classes.iter().filter_map(|class| self.temperatures(&self.centre(), class));
        let mut beyond: Vec<f64> = temperatures
            .flat_map(of_law)
            .filter(|t| *t < coldest - AT_THE_RANGE_C || *t > warmest + AT_THE_RANGE_C)
            .collect();
        beyond.sort_by(f64::total_cmp);
        beyond.dedup();
        if beyond.is_empty() {
            return Vec::new();
        }
        vec![Doubt::Extrapolated { measured_celsius: [coldest, warmest], to_celsius: beyond }]
    }
}
