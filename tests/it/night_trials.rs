//! Nights of all kinds mixed: how often the truth lies within the errors that are stated.

use std::collections::BTreeMap;
use std::path::Path;

use rand::{Rng, RngExt, SeedableRng};
use rand_xoshiro::Xoshiro256PlusPlus;
use rayon::prelude::*;
use serde_json::Value;
use skygrain::folder::Rig;
use skygrain::night::{NightInput, Scope, run};
use skygrain::simulate::{DarkLaw, Detector, FrameRecipe, Glow, HeaderCard, SimStar, render, write_frame};

const SIDE: usize = 384;
/// Errors from which a value is printed by itself.
const FAR_OFF: f64 = 3.5;
const PITCH_UM: f64 = 4.4;
const FOCAL_MM: f64 = 512.0;
const LIGHTS_CELSIUS: f64 = -10.0;

/// A night as it was drawn.
struct Drawn {
    camera: Detector,
    /// Dark current of an ordinary pixel; its reference is the lights' temperature.
    dark: DarkLaw,
    sky: f64,
    exposure_s: f64,
    fwhm_px: f64,
    beta: f64,
    stars: usize,
    lights: u64,
    biases: u64,
    flat_levels: Vec<f64>,
    darks: Vec<f64>,
    glow: Option<Glow>,
    drift: f64,
}

fn from_to(rng: &mut impl Rng, low: f64, high: f64) -> f64 {
    low * (high / low).powf(rng.random::<f64>())
}

impl Drawn {
    fn new(seed: u64) -> Self {
        let rng = &mut Xoshiro256PlusPlus::seed_from_u64(0x51ab_0000 + seed);
        let gain_e_per_adu = from_to(rng, 0.2, 4.0);
        let read_noise_e = from_to(rng, 1.2, 9.0).max(0.8 * gain_e_per_adu);
        let even = Detector::even(SIDE, SIDE);
        let camera = Detector {
            seed,
            gain_e_per_adu,
            read_noise_e,
            offset_adu: from_to(rng, 100.0, 2_000.0),
            light_scatter: from_to(rng, 0.002, 0.015),
            dark_scatter: from_to(rng, 0.02, 0.3),
            ..even
        };
        let hot = [0.0, 0.001, 0.01][rng.random_range(0..3)];
        let camera = camera.with_hot_pixels(hot, 10.0, 1_000.0);
        let full_adu = 60_000.0f64.min(camera.full_well_e / gain_e_per_adu);
        let levels = rng.random_range(0..4);
        let temperatures: &[f64] = [&[-10.0][..], &[-10.0, 5.0], &[-10.0, 0.0, 10.0]][rng.random_range(0..3)];
        let glows = rng.random_bool(0.25);
        Self {
            dark: DarkLaw {
                rate_e_per_px_s: from_to(rng, 0.01, 0.3),
                reference_celsius: LIGHTS_CELSIUS,
                activation_ev: rng.random_range(0.55..0.75),
            },
            sky: from_to(rng, 0.3, 15.0),
            exposure_s: from_to(rng, 20.0, 200.0).round(),
            fwhm_px: from_to(rng, 1.6, 5.0),
            beta: rng.random_range(2.6..4.5),
            stars: rng.random_range(25..70),
            lights: rng.random_range(2..7),
            biases: rng.random_range(3..14),
            flat_levels: [0.45, 0.2, 0.6][..levels.min(3)]
                .iter()
                .map(|share| share * full_adu * gain_e_per_adu)
                .collect(),
            darks: temperatures.to_vec(),
            glow: glows.then(|| Glow {
                x: -5.0,
                y: 20.0,
                rate_e_per_px_s: from_to(rng, 0.5, 4.0),
                scale_px: from_to(rng, 30.0, 90.0),
            }),
            drift: if rng.random_bool(0.3) { 0.04 } else { 0.0 },
            camera,
        }
    }

