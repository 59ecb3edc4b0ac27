//! What the camera wrote into the file, read so that nothing in it can fail: a field that is missing, of the
//! wrong type, or beyond what a camera can do, is absent.

use exif::{Context, Exif, Field, In, Reader, Tag, Value};
use jiff::civil::DateTime;

use super::facts::Facts;

/// Parses a bare Exif block (a TIFF structure); what can be read of a damaged one is kept.
pub(super) fn parse(block: Vec<u8>) -> Option<Exif> {
    keep_partial(Reader::new().continue_on_error(true).read_raw(block))
}

/// Finds and parses the Exif block of a PNG, WebP, TIFF or HEIC file.
pub(super) fn find(bytes: &[u8]) -> Option<Exif> {
    let mut reader = std::io::Cursor::new(bytes);
    keep_partial(
        Reader::new()
            .continue_on_error(true)
            .read_from_container(&mut reader),
    )
}

fn keep_partial(read: Result<Exif, exif::Error>) -> Option<Exif> {
    read.or_else(|e| e.distill_partial_result(|_| ())).ok()
}

/// Fills in the facts that an Exif block states.
///
/// Only the primary image's directory is asked: the other one describes the thumbnail.
pub(super) fn fill(facts: &mut Facts, exif: &Exif) {
    // Some editors put the camera's tags into the first directory instead of Exif's own.
    let field = |tag: Tag| {
        exif.get_field(tag, In::PRIMARY)
            .or_else(|| exif.get_field(Tag(Context::Tiff, tag.number()), In::PRIMARY))
    };
    let number = |tag| field(tag).and_then(first_number);
    let within = |tag, low: f64, high: f64| number(tag).filter(|v| (low..=high).contains(v));

    // An hour is longer than any phone exposes; a microsecond shorter than any shutter.
    facts.exposure_s = within(Tag::ExposureTime, 1e-6, 3600.0);
    facts.iso = iso(number);
    facts.f_number = within(Tag::FNumber, 0.5, 128.0);
    facts.focal_mm = within(Tag::FocalLength, 0.1, 5000.0);
    // 0 means unknown (Exif 2.32, FocalLengthIn35mmFilm).
    facts.focal_35mm = within(Tag::FocalLengthIn35mmFilm, 1.0, 10_000.0);
    facts.zoom = zoom(field(Tag::DigitalZoomRatio));
    facts.exposure_auto = match (number(Tag::ExposureMode), number(Tag::ExposureProgram)) {
        // 2 is an automatic bracket: the camera chose, and chose three times.
        (Some(0.0 | 2.0), _) => Some(true),
        (Some(1.0), _) => Some(false),
        // Program 1 is manual; 2 to 8 are automatic to some degree.
        (_, Some(1.0)) => Some(false),
        (_, Some(2.0..=8.0)) => Some(true),
        _ => None,
    };
    facts.white_balance_auto = match number(Tag::WhiteBalance) {
        Some(0.0) => Some(true),
        Some(1.0) => Some(false),
        _ => None,
    };
    facts.make = field(Tag::Make).and_then(text);
    facts.model = field(Tag::Model).and_then(text);
    facts.software = field(Tag::Software).and_then(text);
    facts.unit = unit(|tag| field(tag).and_then(text));
    facts.orientation = match number(Tag::Orientation) {
        Some(v @ 1.0..=8.0) => v as u16,
        _ => 1,
    };
    // The moment of the shutter; a scan or a file without one states only when it was written.
    let moments = [
        [
            Tag::DateTimeOriginal,
            Tag::SubSecTimeOriginal,
            Tag::OffsetTimeOriginal,
        ],
        [
            Tag::DateTimeDigitized,
            Tag::SubSecTimeDigitized,
            Tag::OffsetTimeDigitized,
        ],
        [Tag::DateTime, Tag::SubSecTime, Tag::OffsetTime],
    ];
    for tags in moments {
        let [time, fraction, offset] = tags.map(|tag| field(tag).and_then(ascii));
        let Some(taken) = time.and_then(|t| moment(&t)) else {
            continue;
        };
        let nanoseconds = fraction.and_then(|t| nanoseconds(&t)).unwrap_or(0);
        let exact = taken.with().subsec_nanosecond(nanoseconds).build();
        facts.taken = Some(exact.unwrap_or(taken));
        facts.taken_offset_min = offset.and_then(|t| offset_min(&t));
        break;
    }
}

