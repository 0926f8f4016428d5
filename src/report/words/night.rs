//! Words for files, frames and sessions.

use crate::facts::night::{Correlated, NightMethod, NightMissing, NightNote, NoiseOrigin};
use crate::format::with_sigma;

/// How a value came to be.
pub(crate) fn method(method: &NightMethod) -> String {
    match method {
        NightMethod::MedianOverFrames => "median over the frames".to_owned(),
        NightMethod::StarImageOverFrames => "star image before the pixel, median over the frames".to_owned(),
        NightMethod::RecordedStarImageOverFrames => "star image as recorded, median over the frames".to_owned(),
        NightMethod::EllipticityOverFrames => "1 - minor/major, median over the frames".to_owned(),
        NightMethod::DirectionOverFrames => "mean direction over the frames, from +x towards +y".to_owned(),
        NightMethod::CardOverLights { card } => format!("median of {card} over the lights"),
        NightMethod::WidthTimesScale => "FWHM in px times image scale".to_owned(),
        NightMethod::SkyAboveBiasAndDark => {
            "median sky level above bias and dark, times gain, over the exposure".to_owned()
        }
        NightMethod::NoiseOfNeighbours => {
            "sky noise of neighbouring pixels of one colour, from differences at 1 and 4 pixels".to_owned()
        }
    }
}

/// Why a value is missing: a clause that goes on from "because".
pub(crate) fn missing(missing: &NightMissing) -> String {
    match missing {
        NightMissing::NoLight => "no light".to_owned(),
        NightMissing::NoUsableLight => {
            "no light of this session could be used; the list of files says why for each".to_owned()
        }
        NightMissing::PlaneWithoutValidPixels => "no valid pixels in this plane".to_owned(),
        NightMissing::NoSharedDirection => {
            "in no frame do the stars share a direction of elongation above its error".to_owned()
        }
        NightMissing::DirectionChanges => "the direction of elongation changes from frame to frame".to_owned(),
        NightMissing::NoTemperatureCard => {
            "no card CCD-TEMP, DET-TEMP or SET-TEMP in the lights; rig key sensor_celsius supplies it".to_owned()
        }
        NightMissing::LightTemperature => {
            "the sensor temperature of the lights is not known (CCD-TEMP, or rig key sensor_celsius)".to_owned()
        }
        NightMissing::LightExposure => "the exposure time of the lights is not known (card EXPTIME)".to_owned(),
    }
}

/// What goes with a value.
pub(crate) fn note(note: &NightNote) -> String {
    let resampled = |n: usize, lights: usize| format!("{n} of {lights} lights were resampled or denoised");
    match note {
        NightNote::WidthsResampled { resampled: n, lights } => {
            format!("{}: the interpolation's blur is in it", resampled(*n, *lights))
        }
        NightNote::LevelsResampled { resampled: n, lights } => format!(
            "{}: their levels need not be the sensor's, nor the noise that follows from them",
            resampled(*n, *lights)
        ),
        NightNote::PerhapsResampled { perhaps, lights } => format!(
            "the noise of neighbouring pixels is correlated in {perhaps} of {lights} lights: by the camera itself, or \
             because they were resampled and the interpolation's blur is in it"
        ),
        NightNote::CorrelatedNoise(of) => correlated(of),
        NightNote::SetPoint => "the set-point of the cooler, not a measured temperature".to_owned(),
        NightNote::StarsGiveOtherScale { arcsec_per_px, sigma_arcsec_per_px, percent } => format!(
            "the stars themselves give {} arcsec/px, {percent:+.1} % from it",
            with_sigma(*arcsec_per_px, *sigma_arcsec_per_px)
        ),
        NightNote::DarkCurrentStillInIt => "dark current is not known and is still in it".to_owned(),
    }
}

/// What a correlation of the noise means for a frame's numbers.
pub(crate) fn correlated(of: &Correlated) -> String {
    let Correlated { strongest, width_error_percent, origin } = of;
    let why = match origin {
        NoiseOrigin::Processed { bias } => {
            format!("the frame was resampled or denoised, for the camera's bias frames have {bias:.2}")
        }
        NoiseOrigin::Untold { bias: None } => "the frame may have been resampled or denoised, or the camera's own \
                                               read-out does it, which bias frames of the camera would tell"
            .to_owned(),
        NoiseOrigin::Untold { bias: Some(bias) } => format!(
            "the camera's bias frames have {bias:.2}, so its own read-out may do it, or the frame was resampled or \
             denoised, which a light as the camera wrote it would tell"
        ),
        NoiseOrigin::ReadOut { bias } => {
            format!("that is the camera's own read-out, for its bias frames have {bias:.2}")
        }
    };
    format!(
        "noise of neighbouring pixels is correlated by {strongest:.2}: {why}; errors of widths are too small by about \
         {width_error_percent:.0} %"
    )
}
