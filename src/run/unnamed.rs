//! A rehearsal's class as its phones upload it by themselves: under the names that cameras give, with slates before what neither a name
//! nor a look tells, two benches with one phone, and two phones in one folder.

use std::collections::{BTreeMap, BTreeSet};

use jiff::ToSpan;
use jiff::civil::DateTime;
use rand::{RngExt, SeedableRng};
use rand_pcg::Pcg64Mcg;

use crate::simulate::score::thing;
use crate::simulate::{Card, Exposure, Fault, Planned, Scene, Shot};
use crate::slates::{Slate, Square, What};

/// A photo as it arrives.
pub(super) struct Upload {
    /// Where it lands and how it is taken.
    pub planned: Planned,
    /// What it is.
    pub of: Of,
}

/// What an uploaded photo is.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Of {
    /// A photo of the class.
    Photo {
        /// The path that it has in the class's plan.
        plan: String,
        /// True where its name or a slate says what it shows.
        is_told: bool,
    },
    /// A slate.
    Slate(Slate),
}

impl Upload {
    /// A photo under the name that the plan gives it.
    pub fn named(planned: Planned) -> Upload {
        let plan = planned.path.clone();
        let of = Of::Photo {
            plan,
            is_told: true,
        };
        Upload { planned, of }
    }
}

/// From one card to the next and to what it speaks of, s.
const CARD_S: i64 = 12;
/// The second of two benches with one phone takes its photos so long after the first, s: between those of the first.
const TURN_S: i64 = 90;
/// A card is photographed again before it is older than this, minutes: well within the shipped `slates: valid_min`.
const CARD_AGAIN_MIN: f64 = 120.0;

/// The class under camera names, the same for the same `seed`. Brackets are left out, for no slate says so and nobody can see it.
///
/// Of the benches with coarse discs two have one phone between them; two others, whose phones are of different models, share a folder,
/// and their slates name the bench. Every second bench photographs a card only where nothing else tells, and from then on always.
pub(super) fn unnamed(class: Vec<Planned>, seed: u64) -> Vec<Upload> {
    let mut benches = benches(class);
    let shared_phone = with_one_phone(&benches);
    let shared_folder = with_one_folder(&benches, shared_phone);
    let mut phones: Vec<User> = Vec::new();
    if let Some((first, second)) = shared_phone {
        phones.push(one_phone(&mut benches, first, second));
    }
    for (i, (name, photos)) in benches.into_iter().enumerate() {
        if photos.is_empty() {
            continue;
        }
        let together = shared_folder.filter(|(a, b, _)| [*a, *b].contains(&i));
        phones.push(User {
            is_sparing: i % 2 == 1,
            names_bench: together.is_some(),
            folder: together.map_or(name, |(.., folder)| folder.to_owned()),
            photos,
        });
    }
    let mut chance = Pcg64Mcg::seed_from_u64(seed ^ 0x51a7e);
    let mut uploads: Vec<Upload> = phones
        .into_iter()
        .flat_map(|phone| phone.uploads(&mut chance))
        .collect();
    uploads.sort_by(|a, b| {
        let key = |upload: &Upload| (upload.planned.shot.taken, upload.planned.path.clone());
        key(a).cmp(&key(b))
    });
    tell_apart(&mut uploads);
    uploads
}

/// A bench's name and its photos.
type Bench = (String, Vec<Planned>);

/// The benches in the order of their first photos, without brackets.
fn benches(class: Vec<Planned>) -> Vec<Bench> {
    let mut benches: Vec<Bench> = Vec::new();
    for planned in class {
        let (bench, name) = place(&planned.path);
        if name.starts_with("bracket") {
            continue;
        }
        match benches.iter_mut().find(|(name, _)| name == bench) {
            Some((_, photos)) => photos.push(planned),
            None => benches.push((bench.to_owned(), vec![planned])),
        }
    }
    benches
}

/// Bench and file name of a path in the class's plan.
fn place(plan: &str) -> (&str, &str) {
    plan.split_once('/').unwrap_or(("", plan))
}

/// Grooves further apart than this are a coarse disc's, nm; a finer one's spectrum fits only on a phone that sees wide.
const COARSE_NM: f64 = 1000.0;

/// Two benches that can have one phone between them.
fn with_one_phone(benches: &[Bench]) -> Option<(usize, usize)> {
    let is_coarse = |i: &usize| {
        let first = benches[*i].1.first();
        first.is_some_and(|p| p.shot.instrument.groove_spacing_nm > COARSE_NM)
    };
    let mut coarse = (0..benches.len()).filter(is_coarse);
    coarse.next().zip(coarse.next())
}

/// Two further benches whose phones are of different models, and the folder that they share.
fn with_one_folder(
    benches: &[Bench],
    taken: Option<(usize, usize)>,
) -> Option<(usize, usize, &'static str)> {
    let is_taken = |i: usize| taken.is_some_and(|(a, b)| [a, b].contains(&i));
    let model = |i: usize| benches[i].1.first().map(|p| &p.shot.phone.model);
    let first = (0..benches.len()).find(|i| !is_taken(*i))?;
    let second = (first + 1..benches.len()).find(|i| !is_taken(*i) && model(*i) != model(first))?;
    Some((first, second, "everybody"))
}

