//! HEIC, the form in which many phones deliver by default. The decoder turns and mirrors the picture as the
//! container says; the Exif orientation repeats that and is not applied again.

use heifer::color::{ColorParams, frame_to_rgba_sized};
use heifer::heifer_hevc_dec::decoder::{DecodeOptions, decode_picture};
use heifer::heifer_isobmff::boxes::{ColorInfo, Grid, Property};
use heifer::heifer_isobmff::{HeifFile, ItemId};
use heifer::{Image, Options};

use super::light::Curve;
use super::memory::{Extent, is_read_once};
use super::picture::{Codes, Fault, LOSSY_CEILING_8, Picture, Turn, too_large};
use super::reduce::{self, Reducer};
use crate::frame::Orientation;

/// The most parts that a picture may be cut into: 210 megapixels in parts of 114 × 114. Phones' have 512 × 512 (common practice,
/// no source); each part is looked up among all of them.
const MOST_PARTS: usize = 1 << 14;

/// Decodes the primary picture.
pub(super) fn decode(bytes: &[u8], max_pixels: u64) -> Result<Picture, Fault> {
    let file = HeifFile::parse(bytes).map_err(|e| damaged(heifer::Error::Container(e)))?;
    let stored = stored_size(&file);
    if let Some((width, height)) = stored {
        too_large(u64::from(width), u64::from(height), max_pixels)?;
    }
    let parts = file.referenced_items(file.primary_id, b"dimg");
    if parts.len() > MOST_PARTS {
        return Err(Fault::TooLarge(format!(
            "it is cut into {} parts, and {MOST_PARTS} is the limit: upload the camera's own file",
            parts.len()
        )));
    }
    is_read_once(
        parts.iter().map(|part| coded_bytes(&file, *part, bytes)),
        bytes.len(),
    )?;
    let curve = curve(&file);
    let depth = bit_depth(&file);
    let is_deep = depth > 8;
    let full_scale = if is_deep { (1 << depth) - 1 } else { 255 };
    let codes = Codes {
        // The same share of full scale as for 8 bits.
        ceiling: (u32::from(full_scale) * u32::from(LOSSY_CEILING_8) / 255) as u16,
        linear: match is_deep {
            true => curve.table_16(full_scale),
            false => curve.table_8(),
        },
    };
    if let Some(tiles) = Tiles::of(&file) {
        return tiles.reduced(&codes);
    }
    let options = Options {
        // One photo per worker: threads inside would only compete with the other workers.
        max_threads: 1,
        // What is coded may be larger than what is stated, by a block; a file that means more asks for memory unasked.
        max_pixels: stored.map_or(max_pixels, |(w, h)| coded_pixels(w, h)),
    };
    let size = |width: u32, height: u32| (width as usize, height as usize);
    let picture = if is_deep {
        let image: Image<u16> = heifer::decode_with_options(bytes, &options).map_err(damaged)?;
        if image.max_value() != full_scale {
            return Err(unlike());
        }
        reduce::whole(image.data, 4, size(image.width, image.height), &codes)
    } else {
        let image = heifer::decode_rgba8(bytes, &options).map_err(damaged)?;
        reduce::whole(image.data, 4, size(image.width, image.height), &codes)
    };
    Ok(Picture {
        turn: Turn::AsContainer(Orientation::UPRIGHT),
        ..picture.ok_or_else(unlike)?
    })
}

fn unlike() -> Fault {
    Fault::unreadable(
        "the parts of this HEIC differ in size or depth: it is damaged; upload the photo again",
    )
}

/// The most pixels that a picture of the stated size is coded with: blocks are at most 64 pixels wide (ITU-T H.265, 7.4.3.2).
fn coded_pixels(width: u32, height: u32) -> u64 {
    (u64::from(width) + 64) * (u64::from(height) + 64)
}

