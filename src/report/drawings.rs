//! Drawings of curves in the pages: a phone's tone curve against sRGB's, a spectrum joined from several exposures, the
//! relative power of a bench's lights, one lamp's or one sample's spectra over the benches.

use super::charts::{Chart, UNDER_TITLE, extent};
use crate::answers::bracket::Curve;
use crate::answers::join::Joined;
use crate::publish::{numbers, words};
use crate::terms::{Estimate, Phrases, centroid};

/// Points of a curve are thinned to about this many: more than the drawing has pixels on a phone.
const MOST_POINTS: usize = 240;
/// Strengths of a joined spectrum below this share of its highest are not drawn.
const LOWEST: f64 = 1e-4;
/// Lights in one drawing of powers: with their uncertainties around them more could not be told apart.
pub const PER_POWER: usize = 4;
/// What of a spectrum phones see, and benches are compared in, nm.
const SEEN_NM: (f64, f64) = (390.0, 720.0);

/// Colours and dashes that tell benches apart, on light and dark ground (at least 3 : 1 on either, WCAG 2.1, 1.4.11), and
/// without colour.
pub const STROKES: [(&str, &str); 8] = [
    ("#0b7f78", "none"),
    ("#c2410c", "none"),
    ("#5a6ee0", "none"),
    ("#b34f9a", "none"),
    ("#0b7f78", "9 4"),
    ("#c2410c", "9 4"),
    ("#5a6ee0", "9 4"),
    ("#b34f9a", "9 4"),
];

/// Upper and lower edge of the planes of these drawings.
const EDGES: (f64, f64) = (UNDER_TITLE, 216.0);

/// Makes one point of a curve from several that it is to stand for.
type One = fn(&[(f64, f64)]) -> (f64, f64);

/// A curve of at most [`MOST_POINTS`] points.
fn thinned(points: &[(f64, f64)], one: One) -> Vec<(f64, f64)> {
    let every = points.len().div_ceil(MOST_POINTS).max(1);
    points.chunks(every).map(one).collect()
}

/// The highest of some points: lines keep their tops.
fn highest(part: &[(f64, f64)]) -> (f64, f64) {
    let by_height = |a: &&(f64, f64), b: &&(f64, f64)| a.1.total_cmp(&b.1);
    part.iter().max_by(by_height).copied().unwrap_or_default()
}

/// By how much light differs from what sRGB would make of a code, with what the bracket leaves on either side: as curves of
/// light the two could not be told apart.
pub fn tone(curve: &Curve, t: &Phrases) -> String {
    let apart: Vec<(f64, f64)> = curve
        .table()
        .into_iter()
        .filter(|(_, srgb, _)| *srgb > 0.0)
        .map(|(code, srgb, light)| (code, 100.0 * (light / srgb - 1.0)))
        .collect();
    let left = 100.0 * curve.rms;
    let reach = 1.1 * (apart.iter().map(|p| p.1.abs()).fold(2.0, f64::max) + left);
    let label = t
        .of("chart.tone")
        .put("low", numbers::plain(100.0 * curve.apart().0, 0))
        .put("high", numbers::plain(100.0 * curve.apart().1, 0));
    let mut chart = Chart::new(EDGES, (0.0, 1.0), (-reach, reach), label, t);
    chart.ribbon(apart.iter().map(|p| (p.0, p.1 - left, p.1 + left)), "");
    chart.levels(4);
    chart.title(&t.say("chart.tone_title"));
    chart.zero();
    chart.foot("");
    let way = chart.plane.curve(thinned(&apart, highest));
    chart.svg.path("class=\"way\"", &way);
    chart.svg.finish()
}

/// A joined spectrum on a scale of powers of ten; absent where there is no light.
pub fn joined(joined: &Joined, t: &Phrases) -> Option<String> {
    let known: Vec<(f64, f64)> = joined
        .rows
        .iter()
        .filter_map(|r| Some((r.wavelength_nm, r.signal?.value)))
        .collect();
    let top = known.iter().map(|r| r.1).fold(0.0, f64::max);
    let (first, last) = (known.first()?.0, known.last()?.0);
    if top <= 0.0 || last <= first {
        return None;
    }
    let (lowest, highest_power) = ((LOWEST * top).log10(), top.log10() + 0.15);
    let label = t
        .of("chart.joined")
        .put("n", joined.ratios.len() + 1)
        .put("top", t.n(numbers::about(top)));
    let y = (lowest, highest_power);
    let mut chart = Chart::new(EDGES, (first, last), y, label, t);
    for power in lowest.ceil() as i32..=highest_power.floor() as i32 {
        let text = match power {
            0.. => format!("{}", 10f64.powi(power)),
            _ => numbers::fixed(10f64.powi(power), usize::try_from(-power).unwrap_or(0)),
        };
        chart.level(chart.plane.y.at(f64::from(power)), &t.n(text));
    }
    chart.title(&t.say("chart.joined_title"));
    chart.foot(" nm");
    let points: Vec<(f64, f64)> = known
        .iter()
        .map(|r| (r.0, r.1.max(LOWEST * top).log10()))
        .collect();
    let way = chart.plane.curve(thinned(&points, highest));
    chart.svg.path("class=\"way\"", &way);
    Some(chart.svg.finish())
}

