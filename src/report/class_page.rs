//! `class.html`: the benches beside each other. One lamp's spectra, and one sample's absorbances, over one another, and how well
//! results agree.

use std::collections::BTreeMap;

use askama::Template;

use super::agreement::Agreement;
use super::drawings::{self, Height, Legended, Named, STROKES};
use super::shown::{Inputs, Shown, by_path, subject};
use crate::publish::files::lines::read_absorbance;
use crate::publish::files::tables::read_spectrum;
use crate::publish::{numbers, words};
use crate::terms::{Capture, Phrases};

/// Curves on the page; with more it would be larger than a megabyte, and a phone's browser slow.
const MOST_CURVES: usize = 320;
/// Benches that are drawn of one lamp or sample.
const MOST_BENCHES: usize = 64;
/// Rows of the table of agreement.
const MOST_ROWS: usize = 60;

#[derive(Template)]
#[template(path = "class.html", config = "src/report/askama.toml")]
struct Page<'a> {
    t: &'a Phrases,
    title: String,
    refresh_s: u32,
    lamps: Vec<Legended>,
    samples: Vec<Legended>,
    /// What is not drawn, in words; empty where everything is.
    not_drawn: String,
    rows: Vec<Row>,
}

struct Row {
    quantity: String,
    benches: usize,
    mean: String,
    repeatability: String,
    reproducibility: String,
    apart: String,
}

/// The last photo of one lamp or sample on each bench.
type OnBenches<'a> = BTreeMap<&'a str, Shown<'a>>;

/// The page. `fetch` gives a photo's `spectrum.csv`; it is asked for those that are drawn.
pub fn class_html<'a>(
    inputs: &Inputs<'a>,
    agreements: &[Agreement],
    mut fetch: impl FnMut(&Shown<'a>) -> Option<Vec<u8>>,
) -> String {
    let t = inputs.phrases;
    let (mut lamps, mut samples) = (Vec::new(), Vec::new());
    let mut left_out: Vec<String> = Vec::new();
    let mut n_curves = 0;
    for ((height, name), benches) in subjects(inputs.photos) {
        let n = benches.len().min(MOST_BENCHES);
        if n_curves + n > MOST_CURVES {
            left_out.push(words::visible(name));
            continue;
        }
        n_curves += n;
        let further: Vec<&str> = benches.keys().skip(n).copied().collect();
        if !further.is_empty() {
            let further = further.join(", ");
            let text = t.of("class.on").put("name", name).put("benches", further);
            left_out.push(words::visible(&text.to_string()));
        }
        let curves: Vec<Named<'_>> = benches
            .into_iter()
            .take(n)
            .filter_map(|(bench, shown)| Some((bench, curve(&fetch(&shown)?, height)?)))
            .collect();
        let drawn = drawings_of(name, &curves, height, t);
        match height {
            Height::Share => lamps.extend(drawn),
            Height::Absorbance => samples.extend(drawn),
        }
    }
    let page = Page {
        t,
        title: words::visible(inputs.title),
        refresh_s: inputs.refresh_s,
        lamps,
        samples,
        not_drawn: left_out.join("; "),
        rows: agreements
            .iter()
            .take(MOST_ROWS)
            .map(|a| row(a, t))
            .collect(),
    };
    page.render().expect("writing to memory does not fail")
}

