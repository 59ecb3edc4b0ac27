//! The demo evening, swept by the program with the shipped configuration: does it find what was planted, and are the
//! files what their readers expect?

use std::collections::{BTreeMap, BTreeSet};
use std::fs;

use slitwatch::simulate::{Planned, Scene};
use slitwatch::terms::Capture;

use crate::real::{CLASS, SWEPT, demo_photos, rows};

/// The photo's `(code, severity)` pairs.
fn reasons(quality: &serde_json::Value) -> Vec<(String, String)> {
    let text = |v: &serde_json::Value| v.as_str().expect("text").to_owned();
    let reasons = quality["reasons"].as_array().expect("a list");
    reasons
        .iter()
        .map(|r| (text(&r["code"]), text(&r["severity"])))
        .collect()
}

fn is_slate(planned: &Planned) -> bool {
    matches!(planned.shot.scene, Scene::Card(_))
}

#[test]
fn every_file_has_one_row_and_one_folder() {
    let photos: Vec<&String> = SWEPT.rows.iter().map(|row| &row["photo"]).collect();
    let expected: BTreeSet<String> = demo_photos();
    assert_eq!(photos, expected.iter().collect::<Vec<_>>(), "in order");
    let folders: BTreeSet<String> = SWEPT
        .tree
        .keys()
        .filter_map(|name| name.strip_suffix("/quality.json"))
        .map(str::to_owned)
        .collect();
    assert_eq!(folders, expected);
    for photo in &expected {
        let log = SWEPT.place.results().join(photo).join("photo.log");
        assert!(fs::metadata(log).unwrap().len() > 0, "{photo}");
    }
}

#[test]
fn every_planted_fault_is_found_and_no_sound_photo_is_refused() {
    let mut wrong = Vec::new();
    for planned in CLASS.iter().filter(|p| p.path.ends_with(".jpg")) {
        let quality = SWEPT.place.quality(&planned.path);
        let found = reasons(&quality);
        let verdict = quality["verdict"].as_str().unwrap();
        let faults = &planned.shot.faults;
        for fault in faults {
            let wanted = (fault.code().to_owned(), "retake".to_owned());
            let expected = match fault.code() {
                "truncated" | "unreadable" => "unreadable",
                _ => "retake",
            };
            if !found.contains(&wanted) || verdict != expected {
                wrong.push(format!(
                    "{}: {fault:?} gave {verdict} {found:?}",
                    planned.path
                ));
            }
        }
        let fits = match is_slate(planned) {
            true => verdict == "ignored",
            false => matches!(verdict, "good" | "caution"),
        };
        if faults.is_empty() && !fits {
            wrong.push(format!("{}: sound, gave {verdict} {found:?}", planned.path));
        }
    }
    assert!(wrong.is_empty(), "{wrong:#?}");
}

