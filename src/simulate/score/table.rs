//! The score as a table for people.

use std::collections::BTreeSet;

use super::figures::{Invented, Planted, Scale, Score, quantile};
use super::lines::{LineError, Place};
use crate::terms::{Estimate, Interval};

/// How long the run took.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Speed {
    /// Wall clock of the sweep, s.
    pub elapsed_s: f64,
    /// Processor time of the sweep, all threads together, s; absent where the system does not tell.
    pub cpu_s: Option<f64>,
    /// Wall clock of the drawing, s.
    pub drawing_s: f64,
}

/// So many offenders of a kind are listed.
const MAX_LISTED: usize = 40;

/// Writes the score; ends with the stated limits, one a line, `kept` or `BROKEN`.
pub fn table(score: &Score, speed: &Speed, title: &str) -> String {
    let verdicts = score.verdicts.iter().map(|(word, n)| format!("{n} {word}"));
    let mut out = vec![
        title.to_owned(),
        format!(
            "{} photos, {} of them sound, {} benches: {}",
            score.n_photos,
            score.n_sound,
            score.benches.len(),
            verdicts.collect::<Vec<String>>().join(", ")
        ),
    ];
    wavelengths(&mut out, score);
    metrics(&mut out, score);
    faults(&mut out, score);
    let n = score.n_photos.max(1) as f64;
    let cpu = speed
        .cpu_s
        .map_or_else(|| "unknown".into(), |s| format!("{:.0} ms", 1000.0 * s / n));
    out.push("\nSpeed".into());
    out.push(format!(
        "{:.2} photos/s, {cpu} of processor time a photo; drawn in {:.0} s",
        n / speed.elapsed_s.max(1e-9),
        speed.drawing_s
    ));
    out.push("\nStated limits".into());
    for promise in score.promises() {
        let word = if promise.kept { "kept" } else { "BROKEN" };
        out.push(format!(
            "{word:<7} {:<56} {}",
            promise.what, promise.measured
        ));
    }
    out.iter()
        .map(|line| format!("{}\n", line.trim_end()))
        .collect()
}

/// Median, 95 % and largest of some sizes, as they stand in a row.
fn sizes(errors: impl Iterator<Item = f64>) -> [String; 3] {
    let sizes: Vec<f64> = errors.map(f64::abs).collect();
    [0.5, 0.95, 1.0].map(|share| {
        quantile(&sizes, share).map_or_else(|| "-".into(), |value| format!("{value:.3}"))
    })
}

/// Share of errors of at most `k` times the uncertainty reported with them.
fn share_within(errors: &[Estimate], k: f64) -> String {
    if errors.is_empty() {
        return "-".into();
    }
    let is_within = |e: &&Estimate| e.value.abs() <= k * e.sigma;
    let n = errors.iter().filter(is_within).count();
    format!("{:.0} %", 100.0 * n as f64 / errors.len() as f64)
}

fn wavelengths(out: &mut Vec<String>, score: &Score) {
    out.push(
        "\nWavelength error of isolated lines, nm (centroid in spectrum.csv; centre in peaks.csv)"
            .into(),
    );
    out.push(format!(
        "{:<22}{:>6}{:>8}{:>8}{:>8}{:>8}{:>9}{:>8}{:>8}{:>8}",
        "", "lines", "median", "95 %", "worst", "peaks", "median", "95 %", "<=1 s", "<=2 s"
    ));
    let lines = |is_meant: &dyn Fn(&LineError) -> bool| -> Vec<&LineError> {
        score.lines.iter().filter(|l| is_meant(l)).collect()
    };
    for bench in &score.benches {
        let of_bench = lines(&|l| l.is_of_other_lamp && l.bench == *bench);
        out.push(line_row(bench, &of_bench));
    }
    let other = lines(&|l| l.is_of_other_lamp);
    let shared = lines(&|l| !l.is_of_other_lamp && l.place == Place::OtherPhoto);
    let own = lines(&|l| l.place == Place::CalibrationPhoto);
    out.push(line_row("lines of other lamps", &other));
    out.push(line_row("lamp's lines elsewhere", &shared));
    out.push(line_row("in the lamp's photo", &own));
    let size = |line: &LineError| line.in_spectrum_nm.map_or(f64::INFINITY, f64::abs);
    let mut worst = lines(&|l| l.place == Place::OtherPhoto);
    worst.sort_by(|a, b| size(b).total_cmp(&size(a)));
    for l in worst.into_iter().take(6).filter(|l| size(l) > 0.2) {
        let error = l
            .in_spectrum_nm
            .map_or_else(|| "lost".into(), |e| format!("{e:+.3} nm"));
        let peak = l.in_peaks_nm.map_or_else(
            || "none".into(),
            |e| format!("{:+.3} ± {:.3} nm", e.value, e.sigma),
        );
        out.push(format!("  {} {}: {error}, peak {peak}", l.photo, l.name));
    }
    let is_off = |s: &&Scale| s.median_error_nm.abs() > 0.5;
    out.push(format!(
        "scales off by more than 0.5 nm: {} of {}",
        score.scales.iter().filter(is_off).count(),
        score.scales.len()
    ));
    for off in score.scales.iter().filter(is_off) {
        out.push(format!(
            "  {}: {:+.2} nm, called {}",
            off.photo, off.median_error_nm, off.verdict
        ));
    }
}

