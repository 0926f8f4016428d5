//! The noise budget against exposure time: what longer or shorter exposures would make of it.

use super::canvas::{Axis, Ink, Layer, Point, Shape, Told, draw};
use super::figure::{Figure, PlotError};
use crate::facts::Quantity;
use crate::report::model::Session;
use crate::report::words::numbers::{plain, two_digits, with_sigma};
use crate::report::words::percent;

/// Decades that the axis reaches beyond the exposures that are marked, either way: three times them, or so far that a
/// name of the part of the axis below has room.
const BEYOND: f64 = 0.48;
const MOST_BEYOND: f64 = 1.5;
/// Part of the axis that the name of a marked exposure takes.
const NAME: f64 = 0.36;
/// Points along the drawn curves; more would not be seen.
const CURVE_STEPS: usize = 80;
/// Exposures that the words and the reader go through.
const TOLD_STEPS: usize = 9;
/// Height of an area, per cent, below which its name does not fit inside.
const LEAST_NAMED: f64 = 9.0;
/// Room that a line of words takes upwards, per cent of the axis.
const LINE: f64 = 8.0;
/// The axis ends above 100 %: there stand the names of the marked exposures.
const HEADROOM: f64 = 2.6 * LINE;

/// Rates of sky and dark current, e^2/px/s, and the variance of read noise, e^2.
#[derive(Clone, Copy)]
struct Causes {
    sky: f64,
    dark: f64,
    read: f64,
}

impl Causes {
    /// Variance of sky, of sky and dark, of all, as per cent of the last, after an exposure of `seconds`.
    fn stacked(self, seconds: f64) -> [f64; 3] {
        let parts = [self.sky * seconds, self.dark * seconds, self.read];
        let all: f64 = parts.iter().sum();
        [parts[0], parts[0] + parts[1], all].map(|sum| 100.0 * sum / all)
    }

    fn in_words(self, seconds: f64) -> String {
        let [sky, dark, all] = self.stacked(seconds);
        let [sky, dark, read] = [sky, dark - sky, all - dark].map(|share| plain((share * 10.0).round() / 10.0));
        format!("{} s: sky {sky} %, dark current {dark} %, read noise {read} %", two_digits(seconds))
    }
}

/// Shares of the noise variance against exposure time, with the present exposure and the one where read noise adds 10 %;
/// `None` where a part of the budget is not known.
///
/// # Errors
///
/// The drawing library fails.
pub fn noise_by_exposure(session: &Session) -> Result<Option<Figure>, PlotError> {
    let budget = &session.noise_budget;
    let part = |q: &Quantity| q.value.map(|v| v.max(0.0));
    let now = session.settings.exposure_s.filter(|t| t.is_finite() && *t > 0.0);
    let (Some(now), Some(sky), Some(dark), Some(read)) =
        (now, part(&budget.sky_e2), part(&budget.dark_e2), part(&budget.read_e2))
    else {
        return Ok(None);
    };
    if sky + dark <= 0.0 || read <= 0.0 {
        return Ok(None);
    }
    let causes = Causes { sky: sky / now, dark: dark / now, read };
    let limit = budget.exposure_for_10_percent_read_s.pair().filter(|(t, _)| *t > 0.0);
    let marked = limit.map_or(now, |l| l.0);
    let apart = (now / marked).log10().abs();
    let beyond = 10f64.powf((NAME / (1.0 - 2.0 * NAME) * apart).clamp(BEYOND, MOST_BEYOND));
    let x = Axis::logarithmic("exposure time, s", now.min(marked) / beyond, now.max(marked) * beyond);
    let mut y = Axis::linear("share of the noise variance, %", 0.0, 100.0, 0.0);
    y.range = (0.0, 100.0 + HEADROOM);
    let along = |i: usize, steps: usize| x.range.0 + (x.range.1 - x.range.0) * i as f64 / steps as f64;
    let curve: Vec<(f64, [f64; 3])> =
        (0..=CURVE_STEPS).map(|i| along(i, CURVE_STEPS)).map(|log| (log, causes.stacked(10f64.powf(log)))).collect();
    let area = |upper: usize, ink: Ink| {
        let edge = |s: &[f64; 3]| (if upper == 0 { 0.0 } else { s[upper - 1] }, s[upper]);
        Layer::Band(curve.iter().map(|(log, s)| (*log, edge(s).0, edge(s).1)).collect(), ink)
    };
    let inks = [Ink::First, Ink::Second, Ink::Third];
    let mut layers: Vec<Layer> = inks.iter().enumerate().map(|(i, ink)| area(i, *ink)).collect();
    layers.extend((0..2).map(|i| Layer::Line(curve.iter().map(|(log, s)| (*log, s[i])).collect(), inks[i])));
    layers.extend(names(causes, &x));
    let rises = |seconds: f64, to: f64| vec![(seconds.log10(), 0.0), (seconds.log10(), to)];
    // Names stand away from the other marked exposure.
    let beside = |seconds: f64, y: f64, text: String, ends_there: bool| {
        let gap = if ends_there { -0.01 } else { 0.01 } * (x.range.1 - x.range.0);
        Layer::Words { at: (seconds.log10() + gap, y), text, ends_there, ink: Ink::Text }
    };
    if let Some((seconds, _)) = limit {
        layers.push(Layer::Dashes(rises(seconds, 100.0 + 1.4 * LINE), Ink::Text));
        layers.push(beside(seconds, 100.0 + 1.4 * LINE, "read noise adds 10 %".to_owned(), seconds < now));
    }
    layers.push(Layer::Line(rises(now, 100.0), Ink::Text));
    let [sky_now, dark_now, _] = causes.stacked(now);
    let dots = [sky_now, dark_now].map(|y| Point { x: now.log10(), y, bar: None });
    layers.push(Layer::Points(dots.into(), Shape::Disc, Ink::Text));
    layers.push(beside(now, 100.0 + 0.2 * LINE, format!("these frames, {} s", plain(now)), now < marked));
    let mut times: Vec<f64> = (0..TOLD_STEPS).map(|i| 10f64.powf(along(i, TOLD_STEPS - 1))).collect();
    times.extend([now].into_iter().chain(limit.map(|l| l.0)));
    times.sort_by(f64::total_cmp);
    let told: Vec<Told> = times.iter().map(|t| (t.log10(), causes.stacked(*t)[1], causes.in_words(*t))).collect();
    let (svg, marks) = draw(620, &x, &y, &layers, &told)?;
    let title = finding(session, now, limit);
    let words: Vec<String> = times.iter().map(|t| causes.in_words(*t)).collect();
    let alt = format!("{title}. Shares of the noise variance by exposure time: {}.", words.join("; "));
    let caption =
        "From below: sky, dark current, read noise. The noise of sky and dark current grows with the exposure, read \
                   noise comes once, so longer exposures leave it a smaller part. Where it adds 10 % to the noise, the \
                   same depth takes 21 % more time than without it."
            .to_owned();
    Ok(Some(Figure { title, svg, marks, alt, caption }))
}

