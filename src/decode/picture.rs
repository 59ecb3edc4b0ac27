//! What a format's decoder hands back, or why it refuses.

use std::fmt::Display;
use std::sync::Arc;

use serde::{Deserialize, Serialize};

use crate::frame::{Orientation, Samples};

/// Why a file is not a picture. Each text says what, where in the file if known, and what to do.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, thiserror::Error)]
pub enum Fault {
    /// The file ends before the picture does, or part of it was never filled in.
    #[error("{0}")]
    Truncated(String),
    /// Not a kind of picture this program reads, or broken.
    #[error("{0}")]
    Unreadable(String),
    /// More pixels than the configuration allows, or more memory or work than any photo needs.
    #[error("{0}")]
    TooLarge(String),
}

impl Fault {
    /// With the words for people.
    pub(super) fn unreadable(why: &str) -> Fault {
        Fault::Unreadable(why.to_owned())
    }

    /// The fault of a file that ends before its picture does; `name` is the format's.
    pub(super) fn ends_early(name: &str) -> Fault {
        Fault::Truncated(format!("this {name} ends early: upload the photo again"))
    }

    /// With the decoder's own words for what is wrong.
    pub(super) fn damaged(name: &str, error: &impl Display) -> Fault {
        Fault::Unreadable(format!(
            "this {name} is damaged ({}): upload the photo again",
            brief(error)
        ))
    }

    /// With the decoder's own words for the form.
    pub(super) fn not_read_here(name: &str, form: &impl Display) -> Fault {
        Fault::Unreadable(format!(
            "this {name} has a form that is not read here ({}): save it as an ordinary 8- or 16-bit RGB picture",
            brief(form)
        ))
    }
}

/// The decoder's own words, of which a damaged header can make it say thousands.
fn brief(error: &impl Display) -> String {
    const LONGEST: usize = 200;
    let words = error.to_string();
    match words.char_indices().nth(LONGEST) {
        Some((end, _)) => format!("{}…", &words[..end]),
        None => words,
    }
}

/// The lowest code that counts as clipped after lossy compression to 8 bits.
///
/// A clipped patch does not come back as 255: the cosine transform rings at its edge, and a pure red of (255, 0, 0)
/// is (254, 0, 0) after YCbCr rounding alone. Measured on drawn lines and patches, white and coloured, clipped at
/// 255, with 4:2:0 chroma (libjpeg and libwebp at quality 88–95, x265): of the samples at least one pixel inside a
/// clipped area 75–85 % come back as 255, 94–99 % as 253 or more, 99.0–100 % as 250 or more, and 99.6 % as 248 or
/// more. 250 is where the misses have become rare; it costs the top 4.4 % of the linear range.
pub(super) const LOSSY_CEILING_8: u16 = 250;

/// The lowest code that counts as clipped in 8 bits without loss: the largest there is.
pub(super) const LOSSLESS_CEILING_8: u16 = 255;

/// The lowest code that counts as clipped in 16 bits without loss.
///
/// 10, 12 or 14 bits shifted up to 16 end at 65472, 65520 or 65532; scaled ones at 65535. The lowest of these costs
/// 0.1 % of the range.
pub(super) const ALIGNED_CEILING_16: u16 = 65472;

/// What a picture's codes mean.
#[derive(Clone)]
pub(super) struct Codes {
    /// Light by code, of 256 or 65536 codes.
    pub(super) linear: Arc<[f32]>,
    /// The lowest code that counts as clipped.
    pub(super) ceiling: u16,
}

/// What a format's decoder hands back.
pub(super) struct Picture {
    pub(super) samples: Samples,
    pub(super) width: usize,
    pub(super) height: usize,
    pub(super) codes: Codes,
    /// See [`Frame::with_hidden_clips`](crate::frame::Frame::with_hidden_clips).
    pub(super) hidden_clips: Option<Vec<u8>>,
    pub(super) turn: Turn,
}

/// Who says how the samples are turned.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Turn {
    /// The Exif orientation.
    AsExif,
    /// The container, whatever Exif says.
    AsContainer(Orientation),
}

/// Refuses a picture of more than `max_pixels`, or of none.
pub(super) fn too_large(width: u64, height: u64, max_pixels: u64) -> Result<(), Fault> {
    let pixels = width.saturating_mul(height);
    if pixels == 0 {
        return Err(Fault::unreadable(
            "the picture states a width or height of 0: upload the photo again",
        ));
    }
    if pixels > max_pixels {
        return Err(Fault::TooLarge(format!(
            "{width} × {height} are {:.1} million pixels, and the limit is {:.1}: set the camera to a smaller \
             picture, or raise the limit in the configuration",
            pixels as f64 / 1e6,
            max_pixels as f64 / 1e6
        )));
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_decoder_s_own_words_are_kept_short() {
        assert_eq!(brief(&"bad é"), "bad é");
        assert_eq!(brief(&"é, ".repeat(9000)).chars().count(), 201);
    }
}
