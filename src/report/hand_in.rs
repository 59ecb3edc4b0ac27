//! A bench's hand-in: one page with everything in it, pictures too, that prints on at most four sheets of A4. Who, what was
//! photographed, the instrument, spectra, answers and how they were come by, room for what the students make of it, and what all
//! of it was made from.

use std::collections::{BTreeMap, BTreeSet};

use askama::Template;
use base64::Engine;
use base64::prelude::BASE64_STANDARD;

use super::bench::gauges;
use super::pages::{self, ShownPhoto};
use super::shown::{self, Shown};
use super::standing::{BenchStanding, Class, Health};
use super::{charts, panel, settled};
use crate::answers::references::REFERENCES;
use crate::classify::stated::Stated;
use crate::publish::record::Record;
use crate::publish::{files, words};
use crate::terms::{Capture, Phrases, Verdict};

/// So many spectra stand on a sheet, and no more are shown.
const MOST_SPECTRA: usize = 6;
/// So many photos are listed; of the rest only their number.
const MOST_LISTED: usize = 20;
/// Letters of a hash that are printed: enough to tell two files apart.
const HASH_SHOWN: usize = 16;

/// What a hand-in is made from.
pub struct HandIn<'a> {
    /// Name of the class, and of the session where there are any.
    pub title: &'a str,
    /// Every photo of the bench.
    pub photos: &'a [Shown<'a>],
    /// Who works at it; may be empty.
    pub people: &'a [String],
    /// Concentrations that are stated of photos by name.
    pub stated: &'a Stated,
    /// What is read on it.
    pub phrases: &'a Phrases,
    /// Reads a published file of a photo: the photo's folder and the file's name.
    pub read: &'a dyn Fn(&str, &str) -> Option<Vec<u8>>,
}

#[derive(Template)]
#[template(path = "hand_in.html", config = "src/report/askama.toml")]
struct Page<'a> {
    t: &'a Phrases,
    title: String,
    name: String,
    people: Vec<String>,
    from: String,
    to: String,
    health: String,
    health_class: &'static str,
    why: String,
    gauges: Vec<(String, String)>,
    residuals: Option<String>,
    /// The lamp photo behind the scale, drawn over: its name and its picture.
    lamp: Option<(String, String)>,
    listed: Vec<Listed>,
    n_more: usize,
    spectra: Vec<Drawn>,
    n_spectra_more: usize,
    answers: String,
    methods: Vec<(String, String)>,
    made_from: Vec<(String, String)>,
}

/// A photo in the list.
struct Listed {
    shown: ShownPhoto,
    /// What is wrong with it; empty for a good one.
    what: String,
    scale: String,
}

/// A spectrum as it is drawn.
struct Drawn {
    label: String,
    photo: String,
    alt: String,
    /// The picture, as an address that holds it.
    picture: String,
}

/// The page of one bench; nothing where it has no photos. It has no clock: photos, people and stated concentrations determine it.
pub fn hand_in_html(inputs: &HandIn<'_>) -> Option<String> {
    let (photos, t) = (inputs.photos, inputs.phrases);
    let settled = settled::settled(photos.iter().map(|shown| shown.record), inputs.stated);
    let class = Class::of(photos, &settled);
    let bench = class.benches.first()?;
    let spectrum = |shown: &Shown<'_>| (inputs.read)(shown.folder, files::SPECTRUM_CSV);
    let found = panel::Found::of(photos, inputs.stated, spectrum);
    let (health, reason) = bench.health();
    let (health_class, health) = match health {
        Health::Sound => ("g", t.say("health.sound")),
        Health::Look => ("c", t.say("health.remark")),
        Health::Mend => ("r", t.say("health.mend")),
        Health::Unseen => ("i", t.say("health.not_seen")),
    };
    let scale = bench.scale();
    let residuals = scale.and_then(|(_, c)| charts::residuals(c, t));
    let lamp = scale.and_then(|(_, c)| lamp_picture(bench, c.photo.as_deref()?, inputs));
    let mut times = bench
        .photos
        .iter()
        .filter_map(|s| s.record.taken.as_deref());
    let (from, to) = (times.clone().next(), times.next_back());
    let last = last_of_each(bench);
    let is_drawn = |s: &&Shown<'_>| {
        let kind = s.record.capture;
        s.has_spectrum && matches!(kind, Some(Capture::Sample | Capture::Blank))
    };
    let drawn: Vec<&Shown<'_>> = last.iter().filter(is_drawn).collect();
    let shown = drawn.iter().take(MOST_SPECTRA);
    let page = Page {
        t,
        title: words::visible(inputs.title),
        name: words::visible(&bench.name),
        people: inputs
            .people
            .iter()
            .map(|who| words::visible(who))
            .collect(),
        from: pages::when(from),
        to: pages::when(to.filter(|to| Some(*to) != from)),
        health,
        health_class,
        why: reason.map_or_else(String::new, |reason| t.trouble(reason.code)),
        gauges: gauges(bench, t),
        residuals,
        lamp,
        listed: listed(bench, t),
        n_more: bench.photos.len().saturating_sub(MOST_LISTED),
        spectra: shown.filter_map(|s| picture(s, inputs)).collect(),
        n_spectra_more: drawn.len().saturating_sub(MOST_SPECTRA),
        answers: panel::panel(&bench.name, &last, &found, (false, t)),
        methods: REFERENCES
            .iter()
            .map(|(what, source)| (t.told(what), t.told(source)))
            .collect(),
        made_from: made_from(bench, t),
    };
    Some(page.render().expect("writing to memory does not fail"))
}

