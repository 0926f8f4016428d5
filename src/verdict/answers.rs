//! The three questions of the report, answered in plain sentences: sampling, thermal noise, cooling.

use serde::Serialize;

use super::findings::{Finding, cooling_finding, sampling_finding, thermal_finding};
use super::reply::reply;
use super::result::{Cooling, NoiseBudget, Sampling};
use crate::facts::Quantity;

/// A question of the user.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Question {
    /// Do the pixels suit the star image?
    Sampling,
    /// Does the sensor's own heat limit the images?
    ThermalNoise,
    /// What would cooling gain?
    Cooling,
}

/// One answer.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Answer {
    pub question: Question,
    /// The answer in a word or two; from the lowest to the highest where sessions differ.
    pub verdict: String,
    /// One or two sentences that answer with a number and its error; a session that differs is named.
    pub sentence: String,
    /// What stands behind it: costs, conditions, cautions. Empty where nothing was measured.
    pub detail: String,
    /// `high`, `medium`, `low` or `none`, and why.
    pub confidence: String,
}

/// What the answers need of one session.
#[derive(Debug, Clone, Copy)]
pub struct SessionFindings<'a> {
    /// How the session is called in sentences.
    pub label: &'a str,
    /// Exposure time, s.
    pub exposure_s: Option<f64>,
    /// FWHM before the pixel, arcsec.
    pub fwhm_arcsec: &'a Quantity,
    /// Image scale, arcsec/px.
    pub image_scale: &'a Quantity,
    /// Aperture, mm, for the diffraction limit.
    pub aperture_mm: Option<f64>,
    /// Median airmass, for the width at the zenith.
    pub airmass: Option<f64>,
    pub sampling: &'a Sampling,
    pub noise_budget: &'a NoiseBudget,
    pub cooling: &'a Cooling,
}

/// Answers the three questions over all sessions, in the order of the report.
pub fn answers(sessions: &[SessionFindings]) -> Vec<Answer> {
    let each = |f: fn(&SessionFindings) -> Finding| sessions.iter().map(f).collect::<Vec<_>>();
    vec![
        answer(Question::Sampling, "undetermined", &each(sampling_finding)),
        answer(Question::ThermalNoise, "not-measurable", &each(thermal_finding)),
        answer(Question::Cooling, "not-measurable", &each(cooling_finding)),
    ]
}

/// One answer from the findings of every session.
fn answer(question: Question, unknown: &str, findings: &[Finding]) -> Answer {
    let known: Vec<&Finding> = findings.iter().filter(|f| f.grade.is_some()).collect();
    let sentence = reply(question, findings);
    let Some(lead) = known.iter().copied().max_by(|a, b| a.stake.total_cmp(&b.stake)) else {
        let confidence = "none: nothing was measured that could answer it".to_owned();
        return Answer { question, verdict: unknown.to_owned(), sentence, detail: String::new(), confidence };
    };
    let mut detail = match findings.len() {
        1 => lead.detail.clone(),
        _ => format!("For {}: {}", lead.label, lead.detail),
    };
    for f in findings.iter().filter(|f| f.grade.is_none() && f.statement.contains("; ")) {
        detail.push_str(&format!(" For {}: not measurable, because {}.", f.label, f.statement));
    }
    let confidence = lead.confidence.clone();
    Answer { question, verdict: span(known.iter().filter_map(|f| f.grade)), sentence, detail, confidence }
}

