//! An inbox that nobody cleaned up: strange names and strange things, each with a row of its own, and a good photo
//! beside them that is measured as if it were alone.

use std::collections::BTreeMap;
use std::ffi::OsStr;
use std::fs;
use std::os::unix::ffi::OsStrExt;

use crate::bombs::BOMBS;
use crate::real::{Place, SWEPT, demo_bytes, stderr};

/// A PNG of `side` × `side` pixels of three 16-bit samples (PNG specification, 11.2.2: IHDR) around compressed data, with
/// `interlace` 1 in seven passes.
pub fn png(side: u32, interlace: u8, data: &[u8]) -> Vec<u8> {
    let mut png = b"\x89PNG\r\n\x1a\n".to_vec();
    let mut chunk = |kind: &[u8], data: &[u8]| {
        png.extend_from_slice(&(data.len() as u32).to_be_bytes());
        png.extend_from_slice(kind);
        png.extend_from_slice(data);
        // The crates below image and csv have a CRC, but not for us; eight lines are cheaper than a dependency.
        let mut crc = u32::MAX;
        for byte in kind.iter().chain(data) {
            crc ^= u32::from(*byte);
            for _ in 0..8 {
                crc = if crc & 1 == 1 {
                    (crc >> 1) ^ 0xEDB8_8320
                } else {
                    crc >> 1
                };
            }
        }
        png.extend_from_slice(&(!crc).to_be_bytes());
    };
    let side = side.to_be_bytes();
    chunk(
        b"IHDR",
        &[&side[..], &side[..], &[16, 2, 0, 0, interlace]].concat(),
    );
    chunk(b"IDAT", data);
    chunk(b"IEND", &[]);
    png
}

/// A PNG that promises 60 000 × 60 000 pixels, and little else.
fn bomb() -> Vec<u8> {
    png(60_000, 0, &[0x78, 0x9c, 0x03, 0, 0, 0, 0, 1])
}

/// A PNG of `side` × `side` pixels of three 16-bit samples that keeps its promise, black: of 14 350, 1.2 GB out of 7.8 MB.
///
/// One deflate block (RFC 1951, 3.2.6) of a literal 0 and then copies of the 258 bytes before: length 258 is the code 285,
/// eight bits, and distance 1 the code 0, five bits.
pub fn true_bomb(side: usize) -> Vec<u8> {
    let n_bytes = side * (1 + 6 * side);
    let mut bits: Vec<u8> = Vec::new();
    let mut n_bits = 0_usize;
    let mut put = |code: u32, length: usize, most_significant_first: bool| {
        for i in 0..length {
            let shift = if most_significant_first {
                length - 1 - i
            } else {
                i
            };
            if n_bits.is_multiple_of(8) {
                bits.push(0);
            }
            let at = bits.len() - 1;
            bits[at] |= ((code >> shift & 1) as u8) << (n_bits % 8);
            n_bits += 1;
        }
    };
    put(0b011, 3, false);
    put(0x30, 8, true);
    for _ in 0..(n_bytes - 1) / 258 {
        put(0b1100_0101, 8, true);
        put(0, 5, true);
    }
    for _ in 0..(n_bytes - 1) % 258 {
        put(0x30, 8, true);
    }
    put(0, 7, true);
    // Adler-32 of n zeros (RFC 1950, 9): a stays 1, b is n.
    let adler = ((n_bytes % 65_521) as u32) << 16 | 1;
    png(
        side as u32,
        0,
        &[&[0x78, 0xDA][..], &bits, &adler.to_be_bytes()].concat(),
    )
}

