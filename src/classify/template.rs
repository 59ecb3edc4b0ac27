//! Text with `{group}` slots, filled from a rule's named groups.

use std::collections::BTreeMap;

use crate::terms::Variant;

/// Names that are known for every photo, without any regular expression: the first folder below the inbox, the file's name,
/// that without its ending, and the phone (its model and its code, or the folder where the file does not say).
pub const BUILT_IN: [&str; 4] = ["folder", "name", "stem", "phone"];

/// Text with slots.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Template {
    source: String,
    text: Variant,
}

impl Template {
    /// Parses `{name}` slots.
    ///
    /// # Errors
    /// In words, where a brace is not closed or not opened.
    pub fn parse(source: &str) -> Result<Template, String> {
        let text = Variant::parse(source)?;
        let source = source.to_owned();
        Ok(Template { source, text })
    }

    /// The text as the configuration has it, with its slots.
    pub fn source(&self) -> &str {
        &self.source
    }

    /// Names of the slots, in order.
    pub fn slots(&self) -> impl Iterator<Item = &str> {
        self.text.slots()
    }

    /// The text with its slots filled; a group that took part in nothing is empty.
    pub fn fill(&self, groups: &BTreeMap<String, String>) -> String {
        let group = |name: &str| Some(groups.get(name).map_or("", String::as_str));
        self.text.fill(group).unwrap_or_default()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn slots_are_filled_and_missing_ones_are_empty() {
        let template = Template::parse("bench {a}-{b}.").unwrap();
        assert_eq!(template.slots().collect::<Vec<_>>(), ["a", "b"]);
        let groups = BTreeMap::from([("a".to_owned(), "x".to_owned())]);
        assert_eq!(template.fill(&groups), "bench x-.");
    }

    #[test]
    fn lone_braces_are_errors() {
        for text in ["{a", "a}", "a} {b}", "{a} b}"] {
            assert!(Template::parse(text).is_err(), "{text}");
        }
    }
}
