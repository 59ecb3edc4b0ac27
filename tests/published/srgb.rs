//! Codes to light as IEC 61966-2-1:1999 prescribes, through a whole file: pairs computed from the standard's formula apart
//! from this program (colour-science 0.4.7, `eotf_sRGB`), printed to seven digits.

use slitwatch::decode;

/// Code of 255, light, half of its last printed digit.
const PRINTED: [(u8, f64, f64); 10] = [
    (1, 0.000_303_527, 5e-10),
    (10, 0.003_035_27, 5e-9),
    (11, 0.003_346_54, 5e-9),
    (64, 0.051_269_5, 5e-8),
    (118, 0.181_164_2, 5e-8),
    (127, 0.212_230_8, 5e-8),
    (128, 0.215_860_5, 5e-8),
    (188, 0.502_886_5, 5e-8),
    (200, 0.577_580_4, 5e-8),
    (255, 1.0, 0.0),
];

#[test]
fn a_grey_wedge_is_read_as_the_light_that_the_standard_prescribes() {
    let wedge = image::RgbImage::from_fn(256, 64, |x, _| image::Rgb([x as u8; 3]));
    let mut png = Vec::new();
    wedge
        .write_to(&mut std::io::Cursor::new(&mut png), image::ImageFormat::Png)
        .expect("a picture can be written to memory");
    let (_, frame) = decode::decode(&png, 1_000_000).expect("a sound picture");
    for (code, light, half_digit) in PRINTED {
        let rgb = frame.rgb(usize::from(code), 32);
        for channel in rgb {
            // The frame keeps light in single precision.
            let allowed = half_digit + f64::from(f32::EPSILON) * light;
            assert!(
                (f64::from(channel) - light).abs() <= allowed,
                "code {code}: {channel}, printed {light}"
            );
        }
    }
    // Only the last code of a picture kept without loss is at the sensor's ceiling.
    assert_eq!(frame.clipped(255, 0), [true; 3]);
    assert_eq!(frame.clipped(254, 0), [false; 3]);
}
