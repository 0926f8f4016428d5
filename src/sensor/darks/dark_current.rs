//! Dark current over all temperatures: the law, or the one rate that is known and a stated assumption.

use crate::facts::Quantity;
use crate::report::InWords;

use super::dark::DarkSet;
use super::law::{ASSUMED_DOUBLING_C, DarkLaw, LawPoint};
use super::rates::{Rate, SEEN_SIGMAS};
use crate::sensor::{DarkCurrent, DarkPoint};

/// Smallest range of temperature that measures a doubling step, C: half of the smallest published step.
pub(crate) const LEAST_RANGE_C: f64 = 2.5;

/// Puts the rates of all temperatures together.
pub(crate) fn current(
    sets: &[DarkSet],
    rates: &[Result<Rate, String>],
    points: Vec<DarkPoint>,
    gain: &Quantity,
    celsius_sigma: &[f64],
    resolution_c: f64,
    suppressed: bool,
) -> DarkCurrent {
    let gain_relative = gain.pair().map_or(0.0, |(g, s)| s / g);
    // (index, temperature, rate and its independent error in ADU/s)
    let usable: Vec<(usize, Option<f64>, f64, f64)> = (0..sets.len())
        .filter_map(|i| {
            if suppressed {
                let (v, s) = points[i].variance_rate_e_per_px_s.pair()?;
                let g = gain.value?;
                let own = (s * s - (2.0 * v * gain_relative).powi(2)).max(0.0).sqrt();
                return Some((i, sets[i].celsius, v / g, own / g));
            }
            let rate = rates[i].as_ref().ok()?;
            Some((i, sets[i].celsius, rate.adu_per_s, rate.sigma))
        })
        .collect();
    let method = if suppressed {
        "variance of pairs: the mean level does not rise with exposure as the variance does, so the camera takes the dark \
         level off"
    } else {
        "mean level of the pixels that are not hot"
    };
    let mut result = DarkCurrent {
        rate_e_per_px_s: Quantity::not_measurable("dark frames would supply it"),
        reference_celsius: None,
        doubling_celsius: Quantity::not_measurable("dark frames at two temperatures would supply it"),
        thermal_doubling_celsius: Quantity::not_measurable("dark frames at two temperatures would supply it"),
        activation_energy_ev: Quantity::not_measurable("dark frames at two temperatures would supply it"),
        floor_e_per_px_s: Quantity::not_measurable("darks at four temperatures or more would show a floor"),
        model: "none".to_owned(),
        method: method.to_owned(),
        range_celsius: None,
        points,
        suppressed_in_camera: suppressed,
        law: None,
        glow: sets.iter().filter_map(|s| s.glow.clone()).max_by(|a, b| a.exposure_s.total_cmp(&b.exposure_s)),
    };
    let known: Vec<(usize, f64, f64, f64)> = usable.iter().filter_map(|u| Some((u.0, u.1?, u.2, u.3))).collect();
    let span = known.iter().fold(None, |span: Option<[f64; 2]>, k| {
        Some(span.map_or([k.1, k.1], |[low, high]| [low.min(k.1), high.max(k.1)]))
    });
    result.range_celsius = span;
    let seen: Vec<_> = known.iter().filter(|k| k.2 > SEEN_SIGMAS * k.3).collect();
    let wide = span.is_some_and(|[low, high]| high - low >= LEAST_RANGE_C);
    if wide && seen.len() >= 2 {
        let law_points = |relative_per_c: f64| -> Vec<LawPoint> {
            known
                .iter()
                .map(|(i, celsius, rate, sigma)| {
                    let t = celsius_sigma[*i].hypot(resolution_c / 12f64.sqrt());
                    LawPoint { celsius: *celsius, rate: *rate, sigma: sigma.hypot(rate * relative_per_c * t) }
                })
                .collect()
        };
        // The first fit tells how much an error of the temperature matters, the second counts it.
        let first = DarkLaw::fit(&law_points(0.0), 0.0);
        let per_c = first.map_or(0.0, |l| std::f64::consts::LN_2 / l.doubling().0);
        if let Some(law) = DarkLaw::fit(&law_points(per_c), gain_relative * if suppressed { 2.0 } else { 1.0 }) {
            result.adopt(&law, gain, known.len());
            return result;
        }
    }
    // No law: the rate that is best known, and a stated assumption.
    let best = usable.iter().min_by(|a, b| (a.3 / a.2.abs().max(a.3)).total_cmp(&(b.3 / b.2.abs().max(b.3))));
    match best {
        Some(best) => {
            let point = &result.points[best.0];
            result.rate_e_per_px_s =
                if suppressed { &point.variance_rate_e_per_px_s } else { &point.rate_e_per_px_s }.clone();
            result.reference_celsius = best.1;
            result.model = "one temperature: no law".to_owned();
        }
        None => {
            if let Some(Err(why)) = rates.first() {
                result.rate_e_per_px_s = Quantity::not_measurable(why.clone());
            }
        }
    }
    result.doubling_celsius = if wide {
        Quantity::not_measurable(
            "the dark current does not stand out at two temperatures: longer or warmer darks would show it",
        )
    } else if best.is_some_and(|b| b.1.is_some()) {
        let (step, spread) = ASSUMED_DOUBLING_C;
        Quantity::assumed(step, Some(spread), "typical of published sensors").noted(
            "assumption: one dark temperature only; darks at a second temperature at least 5 C apart would measure it",
        )
    } else if best.is_some() {
        Quantity::not_measurable("the temperature of the darks is not known: a temperature card would supply it")
    } else {
        result.doubling_celsius
    };
    result
}