#[test]
fn the_bench_whose_names_say_nothing_is_understood_by_its_slates() {
    let photos: Vec<&Planned> = CLASS
        .iter()
        .filter(|planned| planned.path.starts_with("curlew/"))
        .collect();
    assert!(
        photos
            .iter()
            .all(|planned| planned.path.contains("/IMG_2026"))
    );
    let captures = [
        ("calibration", "lamp fluorescent"),
        ("blank", "blank"),
        ("sample", "port-light-glass"),
        ("sample", "ice-house-lamp"),
    ];
    assert_eq!(photos.len(), 2 * captures.len());
    let page = String::from_utf8(SWEPT.tree["curlew/index.html"].clone()).unwrap();
    for (pair, (capture, word)) in photos.chunks(2).zip(captures) {
        let [slate, photo] = [&pair[0].path, &pair[1].path];
        assert!(is_slate(pair[0]) && !is_slate(pair[1]));
        let row = |path: &String| SWEPT.rows.iter().find(|row| row["photo"] == *path).unwrap();
        let quality = SWEPT.place.quality(photo);
        assert_eq!(row(slate)["capture_by"], "slate", "{slate}");
        assert_eq!(row(slate)["verdict"], "ignored", "{slate}");
        for (key, value) in [
            ("capture", capture),
            ("capture_by", "slate"),
            ("slate", slate),
            ("verdict", "good"),
        ] {
            assert_eq!(row(photo)[key], value, "{photo}: {key}");
        }
        assert_eq!(quality["capture_by"], "slate");
        assert_eq!(quality["provenance"]["slate"]["by"], slate.as_str());
        let said = [
            &row(photo)["label"],
            &row(photo)["lamp"],
            &row(photo)["capture"],
        ];
        let is_said = said
            .iter()
            .any(|said| word.ends_with(said.as_str()) && !said.is_empty());
        assert!(is_said, "{photo}: {said:?}");
        let name = slate.split_once('/').unwrap().1;
        let log = String::from_utf8(
            SWEPT
                .tree
                .get(&format!("{photo}/quality.json"))
                .unwrap()
                .clone(),
        );
        assert!(
            log.unwrap().contains(&format!("by the slate {slate}: ")),
            "{photo}"
        );
        assert!(page.contains(name), "{slate}");
    }
    // What its blank says of the red glass: it lets red through and takes green.
    let glass = SWEPT
        .place
        .rows(&format!("{}/spectrum.csv", photos[5].path));
    let absorbance = |near_nm: f64| {
        let near = |row: &&BTreeMap<String, String>| {
            (row["wavelength_nm"].parse::<f64>().unwrap() - near_nm).abs() < 5.0
        };
        let of = glass.iter().filter(near);
        let of: Vec<f64> = of
            .filter_map(|row| row["absorbance"].parse().ok())
            .collect();
        of.iter().sum::<f64>() / of.len() as f64
    };
    assert!(
        absorbance(510.0) > 3.0 * absorbance(630.0).abs(),
        "{} {}",
        absorbance(510.0),
        absorbance(630.0)
    );
}

#[test]
fn a_reason_says_what_was_measured_and_what_to_do() {
    let codes: BTreeSet<&str> = [
        "clipped",
        "dim",
        "tilted",
        "skewed",
        "slit-wide",
        "defocused",
        "moved",
        "leak",
        "cropped",
        "part-lit",
        "no-spectrum",
        "few-lines",
        "poor-fit",
        "exposure-differs",
        "exposure-auto",
        "truncated",
        "unreadable",
        "too-large",
    ]
    .into();
    let mut n = 0;
    for row in &SWEPT.rows {
        let quality = SWEPT.place.quality(&row["photo"]);
        for reason in quality["reasons"].as_array().unwrap() {
            let text = |key: &str| reason[key].as_str().unwrap();
            assert!(codes.contains(text("code")), "{reason}");
            assert!(matches!(text("severity"), "caution" | "retake"), "{reason}");
            assert!(!text("measured").is_empty(), "{reason}");
            assert!(text("advice").len() > 20, "{reason}");
            assert!(reason["limit"].is_string(), "{reason}");
            n += 1;
        }
    }
    assert!(n >= 14, "{n} reasons");
}

