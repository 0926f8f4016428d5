//! What drawn-out stars cost a light in width, and whether its session does without it.
//!
//! An image drawn out to an axis ratio q is `1 / sqrt(q)` times as wide, by the mean of both axes, as along its shorter
//! one. A light is left out where that costs more beyond its session's own than seeing and focus scatter from light to
//! light: a wider one would then hardly be told from a night of other seeing. Where all lights are drawn out alike, none is.

use crate::facts::LeftOut;
use crate::facts::stars::StarsNote;
use crate::stars::FrameStars;
use crate::stats::{median, median_and_mad_sigma};

/// Standard deviations of the session's seeing that a trail may cost: seeing alone widens a light by more in one of 740.
const SEEING_SIGMAS: f64 = 3.0;
/// Least scatter of ln width that seeing is taken to have: a steady hour's lights differ by as much. Common practice, no
/// source.
const LEAST_SCATTER: f64 = 0.02;
/// Cost in ln width from which a session says that its stars are drawn out: a tenth, axis ratios below 0.82. Common
/// practice, no source.
const WORTH_SAYING: f64 = 0.1;

/// What the elongation that a light's stars share costs in ln width; 0 where they share none.
fn cost(stars: &FrameStars) -> Option<f64> {
    let ellipticity = stars.ellipticity.value?;
    let shared = stars.position_angle_deg.is_known();
    Some(if shared { -0.5 * (1.0 - ellipticity.clamp(0.0, 0.99)).ln() } else { 0.0 })
}

/// Why lights of one session are left out for their trails; `None` for each that stays.
pub fn drawn_out_beyond(session: &[&FrameStars]) -> Vec<Option<LeftOut>> {
    let costs: Vec<Option<f64>> = session.iter().map(|stars| cost(stars)).collect();
    let known: Vec<f64> = costs.iter().copied().flatten().collect();
    // The shorter axis is what seeing and focus gave.
    let seeing: Vec<f64> = session.iter().filter_map(|stars| stars.minor_fwhm_px.value).map(f64::ln).collect();
    let (Some(usual), Some((_, scatter))) = (median(&known), median_and_mad_sigma(&seeing)) else {
        return vec![None; session.len()];
    };
    let scatter = scatter.max(LEAST_SCATTER);
    let reason = |(stars, cost): (&&FrameStars, Option<f64>)| {
        let beyond = cost? - usual;
        (beyond > SEEING_SIGMAS * scatter).then(|| LeftOut::Trailed {
            direction_deg: stars.position_angle_deg.value,
            length_px: stars.trail_length_px.value,
            minor_over_major: 1.0 - stars.ellipticity.value.unwrap_or(0.0),
            wider_percent: percent(beyond),
            seeing_percent: percent(scatter),
        })
    };
    session.iter().zip(costs).map(reason).collect()
}

/// What a session says of stars that are drawn out in the lights it uses.
pub fn drawn_out(used: &[&FrameStars]) -> Option<StarsNote> {
    let usual = median(&used.iter().filter_map(|stars| cost(stars)).collect::<Vec<_>>())?;
    let minors: Vec<f64> = used.iter().filter_map(|stars| stars.minor_fwhm_px.value).collect();
    let minor_fwhm_px = median(&minors).filter(|_| usual > WORTH_SAYING)?;
    Some(StarsNote::DrawnOut { wider_percent: percent(usual), minor_fwhm_px })
}

fn percent(ln: f64) -> f64 {
    100.0 * ln.exp_m1()
}
