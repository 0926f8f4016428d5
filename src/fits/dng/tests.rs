use super::{Capture, Dng, DngError, Masked, Mosaic, looks_like_dng, lossless, read, tags};
use crate::simulate::dng::{Coding, DngRecipe, Shape, encode, write};
use std::io::{Cursor, Write};

/// Seeded numbers (a 64-bit linear congruence, its upper bits).
struct Numbers(u64);

impl Numbers {
    fn below(&mut self, end: usize) -> usize {
        self.0 = self.0.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
        (self.0 >> 33) as usize % end
    }
}

/// Codes with a slope, noise and a few extremes, of at most `bits` bits.
fn scene(width: usize, height: usize, bits: u32) -> Vec<u16> {
    let mut numbers = Numbers(7);
    let top = (1usize << bits) - 1;
    let code = |pixel: usize| match numbers.below(50) {
        0 => top,
        1 => 0,
        _ => (top / 4 + pixel % width * top / width / 2 + numbers.below(top / 16 + 1)).min(top),
    };
    (0..width * height).map(code).map(|code| code as u16).collect()
}

fn recipe(coding: Coding) -> DngRecipe {
    DngRecipe {
        width: 50,
        height: 38,
        pixels: scene(50, 38, 14),
        coding,
        cfa: Some(*b"GBRG"),
        black: Some([510, 512, 514, 518]),
        white_level: Some(16383),
        exposure_s: Some((1201, 4)),
        iso: Some(800),
        date_time_original: Some("2026:03:14 22:15:09".into()),
        sub_sec_time_original: Some("25".into()),
        offset_time_original: Some("+01:00".into()),
        make: Some("Acme".into()),
        model: Some("One".into()),
        focal_mm: Some((4005, 10)),
        f_number: Some((28, 10)),
        ambient_c: Some((-35, 10)),
        pixels_per_cm: Some((250_000, 94)),
        ..DngRecipe::default()
    }
}

const TILES: Coding = Coding::LosslessJpeg { tile_width: 32, tile_height: 16, components: 2, predictor: 1 };

/// Where the value (or its offset) of a tag stands in a file that [`write`] made: the entry is sought by its bytes.
fn value_at(file: &[u8], tag: u16, kind: u16, count: u32) -> usize {
    let mut entry = tag.to_le_bytes().to_vec();
    entry.extend(kind.to_le_bytes());
    entry.extend(count.to_le_bytes());
    // The raw image's entry is the last one of its kind.
    file.windows(8).rposition(|window| window == entry).expect("the tag is written") + 8
}

/// The recipe's file with the 32-bit value field of one tag replaced.
fn patched(recipe: &DngRecipe, tag: u16, kind: u16, count: u32, value: u32) -> Vec<u8> {
    let mut file = write(recipe);
    let at = value_at(&file, tag, kind, count);
    file[at..at + 4].copy_from_slice(&value.to_le_bytes());
    file
}

fn is_unsupported(result: Result<Dng, DngError>, words: &str) -> bool {
    matches!(result, Err(DngError::Unsupported { what }) if what.contains(words))
}

fn is_damaged(result: Result<Dng, DngError>) -> bool {
    matches!(result, Err(DngError::Damaged { .. }))
}

#[test]
fn what_is_written_is_read() {
    for coding in [Coding::Plain, TILES] {
        let recipe = recipe(coding);
        let dng = read(&write(&recipe)).unwrap();
        assert_eq!((dng.width, dng.height, &dng.pixels), (50, 38, &recipe.pixels));
        assert_eq!((dng.mosaic.cfa(), dng.bits_per_sample, dng.linearised), (Some(*b"GBRG"), 16, false));
        let black = dng.black.unwrap();
        assert_eq!((black.mean, black.sites, black.varies), (513.5, [510.0, 512.0, 514.0, 518.0], false));
        assert_eq!((dng.white_level, dng.masked), (Some(16383.0), None));
        let capture = dng.capture;
        assert_eq!((capture.exposure_s, capture.iso), (Some(300.25), Some(800.0)));
        assert_eq!(capture.date_time_original.as_deref(), Some("2026:03:14 22:15:09"));
        assert_eq!(capture.sub_sec_time_original.as_deref(), Some("25"));
        assert_eq!(capture.offset_time_original.as_deref(), Some("+01:00"));
        assert_eq!(capture.camera.as_deref(), Some("Acme One"));
        assert_eq!((capture.focal_mm, capture.f_number, capture.ambient_c), (Some(400.5), Some(2.8), Some(-3.5)));
        assert!((capture.pixel_um.unwrap() - 3.76).abs() < 1e-9);
    }
}

