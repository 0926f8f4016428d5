//! Colours of the page for all eyes: pairs that meet in a figure stay apart for those who lack one kind of cone.

use std::collections::BTreeMap;

/// Difference that two colours of a figure must keep, CIE 1976 L*a*b* units: eight of the 2.3 that are just noticeable
/// side by side (Mahy et al. 1994, Color Res. Appl. 19, 105; from memory), for strokes are thin and apart.
const LEAST_DIFFERENCE: f64 = 20.0;
/// Contrast of what a figure shows against the paper: WCAG 2.2, success criterion 1.4.11.
const LEAST_CONTRAST: f64 = 3.0;

type Linear = [f64; 3];
type Matrix = [[f64; 3]; 3];

/// What the eye makes of linear sRGB without the long, middle or short cones: Machado, Oliveira & Fernandes 2009, IEEE
/// TVCG 15, 1291, severity 1, as `colorspacious.cvd.machado_et_al_2009_matrix(name, 100)` of colorspacious 1.1.2 gives.
const EYES: [(&str, Matrix); 4] = [
    ("all cones", [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]]),
    ("protanopia", [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]]),
    ("deuteranopia", [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.01182, 0.04294, 0.968881]]),
    ("tritanopia", [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.3039]]),
];

/// Linear sRGB to CIE XYZ (IEC 61966-2-1; from memory).
const TO_XYZ: Matrix =
    [[0.4124564, 0.3575761, 0.1804375], [0.2126729, 0.7151522, 0.0721750], [0.0193339, 0.1191920, 0.9503041]];

fn times(m: &Matrix, v: Linear) -> Linear {
    m.map(|row| row.iter().zip(v).map(|(a, b)| a * b).sum())
}

/// `#rrggbb` as linear sRGB.
fn linear(hex: &str) -> Linear {
    let part = |i: usize| f64::from(u8::from_str_radix(&hex[i..i + 2], 16).unwrap()) / 255.0;
    [1, 3, 5].map(part).map(|c| if c <= 0.04045 { c / 12.92 } else { ((c + 0.055) / 1.055).powf(2.4) })
}

/// CIE L*a*b* against the white of the screen (CIE 15).
fn lab(colour: Linear) -> Linear {
    let (xyz, white) = (times(&TO_XYZ, colour.map(|c| c.clamp(0.0, 1.0))), times(&TO_XYZ, [1.0; 3]));
    let edge = 6.0f64 / 29.0;
    let f = |i: usize| match xyz[i] / white[i] {
        t if t > edge.powi(3) => t.cbrt(),
        t => t / (3.0 * edge * edge) + 4.0 / 29.0,
    };
    [116.0 * f(1) - 16.0, 500.0 * (f(0) - f(1)), 200.0 * (f(1) - f(2))]
}

fn difference(a: Linear, b: Linear) -> f64 {
    a.iter().zip(b).map(|(x, y)| (x - y).powi(2)).sum::<f64>().sqrt()
}

/// The colours of each scheme by name: light, dark, print.
fn schemes() -> Vec<BTreeMap<String, String>> {
    let style = include_str!("../../src/report/page/letter.css");
    let blocks = style.split(":root {").skip(1).map(|b| b.split('}').next().unwrap());
    let colour = |d: &str| {
        let (name, value) = d.trim().split_once(": ")?;
        let hex = value.trim_start_matches('#');
        let long = if hex.len() == 3 { hex.chars().flat_map(|c| [c, c]).collect() } else { hex.to_owned() };
        Some((name.to_owned(), format!("#{long}")))
    };
    blocks.map(|b| b.split(';').filter_map(colour).collect()).collect()
}

#[test]
fn colours_that_meet_in_a_figure_differ_for_every_kind_of_eye() {
    let schemes = schemes();
    assert_eq!(schemes.len(), 3, "light, dark and print");
    for (k, scheme) in schemes.iter().enumerate() {
        let inks = ["--c1", "--c2", "--c3", "--c4", "--ink"].map(|n| (n, linear(&scheme[n])));
        for (eye, matrix) in &EYES {
            for (i, (a, one)) in inks.iter().enumerate() {
                for (b, other) in &inks[i + 1..] {
                    let apart = difference(lab(times(matrix, *one)), lab(times(matrix, *other)));
                    assert!(apart >= LEAST_DIFFERENCE, "scheme {k}, {eye}: {a} and {b} differ by {apart:.1}");
                }
            }
        }
    }
}

#[test]
fn inks_stand_out_from_the_paper() {
    for scheme in schemes() {
        let luminance = |name: &str| times(&TO_XYZ, linear(&scheme[name]))[1];
        for ink in ["--c1", "--c2", "--c3", "--c4", "--ink", "--soft"] {
            let (a, b) = (luminance(ink), luminance("--paper"));
            let contrast = (a.max(b) + 0.05) / (a.min(b) + 0.05);
            assert!(contrast >= LEAST_CONTRAST, "{ink} {}: {contrast:.2}", scheme[ink]);
        }
    }
}

// colorspacious 1.1.2: cspace_convert([27, 106, 143], "sRGB255", {"name": "CIELab", "XYZ100_w": "D65"}).
#[test]
fn coordinates_are_those_of_the_standard() {
    /// Both round the matrix of sRGB in their own way: a thousandth of the least difference.
    const ROUNDING: f64 = 0.02;
    for (got, want) in lab(linear("#1b6a8f")).iter().zip([42.03681919, -9.76306044, -26.88740431]) {
        assert!((got - want).abs() < ROUNDING, "{got} against {want}");
    }
}
