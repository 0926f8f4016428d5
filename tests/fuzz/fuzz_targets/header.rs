//! Any lines as header cards: parsed, read as a frame's header, and put into words and keys.
#![no_main]

use libfuzzer_sys::fuzz_target;

use skygrain::fits::Cards;
use skygrain::folder::{SensorKey, SessionKey, read_header};

fuzz_target!(|bytes: &[u8]| {
    let text = String::from_utf8_lossy(bytes);
    let cards = Cards::parse(text.lines());
    let header = read_header(&cards);
    let sensor = SensorKey::of(&header, 64, 64, 1);
    let session = SessionKey::of(&header, sensor);
    assert!(session.exposure_ms.is_none() || header.exposure_s.is_some());
    let finite = [&header.exposure_s, &header.sensor_celsius, &header.pixel_um, &header.focal_mm, &header.airmass];
    assert!(finite.into_iter().flatten().all(|c| c.value.is_finite() && !c.card.is_empty()));
    assert!(header.recorded_pixel_um().is_none_or(f64::is_finite));
    let _ = (header.celsius(), header.dark_seconds());
});