#[test]
fn a_bare_file_leaves_out_what_it_does_not_say() {
    let dng = read(&write(&DngRecipe { width: 4, height: 2, pixels: vec![9; 8], ..DngRecipe::default() })).unwrap();
    assert_eq!((dng.black, dng.white_level, dng.capture), (None, None, Capture::default()));
}

#[test]
fn an_unknown_temperature_and_a_date_of_zeros_are_none() {
    let unknown = DngRecipe {
        ambient_c: Some((5, -1)),
        date_time_original: Some("0000:00:00 00:00:00".into()),
        pixels_per_cm: Some((1, 1)),
        exposure_s: Some((1, 0)),
        ..recipe(Coding::Plain)
    };
    let capture = read(&write(&unknown)).unwrap().capture;
    assert_eq!((capture.ambient_c, capture.pixel_um, capture.exposure_s), (None, None, None));
    assert_eq!(capture.date_time_original, None);
}

#[test]
fn only_the_active_area_is_given_and_the_masked_border_averaged() {
    let (width, height) = (10, 8);
    let pixels: Vec<u16> = (0..80).collect();
    let recipe = DngRecipe {
        width,
        height,
        pixels,
        active_area: Some([1, 3, 7, 9]),
        masked_areas: vec![[0, 0, 8, 2], [0, 2, 1, 4]],
        ..DngRecipe::default()
    };
    let dng = read(&write(&recipe)).unwrap();
    assert_eq!((dng.width, dng.height), (6, 6));
    assert_eq!((dng.pixels[0], dng.pixels[35], dng.mosaic.cfa()), (13, 68, Some(*b"RGGB")));
    assert_eq!(dng.masked, Some(Masked { mean: (16.0 * 35.5 + 5.0) / 18.0, pixels: 18 }));
    let beyond = DngRecipe { active_area: Some([0, 0, 9, 10]), ..recipe };
    assert!(is_damaged(read(&write(&beyond))));
}

#[test]
fn a_linearisation_table_is_applied_and_told() {
    let table = Some(vec![0, 10, 40, 90]);
    let recipe = DngRecipe {
        width: 3,
        height: 2,
        pixels: vec![0, 1, 2, 3, 4, 65535],
        linearisation: table,
        ..DngRecipe::default()
    };
    let dng = read(&write(&recipe)).unwrap();
    assert_eq!((dng.pixels, dng.linearised), (vec![0, 10, 40, 90, 90, 90], true));
}

#[test]
fn a_monochrome_sensor_has_no_colour_pattern() {
    let dng = read(&write(&DngRecipe { cfa: None, ..recipe(Coding::Plain) })).unwrap();
    assert_eq!((dng.mosaic.cfa(), dng.mosaic), (None, Mosaic::Monochrome));
}

#[test]
fn every_jpeg_predictor_precision_and_number_of_components_is_decoded() {
    for (components, predictor) in (1..=4).flat_map(|components| (1..=7).map(move |predictor| (components, predictor)))
    {
        for (precision, restart_lines) in [(2, 0), (8, 1), (12, 3), (16, 2), (16, 0)] {
            let samples = scene(12 * components, 23, u32::from(precision));
            let shape = Shape { width: 12, components, predictor, precision, restart_lines };
            let decoded = lossless::decode(&encode(&samples, shape), samples.len()).unwrap();
            assert!(decoded == samples, "{shape:?}");
        }
    }
}

#[test]
fn a_jpeg_point_transform_shifts_the_samples() {
    let samples = scene(20, 9, 12);
    let shape = Shape { width: 20, components: 1, predictor: 4, precision: 12, restart_lines: 0 };
    let mut coded = encode(&samples, shape);
    let frame = coded.windows(2).position(|pair| pair == [0xFF, 0xC3]).unwrap();
    coded[frame + 4] = 14;
    let scan = coded.windows(2).position(|pair| pair == [0xFF, 0xDA]).unwrap();
    coded[scan + 9] = 2;
    let shifted: Vec<u16> = samples.iter().map(|sample| sample << 2).collect();
    assert_eq!(lossless::decode(&coded, 180).unwrap(), shifted);
}

