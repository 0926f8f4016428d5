//! What would help most: of all that is missing, what the user can supply, that which opens most first.

use crate::facts::{Help, Quantity};
use crate::report::model::{Report, Session};

/// Something to supply, and what it opens.
struct Ask {
    helps: &'static [Help],
    words: &'static str,
    opens: &'static str,
}

const ASKS: [Ask; 7] = [
    Ask {
        helps: &[Help::RigKey("pixel_um"), Help::RigKey("focal_mm")],
        words: "the pixel size and the focal length (`pixel_um` and `focal_mm` in a rig file, --rig)",
        opens: "widths in arcsec",
    },
    Ask {
        helps: &[Help::RigKey("pointing")],
        words: "where the telescope pointed (--pointing, or an M, NGC or IC number in the card OBJECT)",
        opens: "the image scale, from the stars themselves",
    },
    Ask {
        helps: &[Help::RigKey("sensor_celsius"), Help::Card("CCD-TEMP")],
        words: "the sensor's temperature (`sensor_celsius` in a rig file, or the card CCD-TEMP)",
        opens: "what each degree of cooling gains",
    },
    Ask {
        helps: &[Help::Flat],
        words: "flats in pairs of one level",
        opens: "the gain, and all that is counted in electrons",
    },
    Ask { helps: &[Help::Bias], words: "bias frames", opens: "read noise and the level of no light" },
    Ask {
        helps: &[Help::Dark],
        words: "darks of the lights' exposure",
        opens: "the dark current, and what cooling gains",
    },
    Ask { helps: &[Help::Light], words: "lights as the camera wrote them", opens: "the sky and the noise" },
];

/// Most things asked for.
const MOST: usize = 2;

/// One sentence; `None` where nothing that a user could supply is missing.
pub(crate) fn asks(report: &Report) -> Option<String> {
    let missing: Vec<Vec<String>> =
        report.sessions.iter().flat_map(wanted).map(codes).filter(|c| !c.is_empty()).collect();
    let opened = |ask: &Ask| {
        let helps: Vec<String> = ask.helps.iter().map(Help::to_string).collect();
        missing.iter().filter(|codes| codes.iter().any(|c| helps.contains(c))).count()
    };
    let mut asks: Vec<(usize, String)> =
        ASKS.iter().map(|ask| (opened(ask), format!("{}, for {}", ask.words, ask.opens))).collect();
    let corners = report.sessions.iter().filter(|s| s.settings.cfa.as_ref().is_some_and(|c| c.contains('?'))).count();
    asks.push((corners, "the order of the colours (`cfa` in a rig file), for red and blue".to_owned()));
    asks.retain(|(opened, _)| *opened > 0);
    // Those that open as much stay in the order above.
    asks.sort_by_key(|(opened, _)| std::cmp::Reverse(*opened));
    let told: Vec<String> = asks.into_iter().take(MOST).map(|(_, words)| words).collect();
    (!told.is_empty()).then(|| format!("What would help most: {}.", told.join("; then ")))
}

/// What a session is looked at for; the stars' own scale only where there is no other.
fn wanted(session: &Session) -> Vec<&Quantity> {
    let scale = &session.image_scale_arcsec_per_px;
    let by_stars = Some(&session.star_match.image_scale_arcsec_per_px).filter(|_| !scale.is_known());
    let others = [
        &session.fwhm_arcsec,
        scale,
        &session.sensor_temperature_c.median,
        &session.sky_e_per_px_s,
        &session.noise_budget.dark_share,
        &session.cooling_floor_time_ratio,
    ];
    others.into_iter().chain(by_stars).collect()
}

fn codes(quantity: &Quantity) -> Vec<String> {
    if quantity.is_known() { Vec::new() } else { quantity.because().would_help_codes() }
}