/// The name of each area inside it, where it is high enough: read noise at the left end, the others at the right.
fn names(causes: Causes, x: &Axis) -> Vec<Layer> {
    let edge = 0.015 * (x.range.1 - x.range.0);
    let (left, right) = (x.range.0 + edge, x.range.1 - edge);
    let (first, last) = (causes.stacked(10f64.powf(left)), causes.stacked(10f64.powf(right)));
    let places = [
        ("sky", 0.0, last[0], right, true),
        ("dark current", last[0], last[1], right, true),
        ("read noise", first[1], 100.0, left, false),
    ];
    let named = places.into_iter().filter(|(_, low, high, ..)| high - low >= LEAST_NAMED);
    named
        .map(|(text, low, high, at, ends_there)| Layer::Words {
            at: (at, 0.5 * (low + high) - 0.5 * LINE),
            text: text.to_owned(),
            ends_there,
            ink: Ink::Text,
        })
        .collect()
}

fn finding(session: &Session, now: f64, limit: Option<(f64, f64)>) -> String {
    let adds = &session.noise_budget.read_noise_adds;
    let start = if adds.is_known() {
        format!("Read noise adds {} to the noise of {} s", percent(adds), plain(now))
    } else {
        return format!("Where the noise of {} s comes from, and of other exposures", plain(now));
    };
    match limit {
        Some((t, s)) => format!("{start}; at {} s it would add 10 %", with_sigma(t, Some(s))),
        None => start,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::sample;

    #[test]
    fn shares_follow_the_exposure() {
        // By hand: 0.5 + 0.1 e^2/px/s for 100 s against 9 e^2 of read noise: 50, 10 and 9 of 69 e^2.
        // The same sums in another order: rounding.
        let shares = Causes { sky: 0.5, dark: 0.1, read: 9.0 }.stacked(100.0);
        for (got, want) in shares.iter().zip([50.0 / 0.69, 60.0 / 0.69, 100.0]) {
            assert!((got - want).abs() < 1e-12, "{shares:?}");
        }
    }

    #[test]
    fn the_present_exposure_and_the_limit_are_the_title_and_in_words() {
        let figure = noise_by_exposure(&sample::report().sessions[0]).unwrap().unwrap();
        assert_eq!(
            figure.title,
            "Read noise adds 5.30 ± 0.20 % to the noise of 120 s; at 62.7 ± 3.0 s it would add 10 %"
        );
        assert!(figure.alt.contains("120 s: sky 51.8 %, dark current 38.3 %, read noise 9.9 %"), "{}", figure.alt);
        assert!(figure.svg.contains("these frames, 120 s") && figure.svg.contains("read noise adds 10 %"));
    }

    #[test]
    fn what_lacks_a_part_makes_no_chart() {
        let report = sample::report();
        assert!(noise_by_exposure(&report.sessions[1]).unwrap().is_none());
        let mut session = report.sessions[0].clone();
        session.noise_budget.read_e2 = Quantity::not_measurable("no bias frames");
        assert!(noise_by_exposure(&session).unwrap().is_none());
    }
}
