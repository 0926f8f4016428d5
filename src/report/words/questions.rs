//! The three questions, answered in words.

use super::reply::{FindingWords, Measured, Unmeasured, detail, reply};
use super::{confidence, cooling, sampling, thermal};
use crate::report::answers::{AnswerEntry, OverSessions, SessionVerdict, Verdicts};
use crate::verdict::{Answer, Answers, Finding, Judged, SessionFindings};

/// Words for one session, and for several that are measured.
struct Wording<V> {
    finding: fn(&SessionFindings, &Judged<V>) -> FindingWords,
    compared: fn(&[&Measured<V>]) -> String,
}

/// The three questions as the report answers them, in its order.
pub(crate) fn entries(answers: &Answers) -> Vec<AnswerEntry> {
    let Answers { sampling: of_sampling, thermal_noise, cooling: of_cooling } = answers;
    vec![
        entry(
            of_sampling,
            &Wording { finding: sampling::finding, compared: sampling::compared },
            Verdicts::Sampling(over_sessions(of_sampling)),
        ),
        entry(
            thermal_noise,
            &Wording { finding: thermal::finding, compared: thermal::compared },
            Verdicts::ThermalNoise(over_sessions(thermal_noise)),
        ),
        entry(
            of_cooling,
            &Wording { finding: cooling::finding, compared: cooling::compared },
            Verdicts::Cooling(over_sessions(of_cooling)),
        ),
    ]
}

fn over_sessions<V: Copy + Default>(answer: &Answer<V>) -> OverSessions<V> {
    let of = |f: &Finding<V>| SessionVerdict { session_id: f.session.id.to_owned(), verdict: f.verdict() };
    OverSessions { verdict: answer.verdict(), verdicts: answer.findings.iter().map(of).collect() }
}

