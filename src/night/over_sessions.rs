//! What is said of all sessions together: measures that cost nothing, and sampling by filter.

use crate::report::Session;
use crate::verdict::over_sessions::SessionWidth;
use crate::verdict::{Advice, AdviceInput, FilterSampling, advice, ranked, sampling_by_filter};

/// What costs nothing, the most hours first; sessions that it is worth as much in keep their order.
pub fn free_measures(sessions: &[Session]) -> Vec<Advice> {
    ranked(sessions.iter().flat_map(of_session).collect())
}

fn of_session(session: &Session) -> Vec<Advice> {
    let found = &session.dark_match;
    advice(&AdviceInput {
        session_id: &session.id,
        exposure_s: session.settings.exposure_s,
        exposure_for_5_percent_read_s: &session.noise_budget.exposure_for_5_percent_read_s,
        darks: Some((found.darks, &found.added_variance_share)),
        lights: session.frame_counts.used,
        shared_ellipticity: &session.field.constant_ellipticity,
        corner_fwhm_ratio: &session.field.corner_fwhm_ratio,
        best_binning: session.sampling.best_binning,
    })
}

/// Sampling over all sessions of a filter, in the order of the first of each.
pub fn filters(sessions: &[Session]) -> Vec<FilterSampling> {
    sampling_by_filter(&sessions.iter().map(width_of).collect::<Vec<_>>())
}

fn width_of(session: &Session) -> SessionWidth<'_> {
    SessionWidth {
        id: &session.id,
        filter: session.settings.filter.as_deref(),
        camera: session.settings.camera.as_deref(),
        binning: session.settings.binning,
        px_per_fwhm: &session.sampling.px_per_fwhm,
        lights: session.frame_counts.used,
    }
}
