//! Photos of many megapixels: measured as the ordinary ones of the same scene are, in the memory of an ordinary one; and
//! pictures of which only the file is small.

use std::fs;

use slitwatch::decode;

use crate::bombs::{TILE, heic, with_scans};
use crate::real::{Place, SWEPT, demo_bytes, shipped};

/// The picture of a JPEG, each pixel become `by` × `by` with its neighbours' light between (bilinear, in the codes), as a
/// JPEG with the same Exif block.
fn enlarged(jpeg: &[u8], by: usize) -> Vec<u8> {
    let (_, frame) = decode::decode(jpeg, u64::MAX).expect("a photo");
    let (width, height) = (frame.width(), frame.height());
    let (wide, high) = (width * by, height * by);
    let place = |i: usize, n: usize| {
        let at = ((i as f32 + 0.5) / by as f32 - 0.5).clamp(0.0, (n - 1) as f32);
        let low = (at as usize).min(n - 2);
        (low, at - low as f32)
    };
    let columns: Vec<(usize, f32)> = (0..wide).map(|x| place(x, width)).collect();
    let mut samples = Vec::with_capacity(3 * wide * high);
    for y in 0..high {
        let (y0, v) = place(y, height);
        let row: Vec<[f32; 3]> = (0..width)
            .map(|x| {
                let (a, b) = (frame.codes(x, y0), frame.codes(x, y0 + 1));
                std::array::from_fn(|c| f32::from(a[c]) * (1.0 - v) + f32::from(b[c]) * v)
            })
            .collect();
        for (x0, u) in &columns {
            let (a, b) = (row[*x0], row[x0 + 1]);
            samples.extend((0..3).map(|c| (a[c] * (1.0 - u) + b[c] * u + 0.5) as u8));
        }
    }
    drop(frame);
    let mut out = Vec::new();
    let mut encoder = jpeg_encoder::Encoder::new(&mut out, 90);
    encoder.set_sampling_factor(jpeg_encoder::SamplingFactor::F_2_2);
    let exif = jpeg
        .windows(6)
        .position(|w| w == b"Exif\0\0")
        .expect("a block");
    let length = usize::from(u16::from_be_bytes([jpeg[exif - 2], jpeg[exif - 1]]));
    // The photo is enlarged as it is seen, and not as it was stored.
    let mut block = jpeg[exif + 6..exif - 2 + length].to_vec();
    upright(&mut block);
    encoder.add_exif_metadata(&block).expect("a small block");
    encoder
        .encode(
            &samples,
            wide as u16,
            high as u16,
            jpeg_encoder::ColorType::Rgb,
        )
        .expect("a picture in memory");
    out
}

/// Sets the orientation of an Exif block (tag 0x0112 of type SHORT) to 1.
fn upright(block: &mut [u8]) {
    let big_endian = block.starts_with(b"MM");
    let (entry, one) = if big_endian {
        ([1, 0x12, 0, 3, 0, 0, 0, 1], [0, 1])
    } else {
        ([0x12, 1, 3, 0, 1, 0, 0, 0], [1, 0])
    };
    if let Some(at) = block.windows(8).position(|w| w == entry) {
        block[at + 8..at + 10].copy_from_slice(&one);
    }
}

/// Wavelengths of the named peaks.
fn peaks(place: &Place, photo: &str) -> Vec<(String, f64)> {
    place
        .rows(&format!("{photo}/peaks.csv"))
        .into_iter()
        .filter(|row| !row["name"].is_empty())
        .map(|row| (row["name"].clone(), row["centre_nm"].parse().expect("nm")))
        .collect()
}

