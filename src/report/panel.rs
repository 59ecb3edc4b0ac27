//! A bench's answers for its page: its series and brackets in words and pictures, what its lamps are, their colours and powers;
//! and where the constants behind the numbers come from (`references.csv`).

use std::collections::BTreeMap;

use super::colours::{self, Light};
use super::dictionary;
use super::drawings;
use super::lights::{self, ShownLights};
use super::scenes::{self, Brackets};
use super::series::{self, Series};
use super::shown::Shown;
use crate::answers::references::REFERENCES;
use crate::classify::stated::Stated;
use crate::publish::files::table::{Row, Table};
use crate::publish::record::{Answers, Record, Remark};
use crate::publish::{numbers, words};
use crate::terms::Estimate;

/// `references.csv`: constants and methods behind the numbers, with their sources.
pub fn references_csv() -> Vec<u8> {
    let mut table = Table::new(dictionary::REFERENCES.columns);
    for (what, source) in REFERENCES {
        table.push(Row::default().cell(what).cell(source));
    }
    table.finish()
}

/// A bench's answers in words and a picture, for its page.
#[derive(askama::Template)]
#[template(path = "answers.html", config = "src/report/askama.toml")]
pub struct Panel<'l> {
    series: Vec<ShownSeries>,
    brackets: Vec<ShownBracket>,
    /// Lamps by their photos' names, and samples that absorb.
    lamps: Vec<(String, &'l Answers)>,
    absorbed: Vec<(String, &'l Answers)>,
    lights: Option<ShownLights<'l>>,
    has_tables: bool,
}

struct ShownSeries {
    title: String,
    /// Why there is no line; empty where there is one.
    refused: String,
    /// Each unknown's name and what it comes to.
    unknowns: Vec<(String, String)>,
    /// Unit with a space before it; empty where none is stated.
    unit: String,
    line: Option<ShownLine>,
    picture: Option<String>,
}

/// A series' line in numbers.
struct ShownLine {
    standards: usize,
    left_out: usize,
    low: String,
    high: String,
    slope: String,
    intercept: String,
    scatter: String,
    detected: String,
    stated: String,
}

struct ShownBracket {
    title: String,
    line: String,
    /// What it is applied to: the curve, the photos.
    applied: Vec<(String, String)>,
    picture: Option<String>,
}

/// What the spectra of a class, or of one bench, come to.
pub struct Found<'a> {
    /// Dilution series.
    pub series: Vec<Series<'a>>,
    /// Brackets of exposures.
    pub brackets: Vec<Brackets<'a>>,
    /// Colours and powers of lamps.
    pub lights: Vec<Light<'a>>,
}

