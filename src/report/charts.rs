//! Drawings inside the pages: residuals of the lamp's lines, the scale with its uncertainty, a quantity over a bench's
//! photos. SVG text in the page's own colours; a drawing shrinks to a phone's width and its letters stay above 12 px.

use std::fmt;

use super::trend::{self, Trend};
use crate::publish::drawing::plane::{Axis, Plane};
use crate::publish::drawing::svg::{Svg, escaped};
use crate::publish::numbers;
use crate::publish::record::CalibrationRecord;
use crate::terms::{Calibration, LineUse, Phrases, SigmaAt};

/// Width of every drawing in its own units; 336 px on the narrowest phone, so that 18 units are 12.6 px.
const WIDTH: f64 = 480.0;
/// Left end of every plane; beside it stand the values of its levels.
const LEFT: f64 = 66.0;
const RIGHT: f64 = 468.0;
/// Room under a plane for the values along its foot.
const FOOT: f64 = 36.0;
/// Upper edge of a plane under a title.
pub const UNDER_TITLE: f64 = 34.0;

/// A drawing in a page: a plane with levels across, a title over it and values along its foot.
pub struct Chart<'t> {
    t: &'t Phrases,
    /// Where values lie.
    pub plane: Plane,
    /// What has been drawn.
    pub svg: Svg,
}

impl<'t> Chart<'t> {
    /// An empty drawing with its plane from `top` to `bottom`; `x` and `y` are the values at its edges, `label` tells in
    /// words what is drawn.
    pub fn new(
        (top, bottom): (f64, f64),
        x: (f64, f64),
        y: (f64, f64),
        label: impl fmt::Display,
        t: &'t Phrases,
    ) -> Chart<'t> {
        let height = bottom + FOOT;
        let label = escaped(&label.to_string());
        let head = format!(
            "<svg class=\"chart\" viewBox=\"0 0 {WIDTH} {height}\" role=\"img\" aria-label=\"{label}\">"
        );
        Chart {
            t,
            plane: Plane {
                x: Axis::new(x.0, x.1, (LEFT, RIGHT)),
                y: Axis::new(y.0, y.1, (bottom, top)),
            },
            svg: Svg::new(head, ""),
        }
    }

    /// A line across at a height in the drawing, with its value on the left.
    pub fn level(&mut self, y: f64, text: &str) {
        let baseline = y + 6.0;
        self.svg.add(format_args!(
            "<path class=\"z\" d=\"M{LEFT} {y:.1}H{RIGHT}\"/><text x=\"58\" y=\"{baseline:.1}\" text-anchor=\"end\">{text}</text>"
        ));
    }

    /// Lines across at about `wanted` round values.
    pub fn levels(&mut self, wanted: usize) {
        for (y, text) in self.plane.y.marks(wanted) {
            let text = self.t.n(text);
            self.level(y, &text);
        }
    }

    /// What is drawn, over the plane.
    pub fn title(&mut self, text: &str) {
        let text = escaped(text);
        let markup = format_args!("<text x=\"{LEFT}\" y=\"20\">{text}</text>");
        self.svg.add(markup);
    }

    /// A strong line across at zero.
    pub fn zero(&mut self) {
        let y = self.plane.y.at(0.0);
        self.svg.add(format_args!(
            "<path class=\"axis\" d=\"M{LEFT} {y:.1}H{RIGHT}\"/>"
        ));
    }

    /// Words under the plane's two ends.
    pub fn ends(&mut self, left: &str, right: &str) {
        let baseline = self.plane.y.places.0 + 26.0;
        for (x, anchor, text) in [(LEFT, "start", left), (RIGHT, "end", right)] {
            self.svg.add(format_args!(
                "<text x=\"{x}\" y=\"{baseline}\" text-anchor=\"{anchor}\">{text}</text>"
            ));
        }
    }

    /// A dashed line from foot to top at a value.
    pub fn upright(&mut self, at: f64) {
        let (x, (bottom, top)) = (self.plane.x.at(at), self.plane.y.places);
        self.svg.add(format_args!(
            "<path class=\"way thin dash\" d=\"M{x:.1} {bottom:.1}V{top:.1}\"/>"
        ));
    }

    /// Values along the foot, with the unit behind the last.
    pub fn foot(&mut self, unit: &str) {
        let bottom = self.plane.y.places.0;
        let marks = self.plane.x.marks(5);
        let n = marks.len();
        for (i, (x, text)) in marks.into_iter().enumerate() {
            let is_last = i + 1 == n;
            let unit = if is_last { unit } else { "" };
            let text = self.t.n(text);
            let (place, anchor) = match is_last && x > RIGHT - 50.0 {
                true => (format!("{RIGHT}"), "end"),
                false => (format!("{x:.1}"), "middle"),
            };
            let baseline = bottom + 24.0;
            self.svg.add(format_args!(
                "<path class=\"z\" d=\"M{x:.1} {bottom:.1}v7\"/><text x=\"{place}\" y=\"{baseline:.1}\" text-anchor=\"{anchor}\">{text}{unit}</text>"
            ));
        }
    }

    /// A filled band around a curve: (x, low, high), rising in x. `style` is its own style, or empty for the page's.
    pub fn ribbon(&mut self, points: impl IntoIterator<Item = (f64, f64, f64)>, style: &str) {
        let attributes = match style {
            "" => "class=\"rib\"".to_owned(),
            own => format!("class=\"rib\" style=\"{own}\""),
        };
        self.svg.path(&attributes, &self.plane.band(points));
    }

    /// A value with one standard uncertainty to either side, both as heights in the drawing.
    pub fn bar(&mut self, x: f64, low: f64, high: f64) {
        let markup = format_args!("<path d=\"M{x:.1} {low:.1}V{high:.1}\"/>");
        self.svg.add(markup);
    }

    /// A point's mark: a disc for orders to one side, a diamond for the other; hollow where it was only compared.
    pub fn mark(&mut self, (x, y): (f64, f64), order: i32, is_solid: bool) {
        let class = if is_solid { "" } else { " class=\"o\"" };
        if order < 0 {
            let (left, right, over, under) = (x - 6.5, x + 6.5, y - 6.5, y + 6.5);
            self.svg.add(format_args!(
                "<path{class} d=\"M{left:.1} {y:.1}L{x:.1} {over:.1}L{right:.1} {y:.1}L{x:.1} {under:.1}Z\"/>"
            ));
        } else {
            self.svg.add(format_args!(
                "<circle{class} cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"5\"/>"
            ));
        }
    }
}