/// A list in as few parts as hold no more than `most`, and those as even as can be.
pub fn evenly<T>(all: &[T], most: usize) -> impl Iterator<Item = &[T]> {
    let parts = all.len().div_ceil(most.max(1)).max(1);
    all.chunks(all.len().div_ceil(parts).max(1))
}

/// Relative powers of a few lights over one another, at most [`STROKES`] of them: wavelength (nm) and share of the highest,
/// rising, with one standard uncertainty around it.
pub fn powers(lights: &[&[(f64, Estimate)]], t: &Phrases) -> String {
    let x = seen(lights.iter().flat_map(|l| l.iter()).map(|p| p.0));
    let label = t.count("chart.powers", lights.len());
    let most = 1.1;
    let mut chart = Chart::new(EDGES, x, (0.0, most), label, t);
    chart.levels(4);
    chart.title(&t.say("chart.powers_title"));
    chart.foot(" nm");
    let at = |share: f64| share.clamp(0.0, most);
    for (i, light) in lights.iter().take(STROKES.len()).enumerate() {
        let inside = |p: &(f64, Estimate)| (x.0..=x.1).contains(&p.0);
        let seen: Vec<(f64, Estimate)> = light.iter().copied().filter(inside).collect();
        for run in runs(&seen, 5.0) {
            let band = run
                .iter()
                .map(|(nm, e)| (*nm, at(e.value - e.sigma), at(e.value + e.sigma)));
            chart.ribbon(band, &format!("fill:{};fill-opacity:.22", STROKES[i].0));
            let line: Vec<_> = run.iter().map(|(nm, e)| (*nm, at(e.value))).collect();
            let way = chart.plane.curve(thinned(&line, highest));
            chart.svg.path(&stroke(i), &way);
        }
    }
    chart.svg.finish()
}

/// The stretch of wavelengths that the spectra have and phones see, nm.
fn seen(wavelengths_nm: impl Iterator<Item = f64>) -> (f64, f64) {
    let (low, high) = extent(wavelengths_nm);
    (low.max(SEEN_NM.0), high.min(SEEN_NM.1))
}

/// Pieces without a gap of points that are `step` apart.
fn runs<T>(points: &[(f64, T)], step: f64) -> impl Iterator<Item = &[(f64, T)]> {
    points.chunk_by(move |a, b| b.0 - a.0 < 1.5 * step)
}

/// Attributes of the i-th curve in a drawing.
fn stroke(i: usize) -> String {
    format!("class=\"way\" {}", style(i))
}

fn style(i: usize) -> String {
    let (colour, dash) = STROKES[i % STROKES.len()];
    format!("style=\"stroke:{colour};stroke-dasharray:{dash}\"")
}

/// One bench's curve: its name, and wavelength (nm) with height, rising in even steps but for what is not known.
pub type Named<'a> = (&'a str, Vec<(f64, f64)>);

/// Values at a drawing's edges: left and right, foot and top.
type Edges = ((f64, f64), (f64, f64));

/// What is drawn over one another.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Height {
    /// Light as a share of its highest signal.
    Share,
    /// Absorbance.
    Absorbance,
}