impl<'a> Found<'a> {
    /// `fetch` gives a photo's `spectrum.csv`.
    pub fn of(
        photos: &[Shown<'a>],
        stated: &'a Stated,
        mut fetch: impl FnMut(&Shown<'a>) -> Option<Vec<u8>>,
    ) -> Found<'a> {
        let brackets = scenes::of_class(photos, &mut fetch);
        Found {
            lights: colours::of_class(photos, &mut fetch),
            series: series::of_class(photos, stated, &brackets, &mut fetch),
            brackets,
        }
    }
}

/// The panel of one bench, as HTML; empty where it has no series and no bracket, and no lamp was identified. `has_tables` says whether
/// the class's tables stand beside the bench's folder, for links to lead there.
pub fn panel(bench: &str, photos: &[Shown<'_>], found: &Found<'_>, has_tables: bool) -> String {
    let Found {
        series: all,
        brackets,
        lights,
    } = found;
    let series: Vec<ShownSeries> = all.iter().filter(|s| s.bench == bench).map(shown).collect();
    let sound = || {
        photos
            .iter()
            .map(|s| s.record)
            .filter(|r| r.is_usable_sample())
    };
    let those = |that: fn(&Answers) -> bool| -> Vec<(String, &Answers)> {
        let name = |r: &Record| words::visible(r.file_name());
        sound()
            .filter(|r| that(&r.answers))
            .map(|r| (name(r), &r.answers))
            .collect()
    };
    let lamps = those(|answers| answers.lamp.is_some());
    let absorbed = those(|a| !a.absorption_bands.is_empty() || edge(a).is_some());
    let brackets: Vec<ShownBracket> = brackets
        .iter()
        .filter(|b| b.bench == bench)
        .flat_map(|b| shown_brackets(b, photos))
        .collect();
    let own: Vec<&Light<'_>> = lights.iter().filter(|l| l.bench == bench).collect();
    let lights = lights::shown(&own);
    let nothing = series.is_empty() && lamps.is_empty() && absorbed.is_empty();
    if nothing && brackets.is_empty() && lights.is_none() {
        return String::new();
    }
    askama::Template::render(&Panel {
        series,
        brackets,
        lamps,
        absorbed,
        lights,
        has_tables,
    })
    .expect("writing to memory does not fail")
}

/// The edge of what a sample lets through, nm, and its width, nm.
fn edge(answers: &Answers) -> Option<(Estimate, f64)> {
    let width_nm = answers.numbers.get("transmission_edge_width_nm");
    answers
        .estimate("transmission_edge_nm")
        .zip(width_nm.copied())
}

/// A number with its standard uncertainty.
fn pair(value: &f64, sigma: &f64) -> String {
    numbers::plus_minus(Estimate::new(*value, *sigma))
}

/// The tone curve with what it is applied to, and each joined scene.
fn shown_brackets(b: &Brackets<'_>, photos: &[Shown<'_>]) -> Vec<ShownBracket> {
    let applied = applied(photos);
    let (line, picture) = match &b.curve {
        Ok(curve) => {
            let line = format!(
                "What its codes mean in light, from the bracket’s spectra as published: {} to {} % off sRGB’s, white being the same. Shaded: {} %, which the bracket leaves.{}",
                numbers::plain(100.0 * curve.apart().0, 0),
                numbers::plain(100.0 * curve.apart().1, 0),
                numbers::plain(100.0 * curve.rms, 1),
                if applied.is_empty() {
                    ""
                } else {
                    " A photo is corrected before it is measured, with the bracket measured on that photo’s own scale; the curves differ by as much as the scales do:"
                }
            );
            (line, Some(drawings::tone(curve)))
        }
        Err(refusal) => (format!("sRGB’s is used: {refusal}"), None),
    };
    let curve = ShownBracket {
        title: "The phone’s tone curve".to_owned(),
        line,
        applied,
        picture,
    };
    let scenes = b.scenes.iter().map(|scene| {
        let name = match scene.name {
            "" => "bracket",
            name => name,
        };
        let (line, picture) = match &scene.joined {
            Ok(joined) => {
                let line = "As the longest exposure would show it; where that is blown out a shorter one stands.";
                (line.to_owned(), drawings::joined(joined))
            }
            Err(refusal) => (refusal.to_string(), None),
        };
        ShownBracket {
            title: words::visible(&format!("{name}: {} exposures joined", scene.shots.len())),
            line,
            applied: Vec::new(),
            picture,
        }
    });
    std::iter::once(curve).chain(scenes).collect()
}

/// Which curve was applied to which photos: what their records say of it, and their names.
fn applied(photos: &[Shown<'_>]) -> Vec<(String, String)> {
    let mut by: BTreeMap<&str, Vec<&str>> = BTreeMap::new();
    for s in photos {
        let said = s.record.remarks.iter().find_map(|remark| match remark {
            Remark::ToneCurve(said) => Some(said),
            Remark::Other(_) => None,
        });
        if let Some(said) = said {
            let photos = by.entry(said.trim_start_matches([':', ' '])).or_default();
            photos.push(s.record.file_name());
        }
    }
    by.into_iter()
        .map(|(said, names)| (words::visible(said), words::visible(&names.join(", "))))
        .collect()
}

fn shown(s: &Series<'_>) -> ShownSeries {
    let name = if s.name.is_empty() { "series" } else { s.name };
    let unit = match s.unit {
        "" => String::new(),
        unit => format!(" {unit}"),
    };
    let line = s.line.as_ref().ok().map(|line| ShownLine {
        standards: s.members.iter().filter(|m| m.stated().is_some()).count(),
        left_out: line.left_out,
        low: numbers::about(line.range.0),
        high: numbers::about(line.range.1),
        slope: numbers::plus_minus(line.slope),
        intercept: numbers::plus_minus(line.intercept),
        scatter: numbers::plain(line.scatter, 2),
        detected: numbers::about(line.detection_limit()),
        stated: numbers::about(line.quantification_limit()),
    });
    let unknowns = s.unknowns.iter().map(|(name, unknown)| {
        let text = match unknown {
            Ok(found) => format!(
                "{}{unit}; with 95 % between {} and {}{unit}",
                numbers::plus_minus(found.value),
                numbers::about(found.low),
                numbers::about(found.high)
            ),
            Err(refusal) => refusal.to_string(),
        };
        (words::visible(name), words::visible(&text))
    });
    let at = s
        .wavelength_nm
        .map_or_else(String::new, |nm| format!(" at {nm:.0} nm"));
    ShownSeries {
        title: words::visible(&format!("{name}{at}")),
        refused: match &s.line {
            Ok(_) => String::new(),
            Err(refusal) => words::visible(&refusal.to_string()),
        },
        unknowns: unknowns.collect(),
        line,
        unit: words::visible(&unit),
        picture: super::series_svg::picture(s),
    }
}
