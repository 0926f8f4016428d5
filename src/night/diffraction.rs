//! What a header tells of the telescope's diffraction on the sensor.

use crate::folder::FrameHeader;
use crate::stars::Diffraction;
use crate::units::ARCSEC_PER_RADIAN;
use crate::verdict::image_scale;
use crate::verdict::seeing::QUOTED_WAVELENGTH_NM;

/// Middle of what filters of these names let through, nm; emission lines from the air wavelengths of their atoms (NIST Atomic
/// Spectra Database, from memory), bands as their names are used (common practice, no source). Others count as the visual band.
const FILTERS: [(&[&str], f64); 11] = [
    (&["ha", "halpha", "h-alpha", "h alpha", "hydrogen"], 656.3),
    (&["oiii", "o3", "o-iii", "oxygen"], 500.7),
    (&["sii", "s2", "s-ii", "sulfur", "sulphur"], 672.4),
    (&["nii", "n2", "n-ii"], 658.4),
    (&["hb", "hbeta", "h-beta"], 486.1),
    (&["u", "sdss_u", "u'"], 360.0),
    (&["b", "blue"], 450.0),
    (&["g", "sdss_g", "g'"], 520.0),
    (&["r", "red", "sdss_r", "r'", "rp"], 630.0),
    (&["i", "sdss_i", "i'", "ip", "ir"], 770.0),
    (&["z", "sdss_z", "z'"], 900.0),
];

/// Middle wavelength of a filter, nm.
fn wavelength_nm(filter: Option<&str>) -> f64 {
    let name = filter.unwrap_or_default().trim().to_lowercase();
    let known = FILTERS.iter().find(|(names, _)| names.contains(&name.as_str()));
    known.map_or(QUOTED_WAVELENGTH_NM, |(_, nm)| *nm)
}

/// Diffraction of a telescope whose aperture and image scale the header tells; `None` where it does not.
pub fn diffraction(header: &FrameHeader) -> Option<Diffraction> {
    let possible = |a: &f64| *a > 0.0 && !header.has_impossible_focal_ratio();
    let aperture_mm = header.aperture_mm.as_ref().map(|a| a.value).filter(possible)?;
    let arcsec_per_px = image_scale(header).value.filter(|s| *s > 0.0)?;
    let wavelength_mm = 1e-6 * wavelength_nm(header.filter.as_ref().map(|f| f.value.as_str()));
    Some(Diffraction {
        wave_px: wavelength_mm / aperture_mm * ARCSEC_PER_RADIAN / arcsec_per_px,
        obstruction: header.obstruction.as_ref().map(|o| o.value),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn filters_are_known_by_their_whole_names() {
        for (name, nm) in
            [("Ha", 656.3), ("H-alpha", 656.3), ("OIII", 500.7), ("Red", 630.0), ("Clear", 550.0), ("hazy", 550.0)]
        {
            assert_eq!(wavelength_nm(Some(name)), nm, "{name}");
        }
        assert_eq!(wavelength_nm(None), 550.0);
    }
}
