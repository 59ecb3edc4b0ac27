//! PNG and TIFF, read row by row or strip by strip: a picture takes the memory of its frame and of one strip, and a huge
//! one is reduced on the way. Forms for which that cannot be done are said to be so, and read in one piece elsewhere.

use std::io::{Cursor, ErrorKind};

use tiff::decoder::{Decoder, DecodingResult, Limits};
use tiff::tags::Tag;
use tiff::{ColorType, TiffError};

use super::jpeg;
use super::memory::is_read_once;
use super::picture::{Codes, Fault, Picture};
use super::reduce::{Rows, Sample};

/// TIFF's number for strips that are JPEGs (TIFF technical note 2).
const JPEG: u64 = 7;

/// How a picture can be read by rows.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Form {
    pub(super) width: usize,
    pub(super) height: usize,
    /// Interleaved samples a pixel, 1 to 4.
    pub(super) channels: usize,
    /// Bytes a sample, 1 or 2.
    pub(super) depth: usize,
    /// Bytes that are read at once.
    pub(super) piece_bytes: u64,
}

/// How a PNG can be read by rows; absent where it is interlaced or has no sound header.
pub(super) fn png_form(bytes: &[u8]) -> Option<Form> {
    let reader = png_reader(bytes).ok()?;
    if reader.info().interlaced {
        return None;
    }
    let (colour, depth) = reader.output_color_type();
    Some(Form {
        width: reader.info().width as usize,
        height: reader.info().height as usize,
        channels: colour.samples(),
        depth: if depth == png::BitDepth::Sixteen {
            2
        } else {
            1
        },
        // Rows, and the window of the inflater.
        piece_bytes: 1 << 20,
    })
}

/// The header read, the pixels still to come.
pub(super) fn png_reader(bytes: &[u8]) -> Result<png::Reader<Cursor<&[u8]>>, png::DecodingError> {
    let mut decoder = png::Decoder::new(Cursor::new(bytes));
    decoder.set_transformations(png::Transformations::EXPAND);
    decoder.read_info()
}

/// A sample as the two formats have it.
trait Stored: Sample {
    /// Those of a PNG's row, `into` which they are written where they do not stand there as they are.
    fn of_row<'a>(row: &'a [u8], into: &'a mut Vec<Self>) -> &'a [Self];

    /// From a strip or a tile of a TIFF; absent where it has other samples.
    fn of_piece(piece: DecodingResult) -> Option<Vec<Self>>;
}

impl Stored for u8 {
    fn of_row<'a>(row: &'a [u8], _: &'a mut Vec<u8>) -> &'a [u8] {
        row
    }

    fn of_piece(piece: DecodingResult) -> Option<Vec<u8>> {
        match piece {
            DecodingResult::U8(samples) => Some(samples),
            _ => None,
        }
    }
}

impl Stored for u16 {
    fn of_row<'a>(row: &'a [u8], into: &'a mut Vec<u16>) -> &'a [u16] {
        let samples = row.chunks_exact(2);
        into.clear();
        into.extend(samples.map(|two| u16::from_be_bytes([two[0], two[1]])));
        into
    }

    fn of_piece(piece: DecodingResult) -> Option<Vec<u16>> {
        match piece {
            DecodingResult::U16(samples) => Some(samples),
            _ => None,
        }
    }
}

/// Decodes a PNG of the given form.
pub(super) fn png(bytes: &[u8], form: &Form, codes: &Codes) -> Result<Picture, Fault> {
    match form.depth {
        1 => png_of::<u8>(bytes, form, codes),
        _ => png_of::<u16>(bytes, form, codes),
    }
}

fn png_of<S: Stored>(bytes: &[u8], form: &Form, codes: &Codes) -> Result<Picture, Fault> {
    let damaged = |error: png::DecodingError| match error {
        png::DecodingError::IoError(e) if e.kind() == ErrorKind::UnexpectedEof => {
            Fault::ends_early("PNG")
        }
        e => Fault::damaged("PNG", &e),
    };
    let mut reader = png_reader(bytes).map_err(damaged)?;
    let mut rows = Rows::<S>::new(form.width, form.height, codes);
    let mut samples = Vec::new();
    while let Some(row) = reader.next_row().map_err(damaged)? {
        rows.row(S::of_row(row.data(), &mut samples), form.channels);
    }
    rows.finish().ok_or_else(|| Fault::ends_early("PNG"))
}

/// How a TIFF can be read by strips or tiles; absent where its planes lie apart or its samples are of another kind.
pub(super) fn tiff_form(bytes: &[u8]) -> Option<Form> {
    let mut decoder = Decoder::new(Cursor::new(bytes)).ok()?;
    let (width, height) = decoder.dimensions().ok()?;
    let (channels, bits) = match decoder.colortype().ok()? {
        ColorType::Gray(bits @ (8 | 16)) => (1, bits),
        ColorType::GrayA(bits @ (8 | 16)) => (2, bits),
        ColorType::RGB(bits @ (8 | 16)) => (3, bits),
        ColorType::RGBA(bits @ (8 | 16)) => (4, bits),
        _ => return None,
    };
    let of = |decoder: &mut Decoder<Cursor<&[u8]>>, tag| {
        decoder.find_tag_unsigned::<u32>(tag).ok().flatten()
    };
    // Planes apart (TIFF 6.0, PlanarConfiguration 2), and numbers with a sign or a point (SampleFormat 2, 3).
    if of(&mut decoder, Tag::PlanarConfiguration).is_some_and(|planar| planar != 1)
        || of(&mut decoder, Tag::SampleFormat).is_some_and(|format| format != 1)
    {
        return None;
    }
    let (across, down) = decoder.chunk_dimensions();
    let depth = usize::from(bits / 8);
    let band = u64::from(width).max(u64::from(across)) * u64::from(down.min(height));
    let tiles = if across < width { 2 } else { 1 };
    Some(Form {
        width: width as usize,
        height: height as usize,
        channels,
        depth,
        piece_bytes: tiles * band * (channels * depth) as u64,
    })
}

