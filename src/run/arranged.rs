//! The photos of one session, or of the class, beside each other: which folder each gets, which is a better form of which,
//! and what the inbox as a whole says about them.

use std::collections::BTreeMap;

use crate::arrive::listing::Rel;
use crate::lab::{Form, better_forms};
use crate::pair::Shot;
use crate::publish::names;
use crate::terms::Capture;

use super::governed::{Deciding, govern};
use super::job::Fate;
use super::known::Known;

/// Gives the photos of one session, or of the class, their folders and circumstances, and decides on them by slates.
pub fn arrange_one(
    session: Option<&str>,
    deciding: &Deciding<'_>,
    photos: &mut [(&Rel, &mut Known)],
) {
    photos
        .iter_mut()
        .for_each(|(_, photo)| photo.forget_slates());
    // The order of the shown paths decides, and not that of the bytes: they differ where names are not UTF-8.
    photos.sort_by(|(_, a), (_, b)| a.shown.cmp(&b.shown));
    let forms: Vec<Option<Form>> = photos.iter().map(|(_, photo)| photo.form()).collect();
    let better = better_forms(&forms);
    govern(deciding, &better, photos);
    let paths: Vec<&Rel> = photos.iter().map(|(path, _)| *path).collect();
    for ((_, photo), better) in photos.iter_mut().zip(better) {
        photo.better = better.map(|i| paths[i].clone());
    }
    let below = photos.iter();
    let places = names::assign(below.map(|(_, p)| (deciding.sessions.below(&p.shown), p.bench())));
    let within = |inner: &str| match session {
        Some(session) => format!("{session}/{inner}"),
        None => inner.to_owned(),
    };
    let mut first_with: BTreeMap<String, String> = BTreeMap::new();
    for ((_, photo), place) in photos.iter_mut().zip(places) {
        let by_slate = photo.slate_remark.iter().cloned();
        photo.circumstances = by_slate.chain(place.remark).collect();
        match photo.fate() {
            Fate::Ignore(_) | Fate::Retake(..) => {}
            Fate::Fault(_, what) => photo.circumstances.push(what),
            Fate::Measure => match first_with.get(&photo.hash) {
                Some(first) => photo.circumstances.push(format!(
                    "the same bytes as {first}: one of the two is a copy"
                )),
                None => {
                    first_with.insert(photo.hash.clone(), photo.shown.clone());
                }
            },
        }
        photo.folder = within(&place.folder);
        photo.bench_key = within(photo.bench());
        photo.settle_decision();
    }
}

/// A photo as lamp photos, blanks and darks are chosen for it.
pub fn shot<'a>(photo: &'a Known, as_input: &'a str, capture: Capture) -> Shot<'a> {
    Shot {
        photo: &photo.shown,
        hash: as_input,
        bench: photo.bench(),
        capture,
        taken: photo.facts.taken,
        exposure: photo.facts.exposure_product(),
        verdict: None,
    }
}
