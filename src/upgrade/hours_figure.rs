//! Hours that other gear would bring a year, and those from which it is worth its price.

use crate::report::plots::canvas::{Axis, Ink, Layer, Point, Shape, Told, draw};
use crate::report::plots::{Figure, PlotError};
use crate::report::words::numbers::typographic;
use crate::upgrade::compare::{OptionResult, Upgrade};
use crate::upgrade::words::names;
use crate::upgrade::words::rows::money;
use crate::upgrade::worth::Interval;
use crate::verdict::Verdict;

/// Letters of a name that fit over its row beside the price; the page names each option in full.
const LETTERS: usize = 34;
/// Chart units for the axis below, and for a row: a line of text over its bar.
const BELOW: u32 = 150;
const ROW: u32 = 116;
/// Heights within a row, which is 1 high: its words above the bar, and half of the mark across it.
const WORDS_ABOVE: f64 = 0.2;
const HALF_MARK: f64 = 0.16;
/// Where the words of a row begin, in widths of the chart.
const WORDS_IN: f64 = 0.02;

/// An option with a price and a year, and the hours from which it is worth its price to the user.
struct Placed<'a> {
    option: &'a OptionResult,
    cost: f64,
    hours: Interval,
    worth_from: Option<f64>,
}

/// Extra hours a year with the interval of 68 %, a row an option, and the hours from which each is worth its price; `None`
/// where no option has both numbers.
///
/// # Errors
///
/// The drawing library fails.
pub(crate) fn hours_against_cost(result: &Upgrade) -> Result<Option<Figure>, PlotError> {
    let most = result.most_per_extra_hour.zip(result.years).filter(|(most, years)| most * years > 0.0);
    let placed: Vec<Placed> = result.options.iter().filter_map(|option| place(option, most)).collect();
    if placed.is_empty() {
        return Ok(None);
    }
    let currency = result.currency.as_deref().unwrap_or("");
    let ends = placed.iter().flat_map(|p| [p.hours.low_16, p.hours.high_84, p.worth_from.unwrap_or(0.0)]);
    let (low, high) = ends.fold((0.0_f64, 0.0_f64), |(low, high), h| (low.min(h), high.max(h)));
    let x = Axis::linear("extra hours a year", low, high, 0.04);
    // Words stand clear of the upright axis.
    let words_from = x.range.0 + WORDS_IN * (x.range.1 - x.range.0);
    let rows = placed.len() as f64;
    let y = Axis { title: String::new(), range: (-0.5, rows - 0.2), ticks: Vec::new() };
    let mut layers = vec![Layer::Line(vec![(0.0, y.range.0), (0.0, y.range.1)], Ink::Rule)];
    let mut told: Vec<Told> = Vec::new();
    for (k, p) in placed.iter().enumerate() {
        let at = rows - 1.0 - k as f64;
        let Interval { median, low_16, high_84 } = p.hours;
        layers.push(Layer::Line(vec![(low_16, at), (high_84, at)], Ink::First));
        let shape = match verdict(p.option) {
            Some(Verdict::PaysOff) => Shape::Disc,
            Some(Verdict::DoesNotPayOff) => Shape::Cross,
            _ => Shape::Ring,
        };
        layers.push(Layer::Points(vec![Point { x: median, y: at, bar: None }], shape, Ink::First));
        if let Some(from) = p.worth_from {
            layers.push(Layer::Line(vec![(from, at - HALF_MARK), (from, at + HALF_MARK)], Ink::Second));
        }
        let text = format!("{}, {}", shortened(&p.option.name), money(p.cost, currency));
        layers.push(Layer::Words { at: (words_from, at + WORDS_ABOVE), text, ends_there: false, ink: Ink::Text });
        told.push((median, at, words(p, currency)));
    }
    let (svg, marks) = draw(BELOW + ROW * placed.len() as u32, &x, &y, &layers, &told)?;
    let title = title(&placed);
    let mark = most.map_or_else(String::new, |(most, years)| {
        format!(
            " Upright marks: the hours from which the price, over {years} years, comes to no more than the {} that an hour \
             is worth to you.",
            money(most, currency)
        )
    });
    let left_out = match result.options.len() - placed.len() {
        0 => String::new(),
        n => format!(" Options without a price or without hours a year are left out: {n}."),
    };
    let caption = format!(
        "Hours of the present camera that a year with each option is worth beyond its own, exposures as now; beside each \
         its price less resale. Bars hold 68 % of what the uncertainties allow. Disc: pays off; cross: does not; ring: \
         depends, or no verdict.{mark}{left_out}"
    );
    let numbers: Vec<String> = told.into_iter().map(|(_, _, words)| words).collect();
    let alt = typographic(&format!("{title}. {}.", numbers.join("; ")));
    Ok(Some(Figure { title: typographic(&title), svg, marks, alt, caption: typographic(&caption) }))
}