/// Bombs, giants, broken pictures of every form and lies in the header, all in one inbox with two good photos: each has
/// a row, the good ones are measured as if alone, and the program never takes more than 600 MiB.
#[test]
fn hostile_pictures_take_no_memory_and_nothing_from_the_good_ones() {
    let place = Place::new();
    place.put_demo(|photo| photo == "turnstone/lamp-03.jpg");
    let lamp = demo_bytes("heron/lamp-01.jpg");
    place.put("heron/lamp-01.jpg", &lamp);
    let mut n = 2;
    let mut put = |name: &str, bytes: &[u8]| {
        place.put(&format!("heron/{name}"), bytes);
        n += 1;
    };
    put("bomb.png", &bomb());
    // Black, and as far as anyone can tell a dark picture: it is read, row by row.
    put("true-bomb.png", &true_bomb(14_350));
    for (name, bytes, _) in BOMBS.iter() {
        put(name, bytes);
    }
    let side = lamp
        .windows(4)
        .position(|w| w == [0xFF, 0xC0, 0x00, 0x11])
        .expect("a frame header")
        + 5;
    let mut giant = lamp.clone();
    giant[side..side + 4].fill(0xFF);
    put("giant.jpg", &giant);
    put("half.jpg", &lamp[..lamp.len() / 2]);
    let mut flipped = lamp.clone();
    for at in (lamp.len() / 2..lamp.len()).step_by(5000) {
        flipped[at] ^= 0x10;
    }
    put("flipped.jpg", &flipped);
    let noise = [
        &b"\xFF\xD8\xFF\xE1\x20\x00Exif\0\0II*\0\x08\0\0\0"[..],
        &[0xA5; 8176],
        &lamp[2..],
    ]
    .concat();
    put("noise-in-exif.jpg", &noise);
    for picture in fs::read_dir(crate::real::shipped("tests/decoded/files"))
        .unwrap()
        .flatten()
    {
        let name = picture.file_name().to_string_lossy().into_owned();
        let bytes = fs::read(picture.path()).unwrap();
        put(&format!("whole-{name}"), &bytes);
        put(&format!("part-{name}"), &bytes[..bytes.len() * 2 / 3]);
    }
    // A terabyte that takes no room on the disk, and a device that gives zeros for ever.
    let film = fs::File::create(place.inbox().join("heron/film.jpg")).unwrap();
    film.set_len(1 << 40).expect("a sparse file");
    n += 1;
    let device = place.inbox().join("heron/zeros.jpg");
    let mode = rustix::fs::Mode::from_raw_mode(0o666);
    let zeros = rustix::fs::makedev(1, 5);
    let made = rustix::fs::mknodat(
        rustix::fs::CWD,
        &device,
        rustix::fs::FileType::CharacterDevice,
        mode,
        zeros,
    );
    match made {
        Ok(()) => n += 1,
        Err(_) => eprintln!("skipped in part: only the administrator can make a device"),
    }
    let config = fs::read_to_string(crate::real::shipped("config/lab.yaml")).unwrap();
    let impatient = place.path("lab.yaml");
    fs::write(&impatient, config.replace("settle_s: 2 ", "settle_s: 0.5 ")).unwrap();
    let outside = place.outside();
    let began = std::time::Instant::now();
    let (status, most_mib) =
        place.run_and_weigh(&["sweep", "-q", "-q", "--config", impatient.to_str().unwrap()]);
    eprintln!(
        "{n} entries in {:.1?}; at most {most_mib} MiB",
        began.elapsed()
    );
    assert_eq!(status, Some(0));
    assert_eq!(place.outside(), outside, "only the results were written");
    assert!(most_mib <= 600, "{most_mib} MiB");

    let rows = place.rows("quality.csv");
    assert_eq!(rows.len(), n);
    let verdict = |name: &str| {
        let row = rows
            .iter()
            .find(|row| row["photo"] == format!("heron/{name}"));
        let row = row.unwrap_or_else(|| panic!("{name} has no row"));
        (row["verdict"].clone(), row["reasons"].clone())
    };
    let is = |verdict: &str, reason: &str| (verdict.to_owned(), reason.to_owned());
    let bombs: Vec<&str> = BOMBS.iter().map(|(name, ..)| *name).collect();
    for name in [&bombs[..], &["bomb.png", "giant.jpg", "film.jpg"]].concat() {
        assert_eq!(verdict(name), is("unreadable", "too-large"), "{name}");
    }
    assert_eq!(verdict("true-bomb.png"), is("retake", "no-spectrum"));
    assert_eq!(verdict("half.jpg"), is("unreadable", "truncated"));
    if made.is_ok() {
        assert_eq!(verdict("zeros.jpg"), is("unreadable", "unreadable"));
    }
    for row in &rows {
        if row["photo"].contains("/part-") {
            assert!(
                !["good", "caution"].contains(&row["verdict"].as_str()),
                "{}",
                row["photo"]
            );
        }
    }
    let noisy = verdict("noise-in-exif.jpg").0;
    assert!(
        noisy != "unreadable" && noisy != "ignored",
        "its picture is sound: {noisy}"
    );
    let tree = place.tree();
    for photo in ["turnstone/lamp-03.jpg", "heron/lamp-01.jpg"] {
        for name in ["spectrum.csv", "peaks.csv", "overlay.png", "quality.json"] {
            let path = format!("{photo}/{name}");
            assert!(tree[&path] == SWEPT.tree[&path], "{path}");
        }
    }
}

