//! Where below `results/` a photo's folder lies: `<bench>/<folders between>/<photo file name>`, always inside, never two
//! photos in one.
//!
//! Bench names may come out of a regular expression and file names out of anything, so each is made one safe component
//! by writing what is not safe as `\xNN`; what still meets is told apart by a mark made from the photo's own path.

use std::collections::HashSet;

use crate::classify::CARD_ENDING;

/// The class's tables and its board, at the top of the results.
const SUMMARIES_AT_TOP: [&str; 16] = [
    BOARD,
    "brackets.csv",
    "class.csv",
    "class.html",
    "colours.csv",
    "concentrations.csv",
    "datapackage.json",
    "joined.csv",
    "power.csv",
    "quality.csv",
    "references.csv",
    "series.csv",
    "spectra.csv",
    "tone.csv",
    WATCHED,
    WORKBOOK,
];
/// What spans the sessions, at the top of the results; the board leads to the latest session's.
const OVER_SESSIONS: [&str; 7] = [
    BOARD,
    "datapackage.json",
    "index.html",
    "instruments.csv",
    INSTRUMENTS,
    BEFORE,
    "late.csv",
];
/// Each bench's instrument from session to session.
pub const INSTRUMENTS: &str = "instruments.html";
/// The same for the page of a bench that has no lamp photo yet.
pub const BEFORE: &str = "instruments.js";
/// The class's board, or what leads to the latest session's.
pub const BOARD: &str = "board.html";
/// Has the pages say whether the program still looks.
pub const WATCHED: &str = "watched.js";
/// What the program says of itself at every listing; no part of the results.
pub const ALIVE: &str = "alive.js";
/// A closed session's tables as one file for spreadsheets; an open session has none.
pub const WORKBOOK: &str = "workbook.xlsx";
/// What stands in a closed session's folder, and closes it.
pub const CLOSED: &str = "closed.json";
/// A bench's pages and its table, in its folder.
const SUMMARIES_IN_BENCH: [&str; 4] = [
    "index.html",
    "calibration.html",
    "calibration.json",
    "spectra_wide.csv",
];
/// The folder of a bench's cards.
pub const CARDS: &str = "cards";
/// What was read of the inbox, for the next start.
pub const LEDGER: &str = "inbox.log";
/// What is locked where a folder cannot be.
pub const LOCK: &str = ".lock";
/// Beginning of the names under which things are made before they are put in place.
pub const MAKING: &str = ".making-";
/// A folder that is locked while what spans the sessions is made, and goes with that.
pub const INDEX_LOCK: &str = ".making-index";
/// Longest name that file systems take, in bytes.
const NAME_MAX: usize = 255;
/// Longest path below the results before folders between are left out: leaves room for the results' own path and the
/// files' names within the system's limit of 4096.
const PATH_MAX: usize = 2048;

/// Names that the results keep for themselves at the top; letter case aside, for disks that do not tell it.
fn is_kept_at_top(name: &str) -> bool {
    let is = |kept: &&str| kept.eq_ignore_ascii_case(name);
    let others = [LEDGER, LOCK, CLOSED, ALIVE];
    SUMMARIES_AT_TOP.iter().chain(&others).any(is)
}

/// Names that the results keep for themselves in a bench's folder.
fn is_kept_in_bench(name: &str) -> bool {
    let is = |kept: &&str| kept.eq_ignore_ascii_case(name);
    SUMMARIES_IN_BENCH.iter().chain(&[CARDS]).any(is)
}

/// True for a path below the results that shows the class or a bench as a whole: a table, a page, a card. No photo's
/// folder has such a path, and nothing else may be written as a summary.
pub fn is_summary(path: &str) -> bool {
    let components: Vec<&str> = path.split('/').collect();
    match components[..] {
        [name] => SUMMARIES_AT_TOP.contains(&name),
        [_, name] => SUMMARIES_IN_BENCH.contains(&name),
        [_, CARDS, name] => name.ends_with(CARD_ENDING),
        _ => false,
    }
}

