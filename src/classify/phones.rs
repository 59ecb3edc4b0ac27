//! Which phone took a photo, by what its file says; and what is odd about the phones of a bench.
//!
//! Serial numbers and owners are known as hashes only (`decode`), and here they become part of one more.

use std::collections::{BTreeMap, BTreeSet};

use globset::{GlobBuilder, GlobMatcher};
use jiff::civil::DateTime;

use crate::decode::Facts;

use super::bench::looks_like_a_date;
use super::camera_names::without_copy_mark;

/// Digits of a phone's code: of a hundred phones no two are alike but once in a million classes (birthday bound, 16⁸).
const CODE_DIGITS: usize = 8;

/// A phone.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Phone {
    /// Model, or nothing where the file does not say.
    pub model: String,
    /// Tells it from others: eight hexadecimal digits.
    pub code: String,
}

impl Phone {
    /// The phone that took the photo at `path`, by make, model and what tells it from others of its kind; where nothing does,
    /// by the folder as well. Absent where the file names no model: then nothing but the folder is known.
    pub fn of(path: &str, facts: &Facts) -> Option<Phone> {
        let model = facts.model.clone()?;
        let make = facts.make.as_deref().unwrap_or_default();
        let folder = path.split_once('/').map_or("", |(folder, _)| folder);
        let own = match &facts.unit {
            Some(unit) => format!("unit\n{unit}"),
            None => format!("folder\n{folder}"),
        };
        let hash = blake3::hash(format!("{make}\n{model}\n{own}").as_bytes());
        let code = hash.to_hex()[..CODE_DIGITS].to_owned();
        Some(Phone { model, code })
    }
}

impl std::fmt::Display for Phone {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{} {}", self.model, self.code)
    }
}

/// Which bench each phone belongs to, as a person states it: by its code, or by a pattern of its model.
#[derive(Clone, Debug, Default)]
pub struct Phones {
    benches: Vec<(String, GlobMatcher, String)>,
}

impl Phones {
    /// Adds a phone.
    ///
    /// # Errors
    /// In words, where `which` is no pattern.
    pub fn push(&mut self, which: &str, bench: &str) -> Result<(), String> {
        let glob = GlobBuilder::new(which).case_insensitive(true).build();
        let glob = glob.map_err(|error| error.kind().to_string())?;
        let matcher = glob.compile_matcher();
        self.benches
            .push((which.to_owned(), matcher, bench.to_owned()));
        Ok(())
    }

    /// The bench that a phone is given to; absent where nobody says. A code goes before a model.
    pub fn bench(&self, phone: &Phone) -> Option<&str> {
        let by_code =
            |(which, ..): &&(String, GlobMatcher, String)| which.eq_ignore_ascii_case(&phone.code);
        let by_model = |(_, glob, _): &&(String, GlobMatcher, String)| glob.is_match(&phone.model);
        let mut benches = self.benches.iter();
        let found = benches
            .clone()
            .find(by_code)
            .or_else(|| benches.find(by_model));
        found.map(|(.., bench)| bench.as_str())
    }
}

/// A photo among those of the class, for [`notices`].
pub struct Owned<'a> {
    /// Path below the inbox.
    pub photo: &'a str,
    /// Whose it is.
    pub bench: &'a str,
    /// Which phone took it; absent where nothing but the folder is known.
    pub phone: Option<&'a str>,
    /// True where a slate or a person says whose it is: then one phone may serve two benches.
    pub is_bench_told: bool,
    /// True where it may be of one of several phones that cannot be told apart.
    pub is_of_alike_phones: bool,
}

/// A photo by the phone that took it, for [`alike`].
pub struct Taken<'a> {
    /// What tells its phone from others.
    pub phone: &'a str,
    /// Path below the inbox.
    pub photo: &'a str,
    /// From its header.
    pub facts: &'a Facts,
}

/// A name with fewer digits is given again and again by one phone (`image.jpg`, `photo-1.jpg`), and one with more letters than
/// digits by people (`bulb-2800K.jpg`).
const COUNTING_DIGITS: usize = 4;
/// Two photos of one name that were taken within this time may be forms of one shot or an edited copy, s (common practice, no
/// source).
const ONE_SHOT_S: f64 = 2.0;

