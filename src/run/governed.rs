//! What slates say of the photos of one session: which slate governs which photo, each decided anew by it, and the slates' own fates.
//!
//! Pure, and a function of all photos together: it is worked out anew whenever one comes, goes or changes.

use std::collections::{BTreeMap, BTreeSet};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Arc;

use crate::arrive::listing::Rel;
use crate::classify::{Outcome, Phone, Said, Taken, alike};
use crate::publish::record::{ALIKE_PHONES, CONCENTRATION, SERIES, UNGOVERNED};
use crate::slates::{Photo, Sighting, Slate, Under, Ungoverned, What, governed};
use crate::terms::{Capture, Ground, Sessions};

use super::known::Known;
use super::work::Work;

/// Group that holds the unit of a concentration.
const UNIT: &str = "unit";

/// Who decides, and what slates are read by.
#[derive(Clone, Copy)]
pub struct Deciding<'a> {
    /// The rules.
    pub work: &'a dyn Work,
    /// What divides the inbox into sessions.
    pub sessions: Sessions,
    /// For how long a slate holds, minutes; absent: until the next one or the session's end.
    pub slates_valid_min: Option<f64>,
}

/// Has slates decide on the photos of one session, and notes photos of phones that cannot be told apart, slates or not. `better` names for each photo another form of the same shot that is measured in
/// its place: what holds for one holds for both.
pub fn govern(by: &Deciding<'_>, better: &[Option<usize>], photos: &mut [(&Rel, &mut Known)]) {
    let own: Vec<Sighting> = photos.iter().map(|(_, photo)| photo.sighting()).collect();
    let has_slates = own.iter().any(|seen| *seen != Sighting::None);
    let all: Vec<&Known> = photos.iter().map(|(_, photo)| &**photo).collect();
    let shots = Shots::of(&all, better, &own);
    let keys: Vec<String> = all
        .iter()
        .map(|photo| phone_of(photo, by.sessions))
        .collect();
    let taken = shots.firsts.iter().map(|&i| Taken {
        phone: &keys[i],
        photo: &all[i].shown,
        facts: &all[i].facts,
    });
    let alike: BTreeSet<String> = alike(taken).into_iter().map(str::to_owned).collect();
    if !has_slates {
        for (((_, photo), key), shot) in photos.iter_mut().zip(&keys).zip(&shots.of_photo) {
            if shot.is_some() && alike.contains(key) && photo.decision.purpose().is_some() {
                photo.slate_cells = alike_phones();
            }
        }
        return;
    }
    let (under, slates) = {
        let shots: Vec<Photo<'_>> = shots
            .firsts
            .iter()
            .zip(&shots.seen)
            .map(|(&i, seen)| Photo {
                path: &all[i].shown,
                session: "",
                phone: Some(keys[i].as_str()).filter(|key| !alike.contains(*key)),
                taken: all[i].facts.taken,
                seen,
            })
            .collect();
        let slates: Vec<(String, Sighting)> = shots
            .iter()
            .map(|shot| (shot.path.to_owned(), shot.seen.clone()))
            .collect();
        (governed(&shots, by.slates_valid_min), slates)
    };
    for ((_, photo), shot) in photos.iter_mut().zip(&shots.of_photo) {
        let Some(shot) = *shot else { continue };
        let words = Words {
            under: under[shot],
            slates: &slates,
        };
        match &slates[shot].1 {
            Sighting::None => words.decide(photo, by.work),
            slate => words.decide_on_slate(photo, slate, by.work),
        }
    }
}

/// The shots of a session, each one photo or several forms of one.
struct Shots {
    /// The best form of each.
    firsts: Vec<usize>,
    /// What is seen in any of its forms.
    seen: Vec<Sighting>,
    /// Which shot each photo is of; absent for what is no photo.
    of_photo: Vec<Option<usize>>,
}

