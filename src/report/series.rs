//! Dilution series and the class's agreement: from records and published absorbances to `concentrations.csv`, `series.csv`
//! and `class.csv`. The arithmetic is that of `answers`; here is only which photo belongs to what.

use std::collections::BTreeMap;

use super::{Shown, by_path};
use crate::answers::bands::{self, Row};
use crate::answers::class::{Cell, Precision, precision};
use crate::answers::series::{self, Concentration, Line, STATED_FREEDOM, Standard};
use crate::answers::{Refusal, references::REFERENCES};
use crate::classify::Capture;
use crate::measure::absorb::{KNOWN_TONE, UNKNOWN_TONE};
use crate::measure::{Estimate, Verdict};
use crate::publish::files::tables::{finish, push, read_absorbance, text_cell, writer};
use crate::publish::files::{numbers, words};
use crate::publish::record::Record;

/// Group of a rule that names a series, and the one that states a concentration.
const SERIES: &str = "series";
const CONCENTRATION: &str = "concentration";

/// A photo of a series.
pub struct Member<'a> {
    /// Path below the inbox.
    pub photo: &'a str,
    /// Stated concentration; absent for an unknown.
    pub stated: Option<f64>,
    /// Absorbance at the series's wavelength; absent where it means nothing there.
    pub absorbance: Option<Estimate>,
    /// An unknown's concentration, or why there is none.
    pub found: Option<Result<Concentration, Refusal>>,
}

/// A bench's dilution series.
pub struct Series<'a> {
    /// The bench.
    pub bench: &'a str,
    /// Its name: the rule's group `series`, or empty.
    pub name: &'a str,
    /// Wavelength at which it is read, nm; absent where no place serves all.
    pub wavelength_nm: Option<f64>,
    /// Standards and unknowns by path.
    pub members: Vec<Member<'a>>,
    /// The line, or why there is none.
    pub line: Result<Line, Refusal>,
    /// Mean concentration of all unknowns where there are any.
    pub unknown: Option<Result<Concentration, Refusal>>,
}

/// Every series of the class, by bench and name. `fetch` gives a photo's `spectrum.csv`.
///
/// Photos to be taken again take no part.
pub fn of_class<'a>(
    photos: &[Shown<'a>],
    mut fetch: impl FnMut(&Shown<'a>) -> Option<Vec<u8>>,
) -> Vec<Series<'a>> {
    let mut groups: BTreeMap<(&str, &str), Vec<Shown<'a>>> = BTreeMap::new();
    for shown in by_path(photos) {
        let r = shown.record;
        let sound = matches!(r.verdict, Verdict::Good | Verdict::Caution);
        let belongs = r.groups.contains_key(SERIES) || r.groups.contains_key(CONCENTRATION);
        if sound && belongs && r.capture == Some(Capture::Sample) && !r.provenance.blank.is_empty()
        {
            let name = r.groups.get(SERIES).map_or("", String::as_str);
            groups.entry((&r.bench, name)).or_default().push(shown);
        }
    }
    groups
        .into_iter()
        .map(|((bench, name), photos)| {
            let curves: Vec<Vec<Row>> = photos
                .iter()
                .map(|s| fetch(s).map_or_else(Vec::new, |csv| read_absorbance(&csv)))
                .collect();
            evaluate(bench, name, &photos, &curves)
        })
        .collect()
}

fn evaluate<'a>(
    bench: &'a str,
    name: &'a str,
    photos: &[Shown<'a>],
    curves: &[Vec<Row>],
) -> Series<'a> {
    let stated = |s: &Shown<'a>| -> Option<f64> {
        let text = s.record.groups.get(CONCENTRATION)?;
        text.parse()
            .ok()
            .filter(|c: &f64| c.is_finite() && *c >= 0.0)
    };
    let standards: Vec<&[Row]> = photos
        .iter()
        .zip(curves)
        .filter(|(s, c)| stated(s).is_some() && !c.is_empty())
        .map(|(_, c)| c.as_slice())
        .collect();
    let wavelength_nm = bands::best_wavelength(&standards);
    let mut members: Vec<Member<'a>> = photos
        .iter()
        .zip(curves)
        .map(|(s, curve)| Member {
            photo: &s.record.photo,
            stated: stated(s),
            absorbance: wavelength_nm.and_then(|nm| bands::at(curve, nm)),
            found: None,
        })
        .collect();
    let of_its_own: Vec<Option<Estimate>> = photos
        .iter()
        .zip(&members)
        .map(|(s, m)| Some(without_common(s.record, m.absorbance?)))
        .collect();
    let known: Vec<Standard> = members
        .iter()
        .zip(&of_its_own)
        .filter_map(|(m, own)| {
            Some(Standard {
                concentration: m.stated?,
                absorbance: (*own)?,
            })
        })
        .collect();
    let line = series::fit(&known, STATED_FREEDOM);
    let mut unknown = None;
    let repeats: Vec<Estimate> = members
        .iter()
        .zip(&of_its_own)
        .filter(|(m, _)| m.stated.is_none())
        .filter_map(|(_, own)| *own)
        .collect();
    for (m, own) in members.iter_mut().zip(&of_its_own) {
        if m.stated.is_some() {
            continue;
        }
        m.found = Some(match &line {
            Ok(line) => line.concentration(own.as_slice()),
            Err(refusal) => Err(refusal.clone()),
        });
    }
    if let (Ok(line), false) = (&line, repeats.is_empty()) {
        unknown = Some(line.concentration(&repeats));
    }
    Series {
        bench,
        name,
        wavelength_nm,
        members,
        line,
        unknown,
    }
}

