//! Star images over the frame: lines of equal width, and strokes along the elongation.

use plotters::prelude::*;

use super::canvas::{Ink, WIDTH, lettering, multiples, paint, round_step, sheet};
use super::contours::{Place, contours};
use super::figure::{Figure, Mark, Marks, PlotError};
use crate::report::words::WordedField;
use crate::report::words::numbers::plain;
use crate::stars::field::FieldSurface;

/// Chart units: margin around the frame, tallest frame, height of the key below it.
const MARGIN: f64 = 12.0;
const TALLEST: f64 = 1040.0;
const KEY: f64 = 130.0;
/// Length of the line in the key.
const KEY_LINE: f64 = 60.0;
/// Strokes along the longer side of the frame, and the longest as a share of the distance between two.
const STROKES: usize = 9;
const LONGEST: f64 = 0.85;
/// Ellipticity that the longest stroke stands for at least, so that round stars look round.
const LEAST_FULL_SCALE: f64 = 0.1;
/// Grid cells for the lines along either axis.
const CELLS: usize = 48;
/// Relative range of the width below which no line is drawn: it would show errors.
const LEAST_RANGE: f64 = 0.02;
/// Room of a number on a line, chart units.
const LABEL: (f64, f64) = (104.0, 52.0);

/// A line in chart units.
type Line = Vec<Place>;

/// Where the frame lies on the sheet.
struct Map {
    half: [f64; 2],
    scale: f64,
    left: f64,
}

impl Map {
    fn new(half: [f64; 2]) -> Self {
        let across = f64::from(WIDTH) - 2.0 * MARGIN;
        let scale = (across / (2.0 * half[0])).min(TALLEST / (2.0 * half[1]));
        Self { half, scale, left: 0.5 * (f64::from(WIDTH) - 2.0 * half[0] * scale) }
    }

    /// Place on the sheet; rows of the file count upwards.
    fn at(&self, u: f64, v: f64) -> Place {
        (self.left + (u + self.half[0]) * self.scale, MARGIN + (self.half[1] - v) * self.scale)
    }

    fn height(&self) -> f64 {
        2.0 * self.half[1] * self.scale + 2.0 * MARGIN
    }
}

fn round((x, y): Place) -> (i32, i32) {
    (x.round() as i32, y.round() as i32)
}

/// The map of a session's star images; `None` where they are not measurable.
///
/// # Errors
///
/// The drawing library fails.
pub fn star_field(field: &WordedField) -> Result<Option<Figure>, PlotError> {
    let Some(surface) = &field.surface else { return Ok(None) };
    let map = Map::new(surface.half_size);
    let levels = levels(surface);
    let lines: Vec<(f64, Vec<Line>)> = levels
        .iter()
        .map(|l| (*l, contours(|u, v| surface.fwhm_px(u, v), surface.half_size, CELLS, *l)))
        .map(|(l, found)| (l, found.iter().map(|c| c.iter().map(|p| map.at(p.0, p.1)).collect()).collect()))
        .collect();
    let mut labels: Vec<(Place, String)> = Vec::new();
    for (level, pieces) in &lines {
        if let Some(place) = free_place(pieces, &labels, &map) {
            labels.push((place, plain(*level)));
        }
    }
    let covered =
        |p: &Place| labels.iter().any(|((x, y), _)| (p.0 - x).abs() < LABEL.0 / 2.0 && (p.1 - y).abs() < LABEL.1 / 2.0);
    let (strokes, per_unit, full) = strokes(surface, &map);
    let good = field.corrected_radius_fraction.value.filter(|_| field.corrected_to_the_corner == Some(false));
    let svg = sheet((map.height() + KEY).round() as u32, |area| {
        let failed = |e: DrawingAreaErrorKind<_>| e.to_string();
        let (a, b) = (map.at(-map.half[0], map.half[1]), map.at(map.half[0], -map.half[1]));
        area.draw(&Rectangle::new([round(a), round(b)], paint(Ink::Rule).stroke_width(3))).map_err(failed)?;
        let path = |points: &[Place], ink: Ink, width: u32| {
            for piece in points.split(|p| covered(p)).filter(|p| p.len() > 1) {
                let drawn: Vec<(i32, i32)> = piece.iter().map(|p| round(*p)).collect();
                area.draw(&PathElement::new(drawn, paint(ink).stroke_width(width))).map_err(failed)?;
            }
            Ok::<(), String>(())
        };
        if let Some(radius) = good {
            for piece in circle(radius, &map) {
                path(&piece, Ink::Fourth, 3)?;
            }
        }
        for line in lines.iter().flat_map(|l| &l.1) {
            path(line, Ink::First, 4)?;
        }
        for stroke in &strokes {
            if !stroke.iter().any(covered) {
                path(stroke, Ink::Second, 5)?;
            }
        }
        for ((x, y), text) in &labels {
            let place = round((x - LABEL.0 / 2.0 + 12.0, *y));
            area.draw(&Text::new(text.clone(), place, lettering(Ink::First))).map_err(failed)?;
        }
        let y = map.height() + 30.0;
        path(&[(map.left, y), (map.left + full * per_unit, y)], Ink::Second, 5)?;
        let words = format!("ellipticity {}", plain(full));
        // Both keys' words begin below each other.
        let words_at = map.left + (full * per_unit).max(KEY_LINE) + 24.0;
        let place = round((words_at, y));
        area.draw(&Text::new(words, place, lettering(Ink::Text))).map_err(failed)?;
        if !lines.is_empty() {
            path(&[(map.left, y + 56.0), (map.left + KEY_LINE, y + 56.0)], Ink::First, 4)?;
            let words = "FWHM before the pixel, px";
            area.draw(&Text::new(words, round((words_at, y + 56.0)), lettering(Ink::Text))).map_err(failed)?;
        }
        Ok(())
    })?;
    let title = field.finding.clone();
    let alt = format!("{title}. {}", in_words(surface));
    Ok(Some(Figure { title, svg, marks: marks(surface, &map), alt, caption: caption(&levels, good.is_some()) }))
}