#[test]
fn each_strange_thing_has_a_row_and_costs_nobody_else_anything() {
    let place = Place::new();
    let lamp = demo_bytes("heron/lamp-01.jpg");
    place.put_demo(|photo| photo == "turnstone/lamp-03.jpg");
    // Names; small content that is no picture keeps the test quick.
    let long = format!("{}.jpg", "n".repeat(251));
    for name in [
        "line\nbreak.jpg",
        "<b onclick=alert(1)>&amp;.jpg",
        "=1+1.jpg",
        "\"quo,ted\".jpg",
        "..jpg",
        "...jpg",
        "..\\..\\up.jpg",
        "up\\..\\..\\up.jpg",
        "%2e%2e%2fup.jpg",
        &long,
    ] {
        place.put(&format!("heron/{name}"), b"not a picture");
    }
    place.put("heron/zero.jpg", b"");
    place.put("heron/bomb.png", &bomb());
    place.put("heron/words.jpg", b"dear photo");
    place.put("heron/album.jpg/inside.txt", b"x");
    place.put("=cmd/dark.jpg", b"not a picture");
    place.put("..heron/up.jpg", b"not a picture");
    place.put("heron../up..jpg", b"not a picture");
    place.put("heron/.../...jpg", b"not a picture");
    let heron = place.inbox().join("heron");
    fs::write(
        heron.join(OsStr::from_bytes(b"odd\xff.jpg")),
        b"not a picture",
    )
    .unwrap();
    std::os::unix::fs::symlink("loop.jpg", heron.join("loop.jpg")).unwrap();
    std::os::unix::fs::symlink("..", heron.join("up")).unwrap();
    std::os::unix::fs::symlink("/etc/hostname", heron.join("away.jpg")).unwrap();
    let mode = rustix::fs::Mode::from_raw_mode(0o600);
    let fifo = heron.join("pipe.jpg");
    rustix::fs::mknodat(rustix::fs::CWD, &fifo, rustix::fs::FileType::Fifo, mode, 0).unwrap();
    // The good photos: as they are, and under a name that a spreadsheet would compute.
    place.put("heron/lamp-01.jpg", &lamp);
    place.put(
        "avocet/lamp =1+1\n<i>.jpg",
        &demo_bytes("avocet/lamp-01.jpg"),
    );

    let config = fs::read_to_string(crate::real::shipped("config/lab.yaml")).unwrap();
    let impatient = place.path("lab.yaml");
    // What looks unfinished is waited for; a test need not.
    fs::write(
        &impatient,
        config.replace("damaged_after_s: 60", "damaged_after_s: 2"),
    )
    .unwrap();
    let outside = place.outside();
    let output = place.run(&["sweep", "--config", impatient.to_str().unwrap()]);
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    assert_eq!(place.outside(), outside, "only the results were written");

    let rows = place.rows("quality.csv");
    let found: BTreeMap<&str, (&str, &str)> = rows
        .iter()
        .map(|row| {
            (
                row["photo"].as_str(),
                (row["verdict"].as_str(), row["reasons"].as_str()),
            )
        })
        .collect();
    let unreadable = ("unreadable", "unreadable");
    let mut expected = BTreeMap::from([
        ("heron/line\nbreak.jpg", unreadable),
        ("heron/<b onclick=alert(1)>&amp;.jpg", unreadable),
        ("heron/=1+1.jpg", unreadable),
        ("heron/\"quo,ted\".jpg", unreadable),
        // Hidden by their dots: the shipped rules leave them alone.
        ("heron/..jpg", ("ignored", "")),
        ("heron/...jpg", ("ignored", "")),
        ("heron/..\\..\\up.jpg", ("ignored", "")),
        ("..heron/up.jpg", ("ignored", "")),
        ("heron/.../...jpg", ("ignored", "")),
        ("heron/%2e%2e%2fup.jpg", unreadable),
        ("heron/up\\..\\..\\up.jpg", unreadable),
        ("heron../up..jpg", unreadable),
        ("heron/zero.jpg", unreadable),
        ("heron/bomb.png", ("unreadable", "too-large")),
        ("heron/words.jpg", unreadable),
        ("heron/album.jpg", unreadable),
        ("heron/album.jpg/inside.txt", ("ignored", "")),
        // A cell that a spreadsheet would compute is written with a quotation mark before it.
        ("'=cmd/dark.jpg", unreadable),
        ("heron/odd\\xFF.jpg", unreadable),
        ("heron/loop.jpg", unreadable),
        // Named like no picture: the shipped rules leave it alone.
        ("heron/up", ("ignored", "")),
        ("heron/away.jpg", unreadable),
        ("heron/pipe.jpg", unreadable),
        ("heron/lamp-01.jpg", ("good", "")),
        ("turnstone/lamp-03.jpg", ("good", "")),
        ("avocet/lamp =1+1\n<i>.jpg", ("good", "")),
    ]);
    let long = format!("heron/{long}");
    expected.insert(&long, unreadable);
    assert_eq!(found, expected);
    assert_eq!(rows.len(), expected.len());

    // Each has its folder, even where its name is too long for one.
    let tree = place.tree();
    let n = tree
        .keys()
        .filter(|name| name.ends_with("/quality.json"))
        .count();
    assert_eq!(n, expected.len());
    // The good one is measured as in better company.
    for name in ["spectrum.csv", "peaks.csv", "overlay.png"] {
        let path = format!("turnstone/lamp-03.jpg/{name}");
        assert!(tree[&path] == SWEPT.tree[&path], "{path}");
    }
    let board = std::str::from_utf8(&tree["board.html"]).unwrap();
    let bench = std::str::from_utf8(&tree["heron/index.html"]).unwrap();
    for page in [board, bench] {
        assert!(!page.contains("<b onclick"), "markup in a name stays text");
    }
}