/// Refuses a TIFF whose strips or tiles are the same bytes again and again, or pictures of a size of their own: each that is
/// a JPEG is decoded whole, whatever is asked for.
///
/// # Errors
/// [`Fault::TooLarge`] with the numbers. What has no sound header is left to its decoder to refuse.
pub(super) fn tiff_is_no_bomb(bytes: &[u8]) -> Result<(), Fault> {
    let Ok(mut decoder) = Decoder::new(Cursor::new(bytes)) else {
        return Ok(());
    };
    let mut of = |tags: [Tag; 2]| -> Vec<u64> {
        let mut values = |tag| decoder.find_tag_unsigned_vec(tag).ok().flatten();
        let [strips, tiles] = tags;
        values(strips).or_else(|| values(tiles)).unwrap_or_default()
    };
    let lengths = of([Tag::StripByteCounts, Tag::TileByteCounts]);
    is_read_once(lengths.iter().copied(), bytes.len())?;
    let is_jpeg = of([Tag::Compression, Tag::Compression]) == [JPEG];
    if !is_jpeg {
        return Ok(());
    }
    let offsets = of([Tag::StripOffsets, Tag::TileOffsets]);
    let tables = decoder.find_tag(Tag::JPEGTables).ok().flatten();
    let tables = tables.and_then(|v| v.into_u8_vec().ok());
    let (across, down) = decoder.chunk_dimensions();
    // Blocks of the JPEG may go beyond the strip's edge: ITU-T T.81 A.2.4, with factors of up to 4.
    let most = (u64::from(across) + 32) * (u64::from(down) + 32);
    let parts = offsets.iter().zip(&lengths).filter_map(|(start, length)| {
        let start = usize::try_from(*start).ok()?;
        let length = usize::try_from(*length).ok()?;
        bytes.get(start..start.saturating_add(length).min(bytes.len()))
    });
    let stated = parts.chain(tables.as_deref()).map(jpeg::largest_stated);
    match stated.max() {
        Some(pixels) if pixels > most => Err(Fault::TooLarge(format!(
            "a part of {across} × {down} pixels of this TIFF is a JPEG of {:.1} million, and {:.1} is the limit: upload \
             the camera's own file",
            pixels as f64 / 1e6,
            most as f64 / 1e6
        ))),
        _ => Ok(()),
    }
}

/// Decodes a TIFF of the given form.
pub(super) fn tiff(bytes: &[u8], form: &Form, codes: &Codes) -> Result<Picture, Fault> {
    match form.depth {
        1 => tiff_of::<u8>(bytes, form, codes),
        _ => tiff_of::<u16>(bytes, form, codes),
    }
}

fn tiff_of<S: Stored>(bytes: &[u8], form: &Form, codes: &Codes) -> Result<Picture, Fault> {
    let ends_early = || Fault::ends_early("TIFF");
    let damaged = |error: TiffError| match error {
        TiffError::IoError(e) if e.kind() == ErrorKind::UnexpectedEof => ends_early(),
        TiffError::UnsupportedError(e) => Fault::not_read_here("TIFF", &e),
        e => Fault::damaged("TIFF", &e),
    };
    let unsound =
        |what: &str| Fault::Unreadable(format!("this TIFF {what}: it is damaged; upload it again"));
    let mut limits = Limits::default();
    let piece = usize::try_from(form.piece_bytes).unwrap_or(usize::MAX);
    limits.decoding_buffer_size = piece;
    // What one strip's compressed bytes may take: no more than all of the file.
    limits.intermediate_buffer_size = piece.max(bytes.len());
    let mut decoder = Decoder::new(Cursor::new(bytes))
        .map_err(damaged)?
        .with_limits(limits);
    let (across, down) = decoder.chunk_dimensions();
    let (across, down) = (across as usize, down as usize);
    if across == 0 || down == 0 {
        return Err(unsound("has strips without rows"));
    }
    let n_across = form.width.div_ceil(across);
    let mut rows = Rows::<S>::new(form.width, form.height, codes);
    let mut row = Vec::new();
    for band in 0..form.height.div_ceil(down) {
        // Those that lie side by side, each with the number of its samples in a row.
        let mut pieces = Vec::new();
        for i in 0..n_across {
            let index = u32::try_from(band * n_across + i).unwrap_or(u32::MAX);
            let width = decoder.chunk_data_dimensions(index).0 as usize;
            let samples = S::of_piece(decoder.read_chunk(index).map_err(damaged)?)
                .ok_or_else(|| unsound("holds other samples than it says"))?;
            pieces.push((width * form.channels, samples));
        }
        for y in 0..down.min(form.height - band * down) {
            row.clear();
            for (stride, samples) in &pieces {
                let part = samples.get(y * stride..(y + 1) * stride);
                row.extend_from_slice(part.ok_or_else(ends_early)?);
            }
            if row.len() < form.width * form.channels {
                return Err(ends_early());
            }
            rows.row(&row, form.channels);
        }
    }
    rows.finish().ok_or_else(ends_early)
}
