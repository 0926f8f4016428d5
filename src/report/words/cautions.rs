//! Words for what warnings are about.

use super::header;
use super::night::correlated;
use crate::facts::night::NoiseOrigin;
use crate::facts::{Caution, FrameKind};

/// What is the matter and what helps.
pub(crate) fn caution(about: &Caution) -> String {
    match about {
        Caution::Sensor(of) => super::sensor::caution(of),
        Caution::Quoted { sentence, .. } => sentence.clone(),
        Caution::Header { first, frames_with_other_numbers: None } => header::caution(first),
        Caution::Header { first, frames_with_other_numbers: Some(frames) } => {
            format!("{}; {frames} frames of this night say so, with other numbers", header::caution(first))
        }
        Caution::KindContradicted { frames, told, seen } => kind_contradicted(*frames, *told, *seen),
        Caution::KindsWithoutCard { frames, stated, by_names, by_pixels } => {
            kinds_without_card(*frames, [*stated, *by_names, *by_pixels])
        }
        Caution::MosaicByPixels { frames, greens } => mosaic_by_pixels(*frames, greens),
        Caution::MosaicDenied { frames } => mosaic_denied(*frames),
        Caution::FiltersAlike { names } => filters_alike(names),
        Caution::SubFrames { lights, size_px, sensor_px, placed } => {
            sub_frames(*lights, [*size_px, *sensor_px], *placed)
        }
        Caution::DarkTemperatureAssumed { session_id, darks, drift_celsius, hot_ratio, warmer_celsius } => {
            dark_temperature_assumed(session_id, *darks, *drift_celsius, [*hot_ratio, *warmer_celsius])
        }
        Caution::ExposedBias { frames, exposure_s } => exposed_bias(*frames, *exposure_s),
        Caution::WidthsStepped { session_id, at, before_px, after_px } => {
            widths_stepped(session_id, at, [*before_px, *after_px])
        }
        Caution::CalibrationEpochs { epochs, first, last } => calibration_epochs(*epochs, first, last),
        Caution::CalibrationOld { lights, days } => calibration_old(*lights, *days),
        Caution::FocalRatio { focal_mm, aperture_mm } => focal_ratio(*focal_mm, *aperture_mm),
        Caution::UndefinedPixels => {
            "these frames hold undefined pixels (NaN, infinite or BLANK); they were left out".to_owned()
        }
        Caution::ColourPlanes => "three colour planes: interpolated, not raw; star widths are those of each plane, \
                                  their noise is not the sensor's"
            .to_owned(),
        Caution::ColourPattern => "the pixels show the green sites on the other diagonal than the colour pattern card \
                                   says; the pixels were followed (rig key `cfa` settles it)"
            .to_owned(),
        Caution::LossyCompression { coarsest_step_adu } => lossy_compression(*coarsest_step_adu),
        Caution::OffSetPoint { first, lights, limit_celsius } => format!(
            "from {first} on, the sensor of {lights} light(s) is more than {limit_celsius} C away from its set-point; \
             the measured temperature is used"
        ),
        Caution::CorrelatedNoise { lights, strongest } => format!(
            "{lights} light(s), the strongest of them: {}; stars are as sharp as the interpolation left them, and \
             levels and noise are not the sensor's: give the raw frames",
            correlated(strongest)
        ),
        Caution::PerhapsResampled { lights, strongest } => {
            let what_to_do = match strongest.origin {
                NoiseOrigin::Untold { bias: None } => "give two bias frames of the same camera and settings",
                _ => "if another program wrote these files, give those that the camera wrote",
            };
            format!(
                "{lights} light(s), the strongest of them: {}; were they resampled, widths, levels and noise would not \
                 be the sensor's: {what_to_do}",
                correlated(strongest)
            )
        }
        Caution::CorrelatedReadOut { lights, strongest } => {
            format!("{lights} light(s), the strongest of them: {}; nothing else follows from it", correlated(strongest))
        }
        Caution::HotPixelsOfLights { pixels, compared } => format!(
            "hot pixels that no darks tell: {pixels} were told by these lights themselves, {compared} of which show them at \
             one place while the stars moved; they count for no star. Fainter ones stay: give darks"
        ),
        Caution::Undated => "no usable DATE-OBS: these lights share a session without a date".to_owned(),
        Caution::NightByUtc => {
            "no site longitude (SITELONG) and no local time (DATE-LOC): the night's date is taken as \
                                if the site lay at Greenwich; rig key site_longitude_deg or utc_offset_h settles it"
                .to_owned()
        }
        Caution::NoiseUnexplained { session_id, finding } | Caution::NoiseDiffers { session_id, finding } => {
            format!("{session_id}: {finding}")
        }
        Caution::DarkMismatch { session_id, finding } => {
            format!("{session_id}: {finding} Darks at the lights' temperature, exposure and settings would match")
        }
    }
}

