//! Text with `{group}` slots, filled from a rule's named groups.

use std::collections::BTreeMap;

/// Names that are known for every photo, without any regular expression: the first folder below the inbox, the file's name,
/// and that without its ending.
pub const BUILT_IN: [&str; 3] = ["folder", "name", "stem"];

/// Text with slots.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Template {
    source: String,
    /// Literal text, then the slot after it; the last has none.
    pieces: Vec<(String, Option<String>)>,
}

impl Template {
    /// Parses `{name}` slots. Braces have no other use here.
    ///
    /// # Errors
    /// In words, where a brace is not closed or not opened.
    pub fn parse(source: &str) -> Result<Template, String> {
        let mut pieces = Vec::new();
        let mut rest = source;
        while let Some(open) = rest.find('{') {
            let (text, after) = (&rest[..open], &rest[open + 1..]);
            let close = after
                .find('}')
                .ok_or_else(|| format!("{{{after} has no closing }}"))?;
            if text.contains('}') {
                return Err("a } without its {".to_owned());
            }
            pieces.push((text.to_owned(), Some(after[..close].to_owned())));
            rest = &after[close + 1..];
        }
        if rest.contains('}') {
            return Err("a } without its {".to_owned());
        }
        pieces.push((rest.to_owned(), None));
        Ok(Template {
            source: source.to_owned(),
            pieces,
        })
    }

    /// As written.
    pub fn source(&self) -> &str {
        &self.source
    }

    /// Names of the slots, in order.
    pub fn slots(&self) -> impl Iterator<Item = &str> {
        self.pieces.iter().filter_map(|(_, slot)| slot.as_deref())
    }

    /// The text with its slots filled; a group that took part in nothing is empty.
    pub fn fill(&self, groups: &BTreeMap<String, String>) -> String {
        let mut filled = String::new();
        for (text, slot) in &self.pieces {
            filled += text;
            if let Some(slot) = slot {
                filled += groups.get(slot).map_or("", String::as_str);
            }
        }
        filled
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
