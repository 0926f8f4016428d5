//! Time for the same signal-to-noise with another camera, and what each difference contributes.
//!
//! Derived from the CCD equation (Merline & Howell 1995, Exp. Astr. 6, 163), for a patch of sky instead of a pixel.

/// What of a camera behind its optics counts for an evenly lit patch of sky.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Detector {
    /// Share of photons turned into electrons (0 to 1).
    pub efficiency: f64,
    /// Share of the light that filters pass.
    pub filter: f64,
    /// Share of the light that added optics pass.
    pub transmission: f64,
    /// Share of the pixels that see the target's colour.
    pub lit: f64,
    /// Sky that a pixel covers, in any unit of area.
    pub area: f64,
    pub read_e: f64,
    /// e-/px/s.
    pub dark: f64,
}

impl Detector {
    /// Electrons per photon that arrives.
    pub fn throughput(&self) -> f64 {
        self.efficiency * self.filter * self.transmission
    }

    /// Rate of a pixel under a light of `flux` photons per second and unit of area, e-/px/s.
    pub fn rate(&self, flux: f64) -> f64 {
        self.throughput() * flux * self.area
    }

    /// Time for a given signal-to-noise on a faint patch, up to a constant that all detectors share.
    ///
    /// Formula: with throughput q, `(q s + (D + R^2/t)/a) / (lit q^2)`; `flux` s is sky and target.
    pub fn time(&self, flux: f64, exposure_s: f64) -> f64 {
        let sensor = (self.dark + self.read_e.powi(2) / exposure_s) / self.area;
        (self.throughput() * flux + sensor) / (self.lit * self.throughput().powi(2))
    }

    /// Time with `self` over time with `present`, both in exposures of `exposure_s`.
    pub fn time_ratio(&self, present: &Self, flux: f64, exposure_s: f64) -> f64 {
        self.time(flux, exposure_s) / present.time(flux, exposure_s)
    }
}

/// A difference between two cameras.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Part {
    QuantumEfficiency,
    Filter,
    Mosaic,
    PixelSize,
    Transmission,
    ReadNoise,
    DarkCurrent,
}

impl Part {
    pub const ALL: [Self; 7] = [
        Self::QuantumEfficiency,
        Self::Filter,
        Self::Mosaic,
        Self::PixelSize,
        Self::Transmission,
        Self::ReadNoise,
        Self::DarkCurrent,
    ];

    fn replace(self, into: &mut Detector, from: &Detector) {
        match self {
            Self::QuantumEfficiency => into.efficiency = from.efficiency,
            Self::Filter => into.filter = from.filter,
            Self::Mosaic => into.lit = from.lit,
            Self::PixelSize => into.area = from.area,
            Self::Transmission => into.transmission = from.transmission,
            Self::ReadNoise => into.read_e = from.read_e,
            Self::DarkCurrent => into.dark = from.dark,
        }
    }
}

const PARTS: usize = Part::ALL.len();

/// All parts of the new gear in place.
pub(crate) const ALL_PARTS: usize = (1 << PARTS) - 1;

/// Smallest throughput drawn, as a share: a pixel that sees no light has no time ratio.
pub(crate) const LEAST_LIGHT: f64 = 1e-3;

/// `present` with the parts of `new` whose bits are set.
pub(crate) fn mixed(present: &Detector, new: &Detector, set: usize) -> Detector {
    let mut result = *present;
    for (i, part) in Part::ALL.iter().enumerate().filter(|(i, _)| set >> i & 1 == 1) {
        debug_assert!(i < PARTS);
        part.replace(&mut result, new);
    }
    result
}

