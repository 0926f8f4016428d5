//! Sessions on the sky: the best frame of each is matched with the catalogue first, others confirm it.

use std::cmp::Reverse;
use std::collections::BTreeMap;

use rayon::prelude::*;

use crate::folder::{FrameHeader, SessionKey};
use crate::sky::{
    Catalogue, Direction, Frame, NoMatch, SkyMatch, Source, StarMatch, StatedOptics, match_sky, to_j2000, together,
};
use crate::stars::Place;
use crate::verdict::image_scale;

use super::lights::MeasuredLight;

/// Frames of a session that are tried until one is matched: what three cannot tell, more will not.
const MOST_FIRST: usize = 3;
/// Frames that then confirm it.
const MOST_OTHERS: usize = 2;

/// The places of a light's stars, brightest first.
type Places<'a> = &'a (dyn Fn(&MeasuredLight) -> Vec<Place> + Sync);

/// Matches every session with the catalogue.
pub fn match_sessions(lights: &[MeasuredLight], places: Places) -> BTreeMap<SessionKey, StarMatch> {
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

fn match_session(catalogue: Option<&Catalogue>, members: &[&MeasuredLight], places: Places) -> StarMatch {
    let optics = members.first().map_or_else(StatedOptics::default, |l| stated(&l.read.header));
    let mut usable: Vec<&MeasuredLight> = members.iter().copied().filter(|l| l.excluded.is_none()).collect();
    usable.sort_by_key(|l| (Reverse(l.stars.star_count), l.index));
    let mut results: Vec<Result<SkyMatch, NoMatch>> = Vec::new();
    for (at, light) in usable.iter().take(MOST_FIRST).enumerate() {
        let header = &light.read.header;
        let scale = image_scale(header).value;
        let result = match_light(catalogue, light, &places(light), &pointings(header), scale);
        let found = result.as_ref().ok().map(|m| (m.centre, m.scale_arcsec_per_px.value));
        results.push(result);
        if let Some((centre, scale)) = found {
            let others = usable[at + 1..].iter().take(MOST_OTHERS);
            results.extend(others.map(|other| match_light(catalogue, other, &places(other), &[centre], scale)));
            break;
        }
    }
    together(&results, &optics)
}

fn match_light(
    catalogue: Option<&Catalogue>,
    light: &MeasuredLight,
    places: &[Place],
    pointings: &[Direction],
    scale_arcsec_per_px: Option<f64>,
) -> Result<SkyMatch, NoMatch> {
    let source = |p: &Place| Source { x_px: p.x_px, y_px: p.y_px, sigma_px: p.sigma_px };
    let sources: Vec<Source> = places.iter().map(source).collect();
    let g = light.read.geometry;
    match_sky(catalogue, &Frame { sources: &sources, size_px: [g.width, g.height], pointings, scale_arcsec_per_px })
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
