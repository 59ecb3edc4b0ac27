//! Draws phone photographs of slits and spectra whose truth is known: for the demo, the rehearsal and the tests.
//!
//! Light is followed forwards, from the slit through the grating and the lens to the sensor and through the phone's
//! picture processing to the bytes of a JPEG file. Pure and deterministic: the same [`Shot`] gives the same bytes.
//! It shares words with the measuring half of the crate and no formula: a mistake made in both would pass every test.

mod band;
pub mod bench;
pub mod camera;
pub mod class;
pub mod demo;
pub mod header;
pub mod light;
pub mod lines;
pub mod rays;
pub mod scene;
pub mod sensor;
mod spread;
mod veil;

use jiff::civil::DateTime;
use serde::{Deserialize, Serialize};

pub use bench::{Instrument, Phone, Pose};
pub use light::{Light, Solution, Source};
pub use rays::{Rays, place};
pub use sensor::{Linear, Nuisance};

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

/// A drawn photo.
#[derive(Clone, Debug, PartialEq)]
pub struct Photo {
    /// The file's bytes: JPEG, unless a fault or a [`Scene::Note`] says otherwise.
    pub jpeg: Vec<u8>,
    /// What a perfect measurement would find.
    pub truth: Truth,
}

/// What a perfect measurement of a photo would find.
///
/// Pixel coordinates are upright, x to the right and y down, with the middle of the top left pixel at (0, 0).
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Truth {
    /// Width of the upright picture, px.
    pub width: usize,
    /// Height of the upright picture, px.
    pub height: usize,
    /// True where the picture shows a lit slit.
    pub has_spectrum: bool,
    /// Lines of the source with their wavelengths, rising; empty where it has none.
    pub lines: Vec<TrueLine>,
    /// How the phone was held, faults included.
    pub pose: Pose,
    /// Direction of the dispersion against the nearer edge of the picture, degrees, clockwise positive, −45…45.
    pub tilt_deg: f64,
    /// Slit against the grooves in the grating's plane, degrees. Positive where the slit, followed across the
    /// dispersion, leans towards the direction that is a quarter turn anticlockwise from it on the picture.
    pub skew_deg: f64,
    /// Mean slit width, µm.
    pub slit_width_um: f64,
    /// Standard deviation of lens and focus blur together, px.
    pub blur_px: f64,
    /// Length of the movement, px.
    pub movement_px: f64,
    /// Mean stray light over the picture's middle, linear share of full scale.
    pub leak_level: f64,
    /// Brightest part of the spectrum, linear share of full scale, before it is cut at 1.
    pub peak_level: f64,
    /// Exposure time, s.
    pub exposure_s: f64,
    /// ISO speed.
    pub iso: f64,
    /// Planted faults.
    pub faults: Vec<PlantedFault>,
    /// Where the middle of the slit's own image lies, px; absent where it is off the picture.
    pub zero_order: Option<(f64, f64)>,
    /// The slit image's two ends, px.
    pub slit_ends: [(f64, f64); 2],
    /// Orders other than zero that are on the picture with at least a part of 400–700 nm.
    pub orders: Vec<TrueOrder>,
    /// Absorbance of the solution in the beam, where there is one: steps of 5 nm.
    pub absorbance: Vec<(f64, f64)>,
}

/// A line of the source.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct TrueLine {
    /// Standard air, nm.
    pub wavelength_nm: f64,
    /// Radiant strength relative to the strongest.
    pub strength: f64,
    /// Such as `Hg 546.07`.
    pub name: String,
}

/// A planted fault by the reason code it should be given.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct PlantedFault {
    /// Reason code.
    pub code: String,
    /// Size in the unit that [`Fault`] states.
    pub size: Option<f64>,
}

/// One order's scale along the middle of its band.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct TrueOrder {
    /// Order number; +1 lies to the right of the slit's image on the sensor.
    pub order: i32,
    /// Efficiency of the grating in this order.
    pub efficiency: f64,
    /// Points of 380–780 nm in steps of 5 nm that lie on the picture, rising in wavelength.
    pub points: Vec<MapPoint>,
}

/// Where one wavelength lies.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct MapPoint {
    /// px, upright.
    pub x: f64,
    /// px, upright.
    pub y: f64,
    /// nm in standard air.
    pub wavelength_nm: f64,
}

/// A photo of a class: where it lands in the inbox and how it is taken.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Planned {
    /// Path below the inbox, with `/`.
    pub path: String,
    /// How it is taken.
    pub shot: Shot,
}

/// Takes the photo: the file's bytes and the truth about it.
///
/// About a second for twelve megapixels and about 250 MB of memory while it runs.
///
/// # Panics
/// If the phone's picture is smaller than 64 px or wider or higher than 65 535 px, which JPEG cannot hold.
pub fn draw(shot: &Shot) -> Photo {
    if let Scene::Note(text) = &shot.scene {
        return Photo {
            jpeg: text.clone().into_bytes(),
            truth: sensor::truth(shot, &sensor::Effective::of(shot)),
        };
    }
    let effective = sensor::Effective::of(shot);
    let truth = sensor::truth(shot, &effective);
    let mosaic = sensor::mosaic(&effective);
    let mut jpeg = camera::develop(&effective, mosaic, truth.exposure_s, truth.iso);
    for fault in &shot.faults {
        match *fault {
            Fault::Truncated(share) => jpeg.truncate((jpeg.len() as f64 * share) as usize),
            Fault::Unreadable => jpeg.iter_mut().for_each(|b| *b = b.rotate_left(3) ^ 0x5a),
            _ => {}
        }
    }
    Photo { jpeg, truth }
}

/// What falls on the sensor, without noise: linear light per pixel and channel before white balance, not cut at full
/// scale, and stored as on the sensor (as if the orientation were 1; so is the truth).
pub fn draw_linear(shot: &Shot) -> (Linear, Truth) {
    let mut upright = shot.clone();
    upright.orientation = 1;
    let effective = sensor::Effective::of(&upright);
    let truth = sensor::truth(&upright, &effective);
    (sensor::linear(&effective), truth)
}

impl Shot {
    /// Exposure time (s) and ISO with which this shot is taken, faults included.
    pub fn exposure_settings(&self) -> (f64, f64) {
        let (time_s, iso, _) = sensor::Effective::of(self).expose();
        (time_s, iso)
    }
}
