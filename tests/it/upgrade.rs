//! `skygrain upgrade`: reports and options files of our own invention, and the demo's report from end to end.

use std::path::Path;

use serde_json::{Value, json};
use skygrain::report::schema_text;
use skygrain::upgrade::{Interval, MeasuredReport, Options, RowName, Uncertain, Upgrade, session_rows, text, upgrade};
use skygrain::verdict::Verdict;

use crate::command_line::skygrain;

/// Rounding in some hundred operations.
const ROUNDING: f64 = 1e-12;

fn quantity(value: f64) -> Value {
    json!({"value": value, "sigma": null, "source": "measured", "method": "test", "n": 1, "note": null})
}

fn unknown(why: &str) -> Value {
    json!({"value": null, "sigma": null, "source": "measured", "method": "not measurable", "n": 0, "note": why,
        "missing": {"reason": "test", "would_help": ["dark"]}})
}

/// What a test gives of a report, with every other key that the schema asks for: null, nothing, none.
fn completed(node: &Value, given: Option<&Value>, schema: &Value) -> Value {
    let defined = |node: &Value| {
        let name = node["$ref"].as_str().and_then(|path| path.strip_prefix("#/$defs/"));
        name.map_or(node.clone(), |name| schema["$defs"][name].clone())
    };
    let node = defined(match node["anyOf"].as_array() {
        Some(either) if given.is_some() => &either[0],
        Some(_) => return Value::Null,
        None => node,
    });
    // A closed list whose words have meanings of their own.
    let node = if node["oneOf"].is_array() { node["oneOf"][0].clone() } else { node };
    if let Some(Value::Object(keys)) = given {
        let bases: Vec<Value> = node["allOf"].as_array().into_iter().flatten().map(defined).collect();
        let mut whole = keys.clone();
        for part in bases.iter().chain([&node]) {
            let required = part["required"].as_array().into_iter().flatten().filter_map(Value::as_str);
            for key in required {
                whole.insert(key.to_owned(), completed(&part["properties"][key], keys.get(key), schema));
            }
        }
        return Value::Object(whole);
    }
    if let Some(Value::Array(items)) = given {
        return items.iter().map(|item| completed(&node["items"], Some(item), schema)).collect();
    }
    let first = |list: &Value| list.get(0).filter(|_| list.is_array()).cloned();
    let holds = &node["type"];
    let nullable = holds.as_array().is_some_and(|types| types.contains(&json!("null")));
    match (given, holds.as_str()) {
        (Some(value), _) => value.clone(),
        (None, _) if nullable => Value::Null,
        (None, _) if node["const"] != Value::Null => node["const"].clone(),
        (None, Some("object")) => completed(&node, Some(&json!({})), schema),
        (None, Some("array")) => {
            let least = node["minItems"].as_u64().unwrap_or(0);
            (0..least).map(|_| completed(&node["items"], None, schema)).collect()
        }
        (None, Some("string")) => first(&node["enum"]).unwrap_or(json!("")),
        (None, Some("boolean")) => json!(false),
        (None, _) => json!(0),
    }
}

/// A report of one session: sky 0.5, dark 0.5 e-/px/s at 20 C with a step of 6.3 C, read noise 3 e-, 120 s, 4 um.
fn report() -> Value {
    json!({
        "sessions": [{
            "id": "one",
            "settings": {"filter": "L", "exposure_s": 120.0, "cfa": null},
            "sensor_id": "s",
            "sensor_temperature_c": quantity(20.0),
            "image_scale_arcsec_per_px": quantity(1.5),
            "fwhm_arcsec": quantity(3.0),
            "sky_e_per_px_s": quantity(0.5),
            "noise_budget": {"dark_e2": quantity(60.0), "exposure_for_5_percent_read_s": quantity(87.805)},
            "sampling": {"best_binning": 1},
            "field": {
                "half_diagonal_px": 2500.0, "half_diagonal_mm": quantity(10.0), "corrected_radius_mm": quantity(8.0),
                "corrected_to_the_corner": false, "corner_fwhm_ratio": quantity(1.2), "constant_ellipticity": quantity(0.1),
                "finding": ""
            },
            "dark_match": {"darks": 5, "added_variance_share": quantity(0.1)}
        }],
        "sensors": [{
            "id": "s",
            "read_noise_e": quantity(3.0),
            "dark_current": {
                "activation_energy_ev": unknown("one temperature"), "doubling_celsius": quantity(6.3),
                "floor_e_per_px_s": unknown("no floor"), "range_celsius": [0.0, 20.0]
            },
            "vignetting": [{
                "filter": "L", "corner_illumination": quantity(0.8), "half_diagonal_px": 2500.0,
                "centre_offset_px": [quantity(0.0), quantity(0.0)]
            }]
        }]
    })
}

