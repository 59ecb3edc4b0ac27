//! What phones lay beside a photo: other forms of the same shot, and files that are no photos. Each has its row; the shot is
//! measured once.

use slitwatch::decode::facts;

use crate::real::{Place, demo_bytes, stderr, stdout};

/// The directories of a DNG without a picture (DNG 1.4, chapter 4; TIFF 6.0, section 2): enough to say what it is and when
/// it was taken, as `YYYY:MM:DD HH:MM:SS`.
fn dng_without_picture(taken: &str) -> Vec<u8> {
    let entry = |tag: u16, kind: u16, count: u32, value: [u8; 4]| {
        let mut entry = tag.to_le_bytes().to_vec();
        entry.extend(kind.to_le_bytes());
        entry.extend(count.to_le_bytes());
        entry.extend(value);
        entry
    };
    let mut file = b"II*\0\x08\0\0\0\x02\0".to_vec();
    file.extend(entry(34_665, 4, 1, 38u32.to_le_bytes()));
    file.extend(entry(50_706, 1, 4, [1, 4, 0, 0]));
    file.extend([0; 4]);
    file.extend([1, 0]);
    file.extend(entry(36_867, 2, 20, 56u32.to_le_bytes()));
    file.extend([0; 4]);
    file.extend(taken.as_bytes());
    file.push(0);
    file
}

#[test]
fn a_shot_in_two_forms_is_measured_once_and_sidecars_are_left_alone() {
    let place = Place::new();
    let lamp = demo_bytes("heron/lamp-01.jpg");
    let taken = facts(&lamp).taken.expect("a time");
    let raw = dng_without_picture(&taken.strftime("%Y:%m:%d %H:%M:%S").to_string());
    place.put("heron/lamp-01.jpg", &lamp);
    place.put("heron/lamp-01.DNG", &raw);
    place.put("dunlin/lamp-01.dng", &raw);
    let sidecars = [
        "lamp-01.aae",
        "lamp-01.xmp",
        "lamp-01.mov",
        ".DS_Store",
        "Thumbs.db",
        ".thumbnails/lamp-01.jpg",
    ];
    for name in sidecars {
        place.put(&format!("heron/{name}"), b"beside a photo");
    }
    let output = place.run(&["sweep"]);
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    assert_eq!(place.rows("quality.csv").len(), 3 + sidecars.len());
    for name in sidecars {
        let quality = place.quality(&format!("heron/{name}"));
        assert_eq!(quality["verdict"], "ignored", "{name}");
        assert!(
            quality["remarks"][0]
                .as_str()
                .is_some_and(|why| why.len() > 20),
            "{name}"
        );
    }
    assert_eq!(place.quality("heron/lamp-01.jpg")["verdict"], "good");
    let left = place.quality("heron/lamp-01.DNG");
    let alone = place.quality("dunlin/lamp-01.dng");
    assert_eq!(alone["verdict"], "unreadable");
    if cfg!(feature = "dng") {
        // The raw file would be the better one, but there is nothing in it.
        assert_eq!(left["verdict"], "unreadable");
    } else {
        assert_eq!(left["verdict"], "ignored");
        let words = left["remarks"].to_string();
        assert!(
            words.contains("the same shot as heron/lamp-01.jpg"),
            "{words}"
        );
        let words = alone["reasons"].to_string();
        assert!(words.contains("--features dng"), "{words}");
        let explained = place.run(&["explain", "heron/lamp-01.DNG"]);
        assert!(stdout(&explained).contains("the same shot as heron/lamp-01.jpg"));
    }
    // Nothing is left to be done.
    let again = stderr(&place.run(&["sweep", "-v"]));
    assert!(again.contains("0 made anew"), "{again}");
}

#[test]
fn a_name_gives_no_commands_to_the_terminal() {
    let place = Place::new();
    let name = "heron/lamp \u{1b}[8mhidden\u{9b}2J\u{202e}gpj.jpg";
    place.put(name, b"not a picture");
    let said = |arguments: &[&str]| {
        // What is made already is not named again.
        let _ = std::fs::remove_dir_all(place.results());
        let output = place.run(arguments);
        format!("{}{}", stdout(&output), stderr(&output))
    };
    let missing = format!("{name}.not-there");
    for arguments in [
        &["sweep", "-v"][..],
        &["explain", name],
        &["explain", &missing],
        &["sweep", "-v", "--log-format", "json"],
    ] {
        let text = said(arguments);
        assert!(text.contains("hidden"), "{arguments:?}: {text}");
        for command in ['\u{1b}', '\u{9b}', '\u{202e}'] {
            assert!(!text.contains(command), "{arguments:?}: {text:?}");
        }
    }
}
