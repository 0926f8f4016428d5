//! From the charge of every pixel to what is kept of it: how its rate is distributed, and which pixels stand out.

use std::ops::Range;

use rayon::prelude::*;

use super::charge::Charge;
use super::dark_mask::{HOT_NOISE_SIGMAS, Mask};
use crate::sensor::plane::tiles::{TileGrid, TileRow};
use crate::sensor::plane::windowed::{Moments, moments};

/// Most pixels listed one by one, share of the frame: twelve bytes each keep a temperature below a tenth of a plane.
const MOST_LISTED: f64 = 0.02;
/// Bits of a single-precision number that name its bin: sign, exponent and seven of the fraction, 0.8 % at most.
const BIN_SHIFT: u32 = 16;
const BINS: usize = 1 << (32 - BIN_SHIFT);

/// A pixel whose rate stands out.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Listed {
    /// Row times columns plus column.
    pub index: u32,
    /// Rate above the typical one, ADU/s.
    pub rate: f32,
    /// The same from the short exposures alone; NaN without them.
    pub short: f32,
    /// Whether it reached saturation, so that its rate is a lower limit.
    pub full: bool,
}

/// The pixels' rates above the typical one at one temperature; cells that glow are left out.
#[derive(Debug, Clone, Default, PartialEq)]
pub(crate) struct PixelMap {
    /// Long exposures, their number and their mean exposure, s.
    pub frames: usize,
    pub exposure_s: f64,
    /// The same of the short ones.
    pub short_frames: usize,
    pub short_s: f64,
    /// Middle of each bin that is not empty, ADU/s, rising, and the pixels in it.
    pub bins: Vec<(f64, u32)>,
    /// Rates of all pixels, and of those that are not hot, ADU/s.
    pub all: Moments,
    pub ordinary: Moments,
    /// Deviation that noise alone gives a rate, ADU/s.
    pub noise: f64,
    /// Temporal variance of the long mean, ADU^2, and its relative error; `None` without a pair of darks.
    pub temporal: Option<(f64, f64)>,
    /// Pixels above `listed_from`, by index.
    pub listed: Vec<Listed>,
    pub listed_from: f64,
    /// Whether more pixels stood out than are listed.
    pub cut_short: bool,
    /// Rates of the pixels that are followed through all temperatures, in their order.
    pub followed: Vec<f32>,
}

/// What the map is made from.
pub(crate) struct MapInput<'a> {
    pub grid: &'a TileGrid,
    pub mask: &'a Mask,
    pub long: &'a Charge,
    pub short: &'a Charge,
    /// Whether a bias was taken off; without one only long against short tells a rate.
    pub has_pattern: bool,
    /// Variance of one dark, ADU^2, with its relative error where a pair tells it.
    pub variance: (f64, Option<f64>),
    /// Variance that the mean bias adds, ADU^2.
    pub bias_variance: f64,
    /// Charge above the typical one at which a pixel is full, ADU.
    pub full_adu: f64,
    /// Pixels to be followed.
    pub follow: &'a [u32],
}

