//! Walks the image file directories (IFDs) of a TIFF file held in memory.
//!
//! A field's values are read in place, one at a time: a forged count costs no memory.

use super::error::DngError;
use crate::facts::dng_tags as tags;
use std::io::{Read, Seek, SeekFrom};

/// Directories read of one file at most: enough for the previews and masks that writers add.
const MOST_DIRECTORIES: usize = 64;
/// How deep SubIFDs may nest.
const DEEPEST: usize = 4;
/// Bytes of one directory entry.
const ENTRY: usize = 12;

/// The byte order of a TIFF file's numbers.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Order {
    /// "II": least significant byte first.
    Little,
    /// "MM": most significant byte first.
    Big,
}

impl Order {
    /// The order that a file's first four bytes declare; none where they are not a classic TIFF's.
    fn of(head: &[u8]) -> Option<Order> {
        match head.get(..4)? {
            [b'I', b'I', 42, 0] => Some(Order::Little),
            [b'M', b'M', 0, 42] => Some(Order::Big),
            _ => None,
        }
    }

    /// The number in the first `N` (at most 8) bytes of `bytes`, which must hold as many.
    fn number<const N: usize>(self, bytes: &[u8]) -> u64 {
        let fold = |sum: u64, byte: &u8| (sum << 8) | u64::from(*byte);
        match self {
            Order::Little => bytes[..N].iter().rev().fold(0, fold),
            Order::Big => bytes[..N].iter().fold(0, fold),
        }
    }

    /// The 16-bit number at the start of `bytes`.
    pub(crate) fn u16(self, bytes: &[u8]) -> u16 {
        self.number::<2>(bytes) as u16
    }

    /// The 32-bit number at the start of `bytes`.
    fn u32(self, bytes: &[u8]) -> u32 {
        self.number::<4>(bytes) as u32
    }
}

/// The values of one tag, not yet decoded.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Field<'a> {
    kind: u16,
    order: Order,
    data: &'a [u8],
}

impl<'a> Field<'a> {
    /// How many values the field holds.
    pub(crate) fn len(&self) -> usize {
        self.data.len() / size_of_kind(self.kind).unwrap_or(1)
    }

    /// Value `index` as a number; none past the end, for text and for a fraction of no finite value.
    pub(crate) fn number(&self, index: usize) -> Option<f64> {
        let size = size_of_kind(self.kind)?;
        let start = index.checked_mul(size)?;
        let bytes = self.data.get(start..start.checked_add(size)?)?;
        let order = self.order;
        let value = match self.kind {
            // Exif's mark of an unknown value: a denominator of all ones.
            10 if order.u32(&bytes[4..]) == u32::MAX => return None,
            1 | 7 => f64::from(bytes[0]),
            3 => f64::from(order.u16(bytes)),
            4 | 13 => f64::from(order.u32(bytes)),
            5 => f64::from(order.u32(bytes)) / f64::from(order.u32(&bytes[4..])),
            6 => f64::from(bytes[0] as i8),
            8 => f64::from(order.u16(bytes) as i16),
            9 => f64::from(order.u32(bytes) as i32),
            10 => f64::from(order.u32(bytes) as i32) / f64::from(order.u32(&bytes[4..]) as i32),
            11 => f64::from(f32::from_bits(order.u32(bytes))),
            12 => f64::from_bits(order.number::<8>(bytes)),
            _ => return None,
        };
        value.is_finite().then_some(value)
    }

    /// Value `index` where it is a whole number of 0 to 2³²−1.
    pub(crate) fn whole(&self, index: usize) -> Option<u32> {
        let value = self.number(index)?;
        (value.fract() == 0.0 && (0.0..=f64::from(u32::MAX)).contains(&value)).then_some(value as u32)
    }

