//! `board.html`: the class on the projector. What needs somebody now comes first, then the instruments, then progress.

use std::collections::BTreeSet;

use askama::Template;

use super::pages;
use super::shown::Inputs;
use super::standing::{BenchStanding, Class, Health};
use crate::classify::{Owned, notices};
use crate::publish::record::Record;
use crate::publish::{numbers, public, words};
use crate::terms::{Phrases, Quantity, Verdict};

/// Calls of one bench that are spelled out; the rest stand on its own page.
const MOST_CALLS: usize = 3;

/// Of these the first are told with their remedy: nobody mends three things at once, and the class must fit on the wall.
const MOST_FULL_CALLS: usize = 2;

/// Photos of one bench that are named as taken again; all stand on its own page.
const MOST_AGAIN: usize = 3;

/// Things still to be photographed that are named of one bench; all stand on its own page.
const MOST_MISSING: usize = 4;

/// Benches whose cards fill a projector at full size (1920 by 1080 px: three rows of three).
const MOST_LARGE_CARDS: usize = 9;

/// Instruments that a wall shows with all their numbers beside what is to be done: two rows of three.
const MOST_ROOMY: usize = 6;

#[derive(Template)]
#[template(path = "board.html", config = "src/report/askama.toml")]
struct Board<'a> {
    t: &'a Phrases,
    title: String,
    heading: String,
    refresh_s: u32,
    now: Option<&'a str>,
    /// When the class ends; absent where nothing says so.
    ends_at: Option<&'a str>,
    /// Share of the photos that are usable, percent.
    level: usize,
    usable: usize,
    all: usize,
    /// State letter, number and word of each verdict that there is.
    tally: Vec<(&'static str, usize, String)>,
    calls: Vec<BenchCalls>,
    /// True where so many benches call that their cards must be small.
    crowded: bool,
    fleet: Vec<Ship>,
    /// True where so many instruments are there that a wall shows less of each.
    compact: bool,
    /// Of each bench the photos that were taken again, each with the photo that settled it, newest first; and how many more.
    again: Vec<(Vec<(String, String)>, usize)>,
    /// State letter and record of photos without a bench.
    strays: Vec<(&'static str, &'a Record)>,
    /// Files that are left alone, slates aside.
    ignored: usize,
    /// Slates that were read.
    slates: usize,
    /// How many photos a person has decided about, and who; may be empty.
    decided: String,
    /// What is odd about benches and their phones.
    notices: Vec<String>,
}

/// A bench that needs somebody.
pub(super) struct BenchCalls {
    class: &'static str,
    pub(super) name: String,
    href: String,
    pub(super) calls: Vec<Call>,
    pub(super) more: usize,
}

pub(super) struct Call {
    pub(super) shown: pages::ShownPhoto,
    /// Further photos with the same remedy.
    pub(super) others: usize,
    /// True where only the heading is shown: one thing after the other.
    is_brief: bool,
}

