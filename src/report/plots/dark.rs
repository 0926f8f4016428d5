//! Dark current against temperature.

use super::canvas::{Axis, Ink, Layer, Point, Shape, Told, draw};
use super::figure::{Figure, PlotError};
use crate::facts::Source;
use crate::report::model::SensorEntry;
use crate::report::words::numbers::{plain, two_digits, with_sigma};
use crate::report::words::sensor::dark::model;
use crate::sensor::{DarkCurrent, DarkPoint};
use crate::units::{BOLTZMANN_EV_PER_K, Celsius};

/// Points along the drawn curve; more would not be seen.
const CURVE_STEPS: usize = 60;
/// Least part of a decade's value that an error bar may reach down to on a logarithmic axis.
const LOWEST_BAR: f64 = 0.1;

/// Dark rate at each temperature, logarithmic, with the fitted law; `None` without a positive rate.
///
/// # Errors
///
/// The drawing library fails.
pub fn dark_current(sensor: &SensorEntry) -> Result<Option<Figure>, PlotError> {
    let dark = &sensor.result.dark_current;
    let rates = |pick: fn(&DarkPoint) -> Option<(f64, f64)>| -> Vec<(f64, f64, f64)> {
        let known = dark.points.iter().filter(|p| p.celsius.is_finite()).filter_map(|p| Some((p.celsius, pick(p)?)));
        known.map(|(c, (v, s))| (c, v, s)).collect()
    };
    let by_mean = rates(|p| p.rate_e_per_px_s.pair());
    let by_variance = rates(|p| p.variance_rate_e_per_px_s.pair());
    let shown: Vec<(f64, f64, f64)> = by_mean.iter().chain(&by_variance).copied().filter(|p| p.1 > 0.0).collect();
    if shown.is_empty() {
        return Ok(None);
    }
    let low = shown.iter().map(|p| p.1).fold(f64::INFINITY, f64::min);
    let high = shown.iter().map(|p| p.1 + p.2).fold(0.0, f64::max);
    let coldest = shown.iter().map(|p| p.0).fold(f64::INFINITY, f64::min);
    let warmest = shown.iter().map(|p| p.0).fold(f64::NEG_INFINITY, f64::max);
    let x = Axis::linear("sensor temperature, °C", coldest, warmest, 0.08);
    let y = Axis::logarithmic("dark current, e⁻/px/s", low, high);
    let logarithms = |points: &[(f64, f64, f64)]| -> Vec<Point> {
        let positive = points.iter().filter(|p| p.1 > 0.0);
        positive
            .map(|(c, v, s)| Point {
                x: *c,
                y: v.log10(),
                bar: Some(((v - s).max(v * LOWEST_BAR).log10().max(y.range.0), (v + s).log10())),
            })
            .collect()
    };
    let mut layers = Vec::new();
    let curve: Vec<(f64, f64)> = (0..=CURVE_STEPS)
        .map(|i| coldest + (warmest - coldest) * i as f64 / CURVE_STEPS as f64)
        .filter_map(|c| law(dark, c).filter(|v| *v > 0.0).map(|v| (c, v.log10())))
        .filter(|(_, v)| (y.range.0..=y.range.1).contains(v))
        .collect();
    let has_curve = curve.len() > 1 && warmest > coldest;
    let band = band(dark, (coldest, warmest), y.range);
    if has_curve {
        layers.push(Layer::Band(band.iter().map(|(c, low, high, _)| (*c, *low, *high)).collect(), Ink::First));
        layers.push(Layer::Line(curve, Ink::First));
    }
    layers.push(Layer::Points(logarithms(&by_variance), Shape::Ring, Ink::Second));
    layers.push(Layer::Points(logarithms(&by_mean), Shape::Disc, Ink::First));
    let told: Vec<Told> = [(&by_mean, "mean"), (&by_variance, "variance")]
        .into_iter()
        .flat_map(|(points, name)| points.iter().filter(|p| p.1 > 0.0).map(move |p| (name, p)))
        .map(|(name, (c, v, s))| {
            let rate = with_sigma(*v, Some(*s));
            (*c, v.log10(), format!("{c:.1} °C, from the {name}: {rate} e⁻/px/s"))
        })
        .collect();
    let (svg, marks) = draw(620, &x, &y, &layers, &told)?;
    let title = finding(dark);
    let hidden = by_mean.iter().chain(&by_variance).filter(|p| p.1 <= 0.0).count();
    let mut caption =
        "Discs: from the growth of the mean level. Rings: from the growth of the variance. Rings far above the discs \
         would mean that the camera takes off a dark level of its own."
            .to_owned();
    if has_curve {
        caption += &format!(" Line: the fitted law ({}).", model(&dark.model));
        let widest = band.iter().map(|b| b.3).fold(0.0, f64::max);
        if widest > 0.0 {
            caption +=
                &format!(" Band: its standard uncertainty, {} % of the rate at most.", two_digits(100.0 * widest));
        }
    }
    if hidden > 0 {
        caption += &format!(" {hidden} rates at or below zero cannot stand on this axis; the table has them.");
    }
    let words = |name: &str, points: &[(f64, f64, f64)]| {
        let list: Vec<String> =
            points.iter().map(|(c, v, s)| format!("{} °C: {}", plain(*c), with_sigma(*v, Some(*s)))).collect();
        if list.is_empty() { String::new() } else { format!(" From the {name}, e⁻/px/s: {}.", list.join("; ")) }
    };
    let alt = format!("{title}.{}{}", words("mean", &by_mean), words("variance", &by_variance));
    Ok(Some(Figure { title, svg, marks, alt, caption }))
}