const CONDITIONS: &str = "[present]\npeak_quantum_efficiency = 0.5\nfilter_fraction = 1\nmosaic = false\n\
    sensor_above_ambient_c = 5\n[conditions]\nhours_per_year = 100\nhours_per_night = 5\nyears = 5\n\
    most_per_extra_hour = 10\n";

/// A camera; keys given replace those of one that equals the present.
fn camera(changes: &[(&str, &str)]) -> String {
    let mut keys = vec![
        ("name", "'Ambercask 3'"),
        ("kind", "'camera'"),
        ("pixel_um", "4"),
        ("width_px", "4000"),
        ("height_px", "3000"),
        ("mosaic", "false"),
        ("peak_quantum_efficiency", "0.5"),
        ("filter_fraction", "1"),
        ("read_noise_e", "3"),
        ("dark_e_per_px_s", "0.5"),
        ("dark_at_celsius", "15"),
        ("dark_doubling_c", "6.3"),
        ("cooler_drop_c", "0"),
        ("price", "1000"),
    ];
    keys.retain(|(k, _)| !changes.iter().any(|(c, _)| c == k));
    keys.extend(changes.iter().filter(|(_, v)| !v.is_empty()));
    let lines: Vec<String> = keys.iter().map(|(k, v)| format!("{k} = {v}")).collect();
    format!("{CONDITIONS}[[option]]\n{}\n", lines.join("\n"))
}

fn compared_with(report: &Value, options: &str) -> Upgrade {
    let schema: Value = serde_json::from_str(&schema_text()).unwrap();
    let report = completed(&schema, Some(report), &schema);
    let report = MeasuredReport::parse(&report.to_string(), Path::new("report.json")).unwrap();
    upgrade(&report, &Options::parse(options, Path::new("options.toml")).unwrap())
}

fn compared(options: &str) -> Upgrade {
    compared_with(&report(), options)
}

#[track_caller]
fn ratio(options: &str) -> Interval {
    let result = compared(options);
    let gain = &result.options[0].sessions[0].gain;
    gain.value.as_ref().unwrap_or_else(|| panic!("{:?}", gain.lacking)).as_now.worth.time_ratio
}

#[test]
fn the_same_camera_again_gains_exactly_nothing() {
    let result = compared(&camera(&[]));
    let gain = result.options[0].sessions[0].gain.value.as_ref().unwrap();
    for worth in [&gain.as_now.worth, &gain.each_best.worth] {
        assert_eq!(worth.time_ratio, Interval { median: 1.0, low_16: 1.0, high_84: 1.0 });
        assert_eq!(worth.extra_hours_per_year.value.unwrap().median, 0.0);
        assert!(worth.cost_per_extra_hour.why().contains("no hours"));
        assert_eq!(worth.verdict.value, Some(Verdict::DoesNotPayOff));
    }
    assert!(gain.parts.iter().all(|p| p.factor == 1.0));
    let rows = session_rows(&result, &result.options[0], &result.options[0].sessions[0]);
    assert!(rows.contains(&(RowName::By, "no difference".to_owned())), "{rows:?}");
}

#[test]
fn a_cooler_gives_the_ratios_of_the_cooling_table() {
    // Check value C6.4 has S = 0.02 beside B = 0.5: a sky of 0.52 is the same case; printed with six decimals.
    let mut warm = report();
    warm["sessions"][0]["sky_e_per_px_s"] = quantity(0.52);
    for (drop, rho) in [(5.0, 0.806_796), (13.5, 0.646_772), (40.0, 0.548_980)] {
        // The sensor stands 5 C above the air now, so a drop below the sensor is one of 5 C less below the air.
        let options = format!(
            "{CONDITIONS}[[option]]\nname = 'Jug'\nkind = 'cooler'\ncooler_drop_c = {}\nprice = 9\n",
            drop - 5.0
        );
        let result = compared_with(&warm, &options);
        let got = result.options[0].sessions[0].gain.value.as_ref().unwrap().as_now.worth.time_ratio.median;
        assert!((got - rho).abs() < 1e-6, "{drop}: {got}");
    }
}

