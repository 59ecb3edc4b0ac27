//! Several forms of one shot, as phones write them (raw and JPEG, HEIC and JPEG): one capture, of which the better form is
//! measured. The others are named, with which one it is.

use std::collections::BTreeMap;

use crate::arrive::listing::Rel;
use crate::classify::Outcome;
use crate::decode;

use super::known::Known;

/// Two files of one shot may state times that differ by a tick of the clock, seconds.
const SAME_MOMENT_S: f64 = 1.0;

/// The path of the better form of the same shot, for each photo that has one, in the order of `photos`.
///
/// The same shot is: one folder, one name but for the ending and letter case, one bench, one time of capture that both
/// state, and forms that differ. What is broken is no better form.
pub fn better_forms(photos: &[(&Rel, &Known)]) -> Vec<Option<Rel>> {
    let mut groups: BTreeMap<(String, &str), Vec<usize>> = BTreeMap::new();
    for (i, (_, photo)) in photos.iter().enumerate() {
        let is_photo = matches!(photo.decision.outcome, Outcome::Measure(_));
        if is_photo
            && photo.fault.is_none()
            && photo.facts.taken.is_some()
            && decode::preference(photo.facts.format).is_some()
        {
            let key = (stem(&photo.shown), photo.bench());
            groups.entry(key).or_default().push(i);
        }
    }
    let mut better = vec![None; photos.len()];
    for group in groups.into_values().filter(|group| group.len() > 1) {
        let preference = |i: usize| decode::preference(photos[i].1.facts.format);
        // Of equals the first in the alphabet.
        let best = group
            .iter()
            .copied()
            .rev()
            .max_by_key(|i| preference(*i))
            .expect("two at least");
        for other in group {
            let is_other_form = photos[other].1.facts.format != photos[best].1.facts.format;
            if is_other_form && is_one_moment(photos[other].1, photos[best].1) {
                better[other] = Some(photos[best].0.clone());
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

fn is_one_moment(a: &Known, b: &Known) -> bool {
    match (a.facts.taken, b.facts.taken) {
        (Some(a), Some(b)) => a.duration_since(b).as_secs_f64().abs() <= SAME_MOMENT_S,
        _ => false,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::classify::{Decision, Purpose};
    use crate::decode::Facts;
    use crate::terms::Capture;
    use crate::terms::Code;

    fn known(shown: &str, format: &'static str, second: Option<i8>) -> Known {
        let facts = Facts {
            format,
            taken: second.map(|s| jiff::civil::date(2026, 11, 12).at(19, 0, s, 400_000_000)),
            ..Facts::default()
        };
        let decision = Decision {
            rule: String::new(),
            outcome: Outcome::Measure(Purpose {
                capture: Capture::Sample,
                bench: shown.split('/').next().unwrap_or_default().to_owned(),
                lamp: String::new(),
                label: String::new(),
                groups: BTreeMap::new(),
            }),
            passed_over: Vec::new(),
        };
        Known::new(shown.to_owned(), facts, decision)
    }

    /// `worse<better` for each photo that is left.
    fn left(photos: &[Known]) -> String {
        let paths: Vec<Rel> = photos.iter().map(|p| Rel::new(&p.shown)).collect();
        let listed: Vec<(&Rel, &Known)> = paths.iter().zip(photos).collect();
        better_forms(&listed)
            .iter()
            .zip(photos)
            .filter_map(|(better, photo)| {
                Some(format!("{}<{}", photo.shown, better.as_ref()?.shown()))
            })
            .collect::<Vec<_>>()
            .join(" ")
    }

    #[test]
    fn of_the_forms_of_one_shot_the_better_one_is_measured() {
        let jpeg = || known("heron/IMG_7.JPG", "jpeg", Some(5));
        let raw = known("heron/img_7.dng", "dng", Some(6));
        let expected = if cfg!(feature = "dng") {
            "heron/IMG_7.JPG<heron/img_7.dng"
        } else {
            "heron/img_7.dng<heron/IMG_7.JPG"
        };
        assert_eq!(left(&[jpeg(), raw]), expected);
        if cfg!(feature = "heic") {
            let heic = known("heron/IMG_7.heic", "heic", Some(5));
            assert_eq!(left(&[jpeg(), heic]), "heron/IMG_7.JPG<heron/IMG_7.heic");
        }
    }

    #[test]
    fn two_shots_are_not_taken_for_one() {
        let jpeg = || known("heron/IMG_7.JPG", "jpeg", Some(5));
        for other in [
            known("heron/IMG_7.dng", "dng", Some(7)),
            known("heron/IMG_7.dng", "dng", None),
            known("heron/IMG_8.dng", "dng", Some(5)),
            known("heron/raw/IMG_7.dng", "dng", Some(5)),
            known("dunlin/IMG_7.dng", "dng", Some(5)),
            // The same form twice is two files, not two forms.
            known("heron/img_7.jpeg", "jpeg", Some(5)),
            known("heron/IMG_7.png", "png", Some(5)),
        ] {
            assert_eq!(left(&[jpeg(), other.clone()]), "", "{}", other.shown);
        }
        let mut broken = known("heron/IMG_7.heic", "heic", Some(5));
        broken.fault = Some((Code::Unreadable, String::new()));
        assert_eq!(left(&[jpeg(), broken]), "");
    }

    #[test]
    fn a_stem_is_a_path_without_its_ending() {
        assert_eq!(stem("Heron/IMG.7.JPG"), "heron/img.7");
        assert_eq!(stem("a.b/c"), "a.b/c");
    }
}
