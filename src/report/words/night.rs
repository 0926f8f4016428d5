//! Words for files, frames and sessions.

use crate::facts::night::{Correlated, NightMethod, NightMissing, NightNote, NoiseLooks, NoiseOrigin};
use crate::format::with_sigma;

/// How a value came to be.
pub(crate) fn method(method: &NightMethod) -> String {
    match method {
        NightMethod::MedianOverFrames => "median over the frames".to_owned(),
        NightMethod::StarImageOverFrames => "star image before the pixel, median over the frames".to_owned(),
        NightMethod::ColourSitesOverFrames => "star image on the sites of that colour, median over the frames".to_owned(),
        NightMethod::RecordedStarImageOverFrames => "star image as recorded, median over the frames".to_owned(),
        NightMethod::EllipticityOverFrames => "1 - minor/major, median over the frames".to_owned(),
        NightMethod::DirectionOverFrames => "mean direction over the frames, from +x towards +y".to_owned(),
        NightMethod::CardOverLights { card } => format!("median of {card} over the lights"),
        NightMethod::WidthTimesScale => "FWHM in px times image scale".to_owned(),
        NightMethod::DarksOfTheNight => {
            "rate of the darks of the lights' night and exposure; n counts darks".to_owned()
        }
        NightMethod::DarksByShieldedPixels => {
            "rate of the darks of the lights' night and exposure, times the dark charge of the lights' shielded pixels over theirs; n counts darks"
                .to_owned()
        }
        NightMethod::DarksByHotPixels => {
            "rate of the darks of the lights' night and exposure, times the brightness of the hot pixels of the lights over theirs; n \
             counts darks"
                .to_owned()
        }
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
        NightMissing::ScaleDeniedByStars { arcsec_per_px, fwhm_arcsec, least_arcsec } => format!(
            "at the stated scale of {arcsec_per_px:.4} arcsec/px these stars would be {fwhm_arcsec:.2} arcsec wide, sharper than the \
             {least_arcsec:.2} arcsec that air or aperture leave any star: focal length, pixel size, binning or aperture is misstated"
        ),
        NightMissing::NoiseUnexplained { measured_adu, predicted_adu, looks_like } => format!(
            "these lights are not what gain, bias and read noise make of a raw frame (noise of a sky pixel {}, expected at \
             their level {}): {}",
            adu(*measured_adu),
            adu(*predicted_adu),
            looks(looks_like)
        ),
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
        NightNote::ScaleOfSister => "measured in another session of this night, camera and telescope".to_owned(),
        NightNote::StarsGiveOtherScale { arcsec_per_px, sigma_arcsec_per_px, percent } => format!(
            "the stars themselves give {} arcsec/px, {percent:+.1} % from it",
            with_sigma(*arcsec_per_px, *sigma_arcsec_per_px)
        ),
        NightNote::DarksAtLightsTemperature { warmer_celsius: None, drift_celsius } => format!(
            "assumed: no card tells the temperature (CCD-TEMP), and the darks of this night and exposure were taken for as warm as the \
             lights, to {drift_celsius} C"
        ),
        NightNote::DarksAtLightsTemperature { warmer_celsius: Some(warmer), drift_celsius } => format!(
            "assumed: no card tells the sensor's temperature (CCD-TEMP); the air was {warmer:+.1} C warmer for the lights than for the darks of this \
             night and exposure, and the sensor was taken to follow it, to {drift_celsius} C"
        ),
        NightNote::ShieldedPixelsOverDarks { ratio, sigma } => format!(
            "assumed: no card tells the temperature (CCD-TEMP); the lights' shielded pixels have {} times the dark charge of those of the darks of \
             this night and exposure, and all others were taken to follow them",
            with_sigma(*ratio, Some(*sigma))
        ),
        NightNote::HotPixelsOverDarks { ratio, sigma } => format!(
            "assumed: no card tells the temperature (CCD-TEMP); the lights' hot pixels are {} times as bright as those of the darks of this night \
             and exposure, and all others were taken to follow them",
            with_sigma(*ratio, Some(*sigma))
        ),
        NightNote::DarkCurrentStillInIt => "dark current is not known and is still in it".to_owned(),
    }
}

/// A noise with three digits.
fn adu(value: f64) -> String {
    let digits = (2 - value.abs().max(1e-9).log10().floor() as i32).clamp(0, 8) as usize;
    format!("{value:.digits$} ADU")
}

/// What lights look like whose noise is not that of their level, and what to do.
pub(crate) fn looks(of: &NoiseLooks) -> String {
    let raw = "give the frames as the camera wrote them";
    match of {
        NoiseLooks::ScaledToOne => format!("their numbers run from 0 to 1, so they were scaled; {raw}"),
        NoiseLooks::Resampled => {
            format!("the noise of neighbouring pixels is correlated, so they were resampled or denoised; {raw}")
        }
        NoiseLooks::OffsetTakenOff => {
            format!("they look as if bias or dark frames had been taken off them already; {raw}")
        }
        NoiseLooks::BelowBias => {
            "they are darker than the bias frames: another offset, another camera, or bias taken off already; \
                                  give bias frames of the lights' camera and settings"
                .to_owned()
        }
        NoiseLooks::Averaged { frames } => format!(
            "they are as quiet as a mean of {frames:.1} frames, or as frames that were denoised or scaled down; {raw}"
        ),
        NoiseLooks::OtherOffset { bias_adu } => format!(
            "they look as if taken with another offset: with a bias level of about {bias_adu:.0} ADU they would fit; give bias frames of the \
             lights' camera and settings"
        ),
        NoiseLooks::OtherGain { e_per_adu } => format!(
            "they look as if taken at another gain, about {e_per_adu:.2} e⁻/ADU, with another camera than the flats, or stretched; give \
             flats and bias frames of the lights' camera and settings"
        ),
        NoiseLooks::Processed => {
            format!("their numbers lie between the codes of a camera, so they were processed; {raw}")
        }
        NoiseLooks::Mixed => {
            "some of these lights are noisier or quieter than the others at their level: taken at other settings, \
                              with another camera, or processed; sort them out"
                .to_owned()
        }
        NoiseLooks::Untold => {
            "gain, offset or camera differ from those of the calibration frames, or the lights were processed; \
                               compare their settings"
                .to_owned()
        }
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