#[test]
fn quality_json_has_its_keys_and_the_table_is_the_same_flat() {
    const METRICS: [&str; 12] = [
        "clipped_fraction",
        "peak_level",
        "snr",
        "tilt_deg",
        "skew_deg",
        "slit_width_um",
        "slit_width_um_sigma",
        "blur_px",
        "bandpass_nm",
        "background_level",
        "nm_per_px",
        "wavelength_sigma_nm",
    ];
    let mut seen = BTreeSet::new();
    for row in &SWEPT.rows {
        let photo = &row["photo"];
        let quality = SWEPT.place.quality(photo);
        for key in [
            "photo",
            "bench",
            "capture",
            "rule",
            "taken",
            "verdict",
            "reasons",
            "metrics",
            "calibration",
            "provenance",
        ] {
            assert!(quality.get(key).is_some(), "{photo}: no {key}");
        }
        for key in ["photo", "bench", "rule", "verdict"] {
            assert_eq!(quality[key], row[key].as_str(), "{photo}: {key}");
        }
        for key in ["capture", "taken"] {
            assert_eq!(
                quality[key].as_str().unwrap_or(""),
                row[key],
                "{photo}: {key}"
            );
        }
        let codes: Vec<String> = reasons(&quality)
            .into_iter()
            .map(|(code, _)| code)
            .collect();
        assert_eq!(codes.join(";"), row["reasons"], "{photo}");
        let metrics = quality["metrics"].as_object().unwrap();
        for name in METRICS {
            match metrics.get(name) {
                Some(value) => {
                    seen.insert(name);
                    let value = value
                        .as_f64()
                        .unwrap_or_else(|| panic!("{photo}: {name} {value}"));
                    assert_eq!(row[name].parse::<f64>().unwrap(), value, "{photo}: {name}");
                }
                None => assert_eq!(row[name], "", "{photo}: {name}"),
            }
        }
        match metrics.get("order_side").or(quality.get("order_side")) {
            Some(side) if side.is_string() => assert_eq!(side.as_str().unwrap(), row["order_side"]),
            _ => assert_eq!(row["order_side"], "", "{photo}"),
        }
        let hash = quality["provenance"]["photo_hash"].as_str().unwrap();
        let bytes = crate::real::demo_bytes(photo);
        assert_eq!(hash, blake3::hash(&bytes).to_hex().as_str(), "{photo}");
        assert_eq!(quality["provenance"]["version"], env!("CARGO_PKG_VERSION"));
    }
    assert_eq!(
        seen.len(),
        METRICS.len(),
        "each is measured on some photo: {seen:?}"
    );
    // `order_side` is named among the metrics.
    let lamp = SWEPT.place.quality("heron/lamp-01.jpg");
    assert!(lamp["metrics"]["order_side"].is_string());
}

#[test]
fn what_the_evening_took_again_is_asked_for_no_more() {
    let settled: BTreeMap<&str, &str> = SWEPT
        .rows
        .iter()
        .filter(|row| !row["settled_by"].is_empty())
        .map(|row| (row["photo"].as_str(), row["settled_by"].as_str()))
        .collect();
    let expected = BTreeMap::from([
        ("avocet/harbour-led-shaken.jpg", "avocet/harbour-led.jpg"),
        ("avocet/lamp-00-wide-slit.jpg", "avocet/lamp-01.jpg"),
        (
            "avocet/tank-germicidal-lid-open.jpg",
            "avocet/tank-germicidal.jpg",
        ),
        ("dunlin/dye-8mg-other-time.jpg", "dunlin/dye-8mg.jpg"),
        ("dunlin/dye-unknown-auto.jpg", "dunlin/dye-unknown.jpg"),
        ("dunlin/lamp-01-soft.jpg", "dunlin/lamp-02.jpg"),
        ("heron/lamp-00-first-try.jpg", "heron/lamp-01.jpg"),
        // Nothing to see in it: the next photo that serves is what it was to be.
        ("heron/pocket.jpg", "heron/lamp-02.jpg"),
        ("heron/quay-sodium-too-long.jpg", "heron/quay-sodium.jpg"),
        (
            "turnstone/kiosk-halogen-far.jpg",
            "turnstone/kiosk-halogen.jpg",
        ),
        ("turnstone/lamp-01-askew.jpg", "turnstone/lamp-03.jpg"),
        ("turnstone/lamp-02-bulb.jpg", "turnstone/lamp-03.jpg"),
    ]);
    assert_eq!(settled, expected);
    let page = |name: &str| String::from_utf8(SWEPT.tree[name].clone()).unwrap();
    let board = page("board.html");
    let now = &board[..board.find("id=\"instruments\"").unwrap()];
    for open in ["ferry-office-window.jpg", "neon-sign-edge.jpg"] {
        assert!(now.contains(open), "{open}");
    }
    for photo in expected.keys() {
        let (bench, name) = photo.split_once('/').unwrap();
        assert!(!now.contains(name), "{name} is still asked for");
        let page = page(&format!("{bench}/index.html"));
        let again = format!("<bdi>{}</bdi>", expected[photo].split_once('/').unwrap().1);
        assert!(page.contains(&format!("taken again: {again}")), "{photo}");
    }
    assert!(board.contains("<bdi>pocket.jpg</bdi> taken again: <bdi>lamp-02.jpg</bdi>"));
}