/// Bytes of the file that an item is made of.
fn coded_bytes(file: &HeifFile, item: ItemId, bytes: &[u8]) -> u64 {
    let location = file.item(item).ok().and_then(|i| i.location.as_ref());
    let extents = location.map_or(&[][..], |location| &location.extents);
    // Of no stated length: to the end (ISO/IEC 14496-12, 8.11.3).
    let lengths = extents.iter().map(|extent| match extent.length {
        0 => bytes.len() as u64,
        length => length,
    });
    lengths.fold(0, u64::saturating_add)
}

/// A large picture made of tiles, as phones' are.
struct Tiles<'a> {
    file: &'a HeifFile<'a>,
    grid: Grid,
    tiles: &'a [ItemId],
    /// Of each tile.
    width: u32,
    height: u32,
    turn: Orientation,
    /// Pixels on the side of a cell of the reduced picture.
    by: usize,
}

impl<'a> Tiles<'a> {
    /// Absent where the picture is not large, or not of tiles of one size, or changed in another way than by turning.
    fn of(file: &'a HeifFile<'a>) -> Option<Tiles<'a>> {
        let (width, height) = stored_size(file)?;
        match reduce::factor(width.into(), height.into()) {
            1 => None,
            by => Tiles::reduced_by(file, by),
        }
    }

    fn reduced_by(file: &'a HeifFile<'a>, by: usize) -> Option<Tiles<'a>> {
        let primary = file.primary_id;
        if file.item(primary).ok()?.item_type.0 != *b"grid" {
            return None;
        }
        let grid = file.grid(primary).ok()?;
        let tiles = file.referenced_items(primary, b"dimg");
        let size = |tile: &ItemId| file.image_size(*tile).ok().flatten();
        let (width, height) = size(tiles.first()?)?;
        let is_plain = |tile: &ItemId| {
            size(tile) == Some((width, height))
                && file.item(*tile).is_ok_and(|i| i.item_type.0 == *b"hvc1")
        };
        let covers =
            |tile: u32, n: u16, whole: u32| u64::from(tile) * u64::from(n) >= u64::from(whole);
        let mut quarters = 0;
        let mut mirror = None;
        for property in file.item_properties(primary).ok()? {
            match property {
                Property::CleanAperture { .. } => return None,
                Property::Rotation(q) => quarters = q % 4,
                Property::Mirror(top_bottom) => mirror = Some(*top_bottom),
                _ => {}
            }
        }
        let is_sound = tiles.len() == usize::from(grid.rows) * usize::from(grid.columns)
            && tiles.iter().all(is_plain)
            && width > 0
            && height > 0
            && covers(width, grid.columns, grid.output_width)
            && covers(height, grid.rows, grid.output_height);
        is_sound.then_some(Tiles {
            file,
            turn: turned(quarters, mirror),
            grid,
            tiles,
            width,
            height,
            by,
        })
    }

    /// Memory for decoding: the reduced picture, a row of tiles of four samples, a tile's own planes.
    fn bytes(&self, depth: u64) -> u64 {
        let (width, height) = (u64::from(self.width), u64::from(self.height));
        let (across, down) = (
            u64::from(self.grid.output_width),
            u64::from(self.grid.output_height),
        );
        let band = (across + width) * height.min(down) * 4 * depth;
        reduce::frame_bytes(across, down, depth)
            .saturating_add(band)
            .saturating_add(coded_pixels(self.width, self.height).saturating_mul(12))
    }

    fn reduced(&self, codes: &Codes) -> Result<Picture, Fault> {
        let picture = match codes.linear.len() {
            256 => self.reduced_as::<u8>(codes),
            _ => self.reduced_as::<u16>(codes),
        }?;
        Ok(Picture {
            turn: Turn::AsContainer(self.turn),
            ..picture
        })
    }

    fn reduced_as<S: heifer::Sample + reduce::Sample>(
        &self,
        codes: &Codes,
    ) -> Result<Picture, Fault> {
        let (width, height) = (
            self.grid.output_width as usize,
            self.grid.output_height as usize,
        );
        let mut reducer = Reducer::new(width, height, self.by, codes);
        let mut row: Vec<S> = Vec::with_capacity(4 * width);
        let (tile_width, tile_height) = (self.width as usize, self.height as usize);
        // What lies beyond the edge is not decoded, however much of it there is.
        let mut before = Vec::new();
        let bands = self.tiles.chunks(usize::from(self.grid.columns));
        let n_across = width.div_ceil(tile_width);
        for (i, tiles) in bands.take(height.div_ceil(tile_height)).enumerate() {
            let n_rows = tile_height.min(height - i * tile_height);
            let mut images: Vec<Image<S>> = Vec::with_capacity(n_across);
            for tile in &tiles[..n_across] {
                let stream = self.stream(*tile)?;
                // Most of a dark picture is the same black tile again.
                let image = match images.last() {
                    Some(image) if stream == before => image.clone(),
                    _ => self.tile(*tile, &stream)?,
                };
                images.push(image);
                before = stream;
            }
            let full_scale = if codes.linear.len() == 256 {
                255
            } else {
                images[0].max_value()
            };
            let fits = |image: &Image<S>| {
                (image.width, image.height) == (self.width, self.height)
                    && image.max_value() == full_scale
            };
            if !images.iter().all(fits) {
                return Err(unlike());
            }
            for y in 0..n_rows {
                row.clear();
                let part = 4 * y * tile_width..4 * (y + 1) * tile_width;
                images
                    .iter()
                    .for_each(|image| row.extend_from_slice(&image.data[part.clone()]));
                reducer.row(&row, 4);
            }
        }
        Ok(reducer.finish())
    }

    /// What a tile is decoded from.
    fn stream(&self, tile: ItemId) -> Result<Vec<u8>, Fault> {
        let container = |e| damaged(heifer::Error::Container(e));
        self.file.hevc_bitstream(tile).map_err(container)
    }

    fn tile<S: heifer::Sample>(&self, tile: ItemId, stream: &[u8]) -> Result<Image<S>, Fault> {
        let container = |e| damaged(heifer::Error::Container(e));
        let options = DecodeOptions {
            max_pixels: coded_pixels(self.width, self.height),
            ..Default::default()
        };
        let frame = decode_picture(stream, options).map_err(|e| damaged(e.into()))?;
        // As `decode_rgba8` does it: the container's word goes before the stream's.
        let stated = self.file.item_properties(tile).map_err(container)?;
        let params = stated
            .filter_map(|property| match property {
                Property::Color(ColorInfo::Nclx {
                    matrix, full_range, ..
                }) => Some(ColorParams {
                    matrix: *matrix,
                    full_range: *full_range,
                }),
                _ => None,
            })
            .next()
            .unwrap_or_else(|| ColorParams::from_frame(&frame));
        Ok(frame_to_rgba_sized(&frame, params, self.width, self.height))
    }
}

