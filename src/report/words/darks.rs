//! Words for how well darks match lights.

use serde::{Deserialize, Deserializer, Serialize, Serializer};

use super::percent;
use crate::report::InWords;
use crate::verdict::dark_match::{Compared, Difference, Setting};
use crate::verdict::{DarkMatch, HotCost};

/// What subtracting the darks that match best would leave.
pub(crate) fn darks(found: &DarkMatch) -> String {
    let Some(Compared { dark_celsius, dark_s, light_celsius, light_s, sets, darks, lights_celsius }) = found.compared
    else {
        return format!(
            "How well darks match these lights is not measurable, because {}.",
            found.residual_level_e.why()
        );
    };
    let frames = if darks == 1 { "1 dark".to_owned() } else { format!("{darks} darks") };
    let mut text = match lights_celsius {
        [coldest, warmest] if sets > 1 => format!(
            "The best match for lights of {light_s} s at {coldest:.1} to {warmest:.1} °C, each with the darks nearest to its own \
             temperature: {frames} in {sets} sets"
        ),
        _ => format!(
            "The best match for lights of {light_s} s at {light_celsius:.1} °C: {frames} of {dark_s} s at {dark_celsius:.1} °C"
        ),
    };
    if !found.differences.is_empty() {
        let differences: Vec<String> = found.differences.iter().map(difference).collect();
        text += &format!(", but with {}: they do not fit these lights", differences.join(" and "));
    }
    text += ". ";
    let level = &found.residual_level_e;
    if !level.is_known() {
        return text + &format!("What subtracting them leaves is not measurable, because {}.", level.why());
    }
    text += &format!("Subtracting them would leave {} of dark level", level.text("e-/px"));
    if found.pattern_share_of_noise.is_known() {
        text += &format!(
            " and {} of pattern, {} of the noise of one light",
            found.residual_pattern_e.text("e-"),
            percent(&found.pattern_share_of_noise)
        );
    }
    text += ".";
    if found.added_variance_share.is_known() {
        text += &format!(" Their own noise adds {} to its variance.", percent(&found.added_variance_share));
    }
    let stack = &found.stack;
    if let (Some(perfect), Some(dithered), Some(still)) =
        (stack.perfect_e2.value, stack.dithered_e2.value, stack.undithered_e2.value)
        && stack.lights > 1
        && perfect > 0.0
    {
        text += &format!(
            " In the mean of all {} lights, darks and what they leave add {:.1} % to the noise variance where the lights were \
             dithered, {:.0} % where they were not.",
            stack.lights,
            100.0 * (dithered / perfect - 1.0),
            100.0 * (still / perfect - 1.0)
        );
    }
    text
}

/// What the sensor's hot pixels cost.
pub(crate) fn hot_pixels(cost: &HotCost) -> String {
    let (Some(share), Some(ratio)) = (cost.share.value, cost.still_noise_ratio.value) else {
        return format!("What hot pixels add to a stack is not measurable, because {}.", cost.share.why());
    };
    if share <= 0.0 {
        return "No pixel is hot at the temperature of these lights.".to_owned();
    }
    format!(
        "Hot pixels are {} of all and no part of these variances. Where the lights were not dithered they keep {ratio:.1} times the noise \
         of the others, darks subtracted; dithered and averaged they add {} to the variance of the whole picture, with outliers rejected {}.",
        percent(&cost.share),
        percent(&cost.moved_averaged),
        percent(&cost.moved_rejected)
    )
}

fn difference(of: &Difference) -> String {
    let shown = |s: &Option<String>| s.clone().unwrap_or_else(|| "unknown".to_owned());
    match of {
        Difference::Quoted(words) => words.clone(),
        Difference::Of { setting, darks, lights } => {
            let name = match setting {
                Setting::Gain => "gain setting",
                Setting::Offset => "offset",
                Setting::ReadoutMode => "read-out mode",
            };
            format!("{name} {} instead of {}", shown(darks), shown(lights))
        }
    }
}

impl Serialize for Difference {
    fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        to.serialize_str(&difference(self))
    }
}

impl<'de> Deserialize<'de> for Difference {
    fn deserialize<D: Deserializer<'de>>(from: D) -> Result<Self, D::Error> {
        String::deserialize(from).map(Self::Quoted)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::facts::Quantity;
    use crate::facts::verdict::{VerdictMethod, VerdictMissing};
    use crate::verdict::{DarkMatchInput, dark_match};

    fn measured(value: f64) -> Quantity {
        Quantity::measured(value, 0.0, VerdictMethod::NoiseOfOneLight, 1)
    }

    /// Twenty darks of 300 s for sixty lights of 300 s at the same temperature.
    fn matched(dsnu: &Quantity, differences: &[Difference]) -> DarkMatch {
        dark_match(&DarkMatchInput {
            darks: 20,
            dark_celsius: 10.0,
            dark_s: 300.0,
            light_celsius: 10.0,
            light_s: 300.0,
            differences,
            light_rate: &measured(0.5),
            dark_rate: &measured(0.5),
            doubling_celsius: &measured(6.0),
            relative_dsnu: dsnu,
            read_noise_e: &measured(3.0),
            total_e2: &measured(324.0),
            lights: 60,
        })
    }

    #[test]
    fn darks_that_match_are_told_with_what_they_add() {
        let told = darks(&matched(&measured(0.2), &[]));
        assert!(
            told.starts_with("The best match for lights of 300 s at 10.0 °C: 20 darks of 300 s at 10.0 °C. "),
            "{told}"
        );
        // C6.9: 5.5325 and 13.35 e-^2 over 5.40 e-^2.
        assert!(told.contains("add 2.5 % to the noise variance") && told.contains("147 %"), "{told}");
    }

    #[test]
    fn differences_are_told_and_read_back_as_told() {
        let of = |setting, darks: Option<&str>, lights: Option<&str>| Difference::Of {
            setting,
            darks: darks.map(str::to_owned),
            lights: lights.map(str::to_owned),
        };
        let unlike = [of(Setting::Gain, Some("0"), Some("100")), of(Setting::ReadoutMode, None, Some("fast"))];
        let told = darks(&matched(&measured(0.2), &unlike));
        let words = "gain setting 0 instead of 100 and read-out mode unknown instead of fast";
        assert!(told.contains(&format!(", but with {words}: they do not fit these lights. ")), "{told}");
        let json = serde_json::to_string(&unlike[0]).unwrap();
        assert_eq!(json, "\"gain setting 0 instead of 100\"");
        let read: Difference = serde_json::from_str(&json).unwrap();
        assert_eq!(read, Difference::Quoted("gain setting 0 instead of 100".to_owned()));
    }

    #[test]
    fn an_unknown_pattern_is_not_told_and_no_match_is_told_with_its_reason() {
        let unknown = Quantity::not_measurable(VerdictMissing::NoSpreadOfDarkRates);
        assert!(!darks(&matched(&unknown, &[])).contains("pattern"));
        assert_eq!(
            darks(&DarkMatch::not_measurable(VerdictMissing::NoComparableDarks)),
            "How well darks match these lights is not measurable, because there are no darks of this camera, frame size \
             and binning with a temperature."
        );
    }
}