/// RFC 4180, section 2: records end with CRLF; as many fields in each; the header first.
#[test]
fn spectrum_csv_has_its_columns_and_rising_equal_steps() {
    const FIRST: &str = "wavelength_nm,signal,signal_sigma,red,green,blue,clipped";
    const BLANK: &str = ",transmittance,transmittance_sigma,absorbance,absorbance_sigma";
    let spectra: Vec<(&String, &Vec<u8>)> = SWEPT
        .tree
        .iter()
        .filter(|(name, _)| name.ends_with("/spectrum.csv"))
        .collect();
    assert!(spectra.len() > 16, "{}", spectra.len());
    for (name, bytes) in spectra {
        let text = std::str::from_utf8(bytes).unwrap();
        assert!(text.ends_with("\r\n"), "{name}");
        assert_eq!(
            text.matches('\n').count(),
            text.matches("\r\n").count(),
            "{name}"
        );
        assert!(!text.contains(['"', '#', ';']), "{name}: numbers only");
        let quality = SWEPT
            .place
            .quality(name.strip_suffix("/spectrum.csv").unwrap());
        // A lamp of its own beside a blank says why it is not compared with it.
        let remarks = quality["remarks"].to_string();
        let blanks = quality["provenance"]["blank"].as_object().unwrap();
        let has_blank = !blanks.is_empty() && !remarks.contains("is not compared with");
        let header = if has_blank {
            format!("{FIRST}{BLANK}")
        } else {
            FIRST.to_owned()
        };
        assert_eq!(text.lines().next().unwrap(), header, "{name}");
        let rows = rows(bytes);
        let number = |row: &BTreeMap<String, String>, column: &str| {
            let value = row[column]
                .parse::<f64>()
                .unwrap_or_else(|_| panic!("{name}: {column} {}", row[column]));
            assert!(value.is_finite(), "{name}");
            value
        };
        let nm: Vec<f64> = rows
            .iter()
            .map(|row| number(row, "wavelength_nm"))
            .collect();
        let step = nm[1] - nm[0];
        assert!(
            step > 0.0 && nm.windows(2).all(|w| (w[1] - w[0] - step).abs() < 1e-6),
            "{name}"
        );
        for row in &rows {
            let signal = number(row, "signal");
            assert!((-0.1..=1.1).contains(&signal), "{name}: {signal}");
            assert!(number(row, "signal_sigma") > 0.0, "{name}");
            assert!((0.0..=1.0).contains(&number(row, "clipped")), "{name}");
            for channel in ["red", "green", "blue"] {
                number(row, channel);
            }
        }
    }
}

#[test]
fn a_series_against_its_blank_obeys_the_law_of_absorption() {
    // Bouguer, Lambert, Beer: absorbance is proportional to concentration. The dye's own maximum does not matter here.
    let absorbance = |mg: u32| {
        let rows = SWEPT
            .place
            .rows(&format!("dunlin/dye-{mg}mg.jpg/spectrum.csv"));
        let near: Vec<f64> = rows
            .iter()
            .filter(|row| (500.0..520.0).contains(&row["wavelength_nm"].parse::<f64>().unwrap()))
            .filter_map(|row| row["absorbance"].parse().ok())
            .collect();
        assert!(near.len() > 40, "{mg} mg: {} rows", near.len());
        near.iter().sum::<f64>() / near.len() as f64
    };
    let per_mg: Vec<f64> = [2, 4, 6]
        .iter()
        .map(|&mg| absorbance(mg) / f64::from(mg))
        .collect();
    let mean = per_mg.iter().sum::<f64>() / 3.0;
    assert!(mean > 0.01, "{per_mg:?}");
    assert!(
        per_mg.iter().all(|a| (a / mean - 1.0).abs() < 0.05),
        "{per_mg:?}"
    );
    // Transmittance and absorbance are one number written twice.
    for row in SWEPT.place.rows("dunlin/dye-4mg.jpg/spectrum.csv") {
        let number = |name: &str| row[name].parse::<f64>().ok();
        let (Some(t), Some(a)) = (number("transmittance"), number("absorbance")) else {
            continue;
        };
        assert!((-t.log10() - a).abs() < 2e-3 * a.abs().max(1.0), "{t} {a}");
    }
}

