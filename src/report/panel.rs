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
use crate::answers::Refusal;
use crate::answers::limits::Limits;
use crate::answers::references::REFERENCES;
use crate::classify::stated::Stated;
use crate::publish::files::table::{Row, Table};
use crate::publish::record::{Answers, Record, Remark};
use crate::publish::{numbers, words};
use crate::terms::{Estimate, Phrases};

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
    t: &'l Phrases,
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
    blanks: Option<ByBlanks>,
}

/// The limits of a series by how much repeated photos of its blank scatter, or why there are none.
struct ByBlanks {
    n: usize,
    refused: String,
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

/// Under which key a lamp's number is named.
fn answers_key(key: &str) -> &'static str {
    match key {
        "laser_nm" => "answers.wavelength",
        "led_peak_nm" => "answers.peak",
        "led_centroid_nm" => "answers.centroid",
        _ => "answers.half_width",
    }
}

/// The panel of one bench, as HTML; empty where it has no series and no bracket, and no lamp was identified. `has_tables` says whether
/// the class's tables stand beside the bench's folder, for links to lead there.
pub fn panel(
    bench: &str,
    photos: &[Shown<'_>],
    found: &Found<'_>,
    (has_tables, t): (bool, &Phrases),
) -> String {
    let Found {
        series: all,
        brackets,
        lights,
    } = found;
    let series: Vec<ShownSeries> = all
        .iter()
        .filter(|s| s.bench == bench)
        .map(|s| shown(s, t))
        .collect();
    let those = |that: fn(&Answers) -> bool| -> Vec<(String, &Answers)> {
        let name = |r: &Record| words::visible(r.file_name());
        let records = photos.iter().map(|s| s.record);
        records
            .filter(|r| r.is_usable_sample() && that(&r.answers))
            .map(|r| (name(r), &r.answers))
            .collect()
    };
    let lamps = those(|answers| answers.lamp.is_some());
    let absorbed = those(|a| !a.absorption_bands.is_empty() || edge(a).is_some());
    let brackets: Vec<ShownBracket> = brackets
        .iter()
        .filter(|b| b.bench == bench)
        .flat_map(|b| shown_brackets(b, photos, t))
        .collect();
    let own: Vec<&Light<'_>> = lights.iter().filter(|l| l.bench == bench).collect();
    let lights = lights::shown(&own, t);
    let nothing = series.is_empty() && lamps.is_empty() && absorbed.is_empty();
    if nothing && brackets.is_empty() && lights.is_none() {
        return String::new();
    }
    askama::Template::render(&Panel {
        t,
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
fn pair(t: &Phrases, value: &f64, sigma: &f64) -> String {
    t.n(numbers::plus_minus(Estimate::new(*value, *sigma)))
}

/// The tone curve with what it is applied to, and each joined scene.
fn shown_brackets(b: &Brackets<'_>, photos: &[Shown<'_>], t: &Phrases) -> Vec<ShownBracket> {
    let applied = applied(photos, t);
    let (line, picture) = match &b.curve {
        Ok(curve) => {
            let line = t
                .of("bracket.curve")
                .put("low", numbers::plain(100.0 * curve.apart().0, 0))
                .put("high", numbers::plain(100.0 * curve.apart().1, 0))
                .put("left", t.n(numbers::plain(100.0 * curve.rms, 1)))
                .to_string();
            let line = match applied.is_empty() {
                true => line,
                false => format!("{line} {}", t.say("bracket.applied")),
            };
            (line, Some(drawings::tone(curve, t)))
        }
        Err(refusal) => {
            let line = t.of("bracket.srgb").put("why", why(refusal, t));
            (line.to_string(), None)
        }
    };
    let curve = ShownBracket {
        title: t.say("bracket.tone"),
        line,
        applied,
        picture,
    };
    let scenes = b.scenes.iter().map(|scene| {
        let name = match scene.name {
            "" => t.say("bracket.unnamed"),
            name => name.to_owned(),
        };
        let (line, picture) = match &scene.joined {
            Ok(joined) => {
                let line = t.say("bracket.joined_how");
                (line, drawings::joined(joined, t))
            }
            Err(refusal) => (why(refusal, t), None),
        };
        ShownBracket {
            title: {
                let title = t.of("bracket.joined").put("name", name);
                words::visible(&title.put("n", scene.shots.len()).to_string())
            },
            line,
            applied: Vec::new(),
            picture,
        }
    });
    std::iter::once(curve).chain(scenes).collect()
}

/// Which curve was applied to which photos: what their records say of it, and their names.
fn applied(photos: &[Shown<'_>], t: &Phrases) -> Vec<(String, String)> {
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
        .map(|(said, names)| {
            (
                words::visible(&t.told(said)),
                words::visible(&names.join(", ")),
            )
        })
        .collect()
}

/// Why there is no number: the code that stays, and the words.
fn why(refusal: &Refusal, t: &Phrases) -> String {
    format!("{}: {}", refusal.code, t.told(&refusal.why))
}

/// Nothing where the blank was not photographed again.
fn by_blanks(s: &Series<'_>, t: &Phrases) -> Option<ByBlanks> {
    if s.n_blanks < 2 {
        return None;
    }
    let number = |of: fn(&Limits) -> Estimate| {
        let found = s.limits.as_ref().ok().map(of);
        found.map_or(String::new(), |e| t.n(numbers::plus_minus(e)))
    };
    let refused = s.limits.as_ref().err().map(|refusal| why(refusal, t));
    Some(ByBlanks {
        n: s.n_blanks,
        refused: words::visible(&refused.unwrap_or_default()),
        scatter: number(|l| l.scatter),
        detected: number(|l| l.detection),
        stated: number(|l| l.quantification),
    })
}

fn shown(s: &Series<'_>, t: &Phrases) -> ShownSeries {
    let name = match s.name {
        "" => t.say("answers.series"),
        name => name.to_owned(),
    };
    let unit = match s.unit {
        "" => String::new(),
        unit => format!(" {unit}"),
    };
    let line = s.line.as_ref().ok().map(|line| ShownLine {
        standards: s.members.iter().filter(|m| m.stated().is_some()).count(),
        left_out: line.left_out,
        low: t.n(numbers::about(line.range.0)),
        high: t.n(numbers::about(line.range.1)),
        slope: t.n(numbers::plus_minus(line.slope)),
        intercept: t.n(numbers::plus_minus(line.intercept)),
        scatter: t.n(numbers::plain(line.scatter, 2)),
        detected: t.n(numbers::about(line.detection_limit())),
        stated: t.n(numbers::about(line.quantification_limit())),
        blanks: by_blanks(s, t),
    });
    let unknowns = s.unknowns.iter().map(|(name, unknown)| {
        let text = match unknown {
            Ok(found) => {
                let value = t.n(numbers::plus_minus(found.value));
                let text = t
                    .of("answers.unknown")
                    .put("value", format!("{value}{unit}"));
                let text = text.put("low", t.n(numbers::about(found.low)));
                let high = t.n(numbers::about(found.high));
                text.put("high", format!("{high}{unit}")).to_string()
            }
            Err(refusal) => why(refusal, t),
        };
        (words::visible(name), words::visible(&text))
    });
    let title = match s.wavelength_nm {
        None => name,
        Some(nm) => {
            let title = t.of("answers.series_at").put("name", name);
            title.put("nm", numbers::plain(nm, 0)).to_string()
        }
    };
    ShownSeries {
        title: words::visible(&title),
        refused: match &s.line {
            Ok(_) => String::new(),
            Err(refusal) => words::visible(&why(refusal, t)),
        },
        unknowns: unknowns.collect(),
        line,
        unit: words::visible(&unit),
        picture: super::series_svg::picture(s, t),
    }
}
