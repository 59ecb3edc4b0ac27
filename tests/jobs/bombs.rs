//! Files that are small and would take much memory or time if they were believed. What bounds each is said with it.

use std::sync::LazyLock;

use slitwatch::decode::{Fault, decode};

use heifer::heifer_isobmff::HeifFile;
use heifer::heifer_isobmff::writer::{HeifWriter, ImageSpec};

use crate::hostile::png;

/// Side of a square picture within the limit of 210 megapixels.
const SIDE: u16 = 14_350;

/// Name, content, and a number that its refusal has to name. Made once: what writes the HEIC is built without optimisation.
pub static BOMBS: LazyLock<[(&str, Vec<u8>, &str); 5]> = LazyLock::new(|| {
    [
        ("one-piece.png", interlaced(), "576 MB"),
        ("one-strip.tif", one_strip(), "576 MB"),
        ("stuffed.tif", stuffed(), "268.4 million"),
        ("scans.jpg", scans(), "90 scans"),
        ("tiles.heic", tiles(), "256 parts"),
    ]
});

/// 1.2 GB that have to be held whole, since each row is spread over seven passes: bounded by memory.
fn interlaced() -> Vec<u8> {
    png(SIDE.into(), 1, &[0x78, 0x9c, 0x03, 0, 0, 0, 0, 1])
}

/// A TIFF of these SHORT and LONG tags and what follows them (TIFF 6.0, section 2).
fn tiff(tags: &[(u16, u16, u32)], data: &[u8]) -> Vec<u8> {
    let mut bytes = b"II*\0\x08\0\0\0".to_vec();
    bytes.extend((tags.len() as u16).to_le_bytes());
    for (tag, kind, value) in tags {
        // Three samples, of a depth each, which stand at `value`.
        let count: u32 = if *tag == 258 && *value > 16 { 3 } else { 1 };
        bytes.extend([tag.to_le_bytes(), kind.to_le_bytes()].concat());
        bytes.extend([count.to_le_bytes(), value.to_le_bytes()].concat());
    }
    bytes.extend([0; 4]);
    bytes.extend(data);
    bytes
}

/// All rows in one strip, which is inflated whole: bounded by memory.
fn one_strip() -> Vec<u8> {
    let side = u32::from(SIDE);
    let start = 8 + 2 + 9 * 12 + 4;
    let tags = [
        (256, 3, side),
        (257, 3, side),
        (258, 3, start + 8),
        (259, 3, 8),
        (262, 3, 2),
        (273, 4, start),
        (277, 3, 3),
        (278, 3, side),
        (279, 4, 8),
    ];
    tiff(&tags, &[0x78, 0x9c, 0x03, 0, 0, 0, 0, 1, 8, 0, 8, 0, 8, 0])
}

/// A strip of 64 × 64 pixels that is a JPEG of 16384 × 16384: bounded by what its header may state.
fn stuffed() -> Vec<u8> {
    let mut jpeg = Vec::new();
    jpeg_encoder::Encoder::new(&mut jpeg, 80)
        .encode(&[9; 64 * 64], 64, 64, jpeg_encoder::ColorType::Luma)
        .expect("a picture in memory");
    restated(&mut jpeg, 0xC0, 16_384);
    let start = 8 + 2 + 9 * 12 + 4;
    let tags = [
        (256, 3, 64),
        (257, 3, 64),
        (258, 3, 8),
        (259, 3, 7),
        (262, 3, 1),
        (273, 4, start),
        (277, 3, 1),
        (278, 3, 64),
        (279, 4, jpeg.len() as u32),
    ];
    tiff(&tags, &jpeg)
}

/// Has a JPEG's frame header (T.81 B.2.2) state another size.
fn restated(jpeg: &mut [u8], frame: u8, side: u16) {
    let header = |w: &[u8]| w[0] == 0xFF && w[1] == frame && w[2] == 0;
    let at = jpeg.windows(3).position(header).expect("a frame header") + 5;
    jpeg[at..at + 2].copy_from_slice(&side.to_be_bytes());
    jpeg[at + 2..at + 4].copy_from_slice(&side.to_be_bytes());
}