impl Shots {
    fn of(photos: &[&Known], better: &[Option<usize>], own: &[Sighting]) -> Shots {
        let mut shots = Shots {
            firsts: Vec::new(),
            seen: Vec::new(),
            of_photo: vec![None; photos.len()],
        };
        let mut by_first: BTreeMap<usize, usize> = BTreeMap::new();
        for (i, photo) in photos.iter().enumerate() {
            if !photo.is_photo() {
                continue;
            }
            let mut first = i;
            while let Some(next) = better[first].filter(|next| *next != i) {
                first = next;
            }
            let shot = *by_first.entry(first).or_insert_with(|| {
                shots.firsts.push(first);
                shots.seen.push(Sighting::None);
                shots.firsts.len() - 1
            });
            shots.of_photo[i] = Some(shot);
            let seen = &mut shots.seen[shot];
            match (&*seen, &own[i]) {
                (Sighting::None, _) | (Sighting::Unread(_), Sighting::Read(_)) => {
                    seen.clone_from(&own[i]);
                }
                _ => {}
            }
        }
        shots
    }
}

/// What tells the phone of a photo from others of its session: what its file says of it, else the folder.
fn phone_of(photo: &Known, sessions: Sessions) -> String {
    let path = sessions.below(&photo.shown);
    Phone::of(path, &photo.facts).map_or_else(
        || format!("folder {}", path.split_once('/').map_or("", |(f, _)| f)),
        |phone| phone.to_string(),
    )
}

/// What slates say of one shot.
struct Words<'a> {
    under: Under,
    /// Path and content of every shot that may be a slate.
    slates: &'a [(String, Sighting)],
}

impl Words<'_> {
    /// Has the slates that govern a photo decide on it.
    fn decide(&self, photo: &mut Known, work: &dyn Work) {
        if photo.decision.purpose().is_none() {
            return;
        }
        let Some(said) = self.said() else {
            self.note_ungoverned(photo);
            return;
        };
        if decide_by(photo, &said, work) {
            photo.slate_cells = said.cells();
            photo.slate_remark = Some(format!("by the slate {}: {}", said.by, said.note));
        }
    }

    /// A slate's own fate: ignored with what it said, or to be taken again.
    fn decide_on_slate(&self, photo: &mut Known, slate: &Sighting, work: &dyn Work) {
        let bench = Said {
            bench: self.bench(),
            ..Said::default()
        };
        if bench.bench.is_some() {
            decide_by(photo, &bench, work);
        }
        let why = match slate {
            Sighting::Read(slate) => {
                let nothing = match self.under.ungoverned {
                    Some(Ungoverned::NoTime) => {
                        "; it governs nothing, for the file does not say when it was taken"
                    }
                    Some(Ungoverned::AlikePhones) => {
                        "; it governs nothing, for it may be of one of several phones that cannot be told apart"
                    }
                    _ => "",
                };
                if self.under.ungoverned == Some(Ungoverned::AlikePhones) {
                    photo.slate_cells = alike_phones();
                }
                format!("a slate: {slate}{nothing}")
            }
            Sighting::Unread(why) => {
                photo.unread_slate = Some(why.clone());
                why.clone()
            }
            Sighting::None => return,
        };
        let decision = Arc::make_mut(&mut photo.decision);
        decision.basis.slate = None;
        decision.basis.ground = Ground::Slate;
        let bench = decision.bench().to_owned();
        decision.outcome = Outcome::Ignore { bench, why };
    }

    fn slate(&self, at: Option<usize>) -> Option<(&str, &Slate)> {
        match self.slates.get(at?)? {
            (path, Sighting::Read(slate)) => Some((path, slate)),
            _ => None,
        }
    }

    fn bench(&self) -> Option<String> {
        self.slate(self.under.bench)?.1.bench.clone()
    }

    /// What the governing slates say together; absent where there are none.
    fn said(&self) -> Option<Said> {
        let Under {
            what, bench, void, ..
        } = self.under;
        let mut said = Said {
            bench: self.bench(),
            ..Said::default()
        };
        if let Some((_, slate)) = self.slate(what) {
            state(&mut said, slate.what.as_ref());
        }
        said.ignore = self.slate(void).is_some();
        let mut by: Vec<usize> = match void.filter(|_| said.ignore) {
            Some(void) => vec![void],
            None => [what, bench].into_iter().flatten().collect(),
        };
        by.dedup();
        let slates: Vec<(&str, &Slate)> = by
            .into_iter()
            .filter_map(|slate| self.slate(Some(slate)))
            .collect();
        let joined = |parts: Vec<String>| (!parts.is_empty()).then(|| parts.join(" with "));
        said.by = joined(slates.iter().map(|(path, _)| (*path).to_owned()).collect())?;
        said.note = slates
            .iter()
            .map(|(_, slate)| slate.to_string())
            .collect::<Vec<_>>()
            .join("; ");
        Some(said)
    }

    /// Notes why no slate governs a photo, where one might have.
    fn note_ungoverned(&self, photo: &mut Known) {
        let path = |slate: usize| self.slates.get(slate).map_or("", |(path, _)| path);
        let why = match self.under.ungoverned {
            None => return,
            Some(Ungoverned::NoTime) => "the file does not say when it was taken".to_owned(),
            Some(Ungoverned::AlikePhones) => {
                photo.slate_cells = alike_phones();
                "it may be of one of several phones that cannot be told apart".to_owned()
            }
            Some(Ungoverned::Unread(slate)) => format!("{} cannot be read", path(slate)),
            // Of no interest a week later: `explain` says it, and nobody else.
            Some(Ungoverned::TooOld(slate)) => {
                photo.why_ungoverned = Some(format!("{} holds no longer", path(slate)));
                return;
            }
        };
        photo.slate_remark = Some(format!("no slate governs it: {why}"));
        photo.why_ungoverned = Some(why);
    }
}