impl MapInput<'_> {
    /// Sums the planes up. `None` where nothing tells a pixel's rate.
    pub fn reduce(&self) -> Option<PixelMap> {
        let (long, short) = (self.long, self.short);
        if long.frames == 0 || (!self.has_pattern && short.frames == 0) {
            return None;
        }
        let lever = if self.has_pattern { long.exposure_s() } else { long.exposure_s() - short.exposure_s() };
        let of_short = if self.has_pattern { 0.0 } else { self.variance.0 / short.frames as f64 };
        let temporal = self.variance.0 / long.frames as f64 + of_short + self.bias_variance;
        let noise = temporal.sqrt() / lever;
        let (histogram, all, ordinary) = self.distribution();
        let typical = self.mask.typical_adu / self.mask.longest_s;
        let wanted = (HOT_NOISE_SIGMAS * noise).max(typical);
        let most = (MOST_LISTED * self.long.sum.len() as f64) as u32;
        let listed_from = limit(&histogram, wanted, most);
        let listed = self.list(listed_from);
        Some(PixelMap {
            frames: long.frames,
            exposure_s: long.exposure_s(),
            short_frames: short.frames,
            short_s: if short.frames > 0 { short.exposure_s() } else { 0.0 },
            bins: filled(&histogram),
            all,
            ordinary,
            noise,
            temporal: self.variance.1.map(|error| (temporal, error)),
            listed,
            listed_from,
            cut_short: listed_from > wanted,
            followed: self.follow.iter().map(|i| self.rate(*i as usize)).collect(),
        })
    }

    fn rate(&self, index: usize) -> f32 {
        let mut rate = [0.0];
        self.rates(index..index + 1, &mut rate);
        rate[0]
    }

    /// Rates of pixels that follow one another.
    fn rates(&self, places: Range<usize>, into: &mut [f32]) {
        let long = &self.long.sum[places.clone()];
        if self.has_pattern {
            let inverse = self.long.seconds.recip() as f32;
            into.iter_mut().zip(long).for_each(|(to, sum)| *to = sum * inverse);
            return;
        }
        let lever = self.long.exposure_s() - self.short.exposure_s();
        let of = |c: &Charge| (c.frames as f64 * lever).recip() as f32;
        let (by_long, by_short) = (of(self.long), of(self.short));
        for ((to, long), short) in into.iter_mut().zip(long).zip(&self.short.sum[places]) {
            *to = long * by_long - short * by_short;
        }
    }

    /// Hands each row of each tile that does not glow to `each`, with the place of its first pixel and its rates.
    fn rows(&self, tile: &TileRow, mut each: impl FnMut(usize, &[f32])) {
        let (width, sites) = (self.grid.width, self.grid.sites());
        let mut rates = vec![0f32; width];
        for y in tile.rows.clone() {
            self.rates(y * width..(y + 1) * width, &mut rates);
            for (i, columns) in tile.columns.iter().enumerate() {
                if !self.mask.glows[tile.first_cell + i * sites] {
                    each(y * width + columns.start, &rates[columns.clone()]);
                }
            }
        }
    }

    /// Rows of tiles in parallel; counts add up in any order, sums are put in order.
    fn distribution(&self) -> (Vec<u32>, Moments, Moments) {
        type Parts = (Vec<u32>, Vec<(usize, Moments, Moments)>);
        let none = || -> Parts { (vec![0u32; BINS], Vec::new()) };
        let add = |(mut histogram, mut parts): Parts, tile: &TileRow| {
            let (mut hot, mut ordinary) = (Moments::default(), Moments::default());
            self.rows(tile, |first, rates| {
                let good = &self.mask.good[first..first + rates.len()];
                moments(rates, good, f32::MIN, f32::MAX).into_iter().for_each(|m| ordinary.add(m));
                for (rate, good) in rates.iter().zip(good).filter(|(r, _)| r.is_finite()) {
                    histogram[(rate.to_bits() >> BIN_SHIFT) as usize] += 1;
                    if *good == 0 {
                        let v = f64::from(*rate);
                        hot.add(Moments { n: 1.0, sum: v, squares: v * v });
                    }
                }
            });
            parts.push((tile.first_cell, hot, ordinary));
            (histogram, parts)
        };
        let both = |(mut a, mut parts): Parts, (b, more): Parts| {
            a.iter_mut().zip(b).for_each(|(a, b)| *a += b);
            parts.extend(more);
            (a, parts)
        };
        let (histogram, mut parts) = self.grid.tile_rows().par_iter().fold(none, add).reduce(none, both);
        parts.sort_by_key(|p| p.0);
        let (mut all, mut ordinary) = (Moments::default(), Moments::default());
        for (_, hot, rest) in parts {
            all.add(hot);
            all.add(rest);
            ordinary.add(rest);
        }
        (histogram, all, ordinary)
    }

    fn list(&self, from: f64) -> Vec<Listed> {
        let of_tile = |tile: &TileRow| {
            let mut list = Vec::new();
            self.rows(tile, |first, rates| {
                let above = rates.iter().enumerate().filter(|(_, r)| f64::from(**r) > from && r.is_finite());
                list.extend(above.map(|(i, rate)| self.listed(first + i, *rate)));
            });
            list
        };
        let lists: Vec<Vec<Listed>> = self.grid.tile_rows().par_iter().map(of_tile).collect();
        lists.concat()
    }

    fn listed(&self, index: usize, rate: f32) -> Listed {
        let has_short = self.short.frames > 0 && self.has_pattern;
        let short = if has_short { (f64::from(self.short.sum[index]) / self.short.seconds) as f32 } else { f32::NAN };
        let full = f64::from(self.long.sum[index]) / self.long.frames as f64 >= self.full_adu;
        Listed { index: index as u32, rate, short, full }
    }
}

/// Middle of a bin, a rate.
fn middle(bin: usize) -> f64 {
    let edge = |bin: usize| f64::from(f32::from_bits((bin as u32) << BIN_SHIFT));
    let next = f64::from(f32::from_bits(((bin as u32) << BIN_SHIFT) | 0xffff));
    0.5 * (edge(bin) + next)
}

fn filled(histogram: &[u32]) -> Vec<(f64, u32)> {
    let mut bins: Vec<(f64, u32)> =
        histogram.iter().enumerate().filter(|(_, n)| **n > 0).map(|(bin, n)| (middle(bin), *n)).collect();
    bins.sort_by(|a, b| a.0.total_cmp(&b.0));
    bins
}

/// The rate wanted, or the lowest one above which no more than `most` pixels lie.
fn limit(histogram: &[u32], wanted: f64, most: u32) -> f64 {
    let mut count = 0u32;
    // Positive numbers rise with their bits; infinities were never counted.
    for bin in (0..BINS / 2).rev() {
        let upper = f64::from(f32::from_bits(((bin as u32) << BIN_SHIFT) | 0xffff));
        if histogram[bin] > 0 && upper > wanted {
            count += histogram[bin];
            if count > most {
                return upper;
            }
        }
    }
    wanted
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bins_keep_a_rate_within_half_a_per_cent() {
        for rate in [1e-6f32, 0.003, 0.5, 7.7, 1234.5, -0.02] {
            let bin = (rate.to_bits() >> BIN_SHIFT) as usize;
            assert!((middle(bin) / f64::from(rate) - 1.0).abs() < 0.005, "{rate} {}", middle(bin));
        }
    }

    #[test]
    fn the_list_is_cut_where_too_many_pixels_stand_out() {
        let mut histogram = vec![0u32; BINS];
        let bin = |rate: f32| (rate.to_bits() >> BIN_SHIFT) as usize;
        histogram[bin(1.0)] = 50;
        histogram[bin(10.0)] = 5;
        assert_eq!(limit(&histogram, 0.5, 100), 0.5);
        let cut = limit(&histogram, 0.5, 20);
        assert!(cut > 1.0 && cut < 1.01, "{cut}");
    }
}
