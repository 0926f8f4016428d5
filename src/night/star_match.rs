//! Sessions on the sky: the best frame of each is matched with the catalogue first, others confirm it.

use std::cmp::Reverse;
use std::collections::BTreeMap;

use rayon::prelude::*;

use crate::facts::sky::SkyMissing;
use crate::folder::{FrameHeader, SessionKey};
use crate::sky::{
    Catalogue, Direction, Frame, NoMatch, Seen, SkyMatch, Source, StarLight, StarMatch, StatedOptics, match_known,
    match_sky, star_light, to_j2000, together,
};
use crate::stars::Place;
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

/// The places of a light's stars, brightest first.
type Places<'a> = &'a (dyn Fn(&MeasuredLight) -> Vec<Place> + Sync);

/// Matches every session with the catalogue.
pub fn match_sessions(lights: &[MeasuredLight], places: Places) -> BTreeMap<SessionKey, OnTheSky> {
    let catalogue = Catalogue::shipped();
    let mut sessions: BTreeMap<&SessionKey, Vec<&MeasuredLight>> = BTreeMap::new();
    for light in lights {
        sessions.entry(&light.session).or_default().push(light);
    }
    let sessions: Vec<(&SessionKey, Vec<&MeasuredLight>)> = sessions.into_iter().collect();
    let matched = |(key, members): (&SessionKey, Vec<&MeasuredLight>)| {
        (key.clone(), match_session(catalogue.as_ref(), &members, places))
    };
    sessions.into_par_iter().map(matched).collect()
}

fn match_session(catalogue: Option<&Catalogue>, members: &[&MeasuredLight], places: Places) -> OnTheSky {
    let optics = members.first().map_or_else(StatedOptics::default, |l| stated(&l.read.header));
    let mut usable: Vec<&MeasuredLight> = members.iter().copied().filter(|l| l.excluded.is_none()).collect();
    usable.sort_by_key(|l| (Reverse(l.stars.star_count), l.index));
    let mut results: Vec<Result<SkyMatch, NoMatch>> = Vec::new();
    for (at, light) in usable.iter().take(MOST_FIRST).enumerate() {
        let header = &light.read.header;
        let scale = image_scale(header).value;
        let (result, seen) = match_light(light, &places(light), &pointings(header), scale, |f| match_sky(catalogue, f));
        let known = result.as_ref().ok().map(|m| (m.centre, m.scale_arcsec_per_px.value));
        results.push(result);
        if let Some((centre, scale)) = known {
            let follow = |other: &&MeasuredLight| {
                match_light(other, &places(other), &[centre], scale, |f| match_known(catalogue, f))
            };
            let (others, also_seen): (Vec<_>, Vec<_>) = usable[at + 1..].par_iter().map(follow).unzip();
            results.extend(others.into_iter().take(MOST_OTHERS));
            let seen: Vec<Vec<Seen>> = std::iter::once(seen).chain(also_seen).collect();
            let lights = usable[at..].iter().map(|l| l.index).collect();
            return OnTheSky { star_match: together(&results, &optics), star_light: star_light(&seen), lights };
        }
    }
    let star_light = StarLight::none(SkyMissing::StarsNotMatched, 0);
    OnTheSky { star_match: together(&results, &optics), star_light, lights: Vec::new() }
}

/// The match of one light, and its matched stars as far as their fluxes are known; without a match there are none.
fn match_light(
    light: &MeasuredLight,
    places: &[Place],
    pointings: &[Direction],
    scale_arcsec_per_px: Option<f64>,
    by: impl FnOnce(&Frame) -> Result<SkyMatch, NoMatch>,
) -> (Result<SkyMatch, NoMatch>, Vec<Seen>) {
    let source = |p: &Place| Source { x_px: p.x_px, y_px: p.y_px, sigma_px: p.sigma_px };
    let sources: Vec<Source> = places.iter().map(source).collect();
    let g = light.read.geometry;
    let result = by(&Frame { sources: &sources, size_px: [g.width, g.height], pointings, scale_arcsec_per_px });
    let seen = match (&result, &light.read.header.exposure_s) {
        (Ok(found), Some(exposure)) => {
            let seen = |(source, direction, vt_mag): &(usize, Direction, f64)| {
                let flux = places[*source].flux_adu? / exposure.value;
                Some(Seen { star: [direction.ra_deg(), direction.dec_deg()].map(f64::to_bits), vt_mag: *vt_mag, flux })
            };
            found.pairs.iter().filter_map(seen).collect()
        }
        _ => Vec::new(),
    };
    (result, seen)
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
