//! `class.html`: the benches beside each other. One lamp's spectra over one another, and how well results agree.

use std::collections::BTreeMap;

use askama::Template;

use super::agreement::Agreement;
use super::drawings::{self, Named, STROKES};
use super::{Inputs, Shown, by_path, subject};
use crate::classify::Capture;
use crate::measure::{ScaleKind, Verdict};
use crate::publish::files::tables::read_spectrum;
use crate::publish::files::{numbers, words};

/// Lamps that are drawn; more would make the page too large for a phone.
const MOST_LAMPS: usize = 16;
/// Rows of the table of agreement.
const MOST_ROWS: usize = 60;

#[derive(Template)]
#[template(path = "class.html", config = "src/report/askama.toml")]
struct Page {
    title: String,
    refresh_s: u32,
    overlays: Vec<Overlay>,
    lamps_more: usize,
    rows: Vec<Row>,
}

struct Overlay {
    name: String,
    svg: String,
    benches: Vec<Bench>,
    more: usize,
}

struct Bench {
    key: String,
    name: String,
}

struct Row {
    quantity: String,
    benches: usize,
    mean: String,
    repeatability: String,
    reproducibility: String,
    apart: String,
}

/// The page. `fetch` gives a photo's `spectrum.csv`; it is asked for those that are drawn.
pub fn class_html<'a>(
    inputs: &Inputs<'a>,
    agreements: &[Agreement],
    mut fetch: impl FnMut(&Shown<'a>) -> Option<Vec<u8>>,
) -> String {
    let lamps = lamps(inputs.photos);
    let lamps_more = lamps.len().saturating_sub(MOST_LAMPS);
    let overlays = lamps
        .into_iter()
        .take(MOST_LAMPS)
        .filter_map(|(name, benches)| {
            let more = benches.len().saturating_sub(STROKES.len());
            let spectra: Vec<Named<'_>> = benches
                .into_iter()
                .take(STROKES.len())
                .filter_map(|(bench, shown)| Some((bench, shares(&fetch(&shown)?)?)))
                .collect();
            let svg = drawings::overlay(&spectra)?;
            let benches = spectra.iter().enumerate();
            Some(Overlay {
                name: words::visible(name),
                svg,
                benches: benches
                    .map(|(i, (bench, _))| Bench {
                        key: drawings::key(i),
                        name: words::visible(bench),
                    })
                    .collect(),
                more,
            })
        })
        .collect();
    let page = Page {
        title: words::visible(inputs.title),
        refresh_s: inputs.refresh_s,
        overlays,
        lamps_more,
        rows: agreements.iter().take(MOST_ROWS).map(row).collect(),
    };
    page.render().expect("writing to memory does not fail")
}

/// Lamps by name that two benches or more have measured, with the last photo of each bench.
fn lamps<'a>(photos: &[Shown<'a>]) -> Vec<(&'a str, BTreeMap<&'a str, Shown<'a>>)> {
    let mut by: BTreeMap<&str, BTreeMap<&str, Shown<'a>>> = BTreeMap::new();
    for shown in by_path(photos) {
        let r = shown.record;
        let is_lamp = r.capture == Some(Capture::Sample)
            && matches!(r.verdict, Verdict::Good | Verdict::Caution)
            && r.answers.lamp.is_some()
            && r.calibration
                .as_ref()
                .is_some_and(|c| c.kind == ScaleKind::Calibrated);
        if is_lamp && shown.has_spectrum {
            let benches = by.entry(subject(&r.label)).or_default();
            benches.insert(&r.bench, shown);
        }
    }
    by.into_iter()
        .filter(|(_, benches)| benches.len() > 1)
        .collect()
}

/// A spectrum as shares of its highest signal; absent where it cannot be read or holds no light.
fn shares(csv: &[u8]) -> Option<Vec<(f64, f64)>> {
    let spectrum = read_spectrum(csv).ok()?;
    let top = spectrum.rows.iter().map(|r| r.signal).fold(0.0, f64::max);
    (top > 0.0).then(|| {
        let rows = spectrum.rows.iter();
        rows.map(|r| (r.wavelength_nm, r.signal / top)).collect()
    })
}

fn row(agreement: &Agreement) -> Row {
    let p = &agreement.precision;
    let digits = numbers::decimals_for(p.reproducibility_sd, 2);
    let apart: Vec<String> = p
        .benches
        .iter()
        .filter(|b| b.word == "outlier")
        .map(|b| match b.by {
            "k" => format!("{} (scatter)", words::visible(&b.bench)),
            _ => words::visible(&b.bench),
        })
        .collect();
    let unit = match agreement.unit.as_str() {
        "nm" => " nm",
        _ => "",
    };
    Row {
        quantity: words::visible(&agreement.quantity),
        benches: p.benches.len(),
        mean: format!("{}{unit}", numbers::plain(p.mean, digits)),
        repeatability: p.repeatability_sd.map_or_else(
            || "no repeats".to_owned(),
            |sd| format!("{}{unit}", numbers::plain(sd, digits)),
        ),
        reproducibility: format!("{}{unit}", numbers::plain(p.reproducibility_sd, digits)),
        apart: if apart.is_empty() {
            "none".to_owned()
        } else {
            apart.join(", ")
        },
    }
}
