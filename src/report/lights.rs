//! A bench's lights for its page: the colour of each in a table, and their relative powers in drawings.

use std::collections::BTreeMap;

use super::colours::{IS_THE_BULB, Light, NO_RESPONSE};
use super::drawings::{self, Legended, PER_POWER};
use super::shown::subject;
use crate::answers::Refusal;
use crate::answers::edges::{FilterEdge, Kind};
use crate::answers::response::{Colour, KELVIN_SIGMA};
use crate::publish::record::file_name;
use crate::publish::{numbers, words};
use crate::terms::{Estimate, Phrases};

/// The lights of a bench as they are shown.
#[derive(Default)]
pub struct ShownLights<'l> {
    /// Where the phone's response comes from, or why no light has a colour.
    pub say: String,
    /// Each light's file name and colour; empty where the bench has no bulb.
    pub rows: Vec<(String, &'l Result<Colour, Refusal>)>,
    /// Each light's file name and the edge of the filter before it, where one is seen.
    pub edges: Vec<(String, String)>,
    /// Relative powers, a few lights in each.
    pub drawings: Vec<Legended>,
}

/// What is to be shown of a bench's lights; absent where it has photographed none.
pub fn shown<'l>(lights: &[&'l Light<'_>], t: &Phrases) -> Option<ShownLights<'l>> {
    if lights.is_empty() {
        return None;
    }
    let Some((photo, kelvin)) = lights.iter().find_map(|l| l.bulb) else {
        return Some(ShownLights {
            say: without_bulb(lights, t),
            ..ShownLights::default()
        });
    };
    let say = t
        .of("lights.by_bulb")
        .put("photo", file_name(photo))
        .put("kelvin", numbers::plain(kelvin, 0))
        .put("sigma", numbers::plain(KELVIN_SIGMA, 0))
        .to_string();
    let is_bulb = |l: &Light<'_>| matches!(&l.colour, Err(why) if why.code == IS_THE_BULB);
    let rows = lights
        .iter()
        .filter(|l| !is_bulb(l))
        .map(|l| (words::visible(file_name(l.photo)), &l.colour))
        .collect();
    let edges = lights.iter().filter_map(|l| {
        let edge = l.edge.as_ref().ok()?;
        Some((words::visible(file_name(l.photo)), edge_said(edge, t)))
    });
    let edges = edges.collect();
    // Of repeats the last: they lie on one another.
    let mut last: BTreeMap<&str, &Light<'_>> = BTreeMap::new();
    for light in lights.iter().filter(|l| l.power.len() > 1) {
        last.insert(subject(light.label), light);
    }
    let last: Vec<(&str, &Light<'_>)> = last.into_iter().collect();
    let drawings = drawings::evenly(&last, PER_POWER)
        .map(|part| {
            let powers: Vec<&[(f64, Estimate)]> =
                part.iter().map(|(_, l)| l.power.as_slice()).collect();
            let names = part.iter().map(|(name, _)| *name);
            Legended::new("", drawings::powers(&powers, t), names)
        })
        .collect();
    Some(ShownLights {
        say: words::visible(&say),
        rows,
        edges,
        drawings,
    })
}

/// The edge of a filter in words.
fn edge_said(edge: &FilterEdge, t: &Phrases) -> String {
    let said = match edge.kind {
        Kind::CutOn => t.of("lights.cut_on"),
        Kind::CutOff => t.of("lights.cut_off"),
    };
    let said = said.put("at", t.n(numbers::plus_minus(edge.nm)));
    let width = t.n(numbers::plain(edge.width_nm, 0));
    said.put("width", width).to_string()
}

fn without_bulb(lights: &[&Light<'_>], t: &Phrases) -> String {
    let other = lights
        .iter()
        .filter_map(|l| l.colour.as_ref().err())
        .find(|why| why.code != NO_RESPONSE);
    match other {
        Some(why) => {
            let said = t.of("lights.none_because").put("why", t.told(&why.why));
            words::visible(&said.to_string())
        }
        None => t.say("lights.none"),
    }
}

/// A number of a colour. On a phone a cell may be broken before its uncertainty, nowhere else.
pub fn number(t: &Phrases, e: &Estimate) -> String {
    t.n(numbers::plus_minus(*e)).replace("± ", "±\u{a0}")
}

/// Why there is none, in a word: what that means stands below the table.
pub fn short(t: &Phrases, why: &Refusal) -> String {
    words::visible(&t.told(why.why.split(':').next().unwrap_or_default()))
}
