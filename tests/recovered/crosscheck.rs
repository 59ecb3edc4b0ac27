//! The extraction against another one: `crosscheck.py` (numpy, scipy, Pillow) finds a line in the photo by itself and turns
//! its place into a wavelength with its own code of the conical grating equation.
//!
//! Needs a Python with the packages of `requirements.txt`: the one named by `SLITWATCH_PYTHON`, or else `python3`. Without
//! one the check is skipped, and says so.

use std::io::Write;
use std::process::{Command, Stdio};

use rayon::prelude::*;
use slitwatch::simulate::{Nuisance, Source, draw};
use slitwatch::terms::Capture;

use super::lab::{Bench, light, look_at_lamp};

/// What the other program found.
#[derive(serde::Deserialize)]
struct Found {
    wavelength_nm: f64,
    spread_nm: f64,
    rows: usize,
}

/// A Python that has the packages; absent where there is none.
fn python() -> Option<String> {
    let stated = std::env::var("SLITWATCH_PYTHON").ok();
    let python = stated.clone().unwrap_or_else(|| "python3".to_owned());
    let able = Command::new(&python)
        .args(["-c", "import numpy, scipy, PIL"])
        .stderr(Stdio::null())
        .status()
        .is_ok_and(|status| status.success());
    // Who names one means it.
    assert!(
        able || stated.is_none(),
        "SLITWATCH_PYTHON={python} has not all of numpy, scipy and Pillow"
    );
    able.then_some(python)
}

fn ask(python: &str, task: &serde_json::Value) -> Found {
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/recovered/crosscheck.py");
    let mut child = Command::new(python)
        .arg(script)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .expect("python starts");
    let mut stdin = child.stdin.take().expect("piped");
    stdin
        .write_all(task.to_string().as_bytes())
        .expect("python reads");
    drop(stdin);
    let output = child.wait_with_output().expect("python ends");
    assert!(output.status.success(), "crosscheck.py failed: see above");
    serde_json::from_slice(&output.stdout).expect("crosscheck.py answers in JSON")
}

#[test]
fn another_program_finds_the_lines_at_the_same_wavelengths() {
    let Some(python) = python() else {
        println!(
            "SKIPPED: no python3 with numpy, scipy and Pillow; see tests/recovered/requirements.txt"
        );
        return;
    };
    let folder = tempfile::tempdir().expect("a folder for photos");
    [("helium", Source::Helium, 587.562), ("mercury", Source::Mercury, 546.0735)].into_par_iter().for_each(
        |(name, source, line_nm)| {
            let mut shot = Bench::sound(0, 97).shot(71, light(source, 3), (0.5, -0.2, 0.3));
            shot.nuisance = Nuisance::default();
            shot.jpeg_quality = 98;
            let photo = draw(&shot);
            let path = folder.path().join(format!("{name}.jpg"));
            std::fs::write(&path, &photo.jpeg).expect("a photo can be written");
            let seen = look_at_lamp(name, &photo.jpeg, photo.truth, Capture::Calibration, name, None);
            let optics = &seen.calibration().optics;
            let order = if seen.measurement.order_side == Some("right") { 1 } else { -1 };
            let ours_nm = seen
                .measurement
                .peaks
                .iter()
                .map(|peak| peak.centre_nm.value)
                .min_by(|a, b| (a - line_nm).abs().total_cmp(&(b - line_nm).abs()))
                .expect("the lamp has peaks");
            let task = serde_json::json!({
                "photo": path,
                "optics": optics,
                "order": order,
                "near_nm": line_nm,
                // 24 mm at 305 mm reach to 0.039; the blurred ends stay out.
                "half_height": 0.033,
            });
            let theirs = ask(&python, &task);
            println!(
                "{name} {line_nm}: {ours_nm:.4} nm here, {:.4} ± {:.4} nm by crosscheck.py from {} rows",
                theirs.wavelength_nm, theirs.spread_nm, theirs.rows
            );
            assert!(theirs.rows > 100, "{} rows", theirs.rows);
            // One wavelength along the whole line: the bow is accounted for.
            assert!(theirs.spread_nm < 0.05, "{}", theirs.spread_nm);
            assert!((ours_nm - theirs.wavelength_nm).abs() < 0.05, "{ours_nm} and {}", theirs.wavelength_nm);
        },
    );
}
