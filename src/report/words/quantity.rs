//! A quantity in words, and as the report's files have it.

use std::borrow::Cow;

use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
use serde::{Deserialize, Deserializer, Serialize, Serializer};
use strum::VariantNames;

use crate::facts::answers::AnswersMissing;
use crate::facts::night::NightMissing;
use crate::facts::sensor::SensorMissing;
use crate::facts::sky::{NoMatch, SkyMissing};
use crate::facts::stars::StarsMissing;
use crate::facts::verdict::VerdictMissing;
use crate::facts::{Input, Method, Missing, Note, Quantity, Source};
use crate::format::{UNKNOWN, with_sigma};

/// What a reader is told of a quantity.
pub trait InWords {
    /// The value with its uncertainty and unit: `1.463 ± 0.012 arcsec`.
    ///
    /// An empty unit adds nothing; an unknown value reads `not measurable`.
    fn text(&self, unit: &str) -> String;
    /// Why there is no value, as a clause that goes on from "because"; an empty text where there is one.
    fn why(&self) -> String;
    /// How it was had.
    fn how(&self) -> String;
    /// Why there is no value, then its notes.
    fn remark(&self) -> Option<String>;
}

impl InWords for Quantity {
    fn text(&self, unit: &str) -> String {
        match self.value {
            None => UNKNOWN.to_owned(),
            Some(value) if unit.is_empty() => with_sigma(value, self.sigma),
            Some(value) => format!("{} {unit}", with_sigma(value, self.sigma)),
        }
    }

    fn why(&self) -> String {
        self.missing.as_ref().map_or_else(String::new, missing)
    }

    fn how(&self) -> String {
        method(&self.method)
    }

    fn remark(&self) -> Option<String> {
        let parts: Vec<String> = self.missing.iter().map(missing).chain(self.notes.iter().map(note)).collect();
        (!parts.is_empty()).then(|| parts.join("; "))
    }
}

/// How a value came to be.
pub(crate) fn method(by: &Method) -> String {
    match by {
        Method::Quoted(words) => words.clone(),
        Method::InSentence => String::new(),
        Method::NotMeasurable => UNKNOWN.to_owned(),
        Method::Card { card } => format!("header card {card}"),
        Method::RigKey { key } => format!("rig file, key {key}"),
        Method::Carded { origin } => origin.clone(),
        Method::Following { step, of } => format!("{}; {}", method(step), method(of)),
        Method::Stars(of) => super::stars::method(of),
        Method::Sensor(of) => super::sensor::method(of),
        Method::Sky(of) => super::sky::method(of),
        Method::Night(of) => super::night::method(of),
        Method::Verdict(of) => super::verdict::method(of),
        Method::Answers(of) => super::answers::method(of),
    }
}

/// Why a value is missing: a clause that goes on from "because".
pub(crate) fn missing(reason: &Missing) -> String {
    match reason {
        Missing::Quoted { sentence, .. } => sentence.clone(),
        Missing::Unstated => "no reason was given".to_owned(),
        Missing::Input { what, because } => match **because {
            Missing::Unstated => format!("{} is not known", input(*what)),
            ref because => format!("{} is not known: {}", input(*what), missing(because)),
        },
        Missing::Neither { one, other } => format!("{}; {}", missing(one), missing(other)),
        Missing::Without { what, because } => {
            format!("no {}: {}", bare_input(*what), missing(because))
        }
        Missing::DarksLikeTheLights { .. } => format!(
            "{}; dark frames at the temperature, gain setting and exposure of the lights, with bias frames and flats, \
             would supply it",
            lack(reason)
        ),
        Missing::ExposureTime => "the exposure time is not known (card EXPTIME)".to_owned(),
        Missing::SensorTemperature => "the sensor temperature is not known (card CCD-TEMP)".to_owned(),
        Missing::Stars(of) => super::stars::missing(of),
        Missing::Sensor(of) => super::sensor::missing(of),
        Missing::Sky(of) => super::sky::missing(of),
        Missing::Night(of) => super::night::missing(of),
        Missing::Verdict(of) => super::verdict::missing(of),
        Missing::Answers(of) => super::answers::missing(of),
    }
}