/// What stands for several phones that cannot be told apart: their files name no unit, and gave one counted name to photos that
/// were taken at different times.
pub fn alike<'a>(photos: impl Iterator<Item = Taken<'a>>) -> BTreeSet<&'a str> {
    let mut times: BTreeMap<(&str, String), Vec<DateTime>> = BTreeMap::new();
    for Taken {
        phone,
        photo,
        facts,
    } in photos.filter(|taken| taken.facts.unit.is_none())
    {
        let name = photo.rsplit('/').next().unwrap_or(photo);
        let name = without_copy_mark(name).to_lowercase();
        let digits = name.bytes().filter(u8::is_ascii_digit).count();
        let letters = name.chars().filter(|c| c.is_alphabetic()).count();
        let is_counted = digits >= COUNTING_DIGITS.max(letters);
        if let Some(taken) = facts.taken.filter(|_| is_counted) {
            times.entry((phone, name)).or_default().push(taken);
        }
    }
    let differ = |times: &Vec<DateTime>| {
        let first_and_last = times.iter().min().zip(times.iter().max());
        first_and_last
            .is_some_and(|(first, last)| last.duration_since(*first).as_secs_f64() > ONE_SHOT_S)
    };
    times
        .into_iter()
        .filter(|(_, times)| differ(times))
        .map(|((phone, _), _)| phone)
        .collect()
}

/// What a person should look at before the class goes on, each in a sentence: a bench that is named like a date, one with
/// several phones, a phone in two benches, a name that two phones gave to two photos of one bench, photos of phones that cannot be told
/// apart.
pub fn notices<'a>(photos: impl Iterator<Item = Owned<'a>>) -> Vec<String> {
    let mut benches: BTreeMap<&str, BTreeSet<&str>> = BTreeMap::new();
    let mut names: BTreeMap<(&str, String), BTreeMap<&str, &str>> = BTreeMap::new();
    let mut alike: BTreeMap<&str, Vec<&str>> = BTreeMap::new();
    let mut homes: BTreeMap<&str, BTreeSet<&str>> = BTreeMap::new();
    for Owned {
        photo,
        bench,
        phone,
        is_bench_told,
        is_of_alike_phones,
    } in photos
    {
        if is_of_alike_phones {
            alike.entry(bench).or_default().push(photo);
        }
        if let Some(phone) = phone.filter(|_| !is_bench_told) {
            homes.entry(phone).or_default().insert(bench);
        }
        let phones = benches.entry(bench).or_default();
        let Some(phone) = phone else { continue };
        phones.insert(phone);
        let name = photo.rsplit('/').next().unwrap_or(photo);
        let key = (bench, without_copy_mark(name).to_lowercase());
        names.entry(key).or_default().entry(phone).or_insert(photo);
    }
    let mut said = Vec::new();
    for (bench, phones) in &benches {
        if looks_like_a_date(bench) {
            said.push(format!(
                "the bench {bench} is named like a date: if benches lie in folders below it, name the bench in a rule (regex: \
                 '^[^/]+/(?<bench>[^/]+)/')"
            ));
        }
        if phones.len() > 1 {
            let phones: Vec<&str> = phones.iter().copied().collect();
            said.push(format!(
                "the bench {bench} has photos of {} phones ({}): two phones on one disc are two instruments; give each phone \
                 its bench under `phones:`",
                phones.len(),
                phones.join(", ")
            ));
        }
    }
    for (phone, benches) in homes.iter().filter(|(_, benches)| benches.len() > 1) {
        let benches: Vec<&str> = benches.iter().copied().collect();
        said.push(format!(
            "photos of {} benches ({}) are of one phone by what their files say ({phone}): give it its bench under `phones:`, or, if \
             the benches share it, have slates name the bench",
            benches.len(),
            benches.join(", ")
        ));
    }
    for (bench, photos) in alike {
        let first = photos.iter().min().copied().unwrap_or_default();
        said.push(format!(
            "photos of the bench {bench} ({}, such as {first}) are of several phones that cannot be told apart by what their files \
             say: which instrument one shows is not known, and a slate, where slates are used, governs none of them; give each phone \
             a folder of its own",
            photos.len()
        ));
    }
    for ((bench, _), by_phone) in names.iter().filter(|(_, by_phone)| by_phone.len() > 1) {
        let photos: Vec<&str> = by_phone.values().copied().collect();
        said.push(format!(
            "two phones of the bench {bench} gave one name to two photos ({}): make sure that none has replaced another",
            photos.join(", ")
        ));
    }
    said
}

#[cfg(test)]
mod tests {
    use super::*;

    fn facts(model: &str, unit: Option<&str>) -> Facts {
        Facts {
            make: Some("Shore".to_owned()),
            model: Some(model.to_owned()),
            unit: unit.map(str::to_owned),
            ..Facts::default()
        }
    }