fn alike_phones() -> BTreeMap<String, String> {
    BTreeMap::from([(UNGOVERNED.to_owned(), ALIKE_PHONES.to_owned())])
}

/// Has the rules decide on a photo with a slate's word. A panic in them costs this photo its slate only; then false.
fn decide_by(photo: &mut Known, said: &Said, work: &dyn Work) -> bool {
    let decide = || photo.decided_anew(work, Some(said));
    match catch_unwind(AssertUnwindSafe(decide)) {
        Ok(decision) => {
            photo.decision = Arc::new(decision);
            true
        }
        Err(_) => false,
    }
}

/// Adds what a slate says comes next. A label says the same in one word, so that people can tell photos apart.
pub(super) fn state(said: &mut Said, what: Option<&What>) {
    let mut solution = |series: &str, stated: [(&str, String); 2], own: String| {
        let series_of = (SERIES.to_owned(), series.to_owned());
        let stated = stated.map(|(group, value)| (group.to_owned(), value));
        let stated = stated.into_iter().filter(|(_, value)| !value.is_empty());
        said.groups = stated.chain([series_of]).collect();
        said.label = Some(match series {
            "" => own,
            series => format!("{series}-{own}"),
        });
    };
    let capture = match what {
        None | Some(What::Void) => return,
        Some(What::Lamp(name)) => {
            said.lamp.clone_from(name);
            Capture::Calibration
        }
        Some(What::Blank) => Capture::Blank,
        Some(What::Dark) => Capture::Dark,
        Some(What::Sample(label)) => {
            said.label.clone_from(label);
            Capture::Sample
        }
        Some(What::Standard {
            concentration,
            unit,
            series,
        }) => {
            let number = concentration.to_string();
            let own = format!("{number}{unit}");
            let stated = [(CONCENTRATION, number), (UNIT, unit.clone())];
            solution(series, stated, own);
            Capture::Sample
        }
        Some(What::Unknown(series)) => {
            let nothing = [(CONCENTRATION, String::new()), (UNIT, String::new())];
            solution(series, nothing, "unknown".to_owned());
            Capture::Sample
        }
    };
    said.capture = Some(capture);
}
