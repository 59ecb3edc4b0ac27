//! The committed demo photos are what the simulator draws from the demo's plan, no more and no fewer.
//!
//! `SLITWATCH_REDRAW=1 cargo test --test redraw` draws them anew and replaces what has changed.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

use jiff::civil::date;
use rayon::prelude::*;
use slitwatch::simulate::{Fault, draw};

#[path = "jobs/evening.rs"]
mod evening;

/// Samples (0–255) may differ by this much: the last digit of `exp` and `sin` differs between platforms, and can tip a
/// rounding in the noise or in the JPEG coefficients.
const LEVELS: u8 = 3;
/// Share of samples that may differ by more than [`LEVELS`].
const SHARE: f64 = 1e-3;

/// What a checkout can bear of pictures, bytes: 3.2 megabytes a bench (common practice, no source).
const MOST_BYTES: u64 = 16_000_000;

fn inbox() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-inbox")
}

fn files_below(folder: &Path, root: &Path, found: &mut BTreeSet<String>) {
    let Ok(entries) = fs::read_dir(folder) else {
        return;
    };
    for entry in entries {
        let path = entry.expect("a readable folder").path();
        if path.is_dir() {
            files_below(&path, root, found);
        } else {
            let below = path.strip_prefix(root).expect("found below its root");
            found.insert(below.to_string_lossy().replace('\\', "/"));
        }
    }
}

fn decoded(bytes: &[u8]) -> Option<Vec<u8>> {
    let options = zune_core::options::DecoderOptions::default().set_strict_mode(true);
    let source = zune_core::bytestream::ZCursor::new(bytes);
    zune_jpeg::JpegDecoder::new_with_options(source, options)
        .decode()
        .ok()
}

/// The Exif block, where the file has one.
fn header(bytes: &[u8]) -> Option<Vec<u8>> {
    let exif = exif::Reader::new().read_from_container(&mut std::io::Cursor::new(bytes));
    exif.ok().map(|e| e.buf().to_vec())
}

/// Why the committed file is not the drawn one, if it is not.
fn difference(committed: &[u8], drawn: &[u8]) -> Option<String> {
    if committed == drawn {
        return None;
    }
    if header(committed) != header(drawn) {
        return Some("the header differs".into());
    }
    match (decoded(committed), decoded(drawn)) {
        (Some(a), Some(b)) if a.len() == b.len() => {
            let unlike = a
                .iter()
                .zip(&b)
                .filter(|(a, b)| a.abs_diff(**b) > LEVELS)
                .count();
            let share = unlike as f64 / a.len() as f64;
            (share > SHARE).then(|| format!("{:.2} % of the samples differ", 100.0 * share))
        }
        // A cut file: nothing to compare but where it was cut.
        (None, None) => {
            let ratio = committed.len() as f64 / drawn.len().max(1) as f64;
            ((ratio - 1.0).abs() > 0.01)
                .then(|| "other bytes, and neither is a whole picture".into())
        }
        _ => Some("one of the two is not a whole picture of the same size".into()),
    }
}

#[test]
fn the_demo_photos_are_the_ones_that_the_plan_draws() {
    let inbox = inbox();
    let class = evening::class();
    if std::env::var_os("SLITWATCH_REDRAW").is_some() {
        class.par_iter().for_each(|planned| {
            let path = inbox.join(&planned.path);
            let drawn = draw(&planned.shot).jpeg;
            if fs::read(&path).is_ok_and(|old| difference(&old, &drawn).is_none()) {
                return;
            }
            fs::create_dir_all(path.parent().expect("a bench's folder"))
                .expect("a folder can be made");
            fs::write(&path, drawn).expect("a photo can be written");
        });
    }
    let planned_paths: BTreeSet<String> = class.iter().map(|p| p.path.clone()).collect();
    let mut committed_paths = BTreeSet::new();
    files_below(&inbox, &inbox, &mut committed_paths);
    assert_eq!(
        committed_paths, planned_paths,
        "demo-inbox/ against the plan"
    );

    let wrong: Vec<String> = class
        .par_iter()
        .filter_map(|planned| {
            let committed = fs::read(inbox.join(&planned.path)).expect("listed a moment ago");
            let why = difference(&committed, &draw(&planned.shot).jpeg)?;
            Some(format!("{}: {why}", planned.path))
        })
        .collect();
    assert!(
        wrong.is_empty(),
        "{}\nSLITWATCH_REDRAW=1 cargo test --test redraw draws them anew",
        wrong.join("\n")
    );
    let bytes: u64 = committed_paths
        .iter()
        .map(|path| {
            fs::metadata(inbox.join(path))
                .expect("listed a moment ago")
                .len()
        })
        .sum();
    assert!(bytes <= MOST_BYTES, "{bytes} bytes are too many to commit");
}

#[test]
fn the_evening_has_every_fault_a_class_makes_and_enough_good_photos() {
    let class = evening::class();
    let codes: BTreeSet<&str> = class
        .iter()
        .flat_map(|p| &p.shot.faults)
        .map(Fault::code)
        .collect();
    for code in [
        "clipped",
        "dim",
        "tilted",
        "skewed",
        "slit-wide",
        "defocused",
        "moved",
        "leak",
        "cropped",
        "no-spectrum",
        "few-lines",
        "truncated",
        "exposure-auto",
        "exposure-differs",
    ] {
        assert!(codes.contains(code), "{code} is missing");
    }
    let sound = class.iter().filter(|p| p.shot.faults.is_empty()).count();
    assert!(class.len() >= 24 && sound >= 16);
    let paths: BTreeSet<&str> = class.iter().map(|p| p.path.as_str()).collect();
    assert_eq!(paths.len(), class.len(), "every path once");
    let (start, end) = (
        date(2026, 11, 12).at(18, 40, 0, 0),
        date(2026, 11, 12).at(20, 30, 0, 0),
    );
    assert!(
        class
            .iter()
            .all(|p| p.shot.taken >= start && p.shot.taken <= end)
    );
    assert!(class.is_sorted_by_key(|p| p.shot.taken));
}
