//! Parses YAML text into a tree in which every key and value knows its line and column.
//!
//! Only the plain part of YAML is let through: mappings with text keys, lists and scalars. Anchors, aliases and tags
//! are refused with their position, which also makes it impossible to blow a small file up in memory. The scalars'
//! meaning is left to `serde_yaml`; nothing here knows which keys a configuration has.

use std::collections::HashMap;

use serde_yaml::Value;
use yaml_rust2::parser::{Event, Parser, Tag};
use yaml_rust2::scanner::{Marker, TScalarStyle};

use super::mistake::{At, Report, place_of_byte};

/// Deepest nesting let through; the deepest key of a configuration is at level 6.
const MAX_DEPTH: usize = 32;

/// A value with its place.
#[derive(Clone, Debug)]
pub struct Node {
    /// Where it begins.
    pub at: At,
    /// What it is.
    pub kind: Kind,
}

/// What a node is.
#[derive(Clone, Debug)]
pub enum Kind {
    /// Null, a flag, a number or text.
    Scalar {
        /// As YAML 1.2 understands it.
        value: Value,
        /// As it was written, quotes taken off.
        text: String,
    },
    /// Items in order.
    List(Vec<Node>),
    /// Entries in the order written; no key twice.
    Map(Vec<Entry>),
    /// Something that has already been complained about: readers pass over it in silence.
    Broken,
}

/// A key and its value.
#[derive(Clone, Debug)]
pub struct Entry {
    /// The key.
    pub key: String,
    /// Where the key is.
    pub key_at: At,
    /// Its value.
    pub node: Node,
}

/// Reads the first and only document of `text`.
///
/// Returns the tree as far as it makes sense, and notes every flaw; the tree is absent where the text is not YAML. An empty
/// text is an empty mapping.
pub fn parse(text: &str, report: &Report) -> Option<Node> {
    let text = text.trim_start_matches('\u{feff}');
    let mut builder = Builder {
        parser: Parser::new_from_str(text),
        end: end_of(text),
        report,
    };
    builder.document().ok()
}

/// The place just behind the last character. A line ends with a line feed, a carriage return, or both (YAML 1.2.2,
/// chapter 5.4).
fn end_of(text: &str) -> At {
    let text = text.replace("\r\n", "\n").replace('\r', "\n");
    // What comes after the last line break is not a line if there is nothing in it.
    let text = text.strip_suffix('\n').unwrap_or(&text);
    place_of_byte(text.as_bytes(), text.len())
}

/// The text cannot be followed any further; the flaw has been noted.
struct Stop;

struct Builder<'a> {
    parser: Parser<std::str::Chars<'a>>,
    end: At,
    report: &'a Report,
}

