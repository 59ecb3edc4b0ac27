//! Drawings of curves in the pages: a phone's tone curve against sRGB's, a spectrum joined from several exposures, one lamp's
//! spectra over the benches.

use std::fmt::Write;

use super::charts::{Plane, RIGHT, open};
use crate::answers::bracket::Curve;
use crate::answers::join::Joined;
use crate::publish::files::numbers;

/// Points of a curve are thinned to about this many: more than the drawing has pixels on a phone.
const MOST_POINTS: usize = 240;
/// Strengths of a joined spectrum below this share of its highest are not drawn.
const LOWEST: f64 = 1e-4;

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

fn path(plane: &Plane, points: &[(f64, f64)]) -> String {
    let every = points.len().div_ceil(MOST_POINTS).max(1);
    let mut d = String::new();
    for (i, part) in points.chunks(every).enumerate() {
        // The highest of those thinned out: lines keep their tops.
        let Some(p) = part.iter().max_by(|a, b| a.1.total_cmp(&b.1)) else {
            continue;
        };
        let pen = if i == 0 { 'M' } else { 'L' };
        let _ = write!(d, "{pen}{:.1} {:.1}", plane.x(p.0), plane.y(p.1));
    }
    d
}

/// By how much light differs from what sRGB would make of a code, with what the bracket leaves on either side: as curves of
/// light the two could not be told apart.
pub fn tone(curve: &Curve) -> String {
    let apart: Vec<(f64, f64)> = curve
        .table()
        .into_iter()
        .filter(|(_, srgb, _)| *srgb > 0.0)
        .map(|(code, srgb, light)| (code, 100.0 * (light / srgb - 1.0)))
        .collect();
    let left = 100.0 * curve.rms;
    let reach = apart.iter().map(|p| p.1.abs()).fold(2.0, f64::max) + left;
    let plane = Plane {
        top: 34.0,
        bottom: 216.0,
        x: (0.0, 1.0),
        y: (-1.1 * reach, 1.1 * reach),
    };
    let mut svg = open(
        252.0,
        &format!(
            "The phone’s tone curve against sRGB’s: up to {} percent apart",
            numbers::plain(100.0 * (curve.departure - 1.0), 0)
        ),
    );
    let ribbon: Vec<(f64, f64, f64)> = apart
        .iter()
        .map(|p| (p.0, p.1 - left, p.1 + left))
        .collect();
    plane.ribbon(&mut svg, &ribbon);
    plane.levels(&mut svg, 4);
    let _ = write!(
        svg,
        "<text x=\"66\" y=\"20\">light less sRGB’s, %, by code (1 is white)</text><path class=\"axis\" d=\"M66 {:.1}H{RIGHT}\"/>",
        plane.y(0.0)
    );
    plane.foot(&mut svg, "");
    let _ = write!(
        svg,
        "<path class=\"way\" d=\"{}\"/></svg>",
        path(&plane, &apart)
    );
    svg
}

/// A joined spectrum on a scale of powers of ten; absent where there is no light.
pub fn joined(joined: &Joined) -> Option<String> {
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
    let lowest = (LOWEST * top).log10();
    let plane = Plane {
        top: 34.0,
        bottom: 216.0,
        x: (first, last),
        y: (lowest, top.log10() + 0.15),
    };
    let mut svg = open(
        252.0,
        &format!(
            "Spectrum of {} exposures joined, highest signal {} of full scale of the longest",
            joined.ratios.len() + 1,
            numbers::about(top)
        ),
    );
    for power in lowest.ceil() as i32..=(top.log10() + 0.15).floor() as i32 {
        let y = plane.y(f64::from(power));
        let text = match power {
            0.. => format!("{}", 10f64.powi(power)),
            _ => numbers::fixed(10f64.powi(power), usize::try_from(-power).unwrap_or(0)),
        };
        let _ = write!(
            svg,
            "<path class=\"z\" d=\"M66 {y:.1}H{RIGHT}\"/><text x=\"58\" y=\"{:.1}\" text-anchor=\"end\">{text}</text>",
            y + 6.0
        );
    }
    let _ = write!(svg, "<text x=\"66\" y=\"20\">signal, powers of ten</text>");
    plane.foot(&mut svg, " nm");
    let points: Vec<(f64, f64)> = known
        .iter()
        .map(|r| (r.0, r.1.max(LOWEST * top).log10()))
        .collect();
    let _ = write!(svg, "<path class=\"way\" d=\"{}\"/>", path(&plane, &points));
    svg += "</svg>";
    Some(svg)
}

