//! What is said of all sessions together: measures that cost nothing, and sampling by filter.

use crate::report::Session;
use crate::verdict::over_sessions::SessionWidth;
use crate::verdict::{Advice, FilterSampling, advice, ranked, sampling_by_filter};

/// What costs nothing, the most hours first; sessions that it is worth as much in keep their order.
pub fn free_measures(sessions: &[Session]) -> Vec<Advice> {
    ranked(sessions.iter().flat_map(|session| advice(&session.advice_input())).collect())
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