/// True for a page or table of one bench, in a session or not.
pub fn is_in_a_bench(path: &str) -> bool {
    let is = |path: &str| path.contains('/') && is_summary(path);
    is(path) || path.split_once('/').is_some_and(|(_, below)| is(below))
}

/// True for a summary of the class, of a session (behind the session's folder), or of all sessions.
pub fn is_any_summary(path: &str) -> bool {
    let below = path.split_once('/').map(|(_, below)| below);
    is_summary(path) || is_over_sessions(path) || below.is_some_and(is_summary)
}

/// True for a path below the results that spans the sessions.
pub fn is_over_sessions(path: &str) -> bool {
    OVER_SESSIONS.contains(&path)
}

/// The folder of a session, one component.
pub fn session_folder(session: &str) -> String {
    component(session, |name| {
        let is = |kept: &&str| kept.eq_ignore_ascii_case(name);
        is_kept_at_top(name) || OVER_SESSIONS.iter().any(is)
    })
}

/// The folder of a bench's page and photos, one component.
pub fn bench_folder(bench: &str) -> String {
    component(bench, is_kept_at_top)
}

/// One path component that means `name`: never empty, `.`, `..`, or one that is kept, and without `/` and NUL.
fn component(name: &str, is_kept: fn(&str) -> bool) -> String {
    let mut text = name.replace('/', "\\x2F").replace('\0', "\\x00");
    let collides =
        |text: &str| text == "." || text == ".." || text.starts_with(MAKING) || is_kept(text);
    if text.is_empty() {
        text = "\\x00".to_owned();
    } else if collides(&text) {
        let first = text.remove(0);
        text = format!("\\x{:02X}{text}", first as u32);
    }
    if text.len() > NAME_MAX {
        let mark = mark(name, 16);
        let (stem, ending) = split_ending(&text);
        let room = NAME_MAX - mark.len() - 1 - ending.len();
        text = format!("{}~{mark}{ending}", cut(stem, room));
    }
    text
}

/// At most `room` bytes of `text`, in whole characters.
pub fn cut(text: &str, room: usize) -> &str {
    let end = (0..=room.min(text.len()))
        .rev()
        .find(|&end| text.is_char_boundary(end));
    &text[..end.unwrap_or(0)]
}

/// The name before its ending, and the ending with its dot; an ending is at most 16 bytes long.
fn split_ending(name: &str) -> (&str, &str) {
    match name.rfind('.') {
        Some(at) if at > 0 && name.len() - at <= 16 => name.split_at(at),
        _ => (name, ""),
    }
}

fn mark(text: &str, n_digits: usize) -> String {
    blake3::hash(text.as_bytes()).to_hex()[..n_digits].to_owned()
}

/// Where a photo's results lie.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Place {
    /// Path below `results/`, components joined by `/`.
    pub folder: String,
    /// Said to people where it is not the folder they would expect.
    pub remark: Option<String>,
}

/// Gives every photo its folder.
///
/// `photos` are (path below the inbox as shown, bench), rising in the path. Folders above the one that is named like
/// the bench are left out; if none is, all are kept. A function of the whole set: the same photos get the same folders
/// whatever the order of their arrival.
pub fn assign<'a>(photos: impl Iterator<Item = (&'a str, &'a str)>) -> Vec<Place> {
    let mut folders = HashSet::new();
    let mut parents = HashSet::new();
    let mut places = Vec::new();
    for (photo, bench) in photos {
        let expected = expected_folder(photo, bench);
        let fits = |folder: &str, folders: &HashSet<String>, parents: &HashSet<String>| {
            !folders.contains(folder)
                && !parents.contains(folder)
                && !ancestors(folder).any(|a| folders.contains(a))
        };
        let mut place = Place {
            folder: expected.clone(),
            remark: None,
        };
        if place.folder.len() > PATH_MAX || !fits(&place.folder, &folders, &parents) {
            let name = photo.rsplit('/').next().unwrap_or(photo);
            // 16 digits and more: two paths would have to share 64 bits of their hashes.
            place.folder = [8, 16, 32, 64]
                .iter()
                .map(|&n| format!("{}/{}", bench_folder(bench), marked(name, &mark(photo, n))))
                .find(|folder| fits(folder, &folders, &parents))
                .unwrap_or(expected.clone());
            place.remark = Some(if expected.len() > PATH_MAX {
                format!(
                    "its path is too long for a folder of the same name, so its results lie in {}",
                    place.folder
                )
            } else {
                format!(
                    "another photo's results lie in {expected}, so its own lie in {}",
                    place.folder
                )
            });
        }
        parents.extend(ancestors(&place.folder).map(str::to_owned));
        folders.insert(place.folder.clone());
        places.push(place);
    }
    places
}

