//! One photo's result -> the files of its folder, as bytes. Pure: what is written where, and when, is the business of
//! the caller.

mod card;
mod exchange;
pub mod lines;
mod overlay;
pub mod schema;
mod spectrum_svg;
pub mod table;
pub mod tables;

use askama::Template;

use crate::frame::Frame;
use crate::publish::numbers;
use crate::publish::record::{Measured, Record};
use crate::terms::{AbsorbanceRow, Measurement, Metrics, Phrases, Verdict};

pub use card::{Card, card_name};
pub use exchange::{ABSORBANCE_JDX, SPECTRUM_JDX};
pub use tables::{peaks_csv, read_spectrum, spectrum_csv};

/// The spectrum as a table.
pub const SPECTRUM_CSV: &str = "spectrum.csv";
/// Its peaks.
pub const PEAKS_CSV: &str = "peaks.csv";
/// Everything said about the photo.
pub const QUALITY_JSON: &str = "quality.json";
/// What was found, drawn on the photo.
pub const OVERLAY_PNG: &str = "overlay.png";
/// The spectrum as a picture.
pub const SPECTRUM_SVG: &str = "spectrum.svg";
/// What was done, step by step.
pub const PHOTO_LOG: &str = "photo.log";

/// A published file that cannot be read back.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{file}, line {line}: {what}; delete its folder and it will be made again")]
pub struct ReadError {
    /// Name of the file.
    pub file: &'static str,
    /// Line, from 1.
    pub line: usize,
    /// What does not belong.
    pub what: String,
}

impl ReadError {
    fn new(file: &'static str, line: usize, what: impl ToString) -> ReadError {
        ReadError {
            file,
            line,
            what: what.to_string(),
        }
    }
}

/// The files of one photo's folder: name and bytes, in the order in which they are to be written.
///
/// `record` says everything that stands in `quality.json`; `measurement` gives the spectrum, the peaks, the drawing and
/// the log (an empty one where the photo was not measured); `absorbance` has one entry per row of the spectrum;
/// `frame` is the photo, absent where it could not be decoded; `phrases` are what is read in the pictures.
///
/// `spectrum.csv` and `spectrum.jdx` are absent where there is no spectrum, `absorbance.jdx` where no blank applies, and a
/// photo that a rule ignores has `quality.json` and `photo.log` alone. Every other photo has all the rest: a picture without
/// a spectrum or without a photo shows the verdict and its reason in words.
pub fn files(
    record: &Record,
    measurement: &Measurement,
    absorbance: Option<&[AbsorbanceRow]>,
    frame: Option<&Frame>,
    phrases: &Phrases,
) -> Vec<(String, Vec<u8>)> {
    let picture = overlay(record, measurement, frame, phrases);
    let mut files = lasting(record, measurement, absorbance, (picture, phrases));
    files.extend(of_settings(record, measurement));
    files
}

/// `overlay.png` alone; of a photo that is ignored nothing. It bears no verdict: an edited limit changes no picture.
pub fn overlay(
    record: &Record,
    measurement: &Measurement,
    frame: Option<&Frame>,
    phrases: &Phrases,
) -> Vec<u8> {
    match record.verdict {
        Verdict::Ignored => Vec::new(),
        _ => overlay::overlay_png(record, &measurement.drawing, frame, phrases),
    }
}

/// Those of [`files`] that no settings stand in but the language; `picture` is [`overlay()`].
pub fn lasting(
    record: &Record,
    measurement: &Measurement,
    absorbance: Option<&[AbsorbanceRow]>,
    (picture, phrases): (Vec<u8>, &Phrases),
) -> Vec<(String, Vec<u8>)> {
    let mut files = Vec::with_capacity(8);
    if record.verdict == Verdict::Ignored {
        return files;
    }
    let mut push = |name: &str, bytes: Vec<u8>| files.push((name.to_owned(), bytes));
    if let Some(spectrum) = &measurement.spectrum {
        push(SPECTRUM_CSV, spectrum_csv(spectrum, absorbance));
        for (name, text) in exchange::files(record, spectrum, absorbance) {
            push(name, text.into_bytes());
        }
    }
    push(PEAKS_CSV, peaks_csv(&measurement.peaks));
    push(OVERLAY_PNG, picture);
    push(
        SPECTRUM_SVG,
        spectrum_svg::spectrum_svg(record, measurement, absorbance, phrases).into_bytes(),
    );
    files
}

