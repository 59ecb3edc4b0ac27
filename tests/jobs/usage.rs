//! The commands as they are typed: exit statuses, what goes where, and what must not happen.

use std::fs;
use std::process::Stdio;

use crate::real::{Place, demo_photos, files_below, shipped, stderr, stdout};

#[test]
fn a_photo_to_be_retaken_gives_status_3_if_asked() {
    let place = Place::new();
    place.put_demo(|photo| photo == "heron/pocket.jpg");
    let plain = place.run(&["sweep"]);
    assert_eq!(plain.status.code(), Some(0), "{}", stderr(&plain));
    assert!(
        plain.stdout.is_empty(),
        "results on stdout only where asked for"
    );
    assert_eq!(
        place.run(&["sweep", "--fail-on-retake"]).status.code(),
        Some(3)
    );
    // Taken again: a photo of no spectrum is settled by any later one that serves.
    place.put_demo(|photo| photo == "heron/lamp-02.jpg");
    assert_eq!(
        place.run(&["sweep", "--fail-on-retake"]).status.code(),
        Some(0)
    );
    let sound = Place::new();
    sound.put_demo(|photo| photo == "heron/lamp-01.jpg");
    assert_eq!(
        sound.run(&["sweep", "--fail-on-retake"]).status.code(),
        Some(0)
    );
}

#[test]
fn every_mistake_in_a_configuration_is_named_with_its_place() {
    let place = Place::new();
    let text = fs::read_to_string(shipped("config/lab.yaml")).unwrap();
    let wrong = text
        .replace("slit_distance_mm: 305", "slit_distance_mm: far")
        .replace("settle_s: 2 ", "setle_s: 2 ")
        .replace("capture: blank", "capture: blink");
    let config = place.path("lab.yaml");
    fs::write(&config, &wrong).unwrap();
    let at = |line: &str, what: &str| {
        let (i, line) = wrong
            .lines()
            .enumerate()
            .find(|(_, l)| l.contains(line))
            .unwrap();
        format!("lab.yaml:{}:{}", i + 1, line.find(what).unwrap() + 1)
    };
    let places = [
        at("slit_distance_mm: far", "far"),
        at("setle_s", "setle_s"),
        at("blink", "blink"),
    ];
    for command in [
        &["check"][..],
        &["sweep"],
        &["watch"],
        &["explain", "heron/lamp-01.jpg"],
    ] {
        let output = place.run(&[command, &["--config", config.to_str().unwrap()]].concat());
        assert_eq!(output.status.code(), Some(2), "{command:?}");
        assert!(output.stdout.is_empty(), "{command:?}");
        let said = stderr(&output);
        for place in &places {
            assert!(
                said.contains(place.as_str()),
                "{place} is missing in\n{said}"
            );
        }
    }
    assert!(!place.results().exists());
    let none = place.run(&["sweep", "--config", "nowhere.yaml"]);
    assert_eq!(none.status.code(), Some(2));
    assert!(stderr(&none).contains("nowhere.yaml"));
}

#[test]
fn folders_inside_each_other_are_wrong_usage() {
    let place = Place::new();
    place.put_demo(|photo| photo == "heron/notes.txt");
    let inside = place.inbox().join("results");
    for command in ["sweep", "watch", "check"] {
        let output = place.run(&[command, "--results", inside.to_str().unwrap()]);
        assert_eq!(
            output.status.code(),
            Some(2),
            "{command}: {}",
            stderr(&output)
        );
        assert!(!inside.exists());
    }
    let around = place.path("");
    let output = place.run(&["sweep", "--results", around.to_str().unwrap()]);
    assert_eq!(output.status.code(), Some(2));
    // By another road: a link into the inbox.
    let link = place.path("link");
    std::os::unix::fs::symlink(place.inbox(), &link).unwrap();
    let output = place.run(&["sweep", "--results", link.join("results").to_str().unwrap()]);
    assert_eq!(output.status.code(), Some(2), "{}", stderr(&output));
    assert_eq!(files_below(&place.inbox()).len(), 1);
}

