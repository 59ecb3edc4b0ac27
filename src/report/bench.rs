//! `<bench>/index.html`: a bench's page, made for a phone. The last verdict fills the screen, then what to do, then the
//! instrument, the spectra, and every photo.

use askama::Template;

use super::calibration_page::{ShownTrend, shown_trends};
use super::charts;
use super::pages::{ShownPhoto, ShownReason, file_name};
use super::standing::{BenchStanding, Health};
use crate::measure::Estimate;
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
    trends: Vec<ShownTrend>,
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
    let residuals = bench.scale().and_then(|(_, c)| {
        let curve = c.model.as_ref().map(|m| m.sigma_curve.as_slice());
        charts::residuals(&c.lines, curve.unwrap_or_default())
    });
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
            "Lamp lines with one standard uncertainty, on that of the scale. Discs and diamonds: the two orders. Hollow: compared only."
                .to_owned()
        } else {
            String::new()
        },
        residuals,
        trends: shown_trends(bench),
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
                format!("{used}, rms {} nm", numbers::plain(rms, 3)),
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
