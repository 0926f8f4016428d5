//! First screens of many situations, word for word, against what is stored in `fixtures/report-model/first-screens.txt`.

use super::sample;
use super::terminal::columns::wrapped;
use super::words::first;
use crate::facts::{Quantity, Source};
use crate::report::model::{Report, Session};
use crate::verdict::{SamplingVerdict, SuitedInput, suited};

/// One session whose stars are so wide, px.
fn sampled(px: f64, sigma: f64, verdict: SamplingVerdict) -> Report {
    alone(|s| {
        s.fwhm_px = Quantity::measured(px, sigma, "Moffat fit", 18);
        s.fwhm_arcsec = Quantity::measured(1.2893 * px, 1.2893 * sigma, "FWHM times image scale", 18);
        s.sampling.facts.px_per_fwhm = Quantity::measured(px, sigma, "FWHM over the pixel", 18);
        s.sampling.facts.verdict = verdict;
        s.suited = suited(&SuitedInput {
            fwhm_px: &s.fwhm_px,
            image_scale: &s.image_scale_arcsec_per_px,
            pixel_um: &Quantity::header(3.8, "XPIXSZ"),
            focal_mm: &Quantity::header(608.0, "FOCALLEN"),
            size_px: [640, 480],
        });
        s.sampling.facts.best_binning = Some((px / 2.0).floor().max(1.0) as u32);
    })
}

/// The first session of the invented night alone, changed.
fn alone(change: impl FnOnce(&mut Session)) -> Report {
    let mut report = sample::report();
    report.sessions.truncate(1);
    change(&mut report.sessions[0]);
    report.advice = crate::verdict::advice::ranked(crate::verdict::advice::advice(&report.sessions[0].advice_input()));
    report
}

/// Shares of sky, dark current and read noise.
fn shares(s: &mut Session, [sky, dark, read]: [f64; 3]) {
    let of = |share: f64| Quantity::measured(share, 0.01, "part over total", 18);
    (s.noise_budget.sky_share, s.noise_budget.dark_share, s.noise_budget.read_share) = (of(sky), of(dark), of(read));
    s.cooling_floor_time_ratio = Quantity::measured(1.0 - dark, 0.01, "no dark current", 4);
}

fn unknown(why: &'static str) -> Quantity {
    Quantity::not_measurable(why)
}

fn without_noise(s: &mut Session, why: &'static str) {
    let b = &mut s.noise_budget;
    for q in [&mut b.sky_share, &mut b.dark_share, &mut b.read_share, &mut b.total_e2] {
        *q = unknown(why);
    }
    (b.exposure_for_5_percent_read_s, b.exposure_for_10_percent_read_s) = (unknown(why), unknown(why));
    s.cooling = Vec::new();
    s.cooling_floor_time_ratio = unknown(why);
}

fn situations() -> Vec<(&'static str, Report)> {
    use SamplingVerdict::*;
    vec![
        ("two sessions, the second without flats", sample::report()),
        ("well sampled", sampled(2.61, 0.04, WellSampled)),
        ("under-sampled", sampled(1.31, 0.03, UnderSampled)),
        ("marginal, near the limit", sampled(1.97, 0.05, Marginal)),
        ("over-sampled", sampled(5.2, 0.1, OverSampled)),
        ("over-sampled, a mosaic", {
            let mut report = sampled(4.4, 0.1, OverSampled);
            report.sessions[0].settings.cfa = Some("RGGB".to_owned());
            report
        }),
        ("a mosaic, width known to a fifth", {
            let mut report = sampled(2.4, 0.5, WellSampled);
            report.sessions[0].settings.cfa = Some("RGGB".to_owned());
            report
        }),
        (
            "lights only",
            alone(|s| without_noise(s, "no gain: two flats of one filter and two bias frames would supply it")),
        ),
        (
            "darks of one temperature",
            alone(|s| s.cooling.iter_mut().for_each(|row| row.time_ratio.source = Source::Assumed)),
        ),
        (
            "no temperature",
            alone(|s| {
                s.cooling = Vec::new();
                s.sensor_temperature_c.median = unknown("no temperature card");
                s.noise_budget.dark_share.source = Source::Assumed;
            }),
        ),
        ("dark current dominates", alone(|s| shares(s, [0.3, 0.6, 0.1]))),
        ("read noise rules, as in a narrow band", alone(|s| shares(s, [0.2, 0.15, 0.65]))),
        ("the sky rules", alone(|s| shares(s, [0.95, 0.01, 0.04]))),
        ("mostly sky", alone(|s| shares(s, [0.8, 0.04, 0.16]))),
        ("two cameras of one filter", {
            let mut report = sample::report();
            report.sessions[1] = report.sessions[0].clone();
            report.sessions[1].id = "a-L-60s".to_owned();
            report.sessions[1].settings.exposure_s = Some(60.0);
            report.sessions[1].settings.camera = Some("Tarnwhistle 4".to_owned());
            shares(&mut report.sessions[1], [0.9, 0.05, 0.05]);
            report
        }),
        (
            "no scale",
            alone(|s| {
                s.image_scale_arcsec_per_px = unknown("no pixel size");
                s.fwhm_arcsec = unknown("no pixel size");
            }),
        ),
        ("one light", alone(|s| (s.frame_counts.light, s.frame_counts.used) = (1, 1))),
        (
            "no star",
            alone(|s| {
                let why = "all 21 lights are clouded";
                (s.fwhm_px, s.fwhm_arcsec, s.sampling.facts.px_per_fwhm) = (unknown(why), unknown(why), unknown(why));
                s.field.facts.surface = None;
                s.field.facts.corrected_radius_px = unknown(why);
                without_noise(s, why);
            }),
        ),
        ("good to the corners", alone(|s| s.field.facts.corrected_to_the_corner = Some(true))),
        (
            "guiding blurs as much as the air",
            alone(|s| {
                s.width_budget.facts.elongation_arcsec = Quantity::measured(2.2, 0.2, "shared elongation", 5);
            }),
        ),
    ]
}

#[test]
fn first_screens_say_what_they_said() {
    let mut text = String::new();
    for (title, report) in situations() {
        text += &format!("== {title}\n");
        let mut lines = 0;
        for (about, sentence) in first::answers(&report) {
            for (i, line) in wrapped(&sentence, 70).iter().enumerate() {
                text += format!("{:<10}{line}", if i == 0 { about.word() } else { "" }).trim_end();
                text.push('\n');
                lines += 1;
            }
        }
        assert!(lines <= 25, "{title}: a screen has 25 lines, not {lines}");
        text.push('\n');
    }
    super::golden::compare("first-screens.txt", &text);
}
