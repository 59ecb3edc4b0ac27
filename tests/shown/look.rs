//! Writes the invented class to a folder, to be looked at: `LOOK_AT=/some/folder cargo test --test shown look`.

use std::path::Path;

use slitwatch::classify::stated::Stated;
use slitwatch::publish::files;
use slitwatch::publish::record::Record;
use slitwatch::report::{Inputs, Session, Shown, spanning, summaries};
use slitwatch::settings::english;
use slitwatch::terms::Phrases;

use crate::in_memory::InMemory;

use crate::sample;
use crate::shot::Shot;

fn shot_of(record: &Record) -> Shot {
    let mut shot = Shot::PLAIN;
    shot.lamp = match record.label.as_str() {
        l if l.starts_with("lamp") => "lamp",
        l if l.starts_with("led") => "led",
        l if l.starts_with("mole") => "sodium",
        _ => "bulb",
    };
    match (record.bench.as_str(), record.label.as_str()) {
        ("avocet", "mole-head") => shot.level = 2.0,
        ("turnstone", "mole-head") => shot.tilt_deg = 6.2,
        ("dunlin", _) => {
            shot.orientation = 6;
        }
        _ => {}
    }
    (shot.width, shot.height) = (2000, 1500);
    if record.photo == "heron/lamp-02.jpg" {
        (shot.width, shot.height) = (4000, 3000);
    }
    shot
}

#[test]
fn the_invented_class_is_written_whole_where_someone_wants_to_look() {
    let temporary = tempfile::tempdir().unwrap();
    let folder = std::env::var_os("LOOK_AT").map_or(temporary.path().to_owned(), Into::into);
    let folder = folder.as_path();
    let records = sample::class();
    let mut spectra = std::collections::BTreeMap::new();
    for record in &records {
        let shot = shot_of(record);
        let frame = shot.frame();
        let measurement = sample::measurement(record, Some(&shot));
        let absorbance = record
            .label
            .starts_with("dye")
            .then(|| sample::absorbances(741));
        let has_frame = record.capture.is_some() && record.label != "crane";
        let start = std::time::Instant::now();
        let files = files(
            record,
            &measurement,
            absorbance.as_deref(),
            has_frame.then_some(&frame),
            english(),
        );
        let took = start.elapsed();
        let home = folder.join(&record.photo);
        std::fs::create_dir_all(&home).unwrap();
        for (name, bytes) in files {
            if name == "overlay.png" {
                println!("{}: {took:?}, {} kB", record.photo, bytes.len() / 1000);
            }
            std::fs::write(home.join(&name), &bytes).unwrap();
            if name == "spectrum.csv" {
                spectra.insert(record.photo.clone(), bytes);
            }
        }
    }
    write(folder, &records, 3, |s| {
        spectra.get(&s.record.photo).cloned()
    });
    write(&folder.join("names"), &sample::nasty_class(), 3, |_| None);
    write(&folder.join("crowd"), &sample::crowd(), 3, |_| None);
    for class in ["", "names", "crowd"] {
        let board = std::fs::read_to_string(folder.join(class).join("board.html")).unwrap();
        assert!(board.trim_end().ends_with("</html>"), "{class}");
    }
    for record in &records {
        assert!(
            folder.join(&record.photo).join("quality.json").is_file(),
            "{}",
            record.photo
        );
    }
}

/// Pages and tables of a class. They load themselves again every `refresh_s` seconds.
pub fn write(
    folder: &Path,
    records: &[Record],
    refresh_s: u32,
    spectrum: impl Fn(&Shown<'_>) -> Option<Vec<u8>>,
) {
    write_session(folder, ("", records), refresh_s, spectrum);
}

/// The same in another language, without spectra.
pub fn write_in(folder: &Path, records: &[Record], phrases: &Phrases) {
    put(folder, made(("", records), 0, |_| None, phrases));
}

/// The same of one session's photos.
pub fn write_session(
    folder: &Path,
    (session, records): (&str, &[Record]),
    refresh_s: u32,
    spectrum: impl Fn(&Shown<'_>) -> Option<Vec<u8>>,
) {
    let files = made((session, records), refresh_s, spectrum, english());
    put(folder, files);
}

fn made(
    (session, records): (&str, &[Record]),
    refresh_s: u32,
    spectrum: impl Fn(&Shown<'_>) -> Option<Vec<u8>>,
    phrases: &Phrases,
) -> InMemory {
    let shown = sample::shown(records);
    let inputs = Inputs {
        title: "Lamps along the quay",
        session,
        all_spectra: false,
        photos: &shown,
        stated: &Default::default(),
        expected: &Default::default(),
        phrases,
        now: Some("18:16:40".to_owned()),
        refresh_s,
    };
    let mut files = InMemory::default();
    summaries(&inputs, spectrum, &mut files);
    let alive =
        br#"slitwatch({"state":"swept","at":"2026-11-26 18:16","ms":0,"every_s":5,"made":0})"#;
    files.0.push(("alive.js".to_owned(), alive.to_vec()));
    files
}

/// What spans sessions: their folders and photos.
pub fn write_spanning(folder: &Path, sessions: &[(&str, &[Record])]) {
    let sessions: Vec<Session<'_>> = sessions
        .iter()
        .map(|(folder, records)| Session {
            folder,
            records: records.iter().collect(),
            closed: None,
        })
        .collect();
    let mut files = InMemory::default();
    let stated = Stated::default();
    spanning(
        "Lamps along the quay",
        &sessions,
        &[],
        (&stated, 0, english()),
        &mut files,
    );
    put(folder, files);
}

fn put(folder: &Path, files: InMemory) {
    for (name, bytes) in files.0 {
        let path = folder.join(name);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(path, bytes).unwrap();
    }
}
