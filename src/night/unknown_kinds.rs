//! Frames of which neither card nor user nor names speak: their pixels and exposures, held against the others of their camera.

use super::intake::{Intake, Outcome, Read, by_sensor};
use super::set_apart::EXPOSED_S;
use crate::facts::{FrameKind, KindSource, LeftOut};

/// Tells the kinds of frames of which no card, name or user speaks, and of starless ones whose card and name disagree on whether light
/// fell on them; leaves out those that stay unknown.
pub fn tell_unknown_kinds(intakes: &mut [Intake]) {
    let mut seen: Vec<(usize, FrameKind)> = Vec::new();
    for members in by_sensor(intakes).into_values() {
        let reads: Vec<&Read> = members.iter().filter_map(|i| intakes[*i].read()).collect();
        if !reads.iter().any(|r| is_unknown(r) || is_contested(r)) {
            continue;
        }
        let company = Company::of(&reads);
        for (index, read) in members.iter().zip(&reads) {
            match (company.kind(read), read.named) {
                // A card that names no kind says that it is none.
                (kind, _) if is_unknown(read) => {
                    seen.push((*index, if read.header.kind.card.is_empty() { kind } else { FrameKind::Unknown }));
                }
                (FrameKind::Dark | FrameKind::Bias, Some(unlit)) if is_contested(read) => seen.push((*index, unlit)),
                _ => {}
            }
        }
    }
    for (index, kind) in seen {
        if let Outcome::Read(read) = &mut intakes[index].outcome {
            if is_contested(read) {
                read.denied = Some(read.kind);
            }
            (read.kind, read.kind_source) = (kind, KindSource::Pixels);
            if kind == FrameKind::Unknown {
                read.kind_source = KindSource::Nothing;
                intakes[index].exclude(LeftOut::KindNotKnown);
            }
        }
    }
}

fn is_unknown(read: &Read) -> bool {
    read.kind == FrameKind::Unknown
}

/// Whether it is taken for a light, shows no star, and something says that no light fell on it.
fn is_contested(read: &Read) -> bool {
    let unlit = matches!(read.named, Some(FrameKind::Dark | FrameKind::DarkFlat | FrameKind::Bias));
    read.kind == FrameKind::Light && unlit && !has_stars(read) && !matches!(read.kind_source, KindSource::Stated(_))
}

/// Deviations of a pixel from the lowest level from which a frame is lit: levels of frames without light differ by far less.
const LIT_SIGMAS: f64 = 20.0;
/// Rate from which light, not dark current, makes a level: the warmest sensors gather some ADU/s (common practice, no source).
const LIT_ADU_PER_S: f64 = 50.0;
/// Share of the rate of lights with stars that a frame without light stays below: a clouded sky is rather brighter than a clear one.
const DARK_SHARE: f64 = 0.95;

/// Deviations of a pixel by which it does so at least: levels without light wander by less.
const LEAST_SIGMAS: f64 = 0.2;

/// What the frames of one camera tell of each other.
struct Company {
    /// Level without light, and a pixel's noise there, ADU.
    lowest: (f64, f64),
    /// Lowest rate of the level of frames that show stars, ADU/s, through whichever filter; `None` where none does.
    starry_rate: Option<f64>,
    /// Whether some were not exposed, or are known to have had no light: only then is the lowest level one without it.
    has_unlit: bool,
}

impl Company {
    fn of(reads: &[&Read]) -> Self {
        let starless = reads.iter().filter(|r| !has_stars(r) && !r.survey.is_evenly_lit());
        let lowest = starless.min_by(|a, b| a.survey.level_adu.total_cmp(&b.survey.level_adu));
        let lowest = lowest.map_or((0.0, 0.0), |r| (r.survey.level_adu, r.survey.sigma_adu));
        let starry = reads.iter().filter(|r| has_stars(r) && !r.survey.is_evenly_lit() && seconds(r) > 0.0);
        let rates = starry.map(|r| (r.survey.level_adu - lowest.0) / seconds(r));
        let unlit = |r: &&Read| {
            let not_exposed = seconds(r) < EXPOSED_S && r.header.exposure_s.is_some();
            not_exposed && !r.survey.is_evenly_lit()
                || matches!(r.kind, FrameKind::Bias | FrameKind::Dark | FrameKind::DarkFlat)
        };
        Self { lowest, starry_rate: rates.reduce(f64::min), has_unlit: reads.iter().any(unlit) }
    }

    fn kind(&self, read: &Read) -> FrameKind {
        let (survey, seconds) = (&read.survey, seconds(read));
        if survey.is_evenly_lit() {
            return FrameKind::Flat;
        }
        if has_stars(read) {
            return FrameKind::Light;
        }
        let (lowest, sigma) = self.lowest;
        let above = survey.level_adu - lowest;
        if above > LIT_SIGMAS * sigma && above > LIT_ADU_PER_S * seconds {
            return if survey.is_even() { FrameKind::Flat } else { FrameKind::Unknown };
        }
        if read.header.exposure_s.is_some() && seconds < EXPOSED_S {
            return FrameKind::Bias;
        }
        // Neither exposure nor company: nothing tells.
        if seconds <= 0.0 {
            return FrameKind::Unknown;
        }
        let dark = match self.starry_rate {
            Some(rate) => above < (DARK_SHARE * rate * seconds).min(rate * seconds - LEAST_SIGMAS * sigma),
            None => self.has_unlit && above < LIT_SIGMAS * sigma,
        };
        if dark { FrameKind::Dark } else { FrameKind::Unknown }
    }
}

fn has_stars(read: &Read) -> bool {
    read.survey.shows_stars() || read.survey.shows_faint_stars()
}

/// Exposure; 0 where none is stated.
fn seconds(read: &Read) -> f64 {
    read.header.exposure_s.as_ref().map_or(0.0, |e| e.value)
}