/// The orientation, in Exif's numbers, of a picture turned anti-clockwise by so many quarters and then mirrored, top to
/// bottom (true) or left to right: ISO/IEC 23008-12, 6.5.10 and 6.5.12.
fn turned(quarters: u8, mirror: Option<bool>) -> Orientation {
    Orientation::from_exif(match (quarters, mirror) {
        (0, None) => 1,
        (1, None) => 8,
        (2, None) => 3,
        (_, None) => 6,
        (0, Some(false)) | (2, Some(true)) => 2,
        (0, Some(true)) | (2, Some(false)) => 4,
        (1, Some(false)) | (3, Some(true)) => 7,
        _ => 5,
    })
}

/// What the header states of the primary picture; width and height upright.
pub(super) fn extent(bytes: &[u8]) -> Option<Extent> {
    let file = HeifFile::parse(bytes).ok()?;
    let (mut width, mut height) = stored_size(&file)?;
    let depth = if bit_depth(&file) > 8 { 2 } else { 1 };
    let memory = match Tiles::of(&file) {
        Some(tiles) => tiles.bytes(depth),
        None => {
            let pixels = coded_pixels(width, height);
            // Four samples; planes of 16 bits, and what the decoder notes of each block (3 bytes a pixel, measured). Turning
            // needs the samples twice, when the planes are gone.
            let is_grid = file.referenced_items(file.primary_id, b"dimg").len() > 1;
            let config = file.hevc_config(file.primary_id).ok().flatten();
            let planes = match config.map(|c| c.chroma_format) {
                _ if is_grid => 0,
                Some(0) => 5,
                Some(1) => 6,
                Some(2) => 7,
                _ => 9,
            };
            pixels.saturating_mul(4 * depth + planes.max(4 * depth))
        }
    };
    for property in file.item_properties(file.primary_id).ok()? {
        match property {
            Property::CleanAperture {
                width: w,
                height: h,
                ..
            } => {
                width = w.0.checked_div(w.1)?;
                height = h.0.checked_div(h.1)?;
            }
            Property::Rotation(quarters) if quarters % 2 == 1 => {
                std::mem::swap(&mut width, &mut height);
            }
            _ => {}
        }
    }
    Some(Extent {
        width: width as usize,
        height: height as usize,
        bytes: memory,
    })
}