fn mosaic_by_pixels(frames: usize, greens: &str) -> String {
    format!(
        "the pixels are those of a colour mosaic ({frames} frames show it), though no BAYERPAT card says so: the greens lie at {greens} of \
         each cell and were measured; which of the other two is red is not known: the rig key `cfa` tells it, or says `none`"
    )
}

fn lossy_compression(coarsest_step_adu: f64) -> String {
    format!(
        "lossy-quantised: compression rounded these frames to steps of up to {coarsest_step_adu:.3} ADU; their noise floor includes \
         step^2/12, a standard deviation of {:.3} ADU that is not the sensor's",
        coarsest_step_adu / 12f64.sqrt()
    )
}

fn mosaic_denied(frames: usize) -> String {
    format!(
        "{frames} frames have a colour pattern in their headers, but the four sites of a cell see the same light in every flat: taken for those \
         of a monochrome sensor, or of summed cells; the rig key `cfa` settles it"
    )
}

fn sub_frames(lights: usize, [size, sensor]: [[usize; 2]; 2], placed: bool) -> String {
    let sides = |[wide, high]: [usize; 2]| format!("{wide} x {high} px");
    let place = match placed {
        true => "darks and flats were cut to their place on it",
        false => {
            "no card tells which (XORGSUBF and YORGSUBF, or DETSEC): what is true of the whole sensor was used, its hot pixels could not be \
             taken out"
        }
    };
    format!("{lights} lights show {} of the {} that their calibration frames show: {place}", sides(size), sides(sensor))
}

fn filters_alike(names: &str) -> String {
    format!("the filters {names} may be one: they were kept apart; give them one name in the headers if they are")
}

fn dark_temperature_assumed(
    session_id: &str,
    darks: usize,
    drift_celsius: f64,
    [hot_ratio, warmer]: [Option<f64>; 2],
) -> String {
    if let Some(ratio) = hot_ratio {
        return format!(
            "{session_id}: no card tells the sensor's temperature (CCD-TEMP); the lights' hot or shielded pixels have {ratio:.2} times the dark charge of those of \
             the {darks} darks of this night and exposure: assumed that all pixels follow them"
        );
    }
    if let Some(warmer) = warmer {
        return format!(
            "{session_id}: no card tells the sensor's temperature (CCD-TEMP); assumed: it was {warmer:+.1} C warmer than in the {darks} darks of this \
             night and exposure, as the air was, to {drift_celsius} C"
        );
    }
    format!(
        "{session_id}: no card tells the sensor's temperature (CCD-TEMP); assumed: the {darks} darks of this night and exposure are as \
         warm as the lights, to {drift_celsius} C"
    )
}

fn exposed_bias(frames: usize, exposure_s: f64) -> String {
    format!(
        "{frames} bias frames were exposed for up to {exposure_s} s: dark current is in their level and noise; take bias frames \
         of the shortest exposure"
    )
}

