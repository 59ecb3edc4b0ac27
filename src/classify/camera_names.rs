//! Names that say nothing of a photo: those that cameras give by themselves.

use std::sync::{Arc, LazyLock};

use regex::Regex;

use super::endings::stem;
use super::expression::expression;

/// What phones, file managers and sync programs put behind the name of a copy (common practice, no source).
const COPY: &str = r"(?:[ _]?\([0-9]{1,3}\)|~[0-9]{1,3}|[ _-]+copy(?: [0-9]{1,3})?)?";

/// A file's name without its ending and without the mark of a copy.
pub(super) fn without_copy_mark(name: &str) -> &str {
    static MARK: LazyLock<Option<Regex>> = LazyLock::new(|| expression(&format!("{COPY}$")).ok());
    let stem = stem(name);
    let mark = MARK.as_ref().and_then(|mark| mark.find(stem));
    mark.map_or(stem, |mark| &stem[..mark.start()])
}

/// Patterns of such names, over the name without its ending, as a whole and letter case aside. The mark of a copy may follow.
#[derive(Clone, Debug, Default)]
pub struct CameraNames {
    patterns: Arc<[(String, Regex)]>,
}

impl CameraNames {
    /// From regular expressions as they were written, each compiled by [`CameraNames::pattern`].
    pub fn new(patterns: Vec<(String, Regex)>) -> CameraNames {
        CameraNames {
            patterns: patterns.into(),
        }
    }

    /// Compiles a pattern, so that it must fit the whole of a name.
    ///
    /// # Errors
    /// In words, where `source` is not a regular expression.
    pub fn pattern(source: &str) -> Result<(String, Regex), String> {
        // By itself first: the complaint is then about what was written.
        expression(source)?;
        let whole = expression(&format!("^(?:{source}){COPY}$"))?;
        Ok((source.to_owned(), whole))
    }

    /// The patterns as the configuration has them.
    pub fn sources(&self) -> impl Iterator<Item = &str> {
        self.patterns.iter().map(|(source, _)| source.as_str())
    }

    /// True where there is no pattern.
    pub fn is_empty(&self) -> bool {
        self.patterns.is_empty()
    }

    /// True where a file's name says nothing.
    pub fn holds(&self, name: &str) -> bool {
        let stem = stem(name);
        self.patterns.iter().any(|(_, regex)| regex.is_match(stem))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_pattern_must_fit_the_whole_name_without_its_ending() {
        let names = ["IMG_[0-9]{4}", "[0-9]{8}_[0-9]{6}"];
        let names = names.map(|source| CameraNames::pattern(source).unwrap());
        let names = CameraNames::new(names.to_vec());
        assert!(names.holds("img_0001.JPG") && names.holds("20261112_195521.jpg"));
        assert!(names.holds("IMG_0001 (1).jpg") && names.holds("IMG_0001~2.jpg"));
        for name in ["IMG_0001-lamp.jpg", "lamp-IMG_0001.jpg", "IMG_1.jpg"] {
            assert!(!names.holds(name), "{name}");
        }
        assert!(CameraNames::pattern("IMG_[").is_err());
        assert_eq!(without_copy_mark("IMG_0001 (1).jpg"), "IMG_0001");
        assert_eq!(without_copy_mark("IMG_0001.jpg"), "IMG_0001");
    }
}
