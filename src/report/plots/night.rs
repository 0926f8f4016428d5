//! Star width over the night.

use jiff::civil::DateTime;

use super::canvas::{Axis, Ink, Layer, Point, Shape, draw, multiples};
use super::{Figure, PlotError};
use crate::report::model::{FrameRow, FrameStatus};
use crate::report::numbers::{plain, with_sigma};
use crate::stats::{median, quantile};

/// A drift is named when it is this many times its standard error; the usual two-sigma convention.
const DRIFT_SIGMAS: f64 = 2.0;
/// Fewest frames for a drift: a line through fewer leaves no honest scatter.
const FEWEST_FOR_DRIFT: usize = 5;

/// Most frames that the alternative in words names one by one; more would be no help to a listener.
const MOST_SPOKEN: usize = 40;

struct Width<'a> {
    hours: f64,
    fwhm: Option<(f64, f64)>,
    frame: &'a FrameRow,
}

/// FWHM of each light frame against time; `None` where no frame has one.
///
/// # Errors
///
/// The drawing library fails.
pub fn star_width(frames: &[&FrameRow]) -> Result<Option<Figure>, PlotError> {
    let timed = frames.iter().all(|f| f.start_utc.is_some());
    let origin = frames.iter().filter_map(|f| f.start_utc).min();
    let rows: Vec<Width> = frames
        .iter()
        .enumerate()
        .map(|(i, frame)| Width {
            hours: match (timed, frame.start_utc, origin) {
                (true, Some(t), Some(first)) => hours_since_midnight(t, first),
                _ => i as f64 + 1.0,
            },
            fwhm: frame.fwhm_px.as_ref().and_then(|q| q.pair()),
            frame,
        })
        .collect();
    let used: Vec<(f64, f64)> = rows.iter().filter(|r| is_used(r)).filter_map(|r| Some((r.hours, r.fwhm?.0))).collect();
    let ends: Vec<f64> = rows.iter().filter_map(|r| r.fwhm).flat_map(|(v, s)| [v - s, v + s]).collect();
    let (Some(low), Some(high)) = (quantile(&ends, 0.0), quantile(&ends, 1.0)) else { return Ok(None) };
    let y = Axis::linear("FWHM before the pixel, px", low, high, 0.12);
    let x = time_axis(&rows, timed);
    let floor = y.range.0 + 0.03 * (y.range.1 - y.range.0);
    let points = |want: fn(&Width) -> bool| -> Vec<Point> {
        let known = rows.iter().filter(|r| want(r)).filter_map(|r| Some((r.hours, r.fwhm?)));
        known.map(|(x, (v, s))| Point { x, y: v, bar: Some((v - s, v + s)) }).collect()
    };
    let lost: Vec<Point> =
        rows.iter().filter(|r| r.fwhm.is_none()).map(|r| Point { x: r.hours, y: floor, bar: None }).collect();
    let excluded = points(|r| !is_used(r));
    let mut layers = Vec::new();
    let middle = median(&used.iter().map(|p| p.1).collect::<Vec<_>>());
    if let Some(m) = middle {
        layers.push(Layer::Dashes(vec![(x.range.0, m), (x.range.1, m)], Ink::First));
    }
    layers.push(Layer::Points(excluded.clone(), Shape::Ring, Ink::Second));
    layers.push(Layer::Points(lost.clone(), Shape::Cross, Ink::Second));
    layers.push(Layer::Points(points(is_used), Shape::Disc, Ink::First));
    let svg = draw(620, &x, &y, &layers)?;
    let mut caption =
        format!("Discs: {}, with one standard uncertainty; dashes: their median.", frames_word(used.len()));
    if !excluded.is_empty() {
        caption += &format!(" Rings: {} left out.", frames_word(excluded.len()));
    }
    if !lost.is_empty() {
        caption += &format!(" Crosses at the foot: {} without a measurable width.", frames_word(lost.len()));
    }
    if !timed {
        caption += " Not every frame tells its time, so they stand in the order of their names.";
    }
    let title = finding(&used, timed, origin);
    let alt = format!("{title}. {} {}", series_words(&rows, timed), caption);
    Ok(Some(Figure { title, svg, alt, caption }))
}

fn is_used(r: &Width<'_>) -> bool {
    r.frame.status == FrameStatus::Used
}

fn frames_word(n: usize) -> String {
    if n == 1 { "1 frame".to_owned() } else { format!("{n} frames") }
}

/// Hours since the midnight before the first frame, so that they run on past 24.
fn hours_since_midnight(t: DateTime, first: DateTime) -> f64 {
    t.duration_since(first.date().to_datetime(jiff::civil::Time::midnight())).as_secs_f64() / 3600.0
}

fn clock(hours: f64) -> String {
    let minutes = (hours * 60.0).round() as i64;
    format!("{:02}:{:02}", minutes.div_euclid(60).rem_euclid(24), minutes.rem_euclid(60))
}