/// Takes the photos of two benches that have one phone between them.
fn one_phone(benches: &mut [Bench], first: usize, second: usize) -> User {
    let (name, mut photos) = std::mem::take(&mut benches[first]);
    let (_, others) = std::mem::take(&mut benches[second]);
    let phone = photos.first().map(|p| p.shot.phone.clone());
    photos.extend(others.into_iter().map(|mut planned| {
        let shot = &mut planned.shot;
        shot.phone = phone.clone().unwrap_or_else(|| shot.phone.clone());
        shot.taken = shot.taken.saturating_add(TURN_S.seconds());
        planned
    }));
    photos.sort_by_key(|planned| planned.shot.taken);
    User {
        folder: format!("phone of {name}"),
        names_bench: true,
        is_sparing: false,
        photos,
    }
}

/// Files that phones of one folder gave one name are told apart as sync programs do.
fn tell_apart(uploads: &mut [Upload]) {
    let mut paths = BTreeSet::new();
    for Upload { planned, .. } in uploads {
        let stem = planned.path.trim_end_matches(".jpg").to_owned();
        let mut copy = 0;
        while !paths.insert(planned.path.clone()) {
            copy += 1;
            planned.path = format!("{stem} ({copy}).jpg");
        }
    }
}

/// A phone and what is photographed with it.
struct User {
    folder: String,
    /// Whether its slates name the bench.
    names_bench: bool,
    /// Whether it photographs a card only where nothing else tells, until the first such card.
    is_sparing: bool,
    /// In the order in which they were taken.
    photos: Vec<Planned>,
}

impl User {
    /// Its photos, each behind the cards that are photographed before it.
    fn uploads(mut self, chance: &mut Pcg64Mcg) -> Vec<Upload> {
        let mut uploads = Vec::new();
        let mut bench: Option<(String, DateTime)> = None;
        let mut what: Option<(What, DateTime)> = None;
        for planned in std::mem::take(&mut self.photos) {
            let plan = planned.path;
            let taken = planned.shot.taken;
            let is_fresh =
                |since: DateTime| taken.duration_since(since).as_secs_f64() < 60.0 * CARD_AGAIN_MIN;
            let mut cards = Vec::new();
            let (of_bench, name) = place(&plan);
            let stands = bench
                .as_ref()
                .is_some_and(|(b, t)| b == of_bench && is_fresh(*t));
            if self.names_bench && !stands {
                cards.push(Slate::of_bench(of_bench));
                bench = Some((of_bench.to_owned(), taken));
                // A card that names a bench ends what was next.
                what = None;
            }
            let next = comes_next(name, &planned.shot);
            let is_asked =
                !self.is_sparing || what.is_some() || cannot_be_seen(name, &planned.shot);
            if let Some(next) = next.filter(|_| is_asked)
                && !what
                    .as_ref()
                    .is_some_and(|(w, t)| *w == next && is_fresh(*t))
            {
                cards.push(Slate::of(next.clone()));
                what = Some((next, taken));
            }
            for (i, slate) in cards.iter().enumerate() {
                let before_s = CARD_S * (cards.len() - i) as i64;
                let shot = card_shot(&planned.shot, before_s, slate, chance);
                uploads.extend(shot.map(|shot| Upload {
                    planned: self.uploaded(shot),
                    of: Of::Slate(slate.clone()),
                }));
            }
            let of = Of::Photo {
                plan,
                is_told: what.is_some(),
            };
            uploads.push(Upload {
                planned: self.uploaded(planned.shot),
                of,
            });
        }
        uploads
    }

    /// Under the name that the phone gives.
    fn uploaded(&self, shot: Shot) -> Planned {
        let name = shot.taken.strftime("IMG_%Y%m%d_%H%M%S.jpg");
        Planned {
            path: format!("{}/{name}", self.folder),
            shot,
        }
    }
}

/// What a slate says of a photo of this name in the plan; none for what nobody meant to take.
fn comes_next(name: &str, shot: &Shot) -> Option<What> {
    if shot.faults.contains(&Fault::NoSpectrum) {
        return None;
    }
    Some(match thing(name) {
        "lamp" => What::Lamp(None),
        "blank" => What::Blank,
        "dark" => What::Dark,
        thing => solution(thing).unwrap_or_else(|| What::Sample(Some(thing.to_owned()))),
    })
}

/// A standard or an unknown of a series.
fn solution(thing: &str) -> Option<What> {
    let (series, of) = thing.rsplit_once('-')?;
    let series = series.to_owned();
    if of == "unknown" {
        return Some(What::Unknown(series));
    }
    let concentration = of.strip_suffix("mg")?.parse().ok()?;
    Some(What::Standard {
        concentration,
        unit: "mg".to_owned(),
        series,
    })
}

/// True where neither a look nor a bench's habits tell what the photo is: a blank, a solution, a bulb that was meant as the lamp.
fn cannot_be_seen(name: &str, shot: &Shot) -> bool {
    let next = comes_next(name, shot);
    let is_of_series = matches!(
        next,
        Some(What::Blank | What::Standard { .. } | What::Unknown(_))
    );
    is_of_series || shot.faults.contains(&Fault::FewLines)
}