    fn write(&self, folder: &Path, seed: u64) {
        let unlit = |n: u64| FrameRecipe::unlit(self.camera.clone(), 1_000_000 * (seed + 1) + n);
        let save = |name: String, recipe: FrameRecipe, kind: &str, celsius: f64, n: u64| {
            let cards = [
                HeaderCard::text("IMAGETYP", kind, ""),
                HeaderCard::text("INSTRUME", "Quietude", ""),
                HeaderCard::text("DATE-OBS", &format!("2031-11-02T21:{n:02}:00"), ""),
                HeaderCard::real("EXPTIME", recipe.exposure_s, "s"),
                HeaderCard::real("CCD-TEMP", celsius, "C"),
                HeaderCard::real("XPIXSZ", PITCH_UM, "um"),
                HeaderCard::real("FOCALLEN", FOCAL_MM, "mm"),
            ];
            write_frame(&folder.join(name), &render(&recipe).0, &cards).unwrap();
        };
        for n in 0..self.biases {
            save(format!("bias-{n}.fits"), unlit(n), "bias", -10.0, n);
        }
        for (k, level) in self.flat_levels.iter().enumerate() {
            for n in 0..4u64 {
                let exposure_s = 1.0 + k as f64;
                let number = 100 + 10 * k as u64 + n;
                let flat = FrameRecipe {
                    exposure_s,
                    sky_e_per_px_s: level / exposure_s,
                    corner_illumination: 0.8,
                    ..unlit(number)
                };
                save(format!("flat-{number}.fits"), flat, "flat", -10.0, n);
            }
        }
        for (k, celsius) in self.darks.iter().enumerate() {
            for n in 0..4u64 {
                let number = 200 + 10 * k as u64 + n;
                let exposure_s = self.exposure_s * if n < 2 { 1.0 } else { 4.0 };
                let recipe = FrameRecipe {
                    exposure_s,
                    dark_e_per_px_s: self.dark.rate_at(*celsius),
                    glow: self.glow,
                    ..unlit(number)
                };
                save(format!("dark-{number}.fits"), recipe, "dark", *celsius, n);
            }
        }
        let rng = &mut Xoshiro256PlusPlus::seed_from_u64(0x77aa_0000 + seed);
        let span = SIDE as f64 - 60.0;
        let stars: Vec<SimStar> = (0..self.stars)
            .map(|_| {
                let (x, y) = (30.0 + span * rng.random::<f64>(), 30.0 + span * rng.random::<f64>());
                SimStar::round(x, y, from_to(rng, 3_000.0, 60_000.0), self.fwhm_px, self.beta)
            })
            .collect();
        for n in 0..self.lights {
            let shift = 4.7 * n as f64 - 10.0;
            let stars = stars.iter().map(|s| SimStar { x: s.x + shift, y: s.y - shift, ..*s }).collect();
            let sky = self.sky * (1.0 + self.drift * n as f64);
            let light = FrameRecipe {
                exposure_s: self.exposure_s,
                sky_e_per_px_s: sky,
                dark_e_per_px_s: self.dark.rate_e_per_px_s,
                glow: self.glow,
                stars,
                ..unlit(300 + n)
            };
            save(format!("light-{n}.fits"), light, "light", -10.0, n);
        }
    }

    /// Name, truth and what is told of it.
    fn told<'a>(&self, report: &'a Value) -> Vec<(&'static str, f64, &'a Value)> {
        let (sensor, session) = (&report["sensors"][0], &report["sessions"][0]);
        let camera = &self.camera;
        // The sky of the middle light, or of the two there.
        let sky = self.sky * (1.0 + self.drift * 0.5 * (self.lights - 1) as f64);
        let dark = &sensor["dark_current"];
        let mut told = vec![
            (
                if self.flat_levels.is_empty() { "gain from lights" } else { "gain" },
                camera.gain_e_per_adu,
                &sensor["gain_e_per_adu"],
            ),
            ("read noise, ADU", camera.read_noise_e / camera.gain_e_per_adu, &sensor["read_noise_adu"]),
            ("bias level", camera.offset_adu, &sensor["bias_level_adu"]),
            ("width", self.fwhm_px, &session["fwhm_px"]),
        ];
        if !self.flat_levels.is_empty() {
            told.push(("response of pixels", camera.light_scatter, &sensor["prnu"][0]["fraction"]));
        }
        if let Some(reference) = dark["reference_celsius"].as_f64() {
            let name = if self.glow.is_some() { "dark rate beside glow" } else { "dark rate" };
            told.push((name, self.dark.rate_at(reference), &dark["rate_e_per_px_s"]));
        }
        if self.darks.len() > 1 {
            let step = self.dark.doubling_at(dark["reference_celsius"].as_f64().unwrap_or(f64::NAN));
            told.push(("doubling step", step, &dark["thermal_doubling_celsius"]));
        }
        // Glow is in the lights' level.
        if self.glow.is_none() {
            let total = (sky + self.dark.rate_e_per_px_s) * self.exposure_s
                + camera.read_noise_e.powi(2)
                + camera.gain_e_per_adu.powi(2) / 12.0;
            told.push(("sky rate", sky, &session["sky_e_per_px_s"]));
            told.push(("variance of a light", total, &session["noise_budget"]["total_e2"]));
            told.push(("share of the sky", sky * self.exposure_s / total, &session["noise_budget"]["sky_share"]));
            told.push(("noise over its budget", 1.0, &session["noise_check"]["ratio"]));
            let rows = report["frames"].as_array().expect("rows");
            let light = rows.iter().find(|f| f["kind"] == "light" && f["status"] == "used");
            told.extend(light.map(|light| (ONE_LIGHT, 1.0, &light["noise_ratio"])));
        }
        told
    }
}

