//! Words for what costs nothing.

use serde::{Deserialize, Deserializer, Serialize, Serializer};

use crate::verdict::advice::{Measure, ToDo};

/// The name of a measure.
pub(crate) fn measure(measure: Measure) -> &'static str {
    match measure {
        Measure::Exposure => "exposure",
        Measure::Darks => "darks",
        Measure::Tracking => "tracking",
        Measure::FocusAndSpacing => "focus and spacing",
        Measure::Binning => "binning",
    }
}

/// What to do, or why there is nothing to do.
pub(crate) fn to_do(to_do: &ToDo) -> String {
    let fixed = match to_do {
        ToDo::Quoted(words) => words,
        ToDo::ExposureUnknown => "the exposure that drowns the read noise is not known",
        ToDo::ExposureLongEnough { now_s, best_s, more_percent } => {
            return format!(
                "{now_s:.0} s are long enough; exposures of {best_s:.0} s would need {more_percent:.1} % more time in all"
            );
        }
        ToDo::ExposeLonger { now_s, best_s } => {
            return format!("exposures of {best_s:.0} s instead of {now_s:.0} s");
        }
        ToDo::NoDarksMatched => "no darks were matched",
        ToDo::DarksUnknown => "what the darks add is not known",
        ToDo::DarksEnough { darks } => return format!("{darks} darks are enough"),
        ToDo::MoreDarks { darks, enough, undithered_hours } => {
            return format!(
                "{enough:.0} darks instead of {darks}; where lights are not dithered it is {undithered_hours:.0} h in a hundred"
            );
        }
        ToDo::ElongationUnknown => "the elongation is not known",
        ToDo::RounderStars => "stars as round as their short axis; gains faint stars only",
        ToDo::FieldUnknown => "the field is not measured",
        ToDo::CornersLevel => "stars are as narrow in the corners as at the centre",
        ToDo::CornersWider { percent } => return format!("corners are {percent:.0} % wider than the centre"),
        ToDo::BinInCharge { pixels } => {
            return format!(
                "{pixels}x{pixels} loses no detail; it brings hours only where charge is added before it is read"
            );
        }
        ToDo::BinningLosesDetail => "would lose detail",
        ToDo::NoBinning => "none",
    };
    fixed.to_owned()
}

impl Serialize for ToDo {
    fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        to.serialize_str(&to_do(self))
    }
}

impl<'de> Deserialize<'de> for ToDo {
    fn deserialize<D: Deserializer<'de>>(from: D) -> Result<Self, D::Error> {
        String::deserialize(from).map(Self::Quoted)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::facts::Quantity;
    use crate::facts::verdict::VerdictMissing;
    use crate::verdict::Advice;

    #[test]
    fn a_measure_has_one_name_for_readers_and_scripts() {
        use Measure::{Binning, Darks, Exposure, FocusAndSpacing, Tracking};
        for of in [Exposure, Darks, Tracking, FocusAndSpacing, Binning] {
            assert_eq!(serde_json::to_value(of).unwrap(), measure(of));
        }
    }

    #[test]
    fn advice_is_written_in_words_and_read_back_as_told() {
        let none = Quantity::not_measurable(VerdictMissing::BinningModeUnknown);
        let advice = Advice {
            session_id: "one".to_owned(),
            measure: Measure::Binning,
            to_do: ToDo::BinInCharge { pixels: 2 },
            time_ratio: none.clone(),
            extra_hours_per_100_hours: none,
        };
        let json = serde_json::to_value(&advice).unwrap();
        let words = "2x2 loses no detail; it brings hours only where charge is added before it is read";
        assert_eq!((&json["measure"], &json["sentence"]), (&"binning".into(), &words.into()));
        let read: Advice = serde_json::from_value(json).unwrap();
        assert_eq!((read.measure, read.to_do), (Measure::Binning, ToDo::Quoted(words.to_owned())));
    }

    #[test]
    fn exposures_are_told_in_whole_seconds() {
        assert_eq!(to_do(&ToDo::ExposeLonger { now_s: 60.0, best_s: 128.4 }), "exposures of 128 s instead of 60 s");
        let enough = ToDo::ExposureLongEnough { now_s: 300.0, best_s: 128.4, more_percent: 5.93 };
        assert_eq!(to_do(&enough), "300 s are long enough; exposures of 128 s would need 5.9 % more time in all");
        assert_eq!(
            to_do(&ToDo::MoreDarks { darks: 2, enough: 20.0, undithered_hours: 244.6 }),
            "20 darks instead of 2; where lights are not dithered it is 245 h in a hundred"
        );
    }
}
