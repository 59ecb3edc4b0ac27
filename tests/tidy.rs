//! The repository's own rules, read off its sources: what each part may touch and know, and that the papers name what is
//! there.
//!
//! DEVELOPERS.md numbers the invariants; the ones checked here are the rules about who may touch the disk, the clock, the
//! environment, threads and the screen, and which module may know which.

#[path = "tidy/imports.rs"]
mod imports;
#[path = "tidy/said.rs"]
mod said;
#[path = "tidy/words.rs"]
mod words;

use std::collections::BTreeSet;
use std::ffi::OsString;
use std::fs;
use std::path::{Path, PathBuf};

use regex::Regex;

fn root() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
}

/// Files below `folder` that end in `ending`, by path from the repository's root, sorted.
fn files(folder: &str, ending: &str) -> Vec<(String, String)> {
    fn walk(folder: &Path, ending: &str, found: &mut Vec<PathBuf>) {
        for entry in fs::read_dir(folder).expect("a folder of the repository") {
            let path = entry.expect("an entry of it").path();
            if path.is_dir() {
                walk(&path, ending, found);
            } else if path.to_string_lossy().ends_with(ending) {
                found.push(path);
            }
        }
    }
    let mut found = Vec::new();
    walk(&root().join(folder), ending, &mut found);
    found.sort();
    found
        .into_iter()
        .map(|path| {
            let text = fs::read_to_string(&path).expect("a text");
            let name = path
                .strip_prefix(root())
                .expect("below the root")
                .to_string_lossy()
                .into_owned();
            (name, text)
        })
        .collect()
}

/// The program's part of a source file: without comments, and without the tests at its foot.
fn program(text: &str) -> String {
    let mut lines = text.lines().peekable();
    let mut kept = String::new();
    while let Some(line) = lines.next() {
        let foot =
            line.trim() == "#[cfg(test)]" && lines.peek().is_some_and(|next| next.contains("mod "));
        if foot && lines.peek().is_some_and(|next| next.ends_with('{')) {
            break;
        }
        if foot {
            lines.next();
            continue;
        }
        if !line.trim_start().starts_with("//") {
            kept.push_str(line);
        }
        kept.push('\n');
    }
    kept
}

/// Every source file of the program by its path below `src/`, without tests: neither those at the foot of a file nor the
/// files that only tests are built from.
fn program_files() -> Vec<(String, String)> {
    let for_tests = Regex::new(r"#\[cfg\(test\)\]\s*(?:pub(?:\([a-z]+\))? )?mod ([a-z_]+);")
        .expect("a pattern");
    let sources = files("src", ".rs");
    let left_out: BTreeSet<String> = sources
        .iter()
        .flat_map(|(name, text)| {
            let folder = Path::new(name).parent().expect("a folder");
            for_tests
                .captures_iter(text)
                .map(|found| {
                    folder
                        .join(format!("{}.rs", &found[1]))
                        .to_string_lossy()
                        .into_owned()
                })
                .collect::<Vec<String>>()
        })
        .collect();
    sources
        .iter()
        .filter(|(name, _)| !left_out.contains(name))
        .map(|(name, text)| (name["src/".len()..].to_owned(), program(text)))
        .collect()
}

/// Something that only some files may use.
struct Reserved {
    what: &'static str,
    pattern: &'static str,
    /// Files below `src/`, or folders with a `/` at the end.
    allowed: &'static [&'static str],
}

