//! The tables by a reader that shares no code with their writer: Python's `csv` module in strict mode, with the rules of
//! RFC 4180 (Shafranovich, 2005, section 2) that it does not enforce checked on the bytes.

use std::collections::BTreeMap;
use std::io::Write;
use std::process::{Command, Stdio};

use slitwatch::publish::files::{peaks_csv, read_spectrum, spectrum_csv};
use slitwatch::publish::record::Record;
use slitwatch::report::{Settled, Shown, calibration_json, quality_csv, spectra_csv};
use slitwatch::terms::{Capture, Quantity};
use slitwatch::terms::{Code, Verdict};

use crate::sample;

const READER: &str = "
import csv, json, sys, io
text = sys.stdin.buffer.read().decode('utf-8')
rows = list(csv.reader(io.StringIO(text, newline=''), strict=True))
json.dump(rows, sys.stdout)
";

/// The cells as Python reads them; absent, with a word, where there is no Python.
fn by_python(csv: &[u8]) -> Option<Vec<Vec<String>>> {
    let child = Command::new("python3")
        .args(["-c", READER])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn();
    let Ok(mut child) = child else {
        eprintln!("skipped: there is no python3 to read the table with");
        return None;
    };
    let mut stdin = child.stdin.take().unwrap();
    let bytes = csv.to_vec();
    let feeder = std::thread::spawn(move || stdin.write_all(&bytes));
    let out = child.wait_with_output().unwrap();
    feeder.join().unwrap().unwrap();
    assert!(out.status.success(), "the reader refused the table");
    Some(serde_json::from_slice(&out.stdout).unwrap())
}

/// RFC 4180, 2.1 and 2.2: records end with CRLF and nothing else does; 2.4: as many fields in each.
fn check_bytes(csv: &[u8], rows: &[Vec<String>]) {
    assert!(csv.ends_with(b"\r\n"));
    let mut quoted = false;
    let mut records = 0;
    for (i, byte) in csv.iter().enumerate() {
        match byte {
            b'"' => quoted = !quoted,
            b'\n' if !quoted => {
                assert_eq!(csv[i - 1], b'\r', "a bare line feed at byte {i}");
                records += 1;
            }
            _ => {}
        }
    }
    assert_eq!(records, rows.len());
    assert!(rows.iter().all(|r| r.len() == rows[0].len()));
}

fn shown(records: &[Record]) -> Vec<Shown<'_>> {
    records
        .iter()
        .map(|record| Shown {
            record,
            folder: &record.photo,
            has_spectrum: record.calibration.is_some(),
        })
        .collect()
}

fn nasty_class() -> Vec<Record> {
    let mut records = sample::class();
    for name in sample::nasty_names() {
        let mut r = sample::record("knot, \"red\"", name, Capture::Sample, Verdict::Retake);
        r.photo = name.to_owned();
        r.label = name.to_owned();
        r.reasons = vec![sample::trouble(Code::Clipped), sample::trouble(Code::Leak)];
        r.groups = BTreeMap::from([("concentration".to_owned(), "-0.5".to_owned())]);
        records.push(r);
    }
    records
}

