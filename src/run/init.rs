//! A folder to begin with: the settings, the words and the service as files to be edited, and an empty inbox. What is there
//! already stays as it is.

use std::fs::{self, OpenOptions};
use std::io::{self, Write};
use std::path::Path;

use askama::Template;

use super::failure::Failure;
use crate::settings;

const CONFIG: &str = "lab.yaml";
const WORDS: &str = "words.en.yaml";
const UNIT: &str = "slitwatch.service";
const INBOX: &str = "inbox";
const RESULTS: &str = "results";

/// The service that is shipped, whose places are replaced.
const SHIPPED_UNIT: &str = include_str!("../../config/slitwatch.service");

#[derive(Template)]
#[template(path = "init.txt", config = "src/run/askama.toml")]
struct Text<'a> {
    lines: Vec<String>,
    config: String,
    inbox: String,
    board: String,
    unit: &'a str,
    /// What is to be typed behind a command; empty in the working folder itself.
    option: String,
}

#[derive(Template)]
#[template(
    path = "init_unit.txt",
    config = "src/run/askama.toml",
    escape = "none"
)]
struct Unit<'a> {
    dir: String,
    config: String,
    results: String,
    unit: String,
    rest: &'a str,
}

/// Writes what is missing into `folder`, which is made where it is missing, and returns in words what was done and left
/// alone, and what comes next. `program` is where this program lies, for the service.
///
/// # Errors
/// Where something cannot be made.
pub fn init(folder: &Path, program: &Path) -> Result<String, Failure> {
    let here = |name: &str| folder.join(name);
    let trouble = |path: &Path, error: io::Error| {
        Failure::Work(format!(
            "cannot make {}: {error}; name a folder that this account may write in",
            path.display()
        ))
    };
    fs::create_dir_all(folder).map_err(|e| trouble(folder, e))?;
    let absolute = fs::canonicalize(folder).map_err(|e| trouble(folder, e))?;
    let mut lines = Vec::new();
    let mut say = |made: bool, name: &str| {
        let shown = here(name);
        lines.push(match made {
            true => format!("made: {}", shown.display()),
            false => format!("left alone: {} is there already", shown.display()),
        });
    };
    let files = [
        (CONFIG, settings::to_begin_with(INBOX, RESULTS, WORDS)),
        (WORDS, settings::shipped_words().to_owned()),
        (UNIT, unit(&absolute, program)),
    ];
    for (name, text) in files {
        let path = here(name);
        say(put(&path, &text).map_err(|e| trouble(&path, e))?, name);
    }
    let inbox = here(INBOX);
    match fs::create_dir(&inbox) {
        Ok(()) => say(true, INBOX),
        Err(error) if error.kind() == io::ErrorKind::AlreadyExists && inbox.is_dir() => {
            say(false, INBOX);
        }
        Err(error) => return Err(trouble(&inbox, error)),
    }
    let is_here = fs::canonicalize(".").is_ok_and(|working| working == absolute);
    let config = here(CONFIG);
    let text = Text {
        lines,
        option: match is_here {
            true => String::new(),
            false => format!(" --config {}", config.display()),
        },
        config: config.display().to_string(),
        inbox: inbox.display().to_string(),
        board: here(RESULTS).join("board.html").display().to_string(),
        unit: UNIT,
    };
    Ok(text.render().expect("writing to memory does not fail"))
}

/// Writes a file where there is none; false where there is something. What cannot be written whole is taken away again.
fn put(path: &Path, text: &str) -> io::Result<bool> {
    let mut file = match OpenOptions::new().write(true).create_new(true).open(path) {
        Ok(file) => file,
        Err(error) if error.kind() == io::ErrorKind::AlreadyExists => return Ok(false),
        Err(error) => return Err(error),
    };
    let written = file
        .write_all(text.as_bytes())
        .and_then(|()| file.sync_all());
    if written.is_err() {
        // The first error is the one to be told.
        let _ = fs::remove_file(path);
    }
    written.map(|()| true)
}

/// The shipped service with the places of `folder` and `program` in those of its examples.
fn unit(folder: &Path, program: &Path) -> String {
    let at = |name: &str| quoted(&folder.join(name));
    let (config, inbox, results) = (at(CONFIG), at(INBOX), at(RESULTS));
    let begin = SHIPPED_UNIT.find("[Unit]").unwrap_or_default();
    let rest: Vec<String> = SHIPPED_UNIT[begin..]
        .lines()
        .map(|line| match line.split_once('=') {
            Some(("RequiresMountsFor", _)) => format!("RequiresMountsFor={inbox} {results}"),
            Some(("ExecStart", _)) => {
                // The one line in which systemd replaces variables.
                let command = format!("{} watch --config {config}", quoted(program));
                format!("ExecStart={}", command.replace('$', "$$"))
            }
            Some(("StateDirectory", _)) => format!("ReadWritePaths={results}"),
            Some(("ReadOnlyPaths", _)) => format!("ReadOnlyPaths={inbox} {config}"),
            Some(("ProtectHome", _)) => "ProtectHome=read-only".to_owned(),
            _ => line.to_owned(),
        })
        .collect();
    let text = Unit {
        dir: folder.display().to_string(),
        config,
        results,
        unit: at(UNIT),
        rest: &rest.join("\n"),
    };
    let text = text.render().expect("writing to memory does not fail");
    format!("{}\n", text.trim_end())
}

/// A path as systemd reads it: in quotes where it holds more than letters and signs that mean nothing (systemd.syntax(7));
/// a percent sign would begin a specifier (systemd.unit(5)).
fn quoted(path: &Path) -> String {
    let text = path.display().to_string();
    let is_plain = |c: char| c.is_alphanumeric() || "/._-+:@,".contains(c);
    if text.chars().all(is_plain) {
        return text;
    }
    let text = text.replace('\\', "\\\\").replace('"', "\\\"");
    format!("\"{}\"", text.replace('%', "%%"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_service_is_the_shipped_one_with_its_places_replaced() {
        let text = unit(Path::new("/srv/my class"), Path::new("/opt/bin/slitwatch"));
        let start = "ExecStart=/opt/bin/slitwatch watch --config \"/srv/my class/lab.yaml\"\n";
        assert!(text.contains(start), "{text}");
        assert!(text.contains("\nReadWritePaths=\"/srv/my class/results\"\n"));
        for example in ["/srv/class", "/etc/slitwatch", "/var/lib", "/usr/local"] {
            assert!(!text.contains(example), "{example}");
        }
        let settings = |text: &str| {
            let keys = text.lines().filter(|l| !l.starts_with('#'));
            keys.filter(|l| l.contains('=')).count()
        };
        assert_eq!(settings(&text), settings(SHIPPED_UNIT));
    }

    #[test]
    fn a_path_is_quoted_as_systemd_reads_it() {
        for (path, expected) in [
            ("/srv/class/lab.yaml", "/srv/class/lab.yaml"),
            ("/srv/a b", "\"/srv/a b\""),
            ("/srv/50%", "\"/srv/50%%\""),
            ("/srv/\"x\\", "\"/srv/\\\"x\\\\\""),
        ] {
            assert_eq!(quoted(Path::new(path)), expected);
        }
    }
}
