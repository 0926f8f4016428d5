//! Real frames that the catalogue cannot tell: too few of its stars lie in a field of 11 arcmin.

use skygrain::fits::ImageFile;
use skygrain::folder::read_header;
use skygrain::frame::Lattice;
use skygrain::sky::{Catalogue, Direction, Frame, NoMatch, Source, match_sky};
use skygrain::stars::{MeasureOptions, measure};

use crate::real_frames;

/// Stars to VT 12 in the frame, counted in the list with astropy's WCS of the first frame: 4.
const MOST_IN_FRAME: usize = 5;

#[test]
fn real_frames_of_a_small_field_are_refused_with_the_reason() {
    let Some(folder) = real_frames("real_frames_of_a_small_field_are_refused_with_the_reason") else { return };
    let catalogue = Catalogue::shipped().expect("built with the catalogue");
    for name in ["M13_sdss_g_20190503_090311", "M13_sdss_r_20190503_084324"] {
        let mut image = ImageFile::open(&folder.join(format!("cluster-night/{name}.fits.gz"))).unwrap();
        let header = read_header(&image.cards().unwrap());
        let options =
            MeasureOptions { lattice: Lattice::All, e_per_adu: Some(1.3), saturation_adu: None, diffraction: None };
        let places = measure(&image.pixels().unwrap().planes[0], &options).unwrap().places;
        let sources: Vec<Source> =
            places.iter().map(|p| Source { x_px: p.x_px, y_px: p.y_px, sigma_px: p.sigma_px }).collect();
        let pointings: Vec<Direction> =
            header.pointings.iter().map(|p| Direction::from_degrees(p.value.ra_deg, p.value.dec_deg)).collect();
        assert!(pointings.len() >= 2, "CRVAL and RA: {pointings:?}");
        let frame = Frame {
            sources: &sources,
            size_px: [1024, 1024],
            pointings: &pointings,
            scale_arcsec_per_px: header.wcs_arcsec_per_px.map(|w| w.value),
        };
        match match_sky(Some(&catalogue), &frame) {
            Err(NoMatch::SparseField { stars, .. }) => assert!(stars <= MOST_IN_FRAME, "{stars}"),
            other => panic!("{name}: {other:?}"),
        }
    }
}
