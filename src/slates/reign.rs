//! Which photos a slate governs: a pure function of all photos of a session, whatever order they arrived in.
//!
//! What comes next holds for the following photos of that phone until its next slate; the bench until its next slate that names
//! one, for a phone that photographs the lamp's card has not left its bench. Both end with the session, after `slates: valid_min`, and
//! at a slate that cannot be read, which may have said anything. That the last photo does not count ends nothing.

use std::cmp::Ordering;
use std::collections::BTreeMap;
use std::collections::BTreeSet;

use jiff::civil::DateTime;

use super::sight::Sighting;
use super::slate::What;

/// What is known of a photo.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Photo<'a> {
    /// Path below the inbox, with `/`.
    pub path: &'a str,
    /// The session it belongs to.
    pub session: &'a str,
    /// The phone it was taken with; absent where it may be one of several that cannot be told apart.
    pub phone: Option<&'a str>,
    /// When, by the phone, with the parts of a second where the file has them.
    pub taken: Option<DateTime>,
    /// What was seen in it.
    pub seen: &'a Sighting,
}

/// What slates say of a photo: each the index of a slate among the photos that were handed in.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Under {
    /// The slate that says what it shows.
    pub what: Option<usize>,
    /// The slate that says which bench it is of.
    pub bench: Option<usize>,
    /// The slate that says that it does not count.
    pub void: Option<usize>,
    /// Why no slate says anything of it, where one might have.
    pub ungoverned: Option<Ungoverned>,
}

/// Why no slate governs a photo although there are slates.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Ungoverned {
    /// The file does not say when it was taken.
    NoTime,
    /// It may be of one of several phones that cannot be told apart.
    AlikePhones,
    /// The slate before it, which has this index, cannot be read.
    Unread(usize),
    /// The slate before it, which has this index, holds no longer.
    TooOld(usize),
}

