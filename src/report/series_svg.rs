//! The picture of a dilution series: absorbance by concentration, standards with their uncertainty, the line, unknowns.

use std::fmt::Write;

use super::series::Series;
use crate::publish::files::{numbers, words};

const WIDTH: f64 = 420.0;
const HEIGHT: f64 = 240.0;
const LEFT: f64 = 58.0;
const BOTTOM: f64 = 48.0;
const TOP: f64 = 10.0;
/// Twelve pixels on the smallest phone, which shows the picture 330 pixels wide.
const LETTERS: f64 = 16.0;

/// Inline SVG; absent where there is no line.
pub fn picture(s: &Series<'_>) -> Option<String> {
    let line = s.line.as_ref().ok()?;
    let standards: Vec<_> = s
        .members
        .iter()
        .filter_map(|m| Some((m.stated()?, m.absorbance?)))
        .collect();
    let unknowns: Vec<_> = s
        .members
        .iter()
        .filter_map(|m| Some((m.found.as_ref()?.as_ref().ok()?.value.value, m.absorbance?)))
        .collect();
    let all = || standards.iter().chain(&unknowns);
    let x_top = 1.08 * all().map(|p| p.0).fold(0.0, f64::max);
    let y_top = 1.12 * all().map(|p| p.1.value + p.1.sigma).fold(0.0, f64::max);
    if x_top <= 0.0 || y_top <= 0.0 {
        return None;
    }
    let x = |c: f64| LEFT + (WIDTH - LEFT - 8.0) * c / x_top;
    let y = |a: f64| HEIGHT - BOTTOM - (HEIGHT - BOTTOM - TOP) * (a / y_top).clamp(-0.05, 1.05);
    let mut out = format!(
        "<svg viewBox=\"0 0 {WIDTH} {HEIGHT}\" role=\"img\" aria-label=\"Absorbance by concentration: {} standards, {} unknowns and the line through the standards\" xmlns=\"http://www.w3.org/2000/svg\" font-size=\"{LETTERS}\" fill=\"currentColor\" stroke=\"currentColor\">",
        standards.len(),
        unknowns.len()
    );
    let _ = write!(
        out,
        "<path d=\"M{LEFT} {TOP}V{b}H{r}\" fill=\"none\"/>",
        b = HEIGHT - BOTTOM,
        r = WIDTH - 8.0
    );
    for (low, high, is_x) in [(0.0, x_top, true), (0.0, y_top, false)] {
        let (ticks, decimals) = numbers::ticks(low, high, 5);
        for t in ticks.into_iter().filter(|t| *t >= low && *t <= high) {
            let text = numbers::plain(t, decimals);
            let _ = if is_x {
                write!(
                    out,
                    "<text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"middle\" stroke=\"none\">{text}</text>",
                    x(t),
                    HEIGHT - BOTTOM + 18.0
                )
            } else {
                write!(
                    out,
                    "<text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"end\" stroke=\"none\">{text}</text>",
                    LEFT - 4.0,
                    y(t) + 5.0
                )
            };
        }
    }
    let _ = write!(
        out,
        "<text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"end\" stroke=\"none\">{}</text><text x=\"{LEFT}\" y=\"{TOP}\" dx=\"6\" dy=\"9\" stroke=\"none\">absorbance</text>",
        WIDTH - 8.0,
        HEIGHT - 4.0,
        escaped(&match s.unit {
            "" => "concentration".to_owned(),
            unit => format!("concentration, {unit}"),
        })
    );
    let at = |c: f64| line.intercept.value + line.slope.value * c;
    let _ = write!(
        out,
        "<path d=\"M{:.1} {:.1}L{:.1} {:.1}\" fill=\"none\"/>",
        x(0.0),
        y(at(0.0)),
        x(line.range.1),
        y(at(line.range.1))
    );
    for (points, fill) in [(&standards, "currentColor"), (&unknowns, "none")] {
        for (c, a) in points {
            let _ = write!(
                out,
                "<path d=\"M{cx:.1} {low:.1}V{high:.1}\"/><circle cx=\"{cx:.1}\" cy=\"{cy:.1}\" r=\"4\" fill=\"{fill}\"/>",
                cx = x(*c),
                cy = y(a.value),
                low = y(a.value - a.sigma),
                high = y(a.value + a.sigma)
            );
        }
    }
    out += "</svg>";
    Some(out)
}

/// Text as it may stand between tags.
fn escaped(text: &str) -> String {
    words::visible(text)
        .replace('&', "&amp;")
        .replace('<', "&lt;")
        .replace('>', "&gt;")
}
