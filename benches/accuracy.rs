//! How true the star fits are: seeded frames of isolated stars through `stars::measure`, against the renderer's truth and
//! the Cramer-Rao bound. Prints a Markdown table.
//!
//! `cargo bench --bench accuracy` (a few minutes), `cargo bench --bench accuracy -- --quick` (one frame a row).

use rand::{RngExt, SeedableRng};
use rand_xoshiro::Xoshiro256PlusPlus;
use rayon::prelude::*;
use skygrain::fits::Pixels;
use skygrain::frame::Lattice;
use skygrain::simulate::bound::{FREE_BETA, KNOWN_BETA, Window, bounds};
use skygrain::simulate::{Detector, FrameRecipe, Profile, SimStar, StarImage, render};
use skygrain::stars::{FrameStars, MeasureOptions, SCOUTS, Star, measure, stamp_half_px};

/// Stars along a side of a frame.
const GRID: usize = 9;
/// Frames a row, full and quick.
const FRAMES: [u64; 2] = [6, 1];
const ANGLE_RAD: f64 = 0.6;
/// Index of the width among the parameters of the bound.
const WIDTH: usize = 4;
const OFFSET_ADU: f64 = 500.0;

/// One row of the table.
#[derive(Debug, Clone, Copy)]
struct Setting {
    fwhm_px: f64,
    beta: f64,
    ellipticity: f64,
    /// Of the brightest pixel of a star centred on it.
    peak_snr: f64,
    sky_e: f64,
    read_noise_e: f64,
    e_per_adu: f64,
}

/// The design: every width meets every S/N; the other factors rotate, so that each pair of levels occurs.
fn settings() -> Vec<Setting> {
    let mut rows = Vec::new();
    for (i, fwhm_px) in [0.9, 1.2, 1.5, 2.0, 3.0, 5.0, 8.0, 12.0].into_iter().enumerate() {
        for (k, peak_snr) in [20.0, 40.0, 80.0, 150.0, 300.0, 500.0].into_iter().enumerate() {
            let mut s = Setting {
                fwhm_px,
                beta: [2.5, 3.5, 5.0][(k + i) % 3],
                ellipticity: [0.0, 0.1, 0.3][(k / 3 + k + 2 * i) % 3],
                peak_snr,
                sky_e: [10.0, 100.0, 1000.0, 5000.0][(3 * k + i + k / 4) % 4],
                read_noise_e: [1.5, 8.0][(k + i / 2) % 2],
                e_per_adu: [0.2, 2.0][(k + i) % 2],
            };
            // 16 bit must hold sky and peak: the coarsest gain is for the stars of S/N 500 alone.
            let room = |s: &Setting| (1.5 * s.pixel_peak_e() + s.sky_e) / s.e_per_adu < 64_000.0;
            for e_per_adu in [2.0, 6.5] {
                if !room(&s) {
                    s.e_per_adu = e_per_adu;
                }
            }
            assert!(room(&s), "{s:?}");
            rows.push(s);
        }
    }
    rows
}

impl Setting {
    fn flat_variance_e2(&self) -> f64 {
        self.sky_e + self.read_noise_e.powi(2) + (self.e_per_adu.powi(2) + 1.0) / 12.0
    }

    /// Charge of the brightest pixel: p = P / sqrt(P + variance) solved for P.
    fn pixel_peak_e(&self) -> f64 {
        let p = self.peak_snr;
        0.5 * (p * p + p * (p * p + 4.0 * self.flat_variance_e2()).sqrt())
    }

    fn star(&self, x: f64, y: f64, flux_e: f64) -> SimStar {
        let ratio = 1.0 - self.ellipticity;
        SimStar {
            x,
            y,
            flux_e,
            fwhm_major_px: self.fwhm_px / ratio.sqrt(),
            fwhm_minor_px: self.fwhm_px * ratio.sqrt(),
            angle_rad: ANGLE_RAD,
            image: StarImage::Moffat { beta: self.beta },
        }
    }

    /// A frame; `field` decides places and fluxes, `seed` the noise.
    fn frame(&self, field: u64, seed: u64) -> (Pixels, Vec<SimStar>) {
        // The brighter the stars, the farther their neighbours' wings reach above the noise.
        let pitch = ((7.0 + self.peak_snr / 100.0) * self.fwhm_px + 14.0).ceil();
        let side = (pitch * (GRID as f64 + 1.0)) as usize;
        let detector = Detector {
            gain_e_per_adu: self.e_per_adu,
            read_noise_e: self.read_noise_e,
            offset_adu: OFFSET_ADU,
            full_well_e: 1e7,
            ..Detector::even(side, side)
        };
        let flux_e = self.pixel_peak_e() / Profile::new(self.star(0.0, 0.0, 1.0)).pixel(0.0, 0.0);
        let mut rng = Xoshiro256PlusPlus::seed_from_u64(field);
        let mut random = || rng.random::<f64>();
        let stars: Vec<SimStar> = (0..GRID * GRID)
            .map(|i| {
                let x = pitch * (1.0 + (i % GRID) as f64) + random() - 0.5;
                let y = pitch * (1.0 + (i / GRID) as f64) + random() - 0.5;
                self.star(x, y, flux_e * (0.8 + 0.4 * random()))
            })
            .collect();
        let unlit = FrameRecipe::unlit(detector, seed);
        let recipe = FrameRecipe { exposure_s: 1.0, sky_e_per_px_s: self.sky_e, stars: stars.clone(), ..unlit };
        (Pixels::U16(render(&recipe).0), stars)
    }

