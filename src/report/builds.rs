//! Which of a bench's lamp photos show one build of its instrument, and where another begins.

use std::collections::BTreeMap;

use crate::measure::optics::instrument;
use crate::publish::record::Record;
use crate::terms::{Calibration, Capture};

/// A lamp photo among the builds of its bench's instrument.
pub(super) struct Build {
    /// From 1 on, by time.
    pub number: usize,
    /// What has jumped since the lamp photo before; empty within a build.
    pub jumps: Vec<String>,
}

/// Tells apart the builds of a bench's instrument: every lamp photo with a scale against the one before it in time, by
/// photo. Those that do not say when they were taken come last, by name.
pub(super) fn builds<'a>(photos: &[&'a Record]) -> BTreeMap<&'a str, Build> {
    let mut lamps: Vec<(&Record, &Calibration)> = photos
        .iter()
        .filter(|r| r.capture == Some(Capture::Calibration) && has_own_scale(r))
        .filter_map(|r| Some((*r, r.calibration.as_ref()?.model.as_ref()?)))
        .collect();
    lamps.sort_by_key(|(r, _)| (r.taken.is_none(), r.taken.as_deref(), r.photo.as_str()));
    let mut before: Option<&Calibration> = None;
    let mut number = 1;
    let mut builds = BTreeMap::new();
    for (record, model) in lamps {
        let jumps = before.map_or_else(Vec::new, |b| instrument::jumps(b, model));
        number += usize::from(!jumps.is_empty());
        before = Some(model);
        builds.insert(record.photo.as_str(), Build { number, jumps });
    }
    builds
}

/// True for a lamp photo that gave a scale.
pub fn has_own_scale(record: &Record) -> bool {
    let scale = record.calibration.as_ref();
    record.is_calibrated() && scale.and_then(|c| c.photo.as_ref()) == Some(&record.photo)
}
