//! Star images over the frame against simulated truth.
//!
//! Most tests draw catalogues: the simulated optics give each star its shape, and errors of the stated size are added.
//! The last renders frames and measures them.

use rand::{RngExt, SeedableRng};
use rand_distr::StandardNormal;
use rand_xoshiro::Xoshiro256PlusPlus;
use skygrain::fits::Pixels;
use skygrain::frame::Lattice;
use skygrain::report::{InWords, WordedField};
use skygrain::simulate::{Detector, FieldRecipe, FieldShape, FrameRecipe, StarImage, expose, render, scatter};
use skygrain::stars::field::{Cause, FieldFrame, FieldOptics, SIGNIFICANT_CHANCE, chi, field};
use skygrain::stars::{MeasureOptions, Shape, Star, StarFit, measure};

const SIZE: [usize; 2] = [600, 400];
const BETA: f64 = 3.0;
const EVEN: FieldShape = FieldShape {
    fwhm_px: 2.6,
    tilt: [0.0, 0.0],
    curvature: 0.0,
    radial_ellipticity: 0.0,
    guiding_ellipticity: 0.0,
    guiding_angle_rad: 0.3,
    image: StarImage::Moffat { beta: BETA },
};

/// What a catalogue is drawn with.
#[derive(Clone, Copy)]
struct Catalogue {
    frames: usize,
    stars: usize,
    /// Standard deviation of a star's own width and elongation, the same in all frames.
    flaw: f64,
    /// Standard deviation of the guiding from frame to frame, either part.
    guiding_scatter: f64,
}

const USUAL: Catalogue = Catalogue { frames: 8, stars: 120, flaw: 0.01, guiding_scatter: 0.0 };
/// Error of a typical star.
const STAR_SIGMA: f64 = 0.02;
/// Seeing from frame to frame, relative.
const SEEING: f64 = 0.08;

fn fitted(shape: &FieldShape, x: f64, y: f64) -> Shape {
    let star = shape.star(SIZE[0], SIZE[1], x, y, 1.0);
    Shape::new(star.fwhm_px(), star.ellipticity(), star.angle_rad, BETA)
}

fn drawn(shape: &FieldShape, with: Catalogue, seed: u64) -> Vec<Vec<Star>> {
    let mut rng = Xoshiro256PlusPlus::seed_from_u64(seed);
    let places: Vec<(f64, f64)> =
        (0..with.stars).map(|_| (rng.random::<f64>() * 599.0, rng.random::<f64>() * 399.0)).collect();
    let mut normal = move || rng.sample::<f64, _>(StandardNormal);
    let flaws: Vec<[f64; 3]> = (0..with.stars).map(|_| [(); 3].map(|()| with.flaw * normal())).collect();
    (0..with.frames)
        .map(|_| {
            let seeing = SEEING * normal();
            let moved = [(); 2].map(|()| with.guiding_scatter * normal());
            let stars = places.iter().zip(&flaws).map(|((x, y), flaw)| {
                let sigma = STAR_SIGMA * (0.5 + normal().abs());
                let mut fit = StarFit {
                    x: *x,
                    y: *y,
                    sigma_x: sigma,
                    sigma_y: sigma,
                    peak_adu: 5000.0,
                    background_adu: 500.0,
                    shape: fitted(shape, *x, *y),
                    sigma_ln_width: sigma,
                    sigma_e1: sigma,
                    sigma_e2: sigma,
                    sigma_inverse_beta: 0.02,
                    flux_adu: 50_000.0,
                    chi2_per_dof: 1.0,
                    beta_is_shared: true,
                };
                fit.shape.ln_half_width += seeing + flaw[0] + sigma * normal();
                fit.shape.e1 += moved[0] + flaw[1] + sigma * normal();
                fit.shape.e2 += moved[1] + flaw[2] + sigma * normal();
                Star { significance: 50.0, fit }
            });
            stars.collect()
        })
        .collect()
}

fn measured(frames: &[Vec<Star>]) -> WordedField {
    let frames: Vec<FieldFrame> = frames.iter().map(|s| FieldFrame { stars: s, size: SIZE }).collect();
    field(&frames, FieldOptics::default()).into()
}

