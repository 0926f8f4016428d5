//! `report.json`.

use crate::report::model::Report;

/// The report as indented JSON with a newline at its end. Numbers that are not finite become `null`.
///
/// # Errors
///
/// None is known for a [`Report`]; the serialiser's own error is handed on.
pub fn json(report: &Report) -> Result<String, serde_json::Error> {
    let mut text = serde_json::to_string_pretty(report)?;
    text.push('\n');
    Ok(text)
}

#[cfg(test)]
mod tests {
    use serde_json::Value;

    use super::*;
    use crate::report::Parts;
    use crate::report::model::SCHEMA_VERSION;
    use crate::report::sample;

    fn parsed() -> Value {
        serde_json::from_str(&json(&sample::report()).unwrap()).unwrap()
    }

    /// The keys that users' scripts rely on: none may be renamed or dropped without a new schema version.
    const QUANTITY: [&str; 6] = ["value", "sigma", "source", "method", "n", "note"];

    #[track_caller]
    fn has(value: &Value, keys: &[&str]) {
        for key in keys {
            assert!(value.get(key).is_some(), "key {key} is missing in {value}");
        }
    }

    #[test]
    fn every_key_of_the_contract_is_present() {
        let r = parsed();
        has(&r, &["schema_version", "program_version", "answers", "sessions", "sensors", "frames", "warnings"]);
        assert_eq!(r["schema_version"], SCHEMA_VERSION);
        for (answer, question) in r["answers"].as_array().unwrap().iter().zip(["sampling", "thermal_noise", "cooling"])
        {
            has(answer, &["question", "verdict", "verdicts", "sentence", "detail", "confidence"]);
            has(&answer["confidence"], &["level", "because", "sentence"]);
            answer["verdicts"].as_array().unwrap().iter().for_each(|v| has(v, &["session_id", "verdict"]));
            assert_eq!(answer["question"], question);
        }
        for s in r["sessions"].as_array().unwrap() {
            has(s, &["id", "night", "settings", "frame_counts", "sensor_id", "sampling", "noise_budget", "cooling"]);
            has(
                &s["settings"],
                &["camera", "filter", "gain_setting", "offset_setting", "binning", "exposure_s", "cfa"],
            );
            has(&s["frame_counts"], &["light", "used", "excluded"]);
            has(&s["sensor_temperature_c"], &["min", "max"]);
            for key in [
                "sensor_temperature_c",
                "image_scale_arcsec_per_px",
                "fwhm_px",
                "fwhm_arcsec",
                "recorded_fwhm_px",
                "ellipticity",
                "position_angle_deg",
                "moffat_beta",
                "star_count",
                "sky_e_per_px_s",
                "cooling_floor_time_ratio",
            ] {
                has(&s[key], &QUANTITY);
            }
            has(&s["sampling"], &["verdict", "best_binning", "sentence", "detail"]);
            for key in ["px_per_fwhm", "aliased_power_fraction", "snr_efficiency"] {
                has(&s["sampling"][key], &QUANTITY);
            }
            for key in
                ["sky_e2", "dark_e2", "read_e2", "quantisation_e2", "total_e2", "sky_share", "dark_share", "read_share"]
            {
                has(&s["noise_budget"][key], &QUANTITY);
            }
            for row in s["cooling"].as_array().unwrap() {
                has(row, &["sensor_celsius", "below_now_c"]);
                for key in ["dark_e_per_px_s", "time_ratio", "snr_gain"] {
                    has(&row[key], &QUANTITY);
                }
            }
        }
        for s in r["sensors"].as_array().unwrap() {
            has(s, &["id", "settings", "adu_step"]);
            for key in ["gain_e_per_adu", "read_noise_e", "bias_level_adu", "saturation_adu", "hot_pixel_fraction"] {
                has(&s[key], &QUANTITY);
            }
            has(&s["hot_pixel_fraction"], &["threshold_e_per_s", "at_celsius"]);
            has(&s["dark_current"], &["reference_celsius", "model", "method", "points"]);
            for key in ["rate_e_per_px_s", "doubling_celsius"] {
                has(&s["dark_current"][key], &QUANTITY);
            }
            for point in s["dark_current"]["points"].as_array().unwrap() {
                has(point, &["celsius", "exposure_s", "rate_e_per_px_s", "variance_rate_e_per_px_s"]);
            }
        }
        for f in r["frames"].as_array().unwrap() {
            has(f, &["path", "kind", "kind_source", "status", "reason", "reason_code", "night", "session_id"]);
            has(f, &["exposure_s", "sensor_celsius", "filter", "camera", "width", "height", "level_adu", "sky_adu"]);
            has(f, &["sky_sigma_adu", "star_count", "fitted_stars", "fwhm_px", "recorded_fwhm_px", "ellipticity"]);
            has(f, &["minor_fwhm_px", "position_angle_deg", "moffat_beta", "star_flags", "start_utc"]);
            has(f, &["sensor_id", "saturated_count", "sky_e_per_px_s"]);
            assert!(["used", "excluded", "unreadable"].contains(&f["status"].as_str().unwrap()));
        }
        for w in r["warnings"].as_array().unwrap() {
            has(w, &["code", "severity", "message", "paths"]);
        }
    }

    #[test]
    fn a_number_that_is_not_finite_becomes_null() {
        let mut report = sample::report();
        report.frames[0].level_adu = Some(f64::NAN);
        report.frames[1].level_adu = Some(f64::INFINITY);
        let text = json(&report).unwrap();
        // As bare words they would not parse; as texts they may only come from a file's name.
        let value: Value = serde_json::from_str(&text).unwrap();
        assert!(value["frames"][0]["level_adu"].is_null() && value["frames"][1]["level_adu"].is_null());
    }

    #[test]
    fn an_unknown_value_is_null_and_keeps_its_reason() {
        let r = parsed();
        let unknown = &r["sessions"][1]["sky_e_per_px_s"];
        assert!(unknown["value"].is_null() && unknown["sigma"].is_null());
        assert!(!unknown["note"].as_str().unwrap().is_empty());
    }

    #[test]
    fn the_order_of_arrival_does_not_change_a_byte() {
        let r = sample::report();
        let mut shuffled = r.clone();
        shuffled.frames.reverse();
        shuffled.sessions.reverse();
        shuffled.warnings.reverse();
        shuffled.answers.reverse();
        let Report { answers, sessions, advice, filters, sensors, frames, warnings, .. } = shuffled;
        let again = Report::new(Parts { answers, sessions, advice, filters, sensors, frames, warnings });
        assert_eq!(json(&r).unwrap(), json(&again).unwrap());
    }
}
