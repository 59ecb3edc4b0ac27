//! Draws phone photographs of slits and spectra whose truth is known: for the demo, the rehearsal and the tests.
//!
//! Light is followed forwards, from the slit through the grating and the lens to the sensor and through the phone's
//! picture processing to the bytes of a JPEG file: through a piece of disc, a pupil and a lens as they are ([`Shot::as_it_is`]), or
//! through ideal ones ([`Reality::ideal()`]). Pure and deterministic: the same [`Shot`] gives the same bytes.
//! It shares words with the measuring half of the crate and no formula: a mistake made in both would pass every test.

mod band;
pub mod bench;
mod blades;
mod blur;
mod camera;
mod card;
mod chance;
mod circumstances;
pub mod class;
mod copies;
mod effective;
mod fixed;
mod header;
pub mod light;
mod lines;
mod local_tone;
mod metering;
mod noise;
mod pupil;
mod rays;
mod reality;
mod scene;
pub mod score;
mod sensor;
mod shot;
mod spread;
mod truth;
mod veil;

use effective::Effective;

pub use bench::{Instrument, Phone, Pose};
pub use card::Card;
pub use light::{Light, Solution, Source};
pub use reality::{Grooves, Laid, Lens, Lit, Reality, Wall};
pub use shot::{Exposure, Fault, Nuisance, Planned, Scene, Shot};
pub use truth::{MapPoint, PlantedFault, TrueDisc, TrueLine, TrueOrder, Truth};

/// A drawn photo.
#[derive(Clone, Debug, PartialEq)]
pub struct Photo {
    /// The file's bytes: JPEG, unless a fault or a [`Scene::Note`] says otherwise.
    pub jpeg: Vec<u8>,
    /// What a perfect measurement would find.
    pub truth: Truth,
}

/// Takes the photo: the file's bytes and the truth about it.
///
/// One to two seconds for twelve megapixels, the longer for a real disc, and about 250 MB of memory while it runs.
///
/// # Panics
/// If the phone's picture is smaller than 64 px or wider or higher than 65 535 px, which JPEG cannot hold.
pub fn draw(shot: &Shot) -> Photo {
    let effective = Effective::of(shot);
    let exposed = metering::expose(&effective);
    let truth = truth::of(&effective, &exposed);
    if let Scene::Note(text) = &shot.scene {
        let jpeg = text.clone().into_bytes();
        return Photo { jpeg, truth };
    }
    let mosaic = sensor::mosaic(&effective, &exposed);
    let mut jpeg = camera::develop(&effective, mosaic, &exposed);
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
    let effective = Effective::of(shot);
    let exposed = metering::expose(&effective);
    let truth = truth::of(&effective, &exposed);
    (sensor::mosaic(&effective, &exposed), truth)
}

#[cfg(test)]
mod tests {
    use super::rays::upright;
    use super::*;
    use crate::terms::Point;

    /// What falls on the sensor, without noise.
    struct Linear {
        width: usize,
        /// Red, green, blue per pixel, row by row; 1 fills a pixel.
        rgb: Vec<[f32; 3]>,
    }

    fn draw_linear(shot: &Shot) -> (Linear, Truth) {
        let effective = Effective::of(shot);
        let exposed = metering::expose(&effective);
        let scenery = sensor::Scenery::new(&effective, exposed.gain);
        let width = shot.phone.width;
        let mut rgb = vec![[0.0f32; 3]; width * shot.phone.height];
        for (y, row) in rgb.chunks_exact_mut(width).enumerate() {
            scenery.row(y, row);
        }
        (Linear { width, rgb }, truth::of(&effective, &exposed))
    }

    fn truth_of(shot: &Shot) -> Truth {
        let effective = Effective::of(shot);
        truth::of(&effective, &metering::expose(&effective))
    }