const ONE_LIGHT: &str = "noise of one light over its budget";

/// Errors over stated errors, by name; `None` where nothing is told.
fn trial(seed: u64) -> Vec<(&'static str, Option<f64>, String)> {
    let drawn = Drawn::new(seed);
    let folder = tempfile::tempdir().unwrap();
    // A folder in which the nights stay to be looked at.
    let kept = std::env::var_os("SKYGRAIN_TRIALS_KEPT").map(|kept| Path::new(&kept).join(seed.to_string()));
    let place = kept.as_deref().unwrap_or(folder.path());
    let (night, out) = (place.join("night"), place.join("report"));
    std::fs::create_dir_all(&night).unwrap();
    drawn.write(&night, seed);
    let input = NightInput { folders: vec![night], out, rig: Rig::default(), stars: false };
    let report = run(&input, Scope::Night, &|_, _, _| {}).expect("a report");
    let report = serde_json::to_value(&report).unwrap();
    let z = |truth: f64, q: &Value| {
        let (value, sigma) = (q["value"].as_f64()?, q["sigma"].as_f64()?);
        (q["source"] == "measured").then_some((value - truth) / sigma)
    };
    let line = |name: &str, truth: f64, q: &Value| {
        let off = z(truth, q).map_or_else(String::new, |z| format!("{z:+.2}"));
        format!("{seed:4} {name}: {} +- {} of {truth:.5} {off}", q["value"], q["sigma"])
    };
    drawn.told(&report).into_iter().map(|(name, truth, q)| (name, z(truth, q), line(name, truth, q))).collect()
}

/// Coverage of one quantity over the nights that tell it.
fn night_trials(count: u64) {
    // Every value, or those far off.
    let all = std::env::var_os("SKYGRAIN_TRIALS_ALL").is_some();
    // Seeds that no constant was set by.
    let from: u64 = std::env::var("SKYGRAIN_TRIALS_FROM").map_or(0, |from| from.parse().expect("a seed"));
    let trials: Vec<_> = (from..from + count).into_par_iter().map(trial).collect();
    let mut by_name: BTreeMap<&str, Vec<Option<f64>>> = BTreeMap::new();
    for (name, z, line) in trials.into_iter().flatten() {
        by_name.entry(name).or_default().push(z);
        if all || z.is_some_and(|z| z.abs() > FAR_OFF) {
            println!("{line}");
        }
    }
    println!(
        "| quantity | nights | told | within one error | within two | mean of errors over stated ones | their root mean square |"
    );
    println!("| --- | --- | --- | --- | --- | --- | --- |");
    let mut all = Vec::new();
    for (name, z) in &by_name {
        let told: Vec<f64> = z.iter().flatten().copied().collect();
        let n = told.len().max(1) as f64;
        let within = |k: f64| 100.0 * told.iter().filter(|z| z.abs() <= k).count() as f64 / n;
        let (mean, square) = (told.iter().sum::<f64>() / n, told.iter().map(|z| z * z).sum::<f64>() / n);
        println!(
            "| {name} | {} | {} | {:.0} % | {:.0} % | {mean:+.2} | {:.2} |",
            z.len(),
            told.len(),
            within(1.0),
            within(2.0),
            square.sqrt()
        );
        // The error of a bias level is that of a single frame, as it is for lights; their mean is known better. That of one light's noise
        // is twice too wide: its levels are few, and the larger of two errors counts.
        if !["bias level", ONE_LIGHT].contains(name) {
            all.extend(told);
        }
    }
    let within = 100.0 * all.iter().filter(|z| z.abs() <= 1.0).count() as f64 / all.len() as f64;
    println!("all {} values: {within:.1} % within one error", all.len());
    assert!((63.0..=73.0).contains(&within), "{within}");
}

// 68 % of all values: the nights share no draw, so that some 1 800 values scatter by 1.1 %; five are allowed for those that hang together.
#[test]
#[ignore = "200 nights: minutes on two cores"]
fn night_trials_hold_their_errors() {
    night_trials(200);
}
