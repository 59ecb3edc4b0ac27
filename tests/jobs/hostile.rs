//! An inbox that nobody cleaned up: strange names and strange things, each with a row of its own, and a good photo
//! beside them that is measured as if it were alone.

use std::collections::BTreeMap;
use std::ffi::OsStr;
use std::fs;
use std::os::unix::ffi::OsStrExt;

use crate::real::{Place, SWEPT, demo_bytes, stderr};

/// A PNG that promises 60 000 × 60 000 pixels (PNG specification, 11.2.2: IHDR), and little else.
fn bomb() -> Vec<u8> {
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
    let side = 60_000_u32.to_be_bytes();
    chunk(b"IHDR", &[&side[..], &side[..], &[16, 2, 0, 0, 0]].concat());
    chunk(b"IDAT", &[0x78, 0x9c, 0x03, 0, 0, 0, 0, 1]);
    chunk(b"IEND", &[]);
    png
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
        &long,
    ] {
        place.put(&format!("heron/{name}"), b"not a picture");
    }
    place.put("heron/zero.jpg", b"");
    place.put("heron/bomb.png", &bomb());
    place.put("heron/words.jpg", b"dear photo");
    place.put("heron/album.jpg/inside.txt", b"x");
    place.put("=cmd/dark.jpg", b"not a picture");
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
    let output = place.run(&["sweep", "--config", impatient.to_str().unwrap()]);
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));

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