/// A picture as an address that holds it (RFC 2397).
fn held(media_type: &str, bytes: &[u8]) -> String {
    format!("data:{media_type};base64,{}", BASE64_STANDARD.encode(bytes))
}

fn lamp_picture(
    bench: &BenchStanding<'_>,
    photo: &str,
    inputs: &HandIn<'_>,
) -> Option<(String, String)> {
    let lamp = bench.photos.iter().find(|s| s.record.photo == photo)?;
    let png = (inputs.read)(lamp.folder, files::OVERLAY_PNG)?;
    let name = words::visible(lamp.record.file_name());
    Some((name, held("image/png", &png)))
}

/// Of each thing photographed the last usable photo, as they were taken.
fn last_of_each<'a>(bench: &BenchStanding<'a>) -> Vec<Shown<'a>> {
    let mut last: BTreeMap<(Option<Capture>, &str), usize> = BTreeMap::new();
    let usable = bench.photos.iter().filter(|s| s.record.is_usable());
    let photos: Vec<Shown<'a>> = usable.copied().collect();
    for (i, shown) in photos.iter().enumerate() {
        let of = (shown.record.capture, shown::subject(&shown.record.label));
        last.insert(of, i);
    }
    let kept: BTreeSet<usize> = last.into_values().collect();
    kept.into_iter().map(|i| photos[i]).collect()
}

fn picture(shown: &Shown<'_>, inputs: &HandIn<'_>) -> Option<Drawn> {
    let svg = (inputs.read)(shown.folder, files::SPECTRUM_SVG)?;
    let photo = ShownPhoto::new(shown, "", inputs.phrases);
    Some(Drawn {
        label: words::visible(&shown.record.label),
        photo: photo.photo,
        alt: photo.spectrum_alt,
        picture: held("image/svg+xml", &svg),
    })
}

fn listed(bench: &BenchStanding<'_>, t: &Phrases) -> Vec<Listed> {
    let photos = bench.photos.iter().take(MOST_LISTED);
    let listed = photos.map(|s| {
        let shown = ShownPhoto {
            again: bench.again(s).map(pages::again).unwrap_or_default(),
            ..ShownPhoto::new(s, &bench.folder, t)
        };
        let is_good = shown.verdict == Verdict::Good;
        Listed {
            what: if is_good {
                String::new()
            } else {
                shown.what.clone()
            },
            scale: t.n(scale_of(s.record)),
            shown,
        }
    });
    listed.collect()
}

/// How well a photo's wavelengths are known, in words; empty where it has none.
fn scale_of(record: &Record) -> String {
    let sigma = record.scale_sigma_nm().filter(|_| record.is_usable());
    sigma.map_or(String::new(), crate::publish::numbers::within_nm)
}

/// Programs, settings and photos that the usable results were made from, each once.
fn made_from(bench: &BenchStanding<'_>, t: &Phrases) -> Vec<(String, String)> {
    let records = || bench.records();
    let short = |hash: &str| hash.chars().take(HASH_SHOWN).collect::<String>();
    let each = |of: &dyn Fn(&Record) -> String| {
        let all: BTreeSet<String> = records().map(of).collect();
        all.into_iter().collect::<Vec<String>>().join(", ")
    };
    let mut rows = vec![
        (
            t.say("hand_in.version"),
            each(&|r| r.provenance.version.clone()),
        ),
        (
            t.say("hand_in.settings"),
            each(&|r| short(&r.provenance.configuration_hash)),
        ),
    ];
    let behind: BTreeSet<&str> = records()
        .filter_map(|r| r.calibration.as_ref()?.photo.as_deref())
        .collect();
    let lamps = records().filter(|r| behind.contains(r.photo.as_str()));
    rows.extend(lamps.map(|r| {
        let name = words::visible(r.file_name());
        (name, short(&r.provenance.photo_hash))
    }));
    let retaken = records().filter(|r| r.verdict == Verdict::Retake).count();
    if retaken > 0 {
        rows.push((
            t.say("hand_in.not_used"),
            t.of("hand_in.retaken").put("n", retaken).to_string(),
        ));
    }
    rows
}
