//! What the engine knows of the sessions as a whole: those that are open, those that are closed, and what came too late.

use std::collections::BTreeSet;

use crate::report::Late;
use crate::terms::Sessions;

use super::engine::Engine;
use super::known::Known;
use super::sessions::{Over, by_session};
use super::work::Part;

impl Engine<'_> {
    /// What spans the sessions; absent where there are none, or where it is not to be made.
    pub(super) fn over_sessions(&self) -> Option<Over> {
        let orders = &self.setup.orders;
        let is_asked_for = !matches!(orders.part, Part::Session(_));
        let mut over = Over {
            sessions: Vec::new(),
            late: self.late(),
        };
        if orders.sessions == Sessions::None {
            return (is_asked_for && !over.late.is_empty()).then_some(over);
        }
        let open = by_session(&self.published, orders.sessions).into_iter();
        over.sessions
            .extend(open.map(|(folder, photos)| (folder, photos, None)));
        for (folder, frozen) in &self.frozen {
            let closed = Some(frozen.closed.clone());
            over.sessions
                .push((folder.clone(), frozen.photos.clone(), closed));
        }
        over.sessions.sort_by(|(a, ..), (b, ..)| a.cmp(b));
        is_asked_for.then_some(over)
    }

    /// The photos that came for a closed session, or are others than when it was closed.
    fn late(&self) -> Vec<Late> {
        let late = |(session, known): (&str, &Known)| {
            let photos = &self.frozen.get(session)?.photos;
            let place = photos.binary_search_by(|(_, r)| r.photo.as_str().cmp(&known.shown));
            let hash = place.ok().map(|i| &photos[i].1.provenance.photo_hash);
            (hash != Some(&known.hash)).then(|| Late {
                photo: known.shown.clone(),
                session: session.to_owned(),
                taken: known.facts.taken.map(|taken| taken.to_string()),
                is_changed: hash.is_some(),
                photo_hash: known.hash.clone(),
            })
        };
        let mut all: Vec<Late> = self.world.of_closed().filter_map(late).collect();
        all.sort_by(|a, b| a.photo.cmp(&b.photo));
        all
    }

    /// All benches of which anything is to be made.
    pub(super) fn all_benches(&self) -> BTreeSet<String> {
        let part = &self.setup.orders.part;
        let benches = self.world.benches();
        benches
            .filter(|bench| part.has_path(bench))
            .cloned()
            .collect()
    }
}