#[test]
fn the_quality_table_reads_back_cell_for_cell() {
    let records = nasty_class();
    let settled = Settled::from([("avocet/mole-head.jpg", "avocet/led-door.jpg")]);
    let csv = quality_csv(&shown(&records), &settled, "=monday");
    let Some(rows) = by_python(&csv) else { return };
    check_bytes(&csv, &rows);
    assert_eq!(rows.len(), records.len() + 1, "a row for every photo");
    let at = |name: &str| rows[0].iter().position(|h| h == name).unwrap();
    let mut sorted: Vec<&Record> = records.iter().collect();
    sorted.sort_by(|a, b| a.photo.cmp(&b.photo));
    for (row, record) in rows[1..].iter().zip(sorted) {
        let safe = match record.photo.starts_with(['=', '+', '-', '@']) {
            true => format!("'{}", record.photo),
            false => record.photo.clone(),
        };
        assert_eq!(row[at("photo")], safe);
        assert_eq!(row[at("bench")], record.bench);
        let by = settled.get(record.photo.as_str()).copied();
        assert_eq!(row[at("settled_by")], by.unwrap_or_default());
        let number = |name: &str| row[at(name)].parse::<f64>().ok();
        for metric in [
            "tilt_deg",
            "tilt_deg_sigma",
            "slit_width_um_sigma",
            "snr",
            "skew_deg",
        ] {
            assert_eq!(
                number(metric),
                record.metrics.named().get(metric).copied(),
                "{metric}"
            );
        }
        let codes: Vec<&str> = record.reasons.iter().map(|r| r.code.as_str()).collect();
        assert_eq!(row[at("reasons")], codes.join(";"));
        if record.photo.starts_with('<') {
            assert_eq!(row[at("group_concentration")], "'-0.5", "a name column");
        }
        if record.metrics.has(Quantity::SkewDeg) {
            assert!(
                row[at("skew_deg")].starts_with('-'),
                "numbers keep their sign"
            );
            assert_eq!(row[at("order_side")], "right");
        }
    }
}

#[test]
fn a_spectrum_and_its_peaks_read_back_as_numbers() {
    let spectrum = sample::spectrum("lamp", 1.4, 0.8, &mut sample::Noise(5));
    let csv = spectrum_csv(&spectrum, Some(&sample::absorbances(741)));
    let Some(rows) = by_python(&csv) else { return };
    check_bytes(&csv, &rows);
    assert_eq!(
        rows[0],
        [
            "wavelength_nm",
            "signal",
            "signal_sigma",
            "red",
            "green",
            "blue",
            "clipped",
            "transmittance",
            "transmittance_sigma",
            "absorbance",
            "absorbance_sigma"
        ]
    );
    let mut empty = 0;
    for (row, truth) in rows[1..].iter().zip(&spectrum.rows) {
        let v: Vec<Option<f64>> = row.iter().map(|c| c.parse().ok()).collect();
        assert_eq!(v[0], Some(truth.wavelength_nm));
        // A thousandth of the uncertainty is lost at most.
        assert!((v[1].unwrap() - truth.signal).abs() <= 6e-3 * truth.signal_sigma);
        assert!((v[6].unwrap() - truth.clipped).abs() < 1e-9);
        empty += usize::from(row[9].is_empty());
    }
    assert_eq!(
        empty,
        741 - 540,
        "absorbance where it means something, 420 to 690 nm"
    );
    assert_eq!(read_spectrum(&csv).unwrap().step_nm, 0.5);
    let mut peak = sample::peak(546.07, 0.4, "=Hg \"546\",\r\n07");
    peak.clipped = true;
    let csv = peaks_csv(&[peak]);
    let rows = by_python(&csv).unwrap();
    check_bytes(&csv, &rows);
    assert_eq!(rows[1][10], "'=Hg \"546\",\r\n07");
    assert_eq!(&rows[1][8..10], ["line", "true"]);
}

