//! The score as a table for people.

use super::{LineError, Place, Planted, Score, quantile};

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
    let mut out = String::new();
    let verdicts: Vec<String> = score
        .verdicts
        .iter()
        .map(|(word, n)| format!("{n} {word}"))
        .collect();
    line(&mut out, title);
    line(
        &mut out,
        &format!(
            "{} photos, {} of them sound, {} benches: {}",
            score.n_photos,
            score.n_sound,
            score.benches.len(),
            verdicts.join(", ")
        ),
    );
    wavelengths(&mut out, score);
    metrics(&mut out, score);
    faults(&mut out, score);
    let n = score.n_photos.max(1) as f64;
    heading(&mut out, "Speed");
    let cpu = speed
        .cpu_s
        .map_or_else(|| "unknown".into(), |s| format!("{:.0} ms", 1000.0 * s / n));
    line(
        &mut out,
        &format!(
            "{:.2} photos/s, {cpu} of processor time a photo; drawn in {:.0} s",
            n / speed.elapsed_s.max(1e-9),
            speed.drawing_s
        ),
    );
    heading(&mut out, "Stated limits");
    for promise in score.promises() {
        let word = if promise.kept { "kept" } else { "BROKEN" };
        line(
            &mut out,
            &format!("{word:<7} {:<56} {}", promise.what, promise.measured),
        );
    }
    out
}

fn line(out: &mut String, text: &str) {
    out.push_str(text.trim_end());
    out.push('\n');
}

fn heading(out: &mut String, text: &str) {
    out.push('\n');
    line(out, text);
}

fn cell(value: Option<f64>) -> String {
    value.map_or_else(|| "-".into(), |v| format!("{v:.3}"))
}

fn wavelengths(out: &mut String, score: &Score) {
    heading(
        out,
        "Wavelength error of isolated lines, nm (centroid in spectrum.csv; centre in peaks.csv)",
    );
    line(
        out,
        &format!(
            "{:<22}{:>6}{:>8}{:>8}{:>8}{:>8}{:>9}{:>8}{:>8}{:>8}",
            "", "lines", "median", "95 %", "worst", "peaks", "median", "95 %", "<=1 s", "<=2 s"
        ),
    );
    for bench in &score.benches {
        row(
            out,
            bench,
            score
                .lines
                .iter()
                .filter(|l| l.is_of_other_lamp && l.bench == *bench),
        );
    }
    row(
        out,
        "lines of other lamps",
        score.lines.iter().filter(|l| l.is_of_other_lamp),
    );
    let shared = |l: &&LineError| !l.is_of_other_lamp && l.place == Place::OtherPhoto;
    row(
        out,
        "lamp's lines elsewhere",
        score.lines.iter().filter(shared),
    );
    let own = |l: &&LineError| l.place == Place::CalibrationPhoto;
    row(out, "in the lamp's photo", score.lines.iter().filter(own));
    let mut worst: Vec<&LineError> = score
        .lines
        .iter()
        .filter(|l| l.place == Place::OtherPhoto)
        .collect();
    worst.sort_by(|a, b| size(b).total_cmp(&size(a)));
    for l in worst.iter().take(6).filter(|l| size(l) > 0.2) {
        let error = l
            .in_spectrum_nm
            .map_or_else(|| "lost".into(), |e| format!("{e:+.3} nm"));
        let peak = l
            .in_peaks_nm
            .map_or_else(|| "none".into(), |(e, s)| format!("{e:+.3} ± {s:.3} nm"));
        line(
            out,
            &format!("  {} {}: {error}, peak {peak}", l.photo, l.name),
        );
    }
    let off: Vec<&(String, String, f64)> =
        score.scales.iter().filter(|s| s.2.abs() > 0.5).collect();
    line(
        out,
        &format!(
            "scales off by more than 0.5 nm: {} of {}",
            off.len(),
            score.scales.len()
        ),
    );
    for (photo, verdict, error) in off {
        line(out, &format!("  {photo}: {error:+.2} nm, called {verdict}"));
    }
}

fn size(line: &LineError) -> f64 {
    line.in_spectrum_nm.map_or(f64::INFINITY, f64::abs)
}

fn row<'a>(out: &mut String, name: &str, lines: impl Iterator<Item = &'a LineError>) {
    let lines: Vec<&LineError> = lines.collect();
    let errors: Vec<f64> = lines
        .iter()
        .filter_map(|l| l.in_spectrum_nm.map(f64::abs))
        .collect();
    let peaks: Vec<(f64, f64)> = lines.iter().filter_map(|l| l.in_peaks_nm).collect();
    let peak_errors: Vec<f64> = peaks.iter().map(|p| p.0.abs()).collect();
    let within = |k: f64| share(&peaks, k);
    line(
        out,
        &format!(
            "{name:<22}{:>6}{:>8}{:>8}{:>8}{:>8}{:>9}{:>8}{:>8}{:>8}",
            errors.len(),
            cell(quantile(&errors, 0.5)),
            cell(quantile(&errors, 0.95)),
            cell(quantile(&errors, 1.0)),
            peaks.len(),
            cell(quantile(&peak_errors, 0.5)),
            cell(quantile(&peak_errors, 0.95)),
            within(1.0),
            within(2.0),
        ),
    );
}

