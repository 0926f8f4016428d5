//! Thermal noise in words: the answer of a session and of several.

use super::percent;
use super::quantity::InWords;
use super::reply::{FindingWords, Measured, by_grade_words};
use crate::verdict::{Judged, SessionFindings, ThermalVerdict};

/// The answer of one session.
pub(crate) fn finding(s: &SessionFindings, judged: &Judged<ThermalVerdict>) -> FindingWords {
    let b = s.noise_budget;
    let opening = match judged.verdict {
        ThermalVerdict::Negligible => "No",
        ThermalVerdict::Minor => "Hardly",
        ThermalVerdict::Noticeable => "In part",
        ThermalVerdict::Dominant => "Yes",
        ThermalVerdict::NotMeasurable => "Not measurable",
    };
    let exposure = s.exposure_s.map_or_else(|| "an exposure".to_owned(), |t| format!("an exposure of {t} s"));
    let shown = percent(&judged.key);
    FindingWords {
        opening,
        statement: format!(
            "dark current makes {shown} of the noise variance of {exposure}, the sky {}",
            percent(&b.sky_share)
        ),
        shown,
        caution: judged.near.map_or_else(String::new, |near| {
            let [other, word]: [&str; 2] = [near.verdict.into(), judged.verdict.into()];
            format!("Within its error the share may be called {other} as well as {word}.")
        }),
        detail: detail(s, &exposure),
    }
}

fn detail(s: &SessionFindings, exposure: &str) -> String {
    let b = s.noise_budget;
    let mut text = format!(
        "Of the noise variance of a background pixel in {exposure}, {} comes from the sky, {} from dark current and {} \
         from reading out.",
        percent(&b.sky_share),
        percent(&b.dark_share),
        percent(&b.read_share)
    );
    if b.read_noise_adds.is_known() {
        text.push_str(&format!(
            " Read noise adds {} to the noise of sky and dark current in this exposure; it would add 5 % at {}, 10 % at {}.",
            percent(&b.read_noise_adds),
            b.exposure_for_5_percent_read_s.text("s"),
            b.exposure_for_10_percent_read_s.text("s")
        ));
    }
    if let Some(note) = b.dark_share.remark() {
        text.push_str(&format!(" Caution: {note}."));
    }
    text
}

/// Two sessions or more that are measured.
pub(crate) fn compared(known: &[&Measured<ThermalVerdict>]) -> String {
    by_grade_words(known, "dark current makes", "of the noise variance of an exposure")
}
