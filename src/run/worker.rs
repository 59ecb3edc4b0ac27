//! The real work on photos, as the shell asks for it: decodes what `lab` examines, and keeps what several photos need.

use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Duration;

use crate::classify::{Decision, Evidence};
use crate::decode::{self, Facts, Fault};
use crate::frame::Frame;
use crate::lab::{self, Against, Examined, Lab, Picture};
use crate::publish::files;
use crate::publish::kept::{self, Kept};
use crate::publish::record::Record;
use crate::report::{self, Closing, Late, Session, Sink};
use crate::settings::{self, Poll, Settings};
use crate::system;
use crate::terms::{Seen, Sessions};

use super::cards::Cards;
use super::job::{Fate, Job, Stands};
use super::raw;
use super::read::Gone;
use super::spectra::Spectra;
use super::work::{Class, Orders, Outcome, Setup, Work, shown};

/// Memory for a photo in flight, bytes, and for all of them, where the configuration leaves it open: a photo of 12 megapixels
/// takes 100 to 150 MiB. Whoever has more memory gains nothing by its being used, but for pictures that are too large for it
/// and wait for each other.
const PHOTO_BYTES: u64 = 150 << 20;
const LEAST_BYTES: u64 = 512 << 20;

/// One part in so many of the memory is for pictures that were looked at and are still to be measured.
const LOOKED_AT: u64 = 4;

/// The program's real work.
pub struct Worker {
    lab: Lab,
    spectra: Spectra,
    cards: Cards,
    n_decoded: AtomicUsize,
}

impl Worker {
    /// A worker that goes by these settings.
    pub fn new(settings: Settings) -> Worker {
        Worker {
            lab: Lab::new(settings),
            spectra: Spectra::default(),
            cards: Cards::default(),
            n_decoded: AtomicUsize::new(0),
        }
    }

    /// The same worker without sessions: a rehearsal is one evening.
    pub fn as_one_class(self) -> Worker {
        let mut settings = self.settings().clone();
        settings.sessions = Sessions::None;
        Worker::new(settings)
    }

    /// The settings in force.
    pub fn settings(&self) -> &Settings {
        self.lab.settings()
    }

    /// What the shell needs to know, and the work itself.
    pub fn setup(self) -> Setup {
        Setup {
            orders: self.orders(),
            work: Arc::new(self),
        }
    }

    /// What the shell needs to know.
    pub fn orders(&self) -> Orders {
        let s = self.settings();
        let mut orders = Orders::new(&s.inbox, &s.results);
        orders.title.clone_from(&s.pages.title);
        let seconds = Duration::from_secs_f64;
        orders.settle = seconds(s.arrival.settle_s);
        orders.patience = seconds(s.arrival.damaged_after_s);
        orders.rescan = seconds(s.arrival.rescan_s);
        orders.poll = s.arrival.poll == Poll::Always;
        orders.workers = workers(s);
        orders.memory_bytes = memory_bytes(s, orders.workers);
        if s.asks_for_looks() {
            orders.picture_bytes = orders.memory_bytes / LOOKED_AT;
            orders.memory_bytes -= orders.picture_bytes;
        }
        orders.pairing = s.pairing.clone();
        orders.sessions = s.sessions;
        orders.slates_valid_min = s.slates.valid_min;
        orders.configuration_hash = s.configuration_hash();
        orders.looks_hash = s.looks_hash();
        orders.phrases = s.words.phrases.clone();
        orders.serve_password = s.serve_password.clone();
        orders
    }

    /// What a photo's bytes give: facts and picture, or why there are none.
    fn decode(&self, bytes: &[u8]) -> Result<(Facts, Frame), Fault> {
        self.n_decoded.fetch_add(1, Ordering::Relaxed);
        raw::decode(bytes, self.settings().work.max_pixels())
    }

    /// What of its company a photo is measured and judged by, where it is to be measured; tone curve and blank's spectrum are
    /// still to be found.
    fn against<'a>(&self, job: &'a Job) -> Option<Against<'a>> {
        let origin = &job.origin;
        let purpose = origin.decision.purpose()?;
        Some(Against::choose(
            &job.company,
            &origin.facts,
            purpose.capture,
        ))
    }

    /// What the photo comes to; with it, what it was measured and compared by.
    ///
    /// # Errors
    /// Where one of its companions has changed meanwhile.
    pub(super) fn examine<'a>(
        &self,
        job: &'a Job,
        bytes: &[u8],
        fate: &Fate,
    ) -> Result<(Examined, Against<'a>), Gone> {
        let origin = &job.origin;
        let mut against = Against::default();
        let examined = match fate {
            Fate::Ignore(why) => Examined::ignored(why),
            Fate::Fault(code, what) => self.lab.faulty(*code, what),
            Fate::Retake(code, what) => self.lab.to_be_retaken(*code, what),
            Fate::Measure => {
                if let Some(chosen) = self.against(job) {
                    against = chosen;
                    let decode = |bytes: &[u8]| self.decode(bytes);
                    self.spectra.fill_in(&self.lab, decode, job, &mut against)?;
                }
                let decode = || self.decode(bytes).map(Picture::from);
                let decoded = job.take_picture().map_or_else(decode, Ok);
                self.lab.examine(origin, decoded, &against)
            }
        };
        Ok((examined, against))
    }
}

