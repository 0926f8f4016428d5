//! The drawing itself: axes, layers, and inks that the page colours.

use plotters::coord::ranged1d::{KeyPointHint, NoDefaultFormatting, Ranged, ValueFormatter};
use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};

use super::figure::{Mark, Marks, PlotError};
use crate::report::words::numbers::typographic;

/// Width of every chart in its own units: twice what a phone shows, so that whole units are fine steps.
pub const WIDTH: u32 = 1080;
/// Size of axis text in chart units, as the drawing library counts it: 16 px on a desk. On a phone the page sets it a
/// quarter larger, and the margins leave room for that.
const TEXT: f64 = 36.0;

/// Steps within a decade of a logarithmic axis, from coarse to fine.
const LOG_STEPS: [&[f64]; 4] =
    [&[1.0], &[1.0, 3.0], &[1.0, 2.0, 5.0], &[1.0, 1.2, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0]];

/// A colour that the page decides on, by what it stands for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Ink {
    Text,
    Rule,
    First,
    Second,
    Third,
    Fourth,
}

/// All inks with the property of the page's style that colours them.
const INKS: [(Ink, &str); 6] = [
    (Ink::Text, "--ink"),
    (Ink::Rule, "--rule"),
    (Ink::First, "--c1"),
    (Ink::Second, "--c2"),
    (Ink::Third, "--c3"),
    (Ink::Fourth, "--c4"),
];

impl Ink {
    /// A stand-in that occurs nowhere else in the drawing.
    fn stand_in(self) -> RGBColor {
        RGBColor(0xA5, 0x1D, 0x10 + self as u8)
    }
}

/// The shape of a point, so that no series is told by colour alone.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Shape {
    Disc,
    Ring,
    Cross,
}

/// A point with the ends of its error bar.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Point {
    pub x: f64,
    pub y: f64,
    pub bar: Option<(f64, f64)>,
}

/// What is drawn into a pair of axes, from back to front.
#[derive(Debug, Clone, PartialEq)]
pub enum Layer {
    /// Area between a lower and an upper curve: x, low, high.
    Band(Vec<(f64, f64, f64)>, Ink),
    Line(Vec<(f64, f64)>, Ink),
    Dashes(Vec<(f64, f64)>, Ink),
    /// Hairlines from the foot of the axes: x, and how far up.
    Uprights(Vec<(f64, f64)>, Ink),
    Points(Vec<Point>, Shape, Ink),
    /// Text that starts (`false`) or ends (`true`) at a place, just above it.
    Words {
        at: (f64, f64),
        text: String,
        ends_there: bool,
        ink: Ink,
    },
}

/// An axis: its title with unit, its range, and the places and texts of its ticks.
#[derive(Debug, Clone, PartialEq)]
pub struct Axis {
    pub title: String,
    pub range: (f64, f64),
    pub ticks: Vec<(f64, String)>,
}

impl Axis {
    /// An axis over `low..high` with a margin on both sides and ticks at round numbers.
    pub fn linear(title: impl Into<String>, low: f64, high: f64, margin: f64) -> Self {
        let span = if high > low { high - low } else { low.abs().max(1.0) * 0.1 };
        let range = (low - margin * span, high.max(low + span * 0.01) + margin * span);
        let step = round_step((range.1 - range.0) / 5.0);
        let decimals = (-step.log10().floor()).max(0.0) as usize;
        let ticks = multiples(step, range)
            .into_iter()
            .map(|v| (v, format!("{:.decimals$}", if v == 0.0 { 0.0 } else { v }).replace('-', "\u{2212}")))
            .collect();
        Self { title: title.into(), range, ticks }
    }

    /// The same axis from `low` on exactly, where the margin would show what cannot be.
    #[must_use]
    pub fn starting_at(mut self, low: f64) -> Self {
        self.range.0 = low;
        self.ticks.retain(|(v, _)| *v >= low);
        self
    }