impl DarkCurrent {
    /// Takes over a law that was fitted to ADU rates.
    fn adopt(&mut self, law: &DarkLaw, gain: &Quantity, n: usize) {
        let measured = |(value, sigma): (f64, f64), method: &str| Quantity::measured(value, sigma, method, n);
        let range = self.range_celsius.unwrap_or([law.reference_celsius; 2]);
        self.model = match (law.floor_e_per_px_s, n) {
            (Some(_), _) => "activated (Arrhenius) part and a floor".to_owned(),
            (None, 2..=3) => format!("activated (Arrhenius) part; {n} temperatures are too few for a floor"),
            (None, _) => "activated (Arrhenius) part; a floor is not supported by the data".to_owned(),
        };
        let note = format!("measured from {:.1} to {:.1} C", range[0], range[1]);
        self.reference_celsius = Some(law.reference_celsius);
        self.doubling_celsius =
            measured(law.doubling(), "ln2 / (d ln D / dT) of the fitted law at the reference; n counts temperatures")
                .noted(note.clone());
        self.thermal_doubling_celsius =
            measured(law.thermal_doubling(), "ln2 k T^2 / Ea of the activated part; n counts temperatures").noted(note);
        self.activation_energy_ev = measured(
            (law.activation_energy_ev, law.covariance[1][1].sqrt()),
            "weighted fit in linear space; n counts temperatures",
        );
        let Some(g) = gain.value else {
            self.rate_e_per_px_s = Quantity::not_measurable(gain.why());
            return;
        };
        let law = law.scaled(g);
        if let Some(floor) = law.floor_e_per_px_s {
            let sigma = law.covariance[2][2].sqrt().hypot(floor * law.common_relative_sigma);
            self.floor_e_per_px_s = Quantity::with(gain.source, floor, Some(sigma), "fitted with the law", n);
        } else if n >= 4 {
            self.floor_e_per_px_s = Quantity::not_measurable("a floor does not stand out from the errors of the rates");
        }
        let (rate, sigma) = law.rate(law.reference_celsius);
        self.rate_e_per_px_s =
            Quantity::with(gain.source, rate, Some(sigma), "fitted law at the reference; n counts temperatures", n);
        self.law = Some(law);
    }
}
