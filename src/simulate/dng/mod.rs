//! Writes small DNG files for tests: little-endian, a thumbnail in IFD 0 and the raw image in a SubIFD.

mod encode;

pub(crate) use encode::{Shape, encode};

use crate::facts::dng_tags as tags;

/// How a written raw image is stored.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Coding {
    /// 16 bits a sample, in one strip.
    Plain,
    /// Lossless JPEG in tiles, padded at the right and the bottom with the last column and row.
    LosslessJpeg {
        /// Columns of a tile, a multiple of `components`.
        tile_width: usize,
        /// Rows of a tile.
        tile_height: usize,
        /// JPEG components, 1 to 4, that share a tile's row; 2 are common.
        components: usize,
        /// JPEG predictor, 1 to 7.
        predictor: u8,
    },
}

/// What a test's DNG holds. The default is a Bayer image of no pixels and with no capture data.
#[derive(Debug, Clone)]
pub struct DngRecipe {
    /// Columns of the stored image, masked border included.
    pub width: usize,
    /// Rows of the stored image, masked border included.
    pub height: usize,
    /// The stored codes, `width` × `height` of them, row after row.
    pub pixels: Vec<u16>,
    /// How they are stored.
    pub coding: Coding,
    /// Letters 'R', 'G', 'B' of the 2 × 2 cell at the active area's first pixel; none for a monochrome sensor.
    pub cfa: Option<[u8; 4]>,
    /// Top, left, bottom and right of the active area.
    pub active_area: Option<[u32; 4]>,
    /// Tops, lefts, bottoms and rights of masked areas.
    pub masked_areas: Vec<[u32; 4]>,
    /// Black level of the four sites of the cell.
    pub black: Option<[u16; 4]>,
    /// Code of a full pixel.
    pub white_level: Option<u32>,
    /// Linearisation table.
    pub linearisation: Option<Vec<u16>>,
    /// Exposure time, s, as a fraction.
    pub exposure_s: Option<(u32, u32)>,
    /// ISO speed.
    pub iso: Option<u16>,
    /// "YYYY:MM:DD HH:MM:SS", written as DateTime and DateTimeOriginal.
    pub date_time_original: Option<String>,
    /// Digits after the second's decimal point.
    pub sub_sec_time_original: Option<String>,
    /// Offset from UTC, such as "+01:00".
    pub offset_time_original: Option<String>,
    /// Camera maker.
    pub make: Option<String>,
    /// Camera model.
    pub model: Option<String>,
    /// UniqueCameraModel.
    pub camera: Option<String>,
    /// Focal length, mm, as a fraction.
    pub focal_mm: Option<(u32, u32)>,
    /// Focal ratio, as a fraction.
    pub f_number: Option<(u32, u32)>,
    /// AmbientTemperature, °C, as a fraction.
    pub ambient_c: Option<(i32, i32)>,
    /// Pixels per centimetre of the focal plane, as a fraction.
    pub pixels_per_cm: Option<(u32, u32)>,
}

impl Default for DngRecipe {
    fn default() -> DngRecipe {
        DngRecipe {
            width: 0,
            height: 0,
            pixels: Vec::new(),
            coding: Coding::Plain,
            cfa: Some(*b"RGGB"),
            active_area: None,
            masked_areas: Vec::new(),
            black: None,
            white_level: None,
            linearisation: None,
            exposure_s: None,
            iso: None,
            date_time_original: None,
            sub_sec_time_original: None,
            offset_time_original: None,
            make: None,
            model: None,
            camera: None,
            focal_mm: None,
            f_number: None,
            ambient_c: None,
            pixels_per_cm: None,
        }
    }
}

/// A directory in the making: tag, field type, count and little-endian values of each entry.
#[derive(Debug, Default)]
struct Ifd(Vec<(u16, u16, usize, Vec<u8>)>);

impl Ifd {
    fn bytes(&mut self, tag: u16, values: &[u8]) {
        self.0.push((tag, 1, values.len(), values.to_vec()));
    }

    fn text(&mut self, tag: u16, text: &Option<String>) {
        if let Some(text) = text {
            self.0.push((tag, 2, text.len() + 1, [text.as_bytes(), &[0]].concat()));
        }
    }

    fn short(&mut self, tag: u16, values: &[u16]) {
        self.0.push((tag, 3, values.len(), values.iter().flat_map(|value| value.to_le_bytes()).collect()));
    }

    fn long(&mut self, tag: u16, values: &[u32]) {
        self.0.push((tag, 4, values.len(), values.iter().flat_map(|value| value.to_le_bytes()).collect()));
    }

    fn ratio(&mut self, tag: u16, value: Option<(u32, u32)>) {
        self.ratios(tag, 5, value.as_slice());
    }

    /// Fractions of type 5 (unsigned) or 10 (signed, in two's complement).
    fn ratios(&mut self, tag: u16, kind: u16, values: &[(u32, u32)]) {
        if !values.is_empty() {
            let data = values.iter().flat_map(|(over, under)| [over.to_le_bytes(), under.to_le_bytes()].concat());
            self.0.push((tag, kind, values.len(), data.collect()));
        }
    }

