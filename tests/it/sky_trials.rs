//! The image scale from stars: random frames of the sky, and frames that show none.

use std::time::Instant;

use rayon::prelude::*;
use skygrain::sky::{Catalogue, Direction, Frame, NoMatch, SkyMatch, match_sky};

use crate::sky_fields::{Field, field, mean_scale, no_sky, random_truth};

/// Catalogue stars in the frame from which a match is promised.
const PROMISED_FROM: usize = 8;
/// Share of those frames that must be matched.
const LEAST_SOLVED: f64 = 0.98;
/// Relative error of the scale.
const SCALE_ERROR: f64 = 5e-4;
/// Root mean square of the scale's errors over the stated ones: one, and the scatter of that over 30 frames is 0.13.
const PULL_RANGE: std::ops::Range<f64> = 0.6..1.4;
/// Distance of the centres from which a match is false, in widths of the frame.
const FALSE_CENTRE: f64 = 0.01;

struct Trial {
    seed: u64,
    field: Field,
    result: Result<SkyMatch, NoMatch>,
    seconds: f64,
}

fn trial(catalogue: &Catalogue, seed: u64) -> Trial {
    let field = field(catalogue, random_truth(seed), seed);
    let frame = Frame {
        sources: &field.sources,
        size_px: field.truth.size_px,
        pointings: &[field.pointing],
        scale_arcsec_per_px: field.told_scale,
    };
    let start = Instant::now();
    let result = match_sky(Some(catalogue), &frame);
    let seconds = start.elapsed().as_secs_f64();
    Trial { seed, result, seconds, field }
}

fn width_deg(trial: &Trial) -> f64 {
    let truth = &trial.field.truth;
    truth.size_px[0] as f64 * mean_scale(truth) / 3600.0
}

fn is_false(trial: &Trial, found: &SkyMatch) -> bool {
    let truth = &trial.field.truth;
    let off = found.centre.separation_arcsec(Direction::from_degrees(truth.ra_deg, truth.dec_deg));
    off > FALSE_CENTRE * mean_scale(truth) * truth.size_px[0] as f64 || found.mirrored != truth.mirrored
}

fn scale_error(trial: &Trial, found: &SkyMatch) -> f64 {
    found.scale_arcsec_per_px.value.expect("a scale") / mean_scale(&trial.field.truth) - 1.0
}

fn sky_trials(count: u64) {
    let catalogue = Catalogue::shipped().expect("built with the catalogue");
    let trials: Vec<Trial> = (0..count).into_par_iter().map(|seed| trial(&catalogue, seed)).collect();
    for t in &trials {
        let found = t.result.as_ref().map_or_else(
            |why| format!("{why:?}"),
            |m| {
                assert!(!is_false(t, m), "seed {}: {:?}", t.seed, t.field.truth);
                format!(
                    "{} stars, scale off by {:+.4} %, chance {:.0e}",
                    m.stars,
                    100.0 * scale_error(t, m),
                    m.false_alarm
                )
            },
        );
        let (width, stars) = (width_deg(t), t.field.catalogue_stars);
        println!("{:3}: {width:.2} degrees, {stars} catalogue stars, {:.3} s: {found}", t.seed, t.seconds);
    }
    let promised: Vec<&Trial> = trials.iter().filter(|t| t.field.catalogue_stars >= PROMISED_FROM).collect();
    let solved: Vec<(&Trial, &SkyMatch)> =
        promised.iter().filter_map(|t| Some((*t, t.result.as_ref().ok()?))).collect();
    let largest = solved.iter().map(|(t, m)| scale_error(t, m).abs()).fold(0.0, f64::max);
    let pull = |(t, m): &(&Trial, &SkyMatch)| {
        scale_error(t, m) * mean_scale(&t.field.truth) / m.scale_arcsec_per_px.sigma.expect("an error")
    };
    let rms = (solved.iter().map(|s| pull(s).powi(2)).sum::<f64>() / solved.len() as f64).sqrt();
    let mut seconds: Vec<f64> = solved.iter().map(|(t, _)| t.seconds).collect();
    seconds.sort_by(f64::total_cmp);
    let (middle, last) = (seconds[seconds.len() / 2], seconds[seconds.len() - 1]);
    let given_up = trials.iter().filter(|t| t.result.is_err()).map(|t| t.seconds).fold(0.0, f64::max);
    println!(
        "{} of {} frames with {PROMISED_FROM} stars or more matched; largest error of the scale {:.3} %, pulls {rms:.2}; \
         median {middle:.3} s, slowest {last:.3} s; given up after {given_up:.3} s at most",
        solved.len(),
        promised.len(),
        100.0 * largest
    );
    let most_missed = ((1.0 - LEAST_SOLVED) * promised.len() as f64).ceil() as usize;
    assert!(promised.len() - solved.len() <= most_missed, "{} of {}", solved.len(), promised.len());
    assert!(largest < SCALE_ERROR, "{largest}");
    assert!(PULL_RANGE.contains(&rms), "{rms}");
}

fn no_sky_trials(count: u64) {
    let catalogue = Catalogue::shipped().expect("built with the catalogue");
    let one = |seed| {
        let (sources, size_px) = no_sky(seed);
        let truth = random_truth(seed);
        let scale_arcsec_per_px = (seed % 10 > 0).then_some(mean_scale(&truth));
        let pointings = [Direction::from_degrees(truth.ra_deg, truth.dec_deg)];
        let frame = Frame { sources: &sources, size_px, pointings: &pointings, scale_arcsec_per_px };
        let start = Instant::now();
        let got = match_sky(Some(&catalogue), &frame);
        assert!(got.is_err(), "seed {seed}: {:?}", got.map(|m| (m.stars, m.false_alarm)));
        start.elapsed().as_secs_f64()
    };
    let seconds: Vec<f64> = (0..count).into_par_iter().map(one).collect();
    let (mean, most) = (seconds.iter().sum::<f64>() / count as f64, seconds.iter().copied().fold(0.0, f64::max));
    println!("{count} frames without sky: given up after {mean:.3} s on the mean, {most:.3} s at most");
}

#[test]
fn frames_of_the_sky_are_matched() {
    sky_trials(40);
}

#[test]
fn frames_without_sky_are_not_matched() {
    no_sky_trials(20);
}

#[test]
#[ignore = "many frames; .ci/run takes it, with --release"]
fn two_hundred_frames_of_the_sky_are_matched() {
    sky_trials(200);
}

#[test]
#[ignore = "many frames; .ci/run takes it, with --release"]
fn a_thousand_frames_without_sky_are_not_matched() {
    no_sky_trials(1000);
}

#[test]
fn the_catalogue_packed_anew_has_the_same_bytes() {
    let Some(list) = std::env::var_os("SKYGRAIN_STAR_LIST") else {
        eprintln!("packed_anew: skipped, SKYGRAIN_STAR_LIST names no list");
        return;
    };
    let packed = skygrain::sky::pack(&std::fs::read(list).expect("the list")).expect("a list of stars");
    assert!(packed == include_bytes!("../../fixtures/catalogue/stars.bin"));
}