/// What slates say of each photo, in the order of `photos`, on which nothing else depends. A slate itself is of the bench that is in
/// force where it was taken, and under nothing else.
///
/// `valid_min`: for how long a slate holds, minutes; absent: until the next one or the session's end.
pub fn governed(photos: &[Photo<'_>], valid_min: Option<f64>) -> Vec<Under> {
    let mut under = vec![Under::default(); photos.len()];
    let mut by_phone: BTreeMap<(&str, &str), Vec<(DateTime, usize)>> = BTreeMap::new();
    let slates: BTreeSet<(&str, Option<&str>)> = photos
        .iter()
        .filter(|p| *p.seen != Sighting::None)
        .map(|p| (p.session, p.phone))
        .collect();
    let any_slate = |session: &str| slates.iter().any(|(of, _)| *of == session);
    for (i, photo) in photos.iter().enumerate() {
        match (photo.phone, photo.taken) {
            (Some(phone), Some(taken)) => by_phone
                .entry((photo.session, phone))
                .or_default()
                .push((taken, i)),
            (None, _) if any_slate(photo.session) => {
                under[i].ungoverned = Some(Ungoverned::AlikePhones);
            }
            (Some(_), None) if slates.contains(&(photo.session, photo.phone)) => {
                under[i].ungoverned = Some(Ungoverned::NoTime);
            }
            _ => {}
        }
    }
    for row in by_phone.values_mut() {
        row.sort_by(|(a_taken, a), (b_taken, b)| {
            let (a, b) = (photos[*a].path, photos[*b].path);
            a_taken.cmp(b_taken).then_with(|| natural(a, b))
        });
        walk(photos, row, valid_min, &mut under);
    }
    under
}

/// A slate that was seen, and when.
type InForce = Option<(DateTime, usize)>;

/// Goes through one phone's photos of one session, in order.
fn walk(
    photos: &[Photo<'_>],
    row: &[(DateTime, usize)],
    valid_min: Option<f64>,
    under: &mut [Under],
) {
    let (mut what, mut bench): (InForce, InForce) = (None, None);
    let mut unread = None;
    let mut last_photo = None;
    for &(taken, i) in row {
        let holds = |slate: InForce| {
            let (since, slate) = slate?;
            let age_min = taken.duration_since(since).as_secs_f64() / 60.0;
            valid_min
                .is_none_or(|most| age_min <= most)
                .then_some(slate)
        };
        match photos[i].seen {
            Sighting::None => {
                let too_old = what.or(bench).map(|(_, slate)| Ungoverned::TooOld(slate));
                under[i].what = holds(what);
                under[i].bench = holds(bench);
                if under[i].what.is_none() && under[i].bench.is_none() {
                    under[i].ungoverned = unread.map(Ungoverned::Unread).or(too_old);
                }
                last_photo = Some(i);
            }
            Sighting::Unread(_) => {
                under[i].bench = holds(bench);
                (what, bench) = (None, None);
                unread = Some(i);
            }
            Sighting::Read(slate) if slate.what == Some(What::Void) => {
                under[i].bench = holds(bench);
                if let Some(photo) = last_photo {
                    under[photo].void.get_or_insert(i);
                }
            }
            Sighting::Read(slate) => {
                unread = None;
                what = slate.what.is_some().then_some((taken, i));
                under[i].bench = holds(bench);
                if slate.bench.is_some() {
                    bench = Some((taken, i));
                    under[i].bench = Some(i);
                }
            }
        }
    }
}

/// The order in which people read names: digits by their number, letters whatever their case, so that `IMG_9` goes before `img_10`.
/// File names first, then whole paths, so that no two different paths are equal.
pub fn natural(a: &str, b: &str) -> Ordering {
    let name = |path: &str| path.rsplit('/').next().unwrap_or(path).to_lowercase();
    let (a_name, b_name) = (name(a), name(b));
    by_parts(&a_name, &b_name).then_with(|| a.cmp(b))
}

fn by_parts(a: &str, b: &str) -> Ordering {
    let (mut a, mut b) = (a, b);
    loop {
        let (a_part, a_rest) = first_part(a);
        let (b_part, b_rest) = first_part(b);
        let is_number = |part: &str| part.starts_with(|c: char| c.is_ascii_digit());
        let order = if is_number(a_part) && is_number(b_part) {
            let plain = |part: &'_ str| part.trim_start_matches('0').to_owned();
            let (a_digits, b_digits) = (plain(a_part), plain(b_part));
            let by_length = a_digits.len().cmp(&b_digits.len());
            by_length.then_with(|| a_digits.cmp(&b_digits))
        } else {
            a_part.cmp(b_part)
        };
        if order != Ordering::Equal || (a_part.is_empty() && b_part.is_empty()) {
            return order;
        }
        (a, b) = (a_rest, b_rest);
    }
}

/// The leading run of digits or of anything else, and what is left.
fn first_part(text: &str) -> (&str, &str) {
    let Some(first) = text.chars().next() else {
        return ("", "");
    };
    let digits = first.is_ascii_digit();
    let end = text.find(|c: char| c.is_ascii_digit() != digits);
    text.split_at(end.unwrap_or(text.len()))
}

#[cfg(test)]
mod tests {
    use super::super::slate::Slate;
    use super::*;
    use proptest::prelude::*;

    const NO: Sighting = Sighting::None;

    fn at(minute: i64) -> Option<DateTime> {
        let evening = jiff::civil::date(2026, 11, 12).at(19, 0, 0, 0);
        Some(evening + jiff::Span::new().minutes(minute))
    }

    fn photo<'a>(path: &'a str, minute: i64, seen: &'a Sighting) -> Photo<'a> {
        Photo {
            path,
            session: "",
            phone: Some("tern"),
            taken: at(minute),
            seen,
        }
    }

    fn said(what: What) -> Sighting {
        Sighting::Read(Slate::of(what))
    }

    fn unread() -> Sighting {
        Sighting::Unread("a slate whose code cannot be read".to_owned())
    }

    #[test]
    fn a_slate_governs_what_follows_until_the_next_one() {
        let (lamp, blank) = (said(What::Lamp(None)), said(What::Blank));
        let photos = [
            photo("IMG_1.jpg", 0, &NO),
            photo("IMG_2.jpg", 1, &lamp),
            photo("IMG_3.jpg", 2, &NO),
            photo("IMG_4.jpg", 3, &NO),
            photo("IMG_5.jpg", 4, &blank),
            photo("IMG_6.jpg", 5, &NO),
        ];
        let what: Vec<_> = governed(&photos, None).iter().map(|u| u.what).collect();
        assert_eq!(what, [None, None, Some(1), Some(1), None, Some(4)]);
    }

    #[test]
    fn a_bench_holds_while_the_cards_of_captures_change_and_ends_what_was_next() {
        let (heron, avocet) = (
            Sighting::Read(Slate::of_bench("heron")),
            Sighting::Read(Slate::of_bench("avocet")),
        );
        let lamp = said(What::Lamp(None));
        let photos = [
            photo("1.jpg", 0, &heron),
            photo("2.jpg", 1, &lamp),
            photo("3.jpg", 2, &NO),
            photo("4.jpg", 3, &avocet),
            photo("5.jpg", 4, &NO),
        ];
        let under = governed(&photos, None);
        assert_eq!((under[2].bench, under[2].what), (Some(0), Some(1)));
        assert_eq!((under[4].bench, under[4].what), (Some(3), None));
        let of_slates: Vec<_> = [0, 1, 3].map(|i| under[i].bench).to_vec();
        assert_eq!(of_slates, [Some(0), Some(0), Some(3)]);
    }

    #[test]
    fn phones_and_sessions_have_slates_of_their_own() {
        let lamp = said(What::Lamp(None));
        let mut photos = [
            photo("1.jpg", 0, &lamp),
            photo("2.jpg", 1, &NO),
            photo("3.jpg", 1, &NO),
        ];
        photos[1].phone = Some("another");
        photos[2].session = "next week";
        assert!(governed(&photos, None).iter().all(|u| u.what.is_none()));
    }

    #[test]
    fn a_slate_holds_no_longer_than_it_is_valid() {
        let lamp = said(What::Lamp(None));
        let photos = [
            photo("1.jpg", 0, &lamp),
            photo("2.jpg", 30, &NO),
            photo("3.jpg", 31, &NO),
        ];
        let under = governed(&photos, Some(30.0));
        assert_eq!(under[1].what, Some(0));
        assert_eq!(under[2].what, None);
        assert_eq!(under[2].ungoverned, Some(Ungoverned::TooOld(0)));
    }

    #[test]
    fn a_slate_that_cannot_be_read_ends_its_predecessor_s_reign() {
        let (lamp, heron) = (
            said(What::Lamp(None)),
            Sighting::Read(Slate::of_bench("heron")),
        );
        let spoilt = unread();
        let photos = [
            photo("1.jpg", 0, &heron),
            photo("2.jpg", 1, &lamp),
            photo("3.jpg", 2, &spoilt),
            photo("4.jpg", 3, &NO),
            photo("5.jpg", 4, &lamp),
            photo("6.jpg", 5, &NO),
        ];
        let under = governed(&photos, None);
        assert_eq!((under[3].what, under[3].bench), (None, None));
        assert_eq!(under[3].ungoverned, Some(Ungoverned::Unread(2)));
        assert_eq!((under[5].what, under[5].ungoverned), (Some(4), None));
    }

    #[test]
    fn a_photo_without_a_time_or_of_a_phone_that_has_a_twin_is_under_no_slate_and_it_is_said() {
        let lamp = said(What::Lamp(None));
        let mut photos = [
            photo("1.jpg", 0, &lamp),
            photo("2.jpg", 1, &NO),
            photo("3.jpg", 1, &NO),
        ];
        photos[1].taken = None;
        photos[2].phone = None;
        let under = governed(&photos, None);
        assert_eq!((under[1].what, under[2].what), (None, None));
        assert_eq!(under[1].ungoverned, Some(Ungoverned::NoTime));
        assert_eq!(under[2].ungoverned, Some(Ungoverned::AlikePhones));
        // Another phone's slate could not have governed it.
        photos[1].phone = Some("gull");
        assert_eq!(governed(&photos, None)[1], Under::default());
        // Where nobody uses slates there is nothing to say.
        photos[0].seen = &NO;
        assert_eq!(governed(&photos, None), [Under::default(); 3]);
    }

    #[test]
    fn the_last_photo_does_not_count_and_what_was_next_still_is() {
        let (lamp, void) = (said(What::Lamp(None)), said(What::Void));
        let photos = [
            photo("1.jpg", 0, &lamp),
            photo("2.jpg", 1, &NO),
            photo("3.jpg", 2, &NO),
            photo("4.jpg", 3, &void),
            photo("5.jpg", 4, &void),
            photo("6.jpg", 5, &NO),
        ];
        let under = governed(&photos, None);
        let voided: Vec<_> = under.iter().map(|u| u.void).collect();
        assert_eq!(voided, [None, None, Some(3), None, None, None]);
        assert_eq!(under[5].what, Some(0));
    }

    #[test]
    fn photos_of_one_moment_go_by_their_names_as_people_read_them() {
        let (lamp, blank) = (said(What::Lamp(None)), said(What::Blank));
        let photos = [
            photo("heron/img_10.jpg", 0, &NO),
            photo("heron/IMG_9.jpg", 0, &lamp),
            photo("heron/IMG_11.jpg", 0, &blank),
        ];
        assert_eq!(governed(&photos, None)[0].what, Some(1));
        assert_eq!(natural("a/IMG_007.jpg", "a/IMG_7.jpg"), Ordering::Less);
        assert_eq!(natural("b/1.jpg", "a/2.jpg"), Ordering::Less);
        assert_eq!(natural("a/x", "a/x"), Ordering::Equal);
    }

    #[test]
    fn parts_of_a_second_decide_where_the_file_has_them() {
        let lamp = said(What::Lamp(None));
        let mut photos = [photo("1.jpg", 0, &NO), photo("2.jpg", 0, &lamp)];
        photos[0].taken = at(0).map(|t| t + jiff::Span::new().milliseconds(20));
        photos[1].taken = at(0).map(|t| t + jiff::Span::new().milliseconds(10));
        assert_eq!(governed(&photos, None)[0].what, Some(1));
    }

    proptest! {
        #[test]
        fn the_order_of_arrival_changes_nothing(
            kinds in prop::collection::vec((0usize..6, 0i64..8, 0usize..3), 1..14),
            turn in 0usize..14,
        ) {
            let seen = [
                NO,
                NO,
                said(What::Lamp(None)),
                said(What::Void),
                Sighting::Read(Slate::of_bench("heron")),
                unread(),
            ];
            let names: Vec<String> = (0..kinds.len()).map(|i| format!("{i}.jpg")).collect();
            let photos: Vec<Photo<'_>> = kinds
                .iter()
                .zip(&names)
                .map(|((kind, minute, phone), name)| Photo {
                    phone: [Some("tern"), Some("gull"), None][*phone],
                    ..photo(name, *minute, &seen[*kind])
                })
                .collect();
            let named = |photos: &[Photo<'_>]| {
                let name = |i: Option<usize>| i.map(|i| photos[i].path.to_owned());
                let mut all: Vec<_> = governed(photos, Some(4.0))
                    .iter()
                    .zip(photos)
                    .map(|(u, p)| (p.path.to_owned(), name(u.what), name(u.bench), name(u.void)))
                    .collect();
                all.sort();
                all
            };
            let mut turned = photos.clone();
            turned.rotate_left(turn % photos.len());
            turned.reverse();
            prop_assert_eq!(named(&photos), named(&turned));
        }
    }
}