/// The same without the darks that would supply it, for a place where only the lack is told.
pub(crate) fn lack(reason: &Missing) -> String {
    match reason {
        Missing::DarksLikeTheLights { because } => missing(&Missing::input(Input::DarkCurrent, (**because).clone())),
        reason => missing(reason),
    }
}

/// The name of a value that another follows from, with its article.
pub(crate) fn input(what: Input) -> String {
    format!("the {}", bare_input(what))
}

/// The name alone.
fn bare_input(what: Input) -> &'static str {
    match what {
        Input::Sky => "sky",
        Input::SkyRate => "sky rate",
        Input::DarkCurrent => "dark current",
        Input::ReadNoise => "read noise",
        Input::StarImage => "star image",
        Input::StarWidth => "star width",
        Input::BiasLevel => "bias level",
        Input::SaturationLevel => "saturation level",
        Input::ImageScale => "image scale",
        Input::NoiseBudget => "noise budget",
        Input::Gain => "gain",
    }
}

/// What goes with a value.
pub(crate) fn note(of: &Note) -> String {
    match of {
        Note::Quoted(words) => words.clone(),
        Note::NotMeasured { because } => format!("not measured: {}", missing(because)),
        Note::StatedGivesOtherScale { stated, arcsec_per_px, sigma_arcsec_per_px, percent } => format!(
            "{} gives {} arcsec/px, {percent:+.1} % from it",
            method(stated),
            with_sigma(*arcsec_per_px, *sigma_arcsec_per_px)
        ),
        Note::Since { note: of, because } => format!("{}: {}", note(of), missing(because)),
        Note::Stars(of) => super::stars::note(of),
        Note::Sensor(of) => super::sensor::note(of),
        Note::Night(of) => super::night::note(of),
        Note::Verdict(of) => super::verdict::note(of),
        Note::Answers(of) => super::answers::note(of),
    }
}

/// A value with its uncertainty and origin.
#[derive(Serialize, Deserialize, JsonSchema)]
struct Shown {
    /// The value; null where it is not known, never 0.
    #[schemars(extend("unit" = "that of the key"))]
    value: Option<f64>,
    /// One standard uncertainty; null where it is not known.
    #[schemars(extend("unit" = "that of the key"))]
    sigma: Option<f64>,
    /// Where the value comes from.
    source: Source,
    /// How it was had.
    method: String,
    /// Number behind it.
    #[schemars(extend("unit" = "frames, stars, pixels or pairs, as method says"))]
    n: usize,
    /// A caution, or the reason why there is no value.
    note: Option<String>,
    /// Why there is no value, for scripts; null where there is one.
    missing: Option<ShownMissing>,
}

/// Why a value is missing, for scripts.
#[derive(Serialize, Deserialize, JsonSchema)]
#[schemars(rename = "Missing")]
struct ShownMissing {
    /// The reason; where a value follows from another that is missing, the reason of that one.
    #[schemars(schema_with = "reasons")]
    reason: String,
    /// What would supply it: kinds of frames, cards of the headers, `rig:` and a key of the rig file.
    would_help: Vec<String>,
}

/// The closed list of reasons.
fn reasons(_: &mut SchemaGenerator) -> Schema {
    let lists = [
        Missing::VARIANTS,
        StarsMissing::VARIANTS,
        SensorMissing::VARIANTS,
        SkyMissing::VARIANTS,
        NoMatch::VARIANTS,
        NightMissing::VARIANTS,
        VerdictMissing::VARIANTS,
        AnswersMissing::VARIANTS,
    ];
    // The groups that the other lists belong to, and what another reason stands for, are no reasons.
    let no_reason = [
        "quoted",
        "input",
        "neither",
        "without",
        "darks-like-the-lights",
        "not-matched",
        "stars",
        "sensor",
        "sky",
        "night",
        "verdict",
        "answers",
    ];
    let mut words: Vec<&str> = lists.concat().into_iter().filter(|word| !no_reason.contains(word)).collect();
    words.sort_unstable();
    words.dedup();
    json_schema!({ "type": "string", "enum": words })
}

