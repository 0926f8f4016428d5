//! How the values of a sensor came to be.

use super::dark;
use crate::facts::sensor::SensorMethod;

const LIKELIEST_NOISE: &str =
    "pairs of bias frames, likeliest normal noise behind rounding and clipping to codes; n counts pairs";
const SIGNAL_AND_NOISE: &str =
    "signal that equals its own noise in one pixel of one frame without dark charge (EMVA 1288)";
const TRANSFER_LINE: &str =
    "photon transfer: pairs of flats brought to equal level, tile by tile, bias pairs taken off; n counts pairs";
const TRANSFER_CURVE: &str = "photon transfer: variance against signal of level-matched pairs of flats, tile by tile, \
                              with a curvature; n counts pairs";
const TRANSFER_ON_SKY: &str =
    "photon transfer on the sky of pairs of lights, quietest tiles, bias pairs taken off; n counts pairs";
const BETWEEN: &str = "between the last level on the photon transfer curve and the first below it; n counts levels";
const FLAT_COVARIANCE: &str =
    "covariance of the two flats of the pair nearest to half of saturation, within tiles; n counts tiles";

/// How a value came to be.
pub(crate) fn method(method: &SensorMethod) -> String {
    use SensorMethod as M;
    let words = match method {
        M::BiasPairDifference => "pairs of bias frames, difference over sqrt 2, step^2/12 taken off; n counts pairs",
        M::LikeliestNoiseOfBiasPairs => LIKELIEST_NOISE,
        M::LimitFromBiasPairs => "pairs of bias frames; n counts pairs",
        M::ScatterWithinOneBias => "scatter within one bias frame",
        M::CensoredHistogramOfOneBias => {
            "normal law behind the censored histogram of one bias frame, fixed pattern included"
        }
        M::ScatterOfRowMeans => return scatter_of_means("row"),
        M::ScatterOfColumnMeans => return scatter_of_means("column"),
        M::CovarianceOfBiasPairs => "covariance of the two frames of bias pairs within tiles; n counts pairs",
        M::MeanOfBiasLevels => {
            "mean of the frames' clipped means, sigma is the wander of one frame; n counts bias frames"
        }
        M::ScatterOfBiasLevels => {
            "scatter of the levels of bias frames of one temperature; n counts degrees of freedom"
        }
        M::PixelScatterOverBiases => {
            "scatter of each pixel over the bias frames, their levels brought together; n counts frames"
        }
        M::FourthMomentOfBiasPairs => "fourth moment of the differences of bias pairs within 10 sigma; n counts pairs",
        M::NeighboursInBiasPairs => {
            "differences of bias frames at 1 and 4 pixels, the pair with the largest; n counts pairs"
        }
        M::NeighboursInOneBias => "one bias frame at 1 and 4 pixels, fixed pattern included; n counts frames",
        M::ReadNoiseTimesGain => "read noise in ADU times gain",
        M::SignalThatEqualsItsNoise => SIGNAL_AND_NOISE,
        M::BiasPairsOfQuadrant => "pairs of bias frames within the quadrant; n counts tiles",
        M::PileUpOfFlats => "code at which the pixels of flats pile up",
        M::PileUpOfLights => "code at which the brightest pixels of the lights pile up, median over those that show it",
        M::ShareOfSixteenBits { share } => return format!("{:.0} % of the 16-bit range", 100.0 * share),
        M::PhotonTransferLine => TRANSFER_LINE,
        M::PhotonTransferCurve => TRANSFER_CURVE,
        M::PhotonTransferOnSky => TRANSFER_ON_SKY,
        M::OneFlatPair => "one pair of flats against bias pairs, cell by cell; n counts cells",
        M::CurveAtNoSignal => "curve through the flats alone, at no signal; n counts pairs",
        M::BetweenCurveAndFirstBelow => BETWEEN,
        M::FullWellTimesGain => "signal at which the variance falls short, times gain",
        M::CovarianceOfFlatPair => FLAT_COVARIANCE,
        M::SurfaceThroughMeanFlat => "surface through the mean flat above bias; n counts cells",
        M::SlopeOfDarkLevel => "slope of the mean level against exposure; n counts darks",
        M::DarkLevelAboveBias => "level above bias over exposure; n counts darks",
        M::SlopeOfDarkVariance => "slope of the temporal variance of pairs against exposure; n counts pairs",
        M::DarkLaw(model) => return dark::model(model),
        M::DarkLawAtReference => "fitted law at the reference; n counts temperatures",
        M::StepOfDarkLaw => "ln2 / (d ln D / dT) of the fitted law at the reference; n counts temperatures",
        M::StepOfActivatedPart => "ln2 k T^2 / Ea of the activated part; n counts temperatures",
        M::ActivationEnergyOfFit => "weighted fit in linear space; n counts temperatures",
        M::FloorOfFit => "fitted with the law",
        M::CarriedByDoublingStep => "rate at the reference temperature carried by the doubling step",
        M::PublishedDoublingSteps => "typical of published sensors",
        M::SlopeOfGlow => "slope of the excess against exposure; n counts darks",
        M::GlowWithoutExposure => "excess over the bias at no exposure; n counts darks",
        M::DeviationOfMeanDark => "spatial deviation of the mean dark, temporal noise taken off; n counts darks",
        M::PixelsLeftOutOfDarkRate => "pixels above the limit of the mean dark rate, over all",
        M::MeanOfAllLessOrdinary => "mean rate of all pixels less that of the pixels within the limit",
        M::HotPixelsByRate { above_typical_e_per_s } => return by_rate(*above_typical_e_per_s),
        M::HotPixelsOfLongestDark { times_typical, noise_sigmas } => {
            return of_longest_dark(*times_typical, *noise_sigmas);
        }
        M::HotPixelsAgainstTemperature => "fixed set of hot pixels, summed rates against temperature; n counts pixels",
    };
    words.to_owned()
}

fn scatter_of_means(lines: &str) -> String {
    format!("scatter of the {lines} means of bias pairs beyond what pixel noise explains; n counts pairs")
}

fn by_rate(above: f64) -> String {
    format!("share of pixels whose dark rate lies {above:.2} e-/s above the typical one or more; n counts pixels")
}

fn of_longest_dark(times_typical: f64, noise_sigmas: f64) -> String {
    format!(
        "share of pixels of the longest dark above {times_typical:.0} times the typical level and above \
         {noise_sigmas:.0} times the noise; n counts pixels"
    )
}
