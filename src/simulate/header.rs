//! The header a phone writes into its photos (Exif 2.32, CIPA DC-008).

use exif::experimental::Writer;
use exif::{Field, In, Rational, Tag, Value};

use super::effective::Effective;
use super::metering::Exposed;

/// The Exif block, without the marker that goes before it in a JPEG file.
pub(super) fn exif_block(effective: &Effective, exposed: &Exposed) -> Vec<u8> {
    let phone = &effective.shot.phone;
    let text = |s: &str| Value::Ascii(vec![s.as_bytes().to_vec()]);
    let short = |v: u16| Value::Short(vec![v]);
    let ratio = |num: u32, denom: u32| Value::Rational(vec![Rational { num, denom }]);
    let time = if exposed.time_s < 0.3 {
        ratio(1, (1.0 / exposed.time_s).round() as u32)
    } else {
        ratio((exposed.time_s * 100.0).round() as u32, 100)
    };
    let taken = effective
        .shot
        .taken
        .strftime("%Y:%m:%d %H:%M:%S")
        .to_string();
    // Exif: 0 left to the camera, 1 set by hand.
    let by_hand = u16::from(!effective.automatic);
    let fields: Vec<Field> = [
        (Tag::Make, text(&phone.make)),
        (Tag::Model, text(&phone.model)),
        (Tag::Orientation, short(effective.shot.orientation)),
        (Tag::DateTime, text(&taken)),
        (Tag::ExifVersion, Value::Undefined(b"0232".to_vec(), 0)),
        (Tag::DateTimeOriginal, text(&taken)),
        (Tag::ExposureTime, time),
        (
            Tag::FNumber,
            ratio((phone.f_number * 10.0).round() as u32, 10),
        ),
        (Tag::PhotographicSensitivity, short(exposed.iso as u16)),
        (
            Tag::FocalLength,
            ratio((phone.focal_mm * 100.0).round() as u32, 100),
        ),
        (Tag::FocalLengthIn35mmFilm, short(phone.focal_35mm())),
        (Tag::ExposureMode, short(by_hand)),
        (Tag::WhiteBalance, short(by_hand)),
        (Tag::PixelXDimension, Value::Long(vec![phone.width as u32])),
        (Tag::PixelYDimension, Value::Long(vec![phone.height as u32])),
    ]
    .into_iter()
    .map(|(tag, value)| Field {
        tag,
        ifd_num: In::PRIMARY,
        value,
    })
    .collect();
    let mut writer = Writer::new();
    for field in &fields {
        writer.push_field(field);
    }
    let mut block = std::io::Cursor::new(Vec::new());
    writer
        .write(&mut block, false)
        .expect("the fields are complete, and memory takes every write");
    block.into_inner()
}
