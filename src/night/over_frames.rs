//! What the stars of a session's frames say together.

use crate::facts::Quantity;
use crate::facts::night::{NightMethod, NightMissing};
use crate::stars::FrameStars;
use crate::stats::{MEDIAN_TO_MEAN_ERROR, mean_and_std, median};

use super::lights::MeasuredLight;
use super::same_stars::kept_error;

/// Median over frames; its error holds the frame-to-frame scatter and the frames' own errors, whichever is larger.
pub fn over_frames(
    used: &[&MeasuredLight],
    pick: &dyn Fn(&FrameStars) -> Option<(f64, f64)>,
    what: NightMethod,
) -> Quantity {
    let known: Vec<(f64, f64)> = used.iter().filter_map(|l| pick(&l.stars)).collect();
    let values: Vec<f64> = known.iter().map(|k| k.0).collect();
    let Some(centre) = median(&values) else {
        return Quantity::not_measurable(NightMissing::NoUsableLight);
    };
    let n = values.len() as f64;
    let own = known.iter().map(|k| k.1 * k.1).sum::<f64>().sqrt() / n;
    let scatter = match values.len() {
        1 => 0.0,
        _ => MEDIAN_TO_MEAN_ERROR * mean_and_std(&values).map_or(0.0, |(_, s)| s * (n / (n - 1.0)).sqrt()) / n.sqrt(),
    };
    Quantity::measured(centre, own.max(scatter), what, values.len())
}

/// Ellipticity over the frames, with the error of the choice of stars that all of them share.
pub fn ellipticity(used: &[&MeasuredLight]) -> Quantity {
    let told = over_frames(used, &|s| s.ellipticity.pair(), NightMethod::EllipticityOverFrames);
    let known = || used.iter().map(|l| &l.stars).filter(|s| s.ellipticity.is_known());
    let (values, sigmas): (Vec<f64>, Vec<f64>) = known().filter_map(|s| s.ellipticity.pair()).unzip();
    let (Some((centre, sigma)), Some((_, spread))) = (told.pair(), mean_and_std(&values).filter(|_| values.len() > 1))
    else {
        return told;
    };
    let unmeasured = known().map(|s| 1.0 - s.ellipticity.n as f64 / s.star_count.max(1) as f64).sum::<f64>();
    let kept = kept_error(&sigmas, spread, unmeasured / values.len() as f64);
    Quantity::measured(centre, sigma.hypot(kept), told.method, told.n)
}

/// Direction that the frames share: the mean of doubled angles, weighted by nothing.
pub fn position_angle(used: &[&MeasuredLight]) -> Quantity {
    let angles: Vec<f64> = used.iter().filter_map(|l| l.stars.position_angle_deg.value).map(f64::to_radians).collect();
    if angles.is_empty() {
        return Quantity::not_measurable(NightMissing::NoSharedDirection);
    }
    let n = angles.len() as f64;
    let (c, s) = angles.iter().fold((0.0, 0.0), |(c, s), a| (c + (2.0 * a).cos() / n, s + (2.0 * a).sin() / n));
    let length = c.hypot(s);
    // Circular standard deviation of doubled angles, halved (Mardia & Jupp 2000, section 2.3; from memory).
    let spread = (-2.0 * length.max(1e-9).ln()).sqrt() / 2.0;
    // An even spread over all directions leaves a mean vector of about 1/sqrt(n).
    if n > 1.0 && length < 2.0 / n.sqrt() && length < 0.9 {
        return Quantity::not_measurable(NightMissing::DirectionChanges);
    }
    let degrees = (0.5 * s.atan2(c)).to_degrees().rem_euclid(180.0);
    Quantity::measured(degrees, spread.to_degrees() / n.sqrt(), NightMethod::DirectionOverFrames, used.len())
}
