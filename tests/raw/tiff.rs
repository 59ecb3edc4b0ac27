//! Writes a DNG as phones do: DNG specification 1.4, chapters 2 to 4, and TIFF 6.0, section 2.

use slitwatch::simulate::Shot;

/// How the samples are written.
#[derive(Clone, Copy)]
pub struct Form {
    /// Codes of no light and of the ceiling.
    black: u16,
    white: u16,
    /// Exif's number.
    orientation: u16,
    /// Three colours a pixel (filled in by the phone), in place of one.
    linear: bool,
}

impl Form {
    /// 12 bits, one colour a pixel.
    pub fn cfa() -> Form {
        Form {
            black: 256,
            white: 4095,
            orientation: 1,
            linear: false,
        }
    }

    /// All forms, with a name for each.
    pub fn all() -> [(&'static str, Form); 4] {
        let cfa = Form::cfa();
        [
            ("cfa-12", cfa),
            (
                "cfa-10",
                Form {
                    black: 64,
                    white: 1023,
                    ..cfa
                },
            ),
            (
                "cfa-14-turned",
                Form {
                    black: 512,
                    white: 16_383,
                    orientation: 3,
                    ..cfa
                },
            ),
            (
                "linear-16",
                Form {
                    black: 0,
                    white: 65_535,
                    linear: true,
                    ..cfa
                },
            ),
        ]
    }
}

struct Entry {
    tag: u16,
    kind: u16,
    count: u32,
    data: Vec<u8>,
}

fn short(tag: u16, values: &[u16]) -> Entry {
    let data = values.iter().flat_map(|v| v.to_le_bytes()).collect();
    entry(tag, 3, values.len(), data)
}

fn long(tag: u16, value: u32) -> Entry {
    entry(tag, 4, 1, value.to_le_bytes().to_vec())
}

fn bytes(tag: u16, values: &[u8]) -> Entry {
    entry(tag, 1, values.len(), values.to_vec())
}

fn text(tag: u16, text: &str) -> Entry {
    let data = [text.as_bytes(), &[0]].concat();
    entry(tag, 2, data.len(), data)
}

/// Rationals in millionths; of type 10 with a sign.
fn rational(tag: u16, kind: u16, values: &[f64]) -> Entry {
    let data = values
        .iter()
        .flat_map(|v| {
            let millionths = (v * 1e6).round() as i32;
            [millionths.to_le_bytes(), 1_000_000i32.to_le_bytes()]
        })
        .flatten()
        .collect();
    entry(tag, kind, values.len(), data)
}

fn entry(tag: u16, kind: u16, count: usize, data: Vec<u8>) -> Entry {
    Entry {
        tag,
        kind,
        count: count as u32,
        data,
    }
}

/// A directory at `start`, with what does not fit into its entries behind it.
fn directory(mut entries: Vec<Entry>, start: usize) -> Vec<u8> {
    entries.sort_by_key(|entry| entry.tag);
    let mut out = (entries.len() as u16).to_le_bytes().to_vec();
    let mut beyond = Vec::new();
    let beyond_at = start + 2 + 12 * entries.len() + 4;
    for entry in &entries {
        out.extend(entry.tag.to_le_bytes());
        out.extend(entry.kind.to_le_bytes());
        out.extend(entry.count.to_le_bytes());
        if entry.data.len() <= 4 {
            out.extend(&entry.data);
            out.resize(out.len() + 4 - entry.data.len(), 0);
        } else {
            out.extend(((beyond_at + beyond.len()) as u32).to_le_bytes());
            beyond.extend(&entry.data);
            beyond.resize(beyond.len() + beyond.len() % 2, 0);
        }
    }
    out.extend([0; 4]);
    out.extend(beyond);
    out
}

/// The raw file of a shot whose sensor held `mosaic` (red, green / green, blue; 1 = full scale).
pub fn dng(shot: &Shot, mosaic: &[f32], exposure_s: f64, iso: f64, form: &Form) -> Vec<u8> {
    let (width, height) = (shot.phone.width, shot.phone.height);
    let span = f32::from(form.white - form.black);
    let code = |light: f32| {
        (f32::from(form.black) + span * light)
            .round()
            .clamp(0.0, f32::from(form.white)) as u16
    };
    let codes: Vec<u16> = if form.linear {
        let at = |x: usize, y: usize| mosaic[y.min(height - 1) * width + x.min(width - 1)];
        let near = |x: usize, y: usize, c: usize| {
            let (mut sum, mut n) = (0.0, 0.0);
            for row in y.saturating_sub(1)..=(y + 1).min(height - 1) {
                for column in x.saturating_sub(1)..=(x + 1).min(width - 1) {
                    if [[0, 1], [1, 2]][row % 2][column % 2] == c {
                        sum += at(column, row);
                        n += 1.0;
                    }
                }
            }
            sum / n
        };
        let mut codes = Vec::with_capacity(3 * width * height);
        for y in 0..height {
            for x in 0..width {
                codes.extend((0..3).map(|c| code(near(x, y, c))));
            }
        }
        codes
    } else {
        mosaic.iter().map(|light| code(*light)).collect()
    };
    // The camera stores it turned by half, and says so.
    let codes: Vec<u16> = match (form.orientation, form.linear) {
        (3, false) => codes.into_iter().rev().collect(),
        _ => codes,
    };
    let pattern = if form.orientation == 3 {
        [2, 1, 1, 0]
    } else {
        [0, 1, 1, 2]
    };
    let samples = if form.linear { 3 } else { 1 };
    let n_bytes = 2 * codes.len();
    let entries = |offset: u32, exif: u32| {
        let mut entries = vec![
            long(254, 0),
            long(256, width as u32),
            long(257, height as u32),
            short(258, &vec![16; samples]),
            short(259, &[1]),
            short(262, &[if form.linear { 34_892 } else { 32_803 }]),
            text(271, "Harbour Works"),
            text(272, "Tern 3"),
            long(273, offset),
            short(274, &[form.orientation]),
            short(277, &[samples as u16]),
            long(278, height as u32),
            long(279, n_bytes as u32),
            short(284, &[1]),
            long(34_665, exif),
            bytes(50_706, &[1, 4, 0, 0]),
            text(50_708, "Tern 3"),
            short(50_714, &vec![form.black; samples]),
            short(50_717, &vec![form.white; samples]),
            rational(
                50_721,
                10,
                &[0.9, -0.2, -0.1, -0.4, 1.2, 0.2, -0.1, 0.2, 0.6],
            ),
            rational(50_728, 5, &[0.5, 1.0, 0.6]),
            short(50_778, &[21]),
        ];
        if !form.linear {
            entries.push(short(33_421, &[2, 2]));
            entries.push(bytes(33_422, &pattern));
        }
        entries
    };
    let first = 8 + directory(entries(0, 0), 8).len();
    let exif = directory(
        vec![
            rational(33_434, 5, &[exposure_s]),
            short(34_855, &[iso.round() as u16]),
            text(
                36_867,
                &shot.taken.strftime("%Y:%m:%d %H:%M:%S").to_string(),
            ),
            short(41_986, &[1]),
            short(41_987, &[1]),
            short(41_989, &[shot.phone.focal_35mm()]),
        ],
        first,
    );
    let offset = first + exif.len();
    let mut out = b"II*\0\x08\0\0\0".to_vec();
    out.extend(directory(entries(offset as u32, first as u32), 8));
    out.extend(exif);
    out.extend(codes.iter().flat_map(|code| code.to_le_bytes()));
    out
}

/// States another size in the first directory.
pub fn set_size(file: &mut [u8], width: u32, height: u32) {
    let n = usize::from(u16::from_le_bytes([file[8], file[9]]));
    for at in (0..n).map(|i| 10 + 12 * i) {
        let value = match u16::from_le_bytes([file[at], file[at + 1]]) {
            256 => width,
            257 => height,
            _ => continue,
        };
        file[at + 8..at + 12].copy_from_slice(&value.to_le_bytes());
    }
}