/// Serial number of the camera as DNG has it (CameraSerialNumber, DNG 1.4).
const DNG_SERIAL: Tag = Tag(Context::Tiff, 0xc62f);
/// Hexadecimal digits of an id that is the single picture's, and not the phone's (Exif 2.32, ImageUniqueID).
const PICTURE_ID_DIGITS: usize = 32;
/// Hexadecimal digits that are kept of the hash.
const UNIT_DIGITS: usize = 16;
/// Years of photos: a phone that lost its clock says 1970 or 1980; Exif itself is of 1995.
const YEARS: std::ops::RangeInclusive<i16> = 1995..=2199;
/// ISO speeds, and digital zooms, that are no nonsense (no source).
const ISO_SPEEDS: std::ops::RangeInclusive<f64> = 1.0..=10_000_000.0;
const ZOOMS: std::ops::RangeInclusive<f64> = 1.0..=1000.0;

/// A hash of what is the single phone's own; absent where the file says nothing of the kind.
fn unit(text: impl Fn(Tag) -> Option<String>) -> Option<String> {
    // Some phones write one and the same id into all their pictures; the standard's own is new in each.
    let is_picture_s =
        |id: &String| id.len() == PICTURE_ID_DIGITS && id.bytes().all(|b| b.is_ascii_hexdigit());
    let own = [
        text(Tag::BodySerialNumber).or_else(|| text(DNG_SERIAL)),
        text(Tag::CameraOwnerName),
        text(Tag::ImageUniqueID).filter(|id| !is_picture_s(id)),
    ];
    own.iter().any(Option::is_some).then(|| {
        let hash = blake3::hash(format!("{own:?}").as_bytes());
        hash.to_hex()[..UNIT_DIGITS].to_owned()
    })
}

/// ISO speed from the tag that holds it.
///
/// PhotographicSensitivity has 16 bits: 65535 means "see the other tags" (Exif 2.32, 4.6.5).
fn iso(number: impl Fn(Tag) -> Option<f64>) -> Option<f64> {
    number(Tag::PhotographicSensitivity)
        .filter(|v| *v != 65535.0)
        .or_else(|| number(Tag::ISOSpeed))
        .or_else(|| number(Tag::RecommendedExposureIndex))
        .or_else(|| number(Tag::StandardOutputSensitivity))
        .filter(|v| ISO_SPEEDS.contains(v))
}

/// A numerator of 0 says that the digital zoom was not used (Exif 2.32, DigitalZoomRatio).
fn zoom(field: Option<&Field>) -> Option<f64> {
    let field = field?;
    if let Value::Rational(values) = &field.value
        && values.first().is_some_and(|r| r.num == 0 && r.denom != 0)
    {
        return Some(1.0);
    }
    first_number(field).filter(|z| ZOOMS.contains(z))
}

/// The first value of a field as a finite number, whatever numeric type the writer chose.
fn first_number(field: &Field) -> Option<f64> {
    let value = match &field.value {
        Value::Byte(v) => f64::from(*v.first()?),
        Value::Short(v) => f64::from(*v.first()?),
        Value::Long(v) => f64::from(*v.first()?),
        Value::SByte(v) => f64::from(*v.first()?),
        Value::SShort(v) => f64::from(*v.first()?),
        Value::SLong(v) => f64::from(*v.first()?),
        Value::Rational(v) => v.first()?.to_f64(),
        Value::SRational(v) => v.first()?.to_f64(),
        Value::Float(v) => f64::from(*v.first()?),
        Value::Double(v) => *v.first()?,
        _ => return None,
    };
    value.is_finite().then_some(value)
}

/// The first string of a field as it stands.
fn ascii(field: &Field) -> Option<String> {
    match &field.value {
        Value::Ascii(strings) => Some(String::from_utf8_lossy(strings.first()?).into_owned()),
        _ => None,
    }
}