#[test]
fn a_photo_of_200_megapixels_is_measured_like_the_small_one_and_in_its_memory() {
    let place = Place::new();
    // The sharpest of the evening: its lines stand alone.
    let small = demo_bytes("turnstone/lamp-03.jpg");
    place.put("small/lamp-01.jpg", &small);
    // 3264 × 2448 five times over: 200 megapixels.
    place.put("large/lamp-01.jpg", &enlarged(&small, 5));
    let began = std::time::Instant::now();
    let (status, most_mib) = place.run_and_weigh(&["sweep", "-q", "-q", "--workers", "1"]);
    eprintln!("at most {most_mib} MiB in {:.1?}", began.elapsed());
    assert_eq!(status, Some(0));
    assert!(most_mib <= 220, "{most_mib} MiB");
    let (a, b) = (
        peaks(&place, "small/lamp-01.jpg"),
        peaks(&place, "large/lamp-01.jpg"),
    );
    let mut n = 0;
    for (name, nm) in &a {
        let Some((_, other)) = b.iter().find(|(other, _)| other == name) else {
            continue;
        };
        eprintln!("{name}: {nm} and {other} nm");
        assert!((nm - other).abs() < 0.1, "{name}: {nm} and {other} nm");
        n += 1;
    }
    assert!(n >= 4, "{n} common peaks of {a:?} and {b:?}");
    let verdict = |photo: &str| place.quality(photo)["verdict"].clone();
    assert_eq!(verdict("small/lamp-01.jpg"), verdict("large/lamp-01.jpg"));
    let clipped = |photo: &str| {
        place.quality(photo)["metrics"]["clipped_fraction"]
            .as_f64()
            .expect("a share")
    };
    let (small, large) = (clipped("small/lamp-01.jpg"), clipped("large/lamp-01.jpg"));
    assert!((small - large).abs() < 0.01, "{small} and {large}");
}

/// The demo's lamp photo as a phone would deliver it that leaves no noise in the dark: an even black but for the slit's image
/// and its spectrum, at any size.
struct Dark {
    width: usize,
    height: usize,
    samples: Vec<u8>,
}

impl Dark {
    fn new() -> Dark {
        /// What the demo's noise stays below, in codes; by eye.
        const DARK: u16 = 24;
        let (_, frame) =
            decode::decode(&demo_bytes("heron/lamp-01.jpg"), u64::MAX).expect("a photo");
        let (width, height) = (frame.width(), frame.height());
        let pixels = (0..width * height).map(|i| frame.codes(i % width, i / width));
        let evened = |codes: [u16; 3]| match codes.iter().all(|code| *code < DARK) {
            true => [2; 3],
            false => codes.map(|code| code as u8),
        };
        let samples = pixels.flat_map(evened).collect();
        Dark {
            width,
            height,
            samples,
        }
    }

    fn at(&self, x: usize, y: usize) -> [u8; 3] {
        let at = 3 * (y * self.width + x);
        [self.samples[at], self.samples[at + 1], self.samples[at + 2]]
    }

    fn samples(&self, (width, height): (usize, usize)) -> Vec<u8> {
        let mut samples = Vec::with_capacity(3 * width * height);
        let source = |y: usize| y * self.height / height;
        for y in 0..height {
            if y > 0 && source(y) == source(y - 1) {
                samples.extend_from_within(3 * (y - 1) * width..);
            } else {
                let row = (0..width).map(|x| self.at(x * self.width / width, source(y)));
                row.for_each(|pixel| samples.extend(pixel));
            }
        }
        samples
    }

    /// In every form.
    fn drawn(&self, size: (usize, usize)) -> Drawn {
        Drawn {
            width: size.0,
            height: size.1,
            samples: self.samples(size),
        }
    }
}

/// Its samples at one size.
struct Drawn {
    width: usize,
    height: usize,
    samples: Vec<u8>,
}

impl Drawn {
    fn jpeg(&self) -> Vec<u8> {
        let mut out = Vec::new();
        let mut encoder = jpeg_encoder::Encoder::new(&mut out, 90);
        encoder.set_sampling_factor(jpeg_encoder::SamplingFactor::F_2_2);
        let (width, height) = (self.width as u16, self.height as u16);
        encoder
            .encode(&self.samples, width, height, jpeg_encoder::ColorType::Rgb)
            .expect("a picture in memory");
        out
    }

    fn heic(&self) -> Vec<u8> {
        heic(self.width, self.height, |left, top| {
            let mut tile = Vec::with_capacity(3 * TILE * TILE);
            for y in top..top + TILE {
                // What lies beyond the edge is cut off again.
                let row = y.min(self.height - 1) * self.width;
                let n = TILE.min(self.width - left);
                tile.extend_from_slice(&self.samples[3 * (row + left)..3 * (row + left + n)]);
                tile.resize(3 * TILE * (y + 1 - top), 2);
            }
            tile
        })
    }

    fn png(self) -> Vec<u8> {
        let (width, height) = (self.width as u32, self.height as u32);
        let picture = image::RgbImage::from_raw(width, height, self.samples);
        let mut out = std::io::Cursor::new(Vec::new());
        picture
            .expect("all samples")
            .write_to(&mut out, image::ImageFormat::Png)
            .expect("a picture in memory");
        out.into_inner()
    }