/// Share of (error, sigma) with an error of at most `k` sigma.
fn share(errors: &[(f64, f64)], k: f64) -> String {
    if errors.is_empty() {
        return "-".into();
    }
    let n = errors
        .iter()
        .filter(|(error, sigma)| error.abs() <= k * sigma)
        .count();
    format!("{:.0} %", 100.0 * n as f64 / errors.len() as f64)
}

fn metrics(out: &mut String, score: &Score) {
    heading(
        out,
        "Metrics against the truth (slit width: share of the true width)",
    );
    line(
        out,
        &format!(
            "{:<36}{:>6}{:>10}{:>10}{:>10}{:>10}",
            "", "photos", "mean", "median", "95 %", "worst"
        ),
    );
    for (name, errors) in &score.metrics {
        let sizes: Vec<f64> = errors.iter().map(|e| e.abs()).collect();
        let mean = errors.iter().sum::<f64>() / errors.len().max(1) as f64;
        line(
            out,
            &format!(
                "{name:<36}{:>6}{mean:>+10.3}{:>10}{:>10}{:>10}",
                errors.len(),
                cell(quantile(&sizes, 0.5)),
                cell(quantile(&sizes, 0.95)),
                cell(quantile(&sizes, 1.0))
            ),
        );
    }
    for (what, errors) in [
        ("absorbance", &score.absorbance),
        (
            "absorbance of 0.1 to 0.8, 440 to 660 nm,",
            &score.working_absorbance,
        ),
    ] {
        if errors.is_empty() {
            continue;
        }
        let sizes: Vec<f64> = errors.iter().map(|a| a.0.abs()).collect();
        line(
            out,
            &format!(
                "{what} at {} points: median {}, 95 % {}, worst {}; within 1 sigma {}, 2 sigma {}",
                sizes.len(),
                cell(quantile(&sizes, 0.5)),
                cell(quantile(&sizes, 0.95)),
                cell(quantile(&sizes, 1.0)),
                share(errors, 1.0),
                share(errors, 2.0)
            ),
        );
    }
    if !score.concentrations.is_empty() {
        let found: Vec<(f64, [f64; 4])> = score
            .concentrations
            .iter()
            .filter_map(|u| Some((u.truth, u.found?)))
            .collect();
        let sizes: Vec<f64> = found.iter().map(|(t, f)| (f[0] / t - 1.0).abs()).collect();
        let covered = found
            .iter()
            .filter(|(t, f)| f[2] <= *t && *t <= f[3])
            .count();
        line(
            out,
            &format!(
                "concentrations of {} unknowns: {} given; relative error median {}, worst {}; the 95 % interval covers {}",
                score.concentrations.len(),
                found.len(),
                cell(quantile(&sizes, 0.5)),
                cell(quantile(&sizes, 1.0)),
                covered
            ),
        );
    }
}

fn faults(out: &mut String, score: &Score) {
    planted(
        out,
        "Gross faults",
        score.planted.iter().filter(|p| p.is_gross()),
    );
    planted(
        out,
        "Moderate faults",
        score.planted.iter().filter(|p| !p.is_gross()),
    );
    for p in score.planted.iter().filter(|p| !p.caught).take(MAX_LISTED) {
        let size = p.size.map_or_else(String::new, |s| format!(" {s:.3}"));
        let times = p
            .over_limit
            .map_or_else(String::new, |t| format!(", {t:.1} times the limit"));
        line(
            out,
            &format!("  missed: {} {}{size}{times}: {}", p.photo, p.code, p.said),
        );
    }
    let list = |out: &mut String, title: &str, all: &[super::Invented], details: bool| {
        line(out, &format!("{title}: {}", all.len()));
        for i in all.iter().take(if details { MAX_LISTED } else { 0 }) {
            line(out, &format!("  {} {}: {}", i.photo, i.code, i.measured));
        }
    };
    list(
        out,
        "retake reasons invented on sound photos",
        &score.invented,
        true,
    );
    list(out, "cautions on sound photos", &score.cautions, true);
    list(
        out,
        "retake reasons beside the planted ones",
        &score.beside,
        true,
    );
    line(
        out,
        &format!("sound photos unmeasured: {}", score.unmeasured.len()),
    );
    for photo in score.unmeasured.iter().take(MAX_LISTED) {
        line(out, &format!("  {photo}"));
    }
}

/// What became of the faults of one degree, a code a row.
fn planted<'a>(out: &mut String, title: &str, faults: impl Iterator<Item = &'a Planted>) {
    let faults: Vec<&Planted> = faults.collect();
    heading(out, title);
    line(
        out,
        &format!(
            "{:<18}{:>8}{:>8}{:>8}   times the limit",
            "", "planted", "caught", "missed"
        ),
    );
    let mut codes: Vec<&str> = faults.iter().map(|p| p.code.as_str()).collect();
    codes.sort_unstable();
    codes.dedup();
    for code in codes {
        let all: Vec<_> = faults.iter().filter(|p| p.code == code).collect();
        let caught = all.iter().filter(|p| p.caught).count();
        let times: Vec<String> = all
            .iter()
            .filter_map(|p| p.over_limit.map(|t| format!("{t:.1}")))
            .collect();
        let missed = all.len() - caught;
        line(
            out,
            &format!(
                "{code:<18}{:>8}{caught:>8}{missed:>8}   {}",
                all.len(),
                times.join(" ")
            ),
        );
    }
}
