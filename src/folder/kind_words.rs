//! What a frame was taken for, from the words of its file's name and of the folders that it lies in.
//!
//! Words: common practice, no source; those of other languages from memory. Only whole words count, and the name nearest to the frame
//! that holds one: the file's before its folder's, that before the folder above.

use crate::facts::FrameKind;

const LIGHT: &[&str] = &[
    "light",
    "lights",
    "science",
    "sci",
    "brut",
    "brute",
    "bruts",
    "brutes",
    "lichtbild",
    "lichtbilder",
    "hellbild",
    "hellbilder",
    "luce",
    "luci",
    "luz",
    "luces",
];
const DARK: &[&str] = &[
    "dark",
    "darks",
    "dunkel",
    "dunkelbild",
    "dunkelbilder",
    "noir",
    "noirs",
    "oscuro",
    "oscuros",
    "oscura",
    "oscuras",
    "buio",
    "escuro",
    "escuros",
    "donker",
];
const FLAT: &[&str] = &[
    "flat",
    "flats",
    "flatfield",
    "flatfields",
    "flatbild",
    "flatbilder",
    "skyflat",
    "skyflats",
    "domeflat",
    "domeflats",
    "plu",
];
const BIAS: &[&str] = &["bias", "biases", "biasbild", "biasbilder"];
/// Words for a bias that name a setting as often: they count where a name begins with them.
const BIAS_FIRST: &[&str] = &["offset", "offsets"];
const DARK_FLAT: &[&str] = &["darkflat", "darkflats", "flatdark", "flatdarks"];
const COMBINED: &[&str] = &["master", "masters", "stacked"];
/// Words beside which "dark" is part of what the frame shows.
const DARK_THINGS: &[&str] = &[
    "nebula", "nebulae", "nebel", "cloud", "clouds", "horse", "shark", "wolf", "doodad", "tower", "lane", "river",
    "matter", "sky", "skies",
];

/// The kind that names tell, with the name that does. `names` go from the file outwards.
pub fn kind_in_names<'a>(names: impl IntoIterator<Item = &'a str>) -> Option<(FrameKind, &'a str)> {
    names.into_iter().find_map(|name| Some((kind_in_words(name)?, name)))
}

/// The kind that the words of one name or card tell.
pub fn kind_in_words(name: &str) -> Option<FrameKind> {
    let words = words(name);
    let has = |of: &[&str]| words.iter().any(|w| of.contains(&w.as_str()));
    let first = |of: &[&str]| words.first().is_some_and(|w| of.contains(&w.as_str()));
    let dark = has(DARK) && !has(DARK_THINGS);
    let told = [
        (FrameKind::DarkFlat, has(DARK_FLAT) || (dark && has(FLAT))),
        (FrameKind::Flat, has(FLAT)),
        (FrameKind::Dark, dark),
        (FrameKind::Bias, has(BIAS) || first(BIAS_FIRST)),
        (FrameKind::Light, has(LIGHT)),
    ];
    let kind = told.into_iter().find(|(_, told)| *told).map(|(kind, _)| kind)?;
    Some(if has(COMBINED) { FrameKind::Master } else { kind })
}

/// The words of a name, lower case: runs of letters, parted where a capital follows a small letter as well.
fn words(name: &str) -> Vec<String> {
    let mut words: Vec<String> = Vec::new();
    let mut before: Option<char> = None;
    for letter in name.chars() {
        if letter.is_alphabetic() {
            let begins = before.is_none_or(|b| !b.is_alphabetic() || (b.is_lowercase() && letter.is_uppercase()));
            if begins {
                words.push(String::new());
            }
            if let Some(word) = words.last_mut() {
                word.extend(letter.to_lowercase());
            }
        }
        before = Some(letter);
    }
    words
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn whole_words_in_several_languages_tell_the_kind() {
        use FrameKind::*;
        for (path, kind) in [
            ("Darks/30s/IMG_0001.fits", Some(Dark)),
            ("FLAT_r_01.fits", Some(Flat)),
            ("offset_001.fit", Some(Bias)),
            ("biases/0001.fits", Some(Bias)),
            ("brut/m31-1.fit", Some(Light)),
            ("Dunkelbild 12.fits", Some(Dark)),
            ("2031/Brutes/a.fits", Some(Light)),
            ("DarkFlats/a.fits", Some(DarkFlat)),
            ("flat-dark_3.fits", Some(DarkFlat)),
            ("Flats/dark/7.fits", Some(Dark)),
            ("master_dark_60s.fits", Some(Master)),
            ("darks/flat_7.fits", Some(Flat)),
            ("2031/PLU/a.fits", Some(Flat)),
            // Settings, targets and longer words are none.
            ("M31 plus M32/1.fits", None),
            ("M31_L_60s_gain100_offset50_0001.fit", None),
            ("Dark Shark Nebula/0001.fits", None),
            ("dark-sky site/0001.fits", None),
            ("lightbridge/flatland_1.fits", None),
            ("IMG_0001.fits", None),
            ("Master of stars/1.fits", None),
        ] {
            let names: Vec<&str> = path.rsplit('/').collect();
            assert_eq!(kind_in_names(names).map(|(kind, _)| kind), kind, "{path}");
        }
    }
}
