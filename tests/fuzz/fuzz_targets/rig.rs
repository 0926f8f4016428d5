//! Any text as a rig file, applied to an empty header.
#![no_main]

use std::path::Path;

use libfuzzer_sys::fuzz_target;

use skygrain::fits::Cards;
use skygrain::folder::{Rig, read_header};

fuzz_target!(|bytes: &[u8]| {
    let text = String::from_utf8_lossy(bytes);
    match Rig::parse(&text, Path::new("rig.toml")) {
        Err(error) => assert!(error.to_string().starts_with("rig.toml: ")),
        Ok(rig) => {
            let mut header = read_header(&Cards::default());
            rig.apply(&mut header);
            assert!(header.recorded_pixel_um().is_none_or(|p| p.is_finite() && p > 0.0));
        }
    }
});