    /// An axis of logarithms: positions are `log10`, ticks show the numbers themselves.
    pub fn logarithmic(title: impl Into<String>, low: f64, high: f64) -> Self {
        let range = (low.log10() - 0.12, high.log10() + 0.12);
        let decades = (range.0.floor() as i32, range.1.ceil() as i32);
        // Every so many decades a tick, so that a range of any length has seven at most.
        let stride = ((decades.1 - decades.0) / 7 + 1) as usize;
        let tick_values = |steps: &[f64]| -> Vec<f64> {
            let all =
                (decades.0..=decades.1).step_by(stride).flat_map(|d| steps.iter().map(move |s| s * 10f64.powi(d)));
            all.filter(|v| (range.0..=range.1).contains(&v.log10())).collect()
        };
        // The coarsest set of steps that leaves three ticks.
        let ticks = LOG_STEPS
            .iter()
            .map(|steps| tick_values(steps))
            .find(|t| t.len() >= 3)
            .unwrap_or_else(|| tick_values(LOG_STEPS[LOG_STEPS.len() - 1]))
            .into_iter()
            .map(|v| (v.log10(), crate::report::words::numbers::plain(v)))
            .collect();
        Self { title: title.into(), range, ticks }
    }
}

/// The step of 1, 2 or 5 times a power of ten next above `rough`.
pub fn round_step(rough: f64) -> f64 {
    let unit = 10f64.powf(rough.log10().floor());
    [1.0, 2.0, 5.0].into_iter().map(|m| m * unit).find(|s| *s >= rough * 0.999).unwrap_or(10.0 * unit)
}

/// The multiples of `step` within a range.
pub fn multiples(step: f64, (low, high): (f64, f64)) -> Vec<f64> {
    let (first, last) = ((low / step).ceil() as i64, (high / step).floor() as i64);
    (first..=last).map(|k| k as f64 * step).collect()
}

fn failed(e: impl std::fmt::Display) -> PlotError {
    PlotError { reason: e.to_string() }
}

impl Ranged for Axis {
    type FormatOption = NoDefaultFormatting;
    type ValueType = f64;

    fn map(&self, value: &f64, (from, to): (i32, i32)) -> i32 {
        let part = (value - self.range.0) / (self.range.1 - self.range.0);
        (f64::from(from) + part * f64::from(to - from)).round() as i32
    }

    fn key_points<Hint: KeyPointHint>(&self, _: Hint) -> Vec<f64> {
        self.ticks.iter().map(|(v, _)| *v).collect()
    }

    fn range(&self) -> std::ops::Range<f64> {
        self.range.0..self.range.1
    }
}

impl ValueFormatter<f64> for Axis {
    fn format_ext(&self, value: &f64) -> String {
        self.ticks.iter().find(|(v, _)| v == value).map_or_else(String::new, |(_, text)| text.clone())
    }
}

type Plane = Cartesian2d<Axis, Axis>;
type Chart<'a, 'b> = ChartContext<'a, SVGBackend<'b>, Plane>;

/// A value at its place in the axes: x, y, the value in words.
pub type Told = (f64, f64, String);

