//! The lights of a session in the order in which they were taken.

use std::ops::Range;

use jiff::civil::DateTime;

use crate::facts::happening::{Happening, What};

use super::super::lights::MeasuredLight;

/// Growth of the seeing with airmass: Kolmogorov turbulence (Fried 1966, J. Opt. Soc. Am. 56, 1372; from memory).
const SEEING_POWER: f64 = 0.6;

impl Moment {
    /// Logarithm of the width of its stars, px, at the zenith where its height is known, else as it is.
    pub fn ln_width(&self) -> Option<f64> {
        Some(self.fwhm_px?.ln() - SEEING_POWER * self.airmass.map_or(0.0, f64::ln))
    }
}

/// What is known of a light's sensor.
pub struct Levels {
    /// Level without light, ADU.
    pub bias_adu: Option<f64>,
    /// Gain, e-/ADU.
    pub e_per_adu: Option<f64>,
}

/// The levels of a light's sensor.
pub type LevelsOf<'a> = &'a dyn Fn(&MeasuredLight) -> Levels;

/// A light by what the rules look at.
#[derive(Debug, Clone)]
pub struct Moment {
    /// Place among the lights given.
    pub place: usize,
    pub at: Option<DateTime>,
    /// Sky above the bias, ADU.
    pub sky_adu: Option<f64>,
    /// Noise of a pixel of it, ADU.
    pub sigma_adu: f64,
    /// Gain, e-/ADU.
    pub e_per_adu: Option<f64>,
    /// Light of its stars.
    pub flux: Option<f64>,
    pub fwhm_px: Option<f64>,
    pub airmass: Option<f64>,
}

/// The lights of a session in the order in which they were taken.
pub struct Course<'a> {
    pub lights: Vec<&'a MeasuredLight>,
    pub moments: Vec<Moment>,
}

impl<'a> Course<'a> {
    /// Of the lights at these places.
    pub fn of(lights: &'a [MeasuredLight], places: &[usize], levels_of: LevelsOf) -> Self {
        let moment = |place: &usize| {
            let light = &lights[*place];
            let Levels { bias_adu, e_per_adu } = levels_of(light);
            Moment {
                place: *place,
                at: light.read.header.start_utc.as_ref().map(|s| s.value),
                sky_adu: bias_adu.map(|bias| light.stars.sky_adu - bias).filter(|sky| *sky > 0.0),
                sigma_adu: light.stars.sky_sigma_adu,
                e_per_adu,
                flux: light.stars.bright_flux_adu.filter(|flux| *flux > 0.0),
                fwhm_px: light.stars.fwhm_px.value,
                airmass: light.read.header.airmass.as_ref().map(|a| a.value),
            }
        };
        let mut moments: Vec<Moment> = places.iter().map(moment).collect();
        moments.sort_by_key(|m| (m.at, m.place));
        Self { lights: moments.iter().map(|m| &lights[m.place]).collect(), moments }
    }

    /// What happened in a stretch of it; `None` where the lights have no times.
    pub fn happening(&self, stretch: Range<usize>, what: What, left_out: usize) -> Option<Happening> {
        let (first, last) = (self.moments.get(stretch.start)?, self.moments.get(stretch.end.checked_sub(1)?)?);
        Some(Happening { what, from_utc: first.at?, until_utc: last.at?, lights: stretch.len(), left_out })
    }

    /// The runs of neighbours that `is` takes.
    pub fn runs(&self, is: impl Fn(usize) -> bool) -> Vec<Range<usize>> {
        let places: Vec<usize> = (0..self.moments.len()).collect();
        let runs = places.chunk_by(|a, b| is(*a) == is(*b)).filter(|run| is(run[0]));
        runs.map(|run| run[0]..run[run.len() - 1] + 1).collect()
    }
}

impl Course<'_> {
    /// Seconds since its first light.
    pub fn seconds(&self, i: usize) -> Option<f64> {
        let first = self.moments.iter().find_map(|m| m.at)?;
        Some(self.moments[i].at?.duration_since(first).as_secs_f64())
    }
}