/// One instrument.
struct Ship {
    class: &'static str,
    name: String,
    href: String,
    scale_href: String,
    state: String,
    scale: String,
    slit: String,
    bandpass: String,
    hoist: Vec<&'static str>,
    counts: String,
    /// State letter and words of what the bench has to do first; absent for nothing.
    due: Option<(&'static str, String)>,
    /// How many things the bench has still to photograph, and the first of them.
    to_come: usize,
    missing: Vec<String>,
}

/// The board.
pub fn board_html(class: &Class<'_>, inputs: &Inputs<'_>) -> String {
    let t = inputs.phrases;
    let count = |verdict: Verdict| {
        let strays = class.strays.iter().filter(|s| s.record.verdict == verdict);
        let of_benches = class.benches.iter().map(|b| b.count(verdict));
        of_benches.sum::<usize>() + strays.count()
    };
    let shown = [
        Verdict::Retake,
        Verdict::Unreadable,
        Verdict::Caution,
        Verdict::Waiting,
        Verdict::Good,
    ];
    let tally = pages::tally(&shown, count, t);
    let all: usize = tally.iter().map(|(_, n, _)| n).sum();
    let usable = count(Verdict::Good) + count(Verdict::Caution);
    let calls = all_calls(class, t);
    let mut fleet: Vec<Ship> = class.benches.iter().map(|b| ship(b, inputs)).collect();
    for ship in &mut fleet {
        let own = calls.iter().find(|c| c.href == ship.href);
        let first = own.and_then(|own| Some((own.class, own.calls.first()?.shown.what.clone())));
        ship.due = first;
    }
    let strays = class
        .strays
        .iter()
        .map(|s| (pages::class(s.record.verdict), s.record));
    let (ignored, strays): (Vec<_>, Vec<_>) =
        strays.partition(|(_, record)| record.verdict == Verdict::Ignored);
    let of_benches = class.benches.iter().flat_map(|b| &b.ignored);
    let ignored = of_benches
        .map(|s| s.record)
        .chain(ignored.into_iter().map(|(_, record)| record));
    let (slates, ignored): (Vec<_>, Vec<_>) = ignored.partition(|record| record.is_read_slate());
    let benches_calling = calls.iter().filter(|c| c.class != "w").count();
    let board = Board {
        t,
        title: words::visible(inputs.title),
        heading: match benches_calling {
            0 => t.say("board.none_to_retake"),
            n => t.count("board.to_retake", n).to_string(),
        },
        refresh_s: inputs.refresh_s,
        now: inputs.now.as_deref(),
        ends_at: inputs.expected.ends_at.as_deref(),
        // Rounded down: full means every photo.
        level: (100 * usable).checked_div(all).unwrap_or(0),
        usable,
        all,
        tally,
        crowded: calls.len() > MOST_LARGE_CARDS,
        calls,
        compact: fleet.len() > MOST_ROOMY,
        fleet,
        again: class.benches.iter().filter_map(again).collect(),
        strays,
        ignored: ignored.len(),
        slates: slates.len(),
        decided: decided(inputs),
        notices: nobody_yet(class, inputs)
            .into_iter()
            .chain(odd(inputs))
            .collect(),
    };
    board.render().expect("writing to memory does not fail")
}

/// What each bench must do, worst first; one that is not there has nothing to do.
pub(super) fn all_calls(class: &Class<'_>, t: &Phrases) -> Vec<BenchCalls> {
    let mut needing: Vec<&BenchStanding<'_>> = class.benches.iter().collect();
    // Whoever has no scale holds up everything else of that bench.
    needing.sort_by_key(|b| b.scale().is_some());
    let mut calls: Vec<BenchCalls> = needing.iter().filter_map(|b| retakes(b, t)).collect();
    calls.extend(class.benches.iter().filter_map(|b| waits(b, t)));
    calls
}

/// Benches of which something is expected, and that have sent nothing, in a sentence; absent for none.
fn nobody_yet(class: &Class<'_>, inputs: &Inputs<'_>) -> Option<String> {
    let has_sent = |name: &&str| {
        class
            .benches
            .iter()
            .any(|b| b.name.to_lowercase() == **name)
    };
    let mut silent = inputs.expected.benches();
    silent.retain(|name| !has_sent(name));
    let names = words::visible(&silent.join(", "));
    let said = inputs.phrases.of("board.nothing_from").put("names", names);
    (!silent.is_empty()).then(|| said.to_string())
}

/// What is odd about benches and their phones, in sentences.
fn odd(inputs: &Inputs<'_>) -> Vec<String> {
    let photos = inputs.photos.iter().map(|s| Owned {
        photo: &s.record.photo,
        bench: &s.record.bench,
        phone: s.record.capture.and(s.record.phone.as_deref()),
        is_bench_told: s.record.is_bench_told(),
        is_of_alike_phones: s.record.is_of_alike_phones(),
    });
    let said = notices(photos).into_iter();
    said.map(|said| words::visible(&inputs.phrases.told(&said)))
        .collect()
}

/// How many photos a person has decided about, and who, in words; empty for none.
fn decided(inputs: &Inputs<'_>) -> String {
    let by = inputs.photos.iter().filter_map(|s| s.record.decided_by());
    let by: Vec<String> = by.map(words::visible).collect();
    let names: BTreeSet<&str> = by.iter().map(String::as_str).collect();
    let names: Vec<&str> = names.into_iter().collect();
    match by.len() {
        0 => String::new(),
        n => {
            let said = inputs.phrases.count("board.decided_by", n);
            said.put("who", names.join(", ")).to_string()
        }
    }
}

fn page_of(bench: &BenchStanding<'_>) -> String {
    format!("{}/index.html", public::href(&bench.folder))
}

fn retakes(bench: &BenchStanding<'_>, t: &Phrases) -> Option<BenchCalls> {
    let all = bench.calls();
    let class = pages::class(all.first()?.record.verdict);
    let mut calls: Vec<Call> = Vec::new();
    for shown in all {
        let shown = pages::ShownPhoto::new(shown, &bench.folder, t);
        let remedy = |s: &pages::ShownPhoto| (s.class, s.what.clone(), s.advice.clone());
        let same = calls
            .iter_mut()
            .find(|c| remedy(&c.shown) == remedy(&shown));
        match same {
            // One remedy for several photos is said once.
            Some(call) => call.others += 1,
            None => calls.push(Call {
                shown,
                others: 0,
                is_brief: calls.len() >= MOST_FULL_CALLS,
            }),
        }
    }
    let more = calls.iter().skip(MOST_CALLS).map(|c| 1 + c.others).sum();
    calls.truncate(MOST_CALLS);
    Some(BenchCalls {
        class,
        name: words::visible(&bench.name),
        href: page_of(bench),
        calls,
        more,
    })
}

/// A bench whose photos wait for a scale, and that has no lamp photo to take again, has to be told.
fn waits(bench: &BenchStanding<'_>, t: &Phrases) -> Option<BenchCalls> {
    let waiting = bench.count(Verdict::Waiting);
    if waiting == 0 || bench.scale().is_some() || !bench.calls().is_empty() {
        return None;
    }
    let first = bench
        .photos
        .iter()
        .find(|s| s.record.verdict == Verdict::Waiting)?;
    Some(BenchCalls {
        class: "w",
        name: words::visible(&bench.name),
        href: page_of(bench),
        calls: vec![Call {
            shown: pages::ShownPhoto {
                what: t.count("board.waits", waiting).to_string(),
                advice: t.say("board.waits_do"),
                measured: String::new(),
                ..pages::ShownPhoto::new(first, &bench.folder, t)
            },
            others: 0,
            is_brief: false,
        }],
        more: 0,
    })
}

fn ship(bench: &BenchStanding<'_>, inputs: &Inputs<'_>) -> Ship {
    let t = inputs.phrases;
    let (health, reason) = bench.health();
    let trouble = reason.map(|r| t.trouble(r.code));
    let (class, state) = match health {
        Health::Sound => ("g", t.say("board.sound")),
        Health::Look => ("c", trouble.unwrap_or_else(|| t.say("board.look"))),
        Health::Mend => (
            "r",
            t.of("board.fix")
                .put("what", trouble.unwrap_or_default())
                .to_string(),
        ),
        Health::Unseen => ("i", t.say("board.unseen")),
    };
    let bandpass = bench.bandpass().map_or("–".to_owned(), |metric| {
        let unit = Quantity::BandpassNm.unit();
        t.n(format!("{} {unit}", numbers::about(metric.value)))
    });
    let scale = bench.scale().map_or_else(
        || t.say("page.none"),
        |(record, _)| {
            let sigma = record.scale_sigma_nm();
            sigma.map_or_else(|| t.say("page.set"), |nm| t.n(numbers::within_nm(nm)))
        },
    );
    let hoist: Vec<&'static str> = bench
        .photos
        .iter()
        .map(|s| pages::class(s.record.verdict))
        .collect();
    let tally = pages::tally(Verdict::ALL, |v| bench.count(v), t);
    let counts = tally.iter().map(|(_, n, word)| format!("{n} {word}"));
    let counts: Vec<String> = counts.collect();
    Ship {
        class,
        name: words::visible(&bench.name),
        href: page_of(bench),
        scale_href: format!("{}/calibration.html", public::href(&bench.folder)),
        state,
        scale,
        slit: bench.slit().map_or("–".to_owned(), |slit| {
            t.n(format!("{} µm", numbers::plus_minus(slit.width())))
        }),
        bandpass,
        hoist,
        counts: if counts.is_empty() {
            t.say("board.no_photos")
        } else {
            counts.join(", ")
        },
        due: None,
        to_come: bench.missing(inputs.expected).len(),
        missing: missing(bench, inputs),
    }
}

/// What a bench has still to photograph: the first of it, and how much more.
fn missing(bench: &BenchStanding<'_>, inputs: &Inputs<'_>) -> Vec<String> {
    let all = bench.missing(inputs.expected);
    let more = all.len().saturating_sub(MOST_MISSING);
    let named = all.iter().take(MOST_MISSING);
    let mut missing: Vec<String> = named
        .map(|thing| words::visible(&inputs.phrases.told(thing)))
        .collect();
    missing.extend((more > 0).then(|| inputs.phrases.of("page.more").put("n", more).to_string()));
    missing
}

/// The photos of a bench that were taken again, each with the photo that settled it, newest first; and how many more.
fn again(bench: &BenchStanding<'_>) -> Option<(Vec<(String, String)>, usize)> {
    let newest_first = bench.photos.iter().rev();
    let mut again: Vec<(String, String)> = newest_first
        .filter_map(|s| Some((pages::again(&s.record.photo), pages::again(bench.again(s)?))))
        .collect();
    let more = again.len().saturating_sub(MOST_AGAIN);
    again.truncate(MOST_AGAIN);
    (!again.is_empty()).then_some((again, more))
}
