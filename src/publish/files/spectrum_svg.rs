//! `spectrum.svg`: the total signal as an ink line over a staff graduated in nanometres, its peaks named by pennants on
//! staffs above it.
//!
//! The drawing is 480 units wide and its letters 18 units high, so that on a phone's page, 330 px wide, they
//! stay at 12 px. The colours follow the reader's light or dark setting.

mod pennants;
mod sheet;

use std::ops::Range;

use crate::publish::drawing::plane::{Axis, Plane};
use crate::publish::drawing::svg::{Svg, band, escaped, way};
use crate::publish::numbers;
use crate::publish::record::Record;
use crate::terms::{
    AbsorbanceRow, Estimate, Interval, Measurement, Phrases, ScaleKind, Spectrum, SpectrumRow,
};
use pennants::{Hue, PENNANT, Pennant};
use sheet::{LEFT, RIGHT, WIDTH, cut};

const PLOT_HEIGHT: f64 = 210.0;
const ABSORBANCE_HEIGHT: f64 = 120.0;
/// Share of a panel by which a curve may leave it.
const BEYOND: f64 = 0.02;

/// The style sheet of the picture: one rule a line.
const STYLE: &str = include_str!("spectrum.css");

/// The picture of a spectrum, or a card that says why there is none.
pub fn spectrum_svg(
    record: &Record,
    measurement: &Measurement,
    absorbance: Option<&[AbsorbanceRow]>,
    t: &Phrases,
) -> String {
    let drawable = |s: &&Spectrum| s.rows.len() >= 2 && s.rows.iter().any(|r| r.signal.is_finite());
    match measurement.spectrum.as_ref().filter(drawable) {
        Some(spectrum) => plot(record, (spectrum, measurement), absorbance, t),
        None => card(record, t),
    }
}

fn open(height: f64, title: &str, description: &str) -> Svg {
    let (title, description) = (escaped(title), escaped(description));
    let style: String = STYLE.lines().collect();
    let mut svg = Svg::new(String::new(), "\n");
    svg.add(format_args!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {WIDTH} {height}\" role=\"img\" aria-labelledby=\"t d\">\n\
         <title id=\"t\">{title}</title>\n<desc id=\"d\">{description}</desc>\n<style>{style}</style>\n\
         <rect class=\"paper\" width=\"{WIDTH}\" height=\"{height}\"/>"
    ));
    svg
}

fn text(svg: &mut Svg, x: f64, y: f64, class: &str, words: &str) {
    svg.add(format_args!(
        "<text x=\"{x:.1}\" y=\"{y:.1}\" class=\"{class}\">{}</text>",
        escaped(words)
    ));
}

fn card(record: &Record, t: &Phrases) -> String {
    let word = t.verdict(record.verdict);
    let why = record.reasons.first().map_or_else(
        || {
            record
                .not_measured
                .first()
                .map_or(String::new(), |said| t.told(&said.to_string()))
        },
        |r| t.trouble(r.code),
    );
    let title = t
        .of("picture.no_spectrum")
        .put("label", &record.label)
        .to_string();
    let mut out = open(150.0, &title, &format!("{word}. {why}"));
    text(&mut out, 20.0, 40.0, "b", &cut(&record.label, WIDTH - 40.0));
    text(&mut out, 20.0, 78.0, "", &t.say("picture.nothing"));
    text(&mut out, 20.0, 108.0, "s", &cut(&why, WIDTH - 40.0));
    out.finish()
}

