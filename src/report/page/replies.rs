//! What stands at the top of the page: the answers, or the sensors where there is nothing to answer from.

use serde::Serialize;

use super::setting::sentence;
use crate::facts::Source;
use crate::report::model::{Report, SensorEntry};
use crate::report::words::first::{self, About};
use crate::report::words::numbers::{typographic, with_unit};

/// An answer under its question.
#[derive(Debug, Serialize)]
pub struct Reply {
    pub question: String,
    pub sentence: String,
    pub detail: String,
    pub confidence: String,
}

/// The answers; without any light frame, what is known of each sensor instead of three times the same excuse.
pub(crate) fn replies(report: &Report) -> Vec<Reply> {
    if report.sessions.is_empty() {
        return report.sensors.iter().map(sensor_reply).collect();
    }
    let reply = |(about, sentence): (About, String)| {
        let entry = about.answered_by().and_then(|q| report.answers.iter().find(|a| a.question() == q));
        let confidence = entry.map(|a| format!("{}: {}", a.confidence.level.word(), a.confidence.sentence));
        Reply {
            question: about.question().to_owned(),
            sentence: typographic(&sentence),
            detail: typographic(entry.map_or("", |a| &a.detail)),
            confidence: typographic(&confidence.unwrap_or_default()),
        }
    };
    first::answers(report).into_iter().map(reply).collect()
}

fn sensor_reply(s: &SensorEntry) -> Reply {
    let (r, d) = (&s.result, &s.result.dark_current);
    let at = d.reference_celsius.map_or_else(String::new, |c| format!(" at {c:.1} °C"));
    let read_noise = if r.read_noise_e.is_known() { (&r.read_noise_e, "e⁻") } else { (&r.read_noise_adu, "ADU") };
    let values = [
        ("gain", &r.gain_e_per_adu, "e⁻/ADU", ""),
        ("read noise", read_noise.0, read_noise.1, ""),
        ("dark current", &d.rate_e_per_px_s, "e⁻/px/s", at.as_str()),
        ("doubling step of the dark current", &d.doubling_celsius, "°C", ""),
    ];
    let known = values.iter().filter(|(_, q, ..)| q.is_known());
    let words: Vec<String> = known
        .map(|(name, q, unit, at)| {
            let origin = if q.source == Source::Assumed { " (assumed)" } else { "" };
            format!("{name} {}{at}{origin}", with_unit(q, unit))
        })
        .collect();
    let n = r.frames;
    Reply {
        question: format!("What is {} like?", s.settings.camera.as_deref().unwrap_or("the sensor")),
        sentence: match &words[..] {
            [] => "Nothing of it could be measured; its own section says why.".to_owned(),
            _ => sentence(&format!("{}.", words.join(", "))),
        },
        detail: format!("From {} bias, {} dark and {} flat frames.", n.bias, n.dark, n.flat),
        confidence: String::new(),
    }
}