/// The uncertainty without what a series has in common: one phone's tone curve stretches standards and unknowns alike and
/// falls out of the concentration; a quarter is kept for its bend.
fn without_common(record: &Record, e: Estimate) -> Estimate {
    let tone = if record.provenance.bracket.is_empty() {
        UNKNOWN_TONE
    } else {
        KNOWN_TONE
    } * e.value;
    let own = (e.sigma.powi(2) - tone.powi(2)).max((0.2 * e.sigma).powi(2));
    Estimate {
        sigma: own.sqrt().hypot(0.25 * tone),
        ..e
    }
}

fn two(e: Option<Estimate>) -> [String; 2] {
    e.map_or_else(Default::default, numbers::cells)
}

fn wavelength(nm: Option<f64>) -> String {
    nm.map_or_else(String::new, |nm| numbers::fixed(nm, 0))
}

/// `concentrations.csv`: a row per photo of a series.
pub fn concentrations_csv(all: &[Series<'_>]) -> Vec<u8> {
    let mut out = writer();
    push(
        &mut out,
        [
            "bench",
            "series",
            "photo",
            "role",
            "stated_concentration",
            "wavelength_nm",
            "absorbance",
            "absorbance_sigma",
            "residual",
            "concentration",
            "concentration_sigma",
            "low_95",
            "high_95",
            "refused",
        ],
    );
    for s in all {
        let mut nth_standard = 0;
        for m in &s.members {
            let mut residual = String::new();
            if let (Some(_), Some(a), Ok(line)) = (m.stated, m.absorbance, &s.line) {
                residual = numbers::cell(line.residuals[nth_standard], a.sigma);
            }
            if m.stated.is_some() && m.absorbance.is_some() {
                nth_standard += 1;
            }
            let found = m.found.as_ref().and_then(|f| f.as_ref().ok());
            let refused = match (&m.found, m.absorbance) {
                (Some(Err(refusal)), _) => refusal.to_string(),
                (_, None) => "no-absorbance: it means nothing at this wavelength".to_owned(),
                _ => String::new(),
            };
            let mut row = vec![
                text_cell(s.bench),
                text_cell(s.name),
                text_cell(m.photo),
                if m.stated.is_some() {
                    "standard"
                } else {
                    "unknown"
                }
                .to_owned(),
                m.stated.map_or_else(String::new, |c| format!("{c}")),
                wavelength(s.wavelength_nm),
            ];
            row.extend(two(m.absorbance));
            row.push(residual);
            row.extend(two(found.map(|f| f.value)));
            for end in [found.map(|f| f.low), found.map(|f| f.high)] {
                let sigma = found.map_or(1.0, |f| f.value.sigma);
                row.push(end.map_or_else(String::new, |e| numbers::cell(e, sigma)));
            }
            row.push(text_cell(&refused));
            push(&mut out, row);
        }
    }
    finish(out)
}

/// `series.csv`: a row per series.
pub fn series_csv(all: &[Series<'_>]) -> Vec<u8> {
    let mut out = writer();
    push(
        &mut out,
        [
            "bench",
            "series",
            "wavelength_nm",
            "standards",
            "slope",
            "slope_sigma",
            "intercept",
            "intercept_sigma",
            "scatter",
            "linear_from",
            "linear_to",
            "left_out",
            "detection_limit",
            "quantification_limit",
            "unknown",
            "unknown_sigma",
            "low_95",
            "high_95",
            "refused",
        ],
    );
    for s in all {
        let standards = s.members.iter().filter(|m| m.stated.is_some()).count();
        let line = s.line.as_ref().ok();
        let unknown = s.unknown.as_ref().and_then(|u| u.as_ref().ok());
        let refused = match (&s.line, &s.unknown) {
            (Err(refusal), _) | (_, Some(Err(refusal))) => refusal.to_string(),
            _ => String::new(),
        };
        let about = |x: Option<f64>| {
            x.and_then(|x| numbers::rounded(x, 3))
                .map_or_else(String::new, |x| format!("{x}"))
        };
        let mut row = vec![
            text_cell(s.bench),
            text_cell(s.name),
            wavelength(s.wavelength_nm),
            standards.to_string(),
        ];
        row.extend(two(line.map(|l| l.slope)));
        row.extend(two(line.map(|l| l.intercept)));
        row.push(about(line.map(|l| l.scatter)));
        row.push(about(line.map(|l| l.range.0)));
        row.push(about(line.map(|l| l.range.1)));
        row.push(line.map_or_else(String::new, |l| l.left_out.to_string()));
        row.push(about(line.map(Line::detection_limit)));
        row.push(about(line.map(Line::quantification_limit)));
        row.extend(two(unknown.map(|u| u.value)));
        for end in [unknown.map(|u| u.low), unknown.map(|u| u.high)] {
            let sigma = unknown.map_or(1.0, |u| u.value.sigma);
            row.push(end.map_or_else(String::new, |e| numbers::cell(e, sigma)));
        }
        row.push(text_cell(&refused));
        push(&mut out, row);
    }
    finish(out)
}

/// What benches can be compared by: the quantity, its unit, and each bench's results.
fn quantities(
    photos: &[Shown<'_>],
    all: &[Series<'_>],
) -> BTreeMap<(String, &'static str), Vec<Cell>> {
    let mut by: BTreeMap<(String, &'static str), BTreeMap<&str, Vec<f64>>> = BTreeMap::new();
    for s in all {
        let mut note = |what: &str, unit, value: f64| {
            let name = format!(
                "{what} of {}",
                if s.name.is_empty() {
                    "the series"
                } else {
                    s.name
                }
            );
            by.entry((name, unit))
                .or_default()
                .entry(s.bench)
                .or_default()
                .push(value);
        };
        if let Ok(line) = &s.line {
            note("slope", "per unit of concentration", line.slope.value);
        }
        for m in &s.members {
            if let Some(Ok(found)) = &m.found {
                note("concentration", "as stated", found.value.value);
            }
        }
    }
    for shown in by_path(photos) {
        let r = shown.record;
        let sound = matches!(r.verdict, Verdict::Good | Verdict::Caution);
        if let (Some(nm), true, Some(Capture::Sample)) =
            (r.answers.numbers.get("strongest_peak_nm"), sound, r.capture)
        {
            // Repeats are numbered at the end of the name: pier-lamp-02 is a repeat of pier-lamp.
            let subject = r
                .label
                .trim_end_matches(|c: char| c.is_ascii_digit() || matches!(c, '-' | '_' | ' '));
            let name = format!("strongest peak of {subject}");
            by.entry((name, "nm"))
                .or_default()
                .entry(&r.bench)
                .or_default()
                .push(*nm);
        }
    }
    by.into_iter()
        .map(|(what, cells)| {
            let cells = cells
                .into_iter()
                .map(|(bench, values)| Cell {
                    bench: bench.to_owned(),
                    values,
                })
                .collect();
            (what, cells)
        })
        .collect()
}

/// `class.csv`: for each quantity that two benches or more have measured, a row per bench and the class's figures in each.
pub fn class_csv(photos: &[Shown<'_>], all: &[Series<'_>]) -> Vec<u8> {
    let mut out = writer();
    push(
        &mut out,
        [
            "quantity",
            "unit",
            "bench",
            "repeats",
            "mean",
            "sd",
            "mandel_h",
            "mandel_k",
            "word",
            "by",
            "class_mean",
            "repeatability_sd",
            "between_sd",
            "reproducibility_sd",
            "cochran_c",
            "cochran_critical_5",
        ],
    );
    for ((quantity, unit), cells) in quantities(photos, all) {
        let Ok(found) = precision(&cells) else {
            continue;
        };
        for bench in &found.benches {
            push(&mut out, class_row(&quantity, unit, bench, &found));
        }
    }
    finish(out)
}

fn class_row(
    quantity: &str,
    unit: &str,
    bench: &crate::answers::class::Standing,
    found: &Precision,
) -> Vec<String> {
    let about = |x: Option<f64>, digits| {
        x.and_then(|x| numbers::rounded(x, digits))
            .map_or_else(String::new, |x| format!("{x}"))
    };
    vec![
        text_cell(quantity),
        unit.to_owned(),
        text_cell(&bench.bench),
        bench.n.to_string(),
        about(Some(bench.mean), 6),
        about(bench.sd, 3),
        about(bench.h, 3),
        about(bench.k, 3),
        bench.word.to_owned(),
        bench.by.to_owned(),
        about(Some(found.mean), 6),
        about(found.repeatability_sd, 3),
        about(found.between_sd, 3),
        about(Some(found.reproducibility_sd), 3),
        about(found.cochran.map(|c| c.0), 3),
        about(found.cochran.map(|c| c.1), 3),
    ]
}

/// `references.csv`: constants and methods behind the numbers, with their sources.
pub fn references_csv() -> Vec<u8> {
    let mut out = writer();
    push(&mut out, ["used_for", "source"]);
    for (what, source) in REFERENCES {
        push(&mut out, [what, source]);
    }
    finish(out)
}

/// A bench's answers in words and a picture, for its page.
#[derive(askama::Template)]
#[template(path = "answers.html", config = "src/report/askama.toml")]
pub struct Panel {
    series: Vec<ShownSeries>,
    lamps: Vec<(String, String)>,
}

struct ShownSeries {
    title: String,
    lines: Vec<String>,
    picture: Option<String>,
    alt: String,
}

/// The panel of one bench; empty where it has no series and no lamp was identified.
pub fn panel(bench: &str, photos: &[Shown<'_>], all: &[Series<'_>]) -> String {
    let series: Vec<ShownSeries> = all.iter().filter(|s| s.bench == bench).map(shown).collect();
    let lamps: Vec<(String, String)> = photos
        .iter()
        .filter(|s| s.record.capture == Some(Capture::Sample))
        .filter_map(|s| {
            let lamp = s.record.answers.lamp.as_ref()?;
            let n = &s.record.answers.numbers;
            let estimate = |name: &str| {
                let sigma = n.get(&format!("{name}_sigma"))?;
                Some(numbers::plus_minus(Estimate {
                    value: *n.get(name)?,
                    sigma: *sigma,
                }))
            };
            let mut text = format!(
                "{} ({} %); next {} ({} %)",
                lamp.name,
                numbers::plain(100.0 * lamp.score, 0),
                lamp.runner_up,
                numbers::plain(100.0 * lamp.runner_up_score, 0)
            );
            for (name, title) in [
                ("laser_nm", "wavelength"),
                ("led_peak_nm", "peak"),
                ("led_centroid_nm", "centroid"),
                ("led_half_width_nm", "half-width"),
            ] {
                if let Some(number) = estimate(name) {
                    text += &format!("; {title} {number} nm");
                }
            }
            let name = s.record.photo.rsplit('/').next().unwrap_or_default();
            Some((words::visible(name), words::visible(&text)))
        })
        .collect();
    if series.is_empty() && lamps.is_empty() {
        return String::new();
    }
    askama::Template::render(&Panel { series, lamps }).expect("writing to memory does not fail")
}

fn shown(s: &Series<'_>) -> ShownSeries {
    let name = if s.name.is_empty() { "series" } else { s.name };
    let mut lines = Vec::new();
    match &s.line {
        Ok(line) => {
            lines.push(format!(
                "absorbance = {} + ({}) · concentration, linear from {} to {}",
                numbers::plus_minus(line.intercept),
                numbers::plus_minus(line.slope),
                numbers::about(line.range.0),
                numbers::about(line.range.1)
            ));
            lines.push(format!(
                "can be detected from {}, stated from {} (3 and 10 standard deviations near zero)",
                numbers::about(line.detection_limit()),
                numbers::about(line.quantification_limit())
            ));
        }
        Err(refusal) => lines.push(refusal.to_string()),
    }
    match &s.unknown {
        Some(Ok(found)) => lines.push(format!(
            "unknown: {}; with 95 % between {} and {}",
            numbers::plus_minus(found.value),
            numbers::about(found.low),
            numbers::about(found.high)
        )),
        Some(Err(refusal)) => lines.push(format!("unknown: {refusal}")),
        None => {}
    }
    let at = s
        .wavelength_nm
        .map_or_else(String::new, |nm| format!(" at {nm:.0} nm"));
    ShownSeries {
        title: words::visible(&format!("{name}{at}")),
        lines: lines.iter().map(|l| words::visible(l)).collect(),
        picture: super::series_svg::picture(s),
        alt: "absorbance by concentration: standards with one standard uncertainty, the line, unknowns hollow".to_owned(),
    }
}
