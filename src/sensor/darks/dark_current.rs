//! Dark current over all temperatures: the law, or the one rate that is known and a stated assumption.

use crate::facts::Quantity;
use crate::facts::sensor::{DarkModel, DarkRates, SensorMethod, SensorMissing, SensorNote};

use super::criteria::{LEAST_RANGE_C, SEEN_SIGMAS};
use super::dark::DarkSet;
use super::law::{ASSUMED_DOUBLING_C, ASSUMED_DOUBLING_SIGMA_C, DarkLaw, LawPoint};
use super::level_rate::Rate;
use crate::sensor::{DarkCurrent, DarkPoint};

/// What the darks of each temperature say; the lists run alike.
pub(crate) struct AtTemperatures<'a> {
    pub sets: &'a [DarkSet],
    pub rates: &'a [Result<Rate, SensorMissing>],
    pub gain: &'a Quantity,
    /// Error of each set's temperature, C.
    pub celsius_sigma: &'a [f64],
    /// Step of the thermometer, C.
    pub resolution_c: f64,
    /// Whether the camera takes the dark level off, so that only the variance tells the rate.
    pub suppressed: bool,
}

/// A rate with its independent error, ADU/s.
struct Usable {
    set: usize,
    celsius: Option<f64>,
    rate: f64,
    sigma: f64,
}

impl AtTemperatures<'_> {
    /// Puts the rates of all temperatures together.
    pub fn current(&self, points: Vec<DarkPoint>) -> DarkCurrent {
        let usable = self.usable(&points);
        let mut current = self.without_rate(points);
        current.range_celsius =
            usable.iter().filter_map(|u| u.celsius).fold(None, |span: Option<[f64; 2]>, celsius| {
                Some(span.map_or([celsius, celsius], |[low, high]| [low.min(celsius), high.max(celsius)]))
            });
        let wide = current.range_celsius.is_some_and(|[low, high]| high - low >= LEAST_RANGE_C);
        let law = wide.then(|| self.law(&usable)).flatten();
        let refused = law.as_ref().filter(|law| !law.is_of_silicon()).map(|law| law.doubling().0);
        if let Some(law) = law.filter(DarkLaw::is_of_silicon) {
            current.adopt(&law, self.gain, usable.iter().filter(|u| u.celsius.is_some()).count());
            return current;
        }
        let best = usable.iter().min_by(|a, b| {
            let relative = |u: &Usable| u.sigma / u.rate.abs().max(u.sigma);
            relative(a).total_cmp(&relative(b))
        });
        self.take_best(&mut current, best);
        if let Some(doubling_celsius) = refused {
            let note = SensorNote::LawNotOfSilicon { doubling_celsius };
            let sigma = Some(ASSUMED_DOUBLING_SIGMA_C);
            current.doubling_celsius =
                Quantity::assumed(ASSUMED_DOUBLING_C, sigma, SensorMethod::PublishedDoublingSteps).noted(note);
        } else if wide {
            current.doubling_celsius = Quantity::not_measurable(SensorMissing::DarkCurrentNotSeenAtTwoTemperatures);
        } else if let Some(best) = best {
            current.doubling_celsius = assumed_doubling(best.celsius);
        }
        current
    }

    /// The sets whose rate is known: from the variance where the camera takes the dark level off, else from the mean.
    fn usable(&self, points: &[DarkPoint]) -> Vec<Usable> {
        let of = |set: usize| {
            let celsius = self.sets[set].celsius;
            if self.suppressed {
                let (v, s) = points[set].variance_rate_e_per_px_s.pair()?;
                let g = self.gain.value?;
                let own = (s * s - (2.0 * v * self.gain_relative()).powi(2)).max(0.0).sqrt();
                return Some(Usable { set, celsius, rate: v / g, sigma: own / g });
            }
            let rate = self.rates[set].as_ref().ok()?;
            Some(Usable { set, celsius, rate: rate.adu_per_s, sigma: rate.sigma })
        };
        (0..self.sets.len()).filter_map(of).collect()
    }

    fn gain_relative(&self) -> f64 {
        self.gain.pair().map_or(0.0, |(g, s)| s / g)
    }

    /// All that is known without a rate.
    fn without_rate(&self, points: Vec<DarkPoint>) -> DarkCurrent {
        let glows = self.sets.iter().filter_map(|s| s.glow.clone());
        DarkCurrent {
            rate_e_per_px_s: Quantity::not_measurable(SensorMissing::NoDark),
            floor_e_per_px_s: Quantity::not_measurable(SensorMissing::NoDarksAtFourTemperatures),
            method: if self.suppressed { DarkRates::Variance } else { DarkRates::MeanLevel },
            points,
            suppressed_in_camera: self.suppressed,
            glow: glows.max_by(|a, b| a.exposure_s.total_cmp(&b.exposure_s)),
            ..DarkCurrent::not_measurable(SensorMissing::NoDarksAtTwoTemperatures)
        }
    }

    /// The law through the rates, where at least two of them stand out.
    fn law(&self, usable: &[Usable]) -> Option<DarkLaw> {
        let known: Vec<(&Usable, f64)> = usable.iter().filter_map(|u| Some((u, u.celsius?))).collect();
        if known.iter().filter(|(u, _)| u.rate > SEEN_SIGMAS * u.sigma).count() < 2 {
            return None;
        }
        let points = |relative_per_c: f64| -> Vec<LawPoint> {
            let point = |(u, celsius): &(&Usable, f64)| {
                let t = self.celsius_sigma[u.set].hypot(self.resolution_c / 12f64.sqrt());
                LawPoint { celsius: *celsius, rate: u.rate, sigma: u.sigma.hypot(u.rate * relative_per_c * t) }
            };
            known.iter().map(point).collect()
        };
        // The first fit tells how much an error of the temperature matters, the second counts it.
        let first = DarkLaw::fit(&points(0.0), 0.0);
        let per_c = first.map_or(0.0, |l| std::f64::consts::LN_2 / l.doubling().0);
        DarkLaw::fit(&points(per_c), self.gain_relative() * if self.suppressed { 2.0 } else { 1.0 })
    }

    /// No law: the rate that is best known, or why there is none.
    fn take_best(&self, current: &mut DarkCurrent, best: Option<&Usable>) {
        match (best, self.rates.first()) {
            (Some(best), _) => {
                let point = &current.points[best.set];
                let rate = if self.suppressed { &point.variance_rate_e_per_px_s } else { &point.rate_e_per_px_s };
                current.rate_e_per_px_s = rate.clone();
                current.reference_celsius = best.celsius;
                current.model = DarkModel::OneTemperature;
            }
            (None, Some(Err(why))) => current.rate_e_per_px_s = Quantity::not_measurable(why.clone()),
            (None, _) => {}
        }
    }
}