fn plot(
    record: &Record,
    (spectrum, measurement): (&Spectrum, &Measurement),
    absorbance: Option<&[AbsorbanceRow]>,
    t: &Phrases,
) -> String {
    let rows = &spectrum.rows;
    let (first, last) = (rows[0].wavelength_nm, rows[rows.len() - 1].wavelength_nm);
    let x = Axis::new(first, last, (LEFT, RIGHT));
    let finite = || rows.iter().filter(|r| r.signal.is_finite());
    let high = finite().map(|r| r.signal).fold(0.0, f64::max);
    let low = finite().map(|r| r.signal).fold(0.0, f64::min);
    let absorbance = absorbance.filter(|a| a.iter().any(|r| r.absorbance.is_some()));

    let hot = clipped_runs(spectrum);
    let pennants = pennants::arrange(&hot, &measurement.peaks, (spectrum, &x), t);
    let flown = pennants.iter().map(|p| p.row + 1).max().unwrap_or(0);
    let top = 50.0 + PENNANT * flown as f64;
    let bottom = top + PLOT_HEIGHT;
    let ceiling = if high > 0.0 { 1.06 * high } else { 1e-3 };
    let plane = panel(x, (low.max(-0.1 * high) * 1.05, ceiling), (bottom, top));
    let scale_bottom = bottom + 10.0;
    let second = absorbance.map(|_| scale_bottom + 78.0);
    let height = second.map_or(scale_bottom + 58.0, |top| top + ABSORBANCE_HEIGHT + 16.0);

    let title = t.of("picture.title").put("label", &record.label);
    let title = title.put("bench", &record.bench).to_string();
    let names: Vec<&str> = pennants.iter().rev().map(|p| p.words.as_str()).collect();
    let peaks = match names.as_slice() {
        [] => t.say("picture.no_peaks"),
        names => names.join(", "),
    };
    let description = t
        .of("picture.description")
        .put("first", numbers::fixed(first, 0))
        .put("last", numbers::fixed(last, 0))
        .put("verdict", t.verdict(record.verdict))
        .put("peaks", peaks);
    let mut out = open(height, &title, &description.to_string());
    text(&mut out, 14.0, 26.0, "b", &cut(&record.label, 210.0));
    let (class, scale) = scale_words(record, measurement, t);
    text(&mut out, WIDTH - 12.0, 26.0, class, &scale);

    grid(&mut out, &plane.y, 4, t);
    let tint = finite().map(|r| {
        let sigma = Some(r.signal_sigma).filter(|s| s.is_finite());
        let s = sigma.unwrap_or(0.0).max(0.0);
        (r.wavelength_nm, r.signal + s, r.signal - s)
    });
    out.path("class=\"band\"", &plane.band(tint));
    let line: Vec<(f64, f64)> = finite()
        .map(|r| (x.at(r.wavelength_nm), plane.y.at(r.signal)))
        .collect();
    clipped(&mut out, &hot, spectrum, &plane);
    out.path("class=\"line\"", &way(line.iter().copied()));
    for pennant in &pennants {
        fly(&mut out, pennant, &line, &plane.y);
    }
    graduated_staff(&mut out, &x, bottom, t);
    let share = format!("\u{2191} {}", t.say("picture.share"));
    text(&mut out, 14.0, bottom + 56.0, "s", &share);
    if let (Some(top), Some(rows)) = (second, absorbance) {
        absorbance_panel(&mut out, (spectrum, rows), (x, top), t);
    }
    out.finish()
}

/// A panel between the picture's edges, for values from `low` to `high`.
fn panel(x: Axis, (low, high): (f64, f64), places: (f64, f64)) -> Plane {
    let y = Axis {
        beyond: BEYOND,
        ..Axis::new(low, high, places)
    };
    Plane { x, y }
}

/// What the scale is worth, for the head of the picture.
fn scale_words(record: &Record, measurement: &Measurement, t: &Phrases) -> (&'static str, String) {
    let kind = measurement
        .scale_kind
        .or(record.calibration.as_ref().map(|c| c.kind));
    let within = record.scale_sigma_nm().map(|s| t.n(numbers::within_nm(s)));
    match (kind, within) {
        (Some(ScaleKind::Provisional), Some(s)) => {
            ("w e", format!("{} {s}", t.say("picture.provisional")))
        }
        (Some(ScaleKind::Provisional), None) => ("w e", t.say("picture.provisional")),
        (_, Some(s)) => ("s e", t.of("picture.scale").put("sigma", s).to_string()),
        (_, None) => ("s e", String::new()),
    }
}