fn caption(levels: &[f64], circle: bool) -> String {
    let mut text = "The frame as the file has it, its first row at the bottom. Strokes run along the long axis of the \
                    stars, and their length shows the ellipticity."
        .to_owned();
    text += if levels.is_empty() {
        " Lines of equal FWHM are left out: it varies by less than 2 %."
    } else {
        " Lines join places of equal FWHM."
    };
    if circle {
        text += " Within the grey circle the stars are good.";
    }
    text + " All are taken from smooth surfaces through the stars of all frames, not from single stars."
}

/// Round widths that occur in the frame.
fn levels(surface: &FieldSurface) -> Vec<f64> {
    let [hu, hv] = surface.half_size;
    let n = CELLS as i32;
    let grid = (-n..=n).flat_map(|i| (-n..=n).map(move |j| (f64::from(i) / f64::from(n), f64::from(j) / f64::from(n))));
    let (low, high) = grid
        .map(|(a, b)| surface.fwhm_px(a * hu, b * hv))
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), f| (l.min(f), h.max(f)));
    if !(low > 0.0 && high.is_finite()) || high - low < LEAST_RANGE * surface.central_fwhm_px {
        return Vec::new();
    }
    // Multiples of a step come with the noise of their product.
    multiples(round_step((high - low) / 5.0), (low, high)).iter().map(|l| (l * 1e6).round() / 1e6).collect()
}

/// A place on a line for its number: inside the frame, away from the others, nearest to the frame's right middle.
fn free_place(pieces: &[Vec<Place>], labels: &[(Place, String)], map: &Map) -> Option<Place> {
    let (right, middle) = map.at(0.55 * map.half[0], 0.35 * map.half[1]);
    let (top, bottom) = (map.at(-map.half[0], map.half[1]), map.at(map.half[0], -map.half[1]));
    let inside = |p: &&Place| {
        p.0 > top.0 + LABEL.0 / 2.0
            && p.0 < bottom.0 - LABEL.0 / 2.0
            && p.1 > top.1 + LABEL.1 / 2.0
            && p.1 < bottom.1 - LABEL.1 / 2.0
    };
    let clear =
        |p: &&Place| labels.iter().all(|((x, y), _)| (p.0 - x).abs() > LABEL.0 || (p.1 - y).abs() > 1.2 * LABEL.1);
    let distance = |p: &Place| (p.0 - right).hypot(p.1 - middle);
    let places = pieces.iter().flatten().filter(inside).filter(clear);
    places.min_by(|a, b| distance(a).total_cmp(&distance(b))).copied()
}

/// Distance between strokes, half diagonals.
fn pitch(map: &Map) -> f64 {
    2.0 * map.half[0].max(map.half[1]) / STROKES as f64
}