fn place(option: &OptionResult, most: Option<(f64, f64)>) -> Option<Placed<'_>> {
    let hours = option.altogether.value.as_ref()?.as_now.extra_hours_per_year.value?;
    let cost = option.net_cost?;
    Some(Placed { option, cost, hours, worth_from: most.map(|(most, years)| cost / (most * years)) })
}

fn verdict(option: &OptionResult) -> Option<Verdict> {
    option.altogether.value.as_ref()?.verdict.value
}

fn words(p: &Placed, currency: &str) -> String {
    let Interval { median, low_16, high_84 } = p.hours;
    let verdict = verdict(p.option).map_or("no verdict", names::verdict);
    let worth = p.worth_from.map_or_else(String::new, |h| format!(", worth its price from {h:.0} on"));
    let (name, price) = (&p.option.name, money(p.cost, currency));
    format!("{name}, {price}: {median:+.0} hours a year ({low_16:+.0} to {high_84:+.0}){worth}: {verdict}")
}

fn shortened(name: &str) -> String {
    match name.char_indices().nth(LETTERS) {
        Some((end, _)) => format!("{}…", &name[..end]),
        None => name.to_owned(),
    }
}

/// The most hours that any brings, or that none brings any.
fn title(placed: &[Placed]) -> String {
    let most = placed.iter().max_by(|a, b| a.hours.median.total_cmp(&b.hours.median));
    match most.filter(|p| p.hours.low_16 > 0.0) {
        Some(p) => format!("{} would bring most: {:+.0} hours a year", p.option.name, p.hours.median),
        None => "No option surely brings hours".to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::*;
    use crate::report::{json, sample};
    use crate::upgrade::{MeasuredReport, Options, upgrade};

    const CONDITIONS: &str = "[conditions]\nhours_per_year = 100\nyears = 5\nmost_per_extra_hour = 2\ncurrency = 'crowns'\n\
        [[conditions.filter]]\nname = 'L'\nshare = 1\n";

    /// A reducer that gathers as much light from each of more pixels' worth of sky, at a price.
    fn optics(name: &str, factor: f64, price: &str) -> String {
        let keys = format!("kind = 'optics'\nfocal_factor = {factor}\ntransmission = [0.9, 0.02]\n{price}\n");
        format!("[[option]]\nname = \"{name}\"\n{keys}")
    }

    fn figure(options: &[String]) -> Option<Figure> {
        let report = json(&sample::report()).unwrap();
        let report = MeasuredReport::parse(&report, Path::new("report.json")).unwrap();
        let options = Options::parse(&format!("{CONDITIONS}{}", options.concat()), Path::new("options.toml")).unwrap();
        hours_against_cost(&upgrade(&report, &options)).unwrap()
    }

    #[test]
    fn each_option_is_a_row_with_its_price_and_verdict() {
        let options = [optics("Short tube", 0.5, "price = 50"), optics("<b>Glass & brass", 1.0, "price = 300")];
        let figure = figure(&options).unwrap();
        assert!(figure.title.starts_with("Short tube would bring most: +"), "{}", figure.title);
        // 50 over 5 years at 2 an hour.
        let words = "Short tube, 50.00 crowns: +";
        assert!(figure.alt.contains(words) && figure.alt.contains("from 5 on: pays off"), "{}", figure.alt);
        // Light is lost and nothing else changes.
        assert!(figure.alt.contains("<b>Glass & brass, 300 crowns: \u{2212}"), "{}", figure.alt);
        assert!(figure.svg.contains("&lt;b&gt;Glass &amp; brass") && !figure.svg.contains("<b>"));
        let [better, worse] = &figure.marks.places[..] else { panic!("{:?}", figure.marks) };
        assert!(better.x > worse.x && better.y < worse.y, "{better:?} {worse:?}");
        assert!(figure.caption.contains("the 2.00 crowns that an hour") && !figure.caption.contains("left out"));
    }

    #[test]
    fn an_option_without_a_price_is_left_out_and_said_to_be() {
        let some = figure(&[optics("Short tube", 0.5, "price = 50"), optics("Long tube", 1.5, "")]).unwrap();
        assert!(some.caption.contains("left out: 1.") && !some.alt.contains("Long tube"), "{}", some.caption);
        assert!(figure(&[optics("Long tube", 1.5, "")]).is_none());
    }

    #[test]
    fn a_long_name_is_cut_in_the_chart_and_whole_in_words() {
        let name = "Ö".repeat(50);
        let figure = figure(&[optics(&name, 0.5, "price = 50")]).unwrap();
        assert!(figure.alt.contains(&name) && !figure.svg.contains(&name) && figure.svg.contains("ÖÖ…"));
    }
}
