//! Before the class begins: which photos of the inbox each rule takes, which only a look can tell, and which phones took them.

use std::collections::BTreeMap;
use std::fs::File;
use std::io::Read;
use std::path::Path;

use crate::arrive::listing::{Kind, Listing};
use crate::classify::{Decision, Evidence, Owned, Phone, Taken, alike, notices};
use crate::decode::{self, Facts};
use crate::settings::Settings;

/// So much of a file holds what its camera wrote, bytes: headers come first, with a thumbnail of some tens of KiB.
const HEAD_BYTES: u64 = 256 << 10;
/// Headers of so many photos are read, which takes some seconds; of further ones the name alone is asked.
const MOST_HEADERS: usize = 3000;

/// Photos that have something in common: how many, and the first of them.
#[derive(Default)]
struct Group {
    n: usize,
    first: String,
}

impl Group {
    fn add(&mut self, photo: &str) {
        if self.n == 0 {
            photo.clone_into(&mut self.first);
        }
        self.n += 1;
    }

    fn words(&self) -> String {
        match self.n {
            1 => format!("1 file, {}", self.first),
            n => format!("{n} files, such as {}", self.first),
        }
    }
}

/// One file of the inbox as the rules see it before anybody looks.
struct Sorted {
    photo: String,
    decision: Decision,
    facts: Facts,
    phone: Option<Phone>,
}

/// Says of the files in `listing` what becomes of them, a line each; what a person must see to begins with `ATTENTION`.
pub fn sorting(settings: &Settings, listing: &Listing, said: &mut Vec<String>) {
    let sorted = sort(settings, listing, said);
    let mut by_rule: BTreeMap<&str, Group> = BTreeMap::new();
    let (mut by_look, mut by_person) = (Group::default(), Group::default());
    let mut phones: BTreeMap<String, Group> = BTreeMap::new();
    for Sorted {
        photo,
        decision,
        phone,
        ..
    } in &sorted
    {
        if decision.basis.person.is_some() {
            by_person.add(photo);
        } else if decision.basis.asks_to_look {
            by_look.add(photo);
        } else {
            by_rule.entry(&decision.rule).or_default().add(photo);
        }
        if let Some(phone) = phone.as_ref().filter(|_| decision.purpose().is_some()) {
            let phone = format!("{phone} of {}", decision.bench());
            phones.entry(phone).or_default().add(photo);
        }
    }
    let names: Vec<&str> = settings
        .rules
        .rules()
        .iter()
        .map(|rule| rule.name.as_str())
        .collect();
    let written = names
        .iter()
        .filter_map(|name| Some((*name, by_rule.get(name)?)));
    let others = by_rule.iter().filter(|(name, _)| !names.contains(name));
    for (name, group) in written.chain(others.map(|(name, group)| (*name, group))) {
        said.push(format!("ok: rule '{name}' takes {}", group.words()));
    }
    if by_person.n > 0 {
        said.push(format!(
            "ok: the instructor's table decides on {}",
            by_person.words()
        ));
    }
    if by_look.n > 0 {
        said.push(format!(
            "ok: by the name unknown, and told by a look once they are measured: {} (explain says what is seen); a blank or a \
             bracket cannot be told so and needs its name, a blank at least a slate before it",
            by_look.words()
        ));
    }
    for (phone, group) in &phones {
        said.push(format!("ok: phone {phone}: {}", group.words()));
    }
    odd(settings, &sorted, said);
}

/// What a person must see to.
fn odd(settings: &Settings, sorted: &[Sorted], said: &mut Vec<String>) {
    let phones: Vec<Option<String>> = sorted
        .iter()
        .map(|s| {
            s.decision
                .purpose()
                .and(s.phone.as_ref())
                .map(Phone::to_string)
        })
        .collect();
    let taken = sorted.iter().zip(&phones).filter_map(|(s, phone)| {
        Some(Taken {
            phone: phone.as_deref()?,
            photo: &s.photo,
            facts: &s.facts,
        })
    });
    let alike = alike(taken);
    let owned = sorted.iter().zip(&phones).map(|(s, phone)| Owned {
        photo: &s.photo,
        bench: s.decision.bench(),
        phone: phone.as_deref(),
        is_bench_told: s
            .decision
            .basis
            .person
            .as_ref()
            .is_some_and(|p| p.bench.is_some()),
        is_of_alike_phones: phone.as_deref().is_some_and(|phone| alike.contains(phone)),
    });
    let notices = notices(owned).into_iter();
    said.extend(notices.map(|notice| format!("ATTENTION: {notice}")));
    let photos = sorted.iter().map(|s| s.photo.as_str());
    let missing = settings.overrides.without(photos);
    if let Some(first) = missing.first() {
        said.push(format!(
            "ATTENTION: the instructor's table names {} that are not in the inbox, such as {first}: misspelt, or still to come",
            missing.len()
        ));
    }
}

fn sort(settings: &Settings, listing: &Listing, said: &mut Vec<String>) -> Vec<Sorted> {
    let files = listing.entries.iter();
    let files: Vec<_> = files
        .filter(|(_, entry)| entry.kind == Kind::File)
        .collect();
    if files.len() > MOST_HEADERS {
        said.push(format!(
            "ok: of {} files the headers of the first {MOST_HEADERS} are read here; of the others only the names are asked",
            files.len()
        ));
    }
    let sorted = files.into_iter().enumerate().map(|(i, (path, _))| {
        let photo = path.shown();
        let facts = match i < MOST_HEADERS {
            true => facts(&path.under(&settings.inbox)),
            false => Facts::default(),
        };
        let decision = settings.rules.decide(&Evidence {
            person: settings.overrides.of(&photo),
            ..Evidence::new(&photo, &facts)
        });
        let phone = Phone::of(&photo, &facts);
        Sorted {
            photo,
            decision,
            facts,
            phone,
        }
    });
    sorted.collect()
}

/// What the head of a file says; nothing where it cannot be read.
fn facts(path: &Path) -> Facts {
    let mut head = Vec::new();
    let read = File::open(path).and_then(|file| file.take(HEAD_BYTES).read_to_end(&mut head));
    read.map_or_else(|_| Facts::default(), |_| decode::facts(&head))
}
