//! `calibration.json`: a bench's lamp photos, the scales they gave, and how many photos use each.

use std::collections::BTreeMap;

use serde::Serialize;

use super::builds::builds;
use super::shown::{Shown, by_path};
use super::slit::{BenchSlit, bench_slit};
use crate::publish::record::{Record, parameters};
use crate::terms::{Calibration, Capture, FoundOut, LineUse, ScaleKind, SigmaAt, Verdict};

#[derive(Serialize)]
struct Page<'a> {
    bench: &'a str,
    /// The slit, from all photos of the bench as it was built last; absent where none shows it.
    slit: Option<BenchSlit>,
    calibrations: Vec<Entry<'a>>,
    /// Photos of the bench with a provisional scale.
    provisional: usize,
    /// Photos of the bench that wait for a scale.
    waiting: usize,
}

#[derive(Serialize)]
struct Entry<'a> {
    photo: &'a str,
    photo_hash: &'a str,
    taken: Option<&'a str>,
    verdict: Verdict,
    reasons: Vec<&'static str>,
    /// Other photos measured with it.
    used_by: usize,
    lamp: Option<&'a str>,
    rms_nm: Option<f64>,
    wavelength_sigma_nm: Option<f64>,
    margin: Option<f64>,
    /// How the lamp was told where none was stated.
    #[serde(skip_serializing_if = "Option::is_none")]
    found_out: Option<&'a FoundOut>,
    /// Which build of the instrument it shows, counted from 1 by time; absent without a scale.
    build: Option<usize>,
    /// What has jumped since the lamp photo before, where a build begins.
    rebuilt: &'a [String],
    parameters: BTreeMap<String, f64>,
    lines: &'a [LineUse],
    sigma_curve: &'a [SigmaAt],
}

/// How many other photos are measured with the scale of each lamp photo.
pub(super) fn used_by<'a>(photos: impl Iterator<Item = &'a Record>) -> BTreeMap<&'a str, usize> {
    let mut used_by = BTreeMap::new();
    for r in photos {
        let from = r.calibration.as_ref().and_then(|c| c.photo.as_deref());
        if let Some(photo) = from.filter(|photo| *photo != r.photo) {
            *used_by.entry(photo).or_default() += 1;
        }
    }
    used_by
}

/// The file of one bench, from all photos of the class. Lamp photos that gave no scale are in it too, with their
/// reasons.
pub fn calibration_json(bench: &str, photos: &[Shown<'_>]) -> Vec<u8> {
    let photos: Vec<_> = by_path(photos)
        .into_iter()
        .map(|shown| shown.record)
        .filter(|r| r.bench == bench)
        .collect();
    let used_by = used_by(photos.iter().copied());
    let builds = builds(&photos);
    let calibrations = photos
        .iter()
        .filter(|r| r.capture == Some(Capture::Calibration))
        .map(|r| {
            // Only a scale of its own: a lamp photo that gave none may be shown on another's.
            let own = r
                .calibration
                .as_ref()
                .filter(|c| c.photo.as_deref() == Some(r.photo.as_str()));
            let model: Option<&Calibration> = own.and_then(|c| c.model.as_ref());
            let build = builds.get(r.photo.as_str());
            Entry {
                photo: &r.photo,
                photo_hash: &r.provenance.photo_hash,
                taken: r.taken.as_deref(),
                verdict: r.verdict,
                reasons: r.reasons.iter().map(|r| r.code.as_str()).collect(),
                used_by: used_by.get(r.photo.as_str()).copied().unwrap_or_default(),
                lamp: model.map(|m| m.lamp.as_str()),
                rms_nm: own.and_then(|c| c.rms_nm),
                wavelength_sigma_nm: own.and(r.scale_sigma_nm()),
                margin: model.map(|m| m.margin).filter(|m| m.is_finite()),
                found_out: model.and_then(|m| m.found_out.as_ref()),
                build: build.map(|b| b.number),
                rebuilt: build.map(|b| b.jumps.as_slice()).unwrap_or_default(),
                parameters: model.map(parameters).unwrap_or_default(),
                lines: own.map(|c| c.lines.as_slice()).unwrap_or_default(),
                sigma_curve: model.map(|m| m.sigma_curve.as_slice()).unwrap_or_default(),
            }
        })
        .collect();
    let count = |f: &dyn Fn(&&&Record) -> bool| photos.iter().filter(f).count();
    let page = Page {
        bench,
        slit: bench_slit(&photos),
        calibrations,
        provisional: count(&|r| {
            r.calibration
                .as_ref()
                .is_some_and(|c| c.kind == ScaleKind::Provisional)
        }),
        waiting: count(&|r| r.verdict == Verdict::Waiting),
    };
    let mut bytes = serde_json::to_vec_pretty(&page).expect("a page has only named fields");
    bytes.push(b'\n');
    bytes
}
