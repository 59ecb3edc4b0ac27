//! Several forms of one shot, as phones write them (raw and JPEG, HEIC and JPEG): one capture, of which the better form is
//! measured. The others are named, with which one it is.

use std::collections::BTreeMap;

use crate::decode::{self, Facts};

/// Two files of one shot may state times that differ by a tick of the clock, seconds.
const SAME_MOMENT_S: f64 = 1.0;

/// A photo that may be one of several forms of a shot.
#[derive(Clone, Copy)]
pub struct Form<'a> {
    /// Path below the inbox, as shown.
    pub photo: &'a str,
    /// Whose it is.
    pub bench: &'a str,
    /// From its header.
    pub facts: &'a Facts,
}

/// A form's place among the photos, what its file says, and how much its format is preferred.
type Ranked<'a> = (usize, &'a Facts, u8);

/// The place in `photos` of the better form of the same shot, for each photo that has one; `None` among `photos` stands for what is
/// no photo or is broken: that is no better form of anything.
///
/// The same shot is: one folder, one name but for the ending and letter case, one bench, one time of capture that both
/// state, and forms that differ.
pub fn better_forms(photos: &[Option<Form>]) -> Vec<Option<usize>> {
    let mut groups: BTreeMap<(String, &str), Vec<Ranked>> = BTreeMap::new();
    for (i, form) in photos.iter().enumerate() {
        if let Some(Form {
            photo,
            bench,
            facts,
        }) = form
            && facts.taken.is_some()
            && let Some(preference) = decode::preference(facts.format)
        {
            let group = groups.entry((stem(photo), bench)).or_default();
            group.push((i, facts, preference));
        }
    }
    let mut better = vec![None; photos.len()];
    for group in groups.into_values() {
        // Of equals the first in the alphabet.
        let best = group
            .iter()
            .rev()
            .max_by_key(|(_, _, preference)| preference);
        let &(best, best_facts, _) = best.expect("a group has a first one");
        for (other, facts, _) in group {
            if facts.format != best_facts.format && is_one_moment(facts, best_facts) {
                better[other] = Some(best);
            }
        }
    }
    better
}

/// A path without its ending, in lower case.
pub fn stem(shown: &str) -> String {
    let name = shown.rfind('/').map_or(0, |at| at + 1);
    let end = shown[name..].rfind('.').map_or(shown.len(), |at| name + at);
    shown[..end].to_lowercase()
}

fn is_one_moment(a: &Facts, b: &Facts) -> bool {
    match (a.taken, b.taken) {
        (Some(a), Some(b)) => a.duration_since(b).as_secs_f64().abs() <= SAME_MOMENT_S,
        _ => false,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A photo by its path, form and second of capture.
    type Photo = (&'static str, Facts);

    fn photo(shown: &'static str, format: &'static str, second: Option<i8>) -> Photo {
        let facts = Facts {
            format,
            taken: second.map(|s| jiff::civil::date(2026, 11, 12).at(19, 0, s, 400_000_000)),
            ..Facts::default()
        };
        (shown, facts)
    }

    /// `worse<better` for each photo that is left.
    fn left(photos: &[Photo]) -> String {
        let forms = photos.iter().map(|(photo, facts)| {
            let bench = photo.split('/').next().unwrap_or_default();
            Some(Form {
                photo,
                bench,
                facts,
            })
        });
        let better = better_forms(&forms.collect::<Vec<_>>());
        let words = better
            .iter()
            .zip(photos)
            .filter_map(|(better, (photo, _))| Some(format!("{photo}<{}", photos[(*better)?].0)));
        words.collect::<Vec<_>>().join(" ")
    }

    #[test]
    fn of_the_forms_of_one_shot_the_better_one_is_measured() {
        let jpeg = || photo("heron/IMG_7.JPG", "jpeg", Some(5));
        let raw = photo("heron/img_7.dng", "dng", Some(6));
        let expected = if cfg!(feature = "dng") {
            "heron/IMG_7.JPG<heron/img_7.dng"
        } else {
            "heron/img_7.dng<heron/IMG_7.JPG"
        };
        assert_eq!(left(&[jpeg(), raw]), expected);
        if cfg!(feature = "heic") {
            let heic = photo("heron/IMG_7.heic", "heic", Some(5));
            assert_eq!(left(&[jpeg(), heic]), "heron/IMG_7.JPG<heron/IMG_7.heic");
        }
    }

    #[test]
    fn two_shots_are_not_taken_for_one() {
        let jpeg = || photo("heron/IMG_7.JPG", "jpeg", Some(5));
        for other in [
            photo("heron/IMG_7.dng", "dng", Some(7)),
            photo("heron/IMG_7.dng", "dng", None),
            photo("heron/IMG_8.dng", "dng", Some(5)),
            photo("heron/raw/IMG_7.dng", "dng", Some(5)),
            photo("dunlin/IMG_7.dng", "dng", Some(5)),
            // The same form twice is two files, not two forms.
            photo("heron/img_7.jpeg", "jpeg", Some(5)),
            photo("heron/IMG_7.png", "png", Some(5)),
        ] {
            assert_eq!(left(&[jpeg(), other.clone()]), "", "{}", other.0);
        }
        let (name, facts) = &jpeg();
        let form = Form {
            photo: name,
            bench: "heron",
            facts,
        };
        // What is broken is no form of anything.
        assert_eq!(better_forms(&[Some(form), None]), [None, None]);
    }

    #[test]
    fn a_stem_is_a_path_without_its_ending() {
        assert_eq!(stem("Heron/IMG.7.JPG"), "heron/img.7");
        assert_eq!(stem("a.b/c"), "a.b/c");
    }
}
