//! How many pixels have which dark rate.

use super::canvas::{Axis, Ink, Layer, Told, draw};
use super::figure::{Figure, PlotError};
use crate::report::model::SensorEntry;
use crate::report::words::numbers::plain;
use crate::sensor::PixelDarkRates;

/// Distribution of the pixels' dark rates at the warmest and the coldest temperature, both axes logarithmic; `None`
/// where no pixel has a rate.
///
/// # Errors
///
/// The drawing library fails.
pub fn pixel_rates(sensor: &SensorEntry) -> Result<Option<Figure>, PlotError> {
    let mut known: Vec<&PixelDarkRates> =
        sensor.result.pixel_dark_rates.iter().filter(|p| p.celsius.is_some() && !steps(p).is_empty()).collect();
    known.sort_by(|a, b| b.celsius.unwrap_or(0.0).total_cmp(&a.celsius.unwrap_or(0.0)));
    let Some(warmest) = known.first().copied() else { return Ok(None) };
    let coldest = known.last().copied().filter(|_| known.len() > 1);
    let all: Vec<(f64, f64, f64)> = steps(warmest).into_iter().chain(coldest.map(steps).unwrap_or_default()).collect();
    let low = all.iter().map(|s| s.0).fold(f64::INFINITY, f64::min);
    let high = all.iter().map(|s| s.1).fold(0.0, f64::max);
    let most = all.iter().map(|s| s.2).fold(1.0, f64::max);
    let x = Axis::logarithmic("dark current of a pixel, e⁻/s", low, high);
    let y = Axis::logarithmic("pixels", 1.0, most);
    let mut layers = Vec::new();
    if let Some(coldest) = coldest {
        layers.push(Layer::Dashes(outline(coldest, y.range.0), Ink::Second));
    }
    layers.push(Layer::Line(outline(warmest, y.range.0), Ink::First));
    let told: Vec<Told> = [Some(warmest), coldest].into_iter().flatten().flat_map(told).collect();
    let (svg, marks) = draw(620, &x, &y, &layers, &told)?;
    let title = finding(warmest);
    let mut caption = format!("Line: at {:.1} °C", warmest.celsius.unwrap_or(0.0));
    if let Some(coldest) = coldest {
        caption += &format!("; dashes: at {:.1} °C", coldest.celsius.unwrap_or(0.0));
    }
    caption += ". Each step is 58 % wider than the last. What lies left of the peak is the noise of the darks.";
    let alt = format!("{title}.{}{}", words(warmest), coldest.map(words).unwrap_or_default());
    Ok(Some(Figure { title, svg, marks, alt, caption }))
}

/// Edges and number of the steps that hold pixels; pixels below the lowest edge have no place on a logarithmic axis.
fn steps(rates: &PixelDarkRates) -> Vec<(f64, f64, f64)> {
    let with_edges = rates.histogram.iter().filter(|s| s.pixels > 0);
    with_edges.filter_map(|s| Some((s.from_e_per_px_s?, s.to_e_per_px_s, s.pixels as f64))).collect()
}

/// The steps as a reader is told of them, each at its middle.
fn told(rates: &PixelDarkRates) -> Vec<Told> {
    let celsius = rates.celsius.unwrap_or(0.0);
    let words = |(from, to, pixels): (f64, f64, f64)| {
        let at = 0.5 * (from.log10() + to.log10());
        let text = format!("{celsius:.1} °C, {} to {} e⁻/s: {pixels} pixels", plain(from), plain(to));
        (at, pixels.log10(), text)
    };
    steps(rates).into_iter().map(words).collect()
}

/// The steps as one line, down to the axis at `floor` between steps that do not touch.
fn outline(rates: &PixelDarkRates, floor: f64) -> Vec<(f64, f64)> {
    let (mut line, mut reached): (Vec<(f64, f64)>, Option<f64>) = (Vec::new(), None);
    for (from, to, pixels) in steps(rates) {
        if reached.is_none_or(|r| (from / r - 1.0).abs() > 1e-6) {
            line.extend(reached.map(|r| (r.log10(), floor)));
            line.push((from.log10(), floor));
        }
        line.extend([(from.log10(), pixels.log10()), (to.log10(), pixels.log10())]);
        reached = Some(to);
    }
    line.extend(reached.map(|r| (r.log10(), floor)));
    line
}

fn finding(rates: &PixelDarkRates) -> String {
    let at = rates.celsius.map_or_else(String::new, |c| format!(" at {c:.1} °C"));
    match (rates.hot_pixels, rates.hot_above_e_per_s) {
        (Some(hot), Some(limit)) => {
            let share = 100.0 * hot as f64 / rates.pixels.max(1) as f64;
            format!("{hot} pixels ({} %) are hot{at}: more than {} e⁻/s above the others", plain(share), plain(limit))
        }
        _ => format!("Dark current of the pixels one by one{at}"),
    }
}

fn words(rates: &PixelDarkRates) -> String {
    let list: Vec<String> = rates
        .quantiles
        .iter()
        .map(|q| format!("{} % of the pixels below {}", plain(100.0 * q.share), plain(q.e_per_px_s)))
        .collect();
    format!(" At {:.1} °C, e⁻/s: {}.", rates.celsius.unwrap_or(0.0), list.join("; "))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::sample;
    use crate::sensor::RateStep;

    #[test]
    fn the_chart_states_its_finding_and_gaps_reach_the_axis() {
        let mut report = sample::report();
        let rates = &mut report.sensors[0].result.pixel_dark_rates;
        assert!(!rates.is_empty(), "the sample has pixels");
        let step =
            |from: Option<f64>, to: f64, pixels: u64| RateStep { from_e_per_px_s: from, to_e_per_px_s: to, pixels };
        rates.truncate(1);
        rates[0].celsius = Some(10.0);
        (rates[0].hot_pixels, rates[0].hot_above_e_per_s, rates[0].pixels) = (Some(30), Some(1.2), 1000);
        rates[0].histogram = vec![
            step(None, 0.01, 5),
            step(Some(0.01), 0.1, 900),
            step(Some(0.1), 1.0, 65),
            step(Some(10.0), 100.0, 30),
        ];
        let line = outline(&rates[0], -0.1);
        assert_eq!(line.iter().filter(|p| p.1 == -0.1).count(), 4, "two pieces, each from and to the axis: {line:?}");
        let figure = pixel_rates(&report.sensors[0]).unwrap().unwrap();
        assert!(figure.title.starts_with("30 pixels (3 %) are hot at 10.0 °C: more than 1.2 e⁻/s"), "{}", figure.title);
        assert!(figure.alt.contains("% of the pixels below"), "{}", figure.alt);
        report.sensors[0].result.pixel_dark_rates.clear();
        assert!(pixel_rates(&report.sensors[0]).unwrap().is_none());
    }
}
