//! DNG, read by the program itself with its child process: measured like the JPEG of the same shot, more linear than it, and
//! on damaged files never more than that file's loss. Built with `--features dng` only.

mod shot;
mod tiff;

use std::fs;
use std::path::PathBuf;
use std::process::{Command, Output};

use shot::{lamp, sample};
use slitwatch::decode;
use slitwatch::frame::Frame;
use slitwatch::simulate::{Exposure, Phone, Shot, Source, draw, draw_mosaic};

/// An inbox and results of a test's own.
struct Place(tempfile::TempDir);

impl Place {
    fn new() -> Place {
        Place(tempfile::tempdir().expect("a folder"))
    }

    fn put(&self, photo: &str, bytes: &[u8]) {
        let path = self.0.path().join("inbox").join(photo);
        fs::create_dir_all(path.parent().expect("a folder")).expect("a folder");
        fs::write(path, bytes).expect("a photo");
    }

    fn sweep(&self) -> Output {
        let output = Command::new(env!("CARGO_BIN_EXE_slitwatch"))
            .args(["sweep", "-q", "--config", "config/lab.yaml", "--inbox"])
            .arg(self.0.path().join("inbox"))
            .arg("--results")
            .arg(self.results())
            .current_dir(env!("CARGO_MANIFEST_DIR"))
            .output()
            .expect("the program");
        assert!(
            output.status.success(),
            "{}",
            String::from_utf8_lossy(&output.stderr)
        );
        output
    }

    fn results(&self) -> PathBuf {
        self.0.path().join("results")
    }

    fn rows(&self, table: &str) -> Vec<csv::StringRecord> {
        let bytes = fs::read(self.results().join(table)).unwrap_or_else(|e| panic!("{table}: {e}"));
        let mut reader = csv::Reader::from_reader(&bytes[..]);
        let header = reader.headers().expect("a header").clone();
        let mut rows = vec![header];
        rows.extend(reader.records().map(|row| row.expect("a row")));
        rows
    }