/// The others: the log names the rules, the record the settings' hash. The record is last: whoever finds it finds the rest.
pub fn of_settings(record: &Record, measurement: &Measurement) -> [(String, Vec<u8>); 2] {
    [
        (PHOTO_LOG.to_owned(), photo_log(record, measurement)),
        (QUALITY_JSON.to_owned(), quality_json(record)),
    ]
}

/// What a record says of a photo's numbers, with as many digits as they are published with: estimates with three digits of
/// their uncertainty, plain numbers with five digits. Only what is finite; why something is missing stands in [`Measurement::not_measured`].
pub fn as_published(metrics: &Metrics, order_side: Option<&str>) -> Measured {
    let mut published = Metrics::default();
    for (quantity, reading) in metrics.iter() {
        match reading.estimate() {
            Some(estimate) => published.note(quantity, numbers::rounded_estimate(estimate)),
            None => published.set(quantity, numbers::rounded(reading.value, 5)),
        }
    }
    Measured {
        numbers: published,
        order_side: order_side.map(str::to_owned),
    }
}

/// `quality.json`: indented, keys in a fixed order, a line break at the end.
///
/// Every number in the record must be finite: JSON has no word for another, and the file could not be read back.
pub fn quality_json(record: &Record) -> Vec<u8> {
    let mut bytes = serde_json::to_vec_pretty(record).expect("a record has only named fields");
    bytes.push(b'\n');
    debug_assert!(read_record(&bytes).is_ok(), "a record reads itself back");
    bytes
}

/// Reads `quality.json`. What [`files`] wrote comes back equal, to the last bit.
///
/// # Errors
/// Where and what does not belong there.
pub fn read_record(json: &[u8]) -> Result<Record, ReadError> {
    serde_json::from_slice(json).map_err(|e| ReadError::new(QUALITY_JSON, e.line(), &e))
}

/// `photo.log`: the verdict and its reasons in words, then what was done.
#[derive(Template)]
#[template(path = "photo_log.txt", config = "src/publish/files/askama.toml")]
struct PhotoLog<'a> {
    record: &'a Record,
    log: &'a [String],
}

fn photo_log(record: &Record, measurement: &Measurement) -> Vec<u8> {
    let log = &measurement.log;
    let text = PhotoLog { record, log }.render();
    (text.expect("writing to memory does not fail") + "\n").into_bytes()
}

#[cfg(test)]
pub(in crate::publish::files) mod tests {
    use super::*;

    use crate::terms::{Estimate, Quantity, Subject, Unmeasured};

    /// A record that names the side of its order.
    pub fn record_with(side: Option<&str>) -> Record {
        let mut record = record();
        record.metrics.order_side = side.map(str::to_owned);
        record
    }

    fn record() -> Record {
        Record {
            photo: "heron/a.jpg".to_owned(),
            bench: "heron".to_owned(),
            rule: "notes".to_owned(),
            label: "a".to_owned(),
            verdict: Verdict::Retake,
            reasons: vec![crate::terms::Reason {
                code: crate::terms::Code::Dim,
                severity: crate::terms::Severity::Retake,
                measured: "12 of 255".to_owned(),
                limit: "30 of 255".to_owned(),
                advice: "Go nearer.".to_owned(),
            }],
            not_measured: vec![Unmeasured::new(Subject::SlitWidth, "no sharp line")],
            ..Record::default()
        }
    }

    #[test]
    fn the_log_tells_the_verdict_before_the_steps() {
        let measurement = Measurement {
            log: vec!["found the slit".to_owned()],
            ..Measurement::default()
        };
        let log = String::from_utf8(photo_log(&record(), &measurement)).unwrap();
        assert_eq!(
            log,
            "heron/a.jpg\nrule: notes\nverdict: retake\n\
             dim: 12 of 255 (limit 30 of 255). Go nearer.\n\
             not measured: slit width: no sharp line\nfound the slit\n"
        );
    }

    #[test]
    fn an_estimate_becomes_two_metrics_with_the_digits_it_bears() {
        let mut metrics = Metrics::default();
        metrics.note(Quantity::TiltDeg, Estimate::new(1.234_567, 0.045_67));
        metrics.set(Quantity::Snr, 123.456_789);
        let map = as_published(&metrics, None).named();
        let expected = [
            ("snr", 123.46),
            ("tilt_deg", 1.2346),
            ("tilt_deg_sigma", 0.0457),
        ];
        assert_eq!(map.len(), expected.len());
        for (name, value) in expected {
            assert_eq!(map[name], value, "{name}");
        }
    }
}
