//! `<bench>/index.html`: a bench's page, made for a phone. The last verdict fills the screen, then what to do; the
//! instrument, the spectra, and every photo are folded there.

use askama::Template;

use super::charts;
use super::pages::{self, ShownPhoto, ShownReason};
use super::shown::{Inputs, Shown};
use super::standing::{BenchStanding, Health};
use super::trend::{Trend, trends};
use crate::publish::record::file_name;
use crate::publish::{numbers, words};
use crate::terms::{Estimate, Quantity, Verdict};

#[derive(Template)]
#[template(path = "bench.html", config = "src/report/askama.toml")]
struct Page<'a> {
    name: String,
    heading: &'static str,
    refresh_s: u32,
    last: Option<ShownPhoto>,
    calls: Vec<ShownPhoto>,
    /// What is still to be photographed.
    missing: Vec<String>,
    /// When the class ends; absent where nothing says so.
    ends_at: Option<&'a str>,
    health: &'static str,
    health_class: &'static str,
    reason: Option<ShownReason>,
    /// Folder of the session, where the bench has no scale in it yet: an earlier one's is shown. Empty otherwise.
    session: &'a str,
    gauges: Vec<(&'static str, String)>,
    residuals: Option<String>,
    trends: Vec<Trend>,
    /// Whether they state the last value: above them the instrument's numbers do, and two of one thing would disagree.
    tells_now: bool,
    /// State letter, number and word of each verdict that there is.
    tally: Vec<(&'static str, usize, &'static str)>,
    spectra: Vec<ShownPhoto>,
    /// Under which name the table of all of them is saved; absent where there is none.
    wide: Option<String>,
    history: Vec<ShownPhoto>,
    /// Dilution series and what the lamps are, as HTML; empty for none.
    answers: String,
}

/// The page of one bench. It has no clock: the photos alone determine it. `answers` is HTML of its own;
/// `has_wide` says whether its table of spectra stands beside it.
pub fn bench_html(
    bench: &BenchStanding<'_>,
    answers: &str,
    has_wide: bool,
    inputs: &Inputs<'_>,
) -> String {
    let shown = |s: &Shown<'_>| ShownPhoto {
        again: bench.again(s).map(pages::again).unwrap_or_default(),
        ..ShownPhoto::new(s, &bench.folder)
    };
    let last = bench.last();
    let calls = bench
        .calls()
        .into_iter()
        .filter(|s| last.is_none_or(|l| l.record.photo != s.record.photo))
        .map(shown)
        .collect();
    let (health, reason) = bench.health();
    let (health_class, health) = match health {
        Health::Sound => ("g", "Sound"),
        Health::Look => ("c", "Look at it"),
        Health::Mend => ("r", "To fix"),
        Health::Unseen => ("i", "Not seen yet"),
    };
    let residuals = bench.scale().and_then(|(_, c)| {
        let curve = c.model.as_ref().map(|m| m.sigma_curve.as_slice());
        charts::residuals(&c.lines, curve.unwrap_or_default())
    });
    let newest_first = || bench.photos.iter().rev();
    let page = Page {
        name: words::visible(&bench.name),
        heading: last.map_or("no photo yet", |s| s.record.verdict.as_str()),
        refresh_s: inputs.refresh_s,
        missing: bench
            .missing(inputs.expected)
            .iter()
            .map(|thing| words::visible(thing))
            .collect(),
        ends_at: inputs.expected.ends_at.as_deref(),
        answers: answers.to_owned(),
        calls,
        health,
        health_class,
        reason: reason.map(|r| ShownReason::new(r, Verdict::Retake)),
        session: match bench.scale() {
            Some(_) => "",
            None => inputs.session,
        },
        gauges: gauges(bench),
        residuals,
        trends: trends(bench),
        tells_now: false,
        tally: Verdict::ALL
            .iter()
            .map(|v| (pages::class(*v), bench.count(*v), v.as_str()))
            .filter(|(_, n, _)| *n > 0)
            .collect(),
        spectra: newest_first()
            .filter(|s| s.has_spectrum && last.is_none_or(|l| l.record.photo != s.record.photo))
            .map(shown)
            .collect(),
        wide: has_wide.then(|| pages::saved_as(&bench.folder, "spectra.csv")),
        history: newest_first().chain(&bench.ignored).map(shown).collect(),
        last: last.map(shown),
    };
    page.render().expect("writing to memory does not fail")
}