const RESERVED: [Reserved; 7] = [
    Reserved {
        what: "the disk",
        pattern: r"\b(std::fs|rustix::fs|fs::|File::open|File::create|OpenOptions|ImageReader::open)",
        allowed: &[
            "arrive/listing.rs",
            "arrive/watch.rs",
            "publish/place.rs",
            "publish/lock.rs",
            "publish/shelf.rs",
            "publish/stream.rs",
            "run/",
            // Reads the configuration and the files it names.
            "settings/mistake.rs",
            "system/",
        ],
    },
    // So that a port to another system is one more file.
    Reserved {
        what: "what only one system has",
        pattern: r#"\b(rustix|std::os::|sd_notify|signal_hook)|"/(proc|sys|dev)/"#,
        allowed: &["system/linux.rs"],
    },
    Reserved {
        what: "the clock",
        pattern: r"\b(SystemTime|Instant|UNIX_EPOCH|Timestamp::now|Zoned::now)\b",
        allowed: &[
            "run/",
            // Waits for another process to let go of the results.
            "publish/lock.rs",
            // Reads when files were changed, not what time it is.
            "system/portable.rs",
        ],
    },
    Reserved {
        what: "the environment",
        pattern: r"\b(std::env\b|env::(var|vars|args|args_os|current_dir|temp_dir)\b)",
        allowed: &[
            "cli/",
            "run/",
            // Where to break off, for the tests that pull the plug.
            "publish/trap.rs",
        ],
    },
    Reserved {
        what: "threads",
        pattern: r"\b(rayon|crossbeam_channel|std::thread|thread::|tokio)",
        allowed: &["run/", "publish/lock.rs"],
    },
    Reserved {
        what: "the log and the screen",
        pattern: r"\b(tracing|print!|println!|eprint!|eprintln!|stdout\(\)|stderr\(\))",
        allowed: &["cli/", "run/", "publish/trap.rs"],
    },
    Reserved {
        what: "chance without a seed",
        pattern: r"\b(rand::rng\b|thread_rng|from_os_rng|from_entropy|getrandom|RandomState)",
        allowed: &[],
    },
];

#[test]
fn only_the_shell_touches_disk_clock_environment_threads_and_screen() {
    let files = program_files();
    let mut wrong = Vec::new();
    for rule in &RESERVED {
        let pattern = Regex::new(rule.pattern).expect("a pattern");
        let mut used = BTreeSet::new();
        for (name, text) in &files {
            let allowed = rule
                .allowed
                .iter()
                .find(|a| *a == name || (a.ends_with('/') && name.starts_with(**a)));
            for (i, line) in text
                .lines()
                .enumerate()
                .filter(|(_, line)| pattern.is_match(line))
            {
                match allowed {
                    Some(allowed) => {
                        used.insert(*allowed);
                    }
                    None => wrong.push(format!(
                        "src/{name}:{}: {}: {}",
                        i + 1,
                        rule.what,
                        line.trim()
                    )),
                }
            }
        }
        // A permission that nobody needs would hide the next offence.
        for allowed in rule.allowed {
            // A folder of the shell may stop using one of these without harm.
            if !used.contains(allowed) && *allowed != "run/" && *allowed != "cli/" {
                wrong.push(format!(
                    "src/{allowed} no longer uses {}: take it off the list",
                    rule.what
                ));
            }
        }
    }
    assert!(wrong.is_empty(), "\n{}", wrong.join("\n"));
}

/// What each module may know of the others; itself and `terms` are understood. Whoever adds an arrow argues for it in
/// DEVELOPERS.md.
const MAY_KNOW: [(&str, &[&str]); 20] = [
    ("main", &["cli"]),
    ("cli", &["run", "settings"]),
    ("settings", &["classify", "judge", "slates", "standards"]),
    ("terms", &[]),
    ("arrive", &["system"]),
    // The operating system: a leaf, for the shell and for those that list and publish.
    ("system", &[]),
    ("classify", &["decode"]),
    ("decode", &["frame"]),
    ("frame", &[]),
    // One photo from its picture to its record: everything pure that has a say in it, and no reader of files.
    (
        "lab",
        &[
            "answers",
            "classify",
            "decode",
            "frame",
            "judge",
            "measure",
            "publish",
            "settings",
            "slates",
            "standards",
        ],
    ),
    // Numbers that were measured, and what the file says of the exposure.
    ("judge", &["decode"]),
    ("measure", &["decode", "frame"]),
    ("pair", &[]),
    ("publish", &["answers", "classify", "frame", "system"]),
    ("report", &["answers", "classify", "measure", "publish"]),
    // The shell knows them all, but nothing of how they are drawn on a command line.
    (
        "run",
        &[
            "answers", "arrive", "classify", "decode", "frame", "judge", "lab", "pair", "publish",
            "report", "settings", "simulate", "slates", "system",
        ],
    ),
    // Pure numerics on what was measured.
    ("answers", &[]),
    // Shares words with the measurement and no formula: a mistake made in both would pass every test.
    // The score of a rehearsal compares what was planted with the limits in force.
    ("simulate", &["judge"]),
    // Pixels in, words out, and which photos the words are about.
    ("slates", &["frame"]),
    ("standards", &[]),
];

