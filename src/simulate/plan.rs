//! The simulated night as planned: which frames, when, how warm, and what goes wrong.
//!
//! Uncooled sensor; flats at dusk, lights through a broad and then a narrow filter, bias, and on another evening darks
//! while the camera cools outdoors. One frame of the first session trails, one of the second was taken through cloud.
//! The lights are a sample of the night: they stand minutes apart, so that few files span hours of drift.

use std::path::PathBuf;

use jiff::SignedDuration;
use jiff::civil::{DateTime, date};
use rand::RngExt;
use rand_distr::StandardNormal;

use super::field::FieldShape;
use super::{StarImage, rig, stream};
use crate::folder::FrameKind;

/// One filter's part of the night.
pub struct Session {
    pub filter: &'static str,
    pub exposure_s: f64,
    /// Sky at the centre of the frame, e- per px and s.
    pub sky_e_per_px_s: f64,
    /// Share of the stars' light against the broad filter.
    pub transmission: f64,
    /// FWHM of the air alone, were its outer scale endless, arcsec, at the wavelength that the filter passes, nm.
    pub seeing_arcsec: f64,
    pub wavelength_nm: f64,
    /// Sensor temperature of the first and last light, degrees Celsius.
    pub celsius: [f64; 2],
    pub flat_exposure_s: f64,
    /// Which light trails and which is clouded.
    pub trailed: Option<usize>,
    pub clouded: Option<usize>,
    pub start: DateTime,
    /// From the start of one light to that of the next, s.
    pub every_s: f64,
}

const LIGHTS_PER_SESSION: usize = 10;
const FLATS_PER_SESSION: usize = 6;
const BIAS_COUNT: usize = 6;
/// Sensor temperatures of the darks and their exposures; each pair of settings gets two frames.
const DARK_CELSIUS: [f64; 4] = [21.0, 16.0, 11.0, 6.0];
const DARK_EXPOSURES_S: [f64; 3] = [60.0, 180.0, 300.0];
const DARKS_PER_SETTING: usize = 2;
/// Between two calibration frames, s, and between two temperatures of the darks.
const PAUSE_S: f64 = 12.0;
const COOLING_S: f64 = 2400.0;
/// Shortest exposure of the camera, s.
const BIAS_EXPOSURE_S: f64 = 0.001;
/// Charge of the first flat at the centre, e-: half of what 16 bit hold; each later flat is dimmer by this share.
const FLAT_E: f64 = 25_000.0;
const FLAT_DRIFT: f64 = 0.003;
/// Scatter of the dark frames' temperature about its nominal value, C, and of seeing from frame to frame, relative.
const CELSIUS_SCATTER: f64 = 0.15;
const SEEING_SCATTER: f64 = 0.05;
/// Largest dither along each axis, px.
const DITHER_PX: f64 = 6.0;
/// Elongation of ordinary frames and of the trailed one, whose stars also widen.
pub const GUIDING: f64 = 0.05;
const TRAIL: f64 = 0.45;
const TRAIL_GROWTH: f64 = 1.25;
/// Optics: relative growth of the width along both axes and from the centre to a corner, radial ellipticity at a corner.
pub const TILT: [f64; 2] = [0.03, -0.02];
pub const CURVATURE: f64 = 0.08;
pub const RADIAL: f64 = 0.08;
/// Cloud: share of starlight that passes, and how much more sky light it throws back.
const CLOUD_PASSES: f64 = 0.4;
const CLOUD_SKY: f64 = 1.7;

/// Both sessions in order of time.
pub fn sessions() -> [Session; 2] {
    let evening = date(2031, 10, 4);
    let clear = Session {
        filter: "Clear",
        exposure_s: 60.0,
        sky_e_per_px_s: 1.6,
        transmission: 1.0,
        seeing_arcsec: 3.8,
        wavelength_nm: 550.0,
        celsius: [19.0, 16.4],
        flat_exposure_s: 1.5,
        trailed: Some(6),
        clouded: None,
        start: evening.at(19, 0, 0, 0),
        every_s: 300.0,
    };
    let narrow = Session {
        filter: "H-alpha",
        exposure_s: 180.0,
        sky_e_per_px_s: 0.04,
        transmission: 0.08,
        seeing_arcsec: 3.0,
        wavelength_nm: 656.3,
        celsius: [16.2, 13.0],
        flat_exposure_s: 9.0,
        trailed: None,
        clouded: Some(7),
        start: evening.at(20, 0, 0, 0),
        every_s: 420.0,
    };
    [clear, narrow]
}

/// A frame of the plan, ready to be made.
pub struct Planned {
    pub path: PathBuf,
    pub kind: FrameKind,
    pub start: DateTime,
    pub celsius: f64,
    pub exposure_s: f64,
    pub filter: Option<&'static str>,
    /// Light at the centre, e- per px and s.
    pub sky_e_per_px_s: f64,
    pub sight: Option<Sight>,
}

