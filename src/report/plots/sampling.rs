//! Where a rig stands on an axis of pixels per FWHM, and what standing elsewhere would cost.

use super::canvas::{Axis, Ink, Layer, Point, Shape, Told, draw};
use super::figure::{Figure, PlotError};
use crate::image::StarImage;
use crate::report::model::Session;
use crate::report::words::numbers::{plain, with_sigma};
use crate::verdict::pixel_cost::efficiency_at;
use crate::verdict::power::MIN_FWHM_PX;
use crate::verdict::profile::StarProfile;
use crate::verdict::sampling::{OVER_SAMPLED_PX, UNDER_SAMPLED_PX, WELL_SAMPLED_PX};

/// Range of the axis, pixels per FWHM, where the rig does not ask for more.
const USUAL: (f64, f64) = (1.0, 8.0);
/// How far the axis reaches beyond the rig's own place at least, as a factor.
const BEYOND: f64 = 1.4;
/// Points along a curve: each takes a sum over the frequencies of an image.
const CURVE_STEPS: usize = 36;
/// Room of a line of words, per cent of the axis, and the room above 100 % for the verdicts' names.
const LINE: f64 = 9.0;
const HEADROOM: f64 = 2.6 * LINE;
/// Ticks of the axis: the limits of the verdicts among them.
const TICKS: [f64; 11] = [0.5, 1.0, 1.5, 2.0, 3.0, 4.0, 6.0, 8.0, 12.0, 20.0, 40.0];
/// Part of the axis that the name of a curve takes.
const NAME: f64 = 0.36;
/// Pixels per FWHM that are told in words besides the rig's own.
const TOLD: [f64; 6] = [1.0, 1.5, 2.0, 3.0, 4.0, 6.0];

/// What a number of pixels per FWHM means for this star image under this sky.
struct Costs<'a> {
    star: StarProfile<'a>,
    /// Variance of sky and of the sensor itself in a pixel of these frames, in one unit; `None` where not known.
    noise: Option<(f64, f64)>,
}

impl Costs<'_> {
    /// Widening of a recorded star by its pixels, per cent.
    fn widening(&self, px_per_fwhm: f64) -> Option<f64> {
        let star = self.star.with_fwhm(px_per_fwhm).filter(|_| px_per_fwhm >= MIN_FWHM_PX)?;
        Some(100.0 * (star.recorded_fwhm_px() / px_per_fwhm - 1.0))
    }

    /// Signal-to-noise on a faint star of that of a noiseless sensor with tiny pixels, per cent.
    fn kept(&self, px_per_fwhm: f64) -> Option<f64> {
        let (sky, sensor) = self.noise?;
        Some(100.0 * efficiency_at(self.star, sky, sensor, self.star.fwhm_px() / px_per_fwhm)).filter(|v| v.is_finite())
    }

    fn in_words(&self, px_per_fwhm: f64) -> String {
        let whole = |v: f64| plain((v * 10.0).round() / 10.0);
        let widening = self.widening(px_per_fwhm).map(|v| format!("stars widened by {} %", whole(v)));
        let kept = self.kept(px_per_fwhm).map(|v| format!("signal-to-noise {} %", whole(v)));
        let words: Vec<String> = widening.into_iter().chain(kept).collect();
        format!("{} px per FWHM: {}", plain((px_per_fwhm * 100.0).round() / 100.0), words.join(", "))
    }
}

