//! Decides which lamp photo, blank and dark belong to which photo: a pure function of what is known of all of them.
//!
//! Times are the phones' own, from the photos; the files' times say when a file was copied, not when the shutter
//! opened, and are never used.

use std::collections::BTreeMap;

use jiff::civil::DateTime;

use crate::terms::{Capture, Choice, Pairing, REPEATED_WITHIN_S, SAME_EXPOSURE, Verdict};

/// What pairing needs to know of a photo.
#[derive(Clone, Debug, PartialEq)]
pub struct Shot<'a> {
    /// Path below the inbox, as shown.
    pub photo: &'a str,
    /// Hash of its bytes.
    pub hash: &'a str,
    /// Its instrument: only photos of the same one belong together.
    pub bench: &'a str,
    /// What it was taken for.
    pub capture: Capture,
    /// When, by the phone.
    pub taken: Option<DateTime>,
    /// Exposure time (s) × ISO, where the file says.
    pub exposure: Option<f64>,
    /// Its verdict, where it has been measured.
    pub verdict: Option<Verdict>,
}

/// What a photo is to be made from: hashes by path.
#[derive(Clone, Debug, PartialEq, Eq, Default)]
pub struct Inputs {
    /// Lamp photos.
    pub calibration: BTreeMap<String, String>,
    /// Blanks.
    pub blank: BTreeMap<String, String>,
    /// Darks.
    pub dark: BTreeMap<String, String>,
    /// Brackets: all shots of one scene at several exposures.
    pub bracket: BTreeMap<String, String>,
}

/// The order of work: a photo is only ever made from photos of an earlier stage.
pub fn stage(capture: Capture) -> usize {
    match capture {
        Capture::Calibration => 0,
        Capture::Dark => 1,
        Capture::Bracket => 2,
        Capture::Blank => 3,
        Capture::Sample => 4,
    }
}

/// The last [`stage`].
pub const LAST_STAGE: usize = 4;

/// Chooses every photo's inputs among the photos of its bench that can be relied on.
///
/// Lamp photos and blanks count if their verdict is good or caution, darks also if they wait. Lamp photos get no
/// inputs. A bracket counts whatever its verdict, for its shots are over-exposed and dim on purpose. Where none of a
/// bench's blanks counts, one that is to be taken again is handed on all the same: so that it can be said why there is
/// no absorbance. Of several blanks or darks those with the photo's own exposure go before the others. With a sound blank come its
/// repeats: the bench's other sound ones of the same exposure that were taken within ten minutes of it. The result is in
/// the order of `shots` and does not depend on it otherwise.
pub fn plan(shots: &[Shot<'_>], rule: &Pairing) -> Vec<Inputs> {
    let mut sound = Groups::new();
    let mut spoilt_blanks = Groups::new();
    for shot in shots {
        let groups = match (shot.capture, shot.verdict) {
            (Capture::Blank, Some(Verdict::Retake)) => &mut spoilt_blanks,
            _ if counts(shot) => &mut sound,
            _ => continue,
        };
        groups
            .entry((shot.bench, stage(shot.capture)))
            .or_default()
            .push(shot);
    }
    for group in sound.values_mut().chain(spoilt_blanks.values_mut()) {
        group.sort_by_key(|shot| shot.photo);
    }
    let among = |groups: &Groups<'_>, shot: &Shot<'_>, capture, choice| {
        let usable = stage(capture) < stage(shot.capture);
        let group = groups.get(&(shot.bench, stage(capture))).filter(|_| usable);
        let is_near = |c: &&&Shot<'_>| match (c.taken, shot.taken, rule.within_h) {
            (Some(a), Some(b), Some(h)) => a.duration_since(b).as_secs_f64().abs() <= h * 3600.0,
            _ => true,
        };
        let mut near: Vec<&Shot<'_>> = group
            .into_iter()
            .flatten()
            .filter(is_near)
            .copied()
            .collect();
        let alike = |c: &&Shot<'_>| have_one_exposure(c, shot);
        if matches!(capture, Capture::Blank | Capture::Dark) && near.iter().any(alike) {
            near.retain(alike);
        }
        let hashed = |shot: &Shot<'_>| (shot.photo.to_owned(), shot.hash.to_owned());
        let chosen = choose(shot, &near, choice);
        let is_repeat = |c: &&Shot<'_>| {
            let is_blank = c.capture == Capture::Blank && c.verdict != Some(Verdict::Retake);
            is_blank && chosen.iter().any(|chosen| are_repeats(c, chosen))
        };
        let repeats = near.iter().filter(|c| is_repeat(c)).copied();
        let all = chosen.iter().copied().chain(repeats).map(hashed);
        all.collect::<BTreeMap<String, String>>()
    };
    let inputs = |shot| {
        let mut blank = among(&sound, shot, Capture::Blank, rule.blank);
        if blank.is_empty() {
            blank = among(&spoilt_blanks, shot, Capture::Blank, rule.blank);
        }
        Inputs {
            calibration: among(&sound, shot, Capture::Calibration, rule.calibration),
            blank,
            dark: among(&sound, shot, Capture::Dark, rule.blank),
            bracket: among(&sound, shot, Capture::Bracket, Choice::Best),
        }
    };
    shots.iter().map(inputs).collect()
}

