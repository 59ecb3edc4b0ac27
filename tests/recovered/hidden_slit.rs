//! The slit's image is the anchor of every scale. Where something lies before it, the lines beside it are still a spectrum, of
//! wavelengths that nobody knows: that is said, with what they would be worth.

use image::{ImageFormat, Rgb, RgbImage};
use slitwatch::decode;
use slitwatch::simulate::{Source, draw};
use slitwatch::terms::Capture;
use slitwatch::terms::Code;

use super::lab::{light, look_at};
use super::scale;

#[test]
fn lines_without_the_slit_s_image_are_no_empty_frame_and_get_no_wavelengths() {
    let scale = scale::lamp().calibration();
    for source in [Source::Helium, Source::Mercury] {
        let shot = scale::bench().shot(417, light(source.clone(), 3), (-0.4, 0.2, 0.1));
        let photo = draw(&shot);
        let zero = photo.truth.zero_order.expect("in the picture");
        let reach = 0.75 * (photo.truth.slit_ends[1].y - photo.truth.slit_ends[0].y).abs();
        let (_, frame) = decode::decode(&photo.jpeg, 300_000_000).expect("a whole photo");
        let painted = RgbImage::from_fn(frame.width() as u32, frame.height() as u32, |x, y| {
            let (dx, dy) = (f64::from(x) - zero.x, f64::from(y) - zero.y);
            if dx.abs() < reach && dy.abs() < reach {
                return Rgb([1, 1, 1]);
            }
            Rgb(frame.codes(x as usize, y as usize).map(|code| code as u8))
        });
        let mut file = std::io::Cursor::new(Vec::new());
        painted
            .write_to(&mut file, ImageFormat::Png)
            .expect("memory takes it");
        let seen = look_at(
            "hidden slit",
            file.get_ref(),
            photo.truth,
            Capture::Sample,
            Some(scale),
        );
        assert!(
            seen.must_be_retaken_for(Code::PoorFit),
            "{source:?}: {seen:?}"
        );
        assert!(
            !seen.reasons.iter().any(|r| r.code == Code::NoSpectrum),
            "{source:?}: {seen:?}"
        );
        assert!(seen.measurement.spectrum.is_none(), "{seen:?}");
    }
}
