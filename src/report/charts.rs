//! Drawings inside the pages: residuals of the lamp's lines, the scale with its uncertainty, a quantity over a bench's
//! photos. SVG text in the page's own colours; a drawing shrinks to a phone's width and its letters stay above 12 px.

use std::fmt::Write;

use super::trend::Trend;
use crate::publish::files::numbers;
use crate::terms::{Calibration, LineUse, SigmaAt};

/// Width of every drawing in its own units; 336 px on the narrowest phone, so that 18 units are 12.6 px.
const WIDTH: f64 = 480.0;
const LEFT: f64 = 66.0;
/// Right end of every drawing.
pub const RIGHT: f64 = 468.0;

/// A rectangle with its two axes.
pub struct Plane {
    /// Upper edge.
    pub top: f64,
    /// Lower edge.
    pub bottom: f64,
    /// Values at its left and right end.
    pub x: (f64, f64),
    /// Values at its lower and upper edge.
    pub y: (f64, f64),
}

impl Plane {
    /// Place of a value along the foot.
    pub fn x(&self, value: f64) -> f64 {
        LEFT + (value - self.x.0) / (self.x.1 - self.x.0) * (RIGHT - LEFT)
    }

    /// Place of a value along the side.
    pub fn y(&self, value: f64) -> f64 {
        self.bottom - (value - self.y.0) / (self.y.1 - self.y.0) * (self.bottom - self.top)
    }

    /// Lines across, with their numbers on the left.
    pub fn levels(&self, svg: &mut String, wanted: usize) {
        let (marks, decimals) = numbers::ticks(self.y.0, self.y.1, wanted);
        for mark in marks {
            let (y, text) = (self.y(mark), numbers::plain(mark, decimals));
            let _ = write!(
                svg,
                "<path class=\"z\" d=\"M{LEFT} {y:.1}H{RIGHT}\"/><text x=\"58\" y=\"{:.1}\" text-anchor=\"end\">{text}</text>",
                y + 6.0
            );
        }
    }

    /// Values along the foot, with the unit behind the last.
    pub fn foot(&self, svg: &mut String, unit: &str) {
        let (marks, decimals) = numbers::ticks(self.x.0, self.x.1, 5);
        let n = marks.len();
        for (i, mark) in marks.into_iter().enumerate() {
            let (x, text) = (self.x(mark), numbers::plain(mark, decimals));
            let _ = write!(
                svg,
                "<path class=\"z\" d=\"M{x:.1} {:.1}v7\"/>",
                self.bottom
            );
            let y = self.bottom + 24.0;
            let _ = if i + 1 == n && x > RIGHT - 50.0 {
                write!(
                    svg,
                    "<text x=\"{RIGHT}\" y=\"{y:.1}\" text-anchor=\"end\">{text}{unit}</text>"
                )
            } else {
                let unit = if i + 1 == n { unit } else { "" };
                write!(
                    svg,
                    "<text x=\"{x:.1}\" y=\"{y:.1}\" text-anchor=\"middle\">{text}{unit}</text>"
                )
            };
        }
    }

    /// A filled band around a curve: (x, low, high), rising in x.
    pub fn ribbon(&self, svg: &mut String, points: &[(f64, f64, f64)]) {
        self.ribbon_of(svg, points, "");
    }

    /// The same with a style of its own; empty for the page's.
    pub fn ribbon_of(&self, svg: &mut String, points: &[(f64, f64, f64)], style: &str) {
        if points.len() < 2 {
            return;
        }
        let mut d = String::new();
        let low = points.iter().map(|p| (p.0, p.1));
        let high = points.iter().rev().map(|p| (p.0, p.2));
        for (i, (x, y)) in low.chain(high).enumerate() {
            let pen = if i == 0 { 'M' } else { 'L' };
            let _ = write!(d, "{pen}{:.1} {:.1}", self.x(x), self.y(y));
        }
        let style = match style {
            "" => String::new(),
            own => format!(" style=\"{own}\""),
        };
        let _ = write!(svg, "<path class=\"rib\"{style} d=\"{d}Z\"/>");
    }
}

/// Begins a drawing of this height, told in words.
pub fn open(height: f64, label: &str) -> String {
    format!(
        "<svg class=\"chart\" viewBox=\"0 0 {WIDTH} {height}\" role=\"img\" aria-label=\"{label}\">"
    )
}

/// A point's mark: a disc for orders to one side, a diamond for the other; hollow where it was only compared.
fn mark(svg: &mut String, (x, y): (f64, f64), order: i32, is_solid: bool) {
    let class = if is_solid { "" } else { " class=\"o\"" };
    let _ = if order < 0 {
        write!(
            svg,
            "<path{class} d=\"M{:.1} {y:.1}L{x:.1} {:.1}L{:.1} {y:.1}L{x:.1} {:.1}Z\"/>",
            x - 6.5,
            y - 6.5,
            x + 6.5,
            y + 6.5
        )
    } else {
        write!(svg, "<circle{class} cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"5\"/>")
    };
}

