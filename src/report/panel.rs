//! A bench's answers for its page: its series and brackets in words and pictures, what its lamps are; and where the constants
//! behind the numbers come from (`references.csv`).

use super::scenes::Brackets;
use super::series::Series;
use super::{Shown, drawings};
use crate::answers::references::REFERENCES;
use crate::classify::Capture;
use crate::measure::{Estimate, Verdict};
use crate::publish::files::tables::{finish, push, writer};
use crate::publish::files::{numbers, words};

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
    brackets: Vec<ShownBracket>,
    lamps: Vec<(String, String)>,
}

struct ShownSeries {
    title: String,
    lines: Vec<String>,
    picture: Option<String>,
    alt: String,
}

struct ShownBracket {
    title: String,
    line: String,
    picture: Option<String>,
}

/// The panel of one bench; empty where it has no series and no bracket, and no lamp was identified.
pub fn panel(
    bench: &str,
    photos: &[Shown<'_>],
    all: &[Series<'_>],
    brackets: &[Brackets<'_>],
) -> String {
    let series: Vec<ShownSeries> = all.iter().filter(|s| s.bench == bench).map(shown).collect();
    let lamps: Vec<(String, String)> = photos
        .iter()
        .filter(|s| {
            // A photo to be taken again may be over-exposed or have moved: it says nothing of its lamp.
            let r = s.record;
            r.capture == Some(Capture::Sample)
                && matches!(r.verdict, Verdict::Good | Verdict::Caution)
        })
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
    let brackets: Vec<ShownBracket> = brackets
        .iter()
        .filter(|b| b.bench == bench)
        .flat_map(shown_brackets)
        .collect();
    if series.is_empty() && lamps.is_empty() && brackets.is_empty() {
        return String::new();
    }
    askama::Template::render(&Panel {
        series,
        brackets,
        lamps,
    })
    .expect("writing to memory does not fail")
}

/// The tone curve, and each joined scene.
fn shown_brackets(b: &Brackets<'_>) -> Vec<ShownBracket> {
    let curve = match &b.curve {
        Ok(curve) => ShownBracket {
            title: "The phone’s tone curve".to_owned(),
            line: format!(
                "What its codes mean in light, from its bracket: up to {} % from sRGB’s. Shaded: {} %, which the bracket leaves.",
                numbers::plain(100.0 * (curve.departure - 1.0), 0),
                numbers::plain(100.0 * curve.rms, 1)
            ),
            picture: Some(drawings::tone(curve)),
        },
        Err(refusal) => ShownBracket {
            title: "The phone’s tone curve".to_owned(),
            line: format!("sRGB’s is used: {refusal}"),
            picture: None,
        },
    };
    let scenes = b.scenes.iter().map(|scene| {
        let name = match scene.name {
            "" => "bracket",
            name => name,
        };
        let title = words::visible(&format!("{name}: {} exposures joined", scene.shots.len()));
        match &scene.joined {
            Ok(joined) => ShownBracket {
                title,
                line: "As the longest exposure would show it; where that is blown out a shorter one stands."
                    .to_owned(),
                picture: drawings::joined(joined),
            },
            Err(refusal) => ShownBracket {
                title,
                line: refusal.to_string(),
                picture: None,
            },
        }
    });
    std::iter::once(curve).chain(scenes).collect()
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
    let unit = match s.unit {
        "" => String::new(),
        unit => format!(" {unit}"),
    };
    for (name, unknown) in &s.unknowns {
        lines.push(match unknown {
            Ok(found) => format!(
                "{name}: {}{unit}; with 95 % between {} and {}{unit}",
                numbers::plus_minus(found.value),
                numbers::about(found.low),
                numbers::about(found.high)
            ),
            Err(refusal) => format!("{name}: {refusal}"),
        });
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
