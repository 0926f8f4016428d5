//! Photon transfer: variance against mean of flat pairs.
//!
//! Source: Janesick, *Photon Transfer* (2007): variance = read noise^2 + mean / gain, in ADU.

use super::canvas::{Axis, Ink, Layer, Point, Shape, draw};
use super::{Figure, PlotError};
use crate::report::model::SensorEntry;
use crate::report::numbers::{plain, with_sigma};

/// Ratio of the brightest to the dimmest pair below which all lie at one level: no line is tested by one place on it.
const ONE_LEVEL: f64 = 1.2;

/// Variance against mean signal with the line that the gain and the read noise make; `None` without flat pairs.
///
/// # Errors
///
/// The drawing library fails.
pub fn photon_transfer(sensor: &SensorEntry) -> Result<Option<Figure>, PlotError> {
    let result = &sensor.result;
    let points: Vec<(f64, f64)> = result
        .photon_transfer
        .iter()
        .map(|p| (p.mean_adu, p.variance_adu2))
        .filter(|(m, v)| m.is_finite() && v.is_finite())
        .collect();
    if points.is_empty() {
        return Ok(None);
    }
    let right = points.iter().map(|p| p.0).fold(0.0, f64::max);
    let top = points.iter().map(|p| p.1).fold(0.0, f64::max);
    let x = Axis::linear("mean signal, ADU", 0.0, right, 0.06).starting_at(0.0);
    let y = Axis::linear("variance, ADU²", 0.0, top, 0.1).starting_at(0.0);
    let gain = result.gain_e_per_adu.value.filter(|g| *g > 0.0);
    let read_adu2 = result.read_noise_adu.value.map_or(0.0, |r| r * r);
    let line = |mean: f64| gain.map(|g| read_adu2 + mean / g);
    let mut layers = Vec::new();
    if let (Some(a), Some(b)) = (line(0.0), line(right)) {
        layers.push(Layer::Line(vec![(0.0, a), (right, b)], Ink::First));
    }
    let dots = points.iter().map(|(x, y)| Point { x: *x, y: *y, bar: None }).collect();
    layers.push(Layer::Points(dots, Shape::Ring, Ink::Second));
    let svg = draw(620, &x, &y, &layers)?;
    let worst = points.iter().filter_map(|(m, v)| line(*m).map(|l| (v / l - 1.0).abs())).fold(0.0, f64::max);
    let dimmest = points.iter().map(|p| p.0).fold(f64::INFINITY, f64::min);
    let title = match gain {
        Some(g) if right < ONE_LEVEL * dimmest => format!(
            "Flats of one light level give {} e⁻/ADU; other levels would test it",
            with_sigma(g, result.gain_e_per_adu.sigma)
        ),
        Some(g) => format!(
            "Noise grows with light as {} e⁻/ADU demands; flat pairs stray from that by up to {:.1} %",
            with_sigma(g, result.gain_e_per_adu.sigma),
            100.0 * worst
        ),
        None => "Flat pairs were measured, but they give no gain".to_owned(),
    };
    let numbers: Vec<String> = points.iter().map(|(m, v)| format!("{} to {}", rounded(*m), rounded(*v))).collect();
    let alt = format!("{title}. Mean in ADU to variance in ADU²: {}.", numbers.join("; "));
    let caption = if gain.is_some() {
        "Rings: one flat pair each. Line: read noise squared plus mean over gain. Points that bend away from the line \
         at the bright end mean a sensor near saturation."
            .to_owned()
    } else {
        format!("Rings: one flat pair each. No line: {}", result.gain_e_per_adu.why())
    };
    Ok(Some(Figure { title, svg, alt, caption }))
}

fn rounded(x: f64) -> String {
    plain(if x.abs() >= 100.0 { x.round() } else { x })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quantity::Quantity;
    use crate::report::sample;

    #[test]
    fn gain_and_worst_deviation_are_the_title() {
        let figure = photon_transfer(&sample::report().sensors[0]).unwrap().unwrap();
        // The sample's pairs stray by 0.7 % at most, by construction.
        assert!(figure.title.contains("0.7840 ± 0.0060") && figure.title.ends_with("0.7 %"), "{}", figure.title);
    }

    #[test]
    fn without_a_gain_the_points_stand_without_a_line() {
        let mut sensor = sample::report().sensors[0].clone();
        sensor.result.gain_e_per_adu = Quantity::not_measurable("the flats are saturated");
        let figure = photon_transfer(&sensor).unwrap().unwrap();
        assert!(figure.caption.contains("the flats are saturated"));
    }

    #[test]
    fn no_pairs_make_no_chart() {
        let mut sensor = sample::report().sensors[0].clone();
        sensor.result.photon_transfer.clear();
        assert!(photon_transfer(&sensor).unwrap().is_none());
    }
}