/// One bench's spectrum of a lamp: its name, and wavelength (nm) with the share of its highest signal.
pub type Named<'a> = (&'a str, Vec<(f64, f64)>);

/// Spectra of one lamp over one another, at most [`STROKES`] of them; absent for fewer than two.
pub fn overlay(spectra: &[Named<'_>]) -> Option<String> {
    let drawn: Vec<&Named<'_>> = spectra
        .iter()
        .filter(|s| s.1.len() > 1)
        .take(STROKES.len())
        .collect();
    if drawn.len() < 2 {
        return None;
    }
    let all = || drawn.iter().flat_map(|s| s.1.iter());
    let low = all().map(|p| p.0).fold(f64::INFINITY, f64::min);
    let high = all().map(|p| p.0).fold(f64::NEG_INFINITY, f64::max);
    let plane = Plane {
        top: 34.0,
        bottom: 216.0,
        x: (low.max(390.0), high.min(720.0)),
        y: (0.0, 1.05),
    };
    let mut svg = open(
        252.0,
        &format!(
            "Spectra of {} benches, each as a share of its highest signal",
            drawn.len()
        ),
    );
    plane.levels(&mut svg, 4);
    let _ = write!(
        svg,
        "<text x=\"66\" y=\"20\">share of the highest signal</text>"
    );
    plane.foot(&mut svg, " nm");
    for ((_, points), (colour, dash)) in drawn.iter().zip(STROKES) {
        let inside: Vec<(f64, f64)> = points
            .iter()
            .copied()
            .filter(|p| (plane.x.0..=plane.x.1).contains(&p.0))
            .map(|p| (p.0, p.1.clamp(0.0, 1.05)))
            .collect();
        let _ = write!(
            svg,
            "<path class=\"way\" style=\"stroke:{colour};stroke-dasharray:{dash}\" d=\"{}\"/>",
            path(&plane, &inside)
        );
    }
    svg += "</svg>";
    Some(svg)
}

/// A piece of line as in [`overlay`], for the legend.
pub fn key(i: usize) -> String {
    let (colour, dash) = STROKES[i % STROKES.len()];
    format!(
        "<svg class=\"key\" viewBox=\"0 0 34 10\" aria-hidden=\"true\"><path d=\"M0 5H34\" style=\"stroke:{colour};stroke-dasharray:{dash}\"/></svg>"
    )
}

#[cfg(test)]
mod tests {
    use super::*;

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

    #[test]
    fn one_spectrum_is_no_comparison_and_thinned_lines_keep_their_tops() {
        let lit = |at: usize| -> Vec<(f64, f64)> {
            (0..1600)
                .map(|i| (380.0 + 0.25 * i as f64, if i == at { 1.0 } else { 0.0 }))
                .collect()
        };
        let (a, b) = (("heron", lit(801)), ("knot", lit(803)));
        assert_eq!(overlay(std::slice::from_ref(&a)), None);
        let svg = overlay(&[a, b]).unwrap();
        let top = format!(" {:.1}L", 216.0 - 182.0 / 1.05);
        assert_eq!(svg.matches(top.as_str()).count(), 2, "{top} in {svg}");
        assert!(svg.len() < 12_000, "{}", svg.len());
    }
}