/// A card as a class photographs it, by the phone of `next` so long before it; none where its words are too long to print.
fn card_shot(next: &Shot, before_s: i64, slate: &Slate, chance: &mut Pcg64Mcg) -> Option<Shot> {
    let square = Square::of(slate)?;
    let mut within = |low: f64, high: f64| low + (high - low) * chance.random::<f64>();
    let card = Card {
        side: square.side,
        dark: square.dark,
        height: within(0.3, 0.9),
        at: (within(0.4, 0.5), within(0.45, 0.55)),
        turn_deg: within(-180.0, 180.0),
        tilt_deg: within(0.0, 30.0),
        tilt_towards_deg: within(0.0, 360.0),
        blur: within(0.05, 0.25),
        evenness: within(0.4, 1.0),
        paper_level: within(0.3, 0.8),
    };
    let iso = within(100.0, 800.0).round();
    Some(Shot {
        seed: chance.random(),
        taken: next.taken.saturating_sub(before_s.seconds()),
        scene: Scene::Card(card),
        exposure: Exposure::Set(1.0 / 60.0, iso),
        faults: Vec::new(),
        ..next.clone()
    })
}

/// The plan's paths by those in the inbox.
pub(super) fn plans(uploads: &[Upload]) -> BTreeMap<String, String> {
    let of_photo = |upload: &Upload| match &upload.of {
        Of::Photo { plan, .. } => Some((upload.planned.path.clone(), plan.clone())),
        Of::Slate(_) => None,
    };
    uploads.iter().filter_map(of_photo).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::simulate::class::{Discs, rehearsal};

    #[test]
    fn every_photo_of_the_class_arrives_once_under_a_name_that_says_nothing() {
        let class = rehearsal(4, 8, 80, Discs::Real);
        let expected: BTreeSet<String> = class
            .iter()
            .map(|p| p.path.clone())
            .filter(|path| !path.contains("/bracket"))
            .collect();
        let uploads = unnamed(class, 4);
        let plans = plans(&uploads);
        assert_eq!(plans.values().cloned().collect::<BTreeSet<_>>(), expected);
        let paths: BTreeSet<&str> = uploads.iter().map(|u| u.planned.path.as_str()).collect();
        assert_eq!(paths.len(), uploads.len(), "each has a path of its own");
        assert!(paths.iter().all(|path| path.contains("/IMG_2026")));
        assert!(uploads.is_sorted_by_key(|u| u.planned.shot.taken));
        let again = unnamed(rehearsal(4, 8, 80, Discs::Real), 4);
        assert!(
            uploads
                .iter()
                .zip(&again)
                .all(|(a, b)| a.planned == b.planned)
        );
    }

    #[test]
    fn two_benches_have_one_phone_and_two_phones_one_folder() {
        let uploads = unnamed(rehearsal(4, 8, 80, Discs::Real), 4);
        let mut benches: BTreeMap<&str, BTreeSet<&str>> = BTreeMap::new();
        let mut models: BTreeMap<&str, BTreeSet<&str>> = BTreeMap::new();
        for upload in &uploads {
            let (folder, _) = place(&upload.planned.path);
            models
                .entry(folder)
                .or_default()
                .insert(&upload.planned.shot.phone.model);
            if let Of::Photo { plan, .. } = &upload.of {
                benches.entry(folder).or_default().insert(place(plan).0);
            }
        }
        let n_shared = |folder: &str| (benches[folder].len(), models[folder].len());
        let phone = benches.keys().find(|f| f.starts_with("phone of ")).unwrap();
        assert_eq!(n_shared(phone), (2, 1));
        assert_eq!(n_shared("everybody"), (2, 2));
        assert_eq!(benches.len(), 6);
    }

    #[test]
    fn the_slate_in_force_says_what_the_plan_says_wherever_one_is() {
        for seed in 0..5 {
            let mut in_force: BTreeMap<(String, String), (Option<String>, Option<What>)> =
                BTreeMap::new();
            for upload in unnamed(rehearsal(seed, 8, 120, Discs::Real), seed) {
                let (folder, _) = place(&upload.planned.path);
                let shot = &upload.planned.shot;
                let phone = (folder.to_owned(), shot.phone.model.clone());
                let (bench, what) = in_force.entry(phone).or_default();
                match &upload.of {
                    Of::Slate(slate) => {
                        if slate.bench.is_some() {
                            bench.clone_from(&slate.bench);
                        }
                        what.clone_from(&slate.what);
                    }
                    Of::Photo { plan, is_told } => {
                        let (of_bench, name) = place(plan);
                        assert_eq!(bench.as_deref().unwrap_or(folder), of_bench, "{plan}");
                        assert_eq!(*is_told, what.is_some(), "{plan}");
                        let next = comes_next(name, shot);
                        assert!(what.is_some() || !cannot_be_seen(name, shot), "{plan}");
                        if next.is_some() && what.is_some() {
                            assert_eq!(*what, next, "{plan}");
                        }
                    }
                }
            }
        }
    }
}
