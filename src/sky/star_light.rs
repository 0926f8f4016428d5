//! How much of the matched stars' light arrives: the zero point of a session, and the transparency of its frames.
//!
//! In a frame a star shows `VT + 2.5 log10(flux / time)`: the session's zero point, what the frame's transparency adds, and
//! an offset of the star's own, since VT is not the band of any camera and stars have colours. Means over
//! frames and medians over stars in turn tell the three apart (after the median polish of Tukey 1977, from memory; a star has
//! too few frames for a median).

use std::collections::BTreeMap;

use crate::facts::Quantity;
use crate::facts::sky::{SkyMethod, SkyMissing};
use crate::stats::{MEDIAN_TO_MEAN_ERROR, median, median_and_mad_sigma};
use crate::units::{MAGNITUDES_PER_DECADE, flux_of_magnitudes};

/// Fewest stars whose median stands for all: fewer than the six of a match.
const FEWEST_STARS: usize = 5;
/// Rounds of medians in turn; where every frame has the same stars one is enough.
const ROUNDS: usize = 6;

/// A matched star as one frame shows it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Seen {
    /// What tells it from other stars: its catalogue place.
    pub star: [u64; 2],
    pub vt_mag: f64,
    /// ADU/s.
    pub flux: f64,
}

/// What the stars' light says of a session.
#[derive(Debug, Clone, PartialEq)]
pub struct StarLight {
    /// VT magnitude of a star that gives 1 ADU/s in the frame of median transparency; n counts stars.
    pub zero_point_mag: Quantity,
    /// Scatter of single stars about it, mag.
    pub star_scatter_mag: Option<f64>,
    /// Light of the same stars in each frame over that in the frame of median transparency.
    pub transparency: Vec<Quantity>,
}

impl StarLight {
    /// Nothing known, for the reason given, of so many frames.
    pub fn none(because: SkyMissing, frames: usize) -> Self {
        Self {
            zero_point_mag: Quantity::not_measurable(because.clone()),
            star_scatter_mag: None,
            transparency: vec![Quantity::not_measurable(because); frames],
        }
    }
}

/// Zero point and transparencies from the stars that each frame shows.
pub fn star_light(frames: &[Vec<Seen>]) -> StarLight {
    let mut of_star: BTreeMap<[u64; 2], Vec<(usize, f64)>> = BTreeMap::new();
    for (frame, seen) in frames.iter().enumerate() {
        for s in seen.iter().filter(|s| s.flux > 0.0) {
            let zero = s.vt_mag + MAGNITUDES_PER_DECADE * s.flux.log10();
            of_star.entry(s.star).or_default().push((frame, zero));
        }
    }
    let mut above = vec![0.0; frames.len()];
    let mut told = vec![Vec::new(); frames.len()];
    let mut stars = Vec::new();
    for _ in 0..ROUNDS {
        told.iter_mut().for_each(Vec::clear);
        stars.clear();
        for shown in of_star.values() {
            let own: Vec<f64> = shown.iter().map(|(frame, zero)| zero - above[*frame]).collect();
            let star = own.iter().sum::<f64>() / own.len() as f64;
            stars.push(star);
            // A star in one frame alone tells nothing of how it differs from the others.
            if shown.len() > 1 {
                let n = shown.len() as f64;
                shown.iter().for_each(|(frame, zero)| told[*frame].push((zero - star, n)));
            }
        }
        let of_frame = |t: &Vec<(f64, f64)>| median(&t.iter().map(|t| t.0).collect::<Vec<_>>());
        let found: Vec<Option<f64>> = told.iter().map(|t| of_frame(t).filter(|_| t.len() >= FEWEST_STARS)).collect();
        let middle = median(&found.iter().copied().flatten().collect::<Vec<_>>()).unwrap_or(0.0);
        above = found.into_iter().map(|f| f.map_or(0.0, |f| f - middle)).collect();
    }
    if stars.len() < FEWEST_STARS {
        let why = SkyMissing::TooFewWholeStars { stars: stars.len(), needed: FEWEST_STARS };
        return StarLight::none(why, frames.len());
    }
    let error = |values: &[f64]| {
        let scatter = median_and_mad_sigma(values).map_or(0.0, |m| m.1);
        (scatter, MEDIAN_TO_MEAN_ERROR * scatter / (values.len() as f64).sqrt())
    };
    let (scatter, sigma) = error(&stars);
    let transparency = told.iter().zip(&above).map(|(told, above)| {
        if told.len() < FEWEST_STARS {
            return Quantity::not_measurable(SkyMissing::TooFewSharedStars);
        }
        // A mean over n frames takes a share of 1/n of each frame's own noise with it.
        let apart: Vec<f64> = told.iter().map(|(value, n)| (value - above) * (n / (n - 1.0)).sqrt()).collect();
        // The frame of median transparency has as much noise.
        let (share, sigma) = flux_of_magnitudes(*above, std::f64::consts::SQRT_2 * error(&apart).1);
        Quantity::measured(share, sigma, SkyMethod::LightOfSameStars, apart.len())
    });
    StarLight {
        zero_point_mag: Quantity::measured(
            median(&stars).unwrap_or(f64::NAN),
            sigma,
            SkyMethod::ZeroPointOfStars,
            stars.len(),
        ),
        star_scatter_mag: Some(scatter),
        transparency: transparency.collect(),
    }
}

