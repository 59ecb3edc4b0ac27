//! DNG: the sensor's own samples, taken out of the file by rawler. Runs in a process of its own, since that decoder has been
//! seen to end the whole process on damaged files.

use std::io::{self, Write};

use rawler::decoders::RawDecodeParams;
use rawler::rawimage::{RawImage, RawImageData, RawPhotometricInterpretation};
use rawler::rawsource::RawSource;

use super::mosaic::{self, Header};

/// A sample so near to the white level that it is at the ceiling: share of the range below it. Sensors end within a few
/// codes of what they state (common practice, no source).
const NEAR_WHITE: f32 = 0.004;

/// Takes the samples out of a DNG and writes them for [`super::decode_unpacked`].
///
/// # Errors
/// In words, where the file is damaged or of a form that is not read, or the writing fails.
pub fn unpack(bytes: &[u8], out: &mut impl Write) -> Result<(), String> {
    let image = rawler::decode(
        &RawSource::new_from_slice(bytes),
        &RawDecodeParams::default(),
    )
    .map_err(|e| format!("this DNG is not read here ({e})"))?;
    let (x0, y0, width, height) = part(&image);
    let inside = x0 + width <= image.width && y0 + height <= image.height;
    if !inside || width == 0 || height == 0 {
        return Err("this DNG states a part of the picture that does not lie in it".to_owned());
    }
    let pattern = match (&image.photometric, image.cpp) {
        (RawPhotometricInterpretation::Cfa(config), 1) => {
            if (config.cfa.width, config.cfa.height) != (2, 2) {
                return Err(format!(
                    "this DNG has colours in a pattern of {} × {} pixels, and only 2 × 2 is read",
                    config.cfa.width, config.cfa.height
                ));
            }
            let colour = |i: usize| config.cfa.color_at(y0 + i / 2, x0 + i % 2);
            let colours: [usize; 4] = std::array::from_fn(colour);
            if colours.iter().any(|c| *c > 2) {
                return Err("this DNG has other colours than red, green and blue".to_owned());
            }
            Some(colours.map(|c| c as u8))
        }
        (RawPhotometricInterpretation::LinearRaw, 3) => None,
        (_, n) => return Err(format!("this DNG has {n} channels of a kind not read here")),
    };
    let header = Header {
        width: width as u32,
        height: height as u32,
        orientation: image.orientation.to_u16() as u8,
        pattern,
    };
    write(&image, &header, (x0, y0), out).map_err(|e| format!("its samples get nowhere: {e}"))
}

/// The part to be used: left, top, width, height. What the camera recommends, or else all that has light.
fn part(image: &RawImage) -> (usize, usize, usize, usize) {
    match image.crop_area.or(image.active_area) {
        Some(area) => (area.p.x, area.p.y, area.d.w, area.d.h),
        None => (0, 0, image.width, image.height),
    }
}

fn write(
    image: &RawImage,
    header: &Header,
    (x0, y0): (usize, usize),
    out: &mut impl Write,
) -> io::Result<()> {
    header.write(out)?;
    let cpp = image.cpp;
    let black = &image.blacklevel;
    let blacks = black.as_vec();
    let whites = image.whitelevel.as_vec();
    // The levels' pattern begins at the corner of the active area: DNG 1.7, BlackLevel.
    let (ax, ay) = image
        .active_area
        .map_or((0, 0), |area| (area.p.x, area.p.y));
    let black_at = |x: usize, y: usize, channel: usize| {
        let column = (x + black.width - ax % black.width) % black.width;
        let row = (y + black.height - ay % black.height) % black.height;
        let at = (row * black.width + column) * black.cpp + channel % black.cpp.max(1);
        blacks.get(at).copied().unwrap_or(0.0)
    };
    let mut row = Vec::new();
    for y in y0..y0 + header.height as usize {
        row.clear();
        for x in x0..x0 + header.width as usize {
            for channel in 0..cpp {
                let at = (y * image.width + x) * cpp + channel;
                let sample = match &image.data {
                    RawImageData::Integer(samples) => f32::from(samples[at]),
                    RawImageData::Float(samples) => samples[at],
                };
                let black = black_at(x, y, channel);
                let white = whites[if whites.len() == cpp { channel } else { 0 }];
                let light = (sample - black) / (white - black).max(1.0);
                let code = mosaic::code(light, light >= 1.0 - NEAR_WHITE);
                row.extend_from_slice(&code.to_le_bytes());
            }
        }
        out.write_all(&row)?;
    }
    Ok(())
}