#[test]
fn modules_know_only_those_they_may() {
    let crate_path = Regex::new(r"\b(?:crate|slitwatch)::([a-z_]+)").expect("a pattern");
    let mut wrong = Vec::new();
    for (name, text) in program_files() {
        let module = name.split(['/', '.']).next().expect("a name");
        if module == "lib" {
            continue;
        }
        let Some((_, known)) = MAY_KNOW.iter().find(|(of, _)| *of == module) else {
            wrong.push(format!(
                "src/{name}: {module} is not in the list of modules"
            ));
            continue;
        };
        // A list of several at once would hide from the pattern below.
        assert!(
            !text.contains("use crate::{"),
            "src/{name}: name one module per line of use"
        );
        for found in crate_path.captures_iter(&text) {
            let other = &found[1];
            if other != module && other != "terms" && !known.contains(&other) {
                wrong.push(format!("src/{name}: {module} may not know {other}"));
            }
        }
    }
    assert!(wrong.is_empty(), "\n{}", wrong.join("\n"));
}

#[test]
fn no_files_import_each_other_in_a_circle() {
    let circles = imports::circles(&imports::arrows(&program_files()));
    assert!(circles.is_empty(), "{circles:#?}");
}

#[test]
fn the_drawing_and_the_measuring_half_do_not_know_each_other_even_in_their_tests() {
    let of = |module: &str| {
        let prefix = format!("src/{module}/");
        files("src", ".rs")
            .into_iter()
            .filter(move |(name, _)| name.starts_with(&prefix))
    };
    for (a, b) in [("simulate", "measure"), ("measure", "simulate")] {
        for (name, text) in of(a) {
            let mentions = text.contains(&format!("{b}::"));
            assert!(!mentions, "{name} mentions {b}");
        }
    }
}

#[test]
fn the_parts_of_a_step_are_listed_in_the_contents() {
    let contents = fs::read_to_string(root().join("src/lib.rs")).expect("the contents page");
    let listed: Vec<&str> = contents
        .lines()
        .filter_map(|line| line.strip_prefix("pub mod ")?.strip_suffix(';'))
        .collect();
    let mut there: Vec<String> = fs::read_dir(root().join("src"))
        .expect("src")
        .map(|entry| entry.expect("an entry").path())
        .map(|path| {
            path.file_stem()
                .expect("a name")
                .to_string_lossy()
                .into_owned()
        })
        .filter(|name| name != "lib" && name != "main")
        .collect();
    there.sort();
    let mut sorted = listed.clone();
    sorted.sort_unstable();
    assert_eq!(sorted, there);
    // The steps stand in the order in which a photo meets them, which is that of the alphabet.
    let first = listed.iter().position(|m| *m == "arrive").expect("arrive");
    let last = listed.iter().position(|m| *m == "run").expect("run");
    assert!(listed[first..=last].is_sorted(), "{listed:?}");
}