/// The instrument in numbers: what has been measured, newest value of each.
pub fn gauges(bench: &BenchStanding<'_>) -> Vec<(&'static str, String)> {
    let mut gauges = Vec::new();
    if let Some((record, calibration)) = bench.scale() {
        let sigma = record.scale_sigma_nm();
        gauges.extend(sigma.map(|s| ("scale", numbers::within_nm(s))));
        let photo = calibration.photo.as_deref();
        gauges.extend(photo.map(|p| ("scale from", words::visible(file_name(p)))));
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
    gauges.extend(blades(bench));
    let bandpass = bench.bandpass().map(|b| numbers::said(b, 1.0));
    gauges.extend(bandpass.map(|b| ("bandpass", format!("{b} nm"))));
    for (quantity, title, unit) in [
        (Quantity::TiltDeg, "tilt", "°"),
        (Quantity::SkewDeg, "skew", "°"),
        (Quantity::BlurPx, "blur", " px"),
        (Quantity::NmPerPx, "sampling", " nm/px"),
    ] {
        if let Some(metric) = bench.metric(quantity) {
            gauges.push((title, format!("{}{unit}", numbers::said(metric, 1.0))));
        }
    }
    if let Some(share) = bench.metric(Quantity::OrderBalance) {
        let text = format!("{} % of the light", numbers::said(share, 100.0));
        gauges.push(("other order", text));
    }
    gauges.extend(stray_light(bench));
    if let Some(record) = bench.checked_on() {
        gauges.push(("checked on", words::visible(record.file_name())));
    }
    gauges
}

/// The slit: how wide, as far as that is seen; are its blades parallel, and clean?
fn blades(bench: &BenchStanding<'_>) -> Vec<(&'static str, String)> {
    let mut gauges = Vec::new();
    if let Some(slit) = bench.slit() {
        let width = numbers::plus_minus(slit.width());
        let photos = match slit.photos {
            1 => "1 photo".to_owned(),
            n => format!("{n} photos"),
        };
        gauges.push(("slit width", format!("{width} µm, from {photos}")));
    } else if let Some(most) = bench.metric(Quantity::SlitWidthAtMostUm) {
        gauges.push(("slit width", format!("at most {:.0} µm", most.value)));
    }
    if let Some(record) = bench.last_with(Quantity::SlitWedgeUm)
        && let Some(Estimate { value, sigma }) = record.metrics.estimate(Quantity::SlitWedgeUm)
    {
        // A slit stands across the band: the order lies beside it, or above or below.
        let stands = matches!(record.metrics.order_side.as_deref(), Some("left" | "right"));
        let end = match (stands, value > 0.0) {
            (true, true) => "bottom",
            (true, false) => "top",
            (false, true) => "right",
            (false, false) => "left",
        };
        let size = Estimate::new(value.abs(), sigma);
        let text = match numbers::plus_minus(size) {
            size if value.abs() > 2.0 * sigma => format!("{size} µm wider at the {end}"),
            _ => format!("parallel within {:.0} µm", 2.0 * sigma),
        };
        gauges.push(("slit's edges", text));
    }
    if let Some(share) = bench.metric(Quantity::DustShare) {
        let streaks = match bench.metric(Quantity::DustStreaks).map(|m| m.value) {
            Some(1.0) => ", 1 streak".to_owned(),
            Some(n) if n > 0.0 => format!(", {n:.0} streaks"),
            _ => String::new(),
        };
        let text = format!("{} % of the light{streaks}", numbers::said(share, 100.0));
        gauges.push(("dust", text));
    }
    gauges
}

/// Stray light, and where it is brightest.
fn stray_light(bench: &BenchStanding<'_>) -> Option<(&'static str, String)> {
    let record = bench.last_with(Quantity::BackgroundLevel)?;
    let level = numbers::said(record.metrics.reading(Quantity::BackgroundLevel)?, 100.0);
    let side = record.metrics.leak_side();
    let place = side.map_or(String::new(), |side| format!(", most at the {side}"));
    Some(("stray light", format!("{level} %{place}")))
}
