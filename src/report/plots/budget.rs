//! Where the noise of one exposure comes from.

use plotters::prelude::*;

use super::canvas::{Ink, WIDTH, lettering, paint, sheet};
use super::{Figure, Mark, Marks, PlotError};
use crate::quantity::Quantity;
use crate::report::model::Session;
use crate::report::numbers::typographic;
use crate::report::origins::noise_parts;
use crate::verdict::percent;

/// Chart units: the bar's right end, its height, and the distance of the lines of text below it.
const BAR_END: i32 = 660;
const BAR_HEIGHT: i32 = 84;
const LINE: i32 = 56;
/// Narrowest segment, so that a part of almost nothing still has an edge to point at.
const NARROWEST: i32 = 4;

/// A bar divided by the shares of the noise variance; `None` where the shares are not known.
///
/// # Errors
///
/// The drawing library fails.
pub fn noise_budget(session: &Session) -> Result<Option<Figure>, PlotError> {
    let parts = noise_parts(session);
    let shares: Vec<(&str, f64, &Quantity)> =
        parts.iter().filter_map(|(name, _, q)| q.value.map(|v| (*name, v.max(0.0), q))).collect();
    let sum: f64 = shares.iter().map(|s| s.1).sum();
    if shares.len() < 3 || sum <= 0.0 {
        return Ok(None);
    }
    let inks = [Ink::First, Ink::Second, Ink::Third, Ink::Fourth];
    let mut left = 0;
    let mut segments = Vec::new();
    for (k, (name, share, q)) in shares.iter().enumerate() {
        let width = ((share / sum * f64::from(BAR_END)).round() as i32).max(NARROWEST);
        let right = (left + width).min(WIDTH as i32);
        segments.push((left, right, inks[k % inks.len()], format!("{name} {}", percent(q))));
        left = right;
    }
    let height = BAR_HEIGHT + LINE * (segments.len() as i32) + 40;
    let svg = sheet(height as u32, |area| {
        let n = segments.len();
        for (k, (from, to, ink, words)) in segments.iter().enumerate() {
            let colour = paint(*ink);
            let gap = if to - from > 3 * NARROWEST { 3 } else { 0 };
            let bar = Rectangle::new([(*from, 0), (*to - gap, BAR_HEIGHT)], colour.filled());
            let (x, y) = ((from + to) / 2, BAR_HEIGHT + 24 + LINE * (n - 1 - k) as i32 + LINE / 2);
            // The leftmost part takes the lowest line: no leader then crosses a text.
            let leader = PathElement::new([(x, BAR_HEIGHT), (x, y), (x + 26, y)], colour.stroke_width(4));
            area.draw(&bar).map_err(|e| e.to_string())?;
            area.draw(&leader).map_err(|e| e.to_string())?;
            let text = Text::new(words.clone(), (x + 38, y), lettering(Ink::Text));
            area.draw(&text).map_err(|e| e.to_string())?;
        }
        Ok(())
    })?;
    let title = finding(&shares);
    let places = segments.iter().map(|(from, to, _, words)| Mark {
        x: (from + to) / 2,
        y: BAR_HEIGHT / 2,
        words: typographic(&format!("{words} of the noise variance")),
    });
    let marks = Marks { height: height as u32, places: places.collect() };
    let words: Vec<String> = segments.iter().map(|s| s.3.clone()).collect();
    let alt = format!("{title}. Shares of the noise variance of one exposure: {}.", words.join("; "));
    let caption = "The bar is the whole noise variance of one pixel in one exposure, divided by what causes it. \
                   Shares of variance add up; shares of noise would not."
        .to_owned();
    Ok(Some(Figure { title, svg, marks, alt, caption }))
}

fn finding(shares: &[(&str, f64, &Quantity)]) -> String {
    let Some((name, _, q)) = shares.iter().max_by(|a, b| a.1.total_cmp(&b.1)) else { return String::new() };
    let subject = match *name {
        "sky" => "The sky",
        "sensor heat" => "The sensor's own heat",
        "read-out" => "Reading out",
        _ => "Rounding to ADU",
    };
    format!("{subject} makes the largest part of the noise: {}", percent(q))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::sample;

    #[test]
    fn the_largest_part_is_the_title_and_all_parts_are_in_words() {
        let figure = noise_budget(&sample::report().sessions[0]).unwrap().unwrap();
        assert!(figure.title.starts_with("The sky makes the largest part of the noise: 5"), "{}", figure.title);
        for part in ["sky", "sensor heat", "read-out", "rounding"] {
            assert!(figure.alt.contains(part), "{}", figure.alt);
        }
    }

    #[test]
    fn unknown_shares_make_no_chart() {
        assert!(noise_budget(&sample::report().sessions[1]).unwrap().is_none());
    }
}