/// Temperature, lower and upper edge of the law's band of one standard uncertainty (logarithms, kept on the axis), and
/// that uncertainty over the rate; empty without a fitted law.
fn band(dark: &DarkCurrent, (coldest, warmest): (f64, f64), axis: (f64, f64)) -> Vec<(f64, f64, f64, f64)> {
    let Some(law) = &dark.law else { return Vec::new() };
    let temperatures = (0..=CURVE_STEPS).map(|i| coldest + (warmest - coldest) * i as f64 / CURVE_STEPS as f64);
    let rates = temperatures.map(|c| (c, law.rate(c))).filter(|(_, (rate, sigma))| *rate > 0.0 && sigma.is_finite());
    rates
        .map(|(c, (rate, sigma))| {
            let edge = |v: f64| v.max(rate * LOWEST_BAR).log10().clamp(axis.0, axis.1);
            (c, edge(rate - sigma), edge(rate + sigma), sigma / rate)
        })
        .collect()
}

/// The law about the reference temperature: floor + thermal part, by activation energy or else by doubling step.
fn law(dark: &DarkCurrent, celsius: f64) -> Option<f64> {
    let rate = dark.rate_e_per_px_s.value?;
    let reference = dark.reference_celsius?;
    let floor = dark.floor_e_per_px_s.value.unwrap_or(0.0);
    let growth = match (dark.activation_energy_ev.value, dark.doubling_celsius.value) {
        (Some(ea), _) => {
            let inverse = 1.0 / Celsius(celsius).kelvin() - 1.0 / Celsius(reference).kelvin();
            (-ea / BOLTZMANN_EV_PER_K * inverse).exp()
        }
        (None, Some(step)) if step > 0.0 => ((celsius - reference) / step).exp2(),
        _ => return None,
    };
    Some(floor + (rate - floor) * growth).filter(|v| v.is_finite())
}

fn finding(dark: &DarkCurrent) -> String {
    // An assumed step is no finding.
    if let Some(step) = dark.doubling_celsius.value.filter(|_| dark.doubling_celsius.source != Source::Assumed) {
        let at = dark.reference_celsius.map_or_else(String::new, |c| format!(" near {c:.1} °C"));
        return format!("Dark current doubles every {} °C{at}", with_sigma(step, dark.doubling_celsius.sigma));
    }
    match (dark.rate_e_per_px_s.value, dark.reference_celsius) {
        (Some(rate), Some(at)) => format!(
            "Dark current is {} e⁻/px/s at {at:.1} °C; its law with temperature is not known",
            with_sigma(rate, dark.rate_e_per_px_s.sigma)
        ),
        _ => "Dark current was seen, but no law fits it".to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::facts::Quantity;
    use crate::report::sample;

    #[test]
    fn the_doubling_step_is_the_title() {
        let figure = dark_current(&sample::report().sensors[0]).unwrap().unwrap();
        assert_eq!(figure.title, "Dark current doubles every 7.68 ± 0.21 °C near 11.8 °C");
    }

    // C5.15: an Arrhenius law of 0.65 eV grows by 6.57973 from 273.15 to 293.15 K.
    #[test]
    fn the_drawn_curve_follows_the_activation_energy() {
        let mut dark = sample::report().sensors[0].result.dark_current.clone();
        dark.activation_energy_ev = Quantity::measured(0.65, 0.01, "fit", 4);
        dark.floor_e_per_px_s = Quantity::measured(0.0, 0.0, "fit", 4);
        dark.reference_celsius = Some(0.0);
        let ratio = law(&dark, 20.0).unwrap() / law(&dark, 0.0).unwrap();
        // Five decimals are given there.
        assert!((ratio - 6.57973).abs() < 1e-5, "{ratio}");
    }

    #[test]
    fn the_band_is_that_of_the_fitted_law_and_widens_away_from_its_middle() {
        let sensor = sample::report().sensors[0].clone();
        let dark = &sensor.result.dark_current;
        let band = band(dark, (2.1, 17.8), (-5.0, 5.0));
        // Logarithms and their inverse cost a few roundings.
        for (c, low, high, relative) in &band {
            let (rate, sigma) = dark.law.as_ref().unwrap().rate(*c);
            assert!((10f64.powf(*low) - (rate - sigma)).abs() < 1e-12 * rate, "{c}");
            assert!((10f64.powf(*high) - (rate + sigma)).abs() < 1e-12 * rate && *relative == sigma / rate, "{c}");
        }
        // By hand from the sample's covariance at 11.8 C, where the activation energy has no say: 0.01 of 0.31 e-/px/s
        // and the common 0.77 % give 3.3 %. The nearest drawn point, 0.018 C away, has 3e-8 more.
        let least = band.iter().map(|b| b.3).fold(f64::INFINITY, f64::min);
        assert!((least - (0.01f64 / 0.31).hypot(0.0077)).abs() < 1e-7, "{least}");
        assert!(band[0].3 > least && dark_current(&sensor).unwrap().unwrap().caption.contains("Band: its"));
    }

    #[test]
    fn rates_below_zero_are_left_to_the_table() {
        let mut sensor = sample::report().sensors[0].clone();
        sensor.result.dark_current.points[0].rate_e_per_px_s = Quantity::measured(-0.004, 0.006, "mean", 3);
        let figure = dark_current(&sensor).unwrap().unwrap();
        assert!(figure.caption.contains("1 rates at or below zero"), "{}", figure.caption);
        assert!(figure.alt.contains("-0.0040"));
    }
}