    /// Bytes of the directory with the values that it points to.
    fn size(&self) -> usize {
        6 + self
            .0
            .iter()
            .map(|entry| 12 + if entry.3.len() > 4 { entry.3.len().next_multiple_of(2) } else { 0 })
            .sum::<usize>()
    }

    /// The directory as it stands at an offset of the file, its values right after it.
    fn placed(mut self, offset: usize) -> Vec<u8> {
        self.0.sort_by_key(|entry| entry.0);
        let mut values_at = offset + 6 + 12 * self.0.len();
        let (mut out, mut values) = ((self.0.len() as u16).to_le_bytes().to_vec(), Vec::new());
        for (tag, kind, count, mut data) in self.0 {
            out.extend(tag.to_le_bytes());
            out.extend(kind.to_le_bytes());
            out.extend((count as u32).to_le_bytes());
            if data.len() <= 4 {
                data.resize(4, 0);
                out.extend(data);
            } else {
                out.extend((values_at as u32).to_le_bytes());
                data.resize(data.len().next_multiple_of(2), 0);
                values_at += data.len();
                values.extend(data);
            }
        }
        out.extend([0; 4]);
        out.extend(values);
        out
    }
}

/// Writes a DNG file. A recipe with fewer pixels than its width × height, or a tile of no pixels, is the caller's error
/// and panics.
pub fn write(recipe: &DngRecipe) -> Vec<u8> {
    let chunks = chunks(recipe);
    let exif_at = 8 + first(recipe, 0, 0, 0).size();
    let raw_at = exif_at + exif(recipe).size();
    let thumbnail_at = raw_at + raw(recipe, &chunks, 0).size();
    let chunks_at = thumbnail_at + 12;
    let mut out = b"II\x2A\0\x08\0\0\0".to_vec();
    out.extend(first(recipe, exif_at, raw_at, thumbnail_at).placed(8));
    out.extend(exif(recipe).placed(exif_at));
    out.extend(raw(recipe, &chunks, chunks_at).placed(raw_at));
    out.extend([128; 12]);
    out.extend(chunks.concat());
    out
}

/// The stored strips or tiles of the raw image.
fn chunks(recipe: &DngRecipe) -> Vec<Vec<u8>> {
    let (width, height) = (recipe.width, recipe.height);
    let Coding::LosslessJpeg { tile_width, tile_height, components, predictor } = recipe.coding else {
        return vec![recipe.pixels[..width * height].iter().flat_map(|code| code.to_le_bytes()).collect()];
    };
    let shape = Shape { width: tile_width / components, components, predictor, precision: 16, restart_lines: 0 };
    let mut tiles = Vec::new();
    for top in (0..height).step_by(tile_height) {
        for left in (0..width).step_by(tile_width) {
            let row_of = |row: usize| row.min(height - 1) * width;
            let row =
                |row| (left..left + tile_width).map(move |column| recipe.pixels[row_of(row) + column.min(width - 1)]);
            let tile: Vec<u16> = (top..top + tile_height).flat_map(row).collect();
            tiles.push(encode(&tile, shape));
        }
    }
    tiles
}

/// IFD 0: a thumbnail of 2 × 2 grey pixels in three colours, and what belongs to the whole file.
fn first(recipe: &DngRecipe, exif_at: usize, raw_at: usize, thumbnail_at: usize) -> Ifd {
    let mut ifd = Ifd::default();
    ifd.long(tags::NEW_SUBFILE_TYPE, &[1]);
    ifd.long(tags::IMAGE_WIDTH, &[2]);
    ifd.long(tags::IMAGE_LENGTH, &[2]);
    ifd.short(tags::BITS_PER_SAMPLE, &[8, 8, 8]);
    ifd.short(tags::COMPRESSION, &[1]);
    ifd.short(tags::PHOTOMETRIC, &[2]);
    ifd.text(tags::MAKE, &recipe.make);
    ifd.text(tags::MODEL, &recipe.model);
    ifd.long(tags::STRIP_OFFSETS, &[thumbnail_at as u32]);
    ifd.short(tags::SAMPLES_PER_PIXEL, &[3]);
    ifd.long(tags::ROWS_PER_STRIP, &[2]);
    ifd.long(tags::STRIP_BYTE_COUNTS, &[12]);
    ifd.text(tags::DATE_TIME, &recipe.date_time_original);
    ifd.long(tags::SUB_IFDS, &[raw_at as u32]);
    ifd.long(tags::EXIF_IFD, &[exif_at as u32]);
    ifd.bytes(tags::DNG_VERSION, &[1, 4, 0, 0]);
    ifd.bytes(tags::DNG_BACKWARD_VERSION, &[1, 1, 0, 0]);
    ifd.text(tags::UNIQUE_CAMERA_MODEL, &recipe.camera);
    if recipe.cfa.is_some() {
        let unit: Vec<(u32, u32)> = (0..9).map(|index| (u32::from(index % 4 == 0), 1)).collect();
        ifd.ratios(tags::COLOR_MATRIX_1, 10, &unit);
        ifd.ratios(tags::AS_SHOT_NEUTRAL, 5, &[(1, 1); 3]);
    }
    ifd
}