/// The terms 1, w, w^2 of a shape's own elongation, by least squares over an even grid: truth without errors.
fn elongation_terms(shape: &FieldShape) -> [[f64; 2]; 3] {
    let half = 600f64.hypot(400.0) / 2.0;
    let mut normal = nalgebra::DMatrix::<f64>::zeros(6, 6);
    let mut right = nalgebra::DVector::<f64>::zeros(6);
    for j in 0..40 {
        for i in 0..60 {
            let (x, y) = (10.0 * i as f64 + 4.5, 10.0 * j as f64 + 4.5);
            let (u, v) = ((x - 299.5) / half, (y - 199.5) / half);
            let (c, d) = (u * u - v * v, 2.0 * u * v);
            let w = fitted(shape, x, y);
            let length = (1.0 + w.e1 * w.e1 + w.e2 * w.e2).sqrt();
            for (row, e) in [([1.0, 0.0, u, -v, c, -d], w.e1 / length), ([0.0, 1.0, v, u, d, c], w.e2 / length)] {
                let row = nalgebra::DVector::from_row_slice(&row);
                normal += &row * row.transpose();
                right += row * e;
            }
        }
    }
    let t = normal.cholesky().unwrap().solve(&right);
    [[t[0], t[1]], [t[2], t[3]], [t[4], t[5]]]
}

fn rms(values: &[f64]) -> f64 {
    (values.iter().map(|v| v * v).sum::<f64>() / values.len() as f64).sqrt()
}

const SEEDS: u64 = 40;
/// Root mean square of pulls: 1 by construction. Errors of shared flaws are known to 20 % from some 50 places and to 27 %
/// from eight frames, and an excess is only ever added, so that pulls are somewhat small.
const PULLS: std::ops::Range<f64> = 0.6..1.3;

#[test]
fn surfaces_of_simulated_optics_come_back_within_their_errors() {
    let guided = FieldShape { guiding_ellipticity: 0.06, ..EVEN };
    let shapes = [
        ("tilt", FieldShape { tilt: [0.08, -0.05], ..EVEN }),
        ("curvature", FieldShape { curvature: 0.2, ..EVEN }),
        ("radial", FieldShape { radial_ellipticity: 0.1, ..EVEN }),
        ("guiding", guided),
        (
            "all",
            FieldShape {
                tilt: [-0.04, 0.03],
                curvature: 0.1,
                radial_ellipticity: 0.06,
                guiding_ellipticity: 0.04,
                ..EVEN
            },
        ),
    ];
    for (name, shape) in shapes {
        let truth = elongation_terms(&shape);
        let mut pulls = vec![Vec::new(); 8];
        for seed in 0..SEEDS {
            let got = measured(&drawn(&shape, Catalogue { guiding_scatter: 0.005, ..USUAL }, 1000 + seed));
            let s = got.surface.as_ref().unwrap();
            let [a, b] = shape.tilt;
            for (k, want) in [a, b, shape.curvature, 0.0, shape.curvature].into_iter().enumerate() {
                pulls[k].push((s.width_terms[k] - want) / s.width_terms_sigma[k]);
            }
            for k in 0..3 {
                let off = [0, 1].map(|part| s.elongation_terms[k][part] - truth[k][part]);
                pulls[5 + k].extend(off.map(|o| o / s.elongation_terms_sigma[k]));
            }
        }
        let all: Vec<f64> = pulls.iter().map(|p| rms(p)).collect();
        eprintln!("{name}: rms of pulls {all:.2?}");
        // 40 and 80 pulls: their rms scatters by 11 and 8 %.
        assert!(all.iter().all(|r| PULLS.contains(r)), "{name}: {all:?}");
    }
}

/// Most pulls of one draw each: beyond four sigma lies one in 16,000.
const MOST_PULL: f64 = 4.0;

#[test]
fn lengths_on_the_sensor_follow_from_the_pixel_and_are_not_guessed_without_it() {
    // 4 um pixels: the half diagonal of 360.6 px is 1.442 mm.
    let half_mm = 600f64.hypot(400.0) / 2.0 * 4e-3;
    let shape = FieldShape { tilt: [0.12, 0.0], curvature: 0.25, radial_ellipticity: 0.15, ..EVEN };
    let stars = drawn(&shape, USUAL, 21);
    let frames: Vec<FieldFrame> = stars.iter().map(|s| FieldFrame { stars: s, size: SIZE }).collect();
    let got = field(&frames, FieldOptics { um_per_px: Some(4.0), focal_ratio: None });
    let near = |q: &skygrain::facts::Quantity, want: f64| {
        let (value, sigma) = q.pair().unwrap();
        assert!((value - want).abs() < MOST_PULL * sigma, "{value} +- {sigma}, {want}");
    };
    assert!((got.half_diagonal_mm.value.unwrap() / half_mm - 1.0).abs() < 1e-12);
    near(&got.tilt_percent_per_mm, 12.0 / half_mm);
    near(&got.curvature, 0.25);
    // The corners' tilts cancel; u^2 + v^2 is 1 there.
    near(&got.corner_fwhm_ratio, 1.25);
    let radius = got.corrected_radius_mm.value.unwrap();
    assert!(radius > 0.2 * half_mm && radius < half_mm, "{radius}");
    assert_eq!(got.elongation.cause, Some(Cause::Radial));
    near(&got.elongation.percent, 15.0);
    assert!(got.elongation.angle_deg.why().contains("around the centre"));
    let blind = field(&frames, FieldOptics::default());
    assert!(blind.corrected_radius_px.is_known() && !blind.corrected_radius_mm.is_known());
    assert!(blind.corrected_radius_mm.why().contains("pixel_um"));
}