impl Builder<'_> {
    /// Notes something because of which nothing behind it can be read any more.
    fn stop<T>(
        &mut self,
        at: At,
        what: impl Into<String>,
        remedy: impl Into<String>,
    ) -> Result<T, Stop> {
        self.report.note(at, what, remedy);
        Err(Stop)
    }

    /// The parser's places count columns from 0, and lie on a line of their own behind the end.
    fn place(&self, marker: &Marker) -> At {
        let at = At {
            line: marker.line().max(1),
            column: marker.col() + 1,
        };
        at.min(self.end)
    }

    fn next(&mut self) -> Result<(Event, At), Stop> {
        match self.parser.next_token() {
            Ok((event, marker)) => Ok((event, self.place(&marker))),
            Err(error) => {
                let at = self.place(error.marker());
                self.stop(
                    at,
                    format!("this is not YAML: {}", error.info()),
                    "look at this line and the one above it: the indentation (spaces, no tabs), a missing colon or \
                     space after a colon, an unclosed quote or bracket; text with : # { } [ ] or a leading * needs \
                     'single quotes' round it",
                )
            }
        }
    }

    fn document(&mut self) -> Result<Node, Stop> {
        loop {
            match self.next()? {
                (Event::StreamStart | Event::DocumentStart | Event::Nothing, _) => {}
                (Event::StreamEnd, _) => {
                    return Ok(Node {
                        at: At::START,
                        kind: Kind::Map(Vec::new()),
                    });
                }
                (event, at) => {
                    let node = self.node(event, at, 0)?;
                    self.nothing_after()?;
                    return Ok(node);
                }
            }
        }
    }

    fn nothing_after(&mut self) -> Result<(), Stop> {
        loop {
            match self.next()? {
                (Event::StreamEnd, _) => return Ok(()),
                (Event::DocumentEnd | Event::Nothing, _) => {}
                (_, at) => {
                    return self.stop(
                        at,
                        "a second document begins here",
                        "keep everything in one document: take the line with --- out",
                    );
                }
            }
        }
    }

    /// Builds the node that begins with `event`.
    fn node(&mut self, event: Event, mut at: At, depth: usize) -> Result<Node, Stop> {
        if depth > MAX_DEPTH {
            return self.stop(
                at,
                format!("nested more than {MAX_DEPTH} levels deep"),
                "no key of a configuration lies that deep: look for brackets or dashes that should be in quotes",
            );
        }
        let (decorated, kind) = match event {
            Event::Scalar(text, style, anchor, tag) => (
                self.refuse_decoration(at, anchor, tag),
                Kind::Scalar {
                    value: scalar_value(&text, style),
                    text,
                },
            ),
            Event::SequenceStart(anchor, tag) => {
                let decorated = self.refuse_decoration(at, anchor, tag);
                let mut items = Vec::new();
                loop {
                    match self.next()? {
                        (Event::SequenceEnd, _) => break,
                        (event, at) => items.push(self.node(event, at, depth + 1)?),
                    }
                }
                (decorated, Kind::List(items))
            }
            Event::MappingStart(anchor, tag) => {
                let decorated = self.refuse_decoration(at, anchor, tag);
                let entries = self.entries(depth)?;
                // The parser reports a mapping in block form where its first colon is.
                if let Some(first) = entries.first() {
                    at = at.min(first.key_at);
                }
                (decorated, Kind::Map(entries))
            }
            Event::Alias(_) => {
                self.report.note(
                    at,
                    "a reference (*name) to another part of the file",
                    "write the value out here; text that begins with * needs 'single quotes' round it",
                );
                (true, Kind::Broken)
            }
            other => {
                return self.stop(
                    at,
                    format!("this is not YAML: {other:?} where a value should be"),
                    "look at this line and the one above it",
                );
            }
        };
        Ok(Node {
            at,
            kind: if decorated { Kind::Broken } else { kind },
        })
    }

    fn entries(&mut self, depth: usize) -> Result<Vec<Entry>, Stop> {
        let mut entries: Vec<Entry> = Vec::new();
        let mut seen: HashMap<String, At> = HashMap::new();
        loop {
            let (event, key_at) = self.next()?;
            if event == Event::MappingEnd {
                return Ok(entries);
            }
            let key_node = self.node(event, key_at, depth + 1)?;
            let (event, at) = self.next()?;
            let node = self.node(event, at, depth + 1)?;
            let key = match key_node.kind {
                Kind::Scalar { text, .. } => text,
                Kind::Broken => continue,
                Kind::List(_) | Kind::Map(_) => {
                    self.report.note(
                        key_at,
                        "a key that is itself a list or a mapping",
                        "a key is a single word; text in [ ] or { } needs 'single quotes' round it",
                    );
                    continue;
                }
            };
            if let Some(first) = seen.get(&key) {
                let line = first.line;
                self.report.note(
                    key_at,
                    format!("the key \"{key}\" is here a second time; the first is on line {line}"),
                    "keep one of the two",
                );
                continue;
            }
            seen.insert(key.clone(), key_at);
            entries.push(Entry { key, key_at, node });
        }
    }

    /// Anchors and tags would need a second pass through the file to be understood, and no configuration needs them.
    fn refuse_decoration(&mut self, at: At, anchor: usize, tag: Option<Tag>) -> bool {
        if anchor != 0 {
            self.report.note(
                at,
                "an anchor (&name), which this file cannot have",
                "write the value out where it is needed; text that begins with & needs 'single quotes' round it",
            );
        }
        if let Some(tag) = &tag {
            self.report.note(
                at,
                format!(
                    "a tag ({}{}), which this file cannot have",
                    tag.handle, tag.suffix
                ),
                "take it out; text that begins with ! needs 'single quotes' round it",
            );
        }
        anchor != 0 || tag.is_some()
    }
}