#[cfg(test)]
mod tests {
    use rand::SeedableRng;
    use rand_distr::{Distribution, Normal};
    use rand_xoshiro::Xoshiro256PlusPlus;

    use super::*;

    const ZERO: f64 = 21.0;

    /// Stars with colours of 0.25 mag, fluxes good to 1 %; the telescope drifts, so that frames lose and win stars.
    fn frames(shares: &[f64], seed: u64) -> Vec<Vec<Seen>> {
        let mut rng = Xoshiro256PlusPlus::seed_from_u64(seed);
        let (colour, noise) = (Normal::new(0.0, 0.25).unwrap(), Normal::new(1.0, 0.01).unwrap());
        let stars: Vec<(f64, f64)> = (0..60).map(|i| (8.0 + 0.06 * f64::from(i), colour.sample(&mut rng))).collect();
        let frame = |(k, share): (usize, &f64)| {
            let shown = stars.iter().enumerate().skip(3 * k).take(40);
            shown
                .map(|(i, (vt_mag, colour))| {
                    let flux = share * 10f64.powf(0.4 * (ZERO + colour - vt_mag)) * noise.sample(&mut rng);
                    Seen { star: [i as u64, 0], vt_mag: *vt_mag, flux }
                })
                .collect()
        };
        shares.iter().enumerate().map(frame).collect()
    }

    // Truth by construction.
    #[test]
    fn zero_point_and_transparencies_come_back_within_their_errors() {
        let shares = [1.0, 0.95, 0.5, 1.0, 1.05];
        let (mut zeros, mut pulls) = (Vec::new(), Vec::new());
        for seed in 0..40 {
            let got = star_light(&frames(&shares, seed));
            let (zero, sigma) = got.zero_point_mag.pair().unwrap();
            zeros.push((zero - ZERO) / sigma);
            for (share, found) in shares.iter().zip(&got.transparency).filter(|(s, _)| **s != 1.0) {
                let (value, sigma) = found.pair().unwrap();
                // 40 stars of 1 % tell a median to 0.2 %, and so does the frame that it is held against: five of both.
                assert!((value / share - 1.0).abs() < 0.015, "{value} {share}");
                pulls.push((value - share) / sigma);
            }
            let scatter = got.star_scatter_mag.unwrap();
            // 52 stars: the deviation from a median one is known to 16 % (1.166/sqrt(n)), and three of these are allowed.
            assert!((0.13..0.37).contains(&scatter), "{scatter}");
        }
        let rms = |p: &[f64]| (p.iter().map(|p| p * p).sum::<f64>() / p.len() as f64).sqrt();
        println!("pulls: zero point {:.2}, transparency {:.2}", rms(&zeros), rms(&pulls));
        // 40 pulls have an rms known to 11 %, and each error, from a median deviation, is known to 15 %.
        assert!((0.7..1.4).contains(&rms(&zeros)) && (0.7..1.4).contains(&rms(&pulls)));
    }

    #[test]
    fn few_stars_tell_nothing_and_a_lone_frame_tells_a_zero_point_alone() {
        let all = frames(&[1.0], 1);
        let lone = star_light(&all);
        assert!(lone.zero_point_mag.is_known() && !lone.transparency[0].is_known());
        let few = star_light(&[all[0][..4].to_vec()]);
        assert_eq!(
            few.zero_point_mag.because(),
            SkyMissing::TooFewWholeStars { stars: 4, needed: FEWEST_STARS }.into()
        );
    }
}