#[test]
fn each_effect_is_named_and_nothing_else() {
    let cases = [
        (FieldShape { tilt: [0.12, 0.0], ..EVEN }, Cause::Tilt),
        (FieldShape { curvature: 0.25, ..EVEN }, Cause::Curvature),
        (FieldShape { guiding_ellipticity: 0.08, ..EVEN }, Cause::Guiding),
        (FieldShape { radial_ellipticity: 0.15, ..EVEN }, Cause::Radial),
        (FieldShape { radial_ellipticity: -0.15, ..EVEN }, Cause::Tangential),
    ];
    for (shape, cause) in cases {
        let got = measured(&drawn(&shape, USUAL, 7));
        assert_eq!(got.causes, [cause], "{}", got.sentence);
        let signless = got.sentence.contains("cannot be told from one in-focus set");
        assert_eq!(signless, cause != Cause::Guiding, "{}", got.sentence);
    }
    let tilted = measured(&drawn(&FieldShape { tilt: [-0.08, 0.08], ..EVEN }, USUAL, 8));
    let (direction, sigma) = tilted.tilt_direction_deg.pair().unwrap();
    assert!((direction - 135.0).abs() < 4.0 * sigma, "{direction} +- {sigma}");
}

#[test]
fn guiding_that_changes_is_told_from_guiding_that_does_not() {
    let shape = FieldShape { guiding_ellipticity: 0.06, ..EVEN };
    let steady = measured(&drawn(&shape, USUAL, 3));
    assert!(!steady.causes.contains(&Cause::ChangingGuiding), "{}", steady.sentence);
    let moving = measured(&drawn(&shape, Catalogue { guiding_scatter: 0.04, ..USUAL }, 3));
    assert!(moving.causes.contains(&Cause::ChangingGuiding), "{}", moving.sentence);
    // Eight frames give the scatter to 25 %.
    let change = moving.change_between_frames.value.unwrap();
    assert!((0.02..0.065).contains(&change), "{change}");
    let single = measured(&drawn(&shape, Catalogue { frames: 1, ..USUAL }, 3));
    assert!(single.causes.contains(&Cause::Guiding) && !single.change_between_frames.is_known());
}

/// Trials of a frame where nothing varies, and the level at which the rate of false alarms is counted: high enough that a
/// rate of a few per cent is seen.
const TRIALS: u64 = 400;
const LEVEL: f64 = 0.05;

#[test]
fn an_even_field_gives_false_alarms_at_the_stated_rate() {
    for with in [USUAL, Catalogue { flaw: 0.0, ..USUAL }, Catalogue { frames: 2, stars: 60, flaw: 0.0, ..USUAL }] {
        let mut below = [0usize; 6];
        let mut alarms = 0;
        for seed in 0..TRIALS {
            let got = measured(&drawn(&EVEN, with, 50_000 + seed));
            let c = got.surface.as_ref().unwrap().chances;
            let change = c.change_between_frames.unwrap();
            let all = [c.tilt, c.curvature, c.constant_elongation, c.linear_elongation, c.radial_elongation, change];
            below.iter_mut().zip(all).for_each(|(n, p)| *n += usize::from(p < LEVEL));
            alarms += usize::from(all.iter().any(|p| *p < SIGNIFICANT_CHANCE));
        }
        let rates = below.map(|n| n as f64 / TRIALS as f64);
        eprintln!("{} frames, flaw {}: rates at 5 % {rates:.3?}, {alarms} alarms", with.frames, with.flaw);
        // 5 % of 400 is 20 +- 4.4. Excesses are only ever added to errors, which makes rates small; jackknife errors from
        // eight frames have long tails, which makes them large.
        assert!(rates.iter().all(|r| (0.003..0.09).contains(r)), "{rates:?}");
        // Six tests at 0.27 % each: 6.5 expected of 400, 3.5 standard deviations more are 15.
        assert!(alarms <= 15, "{alarms} alarms in {TRIALS} fields without any effect");
    }
}