impl JsonSchema for Quantity {
    fn schema_name() -> Cow<'static, str> {
        "Quantity".into()
    }

    fn json_schema(of: &mut SchemaGenerator) -> Schema {
        Shown::json_schema(of)
    }
}

/// A quantity as it is kept between runs: facts alone.
#[derive(Serialize, Deserialize)]
struct Kept {
    value: Option<f64>,
    sigma: Option<f64>,
    source: Source,
    method: Method,
    n: usize,
    missing: Option<Missing>,
    notes: Vec<Note>,
}

/// Words in forms for readers (JSON), facts in those for this program alone (MessagePack).
impl Serialize for Quantity {
    fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        let Self { value, sigma, source, method, n, missing, notes } = self.clone();
        if !to.is_human_readable() {
            return Kept { value, sigma, source, method, n, missing, notes }.serialize(to);
        }
        let missing = missing.map(|m| ShownMissing { reason: m.code().to_owned(), would_help: m.would_help_codes() });
        Shown { value, sigma, source, method: self.how(), n, note: self.remark(), missing }.serialize(to)
    }
}

impl<'de> Deserialize<'de> for Quantity {
    fn deserialize<D: Deserializer<'de>>(from: D) -> Result<Self, D::Error> {
        if !from.is_human_readable() {
            let Kept { value, sigma, source, method, n, missing, notes } = Kept::deserialize(from)?;
            return Ok(Self { value, sigma, source, method, n, missing, notes });
        }
        let Shown { value, sigma, source, method, n, note, missing } = Shown::deserialize(from)?;
        let method = Method::Quoted(method);
        let Some(ShownMissing { reason, would_help }) = missing else {
            let notes = note.map(Note::Quoted).into_iter().collect();
            return Ok(Self { value, sigma, source, method, n, missing: None, notes });
        };
        let missing = Some(Missing::Quoted { reason, would_help, sentence: note.unwrap_or_default() });
        Ok(Self { value, sigma, source, method, n, missing, notes: Vec::new() })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::facts::verdict::{VerdictMethod, VerdictMissing, VerdictNote};

    #[test]
    fn text_has_the_unit_where_there_is_a_value() {
        assert_eq!(Quantity::measured(1.46331, 0.0123, "x", 1).text("px"), "1.463 \u{b1} 0.012 px");
        assert_eq!(Quantity::rig(530.0, "focal_mm").text("mm"), "530 mm");
        assert_eq!(Quantity::rig(3.76, "pixel_um").text(""), "3.76");
        assert_eq!(Quantity::not_measurable("no flats").text("e"), "not measurable");
    }

    #[test]
    fn a_step_stands_before_what_it_goes_on_from() {
        let squared = Method::following(VerdictMethod::ReadNoiseSquared, Method::Card { card: "RDNOISE".to_owned() });
        assert_eq!(method(&squared), "read noise squared; header card RDNOISE");
        assert_eq!(squared.code(), "read-noise-squared");
    }

    #[test]
    fn a_missing_input_is_named_before_its_own_reason() {
        let none = |because: Missing| missing(&Missing::input(Input::Sky, because));
        assert_eq!(none(Missing::ExposureTime), "the sky is not known: the exposure time is not known (card EXPTIME)");
        assert_eq!(none(Missing::Unstated), "the sky is not known");
        let unrounded = Note::since(VerdictNote::WithoutQuantisation, VerdictMissing::NoSession.into());
        assert_eq!(note(&unrounded), "without the quantisation: there is no session");
        assert_eq!(
            missing(&Missing::without(Input::SkyRate, VerdictMissing::NoSession.into())),
            "no sky rate: there is no session"
        );
    }
}