fn ancestors(folder: &str) -> impl Iterator<Item = &str> {
    folder.match_indices('/').map(|(at, _)| &folder[..at])
}

fn marked(name: &str, mark: &str) -> String {
    let (stem, ending) = split_ending(name);
    let room = NAME_MAX - 1 - mark.len() - ending.len();
    component(
        &format!("{}~{mark}{ending}", cut(stem, room)),
        is_kept_in_bench,
    )
}

fn expected_folder(photo: &str, bench: &str) -> String {
    let components: Vec<&str> = photo.split('/').collect();
    let (name, above) = components.split_last().unwrap_or((&photo, &[]));
    let same_letters = |c: &&str| c.to_lowercase() == bench.to_lowercase();
    let after_bench = above
        .iter()
        .position(|c| *c == bench)
        .or_else(|| above.iter().position(same_letters))
        .map_or(0, |at| at + 1);
    let mut folder = bench_folder(bench);
    let below_bench = above[after_bench..].iter().chain(std::iter::once(name));
    for (i, c) in below_bench.enumerate() {
        let is_kept = if i == 0 {
            is_kept_in_bench
        } else {
            |_: &str| false
        };
        folder.push('/');
        folder.push_str(&component(c, is_kept));
    }
    folder
}

#[cfg(test)]
mod tests {
    use super::*;

    fn folder(photo: &str, bench: &str) -> String {
        assign([(photo, bench)].into_iter()).remove(0).folder
    }

    #[test]
    fn folders_between_bench_and_photo_are_kept() {
        assert_eq!(folder("heron/lamp-01.jpg", "heron"), "heron/lamp-01.jpg");
        assert_eq!(folder("heron/late/a.jpg", "heron"), "heron/late/a.jpg");
        assert_eq!(folder("2026/Heron/late/a.jpg", "heron"), "heron/late/a.jpg");
        assert_eq!(
            folder("monday/heron-a.jpg", "heron"),
            "heron/monday/heron-a.jpg"
        );
        assert_eq!(folder("a.jpg", "unnamed"), "unnamed/a.jpg");
    }

    #[test]
    fn nothing_leaves_the_results_or_takes_a_name_they_need() {
        for (photo, bench, expected) in [
            ("x/a.jpg", "..", "\\x2E./x/a.jpg"),
            ("x/a.jpg", ".", "\\x2E/x/a.jpg"),
            ("x/a.jpg", "", "\\x00/x/a.jpg"),
            ("x/a.jpg", "/etc", "\\x2Fetc/x/a.jpg"),
            ("x/a.jpg", "a/../../b", "a\\x2F..\\x2F..\\x2Fb/x/a.jpg"),
            ("x/a.jpg", "board.html", "\\x62oard.html/x/a.jpg"),
            ("class.csv/a.jpg", "class.csv", "\\x63lass.csv/a.jpg"),
            ("Class.CSV/a.jpg", "Class.CSV", "\\x43lass.CSV/a.jpg"),
            (".lock/a.jpg", ".lock", "\\x2Elock/a.jpg"),
            ("heron/index.html", "heron", "heron/\\x69ndex.html"),
            ("heron/cards/a.jpg", "heron", "heron/\\x63ards/a.jpg"),
            ("heron/late/index.html", "heron", "heron/late/index.html"),
            ("heron/.making-1", "heron", "heron/\\x2Emaking-1"),
            ("heron/bad\\xFF.jpg", "heron", "heron/bad\\xFF.jpg"),
            ("heron/line\nbreak.jpg", "heron", "heron/line\nbreak.jpg"),
        ] {
            assert_eq!(folder(photo, bench), expected);
        }
    }