#[test]
fn an_inbox_that_cannot_be_read_is_said_to_be_so() {
    if crate::nobody::ran("usage::an_inbox_that_cannot_be_read_is_said_to_be_so") {
        return;
    }
    use std::os::unix::fs::PermissionsExt;
    let place = Place::new();
    let missing = place.run(&["sweep", "--inbox", "/nowhere/inbox"]);
    assert_eq!(missing.status.code(), Some(2), "{}", stderr(&missing));
    assert!(
        stderr(&missing).contains("/nowhere/inbox"),
        "{}",
        stderr(&missing)
    );
    fs::set_permissions(place.inbox(), fs::Permissions::from_mode(0o000)).unwrap();
    if fs::read_dir(place.inbox()).is_ok() {
        eprintln!("skipped in part: the administrator may read everything");
    } else {
        let output = place.run(&["sweep"]);
        assert_eq!(output.status.code(), Some(1), "{}", stderr(&output));
    }
    fs::set_permissions(place.inbox(), fs::Permissions::from_mode(0o755)).unwrap();
    // Results where nothing can be written.
    let file = place.path("file");
    fs::write(&file, "a file").unwrap();
    let output = place.run(&["sweep", "--results", file.join("results").to_str().unwrap()]);
    assert_eq!(output.status.code(), Some(1), "{}", stderr(&output));
}

#[test]
fn check_says_what_will_be_done_and_does_nothing() {
    let place = Place::new();
    place.put_demo(|photo| photo == "heron/notes.txt");
    let short = place.run(&["check"]);
    assert_eq!(short.status.code(), Some(0));
    let said = stdout(&short);
    assert!(said.lines().count() <= 10, "{said}");
    for folder in [place.inbox(), place.results()] {
        assert!(said.contains(folder.to_str().unwrap()), "{said}");
    }
    assert!(said.contains("check --all"), "{said}");
    let output = place.run(&["check", "--all"]);
    assert_eq!(output.status.code(), Some(0));
    assert!(!place.results().exists());
    let said = stdout(&output);
    for words in [
        "lamp",
        "sidecars",
        "bracket",
        "calibration",
        "clipped_fraction",
        "caution above 0.01",
        "retake above 0.05",
        "tilt_deg",
        "slit_width_um",
        "2 s",
        "nearest in time",
    ] {
        assert!(said.contains(words), "{words} is missing in\n{said}");
    }
    for folder in [place.inbox(), place.results()] {
        assert!(said.contains(folder.to_str().unwrap()), "{said}");
    }
}

#[test]
fn explain_says_what_a_sweep_would_and_publishes_nothing() {
    let place = Place::new();
    place.put_demo(|photo| photo.starts_with("dunlin/"));
    let named = place.inbox().join("dunlin/dye-8mg-other-time.jpg");
    // Both as a path below the inbox and as a path from here.
    for photo in ["dunlin/dye-8mg-other-time.jpg", named.to_str().unwrap()] {
        let output = place.run(&["explain", photo]);
        assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
        let said = stdout(&output);
        for words in [
            "rule 'dye series' took it",
            "not rule 'blank'",
            "dunlin/lamp-02.jpg",
            "dunlin/blank-01.jpg",
            "verdict: retake",
            "exposure-differs",
            "snr",
        ] {
            assert!(said.contains(words), "{words} is missing in\n{said}");
        }
        let second = said.lines().nth(1);
        assert_eq!(second, Some("  verdict: retake"), "{said}");
    }
    assert!(!place.results().exists());
    let own: usize = demo_photos()
        .iter()
        .filter(|photo| photo.starts_with("dunlin/"))
        .count();
    assert_eq!(files_below(&place.inbox()).len(), own);
    let pictures = place.path("pictures");
    let lamp = [
        "explain",
        "dunlin/lamp-02.jpg",
        "--pictures",
        pictures.to_str().unwrap(),
    ];
    assert_eq!(place.run(&lamp).status.code(), Some(0));
    let drawn = files_below(&pictures);
    assert_eq!(drawn.len(), 1);
    assert!(image::open(pictures.join(drawn.first().unwrap())).is_ok());
    let none = place.run(&["explain", "dunlin/none.jpg"]);
    assert_eq!(none.status.code(), Some(1));
    assert!(stderr(&none).contains("dunlin/none.jpg"));
}

