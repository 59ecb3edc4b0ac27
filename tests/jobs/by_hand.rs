//! The instructor's own table has the last word on single photos, and the rooms' phones are noticed.

use std::fs;
use std::os::unix::fs::MetadataExt;

use crate::edits::quick_configuration;
use crate::real::{self, Place, demo_bytes, stdout};

const PHOTO: &str = "heron/IMG_0001.jpg";

#[test]
fn a_table_saved_while_it_watches_decides_on_those_photos_alone() {
    let place = Place::new();
    place.put(PHOTO, &demo_bytes("heron/lamp-01.jpg"));
    place.put("heron/notes.txt", b"the lamp at the ferry steps");
    let (config, table) = (place.path("lab.yaml"), place.path("overrides.csv"));
    let text = quick_configuration();
    fs::write(&config, format!("{text}\noverrides: overrides.csv\n")).unwrap();
    fs::write(&table, "photo,verdict\n").unwrap();
    let daemon = place.start(&["watch", "--config", config.to_str().unwrap()]);
    let quality = |photo: &str| place.results().join(photo).join("quality.json");
    let verdict = || {
        let text = fs::read_to_string(quality(PHOTO)).unwrap_or_default();
        let record: serde_json::Value = serde_json::from_str(&text).unwrap_or_default();
        record["verdict"].as_str().unwrap_or_default().to_owned()
    };
    place.wait_for("the lamp", || verdict() == "good");
    let is_made = || quality("heron/notes.txt").exists();
    place.wait_for("the note", is_made);
    let note_before = fs::metadata(quality("heron/notes.txt")).unwrap().ino();

    // As a spreadsheet saves it.
    let rows = "\u{feff}Photo;Verdict;Note;By\r\nheron/IMG_0001.jpg;Retake;\"the wrong lamp; see me\";Ada\r\n;;;\r\n";
    fs::write(&table, rows).unwrap();
    place.wait_for("the verdict", || verdict() == "retake");
    let record = place.quality(PHOTO);
    assert_eq!(record["provenance"]["overrides"]["by"], "Ada");
    assert_eq!(record["capture"], "calibration", "the rest is the rules'");
    let advice = record["reasons"][0]["advice"].as_str().unwrap();
    assert!(
        advice.starts_with("Ada says: the wrong lamp; see me."),
        "{advice}"
    );
    // The tables follow the photos: this one may still be to come, or be without the row.
    let row = || {
        let table = fs::read(place.results().join("quality.csv")).unwrap_or_default();
        let mut rows = real::rows(&table).into_iter();
        rows.find(|row| row["photo"] == PHOTO)
    };
    place.wait_for("the table", || {
        row().is_some_and(|row| row["decided_by"] == "Ada")
    });
    let by = row().map(|row| row["capture_by"].clone());
    assert_eq!(by.as_deref(), Some("looks"), "only the verdict is hers");
    for page in ["board.html", "heron/index.html", "heron/calibration.html"] {
        let says_so = || {
            let text = fs::read_to_string(place.results().join(page)).unwrap_or_default();
            text.contains("decided by Ada") || text.contains("decided on by Ada")
        };
        place.wait_for(page, says_so);
    }
    let note_after = fs::metadata(quality("heron/notes.txt")).unwrap().ino();
    assert_eq!(note_before, note_after, "no other photo is made again");

    let said = || fs::read_to_string(place.path("stderr")).unwrap_or_default();
    fs::write(&table, "photo,verdict\nheron/IMG_0001.jpg,god\n").unwrap();
    place.wait_for("a word on it", || {
        said().contains("overrides.csv:2:20: \"god\" is no verdict")
    });
    assert!(said().contains("the old one stays in force"), "{}", said());
    assert_eq!(verdict(), "retake");

    fs::write(&table, "photo,ignore,by\nheron/IMG_0001.jpg,yes,Ada\n").unwrap();
    place.wait_for("its end", || verdict() == "ignored");
    let is_by = |who: &str, ground: &str| {
        row().is_some_and(|row| row["decided_by"] == who && row["capture_by"] == ground)
    };
    place.wait_for("both columns", || is_by("Ada", "person"));
    assert_eq!(place.quality(PHOTO)["capture_by"], "person");
    fs::write(&table, "photo,ignore,by\n").unwrap();
    place.wait_for("its return", || verdict() == "good");
    place.wait_for("neither of them", || is_by("", "looks"));
    assert_eq!(daemon.stop(), Some(0));
}

#[test]
fn check_says_what_the_rules_take_and_what_is_odd_about_benches_and_phones() {
    let place = Place::new();
    place.put("heron/lamp-01.jpg", &demo_bytes("heron/lamp-01.jpg"));
    place.put("heron/IMG_0001.jpg", &demo_bytes("heron/neon-sign.jpg"));
    place.put(
        "heron/late/IMG_0001.jpg",
        &demo_bytes("avocet/buoy-red.jpg"),
    );
    place.put("2026-11-12/notes.txt", b"the lamp at the ferry steps");
    // Two phones of one kind in one folder: one counted name at two times.
    place.put("dunlin/a/IMG_0007.jpg", &demo_bytes("dunlin/dye-2mg.jpg"));
    place.put("dunlin/b/IMG_0007.jpg", &demo_bytes("dunlin/dye-4mg.jpg"));
    let config = place.path("lab.yaml");
    let text = quick_configuration();
    fs::write(&config, format!("{text}\noverrides: overrides.csv\n")).unwrap();
    fs::write(
        place.path("overrides.csv"),
        "photo,note\nheron/lamp-1.jpg,mine\n",
    )
    .unwrap();
    let check = || stdout(&place.run(&["check", "--all", "--config", config.to_str().unwrap()]));
    let said = check();
    for line in [
        "ok: rule 'lamp' takes 1 file, heron/lamp-01.jpg",
        "ok: rule 'sidecars' takes 1 file, 2026-11-12/notes.txt",
        "told by a look once they are measured: 4 files, such as dunlin/a/IMG_0007.jpg",
        "ATTENTION: the bench 2026-11-12 is named like a date",
        "ATTENTION: the bench heron has photos of 2 phones",
        "ATTENTION: two phones of the bench heron gave one name to two photos (",
        "ATTENTION: photos of the bench dunlin (2, such as dunlin/a/IMG_0007.jpg) are of several phones that cannot be told apart",
        "names 1 that are not in the inbox, such as heron/lamp-1.jpg",
    ] {
        assert!(said.contains(line), "{line} is missing in\n{said}");
    }
    // The second phone is given to a bench by the code that was shown.
    let phones = said
        .lines()
        .filter_map(|line| line.strip_prefix("ok: phone "));
    let second = phones
        .filter(|line| line.contains("late/IMG_0001.jpg"))
        .collect::<String>();
    let code = second
        .split(" of heron")
        .next()
        .unwrap()
        .rsplit(' ')
        .next()
        .unwrap();
    let text = text.replace("phones: {}", &format!("phones: {{'{code}': avocet}}"));
    fs::write(&config, text).unwrap();
    let said = check();
    assert!(
        said.contains(&format!("{code} of avocet: 1 file")),
        "{said}"
    );
    assert!(!said.contains("photos of 2 phones"), "{said}");
}
