//! Physical units as types, so that an ADU never lands in an electron's slot.
//!
//! Newtypes stand at the boundaries between stages; kernels work on bare `f64` whose name carries the unit.

use serde::{Deserialize, Serialize};

macro_rules! unit {
    ($(#[$doc:meta])* $name:ident) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize, Deserialize)]
        #[serde(transparent)]
        pub struct $name(pub f64);
    };
}

unit!(
    /// A length on the sensor in its own pixels, px.
    Pixels
);
unit!(
    /// An angle on the sky, arcsec.
    Arcsec
);
unit!(
    /// Image scale, arcsec per pixel as recorded (binning included).
    ArcsecPerPixel
);
unit!(
    /// A recorded number, ADU.
    Adu
);
unit!(
    /// A charge, electrons.
    Electrons
);
unit!(
    /// A rate per pixel, electrons per second.
    ElectronsPerSecond
);
unit!(
    /// Conversion gain, electrons per ADU of the file.
    ElectronsPerAdu
);
unit!(
    /// A temperature, degrees Celsius.
    Celsius
);
unit!(
    /// A duration, seconds.
    Seconds
);
unit!(
    /// A length of optics, mm.
    Millimetres
);
unit!(
    /// A pixel pitch, um.
    Micrometres
);

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

impl Celsius {
    /// The same temperature in kelvin.
    pub fn kelvin(self) -> f64 {
        self.0 + ZERO_CELSIUS_K
    }
}