    #[test]
    fn no_photo_lies_where_a_summary_does() {
        let in_bench = SUMMARIES_IN_BENCH.map(|name| format!("heron/{name}"));
        let card = format!("heron/{CARDS}/a.jpg{CARD_ENDING}");
        let at_top = SUMMARIES_AT_TOP.map(str::to_owned);
        for path in at_top.into_iter().chain(in_bench).chain([card]) {
            assert!(is_summary(&path), "{path}");
            let bench = path.split('/').next().unwrap();
            for photo in [path.clone(), format!("{path}/a.jpg")] {
                let place = folder(&photo, bench);
                let is_in_the_way =
                    |at: &str| is_summary(at) || ancestors(at).any(is_summary) || at == path;
                assert!(!is_in_the_way(&place), "{photo} in {place}");
            }
        }
        for path in [
            "inbox.log",
            "heron/a.jpg",
            "heron/late/index.html",
            "x/y/z/board.html",
        ] {
            assert!(!is_summary(path), "{path}");
        }
    }

    #[test]
    fn the_longest_names_fit() {
        let name = format!("{}.jpg", "n".repeat(251));
        assert_eq!(
            folder(&format!("heron/{name}"), "heron"),
            format!("heron/{name}")
        );
        // 255 bytes that are not UTF-8 are four times as long when written out.
        let name = format!("{}.jpg", "\\xFF".repeat(251));
        let long = folder(&format!("heron/{name}"), "heron");
        assert!(long.len() <= 6 + 255 && long.ends_with(".jpg"), "{long}");
        let deep = format!("heron/{}a.jpg", "folder/".repeat(400));
        assert!(folder(&deep, "heron").len() < 300);
    }

    #[test]
    fn photos_that_meet_are_told_apart_and_it_is_said() {
        // A rule that takes the bench from the file name, and two folders of the same name under two others.
        let photos = [("a/heron/x.jpg", "heron"), ("b/heron/x.jpg", "heron")];
        let places = assign(photos.into_iter());
        assert_eq!(places[0].folder, "heron/x.jpg");
        assert_eq!(places[0].remark, None);
        assert!(places[1].folder.starts_with("heron/x~") && places[1].folder.ends_with(".jpg"));
        assert!(places[1].remark.as_deref().unwrap().contains("heron/x.jpg"));
    }

    #[test]
    fn a_photo_in_a_folder_named_like_a_photo_does_not_lie_in_that_ones_results() {
        let photos = [("heron/a.jpg", "heron"), ("heron/a.jpg/b.jpg", "heron")];
        let places = assign(photos.into_iter());
        assert_eq!(places[0].folder, "heron/a.jpg");
        assert!(places[1].folder.starts_with("heron/b~"), "{:?}", places[1]);
    }

    proptest::proptest! {
        #[test]
        fn every_set_of_photos_gets_folders_that_do_not_meet(
            photos in proptest::collection::btree_map("[ab./]{1,7}", "[ab./]{0,4}", 1..12)
        ) {
            // Paths as a listing can hold them.
            let photos: Vec<(&str, &str)> = photos
                .iter()
                .map(|(p, b)| (p.as_str(), b.as_str()))
                .filter(|(p, _)| p.split('/').all(|c| !matches!(c, "" | "." | "..")))
                .collect();
            let places = assign(photos.into_iter());
            for (i, a) in places.iter().enumerate() {
                proptest::prop_assert!(a.folder.split('/').count() >= 2);
                proptest::prop_assert!(a.folder.split('/').all(|c| !matches!(c, "" | "." | "..")));
                for b in &places[i + 1..] {
                    proptest::prop_assert_ne!(&a.folder, &b.folder);
                    let is_below = |x: &str, y: &str| ancestors(x).any(|above| above == y);
                    proptest::prop_assert!(!is_below(&b.folder, &a.folder));
                    proptest::prop_assert!(!is_below(&a.folder, &b.folder));
                }
            }
        }
    }
}
