//! HEIC, the form in which many phones deliver by default. The decoder turns and mirrors the picture as the
//! container says; the Exif orientation repeats that and is not applied again.

use heifer::heifer_isobmff::HeifFile;
use heifer::heifer_isobmff::boxes::{ColorInfo, Property};
use heifer::{Image, Options};

use super::light::Curve;
use super::raster::without_alpha;
use super::{Fault, LOSSY_CEILING_8, Picture, too_large};
use crate::frame::Samples;

/// Decodes the primary picture.
pub(super) fn decode(bytes: &[u8], max_pixels: u64) -> Result<Picture, Fault> {
    let file = HeifFile::parse(bytes).map_err(|e| damaged(heifer::Error::Container(e)))?;
    if let Some((width, height)) = stored_size(&file) {
        too_large(u64::from(width), u64::from(height), max_pixels)?;
    }
    let options = Options {
        // One photo per worker: threads inside would only compete with the other workers.
        max_threads: 1,
        max_pixels,
    };
    let curve = curve(&file);
    if bit_depth(&file) > 8 {
        let image: Image<u16> = heifer::decode_with_options(bytes, &options).map_err(damaged)?;
        let full_scale = image.max_value();
        // The same share of full scale as for 8 bits.
        let ceiling = u32::from(full_scale) * u32::from(LOSSY_CEILING_8) / 255;
        Ok(Picture {
            width: image.width as usize,
            height: image.height as usize,
            linear: curve.table_16(full_scale),
            ceiling_code: ceiling as u16,
            samples: Samples::U16(without_alpha(image.data)),
            is_upright: true,
        })
    } else {
        let image = heifer::decode_rgba8(bytes, &options).map_err(damaged)?;
        Ok(Picture {
            width: image.width as usize,
            height: image.height as usize,
            linear: curve.table_8(),
            ceiling_code: LOSSY_CEILING_8,
            samples: Samples::U8(without_alpha(image.data)),
            is_upright: true,
        })
    }
}

/// Width and height of the primary picture, upright.
pub(super) fn size(bytes: &[u8]) -> Option<(usize, usize)> {
    let file = HeifFile::parse(bytes).ok()?;
    let (mut width, mut height) = stored_size(&file)?;
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
    Some((width as usize, height as usize))
}

fn stored_size(file: &HeifFile) -> Option<(u32, u32)> {
    file.image_size(file.primary_id).ok().flatten()
}

/// Coded bits per sample of the primary picture, or of its first tile.
fn bit_depth(file: &HeifFile) -> u8 {
    let first_tile = file.referenced_items(file.primary_id, b"dimg").first();
    [Some(&file.primary_id), first_tile]
        .into_iter()
        .flatten()
        .find_map(|&item| file.hevc_config(item).ok().flatten())
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
    let first_tile = file.referenced_items(file.primary_id, b"dimg").first();
    [Some(&file.primary_id), first_tile]
        .into_iter()
        .flatten()
        .filter_map(|&item| file.item_properties(item).ok())
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
        heifer::Error::Container(UnexpectedEof) => {
            Fault::Truncated("this HEIC ends early: upload the photo again".to_owned())
        }
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
            let _ = size(&bytes);
        }
    }

    #[test]
    fn a_picture_beyond_the_limit_is_refused_before_it_is_decoded() {
        let result = decode(&noisy(64, 64), 4095);
        assert!(matches!(result, Err(Fault::TooLarge(_))));
    }
}
