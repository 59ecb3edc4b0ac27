//! A number of one bench's instrument from session to session, drawn: each with its standard uncertainty, and where the instrument
//! was rebuilt.

use super::Seen;
use crate::publish::drawing::plane::Plane;
use crate::publish::drawing::svg::escaped;
use crate::publish::numbers;
use crate::report::charts::{Chart, extent};
use crate::terms::{Estimate, Phrases};

/// Upper and lower edge of the plane in the drawing's units.
const PLANE: (f64, f64) = (10.0, 108.0);
/// Letters of a session's name that fit under the plane.
const NAME_LETTERS: usize = 18;

/// The drawing; `values` are those of `seen`, of the same length. Absent for fewer than two values.
pub fn over_sessions(
    (name, unit): (&str, &str),
    seen: &[Seen<'_>],
    values: &[Option<Estimate>],
    t: &Phrases,
) -> Option<String> {
    let known: Vec<(&Seen<'_>, Estimate)> = seen
        .iter()
        .zip(values)
        .filter_map(|(s, value)| Some((s, (*value)?)))
        .filter(|(_, e)| e.value.is_finite() && e.sigma.is_finite())
        .collect();
    let [first, .., last] = known.as_slice() else {
        return None;
    };
    let (_, high) = extent(known.iter().map(|(_, e)| e.value + e.sigma));
    let with_unit = |e| t.n(format!("{}{unit}", text(e)));
    let label = t
        .of("chart.over_sessions")
        .put("what", name)
        .put("n", known.len())
        .put("first", with_unit(first.1))
        .put("last", with_unit(last.1));
    let x = (first.0.place as f64 - 0.4, last.0.place as f64 + 0.4);
    let high = 1.08 * high.max(f64::MIN_POSITIVE);
    let mut chart = Chart::new(PLANE, x, (0.0, high), label, t);
    chart.levels(3);
    let short = |session: &str| {
        let short: String = session.chars().take(NAME_LETTERS).collect();
        escaped(&crate::publish::words::visible(&short))
    };
    chart.ends(&short(first.0.session), &short(last.0.session));
    let rebuilt = known
        .windows(2)
        .filter(|pair| pair[0].0.build != pair[1].0.build);
    for pair in rebuilt {
        chart.upright(pair[1].0.place as f64 - 0.5);
    }
    for same in known.chunk_by(|a, b| a.0.build == b.0.build) {
        let way = same.iter().map(|(s, e)| (s.place as f64, e.value));
        let data = chart.plane.curve(way);
        chart.svg.path("class=\"way thin\"", &data);
    }
    let Plane { x, y } = chart.plane;
    for (s, e) in &known {
        let x = x.at(s.place as f64);
        if e.sigma > 0.0 {
            chart.bar(
                x,
                y.at((e.value - e.sigma).max(0.0)),
                y.at(e.value + e.sigma),
            );
        }
        chart.mark((x, y.at(e.value)), 1, true);
    }
    Some(chart.svg.finish())
}

/// The value as people read it.
fn text(e: Estimate) -> String {
    match e.sigma > 0.0 {
        true => numbers::plus_minus(e),
        false => numbers::sigma_alone(e.value),
    }
}
