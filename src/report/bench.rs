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
use crate::terms::{Estimate, Phrases, Quantity, Verdict};

#[derive(Template)]
#[template(path = "bench.html", config = "src/report/askama.toml")]
struct Page<'a> {
    t: &'a Phrases,
    name: String,
    heading: String,
    refresh_s: u32,
    last: Option<ShownPhoto>,
    calls: Vec<ShownPhoto>,
    /// What is still to be photographed.
    missing: Vec<String>,
    /// When the class ends; absent where nothing says so.
    ends_at: Option<&'a str>,
    health: String,
    health_class: &'static str,
    reason: Option<ShownReason>,
    /// Folder of the session, where the bench has no scale in it yet: an earlier one's is shown. Empty otherwise.
    session: &'a str,
    gauges: Vec<(String, String)>,
    residuals: Option<String>,
    trends: Vec<Trend>,
    /// Whether they state the last value: above them the instrument's numbers do, and two of one thing would disagree.
    tells_now: bool,
    /// State letter, number and word of each verdict that there is.
    tally: Vec<(&'static str, usize, String)>,
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
    let t = inputs.phrases;
    let shown = |s: &Shown<'_>| ShownPhoto {
        again: bench.again(s).map(pages::again).unwrap_or_default(),
        ..ShownPhoto::new(s, &bench.folder, t)
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
        Health::Sound => ("g", t.say("health.sound")),
        Health::Look => ("c", t.say("health.look")),
        Health::Mend => ("r", t.say("health.fix")),
        Health::Unseen => ("i", t.say("health.unseen")),
    };
    let residuals = bench.scale().and_then(|(_, c)| charts::residuals(c, t));
    let newest_first = || bench.photos.iter().rev();
    let page = Page {
        t,
        name: words::visible(&bench.name),
        heading: last.map_or_else(|| t.say("bench.no_photo"), |s| t.verdict(s.record.verdict)),
        refresh_s: inputs.refresh_s,
        missing: bench
            .missing(inputs.expected)
            .iter()
            .map(|thing| words::visible(&t.told(thing)))
            .collect(),
        ends_at: inputs.expected.ends_at.as_deref(),
        answers: answers.to_owned(),
        calls,
        health,
        health_class,
        reason: reason.map(|r| ShownReason::new(r, Verdict::Retake, t)),
        session: match bench.scale() {
            Some(_) => "",
            None => inputs.session,
        },
        gauges: gauges(bench, t),
        residuals,
        trends: trends(bench),
        tells_now: false,
        tally: pages::tally(Verdict::ALL, |v| bench.count(v), t),
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
pub fn gauges(bench: &BenchStanding<'_>, t: &Phrases) -> Vec<(String, String)> {
    let mut gauges = Vec::new();
    let said = |reading, unit| t.n(format!("{}{unit}", numbers::said(reading, 1.0)));
    if let Some((record, calibration)) = bench.scale() {
        let sigma = record.scale_sigma_nm();
        gauges.extend(sigma.map(|s| (t.say("page.scale"), t.n(numbers::within_nm(s)))));
        let photo = calibration.photo.as_deref();
        gauges.extend(photo.map(|p| (t.say("gauge.scale_from"), words::visible(file_name(p)))));
        if let Some(rms) = calibration.rms_nm {
            let used = calibration.lines.iter().filter(|l| l.used).count();
            let rms = t.n(numbers::plain(rms, 3));
            let text = t.of("gauge.lines_rms").put("n", used).put("rms", rms);
            gauges.push((t.say("gauge.lines"), text.to_string()));
        }
    } else {
        gauges.push((t.say("page.scale"), t.say("gauge.no_scale")));
    }
    gauges.extend(blades(bench, t));
    let bandpass = bench.bandpass().map(|b| said(b, " nm"));
    gauges.extend(bandpass.map(|b| (t.say("page.bandpass"), b)));
    for (quantity, title, unit) in [
        (Quantity::TiltDeg, "page.tilt", "°"),
        (Quantity::SkewDeg, "page.skew", "°"),
        (Quantity::BlurPx, "gauge.blur", " px"),
        (Quantity::NmPerPx, "gauge.sampling", " nm/px"),
    ] {
        if let Some(metric) = bench.metric(quantity) {
            gauges.push((t.say(title), said(metric, unit)));
        }
    }
    if let Some(share) = bench.metric(Quantity::OrderBalance) {
        let text = t
            .of("gauge.of_light")
            .put("percent", t.n(numbers::said(share, 100.0)));
        gauges.push((t.say("gauge.other_order"), text.to_string()));
    }
    gauges.extend(stray_light(bench, t));
    if let Some(record) = bench.checked_on() {
        gauges.push((
            t.say("gauge.checked_on"),
            words::visible(record.file_name()),
        ));
    }
    gauges
}

/// The slit: how wide, as far as that is seen; are its blades parallel, and clean?
fn blades(bench: &BenchStanding<'_>, t: &Phrases) -> Vec<(String, String)> {
    let mut gauges = Vec::new();
    if let Some(slit) = bench.slit() {
        let width = t.n(numbers::plus_minus(slit.width()));
        let text = t.count("gauge.slit_from", slit.photos).put("width", width);
        gauges.push((t.say("gauge.slit_width"), text.to_string()));
    } else if let Some(most) = bench.metric(Quantity::SlitWidthAtMostUm) {
        let text = t
            .of("gauge.at_most")
            .put("width", numbers::plain(most.value, 0));
        gauges.push((t.say("gauge.slit_width"), text.to_string()));
    }
    if let Some(record) = bench.last_with(Quantity::SlitWedgeUm)
        && let Some(Estimate { value, sigma }) = record.metrics.estimate(Quantity::SlitWedgeUm)
    {
        // A slit stands across the band: the order lies beside it, or above or below.
        let stands = matches!(record.metrics.order_side.as_deref(), Some("left" | "right"));
        let end = match (stands, value > 0.0) {
            (true, true) => "gauge.wider_bottom",
            (true, false) => "gauge.wider_top",
            (false, true) => "gauge.wider_right",
            (false, false) => "gauge.wider_left",
        };
        let size = Estimate::new(value.abs(), sigma);
        let text = match value.abs() > 2.0 * sigma {
            true => t.of(end).put("size", t.n(numbers::plus_minus(size))),
            false => t
                .of("gauge.parallel")
                .put("size", numbers::plain(2.0 * sigma, 0)),
        };
        gauges.push((t.say("gauge.edges"), text.to_string()));
    }
    if let Some(share) = bench.metric(Quantity::DustShare) {
        let streaks = match bench.metric(Quantity::DustStreaks).map(|m| m.value) {
            Some(n) if n > 0.0 => format!(", {}", t.count("gauge.streaks", n.round() as usize)),
            _ => String::new(),
        };
        let share = t.n(numbers::said(share, 100.0));
        let text = t.of("gauge.of_light").put("percent", share);
        gauges.push((t.say("gauge.dust"), format!("{text}{streaks}")));
    }
    gauges
}

/// Stray light, and where it is brightest.
fn stray_light(bench: &BenchStanding<'_>, t: &Phrases) -> Option<(String, String)> {
    let record = bench.last_with(Quantity::BackgroundLevel)?;
    let level = numbers::said(record.metrics.reading(Quantity::BackgroundLevel)?, 100.0);
    let side = record.metrics.leak_side();
    let place = side.map_or(String::new(), |side| {
        let most = t.of("gauge.most_at").put("side", t.told(&side));
        format!(", {most}")
    });
    Some((
        t.say("gauge.stray_light"),
        format!("{}{place}", t.n(format!("{level} %"))),
    ))
}