    fn measured(&self, plane: &Pixels) -> FrameStars {
        let options = MeasureOptions {
            lattice: Lattice::All,
            e_per_adu: Some(self.e_per_adu),
            saturation_adu: Some(65_535.0),
            diffraction: None,
        };
        measure(plane, &options).expect("the frame has pixels")
    }
}

/// One fitted star against its truth.
struct Sample {
    /// ln(FWHM / truth).
    ln_ratio: f64,
    stated: f64,
    /// Cramer-Rao bounds: 1/beta shared by the scouts, known, and free.
    shared: f64,
    known: f64,
    free: f64,
    /// Square of the elongation less its noise.
    square: f64,
}

/// Width above which the place of the centre on its pixel changes the bound by less than 1 %, px.
const PHASELESS_PX: f64 = 3.0;

/// Bounds of ln FWHM with beta known and free, for each star of a frame.
fn star_bounds(setting: &Setting, stars: &[SimStar]) -> Vec<[f64; 2]> {
    let of = |star: &SimStar| {
        let window =
            Window { x: star.x.round() as i64, y: star.y.round() as i64, half: stamp_half_px(setting.fwhm_px) as i64 };
        let at_best =
            |free: &[_]| bounds(star, window, setting.flat_variance_e2(), free).expect("enough pixels")[WIDTH];
        [at_best(&KNOWN_BETA), at_best(&FREE_BETA)]
    };
    if setting.fwhm_px < PHASELESS_PX {
        return stars.par_iter().map(of).collect();
    }
    // A power of the flux between its extremes: from F^-1/2 (photons of the star) to F^-1 (of the sky).
    let flux = |pick: fn(f64, f64) -> f64| stars.iter().map(|s| s.flux_e).reduce(pick).expect("a frame has stars");
    let (least, most) = (flux(f64::min), flux(f64::max));
    let (low, high) = (of(&SimStar { flux_e: least, ..stars[0] }), of(&SimStar { flux_e: most, ..stars[0] }));
    let at = |flux_e: f64, i: usize| {
        let share = (flux_e / least).ln() / (most / least).ln();
        low[i].powf(1.0 - share) * high[i].powf(share)
    };
    stars.iter().map(|s| [at(s.flux_e, 0), at(s.flux_e, 1)]).collect()
}

fn sample(frame: &FrameStars, star: &Star, truths: &[SimStar], bounds: &[[f64; 2]]) -> Option<Sample> {
    let fit = &star.fit;
    let away = |t: &SimStar| (t.x - fit.x).hypot(t.y - fit.y);
    let nearest = (0..truths.len()).min_by(|a, b| away(&truths[*a]).total_cmp(&away(&truths[*b])));
    let i = nearest.filter(|i| away(&truths[*i]) < 2.0)?;
    let noise = fit.sigma_e1.powi(2) + fit.sigma_e2.powi(2);
    let [known, free] = bounds[i];
    Some(Sample {
        ln_ratio: (fit.shape.fwhm_px() / truths[i].fwhm_px()).ln(),
        stated: stated_ln_width(frame, star),
        // The variance that beta adds to a width falls by the stars that share it.
        shared: (known * known + (free * free - known * known) / SCOUTS as f64).sqrt(),
        known,
        free,
        square: fit.shape.e1.powi(2) + fit.shape.e2.powi(2) - noise,
    })
}

/// Error of one star's width against the truth.
fn stated_ln_width(frame: &FrameStars, star: &Star) -> f64 {
    star.fit.sigma_ln_width.hypot(frame.common_ln_width_sigma)
}

fn mean(values: impl Iterator<Item = f64> + Clone) -> (f64, f64) {
    let n = values.clone().count() as f64;
    let mean = values.clone().sum::<f64>() / n;
    let variance = values.map(|v| (v - mean).powi(2)).sum::<f64>() / (n - 1.0);
    (mean, (variance / n).sqrt())
}

/// 1 - minor/major of an elongation.
fn ellipticity_of(e: f64) -> f64 {
    1.0 - ((1.0 + e * e).sqrt() - e)
}

/// What one row of the table says.
struct Row {
    text: String,
    inside: usize,
    n: usize,
    bias_percent: (f64, f64),
    over_bound: f64,
}

