//! Single stars of real frames against fits by general-purpose libraries: see `fixtures/real-stars/README.md`.

use std::path::Path;

use serde_json::Value;
use skygrain::fits::ImageFile;
use skygrain::frame::Lattice;
use skygrain::stars::{MeasureOptions, StarFit, measure};
use skygrain::stats::median;

/// Joint errors within which each star agrees. Both see the same pixels, so that noise cancels; what is left are faint
/// neighbours that one of them leaves out.
const STAR_ERRORS: f64 = 3.0;
/// Share of the stars that agree within one joint error: independent pixels would give 68 %.
const WITHIN_ONE: f64 = 0.8;
/// By how much a frame's widths may be more than those of the Moffats that the stored fits are: as much as turbulence and diffraction make
/// Moffats too narrow (`fixtures/star-images/`), and as little as half a per cent less.
const WIDER: std::ops::Range<f64> = -0.005..0.10;
/// Share of the stored stars that are used here too: the others lie too near to something that the matched filter sees.
const FOUND: f64 = 0.8;

fn number(of: &Value, name: &str) -> f64 {
    of[name].as_f64().unwrap_or_else(|| panic!("no number {name}"))
}

/// Differences of ln FWHM and of both components of elongation, each with its joint error.
fn differences(fit: &StarFit, star: &Value) -> [(f64, f64); 3] {
    // Where residuals exceed the noise, errors are widened here; the stored ones are as the weights give them.
    let widened = number(star, "chi2_per_dof").max(1.0).sqrt();
    let joint = |own: f64, name: &str| own.hypot(widened * number(star, name));
    let stored = number(star, "fwhm_px");
    let width_error = fit.sigma_ln_width.hypot(widened * number(star, "sigma_fwhm_px") / stored);
    [
        ((fit.shape.fwhm_px() / stored).ln(), width_error),
        (fit.shape.e1 - number(star, "e1"), joint(fit.sigma_e1, "sigma_e1")),
        (fit.shape.e2 - number(star, "e2"), joint(fit.sigma_e2, "sigma_e2")),
    ]
}

#[test]
fn real_stars_agree_one_by_one_with_general_libraries() {
    let Some(root) = crate::real_frames("stars one by one") else { return };
    let stored = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/real-stars/expected.json");
    let expected: Value = serde_json::from_str(&std::fs::read_to_string(stored).unwrap()).unwrap();
    let (mut pulls, mut matched, mut all) = (Vec::new(), 0, 0);
    for frame in expected["frames"].as_array().unwrap() {
        let name = frame["frame"].as_str().unwrap();
        let image = ImageFile::open(&root.join(name)).unwrap().pixels().unwrap();
        let options = MeasureOptions {
            lattice: Lattice::All,
            e_per_adu: frame["e_per_adu"].as_f64(),
            saturation_adu: None,
            diffraction: None,
        };
        let got = measure(&image.planes[0], &options).unwrap();
        let stars = frame["stars"].as_array().unwrap();
        let mut found = Vec::new();
        for star in stars {
            let (x, y) = (number(star, "x"), number(star, "y"));
            let Some(fit) = got.stars.iter().map(|s| &s.fit).find(|f| (f.x - x).hypot(f.y - y) < 1.0) else { continue };
            found.push((x, y, differences(fit, star)));
        }
        let widths: Vec<f64> = found.iter().map(|f| f.2[0].0).collect();
        let middle = median(&widths).unwrap();
        for (x, y, mut star) in found {
            // Both models differ by one factor for all stars of a frame.
            star[0].0 -= middle;
            for (what, (off, error)) in ["ln FWHM", "e1", "e2"].iter().zip(star) {
                let pull = off / error;
                assert!(pull.abs() < STAR_ERRORS, "{name} at ({x:.1}, {y:.1}): {what} off by {off:.4} +- {error:.4}");
                pulls.push(pull);
            }
        }
        eprintln!("{name}: {} of {} stars, median difference {:.2} %", widths.len(), stars.len(), 100.0 * middle);
        (matched, all) = (matched + widths.len(), all + stars.len());
        assert!(WIDER.contains(&middle), "{name}: {middle:.4}");
    }
    let share = pulls.iter().filter(|p| p.abs() < 1.0).count() as f64 / pulls.len() as f64;
    eprintln!("{} values, {:.0} % within one joint error", pulls.len(), 100.0 * share);
    assert!(share > WITHIN_ONE, "{share:.2}");
    assert!(matched as f64 > FOUND * all as f64, "{matched} of {all} stars");
}