fn stored_size(file: &HeifFile) -> Option<(u32, u32)> {
    file.image_size(file.primary_id).ok().flatten()
}

/// The primary picture and its first tile: either may state what holds for all.
fn coded_items(file: &HeifFile) -> impl Iterator<Item = ItemId> {
    let first_tile = file.referenced_items(file.primary_id, b"dimg").first();
    std::iter::once(file.primary_id).chain(first_tile.copied())
}

/// Coded bits per sample of the primary picture, or of its first tile.
fn bit_depth(file: &HeifFile) -> u8 {
    coded_items(file)
        .find_map(|item| file.hevc_config(item).ok().flatten())
        .map_or(8, |config| {
            config.bit_depth_luma.max(config.bit_depth_chroma)
        })
}

/// The curve of the ICC profile, or of the colour box, or sRGB.
fn curve(file: &HeifFile) -> Curve {
    let profile = file.icc_profile(file.primary_id).ok().flatten();
    if let Some(curve) = profile.and_then(Curve::from_icc) {
        return curve;
    }
    coded_items(file)
        .filter_map(|item| file.item_properties(item).ok())
        .flatten()
        .find_map(|property| match property {
            Property::Color(ColorInfo::Nclx { transfer, .. }) => {
                Some(Curve::from_code_point(*transfer))
            }
            _ => None,
        })
        .unwrap_or(Curve::Srgb)
}

