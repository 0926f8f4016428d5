//! Colour mosaics that no card tells: sites of the 2x2 cell whose light differs.
//!
//! The greens of a cell lie on a diagonal and see the same light; of red and blue at least one sees another. Which corner is red
//! stays untold: `?` stands for both.

use super::intake::{Intake, Outcome, Read, by_sensor};
use crate::facts::{Caution, FrameKind};
use crate::folder::{Carded, CfaPattern, Rig};
use crate::report::Warning;
use crate::stats::median;

/// Largest difference of the two greens over their light: dust and vignetting leave less on neighbours.
const GREENS_ALIKE: f64 = 0.02;
/// Least difference of another site from the greens: colours of filters differ by tens of per cent, amplifiers by less.
const OTHERS_DIFFER: f64 = 0.05;
/// Frames of a camera that must agree, where there are as many.
const LEAST_FRAMES: usize = 2;

/// Largest difference of a site from the mean of all under which all see one colour: any lamp and any filter part the colours of a mosaic by
/// more (common practice, no source).
const SITES_ALIKE: f64 = 0.01;
/// Light of a flat in deviations of a pixel from which its sites tell it: their medians are good to a hundredth of one.
const LEAST_LIGHT_SIGMAS: f64 = 20.0;

/// Where a mosaic that is told by pixels comes from.
const BY_PIXELS: &str = "its pixels";

/// Gives frames of cameras whose pixels show a mosaic, and whose headers tell none, its greens.
pub fn tell_mosaics(intakes: &mut [Intake], rig: &Rig, warnings: &mut Vec<Warning>) {
    if rig.cfa.is_some() {
        return;
    }
    for members in by_sensor(intakes).into_values() {
        let reads: Vec<&Read> = members.iter().filter_map(|i| intakes[*i].read()).collect();
        if reads.iter().any(|r| r.geometry.planes > 1) {
            continue;
        }
        if reads.iter().any(|r| r.header.cfa.is_some()) {
            let paths = if sees_one_colour(&reads) { without_pattern(intakes, &members) } else { Vec::new() };
            if !paths.is_empty() {
                warnings.push(Warning { caution: Caution::MosaicDenied { frames: paths.len() }, paths });
            }
            continue;
        }
        let Some((pattern, frames)) = mosaic(&reads) else { continue };
        let mut paths = Vec::new();
        for index in members {
            if let Outcome::Read(read) = &mut intakes[index].outcome {
                read.header.cfa = Some(Carded::new(pattern, BY_PIXELS));
                paths.push(intakes[index].file.shown.clone());
            }
        }
        warnings.push(Warning { caution: Caution::MosaicByPixels { frames, greens: pattern.name() }, paths });
    }
}

/// Whether all flats of a camera show the same light at the four sites of a cell: it has no mosaic, or its cells were summed.
fn sees_one_colour(reads: &[&Read]) -> bool {
    let Some(floor) = floor(reads) else { return false };
    let even = |r: &&Read| {
        let light = r.survey.sites_adu.map(|level| level - floor);
        let mean = 0.25 * light.iter().sum::<f64>();
        mean > LEAST_LIGHT_SIGMAS * r.survey.sigma_adu && light.iter().all(|l| (l / mean - 1.0).abs() < SITES_ALIKE)
    };
    let flats = || reads.iter().filter(|r| r.kind == FrameKind::Flat);
    flats().count() >= LEAST_FRAMES && flats().all(even)
}

/// Level without light, ADU; `None` without biases and darks.
fn floor(reads: &[&Read]) -> Option<f64> {
    let unlit = reads.iter().filter(|r| matches!(r.kind, FrameKind::Bias | FrameKind::Dark));
    median(&unlit.map(|r| r.survey.level_adu).collect::<Vec<f64>>())
}

/// Takes the colour pattern off frames whose pixels deny it; gives their paths.
fn without_pattern(intakes: &mut [Intake], members: &[usize]) -> Vec<String> {
    let mut paths = Vec::new();
    for index in members {
        if let Outcome::Read(read) = &mut intakes[*index].outcome
            && read.header.cfa.take().is_some()
        {
            paths.push(intakes[*index].file.shown.clone());
        }
    }
    paths
}

/// The pattern that the flats of a camera show, else its lights; and how many do.
fn mosaic(reads: &[&Read]) -> Option<(CfaPattern, usize)> {
    let of = |kind: FrameKind| reads.iter().filter(move |r| r.kind == kind).copied();
    let floor = floor(reads).unwrap_or(0.0);
    let seen = |kind: FrameKind| -> Vec<Option<CfaPattern>> {
        of(kind).map(|r| greens(r.survey.sites_adu.map(|level| level - floor))).collect()
    };
    let shown = [seen(FrameKind::Flat), seen(FrameKind::Light)].into_iter().find(|seen| !seen.is_empty())?;
    let least = LEAST_FRAMES.min(shown.len());
    // Most must show it, and all that do the same.
    let told: Vec<CfaPattern> = shown.iter().copied().flatten().collect();
    let first = *told.first()?;
    let agree = told.len() >= least && 2 * told.len() > shown.len() && told.iter().all(|p| *p == first);
    agree.then_some((first, told.len()))
}

/// The pattern of a cell with these levels above the dark ones, along the rows; `None` where it is no mosaic.
fn greens(sites: [f64; 4]) -> Option<CfaPattern> {
    let [a, b, c, d] = sites;
    let mean = 0.25 * (a + b + c + d);
    if mean <= 0.0 {
        return None;
    }
    let alike = |p: f64, q: f64| (p - q).abs() < GREENS_ALIKE * 0.5 * (p + q);
    let apart = |green: f64, others: [f64; 2]| others.iter().any(|o| (o - green).abs() > OTHERS_DIFFER * green);
    let (main, other) = (0.5 * (a + d), 0.5 * (b + c));
    let is_main = alike(a, d) && apart(main, [b, c]);
    let is_other = alike(b, c) && apart(other, [a, d]);
    // Where red and blue see as much of each other's light as the greens, the greens are the brighter: common practice, no source.
    let on_main = match (is_main, is_other) {
        (false, false) => return None,
        (true, true) => main > other,
        (main, _) => main,
    };
    Some(CfaPattern(if on_main { *b"G??G" } else { *b"?GG?" }))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_greens_are_the_diagonal_that_agrees() {
        let name = |sites| greens(sites).map(CfaPattern::name);
        for (sites, want) in [
            ([0.55, 1.0, 1.0, 0.62], Some("?GG?")),
            ([1.0, 0.62, 0.55, 1.0], Some("G??G")),
            // Red as bright as green, blue not; red brighter than green; red and blue alike.
            ([1.0, 1.0, 1.0, 0.6], Some("?GG?")),
            ([1.4, 1.0, 1.0, 0.7], Some("?GG?")),
            ([0.6, 1.0, 1.0, 0.6], Some("?GG?")),
            // A monochrome sensor; one whose columns or rows are read at two gains; one site that is brighter by 1 %.
            ([1.0, 1.0, 1.0, 1.0], None),
            ([1.0, 1.08, 1.0, 1.08], None),
            ([1.0, 1.0, 0.9, 0.9], None),
            ([1.01, 1.0, 1.0, 1.0], None),
        ] {
            assert_eq!(name(sites.map(|s| 4000.0 * s)).as_deref(), want, "{sites:?}");
        }
    }
}