/// The first string of a field for people to read: without padding and control characters, at most 100
/// characters; absent if nothing is left.
fn text(field: &Field) -> Option<String> {
    let cleaned: String = ascii(field)?
        .chars()
        .filter(|c| !c.is_control() && *c != char::REPLACEMENT_CHARACTER)
        .take(100)
        .collect();
    let trimmed = cleaned.trim();
    (!trimmed.is_empty()).then(|| trimmed.to_owned())
}

/// `YYYY:MM:DD HH:MM:SS`; other separators are met in edited files. Blank or impossible times are absent.
fn moment(text: &str) -> Option<DateTime> {
    let bytes = text.as_bytes();
    let digits = |at: usize, n: usize| -> Option<i16> {
        let part = bytes.get(at..at + n)?;
        if !part.iter().all(u8::is_ascii_digit) {
            return None;
        }
        std::str::from_utf8(part).ok()?.parse().ok()
    };
    let two = |at: usize| digits(at, 2).map(|v| v as i8);
    let year = digits(0, 4).filter(|y| YEARS.contains(y))?;
    DateTime::new(year, two(5)?, two(8)?, two(11)?, two(14)?, two(17)?, 0).ok()
}

/// The digits after the decimal point of the seconds.
fn nanoseconds(text: &str) -> Option<i32> {
    let digits = text.trim_matches([' ', '\0']);
    if digits.is_empty() || !digits.bytes().all(|b| b.is_ascii_digit()) {
        return None;
    }
    format!("{digits:0<9.9}").parse().ok()
}

