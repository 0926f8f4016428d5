//! The rig of the simulated night, all of it invented: camera, telescope, target and site exist nowhere.

use jiff::civil::DateTime;

use super::{DarkLaw, Detector, FieldRecipe, HeaderCard, Turbulence, field};
use crate::folder::FrameKind;
use crate::units::ARCSEC_PER_RADIAN;

/// Frame size, px: small, so that the whole night takes seconds.
pub const WIDTH: usize = 600;
pub const HEIGHT: usize = 400;
/// Conversion gain, e- per ADU.
pub const GAIN_E_PER_ADU: f64 = 0.79;
/// Read noise, e- rms.
pub const READ_NOISE_E: f64 = 3.4;
/// Level without charge, ADU.
pub const OFFSET_ADU: f64 = 500.0;
/// Charge at which a pixel is full, e-: beyond the 51 400 e- at which the codes end.
const FULL_WELL_E: f64 = 60_000.0;
/// Relative scatter of the response to light and of the dark current of ordinary pixels.
const LIGHT_SCATTER: f64 = 0.008;
const DARK_SCATTER: f64 = 0.08;
/// Share of hot pixels, and their dark current as multiples of an ordinary pixel's.
pub const HOT_FRACTION: f64 = 0.001;
pub const HOT_LEAST: f64 = 20.0;
const HOT_MOST: f64 = 2000.0;
/// Dark current: near the 0.63 eV of half the silicon band gap, so that it doubles every 7.6 C at the reference.
pub const DARK_LAW: DarkLaw = DarkLaw { rate_e_per_px_s: 0.05, reference_celsius: 10.0, activation_ev: 0.63 };
/// Pixel pitch, um, and focal length, mm.
pub const PIXEL_UM: f64 = 3.8;
pub const FOCAL_MM: f64 = 480.0;
/// Clear aperture, mm: a refractor of f/6.
pub const APERTURE_MM: f64 = 80.0;
/// Outer scale of the turbulence, m (of the order that Martinez et al. 2010, A&A 516, A90 quote; from memory).
const OUTER_SCALE_M: f64 = 20.0;
/// Gaussian blur of everything else, px: charge diffusion, guiding.
const BLUR_SIGMA_PX: f64 = 0.45;
/// Illumination of the corners.
pub const CORNER_ILLUMINATION: f64 = 0.85;

const CAMERA: &str = "Quillfin 6";
const TELESCOPE: &str = "Sedgelight 480";
const TARGET: &str = "Thimblewick Nebula";
const SITE_LONGITUDE_DEG: f64 = 14.2;
const SITE_LATITUDE_DEG: f64 = 47.6;
const GAIN_SETTING: i64 = 120;
const OFFSET_SETTING: i64 = 50;

/// The stars of the target's field, rates behind the broad filter. The brightest possible saturates in a minute.
pub const FIELD: FieldRecipe = FieldRecipe {
    width: WIDTH,
    height: HEIGHT,
    border_px: 30.0,
    count: 260,
    least_e_per_s: 25.0,
    most_e_per_s: 12_000.0,
    slope: field::USUAL_SLOPE,
    least_separation_px: 14.0,
};

/// What air of `seeing_arcsec` and the telescope make of a star; the seeing is that of an endless outer scale.
pub fn star_image(seeing_arcsec: f64, wavelength_nm: f64) -> Turbulence {
    let wavelength_mm = wavelength_nm * 1e-6;
    let px_per_radian = FOCAL_MM / (PIXEL_UM * 1e-3);
    let air = Turbulence::kolmogorov(seeing_arcsec / ARCSEC_PER_RADIAN * px_per_radian);
    let r0_mm = wavelength_mm * px_per_radian / air.lambda_over_r0_px;
    Turbulence {
        outer_scale_over_r0: OUTER_SCALE_M * 1e3 / r0_mm,
        lambda_over_d_px: wavelength_mm / APERTURE_MM * px_per_radian,
        sigma_px: BLUR_SIGMA_PX,
        ..air
    }
}

/// The detector; `seed` decides which pixels are hot.
pub fn detector(seed: u64) -> Detector {
    let chip = Detector {
        width: WIDTH,
        height: HEIGHT,
        seed,
        gain_e_per_adu: GAIN_E_PER_ADU,
        read_noise_e: READ_NOISE_E,
        offset_adu: OFFSET_ADU,
        full_well_e: FULL_WELL_E,
        code_step: 1,
        light_scatter: LIGHT_SCATTER,
        dark_scatter: DARK_SCATTER,
        hot: Vec::new(),
    };
    chip.with_hot_pixels(HOT_FRACTION, HOT_LEAST, HOT_MOST)
}

/// The header of one frame. The thermometer reads to 0.1 C.
pub fn cards(kind: FrameKind, exposure_s: f64, celsius: f64, start: DateTime, filter: Option<&str>) -> Vec<HeaderCard> {
    let words = match kind {
        FrameKind::Dark => "Dark Frame",
        FrameKind::Bias => "Bias Frame",
        FrameKind::Flat => "Flat Field",
        _ => "Light Frame",
    };
    let mut cards = vec![
        HeaderCard::text("IMAGETYP", words, "kind of frame"),
        HeaderCard::real("EXPTIME", exposure_s, "exposure, s"),
        HeaderCard::text("DATE-OBS", &start.to_string(), "start of the exposure, UTC"),
        HeaderCard::text("INSTRUME", CAMERA, "camera (simulated)"),
        HeaderCard::real("CCD-TEMP", (celsius * 10.0).round() / 10.0, "sensor temperature, degrees C"),
        HeaderCard::whole("GAIN", GAIN_SETTING, "gain setting"),
        HeaderCard::whole("OFFSET", OFFSET_SETTING, "offset setting"),
        HeaderCard::real("XPIXSZ", PIXEL_UM, "pixel width, um"),
        HeaderCard::real("YPIXSZ", PIXEL_UM, "pixel height, um"),
        HeaderCard::whole("XBINNING", 1, "binning along x"),
        HeaderCard::whole("YBINNING", 1, "binning along y"),
    ];
    if let Some(filter) = filter {
        cards.push(HeaderCard::text("FILTER", filter, "filter"));
        cards.push(HeaderCard::text("TELESCOP", TELESCOPE, "telescope (simulated)"));
        cards.push(HeaderCard::real("FOCALLEN", FOCAL_MM, "focal length, mm"));
        cards.push(HeaderCard::real("APTDIA", APERTURE_MM, "clear aperture, mm"));
    }
    if kind == FrameKind::Light {
        cards.push(HeaderCard::text("OBJECT", TARGET, "target (simulated)"));
    }
    cards.push(HeaderCard::real("SITELONG", SITE_LONGITUDE_DEG, "longitude of the site, degrees east"));
    cards.push(HeaderCard::real("SITELAT", SITE_LATITUDE_DEG, "latitude of the site, degrees north"));
    cards
}