    fn quality(&self, photo: &str) -> serde_json::Value {
        let path = self.results().join(photo).join("quality.json");
        let bytes = fs::read(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
        serde_json::from_slice(&bytes).expect("JSON")
    }

    fn verdict(&self, photo: &str) -> String {
        let quality = self.quality(photo);
        quality["verdict"].as_str().expect("a word").to_owned()
    }
}

/// The shot as a camera's raw file.
fn dng(shot: &Shot, form: &tiff::Form) -> Vec<u8> {
    let (mosaic, truth) = draw_mosaic(shot);
    tiff::dng(shot, &mosaic, truth.exposure_s, truth.iso, form)
}

/// Distances of the lamp's sharp lines of one photo from those of the other, nm: mercury's, by their names; what else has a
/// name is a phosphor's band, a ripple, or the yellow pair, which is one peak or two by the noise.
fn peaks_apart(place: &Place, a: &str, b: &str) -> Vec<f64> {
    let lines = |photo: &str| -> Vec<(String, f64)> {
        let rows = place.rows(&format!("{photo}/peaks.csv"));
        let column = |name: &str| rows[0].iter().position(|c| c == name).expect("a column");
        let (name, nm) = (column("name"), column("centre_nm"));
        let strong = ["Hg 404.66", "Hg 435.83", "Hg 546.07"];
        let named = rows[1..].iter().filter(|row| strong.contains(&&row[name]));
        named
            .map(|row| (row[name].to_owned(), row[nm].parse().expect("nm")))
            .collect()
    };
    let others = lines(b);
    let apart: Vec<f64> = lines(a)
        .iter()
        .filter_map(|(name, nm)| {
            let same = others.iter().filter(|(other, _)| other == name);
            same.map(|(_, other)| (nm - other).abs())
                .min_by(f64::total_cmp)
        })
        .collect();
    assert!(
        apart.len() >= 2,
        "{a} and {b} have {} lines in common",
        apart.len()
    );
    apart
}

#[test]
fn a_raw_photo_is_measured_like_the_jpeg_of_its_shot() {
    let place = Place::new();
    let shot = lamp(11);
    place.put("jpeg/lamp-01.jpg", &draw(&shot).jpeg);
    for (bench, form) in tiff::Form::all() {
        place.put(&format!("{bench}/lamp-01.dng"), &dng(&shot, &form));
    }
    place.sweep();
    assert_eq!(place.verdict("jpeg/lamp-01.jpg"), "good");
    for (bench, _) in tiff::Form::all() {
        let photo = format!("{bench}/lamp-01.dng");
        let quality = place.quality(&photo);
        assert_eq!(quality["verdict"], "good", "{photo}: {quality}");
        let apart = peaks_apart(&place, &photo, "jpeg/lamp-01.jpg");
        eprintln!("{photo}: peaks apart from the JPEG's by {apart:.3?} nm");
        // The JPEG is the lossy one of the two.
        assert!(apart.iter().all(|off| *off < 0.2), "{photo}: {apart:?}");
    }
    let apart = peaks_apart(&place, "cfa-12/lamp-01.dng", "cfa-14-turned/lamp-01.dng");
    assert!(apart.iter().all(|off| *off < 0.1), "{apart:?}");
}

/// The same light for 1, 2, 4 and 8 times as long: at every pixel there must be 1, 2, 4 and 8 times as much of it.
#[test]
fn a_raw_photo_is_more_linear_than_its_jpeg() {
    let by_tone = |a: &Phone, b: &Phone| a.tone_s.total_cmp(&b.tone_s);
    let phone = Phone::all().into_iter().max_by(by_tone).expect("a phone");
    let shot = |k: i32| {
        let shot = sample(12, Source::Tungsten(2800.0), f64::from(k));
        let (time_s, iso) = shot.exposure_settings();
        Shot {
            phone: phone.clone(),
            exposure: Exposure::Set(time_s, iso),
            ..shot
        }
    };
    let frames = |k: i32| {
        let shot = shot(k);
        let raw = dng(&shot, &tiff::Form::cfa());
        let mut unpacked = Vec::new();
        decode::unpack_dng(&raw, &mut unpacked).expect("a raw file");
        let raw = decode::decode_unpacked(&raw, &unpacked[..], u64::MAX).expect("a raw file");
        let jpeg = decode::decode(&draw(&shot).jpeg, u64::MAX).expect("a photo");
        [raw.1, jpeg.1]
    };
    let full = frames(8);
    // Light enough at the shortest time, and not too much at the longest, in both; green is what a filament has most of.
    let mut places = Vec::new();
    for y in 0..full[0].height() {
        for x in 0..full[0].width() {
            let is_lit = |frame: &Frame| (0.25..0.85).contains(&frame.rgb(x, y)[1]);
            if full.iter().all(is_lit) {
                places.push((x, y));
            }
        }
    }
    assert!(places.len() > 1000, "{} places", places.len());
    let sums = |frames: &[Frame; 2]| {
        frames.each_ref().map(|frame| {
            let light = places.iter().map(|(x, y)| f64::from(frame.rgb(*x, *y)[1]));
            light.sum::<f64>()
        })
    };
    let full = sums(&full);
    let mut worst = [0.0f64; 2];
    for k in [1, 2, 4] {
        let found = sums(&frames(k));
        for (i, what) in ["raw", "JPEG"].into_iter().enumerate() {
            let off = found[i] / full[i] * 8.0 / f64::from(k) - 1.0;
            eprintln!("{what}: {k}/8 of the light is off by {:+.2} %", 100.0 * off);
            worst[i] = worst[i].max(off.abs());
        }
    }
    assert!(worst[0] < 0.005, "{worst:?}");
    assert!(worst[1] > 5.0 * worst[0], "{worst:?}");
}

#[test]
fn of_raw_and_jpeg_of_one_shot_the_raw_is_measured_and_the_jpeg_named() {
    let place = Place::new();
    let shot = lamp(13);
    let (raw, jpeg) = (dng(&shot, &tiff::Form::cfa()), draw(&shot).jpeg);
    place.put("heron/lamp-01.dng", &raw);
    place.put("heron/lamp-01.jpg", &jpeg);
    // Here the raw file is broken: the JPEG is measured after all.
    place.put("dunlin/lamp-01.dng", &raw[..raw.len() / 2]);
    place.put("dunlin/lamp-01.jpg", &jpeg);
    place.sweep();
    assert_eq!(place.verdict("heron/lamp-01.dng"), "good");
    let left = place.quality("heron/lamp-01.jpg");
    assert_eq!(left["verdict"], "ignored");
    let words = left["remarks"].to_string();
    assert!(words.contains("same shot as heron/lamp-01.dng"), "{words}");
    assert_eq!(place.verdict("dunlin/lamp-01.dng"), "unreadable");
    assert_eq!(place.verdict("dunlin/lamp-01.jpg"), "good");
}

#[test]
fn a_damaged_raw_file_costs_itself_only() {
    let place = Place::new();
    let shot = lamp(14);
    let raw = dng(&shot, &tiff::Form::cfa());
    place.put("heron/lamp-01.jpg", &draw(&shot).jpeg);
    let n = 24;
    for i in 0..n {
        // The tags lie at the front: each copy has others of their bytes changed.
        let mut bytes = raw.clone();
        let mut state = 77 + 31 * i;
        for _ in 0..6 {
            state = (state * 1_103_515_245 + 12_345) % (1 << 31);
            let at = 10 + state % 500;
            bytes[at] ^= 1 << (state / 512 % 8);
        }
        place.put(&format!("wreck/{i:02}.dng"), &bytes);
    }
    let mut giant = raw.clone();
    tiff::set_size(&mut giant, 60_000, 60_000);
    place.put("wreck/giant.dng", &giant);
    place.put("wreck/empty.dng", &raw[..700]);
    place.sweep();
    assert_eq!(place.verdict("heron/lamp-01.jpg"), "good");
    assert_eq!(place.verdict("wreck/giant.dng"), "unreadable");
    assert_eq!(place.verdict("wreck/empty.dng"), "unreadable");
    assert_eq!(place.rows("quality.csv").len(), 1 + n + 3);
}

/// The child alone: what it says, with which status, and that it is limited.
#[test]
fn the_child_says_what_is_wrong_and_ends() {
    let ask = |bytes: &[u8]| {
        use std::io::Write;
        let mut child = Command::new(env!("CARGO_BIN_EXE_slitwatch"))
            .arg("unpack-raw")
            .stdin(std::process::Stdio::piped())
            .stdout(std::process::Stdio::piped())
            .stderr(std::process::Stdio::piped())
            .spawn()
            .expect("the program");
        let mut stdin = child.stdin.take().expect("piped");
        let _ = stdin.write_all(bytes);
        drop(stdin);
        child.wait_with_output().expect("it ends")
    };
    let output = ask(b"II*\0 no raw file");
    assert_eq!(output.status.code(), Some(1));
    assert!(!output.stderr.is_empty() && output.stdout.is_empty());
    let help = Command::new(env!("CARGO_BIN_EXE_slitwatch"))
        .arg("--help")
        .output()
        .expect("the program");
    assert!(!String::from_utf8_lossy(&help.stdout).contains("unpack-raw"));
}

/// Raw files that another program wrote: `tests/recovered/forms.py` with tifffile.
#[test]
fn a_raw_file_by_another_program_is_read_as_it_was_meant() {
    let Some(python) = shot::python() else {
        eprintln!("skipped: no Python with NumPy and tifffile");
        return;
    };
    let place = Place::new();
    let shot = lamp(15);
    let (mosaic, truth) = draw_mosaic(&shot);
    let raw = place.0.path().join("mosaic.f32");
    fs::write(
        &raw,
        mosaic
            .iter()
            .flat_map(|v| v.to_le_bytes())
            .collect::<Vec<u8>>(),
    )
    .expect("a file");
    let inbox = place.0.path().join("inbox");
    fs::create_dir_all(&inbox).expect("a folder");
    let status = Command::new(python)
        .arg("tests/recovered/forms.py")
        .args(["dng", raw.to_str().expect("a path")])
        .args([shot.phone.width.to_string(), shot.phone.height.to_string()])
        .args([truth.exposure_s.to_string(), truth.iso.to_string()])
        .arg(inbox)
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .status()
        .expect("python starts");
    assert!(status.success());
    place.put("jpeg/lamp-01.jpg", &draw(&shot).jpeg);
    place.sweep();
    let mut n = 0;
    for row in &place.rows("quality.csv")[1..] {
        let photo = &row[0];
        if photo.ends_with(".dng") {
            assert_eq!(place.verdict(photo), "good", "{photo}");
            let apart = peaks_apart(&place, photo, "jpeg/lamp-01.jpg");
            eprintln!("{photo}: {apart:.3?}");
            assert!(apart.iter().all(|off| *off < 0.2), "{photo}: {apart:?}");
            n += 1;
        }
    }
    assert_eq!(n, 5);
}