#[test]
fn the_log_goes_to_stderr_as_text_or_json() {
    let place = Place::new();
    place.put_demo(|photo| photo == "heron/notes.txt");
    let output = place.run(&["sweep", "--log-format", "json"]);
    assert!(output.stdout.is_empty());
    let said = stderr(&output);
    assert!(said.lines().count() > 0);
    for line in said.lines() {
        let value: serde_json::Value =
            serde_json::from_str(line).unwrap_or_else(|_| panic!("{line}"));
        assert!(value["level"].is_string());
    }
    assert!(stderr(&place.run(&["sweep", "-q", "-q"])).is_empty());
    // One line for each fate, whatever the file is called.
    place.put("heron/a\nERROR forged.txt", b"x");
    place.put("heron/\u{1b}[2Jb.txt", b"x");
    for format in ["text", "json"] {
        fs::remove_dir_all(place.results()).unwrap();
        let said = stderr(&place.run(&["sweep", "--log-format", format]));
        let n_fates = said
            .lines()
            .filter(|line| line.contains("published"))
            .count();
        assert_eq!(n_fates, 3, "{said}");
        assert!(
            !said.lines().any(|line| line.starts_with("ERROR")),
            "{said}"
        );
        assert!(!said.contains('\u{1b}'), "{said}");
    }
}

#[test]
fn paths_in_a_configuration_start_from_it_and_typed_ones_from_the_working_folder() {
    let place = Place::new();
    place.put_demo(|photo| photo == "heron/notes.txt");
    let config = place.path("etc/lab.yaml");
    fs::create_dir(place.path("etc")).unwrap();
    let text = fs::read_to_string(shipped("config/lab.yaml")).unwrap();
    let text = text
        .replace("../demo-inbox", "../inbox")
        .replace("../results", "../from-config");
    fs::write(&config, text).unwrap();
    let run = |arguments: &[&str], folder: &str| {
        let mut command = std::process::Command::new(env!("CARGO_BIN_EXE_slitwatch"));
        fs::create_dir_all(place.path(folder)).unwrap();
        command
            .current_dir(place.path(folder))
            .args(arguments)
            .output()
            .unwrap()
    };
    let output = run(&["sweep", "--config", "../etc/lab.yaml"], "elsewhere");
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    assert!(place.path("from-config/quality.csv").exists());
    let output = run(
        &["sweep", "--config", "../etc/lab.yaml", "--results", "typed"],
        "elsewhere",
    );
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    assert!(place.path("elsewhere/typed/quality.csv").exists());
}

#[test]
fn the_shipped_rules_go_by_names_in_any_letter_case_and_folders_are_kept() {
    let place = Place::new();
    let names = [
        ("heron/evening/LAMP 3.JPG", "calibration"),
        ("heron/Dark-1.png", "dark"),
        ("heron/blank.tif", "blank"),
        ("heron/Bracket_2.webp", "bracket"),
        ("heron/quay-lamp.heic", "sample"),
        ("heron/clamp.dng", "sample"),
    ];
    for (name, _) in names {
        place.put(name, b"not a picture");
    }
    // A rule that names the bench by a group of a regular expression over the path.
    let config = place.path("lab.yaml");
    let text = fs::read_to_string(shipped("config/lab.yaml")).unwrap();
    let rule = "  - name: by number\n    regex: '^tables/(?<bench>t[0-9]+)-'\n    then: {capture: sample}\n\n";
    let lamp = "  - name: lamp\n";
    let text = text.replace("damaged_after_s: 60", "damaged_after_s: 2");
    fs::write(&config, text.replacen(lamp, &format!("{rule}{lamp}"), 1)).unwrap();
    place.put("tables/t7-quay.jpg", b"not a picture");
    let output = place.run(&["sweep", "--config", config.to_str().unwrap()]);
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    let rows = place.rows("quality.csv");
    assert_eq!(rows.len(), names.len() + 1);
    for (name, capture) in names {
        let row = rows.iter().find(|row| row["photo"] == name).unwrap();
        assert_eq!(
            (row["bench"].as_str(), row["capture"].as_str()),
            ("heron", capture),
            "{name}"
        );
        assert!(
            place.results().join(name).join("quality.json").exists(),
            "{name}"
        );
    }
    let row = rows
        .iter()
        .find(|row| row["photo"] == "tables/t7-quay.jpg")
        .unwrap();
    assert_eq!(
        (row["bench"].as_str(), row["rule"].as_str()),
        ("t7", "by number")
    );
}

