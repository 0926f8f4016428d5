//! The three questions of the report over all sessions: sampling, thermal noise, cooling.

use super::confidence::Confidence;
use super::findings::{Finding, Judged, SessionFindings, cooling_finding, sampling_finding, thermal_finding};
use super::result::{CoolingVerdict, SamplingVerdict, ThermalVerdict};

/// What every session says to each question.
#[derive(Debug, Clone)]
pub struct Answers<'a> {
    /// Do the pixels suit the star image?
    pub sampling: Answer<'a, SamplingVerdict>,
    /// Does the sensor's own heat limit the images?
    pub thermal_noise: Answer<'a, ThermalVerdict>,
    /// What would cooling gain?
    pub cooling: Answer<'a, CoolingVerdict>,
}

/// What the sessions say to one question, in their order.
#[derive(Debug, Clone)]
pub struct Answer<'a, V> {
    pub findings: Vec<Finding<'a, V>>,
}

impl<'a, V: Copy + Default> Answer<'a, V> {
    /// The session with the most at stake, which is told in full; `None` where none is measured.
    pub fn lead(&self) -> Option<(&SessionFindings<'a>, &Judged<V>)> {
        let measured = self.findings.iter().filter_map(|f| Some((&f.session, f.judged.as_ref().ok()?)));
        measured.max_by(|(_, a), (_, b)| a.stake.total_cmp(&b.stake))
    }

    /// That of the leading session.
    pub fn verdict(&self) -> V {
        self.lead().map_or_else(V::default, |(_, judged)| judged.verdict)
    }

    /// How far to trust the leading session's.
    pub fn confidence(&self) -> Confidence {
        self.lead().map_or(Confidence::NothingMeasured, |(_, judged)| judged.confidence.clone())
    }
}

impl<V: Copy + Default> Finding<'_, V> {
    /// The session's own verdict.
    pub fn verdict(&self) -> V {
        self.judged.as_ref().map_or_else(|_| V::default(), |judged| judged.verdict)
    }
}

/// Answers the three questions over all sessions.
pub fn answers<'a>(sessions: &[SessionFindings<'a>]) -> Answers<'a> {
    Answers {
        sampling: Answer { findings: sessions.iter().map(sampling_finding).collect() },
        thermal_noise: Answer { findings: sessions.iter().map(thermal_finding).collect() },
        cooling: Answer { findings: sessions.iter().map(cooling_finding).collect() },
    }
}

#[cfg(test)]
mod tests {
    use super::super::confidence::{Level, RestsOn};
    use super::super::findings::Near;
    use super::super::invented::{Invented, law, measured, unknown};
    use super::super::noise_check::NoiseVerdict;
    use super::super::thermal::CoolingLaw;
    use super::*;
    use crate::facts::{Help, Input, Missing};

    fn one<T>(fwhm: [f64; 2], dark: [f64; 2], law: CoolingLaw, f: impl FnOnce(&Answers) -> T) -> T {
        let [fwhm, dark] = [fwhm, dark].map(|[value, sigma]| measured(value, sigma));
        Invented::answered(&[Invented::new("a", fwhm, dark, law)], f)
    }

    #[test]
    fn one_session_gives_the_verdicts() {
        one([2.5, 0.05], [0.5, 0.02], law(), |a| {
            assert_eq!(a.sampling.verdict(), SamplingVerdict::WellSampled);
            assert_eq!(a.sampling.confidence().level(), Level::High);
            // 60 of 129 e^2: 46.5 %.
            assert_eq!(a.thermal_noise.verdict(), ThermalVerdict::Noticeable);
            assert_eq!(a.cooling.verdict(), CoolingVerdict::LargeGain);
            // 1 - (0.5 + 0.075)/1.075 = 0.4651
            let (_, judged) = a.cooling.lead().unwrap();
            assert!((judged.stake + 1.0 - 0.4651).abs() < 1e-4, "{}", judged.stake);
        });
    }

    #[test]
    fn an_assumed_law_gives_no_gain_but_a_limit() {
        one([2.5, 0.05], [0.5, 0.02], CoolingLaw::assumed(), |a| {
            assert_eq!(
                (a.cooling.verdict(), a.cooling.confidence()),
                (CoolingVerdict::PossibleGain, Confidence::LawAssumed)
            );
            assert_eq!(a.cooling.confidence().level(), Level::Low);
        });
    }

    #[test]
    fn a_cold_sensor_has_nothing_to_gain_even_under_an_assumption() {
        one([2.5, 0.05], [0.005, 0.001], CoolingLaw::assumed(), |a| {
            assert_eq!(
                (a.thermal_noise.verdict(), a.cooling.verdict()),
                (ThermalVerdict::Negligible, CoolingVerdict::NoGain)
            );
            let what = RestsOn::LimitWithoutDarkCurrent;
            assert!(matches!(a.cooling.confidence(), Confidence::Measured { what: w, .. } if w == what));
        });
    }

