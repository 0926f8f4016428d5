//! The night over time: star width and what else every light frame tells.

use jiff::civil::DateTime;

use super::canvas::{Axis, Ink, Layer, Point, Shape, Told, draw, multiples};
use super::figure::{Figure, PlotError};
use crate::facts::Quantity;
use crate::facts::night::NightNote;
use crate::report::model::{FrameRow, FrameStatus};
use crate::report::words::numbers::{plain, with_sigma};
use crate::stats::{median, quantile};

/// A drift is named when it is this many times its standard error; the usual two-sigma convention.
const DRIFT_SIGMAS: f64 = 2.0;
/// Fewest frames for a drift: a line through fewer leaves no honest scatter.
const FEWEST_FOR_DRIFT: usize = 5;

/// Most frames that the alternative in words names one by one; more would be no help to a listener.
const MOST_SPOKEN: usize = 40;

/// Most frames left out that a caption names; the table of files has all.
const MOST_NAMED: usize = 4;
/// Height of the first chart and of those below it, chart units.
const TALL: u32 = 620;
const LOW: u32 = 420;

/// What is followed over the night.
struct Course {
    /// Title of the axis, with its unit.
    axis: &'static str,
    unit: &'static str,
    subject: &'static str,
    /// What its growth and its fall are called.
    rises: &'static str,
    falls: &'static str,
    height: u32,
    /// The value of a frame, and its uncertainty where it has one.
    value: fn(&FrameRow) -> Option<(f64, f64)>,
}

const COURSES: [Course; 6] = [
    Course {
        axis: "FWHM before the pixel, px",
        unit: " px",
        subject: "Star width",
        rises: "Stars widened",
        falls: "Stars narrowed",
        height: TALL,
        value: |f| f.fwhm_px.as_ref().and_then(Quantity::pair),
    },
    Course {
        axis: "ellipticity",
        unit: "",
        subject: "The ellipticity of the stars",
        rises: "The ellipticity of the stars grew",
        falls: "The ellipticity of the stars fell",
        height: LOW,
        value: |f| f.ellipticity.as_ref().and_then(Quantity::pair),
    },
    Course {
        axis: "sky, e⁻/px/s",
        unit: " e⁻/px/s",
        subject: "The sky brightness",
        rises: "The sky brightened",
        falls: "The sky darkened",
        height: LOW,
        value: |f| sky_rate(f).map(|v| (v, 0.0)),
    },
    Course {
        axis: "level above bias, ADU",
        unit: " ADU",
        subject: "The level of sky and dark current",
        rises: "The level of sky and dark current rose",
        falls: "The level of sky and dark current fell",
        height: LOW,
        value: |f| f.sky_adu.filter(|v| v.is_finite() && sky_rate(f).is_none()).map(|v| (v, 0.0)),
    },
    Course {
        axis: "stars in the frame",
        unit: "",
        subject: "The number of stars",
        rises: "The number of stars grew",
        falls: "The number of stars fell",
        height: LOW,
        value: |f| f.star_count.map(|n| (n as f64, 0.0)),
    },
    Course {
        axis: "sensor temperature, °C",
        unit: " °C",
        subject: "The sensor's temperature",
        rises: "The sensor warmed",
        falls: "The sensor cooled",
        height: LOW,
        value: |f| f.sensor_celsius.filter(|v| v.is_finite()).map(|v| (v, 0.0)),
    },
];

/// The sky alone, where the dark current could be taken off.
fn sky_rate(frame: &FrameRow) -> Option<f64> {
    let rate = frame.sky_e_per_px_s.as_ref()?;
    let with_dark = rate.notes.contains(&NightNote::DarkCurrentStillInIt.into());
    rate.value.filter(|_| !with_dark)
}

struct Row<'a> {
    hours: f64,
    value: Option<(f64, f64)>,
    frame: &'a FrameRow,
}

/// Star width, ellipticity, sky, star count and sensor temperature of each light frame against time; what no frame
/// tells is left out.
///
/// # Errors
///
/// The drawing library fails.
pub fn over_the_night(frames: &[&FrameRow]) -> Result<Vec<Figure>, PlotError> {
    let mut figures = Vec::new();
    for course in &COURSES {
        let figure = follow(course, frames, figures.is_empty())?;
        figures.extend(figure);
    }
    Ok(figures)
}