#[test]
fn a_reducer_trades_the_sensors_noise_for_sky() {
    let options =
        format!("{CONDITIONS}[[option]]\nname = 'Lens'\nkind = 'optics'\nfocal_factor = 0.5\ntransmission = 0.9\n");
    // By hand, per present pixel: (0.9 x 0.5 + (0.5 + 9/120)/4)/(0.5 + 0.5 + 9/120)/0.9^2.
    let by_hand = (0.45 + 0.575 / 4.0) / 1.075 / 0.81;
    assert!((ratio(&options).median / by_hand - 1.0).abs() < ROUNDING);
    let session = &compared(&options).options[0].sessions[0];
    assert_eq!((session.image_scale_arcsec_per_px.value, session.px_per_fwhm.value), (Some(3.0), Some(1.0)));
    assert!(session.gain.value.as_ref().unwrap().as_now.worth.verdict.why().contains("price"));
}

const TWO_FILTERS: &str =
    "[[conditions.filter]]\nname = 'L'\nshare = 0.25\n[[conditions.filter]]\nname = 'H'\nshare = 0.75\n";

/// The report with a second session, in a filter that lets a tenth of the sky through.
fn two_sessions() -> Value {
    let mut report = report();
    let mut second = report["sessions"][0].clone();
    second["id"] = json!("two");
    second["settings"]["filter"] = json!("H");
    second["sky_e_per_px_s"] = quantity(0.05);
    report["sessions"].as_array_mut().unwrap().push(second);
    report
}

#[test]
fn the_year_is_the_sum_over_filters_by_their_share_of_the_hours() {
    let better = camera(&[("read_noise_e", "1"), ("dark_e_per_px_s", "0.02")]);
    let result = compared_with(&two_sessions(), &better.replace("[[option]]", &format!("{TWO_FILTERS}[[option]]")));
    let option = &result.options[0];
    let extra = |i: usize| {
        let gain = option.sessions[i].gain.value.as_ref().unwrap();
        gain.as_now.worth.extra_hours_per_year.value.unwrap().median
    };
    let all = option.altogether.value.as_ref().unwrap();
    let together = all.as_now.extra_hours_per_year.value.unwrap().median;
    assert!((together / (0.25 * extra(0) + 0.75 * extra(1)) - 1.0).abs() < ROUNDING, "{together}");
    // 100 hours of the new camera are worth 100 + G of the present one.
    assert!((all.as_now.time_ratio.median - 100.0 / (100.0 + together)).abs() < ROUNDING);
    assert_eq!(all.shares, [("one".to_owned(), 0.25), ("two".to_owned(), 0.75)]);
}

#[test]
fn without_shares_two_filters_have_no_common_year_and_one_filter_has() {
    let result = compared_with(&two_sessions(), &camera(&[]));
    let because = result.options[0].altogether.why();
    assert!(because.contains("[[conditions.filter]]"), "{because}");
    assert!(text(&result).contains(because.as_str()));
    assert!(compared(&camera(&[])).options[0].altogether.value.is_some());
    let elsewhere = TWO_FILTERS.replace("'H'", "'Ultraviolet'");
    let result = compared(&camera(&[]).replace("[[option]]", &format!("{elsewhere}[[option]]")));
    let because = result.options[0].altogether.why();
    assert!(because.contains("Ultraviolet"), "{because}");
}

#[test]
fn shares_that_do_not_add_up_are_refused() {
    let options = camera(&[]).replace("[[option]]", &format!("{}[[option]]", TWO_FILTERS.replace("0.75", "0.5")));
    let error = Options::parse(&options, Path::new("options.toml")).unwrap_err().to_string();
    assert!(error.contains("add up to 0.75") && error.contains("line "), "{error}");
}

#[test]
fn a_dark_current_taken_beyond_its_measured_range_is_said_to_be() {
    let cooler = |drop: u32| {
        format!("{CONDITIONS}[[option]]\nname = 'Frost box'\nkind = 'cooler'\ncooler_drop_c = {drop}\nprice = 1")
    };
    // Air at 15 C; the law was measured from 0 to 20 C.
    let cautions = |drop| {
        let result = compared(&cooler(drop));
        let rows = session_rows(&result, &result.options[0], &result.options[0].sessions[0]);
        let cautions = rows.into_iter().filter(|(name, _)| *name == RowName::Caution).map(|(_, words)| words);
        cautions.collect::<Vec<_>>()
    };
    assert!(cautions(10).is_empty(), "{:?}", cautions(10));
    assert!(cautions(30)[0].contains("extrapolated to -15"), "{:?}", cautions(30));
}

