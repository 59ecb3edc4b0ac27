//! Draws phone photographs of slits and spectra whose truth is known: for the demo, the rehearsal and the tests.
//!
//! Light is followed forwards, from the slit through the grating and the lens to the sensor and through the phone's
//! picture processing to the bytes of a JPEG file. Pure and deterministic: the same [`Shot`] gives the same bytes.
//! It shares words with the measuring half of the crate and no formula: a mistake made in both would pass every test.

mod band;
pub mod bench;
pub mod camera;
pub mod class;
pub mod header;
pub mod light;
pub mod lines;
mod noise;
pub mod rays;
pub mod scene;
pub mod score;
pub mod sensor;
mod spread;
pub mod truth;
mod veil;

use jiff::civil::DateTime;
use serde::{Deserialize, Serialize};

pub use bench::{Instrument, Phone, Pose};
pub use light::{Light, Solution, Source};
pub use rays::{Rays, place};
pub use sensor::{Linear, Nuisance};
pub use truth::{MapPoint, PlantedFault, TrueLine, TrueOrder, Truth};

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
            truth: truth::of(shot, &sensor::Effective::of(shot)),
        };
    }
    let effective = sensor::Effective::of(shot);
    let truth = truth::of(shot, &effective);
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

/// The sensor's own values of a shot with the mosaic on, its noise included, before anything is made of them: one colour a
/// pixel (red, green / green, blue), row by row as on the sensor, the black level taken off, 1 = full scale.
pub fn draw_mosaic(shot: &Shot) -> (Vec<f32>, Truth) {
    let effective = sensor::Effective::of(shot);
    let truth = truth::of(shot, &effective);
    (sensor::mosaic(&effective), truth)
}

/// The truth about a shot, without drawing it.
pub fn truth_of(shot: &Shot) -> Truth {
    truth::of(shot, &sensor::Effective::of(shot))
}

/// What falls on the sensor, without noise: linear light per pixel and channel before white balance, not cut at full
/// scale, and stored as on the sensor (as if the orientation were 1; so is the truth).
pub fn draw_linear(shot: &Shot) -> (Linear, Truth) {
    let mut upright = shot.clone();
    upright.orientation = 1;
    let effective = sensor::Effective::of(&upright);
    let truth = truth::of(&upright, &effective);
    (sensor::linear(&effective), truth)
}

