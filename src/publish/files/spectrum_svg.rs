//! `spectrum.svg`: the total signal as an ink line over a staff graduated in nanometres, its peaks named by pennants on
//! staffs above it.
//!
//! The drawing is 480 units wide and its letters 18 units high, so that on a phone's page, 330 px wide, they
//! stay at 12 px. The colours follow the reader's light or dark setting.

mod pennants;

use std::fmt::Write;
use std::ops::Range;

use super::{numbers, words};
use crate::publish::record::Record;
use crate::terms::{AbsorbanceRow, Estimate, Measurement, Peak, ScaleKind, Spectrum};
use pennants::{Hue, Pennant};

const WIDTH: f64 = 480.0;
const LEFT: f64 = 56.0;
const RIGHT: f64 = 468.0;
const TEXT: f64 = 18.0;
/// Mean width of a letter of the bold face as a share of its height; on the safe side for digits.
const LETTER: f64 = 0.6;
const PENNANT: f64 = 22.0;
const PENNANT_ROWS: usize = 4;
const PLOT_HEIGHT: f64 = 210.0;
const ABSORBANCE_HEIGHT: f64 = 120.0;
/// Most peaks named; the rest stand in `peaks.csv`.
const MOST_NAMES: usize = 10;

/// Text as XML holds it: markup escaped, characters that XML 1.0 forbids replaced.
fn xml(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in words::visible(text).chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            _ => out.push(c),
        }
    }
    out
}

const STYLE: &str = "\
svg{--paper:#f4f8f7;--ink:#0c2530;--soft:#5b7078;--rule:#cfdadb;--band:#0c253026;--hot:#c42e1c}\
@media(prefers-color-scheme:dark){svg{--paper:#0d1f27;--ink:#e6f0ee;--soft:#9fb4b8;--rule:#294049;--band:#e6f0ee33;--hot:#ff8a70}}\
text{font:500 18px 'Bahnschrift','DIN Alternate','Avenir Next Condensed','Roboto Condensed','DejaVu Sans Condensed',sans-serif;\
fill:var(--ink);font-variant-numeric:tabular-nums}\
.s{fill:var(--soft)}.b{font-weight:700}.p{fill:var(--paper);font-weight:700}.w{fill:var(--hot);font-weight:700}\
.e{text-anchor:end}.m{text-anchor:middle}\
.line{fill:none;stroke:var(--ink);stroke-width:2;stroke-linejoin:round}.hot{fill:none;stroke:var(--hot);stroke-width:4}\
.grid{stroke:var(--rule);stroke-width:1}.staff{stroke:var(--ink);stroke-width:1.2}.ink{fill:var(--ink)}.band{fill:var(--band)}\
.hatch{fill:url(#h)}.warn{fill:var(--hot)}.paper{fill:var(--paper)}.edge{fill:none;stroke:var(--ink);stroke-width:1.4}";

/// Horizontal scale, shared by the panels.
#[derive(Clone, Copy)]
struct Across {
    low: f64,
    high: f64,
}

impl Across {
    fn x(&self, wavelength_nm: f64) -> f64 {
        LEFT + (wavelength_nm - self.low) / (self.high - self.low) * (RIGHT - LEFT)
    }
}

/// Vertical scale of one panel.
#[derive(Clone, Copy)]
struct Up {
    top: f64,
    bottom: f64,
    low: f64,
    high: f64,
}

impl Up {
    fn y(&self, value: f64) -> f64 {
        let share = ((value - self.low) / (self.high - self.low)).clamp(-0.02, 1.02);
        self.bottom - share * (self.bottom - self.top)
    }
}

/// The picture of a spectrum, or a card that says why there is none.
pub fn spectrum_svg(
    record: &Record,
    measurement: &Measurement,
    absorbance: Option<&[AbsorbanceRow]>,
) -> String {
    let drawable = |s: &&Spectrum| s.rows.len() >= 2 && s.rows.iter().any(|r| r.signal.is_finite());
    match measurement.spectrum.as_ref().filter(drawable) {
        Some(spectrum) => plot(
            record,
            spectrum,
            &measurement.peaks,
            measurement,
            absorbance,
        ),
        None => card(record),
    }
}

fn open(height: f64, title: &str, description: &str) -> String {
    format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {WIDTH} {height}\" role=\"img\" aria-labelledby=\"t d\">\n\
         <title id=\"t\">{}</title>\n<desc id=\"d\">{}</desc>\n<style>{STYLE}</style>\n\
         <rect class=\"paper\" width=\"{WIDTH}\" height=\"{height}\"/>\n",
        xml(title),
        xml(description)
    )
}