#[test]
fn hours_of_each_ambient_class_count_with_their_own_ratio() {
    let classes =
        "[[conditions.ambient]]\ncelsius = -5\nhours = 30\n[[conditions.ambient]]\ncelsius = 22\nhours = 20\n";
    let options = format!(
        "{}{classes}[[option]]\nname = 'Jug'\nkind = 'cooler'\ncooler_drop_c = 60\nlowest_celsius = -10\nprice = 100\n",
        CONDITIONS.replace("hours_per_year = 100\n", "")
    );
    let dark = |celsius: f64| 0.5 * ((celsius - 20.0) / 6.3_f64).exp2();
    let rate = |celsius: f64| 0.5 + dark(celsius) + 9.0 / 120.0;
    let equivalent = 30.0 * rate(0.0) / rate(-10.0) + 20.0 * rate(27.0) / rate(-10.0);
    let result = compared(&options);
    let gain = result.options[0].sessions[0].gain.value.as_ref().unwrap();
    assert!(
        (gain.as_now.worth.extra_hours_per_year.value.unwrap().median / (equivalent - 50.0) - 1.0).abs() < ROUNDING
    );
    // 100/(5 x extra hours), and nights of 5 h at 10 an hour.
    let cost = gain.as_now.worth.cost_per_extra_hour.value.unwrap().median;
    assert!((cost * 5.0 * (equivalent - 50.0) / 100.0 - 1.0).abs() < ROUNDING);
    let nights = gain.as_now.worth.break_even_nights.value.unwrap();
    assert!((nights * 10.0 * 5.0 * (equivalent / 50.0 - 1.0) / 100.0 - 1.0).abs() < ROUNDING);
}

#[test]
fn colder_is_never_worse_and_more_read_noise_never_better() {
    let over = |key: &'static str, values: &[&'static str]| -> Vec<f64> {
        values.iter().map(|v| ratio(&camera(&[(key, v)])).median).collect()
    };
    let drops = over("cooler_drop_c", &["0", "3", "10", "25", "60", "120"]);
    assert!(drops.windows(2).all(|w| w[1] < w[0]), "{drops:?}");
    let reads = over("read_noise_e", &["0", "0.5", "1.5", "3", "8", "50"]);
    assert!(reads.windows(2).all(|w| w[1] > w[0]), "{reads:?}");
    let efficiencies = over("peak_quantum_efficiency", &["0.2", "0.5", "0.7", "1"]);
    assert!(efficiencies.windows(2).all(|w| w[1] < w[0]), "{efficiencies:?}");
}

#[test]
fn halving_the_price_halves_the_cost_of_an_hour() {
    let cost = |price: &str| {
        let result = compared(&camera(&[("price", price), ("cooler_drop_c", "[30, 4]")]));
        result.options[0].sessions[0].gain.value.as_ref().unwrap().as_now.worth.cost_per_extra_hour.value.unwrap()
    };
    let (whole, half) = (cost("1000"), cost("500"));
    assert_eq!([half.median * 2.0, half.low_16 * 2.0, half.high_84 * 2.0], [whole.median, whole.low_16, whole.high_84]);
    assert!(whole.low_16 < whole.median && whole.median < whole.high_84);
}

#[test]
fn the_spread_is_that_of_the_stated_uncertainty() {
    // Sky alone: the ratio is 0.5/q, so 10 % in q are 10 % in the ratio; the interval is two sigma wide.
    let mut sky_only = report();
    sky_only["sessions"][0]["noise_budget"]["dark_e2"] = quantity(0.0);
    sky_only["sensors"][0]["read_noise_e"] = quantity(0.0);
    let options =
        camera(&[("peak_quantum_efficiency", "[0.5, 0.025]"), ("read_noise_e", "0"), ("dark_e_per_px_s", "0")]);
    let result = compared_with(&sky_only, &options);
    let gain = result.options[0].sessions[0].gain.value.as_ref().unwrap();
    let Interval { low_16, high_84, .. } = gain.as_now.worth.time_ratio;
    // 4000 draws place each end to 2.4 % of a sigma; the standard normal's 84 % point is 0.9945; a reciprocal adds 0.3 %.
    assert!(((high_84 - low_16) / 2.0 / (0.9945 * 0.05) - 1.0).abs() < 0.06, "{low_16} {high_84}");
    assert_eq!(gain.depends_most_on.unwrap().input, Uncertain::NewEfficiency);
}

