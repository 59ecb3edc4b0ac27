//! `quality.json` as scripts read it, and as a restart reads it back.

use serde_json::Value;
use slitwatch::publish::files::{as_published, quality_json, read_record};
use slitwatch::publish::record::Record;
use slitwatch::terms::{Capture, Quantity};
use slitwatch::terms::{Code, Metrics, Verdict};

use crate::sample;

#[test]
fn what_was_written_comes_back_equal_to_the_last_bit() {
    let mut records = sample::class();
    for (i, name) in sample::nasty_names().into_iter().enumerate() {
        let mut r = sample::record("heron", name, Capture::Sample, Verdict::Good);
        r.metrics.set(Quantity::Snr, 0.1 + 0.2 + i as f64);
        r.metrics.set(Quantity::PeakLevel, 4.9e-324);
        r.metrics.set(Quantity::DustStreaks, 3.0);
        r.groups.insert("k".to_owned(), name.to_owned());
        records.push(r);
    }
    for record in &records {
        let json = quality_json(record);
        let back: Record = read_record(&json).unwrap();
        assert_eq!(&back, record);
        assert_eq!(quality_json(&back), json, "{}", record.photo);
    }
}

#[test]
fn the_file_has_what_the_contract_names() {
    let record = &sample::class()[1];
    let json: Value = serde_json::from_slice(&quality_json(record)).unwrap();
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
        assert!(json.get(key).is_some(), "{key}");
    }
    for metric in [
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
    ] {
        assert!(json["metrics"][metric].is_f64(), "{metric}");
    }
    assert_eq!(json["metrics"]["order_side"], "right");
    assert_eq!(json["calibration"]["photo"], "avocet/lamp-02.jpg");
    assert_eq!(json["calibration"]["lines"].as_array().unwrap().len(), 6);
    assert_eq!(json["calibration"]["rms_nm"], 0.037_123_456_789);
    assert_eq!(
        json["calibration"]["parameters"]["focal_px"],
        3_012.347_112_9
    );
    // The square root of the variance in the sample.
    assert_eq!(json["calibration"]["parameters"]["focal_px_sigma"], 0.001);
    let hurt: Value = serde_json::from_slice(&quality_json(&sample::class()[0])).unwrap();
    let reason = &hurt["reasons"][0];
    for key in ["code", "severity", "measured", "limit", "advice"] {
        assert!(reason[key].is_string(), "{key}");
    }
}

#[test]
fn what_was_not_measured_is_absent() {
    let bare = as_published(&Metrics::default(), None);
    assert_eq!(bare.numbers, Metrics::default());
    let mut broken = Metrics::default();
    broken.set(Quantity::Snr, f64::NAN);
    broken.set(Quantity::PeakLevel, f64::INFINITY);
    broken.note(Quantity::TiltDeg, sample::e(f64::NAN, 1.0));
    broken.note(Quantity::SkewDeg, sample::e(1.0, f64::NAN));
    broken.set(Quantity::BandpassNm, 1.234_567_8);
    let map = as_published(&broken, None).named();
    assert_eq!(map.len(), 1);
    assert_eq!(map["bandpass_nm"], 1.2346);
    let mut record = sample::record("heron", "a.jpg", Capture::Dark, Verdict::Retake);
    record.reasons.push(sample::trouble(Code::NoSpectrum));
    let json: Value = serde_json::from_slice(&quality_json(&record)).unwrap();
    assert_eq!(json["metrics"], serde_json::json!({}));
    assert_eq!(json["calibration"], Value::Null);
}

#[test]
fn a_broken_file_is_refused_with_its_line() {
    let json = String::from_utf8(quality_json(&sample::class()[1])).unwrap();
    let cut = read_record(&json.as_bytes()[..json.len() / 2]).unwrap_err();
    assert!(cut.line > 10, "{cut}");
    let word = json.replace("\"snr\": 180.0", "\"snr\": \"loud\"");
    assert_ne!(word, json);
    let word = read_record(word.as_bytes()).unwrap_err();
    assert!(word.to_string().contains("`snr`"), "{word}");
    assert!(word.to_string().contains("quality.json"), "{word}");
}
