//! The picture of a dilution series: absorbance by concentration, standards with their uncertainty, the line with its band, each
//! unknown's photos with the interval of its concentration.

use super::series::Series;
use crate::answers::series::Concentration;
use crate::publish::drawing::plane::{Axis, Plane};
use crate::publish::drawing::svg::{Svg, escaped};
use crate::terms::{Estimate, Phrases};

const WIDTH: f64 = 420.0;
const HEIGHT: f64 = 240.0;
const LEFT: f64 = 58.0;
const RIGHT: f64 = WIDTH - 8.0;
const TOP: f64 = 10.0;
const BOTTOM: f64 = HEIGHT - 48.0;
/// Twelve pixels on the smallest phone, which shows the picture 330 pixels wide.
const LETTERS: f64 = 16.0;
/// Steps in which the band's bent edges are drawn.
const BAND_STEPS: u32 = 24;

/// Inline SVG; absent where there is no line.
pub fn picture(s: &Series<'_>, t: &Phrases) -> Option<String> {
    let line = s.line.as_ref().ok()?;
    let standards: Vec<(f64, Estimate)> = s.members.iter().filter_map(|m| m.standard()).collect();
    let found: Vec<(Concentration, Estimate)> = s
        .members
        .iter()
        .filter_map(|m| Some((*m.found.as_ref()?.as_ref().ok()?, m.absorbance?)))
        .collect();
    let unknowns: Vec<(f64, Estimate)> = found.iter().map(|(c, a)| (c.value.value, *a)).collect();
    let all = || standards.iter().chain(&unknowns);
    let ends = all().map(|p| p.0).chain(found.iter().map(|f| f.0.high));
    let x_top = 1.08 * ends.fold(0.0, f64::max);
    let y_top = 1.12 * all().map(|p| p.1.value + p.1.sigma).fold(0.0, f64::max);
    if x_top <= 0.0 || y_top <= 0.0 {
        return None;
    }
    let plane = Plane {
        x: Axis::new(0.0, x_top, (LEFT, RIGHT)),
        y: Axis {
            beyond: 0.05,
            ..Axis::new(0.0, y_top, (BOTTOM, TOP))
        },
    };
    let label = t.of("chart.series").put("standards", standards.len());
    let label = escaped(&label.put("unknowns", unknowns.len()).to_string());
    let mut svg = Svg::new(
        format!(
            "<svg viewBox=\"0 0 {WIDTH} {HEIGHT}\" role=\"img\" aria-label=\"{label}\" xmlns=\"http://www.w3.org/2000/svg\" font-size=\"{LETTERS}\" fill=\"currentColor\" stroke=\"currentColor\">"
        ),
        "",
    );
    svg.add(format_args!(
        "<path d=\"M{LEFT} {TOP}V{BOTTOM}H{RIGHT}\" fill=\"none\"/>"
    ));
    let mut text = |x: f64, y: f64, anchor: &str, words: &str| {
        svg.add(format_args!(
            "<text x=\"{x:.1}\" y=\"{y:.1}\" text-anchor=\"{anchor}\" stroke=\"none\">{}</text>",
            escaped(words)
        ));
    };
    for (x, value) in plane.x.marks(5) {
        text(x, BOTTOM + 18.0, "middle", &t.n(value));
    }
    for (y, value) in plane.y.marks(5) {
        text(LEFT - 4.0, y + 5.0, "end", &t.n(value));
    }
    let concentration = match s.unit {
        "" => t.say("chart.concentration"),
        unit => format!("{}, {unit}", t.say("chart.concentration")),
    };
    text(RIGHT, HEIGHT - 4.0, "end", &concentration);
    let absorbance = escaped(&t.say("page.absorbance"));
    svg.add(format_args!(
        "<text x=\"{LEFT}\" y=\"{TOP}\" dx=\"6\" dy=\"9\" stroke=\"none\">{absorbance}</text>"
    ));
    let steps = (0..=BAND_STEPS).map(|i| line.range.1 * f64::from(i) / f64::from(BAND_STEPS));
    svg.path(
        "class=\"band\" fill-opacity=\"0.18\" stroke=\"none\"",
        &plane.band(line.band(steps)),
    );
    let ends = [0.0, line.range.1].map(|c| (c, line.intercept.value + line.slope.value * c));
    let data = plane.curve(ends);
    svg.add(format_args!("<path d=\"{data}\" fill=\"none\"/>"));
    for (points, fill) in [(&standards, "currentColor"), (&unknowns, "none")] {
        for (c, a) in points {
            let (x, y) = (plane.x.at(*c), plane.y.at(a.value));
            let (low, high) = (plane.y.at(a.value - a.sigma), plane.y.at(a.value + a.sigma));
            svg.add(format_args!(
                "<path d=\"M{x:.1} {low:.1}V{high:.1}\"/><circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"4\" fill=\"{fill}\"/>"
            ));
        }
    }
    // Of an unknown the interval is that of its concentration: it lies, where a standard's stands.
    for (c, a) in &found {
        let [low, high] = [c.low, c.high].map(|end| plane.x.at(end));
        let (y, foot) = (plane.y.at(a.value), plane.y.at(0.0).min(BOTTOM));
        let x = plane.x.at(c.value.value);
        svg.add(format_args!(
            "<path class=\"interval\" d=\"M{low:.1} {y:.1}H{high:.1}M{low:.1} {:.1}v8M{high:.1} {:.1}v8\" fill=\"none\"/><path d=\"M{x:.1} {y:.1}V{foot:.1}\" fill=\"none\" stroke-dasharray=\"3 4\"/>",
            y - 4.0,
            y - 4.0
        ));
    }
    Some(svg.finish())
}
