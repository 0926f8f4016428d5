//! Photon transfer: variance against mean of flat pairs.
//!
//! Source: Janesick, *Photon Transfer* (2007): variance = read noise^2 + mean / gain, in ADU; where the flats tell it, with
//! the curvature that was fitted.

use super::canvas::{Axis, Ink, Layer, Point, Shape, Told, draw};
use super::figure::{Figure, PlotError};
use crate::report::InWords;
use crate::report::model::SensorEntry;
use crate::report::words::numbers::{plain, with_sigma};
use crate::sensor::SensorResult;

/// Steps in which the curve is drawn.
const CURVE_STEPS: i32 = 40;
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
    let line = |mean: f64| curve(result, mean);
    let mut layers = Vec::new();
    let places = (0..=CURVE_STEPS).map(|i| right * f64::from(i) / f64::from(CURVE_STEPS));
    let drawn: Vec<(f64, f64)> = places.filter_map(|x| Some((x, line(x)?))).collect();
    if !drawn.is_empty() {
        layers.push(Layer::Line(drawn, Ink::First));
    }
    let dots = points.iter().map(|(x, y)| Point { x: *x, y: *y, bar: None }).collect();
    layers.push(Layer::Points(dots, Shape::Ring, Ink::Second));
    let told: Vec<Told> = points
        .iter()
        .map(|(m, v)| (*m, *v, format!("mean {} ADU: variance {} ADU²", rounded(*m), rounded(*v))))
        .collect();
    let (svg, marks) = draw(620, &x, &y, &layers, &told)?;
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
        "Rings: one flat pair each (of each colour of a mosaic). Line: noise without light plus mean over gain, bent \
         where the levels tell a curvature. Points that fall away from it at the bright end mean full pixels."
            .to_owned()
    } else {
        format!("Rings: one flat pair each. No line: {}", result.gain_e_per_adu.why())
    };
    Ok(Some(Figure { title, svg, marks, alt, caption }))
}

/// Variance that the curve gives at a signal, ADU^2; `None` without a gain.
fn curve(result: &SensorResult, signal: f64) -> Option<f64> {
    let gain = result.gain_e_per_adu.value.filter(|g| *g > 0.0)?;
    let read_adu2 = result.read_noise_adu.value.map_or(0.0, |r| r * r);
    let (dark, bend) = result
        .photon_transfer_fit
        .as_ref()
        .map_or((read_adu2, 0.0), |f| (f.dark_variance_adu2, f.curvature_per_adu.value.unwrap_or(0.0)));
    Some(dark + signal / gain * (1.0 + bend * signal))
}

/// What is left of the flat pairs' variance when the curve is taken off, in per cent of it, with their errors; `None`
/// with fewer than two pairs that have a gain.
///
/// # Errors
///
/// The drawing library fails.
pub fn transfer_residuals(sensor: &SensorEntry) -> Result<Option<Figure>, PlotError> {
    let result = &sensor.result;
    let dark = curve(result, 0.0).unwrap_or(0.0);
    let left: Vec<Point> = result
        .photon_transfer
        .iter()
        .filter_map(|p| {
            let (gain, sigma) = p.gain_e_per_adu.pair().filter(|(g, _)| *g > 0.0)?;
            let y = 100.0 * ((p.variance_adu2 - dark) / (curve(result, p.mean_adu)? - dark) - 1.0);
            let error = 100.0 * sigma / gain;
            (p.mean_adu.is_finite() && y.is_finite()).then_some(Point {
                x: p.mean_adu,
                y,
                bar: Some((y - error, y + error)),
            })
        })
        .collect();
    if left.len() < 2 {
        return Ok(None);
    }
    let extent = |f: fn(&Point) -> f64, pick: fn(f64, f64) -> f64| left.iter().map(f).fold(0.0, pick);
    let right = extent(|p| p.x, f64::max);
    let dimmest = left.iter().map(|p| p.x).fold(f64::INFINITY, f64::min);
    // Pairs of one level would stand on each other.
    let x = if right < ONE_LEVEL * dimmest {
        Axis::linear("mean signal, ADU", dimmest, right, 0.06)
    } else {
        Axis::linear("mean signal, ADU", 0.0, right, 0.06).starting_at(0.0)
    };
    let (low, high) =
        (extent(|p| p.bar.map_or(p.y, |b| b.0), f64::min), extent(|p| p.bar.map_or(p.y, |b| b.1), f64::max));
    let y = Axis::linear("variance off the curve, %", low, high, 0.1);
    let within = left.iter().filter(|p| p.bar.is_some_and(|b| b.0 <= 0.0 && b.1 >= 0.0)).count();
    let title = format!("{within} of {} flat pairs meet the curve within their own error", left.len());
    let numbers: Vec<String> = left
        .iter()
        .map(|p| format!("{} ADU: {}", rounded(p.x), with_sigma(p.y, p.bar.map(|b| 0.5 * (b.1 - b.0)))))
        .collect();
    let alt = format!("{title}. Deviation in per cent by mean signal: {}.", numbers.join("; "));
    let told: Vec<Told> = left.iter().zip(&numbers).map(|(p, words)| (p.x, p.y, format!("mean {words} %"))).collect();
    let layers = [
        Layer::Dashes(vec![(x.range.0, 0.0), (x.range.1, 0.0)], Ink::First),
        Layer::Points(left, Shape::Ring, Ink::Second),
    ];
    let (svg, marks) = draw(420, &x, &y, &layers, &told)?;
    let bend = result.photon_transfer_fit.as_ref().map(|f| &f.curvature_per_adu);
    let caption = match bend {
        Some(k) if k.is_known() => {
            "Two of three should. A curve that bends is part of the fit: pixels that fill share their charge, and the \
             variance falls short of the line."
        }
        _ => "Two of three should. Levels that differ threefold would test the straight line.",
    };
    Ok(Some(Figure { title, svg, marks, alt, caption: caption.to_owned() }))
}

fn rounded(x: f64) -> String {
    plain(if x.abs() >= 100.0 { x.round() } else { x })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::facts::Quantity;
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
    fn residuals_are_counted_against_the_curve() {
        let mut sensor = sample::report().sensors[0].clone();
        let figure = transfer_residuals(&sensor).unwrap().unwrap();
        // The sample strays by 0.4, -0.7, 0.6, -0.3, 0.2 and -0.2 % with errors of 1.3 %.
        assert!(figure.title.starts_with("6 of 6"), "{}", figure.title);
        sensor.result.photon_transfer[1].variance_adu2 *= 1.1;
        assert!(transfer_residuals(&sensor).unwrap().unwrap().title.starts_with("5 of 6"));
        sensor.result.photon_transfer.truncate(1);
        assert!(transfer_residuals(&sensor).unwrap().is_none());
    }

    #[test]
    fn no_pairs_make_no_chart() {
        let mut sensor = sample::report().sensors[0].clone();
        sensor.result.photon_transfer.clear();
        assert!(photon_transfer(&sensor).unwrap().is_none());
    }
}