/// How a light frame sees the stars.
pub struct Sight {
    pub session: usize,
    pub shape: FieldShape,
    pub dither_px: [f64; 2],
    pub effective_s: f64,
    pub fault: Option<&'static str>,
}

/// All frames in the order of time.
pub fn plan(seed: u64) -> Vec<Planned> {
    let mut rng = stream(seed, 0);
    let mut normal = || rng.sample::<f64, _>(StandardNormal);
    let mut frames = Vec::new();
    let mut dusk = date(2031, 10, 4).at(17, 40, 0, 0);
    for session in &sessions() {
        for i in 0..FLATS_PER_SESSION {
            let level_e = FLAT_E * (1.0 - FLAT_DRIFT * i as f64);
            frames.push(Planned {
                path: format!("flats/{}/flat-{:02}.fits", session.filter, i + 1).into(),
                kind: FrameKind::Flat,
                start: dusk,
                celsius: 19.6,
                exposure_s: session.flat_exposure_s,
                filter: Some(session.filter),
                sky_e_per_px_s: level_e / session.flat_exposure_s,
                sight: None,
            });
            dusk = later(dusk, session.flat_exposure_s + PAUSE_S);
        }
    }
    for (number, session) in sessions().iter().enumerate() {
        for i in 0..LIGHTS_PER_SESSION {
            frames.push(light(number, session, i, &mut normal));
        }
    }
    let mut after = date(2031, 10, 4).at(21, 30, 0, 0);
    for i in 0..BIAS_COUNT {
        frames.push(unlit(FrameKind::Bias, format!("bias/bias-{:02}.fits", i + 1), after, 12.8, BIAS_EXPOSURE_S));
        after = later(after, PAUSE_S);
    }
    // Darks come from another evening that began warmer and ended colder.
    let mut dark_start = date(2031, 10, 9).at(17, 0, 0, 0);
    for nominal in DARK_CELSIUS {
        for exposure_s in DARK_EXPOSURES_S {
            for i in 0..DARKS_PER_SETTING {
                let celsius = nominal + CELSIUS_SCATTER * normal();
                let name = format!("darks/{nominal:02.0}C/dark-{exposure_s:03.0}s-{}.fits", i + 1);
                frames.push(unlit(FrameKind::Dark, name, dark_start, celsius, exposure_s));
                dark_start = later(dark_start, exposure_s + PAUSE_S);
            }
        }
        dark_start = later(dark_start, COOLING_S);
    }
    frames
}

fn later(time: DateTime, seconds: f64) -> DateTime {
    time.saturating_add(SignedDuration::from_millis((seconds * 1000.0).round() as i64))
}

fn unlit(kind: FrameKind, path: String, start: DateTime, celsius: f64, exposure_s: f64) -> Planned {
    Planned { path: path.into(), kind, start, celsius, exposure_s, filter: None, sky_e_per_px_s: 0.0, sight: None }
}

fn light(number: usize, session: &Session, i: usize, normal: &mut impl FnMut() -> f64) -> Planned {
    let (trailed, clouded) = (session.trailed == Some(i), session.clouded == Some(i));
    let along = i as f64 / (LIGHTS_PER_SESSION - 1) as f64;
    let seeing = session.seeing_arcsec * (1.0 + SEEING_SCATTER * normal());
    let image = rig::star_image(seeing, session.wavelength_nm);
    let mut dither = || (DITHER_PX * 0.5 * normal()).clamp(-DITHER_PX, DITHER_PX);
    let dither_px = [dither(), dither()];
    let shape = FieldShape {
        fwhm_px: image.fwhm_px() * if trailed { TRAIL_GROWTH } else { 1.0 },
        tilt: TILT,
        curvature: CURVATURE,
        radial_ellipticity: RADIAL,
        guiding_ellipticity: if trailed { TRAIL } else { GUIDING },
        guiding_angle_rad: 0.3,
        image: StarImage::Turbulence(image),
    };
    let passes = if clouded { CLOUD_PASSES } else { 1.0 };
    Planned {
        path: format!("lights/{}/light-{:02}.fits", session.filter, i + 1).into(),
        kind: FrameKind::Light,
        start: later(session.start, i as f64 * session.every_s),
        celsius: session.celsius[0] + along * (session.celsius[1] - session.celsius[0]),
        exposure_s: session.exposure_s,
        filter: Some(session.filter),
        sky_e_per_px_s: session.sky_e_per_px_s * if clouded { CLOUD_SKY } else { 1.0 },
        sight: Some(Sight {
            session: number,
            shape,
            dither_px,
            effective_s: session.exposure_s * session.transmission * passes,
            fault: if trailed { Some("trailed") } else { clouded.then_some("clouded") },
        }),
    }
}
