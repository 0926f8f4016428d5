//! Trailed frames: stars drawn out over a straight line, against simulated truth.

use skygrain::fits::Pixels;
use skygrain::frame::Lattice;
use skygrain::report::InWords;
use skygrain::simulate::SimStar;
use skygrain::stars::{MeasureOptions, measure};

use crate::odd_images::{GAIN_E_PER_ADU, area_px, grid, sky_of};

/// Width kept across a trail, where an elliptical profile is a quarter too wide: twice what nodes and a Gaussian's end of
/// the range of 1/beta cost.
const MINOR: f64 = 0.01;
/// Length of the line and its angle, degrees.
const LENGTH: f64 = 0.03;
const ANGLE_DEG: f64 = 1.0;
/// Points that draw a line, and the line's angle.
const STEPS: u32 = 40;
const TRUE_ANGLE_DEG: f64 = 30.0;

#[test]
fn trails_keep_the_width_of_their_stars_and_tell_their_line() {
    let (sin, cos) = TRUE_ANGLE_DEG.to_radians().sin_cos();
    for (seed, (beta, widths)) in
        [(3.5, 1.7), (3.5, 2.0), (3.5, 3.0), (2.5, 2.0), (5.0, 2.0), (f64::INFINITY, 3.0)].into_iter().enumerate()
    {
        let length = 3.0 * widths;
        let area = if f64::is_finite(beta) { area_px(3.0, beta) } else { 9.0 * 1.133 };
        let drawn = |s: SimStar| {
            (0..STEPS).map(move |k| {
                let along = length * ((f64::from(k) + 0.5) / f64::from(STEPS) - 0.5);
                SimStar { x: s.x + along * cos, y: s.y + along * sin, flux_e: s.flux_e / f64::from(STEPS), ..s }
            })
        };
        let seed = 50 + seed as u64;
        let trails = grid(3.0, beta, seed, |i| (1500.0 + 60.0 * i as f64) * area * (1.0 + widths)).into_iter();
        let options = MeasureOptions {
            lattice: Lattice::All,
            e_per_adu: Some(GAIN_E_PER_ADU),
            saturation_adu: None,
            diffraction: None,
        };
        let image = Pixels::U16(sky_of(trails.flat_map(drawn).collect(), seed));
        let got = measure(&image, &options).unwrap();
        assert!(got.trailed, "{widths} {beta} {:?} {:?} {:?}", got.ellipticity, got.flags, got.stars.len());
        let (width, sigma) = got.minor_fwhm_px.pair().expect("a minor axis");
        let (line, _) = got.trail_length_px.pair().unwrap_or_else(|| panic!("{}", got.trail_length_px.why()));
        let (angle, _) = got.position_angle_deg.pair().expect("a direction");
        eprintln!(
            "beta {beta}, line of {widths} FWHM: {width:.3} +- {sigma:.3} px, {line:.2} of {length} px at {angle:.2}"
        );
        assert!((width / 3.0 - 1.0).abs() < MINOR, "beta {beta}, line of {widths} FWHM: {width} px");
        assert!((line / length - 1.0).abs() < LENGTH, "{line} of {length} px");
        assert!((angle - TRUE_ANGLE_DEG).abs() < ANGLE_DEG, "{angle}");
    }
}
