//! Published spectra by general-purpose readers that know nothing of this program: JCAMP-DX by the package jcamp (PyPI),
//! `spectrum.csv` by pandas and numpy.
//!
//! Needs a Python with the packages of `tests/recovered/requirements.txt`: the one named by `SLITWATCH_PYTHON`, or else
//! `python3`. Without one the check is skipped, and says so.

use std::collections::BTreeMap;
use std::process::{Command, Stdio};

use slitwatch::publish::files;
use slitwatch::settings::english;
use slitwatch::terms::Verdict;
use slitwatch::terms::{Capture, Quantity};

use crate::sample;

#[derive(serde::Deserialize)]
struct Jcamp {
    x: Vec<f64>,
    y: Vec<f64>,
    head: BTreeMap<String, String>,
}

#[derive(serde::Deserialize)]
struct Read {
    spectrum: Jcamp,
    absorbance: Jcamp,
    columns: Vec<String>,
    table: BTreeMap<String, Vec<Option<f64>>>,
}

/// A Python that has the packages; absent where there is none.
fn python() -> Option<String> {
    let python = std::env::var("SLITWATCH_PYTHON").unwrap_or_else(|_| "python3".to_owned());
    Command::new(&python)
        .args(["-c", "import jcamp, numpy, pandas"])
        .stderr(Stdio::null())
        .status()
        .is_ok_and(|status| status.success())
        .then_some(python)
}

#[test]
fn other_programs_read_the_spectra_as_they_were_measured() {
    let Some(python) = python() else {
        println!(
            "SKIPPED: no python3 with jcamp, numpy and pandas; see tests/recovered/requirements.txt"
        );
        return;
    };
    let mut record = sample::record("heron", "=dye ##END= µ.jpg", Capture::Sample, Verdict::Good);
    record.calibration = Some(sample::calibration_from("heron/lamp-01.jpg"));
    record.taken = Some("2026-11-12T19:00:05".to_owned());
    record.metrics.set(Quantity::BandpassNm, 1.4);
    let measurement = sample::measurement(&record, None);
    let spectrum = measurement.spectrum.as_ref().unwrap();
    let absorbance = sample::absorbances(spectrum.rows.len());
    let folder = tempfile::tempdir().unwrap();
    for (name, bytes) in files::files(&record, &measurement, Some(&absorbance), None, english()) {
        std::fs::write(folder.path().join(name), bytes).unwrap();
    }
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/shown/readback.py");
    let out = Command::new(python)
        .arg(script)
        .arg(folder.path())
        .stderr(Stdio::inherit())
        .output()
        .unwrap();
    assert!(out.status.success(), "readback.py failed: see above");
    let read: Read = serde_json::from_slice(&out.stdout).unwrap();

    let close = |a: f64, b: f64, most: f64| assert!((a - b).abs() <= most, "{a} {b}");
    let (seen, rows) = (&read.spectrum, &spectrum.rows);
    assert_eq!((seen.x.len(), seen.y.len()), (rows.len(), rows.len()));
    for (i, row) in rows.iter().enumerate() {
        close(seen.x[i], row.wavelength_nm, 1e-6);
        close(seen.y[i], row.signal, 0.51e-6);
    }
    let head = |name: &str| seen.head.get(name).map_or("", String::as_str);
    assert!(head("title").contains("dye"), "{:?}", seen.head);
    assert_eq!(head("data type").to_lowercase(), "uv/vis spectrum");
    assert_eq!(head("xunits").to_lowercase(), "nanometers");
    close(head("npoints").parse().unwrap(), rows.len() as f64, 0.0);

    let known: Vec<(f64, f64)> = rows
        .iter()
        .zip(&absorbance)
        .filter_map(|(row, a)| Some((row.wavelength_nm, a.absorbance?.value)))
        .collect();
    assert!(known.len() < rows.len(), "some of it means nothing");
    assert_eq!(read.absorbance.x.len(), known.len());
    for (i, (nm, value)) in known.into_iter().enumerate() {
        close(read.absorbance.x[i], nm, 1e-4);
        close(read.absorbance.y[i], value, 0.51e-6);
    }

    assert_eq!(read.columns[..2], ["wavelength_nm", "signal"]);
    let column = |name: &str| &read.table[name];
    for (i, row) in rows.iter().enumerate() {
        close(column("wavelength_nm")[i].unwrap(), row.wavelength_nm, 1e-9);
        close(
            column("signal")[i].unwrap(),
            row.signal,
            0.05 * row.signal_sigma,
        );
        match (column("absorbance")[i], absorbance[i].absorbance) {
            (Some(read), Some(a)) => close(read, a.value, 0.05 * a.sigma),
            (None, None) => {}
            (read, a) => panic!("{read:?} for {a:?}"),
        }
    }
}