fn line_row(name: &str, lines: &[&LineError]) -> String {
    let errors: Vec<f64> = lines.iter().filter_map(|l| l.in_spectrum_nm).collect();
    let peaks: Vec<Estimate> = lines.iter().filter_map(|l| l.in_peaks_nm).collect();
    let [median, most, worst] = sizes(errors.iter().copied());
    let [peak_median, peak_most, _] = sizes(peaks.iter().map(|e| e.value));
    format!(
        "{name:<22}{:>6}{median:>8}{most:>8}{worst:>8}{:>8}{peak_median:>9}{peak_most:>8}{:>8}{:>8}",
        errors.len(),
        peaks.len(),
        share_within(&peaks, 1.0),
        share_within(&peaks, 2.0),
    )
}

fn metrics(out: &mut Vec<String>, score: &Score) {
    out.push("\nMetrics against the truth (slit width: share of the true width)".into());
    out.push(format!(
        "{:<36}{:>6}{:>10}{:>10}{:>10}{:>10}",
        "", "photos", "mean", "median", "95 %", "worst"
    ));
    for (name, errors) in &score.metrics {
        let mean = errors.iter().sum::<f64>() / errors.len().max(1) as f64;
        let [median, most, worst] = sizes(errors.iter().copied());
        out.push(format!(
            "{name:<36}{:>6}{mean:>+10.3}{median:>10}{most:>10}{worst:>10}",
            errors.len(),
        ));
    }
    let working = "absorbance of 0.1 to 0.8, 440 to 660 nm,";
    for (what, errors) in [
        ("absorbance", &score.absorbance),
        (working, &score.working_absorbance),
    ] {
        if errors.is_empty() {
            continue;
        }
        let [median, most, worst] = sizes(errors.iter().map(|e| e.value));
        out.push(format!(
            "{what} at {} points: median {median}, 95 % {most}, worst {worst}; within 1 sigma {}, 2 sigma {}",
            errors.len(),
            share_within(errors, 1.0),
            share_within(errors, 2.0)
        ));
    }
    if score.concentrations.is_empty() {
        return;
    }
    let unknowns = score.concentrations.iter();
    let found: Vec<(f64, Estimate, Interval)> = unknowns
        .filter_map(|u| u.found.map(|(value, interval)| (u.truth, value, interval)))
        .collect();
    let [median, _, worst] = sizes(found.iter().map(|(t, f, _)| f.value / t - 1.0));
    let covers = |(t, _, i): &&(f64, Estimate, Interval)| i.low <= *t && *t <= i.high;
    out.push(format!(
        "concentrations of {} unknowns: {} given; relative error median {median}, worst {worst}; the 95 % interval covers {}",
        score.concentrations.len(),
        found.len(),
        found.iter().filter(covers).count()
    ));
}

fn faults(out: &mut Vec<String>, score: &Score) {
    let (gross, moderate): (Vec<&Planted>, Vec<&Planted>) =
        score.planted.iter().partition(|p| p.is_gross());
    planted(out, "Gross faults", &gross);
    planted(out, "Moderate faults", &moderate);
    for p in score.planted.iter().filter(|p| !p.caught).take(MAX_LISTED) {
        let size = p.size.map_or_else(String::new, |s| format!(" {s:.3}"));
        let times = p
            .over_limit
            .map_or_else(String::new, |t| format!(", {t:.1} times the limit"));
        out.push(format!(
            "  missed: {} {}{size}{times}: {}",
            p.photo, p.code, p.said
        ));
    }
    let mut list = |title: &str, all: &[Invented]| {
        out.push(format!("{title}: {}", all.len()));
        for i in all.iter().take(MAX_LISTED) {
            out.push(format!("  {} {}: {}", i.photo, i.code, i.measured));
        }
    };
    list("retake reasons invented on sound photos", &score.invented);
    list("cautions on sound photos", &score.cautions);
    list("retake reasons beside the planted ones", &score.beside);
    out.push(format!(
        "sound photos unmeasured: {}",
        score.unmeasured.len()
    ));
    for (what, photos) in [
        ("taken for something else", &score.mistaken),
        ("a slate that was not read", &score.slates.unread),
        ("a slate that was read wrongly", &score.slates.wrong),
        ("taken again and still asked for", &score.again.still_asked),
        ("settled by a photo of something else", &score.again.wrong),
    ] {
        out.extend(photos.iter().map(|photo| format!("  {what}: {photo}")));
    }
    let unmeasured = score.unmeasured.iter().take(MAX_LISTED);
    out.extend(unmeasured.map(|photo| format!("  {photo}")));
}

/// What became of the faults of one degree, a code a row.
fn planted(out: &mut Vec<String>, title: &str, faults: &[&Planted]) {
    out.push(format!("\n{title}"));
    out.push(format!(
        "{:<18}{:>8}{:>8}{:>8}   times the limit",
        "", "planted", "caught", "missed"
    ));
    let codes: BTreeSet<&str> = faults.iter().map(|p| p.code.as_str()).collect();
    for code in codes {
        let all: Vec<_> = faults.iter().filter(|p| p.code == code).collect();
        let caught = all.iter().filter(|p| p.caught).count();
        let times = all.iter().filter_map(|p| p.over_limit);
        let times: Vec<String> = times.map(|t| format!("{t:.1}")).collect();
        out.push(format!(
            "{code:<18}{:>8}{caught:>8}{:>8}   {}",
            all.len(),
            all.len() - caught,
            times.join(" ")
        ));
    }
}
