//! `instruments.html`: each bench's instrument from session to session, in words and drawings.

use askama::Template;

use super::drawing::over_sessions;
use super::{BenchTerm, JUDGED, Seen};
use crate::publish::{numbers, words};
use crate::report::pages;
use crate::terms::{Estimate, Quantity};

#[derive(Template)]
#[template(path = "instruments.html", config = "src/report/askama.toml")]
struct Page {
    title: String,
    refresh_s: u32,
    benches: Vec<ShownBench>,
}

/// A bench as it is shown.
struct ShownBench {
    name: String,
    class: &'static str,
    /// The state in a few words.
    state: &'static str,
    /// What a person would ask, answered in sentences.
    answers: Vec<String>,
    /// What is drawn, and its drawing.
    drawings: Vec<(&'static str, String)>,
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
pub fn instruments_html(title: &str, term: &[BenchTerm<'_>], refresh_s: u32) -> String {
    let page = Page {
        title: words::visible(title),
        refresh_s,
        benches: term.iter().map(shown).collect(),
    };
    page.render().expect("writing to memory does not fail")
}

fn shown(bench: &BenchTerm<'_>) -> ShownBench {
    let last = bench.seen.last();
    let is_rebuilt = last.is_some_and(|s| !s.changed.is_empty());
    let (class, state) = match last {
        Some(s) if s.worse().next().is_some() => ("c", "Getting worse"),
        Some(_) if is_rebuilt => ("c", "Rebuilt"),
        Some(s) if s.is_compared => ("g", "As it was"),
        _ => ("i", "Nothing to compare with yet"),
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
    let scale = (
        "scale uncertainty",
        " nm",
        of_lamp(Quantity::WavelengthSigmaNm),
    );
    let drawings = judged.chain([scale]).filter_map(|(name, unit, values)| {
        Some((name, over_sessions(name, unit, &bench.seen, &values)?))
    });
    ShownBench {
        name: words::visible(bench.bench),
        class,
        state,
        answers: answers(&bench.seen),
        drawings: drawings.collect(),
        rows: bench.seen.iter().map(row).collect(),
    }
}

/// Has it been rebuilt, is it getting worse?
fn answers(seen: &[Seen<'_>]) -> Vec<String> {
    let mut said: Vec<String> = Vec::new();
    for session in seen.iter().filter(|s| !s.changed.is_empty()) {
        said.push(format!(
            "Rebuilt by {}: {}.",
            session.session,
            session.changed.join(", ")
        ));
    }
    if said.is_empty() && seen.iter().any(|s| s.is_compared) {
        said.push("No rebuilding that can be told.".to_owned());
    }
    let Some(last) = seen.last() else {
        return said;
    };
    let n_told = said.len();
    for (judged, rise) in last.worse() {
        said.push(format!(
            "Getting worse: {} by {}{} a session since it was built so.",
            judged.name,
            numbers::plus_minus(rise),
            judged.unit
        ));
    }
    if said.len() == n_told {
        let is_known = last.rise.iter().any(Option::is_some);
        said.push(match is_known {
            true => "Nothing gets worse by more than three times its uncertainty.".to_owned(),
            false => {
                "Whether it gets worse is told from the third session of one build on.".to_owned()
            }
        });
    }
    said.iter().map(|text| words::visible(text)).collect()
}

fn row(seen: &Seen<'_>) -> ShownRow {
    let [slit, image, tilt, bandpass] = seen.numbers;
    let text = |e: Option<Estimate>| e.map_or("–".to_owned(), numbers::plus_minus);
    let sigma = seen
        .lamp
        .and_then(|r| r.metrics.value(Quantity::WavelengthSigmaNm));
    ShownRow {
        name: words::visible(seen.session),
        href: format!("{}/board.html", pages::href(seen.session)),
        build: seen.build,
        slit: text(slit),
        image: text(image),
        tilt: text(tilt),
        scale: sigma.map_or("–".to_owned(), numbers::within_nm),
        bandpass: text(bandpass),
    }
}
