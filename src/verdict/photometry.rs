//! Zero point and sky brightness in magnitudes, from the light of stars of known magnitude.
//!
//! `VT0 = VT0(ADU) + 2.5 log10(gain)` is the magnitude of a star that gives 1 e-/s, and the sky's surface brightness is
//! `VT0 - 2.5 log10(sky / scale^2)`. VT is the band of the catalogue (Tycho-2, Hog et al. 2000, A&A 355, L27), not that of
//! the filter; what that does is seen in the scatter of single stars, and the sky, of one colour, may be off by as much.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::facts::verdict::{VerdictMethod, VerdictMissing, VerdictNote};
use crate::facts::{Input, Missing, Quantity};
use crate::units::{MAGNITUDES_PER_DECADE, MAGNITUDES_PER_RELATIVE, flux_of_magnitudes};

/// What the zero point is made of.
#[derive(Debug, Clone)]
pub struct PhotometryInput<'a> {
    /// Magnitude of a star that gives 1 ADU/s, and the scatter of single stars about it, mag.
    pub zero_point_adu: &'a Quantity,
    pub star_scatter_mag: Option<f64>,
    /// Light of each frame's stars over that in the frame of median transparency.
    pub transparency: &'a [Quantity],
    pub gain_e_per_adu: &'a Quantity,
    pub sky_e_per_px_s: &'a Quantity,
    pub image_scale: &'a Quantity,
}

/// Brightness of stars and sky in magnitudes, and how steadily the stars' light came.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Photometry {
    /// Magnitude, in the catalogue's band VT, of a star that gives one electron a second.
    #[schemars(extend("unit" = "mag"))]
    pub zero_point_vt_mag: Quantity,
    /// What a star of VT magnitude 0 gives.
    #[schemars(extend("unit" = "e-/s"))]
    pub e_per_s_at_vt_0: Quantity,
    /// Scatter of single stars about the zero point, since VT is not the band of the filter.
    #[schemars(extend("unit" = "mag"))]
    pub star_scatter_mag: Option<f64>,
    /// Brightness of the sky, as VT magnitude of a square arcsecond.
    #[schemars(extend("unit" = "mag/arcsec²"))]
    pub sky_vt_mag_per_arcsec2: Quantity,
    /// Least and largest transparency of the frames used.
    #[schemars(extend("unit" = "1"))]
    pub transparency_range: Option<[f64; 2]>,
}

impl Photometry {
    /// Nothing known, for the reason given.
    pub fn none(because: impl Into<Missing>) -> Self {
        let because = because.into();
        let unknown = || Quantity::not_measurable(because.clone());
        Self {
            zero_point_vt_mag: unknown(),
            e_per_s_at_vt_0: unknown(),
            star_scatter_mag: None,
            sky_vt_mag_per_arcsec2: unknown(),
            transparency_range: None,
        }
    }
}

/// Magnitudes of a session.
pub fn photometry(input: &PhotometryInput) -> Photometry {
    let zero_point = zero_point(input);
    let e_per_s = match zero_point.pair() {
        Some((mag, sigma)) => {
            let (value, sigma) = flux_of_magnitudes(mag, sigma);
            Quantity::measured(value, sigma, VerdictMethod::LightAtMagnitudeZero, zero_point.n)
                .noted(VerdictNote::CatalogueBand)
        }
        None => Quantity::not_measurable(zero_point.because()),
    };
    let sky = sky(input, &zero_point);
    let known: Vec<f64> = input.transparency.iter().filter_map(|t| t.value).collect();
    let transparency_range = (known.len() > 1)
        .then(|| known.iter().fold([f64::INFINITY, f64::NEG_INFINITY], |[low, high], t| [low.min(*t), high.max(*t)]));
    Photometry {
        zero_point_vt_mag: zero_point,
        e_per_s_at_vt_0: e_per_s,
        star_scatter_mag: input.star_scatter_mag,
        sky_vt_mag_per_arcsec2: sky,
        transparency_range,
    }
}

fn zero_point(input: &PhotometryInput) -> Quantity {
    let Some((zero, sigma)) = input.zero_point_adu.pair() else {
        return Quantity::not_measurable(input.zero_point_adu.because());
    };
    let Some((gain, sigma_gain)) = input.gain_e_per_adu.pair() else {
        return Quantity::not_measurable(Missing::without(Input::Gain, input.gain_e_per_adu.because()));
    };
    let value = zero + MAGNITUDES_PER_DECADE * gain.log10();
    let sigma = sigma.hypot(MAGNITUDES_PER_RELATIVE * sigma_gain / gain);
    let method = VerdictMethod::ZeroPointOfMatchedStars;
    Quantity::measured(value, sigma, method, input.zero_point_adu.n).noted(VerdictNote::CatalogueBand)
}

