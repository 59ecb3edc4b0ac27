//! Before an edited configuration is put to use: what it costs, by what stands of the results and what an earlier run read of the inbox.
//! Looks only, and holds no lock.

use std::collections::{BTreeSet, HashMap};
use std::path::Path;

use crate::arrive::listing::Listing;
use crate::arrive::settle::{Candidate, Chance};
use crate::publish::record::Record;
use crate::publish::{Inventory, kept, names};
use crate::settings::Settings;
use crate::terms::Seen;

use super::cost::Cost;
use super::intake::{Insist, Taken, recalled};
use super::job::{Job, Stands};
use super::ledger::Ledger;
use super::work::{Orders, Work};
use super::worker::Worker;
use super::world::{Published, World};

/// Says what the next `sweep` or `watch` makes of the photos in `listing`, in a line; absent where there are no results yet.
pub fn foretold(settings: &Settings, listing: &Listing) -> Option<String> {
    let worker = Worker::new(settings.clone());
    let orders = worker.orders();
    let standing = Standing::of(&settings.results, &orders);
    if standing.published.is_empty() {
        return None;
    }
    let mut world = World::default();
    world.follow(&orders);
    world.close(standing.closed.clone());
    let n_unread = standing.fill(&mut world, listing, &worker);
    world.arrange(&worker);
    let head = |job: &Job| {
        let path = format!("{}/{}", job.folder, kept::MEASURED);
        crate::publish::read_head(&settings.results.join(path), kept::HEAD_BYTES)
    };
    let nothing = Stands::Nothing;
    let stands = |job: &Job| head(job).map_or(nothing, |head| worker.stands(job, &head));
    let cost = Cost::of(&world, &standing.published, &orders, stands);
    let unread = match n_unread {
        0 => None,
        n => Some(format!(
            "{n} still to be read, of which that is not known yet"
        )),
    };
    let nothing = "all photos have their results by these settings".to_owned();
    let said: Vec<String> = cost.words().into_iter().chain(unread).collect();
    Some(match said.is_empty() {
        true => format!("ok: {nothing}"),
        false => format!("ok: the next sweep or watch has {}", said.join("; ")),
    })
}

/// What stands below the results, and what is remembered of the inbox.
struct Standing {
    published: Published,
    closed: BTreeSet<String>,
    ledger: Ledger,
    /// What was seen in photos, by the hash of their bytes.
    seen: HashMap<String, Seen>,
}

impl Standing {
    fn of(results: &Path, orders: &Orders) -> Standing {
        let inventory = Inventory::of(results);
        let ledger = std::fs::read(results.join(names::LEDGER)).unwrap_or_default();
        let mut standing = Standing {
            published: Published::new(),
            closed: inventory.closed(),
            ledger: Ledger::read(&ledger, &orders.version),
            seen: HashMap::new(),
        };
        for (folder, quality) in inventory.folders {
            let record: Record = serde_json::from_slice(&quality).unwrap_or_default();
            let is_closed = folder
                .split('/')
                .next()
                .is_some_and(|top| standing.closed.contains(top));
            if is_closed || record.photo.is_empty() {
                continue;
            }
            let (looks, version) = (&record.provenance.looks_hash, &record.provenance.version);
            if let Some(seen) = &record.looks
                && (looks, version) == (&orders.looks_hash, &orders.version)
            {
                let hash = record.provenance.photo_hash.clone();
                standing.seen.insert(hash, seen.clone());
            }
            standing.published.insert(folder, record.into());
        }
        standing
    }

    /// Puts into `world` what is known of the listed files without reading them; returns how many others there are.
    fn fill(&self, world: &mut World, listing: &Listing, worker: &Worker) -> usize {
        let mut n_unread = 0;
        let unreadable: BTreeSet<&str> = {
            let all = self.published.values();
            let without_bytes = all.filter(|record| record.provenance.photo_hash.is_empty());
            without_bytes.map(|record| record.photo.as_str()).collect()
        };
        for (path, entry) in &listing.entries {
            let shown = path.shown();
            let candidate = Candidate {
                path: path.clone(),
                identity: entry.identity,
                chance: Chance::Last,
            };
            let line = self.ledger.recall(&shown, entry.identity);
            let taken = line.map(|line| {
                recalled(
                    &candidate,
                    line,
                    shown.clone(),
                    Insist::OnEverything,
                    worker,
                )
            });
            let Some(Taken::Known(known)) = taken else {
                n_unread += usize::from(!unreadable.contains(&*shown));
                continue;
            };
            let seen = self.seen.get(&known.hash).filter(|_| known.asks_to_look());
            let known = match seen {
                Some(seen) => known.looked_at(seen.clone(), worker),
                None => *known,
            };
            world.insert(path.clone(), known);
        }
        n_unread
    }
}