/// The lowest and the highest of some values; infinite the wrong way round where there are none.
pub fn extent(values: impl Iterator<Item = f64>) -> (f64, f64) {
    values.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| {
        (low.min(v), high.max(v))
    })
}

/// Residuals of the lamp's lines over wavelength, with one standard uncertainty, on the band of the scale's own; absent for
/// fewer than two lines.
pub fn residuals(scale: &CalibrationRecord, t: &Phrases) -> Option<String> {
    let curve = scale.model.as_ref().map(|m| m.sigma_curve.as_slice());
    let sound: Vec<&LineUse> = scale
        .lines
        .iter()
        .filter(|l| l.residual_nm.is_finite() && l.sigma_nm.is_finite())
        .collect();
    if sound.len() < 2 {
        return None;
    }
    let (first, last) = extent(sound.iter().map(|l| l.wavelength_nm));
    let (low, high) = (first - 15.0, last + 15.0);
    let curve: Vec<(f64, f64)> = finite(curve.unwrap_or_default())
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
    let used = || sound.iter().filter(|l| l.used).map(|l| l.residual_nm);
    let end = |nm: f64| t.n(numbers::plain(nm, 2));
    let label = t
        .of("chart.residuals")
        .put("n", used().count())
        .put("low", end(used().fold(0.0, f64::min)))
        .put("high", end(used().fold(0.0, f64::max)));
    let y = (-reach, reach);
    let mut chart = Chart::new((UNDER_TITLE, 196.0), (low, high), y, label, t);
    let band = curve
        .iter()
        .map(|&(nm, s)| (nm, -s.min(reach), s.min(reach)));
    chart.ribbon(band, "");
    chart.levels(5);
    chart.title(&t.say("chart.residuals_title"));
    chart.zero();
    chart.foot(" nm");
    let Plane { x, y } = chart.plane;
    for line in sound {
        // Both orders see the same line: side by side.
        let x = x.at(line.wavelength_nm) + if line.order < 0 { -5.0 } else { 5.0 };
        let (residual, sigma) = (line.residual_nm, line.sigma_nm);
        chart.bar(x, y.at(residual - sigma), y.at(residual + sigma));
        chart.mark((x, y.at(residual)), line.order, line.used);
    }
    Some(chart.svg.finish())
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
pub fn scale(calibration: &Calibration, t: &Phrases) -> Option<ScaleDrawing> {
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
    let (bottom, top) = extent(all().map(|p| p.1));
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
    let label = t
        .of("chart.scale")
        .put("low", numbers::plain(low, 0))
        .put("high", numbers::plain(high, 0))
        .put("near", numbers::plain(bottom, 0))
        .put("far", numbers::plain(top, 0));
    let y = (bottom - margin, top + margin);
    let mut chart = Chart::new((UNDER_TITLE, 276.0), (low, high), y, label, t);
    chart.levels(5);
    chart.title(&t.say("chart.scale_title"));
    chart.foot(" nm");
    for (order, way) in &ways {
        let band = way.iter().map(|&(nm, px, s)| {
            let half = f64::from(times) * s;
            (nm, px - half, px + half)
        });
        chart.ribbon(band, "");
        let class = if *order < 0 { "way dash" } else { "way" };
        let data = chart.plane.curve(way.iter().map(|p| (p.0, p.1)));
        chart.svg.path(&format!("class=\"{class}\""), &data);
    }
    for line in &calibration.lines {
        if let Some(px) = place(line.order, line.wavelength_nm + line.residual_nm) {
            let at = (chart.plane.x.at(line.wavelength_nm), chart.plane.y.at(px));
            chart.mark(at, line.order, line.used);
        }
    }
    let svg = chart.svg.finish();
    Some(ScaleDrawing { svg, times })
}

/// A quantity from photo to photo, with one standard uncertainty where it is known. Empty for fewer than two values.
pub fn trend(trend: &Trend, t: &Phrases) -> String {
    let [first, .., last] = trend.points.as_slice() else {
        return String::new();
    };
    let n = trend.points.len();
    let sigma = |p: &trend::Point| p.sigma.filter(|s| s.is_finite()).unwrap_or(0.0);
    let high = trend
        .points
        .iter()
        .map(|p| p.value + sigma(p))
        .filter(|v| v.is_finite())
        .fold(f64::MIN_POSITIVE, f64::max);
    let with_unit = |point: &trend::Point| t.n(format!("{}{}", point.text(), trend.unit));
    let label = t
        .of("chart.trend")
        .put("what", trend.title(t))
        .put("n", n)
        .put("first", with_unit(first))
        .put("last", with_unit(last));
    let x = (-0.4, n as f64 - 0.6);
    let mut chart = Chart::new((10.0, 108.0), x, (0.0, 1.08 * high), label, t);
    chart.levels(3);
    let clock =
        |point: &'_ trend::Point| point.time.rsplit(' ').next().unwrap_or_default().to_owned();
    chart.ends(&clock(first), &clock(last));
    let values = trend.points.iter().enumerate();
    let way = chart.plane.curve(values.map(|(i, p)| (i as f64, p.value)));
    chart.svg.path("class=\"way thin\"", &way);
    let Plane { x, y } = chart.plane;
    for (i, point) in trend.points.iter().enumerate() {
        let (x, s) = (x.at(i as f64), sigma(point));
        if s > 0.0 {
            chart.bar(x, y.at((point.value - s).max(0.0)), y.at(point.value + s));
        }
        chart.mark((x, y.at(point.value)), 1, !point.is_retake);
    }
    chart.svg.finish()
}
