//! What a photo's file says about how it was taken.

use jiff::civil::DateTime;
use serde::{Deserialize, Deserializer, Serialize};

/// Facts read from the file's header; each is absent where the file does not say, or says nonsense.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Facts {
    /// When the shutter opened, by the phone's clock (Exif has no zone; an offset is kept apart).
    pub taken: Option<DateTime>,
    /// Offset of `taken` from UTC in minutes, where the file states it.
    pub taken_offset_min: Option<i32>,
    /// Exposure time in seconds, > 0.
    pub exposure_s: Option<f64>,
    /// ISO speed, > 0.
    pub iso: Option<f64>,
    /// F-number, > 0.
    pub f_number: Option<f64>,
    /// Focal length in millimetres, > 0.
    pub focal_mm: Option<f64>,
    /// Focal length in millimetres that gives the same diagonal field on 36 × 24 mm film, > 0.
    pub focal_35mm: Option<f64>,
    /// Digital zoom, ≥ 1.
    pub zoom: Option<f64>,
    /// True where the phone chose the exposure itself (ExposureMode 0), false where it was set by hand.
    pub exposure_auto: Option<bool>,
    /// True where the phone chose the white balance itself (WhiteBalance 0).
    pub white_balance_auto: Option<bool>,
    /// Maker of the phone.
    pub make: Option<String>,
    /// Model of the phone.
    pub model: Option<String>,
    /// Tells the phone from others of its make and model: a hash, hexadecimal, of its serial number, its owner's name and what
    /// else is the single phone's. The texts themselves are kept nowhere.
    #[serde(default)]
    pub unit: Option<String>,
    /// Program that wrote the file.
    pub software: Option<String>,
    /// Exif orientation, 1 to 8; 1 for HEIC, whose container turns the picture itself.
    pub orientation: u16,
    /// Width in pixels, upright; 0 where the header could not be read.
    pub width: usize,
    /// Height in pixels, upright; 0 where the header could not be read.
    pub height: usize,
    /// Memory that decoding takes at once beside the file itself, bytes, by what its header says of depth, channels and
    /// form; 0 where it could not be read.
    pub decoding_bytes: u64,
    /// `jpeg`, `png`, `tiff`, `webp`, `heic`, `dng`, or empty.
    #[serde(deserialize_with = "known_format")]
    pub format: Format,
}

/// A name out of a fixed list. Under a name of its own: serde would ask to borrow a bare `&str` from what is read.
type Format = &'static str;

/// Facts are written down and read back by this program only, so a format it does not know is a damaged note.
fn known_format<'de, D: Deserializer<'de>>(from: D) -> Result<&'static str, D::Error> {
    let text = String::deserialize(from)?;
    ["jpeg", "png", "tiff", "webp", "heic", "dng", ""]
        .into_iter()
        .find(|format| *format == text)
        .ok_or_else(|| serde::de::Error::custom("no known format"))
}

/// Diagonal of a 35 mm film's picture, mm (CIPA DC-008).
const FILM_DIAGONAL_MM: f64 = 43.27;

impl Facts {
    /// Exposure time × ISO / 100 in seconds, where both are known: links the light of two shots.
    pub fn exposure_product(&self) -> Option<f64> {
        Some(self.exposure_s? * self.iso? / 100.0)
    }

    /// The focal length in pixels, for the upright picture of `width` × `height` pixels.
    ///
    /// FocalLengthIn35mmFilm refers to the diagonal (CIPA DC-008); good to a few per cent. The tag
    /// already includes the digital zoom on the phones that write it as the standard says.
    pub fn focal_px(&self) -> Option<f64> {
        let diagonal_px = ((self.width * self.width + self.height * self.height) as f64).sqrt();
        Some(self.focal_35mm? / FILM_DIAGONAL_MM * diagonal_px)
    }
}