/// The axis with the limits of the verdicts, the rig's place, and the costs either way; `None` where the sampling or
/// the star's shape is not known.
///
/// # Errors
///
/// The drawing library fails.
pub fn sampling_axis(session: &Session) -> Result<Option<Figure>, PlotError> {
    let Some((here, sigma)) = session.sampling.px_per_fwhm.pair().filter(|(v, _)| *v > 0.0) else { return Ok(None) };
    let image = session.star_image.as_ref().and_then(|i| i.parts).map(StarImage::new);
    let of_beta = || session.moffat_beta.value.and_then(|beta| StarProfile::new(here, beta));
    let star = image.as_ref().map_or_else(of_beta, |image| StarProfile::of_image(here, image));
    let Some(star) = star else { return Ok(None) };
    let b = &session.noise_budget;
    let noise = match (b.sky_e2.value, b.dark_e2.value, b.read_e2.value) {
        (Some(sky), Some(dark), Some(read)) if sky > 0.0 => Some((sky, dark.max(0.0) + read)),
        _ => None,
    };
    let costs = Costs { star, noise };
    let mut x = Axis::logarithmic("pixels per FWHM", USUAL.0.min(here / BEYOND), USUAL.1.max(here * BEYOND));
    let ticks = TICKS.iter().map(|v| (v.log10(), plain(*v)));
    x.ticks = ticks.filter(|(at, _)| (x.range.0..=x.range.1).contains(at)).collect();
    let mut y = Axis::linear("per cent", 0.0, 100.0, 0.0);
    y.range = (0.0, 100.0 + HEADROOM);
    let along = (0..=CURVE_STEPS).map(|i| x.range.0 + (x.range.1 - x.range.0) * i as f64 / CURVE_STEPS as f64);
    let along: Vec<f64> = along.collect();
    let curve = |f: &dyn Fn(f64) -> Option<f64>| -> Vec<(f64, f64)> {
        let values = along.iter().filter_map(|log| Some((*log, f(10f64.powf(*log))?)));
        values.filter(|(_, v)| (0.0..=100.0).contains(v)).collect()
    };
    let (kept, widened) = (curve(&|p| costs.kept(p)), curve(&|p| costs.widening(p)));
    let limits = [UNDER_SAMPLED_PX, WELL_SAMPLED_PX, OVER_SAMPLED_PX].map(f64::log10);
    // The name of the narrow verdict reaches over its upper limit.
    let uprights = [(limits[0], y.range.1), (limits[1], 100.0), (limits[2], y.range.1)];
    let mut layers = vec![Layer::Uprights(uprights.into(), Ink::Text)];
    layers.extend(verdict_names(limits, &x));
    layers.extend(name_at_the_end(&kept, &x, "signal-to-noise kept"));
    layers.extend(name_at_the_end(&widened, &x, "widening by the pixel"));
    layers.extend([Layer::Line(kept, Ink::First), Layer::Dashes(widened, Ink::Second)]);
    let place = here.log10();
    let ends = ((here - sigma).max(here / BEYOND).log10(), (here + sigma).log10().min(x.range.1));
    layers.push(Layer::Band(vec![(ends.0, 0.0, 100.0), (ends.1, 0.0, 100.0)], Ink::Fourth));
    layers.push(Layer::Line(vec![(place, 0.0), (place, 100.0)], Ink::Text));
    let dots: Vec<Point> = [costs.kept(here), costs.widening(here)]
        .into_iter()
        .flatten()
        .map(|y| Point { x: place, y, bar: None })
        .collect();
    layers.push(Layer::Points(dots, Shape::Disc, Ink::Text));
    let mut places: Vec<f64> = TOLD.into_iter().chain([here]).collect();
    places.sort_by(f64::total_cmp);
    let words: Vec<String> = places.iter().map(|p| costs.in_words(*p)).collect();
    let told: Vec<Told> = places
        .iter()
        .zip(&words)
        .filter_map(|(p, words)| Some((p.log10(), costs.kept(*p).or_else(|| costs.widening(*p))?, words.clone())))
        .collect();
    let (svg, marks) = draw(620, &x, &y, &layers, &told)?;
    let title = finding(session, here);
    let alt = format!(
        "{title}. Below {UNDER_SAMPLED_PX} px per FWHM under-sampled, to {WELL_SAMPLED_PX} marginal, to {OVER_SAMPLED_PX} \
         well sampled, above over-sampled. {}.",
        words.join("; ")
    );
    Ok(Some(Figure { title, svg, marks, alt, caption: caption(noise.is_some(), session.settings.cfa.is_some()) }))
}

/// The name of a curve at its right end, above the highest point that it has there.
fn name_at_the_end(curve: &[(f64, f64)], x: &Axis, name: &str) -> Option<Layer> {
    let span = x.range.1 - x.range.0;
    let last = curve.last()?;
    let under_it = curve.iter().filter(|(at, _)| *at > last.0 - NAME * span).map(|(_, v)| *v);
    let at = (last.0 - 0.01 * span, under_it.fold(last.1, f64::max) + 0.2 * LINE);
    Some(Layer::Words { at, text: name.to_owned(), ends_there: true, ink: Ink::Text })
}