/// The last scan of a progressive JPEG again and again, until there are `n`.
pub fn with_scans(mut jpeg: Vec<u8>, n: usize) -> Vec<u8> {
    let is_scan = |w: &[u8]| w == [0xFF, 0xDA];
    let starts: Vec<usize> = (0..jpeg.len() - 1)
        .filter(|&i| is_scan(&jpeg[i..i + 2]))
        .collect();
    let end = jpeg.len() - 2;
    let last = jpeg[*starts.last().expect("a scan")..end].to_vec();
    jpeg.truncate(end);
    for _ in starts.len()..n {
        jpeg.extend(&last);
    }
    jpeg.extend([0xFF, 0xD9]);
    jpeg
}

/// 64 megapixels in ninety scans: bounded by the blocks of all of them.
fn scans() -> Vec<u8> {
    let side = 640u16;
    let noise: Vec<u8> = (0..u32::from(side).pow(2) * 3)
        .map(|i| (i.wrapping_mul(2_654_435_761) >> 24) as u8)
        .collect();
    let mut jpeg = Vec::new();
    let mut encoder = jpeg_encoder::Encoder::new(&mut jpeg, 70);
    encoder.set_progressive(true);
    encoder
        .encode(&noise, side, side, jpeg_encoder::ColorType::Rgb)
        .expect("a picture in memory");
    restated(&mut jpeg, 0xC2, 8000);
    with_scans(jpeg, 90)
}

/// One tile of noise, 256 times: bounded by the bytes that are read again.
fn tiles() -> Vec<u8> {
    heic(8192, 8192, |_, _| {
        let pixels = (0..TILE * TILE).map(|i| (i % TILE, i / TILE));
        let noise = pixels.map(|(x, y)| (x * 31 + y * 17 + x * y) as u8);
        noise.flat_map(|grey| [grey; 3]).collect()
    })
}

/// Side of a tile, as phones have them.
pub const TILE: usize = 512;

/// A HEIC of tiles, of which those that are equal stand once; `tile` gives the samples of the one whose corner lies there.
pub fn heic(width: usize, height: usize, tile: impl Fn(usize, usize) -> Vec<u8>) -> Vec<u8> {
    const SIDE: u32 = TILE as u32;
    let (columns, rows) = (width.div_ceil(TILE), height.div_ceil(TILE));
    let mut writer = HeifWriter::new();
    let mut known = std::collections::HashMap::new();
    let mut ids = Vec::new();
    for i in 0..columns * rows {
        let samples = tile(i % columns * TILE, i / columns * TILE);
        let id = known.entry(samples).or_insert_with_key(|samples| {
            let options = heifer::EncodeOptions {
                quality: 90,
                ..Default::default()
            };
            let bytes = heifer::encode_rgb8(SIDE, SIDE, samples, &options).expect("a tile");
            let file = HeifFile::parse(&bytes).expect("a file");
            let config = file.hevc_config(file.primary_id).expect("an item");
            let data = file.item_data(file.primary_id).expect("its content");
            let mut slices = Vec::new();
            let mut rest = &data[..];
            while let Some((length, tail)) = rest.split_first_chunk::<4>() {
                let (slice, tail) = tail.split_at(u32::from_be_bytes(*length) as usize);
                slices.push(slice.to_vec());
                rest = tail;
            }
            let config = config.expect("a configuration").clone();
            writer.add_image(&ImageSpec::new(SIDE, SIDE, config, &slices))
        });
        ids.push(*id);
    }
    let (rows, columns) = (rows as u16, columns as u16);
    let (width, height) = (width as u32, height as u32);
    let grid = writer.add_grid(rows, columns, width, height, &ids, None, None);
    writer.set_primary(grid);
    writer.finish()
}

#[test]
fn a_bomb_is_refused_at_once_and_the_numbers_that_decided_are_named() {
    for (name, bytes, number) in BOMBS.iter() {
        let began = std::time::Instant::now();
        match decode(bytes, 210_000_000) {
            Err(Fault::TooLarge(words)) => assert!(words.contains(number), "{name}: {words}"),
            Err(fault) => panic!("{name}: {fault}"),
            Ok(_) => panic!("{name} was unfolded"),
        }
        let took = began.elapsed();
        assert!(took.as_millis() < 500, "{name}: {took:?}");
    }
}