/// The Exif directory: the exposure.
fn exif(recipe: &DngRecipe) -> Ifd {
    let mut ifd = Ifd::default();
    ifd.ratio(tags::EXPOSURE_TIME, recipe.exposure_s);
    ifd.ratio(tags::F_NUMBER, recipe.f_number);
    if let Some(iso) = recipe.iso {
        ifd.short(tags::ISO_SPEED_RATINGS, &[iso]);
    }
    ifd.text(tags::DATE_TIME_ORIGINAL, &recipe.date_time_original);
    ifd.text(tags::OFFSET_TIME_ORIGINAL, &recipe.offset_time_original);
    ifd.text(tags::SUB_SEC_TIME_ORIGINAL, &recipe.sub_sec_time_original);
    ifd.ratio(tags::FOCAL_LENGTH, recipe.focal_mm);
    if let Some((over, under)) = recipe.ambient_c {
        ifd.ratios(tags::AMBIENT_TEMPERATURE, 10, &[(over as u32, under as u32)]);
    }
    if recipe.pixels_per_cm.is_some() {
        ifd.ratio(tags::FOCAL_PLANE_X_RESOLUTION, recipe.pixels_per_cm);
        ifd.ratio(tags::FOCAL_PLANE_Y_RESOLUTION, recipe.pixels_per_cm);
        ifd.short(tags::FOCAL_PLANE_RESOLUTION_UNIT, &[3]);
    }
    ifd
}

/// The SubIFD of the raw image.
fn raw(recipe: &DngRecipe, chunks: &[Vec<u8>], chunks_at: usize) -> Ifd {
    let mut ifd = Ifd::default();
    let sizes: Vec<u32> = chunks.iter().map(|chunk| chunk.len() as u32).collect();
    let next = |at: &mut u32, size: &u32| Some(std::mem::replace(at, *at + size));
    let offsets: Vec<u32> = sizes.iter().scan(chunks_at as u32, next).collect();
    ifd.long(tags::NEW_SUBFILE_TYPE, &[0]);
    ifd.long(tags::IMAGE_WIDTH, &[recipe.width as u32]);
    ifd.long(tags::IMAGE_LENGTH, &[recipe.height as u32]);
    ifd.short(tags::BITS_PER_SAMPLE, &[16]);
    ifd.short(tags::SAMPLES_PER_PIXEL, &[1]);
    match recipe.coding {
        Coding::Plain => {
            ifd.short(tags::COMPRESSION, &[1]);
            ifd.long(tags::ROWS_PER_STRIP, &[recipe.height as u32]);
            ifd.long(tags::STRIP_OFFSETS, &offsets);
            ifd.long(tags::STRIP_BYTE_COUNTS, &sizes);
        }
        Coding::LosslessJpeg { tile_width, tile_height, .. } => {
            ifd.short(tags::COMPRESSION, &[7]);
            ifd.long(tags::TILE_WIDTH, &[tile_width as u32]);
            ifd.long(tags::TILE_LENGTH, &[tile_height as u32]);
            ifd.long(tags::TILE_OFFSETS, &offsets);
            ifd.long(tags::TILE_BYTE_COUNTS, &sizes);
        }
    }
    match recipe.cfa {
        Some(letters) => {
            let codes = letters.map(|letter| b"RGB".iter().position(|found| *found == letter).unwrap_or(3) as u8);
            ifd.short(tags::PHOTOMETRIC, &[32803]);
            ifd.short(tags::CFA_REPEAT_PATTERN_DIM, &[2, 2]);
            ifd.bytes(tags::CFA_PATTERN, &codes);
            ifd.bytes(tags::CFA_PLANE_COLOR, &[0, 1, 2]);
            ifd.short(tags::CFA_LAYOUT, &[1]);
        }
        None => ifd.short(tags::PHOTOMETRIC, &[34892]),
    }
    levels(recipe, &mut ifd);
    ifd
}

/// Adds the tags of the raw image that turn its codes into signal.
fn levels(recipe: &DngRecipe, ifd: &mut Ifd) {
    if let Some(black) = recipe.black {
        ifd.short(tags::BLACK_LEVEL_REPEAT_DIM, &[2, 2]);
        ifd.short(tags::BLACK_LEVEL, &black);
    }
    if let Some(white) = recipe.white_level {
        ifd.long(tags::WHITE_LEVEL, &[white]);
    }
    if let Some(table) = &recipe.linearisation {
        ifd.short(tags::LINEARIZATION_TABLE, table);
    }
    if let Some(area) = recipe.active_area {
        ifd.long(tags::ACTIVE_AREA, &area);
    }
    if !recipe.masked_areas.is_empty() {
        ifd.long(tags::MASKED_AREAS, recipe.masked_areas.as_flattened());
    }
}
