//! `<bench>/index.html`: a bench's page, made for a phone. The last verdict fills the screen, then what to do, then the
//! instrument, the spectra, and every photo.

use std::fmt::Write;

use askama::Template;

use super::pages::{ShownPhoto, ShownReason, file_name};
use super::standing::{BenchStanding, Health};
use crate::measure::{Estimate, LineUse};
use crate::publish::files::{numbers, words};

#[derive(Template)]
#[template(path = "bench.html", config = "src/report/askama.toml")]
struct Page {
    name: String,
    heading: &'static str,
    refresh_s: u32,
    last: Option<ShownPhoto>,
    calls: Vec<ShownPhoto>,
    health: String,
    health_class: &'static str,
    remedy: String,
    gauges: Vec<(&'static str, String)>,
    residuals: Option<String>,
    residuals_say: String,
    spectra: Vec<ShownPhoto>,
    history: Vec<ShownPhoto>,
    /// Dilution series and what the lamps are, as HTML; empty for none.
    answers: String,
}

/// The page of one bench. It has no clock: the photos alone determine it. `answers` is HTML of its own.
pub fn bench_html(bench: &BenchStanding<'_>, answers: &str, refresh_s: u32) -> String {
    let shown = |s: &super::Shown<'_>| ShownPhoto::new(s, &bench.folder);
    let last = bench.last();
    let calls = bench
        .calls()
        .into_iter()
        .filter(|s| last.is_none_or(|l| l.record.photo != s.record.photo))
        .map(shown)
        .collect();
    let (health, reason) = bench.health();
    let (health_class, health_word) = match health {
        Health::Sound => ("g", "Sound"),
        Health::Look => ("c", "Look at it"),
        Health::Mend => ("r", "To fix"),
        Health::Unseen => ("i", "Not seen yet"),
    };
    let reason = reason.map(|r| ShownReason::new(r, crate::measure::Verdict::Retake));
    let lines = bench.scale().map(|(_, c)| c.lines.as_slice());
    let residuals = lines.and_then(residuals_svg);
    let newest_first = || bench.photos.iter().rev();
    let page = Page {
        name: words::visible(&bench.name),
        heading: last.map_or("no photo yet", |s| words::verdict(s.record.verdict)),
        refresh_s,
        answers: answers.to_owned(),
        calls,
        health: match &reason {
            Some(r) => format!("{health_word}: {}", r.what),
            None => health_word.to_owned(),
        },
        health_class,
        remedy: reason.map(|r| r.advice).unwrap_or_default(),
        gauges: gauges(bench),
        residuals_say: if residuals.is_some() {
            "Lamp lines: measured minus published wavelength, with one standard uncertainty. Hollow: compared only."
                .to_owned()
        } else {
            String::new()
        },
        residuals,
        spectra: newest_first()
            .filter(|s| s.has_spectrum && last.is_none_or(|l| l.record.photo != s.record.photo))
            .map(shown)
            .collect(),
        history: newest_first().chain(&bench.ignored).map(shown).collect(),
        last: last.map(shown),
    };
    page.render().expect("writing to memory does not fail")
}

/// The instrument in numbers: what has been measured, newest value of each.
fn gauges(bench: &BenchStanding<'_>) -> Vec<(&'static str, String)> {
    let mut gauges = Vec::new();
    if let Some((record, calibration)) = bench.scale() {
        if let Some(sigma) = record.metrics.get("wavelength_sigma_nm") {
            gauges.push(("scale", format!("± {} nm", numbers::sigma_alone(*sigma))));
        }
        if let Some(photo) = &calibration.photo {
            let name = photo.rsplit('/').next().unwrap_or_default();
            gauges.push(("scale from", words::visible(name)));
        }
        if let Some(rms) = calibration.rms_nm {
            let used = calibration.lines.iter().filter(|l| l.used).count();
            gauges.push((
                "lamp lines",
                format!("{used}, rms {} nm", numbers::plain(rms, 2)),
            ));
        }
    } else {
        gauges.push(("scale", "none yet".to_owned()));
    }
    for (name, title, unit) in [
        ("slit_width_um", "slit width", " µm"),
        ("bandpass_nm", "bandpass", " nm"),
        ("tilt_deg", "tilt", "°"),
        ("skew_deg", "skew", "°"),
        ("blur_px", "blur", " px"),
        ("nm_per_px", "sampling", " nm/px"),
    ] {
        let text = match bench.metric(name) {
            Some((value, Some(sigma))) => numbers::plus_minus(Estimate { value, sigma }),
            Some((value, None)) => numbers::about(value),
            None => continue,
        };
        gauges.push((title, format!("{text}{unit}")));
    }
    if let Some((value, _)) = bench.metric("background_level") {
        gauges.push((
            "stray light",
            format!("{} %", numbers::about(100.0 * value)),
        ));
    }
    if let Some(record) = bench.checked_on() {
        gauges.push(("checked on", words::visible(file_name(record))));
    }
    gauges
}

/// Residuals of the lamp's lines over wavelength; absent for fewer than two lines.
fn residuals_svg(lines: &[LineUse]) -> Option<String> {
    let sound: Vec<&LineUse> = lines
        .iter()
        .filter(|l| l.residual_nm.is_finite() && l.sigma_nm.is_finite())
        .collect();
    if sound.len() < 2 {
        return None;
    }
    let reach = sound
        .iter()
        .map(|l| l.residual_nm.abs() + l.sigma_nm)
        .fold(0.05, f64::max);
    let ends =
        |f: fn(f64, f64) -> f64, from: f64| sound.iter().map(|l| l.wavelength_nm).fold(from, f);
    let (low, high) = (
        ends(f64::min, f64::INFINITY),
        ends(f64::max, f64::NEG_INFINITY),
    );
    let (low, high) = (low - 15.0, high + 15.0);
    let (left, right, top, bottom) = (62.0, 470.0, 12.0, 132.0);
    let x = |nm: f64| left + (nm - low) / (high - low) * (right - left);
    let y = |nm: f64| (top + bottom) / 2.0 - nm / (1.1 * reach) * (bottom - top) / 2.0;
    let used: Vec<f64> = sound
        .iter()
        .filter(|l| l.used)
        .map(|l| l.residual_nm)
        .collect();
    let (worst, best) = used
        .iter()
        .fold((0.0f64, 0.0f64), |(hi, lo), r| (hi.max(*r), lo.min(*r)));
    let mut svg = format!(
        "<svg class=\"resid\" viewBox=\"0 0 480 166\" role=\"img\" aria-label=\"Residuals of {} lamp lines, from {} to {} nm\">",
        used.len(),
        numbers::plain(best, 2),
        numbers::plain(worst, 2)
    );
    let (marks, decimals) = numbers::ticks(-1.1 * reach, 1.1 * reach, 3);
    for mark in marks {
        let _ = write!(
            svg,
            "<path class=\"z\" d=\"M{left} {:.1}H{right}\"/><text x=\"56\" y=\"{:.1}\" text-anchor=\"end\">{}</text>",
            y(mark),
            y(mark) + 6.0,
            numbers::plain(mark, decimals)
        );
    }
    let (marks, decimals) = numbers::ticks(low, high, 5);
    for mark in marks {
        let _ = write!(
            svg,
            "<text x=\"{:.1}\" y=\"156\" text-anchor=\"middle\">{}{}</text>",
            x(mark),
            numbers::plain(mark, decimals),
            if mark + 60.0 > high { " nm" } else { "" }
        );
    }
    for line in sound {
        let (cx, cy) = (x(line.wavelength_nm), y(line.residual_nm));
        let class = if line.used { "" } else { " class=\"o\"" };
        let _ = write!(
            svg,
            "<path d=\"M{cx:.1} {:.1}V{:.1}\"/><circle{class} cx=\"{cx:.1}\" cy=\"{cy:.1}\" r=\"5\"/>",
            y(line.residual_nm - line.sigma_nm),
            y(line.residual_nm + line.sigma_nm)
        );
    }
    svg += "</svg>";
    Some(svg)
}
