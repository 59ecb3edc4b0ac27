//! Photos under the names that phones give by themselves: what they are is seen, and nothing else changes.

use std::collections::BTreeMap;

use crate::real::{CLASS, Place, SWEPT, demo_bytes, demo_photos, stderr, stdout};

/// What cannot be seen in a photo of the demo: that it is a blank, and whose blank it is; that a bulb was meant as the lamp.
fn cannot_be_seen(photo: &str) -> bool {
    let name = photo.rsplit('/').next().unwrap_or(photo);
    ["blank", "dye", "lamp-02-bulb"]
        .iter()
        .any(|begins| name.starts_with(begins))
}

/// The demo's photos under camera names, by those of the demo.
fn renamed() -> BTreeMap<String, String> {
    let camera_name = |photo: &String| {
        let planned = CLASS.iter().find(|planned| planned.path == *photo)?;
        let (bench, _) = photo.split_once('/')?;
        let taken = planned.shot.taken.strftime("IMG_%Y%m%d_%H%M%S.jpg");
        photo
            .ends_with(".jpg")
            .then(|| (photo.clone(), format!("{bench}/{taken}")))
    };
    demo_photos().iter().filter_map(camera_name).collect()
}

#[test]
fn the_whole_demo_under_camera_names_comes_to_the_same() {
    let place = Place::new();
    let names = renamed();
    assert_eq!(names.len(), 35);
    for (photo, name) in &names {
        place.put(name, &demo_bytes(photo));
    }
    let output = place.run(&["sweep", "--workers", "4"]);
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    let mut wrong = Vec::new();
    for (photo, name) in &names {
        let (named, found) = (SWEPT.place.quality(photo), place.quality(name));
        assert_ne!(found["verdict"], "waiting", "{photo}");
        let is_lamp = photo.contains("/lamp-") && !cannot_be_seen(photo);
        let is_said_lamp = found["capture"] == "calibration";
        assert_eq!(is_lamp, is_said_lamp, "{photo}: {}", found["looks"]);
        if cannot_be_seen(photo) {
            assert_eq!(found["capture"], "sample", "{photo}");
            continue;
        }
        // Advice may name a lamp photo or a blank.
        let codes = |quality: &serde_json::Value| -> Vec<String> {
            let reasons = quality["reasons"].as_array().unwrap().iter();
            reasons
                .map(|r| r["code"].to_string() + &r["measured"].to_string())
                .collect()
        };
        let same = ["capture", "lamp", "verdict", "metrics", "taken", "bench"]
            .iter()
            .all(|key| named[*key] == found[*key]);
        let of = |folder: &str, tree: &BTreeMap<String, Vec<u8>>| {
            tree.get(&format!("{folder}/spectrum.csv")).cloned()
        };
        let same_spectrum = of(photo, &SWEPT.tree) == of(name, &place.tree());
        if !same || codes(&named) != codes(&found) || !same_spectrum {
            wrong.push(format!("{photo}: {named:#} became {found:#}"));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));

    let lamp = &names["heron/lamp-01.jpg"];
    let said = stdout(&place.run(&["explain", lamp]));
    assert!(
        said.contains("rule 'looks like the lamp' took it"),
        "{said}"
    );
    assert!(said.contains("looks like fluorescent, sure to"), "{said}");
    let tube = &names["turnstone/pier-lamp.jpg"];
    let remarks = place.quality(tube)["remarks"].to_string();
    assert!(
        remarks.contains("it may be continuous or halophosphate"),
        "{remarks}"
    );
}
