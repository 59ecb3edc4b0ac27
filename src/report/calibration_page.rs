//! `<bench>/calibration.html`: where a bench's wavelengths come from. The lamp's lines and how far off they are, the scale
//! and how well it is known, the instrument behind it, and every lamp photo with what came of it.

use std::collections::BTreeMap;

use askama::Template;

use super::builds::builds;
use super::builds::has_own_scale;
use super::calibrations::used_by;
use super::standing::BenchStanding;
use super::trend::{Trend, trends};
use super::{charts, pages};
use crate::publish::record::{CalibrationRecord, Record, file_name, parameters};
use crate::publish::{numbers, words};
use crate::terms::{Calibration, Capture, FoundOut, LineUse, Phrases, Reading, SigmaAt, Verdict};

#[derive(Template)]
#[template(path = "calibration.html", config = "src/report/askama.toml")]
struct Page<'a> {
    t: &'a Phrases,
    name: String,
    refresh_s: u32,
    heading: String,
    scale: Option<Scale<'a>>,
    lamps: Vec<Lamp>,
    waiting: usize,
    trends: Vec<Trend>,
    tells_now: bool,
}

/// The scale in use.
struct Scale<'a> {
    class: &'static str,
    sigma: String,
    lamp: String,
    photo: String,
    time: String,
    used_by: usize,
    residuals: Option<String>,
    lines: Vec<&'a LineUse>,
    drawing: Option<charts::ScaleDrawing>,
    along: Vec<(String, String)>,
    parts: Option<Parts>,
}

/// The instrument behind a scale; each number with its uncertainty.
struct Parts {
    grooves_nm: String,
    focal_px: Option<String>,
    distortion_percent: Option<String>,
    slit_deg: Option<String>,
    yaw_deg: Option<String>,
    pitch_deg: Option<String>,
    skew_deg: Option<String>,
    /// How the lamp was found out.
    told: Option<String>,
    lead: Option<String>,
}

/// A lamp photo in the history.
struct Lamp {
    shown: pages::ShownPhoto,
    /// What came of it.
    said: String,
}

/// The page of one bench. It has no clock: the photos alone determine it.
pub fn calibration_html(bench: &BenchStanding<'_>, refresh_s: u32, t: &Phrases) -> String {
    let used_by = used_by(bench.records());
    let uses = |photo: &str| used_by.get(photo).copied().unwrap_or_default();
    let scale = bench
        .scale()
        .map(|(record, calibration)| shown_scale(bench, (record, calibration), &uses, t));
    let page = Page {
        t,
        name: words::visible(&bench.name),
        refresh_s,
        heading: scale
            .as_ref()
            .map_or_else(|| t.say("scale.none_yet"), |s| s.sigma.clone()),
        scale,
        lamps: lamps(bench, &uses, t),
        waiting: bench.count(Verdict::Waiting),
        trends: trends(bench),
        tells_now: true,
    };
    page.render().expect("writing to memory does not fail")
}

fn shown_scale<'a>(
    bench: &BenchStanding<'_>,
    (record, calibration): (&Record, &'a CalibrationRecord),
    uses: &dyn Fn(&str) -> usize,
    t: &Phrases,
) -> Scale<'a> {
    let from = calibration.photo.as_deref().unwrap_or_default();
    // The lamp photo itself says how good the scale is; what uses it adds its own doubts.
    let mut records = bench.records();
    let lamp = records.find(|r| r.photo == from).unwrap_or(record);
    let model = calibration.model.as_ref();
    let curve = model.map(|m| m.sigma_curve.as_slice()).unwrap_or_default();
    Scale {
        class: pages::class(lamp.verdict),
        sigma: lamp
            .scale_sigma_nm()
            .map_or_else(|| t.say("page.set"), |nm| t.n(numbers::within_nm(nm))),
        lamp: model
            .map(|m| words::visible(&t.told(&m.lamp)))
            .unwrap_or_default(),
        photo: words::visible(file_name(from)),
        time: pages::when(lamp.taken.as_deref()),
        used_by: uses(from),
        residuals: charts::residuals(calibration, t),
        lines: by_wavelength(&calibration.lines),
        drawing: model.and_then(|model| charts::scale(model, t)),
        along: along(curve, t),
        parts: model.map(|model| parts(model, t)),
    }
}

/// What is known so near, nm, is known at a round wavelength.
const AT_ROUND_NM: f64 = 5.0;

/// The scale's uncertainty at round wavelengths.
fn along(curve: &[SigmaAt], t: &Phrases) -> Vec<(String, String)> {
    [400.0, 450.0, 500.0, 550.0, 600.0, 650.0, 700.0]
        .into_iter()
        .filter_map(|at| {
            let off = |c: &&SigmaAt| (c.wavelength_nm - at).abs();
            let near = curve
                .iter()
                .filter(|c| off(c) <= AT_ROUND_NM && c.sigma_nm.is_finite())
                .min_by(|a, b| off(a).total_cmp(&off(b)))?;
            Some((format!("{at} nm"), t.n(numbers::within_nm(near.sigma_nm))))
        })
        .collect()
}

/// Both orders of a line beside each other.
fn by_wavelength(lines: &[LineUse]) -> Vec<&LineUse> {
    let mut lines: Vec<&LineUse> = lines.iter().collect();
    lines.sort_by(|a, b| {
        let nm = |l: &LineUse| l.wavelength_nm.round();
        nm(a).total_cmp(&nm(b)).then(a.order.cmp(&b.order))
    });
    lines
}