#[test]
fn the_series_gives_its_unknown_and_lamps_are_known_for_what_they_are() {
    let series = SWEPT.place.rows("series.csv");
    assert_eq!(series.len(), 1);
    let number = |name: &str| series[0][name].parse::<f64>().expect("a number");
    assert_eq!(
        (series[0]["bench"].as_str(), series[0]["series"].as_str()),
        ("dunlin", "dye")
    );
    // Drawn with 4.9 mg/L; the photo with an automatic exposure is to be taken again and takes no part.
    assert!(
        number("low_95") < 4.9 && 4.9 < number("high_95"),
        "{series:?}"
    );
    assert!((number("unknown") - 4.9).abs() < 0.2 && number("unknown_sigma") < 0.25);
    let photos = SWEPT.place.rows("concentrations.csv");
    assert_eq!(photos.iter().filter(|r| r["role"] == "standard").count(), 4);
    assert_eq!(photos.iter().filter(|r| r["role"] == "unknown").count(), 1);
    for (photo, lamp) in [
        ("heron/helium-sign.jpg", "helium"),
        ("heron/quay-sodium.jpg", "sodium"),
        ("avocet/tank-germicidal.jpg", "mercury"),
        ("avocet/buoy-red.jpg", "led"),
        ("turnstone/kiosk-halogen.jpg", "filament"),
    ] {
        let answers = &SWEPT.place.quality(photo)["answers"];
        assert_eq!(answers["lamp"]["name"], lamp, "{photo}");
        assert!(answers["lamp"]["score"].as_f64() > answers["lamp"]["runner_up_score"].as_f64());
    }
    // No bulb of stated temperature was photographed: no colour, and a reason.
    for row in SWEPT.place.rows("colours.csv") {
        assert!(
            row["refused"].starts_with("no-response") && row["x"].is_empty(),
            "{row:?}"
        );
    }
    assert!(SWEPT.place.rows("references.csv").len() > 10);
    let jdx =
        String::from_utf8(SWEPT.tree["dunlin/dye-4mg.jpg/absorbance.jdx"].clone()).expect("ASCII");
    assert!(jdx.starts_with("##TITLE= ") && jdx.ends_with("##END=\r\n"));
}

#[test]
fn spectra_csv_holds_every_usable_spectrum_row_for_row() {
    let mut by_photo: BTreeMap<String, Vec<BTreeMap<String, String>>> = BTreeMap::new();
    for row in SWEPT.place.rows("spectra.csv") {
        by_photo.entry(row["photo"].clone()).or_default().push(row);
    }
    for row in &SWEPT.rows {
        let photo = &row["photo"];
        let quality = SWEPT.place.quality(photo);
        let is_calibrated = quality["calibration"]["kind"] == "calibrated";
        let Some(own) = SWEPT.tree.get(&format!("{photo}/spectrum.csv")) else {
            assert!(!by_photo.contains_key(photo), "{photo}");
            continue;
        };
        let is_usable = ["good", "caution"].contains(&row["verdict"].as_str());
        let is_there = is_calibrated && is_usable;
        assert_eq!(by_photo.contains_key(photo), is_there, "{photo}");
        if !is_there {
            continue;
        }
        let own = rows(own);
        let long = &by_photo[photo];
        assert_eq!(own.len(), long.len(), "{photo}");
        for (own, long) in own.iter().zip(long) {
            for column in ["bench", "verdict", "capture", "session"] {
                assert_eq!(long[column], row[column], "{photo}: {column}");
            }
            for (column, cell) in own {
                assert_eq!(&long[column], cell, "{photo}: {column}");
            }
        }
    }
}