/// What a scalar means: quoted and block scalars are text, plain ones what YAML 1.2 says.
fn scalar_value(text: &str, style: TScalarStyle) -> Value {
    // Nothing longer than this can be a number, a flag or null.
    const LONGEST_PLAIN: usize = 64;
    if style != TScalarStyle::Plain || text.len() > LONGEST_PLAIN {
        return Value::String(text.to_owned());
    }
    if text.is_empty() {
        return Value::Null;
    }
    match serde_yaml::from_str::<Value>(text) {
        Ok(value @ (Value::Bool(_) | Value::Number(_))) => value,
        Ok(Value::Null) if matches!(text, "~" | "null" | "Null" | "NULL") => Value::Null,
        _ => Value::String(text.to_owned()),
    }
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::super::mistake::{MAX_BYTES, Mistake};
    use super::*;

    fn parsed(text: &str) -> (Option<Node>, Vec<Mistake>) {
        let report = Report::new(Path::new("lab.yaml"));
        let tree = parse(text, &report);
        (tree, report.into_mistakes())
    }

    fn flaws(text: &str) -> Vec<(usize, usize, String)> {
        parsed(text)
            .1
            .into_iter()
            .map(|m| (m.line, m.column, m.what))
            .collect()
    }

    #[test]
    fn keys_and_values_know_their_line_and_column() {
        let (tree, flaws) = parsed("# a comment\nfirst: 1\nsecond:\n  inner: [x, yz]\n");
        assert_eq!(flaws, []);
        let Kind::Map(top) = tree.unwrap().kind else {
            panic!("a mapping");
        };
        assert_eq!(
            (top[1].key.as_str(), top[1].key_at),
            ("second", At { line: 3, column: 1 })
        );
        let Kind::Map(inner) = &top[1].node.kind else {
            panic!("a mapping");
        };
        let Kind::List(items) = &inner[0].node.kind else {
            panic!("a list");
        };
        assert_eq!(
            items[1].at,
            At {
                line: 4,
                column: 14
            }
        );
    }

    #[test]
    fn every_duplicate_key_is_a_flaw_and_the_first_value_stays() {
        let text = "a: 1\nb: 2\na: 3\nb: 4\n";
        assert_eq!(
            flaws(text).iter().map(|f| (f.0, f.1)).collect::<Vec<_>>(),
            [(3, 1), (4, 1)]
        );
        assert!(flaws(text)[0].2.contains("line 1"));
    }

    #[test]
    fn anchors_aliases_and_tags_are_refused_where_they_stand() {
        let found = flaws("a: &x 1\nb: *x\nc: !t 2\n");
        assert_eq!(
            found.iter().map(|f| f.0).collect::<Vec<_>>(),
            [1, 2, 3],
            "{found:?}"
        );
    }

    #[test]
    fn an_alias_bomb_is_refused_at_its_first_anchor_and_costs_nothing() {
        let mut text = String::from("a0: &a0 [x, x, x, x, x, x, x, x, x]\n");
        for level in 1..10 {
            let below = level - 1;
            let row = vec![format!("*a{below}"); 9].join(", ");
            text += &format!("a{level}: &a{level} [{row}]\n");
        }
        let found = flaws(&text);
        assert_eq!((found[0].0, found.len()), (1, 10 + 9 * 9));
    }

    #[test]
    fn nesting_is_bounded_in_every_notation() {
        for unit in ["[", "- ", "{a: ", "? "] {
            let text = unit.repeat(MAX_BYTES / unit.len());
            let found = flaws(&text);
            assert_eq!(found.len(), 1, "{unit:?}: {found:?}");
            assert_eq!(found[0].0, 1);
        }
    }

    #[test]
    fn scalars_mean_what_yaml_1_2_says() {
        // YAML 1.2.2, chapter 10.3 (core schema): yes and no are text, octal needs 0o, ~ is null.
        let (tree, _) =
            parsed("- 12\n- '12'\n- 1.5e3\n- yes\n- true\n- ~\n- 09:30\n- 2026-03-04\n-\n- ---\n");
        let Kind::List(items) = tree.unwrap().kind else {
            panic!("a list");
        };
        let values: Vec<Value> = items
            .into_iter()
            .map(|n| match n.kind {
                Kind::Scalar { value, .. } => value,
                other => panic!("{other:?}"),
            })
            .collect();
        assert_eq!(values[0], Value::from(12));
        assert_eq!(values[1], Value::from("12"));
        assert_eq!(values[2], Value::from(1500.0));
        assert_eq!(values[3], Value::from("yes"));
        assert_eq!(values[4], Value::from(true));
        assert_eq!(values[5], Value::Null);
        assert_eq!(values[6], Value::from("09:30"));
        assert_eq!(values[7], Value::from("2026-03-04"));
        assert_eq!(values[8], Value::Null);
        assert_eq!(values[9], Value::from("---"));
    }

    #[test]
    fn a_second_document_and_broken_text_have_a_place() {
        assert_eq!(flaws("a: 1\n---\nb: 2\n")[0].0, 2);
        assert_eq!(flaws("a: 1\n b: [2\n")[0].0, 2);
        assert_eq!(flaws("a: [2\r\n")[0].0, 1, "not on the line after the last");
        assert_eq!(
            place_of_byte("ab\ncde\u{e4}".as_bytes(), 6),
            At { line: 2, column: 4 }
        );
    }
}