/// One course; only the `first` of them explains the signs and names what is left out.
fn follow(course: &Course, frames: &[&FrameRow], first: bool) -> Result<Option<Figure>, PlotError> {
    let timed = frames.iter().all(|f| f.start_utc.is_some());
    let origin = frames.iter().filter_map(|f| f.start_utc).min();
    let rows: Vec<Row> = frames
        .iter()
        .enumerate()
        .map(|(i, frame)| Row {
            hours: match (timed, frame.start_utc, origin) {
                (true, Some(t), Some(first)) => hours_since_midnight(t, first),
                _ => i as f64 + 1.0,
            },
            value: (course.value)(frame),
            frame,
        })
        .collect();
    let used: Vec<(f64, f64)> =
        rows.iter().filter(|r| is_used(r)).filter_map(|r| Some((r.hours, r.value?.0))).collect();
    let ends: Vec<f64> = rows.iter().filter_map(|r| r.value).flat_map(|(v, s)| [v - s, v + s]).collect();
    let (Some(low), Some(high)) = (quantile(&ends, 0.0), quantile(&ends, 1.0)) else { return Ok(None) };
    let y = Axis::linear(course.axis, low, high, 0.12);
    let x = time_axis(&rows, timed);
    let floor = y.range.0 + 0.03 * (y.range.1 - y.range.0);
    let points = |want: fn(&Row) -> bool| -> Vec<Point> {
        let known = rows.iter().filter(|r| want(r)).filter_map(|r| Some((r.hours, r.value?)));
        known.map(|(x, (v, s))| Point { x, y: v, bar: (s > 0.0).then_some((v - s, v + s)) }).collect()
    };
    let lost: Vec<Point> =
        rows.iter().filter(|r| r.value.is_none()).map(|r| Point { x: r.hours, y: floor, bar: None }).collect();
    let excluded = points(|r| !is_used(r));
    let mut layers = Vec::new();
    if let Some(m) = median(&used.iter().map(|p| p.1).collect::<Vec<_>>()) {
        layers.push(Layer::Dashes(vec![(x.range.0, m), (x.range.1, m)], Ink::First));
    }
    layers.push(Layer::Points(excluded.clone(), Shape::Ring, Ink::Second));
    layers.push(Layer::Points(lost.clone(), Shape::Cross, Ink::Second));
    layers.push(Layer::Points(points(is_used), Shape::Disc, Ink::First));
    let told: Vec<Told> = rows
        .iter()
        .map(|r| (r.hours, r.value.map_or(floor, |v| v.0), format!("{}, {}", words(course, r, timed), r.frame.path)))
        .collect();
    let (svg, marks) = draw(course.height, &x, &y, &layers, &told)?;
    let errors =
        if rows.iter().any(|r| r.value.is_some_and(|v| v.1 > 0.0)) { ", with one standard uncertainty" } else { "" };
    let mut signs = format!("Discs: {}{errors}; dashes: their median.", frames_word(used.len()));
    if !excluded.is_empty() {
        signs += " Rings: left out.";
    }
    if !timed {
        signs += " Not every frame tells its time, so they stand in the order of their names.";
    }
    let title = finding(course, &used, timed, origin);
    let without = match lost.len() {
        0 => String::new(),
        n => format!(" Crosses at the foot: {} without a value.", frames_word(n)),
    };
    let alt = format!("{title}. {} {signs}{without}", series_words(course, &rows, timed));
    let caption = if first { signs + &without + &left_out(&rows) } else { format!("Signs as above.{without}") };
    Ok(Some(Figure { title, svg, marks, alt, caption }))
}