    fn tiff(&self) -> Vec<u8> {
        use tiff::encoder::{Compression, DeflateLevel, TiffEncoder, colortype};
        let mut out = std::io::Cursor::new(Vec::new());
        let encoder = TiffEncoder::new(&mut out).expect("a picture in memory");
        let (width, height) = (self.width as u32, self.height as u32);
        encoder
            .with_compression(Compression::Deflate(DeflateLevel::Fast))
            .write_image::<colortype::RGB8>(width, height, &self.samples)
            .expect("a picture in memory");
        out.into_inner()
    }
}

/// Megapixels as phones call them, and the size.
const SIZES: [(usize, (usize, usize)); 3] = [
    (48, (8000, 6000)),
    (108, (12_000, 9000)),
    (200, (16_320, 12_240)),
];

/// Sweeps the photos, which have to come out as the small one does, in the memory of an ordinary photo.
fn are_measured(photos: &[(String, Vec<u8>)]) {
    let place = Place::new();
    for (name, bytes) in photos {
        place.put(&format!("large/{name}"), bytes);
    }
    let began = std::time::Instant::now();
    let (status, most_mib) = place.run_and_weigh(&["sweep", "-q", "-q", "--workers", "1"]);
    let took = began.elapsed();
    assert_eq!(status, Some(0));
    assert!(most_mib <= 220, "{most_mib} MiB");
    let small = SWEPT.place.rows("heron/lamp-01.jpg/peaks.csv");
    for (name, bytes) in photos {
        let mb = bytes.len() as f64 / 1e6;
        eprintln!("{name} of {mb:.1} MB: at most {most_mib} MiB in {took:.1?}");
        let photo = format!("large/{name}");
        assert_eq!(place.quality(&photo)["verdict"], "good", "{name}");
        let found = peaks(&place, &photo);
        let mut n = 0;
        for row in small.iter().filter(|row| !row["name"].is_empty()) {
            let nm: f64 = row["centre_nm"].parse().expect("nm");
            let same = found.iter().find(|(other, _)| *other == row["name"]);
            if let Some((line, other)) = same {
                assert!(
                    (nm - other).abs() < 0.3,
                    "{name}: {line} {nm} and {other} nm"
                );
                n += 1;
            }
        }
        assert!(n >= 4, "{name}: {n} common lines of {found:?}");
    }
}

/// A hundred pixels a byte and more, as bombs have; `SLITWATCH_LARGE=1` tries every size in every form, and each by itself.
#[test]
fn dark_photos_of_many_megapixels_are_measured_however_well_they_shrink() {
    let dark = Dark::new();
    let named = |megapixels, ending, bytes| (format!("lamp-{megapixels}.{ending}"), bytes);
    if std::env::var("SLITWATCH_LARGE").is_err() {
        // What writes HEIC is built without optimisation: the least size of it will do.
        let [(least, least_size), (megapixels, size), _] = SIZES;
        are_measured(&[
            named(megapixels, "jpg", dark.drawn(size).jpeg()),
            named(least, "heic", dark.drawn(least_size).heic()),
        ]);
        return;
    }
    for (megapixels, size) in SIZES {
        let drawn = dark.drawn(size);
        are_measured(&[named(megapixels, "jpg", drawn.jpeg())]);
        are_measured(&[named(megapixels, "heic", drawn.heic())]);
        are_measured(&[named(megapixels, "tif", drawn.tiff())]);
        are_measured(&[named(megapixels, "png", drawn.png())]);
    }
}

/// What is dark as far as anyone can tell is read, and costs no more than the largest photos that are allowed do; printed is how
/// much the worst of it takes.
#[test]
fn what_shrinks_best_takes_the_memory_of_an_ordinary_photo() {
    if std::env::var("SLITWATCH_LARGE").is_err() {
        println!("SKIPPED: the worst bombs that are read take a minute; set SLITWATCH_LARGE=1");
        return;
    }
    let black = |side: u16, colour, progressive| {
        let mut jpeg = Vec::new();
        let mut encoder = jpeg_encoder::Encoder::new(&mut jpeg, 50);
        encoder.set_progressive(progressive);
        let n = usize::from(side).pow(2) * 3;
        encoder
            .encode(&vec![9; n], side, side, colour)
            .expect("a picture in memory");
        jpeg
    };
    let rgb = jpeg_encoder::ColorType::Rgb;
    let side = 14_350u16;
    let scans = with_scans(black(8000, rgb, true), 65);
    for (name, bytes, most_mib) in [
        ("deep.png", crate::hostile::true_bomb(side.into()), 220),
        ("even.jpg", black(side, rgb, false), 220),
        (
            "even.heic",
            heic(side.into(), side.into(), |_, _| vec![9; 3 * TILE * TILE]),
            220,
        ),
        ("scans.jpg", scans, 600),
    ] {
        let place = Place::new();
        place.put(&format!("heron/{name}"), &bytes);
        let began = std::time::Instant::now();
        let (_, mib) = place.run_and_weigh(&["sweep", "-q", "-q", "--workers", "1"]);
        let (took, mb) = (began.elapsed(), bytes.len() as f64 / 1e6);
        eprintln!("{name} of {mb:.2} MB: at most {mib} MiB in {took:.1?}");
        assert!(mib <= most_mib, "{name}: {mib} MiB");
        let row = &place.rows("quality.csv")[0];
        assert_eq!(row["reasons"], "no-spectrum", "{name}");
    }
}

