//! Any bytes as a file: opened, its cards and further images read, and its pixels.
//!
//! An input that begins with `#` is a recipe: lines of cards up to a NUL, then data; so that most of them get past the
//! header. Any other is a file as it stands.
#![no_main]

use std::path::Path;

use libfuzzer_sys::fuzz_target;

use skygrain::fits::ImageFile;
use skygrain::folder::content_of;

const BLOCK: usize = 2880;
/// Pixels beyond which an image is not read: the fuzzer would only wait.
const MOST_PIXELS: usize = 1 << 22;

fuzz_target!(|bytes: &[u8]| {
    let file = match bytes.strip_prefix(b"#") {
        Some(recipe) => from_recipe(recipe),
        None => bytes.to_vec(),
    };
    // A file of its own for each process: the fuzzer may run several at once.
    let path = std::env::temp_dir().join(format!("skygrain-fuzz-{}.fits", std::process::id()));
    std::fs::write(&path, file).expect("the folder for temporary files can be written to");
    read(&path);
});

fn from_recipe(recipe: &[u8]) -> Vec<u8> {
    let split = recipe.iter().position(|b| *b == 0).unwrap_or(recipe.len());
    let mut file = Vec::new();
    for line in recipe[..split].split(|b| *b == b'\n').chain([b"END".as_slice()]) {
        let mut card = [b' '; 80];
        let length = line.len().min(80);
        card[..length].copy_from_slice(&line[..length]);
        file.extend(card);
    }
    file.resize(file.len().next_multiple_of(BLOCK), b' ');
    file.extend(recipe.get(split + 1..).unwrap_or_default());
    file.resize(file.len().next_multiple_of(BLOCK), 0);
    file
}

fn read(path: &Path) {
    let _ = content_of(path);
    let Ok(mut image) = ImageFile::open(path) else { return };
    let g = image.geometry;
    let _ = image.cards();
    let _ = image.further_images();
    let _ = image.rounded_to_adu();
    // The program has these read by a process of its own, where a crash is no harm.
    if image.is_unvouched() {
        return;
    }
    if g.width.saturating_mul(g.height).saturating_mul(g.planes) <= MOST_PIXELS
        && let Ok(read) = image.pixels()
    {
        assert!(read.planes.len() == g.planes && read.planes.iter().all(|p| p.dim() == (g.height, g.width)));
    }
}
