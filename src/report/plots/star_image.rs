//! A star over the pixel grid: its image before the pixels, and what they make of it.

use super::canvas::{Axis, Ink, Layer, Point, Shape, Told, draw};
use super::figure::{Figure, PlotError};
use crate::image::StarImage;
use crate::report::model::Session;
use crate::report::words::numbers::{plain, two_digits, with_sigma};
use crate::verdict::profile::StarProfile;

/// How far the picture reaches from the centre: FWHM of the star, and pixels at least.
const REACH_FWHM: f64 = 2.0;
const LEAST_REACH_PX: f64 = 4.0;
/// Points along the curve from the centre to one end.
const CURVE_STEPS: i32 = 60;

/// The star image along a row of pixels; `None` where its width or its shape is not known.
///
/// # Errors
///
/// The drawing library fails.
pub fn star_image(session: &Session) -> Result<Option<Figure>, PlotError> {
    let Some((fwhm, sigma)) = session.fwhm_px.pair() else { return Ok(None) };
    let beta = session.moffat_beta.value;
    let shown = session.star_image.as_ref();
    let image = shown.and_then(|i| i.parts).map(StarImage::new);
    let profile = |width: f64| match &image {
        Some(image) => StarProfile::of_image(width, image),
        None => StarProfile::new(width, beta?),
    };
    let Some(star) = profile(fwhm) else { return Ok(None) };
    let peak = star.density(0.0);
    let height = |star: StarProfile, r: f64| 100.0 * star.density(r * r) / star.density(0.0);
    let reach = (REACH_FWHM * fwhm).max(LEAST_REACH_PX).ceil() + 0.5;
    let x = Axis { range: (-reach, reach), ..Axis::linear("distance from the star's middle, px", -reach, reach, 0.0) };
    let y = Axis::linear("light, % of the star's peak", 0.0, 100.0, 0.06).starting_at(0.0);
    let places: Vec<f64> =
        (-CURVE_STEPS..=CURVE_STEPS).map(|i| reach * f64::from(i) / f64::from(CURVE_STEPS)).collect();
    let mut layers = vec![Layer::Uprights(edges(reach).map(|x| (x, y.range.1)).collect(), Ink::Rule)];
    if let (Some(narrow), Some(wide)) = (profile(fwhm - sigma), profile(fwhm + sigma)) {
        let band = places.iter().map(|r| (*r, height(narrow, *r), height(wide, *r)));
        layers.push(Layer::Band(band.collect(), Ink::First));
    }
    let last = reach.floor() as i32;
    let pixels: Vec<(i32, f64)> = (-last..=last).map(|k| (k, star.pixel_flux(f64::from(k), 0.0))).collect();
    let steps = pixels.iter().flat_map(|(k, flux)| [-0.5, 0.5].map(|half| (f64::from(*k) + half, 100.0 * flux / peak)));
    layers.push(Layer::Line(steps.collect(), Ink::Second));
    if let Some(image) = &image {
        layers.extend(parts(image, fwhm, &places));
    }
    layers.push(Layer::Line(places.iter().map(|r| (*r, height(star, *r))).collect(), Ink::First));
    if let Some(shown) = shown {
        let inside = shown.rings.iter().filter(|r| r.radius_px < reach);
        let points = inside.map(|r| Point {
            x: r.radius_px,
            y: 100.0 * r.light,
            bar: Some((100.0 * (r.light - r.sigma), 100.0 * (r.light + r.sigma))),
        });
        layers.push(Layer::Points(points.collect(), Shape::Ring, Ink::Text));
    }
    layers.push(Layer::Dashes(vec![(-0.5 * fwhm, 50.0), (0.5 * fwhm, 50.0)], Ink::Text));
    let width = format!("FWHM {} px", with_sigma(fwhm, session.fwhm_px.sigma));
    layers.push(Layer::Words {
        at: ((0.5 * fwhm - 0.5).ceil() + 0.5 + 0.03 * reach, 50.5),
        text: width,
        ends_there: false,
        ink: Ink::Text,
    });
    let told: Vec<Told> =
        pixels.iter().map(|(k, flux)| (f64::from(*k), 100.0 * flux / peak, of_pixel(*k, *flux))).collect();
    let (svg, marks) = draw(620, &x, &y, &layers, &told)?;
    let (on_corner, on_middle) = (star.pixel_flux(0.5, 0.5), star.pixel_flux(0.0, 0.0));
    let title = format!(
        "The brightest pixel catches {} to {} % of a star's light, by where it falls",
        two_digits(100.0 * on_corner),
        two_digits(100.0 * on_middle)
    );
    let outwards = pixels.iter().filter(|(k, _)| *k >= 0).map(|(k, flux)| of_pixel(*k, *flux));
    let alt = format!(
        "{title}. FWHM before the pixel {} px, as recorded {} px. Star on the middle of a pixel, along its row: {}.",
        with_sigma(fwhm, session.fwhm_px.sigma),
        plain(star.recorded_fwhm_px()),
        outwards.collect::<Vec<_>>().join("; ")
    );
    let caption = caption(session, image.as_ref(), fwhm);
    Ok(Some(Figure { title, svg, marks, alt, caption }))
}