#[test]
fn all_spectra_stand_in_one_table_with_the_cells_of_their_files() {
    let mut records = sample::class();
    records.retain(|r| r.bench == "heron" || r.bench == "curlew");
    let file = |r: &Record| {
        let m = sample::measurement(r, None);
        let rows = sample::absorbances(741);
        let absorbance = r.label.starts_with("dye").then_some(rows.as_slice());
        spectrum_csv(&m.spectrum.unwrap(), absorbance)
    };
    let mut csv = Vec::new();
    let fetch = |s: &Shown<'_>| Some(file(s.record));
    spectra_csv(&shown(&records), fetch, (true, ""), &mut csv).unwrap();
    let Some(rows) = by_python(&csv) else { return };
    check_bytes(&csv, &rows);
    let scaled: Vec<&Record> = records.iter().filter(|r| r.calibration.is_some()).collect();
    assert_eq!(rows.len(), 1 + 741 * scaled.len());
    for record in scaled {
        let cells = by_python(&file(record)).unwrap();
        let mine: Vec<&Vec<String>> = rows.iter().filter(|r| r[1] == record.photo).collect();
        assert_eq!(mine.len(), 741);
        for (a, b) in mine.iter().zip(&cells[1..]) {
            assert_eq!(a[0], record.bench);
            assert_eq!(a[4..11], b[..7]);
            let absorbance = if b.len() > 7 {
                &b[7..]
            } else {
                &vec![String::new(); 4]
            };
            assert_eq!(&a[11..15], absorbance);
            assert_eq!(a[15..], [record.verdict.as_str(), ""]);
        }
    }
}

#[test]
fn what_cannot_be_used_stands_in_no_table_of_spectra_unless_it_is_asked_for() {
    let records = sample::class();
    let file = |s: &Shown<'_>| sample::measurement(s.record, None).spectrum;
    let fetch = |s: &Shown<'_>| Some(spectrum_csv(&file(s)?, None));
    let table = |all| {
        let mut csv = Vec::new();
        spectra_csv(&shown(&records), fetch, (all, "=monday"), &mut csv).unwrap();
        let mut reader = csv::Reader::from_reader(csv.as_slice());
        let header = reader.headers().unwrap().clone();
        let at = |name: &str| header.iter().position(|h| h == name).unwrap();
        let (photo, verdict, session) = (at("photo"), at("verdict"), at("session"));
        let rows = reader.records().map(Result::unwrap);
        rows.map(|row| {
            assert_eq!(&row[session], "'=monday");
            (row[photo].to_owned(), row[verdict].to_owned())
        })
        .collect::<std::collections::BTreeSet<_>>()
    };
    let (usable, all) = (table(false), table(true));
    let is_usable = |word: &str| ["good", "caution"].contains(&word);
    assert!(
        all.iter().any(|(_, verdict)| !is_usable(verdict)),
        "{all:?}"
    );
    let expected = all.into_iter().filter(|(_, verdict)| is_usable(verdict));
    assert_eq!(usable, expected.collect());
}

#[test]
fn a_table_that_is_none_stops_with_the_photo_s_name() {
    let records = sample::class();
    let torn = |_: &Shown<'_>| Some(b"wavelength_nm,signal\r\n1\r\n".to_vec());
    let error = spectra_csv(&shown(&records), torn, (true, ""), Vec::new()).unwrap_err();
    assert!(error.to_string().contains("avocet/blank.jpg"), "{error}");
}

#[test]
fn a_bench_s_calibrations_say_who_uses_them() {
    let records = sample::class();
    let bytes = calibration_json("dunlin", &shown(&records));
    let json: serde_json::Value = serde_json::from_slice(&bytes).unwrap();
    assert_eq!(json["bench"], "dunlin");
    let list = json["calibrations"].as_array().unwrap();
    assert_eq!(list.len(), 2, "the failed lamp photo is listed too");
    assert_eq!(list[0]["photo"], "dunlin/lamp-01.jpg");
    assert_eq!(list[0]["reasons"][0], "defocused");
    assert_eq!(list[0]["used_by"], 0);
    assert!(list[0]["lines"].as_array().unwrap().is_empty());
    let users = records
        .iter()
        .filter(|r| r.bench == "dunlin" && r.calibration.is_some())
        .count();
    assert_eq!(list[1]["used_by"], users - 1, "not by itself");
    assert_eq!(list[1]["lines"].as_array().unwrap().len(), 6);
    let waiting = calibration_json("redshank", &shown(&records));
    let waiting: serde_json::Value = serde_json::from_slice(&waiting).unwrap();
    assert_eq!(waiting["waiting"], 2);
}