#[test]
fn slates_are_printed_with_a_card_for_each_bench_and_nothing_else_is_done() {
    let place = Place::new();
    place.put_demo(|photo| photo == "heron/pocket.jpg");
    let before = files_below(&place.path(""));
    let printed = place.run(&["slates"]);
    assert_eq!(printed.status.code(), Some(0), "{}", stderr(&printed));
    let page = stdout(&printed);
    assert!(page.starts_with("<!doctype html>"), "{page}");
    assert!(page.contains("SLITWATCH1:BENCH:heron:QZND"), "{page}");
    assert_eq!(page.matches("<svg").count(), 7, "{page}");
    assert_eq!(files_below(&place.path("")), before);
    let file = place.path("slates.html");
    let name = file.to_str().expect("a plain name");
    let kept = place.run(&["slates", "--paper", "letter", "--out", name]);
    assert_eq!(kept.status.code(), Some(0), "{}", stderr(&kept));
    assert!(kept.stdout.is_empty());
    assert!(fs::read_to_string(&file).unwrap().contains("size: letter"));
    let nowhere = place.run(&["slates", "--out", "no/such/folder/slates.html"]);
    assert_eq!(nowhere.status.code(), Some(1), "{}", stderr(&nowhere));
    assert!(stderr(&nowhere).contains("--out"), "{}", stderr(&nowhere));
}

#[test]
fn benches_get_their_cards_before_they_have_any_photo() {
    let place = Place::new();
    let nobody = place.run(&["slates"]);
    assert_eq!(nobody.status.code(), Some(0), "{}", stderr(&nobody));
    assert!(stderr(&nobody).contains("no card names a bench"));
    assert_eq!(stdout(&nobody).matches("<svg").count(), 6);
    for folder in ["heron", "tern/raw", ".stfolder"] {
        fs::create_dir_all(place.inbox().join(folder)).expect("a folder");
    }
    let printed = place.run(&["slates"]);
    assert!(!stderr(&printed).contains("no card names a bench"));
    let page = stdout(&printed);
    assert_eq!(page.matches("<svg").count(), 8, "{page}");
    for bench in ["BENCH:heron:", "BENCH:tern:"] {
        assert!(page.contains(bench), "{page}");
    }
}

#[test]
fn a_reader_of_stdout_that_leaves_is_no_failure_and_a_full_disk_is_one() {
    let place = Place::new();
    let mut left = place.command(&["check", "--all"]);
    let mut left = left
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    drop(left.stdout.take());
    let left = left.wait_with_output().unwrap();
    assert_eq!(left.status.code(), Some(0), "{}", stderr(&left));
    assert!(!stderr(&left).contains("panicked"), "{}", stderr(&left));

    let full = fs::OpenOptions::new()
        .write(true)
        .open("/dev/full")
        .unwrap();
    let full = place.command(&["check"]).stdout(full).output().unwrap();
    assert_eq!(full.status.code(), Some(1));
    let said = stderr(&full);
    assert!(said.contains("stdout cannot be written to"), "{said}");
}