/// What the figure shows.
fn caption(session: &Session, image: Option<&StarImage>, fwhm: f64) -> String {
    let shown = session.star_image.as_ref();
    let mut caption = "Curve: the star image before the pixels, as the fits to the stars give it; band: one standard \
                       uncertainty of its width. Steps: what the pixels of one row record of a star that falls on the \
                       middle of one. Uprights: the pixels' edges."
        .to_owned();
    if shown.is_some_and(|i| !i.rings.is_empty()) {
        caption += " Points with errors: the light that the pixels of the brightest isolated stars hold on average at that \
                    distance, wherever each star falls on its pixel.";
    }
    match image {
        Some(image) => caption += &parts_in_words(image, fwhm),
        None if shown.is_some() => {
            caption += " No model describes these stars: the curve is the Moffat that comes nearest, with the width of their mean \
                        image.";
        }
        None => (),
    }
    if session.settings.cfa.is_some() {
        caption += " Behind the colour filters only every second pixel of a row sees green.";
    }
    caption
}

/// Inks of the parts of an image.
const PARTS: [Ink; 2] = [Ink::Third, Ink::Fourth];

/// Share of the image's half width below which a part is not drawn: its curve would be the axis.
const LEAST_PART: f64 = 0.05;

/// What the image is made of, each part by itself, as dashes.
fn parts(image: &StarImage, fwhm_px: f64, places: &[f64]) -> Vec<Layer> {
    let widths = image.half_widths();
    let of = |part: usize| {
        let at = |r: &f64| image.parts_at(r.abs() / (0.5 * fwhm_px))[part].map(|light| (*r, 100.0 * light));
        Layer::Dashes(places.iter().filter_map(at).collect(), PARTS[part])
    };
    (0..PARTS.len()).filter(|part| widths[*part] > LEAST_PART).map(of).collect()
}

fn parts_in_words(image: &StarImage, fwhm_px: f64) -> String {
    let widths = image.half_widths();
    let names = ["air, focus, guiding and the spread of charge together", "diffraction of the aperture"];
    let told = (0..PARTS.len()).filter(|part| widths[*part] > LEAST_PART);
    let each: Vec<String> = told
        .map(|part| format!("{} {} px", names[part], plain((100.0 * widths[part] * fwhm_px).round() / 100.0)))
        .collect();
    format!(" Dashes: its parts by themselves, FWHM each: {}.", each.join(", "))
}

/// The pixels' edges.
fn edges(reach: f64) -> impl Iterator<Item = f64> {
    let last = reach.floor() as i32;
    (-last - 1..=last).map(|k| f64::from(k) + 0.5)
}

fn of_pixel(k: i32, flux: f64) -> String {
    let place = match k {
        0 => "middle pixel".to_owned(),
        1 | -1 => "next pixel".to_owned(),
        _ => format!("{} pixels away", k.abs()),
    };
    format!("{place} {} % of the star's light", two_digits(100.0 * flux))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::facts::Quantity;
    use crate::report::sample;

    #[test]
    fn the_share_of_one_pixel_is_the_title() {
        let mut session = sample::report().sessions[0].clone();
        // Check value C1.8 (error-function form, scipy): a Gaussian of 2 px leaves 0.1970835 in its pixel; on a corner
        // it is (erf(1/(sqrt2 sigma))/2)^2 = 0.144768 with sigma = 0.849322 px, in the next pixel 0.106253 (python's erf). A Moffat of this exponent is one to 2 %.
        session.fwhm_px = Quantity::measured(2.0, 0.05, "fit", 9);
        session.moffat_beta = Quantity::measured(1e4, 1.0, "fit", 9);
        session.star_image = None;
        let figure = star_image(&session).unwrap().unwrap();
        assert!(figure.title.starts_with("The brightest pixel catches 14 to 20 % of"), "{}", figure.title);
        assert!(figure.alt.contains("middle pixel 20 % of the star's light; next pixel 11 %"), "{}", figure.alt);
    }

    #[test]
    fn a_pixel_each_is_told_and_drawn() {
        let figure = star_image(&sample::report().sessions[0]).unwrap().unwrap();
        // 2 FWHM of 2.61 px are 5.2: six whole pixels either side of the middle one.
        assert_eq!(figure.marks.places.len(), 13);
        assert!(figure.svg.contains("FWHM 2.610 ± 0.090 px"), "the width stands in the figure");
    }

    #[test]
    fn an_unknown_star_makes_no_chart() {
        let mut session = sample::report().sessions[0].clone();
        session.moffat_beta = Quantity::not_measurable("no stars");
        session.star_image = None;
        assert!(star_image(&session).unwrap().is_none());
    }
}