/// Draws layers into axes; `told` are the values that a reader can point at.
pub fn draw(height: u32, x: &Axis, y: &Axis, layers: &[Layer], told: &[Told]) -> Result<(String, Marks), PlotError> {
    let mut svg = String::new();
    let places;
    {
        let area = SVGBackend::with_string(&mut svg, (WIDTH, height)).into_drawing_area();
        let widest = y.ticks.iter().map(|(_, t)| t.chars().count()).max().unwrap_or(1) as f64;
        let mut chart = ChartBuilder::on(&area)
            .margin_top(24)
            .margin_right(44)
            .margin_bottom(4)
            .x_label_area_size(96)
            .y_label_area_size((70.0 + widest * 18.0) as u32)
            .build_cartesian_2d(x.clone(), y.clone())
            .map_err(failed)?;
        let text = set_in(Ink::Text, Pos::new(HPos::Left, VPos::Top));
        chart
            .configure_mesh()
            .disable_x_mesh()
            .light_line_style(TRANSPARENT)
            .bold_line_style(Ink::Rule.stand_in().stroke_width(2))
            .axis_style(Ink::Text.stand_in().stroke_width(2))
            .label_style(text.clone())
            .axis_desc_style(text.clone())
            .x_desc(&x.title)
            .y_desc(&y.title)
            .draw()
            .map_err(failed)?;
        for layer in layers {
            add(&mut chart, layer)?;
        }
        places = told
            .iter()
            .map(|(x, y, words)| {
                let (x, y) = chart.backend_coord(&(*x, *y));
                Mark { x, y, words: typographic(words) }
            })
            .collect();
        area.present().map_err(failed)?;
    }
    Ok((page_coloured(&svg), Marks { height, places }))
}

fn add(chart: &mut Chart<'_, '_>, layer: &Layer) -> Result<(), PlotError> {
    match layer {
        Layer::Band(edge, ink) => {
            let there = edge.iter().map(|(x, low, _)| (*x, *low));
            let back = edge.iter().rev().map(|(x, _, high)| (*x, *high));
            let area: Vec<_> = there.chain(back).collect();
            chart.draw_series([Polygon::new(area, ink.stand_in().mix(0.2))]).map_err(failed)?;
        }
        Layer::Line(points, ink) => {
            let style = ink.stand_in().stroke_width(5);
            chart.draw_series(LineSeries::new(points.iter().copied(), style)).map_err(failed)?;
        }
        Layer::Dashes(points, ink) => {
            let style = ink.stand_in().stroke_width(4);
            chart.draw_series(DashedLineSeries::new(points.iter().copied(), 16, 10, style)).map_err(failed)?;
        }
        Layer::Uprights(places, ink) => {
            let foot = chart.y_range().start;
            let lines = places.iter().map(|(x, top)| vec![(*x, foot), (*x, *top)]);
            let style = ink.stand_in().stroke_width(2);
            chart.draw_series(lines.map(|l| PathElement::new(l, style))).map_err(failed)?;
        }
        Layer::Points(points, shape, ink) => add_points(chart, points, *shape, *ink)?,
        Layer::Words { at, text: words, ends_there, ink } => {
            let h = if *ends_there { HPos::Right } else { HPos::Left };
            let style = set_in(*ink, Pos::new(h, VPos::Bottom));
            chart.draw_series([Text::new(words.clone(), *at, style)]).map_err(failed)?;
        }
    }
    Ok(())
}

fn add_points(chart: &mut Chart<'_, '_>, points: &[Point], shape: Shape, ink: Ink) -> Result<(), PlotError> {
    let colour = ink.stand_in();
    let bars = points.iter().filter_map(|p| p.bar.map(|(low, high)| vec![(p.x, low), (p.x, high)]));
    chart.draw_series(bars.map(|b| PathElement::new(b, colour.stroke_width(3)))).map_err(failed)?;
    let places = points.iter().map(|p| (p.x, p.y));
    match shape {
        Shape::Disc => chart.draw_series(places.map(|p| Circle::new(p, 9, colour.filled()))),
        Shape::Ring => chart.draw_series(places.map(|p| Circle::new(p, 12, colour.stroke_width(4)))),
        Shape::Cross => chart.draw_series(places.map(|p| Cross::new(p, 12, colour.stroke_width(5)))),
    }
    .map(drop)
    .map_err(failed)
}