fn entry<V: Copy + Default + Ord>(answer: &Answer<V>, wording: &Wording<V>, verdicts: Verdicts) -> AnswerEntry {
    let (mut measured, mut unmeasured) = (Vec::new(), Vec::new());
    for f in &answer.findings {
        let label = f.session.label;
        match &f.judged {
            Ok(judged) => measured.push(Measured {
                label,
                verdict: judged.verdict,
                stake: judged.stake,
                words: (wording.finding)(&f.session, judged),
            }),
            Err(because) => unmeasured.push(Unmeasured { label, because }),
        }
    }
    let confidence = confidence::entry(&answer.confidence());
    let sentence = reply(&measured, &unmeasured, wording.compared);
    AnswerEntry { verdicts, sentence, detail: detail(&measured, &unmeasured), confidence }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::verdict::invented::{Invented, law, measured, unknown};
    use crate::verdict::{CoolingLaw, Level, SamplingVerdict, answers};

    fn told(sessions: &[Invented]) -> Vec<AnswerEntry> {
        Invented::answered(sessions, entries)
    }

    #[test]
    fn one_session_gets_its_numbers_with_errors() {
        let session = Invented::new("night one", measured(2.5, 0.05), measured(0.5, 0.02), law());
        let [sampling, thermal, cooling] = told(&[session]).try_into().unwrap();
        assert!(sampling.sentence.starts_with("Yes: a star is 2.500 \u{b1} 0.050 px"), "{}", sampling.sentence);
        assert!(sampling.detail.contains("3.750 \u{b1} 0.075 arcsec"), "{}", sampling.detail);
        let confidence = &sampling.confidence;
        let reason = "the star width is measured from these frames to 2.0 %";
        assert_eq!((confidence.level, confidence.sentence.as_str()), (Level::High, reason));
        // 60 of 129 e^2: 46.5 %.
        assert!(thermal.sentence.contains("46.5 \u{b1} "), "{}", thermal.sentence);
        // 1 - (0.5 + 0.075)/1.075 = 0.4651
        assert!(cooling.sentence.contains("no cooling can save more than 46.5 \u{b1} "), "{}", cooling.sentence);
    }

    #[test]
    fn a_reply_is_two_sentences_at_most() {
        let dark = |v: f64| measured(v, 0.02);
        let s = [
            Invented::new("luminance", measured(1.7, 0.03), dark(0.02), law()),
            Invented::new("red", measured(2.01, 0.05), dark(0.1), law()),
            Invented::new("green", measured(2.6, 0.05), dark(0.5), CoolingLaw::assumed()),
            Invented::new("blue", measured(4.6, 0.05), unknown("no dark frames"), law()),
        ];
        for n in 1..=s.len() {
            for a in told(&s[..n]) {
                assert!(a.sentence.ends_with('.') && a.sentence.matches(". ").count() <= 1, "{}", a.sentence);
                // Six lines of the terminal, for the case that has something different to say of every session.
                assert!(a.sentence.chars().count() < 6 * 70, "{}", a.sentence);
            }
        }
    }

    #[test]
    fn an_assumed_law_is_called_so() {
        let s = [Invented::new("a", measured(2.5, 0.05), measured(0.5, 0.02), CoolingLaw::assumed())];
        let cooling = told(&s).pop().unwrap();
        assert_eq!(cooling.confidence.level, Level::Low);
        assert!(cooling.sentence.contains("assumption"), "{}", cooling.sentence);
    }

    #[test]
    fn a_cold_sensor_has_nothing_to_gain_even_under_an_assumption() {
        let s = [Invented::new("a", measured(2.5, 0.05), measured(0.005, 0.001), CoolingLaw::assumed())];
        let [_, thermal, cooling] = told(&s).try_into().unwrap();
        assert!(thermal.sentence.starts_with("No: ") && cooling.sentence.starts_with("Nothing worth having: "));
        assert_eq!(cooling.confidence.level, Level::High);
    }

    #[test]
    fn a_limit_that_is_next_to_nothing_is_only_bounded() {
        let s = [Invented::new("a", measured(2.5, 0.05), measured(1e-5, 1e-6), law())];
        let cooling = told(&s).pop().unwrap();
        assert!(
            cooling.sentence.contains("no cooling can save even 0.01 % of the exposure time"),
            "{}",
            cooling.sentence
        );
    }

    #[test]
    fn sessions_that_differ_are_named_and_the_one_at_stake_is_told() {
        let s = [
            Invented::new("luminance", measured(1.7, 0.03), measured(0.02, 0.002), law()),
            Invented::new("red", measured(2.6, 0.05), measured(0.5, 0.02), law()),
        ];
        let [sampling, thermal, cooling] = told(&s).try_into().unwrap();
        let of = |id: &str, verdict| SessionVerdict { session_id: id.to_owned(), verdict };
        let (marginal, well) = (SamplingVerdict::Marginal, SamplingVerdict::WellSampled);
        let verdicts = vec![of("luminance", marginal), of("red", well)];
        assert_eq!(sampling.verdicts, Verdicts::Sampling(OverSessions { verdict: marginal, verdicts }));
        let has = |a: &AnswerEntry, words: &str| assert!(a.sentence.contains(words), "{}", a.sentence);
        has(&sampling, "1.700 \u{b1} 0.030 px wide before the pixel blurs them (FWHM) in luminance (marginal)");
        has(&sampling, "but 2.600 \u{b1} 0.050 px in red (well-sampled)");
        assert!(sampling.detail.starts_with("For luminance: "), "{}", sampling.detail);
        has(&thermal, "in red (noticeable)");
        assert!(thermal.detail.starts_with("For red: "), "{}", thermal.detail);
        has(&cooling, "A lot in red: ");
        has(&cooling, "in luminance it would save ");
    }

    #[test]
    fn a_width_near_a_limit_is_said_to_be() {
        let s = [Invented::new("a", measured(2.02, 0.05), measured(0.5, 0.02), law())];
        assert!(told(&s)[0].sentence.contains("beyond the limit of 2 px"));
    }

    #[test]
    fn what_cannot_be_measured_says_why() {
        let s = [Invented::new("a", unknown("no stars found"), unknown("no dark frames"), CoolingLaw::assumed())];
        for (a, why) in told(&s).iter().zip(["no stars found", "no dark frames", "no dark frames"]) {
            assert!(a.sentence.contains("Not measurable, because") && a.sentence.contains(why), "{}", a.sentence);
            assert_eq!(a.confidence.level, Level::None);
            let json = serde_json::to_value(a).unwrap();
            assert!(["undetermined", "not-measurable"].contains(&json["verdict"].as_str().unwrap()), "{json}");
        }
    }

    #[test]
    fn a_session_without_darks_does_not_silence_the_others_and_what_it_needs_is_in_the_detail() {
        let s = [
            Invented::new("a", measured(2.5, 0.05), measured(0.5, 0.02), law()),
            Invented::new("b", measured(2.5, 0.05), unknown("no dark frames"), law()),
        ];
        let [_, thermal, cooling] = told(&s).try_into().unwrap();
        assert!(thermal.sentence.contains("Not measurable in b, because"), "{}", thermal.sentence);
        assert!(thermal.sentence.contains("no dark frames") && thermal.sentence.contains("as far as a tells"));
        assert!(cooling.sentence.ends_with("the dark current is not known: no dark frames."), "{}", cooling.sentence);
        assert!(
            cooling
                .detail
                .contains("For b: not measurable, because the dark current is not known: no dark frames; dark")
        );
    }

    #[test]
    fn no_session_at_all_is_answered_too() {
        let all = entries(&answers(&[]));
        assert_eq!(all.len(), 3);
        assert!(all.iter().all(|a| a.confidence.level == Level::None && a.sentence.contains("no session")));
    }

    #[test]
    fn long_lists_are_cut() {
        let mut s: Vec<Invented> = ["a", "b", "c", "d", "e", "f"]
            .map(|l| Invented::new(l, unknown("clouds"), unknown("no darks"), CoolingLaw::assumed()))
            .into();
        s.push(Invented::new("g", measured(2.5, 0.05), unknown("no darks"), CoolingLaw::assumed()));
        assert!(told(&s)[0].sentence.contains("Not measurable in a, b, c, d and 2 more, because"));
    }

    #[test]
    fn an_answer_is_read_back_as_it_was_written() {
        let s = [Invented::new("a", unknown("no stars found"), measured(0.5, 0.02), CoolingLaw::assumed())];
        for a in told(&s) {
            let json = serde_json::to_string(&a).unwrap();
            assert_eq!(serde_json::from_str::<AnswerEntry>(&json).unwrap(), a, "{json}");
        }
    }
}
