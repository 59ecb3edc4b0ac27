//! The instructor's own table: the last word on single photos, each named by its path below the inbox. Pure: rows in, the row
//! for a photo out; reading the table belongs to `settings`.

use std::collections::BTreeMap;

use super::said::Said;

/// What is said of which photo.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Overrides {
    rows: BTreeMap<String, Said>,
}

impl Overrides {
    /// Adds what is said of `photo`. False where something was said of it before, which then stays.
    pub fn add(&mut self, photo: &str, said: Said) -> bool {
        let key = key(photo);
        if self.rows.contains_key(&key) {
            return false;
        }
        self.rows.insert(key, said);
        true
    }

    /// What is said of the photo at `path` below the inbox.
    pub fn of(&self, path: &str) -> Option<&Said> {
        self.rows.get(path)
    }

    /// The photos, as they are named, that none of `paths` is: misspelt, or not there yet.
    pub fn without<'a>(&self, paths: impl Iterator<Item = &'a str>) -> Vec<&str> {
        let mut left: BTreeMap<&str, ()> = self.rows.keys().map(|key| (key.as_str(), ())).collect();
        for path in paths {
            left.remove(path);
        }
        left.into_keys().collect()
    }

    /// How many photos are named.
    pub fn len(&self) -> usize {
        self.rows.len()
    }

    /// True where nothing is said.
    pub fn is_empty(&self) -> bool {
        self.rows.is_empty()
    }
}

/// A path as the inbox has it: folders joined by `/`, from the inbox on.
fn key(photo: &str) -> String {
    let path = photo.replace('\\', "/");
    let path = path.trim_start_matches("./").trim_start_matches('/');
    path.to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_photo_is_named_by_its_whole_path_and_once() {
        let mut overrides = Overrides::default();
        let by = |by: &str| Said {
            by: by.to_owned(),
            ..Said::default()
        };
        assert!(overrides.add("./heron\\a.jpg", by("Ada")));
        assert!(!overrides.add("heron/a.jpg", by("Ben")));
        assert_eq!(overrides.of("heron/a.jpg").unwrap().by, "Ada");
        assert!(overrides.of("dunlin/a.jpg").is_none());
        let missing = overrides.without(["dunlin/a.jpg"].into_iter());
        assert_eq!(missing, ["heron/a.jpg"]);
    }
}