#[test]
fn the_radius_of_good_stars_follows_the_curvature() {
    let half = 600f64.hypot(400.0) / 2.0;
    let mut pulls = Vec::new();
    for seed in 0..SEEDS {
        let got = measured(&drawn(&FieldShape { curvature: 0.3, ..EVEN }, USUAL, 300 + seed));
        let (r, sigma) = got.corrected_radius_px.pair().unwrap();
        pulls.push((r - half * 0.5f64.sqrt()) / sigma);
    }
    let mean = pulls.iter().sum::<f64>() / pulls.len() as f64;
    eprintln!("radius: mean pull {mean:.2}, rms {:.2}", rms(&pulls));
    // The correction for the worst direction leaves up to half a sigma; 40 pulls scatter by 0.16.
    assert!(mean.abs() < 0.8 && rms(&pulls) < 1.4, "{mean} {}", rms(&pulls));
    let good = measured(&drawn(&FieldShape { curvature: 0.05, ..EVEN }, USUAL, 5));
    assert_eq!((good.corrected_to_the_corner, good.corrected_radius_px.sigma), (Some(true), None));
    assert!(good.sentence.contains("at least the half diagonal"), "{}", good.sentence);
}

#[test]
fn few_stars_are_not_measurable_for_a_reason_and_threads_change_nothing() {
    let few = measured(&drawn(&EVEN, Catalogue { frames: 1, stars: 29, ..USUAL }, 1));
    assert!(
        few.surface.is_none() && few.widening_one_side_percent.why().contains("29 fitted stars"),
        "{}",
        few.sentence
    );
    let frames = drawn(&FieldShape { tilt: [0.05, 0.0], ..EVEN }, USUAL, 2);
    let with = |threads| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        serde_json::to_string(&pool.install(|| measured(&frames))).unwrap()
    };
    assert_eq!(with(1), with(3));
}

/// Frames whose scatter from star to star and frame to frame must explain what is found.
const RENDERED_FRAMES: u64 = 5;

#[test]
fn rendered_frames_give_the_optics_that_drew_them() {
    let recipe = FieldRecipe {
        width: SIZE[0],
        height: SIZE[1],
        border_px: 20.0,
        count: 220,
        least_e_per_s: 60.0,
        most_e_per_s: 600.0,
        slope: 1.8,
        least_separation_px: 18.0,
    };
    let (mut tilts, mut bends, mut radials) = (Vec::new(), Vec::new(), Vec::new());
    let optics =
        FieldShape { tilt: [0.06, -0.04], curvature: 0.15, radial_ellipticity: 0.1, guiding_ellipticity: 0.05, ..EVEN };
    let truth = elongation_terms(&optics);
    for seed in 0..4u64 {
        let sources = scatter(&recipe, 40 + seed);
        let frames: Vec<Vec<Star>> = (0..RENDERED_FRAMES)
            .map(|k| {
                let shape = FieldShape { fwhm_px: 2.4 + 0.1 * k as f64, ..optics };
                let stars = expose(&sources, &recipe, &shape, [1.7 * k as f64 - 3.0, 2.0 - k as f64], 60.0);
                let detector = Detector { gain_e_per_adu: 0.8, ..Detector::even(SIZE[0], SIZE[1]) };
                let frame = FrameRecipe {
                    exposure_s: 60.0,
                    sky_e_per_px_s: 1.0,
                    stars,
                    ..FrameRecipe::unlit(detector, 100 * seed + k)
                };
                let options = MeasureOptions {
                    lattice: Lattice::All,
                    e_per_adu: Some(0.8),
                    saturation_adu: Some(65_535.0),
                    diffraction: None,
                };
                measure(&Pixels::U16(render(&frame).0), &options).unwrap().stars
            })
            .collect();
        let got = measured(&frames);
        let s = got.surface.as_ref().unwrap();
        eprintln!("{} stars: {}", got.stars, got.sentence);
        tilts.push((s.width_terms[0] - 0.06) / s.width_terms_sigma[0]);
        tilts.push((s.width_terms[1] + 0.04) / s.width_terms_sigma[1]);
        let (bend, sigma) = got.widening_corner_percent.pair().unwrap();
        bends.push((bend - 15.0) / sigma);
        radials.push((s.elongation_terms[2][0] - truth[2][0]) / s.elongation_terms_sigma[2]);
        assert!(got.causes.contains(&Cause::Curvature) && got.causes.contains(&Cause::Radial), "{}", got.sentence);
    }
    eprintln!("pulls: tilt {tilts:.2?}, curvature {bends:.2?}, radial {radials:.2?}");
    // Four to eight pulls each: a mean square above 3.3 has a chance of 1 % at most.
    for pulls in [&tilts, &bends, &radials] {
        assert!(rms(pulls) < 1.82, "{pulls:?}");
    }
}

#[test]
fn the_vector_of_elongation_has_the_length_of_the_moments() {
    // (a^2 - b^2) / (a^2 + b^2) of axes 3 and 2.
    let fit = drawn(&EVEN, Catalogue { frames: 1, stars: 1, ..USUAL }, 1)[0][0].fit;
    let long = StarFit { shape: Shape::new(6f64.sqrt(), 1.0 / 3.0, 0.0, 3.0), ..fit };
    assert!((chi(&long).0[0] - 5.0 / 13.0).abs() < 1e-12);
}