fn grid(out: &mut Svg, up: &Axis, wanted: usize, t: &Phrases) {
    for (y, value) in up.marks(wanted) {
        out.add(format_args!(
            "<path class=\"grid\" d=\"M{LEFT} {y:.1}H{RIGHT}\"/>"
        ));
        text(out, LEFT - 6.0, y + 6.0, "e", &t.n(value));
    }
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
fn clipped(out: &mut Svg, runs: &[Range<usize>], spectrum: &Spectrum, plane: &Plane) {
    if runs.is_empty() {
        return;
    }
    out.add(format_args!(
        "<defs><pattern id=\"h\" width=\"7\" height=\"7\" patternUnits=\"userSpaceOnUse\" patternTransform=\"rotate(45)\">\
         <path d=\"M0 0V7\" style=\"stroke:var(--hot);stroke-width:3\"/></pattern></defs>"
    ));
    let half = spectrum.step_nm.abs() / 2.0;
    for run in runs {
        let part = &spectrum.rows[run.clone()];
        let at = |row: &SpectrumRow, beside_nm: f64| {
            let x = plane.x.at(row.wavelength_nm + beside_nm);
            (x.clamp(LEFT, RIGHT), plane.y.at(row.signal))
        };
        let mut edge = vec![at(&part[0], -half)];
        edge.extend(part.iter().map(|row| at(row, 0.0)));
        edge.push(at(&part[part.len() - 1], half));
        let bottom = plane.y.places.0;
        let area: Vec<_> = edge.iter().map(|&(x, y)| (x, y, bottom)).collect();
        out.path("class=\"hatch\"", &band(&area));
        out.path("class=\"hot\"", &way(edge));
    }
}

fn fly(out: &mut Svg, p: &Pennant, line: &[(f64, f64)], up: &Axis) {
    let (bottom, top) = up.places;
    let top = top - 10.0 - PENNANT * (p.row + 1) as f64;
    let low = top + PENNANT - 3.0;
    let notch = (top + low) / 2.0;
    let foot = line
        .iter()
        .min_by(|a, b| (a.0 - p.staff).abs().total_cmp(&(b.0 - p.staff).abs()))
        .map_or(bottom, |nearest| nearest.1);
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
    let (staff, foot) = (p.staff, (foot - 3.0).max(low));
    out.add(format_args!(
        "<path class=\"staff\" d=\"M{staff:.1} {top:.1}V{foot:.1}\"/>\
         <path class=\"{class}\" d=\"M{staff:.1} {top:.1}H{tip:.1}L{inner:.1} {notch:.1}L{tip:.1} {low:.1}H{staff:.1}Z\"/>"
    ));
    text(out, (staff + inner) / 2.0, low - 4.0, letters, &p.words);
}

/// The horizontal axis: a staff of dark and light blocks of 10 nm, numbered where there is room.
fn graduated_staff(out: &mut Svg, across: &Axis, top: f64, t: &Phrases) {
    let Interval { low, high } = across.values;
    let width = RIGHT - LEFT;
    out.add(format_args!(
        "<rect class=\"edge\" x=\"{LEFT}\" y=\"{top:.1}\" width=\"{width:.1}\" height=\"9\"/>"
    ));
    let block = if high - low > 1000.0 { 50.0 } else { 10.0 };
    let numbers = (low / block).floor() as i64..=(high / block).ceil() as i64;
    let dark = numbers.filter(|k| k.rem_euclid(2) == 0).filter_map(|k| {
        let from = (k as f64 * block).max(low);
        let to = ((k + 1) as f64 * block).min(high);
        let (x0, x1) = (across.at(from), across.at(to));
        (to > from).then(|| format!("M{x0:.1} {top:.1}H{x1:.1}v9H{x0:.1}Z"))
    });
    let dark: String = dark.collect();
    out.add(format_args!("<path class=\"ink\" d=\"{dark}\"/>"));
    for (x, value) in across.marks(7) {
        let value = t.n(value);
        text(out, x.clamp(LEFT, RIGHT - 12.0), top + 28.0, "m", &value);
    }
    let wavelength = format!("{} \u{2192}", t.say("picture.wavelength"));
    text(out, RIGHT, top + 56.0, "s e", &wavelength);
}

fn absorbance_panel(
    out: &mut Svg,
    (spectrum, rows): (&Spectrum, &[AbsorbanceRow]),
    (x, top): (Axis, f64),
    t: &Phrases,
) {
    let known: Vec<Option<(f64, Estimate)>> = spectrum
        .rows
        .iter()
        .zip(rows)
        .map(|(r, a)| {
            a.absorbance
                .filter(|a| a.value.is_finite() && a.sigma.is_finite())
                .map(|a| (r.wavelength_nm, a))
        })
        .collect();
    let values = || known.iter().flatten().map(|(_, a)| a.value);
    let high = values().fold(0.05, f64::max);
    let low = values().fold(0.0, f64::min).max(-0.2 * high);
    let places = (top + ABSORBANCE_HEIGHT, top + 14.0);
    let plane = panel(x, (low, 1.06 * high), places);
    text(out, 14.0, top + 2.0, "b", &t.say("page.absorbance"));
    text(out, RIGHT, top + 2.0, "s e", &t.say("picture.left_out"));
    grid(out, &plane.y, 3, t);
    // A single known value has no curve.
    let runs = known.split(|k| k.is_none()).filter(|run| run.len() > 1);
    for run in runs {
        let run = || run.iter().flatten();
        let tint = run().map(|(nm, a)| (*nm, a.value + a.sigma, a.value - a.sigma));
        out.path("class=\"band\"", &plane.band(tint));
        let line = plane.curve(run().map(|(nm, a)| (*nm, a.value)));
        out.path("class=\"line\"", &line);
    }
}
