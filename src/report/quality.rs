//! `quality.csv`: one row a photo, whatever its fate.

use std::collections::{BTreeMap, BTreeSet};

use super::dictionary::{QUALITY, QUALITY_AFTER};
use super::settled::Settled;
use super::shown::{Shown, by_path};
use crate::publish::files::schema::Column;
use crate::publish::files::table::{Row, Table, text_cell};
use crate::publish::record::{Record, Remark};
use crate::terms::{Look, Quantity, Reason, Unmeasured};

/// The contract's metrics in their order; estimates are followed by their uncertainty.
const METRICS: &str = "clipped_fraction,peak_level,snr,tilt_deg,tilt_deg_sigma,skew_deg,skew_deg_sigma,\
     slit_width_um,slit_width_um_sigma,blur_px,blur_px_sigma,bandpass_nm,background_level,nm_per_px,\
     wavelength_sigma_nm";

/// When a metric is empty.
const UNKNOWN: &str = "where it could not be measured";

/// Its columns: the fixed ones first, then further metrics and the rules' named groups, both by name.
pub fn columns(photos: &[Shown<'_>]) -> Vec<Column> {
    let more = further_metrics(photos);
    let named = groups(photos).into_iter().map(|name| {
        let meaning = format!("what a rule's named group `{name}` found in the photo's path");
        Column::text(
            format!("group_{name}"),
            meaning,
            "where its rule has no such group",
        )
    });
    let fixed = METRICS.split(',').map(metric);
    let further = more.iter().map(|name| metric(name));
    let columns = QUALITY.columns.iter().cloned().chain(fixed);
    let columns = columns.chain(QUALITY_AFTER.iter().cloned());
    columns.chain(further).chain(named).collect()
}

/// Every column that it can have, but for those of the rules' named groups and uncertainties of further metrics.
pub fn every_column() -> impl Iterator<Item = Column> {
    let further = |quantity: &&Quantity| !METRICS.split(',').any(|name| name == quantity.key());
    let further = Quantity::ALL.iter().filter(further);
    columns(&[])
        .into_iter()
        .chain(further.map(|quantity| metric(quantity.key())))
}

/// A metric's column.
fn metric(name: &str) -> Column {
    let stem = name.strip_suffix("_sigma");
    let find = |key: &str| Quantity::ALL.iter().find(|quantity| quantity.key() == key);
    let (unit, meaning) = match (find(name), stem.and_then(find)) {
        (Some(quantity), _) => (quantity.unit(), quantity.meaning().to_owned()),
        (None, Some(quantity)) => {
            let meaning = format!("one standard uncertainty of {}", quantity.key());
            (quantity.unit(), meaning)
        }
        (None, None) => ("", format!("{name}, as its version measured it")),
    };
    Column::number(text_cell(name), unit, meaning, UNKNOWN)
}

/// Metrics of any photo that are not among the contract's.
fn further_metrics(photos: &[Shown<'_>]) -> BTreeSet<String> {
    let fixed: BTreeSet<&str> = METRICS.split(',').collect();
    let all = photos
        .iter()
        .flat_map(|p| p.record.metrics.named().into_keys());
    all.filter(|name| !fixed.contains(name.as_str())).collect()
}

/// Named groups of any photo.
fn groups<'a>(photos: &[Shown<'a>]) -> BTreeSet<&'a str> {
    let all = photos.iter().flat_map(|p| p.record.groups.keys());
    all.map(String::as_str).collect()
}

/// The table, rows by path. Cells of names and sentences are safe to open in a spreadsheet; codes and sentences of several
/// reasons are joined with `; ` (codes with `;`), worst first. `settled` says which photos were taken again; `session` is
/// empty where the inbox is one class.
pub fn quality_csv(photos: &[Shown<'_>], settled: &Settled<'_>, session: &str) -> Vec<u8> {
    let mut table = Table::new(&columns(photos));
    let (more, groups) = (further_metrics(photos), groups(photos));
    for r in by_path(photos).iter().map(|p| p.record) {
        let row = metrics(before(r), r, METRICS.split(','));
        let by = settled.get(r.photo.as_str()).copied();
        let row = after(row, r).text(by.unwrap_or_default()).text(session);
        let row = row.maybe(r.capture_by).text(r.slate().unwrap_or_default());
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

/// The cells of [`QUALITY`].
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

/// Appends the cells of [`QUALITY_AFTER`] but the last four.
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
        .maybe(calibration.map(|c| c.kind))
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