#[test]
fn every_source_file_begins_with_what_it_is_for_and_is_short() {
    let mut wrong = Vec::new();
    for (name, text) in files("src", ".rs").into_iter().chain(files("tests", ".rs")) {
        let paragraph: String = text
            .lines()
            .map_while(|line| line.strip_prefix("//!"))
            .take_while(|line| !line.trim().is_empty())
            .collect();
        if paragraph.trim().len() < 30 || !paragraph.trim().ends_with(['.', '?', ':', ')']) {
            wrong.push(format!(
                "{name}: begins without a paragraph on what it is for"
            ));
        }
        let n_lines = text.lines().count();
        if n_lines > 600 {
            wrong.push(format!(
                "{name}: {n_lines} lines; 600 are the limit, split it by subject"
            ));
        }
    }
    let main = fs::read_to_string(root().join("src/main.rs")).expect("src/main.rs");
    assert!(
        main.lines().count() < 60,
        "main.rs is arguments, a call, a status"
    );
    assert!(wrong.is_empty(), "\n{}", wrong.join("\n"));
}

#[test]
fn every_source_file_is_part_of_the_build() {
    let all: BTreeSet<String> = files("src", ".rs")
        .into_iter()
        .chain(files("tests", ".rs"))
        .map(|(name, _)| name)
        .collect();
    for name in &all {
        let path = Path::new(name);
        let stem = path
            .file_stem()
            .expect("a name")
            .to_string_lossy()
            .into_owned();
        let folder = path.parent().expect("a folder");
        let is_root = folder == Path::new("tests") || matches!(stem.as_str(), "main" | "lib");
        if is_root || folder.starts_with("tests/benches") {
            continue;
        }
        let (folder, stem) = if stem == "mod" {
            let own = folder
                .file_name()
                .expect("a name")
                .to_string_lossy()
                .into_owned();
            (folder.parent().expect("a folder"), own)
        } else {
            (folder, stem)
        };
        let parents = [
            folder.join("mod.rs"),
            folder.join("main.rs"),
            folder.join("lib.rs"),
            folder.with_extension("rs"),
        ];
        let declaration =
            Regex::new(&format!(r"(?m)^\s*(pub(\([a-z: ]+\))? )?mod {stem};")).expect("a pattern");
        let declared = parents.iter().any(|parent| {
            fs::read_to_string(root().join(parent)).is_ok_and(|text| declaration.is_match(&text))
        });
        assert!(
            declared,
            "{name}: no parent declares it, so it is never compiled"
        );
    }
}

#[test]
fn tests_are_named_as_sentences() {
    let test = Regex::new(r"#\[test\]\s*(?:#\[[^\]]*\]\s*)*fn ([a-z0-9_]+)").expect("a pattern");
    let mut n_tests = 0;
    for (name, text) in files("src", ".rs").into_iter().chain(files("tests", ".rs")) {
        for found in test.captures_iter(&text) {
            n_tests += 1;
            assert!(
                found[1].matches('_').count() >= 2,
                "{name}: {} is no sentence",
                &found[1]
            );
        }
        // What is switched off is forgotten.
        assert!(
            !text.contains(concat!("#[ign", "ore")),
            "{name}: a test is switched off"
        );
    }
    assert!(n_tests > 100, "{n_tests}");
}

#[test]
fn nothing_is_left_lying_about() {
    let words = [
        concat!("TO", "DO"),
        concat!("FIX", "ME"),
        concat!("X", "XX"),
        concat!("db", "g!("),
        concat!("to", "do!("),
        concat!("unimple", "mented!("),
    ];
    let mut texts = files("src", ".rs");
    texts.extend(files("tests", ".rs"));
    texts.extend(files("tests", ".py"));
    texts.extend(files("config", ".yaml"));
    for paper in ["README.md", "DEVELOPERS.md", "Cargo.toml", ".ci/run"] {
        texts.push((
            paper.to_owned(),
            fs::read_to_string(root().join(paper)).expect(paper),
        ));
    }
    let mut wrong = Vec::new();
    for (name, text) in &texts {
        for (i, line) in text.lines().enumerate() {
            if let Some(word) = words.iter().find(|word| line.contains(**word)) {
                wrong.push(format!("{name}:{}: {word}", i + 1));
            }
            if line.ends_with([' ', '\t']) || line.contains('\t') {
                wrong.push(format!(
                    "{name}:{}: a tab, or space at the end of the line",
                    i + 1
                ));
            }
        }
        if !text.is_empty() && (!text.ends_with('\n') || text.ends_with("\n\n")) {
            wrong.push(format!(
                "{name}: ends without a line's end, or with an empty line"
            ));
        }
    }
    assert!(wrong.is_empty(), "\n{}", wrong.join("\n"));
}