fn text(out: &mut String, x: f64, y: f64, class: &str, words: &str) {
    let _ = writeln!(
        out,
        "<text x=\"{x:.1}\" y=\"{y:.1}\" class=\"{class}\">{}</text>",
        xml(words)
    );
}

/// `words` cut to `room` units.
fn cut(words: &str, room: f64) -> String {
    let most = (room / (TEXT * LETTER)).floor().max(1.0) as usize;
    if words.chars().count() <= most {
        return words.to_owned();
    }
    words.chars().take(most - 1).chain(['…']).collect()
}

fn card(record: &Record) -> String {
    let word = words::verdict(record.verdict);
    let why = record.reasons.first().map_or_else(
        || {
            record
                .not_measured
                .first()
                .map_or(String::new(), ToString::to_string)
        },
        |r| words::trouble(r.code).to_owned(),
    );
    let title = format!("{}: no spectrum", record.label);
    let mut out = open(150.0, &title, &format!("{word}. {why}"));
    text(&mut out, 20.0, 40.0, "b", &cut(&record.label, WIDTH - 40.0));
    text(&mut out, 20.0, 78.0, "", "There is no spectrum to show.");
    text(&mut out, 20.0, 108.0, "s", &cut(&why, WIDTH - 40.0));
    out += "</svg>\n";
    out
}

fn plot(
    record: &Record,
    spectrum: &Spectrum,
    peaks: &[Peak],
    measurement: &Measurement,
    absorbance: Option<&[AbsorbanceRow]>,
) -> String {
    let rows = &spectrum.rows;
    let across = Across {
        low: rows[0].wavelength_nm,
        high: rows[rows.len() - 1].wavelength_nm,
    };
    let finite = || rows.iter().filter(|r| r.signal.is_finite());
    let sigma = |s: f64| if s.is_finite() { s.max(0.0) } else { 0.0 };
    let high = finite().map(|r| r.signal).fold(0.0, f64::max);
    let low = finite().map(|r| r.signal).fold(0.0, f64::min);
    let absorbance = absorbance.filter(|a| a.iter().any(|r| r.absorbance.is_some()));

    let hot = clipped_runs(spectrum);
    let pennants = pennants::arrange(&hot, peaks, spectrum, &across);
    let flown = pennants.iter().map(|p| p.row + 1).max().unwrap_or(0);
    let top = 50.0 + PENNANT * flown as f64;
    let up = Up {
        top,
        bottom: top + PLOT_HEIGHT,
        low: low.max(-0.1 * high) * 1.05,
        high: if high > 0.0 { 1.06 * high } else { 1e-3 },
    };
    let scale_bottom = up.bottom + 10.0;
    let second = absorbance.map(|_| scale_bottom + 78.0);
    let height = second.map_or(scale_bottom + 58.0, |top| top + ABSORBANCE_HEIGHT + 16.0);

    let title = format!("Spectrum of {} ({})", record.label, record.bench);
    let names: Vec<&str> = pennants.iter().rev().map(|p| p.words.as_str()).collect();
    let description = format!(
        "Signal from {} to {} nm; verdict {}; peaks: {}.",
        numbers::fixed(across.low, 0),
        numbers::fixed(across.high, 0),
        words::verdict(record.verdict),
        if names.is_empty() {
            "none".to_owned()
        } else {
            names.join(", ")
        }
    );
    let mut out = open(height, &title, &description);
    text(&mut out, 14.0, 26.0, "b", &cut(&record.label, 210.0));
    let (class, scale) = scale_words(record, measurement);
    text(&mut out, WIDTH - 12.0, 26.0, class, &scale);

    grid(&mut out, &up, 4);
    let tint: Vec<(f64, f64, f64)> = finite()
        .map(|r| {
            let s = sigma(r.signal_sigma);
            (
                across.x(r.wavelength_nm),
                up.y(r.signal - s),
                up.y(r.signal + s),
            )
        })
        .collect();
    ribbon(&mut out, "band", &tint);
    let line: Vec<(f64, f64)> = finite()
        .map(|r| (across.x(r.wavelength_nm), up.y(r.signal)))
        .collect();
    clipped(&mut out, &hot, spectrum, &across, &up);
    path(&mut out, "line", &line);
    for pennant in &pennants {
        fly(&mut out, pennant, &line, &up);
    }
    graduated_staff(&mut out, &across, up.bottom);
    text(
        &mut out,
        14.0,
        up.bottom + 56.0,
        "s",
        "\u{2191} share of full scale",
    );
    if let (Some(top), Some(rows)) = (second, absorbance) {
        absorbance_panel(&mut out, spectrum, rows, &across, top);
    }
    out += "</svg>\n";
    out
}

