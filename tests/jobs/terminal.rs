//! What a person at a terminal sees, and what a log gets where there is none: the program in a pseudo-terminal that
//! util-linux's `script` makes.

use std::fs;
use std::io::Write;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use regex::Regex;

use crate::real::{Place, shipped, stderr};

/// Columns that a text takes; every character here takes one.
fn columns(line: &str) -> usize {
    line.chars().count()
}

/// What stays of a terminal's text when colours and movements are taken out: a line for each line that was ever shown.
fn plain(shown: &str) -> Vec<String> {
    let commands = Regex::new("\u{1b}\\[[0-9;]*m").unwrap();
    let moves = Regex::new("\u{1b}\\[[0-9;]*[A-Za-ln-z]|\r|\n").unwrap();
    let text = commands.replace_all(shown, "");
    let lines = moves.split(&text).map(|line| line.trim_end().to_owned());
    lines.filter(|line| !line.is_empty()).collect()
}

/// A place whose photos, no pictures, come to rest at once.
fn place(n_photos: usize) -> Place {
    let place = Place::new();
    let text = fs::read_to_string(shipped("config/lab.yaml")).unwrap();
    let text = text
        .replace("settle_s: 2 ", "settle_s: 0.1 ")
        .replace("damaged_after_s: 60", "damaged_after_s: 1")
        .replace("rescan_s: 5", "rescan_s: 1");
    fs::write(place.path("lab.yaml"), text).unwrap();
    for i in 0..n_photos {
        let bench = ["heron", "dunlin"][i % 2];
        place.put(&format!("{bench}/quay-{i:02}.jpg"), b"not a picture");
    }
    place.put("heron/notes.txt", b"x");
    place
}

/// The program in a terminal; absent, with a word, where none can be made.
fn in_terminal(
    place: &Place,
    columns: usize,
    environment: &[(&str, &str)],
    arguments: &str,
) -> Option<Child> {
    let path = |name: &str| place.path(name).display().to_string();
    let line = format!(
        "stty rows 24 cols {columns}; exec {} {arguments} --inbox {} --results {} --config {}",
        env!("CARGO_BIN_EXE_slitwatch"),
        path("inbox"),
        path("results"),
        path("lab.yaml")
    );
    let mut command = Command::new("script");
    command
        .args(["-q", "-e", "-f", "-c", &line, &path("typescript")])
        .env("TERM", "xterm")
        .env_remove("NO_COLOR")
        .env_remove("NOTIFY_SOCKET")
        .envs(environment.iter().copied())
        .stdin(Stdio::piped())
        .stdout(Stdio::null())
        .stderr(Stdio::null());
    let child = command.spawn().ok();
    if child.is_none() {
        eprintln!("SKIPPED: there is no `script` (util-linux) to make a terminal with");
    }
    child
}

fn shown(place: &Place) -> String {
    let bytes = fs::read(place.path("typescript")).unwrap_or_default();
    let text = String::from_utf8_lossy(&bytes).into_owned();
    // Its first and last lines are script's own.
    text.lines()
        .filter(|line| !line.starts_with("Script "))
        .map(|line| format!("{line}\n"))
        .collect()
}

/// What a sweep shows.
fn swept(place: &Place, columns: usize, environment: &[(&str, &str)]) -> Option<String> {
    let mut child = in_terminal(place, columns, environment, "sweep")?;
    assert_eq!(child.wait().unwrap().code(), Some(0), "{}", shown(place));
    Some(shown(place))
}

#[test]
fn a_sweep_in_a_terminal_is_one_line_that_never_goes_back_and_a_summary() {
    let place = place(29);
    let Some(shown) = swept(&place, 80, &[]) else {
        return;
    };
    let count = Regex::new("([0-9]+) of ([0-9]+) photos").unwrap();
    let counts: Vec<(usize, usize)> = count
        .captures_iter(&shown)
        .map(|c| (c[1].parse().unwrap(), c[2].parse().unwrap()))
        .collect();
    assert!(counts.is_sorted_by_key(|(done, _)| *done), "{counts:?}");
    assert_eq!(counts.last(), Some(&(30, 30)), "{shown}");
    let lines = plain(&shown);
    let board = fs::canonicalize(place.results().join("board.html")).unwrap();
    for expected in [
        "        ▚ unreadable  – ignored",
        "dunlin            14          ·",
        "heron             15          1",
        "To do:",
        &format!("board: {}", board.display()),
    ] {
        assert!(
            lines.iter().any(|l| l == expected),
            "{expected}: {lines:#?}"
        );
    }
    assert!(lines.iter().any(|l| l.starts_with("    ▚ not a picture (")));
    assert!(
        lines
            .iter()
            .all(|l| columns(l) <= 80 || l.starts_with("board:"))
    );
    assert!(
        shown.contains("\u{1b}[35m") && !shown.contains("INFO"),
        "{shown}"
    );
}

