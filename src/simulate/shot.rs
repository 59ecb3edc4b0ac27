//! One photo as it is planned: phone, instrument, light, exposure, and what is wrong with it on purpose.

use jiff::civil::DateTime;
use serde::{Deserialize, Serialize};

use super::bench::{Instrument, Phone, Pose};
use super::card::Card;
use super::light::Light;
use super::reality::Reality;

/// Everything that determines one photo.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Shot {
    /// Seed of all that is left to chance in this photo: noise, the room behind a `no-spectrum` photo.
    pub seed: u64,
    /// Time at which the shutter opened.
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
    /// Exposure time and sensitivity, or how they are metered.
    pub exposure: Exposure,
    /// Exif orientation: 1, 3, 6 or 8. The sensor's pixels are stored as they are; a viewer turns them.
    pub orientation: u16,
    /// JPEG quality, 1…100.
    pub jpeg_quality: u8,
    /// What tells the photo from one through an ideal instrument.
    pub reality: Reality,
    /// Which stages between sensor and file take part.
    pub nuisance: Nuisance,
    /// What is wrong with this photo on purpose.
    pub faults: Vec<Fault>,
}

/// What a photo shows.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub enum Scene {
    /// The slit, through the grating.
    Slit,
    /// The room at dusk, past the tube: a window, a table, a lamp.
    Room,
    /// The inside of a pocket.
    Pocket,
    /// A printed card on a table, past the tube.
    Card(Card),
    /// Not a photo: the text of a note that lies among the photos.
    Note(String),
}

/// How a photo is exposed.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub enum Exposure {
    /// The brightest part of the spectrum, without any solution in the beam, reaches this share of full scale in
    /// linear light. Blank and dilutions of one lamp are therefore exposed alike.
    Metered(f64),
    /// Time (s) and ISO speed as stated here.
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
        self.code_and_size().0
    }

    /// The reason code, and the size in the unit that the variant states; absent where there is none.
    pub(super) fn code_and_size(&self) -> (&'static str, Option<f64>) {
        match *self {
            Fault::Clipped(times) => ("clipped", Some(times)),
            Fault::Dim(times) => ("dim", Some(times)),
            Fault::Tilted(degrees) => ("tilted", Some(degrees)),
            Fault::Skewed(degrees) => ("skewed", Some(degrees)),
            Fault::SlitWide(um) => ("slit-wide", Some(um)),
            Fault::Defocused(px) => ("defocused", Some(px)),
            Fault::Moved(px, _) => ("moved", Some(px)),
            Fault::Leak(level) => ("leak", Some(level)),
            Fault::Cropped(nm) => ("cropped", Some(nm)),
            Fault::NoSpectrum => ("no-spectrum", None),
            Fault::FewLines => ("few-lines", None),
            Fault::ExposureDiffers(times) => ("exposure-differs", Some(times)),
            Fault::ExposureAuto => ("exposure-auto", None),
            Fault::Truncated(share) => ("truncated", Some(share)),
            Fault::Unreadable => ("unreadable", None),
        }
    }
}

/// Which stages between sensor and file take part: all of them in a real photo. By default none: optics, sRGB curve and JPEG
/// only.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
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
    /// All stages, as in a phone.
    pub const ALL: Nuisance = Nuisance {
        glare: true,
        slit_flaws: true,
        noise: true,
        mosaic: true,
        colour: true,
        tone: true,
        filters: true,
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