/// Places of the strokes, half diagonals from the centre.
fn stroke_places(map: &Map) -> Vec<Place> {
    let [hu, hv] = map.half;
    let pitch = pitch(map);
    let count = |h: f64| ((2.0 * h / pitch).round() as usize).max(1);
    let (nx, ny) = (count(hu), count(hv));
    let at = |i: usize, n: usize, h: f64| h * ((2 * i + 1) as f64 / n as f64 - 1.0);
    (0..ny).flat_map(|j| (0..nx).map(move |i| (at(i, nx, hu), at(j, ny, hv)))).collect()
}

/// Strokes, chart units for an ellipticity of 1, and the ellipticity of the stroke in the key.
fn strokes(surface: &FieldSurface, map: &Map) -> (Vec<Line>, f64, f64) {
    let pitch = pitch(map);
    let places = stroke_places(map);
    let largest = places.iter().map(|(u, v)| surface.elongation(*u, *v).0).fold(LEAST_FULL_SCALE, f64::max);
    let per_unit = LONGEST * pitch * map.scale / largest;
    let stroke = |(u, v): &Place| {
        let (e, angle) = surface.elongation(*u, *v);
        let (x, y) = map.at(*u, *v);
        let (dx, dy) = (0.5 * e * per_unit * angle.cos(), -0.5 * e * per_unit * angle.sin());
        vec![(x - dx, y - dy), (x + dx, y + dy)]
    };
    (places.iter().map(stroke).collect(), per_unit, round_step(0.3 * largest))
}

/// The parts of a circle about the centre that lie in the frame.
fn circle(radius: f64, map: &Map) -> Vec<Line> {
    let places =
        (0..=180).map(|k| std::f64::consts::TAU * f64::from(k) / 180.0).map(|a| (radius * a.cos(), radius * a.sin()));
    let places: Vec<Place> = places.collect();
    let inside = |p: &Place| p.0.abs() <= map.half[0] && p.1.abs() <= map.half[1];
    places.split(|p| !inside(p)).map(|piece| piece.iter().map(|p| map.at(p.0, p.1)).collect()).collect()
}

/// What the surfaces say where the strokes are.
fn marks(surface: &FieldSurface, map: &Map) -> Marks {
    let mark = |(u, v): Place| {
        let (x, y) = round(map.at(u, v));
        Mark { x, y, words: at_place(surface, u, v) }
    };
    let height = (map.height() + KEY).round() as u32;
    Marks { height, places: stroke_places(map).into_iter().map(mark).collect() }
}

fn at_place(surface: &FieldSurface, u: f64, v: f64) -> String {
    let (e, angle) = surface.elongation(u, v);
    let degrees = angle.to_degrees().rem_euclid(180.0);
    format!("FWHM {:.2} px, ellipticity {e:.3} along {degrees:.0} degrees", surface.fwhm_px(u, v))
}

fn in_words(surface: &FieldSurface) -> String {
    let [u, v] = surface.half_size;
    let places = [
        ("centre", 0.0, 0.0),
        ("lower left corner", -u, -v),
        ("lower right corner", u, -v),
        ("upper left corner", -u, v),
        ("upper right corner", u, v),
    ];
    let words: Vec<String> =
        places.iter().map(|(name, u, v)| format!("{name}: {}", at_place(surface, *u, *v))).collect();
    format!("From smooth surfaces through the stars, {}.", words.join("; "))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::sample;

    #[test]
    fn the_finding_is_the_title_and_the_corners_are_in_words() {
        let field = &sample::report().sessions[0].field;
        let figure = star_field(field).unwrap().unwrap();
        assert_eq!(figure.title, field.finding);
        assert!(figure.title.contains("widen"), "{}", figure.title);
        assert!(figure.alt.contains("upper right corner: FWHM"), "{}", figure.alt);
        assert!(figure.svg.contains("ellipticity 0."), "no key for the strokes");
        // Six by nine strokes, lines, their key: the drawing is not empty, and not a burden.
        assert!(figure.svg.matches("<polyline").count() > 54 && figure.svg.len() < 60_000, "{}", figure.svg.len());
    }

    #[test]
    fn what_is_not_measurable_makes_no_chart() {
        assert!(star_field(&sample::report().sessions[1].field).unwrap().is_none());
    }
}