/// A TIFF of one directory with what a raw image needs, in either byte order; `extra` entries replace its own.
fn one_directory(big: bool, extra: &[(u16, u16, &[u32])], data: &[u8]) -> Vec<u8> {
    let own: [(u16, u16, &[u32]); 11] = [
        (tags::IMAGE_WIDTH, 4, &[5]),
        (tags::IMAGE_LENGTH, 4, &[2]),
        (tags::BITS_PER_SAMPLE, 3, &[16]),
        (tags::COMPRESSION, 3, &[1]),
        (tags::PHOTOMETRIC, 3, &[32803]),
        (tags::STRIP_OFFSETS, 4, &[8]),
        (tags::STRIP_BYTE_COUNTS, 4, &[data.len() as u32]),
        (tags::CFA_REPEAT_PATTERN_DIM, 3, &[2, 2]),
        (tags::CFA_PATTERN, 1, &[2, 1, 1, 0]),
        (tags::DNG_VERSION, 1, &[1, 4, 0, 0]),
        (tags::ISO_SPEED_RATINGS, 3, &[65535]),
    ];
    let order = |value: u32, bytes: usize| match big {
        true => value.to_be_bytes()[4 - bytes..].to_vec(),
        false => value.to_le_bytes()[..bytes].to_vec(),
    };
    let kept = own.iter().filter(|entry| extra.iter().all(|other| other.0 != entry.0));
    let entries: Vec<_> = kept.chain(extra).collect();
    let mut out =
        [if big { b"MM".as_slice() } else { b"II" }, &order(42, 2), &order(8 + data.len() as u32, 4)].concat();
    out.extend(data);
    out.extend(order(entries.len() as u32, 2));
    let mut values_at = out.len() + entries.len() * 12 + 4;
    let mut values = Vec::new();
    for (tag, kind, list) in entries {
        let size = [1, 0, 2, 4][usize::from(*kind) - 1];
        let mut coded: Vec<u8> = list.iter().flat_map(|value| order(*value, size)).collect();
        out.extend([order(u32::from(*tag), 2), order(u32::from(*kind), 2), order(list.len() as u32, 4)].concat());
        if coded.len() > 4 {
            out.extend(order(values_at as u32, 4));
            values_at += coded.len();
            values.extend(coded);
        } else {
            coded.resize(4, 0);
            out.extend(coded);
        }
    }
    out.extend([0; 4]);
    out.extend(values);
    out
}

#[test]
fn packed_and_plain_samples_of_both_byte_orders_are_read() {
    let codes = [1u16, 200, 3, 77, 255, 0, 129, 128, 127, 254];
    for (big, bits) in [false, true].into_iter().flat_map(|big| [8, 10, 12, 14, 16].map(|bits| (big, bits))) {
        let mut data = Vec::new();
        for row in codes.chunks(5) {
            let mut digits: String = row.iter().map(|code| format!("{code:0bits$b}")).collect();
            digits.extend(std::iter::repeat_n('0', digits.len().next_multiple_of(8) - digits.len()));
            data.extend(
                digits.as_bytes().chunks(8).map(|byte| u8::from_str_radix(str::from_utf8(byte).unwrap(), 2).unwrap()),
            );
        }
        if bits == 16 && !big {
            data.chunks_exact_mut(2).for_each(|pair| pair.swap(0, 1));
        }
        let dng = read(&one_directory(big, &[(tags::BITS_PER_SAMPLE, 3, &[bits as u32])], &data)).unwrap();
        assert_eq!((dng.pixels.as_slice(), dng.bits_per_sample), (codes.as_slice(), bits as u32));
        assert_eq!((dng.mosaic.cfa(), dng.capture.iso), (Some(*b"BGGR"), Some(65535.0)));
    }
}