fn sky(input: &PhotometryInput, zero_point: &Quantity) -> Quantity {
    let Some((zero, sigma)) = zero_point.pair() else {
        return Quantity::not_measurable(zero_point.because());
    };
    let Some((rate, sigma_rate)) = input.sky_e_per_px_s.pair().filter(|r| r.0 > 0.0) else {
        return Quantity::not_measurable(match input.sky_e_per_px_s.value {
            Some(_) => VerdictMissing::SkyNotAboveBiasAndDark.into(),
            None => Missing::without(Input::SkyRate, input.sky_e_per_px_s.because()),
        });
    };
    let Some((scale, sigma_scale)) = input.image_scale.pair() else {
        return Quantity::not_measurable(Missing::without(Input::ImageScale, input.image_scale.because()));
    };
    let value = zero - MAGNITUDES_PER_DECADE * (rate / (scale * scale)).log10();
    let relative = (sigma_rate / rate).hypot(2.0 * sigma_scale / scale);
    // The sky has one colour: it may lie as far from the stars' mean as any star does.
    let colour = input.star_scatter_mag.unwrap_or(0.0);
    let sigma = sigma.hypot(MAGNITUDES_PER_RELATIVE * relative).hypot(colour);
    Quantity::measured(value, sigma, VerdictMethod::SkyAgainstZeroPoint, zero_point.n).noted(VerdictNote::CatalogueBand)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn known(value: f64, sigma: f64) -> Quantity {
        Quantity::measured(value, sigma, VerdictMethod::ZeroPointOfMatchedStars, 30)
    }

    // 1 ADU/s at magnitude 20, two electrons an ADU: 20 + 2.5 log10(2) = 20.752575. A sky of 4 e-/px/s in pixels of 2 arcsec
    // is 1 e-/s a square arcsec, and so the zero point itself. By hand.
    #[test]
    fn magnitudes_of_a_round_example() {
        let transparency = [known(1.0, 0.01), known(0.8, 0.01)];
        let got = photometry(&PhotometryInput {
            zero_point_adu: &known(20.0, 0.05),
            star_scatter_mag: Some(0.25),
            transparency: &transparency,
            gain_e_per_adu: &known(2.0, 0.02),
            sky_e_per_px_s: &known(4.0, 0.04),
            image_scale: &known(2.0, 0.0),
        });
        let (zero, sigma) = got.zero_point_vt_mag.pair().unwrap();
        assert!((zero - 20.752_575).abs() < 1e-6);
        // 1 % is 0.010857 mag.
        assert!((sigma - 0.05f64.hypot(0.010_857)).abs() < 1e-6);
        let (sky, sigma) = got.sky_vt_mag_per_arcsec2.pair().unwrap();
        assert!((sky - zero).abs() < 1e-9);
        assert!((sigma - 0.05f64.hypot(0.010_857).hypot(0.010_857).hypot(0.25)).abs() < 1e-6);
        // 10^(20.752575/2.5) = 2 x 10^8.
        assert!((got.e_per_s_at_vt_0.value.unwrap() / 2e8 - 1.0).abs() < 1e-9);
        assert_eq!(got.transparency_range, Some([0.8, 1.0]));
    }

    // C7.1 and C7.3, evaluated outside this project: what skies of known brightness give in pixels of 1.5 arcsec.
    #[test]
    fn c7_1_c7_3_sky_rates_and_magnitudes_belong_together() {
        /// Half a digit of the zero point is 5e-6 mag, and as much comes from the sixth digit of a rate.
        const PRINTED_MAG: f64 = 1e-5;
        for (zero, rate, magnitude) in [
            (22.0, 14.196_54, 20.0),
            (18.367_59, 3.156_583, 18.0),
            (18.367_59, 0.346_112, 20.4),
            (18.367_59, 0.079_289_8, 22.0),
        ] {
            let got = photometry(&PhotometryInput {
                zero_point_adu: &known(zero, 0.05),
                star_scatter_mag: None,
                transparency: &[],
                gain_e_per_adu: &known(1.0, 0.0),
                sky_e_per_px_s: &known(rate, 0.0),
                image_scale: &known(1.5, 0.0),
            });
            let sky = got.sky_vt_mag_per_arcsec2.value.unwrap();
            assert!((sky - magnitude).abs() < PRINTED_MAG, "{sky}, {magnitude}");
        }
    }

    #[test]
    fn without_a_gain_transparency_alone_is_told() {
        let unknown = Quantity::not_measurable(Missing::SensorTemperature);
        let transparency = [known(1.0, 0.01), known(0.9, 0.01)];
        let got = photometry(&PhotometryInput {
            zero_point_adu: &known(20.0, 0.05),
            star_scatter_mag: Some(0.25),
            transparency: &transparency,
            gain_e_per_adu: &unknown,
            sky_e_per_px_s: &unknown,
            image_scale: &known(2.0, 0.0),
        });
        assert_eq!(got.zero_point_vt_mag.because(), Missing::without(Input::Gain, unknown.because()));
        assert_eq!(got.transparency_range, Some([0.9, 1.0]));
    }
}