/// True where both say how they were exposed, and it is the same.
fn have_one_exposure(a: &Shot<'_>, b: &Shot<'_>) -> bool {
    let ratio = a.exposure.zip(b.exposure).map(|(a, b)| a / b);
    ratio.is_some_and(|r| (1.0 / SAME_EXPOSURE..SAME_EXPOSURE).contains(&r))
}

/// True where two photos of one bench and capture show the same light once more.
fn are_repeats(a: &Shot<'_>, b: &Shot<'_>) -> bool {
    let times = a.taken.zip(b.taken);
    let apart_s = times.map(|(a, b)| a.duration_since(b).as_secs_f64().abs());
    have_one_exposure(a, b) && apart_s.is_some_and(|apart_s| apart_s <= REPEATED_WITHIN_S)
}

/// Photos by bench and stage, in the order of their paths.
type Groups<'a> = BTreeMap<(&'a str, usize), Vec<&'a Shot<'a>>>;

/// True where other photos may be made from this one.
fn counts(shot: &Shot<'_>) -> bool {
    use Verdict::{Caution, Good, Ignored, Unreadable, Waiting};
    match (shot.capture, shot.verdict) {
        (Capture::Calibration | Capture::Blank, Some(verdict)) => matches!(verdict, Good | Caution),
        (Capture::Dark, Some(verdict)) => matches!(verdict, Good | Caution | Waiting),
        // Some shots of a bracket are over-exposed and dim on purpose.
        (Capture::Bracket, Some(verdict)) => !matches!(verdict, Unreadable | Ignored),
        (Capture::Sample, _) | (_, None) => false,
    }
}