#[test]
fn narrow_dumb_and_colourless_terminals_are_respected() {
    let place = place(7);
    let Some(narrow) = swept(&place, 40, &[("NO_COLOR", "1")]) else {
        return;
    };
    assert!(!narrow.contains("\u{1b}[3"), "{narrow}");
    let lines = plain(&narrow);
    assert!(
        lines
            .iter()
            .all(|l| columns(l) <= 40 || l.starts_with("board:"))
    );
    assert!(lines.contains(&"To do:".to_owned()), "{narrow}");
    fs::remove_dir_all(place.results()).unwrap();
    let dumb = swept(&place, 40, &[("TERM", "dumb")]).unwrap();
    assert!(!dumb.contains('\u{1b}') && !dumb.contains('▚'), "{dumb}");
    for expected in [
        "8 of 8 photos  7 unreadable, 1 ignored",
        "dunlin: 3 unreadable",
    ] {
        assert!(dumb.contains(expected), "{dumb}");
    }
    // Whoever asks for the log gets it, in a terminal too.
    let mut asked = in_terminal(&place, 80, &[], "sweep -v").unwrap();
    asked.wait().unwrap();
    assert!(shown(&place).contains("INFO"), "{}", shown(&place));
}

#[test]
fn a_daemon_in_a_terminal_says_what_it_does_each_verdict_and_that_it_lives() {
    let place = place(2);
    let Some(mut child) = in_terminal(&place, 60, &[], "watch") else {
        return;
    };
    let wait_for = |what: &str, condition: &dyn Fn(&[String]) -> bool| {
        let deadline = Instant::now() + Duration::from_secs(30);
        while !condition(&plain(&shown(&place))) {
            assert!(Instant::now() < deadline, "no {what}: {}", shown(&place));
            std::thread::sleep(Duration::from_millis(30));
        }
    };
    let inbox = fs::canonicalize(place.inbox()).unwrap();
    let begins = format!("watched  {}: 3 photos, 3 of them wait", inbox.display());
    wait_for("beginning", &|lines| {
        lines.iter().any(|l| l.starts_with(&begins))
            && lines.iter().any(|l| l.starts_with("written  "))
            && lines.iter().any(|l| l.starts_with("board    "))
    });
    place.put("dunlin/\u{1b}[2Jlate.jpg", b"not a picture");
    let fate = Regex::new(r"^[0-9:]{8}  dunlin  \\x1B\[2Jlate.jpg  ▚ unreadable  ").unwrap();
    wait_for("verdict in one line", &|lines| {
        lines.iter().any(|l| fate.is_match(l) && columns(l) <= 60)
    });
    let look = Regex::new("last look ([0-9:]{8}), 4 photos  ▚ 3 unreadable  – 1 ignored").unwrap();
    wait_for("two looks at different times", &|lines| {
        let mut times: Vec<String> = lines
            .iter()
            .filter_map(|l| Some(look.captures(l)?[1].to_owned()))
            .collect();
        times.dedup();
        times.len() >= 2
    });
    // Ctrl-C.
    child.stdin.as_mut().unwrap().write_all(b"\x03").unwrap();
    assert_eq!(child.wait().unwrap().code(), Some(0), "{}", shown(&place));
    let lines = plain(&shown(&place));
    assert!(
        lines.iter().any(|l| l.starts_with("stopping: ")),
        "{lines:#?}"
    );
    assert!(lines.iter().any(|l| l.starts_with("board: ")), "{lines:#?}");
}

#[test]
fn without_a_terminal_the_log_has_the_benches_counts_and_the_board() {
    let place = place(4);
    let config = place.path("lab.yaml").display().to_string();
    let said = stderr(&place.run(&["sweep", "--config", &config]));
    assert_eq!(said.matches("published").count(), 5, "{said}");
    let heron = said.lines().find(|l| l.contains("in all bench=\"heron\""));
    let heron = heron.unwrap_or_else(|| panic!("{said}"));
    assert!(
        heron.contains("retake=0") && heron.contains("unreadable=2 ignored=1"),
        "{heron}"
    );
    let last = said.lines().last().unwrap();
    assert!(
        last.contains("5 photos: 0 good") && last.contains("board.html"),
        "{last}"
    );
    assert!(!said.contains('\u{1b}'));
}