/// Residuals of the lamp's lines over wavelength, with one standard uncertainty, on the band of the scale's own; absent for
/// fewer than two lines.
pub fn residuals(lines: &[LineUse], sigma_curve: &[SigmaAt]) -> Option<String> {
    let sound: Vec<&LineUse> = lines
        .iter()
        .filter(|l| l.residual_nm.is_finite() && l.sigma_nm.is_finite())
        .collect();
    if sound.len() < 2 {
        return None;
    }
    let nm = || sound.iter().map(|l| l.wavelength_nm);
    let low = nm().fold(f64::INFINITY, f64::min) - 15.0;
    let high = nm().fold(f64::NEG_INFINITY, f64::max) + 15.0;
    let curve: Vec<(f64, f64)> = finite(sigma_curve)
        .filter(|(nm, _)| (low..=high).contains(nm))
        .collect();
    let reach = sound
        .iter()
        .map(|l| l.residual_nm.abs() + l.sigma_nm)
        .fold(0.05, f64::max);
    // A band far wider than the points would press them into a line: it may leave the drawing.
    let reach = 1.15
        * curve
            .iter()
            .map(|c| c.1)
            .fold(reach, f64::max)
            .min(3.0 * reach);
    let plane = Plane {
        top: 34.0,
        bottom: 196.0,
        x: (low, high),
        y: (-reach, reach),
    };
    let used = || sound.iter().filter(|l| l.used);
    let worst = used().map(|l| l.residual_nm).fold(0.0f64, f64::max);
    let best = used().map(|l| l.residual_nm).fold(0.0f64, f64::min);
    let mut svg = open(
        232.0,
        &format!(
            "Residuals of {} lamp lines, from {} to {} nm",
            used().count(),
            numbers::plain(best, 2),
            numbers::plain(worst, 2)
        ),
    );
    let band: Vec<_> = curve
        .iter()
        .map(|&(nm, s)| (nm, -s.min(reach), s.min(reach)))
        .collect();
    plane.ribbon(&mut svg, &band);
    plane.levels(&mut svg, 5);
    let _ = write!(
        svg,
        "<text x=\"{LEFT}\" y=\"20\">measured minus published, nm</text><path class=\"axis\" d=\"M{LEFT} {:.1}H{RIGHT}\"/>",
        plane.y(0.0)
    );
    plane.foot(&mut svg, " nm");
    for line in sound {
        // Both orders see the same line: side by side.
        let x = plane.x(line.wavelength_nm) + if line.order < 0 { -5.0 } else { 5.0 };
        let y = plane.y(line.residual_nm);
        let _ = write!(
            svg,
            "<path d=\"M{x:.1} {:.1}V{:.1}\"/>",
            plane.y(line.residual_nm - line.sigma_nm),
            plane.y(line.residual_nm + line.sigma_nm)
        );
        mark(&mut svg, (x, y), line.order, line.used);
    }
    svg += "</svg>";
    Some(svg)
}

fn finite(curve: &[SigmaAt]) -> impl Iterator<Item = (f64, f64)> {
    curve
        .iter()
        .map(|at| (at.wavelength_nm, at.sigma_nm))
        .filter(|(nm, sigma)| nm.is_finite() && sigma.is_finite())
}

/// Along one order: (wavelength nm, distance from the slit's image px, its standard uncertainty px).
type Way = Vec<(f64, f64, f64)>;

/// The scale of a calibration, and by how much its band is drawn wider than it is.
pub struct ScaleDrawing {
    /// SVG.
    pub svg: String,
    /// Magnification of the band.
    pub times: u32,
}