/// The frames left out by name, as far as a caption bears it.
fn left_out(rows: &[Row<'_>]) -> String {
    let names: Vec<&str> = rows.iter().filter(|r| !is_used(r)).map(|r| r.frame.path.as_str()).collect();
    let more = names.len().saturating_sub(MOST_NAMED);
    match names.len() {
        0 => String::new(),
        _ if more > 0 => format!(" Left out: {} and {more} more.", names[..MOST_NAMED].join(", ")),
        _ => format!(" Left out: {}.", names.join(", ")),
    }
}

fn is_used(r: &Row<'_>) -> bool {
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

fn time_axis(rows: &[Row<'_>], timed: bool) -> Axis {
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

fn finding(course: &Course, used: &[(f64, f64)], timed: bool, origin: Option<DateTime>) -> String {
    let widths: Vec<f64> = used.iter().map(|p| p.1).collect();
    let Some(middle) = median(&widths) else {
        return format!("No frame could be used: {} of the night is not known", lowered(course.subject));
    };
    if let (true, Some(_), Some((change, error))) = (timed, origin, drift(used))
        && change.abs() > DRIFT_SIGMAS * error
    {
        let way = if change > 0.0 { course.rises } else { course.falls };
        let (from, to) = (used[0].0, used[used.len() - 1].0);
        // Points on one line leave no scatter but that of the arithmetic, which is no uncertainty.
        let exact = error < 1e-9 * change.abs();
        let size = if exact { plain(change.abs()) } else { with_sigma(change.abs(), Some(error)) };
        return format!("{way} by {size}{} from {} to {} UTC", course.unit, clock(from), clock(to));
    }
    match (quantile(&widths, 0.25), quantile(&widths, 0.75)) {
        (Some(a), Some(b)) if widths.len() >= FEWEST_FOR_DRIFT => {
            let (a, b) = if a == b { (plain(a), plain(b)) } else { (rounded(a, b - a), rounded(b, b - a)) };
            let (subject, unit) = (course.subject, course.unit);
            if a == b {
                format!("{subject} was {a}{unit} in half the frames or more")
            } else {
                format!("{subject} shows no drift beyond its scatter: half the frames lie between {a} and {b}{unit}")
            }
        }
        _ => {
            let (subject, unit) = (course.subject, course.unit);
            format!("{subject} was {}{unit} (median of {})", rounded(middle, middle.abs()), frames_word(widths.len()))
        }
    }
}

/// A number with the decimals that a spread of that size deserves: two digits of it, and at most three decimals.
fn rounded(x: f64, spread: f64) -> String {
    let decimals = if x.fract() == 0.0 {
        0
    } else if spread > 0.0 {
        (1.0 - spread.log10().floor()).clamp(0.0, 3.0) as usize
    } else {
        2
    };
    format!("{x:.decimals$}")
}

fn lowered(text: &str) -> String {
    let mut chars = text.chars();
    chars.next().map_or_else(String::new, |c| c.to_lowercase().collect::<String>() + chars.as_str())
}

/// One frame: when, its value, its fate.
fn words(course: &Course, r: &Row<'_>, timed: bool) -> String {
    let when = if timed { clock(r.hours) } else { format!("frame {}", plain(r.hours)) };
    let what = match r.value {
        None => "no value".to_owned(),
        Some((v, s)) if s > 0.0 => with_sigma(v, Some(s)) + course.unit,
        Some((v, _)) => plain(v) + course.unit,
    };
    let fate = if is_used(r) { "" } else { " (left out)" };
    format!("{when} {what}{fate}")
}

fn series_words(course: &Course, rows: &[Row<'_>], timed: bool) -> String {
    if rows.len() > MOST_SPOKEN {
        let values: Vec<f64> = rows.iter().filter(|r| is_used(r)).filter_map(|r| Some(r.value?.0)).collect();
        let spread = quantile(&values, 1.0).unwrap_or(0.0) - quantile(&values, 0.0).unwrap_or(0.0);
        let five =
            [0.0, 0.25, 0.5, 0.75, 1.0].map(|q| quantile(&values, q).map_or_else(String::new, |v| rounded(v, spread)));
        return format!("Least, quartiles and greatest, {}: {}.", course.axis, five.join(", "));
    }
    let list: Vec<String> = rows.iter().map(|r| words(course, r, timed)).collect();
    format!("By time: {}.", list.join("; "))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::sample;

    #[test]
    fn a_drift_beyond_its_error_is_the_title() {
        let report = sample::report();
        let lights = report.lights_of(&report.sessions[0]);
        let figure = over_the_night(&lights).unwrap().remove(0);
        assert!(figure.title.starts_with("Stars widened by 0.3"), "{}", figure.title);
        assert!(figure.title.ends_with("from 19:40 to 00:40 UTC"), "{}", figure.title);
        assert!(figure.alt.contains("(left out)") && figure.alt.contains("no value"));
    }

    #[test]
    fn a_steady_night_is_not_called_a_drift() {
        let points: Vec<(f64, f64)> = (0..12).map(|i| (i as f64, 3.0 + [0.1, -0.1][i % 2])).collect();
        let (change, error) = drift(&points).unwrap();
        assert!(change.abs() < DRIFT_SIGMAS * error, "{change} {error}");
        assert!(finding(&COURSES[0], &points, true, None).starts_with("Star width shows no drift"));
    }

    #[test]
    fn frames_without_any_width_make_no_chart() {
        let mut report = sample::report();
        report.frames.iter_mut().for_each(|f| f.fwhm_px = None);
        let figures = over_the_night(&report.lights_of(&report.sessions[0])).unwrap();
        assert_eq!(figures.len(), 4, "all but the width");
    }

    #[test]
    fn a_long_night_is_summed_up_in_words() {
        let report = sample::report();
        let lights = report.lights_of(&report.sessions[0]);
        let many: Vec<&FrameRow> = lights.iter().copied().cycle().take(400).collect();
        let figure = over_the_night(&many).unwrap().remove(0);
        assert!(figure.alt.len() < 500 && figure.alt.contains("quartiles"), "{}", figure.alt);
    }

    #[test]
    fn every_course_has_its_finding_and_names_what_is_left_out() {
        let report = sample::report();
        let figures = over_the_night(&report.lights_of(&report.sessions[0])).unwrap();
        let titles: Vec<&str> = figures.iter().map(|f| f.title.as_str()).collect();
        assert_eq!(titles.len(), 5, "{titles:?}");
        // The sample's sensor cools by 0.12 C a frame over 20 steps; its stars get fewer by one a frame.
        assert!(titles[4].starts_with("The sensor cooled by 2.4"), "{titles:?}");
        assert!(titles[3].starts_with("The number of stars fell by 20"), "{titles:?}");
        assert!(figures.iter().all(|f| f.marks.places.len() == 21 && f.alt.contains("Rings: left out")));
        assert!(figures[0].caption.contains("Left out: L/"), "{}", figures[0].caption);
        assert!(figures[1..].iter().all(|f| f.caption.starts_with("Signs as above.") && !f.caption.contains("L/")));
        assert!(figures[0].marks.places[9].words.contains("(left out), L/"), "{:?}", figures[0].marks.places[9]);
    }

    #[test]
    fn a_clock_runs_past_midnight() {
        assert_eq!([clock(19.75), clock(24.0), clock(25.5)], ["19:45", "00:00", "01:30"]);
    }
}
