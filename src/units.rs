//! Constants that carry values from one unit to another, each with its source, and the temperature that formulas take in
//! kelvin. Values between stages are bare `f64` under names that end in their unit.

/// Kelvin at 0 degrees Celsius (definition of the Celsius scale, exact).
pub const ZERO_CELSIUS_K: f64 = 273.15;

/// Boltzmann constant, eV/K (CODATA 2018, from the exact SI values of k and e).
pub const BOLTZMANN_EV_PER_K: f64 = 8.617_333_262e-5;

/// Arcseconds in a radian: 648 000 / pi.
pub const ARCSEC_PER_RADIAN: f64 = 206_264.806_247_096_36;

/// Magnitudes in a decade of flux (Pogson 1856).
pub const MAGNITUDES_PER_DECADE: f64 = 2.5;

/// Magnitudes that a small relative change of a flux makes: `2.5 / ln 10`.
pub const MAGNITUDES_PER_RELATIVE: f64 = MAGNITUDES_PER_DECADE / std::f64::consts::LN_10;

/// `10^(m / 2.5)` and its error from that of `m`.
pub fn flux_of_magnitudes(magnitudes: f64, sigma: f64) -> (f64, f64) {
    let flux = 10f64.powf(magnitudes / MAGNITUDES_PER_DECADE);
    (flux, flux / MAGNITUDES_PER_RELATIVE * sigma)
}

/// A temperature, degrees Celsius.
#[derive(Debug, Clone, Copy)]
pub struct Celsius(pub f64);

impl Celsius {
    /// The same temperature in kelvin.
    pub fn kelvin(self) -> f64 {
        self.0 + ZERO_CELSIUS_K
    }
}