fn row(setting: &Setting, number: u64, frames: u64) -> Row {
    let mut samples = Vec::new();
    let (mut frame_inside, mut frames_known, mut common_square) = (0, 0, 0.0);
    let mut bounds = Vec::new();
    for seed in 0..frames {
        let (plane, truths) = setting.frame(number, 1_000 * (number + 1) + seed);
        if bounds.is_empty() {
            bounds = star_bounds(setting, &truths);
        }
        let got = setting.measured(&plane);
        if let Some((width, sigma)) = got.fwhm_px.pair() {
            frames_known += 1;
            frame_inside += usize::from((width - setting.fwhm_px).abs() < sigma);
        }
        common_square += got.common_ln_width_sigma.powi(2);
        samples.extend(got.stars.iter().filter_map(|s| sample(&got, s, &truths, &bounds)));
    }
    let n = samples.len();
    let (bias, own_error) = mean(samples.iter().map(|s| s.ln_ratio));
    // The error of a frame's beta moves all its stars alike, so that their number does not lessen it.
    let bias_error = own_error.hypot(common_square.sqrt() / frames as f64);
    // Each star against its own bound; the mean of the frame is the truth, not the sample's.
    let over = |bound: fn(&Sample) -> f64| {
        (samples.iter().map(|s| (s.ln_ratio / bound(s)).powi(2)).sum::<f64>() / n as f64).sqrt()
    };
    let inside = samples.iter().filter(|s| s.ln_ratio.abs() < s.stated).count();
    let (square, square_error) = mean(samples.iter().map(|s| s.square));
    let r = 1.0 - setting.ellipticity;
    let truth = 0.5 * (r.recip() - r);
    // From the square to 1 - minor/major; near zero the signed root is all there is.
    let (off, off_error) = if truth > 0.0 {
        let slope = (ellipticity_of(truth + 1e-4) - ellipticity_of(truth)) / 1e-4;
        ((square - truth * truth) / (2.0 * truth) * slope, square_error / (2.0 * truth) * slope)
    } else {
        (square.signum() * square.abs().sqrt(), square_error.sqrt())
    };
    let s = setting;
    let text = format!(
        "| {} | {} | {} | {} | {} | {} | {} | {n} | {:+.2} ± {:.2} | {:.2} | {:.2} | {:.2} | {:.1} | {:+.4} ± {:.4} | {frame_inside}/{frames_known} |",
        s.fwhm_px,
        s.beta,
        s.ellipticity,
        s.peak_snr,
        s.sky_e,
        s.read_noise_e,
        s.e_per_adu,
        100.0 * bias,
        100.0 * bias_error,
        over(|s| s.shared),
        over(|s| s.known),
        over(|s| s.free),
        100.0 * inside as f64 / n as f64,
        off,
        off_error,
    );
    Row { text, inside, n, bias_percent: (100.0 * bias, 100.0 * bias_error), over_bound: over(|s| s.shared) }
}

fn main() {
    let quick = std::env::args().any(|a| a == "--quick");
    let started = std::time::Instant::now();
    let frames = FRAMES[usize::from(quick)];
    let settings = settings();
    let rows: Vec<Row> = settings.par_iter().enumerate().map(|(i, s)| row(s, i as u64, frames)).collect();
    println!(
        "| FWHM px | beta | ellipticity | peak S/N | sky e- | read noise e- | e-/ADU | stars | FWHM bias % | scatter / bound, \
         beta shared | beta known | beta free | within 1 sigma % | ellipticity bias | frames within 1 sigma |"
    );
    println!("|{}", "---|".repeat(15));
    rows.iter().for_each(|r| println!("{}", r.text));
    println!();
    println!("| FWHM px | FWHM bias % | scatter / bound, root mean square | within 1 sigma % |");
    println!("|{}", "---|".repeat(4));
    for (of_width, setting) in rows.chunks(6).zip(settings.iter().step_by(6)) {
        let weight = |r: &Row| r.bias_percent.1.powi(-2);
        let total: f64 = of_width.iter().map(weight).sum();
        let bias = of_width.iter().map(|r| weight(r) * r.bias_percent.0).sum::<f64>() / total;
        let over = (of_width.iter().map(|r| r.over_bound.powi(2)).sum::<f64>() / of_width.len() as f64).sqrt();
        let (inside, n) = of_width.iter().fold((0, 0), |(i, n), r| (i + r.inside, n + r.n));
        let share = 100.0 * inside as f64 / n as f64;
        println!("| {} | {bias:+.2} ± {:.2} | {over:.2} | {share:.1} |", setting.fwhm_px, total.recip().sqrt());
    }
    let (inside, n) = rows.iter().fold((0, 0), |(i, n), r| (i + r.inside, n + r.n));
    println!();
    println!(
        "{n} stars, {:.1} % within one sigma, {:.0} s",
        100.0 * inside as f64 / n as f64,
        started.elapsed().as_secs_f64()
    );
}