#[test]
fn a_verdict_depends_where_the_interval_reaches_across_the_threshold() {
    let at = |price: &str| {
        let result = compared(&camera(&[("price", price), ("peak_quantum_efficiency", "[0.6, 0.05]")]));
        result.options[0].sessions[0].gain.value.as_ref().unwrap().verdict.value.unwrap()
    };
    assert_eq!([at("100"), at("1000"), at("100000")], [Verdict::PaysOff, Verdict::Depends, Verdict::DoesNotPayOff]);
}

#[test]
fn what_is_not_stated_takes_away_just_the_numbers_that_need_it() {
    let session = |options: &str| compared(options).options.remove(0).sessions.remove(0);
    let lacking = session(&camera(&[("read_noise_e", "")]));
    assert!(lacking.gain.why().contains("`read_noise_e` is not stated"));
    assert_eq!(lacking.image_scale_arcsec_per_px.value, Some(1.5));
    let lacking = session(&camera(&[("width_px", "")]));
    assert!(lacking.field_arcmin.why().contains("width_px"));
    assert!(lacking.gain.value.is_some());
    let lacking = session(&camera(&[("mosaic", "true")]));
    assert!(lacking.gain.why().contains("`lit_pixel_share`"));
    let lacking = session(&camera(&[]).replace("hours_per_year = 100\n", ""));
    let gain = lacking.gain.value.unwrap();
    assert_eq!(gain.as_now.worth.time_ratio.median, 1.0);
    assert!(gain.as_now.worth.extra_hours_per_year.why().contains("hours_per_year"));
    let mut dark = report();
    dark["sessions"][0]["noise_budget"]["dark_e2"] = unknown("no dark frames in the folder");
    let result = compared_with(&dark, &camera(&[]));
    let because = result.options[0].sessions[0].gain.why();
    assert!(because.contains("no dark frames in the folder"));
    assert!(text(&result).contains("not computable, because the dark current is not known"));
    let gain = serde_json::to_value(&result).unwrap()["options"][0]["sessions"][0]["gain"].clone();
    assert_eq!(gain["missing"], json!({"reason": "test", "would_help": ["dark"]}));
    let gain = serde_json::to_value(compared(&camera(&[("read_noise_e", "")]))).unwrap();
    let missing = &gain["options"][0]["sessions"][0]["gain"]["missing"];
    assert_eq!(*missing, json!({"reason": "key-not-stated", "would_help": ["options:read_noise_e"]}));
}

#[test]
fn field_target_and_edges_are_those_of_the_new_sensor() {
    let with_target = |target: &str| {
        camera(&[]).replace(
            "hours_per_night",
            &format!("target_width_arcmin = {target}\ntarget_height_arcmin = 99\nhours_per_night"),
        )
    };
    // 4000 and 3000 px of 1.5 arcsec: 100 x 75 arcmin; a target of 70 x 99 fits turned by a right angle.
    for (target, fits) in [("70", true), ("76", false)] {
        let session = compared(&with_target(target)).options.remove(0).sessions.remove(0);
        // The tangent projection takes 0.007 arcmin off the longer side.
        let field = session.field_arcmin.value.unwrap();
        assert!((field[0] - 99.993).abs() < 1e-3 && (field[1] - 74.997).abs() < 1e-3, "{field:?}");
        assert_eq!(session.target_fits.unwrap().value, Some(fits));
        // Half diagonal 2500 px of 4 um: 10 mm.
        let [stars, light] = session.coverage.value.unwrap().words();
        assert!(
            stars.contains("8.0 mm only") && stars.contains("10.0 mm") && light.contains("80 %"),
            "{stars}; {light}"
        );
    }
}

#[test]
fn free_measures_tell_their_hours() {
    let result = compared(&camera(&[]));
    let hours = |measure: &str| {
        let found = result.free_measures[0].measures.iter().find(|m| m.measure == measure).unwrap();
        found.extra_hours_per_year.value
    };
    // 120 s are longer than the 87.8 s that drown the read noise.
    assert_eq!(hours("exposure"), Some(0.0));
    // 20 darks instead of 5: (1 + 0.1)/(1 + 0.1/4) of the hours.
    assert!((hours("darks").unwrap() - 100.0 * (1.1 / 1.025 - 1.0)).abs() < 1e-9);
    // Ellipticity 0.1: an area of 0.9.
    assert!((hours("tracking").unwrap() - 100.0 * (1.0 / 0.9 - 1.0)).abs() < 1e-9);
    assert_eq!(hours("focus and spacing"), None);
}