/// A published wavelength, nm.
fn published(nm: &f64) -> String {
    numbers::plain(*nm, 3)
}

/// What is known of a line, nm, with as many decimals as its uncertainty bears.
fn as_known(nm: &f64, line: &LineUse) -> String {
    numbers::plain(*nm, numbers::decimals_for(line.sigma_nm, 2).min(4))
}

fn left_out(line: &LineUse) -> String {
    let nm = line.left_out_nm.as_ref();
    nm.map_or("–".to_owned(), |nm| as_known(nm, line))
}

fn order(line: &LineUse) -> String {
    numbers::signed(line.order)
}

/// The fitted instrument.
fn parts(model: &Calibration, t: &Phrases) -> Parts {
    let named = parameters(model);
    let value = |name, convert: &dyn Fn(f64) -> f64| Some(t.n(estimate(&named, name, convert)?));
    let per_slope = model.optics.skew_per_slope();
    let told = |told: &FoundOut| {
        let next = told.runner_up.as_deref().map(|lamp| t.told(lamp));
        t.of("scale.sure")
            .put("lamp", t.told(&model.lamp))
            .put("sure", t.n(numbers::plain(told.sure, 2)))
            .put("next", next.unwrap_or_else(|| t.say("scale.no_other")))
            .to_string()
    };
    Parts {
        grooves_nm: numbers::plain(model.optics.groove_spacing_nm, 0),
        focal_px: value("focal_px", &|v| v),
        distortion_percent: value("k1", &|v| 100.0 * v),
        slit_deg: value("alpha_slit", &f64::to_degrees),
        yaw_deg: value("yaw_rad", &f64::to_degrees),
        pitch_deg: value("pitch_rad", &f64::to_degrees),
        skew_deg: value("skew_slope", &|v| (v * per_slope).atan().to_degrees()),
        told: model.found_out.as_ref().map(told),
        lead: model
            .margin
            .is_finite()
            .then(|| t.n(numbers::plain(model.margin, 2))),
    }
}

/// A parameter in other units with its uncertainty. `convert` must be odd and close to linear for small values.
fn estimate(
    named: &BTreeMap<String, f64>,
    name: &str,
    convert: impl Fn(f64) -> f64,
) -> Option<String> {
    let value = convert(*named.get(name)?);
    let sigma = named.get(&format!("{name}_sigma")).copied().map(convert);
    let sigma = sigma.filter(|s| *s > 0.0);
    Some(numbers::said(Reading { value, sigma }, 1.0))
}

/// Every lamp photo, newest first.
fn lamps(bench: &BenchStanding<'_>, uses: &dyn Fn(&str) -> usize, t: &Phrases) -> Vec<Lamp> {
    let records: Vec<&Record> = bench.records().collect();
    let builds = builds(&records);
    bench
        .photos
        .iter()
        .rev()
        .filter(|s| s.record.capture == Some(Capture::Calibration))
        .map(|s| {
            let r = s.record;
            let own = r.calibration.as_ref().filter(|_| has_own_scale(r));
            let said = match own {
                None => t.say("scale.none"),
                Some(c) => {
                    let lines = c.lines.iter().filter(|l| l.used).count();
                    let mut said = vec![t.count("scale.n_lines", lines).to_string()];
                    said.extend(
                        c.rms_nm
                            .map(|rms| format!("rms {} nm", t.n(numbers::plain(rms, 3)))),
                    );
                    let sigma = r.scale_sigma_nm().map(numbers::within_nm);
                    said.extend(sigma.map(|nm| t.n(nm)));
                    said.push(match uses(&r.photo) {
                        0 => t.say("scale.used_by_none"),
                        n => t.count("scale.used_by", n).to_string(),
                    });
                    if let Some(build) = builds.get(r.photo.as_str())
                        && !build.jumps.is_empty()
                    {
                        let jumps: Vec<String> =
                            build.jumps.iter().map(|jump| t.told(jump)).collect();
                        let rebuilt = t.of("scale.rebuilt").put("what", jumps.join(", "));
                        said.push(rebuilt.to_string());
                    }
                    said.join(" · ")
                }
            };
            let shown = pages::ShownPhoto::new(s, &bench.folder, t);
            Lamp { shown, said }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_uncertainty_is_read_off_where_the_curve_has_it_and_nowhere_else() {
        let curve = [
            (400.0, 0.031),
            (410.0, 0.03),
            (498.0, 0.02),
            (700.0, f64::NAN),
        ];
        let read = along(&curve.map(SigmaAt::from), crate::settings::english());
        let expected = [("400 nm", "± 0.03 nm"), ("500 nm", "± 0.020 nm")];
        assert_eq!(read.len(), expected.len());
        for ((at, sigma), (expected_at, expected_sigma)) in read.iter().zip(expected) {
            assert_eq!((at.as_str(), sigma.as_str()), (expected_at, expected_sigma));
        }
    }

    #[test]
    fn a_line_has_as_many_digits_as_its_uncertainty_bears() {
        let line = LineUse {
            name: "Hg 435.83".to_owned(),
            wavelength_nm: 435.8328,
            order: -1,
            residual_nm: -0.013_234,
            sigma_nm: 0.031_957,
            left_out_nm: None,
            used: true,
        };
        assert_eq!(published(&line.wavelength_nm), "435.833");
        assert_eq!(order(&line), "\u{2212}1");
        assert_eq!(as_known(&line.residual_nm, &line), "\u{2212}0.013");
        assert_eq!(as_known(&line.sigma_nm, &line), "0.032");
        assert_eq!(left_out(&line), "–");
    }
}