fn widths_stepped(session_id: &str, at: &str, [before_px, after_px]: [f64; 2]) -> String {
    format!(
        "{session_id}: at {at} UTC the star width went from {before_px:.2} to {after_px:.2} px in one step: the focus, or something else \
         that blurs the stars, was changed; the session's width stands for both stretches: measure them apart"
    )
}

fn kind_contradicted(frames: usize, told: FrameKind, seen: FrameKind) -> String {
    let why = match (told, seen) {
        (_, FrameKind::Light) => "hold stars",
        (FrameKind::Bias, FrameKind::Dark) => "are exposed, where others of the same camera are not",
        (_, FrameKind::Dark | FrameKind::DarkFlat | FrameKind::Bias) => "show no star and less light than the lights",
        _ => "are brightly and evenly lit and hold no stars",
    };
    format!(
        "{frames} frames say `{}` but {why}: taken for {}s; if they are something else, correct IMAGETYP in their headers or give their \
         folder with --light, --dark, --flat or --bias",
        told.label(),
        seen.label()
    )
}

/// What told the kinds of frames without a card of it: the user, names, pixels.
fn kinds_without_card(frames: usize, [stated, by_names, by_pixels]: [usize; 3]) -> String {
    let parts = [
        (stated, "what you stated"),
        (by_names, "the words in names of files and folders"),
        (by_pixels, "pixels and exposure"),
    ];
    let told: Vec<String> = parts.iter().filter(|(n, _)| *n > 0).map(|(n, how)| format!("{how} told {n}")).collect();
    format!(
        "{frames} frames have no card of their kind (IMAGETYP): {}; where that is wrong, give their folder with --light, --dark, --flat \
         or --bias, or patterns of paths under [kinds] in the rig file",
        told.join(", ")
    )
}

fn calibration_epochs(epochs: usize, first: &str, last: &str) -> String {
    format!(
        "bias and dark frames of one camera from {first} and from {last} lie half a year or more apart: they were taken for {epochs} \
         states of the camera, and each light goes with the nearest in time; the sensor's name says which"
    )
}

fn calibration_old(lights: usize, days: f64) -> String {
    format!(
        "{lights} light(s) lie up to {days:.0} days from the nearest bias or dark frame of their camera: hot pixels and dark current \
         change over such a time; take new ones"
    )
}

fn focal_ratio(focal_mm: f64, aperture_mm: f64) -> String {
    format!(
        "a focal length of {focal_mm} mm over an aperture of {aperture_mm} mm is f/{:.2}, which no telescope has: correct FOCALLEN or \
         APTDIA, or state `focal_mm` and `aperture_mm` in the rig file",
        focal_mm / aperture_mm
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::facts::night::Correlated;

    #[test]
    fn a_sentence_begins_with_the_count_of_its_frames_where_it_is_said_to() {
        let (told, seen) = (FrameKind::Light, FrameKind::Flat);
        let of = |origin| Correlated { strongest: 0.2, width_error_percent: 9.0, origin };
        let untold = |bias| Caution::PerhapsResampled { lights: 7, strongest: of(NoiseOrigin::Untold { bias }) };
        for about in [
            Caution::KindContradicted { frames: 7, told, seen },
            Caution::KindsWithoutCard { frames: 7, stated: 0, by_names: 5, by_pixels: 2 },
            Caution::CorrelatedNoise { lights: 7, strongest: of(NoiseOrigin::Processed { bias: 0.01 }) },
            Caution::CorrelatedReadOut { lights: 7, strongest: of(NoiseOrigin::ReadOut { bias: 0.14 }) },
            untold(None),
            untold(Some(0.14)),
            Caution::OffSetPoint { first: "a.fits".to_owned(), lights: 7, limit_celsius: 1.0 },
            Caution::CalibrationOld { lights: 7, days: 400.0 },
            Caution::UndefinedPixels,
            Caution::Undated,
        ] {
            assert_eq!(caution(&about).starts_with('7'), about.counts_its_frames(), "{about:?}");
        }
    }
}