/// The doubling step where darks of one temperature tell none.
fn assumed_doubling(celsius: Option<f64>) -> Quantity {
    if celsius.is_none() {
        return Quantity::not_measurable(SensorMissing::NoTemperatureOfDarks);
    }
    let spread = Some(ASSUMED_DOUBLING_SIGMA_C);
    Quantity::assumed(ASSUMED_DOUBLING_C, spread, SensorMethod::PublishedDoublingSteps)
        .noted(SensorNote::DoublingAssumedFromOneTemperature)
}

impl DarkCurrent {
    /// Takes over a law that was fitted to ADU rates.
    fn adopt(&mut self, law: &DarkLaw, gain: &Quantity, n: usize) {
        let measured = |(value, sigma): (f64, f64), method: SensorMethod| Quantity::measured(value, sigma, method, n);
        let [low_celsius, high_celsius] = self.range_celsius.unwrap_or([law.reference_celsius; 2]);
        self.model = match (law.floor_e_per_px_s, n) {
            (Some(_), _) => DarkModel::ActivatedAndFloor,
            (None, 2..=3) => DarkModel::TooFewForFloor { temperatures: n },
            (None, _) => DarkModel::FloorNotSupported,
        };
        let note = SensorNote::MeasuredBetween { low_celsius, high_celsius };
        self.reference_celsius = Some(law.reference_celsius);
        self.doubling_celsius = measured(law.doubling(), SensorMethod::StepOfDarkLaw).noted(note.clone());
        self.thermal_doubling_celsius = measured(law.thermal_doubling(), SensorMethod::StepOfActivatedPart).noted(note);
        let energy = (law.activation_energy_ev, law.covariance[1][1].sqrt());
        self.activation_energy_ev = measured(energy, SensorMethod::ActivationEnergyOfFit);
        let Some(g) = gain.value else {
            self.rate_e_per_px_s = Quantity::not_measurable(gain.because());
            return;
        };
        let law = law.scaled(g);
        if let Some(floor) = law.floor_e_per_px_s {
            let sigma = law.covariance[2][2].sqrt().hypot(floor * law.common_relative_sigma);
            self.floor_e_per_px_s = Quantity::with(gain.source, floor, Some(sigma), SensorMethod::FloorOfFit, n);
        } else if n >= 4 {
            self.floor_e_per_px_s = Quantity::not_measurable(SensorMissing::FloorNotSeen);
        }
        let (rate, sigma) = law.rate(law.reference_celsius);
        self.rate_e_per_px_s = Quantity::with(gain.source, rate, Some(sigma), SensorMethod::DarkLawAtReference, n);
        self.law = Some(law);
    }
}