/// What the scale is worth, for the head of the picture.
fn scale_words(record: &Record, measurement: &Measurement) -> (&'static str, String) {
    let kind = measurement
        .scale_kind
        .or(record.calibration.as_ref().map(|c| c.kind));
    let within = record.scale_sigma_nm().map(numbers::within_nm);
    match (kind, within) {
        (Some(ScaleKind::Provisional), Some(s)) => ("w e", format!("provisional scale {s}")),
        (Some(ScaleKind::Provisional), None) => ("w e", "provisional scale".to_owned()),
        (_, Some(s)) => ("s e", format!("scale {s}")),
        (_, None) => ("s e", String::new()),
    }
}

fn grid(out: &mut String, up: &Up, wanted: usize) {
    let (marks, decimals) = numbers::ticks(up.low, up.high, wanted);
    for mark in marks {
        let y = up.y(mark);
        let _ = writeln!(out, "<path class=\"grid\" d=\"M{LEFT} {y:.1}H{RIGHT}\"/>");
        text(
            out,
            LEFT - 6.0,
            y + 6.0,
            "e",
            &numbers::plain(mark, decimals),
        );
    }
}

fn path(out: &mut String, class: &str, points: &[(f64, f64)]) {
    if points.len() < 2 {
        return;
    }
    let _ = write!(out, "<path class=\"{class}\" d=\"");
    for (i, (x, y)) in points.iter().enumerate() {
        let _ = write!(out, "{}{x:.1} {y:.1}", if i == 0 { "M" } else { "L" });
    }
    *out += "\"/>\n";
}

/// The stretch between a lower and an upper edge: x, lower, upper.
fn ribbon(out: &mut String, class: &str, points: &[(f64, f64, f64)]) {
    if points.len() < 2 {
        return;
    }
    let _ = write!(out, "<path class=\"{class}\" d=\"");
    let there = points.iter().map(|&(x, _, upper)| (x, upper));
    let back = points.iter().rev().map(|&(x, lower, _)| (x, lower));
    for (i, (x, y)) in there.chain(back).enumerate() {
        let _ = write!(out, "{}{x:.1} {y:.1}", if i == 0 { "M" } else { "L" });
    }
    *out += "Z\"/>\n";
}

/// Stretches of rows in which part of the light was cut off. One clipped pixel in fifty biases a bin by less than its
/// noise.
fn clipped_runs(spectrum: &Spectrum) -> Vec<Range<usize>> {
    let rows = &spectrum.rows;
    let hot = |i: usize| rows[i].clipped > 0.02 && rows[i].signal.is_finite();
    let starts = (0..rows.len()).filter(|&i| hot(i) && (i == 0 || !hot(i - 1)));
    starts
        .map(|from| from..(from..rows.len()).find(|&i| !hot(i)).unwrap_or(rows.len()))
        .collect()
}

/// A thick line over the curve and hatching below it, where light was cut off.
fn clipped(out: &mut String, runs: &[Range<usize>], spectrum: &Spectrum, across: &Across, up: &Up) {
    if runs.is_empty() {
        return;
    }
    *out += "<defs><pattern id=\"h\" width=\"7\" height=\"7\" patternUnits=\"userSpaceOnUse\" patternTransform=\"rotate(45)\">\
             <path d=\"M0 0V7\" style=\"stroke:var(--hot);stroke-width:3\"/></pattern></defs>\n";
    let half = spectrum.step_nm.abs() / 2.0;
    for run in runs {
        let part = &spectrum.rows[run.clone()];
        let (first, last) = (part[0], part[part.len() - 1]);
        let left = across.x(first.wavelength_nm - half).max(LEFT);
        let right = across.x(last.wavelength_nm + half).min(RIGHT);
        let mut edge = vec![(left, up.y(first.signal))];
        edge.extend(
            part.iter()
                .map(|r| (across.x(r.wavelength_nm), up.y(r.signal))),
        );
        edge.push((right, up.y(last.signal)));
        let area: Vec<_> = edge.iter().map(|&(x, y)| (x, up.bottom, y)).collect();
        ribbon(out, "hatch", &area);
        path(out, "hot", &edge);
    }
}

