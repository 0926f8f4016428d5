//! Frames of which neither card nor user nor names speak: their pixels and exposures, held against the others of their camera.

use super::intake::{Intake, Outcome, Read, by_sensor};
use super::set_apart::EXPOSED_S;
use crate::facts::{FrameKind, KindSource, LeftOut};
use crate::frame::Survey;
use crate::stats::median_and_mad_sigma;

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
        let kinds: Vec<FrameKind> =
            reads.iter().map(|r| if is_unknown(r) { company.kind(r) } else { r.kind }).collect();
        let lit = brighter_than_their_like(&reads, &kinds, company.lowest.0);
        for (at, (index, read)) in members.iter().zip(&reads).enumerate() {
            let told = if lit[at] { FrameKind::Unknown } else { company.kind(read) };
            match (told, read.named) {
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

/// Darks of one exposure, at least, of which one may be told to be none.
const LEAST_ALIKE: usize = 4;
/// Deviations of their own scatter, and of a pixel's noise, by which such a one stands above the others; and its level above the lowest
/// one over theirs: the sensor of one night does not warm by half a doubling while the others stay.
const ABOVE_SCATTER: f64 = 6.0;
const ABOVE_NOISE: f64 = 1.0;
const ABOVE_LEVEL: f64 = 1.5;

/// Which frames without a word pass for darks but stand alone above those of their exposure: a clouded or shaded light without a star.
fn brighter_than_their_like(reads: &[&Read], kinds: &[FrameKind], lowest_adu: f64) -> Vec<bool> {
    let like =
        |at: usize| (0..reads.len()).filter(move |i| kinds[*i] == FrameKind::Dark && alike(reads[*i], reads[at]));
    let stands_out = |at: usize| {
        let levels: Vec<f64> = like(at).map(|i| reads[i].survey.level_adu).collect();
        let Some((middle, scatter)) = median_and_mad_sigma(&levels).filter(|_| levels.len() >= LEAST_ALIKE) else {
            return false;
        };
        let Survey { level_adu, sigma_adu, .. } = reads[at].survey;
        let above = level_adu - middle;
        above > (ABOVE_SCATTER * scatter).max(ABOVE_NOISE * sigma_adu)
            && level_adu - lowest_adu > ABOVE_LEVEL * (middle - lowest_adu)
    };
    (0..reads.len()).map(|at| is_unknown(reads[at]) && kinds[at] == FrameKind::Dark && stands_out(at)).collect()
}

fn alike(one: &Read, other: &Read) -> bool {
    one.header.exposure_ms() == other.header.exposure_ms()
}

fn has_stars(read: &Read) -> bool {
    read.survey.shows_stars() || read.survey.shows_faint_stars()
}

/// Exposure; 0 where none is stated.
fn seconds(read: &Read) -> f64 {
    read.header.exposure_s.as_ref().map_or(0.0, |e| e.value)
}
