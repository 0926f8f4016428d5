//! Star measurement on real frames, against values measured independently with astropy and scipy.

use skygrain::fits::ImageFile;
use skygrain::frame::Lattice;
use skygrain::stars::{MeasureOptions, measure};

/// Agreement asked of the width on real frames: other stars and another weighting enter the independent values.
const REAL_FWHM: f64 = 0.04;

// Independent values: Moffat fits with 5 x 5 sub-pixels to isolated unsaturated stars (scipy), geometric mean, before
// the pixel; from the README beside the frames.
#[test]
fn widths_of_a_globular_cluster_night_agree_with_independent_fits() {
    let Some(folder) = crate::real_frames("cluster-night widths") else { return };
    let expected = [
        ("M13_sdss_g_20190503_090311", 3.66),
        ("M13_sdss_g_20190503_091520", 3.61),
        ("M13_sdss_r_20190503_084324", 3.42),
        ("M13_sdss_r_20190503_085306", 3.25),
        ("M13_sdss_r_20190503_091741", 3.46),
    ];
    for (name, want) in expected {
        let path = folder.join("cluster-night").join(format!("{name}.fits.gz"));
        let image = ImageFile::open(&path).unwrap().pixels().unwrap();
        let options = MeasureOptions { lattice: Lattice::All, e_per_adu: Some(1.298), saturation_adu: None };
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
        assert!((got / want - 1.0).abs() < REAL_FWHM, "{name}: {got} px, independently {want} px");
    }
}