    /// Every value as a number, in order; values without one are left out.
    pub(crate) fn numbers(self) -> impl Iterator<Item = f64> + 'a {
        (0..self.len()).filter_map(move |index| self.number(index))
    }

    /// The text of the field up to its first NUL, without blanks at either end; none where nothing is left.
    pub(crate) fn text(&self) -> Option<String> {
        if !matches!(self.kind, 1 | 2 | 7) {
            return None;
        }
        let end = self.data.iter().position(|&byte| byte == 0).unwrap_or(self.data.len()).min(4096);
        let text = String::from_utf8_lossy(&self.data[..end]).trim().to_owned();
        (!text.is_empty()).then_some(text)
    }
}

/// Bytes that one value of a TIFF field type takes; none for a type that TIFF 6.0 does not have.
fn size_of_kind(kind: u16) -> Option<usize> {
    match kind {
        1 | 2 | 6 | 7 => Some(1),
        3 | 8 => Some(2),
        4 | 9 | 11 | 13 => Some(4),
        5 | 10 | 12 => Some(8),
        _ => None,
    }
}

/// One image file directory.
#[derive(Debug, Clone)]
pub(crate) struct Directory<'a> {
    fields: Vec<(u16, Option<Field<'a>>)>,
    next: u32,
}

impl<'a> Directory<'a> {
    /// Whether the directory has the tag at all, readable or not.
    pub(crate) fn has(&self, tag: u16) -> bool {
        self.fields.iter().any(|(found, _)| *found == tag)
    }

    /// The field of a tag, for what a frame can do without: none too where its values lie outside the file.
    pub(crate) fn field(&self, tag: u16) -> Option<Field<'a>> {
        self.fields.iter().find(|(found, _)| *found == tag)?.1
    }

    /// The field of a tag that decides how the pixels are read: a field that is there but lies outside the file is
    /// [`DngError::Damaged`].
    pub(crate) fn needed(&self, tag: u16) -> Result<Option<Field<'a>>, DngError> {
        match self.fields.iter().find(|(found, _)| *found == tag) {
            Some((_, None)) => Err(DngError::damaged(format!("the values of tag {tag} lie outside the file"))),
            Some((_, field)) => Ok(*field),
            None => Ok(None),
        }
    }

    /// The first whole number of a tag as in [`Directory::needed`], or `default` where the tag is missing.
    pub(crate) fn whole_or(&self, tag: u16, default: u32) -> Result<u32, DngError> {
        match self.needed(tag)? {
            Some(field) => {
                field.whole(0).ok_or_else(|| DngError::damaged(format!("tag {tag} does not hold a whole number")))
            }
            None => Ok(default),
        }
    }
}

/// A TIFF file in memory.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Tiff<'a> {
    pub(crate) bytes: &'a [u8],
    pub(crate) order: Order,
    first: u32,
}

impl<'a> Tiff<'a> {
    /// The file's header. Anything but a classic TIFF is [`DngError::NotDng`]; BigTIFF is [`DngError::Unsupported`].
    pub(crate) fn new(bytes: &'a [u8]) -> Result<Tiff<'a>, DngError> {
        if matches!(bytes.get(..4), Some([b'I', b'I', 43, 0] | [b'M', b'M', 0, 43])) {
            return Err(DngError::unsupported("BigTIFF (64-bit offsets)"));
        }
        let order = Order::of(bytes).ok_or(DngError::NotDng)?;
        let first = bytes.get(4..8).ok_or_else(|| DngError::damaged("the file ends within its header"))?;
        Ok(Tiff { bytes, order, first: order.u32(first) })
    }

    /// The directory at an offset. One that does not lie within the file is [`DngError::Damaged`].
    pub(crate) fn directory(&self, offset: u32) -> Result<Directory<'a>, DngError> {
        let outside = || DngError::damaged("an image file directory lies outside the file");
        let start = offset as usize;
        let rest = self.bytes.get(start..).filter(|rest| start >= 8 && rest.len() >= 2).ok_or_else(outside)?;
        let count = usize::from(self.order.u16(rest));
        let entries = rest.get(2..2 + count * ENTRY).ok_or_else(outside)?;
        let fields = entries.chunks_exact(ENTRY).map(|entry| (self.order.u16(entry), self.field(entry))).collect();
        let next = rest.get(2 + count * ENTRY..6 + count * ENTRY).map_or(0, |next| self.order.u32(next));
        Ok(Directory { fields, next })
    }

