//! `instruments.js`: what each bench's instrument was in each session, for the page of a bench that has no lamp photo yet.
//!
//! A script beside the list of sessions, and not a part of the session's page: sessions are made apart from each other, on several
//! machines if need be, and no page of one may hang on what another has just found.

use serde::Serialize;

use super::{BenchTerm, JUDGED, Seen, in_order};
use crate::publish::record::Record;
use crate::publish::{numbers, words};
use crate::terms::{Phrases, Quantity};

/// What the script hands over.
#[derive(Serialize)]
struct All<'a> {
    /// Folders of the sessions, in their order.
    sessions: Vec<&'a str>,
    /// Benches by name, each session by session.
    seen: Vec<Shown<'a>>,
}

#[derive(Serialize)]
struct Shown<'a> {
    bench: String,
    session: &'a str,
    /// In words.
    numbers: String,
}

/// The script. Sessions whose photos say nothing of a bench's instrument are left out.
pub fn instruments_js(
    sessions: Vec<(&str, Vec<&Record>)>,
    term: &[BenchTerm<'_>],
    t: &Phrases,
) -> String {
    let seen = term.iter().flat_map(|bench| {
        bench.seen.iter().filter_map(|seen| {
            Some(Shown {
                bench: words::visible(bench.bench),
                session: seen.session,
                numbers: in_words(seen, t)?,
            })
        })
    });
    let all = All {
        seen: seen.collect(),
        sessions: in_order(sessions).iter().map(|s| s.0).collect(),
    };
    let json = serde_json::to_string(&all).expect("texts and lists");
    format!("slitwatchInstruments({json});\n")
}

fn in_words(seen: &Seen<'_>, t: &Phrases) -> Option<String> {
    let lamp = seen.lamp?;
    let judged = JUDGED.iter().zip(seen.numbers);
    let judged = judged.filter_map(|(judged, number)| {
        let number = t.n(numbers::plus_minus(number?));
        Some(format!("{} {number}{}", t.say(judged.name), judged.unit))
    });
    let sampling = lamp.metrics.value(Quantity::NmPerPx);
    let sampling = sampling.map(|nm| {
        let nm = t.n(numbers::plain(nm, 3));
        format!("{} {nm} nm/px", t.say("gauge.sampling"))
    });
    Some(judged.chain(sampling).collect::<Vec<_>>().join(", "))
}