fn time_axis(rows: &[Width<'_>], timed: bool) -> Axis {
    let hours: Vec<f64> = rows.iter().map(|r| r.hours).collect();
    let low = quantile(&hours, 0.0).unwrap_or(0.0);
    let high = quantile(&hours, 1.0).unwrap_or(1.0);
    if !timed {
        let mut axis = Axis::linear("frame, in the order of names", low, high, 0.04);
        axis.ticks.retain(|(v, _)| v.fract() == 0.0);
        return axis;
    }
    let mut axis = Axis::linear("start of the exposure, UTC", low, high.max(low + 0.1), 0.04);
    let span = axis.range.1 - axis.range.0;
    let step = [1.0 / 60.0, 1.0 / 12.0, 0.25, 0.5, 1.0, 2.0, 4.0].into_iter().find(|s| span / s <= 6.5).unwrap_or(12.0);
    axis.ticks = multiples(step, axis.range).into_iter().map(|h| (h, clock(h))).collect();
    axis
}

/// Slope of a least-squares line, its standard error from the scatter about it, and the span of x.
fn drift(points: &[(f64, f64)]) -> Option<(f64, f64)> {
    let n = points.len() as f64;
    if points.len() < FEWEST_FOR_DRIFT {
        return None;
    }
    let mx = points.iter().map(|p| p.0).sum::<f64>() / n;
    let my = points.iter().map(|p| p.1).sum::<f64>() / n;
    let sxx: f64 = points.iter().map(|p| (p.0 - mx).powi(2)).sum();
    let sxy: f64 = points.iter().map(|p| (p.0 - mx) * (p.1 - my)).sum();
    if sxx <= 0.0 {
        return None;
    }
    let slope = sxy / sxx;
    let rest: f64 = points.iter().map(|p| (p.1 - my - slope * (p.0 - mx)).powi(2)).sum();
    let error = (rest / (n - 2.0) / sxx).sqrt();
    let span = points.iter().map(|p| p.0).fold(f64::NEG_INFINITY, f64::max)
        - points.iter().map(|p| p.0).fold(f64::INFINITY, f64::min);
    Some((slope * span, error * span))
}

fn finding(used: &[(f64, f64)], timed: bool, origin: Option<DateTime>) -> String {
    let widths: Vec<f64> = used.iter().map(|p| p.1).collect();
    let Some(middle) = median(&widths) else {
        return "No frame could be used, so the night has no star width".to_owned();
    };
    if let (true, Some(_), Some((change, error))) = (timed, origin, drift(used))
        && change.abs() > DRIFT_SIGMAS * error
    {
        let way = if change > 0.0 { "widened" } else { "narrowed" };
        let (from, to) = (used[0].0, used[used.len() - 1].0);
        let size = with_sigma(change.abs(), Some(error));
        return format!("Stars {way} by {size} px from {} to {} UTC", clock(from), clock(to));
    }
    match (quantile(&widths, 0.25), quantile(&widths, 0.75)) {
        (Some(a), Some(b)) if widths.len() >= FEWEST_FOR_DRIFT => {
            format!("Star width shows no drift beyond its scatter: half the frames lie between {a:.2} and {b:.2} px")
        }
        _ => format!("Star width was {middle:.2} px (median of {})", frames_word(widths.len())),
    }
}

fn series_words(rows: &[Width<'_>], timed: bool) -> String {
    if rows.len() > MOST_SPOKEN {
        let widths: Vec<f64> = rows.iter().filter(|r| is_used(r)).filter_map(|r| Some(r.fwhm?.0)).collect();
        let five =
            [0.0, 0.25, 0.5, 0.75, 1.0].map(|q| quantile(&widths, q).map_or_else(String::new, |v| format!("{v:.2}")));
        return format!("FWHM in px, least, quartiles and greatest: {}.", five.join(", "));
    }
    let words = rows.iter().map(|r| {
        let when = if timed { clock(r.hours) } else { format!("frame {}", plain(r.hours)) };
        let what = r.fwhm.map_or_else(|| "no width".to_owned(), |(v, s)| with_sigma(v, Some(s)));
        let fate = if is_used(r) { "" } else { " (left out)" };
        format!("{when} {what}{fate}")
    });
    format!("FWHM in px: {}.", words.collect::<Vec<_>>().join("; "))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::sample;

    #[test]
    fn a_drift_beyond_its_error_is_the_title() {
        let report = sample::report();
        let lights = report.lights_of(&report.sessions[0]);
        let figure = star_width(&lights).unwrap().unwrap();
        assert!(figure.title.starts_with("Stars widened by 0.3"), "{}", figure.title);
        assert!(figure.title.ends_with("from 19:40 to 00:40 UTC"), "{}", figure.title);
        assert!(figure.alt.contains("(left out)") && figure.alt.contains("no width"));
    }

    #[test]
    fn a_steady_night_is_not_called_a_drift() {
        let points: Vec<(f64, f64)> = (0..12).map(|i| (i as f64, 3.0 + [0.1, -0.1][i % 2])).collect();
        let (change, error) = drift(&points).unwrap();
        assert!(change.abs() < DRIFT_SIGMAS * error, "{change} {error}");
        assert!(finding(&points, true, None).starts_with("Star width shows no drift"));
    }

    #[test]
    fn frames_without_any_width_make_no_chart() {
        let mut report = sample::report();
        report.frames.iter_mut().for_each(|f| f.fwhm_px = None);
        assert!(star_width(&report.lights_of(&report.sessions[0])).unwrap().is_none());
    }

    #[test]
    fn a_long_night_is_summed_up_in_words() {
        let report = sample::report();
        let lights = report.lights_of(&report.sessions[0]);
        let many: Vec<&FrameRow> = lights.iter().copied().cycle().take(400).collect();
        let figure = star_width(&many).unwrap().unwrap();
        assert!(figure.alt.len() < 500 && figure.alt.contains("quartiles"), "{}", figure.alt);
    }

    #[test]
    fn a_clock_runs_past_midnight() {
        assert_eq!([clock(19.75), clock(24.0), clock(25.5)], ["19:45", "00:00", "01:30"]);
    }
}