    /// The field of one 12-byte entry; none where its type is unknown or its values lie outside the file.
    fn field(&self, entry: &'a [u8]) -> Option<Field<'a>> {
        let kind = self.order.u16(&entry[2..]);
        let length = (self.order.u32(&entry[4..]) as usize).checked_mul(size_of_kind(kind)?)?;
        let data = if length <= 4 {
            &entry[8..8 + length]
        } else {
            let start = self.order.u32(&entry[8..]) as usize;
            self.bytes.get(start..start.checked_add(length)?)?
        };
        Some(Field { kind, order: self.order, data })
    }

    /// IFD 0, the directories chained to it and the SubIFDs of each, IFD 0 first. An offset met before is not followed
    /// again, so a cycle ends the walk. IFD 0 or a SubIFD outside the file is [`DngError::Damaged`].
    pub(crate) fn directories(&self) -> Result<Vec<Directory<'a>>, DngError> {
        // Offsets to read, in order, with how deep each lies.
        let mut queue = vec![(self.first, 0)];
        let mut found: Vec<Directory> = Vec::new();
        let mut at = 0;
        while let Some(&(offset, depth)) = queue.get(at) {
            let chained = at > 0 && depth == 0;
            at += 1;
            let directory = match self.directory(offset) {
                Err(_) if chained => continue,
                result => result?,
            };
            let children = directory.needed(tags::SUB_IFDS)?.filter(|_| depth < DEEPEST);
            let children = children.iter().flat_map(|list| (0..list.len()).filter_map(|index| list.whole(index)));
            let chain = Some((directory.next, 0)).filter(|_| depth == 0);
            for next in children.take(MOST_DIRECTORIES).map(|child| (child, depth + 1)).chain(chain) {
                let met = next.0 == 0 || queue.iter().any(|(offset, _)| *offset == next.0);
                if !met && queue.len() < MOST_DIRECTORIES {
                    queue.push(next);
                }
            }
            found.push(directory);
        }
        Ok(found)
    }
}

/// Whether a file is a DNG: a TIFF whose first directory holds the DNGVersion tag. Reads the header and that directory
/// only, from the file's start, and leaves the position after what it read.
///
/// # Errors
/// Only those of the reader; a file too short for what its header promises is no DNG.
pub fn looks_like_dng(file: &mut (impl Read + Seek)) -> std::io::Result<bool> {
    let mut head = [0; 8];
    file.seek(SeekFrom::Start(0))?;
    if !filled(file, &mut head)? {
        return Ok(false);
    }
    let Some(order) = Order::of(&head) else { return Ok(false) };
    file.seek(SeekFrom::Start(u64::from(order.u32(&head[4..]))))?;
    let mut count = [0; 2];
    if !filled(file, &mut count)? {
        return Ok(false);
    }
    let mut entries = Vec::new();
    file.take(u64::from(order.u16(&count)) * ENTRY as u64).read_to_end(&mut entries)?;
    Ok(entries.chunks_exact(ENTRY).any(|entry| order.u16(entry) == tags::DNG_VERSION))
}

/// Fills a buffer from a reader; false where the file ends before.
fn filled(file: &mut impl Read, buffer: &mut [u8]) -> std::io::Result<bool> {
    match file.read_exact(buffer) {
        Ok(()) => Ok(true),
        Err(error) if error.kind() == std::io::ErrorKind::UnexpectedEof => Ok(false),
        Err(error) => Err(error),
    }
}
