//! The dark current's law, its rates and its glow in words, and how `report.json` has them.

use std::borrow::Cow;

use schemars::{JsonSchema, Schema, SchemaGenerator};
use serde::{Deserialize, Deserializer, Serialize, Serializer};

use crate::facts::Quantity;
use crate::facts::sensor::{DarkModel, DarkRates, GlowBehaviour, GlowPlace, Side};
use crate::sensor::HotPixels;

/// Which law of the dark current was fitted.
pub(crate) fn model(model: &DarkModel) -> String {
    match model {
        DarkModel::Unknown => "none".to_owned(),
        DarkModel::OneTemperature => "one temperature: no law".to_owned(),
        DarkModel::ActivatedAndFloor => "activated (Arrhenius) part and a floor".to_owned(),
        DarkModel::TooFewForFloor { temperatures } => {
            format!("activated (Arrhenius) part; {temperatures} temperatures are too few for a floor")
        }
        DarkModel::FloorNotSupported => "activated (Arrhenius) part; a floor is not supported by the data".to_owned(),
        DarkModel::Quoted(words) => words.clone(),
    }
}

/// Which rates the dark current was taken from, and why.
pub(crate) fn rates(rates: &DarkRates) -> String {
    match rates {
        DarkRates::Unknown => String::new(),
        DarkRates::MeanLevel => "mean level of the pixels that are not hot".to_owned(),
        DarkRates::Variance => {
            "variance of pairs: the mean level does not rise with exposure as the variance does, so \
                                the camera takes the dark level off"
                .to_owned()
        }
        DarkRates::Quoted(words) => words.clone(),
    }
}

/// The side or corner at which a glow is brightest.
pub(crate) fn place(place: &GlowPlace) -> String {
    let side = |side: Side, lines: &str| match side {
        Side::First => format!("first {lines}"),
        Side::Last => format!("last {lines}"),
    };
    let (rows, columns) = match place {
        GlowPlace::At { rows, columns } => (rows.map(|s| side(s, "rows")), columns.map(|s| side(s, "columns"))),
        GlowPlace::Quoted(words) => return words.clone(),
    };
    match (rows, columns) {
        (Some(rows), Some(columns)) => format!("corner of the {rows} and {columns}"),
        (Some(side), None) | (None, Some(side)) => format!("edge of the {side}"),
        (None, None) => "inside the frame".to_owned(),
    }
}

/// What a glow does.
pub(crate) fn behaviour(behaviour: &GlowBehaviour) -> String {
    let words = match behaviour {
        GlowBehaviour::Grows => "grows with the exposure",
        GlowBehaviour::ComesWithReadout => "a fixed amount with every readout",
        GlowBehaviour::GrowsAndComesWithReadout => "one part grows with the exposure, another comes with every readout",
        GlowBehaviour::Unknown => "not known whether it grows with the exposure",
        GlowBehaviour::Quoted(words) => words,
    };
    words.to_owned()
}

/// Words in forms for readers (JSON), facts in those for this program alone (MessagePack).
macro_rules! worded {
    ($($fact:ident: $words:ident),+) => {$(
        impl Serialize for $fact {
            fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
                if to.is_human_readable() { to.serialize_str(&$words(self)) } else { Self::serialize(self, to) }
            }
        }

        impl<'de> Deserialize<'de> for $fact {
            fn deserialize<D: Deserializer<'de>>(from: D) -> Result<Self, D::Error> {
                if from.is_human_readable() { String::deserialize(from).map(Self::Quoted) } else { Self::deserialize(from) }
            }
        }
    )+};
}

worded!(DarkModel: model, DarkRates: rates, GlowPlace: place, GlowBehaviour: behaviour);

/// Hot pixels as `report.json` has them: the keys of the share beside the others.
#[derive(Serialize, Deserialize, JsonSchema)]
struct Shown {
    #[serde(flatten)]
    fraction: Quantity,
    /// Dark rate above which a pixel counts; null without a gain.
    #[schemars(extend("unit" = "e-/s"))]
    threshold_e_per_s: Option<f64>,
    /// Temperature of the darks that were counted.
    #[schemars(extend("unit" = "°C"))]
    at_celsius: Option<f64>,
}