#[test]
fn an_ordinary_photo_takes_150_mib() {
    let place = Place::new();
    let jpeg = simulated_12_megapixels();
    place.put("heron/lamp-01.jpg", &jpeg);
    let (status, most_mib) = place.run_and_weigh(&["sweep", "-q", "-q", "--workers", "1"]);
    eprintln!("12 megapixels: at most {most_mib} MiB");
    assert_eq!(status, Some(0));
    assert_eq!(place.quality("heron/lamp-01.jpg")["verdict"], "good");
    assert!(most_mib <= 150, "{most_mib} MiB");
}

fn simulated_12_megapixels() -> Vec<u8> {
    use slitwatch::simulate::{
        Exposure, Instrument, Light, Nuisance, Phone, Pose, Reality, Scene, Shot, Source, draw,
    };
    let is_large = |phone: &Phone| phone.width * phone.height > 11_500_000;
    let phone = Phone::all().into_iter().find(is_large);
    draw(&Shot {
        seed: 7,
        taken: jiff::civil::date(2026, 11, 12).at(19, 0, 0, 0),
        phone: phone.expect("a phone of 12 megapixels"),
        instrument: Instrument::sound(7),
        pose: Pose {
            roll_deg: 0.4,
            yaw_deg: 0.2,
            pitch_deg: -0.3,
        },
        light: Light::of(Source::TriPhosphor, 7),
        scene: Scene::Slit,
        exposure: Exposure::Metered(0.75),
        orientation: 1,
        jpeg_quality: 92,
        reality: Reality::ideal(),
        nuisance: Nuisance::ALL,
        faults: Vec::new(),
    })
    .jpeg
}

/// Small files of pictures as large as is believed of them, several at once: each waits until there is memory for it.
#[test]
fn small_files_of_large_pictures_wait_for_memory() {
    let place = Place::new();
    for i in 0..4 {
        place.put(
            &format!("heron/deep-{i}.png"),
            &crate::hostile::true_bomb(7990 - i),
        );
    }
    // Progressive, so that it has to be held whole: 64 megapixels and a byte for each 60 of them.
    let side = 8000 - 8;
    let mut progressive = Vec::new();
    let mut encoder = jpeg_encoder::Encoder::new(&mut progressive, 50);
    encoder.set_progressive(true);
    encoder.set_sampling_factor(jpeg_encoder::SamplingFactor::F_2_2);
    encoder
        .encode(
            &vec![9; 3 * side * side],
            side as u16,
            side as u16,
            jpeg_encoder::ColorType::Rgb,
        )
        .expect("a picture in memory");
    for i in 0..3 {
        // Bytes after the end of the picture make it another file.
        let bytes = [&progressive[..], &[i; 3]].concat();
        place.put(&format!("heron/progressive-{i}.jpg"), &bytes);
    }
    let config = fs::read_to_string(shipped("config/lab.yaml")).unwrap();
    let frugal = place.path("lab.yaml");
    fs::write(
        &frugal,
        config.replace("memory_mib: auto", "memory_mib: 512"),
    )
    .unwrap();
    let began = std::time::Instant::now();
    let (status, most_mib) = place.run_and_weigh(&[
        "sweep",
        "-q",
        "-q",
        "--workers",
        "4",
        "--config",
        frugal.to_str().unwrap(),
    ]);
    eprintln!("at most {most_mib} MiB in {:.1?}", began.elapsed());
    assert_eq!(status, Some(0));
    assert!(most_mib <= 600, "{most_mib} MiB");
    let rows = place.rows("quality.csv");
    assert_eq!(rows.len(), 7);
    for row in rows {
        assert_eq!(row["reasons"], "no-spectrum", "{}", row["photo"]);
    }
}