/// A drawing area without axes, for what is not a plot of one number against another.
pub fn sheet(
    height: u32,
    draw: impl FnOnce(&DrawingArea<SVGBackend<'_>, plotters::coord::Shift>) -> Result<(), String>,
) -> Result<String, PlotError> {
    let mut svg = String::new();
    {
        let area = SVGBackend::with_string(&mut svg, (WIDTH, height)).into_drawing_area();
        draw(&area).map_err(failed)?;
        area.present().map_err(failed)?;
    }
    Ok(page_coloured(&svg))
}

/// Paint and text style of an ink on a [`sheet`].
pub fn paint(ink: Ink) -> RGBColor {
    ink.stand_in()
}

/// Text on a [`sheet`], centred vertically.
pub fn lettering(ink: Ink) -> TextStyle<'static> {
    set_in(ink, Pos::new(HPos::Left, VPos::Center))
}

fn set_in(ink: Ink, pos: Pos) -> TextStyle<'static> {
    TextStyle { font: ("sans-serif", TEXT).into_font(), color: ink.stand_in().to_backend_color(), pos }
}

/// Puts the page's colours in place of the stand-ins, and drops size, font and name space, which the page gives.
fn page_coloured(svg: &str) -> String {
    let start = format!("<svg width=\"{WIDTH}\" ");
    let mut out = svg.replacen(&start, "<svg aria-hidden=\"true\" ", 1);
    out = out.replace(" xmlns=\"http://www.w3.org/2000/svg\"", "").replace(" font-family=\"sans-serif\"", "");
    if let Some(from) = out.find(" height=\"") {
        let to = out[from + 9..].find('"').map_or(from, |i| from + 10 + i);
        out.replace_range(from..to, "");
    }
    for (ink, property) in INKS {
        let RGBColor(r, g, b) = ink.stand_in();
        for paint in ["fill", "stroke"] {
            out = out
                .replace(&format!("{paint}=\"#{r:02X}{g:02X}{b:02X}\""), &format!("style=\"{paint}:var({property})\""));
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn steps_are_round_numbers() {
        assert_eq!([0.3, 1.0, 1.1, 4.0, 7.0].map(round_step), [0.5, 1.0, 2.0, 5.0, 10.0]);
    }

    #[test]
    fn colours_and_fonts_are_left_to_the_page() {
        let axis = Axis::linear("x, px", 0.0, 1.0, 0.05);
        let layers = [Layer::Line(vec![(0.0, 0.0), (1.0, 1.0)], Ink::First)];
        let (svg, marks) = draw(600, &axis, &axis, &layers, &[(1.0, 0.0, "-1 px".to_owned())]).unwrap();
        let [mark] = &marks.places[..] else { panic!("{marks:?}") };
        assert!(mark.x > 900 && mark.y > 400 && mark.words == "\u{2212}1 px", "{mark:?}");
        for foreign in ["http", "font-family", "#A51D", "#000000"] {
            assert!(!svg.contains(foreign), "{foreign} in {svg}");
        }
        assert!(svg.starts_with("<svg aria-hidden=\"true\" viewBox=\"0 0 1080 600\">"), "{}", &svg[..80]);
    }

    #[test]
    fn text_in_a_chart_is_escaped() {
        let axis = Axis::linear("<b>&", 0.0, 1.0, 0.05);
        assert!(draw(600, &axis, &axis, &[], &[]).unwrap().0.contains("&lt;b&gt;&amp;"));
    }

    #[test]
    fn a_logarithmic_axis_has_a_few_ticks_whatever_its_length() {
        for (low, high) in [(0.3, 0.33), (0.02, 0.6), (1e-4, 3.0), (1e-9, 1e9), (0.101, 0.102)] {
            let ticks = Axis::logarithmic("x", low, high).ticks;
            assert!((2..=8).contains(&ticks.len()), "{low} to {high}: {ticks:?}");
        }
    }

    #[test]
    fn one_value_still_makes_an_axis() {
        let axis = Axis::linear("x", 3.0, 3.0, 0.05);
        assert!(axis.range.0 < 3.0 && axis.range.1 > 3.0 && !axis.ticks.is_empty());
    }
}