    #[test]
    fn a_phone_is_the_same_everywhere_by_its_unit_and_within_its_folder_without() {
        let code = |path, model, unit| Phone::of(path, &facts(model, unit)).unwrap().code;
        assert_eq!(
            code("a/1.jpg", "Tern", Some("x")),
            code("b/2.jpg", "Tern", Some("x"))
        );
        assert_ne!(
            code("a/1.jpg", "Tern", Some("x")),
            code("a/1.jpg", "Tern", Some("y"))
        );
        assert_eq!(
            code("a/1.jpg", "Tern", None),
            code("a/c/2.jpg", "Tern", None)
        );
        assert_ne!(code("a/1.jpg", "Tern", None), code("b/1.jpg", "Tern", None));
        assert!(Phone::of("a/1.jpg", &Facts::default()).is_none());
    }

    #[test]
    fn a_phone_s_code_goes_before_its_model() {
        let tern = Phone::of("a/1.jpg", &facts("Tern 4", Some("x"))).unwrap();
        let other = Phone::of("a/1.jpg", &facts("Tern 4", Some("y"))).unwrap();
        let mut phones = Phones::default();
        phones.push("tern*", "dunlin").unwrap();
        phones.push(&tern.code.to_uppercase(), "heron").unwrap();
        assert_eq!(phones.bench(&tern), Some("heron"));
        assert_eq!(phones.bench(&other), Some("dunlin"));
        let skua = Phone::of("a/1.jpg", &facts("Skua", None)).unwrap();
        assert_eq!(phones.bench(&skua), None);
    }

    #[test]
    fn what_is_odd_about_the_phones_of_a_bench_is_said() {
        let photo = |photo, bench, phone| Owned {
            photo,
            bench,
            phone,
            is_bench_told: false,
            is_of_alike_phones: false,
        };
        let quiet = [
            photo("heron/IMG_1.jpg", "heron", Some("Tern 1")),
            photo("dunlin/IMG_1.jpg", "dunlin", Some("Skua 2")),
            photo("dunlin/notes.txt", "dunlin", None),
        ];
        assert_eq!(notices(quiet.into_iter()), [""; 0]);
        let alike = Owned {
            is_of_alike_phones: true,
            ..photo("a/IMG_1.jpg", "a", None)
        };
        let said = notices([alike].into_iter());
        assert!(
            said[0].starts_with("photos of the bench a (1,")
                && said[0].contains("governs none of them"),
            "{said:?}"
        );
        let twice = [
            photo("a/IMG_1.jpg", "a", Some("Tern 1")),
            photo("b/IMG_2.jpg", "b", Some("Tern 1")),
        ];
        let said = notices(twice.into_iter());
        assert_eq!(said.len(), 1, "{said:?}");
        assert!(
            said[0].contains("2 benches (a, b) are of one phone"),
            "{said:?}"
        );
        // Benches that share a phone say so by their slates.
        let shared = ["a", "b"].map(|bench| Owned {
            is_bench_told: true,
            ..photo("p/IMG_1.jpg", bench, Some("Tern 1"))
        });
        assert_eq!(notices(shared.into_iter()), [""; 0]);
        let odd = [
            photo("2026-11-12/a/IMG_1.jpg", "2026-11-12", Some("Tern 1")),
            photo("2026-11-12/a/img_1 (1).jpg", "2026-11-12", Some("Skua 2")),
        ];
        let said = notices(odd.into_iter());
        assert_eq!(said.len(), 3, "{said:?}");
        for (said, word) in
            said.iter()
                .zip(["like a date", "2 phones (Skua 2, Tern 1)", "one name"])
        {
            assert!(said.contains(word), "{said}");
        }
    }

    #[test]
    fn phones_that_give_one_counted_name_at_two_times_and_no_unit_are_alike() {
        let at = |minute: i8, unit: Option<&str>| Facts {
            taken: Some(jiff::civil::date(2026, 11, 12).at(19, minute, 0, 0)),
            ..facts("Tern", unit)
        };
        let found = |photos: &[(&str, Facts)]| {
            let taken = photos.iter().map(|(photo, facts)| Taken {
                phone: "Tern",
                photo,
                facts,
            });
            !alike(taken).is_empty()
        };
        let twice =
            |a: &'static str, b: &'static str, unit| found(&[(a, at(0, unit)), (b, at(9, unit))]);
        assert!(twice("a/IMG_0412.jpg", "a/IMG_0412 (1).jpg", None));
        assert!(twice("a/x/IMG_0412.jpg", "a/y/img_0412.JPG", None));
        assert!(!twice("a/IMG_0412.jpg", "a/IMG_0412 (1).jpg", Some("u")));
        assert!(!twice("a/IMG_0412.jpg", "a/IMG_0413.jpg", None));
        assert!(!twice("a/image.jpg", "a/image (1).jpg", None));
        assert!(!twice("a/x/bulb-2800K.jpg", "a/y/bulb-2800K.jpg", None));
        let forms = [
            ("a/IMG_0412.jpg", at(0, None)),
            ("a/IMG_0412.heic", at(0, None)),
        ];
        assert!(!found(&forms));
    }
}