#[test]
fn the_demo_s_report_is_compared_from_end_to_end() {
    let dir = tempfile::tempdir().unwrap();
    let place = |name: &str| dir.path().join(name).to_string_lossy().into_owned();
    let (night, out) = (place("night"), place("out"));
    assert_eq!(skygrain(&["demo", &night, "--out", &out]).status, Some(0));
    let report = place("out/report.json");
    let options = concat!(env!("CARGO_MANIFEST_DIR"), "/fixtures/upgrade/options.toml");
    let compare = |report: &str, options: &str| skygrain(&["upgrade", report, "--options", options, "--out", &out]);
    let ran = compare(&report, options);
    assert_eq!((ran.status, ran.stderr.as_str()), (Some(0), ""));
    assert!(["Fernwick 14", "Tinpot cooling jacket", "Short reducer"].iter().all(|name| ran.stdout.contains(name)));
    assert_eq!(compare(&report, options).stdout, ran.stdout, "the same input, the same words");

    let read = |path: &str| -> Value { serde_json::from_slice(&std::fs::read(path).unwrap()).unwrap() };
    let (measured, result) = (read(&report), read(&place("out/upgrade.json")));
    // The cooler by hand from the report's own numbers: 18 C below the air of two classes, 6 C above it now.
    let session = &measured["sessions"][0];
    let number = |q: &Value| q["value"].as_f64().unwrap();
    let (sky, seconds) = (number(&session["sky_e_per_px_s"]), session["settings"]["exposure_s"].as_f64().unwrap());
    let night_c = number(&session["sensor_temperature_c"]);
    let dark = number(&session["noise_budget"]["dark_e2"]) / seconds;
    let read_variance = number(&measured["sensors"][0]["read_noise_e"]).powi(2) / seconds;
    let energy = number(&measured["sensors"][0]["dark_current"]["activation_energy_ev"]);
    let rate = |celsius: f64| {
        let cold = (energy / 8.617_333_262e-5 * (1.0 / (night_c + 273.15) - 1.0 / (celsius + 273.15))).exp();
        sky + dark * cold + read_variance
    };
    let equivalent = 50.0 * rate(8.0) / rate(-16.0) + 60.0 * rate(20.0) / rate(-4.0);
    let told = &result["options"][1]["sessions"][0]["gain"]["value"]["as_now"]["time_ratio"]["median"];
    // The median of draws lies off the value by a bent law only: drops of 18 +- 3 C move it by less than 1 %.
    assert!((told.as_f64().unwrap() * equivalent / 110.0 - 1.0).abs() < 0.01, "{told}");

    for (report, options, words) in [
        (place("missing.json"), options.to_owned(), "missing.json"),
        (options.to_owned(), options.to_owned(), "not JSON"),
        (report.clone(), report.clone(), "line 1"),
        (report.clone(), place("none.toml"), "none.toml"),
    ] {
        let ran = compare(&report, &options);
        assert_eq!((ran.status, ran.stdout.as_str()), (Some(2), ""), "{}", ran.stderr);
        assert!(ran.stderr.contains(words), "{}", ran.stderr);
    }
}

#[test]
fn a_reducer_widens_the_field_of_the_present_sensor() {
    let mut report = report();
    let id = report["sessions"][0]["id"].clone();
    let options =
        format!("{CONDITIONS}[[option]]\nname = 'Lens'\nkind = 'optics'\nfocal_factor = 0.5\ntransmission = 0.9\n");
    let field = |report: &Value| compared_with(report, &options).options.remove(0).sessions.remove(0).field_arcmin;
    assert!(field(&report).why().contains("size of its frames"));
    report["frames"] = json!([{"session_id": null, "kind": "light", "status": "used", "width": 9, "height": 9},
        {"session_id": id, "kind": "light", "status": "used", "width": 4000, "height": 3000}]);
    // 4000 px of 3 arcsec: 2 atan(6000 / 206264.8) = 199.944 arcmin, by hand; 149.976 for 3000.
    let [width, height] = field(&report).value.unwrap();
    assert!((width - 199.944).abs() < 1e-3 && (height - 149.976).abs() < 1e-3, "{width} {height}");
}