#[test]
fn calibration_json_names_each_lamp_photo_and_what_came_of_it() {
    for bench in ["avocet", "curlew", "dunlin", "heron", "turnstone"] {
        let bytes = &SWEPT.tree[&format!("{bench}/calibration.json")];
        let json: serde_json::Value = serde_json::from_slice(bytes).unwrap();
        assert_eq!(json["bench"], bench);
        let listed = json["calibrations"].as_array().unwrap();
        let lamps: Vec<&str> = SWEPT
            .rows
            .iter()
            .filter(|row| row["bench"] == bench && row["capture"] == Capture::Calibration.as_str())
            .map(|row| row["photo"].as_str())
            .collect();
        let names: Vec<&str> = listed
            .iter()
            .map(|c| c["photo"].as_str().unwrap())
            .collect();
        assert_eq!(names, lamps);
        for c in listed {
            let photo = c["photo"].as_str().unwrap();
            let users = SWEPT
                .rows
                .iter()
                .filter(|row| row["calibration_photo"] == photo && row["photo"] != photo);
            assert_eq!(c["used_by"], users.count(), "{photo}");
            if c["verdict"] == "good" {
                assert!(c["rms_nm"].as_f64().unwrap() < 0.3, "{photo}");
                assert!(c["lines"].as_array().unwrap().len() >= 4, "{photo}");
                let has_sigma = |name: &str| c["parameters"].get(format!("{name}_sigma")).is_some();
                assert!(has_sigma("focal_px") && has_sigma("roll_rad"), "{photo}");
            } else {
                assert_eq!(c["used_by"], 0, "{photo} is to be retaken");
            }
        }
    }
}

#[test]
fn the_provenance_names_what_a_photo_was_made_from() {
    for row in &SWEPT.rows {
        let quality = SWEPT.place.quality(&row["photo"]);
        let hashes = |kind: &str| quality["provenance"][kind].as_object().unwrap().clone();
        for (photo, hash) in hashes("calibration").into_iter().chain(hashes("blank")) {
            let bytes = crate::real::demo_bytes(&photo);
            // Behind the hash of a photo that a slate made such stands what the slate said.
            let hash = hash.as_str().unwrap();
            let hash = hash.split_once(" as ").map_or(hash, |(hash, _)| hash);
            assert_eq!(hash, blake3::hash(&bytes).to_hex().as_str());
        }
        if let Some(used) = quality["calibration"]["photo"].as_str()
            && used != row["photo"]
        {
            assert!(hashes("calibration").contains_key(used), "{}", row["photo"]);
        }
    }
    let dye = SWEPT.place.quality("dunlin/dye-4mg.jpg");
    assert!(
        dye["provenance"]["blank"]
            .get("dunlin/blank-01.jpg")
            .is_some()
    );
    assert!(
        dye["provenance"]["calibration"]
            .get("dunlin/lamp-02.jpg")
            .is_some()
    );
}

#[test]
fn pages_pictures_and_peaks_are_there_for_every_photo_that_is_not_ignored() {
    for row in &SWEPT.rows {
        let photo = &row["photo"];
        let has = |name: &str| SWEPT.tree.contains_key(&format!("{photo}/{name}"));
        let is_picture = row["verdict"] != "ignored";
        for name in ["peaks.csv", "overlay.png", "spectrum.svg"] {
            assert_eq!(has(name), is_picture, "{photo}/{name}");
        }
        if is_picture {
            let png = &SWEPT.tree[&format!("{photo}/overlay.png")];
            assert!(image::load_from_memory(png).is_ok(), "{photo}");
            let svg = std::str::from_utf8(&SWEPT.tree[&format!("{photo}/spectrum.svg")]).unwrap();
            roxmltree::Document::parse(svg).unwrap();
        }
    }
    for bench in ["avocet", "curlew", "dunlin", "heron", "turnstone"] {
        assert!(SWEPT.tree.contains_key(&format!("{bench}/index.html")));
    }
}