impl JsonSchema for HotPixels {
    fn schema_name() -> Cow<'static, str> {
        "HotPixels".into()
    }

    fn json_schema(of: &mut SchemaGenerator) -> Schema {
        Shown::json_schema(of)
    }
}

/// A flattened quantity is in words whatever the form: between runs it is kept by itself.
impl Serialize for HotPixels {
    fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        let Self { fraction, threshold_e_per_s, at_celsius } = self.clone();
        if to.is_human_readable() {
            Shown { fraction, threshold_e_per_s, at_celsius }.serialize(to)
        } else {
            (fraction, threshold_e_per_s, at_celsius).serialize(to)
        }
    }
}

impl<'de> Deserialize<'de> for HotPixels {
    fn deserialize<D: Deserializer<'de>>(from: D) -> Result<Self, D::Error> {
        let Shown { fraction, threshold_e_per_s, at_celsius } = if from.is_human_readable() {
            Shown::deserialize(from)?
        } else {
            let (fraction, threshold_e_per_s, at_celsius) = Deserialize::deserialize(from)?;
            Shown { fraction, threshold_e_per_s, at_celsius }
        };
        Ok(Self { fraction, threshold_e_per_s, at_celsius })
    }
}

#[cfg(test)]
mod tests {
    use serde::de::DeserializeOwned;

    use super::*;
    use crate::facts::sensor::SensorMethod;

    #[test]
    fn the_place_of_a_glow_is_named() {
        let at = |rows, columns| place(&GlowPlace::At { rows, columns });
        assert_eq!(at(Some(Side::Last), Some(Side::First)), "corner of the last rows and first columns");
        assert_eq!(at(Some(Side::First), None), "edge of the first rows");
        assert_eq!(at(None, Some(Side::Last)), "edge of the last columns");
        assert_eq!(at(None, None), "inside the frame");
    }

    #[test]
    fn what_a_glow_does_is_said() {
        assert_eq!(behaviour(&GlowBehaviour::Grows), "grows with the exposure");
        assert_eq!(behaviour(&GlowBehaviour::ComesWithReadout), "a fixed amount with every readout");
        assert!(behaviour(&GlowBehaviour::GrowsAndComesWithReadout).starts_with("one part grows"));
        assert!(behaviour(&GlowBehaviour::Unknown).starts_with("not known"));
    }

    fn kept<T: Serialize + DeserializeOwned>(fact: &T) -> T {
        rmp_serde::from_slice(&rmp_serde::to_vec(fact).unwrap()).unwrap()
    }

    #[test]
    fn between_runs_facts_are_kept_and_for_readers_there_are_words() {
        let few = DarkModel::TooFewForFloor { temperatures: 3 };
        assert_eq!(kept(&few), few);
        let words = "activated (Arrhenius) part; 3 temperatures are too few for a floor";
        assert_eq!(serde_json::to_value(&few).unwrap(), words);
        assert_eq!(serde_json::from_value::<DarkModel>(words.into()).unwrap(), DarkModel::Quoted(words.to_owned()));
        assert_eq!(kept(&DarkRates::Variance), DarkRates::Variance);
        let corner = GlowPlace::At { rows: Some(Side::First), columns: Some(Side::Last) };
        assert_eq!(kept(&corner), corner);
        assert_eq!(kept(&GlowBehaviour::Grows), GlowBehaviour::Grows);
    }

    #[test]
    fn the_share_of_hot_pixels_stands_beside_their_threshold_and_keeps_its_facts() {
        let method = SensorMethod::HotPixelsByRate { above_typical_e_per_s: 1.5 };
        let hot = HotPixels {
            fraction: Quantity::measured(0.01, 0.001, method, 1000),
            threshold_e_per_s: Some(2.0),
            at_celsius: Some(-10.0),
        };
        assert_eq!(kept(&hot), hot);
        let shown = serde_json::to_value(&hot).unwrap();
        assert_eq!((&shown["value"], &shown["at_celsius"]), (&0.01.into(), &(-10.0).into()));
        assert!(shown["method"].as_str().unwrap().contains("lies 1.50 e-/s above the typical one"));
        assert_eq!(serde_json::from_value::<HotPixels>(shown).unwrap().threshold_e_per_s, Some(2.0));
    }
}
