//! `quality.csv`: one row a photo, whatever its fate.

use crate::terms::Unmeasured;
use std::collections::BTreeSet;

use super::{Shown, by_path};
use crate::publish::files::tables::{finish, push, text_cell, writer};
use crate::publish::files::words;
use crate::publish::record::Record;

/// The contract's metrics in their order; estimates are followed by their uncertainty.
pub const METRICS: [&str; 15] = [
    "clipped_fraction",
    "peak_level",
    "snr",
    "tilt_deg",
    "tilt_deg_sigma",
    "skew_deg",
    "skew_deg_sigma",
    "slit_width_um",
    "slit_width_um_sigma",
    "blur_px",
    "blur_px_sigma",
    "bandpass_nm",
    "background_level",
    "nm_per_px",
    "wavelength_sigma_nm",
];

const BEFORE: [&str; 12] = [
    "photo", "bench", "capture", "rule", "label", "lamp", "taken", "verdict", "reasons",
    "measured", "limits", "advice",
];

const AFTER: [&str; 12] = [
    "order_side",
    "calibration_photo",
    "scale",
    "lines_used",
    "rms_nm",
    "not_measured",
    "remarks",
    "photo_hash",
    "calibration_hash",
    "blank",
    "dark",
    "configuration_hash",
];

/// The table: fixed columns first, then further metrics and the rules' named groups, both by name. Rows by path. Cells of
/// names and sentences are safe to open in a spreadsheet; codes and sentences of several reasons are joined with `; `
/// (codes with `;`), worst first.
pub fn quality_csv(photos: &[Shown<'_>]) -> Vec<u8> {
    let photos = by_path(photos);
    let more: BTreeSet<String> = photos
        .iter()
        .flat_map(|p| p.record.metrics.named().into_keys())
        .filter(|name| !METRICS.contains(&name.as_str()))
        .collect();
    let groups: BTreeSet<&str> = photos
        .iter()
        .flat_map(|p| p.record.groups.keys())
        .map(String::as_str)
        .collect();
    let mut out = writer();
    let header = BEFORE
        .iter()
        .chain(&METRICS)
        .chain(&AFTER)
        .map(|s| (*s).to_owned())
        .chain(["version".to_owned()])
        .chain(more.iter().map(|name| text_cell(name)))
        .chain(groups.iter().map(|name| format!("group_{name}")));
    push(&mut out, header);
    for photo in &photos {
        push(&mut out, row(photo.record, &more, &groups));
    }
    finish(out)
}

/// What was not measured, in words.
fn sentences(not_measured: &[Unmeasured]) -> Vec<String> {
    not_measured.iter().map(Unmeasured::to_string).collect()
}

fn row(r: &Record, more: &BTreeSet<String>, groups: &BTreeSet<&str>) -> Vec<String> {
    let joined = |by: &str, what: &dyn Fn(&crate::terms::Reason) -> String| {
        let parts: Vec<String> = r
            .reasons
            .iter()
            .map(what)
            .filter(|s| !s.is_empty())
            .collect();
        parts.join(by)
    };
    let metrics = r.metrics.named();
    let number = |name: &str| {
        metrics
            .get(name)
            .filter(|v| v.is_finite())
            .map(|v| v.to_string())
            .unwrap_or_default()
    };
    let keys = |map: &std::collections::BTreeMap<String, String>| {
        map.keys().cloned().collect::<Vec<_>>().join("; ")
    };
    let mut cells = vec![
        text_cell(&r.photo),
        text_cell(&r.bench),
        r.capture.map(words::capture).unwrap_or_default().to_owned(),
        text_cell(&r.rule),
        text_cell(&r.label),
        text_cell(&r.lamp),
        text_cell(r.taken.as_deref().unwrap_or_default()),
        words::verdict(r.verdict).to_owned(),
        joined(";", &|reason| reason.code.as_str().to_owned()),
        text_cell(&joined("; ", &|reason| reason.measured.clone())),
        text_cell(&joined("; ", &|reason| reason.limit.clone())),
        text_cell(&joined(" ", &|reason| reason.advice.clone())),
    ];
    cells.extend(METRICS.iter().map(|name| number(name)));
    let calibration = r.calibration.as_ref();
    let lines = calibration
        .map(|c| c.lines.iter().filter(|l| l.used).count())
        .filter(|n| *n > 0);
    let hashes: Vec<&str> = r
        .provenance
        .calibration
        .values()
        .map(String::as_str)
        .collect();
    cells.extend([
        r.order_side.clone().unwrap_or_default(),
        text_cell(
            calibration
                .and_then(|c| c.photo.as_deref())
                .unwrap_or_default(),
        ),
        calibration
            .map(|c| words::scale_kind(c.kind))
            .unwrap_or_default()
            .to_owned(),
        lines.map(|n| n.to_string()).unwrap_or_default(),
        calibration
            .and_then(|c| c.rms_nm)
            .and_then(|v| crate::publish::files::numbers::rounded(v, 4))
            .map(|v| v.to_string())
            .unwrap_or_default(),
        text_cell(&sentences(&r.not_measured).join("; ")),
        text_cell(&r.remarks.join("; ")),
        r.provenance.photo_hash.clone(),
        hashes.join("; "),
        text_cell(&keys(&r.provenance.blank)),
        text_cell(&keys(&r.provenance.dark)),
        r.provenance.configuration_hash.clone(),
        r.provenance.version.clone(),
    ]);
    cells.extend(more.iter().map(|name| number(name)));
    cells.extend(
        groups
            .iter()
            .map(|name| text_cell(r.groups.get(*name).map(String::as_str).unwrap_or_default())),
    );
    cells
}
