//! `quality.csv`: one row a photo, whatever its fate.

use std::collections::{BTreeMap, BTreeSet};

use super::settled::Settled;
use super::shown::{Shown, by_path};
use crate::publish::files::table::{Row, Table, text_cell};
use crate::publish::record::{Record, Remark};
use crate::terms::{Look, Reason, Unmeasured};

const BEFORE: &str =
    "photo,bench,capture,rule,label,lamp,taken,verdict,reasons,measured,limits,advice";

/// The contract's metrics in their order; estimates are followed by their uncertainty.
const METRICS: &str = "clipped_fraction,peak_level,snr,tilt_deg,tilt_deg_sigma,skew_deg,skew_deg_sigma,\
     slit_width_um,slit_width_um_sigma,blur_px,blur_px_sigma,bandpass_nm,background_level,nm_per_px,\
     wavelength_sigma_nm";

const AFTER: &str = "order_side,calibration_photo,scale,lines_used,rms_nm,not_measured,remarks,photo_hash,\
     calibration_hash,blank,dark,configuration_hash,version,phone,looks,decided_by,decided,settled_by";

/// The table: fixed columns first, then further metrics and the rules' named groups, both by name. Rows by path. Cells of
/// names and sentences are safe to open in a spreadsheet; codes and sentences of several reasons are joined with `; `
/// (codes with `;`), worst first. `settled` says which photos were taken again.
pub fn quality_csv(photos: &[Shown<'_>], settled: &Settled<'_>) -> Vec<u8> {
    let photos = by_path(photos);
    let records = || photos.iter().map(|p| p.record);
    let fixed: BTreeSet<&str> = METRICS.split(',').collect();
    let more: BTreeSet<String> = records()
        .flat_map(|r| r.metrics.named().into_keys())
        .filter(|name| !fixed.contains(name.as_str()))
        .collect();
    let groups: BTreeSet<&str> = records()
        .flat_map(|r| r.groups.keys().map(String::as_str))
        .collect();
    let columns = [BEFORE, METRICS, AFTER].into_iter();
    let columns = columns.flat_map(|part| part.split(',').map(str::to_owned));
    let further = more.iter().map(|name| text_cell(name));
    let named = groups.iter().map(|name| format!("group_{name}"));
    let mut table = Table::new(columns.chain(further).chain(named));
    for r in records() {
        let row = metrics(before(r), r, METRICS.split(','));
        let by = settled.get(r.photo.as_str()).copied();
        let row = after(row, r).text(by.unwrap_or_default());
        let row = metrics(row, r, more.iter().map(String::as_str));
        let group = |name: &&str| r.groups.get(*name).map_or("", String::as_str);
        table.push(groups.iter().map(group).fold(row, Row::text));
    }
    table.finish()
}

/// Cells of the metrics with these names; empty where the photo has none.
fn metrics<'n>(row: Row, r: &Record, names: impl Iterator<Item = &'n str>) -> Row {
    let named = r.metrics.named();
    let number = |name| named.get(name).filter(|v| v.is_finite());
    names.map(number).fold(row, Row::maybe)
}

/// The cells of [`BEFORE`].
fn before(r: &Record) -> Row {
    let joined = |by: &str, what: fn(&Reason) -> &str| {
        let parts: Vec<&str> = r
            .reasons
            .iter()
            .map(what)
            .filter(|s| !s.is_empty())
            .collect();
        parts.join(by)
    };
    Row::default()
        .text(&r.photo)
        .text(&r.bench)
        .maybe(r.capture.map(|c| c.as_str()))
        .text(&r.rule)
        .text(&r.label)
        .text(&r.lamp)
        .text(r.taken.as_deref().unwrap_or_default())
        .cell(r.verdict.as_str())
        .cell(joined(";", |reason| reason.code.as_str()))
        .text(joined("; ", |reason| &reason.measured))
        .text(joined("; ", |reason| &reason.limit))
        .text(joined(" ", |reason| &reason.advice))
}

/// Appends the cells of [`AFTER`] but the last.
fn after(row: Row, r: &Record) -> Row {
    let calibration = r.calibration.as_ref();
    let n_lines = calibration.map_or(0, |c| c.lines.iter().filter(|l| l.used).count());
    let photo = calibration.and_then(|c| c.photo.as_deref());
    let not_measured: Vec<String> = r.not_measured.iter().map(Unmeasured::to_string).collect();
    let remarks: Vec<String> = r.remarks.iter().map(Remark::to_string).collect();
    let made_from = &r.provenance;
    let paths = |map: &BTreeMap<String, String>| map.keys().cloned().collect::<Vec<_>>().join("; ");
    let hashes: Vec<&str> = made_from.calibration.values().map(String::as_str).collect();
    let looks = r.looks.as_ref().and_then(|seen| seen.look.as_ref());
    let looks = looks.map(Look::to_string);
    let cells = made_from
        .overrides
        .iter()
        .filter(|(column, _)| *column != "by");
    let decided: Vec<String> = cells
        .map(|(column, cell)| format!("{column} {cell}"))
        .collect();
    row.maybe(r.metrics.order_side.as_ref())
        .text(photo.unwrap_or_default())
        .maybe(calibration.map(|c| c.kind.as_str()))
        .maybe((n_lines > 0).then_some(n_lines))
        .rounded(calibration.and_then(|c| c.rms_nm), 4)
        .text(not_measured.join("; "))
        .text(remarks.join("; "))
        .cell(&made_from.photo_hash)
        .cell(hashes.join("; "))
        .text(paths(&made_from.blank))
        .text(paths(&made_from.dark))
        .cell(&made_from.configuration_hash)
        .cell(&made_from.version)
        .text(r.phone.as_deref().unwrap_or_default())
        .text(looks.as_deref().unwrap_or_default())
        .text(r.decided_by().unwrap_or_default())
        .text(decided.join("; "))
}