#[test]
fn deflate_is_read_with_and_without_differences() {
    let codes: [u16; 10] = [500, 505, 490, 65535, 3, 0, 1, 2, 30000, 7];
    for (big, predictor) in [(false, 1), (false, 2), (true, 1), (true, 2)] {
        let mut stored = codes;
        if predictor == 2 {
            stored
                .chunks_mut(5)
                .for_each(|row| (1..5).rev().for_each(|at| row[at] = row[at].wrapping_sub(row[at - 1])));
        }
        let bytes: Vec<u8> =
            stored.iter().flat_map(|code| if big { code.to_be_bytes() } else { code.to_le_bytes() }).collect();
        let mut coder = flate2::write::ZlibEncoder::new(Vec::new(), flate2::Compression::default());
        coder.write_all(&bytes).unwrap();
        let data = coder.finish().unwrap();
        let how: [(u16, u16, &[u32]); 2] = [(tags::COMPRESSION, 3, &[8]), (tags::PREDICTOR, 3, &[predictor])];
        assert_eq!(read(&one_directory(big, &how, &data)).unwrap().pixels, codes);
        assert!(is_damaged(read(&one_directory(big, &how, &data[..data.len() - 8]))));
    }
}

#[test]
fn other_colour_patterns_and_black_cells_are_told() {
    let data = [0; 20];
    let letters: [(u16, u16, &[u32]); 2] =
        [(tags::CFA_REPEAT_PATTERN_DIM, 3, &[1, 2]), (tags::CFA_PATTERN, 1, &[3, 6])];
    let dng = read(&one_directory(false, &letters, &data)).unwrap();
    assert_eq!(dng.mosaic, Mosaic::Other { rows: 1, columns: 2, letters: b"CW".to_vec() });
    let levels: [(u16, u16, &[u32]); 2] =
        [(tags::BLACK_LEVEL_REPEAT_DIM, 3, &[1, 3]), (tags::BLACK_LEVEL, 3, &[30, 60, 90])];
    assert_eq!(read(&one_directory(false, &levels, &data)).unwrap().black.unwrap().sites, [60.0; 4]);
    let two: [(u16, u16, &[u32]); 2] = [(tags::BLACK_LEVEL_REPEAT_DIM, 3, &[2, 1]), (tags::BLACK_LEVEL, 3, &[30, 60])];
    assert_eq!(read(&one_directory(true, &two, &data)).unwrap().black.unwrap().sites, [30.0, 30.0, 60.0, 60.0]);
}

#[test]
fn what_is_not_read_is_named() {
    let plain = recipe(Coding::Plain);
    for (tag, value, words) in [
        (tags::COMPRESSION, 34892, "lossy"),
        (tags::COMPRESSION, 52546, "JPEG XL"),
        (tags::COMPRESSION, 5, "compression 5"),
        (tags::SAMPLES_PER_PIXEL, 3, "3 samples"),
        (tags::BITS_PER_SAMPLE, 32, "32 bits"),
    ] {
        assert!(is_unsupported(read(&patched(&plain, tag, 3, 1, value)), words), "{words}");
    }
    for (tag, words) in [
        (tags::SAMPLE_FORMAT, "floating"),
        (tags::ROW_INTERLEAVE_FACTOR, "interleaved"),
        (tags::CFA_LAYOUT, "staggered"),
    ] {
        assert!(is_unsupported(read(&one_directory(false, &[(tag, 3, &[3])], &[0; 20])), words), "{words}");
    }
    assert!(is_unsupported(
        read(&one_directory(false, &[(tags::DNG_BACKWARD_VERSION, 1, &[2, 0, 0, 0])], &[0; 20])),
        "DNG 2.0"
    ));
    assert!(is_unsupported(read(b"II\x2B\0\x08\0\0\0\0\0\0\0\0\0\0\0"), "BigTIFF"));
    assert_eq!(read(&patched(&plain, tags::PHOTOMETRIC, 3, 1, 1)), Err(DngError::NoRawImage));
    assert_eq!(read(b"\x89PNG and so on"), Err(DngError::NotDng));
    assert_eq!(read(b""), Err(DngError::NotDng));
}