    #[test]
    fn the_session_at_stake_leads_and_each_keeps_its_verdict() {
        let s = [
            Invented::new("luminance", measured(1.7, 0.03), measured(0.02, 0.002), law()),
            Invented::new("red", measured(2.6, 0.05), measured(0.5, 0.02), law()),
        ];
        Invented::answered(&s, |a| {
            let verdicts: Vec<_> = a.sampling.findings.iter().map(Finding::verdict).collect();
            assert_eq!(verdicts, [SamplingVerdict::Marginal, SamplingVerdict::WellSampled]);
            assert_eq!(
                (a.sampling.verdict(), a.sampling.lead().unwrap().0.label),
                (SamplingVerdict::Marginal, "luminance")
            );
            let verdicts: Vec<_> = a.thermal_noise.findings.iter().map(Finding::verdict).collect();
            assert_eq!(verdicts, [ThermalVerdict::Minor, ThermalVerdict::Noticeable]);
            assert_eq!((a.thermal_noise.verdict(), a.thermal_noise.lead().unwrap().0.label), (verdicts[1], "red"));
        });
    }

    #[test]
    fn a_limit_within_the_error_is_kept_with_the_verdict_beyond_it_and_costs_confidence() {
        one([2.02, 0.05], [0.5, 0.02], law(), |a| {
            let (_, judged) = a.sampling.lead().unwrap();
            assert_eq!(judged.near, Some(Near { limit: 2.0, verdict: SamplingVerdict::Marginal }));
            assert_eq!(judged.confidence, Confidence::LimitWithinUncertainty { limit_px: 2.0 });
        });
        // 0.5 of the variance is 0.575 e-/px/s.
        one([2.5, 0.05], [0.57, 0.02], law(), |a| {
            let (_, judged) = a.thermal_noise.lead().unwrap();
            assert_eq!(judged.verdict, ThermalVerdict::Noticeable);
            assert_eq!(judged.near, Some(Near { limit: 0.5, verdict: ThermalVerdict::Dominant }));
        });
    }

    #[test]
    fn what_is_not_measured_keeps_its_reason_and_does_not_silence_the_others() {
        let s = [
            Invented::new("a", measured(2.5, 0.05), measured(0.5, 0.02), law()),
            Invented::new("b", measured(2.5, 0.05), unknown("no dark frames"), law()),
        ];
        Invented::answered(&s, |a| {
            assert_eq!(a.thermal_noise.verdict(), ThermalVerdict::Noticeable);
            assert_eq!(a.cooling.findings[1].verdict(), CoolingVerdict::NotMeasurable);
            let because = a.cooling.findings[1].judged.as_ref().unwrap_err();
            assert_eq!(because.would_help(), [Help::Dark, Help::Bias, Help::Flat]);
        });
        let none = [Invented::new("a", unknown("no stars found"), unknown("no dark frames"), CoolingLaw::assumed())];
        Invented::answered(&none, |a| {
            assert_eq!(a.sampling.verdict(), SamplingVerdict::Undetermined);
            let because = a.sampling.findings[0].judged.as_ref().unwrap_err();
            assert_eq!(*because, Missing::input(Input::StarImage, unknown("no stars found").because()));
            assert_eq!(a.thermal_noise.verdict(), ThermalVerdict::NotMeasurable);
            assert_eq!(a.cooling.confidence(), Confidence::NothingMeasured);
        });
    }

    #[test]
    fn a_gain_far_below_the_coldest_darks_is_not_sure() {
        // Twenty degrees below 12 C: darks down to -10 or -6 C reach it or nearly so, darks down to 0 C do not.
        for (coldest, level) in [(-10.0, Level::High), (-6.0, Level::High), (0.0, Level::Medium)] {
            let law = CoolingLaw { range_celsius: Some([coldest, 20.0]), ..law() };
            one([2.5, 0.05], [0.5, 0.02], law, |a| {
                assert_eq!(a.cooling.confidence().level(), level, "{coldest}: {:?}", a.cooling.confidence());
            });
        }
    }

    #[test]
    fn noise_that_the_budget_does_not_quite_explain_costs_confidence() {
        let mut session = Invented::new("a", measured(2.5, 0.05), measured(0.5, 0.02), law());
        for (noise, confidence) in [(NoiseVerdict::Differs, true), (NoiseVerdict::Explained, false)] {
            session.noise = noise;
            Invented::answered(std::slice::from_ref(&session), |a| {
                for of in [a.thermal_noise.confidence(), a.cooling.confidence()] {
                    assert_eq!(of == Confidence::NoiseDiffers, confidence, "{of:?}");
                }
                assert_eq!(a.sampling.confidence().level(), Level::High);
            });
        }
    }

    #[test]
    fn no_session_at_all_is_answered_too() {
        let none = answers(&[]);
        assert_eq!(
            (none.sampling.verdict(), none.cooling.confidence()),
            (SamplingVerdict::Undetermined, Confidence::NothingMeasured)
        );
    }
}