/// Photos worked on at once.
fn workers(settings: &Settings) -> usize {
    let cores = || std::thread::available_parallelism().map_or(1, usize::from);
    settings.work.workers.unwrap_or_else(cores)
}

/// Memory for all photos in flight, bytes.
fn memory_bytes(settings: &Settings, workers: usize) -> u64 {
    match (settings.work.memory_mib, system::free_memory()) {
        (Some(mib), _) => mib << 20,
        (None, free) => {
            let enough = PHOTO_BYTES.saturating_mul(workers as u64);
            let enough = enough.max(LEAST_BYTES);
            free.map_or(enough, |free| enough.min(free / 2))
        }
    }
}

impl Work for Worker {
    fn facts(&self, bytes: &[u8]) -> Facts {
        decode::facts(bytes)
    }

    fn decide(&self, photo: &str, facts: &Facts) -> Decision {
        self.decide_on(&Evidence::new(photo, facts))
    }

    fn decide_on(&self, evidence: &Evidence<'_>) -> Decision {
        let settings = self.settings();
        let person = settings.overrides.of(evidence.path);
        settings.rules.decide(&Evidence {
            path: settings.sessions.below(evidence.path),
            person,
            ..*evidence
        })
    }

    fn look(&self, bytes: &[u8]) -> (Seen, Option<Picture>) {
        match self.decode(bytes) {
            Err(fault) => (Seen::nothing(fault.to_string()), None),
            Ok(decoded) => {
                let mut picture = Picture::from(decoded);
                (self.lab.look_at(&mut picture), Some(picture))
            }
        }
    }

    fn measure(&self, job: &Job, bytes: &[u8], fate: &Fate) -> Result<Outcome, Gone> {
        let (examined, _) = self.examine(job, bytes, fate)?;
        Ok(lab::written(
            &job.origin,
            examined,
            &self.settings().words.phrases,
        ))
    }

    fn stands(&self, job: &Job, head: &[u8]) -> Stands {
        let needed = || self.lab.origins(&job.origin, &self.against(job)?);
        match (kept::origins(head), needed()) {
            (Some(stated), Some(needed)) if stated == needed => Stands::All,
            (Some(stated), Some(needed)) if stated.measured == needed.measured => Stands::Picture,
            _ => Stands::Nothing,
        }
    }

    fn judge(&self, job: &Job, read: &dyn Fn(&str) -> Option<Vec<u8>>) -> Option<Outcome> {
        let (kept, before) = Kept::read(&read(kept::MEASURED)?)?;
        let mut against = self.against(job)?;
        let origin = &job.origin;
        let from = self.lab.origins(origin, &against)?;
        if from != kept.from {
            let decode = |bytes: &[u8]| self.decode(bytes);
            let filled = self.spectra.fill_in(&self.lab, decode, job, &mut against);
            filled.ok()?;
        }
        let examined = self.lab.judged_by(origin, from, kept, &against)?;
        lab::written_again(
            origin,
            examined,
            &before,
            read,
            &self.settings().words.phrases,
        )
    }

    fn n_decoded(&self) -> usize {
        self.n_decoded.load(Ordering::Relaxed)
    }

    fn summaries(&self, class: &Class<'_>, out: &mut dyn Sink) {
        let shown: Vec<report::Shown> = class.photos.iter().map(shown).collect();
        let settings = self.settings();
        let title = match class.session {
            "" => settings.pages.title.clone(),
            session => format!("{}, {session}", settings.pages.title),
        };
        let inputs = report::Inputs {
            title: &title,
            session: class.session,
            all_spectra: settings.tables.all_spectra,
            photos: &shown,
            stated: &settings.stated,
            expected: &settings.expected,
            phrases: &settings.words.phrases,
            now: Some(class.clock.to_owned()),
            refresh_s: u32::try_from(settings.pages.refresh_s).unwrap_or(0),
        };
        let fetch = |shown: &report::Shown| {
            (class.read)(&format!("{}/{}", shown.folder, files::SPECTRUM_CSV))
        };
        report::summaries(&inputs, fetch, out);
        if settings.pages.cards {
            self.cards.put(&shown, &settings.words.phrases, out);
        }
    }

    fn spanning(&self, sessions: &[Session<'_>], late: &[Late], out: &mut dyn Sink) {
        let pages = &self.settings().pages;
        let refresh_s = u32::try_from(pages.refresh_s).unwrap_or(0);
        let settings = self.settings();
        let shown = (&settings.stated, refresh_s, &settings.words.phrases);
        report::spanning(&pages.title, sessions, late, shown, out);
    }

    fn n_to_retake(&self, records: &[Arc<Record>]) -> usize {
        let records = records.iter().map(Arc::as_ref);
        report::n_to_retake(records, &self.settings().stated)
    }

    fn closing(&self, photos: &[(String, Arc<Record>)]) -> Closing {
        let phrases = settings::english();
        let photos = photos.iter().map(shown);
        report::closing(photos, &self.settings().stated, phrases)
    }
}
