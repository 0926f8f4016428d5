//! Sessions on the sky: the best frame of each is matched with the catalogue first, others confirm it.

use std::cmp::Reverse;
use std::collections::BTreeMap;

use rayon::prelude::*;

use crate::folder::{FrameHeader, SessionKey};
use crate::sky::{
    Catalogue, Direction, Frame, NoMatch, Seen, SkyMatch, Source, StarLight, StarMatch, StatedOptics, match_known,
    match_sky, star_light, to_j2000, together,
};
use crate::verdict::image_scale;

use super::lights::MeasuredLight;

/// Frames of a session that are tried until one is matched: what three cannot tell, more will not.
const MOST_FIRST: usize = 3;
/// Frames that then confirm it.
const MOST_OTHERS: usize = 2;

/// A session on the sky.
#[derive(Debug, Clone)]
pub struct OnTheSky {
    pub star_match: StarMatch,
    pub star_light: StarLight,
    /// Lights that `star_light` has transparencies of, by their place in the list of files.
    pub lights: Vec<usize>,
}

/// Matches every session with the catalogue.
pub fn match_sessions(lights: &[MeasuredLight]) -> BTreeMap<SessionKey, OnTheSky> {
    let catalogue = Catalogue::shipped();
    let mut sessions: BTreeMap<&SessionKey, Vec<&MeasuredLight>> = BTreeMap::new();
    for light in lights {
        sessions.entry(&light.session).or_default().push(light);
    }
    let sessions: Vec<(&SessionKey, Vec<&MeasuredLight>)> = sessions.into_iter().collect();
    let matched =
        |(key, members): (&SessionKey, Vec<&MeasuredLight>)| (key.clone(), match_session(catalogue.as_ref(), &members));
    sessions.into_par_iter().map(matched).collect()
}

fn match_session(catalogue: Option<&Catalogue>, members: &[&MeasuredLight]) -> OnTheSky {
    let optics = members.first().map_or_else(StatedOptics::default, |l| stated(&l.read.header));
    let mut usable: Vec<&MeasuredLight> = members.iter().copied().filter(|l| l.excluded.is_none()).collect();
    usable.sort_by_key(|l| (Reverse(l.stars.star_count), l.index));
    let mut results: Vec<Result<SkyMatch, NoMatch>> = Vec::new();
    for (at, light) in usable.iter().take(MOST_FIRST).enumerate() {
        let header = &light.read.header;
        let scale = image_scale(header).value;
        let result = with_frame(light, &pointings(header), scale, |frame| match_sky(catalogue, frame));
        let known = result.as_ref().ok().map(|m| (m.centre, m.scale_arcsec_per_px.value));
        results.push(result);
        if let Some((centre, scale)) = known {
            let follow =
                |other: &&MeasuredLight| with_frame(other, &[centre], scale, |frame| match_known(catalogue, frame));
            let mut others: Vec<Result<SkyMatch, NoMatch>> = usable[at + 1..].par_iter().map(follow).collect();
            let star_light = light_of(&usable[at..], results.last().into_iter().chain(&others));
            others.truncate(MOST_OTHERS);
            results.extend(others);
            let lights = usable[at..].iter().map(|l| l.index).collect();
            return OnTheSky { star_match: together(&results, &optics), star_light, lights };
        }
    }
    let star_light = StarLight::none("its stars were not matched with the catalogue", 0);
    OnTheSky { star_match: together(&results, &optics), star_light, lights: Vec::new() }
}

/// Light of the matched stars of each frame; those of a frame without a match are none.
fn light_of<'a>(lights: &[&MeasuredLight], matches: impl Iterator<Item = &'a Result<SkyMatch, NoMatch>>) -> StarLight {
    let frame = |(light, found): (&&MeasuredLight, &Result<SkyMatch, NoMatch>)| {
        let (Ok(found), Some(exposure)) = (found, &light.read.header.exposure_s) else { return Vec::new() };
        let seen = |(source, direction, vt_mag): &(usize, Direction, f64)| {
            let flux = light.stars.places[*source].flux_adu? / exposure.value;
            Some(Seen { star: [direction.ra_deg(), direction.dec_deg()].map(f64::to_bits), vt_mag: *vt_mag, flux })
        };
        found.pairs.iter().filter_map(seen).collect()
    };
    star_light(&lights.iter().zip(matches).map(frame).collect::<Vec<_>>())
}

fn with_frame<T>(
    light: &MeasuredLight,
    pointings: &[Direction],
    scale_arcsec_per_px: Option<f64>,
    then: impl FnOnce(&Frame) -> T,
) -> T {
    let source = |p: &crate::stars::Place| Source { x_px: p.x_px, y_px: p.y_px, sigma_px: p.sigma_px };
    let sources: Vec<Source> = light.stars.places.iter().map(source).collect();
    let g = light.read.geometry;
    then(&Frame { sources: &sources, size_px: [g.width, g.height], pointings, scale_arcsec_per_px })
}

/// Directions of the header in J2000.
fn pointings(header: &FrameHeader) -> Vec<Direction> {
    let direction = |p: &crate::folder::Carded<crate::folder::Pointing>| {
        let p = p.value;
        let stated = Direction::from_degrees(p.ra_deg, p.dec_deg);
        p.equinox_year.map_or(stated, |year| to_j2000(stated, year))
    };
    header.pointings.iter().map(direction).collect()
}

fn stated(header: &FrameHeader) -> StatedOptics {
    StatedOptics {
        recorded_pixel_um: header.recorded_pixel_um(),
        focal_mm: header.focal_mm.as_ref().map(|f| f.value),
        wcs_arcsec_per_px: header.wcs_arcsec_per_px.as_ref().map(|w| w.value),
    }
}
