//! What the next making costs: how many photos are new, measured again, or only judged again by what was measured before. It is
//! said before it begins.

use std::collections::BTreeMap;
use std::sync::Arc;

use crate::publish::record::Record;

use super::engine::Engine;
use super::job::{Fate, Job, Stands};
use super::work::Orders;
use super::world::{Published, World};

/// How many photos are to be made, by what that takes.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Cost {
    /// Photos without results.
    pub new: usize,
    /// Photos with results that are measured again.
    pub measured: usize,
    /// Those of them that another version of this program made: how many, by its name.
    pub by_version: BTreeMap<String, usize>,
    /// Photos that are judged again, and not measured.
    pub judged: usize,
    /// Photos with results of which there is nothing to measure.
    pub said: usize,
}

impl Cost {
    /// What there is to do for all benches, if what is made again keeps the verdict that it has. `stands` says what of a
    /// photo's measurement is there.
    pub fn of(
        world: &World,
        published: &Published,
        orders: &Orders,
        stands: impl Fn(&Job) -> Stands,
    ) -> Cost {
        let mut cost = Cost::default();
        let benches = world.benches();
        for bench in benches.filter(|bench| orders.part.has_path(bench)) {
            for job in world.foresee(bench, published, orders) {
                let of_photo = |record: &&Arc<Record>| record.photo == job.origin.photo;
                let record = published.get(&job.folder).filter(of_photo);
                match (record, &job.fate) {
                    (None, _) => cost.new += 1,
                    (Some(_), Fate::Measure) if stands(&job) != Stands::Nothing => cost.judged += 1,
                    (Some(record), Fate::Measure) => {
                        cost.measured += 1;
                        let version = &record.provenance.version;
                        if *version != orders.version {
                            *cost.by_version.entry(version.clone()).or_default() += 1;
                        }
                    }
                    (Some(_), _) => cost.said += 1,
                }
            }
        }
        cost
    }

    /// True where nothing that has results is made again.
    pub fn is_nothing(&self) -> bool {
        self.measured + self.judged + self.said == 0
    }

    /// In a sentence; absent where nothing is to be made.
    pub fn words(&self) -> Option<String> {
        let photos = |n: usize| match n {
            1 => "1 photo".to_owned(),
            n => format!("{n} photos"),
        };
        let versions = self.by_version.iter();
        let versions: Vec<String> = versions
            .map(|(version, n)| format!("{n} made by version {version}"))
            .collect();
        let why = match versions.is_empty() {
            true => String::new(),
            false => format!(" ({})", versions.join(", ")),
        };
        let parts = [
            (self.new, "new", String::new()),
            (self.measured, "to be measured again", why),
            (
                self.judged,
                "to be judged again without being measured",
                String::new(),
            ),
            (
                self.said,
                "without anything to measure to be written again",
                String::new(),
            ),
        ];
        let parts = parts.into_iter().filter(|(n, ..)| *n > 0);
        let parts: Vec<String> = parts
            .map(|(n, what, why)| format!("{} {what}{why}", photos(n)))
            .collect();
        (!parts.is_empty()).then(|| parts.join(", "))
    }
}

impl Engine<'_> {
    /// Says what is made again before it begins: at the start, and after an edit.
    pub(super) fn tell_cost(&mut self) {
        if !std::mem::take(&mut self.cost_due) || self.published.is_empty() {
            return;
        }
        let orders = &self.setup.orders;
        let cost = Cost::of(&self.world, &self.published, orders, |job| self.stands(job));
        if let Some(words) = cost.words().filter(|_| !cost.is_nothing()) {
            self.say(&format!("before it begins: {words}"));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_cost_is_told_by_what_it_takes_and_by_whose_results_go() {
        assert_eq!(Cost::default().words(), None);
        let cost = Cost {
            new: 1,
            measured: 3,
            by_version: BTreeMap::from([("0.9.1".to_owned(), 2)]),
            judged: 40,
            said: 0,
        };
        let words = cost.words().unwrap();
        assert_eq!(
            words,
            "1 photo new, 3 photos to be measured again (2 made by version 0.9.1), \
             40 photos to be judged again without being measured"
        );
        assert!(!cost.is_nothing());
        let only_new = Cost {
            new: 5,
            ..Cost::default()
        };
        assert!(only_new.is_nothing());
    }
}
