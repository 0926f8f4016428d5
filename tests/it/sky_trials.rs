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
    let (mut promised, mut solved, mut beyond) = (0, 0, 0);
    let (mut errors, mut pulls) = (Vec::new(), Vec::new());
    for t in &trials {
        let counts = t.field.catalogue_stars >= PROMISED_FROM;
        promised += usize::from(counts);
        match &t.result {
            Ok(found) => {
                assert!(!is_false(t, found), "seed {}: {:?}", t.seed, t.field.truth);
                let error = scale_error(t, found);
                if counts {
                    solved += 1;
                    beyond += usize::from(error.abs() > SCALE_ERROR);
                    errors.push(error.abs());
                    pulls
                        .push(error * mean_scale(&t.field.truth) / found.scale_arcsec_per_px.sigma.unwrap_or(f64::NAN));
                }
                println!(
                    "{:3} {:6.3} s  {:.2} deg {:4} stars {:5} sources  fit {:4}  error {:+.5} %  pull {:+.2}  chance {:.0e}",
                    t.seed,
                    t.seconds,
                    width_deg(t),
                    t.field.catalogue_stars,
                    t.field.sources.len(),
                    found.stars,
                    100.0 * error,
                    pulls.last().unwrap_or(&0.0),
                    found.false_alarm
                );
            }
            Err(why) => println!(
                "{:3} {:6.3} s  {:.2} deg {:4} stars {:5} sources  told {:?}: {}",
                t.seed,
                t.seconds,
                width_deg(t),
                t.field.catalogue_stars,
                t.field.sources.len(),
                t.field.told_scale.is_some(),
                &why.to_string()[..30]
            ),
        }
    }
    let slowest = trials.iter().map(|t| t.seconds).fold(0.0, f64::max);
    let mean = trials.iter().map(|t| t.seconds).sum::<f64>() / trials.len() as f64;
    let rms = (pulls.iter().map(|p| p * p).sum::<f64>() / pulls.len() as f64).sqrt();
    errors.sort_by(f64::total_cmp);
    println!(
        "{solved} of {promised} promised frames matched, {beyond} beyond 0.05 %; pulls {rms:.2}; largest errors {:?}",
        &errors[errors.len().saturating_sub(5)..]
    );
    println!("mean {mean:.3} s, slowest {slowest:.3} s");
    assert!(solved as f64 >= LEAST_SOLVED * promised as f64, "{solved} of {promised}");
    assert_eq!(beyond, 0);
}

fn no_sky_trials(count: u64) {
    let catalogue = Catalogue::shipped().expect("built with the catalogue");
    let start = Instant::now();
    (0..count).into_par_iter().for_each(|seed| {
        let (sources, size_px) = no_sky(seed);
        let truth = random_truth(seed);
        let scale_arcsec_per_px = (seed % 5 > 0).then_some(mean_scale(&truth));
        let pointings = [Direction::from_degrees(truth.ra_deg, truth.dec_deg)];
        let frame = Frame { sources: &sources, size_px, pointings: &pointings, scale_arcsec_per_px };
        let got = match_sky(Some(&catalogue), &frame);
        assert!(got.is_err(), "seed {seed}: {:?}", got.map(|m| (m.stars, m.false_alarm)));
    });
    println!("{count} frames without sky: {:.3} s each", start.elapsed().as_secs_f64() / count as f64);
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
#[ignore = "minutes; .ci/run takes it, with --release"]
fn two_hundred_frames_of_the_sky_are_matched() {
    sky_trials(200);
}

#[test]
#[ignore = "minutes; .ci/run takes it, with --release"]
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
