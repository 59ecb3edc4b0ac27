//! Codes of the reasons a photo can be judged by: each with its word in the tables, whose it is, and the slots of its
//! advice, in one table. Its plain words stand in the words file, under `trouble:`.

use serde::{Deserialize, Serialize};

/// A slot of an advice text: its name, and what it holds.
pub type Slot = (&'static str, &'static str);

/// Slots that any reason may use: the measured value and the limit, each with its unit.
pub const COMMON_SLOTS: &[Slot] = &[
    ("measured", "the measured value with its unit"),
    ("limit", "the limit it passed, with its unit"),
];

const EXPOSURE: Slot = (
    "exposure_text",
    "an exposure to set, such as 1/250 s at ISO 100",
);

/// Reasons that the instrument gives stay until somebody mends it; the others are the single photo's.
const OF_THE_INSTRUMENT: bool = true;
const OF_THE_PHOTO: bool = false;

macro_rules! codes {
    ($($(#[doc = $doc:literal])+ $name:ident = $word:literal, $whose:ident, [$($slot:expr),* $(,)?];)+) => {
        /// A reason's code, as in the quality table. Codes are never renamed.
        #[derive(
            Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize,
        )]
        pub enum Code {
            $($(#[doc = $doc])+ #[serde(rename = $word)] $name,)+
        }

        impl Code {
            /// Every code.
            pub const ALL: [Code; [$($word),+].len()] = [$(Code::$name),+];

            fn row(self) -> (&'static str, bool, &'static [Slot]) {
                match self {
                    $(Code::$name => ($word, $whose, &[$($slot),*]),)+
                }
            }
        }
    };
}

impl Code {
    /// As written in tables: `slit-wide`.
    pub fn as_str(self) -> &'static str {
        self.row().0
    }

    /// True for reasons that the instrument gives, not the single photo.
    pub fn is_of_the_instrument(self) -> bool {
        self.row().1
    }

    /// The slots that its advice may use besides [`COMMON_SLOTS`].
    ///
    /// Numbers come as short decimal text without a unit, rounded as a person would say them.
    pub fn slots(self) -> &'static [Slot] {
        self.row().2
    }
}

codes! {
    /// Spectrum over-exposed.
    Clipped = "clipped", OF_THE_PHOTO, [
        ("factor", "how many times too bright, such as 2.5"),
        EXPOSURE,
    ];
    /// Too little light for the noise.
    Dim = "dim", OF_THE_PHOTO, [
        ("factor", "how many times longer to expose, such as 4"),
        EXPOSURE,
    ];
    /// Phone turned against the grating.
    Tilted = "tilted", OF_THE_INSTRUMENT, [
        ("amount_deg", "degrees to turn, such as 6"),
        ("direction", "clockwise or anticlockwise, as the phone is held"),
    ];
    /// Grooves not parallel to the slit.
    Skewed = "skewed", OF_THE_INSTRUMENT, [
        ("amount_deg", "degrees to turn, such as 3"),
        ("direction", "clockwise or anticlockwise, as seen from the phone"),
    ];
    /// Slit wider than allowed.
    SlitWide = "slit-wide", OF_THE_INSTRUMENT, [
        ("width_um", "width of the slit in µm, such as 650"),
        ("if_still_um", "width of the slit in µm, if nothing has moved, such as 650"),
        ("wanted_um", "width to aim for in µm, such as 200"),
    ];
    /// Not in focus.
    Defocused = "defocused", OF_THE_INSTRUMENT, [
        ("blur_px", "blur in pixels, such as 5"),
    ];
    /// Moved during the exposure.
    Moved = "moved", OF_THE_PHOTO, [
        ("length_px", "length of the smear in pixels, such as 8"),
        ("at_most_px", "length of the smear at most, where it may as well be a wide slit"),
        EXPOSURE,
    ];
    /// Stray light in the tube.
    Leak = "leak", OF_THE_INSTRUMENT, [
        ("level_percent", "stray light in per cent of full scale"),
        ("side", "left, right, top or bottom, where it is strongest"),
    ];
    /// Spectrum runs off the picture.
    Cropped = "cropped", OF_THE_PHOTO, [
        ("cut", "that the picture was cut down after it was taken, and to what"),
        ("side", "which end is cut off: red or violet, or both"),
        ("amount_percent", "share of the band outside the picture, per cent"),
    ];
    /// The lamp fills only a part of the slit.
    PartLit = "part-lit", OF_THE_PHOTO, [
        ("lit_percent", "share of the slit's length that is lit, per cent"),
    ];
    /// Nothing like a spectrum in it.
    NoSpectrum = "no-spectrum", OF_THE_PHOTO, [
        ("found", "what was found instead, such as: the picture is black"),
    ];
    /// Too few lamp lines for a scale.
    FewLines = "few-lines", OF_THE_PHOTO, [
        ("instead", "the lamp that it looks like, where it is another than the announced one"),
        ("found", "number of lines found"),
        ("needed", "number of lines needed"),
        ("missing", "names of the lines missed"),
    ];
    /// Lines do not fit one scale.
    PoorFit = "poor-fit", OF_THE_PHOTO, [
        ("rms_nm", "root mean square of the residuals in nm"),
        ("hidden_nm", "how well the scale would be known without the slit's image, nm"),
        ("turned_deg", "how far the slit's image lies from where the lamp photo had it, degrees"),
        ("focal_percent", "how far the focal length is off what the file states, per cent"),
        ("longer", "longer or shorter"),
    ];
    /// Not taken like its blank.
    ExposureDiffers = "exposure-differs", OF_THE_PHOTO, [
        ("factor", "ratio of the exposures, such as 2"),
        ("blank", "name of the blank's photo"),
    ];
    /// Exposure or white balance was not locked.
    ExposureAuto = "exposure-auto", OF_THE_PHOTO, [
        ("what", "exposure, white balance, or exposure and white balance"),
    ];
    /// The file ends early.
    Truncated = "truncated", OF_THE_PHOTO, [];
    /// Not a picture this program reads.
    Unreadable = "unreadable", OF_THE_PHOTO, [
        ("found", "what the file is or where it is broken"),
    ];
    /// A slate that cannot be read.
    SlateUnread = "slate-unread", OF_THE_PHOTO, [
        ("found", "why it cannot be read, such as: several slates at once"),
    ];
    /// A person says so.
    Instructor = "instructor", OF_THE_PHOTO, [
        ("note", "what the instructor's table says why"),
        ("by", "who says so"),
    ];
    /// Over the pixel limit, or of more memory or work than any photo needs.
    TooLarge = "too-large", OF_THE_PHOTO, [
        ("megapixels", "size of the picture in megapixels"),
        ("limit_megapixels", "the limit in megapixels"),
        ("found", "what else is too large, with the numbers that decided"),
    ];
}