impl Shot {
    /// Exposure time (s) and ISO with which this shot is taken, faults included.
    pub fn exposure_settings(&self) -> (f64, f64) {
        let (time_s, iso, _) = sensor::Effective::of(self).expose();
        (time_s, iso)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A shot with every nuisance off: a laser through a sound instrument.
    fn plain(wavelength_nm: f64) -> Shot {
        let phone = Phone::all().remove(0);
        Shot {
            seed: 1,
            taken: jiff::civil::date(2026, 11, 12).at(19, 0, 0, 0),
            phone,
            instrument: Instrument {
                slit_width_um: 150.0,
                leak_level: 0.0,
                ..Instrument::sound(1)
            },
            pose: Pose {
                roll_deg: 1.3,
                yaw_deg: -0.7,
                pitch_deg: 0.6,
            },
            light: Light::of(Source::Laser(wavelength_nm), 0),
            scene: Scene::Slit,
            exposure: Exposure::Metered(0.75),
            orientation: 1,
            jpeg_quality: 95,
            nuisance: Nuisance::NONE,
            faults: Vec::new(),
        }
    }

    /// Centroid along x of row `y`, all channels added, within ±`reach` px of `x`.
    fn centroid(picture: &Linear, x: f64, y: usize, reach: usize) -> f64 {
        let middle = x.round() as usize;
        let (mut sum, mut moment) = (0.0, 0.0);
        for column in middle - reach..=middle + reach {
            let light: f64 = picture.rgb[y * picture.width + column]
                .iter()
                .map(|v| f64::from(*v))
                .sum();
            sum += light;
            moment += light * column as f64;
        }
        moment / sum
    }

    #[test]
    fn a_line_lies_where_the_truth_says_to_a_fiftieth_of_a_pixel() {
        for (wavelength_nm, skew_deg) in [(435.8328, 0.6), (546.0735, -4.0), (667.815, 0.0)] {
            let mut shot = plain(wavelength_nm);
            shot.instrument.skew_deg = skew_deg;
            let (picture, truth) = draw_linear(&shot);
            for order in [-1, 0, 1] {
                for along_mm in [-9.0, -4.5, 0.0, 4.5, 9.0] {
                    let (x, y) =
                        place(&shot, order, wavelength_nm, along_mm).expect("on the picture");
                    // The row nearest to the point, and where the line crosses it.
                    let row = y.round();
                    let (x2, y2) =
                        place(&shot, order, wavelength_nm, along_mm + 0.5).expect("on the picture");
                    let x_row = x + (row - y) * (x2 - x) / (y2 - y);
                    let seen = centroid(&picture, x_row, row as usize, 12);
                    let error = seen - x_row;
                    assert!(
                        error.abs() < 0.02,
                        "{wavelength_nm} nm, order {order}, {along_mm} mm: {error} px"
                    );
                }
            }
            let zero = truth.zero_order.expect("lit");
            assert_eq!(place(&shot, 0, wavelength_nm, 0.0), Some(zero));
        }
    }

    #[test]
    fn a_slit_is_as_wide_on_the_sensor_as_its_angle() {
        // 600 µm at 305 mm is 1.967 mrad; the variance of a box is a twelfth of its width squared.
        let mut shot = plain(546.0735);
        shot.instrument.slit_width_um = 600.0;
        shot.instrument.incidence_deg = 0.0;
        shot.phone.k1 = 0.0;
        shot.pose = Pose::default();
        let (picture, truth) = draw_linear(&shot);
        let (x, y) = truth.zero_order.expect("lit");
        let middle = centroid(&picture, x, y.round() as usize, 14);
        let (mut sum, mut spread) = (0.0, 0.0);
        for column in middle as usize - 14..=middle as usize + 14 {
            let light = f64::from(picture.rgb[y.round() as usize * picture.width + column][1]);
            sum += light;
            spread += light * (column as f64 - middle).powi(2);
        }
        let box_px = (12.0 * (spread / sum - truth.blur_px.powi(2) - 1.0 / 12.0)).sqrt();
        let expected_px = shot.phone.focal_px * 0.6 / (305.0 + shot.phone.pupil_mm);
        assert!(
            (box_px / expected_px - 1.0).abs() < 0.02,
            "{box_px} against {expected_px}"
        );
    }

    #[test]
    fn the_second_order_of_400_nm_falls_on_the_first_of_800_nm() {
        // m·λ/d is all that the grating knows.
        let shot = plain(500.0);
        let (a, b) = (
            place(&shot, 2, 400.0, 3.0).unwrap(),
            place(&shot, 1, 800.0, 3.0).unwrap(),
        );
        assert!((a.0 - b.0).abs() < 1e-9 && (a.1 - b.1).abs() < 1e-9);
    }

    #[test]
    fn the_published_angle_of_a_disc_comes_out_of_the_rays() {
        // Young and Freedman, University Physics, ch. 36: 632.8 nm on 1.60 µm leaves at 23.3° in the first order;
        // 546.074 nm at 19.956° (computed from sin θ = λ/d).
        for (wavelength_nm, angle_deg, tolerance_deg) in
            [(632.8, 23.3, 0.05), (546.074, 19.956, 0.001)]
        {
            let mut shot = plain(wavelength_nm);
            shot.instrument.incidence_deg = 0.0;
            shot.instrument.elevation_deg = 0.0;
            shot.pose = Pose::default();
            shot.phone = Phone {
                k1: 0.0,
                pupil_mm: 0.0,
                centre_offset_px: (0.0, 0.0),
                ..shot.phone
            };
            let (zero, one) = (
                place(&shot, 0, 0.0, 0.0).unwrap(),
                place(&shot, 1, wavelength_nm, 0.0).unwrap(),
            );
            let seen_deg = ((one.0 - zero.0) / shot.phone.focal_px).atan().to_degrees();
            assert!((seen_deg - angle_deg).abs() < tolerance_deg, "{seen_deg}");
        }
    }

    #[test]
    fn one_shot_gives_the_same_bytes_every_time_and_a_seed_changes_them() {
        let mut shot = plain(546.0735);
        shot.nuisance = Nuisance::ALL;
        shot.phone = Phone {
            width: 640,
            height: 480,
            focal_px: 480.0,
            ..shot.phone
        };
        let first = draw(&shot);
        assert_eq!(first, draw(&shot));
        shot.seed += 1;
        assert_ne!(first.jpeg, draw(&shot).jpeg);
    }

    #[test]
    fn the_spectrum_reaches_three_quarters_of_full_scale() {
        let mut shot = plain(546.0735);
        shot.light = Light::of(Source::TriPhosphor, 3);
        let (picture, truth) = draw_linear(&shot);
        let (zero_x, _) = truth.zero_order.expect("lit");
        let brightest = picture
            .rgb
            .chunks_exact(picture.width)
            .flat_map(|row| row.iter().enumerate())
            .filter(|(x, _)| (*x as f64 - zero_x).abs() > 200.0)
            .flat_map(|(_, pixel)| pixel)
            .fold(0.0f32, |a, b| a.max(*b));
        assert!((0.6..0.9).contains(&brightest), "{brightest}");
        let zero = picture.rgb[1224 * picture.width + zero_x.round() as usize][1];
        assert!(zero > 20.0, "the slit's own image is blown out: {zero}");
    }

    #[test]
    fn a_phone_held_another_way_gives_the_same_pixels_with_another_tag() {
        let mut shot = plain(546.0735);
        shot.phone = Phone {
            width: 640,
            height: 480,
            focal_px: 480.0,
            ..shot.phone
        };
        let (x, y) = draw(&shot).truth.zero_order.unwrap();
        shot.orientation = 6;
        let truth = draw(&shot).truth;
        assert_eq!((truth.width, truth.height), (480, 640));
        assert_eq!(truth.zero_order, Some((479.0 - y, x)));
    }

    #[test]
    fn the_header_tells_what_the_phone_did() {
        let mut shot = plain(546.0735);
        shot.phone = Phone {
            width: 640,
            height: 480,
            focal_px: 480.0,
            ..shot.phone
        };
        shot.orientation = 8;
        let photo = draw(&shot);
        let header = exif::Reader::new()
            .read_from_container(&mut std::io::Cursor::new(&photo.jpeg))
            .expect("an independent reader takes it");
        let text = |tag| {
            header
                .get_field(tag, exif::In::PRIMARY)
                .map(|f| f.display_value().to_string())
        };
        assert_eq!(
            text(exif::Tag::DateTimeOriginal).unwrap(),
            "2026-11-12 19:00:00"
        );
        assert_eq!(text(exif::Tag::Make).unwrap(), "\"Ostrel\"");
        let uint = |tag| {
            header
                .get_field(tag, exif::In::PRIMARY)
                .and_then(|f| f.value.get_uint(0))
        };
        assert_eq!(uint(exif::Tag::Orientation), Some(8));
        assert_eq!(uint(exif::Tag::ExposureMode), Some(1));
        assert_eq!(uint(exif::Tag::FocalLengthIn35mmFilm), Some(26));
        assert_eq!(
            uint(exif::Tag::PhotographicSensitivity),
            Some(photo.truth.iso as u32)
        );
    }

    #[test]
    fn a_cut_upload_ends_early() {
        let mut shot = plain(546.0735);
        shot.phone = Phone {
            width: 640,
            height: 480,
            focal_px: 480.0,
            ..shot.phone
        };
        let whole = draw(&shot).jpeg;
        shot.faults = vec![Fault::Truncated(0.5)];
        assert_eq!(draw(&shot).jpeg, whole[..whole.len() / 2]);
    }

    #[test]
    fn a_cropped_order_leaves_the_picture_where_stated() {
        let mut shot = plain(546.0735);
        shot.faults = vec![Fault::Cropped(560.0)];
        assert!(place(&shot, 1, 555.0, 0.0).is_some());
        assert!(place(&shot, 1, 565.0, 0.0).is_none());
    }

    #[test]
    fn tilt_and_skew_are_the_angles_seen_on_the_picture_however_it_is_held() {
        for orientation in [1, 3, 6, 8] {
            let mut shot = plain(546.0735);
            shot.orientation = orientation;
            shot.instrument.incidence_deg = 0.0;
            shot.instrument.elevation_deg = 0.0;
            shot.phone.k1 = 0.0;
            shot.pose = Pose::default();
            shot.faults = vec![Fault::Tilted(9.0), Fault::Skewed(6.0)];
            let truth = truth_of(&shot);
            let (red, blue) = (
                place(&shot, 1, 650.0, 0.0).unwrap(),
                place(&shot, -1, 650.0, 0.0).unwrap(),
            );
            // Clockwise is positive with y down; a line has no direction, and neither has a picture's edge.
            let dispersion_deg = (red.1 - blue.1).atan2(red.0 - blue.0).to_degrees();
            let folded = (dispersion_deg + 45.0).rem_euclid(90.0) - 45.0;
            assert!((folded - truth.tilt_deg).abs() < 0.02, "{folded}");
            assert!((truth.tilt_deg - 9.0).abs() < 1e-9);
            let [a, b] = truth.slit_ends;
            let slit_deg = (b.1 - a.1).atan2(b.0 - a.0).to_degrees();
            let anticlockwise = (dispersion_deg + 90.0 - slit_deg + 90.0).rem_euclid(180.0) - 90.0;
            assert!(
                (anticlockwise - truth.skew_deg).abs() < 0.02,
                "{anticlockwise}"
            );
        }
    }
}
