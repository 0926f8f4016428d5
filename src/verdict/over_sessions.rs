//! Sampling over all sessions of a filter.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::propagation::weakest;
use super::result::SamplingVerdict;
use super::sampling::verdict_of;
use crate::facts::verdict::{VerdictMethod, VerdictMissing};
use crate::facts::{Missing, Quantity};

/// A session's part.
#[derive(Debug, Clone, Copy)]
pub struct SessionWidth<'a> {
    pub id: &'a str,
    /// Sessions with the same filter, camera and binning belong together.
    pub filter: Option<&'a str>,
    pub camera: Option<&'a str>,
    pub binning: [u32; 2],
    pub px_per_fwhm: &'a Quantity,
    /// Lights used.
    pub lights: usize,
}

/// The verdict on all sessions of a filter with one camera and binning.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct FilterSampling {
    /// Name of the filter in the headers.
    pub filter: Option<String>,
    /// Name of the camera in the headers.
    pub camera: Option<String>,
    /// Pixels binned along x and y.
    #[schemars(extend("unit" = "px"))]
    pub binning: [u32; 2],
    /// Names of the sessions.
    pub sessions: Vec<String>,
    /// FWHM before the pixel over the pixel, mean over the sessions by their lights.
    #[schemars(extend("unit" = "px"))]
    pub px_per_fwhm: Quantity,
    /// Below 1.5, to 2, to 4 and above 4 px per FWHM.
    pub verdict: SamplingVerdict,
}

/// One entry for each filter, camera and binning, in the order of their first sessions.
pub fn sampling_by_filter(sessions: &[SessionWidth]) -> Vec<FilterSampling> {
    let key = |s: &SessionWidth| (s.filter.map(str::to_owned), s.camera.map(str::to_owned), s.binning);
    let mut groups: Vec<(_, Vec<&SessionWidth>)> = Vec::new();
    for session in sessions {
        match groups.iter_mut().find(|(k, _)| *k == key(session)) {
            Some((_, members)) => members.push(session),
            None => groups.push((key(session), vec![session])),
        }
    }
    let entry = |((filter, camera, binning), members): (_, Vec<&SessionWidth>)| {
        let px_per_fwhm = mean(&members);
        let verdict = px_per_fwhm.value.map_or(SamplingVerdict::Undetermined, verdict_of);
        let sessions = members.iter().map(|s| s.id.to_owned()).collect();
        FilterSampling { filter, camera, binning, sessions, px_per_fwhm, verdict }
    };
    groups.into_iter().map(entry).collect()
}

/// Mean by the number of lights; its error is the larger of the sessions' own errors and their scatter.
fn mean(members: &[&SessionWidth]) -> Quantity {
    let known: Vec<(f64, f64, f64)> =
        members.iter().filter_map(|s| s.px_per_fwhm.pair().map(|(v, e)| (v, e, s.lights.max(1) as f64))).collect();
    let all: f64 = known.iter().map(|k| k.2).sum();
    if known.is_empty() {
        let none = || Missing::from(VerdictMissing::NoSession);
        return Quantity::not_measurable(members.first().map_or_else(none, |s| s.px_per_fwhm.because()));
    }
    let value = known.iter().map(|(v, _, w)| v * w).sum::<f64>() / all;
    let own = known.iter().map(|(_, e, w)| (e * w / all).powi(2)).sum::<f64>();
    let n = known.len() as f64;
    let squares = known.iter().map(|(v, _, w)| w / all * (v - value).powi(2)).sum::<f64>();
    let scatter = if known.len() > 1 { squares / (n - 1.0) } else { 0.0 };
    let inputs: Vec<&Quantity> = members.iter().map(|s| s.px_per_fwhm).filter(|q| q.is_known()).collect();
    let method = VerdictMethod::MeanOverSessionsByLights;
    Quantity::with(weakest(&inputs), value, Some(own.max(scatter).sqrt()), method, known.len())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn session<'a>(id: &'a str, filter: &'a str, px: &'a Quantity, lights: usize) -> SessionWidth<'a> {
        SessionWidth { id, filter: Some(filter), camera: None, binning: [1, 1], px_per_fwhm: px, lights }
    }

    fn wide(px: f64) -> Quantity {
        Quantity::measured(px, 0.01, VerdictMethod::RecordedOverTrueWidth, 9)
    }

    #[test]
    fn nights_of_one_filter_are_judged_together_and_other_filters_apart() {
        let (sharp, soft) = (wide(1.8), wide(2.4));
        let unknown = Quantity::not_measurable(VerdictMissing::NoStarsFitted);
        let all = [
            session("a", "L", &sharp, 10),
            session("b", "L", &soft, 30),
            session("c", "H", &unknown, 5),
            SessionWidth { binning: [2, 2], ..session("d", "L", &sharp, 10) },
        ];
        let got = sampling_by_filter(&all);
        assert_eq!(got.len(), 3);
        // By hand: (1.8 x 10 + 2.4 x 30)/40 = 2.25; scatter sqrt(.25 .45^2 + .75 .15^2) = .2598 with one degree of freedom.
        assert!((got[0].px_per_fwhm.value.unwrap() - 2.25).abs() < 1e-12);
        assert!((got[0].px_per_fwhm.sigma.unwrap() - 0.259_807_6).abs() < 1e-6);
        assert_eq!((got[0].verdict, got[0].sessions.len()), (SamplingVerdict::WellSampled, 2));
        assert_eq!((got[1].verdict, got[1].px_per_fwhm.because()), (SamplingVerdict::Undetermined, unknown.because()));
        assert_eq!(got[2].verdict, SamplingVerdict::Marginal);
    }
}
