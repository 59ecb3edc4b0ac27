//! One photo as it is planned: phone, instrument, light, exposure, and what is wrong with it on purpose.

use jiff::civil::DateTime;
use serde::{Deserialize, Serialize};

use super::bench::{Instrument, Phone, Pose};
use super::light::Light;

/// Everything that determines one photo.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Shot {
    /// Seed of all that is left to chance in this photo: noise, the room behind a `no-spectrum` photo.
    pub seed: u64,
    /// When the shutter opened.
    pub taken: DateTime,
    /// The phone.
    pub phone: Phone,
    /// The spectroscope.
    pub instrument: Instrument,
    /// How the phone is held against the grating in this shot.
    pub pose: Pose,
    /// What shines into the slit.
    pub light: Light,
    /// What the picture shows.
    pub scene: Scene,
    /// How long and how sensitive.
    pub exposure: Exposure,
    /// Exif orientation: 1, 3, 6 or 8. The sensor's pixels are stored as they are; a viewer turns them.
    pub orientation: u16,
    /// JPEG quality, 1…100.
    pub jpeg_quality: u8,
    /// Which stages between sensor and file take part.
    pub nuisance: Nuisance,
    /// What is wrong with this photo on purpose.
    pub faults: Vec<Fault>,
}

/// What a photo shows.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Scene {
    /// The slit, through the grating.
    Slit,
    /// The room at dusk, past the tube: a window, a table, a lamp.
    Room,
    /// The inside of a pocket.
    Pocket,
    /// Not a photo: the text of a note that lies among the photos.
    Note(String),
}

/// How a photo is exposed.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub enum Exposure {
    /// The brightest part of the spectrum, without any solution in the beam, reaches this share of full scale in
    /// linear light. Blank and dilutions of one lamp are therefore exposed alike.
    Metered(f64),
    /// As stated: seconds, ISO.
    Set(f64, f64),
}

/// A planted fault and its size.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub enum Fault {
    /// Exposed this many times too long.
    Clipped(f64),
    /// Exposed this many times too short.
    Dim(f64),
    /// Turned this many degrees about the lens axis, clockwise on the picture.
    Tilted(f64),
    /// Slit this many degrees off the grooves.
    Skewed(f64),
    /// Slit this wide, µm.
    SlitWide(f64),
    /// Focus blur of this standard deviation, px.
    Defocused(f64),
    /// Moved by so many px along a direction, degrees clockwise from the picture's x axis.
    Moved(f64, f64),
    /// Stray light of this level beside the spectrum, linear share of full scale.
    Leak(f64),
    /// Turned away so that the brighter order leaves the picture at this wavelength, nm.
    Cropped(f64),
    /// Nothing like a spectrum in it.
    NoSpectrum,
    /// Called a lamp and has too few lines.
    FewLines,
    /// Exposed this many times longer than its blank.
    ExposureDiffers(f64),
    /// Exposure and white balance left to the phone.
    ExposureAuto,
    /// Only this share of the file arrived.
    Truncated(f64),
    /// The file's bytes are not a picture.
    Unreadable,
}

impl Fault {
    /// The reason code that the photo should be given.
    pub fn code(&self) -> &'static str {
        match self {
            Fault::Clipped(_) => "clipped",
            Fault::Dim(_) => "dim",
            Fault::Tilted(_) => "tilted",
            Fault::Skewed(_) => "skewed",
            Fault::SlitWide(_) => "slit-wide",
            Fault::Defocused(_) => "defocused",
            Fault::Moved(..) => "moved",
            Fault::Leak(_) => "leak",
            Fault::Cropped(_) => "cropped",
            Fault::NoSpectrum => "no-spectrum",
            Fault::FewLines => "few-lines",
            Fault::ExposureDiffers(_) => "exposure-differs",
            Fault::ExposureAuto => "exposure-auto",
            Fault::Truncated(_) => "truncated",
            Fault::Unreadable => "unreadable",
        }
    }

    /// The size, in the unit that the variant states; absent where there is none.
    pub fn size(&self) -> Option<f64> {
        match *self {
            Fault::Clipped(x)
            | Fault::Dim(x)
            | Fault::Tilted(x)
            | Fault::Skewed(x)
            | Fault::SlitWide(x)
            | Fault::Defocused(x)
            | Fault::Moved(x, _)
            | Fault::Leak(x)
            | Fault::Cropped(x)
            | Fault::ExposureDiffers(x)
            | Fault::Truncated(x) => Some(x),
            Fault::NoSpectrum | Fault::FewLines | Fault::ExposureAuto | Fault::Unreadable => None,
        }
    }
}

/// Which stages between sensor and file take part; all of them in a real photo.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Nuisance {
    /// Wings and veil of the lens.
    pub glare: bool,
    /// Dust, rough blades, unequal lighting.
    pub slit_flaws: bool,
    /// Photon and read noise.
    pub noise: bool,
    /// One colour per pixel, filled in afterwards.
    pub mosaic: bool,
    /// White balance and colour matrix.
    pub colour: bool,
    /// The S over the sRGB curve.
    pub tone: bool,
    /// Noise reduction and sharpening.
    pub filters: bool,
}

impl Nuisance {
    /// As phones do.
    pub const ALL: Nuisance = Nuisance {
        glare: true,
        slit_flaws: true,
        noise: true,
        mosaic: true,
        colour: true,
        tone: true,
        filters: true,
    };
    /// Optics, sRGB curve and JPEG only.
    pub const NONE: Nuisance = Nuisance {
        glare: false,
        slit_flaws: false,
        noise: false,
        mosaic: false,
        colour: false,
        tone: false,
        filters: false,
    };
}

/// A photo of a class: where it lands in the inbox and how it is taken.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Planned {
    /// Path below the inbox, with `/`.
    pub path: String,
    /// How it is taken.
    pub shot: Shot,
}