/// The verdicts between their limits; the narrow one stands below the others.
fn verdict_names(limits: [f64; 3], x: &Axis) -> Vec<Layer> {
    let gap = 0.008 * (x.range.1 - x.range.0);
    let words = |at: f64, y: f64, text: &str, ends_there: bool| Layer::Words {
        at: (at, y),
        text: text.to_owned(),
        ends_there,
        ink: Ink::Text,
    };
    vec![
        words(limits[0] - gap, 100.0 + 1.4 * LINE, "under-sampled", true),
        words(limits[0] + gap, 100.0 + 0.3 * LINE, "marginal", false),
        words(limits[1] + gap, 100.0 + 1.4 * LINE, "well sampled", false),
        words(limits[2] + gap, 100.0 + 1.4 * LINE, "over-sampled", false),
    ]
}

fn caption(noise: bool, colour: bool) -> String {
    let mut text = "Upright with its band: this rig and one standard uncertainty.".to_owned();
    if noise {
        text += " Line: signal-to-noise that is left on a faint star, of that of a noiseless sensor with tiny pixels, if \
                 the pixels were larger (left) or smaller (right) and each kept its own noise.";
    }
    text += " Dashes: by how much the pixel widens a recorded star.";
    if colour {
        text += " Pixels are those of the sensor; behind the colour filters every second of a row sees green.";
    }
    text
}

fn finding(session: &Session, here: f64) -> String {
    let s = &session.sampling;
    let place = format!("{} px per FWHM, {}", with_sigma(here, s.px_per_fwhm.sigma), s.verdict.word());
    let known = s.best_pixel_factor.value.zip(s.snr_efficiency.value.zip(s.best_snr_efficiency.value));
    let Some((factor, (now, best))) = known else { return place };
    let [now, best] = [now, best].map(|share| (100.0 * share).round());
    let kept = format!("{place}: a faint star keeps {} % of its signal-to-noise", plain(now));
    match (best > now, factor > 1.0) {
        (false, _) => format!("{kept}, and no other pixel would keep more"),
        (true, true) => format!("{kept}; larger pixels would keep {} %, at the cost of sharpness", plain(best)),
        (true, false) => format!("{kept}; smaller pixels would keep {} %", plain(best)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::facts::Quantity;
    use crate::report::sample;

    #[test]
    fn place_and_verdict_are_the_title() {
        let figure = sampling_axis(&sample::report().sessions[0]).unwrap().unwrap();
        assert!(
            figure.title.starts_with("2.610 ± 0.090 px per FWHM, well-sampled: a faint star keeps 81 %"),
            "{}",
            figure.title
        );
        assert!(figure.title.ends_with("smaller pixels would keep 92 %"), "{}", figure.title);
        for name in ["under-sampled", "marginal", "well sampled", "over-sampled"] {
            assert!(figure.svg.contains(name), "{name}");
        }
    }

    #[test]
    fn costs_run_both_ways() {
        let star = StarProfile::gaussian(3.0).unwrap();
        let costs = Costs { star, noise: Some((1.0, 1.0)) };
        // Check value C1.10 (root of the error-function form): the pixel widens a Gaussian of 1.5 px to 1.66021 px; the
        // printed digits are good for 3e-4 % of 1.5 px.
        assert!((costs.widening(1.5).unwrap() - 100.0 * (1.66021 / 1.5 - 1.0)).abs() < 1e-3);
        // Noise of the sensor equal to the sky's in a pixel: tiny pixels lose to it, huge ones blur stars into the sky.
        let kept = |p: f64| costs.kept(p).unwrap();
        assert!(
            kept(12.0) < kept(3.0) && kept(1.0) < kept(2.0),
            "{} {} {} {}",
            kept(12.0),
            kept(3.0),
            kept(1.0),
            kept(2.0)
        );
    }

    #[test]
    fn without_a_noise_budget_the_widening_still_stands() {
        let mut session = sample::report().sessions[0].clone();
        session.noise_budget.sky_e2 = Quantity::not_measurable("no gain");
        let figure = sampling_axis(&session).unwrap().unwrap();
        assert!(figure.alt.contains("2 px per FWHM: stars widened by") && !figure.alt.contains("signal-to-noise 9"));
        assert!(!figure.svg.contains("signal-to-noise kept"));
    }

    #[test]
    fn an_unknown_sampling_makes_no_chart() {
        let mut session = sample::report().sessions[0].clone();
        session.sampling.facts.px_per_fwhm = Quantity::not_measurable("no stars");
        assert!(sampling_axis(&session).unwrap().is_none());
    }
}
