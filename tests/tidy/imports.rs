//! Which source file takes what from which other, read off the imports, and the circles among them: files that import each
//! other in a loop can only be understood, moved and tested together.

use std::collections::{BTreeMap, BTreeSet};

use regex::Regex;

/// A place in the tree of modules, such as `["measure", "sight", "map"]`.
type Place = Vec<String>;

/// The program's files as modules.
struct Modules {
    /// The file of each module.
    files: BTreeMap<Place, String>,
    /// Names that a module hands on from others: where they come from.
    handed_on: BTreeMap<(Place, String), Place>,
}

fn place_of(file: &str) -> Place {
    let path = file.trim_end_matches(".rs");
    let path = path.strip_suffix("/mod").unwrap_or(path);
    path.split('/').map(str::to_owned).collect()
}

/// The paths that the tree of an import names: `a::{b, c::{d, e}}` names `a::b`, `a::c::d` and `a::c::e`.
fn named(tree: &str) -> Vec<Place> {
    let tree = tree.trim();
    let Some(open) = tree.find('{') else {
        let path = tree.split(" as ").next().unwrap_or(tree).trim();
        let parts = path.split("::").map(|part| part.trim().to_owned());
        return vec![parts.filter(|part| !part.is_empty()).collect()];
    };
    let head = named(tree[..open].trim_end().trim_end_matches("::")).remove(0);
    let inner = &tree[open + 1..tree.rfind('}').unwrap_or(tree.len())];
    let (mut depth, mut parts, mut part) = (0, Vec::new(), String::new());
    for c in inner.chars() {
        depth += i32::from(c == '{') - i32::from(c == '}');
        match c {
            ',' if depth == 0 => parts.push(std::mem::take(&mut part)),
            _ => part.push(c),
        }
    }
    parts.push(part);
    parts
        .iter()
        .filter(|part| !part.trim().is_empty())
        .flat_map(|part| named(part))
        .map(|rest| [head.clone(), rest].concat())
        .collect()
}

impl Modules {
    fn of(files: &[(String, String)]) -> Modules {
        let mut modules = Modules {
            files: files
                .iter()
                .filter(|(name, _)| name != "lib.rs" && name != "main.rs")
                .map(|(name, _)| (place_of(name), name.clone()))
                .collect(),
            handed_on: BTreeMap::new(),
        };
        let hands_on = Regex::new(r"pub(?:\([a-z: ]+\))? use ([^;]+);").expect("a pattern");
        for (name, text) in files {
            let own = place_of(name);
            for found in hands_on.captures_iter(text) {
                for path in named(&found[1].replace('\n', " ")) {
                    let name = path.last().cloned().unwrap_or_default();
                    if let Some(from) = modules.absolute(&own, path) {
                        modules.handed_on.insert((own.clone(), name), from);
                    }
                }
            }
        }
        modules
    }

    /// A path as seen from the crate's root; absent where it leaves the crate.
    fn absolute(&self, own: &Place, path: Place) -> Option<Place> {
        let child = |first: &String| [own.clone(), vec![first.clone()]].concat();
        match path.first().map(String::as_str)? {
            "crate" => Some(path[1..].to_vec()),
            "self" => Some([own.clone(), path[1..].to_vec()].concat()),
            "super" => {
                let n_up = path.iter().take_while(|part| *part == "super").count();
                let above = own[..own.len().saturating_sub(n_up)].to_vec();
                Some([above, path[n_up..].to_vec()].concat())
            }
            _ if self.files.contains_key(&child(&path[0])) => Some([own.clone(), path].concat()),
            _ => None,
        }
    }

    /// The file in which what a path names is written.
    fn file(&self, path: &[String]) -> Option<&String> {
        for n in (1..=path.len()).rev() {
            let Some(file) = self.files.get(&path[..n]) else {
                continue;
            };
            let handed_on = path
                .get(n)
                .and_then(|name| self.handed_on.get(&(path[..n].to_vec(), name.clone())));
            return match handed_on {
                Some(from) => self.file(from),
                None => Some(file),
            };
        }
        None
    }
}

/// Of each file the files that it takes something from. `files`: names below `src/` and texts without comments and tests.
pub fn arrows(files: &[(String, String)]) -> BTreeMap<String, BTreeSet<String>> {
    let import = Regex::new(r"(?m)^[ \t]*(pub(?:\([a-z: ]+\))? )?use ([a-z_0-9]+::[^;]+);")
        .expect("a pattern");
    let path = Regex::new(r"\b(?:[a-z_0-9]+::)+[A-Za-z_0-9]+").expect("a pattern");
    let modules = Modules::of(files);
    let mut arrows = BTreeMap::new();
    for (name, text) in files {
        let own = place_of(name);
        let imported = import
            .captures_iter(text)
            // What is only handed on is not used here.
            .filter(|found| found.get(1).is_none())
            .flat_map(|found| named(&found[2].replace('\n', " ")));
        let body = import.replace_all(text, "");
        let inline = path
            .find_iter(&body)
            .flat_map(|found| named(found.as_str()));
        let taken: BTreeSet<String> = imported
            .chain(inline)
            .filter_map(|path| modules.absolute(&own, path))
            .filter_map(|path| modules.file(&path))
            .filter(|file| *file != name)
            .cloned()
            .collect();
        arrows.insert(name.clone(), taken);
    }
    arrows
}

/// Every file that can be reached from a file along the arrows.
fn reached(from: &str, arrows: &BTreeMap<String, BTreeSet<String>>) -> BTreeSet<String> {
    let mut seen = BTreeSet::new();
    let mut open = vec![from.to_owned()];
    while let Some(file) = open.pop() {
        for next in arrows.get(&file).into_iter().flatten() {
            if seen.insert(next.clone()) {
                open.push(next.clone());
            }
        }
    }
    seen
}

/// The circles: sets of files each of which reaches all the others.
pub fn circles(arrows: &BTreeMap<String, BTreeSet<String>>) -> BTreeSet<BTreeSet<String>> {
    let reach: BTreeMap<&String, BTreeSet<String>> = arrows
        .keys()
        .map(|file| (file, reached(file, arrows)))
        .collect();
    let meets = |a: &String, b: &String| reach[a].contains(b) && reach[b].contains(a);
    arrows
        .keys()
        .filter(|file| reach[file].contains(*file))
        .map(|file| arrows.keys().filter(|b| meets(file, b)).cloned().collect())
        .collect()
}

#[test]
fn circles_are_found_through_names_that_are_handed_on() {
    let files = [
        ("a/mod.rs", "mod b;\nmod c;\npub use b::B;\n"),
        ("a/b.rs", "use super::c::{C, D};\nfn f() -> C {}\n"),
        ("a/c.rs", "use crate::a::B;\n"),
        ("d.rs", "fn g() { crate::a::b::h() }\n"),
    ]
    .map(|(name, text)| (name.to_owned(), text.to_owned()));
    let arrows = arrows(&files);
    assert_eq!(arrows["d.rs"], BTreeSet::from(["a/b.rs".to_owned()]));
    assert!(arrows["a/mod.rs"].is_empty());
    let circle = ["a/b.rs", "a/c.rs"].map(str::to_owned).into();
    assert_eq!(circles(&arrows), BTreeSet::from([circle]));
}
