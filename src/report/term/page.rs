//! `instruments.html`: each bench's instrument from session to session, in words and drawings.

use askama::Template;

use super::drawing::over_sessions;
use super::{BenchTerm, JUDGED, Seen};
use crate::publish::{numbers, public, words};
use crate::terms::{Estimate, Phrases, Quantity};

#[derive(Template)]
#[template(path = "instruments.html", config = "src/report/askama.toml")]
struct Page<'a> {
    t: &'a Phrases,
    title: String,
    refresh_s: u32,
    benches: Vec<ShownBench>,
}

/// A bench as it is shown.
struct ShownBench {
    name: String,
    class: &'static str,
    /// The state in a few words.
    state: String,
    /// What a person would ask, answered in sentences.
    answers: Vec<String>,
    /// What is drawn, and its drawing.
    drawings: Vec<(String, String)>,
    /// Its sessions: name, page, build, numbers.
    rows: Vec<ShownRow>,
}

/// A bench's session in the table.
struct ShownRow {
    name: String,
    href: String,
    build: usize,
    slit: String,
    image: String,
    tilt: String,
    scale: String,
    bandpass: String,
}

/// The page: benches by name.
pub fn instruments_html(
    title: &str,
    term: &[BenchTerm<'_>],
    refresh_s: u32,
    t: &Phrases,
) -> String {
    let page = Page {
        t,
        title: words::visible(title),
        refresh_s,
        benches: term.iter().map(|bench| shown(bench, t)).collect(),
    };
    page.render().expect("writing to memory does not fail")
}

fn shown(bench: &BenchTerm<'_>, t: &Phrases) -> ShownBench {
    let last = bench.seen.last();
    let is_rebuilt = last.is_some_and(|s| !s.changed.is_empty());
    let (class, state) = match last {
        Some(s) if s.worse().next().is_some() => ("c", "instruments.worse"),
        Some(_) if is_rebuilt => ("c", "instruments.rebuilt"),
        Some(s) if s.is_compared => ("g", "instruments.as_it_was"),
        _ => ("i", "instruments.nothing"),
    };
    let of_lamp = |quantity: Quantity| {
        let values = bench.seen.iter().map(move |s| {
            let value = s.lamp?.metrics.value(quantity)?;
            Some(Estimate::new(value, 0.0))
        });
        values.collect::<Vec<_>>()
    };
    let judged = JUDGED.iter().enumerate().map(|(k, judged)| {
        let values: Vec<_> = bench.seen.iter().map(|s| s.numbers[k]).collect();
        (judged.name, judged.unit, values)
    });
    let scale = ("trend.scale", " nm", of_lamp(Quantity::WavelengthSigmaNm));
    let drawings = judged.chain([scale]).filter_map(|(name, unit, values)| {
        let name = t.say(name);
        let drawing = over_sessions((&name, unit), &bench.seen, &values, t)?;
        Some((name, drawing))
    });
    ShownBench {
        name: words::visible(bench.bench),
        class,
        state: t.say(state),
        answers: answers(&bench.seen, t),
        drawings: drawings.collect(),
        rows: bench.seen.iter().map(|seen| row(seen, t)).collect(),
    }
}

/// Has it been rebuilt, is it getting worse?
fn answers(seen: &[Seen<'_>], t: &Phrases) -> Vec<String> {
    let mut said: Vec<String> = Vec::new();
    for session in seen.iter().filter(|s| !s.changed.is_empty()) {
        let changed: Vec<String> = session.changed.iter().map(|what| t.told(what)).collect();
        let text = t
            .of("instruments.rebuilt_by")
            .put("session", session.session);
        said.push(text.put("what", changed.join(", ")).to_string());
    }
    if said.is_empty() && seen.iter().any(|s| s.is_compared) {
        said.push(t.say("instruments.not_rebuilt"));
    }
    let Some(last) = seen.last() else {
        return said;
    };
    let n_told = said.len();
    for (judged, rise) in last.worse() {
        let rise = t.n(format!("{}{}", numbers::plus_minus(rise), judged.unit));
        let text = t.of("instruments.worse_by").put("what", t.say(judged.name));
        said.push(text.put("rise", rise).to_string());
    }
    if said.len() == n_told {
        let is_known = last.rise.iter().any(Option::is_some);
        said.push(match is_known {
            true => t.say("instruments.not_worse"),
            false => t.say("instruments.not_known"),
        });
    }
    said.iter().map(|text| words::visible(text)).collect()
}

fn row(seen: &Seen<'_>, t: &Phrases) -> ShownRow {
    let [slit, image, tilt, bandpass] = seen.numbers;
    let text = |e: Option<Estimate>| e.map_or("–".to_owned(), |e| t.n(numbers::plus_minus(e)));
    let sigma = seen
        .lamp
        .and_then(|r| r.metrics.value(Quantity::WavelengthSigmaNm));
    ShownRow {
        name: words::visible(seen.session),
        href: format!("{}/board.html", public::href(seen.session)),
        build: seen.build,
        slit: text(slit),
        image: text(image),
        tilt: text(tilt),
        scale: sigma.map_or("–".to_owned(), |nm| t.n(numbers::within_nm(nm))),
        bandpass: text(bandpass),
    }
}
