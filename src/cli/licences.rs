//! The notices that go with every copy of the program: its own, and those of what is built into it.

const CHOICE: &str = "\
Skygrain comes under the MIT license or the Apache License, Version 2.0, as you choose. This is the first; the second
stands at the end.";
const MIT: &str = include_str!("../../LICENSE-MIT");
const CFITSIO: &str = include_str!("../../fixtures/licences/cfitsio.txt");
const OBJECTS: &str = include_str!("../../fixtures/licences/object-places.txt");
const STARS: &str = include_str!("../../fixtures/licences/star-catalogue.txt");
const LIBRARIES: &str = "\
The Rust libraries in the program come under the MIT license, the Apache License, or others that allow as much. This names
each with its version, licence and source, where the program is built:

    cargo tree --edges normal --format '{p} {l} {r}'";
const APACHE: &str = include_str!("../../LICENSE-APACHE");

/// All notices, each under the name of what it is for.
pub fn notices() -> String {
    let skygrain = format!("{CHOICE}\n\n{MIT}");
    let stars = cfg!(feature = "catalogue").then_some(("The star positions (Tycho-2 catalogue)", STARS));
    let objects = cfg!(feature = "catalogue").then_some(("The places of objects (OpenNGC)", OBJECTS));
    let parts = [("Skygrain", skygrain.as_str()), ("CFITSIO", CFITSIO)];
    let end = [("Rust libraries", LIBRARIES), ("Skygrain, the other choice", APACHE)];
    let section = |(name, text): (&str, &str)| {
        let rule = "=".repeat(name.chars().count());
        format!("{name}\n{rule}\n\n{}\n", text.trim_matches('\n'))
    };
    parts.into_iter().chain(stars).chain(objects).chain(end).map(section).collect::<Vec<_>>().join("\n\n")
}