/// The names that the class's tables and pages have, at the top and in a bench's folder, as folders and as files of the inbox:
/// each thing has its own fate, and each table is written.
#[test]
fn what_is_named_like_a_table_or_a_page_takes_its_place_from_no_other() {
    let empty = Place::new();
    empty.put("heron/words.jpg", b"dear photo");
    assert_eq!(empty.run(&["sweep"]).status.code(), Some(0));
    let written: Vec<String> = crate::real::files_below(&empty.results())
        .into_iter()
        .filter(|name| name.matches('/').count() < 2)
        .collect();
    assert!(written.len() > 10, "{written:?}");
    let place = Place::new();
    let mut n = 0;
    for name in &written {
        let name = name.rsplit('/').next().expect("a name");
        for photo in [
            format!("{name}/words.jpg"),
            format!("heron/{name}"),
            format!("{name}-file/{name}"),
        ] {
            place.put(&photo, b"dear photo");
            n += 1;
        }
    }
    // A folder that is named like a photo has a row, too.
    place.put("heron/cards/a.jpg.card.png/words.jpg", b"dear photo");
    n += 2;
    let outside = place.outside();
    let output = place.run(&["sweep"]);
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    assert_eq!(place.outside(), outside, "only the results were written");
    assert_eq!(place.rows("quality.csv").len(), n);
    let tree = place.tree();
    let n_fates = tree.keys().filter(|name| name.ends_with("/quality.json"));
    assert_eq!(n_fates.count(), n);
    for name in written.iter().filter(|name| !name.ends_with(".log")) {
        assert!(place.results().join(name).is_file(), "{name}");
    }
}