fn damaged(error: heifer::Error) -> Fault {
    use heifer::heifer_isobmff::Error::UnexpectedEof;
    match error {
        heifer::Error::Container(UnexpectedEof) => Fault::ends_early("HEIC"),
        heifer::Error::Unsupported(what) => Fault::Unreadable(format!(
            "this HEIC has a form that is not read here ({what}): set the phone's camera to JPEG (\"most \
             compatible\"), take the photo again and upload that"
        )),
        other => Fault::Unreadable(format!(
            "this HEIC is damaged ({other}): upload the photo again, or set the phone's camera to JPEG (\"most \
             compatible\")"
        )),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::Samples;
    use rand::{RngExt, SeedableRng};

    const LIMIT: u64 = 50_000_000;

    /// A picture with detail all over.
    fn noisy(width: u32, height: u32) -> Vec<u8> {
        let mut rng = rand_pcg::Pcg64::seed_from_u64(21);
        let samples: Vec<u8> = (0..3 * width * height)
            .map(|i| (i % 97) as u8 + rng.random_range(0..100))
            .collect();
        let options = heifer::EncodeOptions {
            quality: 90,
            ..Default::default()
        };
        heifer::encode_rgb8(width, height, &samples, &options).expect("a picture in memory")
    }

    #[test]
    fn a_file_cut_anywhere_is_refused() {
        let whole = noisy(320, 240);
        assert!(decode(&whole, LIMIT).is_ok());
        let mut rng = rand_pcg::Pcg64::seed_from_u64(22);
        for _ in 0..20 {
            let end = rng.random_range(12..whole.len());
            assert!(
                decode(&whole[..end], LIMIT).is_err(),
                "cut at {end} of {}",
                whole.len()
            );
        }
    }

    #[test]
    fn a_file_with_zeros_in_it_is_refused() {
        let whole = noisy(320, 240);
        let mut rng = rand_pcg::Pcg64::seed_from_u64(23);
        let mut missed = Vec::new();
        for i in 0..40 {
            let mut bytes = whole.clone();
            let at = rng.random_range(1000..whole.len() - 4096);
            let end = if i % 2 == 0 { at + 4096 } else { whole.len() };
            bytes[at..end].fill(0);
            if decode(&bytes, LIMIT).is_ok() {
                missed.push((at, end));
            }
        }
        assert_eq!(missed, [], "of {} bytes", whole.len());
    }

    #[test]
    fn no_flipped_bit_makes_it_panic() {
        let whole = noisy(64, 64);
        let mut rng = rand_pcg::Pcg64::seed_from_u64(24);
        for _ in 0..150 {
            let mut bytes = whole.clone();
            let at = rng.random_range(0..bytes.len());
            bytes[at] ^= 1 << rng.random_range(0..8);
            let _ = decode(&bytes, LIMIT);
            let _ = extent(&bytes);
        }
    }

    #[test]
    fn a_picture_of_tiles_reduced_on_the_way_is_the_reduced_picture() {
        let bytes = noisy(1234, 1066);
        let file = HeifFile::parse(&bytes).expect("a file");
        let codes = Codes {
            linear: Curve::Srgb.table_8(),
            ceiling: LOSSY_CEILING_8,
        };
        let tiles = Tiles::reduced_by(&file, 3).expect("the writer makes tiles of what is large");
        assert!(tiles.tiles.len() > 1);
        let reduced = tiles.reduced(&codes).expect("a picture");
        let whole = decode(&bytes, LIMIT).expect("a picture");
        let Samples::U8(samples) = &whole.samples else {
            panic!("8 bits became 16");
        };
        let mut expected = Reducer::new(1234, 1066, 3, &codes);
        samples
            .chunks_exact(3 * 1234)
            .for_each(|row| expected.row(row, 3));
        let expected = expected.finish();
        assert_eq!((reduced.width, reduced.height), (411, 355));
        let (Samples::U16(a), Samples::U16(b)) = (&reduced.samples, &expected.samples) else {
            panic!("reduced pictures have 16 bits");
        };
        assert_eq!(a, b);
        assert_eq!(reduced.hidden_clips, expected.hidden_clips);
    }

    #[test]
    fn turns_and_mirrors_of_the_container_are_exif_orientations() {
        use crate::frame::Frame;
        // A picture of 3 × 2 pixels, turned and mirrored by the other library.
        let image: Image<u16> = Image {
            width: 3,
            height: 2,
            bit_depth: 8,
            has_alpha: false,
            data: (0..6).flat_map(|i| [i, i, i, 255]).collect(),
        };
        for quarters in 0..4 {
            for mirror in [None, Some(false), Some(true)] {
                let mut expected = image.rotate_ccw(quarters);
                if let Some(top_bottom) = mirror {
                    expected = expected.mirror(top_bottom);
                }
                let samples = Samples::U8((0..6).flat_map(|i| [i; 3]).collect());
                let turn = turned(quarters, mirror);
                let frame = Frame::new(samples, 3, 2, turn, vec![0.0; 256].into(), 255);
                let (width, height) = (frame.width(), frame.height());
                assert_eq!(
                    (width as u32, height as u32),
                    (expected.width, expected.height)
                );
                for y in 0..height {
                    for x in 0..width {
                        let sample = expected.data[4 * (y * width + x)];
                        assert_eq!(frame.codes(x, y)[0], sample, "{quarters} {mirror:?}");
                    }
                }
            }
        }
    }

    #[test]
    fn a_picture_beyond_the_limit_is_refused_before_it_is_decoded() {
        let result = decode(&noisy(64, 64), 4095);
        assert!(matches!(result, Err(Fault::TooLarge(_))));
    }
}
