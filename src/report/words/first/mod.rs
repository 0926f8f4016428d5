//! The first screen: six answers in the order of a buyer's thought, what to change for free, and what money may change.
//!
//! Prose has two significant digits and says "about" for an error below a tenth, else the range; tables have the errors.

mod cooling;
mod field;
mod free;
mod names;
mod noise;
mod sampling;
pub(crate) mod say;
mod stars;
mod upgrade;

use crate::report::answers::Question;
use crate::report::model::Report;

/// What an answer is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum About {
    Stars,
    Sampling,
    Noise,
    Cooling,
    Field,
    Free,
    Upgrade,
}

impl About {
    /// One word, for narrow columns.
    pub(crate) fn word(self) -> &'static str {
        match self {
            Self::Stars => "Stars",
            Self::Sampling => "Sampling",
            Self::Noise => "Noise",
            Self::Cooling => "Cooling",
            Self::Field => "Field",
            Self::Free => "First",
            Self::Upgrade => "Upgrade",
        }
    }

    /// The question that it answers.
    pub(crate) fn question(self) -> &'static str {
        match self {
            Self::Stars => "How sharp are the stars?",
            Self::Sampling => "Do the pixels suit them?",
            Self::Noise => "Where does the noise come from?",
            Self::Cooling => "What would cooling gain?",
            Self::Field => "How far out are stars good?",
            Self::Free => "What next, for free?",
            Self::Upgrade => "What next, for money?",
        }
    }

    /// Of the report's answers the one whose confidence and detail belong to it.
    pub(crate) fn answered_by(self) -> Option<Question> {
        match self {
            Self::Sampling => Some(Question::Sampling),
            Self::Noise => Some(Question::ThermalNoise),
            Self::Cooling => Some(Question::Cooling),
            Self::Stars | Self::Field | Self::Free | Self::Upgrade => None,
        }
    }
}

/// The sentences of one answer; names stand for the sessions, in their order.
type Answer = fn(&Report, &[names::Name]) -> String;

/// The answers of a report with lights, in their order.
pub(crate) fn answers(report: &Report) -> Vec<(About, String)> {
    let names = names::of(report);
    let told: [(About, Answer); 7] = [
        (About::Stars, stars::answer),
        (About::Sampling, sampling::answer),
        (About::Noise, noise::answer),
        (About::Cooling, cooling::answer),
        (About::Field, field::answer),
        (About::Free, free::answer),
        (About::Upgrade, upgrade::answer),
    ];
    told.into_iter().map(|(about, answer)| (about, answer(report, &names))).collect()
}