/// `+HH:MM`, `-HH:MM` or `Z`, in minutes; no place on Earth is beyond −12 h or +14 h.
fn offset_min(text: &str) -> Option<i32> {
    let text = text.trim_matches([' ', '\0']);
    if text == "Z" {
        return Some(0);
    }
    let (sign, rest) = match text.split_at_checked(1)? {
        ("+", rest) => (1, rest),
        ("-", rest) => (-1, rest),
        _ => return None,
    };
    let (hours, minutes) = rest.split_once(':')?;
    let part = |s: &str| -> Option<i32> {
        (s.len() == 2 && s.bytes().all(|b| b.is_ascii_digit())).then(|| s.parse().ok())?
    };
    let minutes = part(minutes).filter(|m| *m < 60)?;
    let total = sign * (60 * part(hours)? + minutes);
    (-720..=840).contains(&total).then_some(total)
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;
    use exif::experimental::Writer;
    use exif::{Rational, SRational};

    fn field(tag: Tag, value: Value) -> Field {
        Field {
            tag,
            ifd_num: In::PRIMARY,
            value,
        }
    }

    fn ascii_value(s: &str) -> Value {
        Value::Ascii(vec![s.as_bytes().to_vec()])
    }

    /// An Exif block that holds the given fields.
    pub(in super::super) fn block(fields: &[(Tag, Value)]) -> Vec<u8> {
        let fields: Vec<Field> = fields.iter().map(|(t, v)| field(*t, v.clone())).collect();
        let mut writer = Writer::new();
        fields.iter().for_each(|f| writer.push_field(f));
        let mut out = std::io::Cursor::new(Vec::new());
        writer.write(&mut out, false).expect("a block in memory");
        out.into_inner()
    }

    fn read(fields: &[(Tag, Value)]) -> Facts {
        let mut facts = Facts::default();
        fill(&mut facts, &parse(block(fields)).expect("a block"));
        facts
    }

    fn rational(num: u32, denom: u32) -> Value {
        Value::Rational(vec![Rational { num, denom }])
    }

    #[test]
    fn serial_and_owner_become_a_hash_and_are_kept_nowhere() {
        let phone = |serial: &str, owner: &str, id: &str| {
            read(&[
                (Tag::BodySerialNumber, ascii_value(serial)),
                (Tag::CameraOwnerName, ascii_value(owner)),
                (Tag::ImageUniqueID, ascii_value(id)),
            ])
        };
        let (a, b) = (
            "0123456789abcdef0123456789abcdef",
            "fedcba9876543210fedcba9876543210",
        );
        let facts = phone("SN-4711", "Ada Example", a);
        let unit = facts.unit.clone().expect("a hash");
        assert!(unit.len() == UNIT_DIGITS && unit.bytes().all(|b| b.is_ascii_hexdigit()));
        let all = format!("{facts:?}");
        assert!(!all.contains("4711") && !all.contains("Example"), "{all}");
        assert_eq!(
            phone("SN-4711", "Ada Example", b).unit,
            facts.unit,
            "the picture's own id"
        );
        assert_ne!(phone("SN-4712", "Ada Example", a).unit, facts.unit);
        assert_eq!(phone(" ", "", a).unit, None);
        assert!(
            phone("", "", "F12LL").unit.is_some(),
            "one that all pictures share"
        );
    }

    #[test]
    fn a_phone_photo_states_its_exposure() {
        let facts = read(&[
            (Tag::ExposureTime, rational(1, 60)),
            (Tag::PhotographicSensitivity, Value::Short(vec![125])),
            (Tag::FNumber, rational(18, 10)),
            (Tag::FocalLength, rational(425, 100)),
            (Tag::FocalLengthIn35mmFilm, Value::Short(vec![26])),
            (Tag::DigitalZoomRatio, rational(3, 2)),
            (Tag::ExposureMode, Value::Short(vec![1])),
            (Tag::WhiteBalance, Value::Short(vec![0])),
            (Tag::Make, ascii_value("Harbour Works\0")),
            (Tag::Model, ascii_value("  Tern 3 \n")),
            (Tag::Software, ascii_value("camera\u{7} 1.2")),
            (Tag::Orientation, Value::Short(vec![6])),
            (Tag::DateTimeOriginal, ascii_value("2025:11:04 18:30:05")),
            (Tag::SubSecTimeOriginal, ascii_value("25")),
            (Tag::OffsetTimeOriginal, ascii_value("+01:00")),
        ]);
        assert_eq!(facts.exposure_s, Some(1.0 / 60.0));
        assert_eq!(facts.iso, Some(125.0));
        assert_eq!(facts.f_number, Some(1.8));
        assert_eq!(facts.focal_mm, Some(4.25));
        assert_eq!(facts.focal_35mm, Some(26.0));
        assert_eq!(facts.zoom, Some(1.5));
        assert_eq!(facts.exposure_auto, Some(false));
        assert_eq!(facts.white_balance_auto, Some(true));
        assert_eq!(facts.make.as_deref(), Some("Harbour Works"));
        assert_eq!(facts.model.as_deref(), Some("Tern 3"));
        assert_eq!(facts.software.as_deref(), Some("camera 1.2"));
        assert_eq!(facts.orientation, 6);
        let taken = facts.taken.expect("a time");
        assert_eq!(taken.to_string(), "2025-11-04T18:30:05.25");
        assert_eq!(facts.taken_offset_min, Some(60));
    }

    #[test]
    fn nonsense_is_absent_and_never_zero() {
        let facts = read(&[
            (Tag::ExposureTime, rational(1, 0)),
            (Tag::PhotographicSensitivity, Value::Short(vec![0])),
            (Tag::FNumber, rational(0, 0)),
            (Tag::FocalLength, rational(4_000_000_000, 1)),
            (Tag::FocalLengthIn35mmFilm, Value::Short(vec![0])),
            (Tag::DigitalZoomRatio, rational(0, 0)),
            (Tag::ExposureMode, Value::Short(vec![77])),
            (Tag::WhiteBalance, ascii_value("auto")),
            (Tag::Make, ascii_value(" \0\0")),
            (Tag::Orientation, Value::Short(vec![9])),
            (Tag::DateTimeOriginal, ascii_value("    :  :     :  :  ")),
            (Tag::OffsetTimeOriginal, ascii_value("+99:99")),
        ]);
        assert_eq!(
            facts,
            Facts {
                orientation: 1,
                ..Facts::default()
            }
        );
    }

    #[test]
    fn a_digital_zoom_of_zero_means_it_was_not_used() {
        let facts = read(&[(Tag::DigitalZoomRatio, rational(0, 1))]);
        assert_eq!(facts.zoom, Some(1.0));
    }

    #[test]
    fn a_number_of_an_unexpected_type_is_still_a_number() {
        let signed = Value::SRational(vec![SRational { num: 1, denom: 50 }]);
        let facts = read(&[
            (Tag::ExposureTime, signed),
            (Tag::PhotographicSensitivity, Value::Long(vec![800])),
            (Tag::FNumber, Value::Double(vec![2.0])),
        ]);
        assert_eq!(facts.exposure_s, Some(0.02));
        assert_eq!(facts.iso, Some(800.0));
        assert_eq!(facts.f_number, Some(2.0));
        let negative = Value::SRational(vec![SRational { num: -1, denom: 50 }]);
        assert_eq!(read(&[(Tag::ExposureTime, negative)]).exposure_s, None);
    }

    #[test]
    fn tags_in_the_wrong_directory_are_found_and_the_thumbnail_is_not_asked() {
        let misplaced = Tag(Context::Tiff, Tag::ExposureTime.number());
        let facts = read(&[(misplaced, rational(16, 5))]);
        assert_eq!(facts.exposure_s, Some(3.2));

        let mut writer = Writer::new();
        let of_thumbnail = Field {
            tag: Tag::Orientation,
            ifd_num: In::THUMBNAIL,
            value: Value::Short(vec![6]),
        };
        let of_photo = field(Tag::Make, ascii_value("Harbour Works"));
        writer.push_field(&of_photo);
        writer.push_field(&of_thumbnail);
        writer.set_jpeg(&[0xff, 0xd8, 0xff, 0xd9], In::THUMBNAIL);
        let mut out = std::io::Cursor::new(Vec::new());
        writer.write(&mut out, false).expect("a block in memory");
        let mut facts = Facts::default();
        fill(&mut facts, &parse(out.into_inner()).expect("a block"));
        assert_eq!(facts.orientation, 1);
        assert_eq!(facts.make.as_deref(), Some("Harbour Works"));
    }

    #[test]
    fn a_sensitivity_too_large_for_its_tag_is_read_from_the_other() {
        let facts = read(&[
            (Tag::PhotographicSensitivity, Value::Short(vec![65535])),
            (Tag::ISOSpeed, Value::Long(vec![102_400])),
        ]);
        assert_eq!(facts.iso, Some(102_400.0));
    }

    #[test]
    fn times_of_every_strange_form_are_read_or_absent() {
        for (text, read) in [
            ("2025:11:04 18:30:05", Some("2025-11-04T18:30:05")),
            ("2025-11-04T18:30:05", Some("2025-11-04T18:30:05")),
            ("2025/11/04 18:30:05+01:00", Some("2025-11-04T18:30:05")),
            ("0000:00:00 00:00:00", None),
            ("1970:01:01 00:00:00", None),
            ("2025:02:30 10:00:00", None),
            ("2025:11:04 24:00:00", None),
            ("2025:11:04", None),
            ("not a time at all, no", None),
            ("２０２５:11:04 18:30:05", None),
        ] {
            let got = moment(text).map(|t| t.to_string());
            assert_eq!(got.as_deref(), read, "{text}");
        }
        assert_eq!(nanoseconds("123456"), Some(123_456_000));
        assert_eq!(nanoseconds("1234567890123"), Some(123_456_789));
        assert_eq!(nanoseconds("12x"), None);
        assert_eq!(nanoseconds("  "), None);
        assert_eq!(offset_min("-03:30"), Some(-210));
        assert_eq!(offset_min("Z"), Some(0));
        assert_eq!(offset_min("+14:01"), None);
        assert_eq!(offset_min("é1:00"), None);
    }

    #[test]
    fn a_cut_block_gives_what_is_left_of_it() {
        let whole = block(&[
            (Tag::Make, ascii_value("Harbour Works")),
            (Tag::ExposureTime, rational(1, 60)),
            (Tag::DateTimeOriginal, ascii_value("2025:11:04 18:30:05")),
        ]);
        let mut seen_partial = false;
        for end in 0..whole.len() {
            let mut facts = Facts::default();
            if let Some(exif) = parse(whole[..end].to_vec()) {
                fill(&mut facts, &exif);
            }
            seen_partial |= facts.make.is_some() && facts.taken.is_none();
        }
        assert!(seen_partial);
    }
}