/// Where each wavelength lies, px from the slit's image, with the lamp's lines on it and the scale's uncertainty around it;
/// absent where the fit cannot be drawn.
pub fn scale(calibration: &Calibration) -> Option<ScaleDrawing> {
    let rays = calibration.optics.rays();
    let zero = rays.pixel_of_path(0.0, 0.0)?;
    let place = |order: i32, nm: f64| {
        let px = rays
            .pixel_of_path(f64::from(order) * nm, 0.0)?
            .distance(zero);
        px.is_finite().then_some(px)
    };
    let curve: Vec<(f64, f64)> = finite(&calibration.sigma_curve).collect();
    let (low, high) = (curve.first()?.0, curve.last()?.0);
    let mut orders: Vec<i32> = calibration.lines.iter().map(|l| l.order).collect();
    orders.sort_unstable();
    orders.dedup();
    let ways: Vec<(i32, Way)> = orders
        .iter()
        .map(|&order| {
            let way = curve.iter().filter_map(|&(nm, sigma)| {
                let here = place(order, nm)?;
                let step = place(order, nm + 0.5)? - place(order, nm - 0.5)?;
                Some((nm, here, sigma * step))
            });
            (order, way.collect())
        })
        .collect();
    let all = || ways.iter().flat_map(|(_, way)| way);
    let bottom = all().map(|p| p.1).fold(f64::INFINITY, f64::min);
    let top = all().map(|p| p.1).fold(f64::NEG_INFINITY, f64::max);
    if !(high > low && top > bottom) {
        return None;
    }
    let widest = all().map(|p| p.2.abs()).fold(1e-9, f64::max);
    // As wide as can be without hiding the curve: a tenth of the drawing to either side.
    let times = [1000u32, 500, 200, 100, 50, 20, 10, 5, 2, 1]
        .into_iter()
        .find(|t| f64::from(*t) * widest <= 0.1 * (top - bottom))
        .unwrap_or(1);
    let margin = 0.06 * (top - bottom);
    let plane = Plane {
        top: 34.0,
        bottom: 276.0,
        x: (low, high),
        y: (bottom - margin, top + margin),
    };
    let mut svg = open(
        312.0,
        &format!(
            "The scale from {} to {} nm: {} to {} px from the slit’s image",
            numbers::plain(low, 0),
            numbers::plain(high, 0),
            numbers::plain(bottom, 0),
            numbers::plain(top, 0)
        ),
    );
    plane.levels(&mut svg, 5);
    svg += &format!("<text x=\"{LEFT}\" y=\"20\">px from the slit’s image</text>");
    plane.foot(&mut svg, " nm");
    for (order, way) in &ways {
        let band: Vec<_> = way
            .iter()
            .map(|&(nm, px, s)| {
                let half = f64::from(times) * s;
                (nm, px - half, px + half)
            })
            .collect();
        plane.ribbon(&mut svg, &band);
        let mut d = String::new();
        for (i, (nm, px, _)) in way.iter().enumerate() {
            let pen = if i == 0 { 'M' } else { 'L' };
            let _ = write!(d, "{pen}{:.1} {:.1}", plane.x(*nm), plane.y(*px));
        }
        let class = if *order < 0 { "way dash" } else { "way" };
        let _ = write!(svg, "<path class=\"{class}\" d=\"{d}\"/>");
    }
    for line in &calibration.lines {
        if let Some(px) = place(line.order, line.wavelength_nm + line.residual_nm) {
            let at = (plane.x(line.wavelength_nm), plane.y(px));
            mark(&mut svg, at, line.order, line.used);
        }
    }
    svg += "</svg>";
    Some(ScaleDrawing { svg, times })
}

/// A quantity from photo to photo, with one standard uncertainty where it is known. Empty for fewer than two values.
pub fn trend(trend: &Trend) -> String {
    let n = trend.points.len();
    if n < 2 {
        return String::new();
    }
    let sigma = |p: &super::trend::Point| p.sigma.filter(|s| s.is_finite()).unwrap_or(0.0);
    let high = trend
        .points
        .iter()
        .map(|p| p.value + sigma(p))
        .filter(|v| v.is_finite())
        .fold(f64::MIN_POSITIVE, f64::max);
    let plane = Plane {
        top: 10.0,
        bottom: 108.0,
        x: (-0.4, n as f64 - 0.6),
        y: (0.0, 1.08 * high),
    };
    let (first, last) = (&trend.points[0], &trend.points[n - 1]);
    let mut svg = open(
        144.0,
        &format!(
            "{} on {n} photos: first {}{unit}, last {}{unit}",
            trend.title,
            first.text(),
            last.text(),
            unit = trend.unit
        ),
    );
    plane.levels(&mut svg, 3);
    let ends = [(LEFT, "start", first), (RIGHT, "end", last)];
    for (x, anchor, point) in ends {
        let clock = point.time.rsplit(' ').next().unwrap_or_default();
        let _ = write!(
            svg,
            "<text x=\"{x}\" y=\"134\" text-anchor=\"{anchor}\">{clock}</text>"
        );
    }
    let at: Vec<(f64, f64)> = trend
        .points
        .iter()
        .enumerate()
        .map(|(i, p)| (plane.x(i as f64), plane.y(p.value)))
        .collect();
    let mut d = String::new();
    for (i, (x, y)) in at.iter().enumerate() {
        let pen = if i == 0 { 'M' } else { 'L' };
        let _ = write!(d, "{pen}{x:.1} {y:.1}");
    }
    let _ = write!(svg, "<path class=\"way thin\" d=\"{d}\"/>");
    for (point, (x, y)) in trend.points.iter().zip(at) {
        let s = sigma(point);
        if s > 0.0 {
            let (low, high) = (
                plane.y((point.value - s).max(0.0)),
                plane.y(point.value + s),
            );
            let _ = write!(svg, "<path d=\"M{x:.1} {low:.1}V{high:.1}\"/>");
        }
        mark(&mut svg, (x, y), 1, !point.is_retake);
    }
    svg += "</svg>";
    svg
}
