//! PNG and TIFF, read row by row or strip by strip: a picture takes the memory of its frame and of one strip, and a huge
//! one is reduced on the way. Forms for which that cannot be done are said to be so, and read in one piece elsewhere.

use std::io::{Cursor, ErrorKind};
use std::sync::Arc;

use tiff::decoder::{Decoder, DecodingResult, Limits};
use tiff::tags::Tag;
use tiff::{ColorType, TiffError};

use super::reduce::Rows;
use super::{Fault, Picture};

/// The codes' meaning.
pub(super) struct Codes {
    /// Light by code, of 256 or 65536 codes.
    pub(super) linear: Arc<[f32]>,
    /// The lowest that counts as clipped.
    pub(super) ceiling: u16,
}

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

fn png_reader(bytes: &[u8]) -> Result<png::Reader<Cursor<&[u8]>>, png::DecodingError> {
    let mut decoder = png::Decoder::new(Cursor::new(bytes));
    decoder.set_transformations(png::Transformations::EXPAND);
    decoder.read_info()
}

/// Decodes a PNG of the given form.
pub(super) fn png(bytes: &[u8], form: &Form, codes: &Codes) -> Result<Picture, Fault> {
    let damaged = |error: png::DecodingError| match error {
        png::DecodingError::IoError(e) if e.kind() == ErrorKind::UnexpectedEof => truncated("PNG"),
        e => broken("PNG", &e),
    };
    let mut reader = png_reader(bytes).map_err(damaged)?;
    let mut rows = Rows::new(form.width, form.height, &codes.linear, codes.ceiling);
    let mut wide = Vec::new();
    while let Some(row) = reader.next_row().map_err(damaged)? {
        if form.depth == 1 {
            rows.row_8(row.data(), form.channels);
        } else {
            let pairs = row.data().chunks_exact(2);
            wide.clear();
            wide.extend(pairs.map(|pair| u16::from_be_bytes([pair[0], pair[1]])));
            rows.row_16(&wide, form.channels);
        }
    }
    let size = (form.width, form.height);
    rows.finish(size, &codes.linear, codes.ceiling)
        .ok_or_else(|| truncated("PNG"))
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

/// Decodes a TIFF of the given form.
pub(super) fn tiff(bytes: &[u8], form: &Form, codes: &Codes) -> Result<Picture, Fault> {
    let damaged = |error: TiffError| match error {
        TiffError::IoError(e) if e.kind() == ErrorKind::UnexpectedEof => truncated("TIFF"),
        TiffError::UnsupportedError(e) => Fault::Unreadable(format!(
            "this TIFF has a form that is not read here ({}): save it as an ordinary 8- or 16-bit RGB picture",
            super::raster::brief(&e)
        )),
        e => broken("TIFF", &e),
    };
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
        return Err(Fault::Unreadable(
            "this TIFF has strips without rows: it is damaged; upload it again".to_owned(),
        ));
    }
    let n_across = form.width.div_ceil(across);
    let mut rows = Rows::new(form.width, form.height, &codes.linear, codes.ceiling);
    for band in 0..form.height.div_ceil(down) {
        let mut pieces = Vec::new();
        for i in 0..n_across {
            let index = u32::try_from(band * n_across + i).unwrap_or(u32::MAX);
            let width = decoder.chunk_data_dimensions(index).0 as usize;
            let samples = match decoder.read_chunk(index).map_err(damaged)? {
                DecodingResult::U8(samples) if form.depth == 1 => Piece::Of8(samples),
                DecodingResult::U16(samples) if form.depth == 2 => Piece::Of16(samples),
                _ => {
                    return Err(Fault::Unreadable(
                        "this TIFF holds other samples than it says: it is damaged; upload it again"
                            .to_owned(),
                    ));
                }
            };
            pieces.push((width * form.channels, samples));
        }
        let n_rows = down.min(form.height - band * down);
        put(&mut rows, &pieces, n_rows, form).ok_or_else(|| truncated("TIFF"))?;
    }
    let size = (form.width, form.height);
    rows.finish(size, &codes.linear, codes.ceiling)
        .ok_or_else(|| truncated("TIFF"))
}

/// A strip or a tile.
enum Piece {
    Of8(Vec<u8>),
    Of16(Vec<u16>),
}

/// Puts the rows of pieces that lie side by side together; `None` where one is too short. With each comes the number of its
/// samples in a row.
fn put(rows: &mut Rows, pieces: &[(usize, Piece)], n_rows: usize, form: &Form) -> Option<()> {
    let (mut narrow, mut wide) = (Vec::new(), Vec::new());
    for y in 0..n_rows {
        narrow.clear();
        wide.clear();
        for (stride, piece) in pieces {
            let part = y * stride..(y + 1) * stride;
            match piece {
                Piece::Of8(samples) => narrow.extend_from_slice(samples.get(part)?),
                Piece::Of16(samples) => wide.extend_from_slice(samples.get(part)?),
            }
        }
        if narrow.len().max(wide.len()) < form.width * form.channels {
            return None;
        }
        if form.depth == 1 {
            rows.row_8(&narrow, form.channels);
        } else {
            rows.row_16(&wide, form.channels);
        }
    }
    Some(())
}

fn truncated(name: &str) -> Fault {
    Fault::Truncated(format!("this {name} ends early: upload the photo again"))
}

fn broken(name: &str, error: &impl std::fmt::Display) -> Fault {
    Fault::Unreadable(format!(
        "this {name} is damaged ({}): upload the photo again",
        super::raster::brief(error)
    ))
}