#[test]
fn a_dng_is_told_from_another_tiff() {
    let looks = |file: &[u8]| looks_like_dng(&mut Cursor::new(file)).unwrap();
    let file = write(&recipe(Coding::Plain));
    assert!(looks(&file) && looks(&one_directory(true, &[], &[0; 20])));
    let mut other = file.clone();
    let at = value_at(&file, tags::DNG_VERSION, 1, 4) - 8;
    other[at..at + 2].copy_from_slice(&700u16.to_le_bytes());
    assert!(!looks(&other));
    assert_eq!(read(&other), Err(DngError::NotDng));
    assert!((0..60).all(|length| !looks(&file[..length])) && !looks(b"SIMPLE  =                    T"));
}

#[test]
fn forged_sizes_are_refused_before_anything_is_allocated() {
    for coding in [Coding::Plain, TILES] {
        let recipe = recipe(coding);
        assert!(is_unsupported(read(&patched(&recipe, tags::IMAGE_WIDTH, 4, 1, u32::MAX)), "400 million"));
        assert!(is_damaged(read(&patched(&recipe, tags::IMAGE_WIDTH, 4, 1, 10_000_000))));
        assert!(is_damaged(read(&patched(&recipe, tags::IMAGE_LENGTH, 4, 1, 0))));
    }
    assert!(is_damaged(read(&patched(&recipe(Coding::Plain), tags::STRIP_OFFSETS, 4, 1, u32::MAX))));
    assert!(is_damaged(read(&patched(&recipe(TILES), tags::TILE_WIDTH, 4, 1, u32::MAX))));
    assert!(is_damaged(read(&patched(&recipe(TILES), tags::TILE_LENGTH, 4, 1, 0))));
    assert!(is_damaged(read(&patched(&recipe(TILES), tags::TILE_OFFSETS, 4, 6, u32::MAX - 3))));
}

#[test]
fn cycles_of_directories_end() {
    let plain = recipe(Coding::Plain);
    let file = write(&plain);
    // The raw image's SubIFD chained to itself, IFD 0 chained to itself, and a SubIFD that is IFD 0.
    let entries = usize::from(u16::from_le_bytes([file[8], file[9]]));
    let mut chained = file.clone();
    chained[10 + entries * 12] = 8;
    assert_eq!(read(&chained), read(&file));
    assert_eq!(read(&patched(&plain, tags::SUB_IFDS, 4, 1, 8)), Err(DngError::NoRawImage));
    let inward: [(u16, u16, &[u32]); 1] = [(tags::SUB_IFDS, 4, &[28, 28, 0, 28])];
    assert!(read(&one_directory(false, &inward, &[0; 20])).is_ok());
    let outward: [(u16, u16, &[u32]); 1] = [(tags::SUB_IFDS, 4, &[1_000_000])];
    assert!(is_damaged(read(&one_directory(false, &outward, &[0; 20]))));
}

#[test]
fn a_file_cut_anywhere_is_refused() {
    for coding in [Coding::Plain, TILES] {
        let file = write(&recipe(coding));
        for length in (0..file.len()).step_by(3).chain([file.len() - 1]) {
            assert!(read(&file[..length]).is_err(), "{length} of {} bytes", file.len());
        }
    }
}

#[test]
fn changed_bytes_never_panic() {
    let mut numbers = Numbers(42);
    let table = Some((0..5000).collect());
    let bare = DngRecipe { masked_areas: vec![[0, 0, 3, 3]], active_area: Some([1, 1, 37, 49]), ..recipe(TILES) };
    let one = Coding::LosslessJpeg { tile_width: 32, tile_height: 16, components: 1, predictor: 6 };
    let files =
        [write(&recipe(Coding::Plain)), write(&bare), write(&DngRecipe { linearisation: table, ..recipe(one) })];
    for round in 0..12_000 {
        let mut file = files[round % files.len()].clone();
        // Most changes go to the directories and headers at the front.
        let reach = if round % 4 == 0 { file.len() } else { 1100 };
        for _ in 0..1 + numbers.below(4) {
            let at = numbers.below(reach);
            file[at] = match numbers.below(3) {
                0 => numbers.below(256) as u8,
                1 => [0, 0xFF, 0x7F, 0x80][numbers.below(4)],
                _ => file[at] ^ 1 << numbers.below(8),
            };
        }
        if let Ok(dng) = read(&file) {
            assert_eq!(dng.pixels.len(), dng.width * dng.height);
        }
        looks_like_dng(&mut Cursor::new(&file)).unwrap();
    }
}