fn fly(out: &mut String, p: &Pennant, line: &[(f64, f64)], up: &Up) {
    let top = up.top - 10.0 - PENNANT * (p.row + 1) as f64;
    let low = top + PENNANT - 3.0;
    let notch = (top + low) / 2.0;
    let foot = line
        .iter()
        .min_by(|a, b| (a.0 - p.staff).abs().total_cmp(&(b.0 - p.staff).abs()))
        .map_or(up.bottom, |nearest| nearest.1);
    let (from, to) = p.span();
    let (tip, inner) = if p.to_left {
        (from, from + 7.0)
    } else {
        (to, to - 7.0)
    };
    let (class, letters) = match p.hue {
        Hue::Named => ("ink", "p m"),
        Hue::Bare => ("edge", "b m"),
        Hue::Hot => ("warn", "p m"),
    };
    let staff = p.staff;
    let _ = writeln!(
        out,
        "<path class=\"staff\" d=\"M{staff:.1} {top:.1}V{:.1}\"/>\
         <path class=\"{class}\" d=\"M{staff:.1} {top:.1}H{tip:.1}L{inner:.1} {notch:.1}L{tip:.1} {low:.1}H{staff:.1}Z\"/>",
        (foot - 3.0).max(low)
    );
    text(out, (staff + inner) / 2.0, low - 4.0, letters, &p.words);
}

/// The horizontal axis: a staff of dark and light blocks of 10 nm, numbered where there is room.
fn graduated_staff(out: &mut String, across: &Across, top: f64) {
    let (low, high) = (across.low, across.high);
    let _ = writeln!(
        out,
        "<rect class=\"edge\" x=\"{LEFT}\" y=\"{top:.1}\" width=\"{:.1}\" height=\"9\"/>",
        RIGHT - LEFT
    );
    let block = if high - low > 1000.0 { 50.0 } else { 10.0 };
    let mut blocks = String::new();
    for k in (low / block).floor() as i64..=(high / block).ceil() as i64 {
        let from = (k as f64 * block).max(low);
        let to = ((k + 1) as f64 * block).min(high);
        if k.rem_euclid(2) == 0 && to > from {
            let (x0, x1) = (across.x(from), across.x(to));
            let _ = write!(blocks, "M{x0:.1} {top:.1}H{x1:.1}v9H{x0:.1}Z");
        }
    }
    let _ = writeln!(out, "<path class=\"ink\" d=\"{blocks}\"/>");
    let (marks, decimals) = numbers::ticks(low, high, 7);
    for mark in marks {
        let x = across.x(mark).clamp(LEFT, RIGHT - 12.0);
        text(out, x, top + 28.0, "m", &numbers::plain(mark, decimals));
    }
    text(
        out,
        RIGHT,
        top + 56.0,
        "s e",
        "wavelength in air, nm \u{2192}",
    );
}

fn absorbance_panel(
    out: &mut String,
    spectrum: &Spectrum,
    rows: &[AbsorbanceRow],
    across: &Across,
    top: f64,
) {
    let known: Vec<Option<(f64, Estimate)>> = spectrum
        .rows
        .iter()
        .zip(rows)
        .map(|(r, a)| {
            a.absorbance
                .filter(|a| a.value.is_finite() && a.sigma.is_finite())
                .map(|a| (across.x(r.wavelength_nm), a))
        })
        .collect();
    let values = || known.iter().flatten().map(|(_, a)| a.value);
    let high = values().fold(0.05, f64::max);
    let up = Up {
        top: top + 14.0,
        bottom: top + ABSORBANCE_HEIGHT,
        low: values().fold(0.0, f64::min).max(-0.2 * high),
        high: 1.06 * high,
    };
    text(out, 14.0, top + 2.0, "b", "absorbance");
    text(
        out,
        RIGHT,
        top + 2.0,
        "s e",
        "left out where it means nothing",
    );
    grid(out, &up, 3);
    for run in known.split(|k| k.is_none()) {
        let run: Vec<(f64, Estimate)> = run.iter().flatten().copied().collect();
        let tint: Vec<_> = run
            .iter()
            .map(|(x, a)| (*x, up.y(a.value - a.sigma), up.y(a.value + a.sigma)))
            .collect();
        ribbon(out, "band", &tint);
        let line: Vec<_> = run.iter().map(|(x, a)| (*x, up.y(a.value))).collect();
        path(out, "line", &line);
    }
}