    /// Where on the upright picture the light of `wavelength_nm` in `order` is seen that passes the slit `along_mm` from its
    /// middle. None where there is no such ray or it misses the picture.
    fn place(shot: &Shot, order: i32, wavelength_nm: f64, along_mm: f64) -> Option<Point> {
        let rays = Effective::of(shot).rays();
        let seen = rays.trace(rays.shift(order, wavelength_nm), along_mm, 0.0)?;
        shot.phone
            .is_on_picture(&seen)
            .then(|| upright(seen, &shot.phone, shot.orientation))
    }

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
            reality: Reality::ideal(),
            nuisance: Nuisance::default(),
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
                    let Point { x, y } =
                        place(&shot, order, wavelength_nm, along_mm).expect("on the picture");
                    // The row nearest to the point, and where the line crosses it.
                    let row = y.round();
                    let next =
                        place(&shot, order, wavelength_nm, along_mm + 0.5).expect("on the picture");
                    let x_row = x + (row - y) * (next.x - x) / (next.y - y);
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
        let Point { x, y } = truth.zero_order.expect("lit");
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
        assert!((a.x - b.x).abs() < 1e-9 && (a.y - b.y).abs() < 1e-9);
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
            let seen_deg = ((one.x - zero.x) / shot.phone.focal_px).atan().to_degrees();
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
        let zero_x = truth.zero_order.expect("lit").x;
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
        let Point { x, y } = draw(&shot).truth.zero_order.unwrap();
        shot.orientation = 6;
        let truth = draw(&shot).truth;
        assert_eq!((truth.width, truth.height), (480, 640));
        assert_eq!(truth.zero_order, Some(Point::new(479.0 - y, x)));
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
            let dispersion_deg = (red.y - blue.y).atan2(red.x - blue.x).to_degrees();
            let folded = (dispersion_deg + 45.0).rem_euclid(90.0) - 45.0;
            assert!((folded - truth.tilt_deg).abs() < 0.02, "{folded}");
            assert!((truth.tilt_deg - 9.0).abs() < 1e-9);
            let [a, b] = truth.slit_ends;
            let slit_deg = (b.y - a.y).atan2(b.x - a.x).to_degrees();
            let anticlockwise = (dispersion_deg + 90.0 - slit_deg + 90.0).rem_euclid(180.0) - 90.0;
            assert!(
                (anticlockwise - truth.skew_deg).abs() < 0.02,
                "{anticlockwise}"
            );
        }
    }

    /// A CD-type disc with grooves of 40 mm, 5 mm before a pupil of 2.2 mm that is focused on the slit, 305 mm away; a laser.
    fn round(wavelength_nm: f64) -> Shot {
        let mut shot = plain(wavelength_nm);
        shot.instrument = Instrument {
            slit_distance_mm: 300.0,
            incidence_deg: 0.0,
            elevation_deg: 0.0,
            skew_deg: 0.0,
            ..shot.instrument
        };
        shot.pose = Pose::default();
        shot.phone = Phone {
            focal_px: 2950.0,
            focal_mm: 4.4,
            f_number: 2.0,
            k1: 0.0,
            pupil_mm: 5.0,
            ..shot.phone
        };
        shot.reality = Reality {
            grooves: Grooves::Round {
                radius_mm: 40.0,
                middle_side: 1,
            },
            focus_mm: Some(305.0),
            ..Reality::ideal()
        };
        shot
    }

    /// Light of a line row by row, within 15 px of `x`.
    fn along(picture: &Linear, x: f64) -> Vec<f64> {
        let near = x.round() as usize - 15..=x.round() as usize + 15;
        picture
            .rgb
            .chunks_exact(picture.width)
            .map(|row| near.clone().map(|i| f64::from(row[i][1])).sum())
            .collect()
    }

    /// First and last row at which a share of the middle's light is reached, interpolated.
    fn reached(rows: &[f64], share: f64) -> [f64; 2] {
        let level = share * rows[rows.len() / 2];
        let first = rows.iter().position(|v| *v >= level).expect("a line");
        let last = rows.iter().rposition(|v| *v >= level).expect("a line");
        let part =
            |inside: usize, outside: usize| (rows[inside] - level) / (rows[inside] - rows[outside]);
        [
            first as f64 - part(first, first - 1),
            last as f64 + part(last, last + 1),
        ]
    }

    #[test]
    fn a_drawn_line_is_as_long_and_as_soft_as_round_grooves_and_a_whole_pupil_make_it() {
        let shot = round(550.0);
        let (picture, _) = draw_linear(&shot);
        // Lengths by the design notes' exact trace. Of a round pupil's chords, seen 55 px wide, eight tenths lie within 38 px.
        for (order, expected_px, soft_px) in [(1, 235.3, 38.0), (-1, 257.5, 38.0), (0, 232.1, 2.6)]
        {
            let x = place(&shot, order, 550.0, 0.0).expect("on the picture").x;
            let rows = along(&picture, x);
            let [half, low, high] = [0.5, 0.1, 0.9].map(|share| reached(&rows, share));
            let long_px = half[1] - half[0];
            assert!((long_px - expected_px).abs() < 1.5, "{order}: {long_px} px");
            for ramp_px in [high[0] - low[0], low[1] - high[1]] {
                let off = (ramp_px - soft_px).abs();
                assert!(off < 2.5, "{order}: ends over {ramp_px} px");
            }
        }
    }

    #[test]
    fn a_drawn_line_in_an_order_is_out_of_focus_across_while_the_slit_is_sharp() {
        let shot = round(550.0);
        let (picture, truth) = draw_linear(&shot);
        let spread_px = |order: i32| {
            let x = place(&shot, order, 550.0, 0.0).expect("on the picture").x;
            let middle = centroid(&picture, x, 1224, 14);
            let (mut sum, mut spread) = (0.0, 0.0);
            for column in middle as usize - 14..=middle as usize + 15 {
                let light = f64::from(picture.rgb[1224 * picture.width + column][1]);
                sum += light;
                spread += light * (column as f64 - middle).powi(2);
            }
            (spread / sum).sqrt()
        };
        // The slit's box and the pixel's, the lens, and a disc of 4.4 px, whose deviation is a quarter of that.
        let slit_px: f64 = 2950.0 * 0.15 / 305.0;
        let sharp = (slit_px.powi(2) + 1.0) / 12.0 + truth.blur_px.powi(2);
        for order in [-1, 1] {
            // The slit's box is seen under the cosine of the order's angle, narrower or wider by a few hundredths.
            let (found, expected) = (spread_px(order), (sharp + 1.1f64.powi(2)).sqrt());
            assert!(
                (found / expected - 1.0).abs() < 0.05,
                "{order}: {found} for {expected}"
            );
        }
        let found = spread_px(0);
        assert!(
            (found / sharp.sqrt() - 1.0).abs() < 0.03,
            "{found} for {}",
            sharp.sqrt()
        );
    }

    #[test]
    fn a_line_through_a_real_disc_lies_where_the_truth_says() {
        let mut shot = round(545.0);
        shot.instrument.skew_deg = 0.7;
        shot.instrument.elevation_deg = 0.5;
        shot.pose.roll_deg = 0.8;
        shot.reality.laid = Laid {
            across_mm: 0.4,
            along_mm: -0.3,
        };
        shot.reality.focus_mm = Some(280.0);
        shot.reality.lens.lateral_red = 3e-4;
        shot.reality.lens.lateral_blue = -2e-4;
        for wavelength_nm in [450.0, 545.0, 640.0] {
            shot.light = Light::of(Source::Laser(wavelength_nm), 0);
            let (picture, truth) = draw_linear(&shot);
            assert_eq!(
                truth.orders.iter().filter(|o| o.order.abs() == 1).count(),
                2
            );
            for order in truth.orders.iter().filter(|o| o.order.abs() == 1) {
                let is_it = |p: &&MapPoint| p.wavelength_nm == wavelength_nm;
                let MapPoint { x, y, .. } =
                    *order.points.iter().find(is_it).expect("on the picture");
                let slant = {
                    let (a, b) = (
                        place(&shot, order.order, wavelength_nm, -1.0).expect("on the picture"),
                        place(&shot, order.order, wavelength_nm, 1.0).expect("on the picture"),
                    );
                    (b.x - a.x) / (b.y - a.y)
                };
                let row = y.round();
                let error_px = centroid(&picture, x, row as usize, 14) - (x + (row - y) * slant);
                assert!(
                    error_px.abs() < 0.05,
                    "{wavelength_nm} nm, order {}: {error_px} px",
                    order.order
                );
            }
        }
    }

    #[test]
    fn paper_lights_the_same_part_of_the_slit_in_every_order() {
        let mut shot = round(550.0);
        shot.reality.lit = Lit::Paper {
            from: -0.5,
            to: 0.3,
            edge_mm: 1.0,
        };
        let (picture, truth) = draw_linear(&shot);
        assert_eq!(truth.lit_part, [-0.5, 0.3]);
        for order in [-1, 0, 1] {
            let seen =
                |along_mm: f64| place(&shot, order, 550.0, along_mm).expect("on the picture");
            let [first, last] = reached(&along(&picture, seen(0.0).x), 0.5);
            let [from, to] = [-0.5, 0.3].map(|part: f64| seen(12.0 * part).y);
            assert!(
                (first - from).abs() < 2.0 && (last - to).abs() < 2.0,
                "{order}: {first} to {last}"
            );
        }
    }
}