/// Factor that each part contributes to a positive `ratio` of the set of replaced parts; their product is the whole.
///
/// Parts interact: low read noise counts for more once dark current is gone. Each factor is the geometric mean over all
/// orders of replacement (Shapley 1953, A value for n-person games, from memory).
pub(crate) fn split(ratio: impl Fn(usize) -> f64) -> [f64; PARTS] {
    let all = 1usize << PARTS;
    let logs: Vec<f64> = (0..all).map(|set| ratio(set).ln()).collect();
    let factorial = |n: usize| (1..=n).map(|k| k as f64).product::<f64>();
    std::array::from_fn(|part| {
        let without = (0..all).filter(|set| set >> part & 1 == 0);
        let share = |set: usize| {
            let size = set.count_ones() as usize;
            let orders = factorial(size) * factorial(PARTS - 1 - size) / factorial(PARTS);
            orders * (logs[set | 1 << part] - logs[set])
        };
        without.map(share).sum::<f64>().exp()
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Check values are printed with six digits.
    const PRINTED: f64 = 1e-6;
    /// Sums of 64 logarithms of order 1 keep 13 digits.
    const ROUNDING: f64 = 1e-12;

    const PRESENT: Detector =
        Detector { efficiency: 0.5, filter: 1.0, transmission: 1.0, lit: 1.0, area: 2.25, read_e: 3.0, dark: 0.5 };
    const FLUX: f64 = 1.1;
    const EXPOSURE: f64 = 120.0;

    fn factors(present: &Detector, new: &Detector) -> [f64; PARTS] {
        split(|set| mixed(present, new, set).time_ratio(present, FLUX, EXPOSURE))
    }

    #[test]
    fn c6_10_change_of_camera() {
        // Check value C6.10: q .5 to .8, S .1, B 1 per arcsec^2, a 2.25 arcsec^2, D .5 to .01, R 3 to 1.5, t 120.
        let new = Detector { efficiency: 0.8, read_e: 1.5, dark: 0.01, ..PRESENT };
        assert!((new.time_ratio(&PRESENT, FLUX, EXPOSURE) - 0.432_920).abs() < PRINTED);
        let product: f64 = factors(&PRESENT, &new).iter().product();
        assert!((product / new.time_ratio(&PRESENT, FLUX, EXPOSURE) - 1.0).abs() < ROUNDING);
    }

    #[test]
    fn two_identical_cameras_need_exactly_the_same_time() {
        assert_eq!(PRESENT.time_ratio(&PRESENT, FLUX, EXPOSURE), 1.0);
        assert_eq!(factors(&PRESENT, &PRESENT), [1.0; PARTS]);
    }

    #[test]
    fn each_factor_alone_is_its_textbook_ratio() {
        // By hand from the CCD equation, per arcsec^2: sky .55, sensor (.5 + 9/120)/2.25 = .255556.
        let sensor = (0.5 + 9.0 / 120.0) / 2.25;
        let present = 0.55 + sensor;
        let through = |k: f64| (k * 0.55 + sensor) / present / (k * k);
        for (new, part, by_hand) in [
            (Detector { efficiency: 0.8, ..PRESENT }, 0, through(1.6)),
            (Detector { filter: 0.25, ..PRESENT }, 1, through(0.25)),
            // A quarter of the pixels: four times as long whatever the noise.
            (Detector { lit: 0.25, ..PRESENT }, 2, 4.0),
            (Detector { area: 9.0, ..PRESENT }, 3, (0.55 + sensor / 4.0) / present),
            (Detector { transmission: 0.9, ..PRESENT }, 4, through(0.9)),
            (Detector { read_e: 1.5, ..PRESENT }, 5, (0.55 + (0.5 + 2.25 / 120.0) / 2.25) / present),
            (Detector { dark: 0.02, ..PRESENT }, 6, (0.55 + (0.02 + 9.0 / 120.0) / 2.25) / present),
        ] {
            let parts = factors(&PRESENT, &new);
            for (i, factor) in parts.iter().enumerate() {
                let expected = if i == part { by_hand } else { 1.0 };
                assert!((factor / expected - 1.0).abs() < ROUNDING, "{:?}: {factor}", Part::ALL[i]);
            }
        }
    }

    #[test]
    fn without_noise_of_the_sensor_only_throughput_counts() {
        let clean = Detector { read_e: 0.0, dark: 0.0, ..PRESENT };
        let new = Detector { efficiency: 0.8, area: 1.0, ..clean };
        assert!((new.time_ratio(&clean, FLUX, EXPOSURE) - 0.5 / 0.8).abs() < ROUNDING);
    }

    #[test]
    fn more_noise_is_never_better_and_colder_never_worse() {
        let mut last = 0.0;
        for step in 0..60 {
            let read = Detector { read_e: 0.25 * f64::from(step), ..PRESENT }.time(FLUX, EXPOSURE);
            assert!(read > last);
            last = read;
        }
        let mut last = f64::INFINITY;
        for step in 0..60 {
            let colder = Detector { dark: 0.5 * 0.8_f64.powi(step), ..PRESENT }.time(FLUX, EXPOSURE);
            assert!(colder < last);
            last = colder;
        }
    }
}