/// The photos that are chosen for `shot` among `candidates`, which are in the order of their paths.
fn choose<'a>(shot: &Shot<'_>, candidates: &[&'a Shot<'a>], choice: Choice) -> Vec<&'a Shot<'a>> {
    if choice == Choice::Best {
        return candidates.to_vec();
    }
    let timed = || candidates.iter().filter_map(|c| Some((c.taken?, *c)));
    let Some(taken) = shot.taken.filter(|_| timed().next().is_some()) else {
        // Phones number their photos, so the path's order is the best stand-in for the time's.
        let before = candidates.iter().rev().find(|c| c.photo < shot.photo);
        return before.or(candidates.first()).copied().into_iter().collect();
    };
    let nearest = timed().min_by_key(|(at, c)| {
        let comes_second = *at > taken;
        let not_at_all = choice == Choice::LatestBefore && comes_second;
        (
            not_at_all,
            at.duration_since(taken).abs(),
            comes_second,
            c.photo,
        )
    });
    nearest.map(|(_, c)| c).into_iter().collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A shot from a line `path capture time verdict exposure`, `-` standing for nothing, the exposure often left out;
    /// the bench is the path's folder and the hash the path in capitals.
    fn shots(lines: &str) -> Vec<(String, String, Shot<'static>)> {
        let leak = |text: &str| -> &'static str { Box::leak(text.to_owned().into_boxed_str()) };
        lines
            .lines()
            .map(str::trim)
            .filter(|line| !line.is_empty())
            .map(|line| {
                let words: Vec<&str> = line.split_whitespace().collect();
                let photo = leak(words[0]);
                let capture = match words[1] {
                    "lamp" => Capture::Calibration,
                    "dark" => Capture::Dark,
                    "blank" => Capture::Blank,
                    "bracket" => Capture::Bracket,
                    _ => Capture::Sample,
                };
                let verdict = match words[3] {
                    "good" => Some(Verdict::Good),
                    "caution" => Some(Verdict::Caution),
                    "retake" => Some(Verdict::Retake),
                    "waiting" => Some(Verdict::Waiting),
                    _ => None,
                };
                let taken =
                    (words[2] != "-").then(|| format!("2026-11-25T{}", words[2]).parse().unwrap());
                let shot = Shot {
                    photo,
                    hash: leak(&photo.to_uppercase()),
                    bench: photo.split('/').next().unwrap(),
                    capture,
                    taken,
                    exposure: words.get(4).map(|w| w.parse().unwrap()),
                    verdict,
                };
                (words[0].to_owned(), words[1].to_owned(), shot)
            })
            .collect()
    }

    /// The usual choices, however far away in time.
    fn any_time() -> Pairing {
        Pairing {
            within_h: None,
            ..Pairing::default()
        }
    }

    /// `sample<-inputs` for every sample, inputs as `lamp,blank,dark`.
    fn paired(lines: &str, rule: Pairing) -> String {
        let shots: Vec<Shot<'_>> = shots(lines).into_iter().map(|(_, _, shot)| shot).collect();
        let names = |inputs: &BTreeMap<String, String>| {
            let names: Vec<&str> = inputs
                .keys()
                .map(|path| path.rsplit('/').next().unwrap())
                .collect();
            names.join("+")
        };
        shots
            .iter()
            .zip(plan(&shots, &rule))
            .filter(|(shot, _)| shot.capture == Capture::Sample)
            .map(|(shot, inputs)| {
                let name = shot.photo.rsplit('/').next().unwrap();
                format!(
                    "{name}<-{},{},{}",
                    names(&inputs.calibration),
                    names(&inputs.blank),
                    names(&inputs.dark)
                )
            })
            .collect::<Vec<_>>()
            .join(" ")
    }

    #[test]
    fn the_nearest_good_lamp_of_the_same_bench_is_taken() {
        let lines = "
            heron/l1 lamp 10:00 good
            heron/l2 lamp 10:20 caution
            heron/l3 lamp 10:12 retake
            heron/l4 lamp 10:13 -
            dunlin/l5 lamp 10:13 good
            heron/s1 sample 10:13 -
            heron/s2 sample 10:09 -
            heron/s3 sample 10:10 -
            heron/s4 sample 09:00 -
            avocet/s5 sample 10:00 -";
        assert_eq!(
            paired(lines, any_time()),
            "s1<-l2,, s2<-l1,, s3<-l1,, s4<-l1,, s5<-,,"
        );
    }

    #[test]
    fn a_blank_before_the_sample_goes_before_a_nearer_one_after_it() {
        let lines = "
            heron/b1 blank 10:00 good
            heron/b2 blank 10:20 good
            heron/d1 dark 10:19 waiting
            heron/s1 sample 10:18 -
            heron/s2 sample 10:21 -
            heron/s3 sample 09:59 -";
        assert_eq!(
            paired(lines, any_time()),
            "s1<-,b1,d1 s2<-,b2,d1 s3<-,b1,d1"
        );
    }

    #[test]
    fn of_several_blanks_the_one_with_the_sample_s_exposure_is_taken() {
        let lines = "
            heron/b1 blank 10:00 good 1.6
            heron/b2 blank 10:01 good 0.8
            heron/s sample 10:05 - 1.61
            heron/t sample 10:06 - 0.8
            heron/u sample 10:07 - 0.2
            heron/v sample 10:08 -";
        let expected = "s<-,b1, t<-,b2, u<-,b2, v<-,b2,";
        assert_eq!(paired(lines, any_time()), expected);
    }

    #[test]
    fn a_blank_s_repeats_come_with_it_and_none_of_another_exposure_hour_or_verdict() {
        let lines = "
            heron/b1 blank 10:00 good 1.6
            heron/b2 blank 10:01 caution 1.61
            heron/b3 blank 10:02 retake 1.6
            heron/b4 blank 10:02 good 0.8
            heron/b5 blank 10:03 good
            heron/b6 blank 10:20 good 1.6
            dunlin/b7 blank 10:01 good 1.6
            heron/s sample 10:05 - 1.6
            heron/t sample 10:25 - 1.6
            heron/u sample 10:12 - 0.8";
        let expected = "s<-,b1+b2, t<-,b6, u<-,b4,";
        assert_eq!(paired(lines, any_time()), expected);
    }

    #[test]
    fn a_spoilt_blank_is_handed_on_only_where_no_sound_one_is() {
        let lines = "
            heron/b1 blank 10:00 retake
            heron/b2 blank 10:09 good
            heron/s sample 10:05 -
            dunlin/b3 blank 10:00 retake
            dunlin/b4 blank 10:01 unreadable
            dunlin/t sample 10:05 -";
        assert_eq!(paired(lines, any_time()), "s<-,b2, t<-,b3,");
    }

    #[test]
    fn without_times_the_path_s_order_decides() {
        let lines = "
            heron/02-l lamp - good
            heron/05-l lamp - good
            heron/01-s sample - -
            heron/03-s sample 10:00 -
            heron/06-s sample - -";
        assert_eq!(
            paired(lines, any_time()),
            "01-s<-02-l,, 03-s<-02-l,, 06-s<-05-l,,"
        );
    }

    #[test]
    fn a_lamp_without_time_is_passed_over_where_another_has_one() {
        let lines = "
            heron/a lamp - good
            heron/b lamp 12:00 good
            heron/s sample 09:00 -
            heron/t sample - -";
        assert_eq!(paired(lines, any_time()), "s<-b,, t<-b,,");
    }

    #[test]
    fn all_lamps_are_joined_where_the_rule_says_so() {
        let rule = Pairing {
            calibration: Choice::Best,
            ..any_time()
        };
        let lines = "
            heron/b lamp 10:00 good
            heron/a lamp 11:00 good
            heron/s sample 10:00 -";
        assert_eq!(paired(lines, rule), "s<-a+b,,");
    }

    #[test]
    fn a_bracket_serves_blanks_and_samples_whole_and_whatever_its_verdicts() {
        let all = shots(
            "heron/k1 bracket 10:00 retake
             heron/k2 bracket 10:01 good
             heron/k3 bracket 10:02 unreadable
             dunlin/k4 bracket 10:02 good
             heron/b blank 10:03 good
             heron/s sample 10:04 -",
        );
        let shots: Vec<Shot<'_>> = all.into_iter().map(|(_, _, shot)| shot).collect();
        let inputs = plan(&shots, &any_time());
        let both = ["heron/k1", "heron/k2"];
        for i in [4, 5] {
            assert!(inputs[i].bracket.keys().eq(&both), "{:?}", inputs[i]);
        }
        assert!(inputs[0].bracket.is_empty(), "no shot is made from another");
    }

    #[test]
    fn two_equally_near_lamps_the_earlier_and_two_at_once_the_first_by_path() {
        let lines = "
            heron/z lamp 09:58 good
            heron/a lamp 10:02 good
            heron/y lamp 09:58 good
            heron/s sample 10:00 -";
        assert_eq!(paired(lines, any_time()), "s<-y,,");
    }

    #[test]
    fn a_photo_is_made_from_earlier_stages_only_and_hashes_are_handed_on() {
        let all =
            shots("heron/l lamp 10:00 good \n heron/d dark 10:00 good \n heron/b blank 10:00 good");
        let shots: Vec<Shot<'_>> = all.into_iter().map(|(_, _, shot)| shot).collect();
        let inputs = plan(&shots, &any_time());
        let lamp = BTreeMap::from([("heron/l".to_owned(), "HERON/L".to_owned())]);
        let dark = BTreeMap::from([("heron/d".to_owned(), "HERON/D".to_owned())]);
        assert_eq!(inputs[0], Inputs::default());
        assert_eq!(inputs[1].calibration, lamp);
        assert!(inputs[1].blank.is_empty() && inputs[1].dark.is_empty());
        assert_eq!(inputs[2].calibration, lamp);
        assert_eq!(inputs[2].dark, dark);
        assert!(inputs[2].blank.is_empty());
    }

    proptest::proptest! {
        #[test]
        fn the_order_of_the_photos_changes_nothing(
            times in proptest::collection::vec((0..4_u8, proptest::option::of(0..60_u8), proptest::bool::ANY), 1..14),
            turn in 0..14_usize,
        ) {
            let captures = ["lamp", "dark", "blank", "sample"];
            let lines: Vec<String> = times
                .iter()
                .enumerate()
                .map(|(i, (capture, minute, good))| {
                    let time = minute.map_or("-".to_owned(), |m| format!("10:{m:02}"));
                    let verdict = if *good { "good" } else { "retake" };
                    format!("heron/{i:02} {} {time} {verdict}", captures[usize::from(*capture)])
                })
                .collect();
            let mut turned = lines.clone();
            turned.rotate_left(turn % lines.len());
            turned.reverse();
            let in_order = |text: &str| {
                let mut pairs: Vec<String> =
                    paired(text, any_time()).split(' ').map(str::to_owned).collect();
                pairs.sort();
                pairs
            };
            proptest::prop_assert_eq!(in_order(&lines.join("\n")), in_order(&turned.join("\n")));
        }
    }
}
