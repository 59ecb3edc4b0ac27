//! One scene in every form that a photo may come in, each written by another program (`forms.py`: Pillow, pillow-heif,
//! tifffile): the same peaks and the same verdict, whatever the form.
//!
//! Needs a Python with the packages of `requirements.txt`: the one named by `SLITWATCH_PYTHON`, or else `python3`. Without
//! one the check is skipped, and says so.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use rayon::prelude::*;
use slitwatch::simulate::draw;
use slitwatch::terms::Capture;

use super::lab::{Bench, Seen, look_at};

/// How far a peak may lie from where the picture without loss has it, nm: without loss only the file's own rounding is
/// left; with it, what compression does to a line.
const WITHOUT_LOSS_NM: f64 = 0.1;
const WITH_LOSS_NM: f64 = 0.2;

fn python() -> Option<String> {
    let python = std::env::var("SLITWATCH_PYTHON").unwrap_or_else(|_| "python3".to_owned());
    Command::new(&python)
        .args([
            "-c",
            "import numpy, PIL, pillow_heif, tifffile, imagecodecs",
        ])
        .stderr(Stdio::null())
        .status()
        .is_ok_and(|status| status.success())
        .then_some(python)
}

/// The files below a folder, sorted.
fn files(folder: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    for entry in fs::read_dir(folder).expect("a folder").flatten() {
        let path = entry.path();
        if path.is_dir() {
            found.extend(files(&path));
        } else {
            found.push(path);
        }
    }
    found.sort();
    found
}

/// The lamp's lines among the peaks, nm.
fn peaks(seen: &Seen) -> Vec<f64> {
    let peaks = seen.measurement.peaks.iter();
    let lines = peaks.filter(|p| (400.0..680.0).contains(&p.centre_nm.value) && !p.name.is_empty());
    lines.map(|p| p.centre_nm.value).collect()
}

#[test]
fn one_scene_in_every_form_has_the_same_peaks_and_the_same_verdict() {
    let Some(python) = python() else {
        eprintln!("skipped: no Python with NumPy, Pillow, pillow-heif and tifffile");
        return;
    };
    let folder = tempfile::tempdir().expect("a folder");
    let mut shot = Bench::sound(0, 41).lamp_shot(41, (0.6, 0.4, -0.3));
    shot.jpeg_quality = 98;
    let photo = draw(&shot);
    let scene = folder.path().join("scene.jpg");
    fs::write(&scene, &photo.jpeg).expect("a file");
    let forms = folder.path().join("forms");
    fs::create_dir(&forms).expect("a folder");
    let status = Command::new(python)
        .arg(concat!(
            env!("CARGO_MANIFEST_DIR"),
            "/tests/recovered/forms.py"
        ))
        .arg("pictures")
        .args([&scene, &forms])
        .status()
        .expect("python starts");
    assert!(status.success(), "forms.py failed: see above");

    let seen: Vec<(String, Seen)> = files(&forms)
        .par_iter()
        .filter(|path| cfg!(feature = "heic") || path.extension().is_none_or(|e| e != "heic"))
        .map(|path| {
            let below = path.strip_prefix(&forms).expect("below");
            let name = below.parent().expect("a folder").display().to_string();
            let bytes = fs::read(path).expect("a file");
            let seen = look_at(
                &name,
                &bytes,
                photo.truth.clone(),
                Capture::Calibration,
                None,
            );
            (name, seen)
        })
        .collect();
    assert!(seen.len() >= 18, "{} forms", seen.len());
    let find = |name: &str| &seen.iter().find(|(n, _)| n == name).expect("written").1;
    let reference = find("plain-png");
    let expected = peaks(reference);
    assert!(expected.len() >= 3, "{expected:?} {reference:?}");
    for (name, form) in &seen {
        let lossy = ["-jpg", "-heic", "lossy-webp"];
        let bound = if lossy.iter().any(|ending| name.ends_with(ending)) {
            WITH_LOSS_NM
        } else {
            WITHOUT_LOSS_NM
        };
        let found = peaks(form);
        let apart: Vec<f64> = expected
            .iter()
            .map(|nm| {
                let off = found.iter().map(|other| (other - nm).abs());
                off.fold(f64::INFINITY, f64::min)
            })
            .collect();
        let worst = apart.iter().copied().fold(0.0, f64::max);
        eprintln!(
            "{name}: {:?}, {} peaks, at most {worst:.3} nm apart",
            form.verdict,
            found.len()
        );
        assert!(worst < bound, "{name}: {apart:?}\n{form:?}");
        assert_eq!(form.verdict, reference.verdict, "{form:?}");
    }
}
