//! A small class, played with the real work from the first photo to the last figure of the score.

use std::fs;
use std::path::Path;

use slitwatch::run::rehearse::{Discs, Names, Play, TruePhoto, rehearse};
use slitwatch::run::{Bell, Worker};
use slitwatch::settings;

#[test]
fn a_small_rehearsal_is_played_and_keeps_its_limits() {
    let folder = tempfile::tempdir().unwrap();
    let config = Path::new(env!("CARGO_MANIFEST_DIR")).join("config/lab.yaml");
    let worker = || Worker::new(settings::load(&config).unwrap());
    let play = Play {
        n_benches: 2,
        n_photos: 8,
        seed: 3,
        discs: Discs::Ideal,
        names: Names::Plain,
        folder: folder.path().to_owned(),
    };
    let (score, table) = rehearse(worker(), &play, Some(2), Bell::new().1, None).unwrap();
    assert_eq!(score.n_photos, 8);
    assert!(score.all_kept(), "{table}");

    // Every stated limit has its line, and every bench of the class its row.
    let limits = table.split_once("Stated limits\n").unwrap().1;
    assert_eq!(limits.lines().count(), 11, "{table}");
    assert!(
        limits.lines().all(|line| line.starts_with("kept ")),
        "{table}"
    );
    for bench in ["heron", "dunlin"] {
        let row = table
            .lines()
            .find(|line| line.split_whitespace().next() == Some(bench))
            .unwrap();
        let cells: Vec<&str> = row.split_whitespace().skip(1).collect();
        assert!(cells[0].parse::<usize>().is_ok(), "{row}");
    }

    // The truth lies beside the inbox, one entry a photo, and can be read again.
    let truth = fs::read(folder.path().join("truth.json")).unwrap();
    let truth: Vec<TruePhoto> = serde_json::from_slice(&truth).unwrap();
    assert_eq!(truth.len(), 8);
    for photo in &truth {
        assert!(folder.path().join("inbox").join(&photo.photo).is_file());
        assert!(
            folder
                .path()
                .join("results")
                .join(&photo.photo)
                .join("quality.json")
                .is_file()
        );
    }
    assert!(
        rehearse(worker(), &play, None, Bell::new().1, None).is_err(),
        "a folder is played in only once"
    );
}

#[test]
fn a_rehearsal_under_camera_names_has_slates_and_shared_phones_and_folders_and_keeps_its_limits() {
    let folder = tempfile::tempdir().unwrap();
    let config = Path::new(env!("CARGO_MANIFEST_DIR")).join("config/lab.yaml");
    let worker = Worker::new(settings::load(&config).unwrap());
    let play = Play {
        n_benches: 4,
        n_photos: 8,
        seed: 3,
        discs: Discs::Ideal,
        names: Names::Camera,
        folder: folder.path().to_owned(),
    };
    let (score, table) = rehearse(worker, &play, Some(2), Bell::new().1, None).unwrap();
    assert_eq!(score.n_photos, 8);
    // Of two benches with one phone each photo has a card of its bench and one of what it shows.
    assert!(score.slates.n >= 10, "{table}");
    let broken = score.promises().into_iter().filter(|p| !p.kept);
    let broken: Vec<&str> = broken.map(|promise| promise.what).collect();
    assert_eq!(broken, [""; 0], "{table}");
    let mut folders: Vec<String> = fs::read_dir(folder.path().join("inbox"))
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .collect();
    folders.sort();
    assert_eq!(folders.len(), 2, "{folders:?}");
    assert!(folders[0] == "everybody" && folders[1].starts_with("phone of "));
    for bench in ["heron", "dunlin", "avocet", "turnstone"] {
        assert!(
            folder.path().join("results").join(bench).is_dir(),
            "{bench}"
        );
    }
    let truth = fs::read(folder.path().join("truth.json")).unwrap();
    let truth: Vec<TruePhoto> = serde_json::from_slice(&truth).unwrap();
    assert_eq!(truth.iter().filter(|t| t.plan.is_some()).count(), 8);
    assert_eq!(truth.len(), 8 + score.slates.n);
}

#[test]
fn a_rehearsal_that_is_stopped_scores_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let config = Path::new(env!("CARGO_MANIFEST_DIR")).join("config/lab.yaml");
    let (bell, ears) = Bell::new();
    bell.stop();
    let play = Play {
        n_benches: 1,
        n_photos: 2,
        seed: 1,
        discs: Discs::Real,
        names: Names::Plain,
        folder: folder.path().to_owned(),
    };
    let worker = Worker::new(settings::load(&config).unwrap());
    assert!(rehearse(worker, &play, Some(1), ears, None).is_err());
    assert_eq!(
        fs::read_dir(folder.path().join("inbox")).unwrap().count(),
        0
    );
}
