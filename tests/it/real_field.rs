//! Star images over the frame on real frames.

use skygrain::fits::ImageFile;
use skygrain::frame::Lattice;
use skygrain::report::WordedField;
use skygrain::stars::field::{Cause, FieldFrame, FieldOptics, field};
use skygrain::stars::{MeasureOptions, Star, measure};

fn stars(folder: &std::path::Path, name: &str) -> (Vec<Star>, [usize; 2]) {
    let path = folder.join("cluster-night").join(format!("{name}.fits.gz"));
    let image = ImageFile::open(&path).unwrap().pixels().unwrap();
    let options =
        MeasureOptions { lattice: Lattice::All, e_per_adu: Some(1.298), saturation_adu: None, diffraction: None };
    let (rows, columns) = image.planes[0].dim();
    (measure(&image.planes[0], &options).unwrap().stars, [columns, rows])
}

// The README beside the frames: major and minor axes of 4.24 and 3.14 px in the first g frame, an ellipticity of 0.26
// (Moffat fits by other means), which tracking causes: all stars share it.
#[test]
fn real_tracking_is_told_from_a_radial_pattern() {
    let Some(folder) = crate::real_frames("cluster-night field") else { return };
    let (first, size) = stars(&folder, "M13_sdss_g_20190503_090311");
    let one = WordedField::from(field(&[FieldFrame { stars: &first, size }], FieldOptics::default()));
    eprintln!("first g frame, {} stars: {}", one.stars, one.sentence);
    assert_eq!(one.causes.first(), Some(&Cause::Guiding), "{}", one.sentence);
    let shared = one.constant_ellipticity.value.unwrap();
    // Their sample of stars is another one, and medians of axes are not the ellipticity of a mean.
    assert!((shared - 0.26).abs() < 0.05, "{shared}");
    assert!(one.radial_ellipticity.value.unwrap().abs() < 0.3 * shared, "{}", one.sentence);
    let (second, _) = stars(&folder, "M13_sdss_g_20190503_091520");
    let both = WordedField::from(field(
        &[FieldFrame { stars: &first, size }, FieldFrame { stars: &second, size }],
        FieldOptics { um_per_px: Some(13.0), focal_ratio: None },
    ));
    eprintln!("both g frames: {}", both.sentence);
    assert!(both.surface.is_some());
}
