//! Star measurement on real frames, against values measured independently with astropy and scipy.

use skygrain::fits::ImageFile;
use skygrain::frame::Lattice;
use skygrain::stars::{MeasureOptions, measure};

/// By how much a width on real frames may differ from the independent one: other stars and another weighting enter that, and it is a
/// Moffat's, which is 2.4 to 5 % too narrow for the images of turbulence of this width (`fixtures/star-images/`).
const REAL_FWHM: std::ops::Range<f64> = -0.02..0.07;

/// What the width without a model may be off by itself: 0.4 % on rendered images of known width (see its script).
const CONTOUR_ERROR: f64 = 0.004;
const JOINT_ERRORS: f64 = 3.0;

// Independent values: Moffat fits with 5 x 5 sub-pixels to isolated unsaturated stars (scipy), geometric mean, before
// the pixel; from the README beside the frames. Last, the width after the pixel without any model and its error: the contour at half
// maximum of all isolated stars (`fixtures/real-stars/contour_of_stack.py`, numpy 2.4.6, photutils 3.0.0).
#[test]
fn widths_of_a_globular_cluster_night_agree_with_independent_fits() {
    let Some(folder) = crate::real_frames("cluster-night widths") else { return };
    let expected = [
        ("M13_sdss_g_20190503_090311", 3.66, (3.880, 0.024)),
        ("M13_sdss_g_20190503_091520", 3.61, (3.837, 0.023)),
        ("M13_sdss_r_20190503_084324", 3.42, (3.618, 0.036)),
        ("M13_sdss_r_20190503_085306", 3.25, (3.509, 0.040)),
        ("M13_sdss_r_20190503_091741", 3.46, (3.727, 0.034)),
    ];
    for (name, want, (contour, error)) in expected {
        let path = folder.join("cluster-night").join(format!("{name}.fits.gz"));
        let image = ImageFile::open(&path).unwrap().pixels().unwrap();
        let options =
            MeasureOptions { lattice: Lattice::All, e_per_adu: Some(1.298), saturation_adu: None, diffraction: None };
        let stars = measure(&image.planes[0], &options).unwrap();
        let got = stars.fwhm_px.value.unwrap();
        eprintln!(
            "{name}: {got:.3} +- {:.3} px, want {want}; rec {:?} e {:?} pa {:?} beta {:?}; {} stars, {:?}",
            stars.fwhm_px.sigma.unwrap(),
            stars.recorded_fwhm_px.value,
            stars.ellipticity.pair(),
            stars.position_angle_deg.pair(),
            stars.moffat_beta.pair(),
            stars.star_count,
            stars.flags
        );
        let (recorded, sigma) = stars.recorded_fwhm_px.pair().unwrap();
        let most = JOINT_ERRORS * sigma.hypot(error) + CONTOUR_ERROR * contour;
        assert!(
            (recorded - contour).abs() < most,
            "{name}: {recorded} +- {sigma}, without a model {contour} +- {error}"
        );
        assert!(REAL_FWHM.contains(&(got / want - 1.0)), "{name}: {got} px, independently {want} px");
    }
}
