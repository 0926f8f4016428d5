//! Exposure time needed against sensor temperature.

use super::canvas::{Axis, Ink, Layer, Point, Shape, Told, draw};
use super::figure::{Figure, PlotError};
use crate::facts::Method;
use crate::facts::{Quantity, Source};
use crate::report::model::Session;
use crate::report::words::numbers::{plain, with_sigma};
use crate::report::words::percent;
use crate::verdict::CoolingRow;

/// Drop that the title speaks of where it was worked out, C: the one that the answers quote.
const TITLE_DROP_C: f64 = 20.0;

/// The time ratio with its error band and the floor that no cooling passes; `None` with fewer than two known rows.
///
/// # Errors
///
/// The drawing library fails.
pub fn cooling_curve(session: &Session) -> Result<Option<Figure>, PlotError> {
    let mut rows: Vec<(&CoolingRow, f64, f64)> = session
        .cooling
        .iter()
        .filter_map(|r| r.time_ratio.pair().map(|(v, s)| (r, v, s)))
        .filter(|(r, ..)| r.sensor_celsius.is_finite())
        .collect();
    rows.sort_by(|a, b| a.0.sensor_celsius.total_cmp(&b.0.sensor_celsius));
    let [(coldest, ..), .., (warmest, ..)] = rows[..] else { return Ok(None) };
    let floor = session.cooling_floor_time_ratio.pair();
    let lows = rows.iter().map(|(_, v, s)| v - s).chain(floor.map(|(v, s)| v - s));
    let low = lows.fold(f64::INFINITY, f64::min);
    let high = rows.iter().map(|(_, v, s)| v + s).fold(1.0, f64::max);
    // Today stands at 1 by definition, so the curve starts there.
    let now = warmest.sensor_celsius + warmest.below_now_c;
    let x = Axis::linear("sensor temperature, °C", coldest.sensor_celsius, now, 0.04);
    let y = Axis::linear("time needed, of today's", low, high, 0.12);
    let band = rows.iter().map(|(r, v, s)| (r.sensor_celsius, v - s, v + s)).chain([(now, 1.0, 1.0)]).collect();
    let line = rows.iter().map(|(r, v, _)| (r.sensor_celsius, *v)).chain([(now, 1.0)]).collect();
    let mut layers = Vec::new();
    if let Some((v, s)) = floor {
        layers.push(Layer::Band(vec![(x.range.0, v - s, v + s), (x.range.1, v - s, v + s)], Ink::Third));
        layers.push(Layer::Dashes(vec![(x.range.0, v), (x.range.1, v)], Ink::Third));
    }
    layers.push(Layer::Band(band, Ink::First));
    layers.push(Layer::Line(line, Ink::First));
    let dots = rows.iter().map(|(r, v, _)| Point { x: r.sensor_celsius, y: *v, bar: None }).collect();
    layers.push(Layer::Points(dots, Shape::Disc, Ink::First));
    layers.push(Layer::Points(vec![Point { x: now, y: 1.0, bar: None }], Shape::Ring, Ink::First));
    let at = (now - 0.02 * (x.range.1 - x.range.0), 1.0 + 0.015 * (y.range.1 - y.range.0));
    layers.push(Layer::Words { at, text: "today".to_owned(), ends_there: true, ink: Ink::Text });
    if let Some((v, _)) = floor {
        let at = (x.range.1, v + 0.012 * (y.range.1 - y.range.0));
        let text = "no dark current at all".to_owned();
        layers.push(Layer::Words { at, text, ends_there: true, ink: Ink::Text });
    }
    let told: Vec<Told> = rows
        .iter()
        .map(|(r, v, s)| {
            let (at, ratio) = (plain(round_tenth(r.sensor_celsius)), with_sigma(*v, Some(*s)));
            (r.sensor_celsius, *v, format!("{at} °C: {ratio} of today's time"))
        })
        .collect();
    let (svg, marks) = draw(620, &x, &y, &layers, &told)?;
    let title = finding(&rows, &session.cooling_floor_time_ratio);
    let numbers: Vec<String> = rows
        .iter()
        .map(|(r, v, s)| format!("{} °C: {}", plain(round_tenth(r.sensor_celsius)), with_sigma(*v, Some(*s))))
        .collect();
    let limit =
        floor.map_or_else(String::new, |(v, s)| format!(" Limit without dark current: {}.", with_sigma(v, Some(s))));
    let alt = format!("{title}. Exposure time needed over today's: {}.{limit}", numbers.join("; "));
    let caption =
        "Time for the same signal-to-noise on a faint target, over the time needed today, from today's temperature \
                   (ring) down. Bands: one standard uncertainty. Dashes: the limit that no cooling can pass."
            .to_owned();
    Ok(Some(Figure { title, svg, marks, alt, caption }))
}

fn round_tenth(x: f64) -> f64 {
    (x * 10.0).round() / 10.0
}

fn finding(rows: &[(&CoolingRow, f64, f64)], floor: &Quantity) -> String {
    let distance = |r: &CoolingRow| (r.below_now_c - TITLE_DROP_C).abs();
    let told = rows.iter().min_by(|a, b| distance(a.0).total_cmp(&distance(b.0)));
    let Some((row, ratio, sigma)) = told.filter(|(r, ..)| r.below_now_c > 0.0) else {
        return "No colder temperature was worked out".to_owned();
    };
    let step = plain(round_tenth(row.below_now_c));
    let saved = Quantity::measured(1.0 - ratio, *sigma, Method::InSentence, 0);
    // Below two of its own errors a saving cannot be told from none.
    let verb = if row.time_ratio.source == Source::Assumed { "would save" } else { "saves" };
    let said = if 1.0 - ratio <= 2.0 * sigma {
        format!("Cooling by {step} °C {verb} no time that could be told from zero: {}", percent(&saved))
    } else {
        format!("Cooling by {step} °C {verb} {} of the exposure time", percent(&saved))
    };
    // The law is an assumption, and a title must not hide it.
    let said = if verb == "saves" { said } else { format!("If the dark current falls as assumed, c{}", &said[1..]) };
    match floor.pair() {
        Some((f, s)) => {
            format!("{said}; the limit is {}", percent(&Quantity::measured(1.0 - f, s, Method::InSentence, 0)))
        }
        None => said,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::sample;

    #[test]
    fn the_saving_and_its_limit_are_the_title() {
        let figure = cooling_curve(&sample::report().sessions[0]).unwrap().unwrap();
        assert!(figure.title.starts_with("Cooling by 20 °C saves 3"), "{}", figure.title);
        assert!(figure.title.contains("the limit is 38"), "{}", figure.title);
    }

    #[test]
    fn a_saving_within_its_error_is_not_claimed() {
        let mut session = sample::report().sessions[0].clone();
        for row in &mut session.cooling {
            row.time_ratio = Quantity::measured(0.99, 0.02, "rho", 4);
        }
        let figure = cooling_curve(&session).unwrap().unwrap();
        assert!(figure.title.contains("no time that could be told from zero"), "{}", figure.title);
    }

    #[test]
    fn no_rows_make_no_chart() {
        assert!(cooling_curve(&sample::report().sessions[1]).unwrap().is_none());
    }
}
