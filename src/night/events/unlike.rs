//! Lights that cloud or lost focus sets apart from their session, or whose images are not its stars.

use super::course::Course;
use crate::facts::LeftOut;
use crate::facts::left_out::CloudSign;
use crate::stats::median;

/// Share of the session's median star count or star flux below which a light was taken through cloud.
const CLOUDED_SHARE: f64 = 0.5;
/// Width against the session's median from which a light does not stand for the session.
const WIDE_FACTOR: f64 = 1.6;

pub fn left_out(course: &Course) -> Vec<Option<LeftOut>> {
    let mut why = vec![None; course.lights.len()];
    let members: Vec<usize> = (0..why.len()).filter(|i| course.lights[*i].excluded.is_none()).collect();
    let stars = |i: usize| &course.lights[i].stars;
    let middle = |value: &dyn Fn(usize) -> f64| {
        median(&members.iter().map(|i| value(*i)).collect::<Vec<_>>()).unwrap_or(f64::NAN)
    };
    let count = middle(&|i| stars(i).star_count as f64);
    let width = middle(&|i| stars(i).fwhm_px.value.unwrap_or(f64::NAN));
    let flux = middle(&|i| stars(i).bright_flux_adu.unwrap_or(f64::NAN));
    for i in members {
        let stars = stars(i);
        let wide = stars.fwhm_px.value.unwrap_or(f64::NAN);
        why[i] = if (stars.star_count as f64) < CLOUDED_SHARE * count {
            Some(LeftOut::Clouded(CloudSign::FewStars { stars: stars.star_count, session_stars: count }))
        } else if stars.bright_flux_adu.is_some_and(|f| f < CLOUDED_SHARE * flux) {
            let percent_of_session = 100.0 * stars.bright_flux_adu.unwrap_or(0.0) / flux;
            Some(LeftOut::Clouded(CloudSign::FaintStars { percent_of_session }))
        } else if wide > WIDE_FACTOR * width {
            Some(LeftOut::Soft { fwhm_px: wide, session_fwhm_px: width })
        } else if wide < width / WIDE_FACTOR {
            Some(LeftOut::OtherThanStars { fwhm_px: wide, session_fwhm_px: width })
        } else {
            None
        };
    }
    why
}