/// Curves of several benches over one another: as many drawings as are needed for [`STROKES`] to tell them apart, all with
/// the same axes, each for the part of `benches` that [`evenly`] gives. None for fewer than two benches.
pub fn overlays(benches: &[Named<'_>], height: Height, t: &Phrases) -> Vec<String> {
    let all = || benches.iter().flat_map(|s| s.1.iter());
    let x = seen(all().map(|p| p.0));
    if benches.len() < 2 || x.1 <= x.0 {
        return Vec::new();
    }
    let y = match height {
        Height::Share => (0.0, 1.05),
        Height::Absorbance => {
            let inside = || all().filter(|p| (x.0..=x.1).contains(&p.0)).map(|p| p.1);
            let top = inside().fold(0.1, f64::max);
            let foot = inside().fold(0.0, f64::min).max(-0.2 * top);
            (1.05 * foot, 1.05 * top)
        }
    };
    evenly(benches, STROKES.len())
        .map(|part| overlay((x, y), part, height, t))
        .collect()
}

fn overlay((x, y): Edges, part: &[Named<'_>], height: Height, t: &Phrases) -> String {
    let n = part.len();
    let (label, title, one): (_, _, One) = match height {
        Height::Share => (t.of("chart.shares"), "chart.shares_title", highest),
        // The highest of several would be their noise.
        Height::Absorbance => (t.of("chart.absorbances"), "page.absorbance", centroid),
    };
    let mut chart = Chart::new(EDGES, x, y, label.put("n", n), t);
    chart.levels(4);
    chart.title(&t.say(title));
    chart.foot(" nm");
    for (i, (_, points)) in part.iter().enumerate() {
        let step = points.windows(2).map(|w| w[1].0 - w[0].0);
        let step = step.fold(f64::INFINITY, f64::min);
        let inside: Vec<(f64, f64)> = points
            .iter()
            .filter(|p| (x.0..=x.1).contains(&p.0))
            .map(|p| (p.0, p.1.clamp(y.0, y.1)))
            .collect();
        let ways: String = runs(&inside, step)
            .map(|run| chart.plane.curve(thinned(run, one)))
            .collect();
        chart.svg.path(&stroke(i), &ways);
    }
    chart.svg.finish()
}

/// Curves over one another with what they are.
pub struct Legended {
    /// What is drawn; may be empty.
    pub name: String,
    /// SVG.
    pub svg: String,
    /// Piece of line (SVG) and name of each curve.
    pub keys: Vec<(String, String)>,
}

impl Legended {
    /// A drawing of curves with these names.
    pub fn new<'n>(name: &str, svg: String, curves: impl IntoIterator<Item = &'n str>) -> Legended {
        let curves = curves.into_iter().enumerate();
        Legended {
            name: words::visible(name),
            svg,
            keys: curves
                .map(|(i, name)| (key(i), words::visible(name)))
                .collect(),
        }
    }
}

/// A piece of line as in [`overlay`], for the legend.
fn key(i: usize) -> String {
    format!(
        "<svg class=\"key\" viewBox=\"0 0 34 10\" aria-hidden=\"true\"><path d=\"M0 5H34\" {}/></svg>",
        style(i)
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::settings::english;

    /// Relative luminance of `#rrggbb`, WCAG 2.1.
    fn luminance(hex: &str) -> f64 {
        let channel = |i: usize| {
            let v = f64::from(u8::from_str_radix(&hex[i..i + 2], 16).unwrap()) / 255.0;
            if v <= 0.03928 {
                v / 12.92
            } else {
                ((v + 0.055) / 1.055).powf(2.4)
            }
        };
        0.2126 * channel(1) + 0.7152 * channel(3) + 0.0722 * channel(5)
    }

    #[test]
    fn strokes_are_seen_on_light_and_dark_paper_and_told_apart() {
        // `--paper` of harbour.css in both schemes.
        for ground in ["#f8fbfa", "#10252e"] {
            for (colour, _) in STROKES {
                let (a, b) = (luminance(ground), luminance(colour));
                let contrast = (a.max(b) + 0.05) / (a.min(b) + 0.05);
                assert!(contrast >= 3.0, "{colour} on {ground}: {contrast:.2}");
            }
        }
        let all: std::collections::BTreeSet<_> = STROKES.iter().collect();
        assert_eq!(all.len(), STROKES.len());
    }

    fn lit(at: usize) -> Vec<(f64, f64)> {
        (0..1600)
            .map(|i| (380.0 + 0.25 * i as f64, if i == at { 1.0 } else { 0.0 }))
            .collect()
    }

    #[test]
    fn one_spectrum_is_no_comparison_and_thinned_lines_keep_their_tops() {
        let (a, b) = (("heron", lit(801)), ("knot", lit(803)));
        assert!(overlays(std::slice::from_ref(&a), Height::Share, english()).is_empty());
        let all = overlays(&[a, b], Height::Share, english());
        let [svg] = all.as_slice() else {
            panic!("{} drawings", all.len())
        };
        let top = format!(" {:.1}L", 216.0 - 182.0 / 1.05);
        assert_eq!(svg.matches(top.as_str()).count(), 2, "{top} in {svg}");
        assert!(svg.len() < 12_000, "{}", svg.len());
    }

    #[test]
    fn more_benches_than_strokes_are_all_drawn_in_even_parts() {
        for (n, parts) in [
            (2, vec![2]),
            (8, vec![8]),
            (9, vec![5, 4]),
            (17, vec![6, 6, 5]),
        ] {
            let benches: Vec<Named<'_>> = (0..n).map(|i| ("knot", lit(500 + i))).collect();
            let drawn: Vec<usize> = overlays(&benches, Height::Share, english())
                .iter()
                .map(|svg| svg.matches("class=\"way\"").count())
                .collect();
            assert_eq!(drawn, parts);
            let listed: Vec<usize> = evenly(&benches, STROKES.len()).map(<[_]>::len).collect();
            assert_eq!(listed, parts);
        }
    }

    #[test]
    fn where_an_absorbance_is_not_known_its_line_is_broken() {
        let mut hole = lit(700);
        hole.retain(|p| !(500.0..520.0).contains(&p.0));
        let benches = [("heron", hole), ("knot", lit(700))];
        let svg = &overlays(&benches, Height::Absorbance, english())[0];
        assert_eq!(
            svg.matches("d=\"M").count(),
            2 + svg.matches("class=\"z\"").count()
        );
        let moves = svg.split("class=\"way\"").skip(1).map(|way| {
            let d = way.split("d=\"").nth(1).unwrap();
            d.split('"').next().unwrap().matches('M').count()
        });
        assert_eq!(moves.collect::<Vec<_>>(), [2, 1]);
    }
}
