//! As long as photos are to be looked at, the plan is not known. Those that were looked at are measured all the same while their
//! pictures are kept, by what is known so far: then no picture is decoded twice. What turns out to be otherwise once all have been
//! looked at is made again like anything else that a late photo changes.

use crate::arrive::listing::Rel;
use crate::pair;
use crate::terms::Capture;

use super::build::meets_any;
use super::engine::Engine;
use super::job::{Fate, Job, Stands};

/// In an inbox of so many photos at most, for all are arranged anew each time, on the one thread that everything waits for. With 1252
/// photos of one megapixel it saves as much processor time as it takes, some 10 ms a photo; to decode one of twelve takes six times that.
const MOST_PHOTOS: usize = 2000;

/// What is to be done ahead of the plan for a picture.
enum Ahead {
    /// This: it measures the picture, or what the picture is measured by.
    Make(Box<Job>),
    /// Nothing until something else is done.
    Wait,
    /// Nothing: it is not known by what it would be measured.
    Nothing,
}

impl Engine<'_> {
    /// Makes room for another picture: has the one whose turn came first measured, or lets go of it. False where something else is to be
    /// waited for.
    pub(super) fn make_room(&mut self) -> bool {
        let Some(path) = self.looking.pictures.first().cloned() else {
            return false;
        };
        match self.ahead_for(&path) {
            Ahead::Make(job) => {
                // A first making costs nothing that is there.
                self.cost_due &= !self.published.is_empty();
                self.start(*job);
            }
            Ahead::Wait => return false,
            Ahead::Nothing => self.looking.pictures.let_go_of_first(),
        }
        true
    }

    fn ahead_for(&mut self, path: &Rel) -> Ahead {
        if self.hold.is_some() || self.world.n_photos() > MOST_PHOTOS {
            return Ahead::Nothing;
        }
        self.arrange_world();
        let orders = &self.setup.orders;
        let bench = self.world.get(path).map(|photo| photo.bench_key.clone());
        let Some(bench) = bench.filter(|bench| orders.part.has_path(bench)) else {
            return Ahead::Nothing;
        };
        let held = |path: &Rel| self.held(path);
        let mut jobs = self.world.plan(&bench, &self.published, held, orders);
        for job in &mut jobs {
            job.stands = self.stands(job);
        }
        let mut jobs = jobs.into_iter().filter(|job| self.is_likely(job));
        match jobs.find(|job| job.path() == path || is_for_others(job)) {
            Some(job) if self.has_no_place_for(&job) => Ahead::Wait,
            Some(job) => Ahead::Make(Box::new(job)),
            // What is in hand may be what it is measured by.
            None if self.looking.n_in_hand() > 0 => Ahead::Wait,
            None if self.in_hand.values().any(|job| job.bench == bench) => Ahead::Wait,
            None => Ahead::Nothing,
        }
    }

    /// True where a job will hardly change by what is still to be looked at, or costs little: of a photo without results, and with a
    /// lamp photo where it needs one, or of one that is only judged again. A blank that comes later takes no second look.
    fn is_likely(&self, job: &Job) -> bool {
        let capture = job.origin.decision.purpose().map(|p| p.capture);
        let needs_none = matches!(capture, Some(Capture::Calibration | Capture::Dark));
        let is_new = !self.published.contains_key(&job.folder);
        let is_known = needs_none || !job.company.calibrations.is_empty();
        let costs_little = job.stands == Stands::All;
        (is_new || costs_little) && is_known && job.fate == Fate::Measure
    }

    fn has_no_place_for(&self, job: &Job) -> bool {
        let fits = self.bytes_in_hand + job.cost <= self.setup.orders.memory_bytes;
        let is_alone = self.in_hand.is_empty() && self.looking.n_in_hand() == 0;
        !is_alone && (!fits || meets_any(&self.in_hand, job))
    }
}

/// True where other photos are made from this one.
fn is_for_others(job: &Job) -> bool {
    let purpose = job.origin.decision.purpose();
    purpose.is_some_and(|purpose| pair::stage(purpose.capture) < pair::LAST_STAGE)
}