#[test]
fn the_top_folder_holds_what_it_should() {
    let expected: BTreeSet<OsString> = [
        ".cargo",
        ".ci",
        ".gitignore",
        "Cargo.lock",
        "Cargo.toml",
        "DEVELOPERS.md",
        "LICENSE-APACHE",
        "LICENSE-MIT",
        "README.md",
        "config",
        "demo-inbox",
        "src",
        "tests",
    ]
    .map(OsString::from)
    .into();
    // Made by git, by cargo and by the program itself.
    let made = [".git", "target", "results"];
    let there: BTreeSet<OsString> = fs::read_dir(root())
        .expect("the repository")
        .map(|entry| entry.expect("an entry").file_name())
        .filter(|name| !made.iter().any(|made| name == made))
        .collect();
    assert_eq!(there, expected);
}

#[test]
fn the_papers_name_files_that_exist() {
    let quoted = Regex::new(r"`([^`\s]+)`").expect("a pattern");
    let linked = Regex::new(r"\]\(([^)#\s]+)[^)]*\)").expect("a pattern");
    let place = Regex::new(r"^(src|tests|config|demo-inbox|\.ci)(/|$)").expect("a pattern");
    let mut n_paths = 0;
    for paper in ["README.md", "DEVELOPERS.md"] {
        let text = fs::read_to_string(root().join(paper)).expect(paper);
        let named = quoted
            .captures_iter(&text)
            .map(|c| c[1].to_owned())
            .filter(|path| place.is_match(path))
            .chain(
                linked
                    .captures_iter(&text)
                    .map(|c| c[1].to_owned())
                    .filter(|path| !path.contains("://")),
            );
        for path in named {
            n_paths += 1;
            // `src/measure::optics` and `tests/x.rs::name` name something inside a file.
            let file = path.split("::").next().expect("a path");
            assert!(
                root().join(file).exists(),
                "{paper} names {path}, which is not there"
            );
        }
    }
    assert!(n_paths >= 20, "{n_paths}");
}

#[test]
fn the_papers_name_tests_that_exist() {
    let sentence = Regex::new(r"`([a-z0-9]+(?:_[a-z0-9]+){3,})`").expect("a pattern");
    let sources: String = files("src", ".rs")
        .into_iter()
        .chain(files("tests", ".rs"))
        .map(|(_, text)| text)
        .collect();
    let map = fs::read_to_string(root().join("DEVELOPERS.md")).expect("DEVELOPERS.md");
    let mut n_named = 0;
    for found in sentence.captures_iter(&map) {
        n_named += 1;
        let there = sources.contains(&format!("fn {}(", &found[1]));
        assert!(
            there,
            "DEVELOPERS.md names a test {}, which is not there",
            &found[1]
        );
    }
    assert!(n_named >= 8, "{n_named}");
}

#[test]
fn every_module_and_every_test_program_is_on_the_map() {
    let map = fs::read_to_string(root().join("DEVELOPERS.md")).expect("DEVELOPERS.md");
    for folder in ["src", "tests"] {
        for entry in fs::read_dir(root().join(folder)).expect(folder) {
            let name = entry
                .expect("an entry")
                .file_name()
                .to_string_lossy()
                .into_owned();
            assert!(
                map.contains(&format!("`{folder}/{name}")),
                "DEVELOPERS.md does not name {folder}/{name}"
            );
        }
    }
}