/// `marginal` or `marginal to well-sampled`.
fn span(grades: impl Iterator<Item = (usize, &'static str)>) -> String {
    let mut grades: Vec<_> = grades.collect();
    grades.sort_unstable();
    match (grades.first(), grades.last()) {
        (Some(low), Some(high)) if low.0 != high.0 => format!("{} to {}", low.1, high.1),
        (Some(low), _) => low.1.to_owned(),
        _ => String::new(),
    }
}

#[cfg(test)]
mod tests {
    use super::super::{
        BudgetInput, CoolingInput, CoolingLaw, SamplingInput, ThermalStep, cooling, noise_budget, sampling,
    };
    use super::*;
    use crate::facts::Source;

    fn measured(value: f64, sigma: f64) -> Quantity {
        Quantity::measured(value, sigma, "test value", 9)
    }

    fn unknown(why: &str) -> Quantity {
        Quantity::not_measurable(why)
    }

    fn law() -> CoolingLaw {
        let step = ThermalStep::ActivationEnergy { ev: 0.63, sigma_ev: 0.02 };
        CoolingLaw { step, source: Source::Measured, range_celsius: Some([-10.0, 20.0]) }
    }

    /// Everything about one invented session.
    struct Session {
        label: &'static str,
        fwhm: Quantity,
        scale: Quantity,
        sampling: Sampling,
        budget: NoiseBudget,
        cooling: Cooling,
    }

    impl Session {
        fn new(label: &'static str, fwhm: Quantity, dark: Quantity, law: CoolingLaw) -> Self {
            let (scale, sky, read) = (measured(1.5, 0.001), measured(0.5, 0.02), measured(3.0, 0.1));
            let exposure_s = Some(120.0);
            let sampling = sampling(&SamplingInput {
                fwhm_px: &fwhm,
                beta: &measured(3.0, 0.2),
                image_scale: &scale,
                sky_e_per_px_s: &sky,
                dark_e_per_px_s: &dark,
                read_noise_e: &read,
                exposure_s,
                colour: false,
            });
            let budget = noise_budget(&BudgetInput {
                sky_e_per_px_s: &sky,
                dark_e_per_px_s: &dark,
                read_noise_e: &read,
                read_noise_includes_quantisation: true,
                gain_e_per_adu: &measured(0.8, 0.01),
                adu_step: Some(1),
                exposure_s,
            });
            let cooling = cooling(&CoolingInput {
                sky_e_per_px_s: &sky,
                read_noise_e: &read,
                exposure_s,
                now_celsius: Some(12.0),
                dark_e_per_px_s: &dark,
                floor_e_per_px_s: &measured(0.0, 0.0),
                law,
            });
            Self { label, fwhm, scale, sampling, budget, cooling }
        }

        fn answers(sessions: &[Self]) -> Vec<Answer> {
            let arcsec: Vec<Quantity> = sessions.iter().map(|s| s.fwhm.times(&s.scale, "px times scale")).collect();
            let findings: Vec<SessionFindings> = sessions
                .iter()
                .zip(&arcsec)
                .map(|(s, fwhm_arcsec)| SessionFindings {
                    label: s.label,
                    exposure_s: Some(120.0),
                    fwhm_arcsec,
                    image_scale: &s.scale,
                    aperture_mm: Some(80.0),
                    airmass: Some(1.3),
                    sampling: &s.sampling,
                    noise_budget: &s.budget,
                    cooling: &s.cooling,
                })
                .collect();
            answers(&findings)
        }
    }

    #[test]
    fn one_session_gets_its_numbers_with_errors() {
        let [sampling, thermal, cooling] =
            Session::answers(&[Session::new("night one", measured(2.5, 0.05), measured(0.5, 0.02), law())])
                .try_into()
                .unwrap();
        assert_eq!((sampling.question, sampling.verdict.as_str()), (Question::Sampling, "well-sampled"));
        assert!(sampling.sentence.starts_with("Yes: a star is 2.500 \u{b1} 0.050 px"), "{}", sampling.sentence);
        assert!(sampling.detail.contains("3.750 \u{b1} 0.075 arcsec"), "{}", sampling.detail);
        assert!(sampling.confidence.starts_with("high"), "{}", sampling.confidence);
        // 60 of 129 e^2: 46.5 %.
        assert_eq!(thermal.verdict, "noticeable");
        assert!(thermal.sentence.contains("46.5 \u{b1} "), "{}", thermal.sentence);
        assert_eq!(cooling.verdict, "large-gain");
        // 1 - (0.5 + 0.075)/1.075 = 0.4651
        assert!(cooling.sentence.contains("no cooling can save more than 46.5 \u{b1} "), "{}", cooling.sentence);
    }

    #[test]
    fn a_reply_is_two_sentences_at_most() {
        let dark = |v: f64| measured(v, 0.02);
        let s = [
            Session::new("luminance", measured(1.7, 0.03), dark(0.02), law()),
            Session::new("red", measured(2.01, 0.05), dark(0.1), law()),
            Session::new("green", measured(2.6, 0.05), dark(0.5), CoolingLaw::assumed()),
            Session::new("blue", measured(4.6, 0.05), unknown("no dark frames"), law()),
        ];
        for n in 1..=s.len() {
            for a in Session::answers(&s[..n]) {
                assert!(a.sentence.ends_with('.') && a.sentence.matches(". ").count() <= 1, "{}", a.sentence);
                // Six lines of the terminal, for the case that has something different to say of every session.
                assert!(a.sentence.chars().count() < 6 * 70, "{}", a.sentence);
            }
        }
    }

    #[test]
    fn an_assumed_law_gives_no_gain_but_a_limit() {
        let s = [Session::new("a", measured(2.5, 0.05), measured(0.5, 0.02), CoolingLaw::assumed())];
        let cooling = Session::answers(&s).pop().unwrap();
        assert_eq!(cooling.verdict, "possible-gain");
        assert!(cooling.confidence.starts_with("low"), "{}", cooling.confidence);
        assert!(cooling.sentence.contains("assumption"), "{}", cooling.sentence);
    }

    #[test]
    fn a_cold_sensor_has_nothing_to_gain_even_under_an_assumption() {
        let s = [Session::new("a", measured(2.5, 0.05), measured(0.005, 0.001), CoolingLaw::assumed())];
        let [_, thermal, cooling] = Session::answers(&s).try_into().unwrap();
        assert_eq!((thermal.verdict.as_str(), cooling.verdict.as_str()), ("negligible", "no-gain"));
        assert!(thermal.sentence.starts_with("No: ") && cooling.sentence.starts_with("Nothing worth having: "));
        assert!(cooling.confidence.starts_with("high"), "{}", cooling.confidence);
    }

    #[test]
    fn sessions_that_differ_are_named_and_the_one_at_stake_is_told() {
        let s = [
            Session::new("luminance", measured(1.7, 0.03), measured(0.02, 0.002), law()),
            Session::new("red", measured(2.6, 0.05), measured(0.5, 0.02), law()),
        ];
        let [sampling, thermal, cooling] = Session::answers(&s).try_into().unwrap();
        assert_eq!(sampling.verdict, "marginal to well-sampled");
        let has = |a: &Answer, words: &str| assert!(a.sentence.contains(words), "{}", a.sentence);
        has(&sampling, "1.700 \u{b1} 0.030 px wide before the pixel blurs them (FWHM) in luminance (marginal)");
        has(&sampling, "but 2.600 \u{b1} 0.050 px in red (well-sampled)");
        assert!(sampling.detail.starts_with("For luminance: "), "{}", sampling.detail);
        assert_eq!(thermal.verdict, "minor to noticeable");
        has(&thermal, "in red (noticeable)");
        assert!(thermal.detail.starts_with("For red: "), "{}", thermal.detail);
        has(&cooling, "A lot in red: ");
        has(&cooling, "in luminance it would save ");
    }

    #[test]
    fn a_width_near_a_limit_is_said_to_be() {
        let s = [Session::new("a", measured(2.02, 0.05), measured(0.5, 0.02), law())];
        assert!(Session::answers(&s)[0].sentence.contains("beyond the limit of 2 px"));
    }

    #[test]
    fn what_cannot_be_measured_says_why() {
        let s = [Session::new("a", unknown("no stars found"), unknown("no dark frames"), CoolingLaw::assumed())];
        for (a, why) in Session::answers(&s).iter().zip(["no stars found", "no dark frames", "no dark frames"]) {
            assert!(a.sentence.contains("Not measurable, because") && a.sentence.contains(why), "{}", a.sentence);
            assert!(a.confidence.starts_with("none"));
            assert!(["undetermined", "not-measurable"].contains(&a.verdict.as_str()));
        }
    }

    #[test]
    fn a_session_without_darks_does_not_silence_the_others() {
        let s = [
            Session::new("a", measured(2.5, 0.05), measured(0.5, 0.02), law()),
            Session::new("b", measured(2.5, 0.05), unknown("no dark frames"), law()),
        ];
        let thermal = &Session::answers(&s)[1];
        assert_eq!(thermal.verdict, "noticeable");
        assert!(thermal.sentence.contains("Not measurable in b, because"), "{}", thermal.sentence);
        assert!(thermal.sentence.contains("no dark frames") && thermal.sentence.contains("as far as a tells"));
    }

    #[test]
    fn no_session_at_all_is_answered_too() {
        let all = answers(&[]);
        assert_eq!(all.len(), 3);
        assert!(all.iter().all(|a| a.confidence.starts_with("none") && a.sentence.contains("no session")));
    }

    #[test]
    fn long_lists_are_cut() {
        let mut s: Vec<Session> = ["a", "b", "c", "d", "e", "f"]
            .map(|l| Session::new(l, unknown("clouds"), unknown("no darks"), CoolingLaw::assumed()))
            .into();
        s.push(Session::new("g", measured(2.5, 0.05), unknown("no darks"), CoolingLaw::assumed()));
        assert!(Session::answers(&s)[0].sentence.contains("Not measurable in a, b, c, d and 2 more, because"));
    }
}
