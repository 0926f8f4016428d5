//! What each frame is: by its card, what the user states, names and pixels.
//!
//! Where those disagree the pixels decide; where they cannot, the user stands before the card, and the card before names.

use crate::facts::{FrameKind, KindSource};
use crate::folder::{FoundFile, FrameHeader, Rig, kind_in_names, stated_kind};
use crate::frame::{Survey, pixels_contradict};

/// What a frame is taken for.
pub struct Told {
    pub kind: FrameKind,
    pub source: KindSource,
    /// Another kind that something of more trust says.
    pub denied: Option<FrameKind>,
    /// The kind that names tell.
    pub named: Option<FrameKind>,
}

/// The kind of a frame by all that speaks of it alone; unknown where nothing does.
pub fn kind_of(file: &FoundFile, header: &FrameHeader, survey: &Survey, rig: &Rig) -> Told {
    let told = told(file, header, rig);
    let Some((first, by)) = told.first().cloned() else {
        return Told { kind: FrameKind::Unknown, source: KindSource::Nothing, denied: None, named: None };
    };
    let named = told.iter().find(|(_, source)| matches!(source, KindSource::Name(_))).map(|(kind, _)| *kind);
    let kinds: Vec<FrameKind> = told.iter().map(|(kind, _)| *kind).collect();
    // Pixels do not tell a combination from what it was made of.
    if first == FrameKind::Master {
        return Told { kind: first, source: by, denied: None, named };
    }
    let (kind, source) = match decided_by_pixels(&kinds, survey) {
        Some(seen) if seen != first => (seen, KindSource::Pixels),
        _ => (first, by),
    };
    let (kind, source) = match pixels_contradict(kind, survey) {
        Some(seen) => (seen, KindSource::Pixels),
        None => (kind, source),
    };
    // What was not exposed holds no dark charge, whatever its folder is called.
    let not_exposed = header.exposure_s.as_ref().is_some_and(|e| e.value <= 0.0);
    let (kind, source) = match (kind, &source) {
        (FrameKind::Dark, KindSource::Name(_)) if not_exposed => (FrameKind::Bias, KindSource::Exposure),
        _ => (kind, source),
    };
    // The first is of most trust: another stands only where pixels deny it.
    Told { kind, source, denied: Some(first).filter(|told| *told != kind), named }
}

/// What user, card and names say, in order of trust.
fn told(file: &FoundFile, header: &FrameHeader, rig: &Rig) -> Vec<(FrameKind, KindSource)> {
    let stated = stated_kind(file, &rig.kind_folders, &rig.kinds).map(|(kind, by)| (kind, KindSource::Stated(by)));
    let card = Some(&header.kind).filter(|k| k.value != FrameKind::Unknown);
    let card = card.map(|k| (k.value, KindSource::Card(k.card.clone())));
    let names = file.names();
    let name = kind_in_names(names.iter().map(String::as_str));
    let name = name.map(|(kind, name)| (kind, KindSource::Name(name.to_owned())));
    [stated, card, name].into_iter().flatten().collect()
}

/// Which of several kinds the pixels show.
fn decided_by_pixels(told: &[FrameKind], survey: &Survey) -> Option<FrameKind> {
    if told.iter().all(|kind| *kind == told[0]) {
        return None;
    }
    let among = |kind: FrameKind| told.contains(&kind).then_some(kind);
    if survey.shows_stars() || (survey.shows_faint_stars() && !survey.is_evenly_lit()) {
        return among(FrameKind::Light);
    }
    if survey.is_evenly_lit() {
        return among(FrameKind::Flat);
    }
    None
}
