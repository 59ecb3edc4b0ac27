//! What tubes that are known for what they are say of their bench's scale: it moves the other photos, never their own, and comes to
//! the same however the photos come and go.

use std::fs;

use crate::real::{Place, assert_same_tree, demo_bytes, shipped, stderr};

const LAMP: &str = "heron/lamp-01.jpg";
const HELIUM: &str = "heron/helium-sign.jpg";
const NEON: &str = "heron/neon-sign.jpg";
const SODIUM: &str = "heron/quay-sodium.jpg";

fn with(photos: &[&str]) -> Place {
    let place = Place::new();
    for photo in photos {
        place.put(photo, &demo_bytes(photo));
    }
    place
}

/// Sweeps, and returns the last line of what was said.
fn swept(place: &Place) -> String {
    let output = place.run(&["sweep"]);
    assert!(output.status.success(), "{}", stderr(&output));
    stderr(&output)
        .lines()
        .last()
        .unwrap_or_default()
        .to_owned()
}

/// Paths of the photos whose lines moved a photo's scale.
fn moved_by(place: &Place, photo: &str) -> Vec<String> {
    let record = place.quality(photo);
    let by = record["provenance"]["known_lines"].as_object().cloned();
    by.unwrap_or_default().keys().cloned().collect()
}

fn peaks(place: &Place, photo: &str) -> Vec<u8> {
    fs::read(place.results().join(photo).join("peaks.csv")).unwrap()
}

#[test]
fn a_tube_moves_the_others_scale_and_never_its_own_and_nothing_is_decoded_for_it() {
    let alone = with(&[LAMP, HELIUM]);
    swept(&alone);
    assert_eq!(moved_by(&alone, HELIUM), [""; 0]);
    let lines = alone.quality(HELIUM)["known_lines"].clone();
    assert!(lines.as_array().is_some_and(|l| l.len() >= 4), "{lines}");

    let place = with(&[LAMP, HELIUM, NEON, SODIUM]);
    let said = swept(&place);
    assert!(said.contains("4 pictures decoded"), "{said}");
    assert_eq!(moved_by(&place, HELIUM), [NEON]);
    assert_eq!(moved_by(&place, NEON), [HELIUM]);
    assert_eq!(moved_by(&place, SODIUM), [HELIUM, NEON]);
    assert_eq!(
        moved_by(&place, LAMP),
        [""; 0],
        "the lamp's scale is its own"
    );
    let record = place.quality(HELIUM);
    assert_eq!(record["known_lines"], lines, "on the lamp photo's scale");
    let remarks = record["remarks"].to_string();
    let told = "known lines of heron/neon-sign.jpg";
    assert!(remarks.contains(told), "{remarks}");
    let sigma_nm = |place: &Place| {
        let rows = place.rows(&format!("{HELIUM}/peaks.csv"));
        let red = rows.into_iter().find(|row| row["name"] == "He 667.82");
        red.expect("the red line")["centre_sigma_nm"]
            .parse::<f64>()
            .unwrap()
    };
    assert!(
        sigma_nm(&place) < sigma_nm(&alone),
        "better known in the red"
    );

    fs::remove_file(place.path("inbox").join(NEON)).unwrap();
    fs::remove_file(place.path("inbox").join(SODIUM)).unwrap();
    swept(&place);
    assert_eq!(moved_by(&place, HELIUM), [""; 0]);
    assert_eq!(peaks(&place, HELIUM), peaks(&alone, HELIUM), "as before");
    assert_same_tree(&place.tree(), &alone.tree(), "after the others went");
}

/// A limit that is edited has what was not kept measured again, beside the others that are there already.
#[test]
fn a_picture_says_the_same_whether_or_not_the_tubes_were_there_when_it_was_drawn() {
    let place = with(&[LAMP, HELIUM, NEON]);
    swept(&place);
    let folder = place.results().join(HELIUM);
    let drawn = fs::read(folder.join("overlay.png")).unwrap();
    fs::remove_file(folder.join("measured.bin")).unwrap();
    let settings = fs::read_to_string(shipped("config/lab.yaml")).unwrap();
    let edited = settings.replace("skew_deg: {caution: 2", "skew_deg: {caution: 1.5");
    assert_ne!(settings, edited);
    let config = place.path("lab.yaml");
    fs::write(&config, edited).unwrap();
    let output = place.run(&["sweep", "--config", config.to_str().unwrap()]);
    assert!(
        stderr(&output).contains("1 pictures decoded"),
        "{}",
        stderr(&output)
    );
    assert_eq!(moved_by(&place, HELIUM), [NEON]);
    assert!(drawn == fs::read(folder.join("overlay.png")).unwrap());
}

#[test]
fn tubes_that_come_one_by_one_to_a_daemon_come_to_what_a_sweep_makes() {
    let place = with(&[SODIUM, NEON]);
    let daemon = place.start(&["watch"]);
    let is_published = |photo: &str| place.results().join(photo).join("quality.json").exists();
    place.wait_for("the neon", || is_published(NEON));
    place.put(LAMP, &demo_bytes(LAMP));
    place.wait_for("the lamp", || is_published(LAMP));
    place.put(HELIUM, &demo_bytes(HELIUM));
    let is_moved = |photo: &str, by: &[&str]| {
        let text = fs::read(place.results().join(photo).join("quality.json")).unwrap_or_default();
        let record: serde_json::Value = serde_json::from_slice(&text).unwrap_or_default();
        let moved = record["provenance"]["known_lines"].as_object();
        moved.is_some_and(|m| m.keys().map(String::as_str).eq(by.iter().copied()))
    };
    place.wait_for("the neon moved", || is_moved(NEON, &[HELIUM]));
    place.wait_for("the helium moved", || is_moved(HELIUM, &[NEON]));
    place.wait_for("the sodium moved", || is_moved(SODIUM, &[HELIUM, NEON]));
    let board = || fs::read_to_string(place.results().join("quality.csv")).unwrap_or_default();
    place.wait_for("the tables", || board().lines().count() == 5);
    assert_eq!(daemon.stop(), Some(0));
    swept(&place);
    let fresh = with(&[LAMP, HELIUM, NEON, SODIUM]);
    swept(&fresh);
    assert_same_tree(&place.tree(), &fresh.tree(), "one by one and at once");
}
