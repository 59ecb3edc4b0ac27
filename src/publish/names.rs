//! Where below `results/` a photo's folder lies: `<bench>/<folders between>/<photo file name>`, always inside, never two
//! photos in one.
//!
//! Bench names may come out of a regular expression and file names out of anything, so each is made one safe component
//! by writing what is not safe as `\xNN`; what still meets is told apart by a mark made from the photo's own path.

use std::collections::HashSet;

/// Names that the results keep for themselves at the top.
const KEPT_AT_TOP: [&str; 4] = ["board.html", "quality.csv", "spectra.csv", "inbox.log"];
/// Names that the results keep for themselves in a bench's folder.
const KEPT_IN_BENCH: [&str; 4] = [
    "index.html",
    "calibration.html",
    "calibration.json",
    "cards",
];
/// Beginning of the names under which things are made before they are put in place.
pub const MAKING: &str = ".making-";
/// Longest name that file systems take, in bytes.
const NAME_MAX: usize = 255;
/// Longest path below the results before folders between are left out: leaves room for the results' own path and the
/// files' names within the system's limit of 4096.
const PATH_MAX: usize = 2048;

/// The folder of a bench's page and photos, one component.
pub fn bench_folder(bench: &str) -> String {
    component(bench, &KEPT_AT_TOP)
}

/// One path component that means `name`: never empty, `.`, `..`, or one of `kept`, and without `/` and NUL.
fn component(name: &str, kept: &[&str]) -> String {
    let mut text = name.replace('/', "\\x2F").replace('\0', "\\x00");
    let collides = |text: &str| {
        text == "." || text == ".." || text.starts_with(MAKING) || kept.contains(&text)
    };
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
fn cut(text: &str, room: usize) -> &str {
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
        &KEPT_IN_BENCH,
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
        let kept: &[&str] = if i == 0 { &KEPT_IN_BENCH } else { &[] };
        folder.push('/');
        folder.push_str(&component(c, kept));
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
            ("heron/index.html", "heron", "heron/\\x69ndex.html"),
            ("heron/late/index.html", "heron", "heron/late/index.html"),
            ("heron/.making-1", "heron", "heron/\\x2Emaking-1"),
            ("heron/bad\\xFF.jpg", "heron", "heron/bad\\xFF.jpg"),
            ("heron/line\nbreak.jpg", "heron", "heron/line\nbreak.jpg"),
        ] {
            assert_eq!(folder(photo, bench), expected);
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
