//! Were the photos that a bench has taken again settled, and no others? Told from the class's plan: what was photographed
//! stands in front of the number in a file's name.

use std::collections::BTreeSet;

use jiff::civil::DateTime;

use super::entry::{Entry, Seen};

/// Photos to be taken again, and what became of the asking.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Again {
    /// Photos that were taken again, by the plan.
    pub n_taken_again: usize,
    /// Those of them that are still asked for.
    pub still_asked: Vec<String>,
    /// Photos that were settled by one of another bench, another lamp or an earlier time, with that photo.
    pub wrong: Vec<String>,
}

/// Compares what was settled with what the plan says.
pub(super) fn again(entries: &[Entry]) -> Again {
    let mut again = Again::default();
    let seen: Vec<(&Entry, &Seen)> = entries
        .iter()
        .filter_map(|e| Some((e, e.seen.as_ref()?)))
        .collect();
    for &(entry, bad) in &seen {
        if !matches!(bad.verdict.as_str(), "retake" | "unreadable") {
            continue;
        }
        let settling: BTreeSet<&str> = seen
            .iter()
            .filter(|(e, good)| e.bench == entry.bench && settles((entry, bad), (e, good)))
            .map(|(e, _)| e.photo.as_str())
            .collect();
        again.n_taken_again += usize::from(!settling.is_empty());
        match bad.settled_by.as_str() {
            "" if settling.is_empty() => {}
            "" => again.still_asked.push(entry.photo.clone()),
            by if settling.contains(by) => {}
            by => again.wrong.push(format!("{} by {by}", entry.photo)),
        }
    }
    again
}

/// True where the second photo is the first one taken again. Of a file that says no time nobody knows.
fn settles((bad_entry, bad): (&Entry, &Seen), (good_entry, good): (&Entry, &Seen)) -> bool {
    let is_usable = matches!(good.verdict.as_str(), "good" | "caution");
    let is_later = bad.taken < good.taken && !bad.taken.is_empty();
    let has_no_spectrum = bad.reasons.iter().any(|r| r.code == "no-spectrum");
    let is_alike = match bad.capture.as_str() {
        "calibration" => true,
        // Nobody said what either shows: what was photographed soon after is taken for the same.
        _ if !bad_entry.is_told && !good_entry.is_told => {
            is_within_minutes(&bad.taken, &good.taken)
        }
        _ => thing(&bad_entry.photo) == thing(&good_entry.photo),
    };
    is_usable && is_later && (has_no_spectrum || bad.capture == good.capture && is_alike)
}

/// A photo of a bench that says nothing settles one that says nothing within this time, s; README, "On the day".
const SOON_S: f64 = 300.0;

fn is_within_minutes(from: &str, to: &str) -> bool {
    let at = |text: &str| text.parse::<DateTime>().ok();
    let between = at(from).zip(at(to));
    between.is_some_and(|(from, to)| to.duration_since(from).as_secs_f64() <= SOON_S)
}

/// `heron/pier-lamp-07.jpg` is of `heron/pier-lamp`.
pub fn thing(photo: &str) -> &str {
    let stem = photo.strip_suffix(".jpg").unwrap_or(photo);
    match stem.rsplit_once('-') {
        Some((thing, number)) if number.bytes().all(|b| b.is_ascii_digit()) => thing,
        _ => stem,
    }
}