/// The drawings of one lamp or sample: several with the same axes where the benches are too many to be told apart in one.
fn drawings_of(name: &str, curves: &[Named<'_>], height: Height, t: &Phrases) -> Vec<Legended> {
    let all = drawings::overlays(curves, height, t);
    let n = all.len();
    let parts = drawings::evenly(curves, STROKES.len());
    all.into_iter()
        .zip(parts)
        .enumerate()
        .map(|(i, (svg, part))| {
            let name = match n {
                1 => name.to_owned(),
                _ => {
                    let part = t.of("class.part").put("name", name).put("i", i + 1);
                    part.put("n", n).to_string()
                }
            };
            Legended::new(&name, svg, part.iter().map(|(bench, _)| *bench))
        })
        .collect()
}

/// Lamps, those that calibrate among them, and samples with a blank, that two benches or more have measured under one name.
fn subjects<'a>(photos: &[Shown<'a>]) -> BTreeMap<(Height, &'a str), OnBenches<'a>> {
    let mut by: BTreeMap<(Height, &str), OnBenches<'a>> = BTreeMap::new();
    for shown in by_path(photos) {
        let r = shown.record;
        let is_lamp_or_sample =
            matches!(r.capture, Some(Capture::Sample | Capture::Calibration)) && r.is_usable();
        if !(is_lamp_or_sample && r.is_calibrated() && shown.has_spectrum) {
            continue;
        }
        let height = match (&r.answers.lamp, r.provenance.blank.is_empty()) {
            (Some(_), _) => Height::Share,
            (None, false) => Height::Absorbance,
            (None, true) => continue,
        };
        let benches = by.entry((height, subject(&r.label))).or_default();
        benches.insert(&r.bench, shown);
    }
    by.retain(|_, benches| benches.len() > 1);
    by
}

/// What is drawn of a `spectrum.csv`; absent where it cannot be read or holds nothing of it.
fn curve(csv: &[u8], height: Height) -> Option<Vec<(f64, f64)>> {
    match height {
        Height::Share => shares(csv),
        Height::Absorbance => {
            let rows = read_absorbance(csv).into_iter();
            let known: Vec<(f64, f64)> = rows.filter_map(|(nm, a)| Some((nm, a?.value))).collect();
            (known.len() > 1).then_some(known)
        }
    }
}

/// A spectrum as shares of its highest signal.
fn shares(csv: &[u8]) -> Option<Vec<(f64, f64)>> {
    let spectrum = read_spectrum(csv).ok()?;
    let top = spectrum.rows.iter().map(|r| r.signal).fold(0.0, f64::max);
    (top > 0.0 && spectrum.rows.len() > 1).then(|| {
        let rows = spectrum.rows.iter();
        rows.map(|r| (r.wavelength_nm, r.signal / top)).collect()
    })
}

fn row(agreement: &Agreement, t: &Phrases) -> Row {
    let p = &agreement.precision;
    let digits = numbers::decimals_for(p.reproducibility_sd, 2);
    // Outliers before stragglers: the word is what one looks for.
    let mut apart: Vec<(&str, String)> = p
        .benches
        .iter()
        .filter(|b| b.word != "agrees")
        .map(|b| {
            let key = match (b.word, b.by) {
                ("outlier", "k") => "class.outlier_scatter",
                ("outlier", _) => "class.outlier",
                (_, "k") => "class.straggler_scatter",
                _ => "class.straggler",
            };
            let bench = words::visible(&b.bench);
            (b.word, format!("{bench}: {}", t.say(key)))
        })
        .collect();
    apart.sort();
    let apart: Vec<String> = apart.into_iter().map(|a| a.1).collect();
    let unit = match agreement.unit.as_str() {
        // No units, but words for what none is stated of.
        "as stated" | "per unit of concentration" => String::new(),
        unit if agreement.quantity.ends_with(&format!(" {unit}")) => String::new(),
        unit => format!(", {}", t.told(unit)),
    };
    Row {
        quantity: words::visible(&format!("{}{unit}", t.told(&agreement.quantity))),
        benches: p.benches.len(),
        mean: t.n(numbers::plain(p.mean, digits)),
        repeatability: p.repeatability_sd.map_or_else(
            || t.say("class.no_repeats"),
            |sd| t.n(numbers::plain(sd, digits)),
        ),
        reproducibility: t.n(numbers::plain(p.reproducibility_sd, digits)),
        apart: if apart.is_empty() {
            t.say("class.none_apart")
        } else {
            apart.join("; ")
        },
    }
}
