//! A user's first steps, outside the checkout: no configuration at all, and what `init` writes.

use std::fs;
use std::path::Path;
use std::process::{Command, Output, Stdio};

use crate::real::{demo_bytes, files_below, shipped, stderr, stdout};

/// The program in this working folder, with nothing but what is typed.
fn run(folder: &Path, arguments: &[&str]) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_slitwatch"));
    command.current_dir(folder).args(arguments);
    command.env_remove("NOTIFY_SOCKET").stdin(Stdio::null());
    command.output().expect("the program")
}

fn put(folder: &Path, photo: &str) {
    let path = folder.join(photo);
    fs::create_dir_all(path.parent().unwrap()).unwrap();
    fs::write(path, demo_bytes(photo.split_once('/').unwrap().1)).unwrap();
}

#[test]
fn without_a_configuration_the_built_in_settings_count_and_it_is_said() {
    let folder = tempfile::tempdir().unwrap();
    let here = folder.path();
    put(here, "inbox/heron/lamp-01.jpg");
    let swept = run(here, &["sweep"]);
    assert_eq!(swept.status.code(), Some(0), "{}", stderr(&swept));
    assert!(stderr(&swept).contains("the built-in settings"));
    let table = fs::read(here.join("results/quality.csv")).unwrap();
    let rows = crate::real::rows(&table);
    assert_eq!((rows.len(), rows[0]["verdict"].as_str()), (1, "good"));
    // The built-in settings are the shipped ones.
    let config = shipped("config/lab.yaml");
    let out = here.join("other");
    let named = run(
        here,
        &[
            "sweep",
            "--config",
            config.to_str().unwrap(),
            "--inbox",
            "inbox",
            "--results",
            out.to_str().unwrap(),
        ],
    );
    assert_eq!(named.status.code(), Some(0), "{}", stderr(&named));
    assert!(!stderr(&named).contains("built-in"));
    assert_eq!(fs::read(out.join("quality.csv")).unwrap(), table);
    put(here, "elsewhere/heron/notes.txt");
    let typed = run(
        here,
        &["sweep", "--inbox", "elsewhere", "--results", "typed"],
    );
    assert_eq!(typed.status.code(), Some(0), "{}", stderr(&typed));
    assert!(here.join("typed/quality.csv").exists());
}

#[test]
fn the_configuration_here_goes_before_the_one_in_config_and_that_before_none() {
    let folder = tempfile::tempdir().unwrap();
    let here = folder.path();
    fs::create_dir_all(here.join("inbox")).unwrap();
    fs::create_dir_all(here.join("config")).unwrap();
    let title = || {
        let said = run(here, &["check"]);
        assert_eq!(said.status.code(), Some(0), "{}", stderr(&said));
        let text = stdout(&said);
        let line = text.lines().find(|line| line.contains("titled")).unwrap();
        let first = text.lines().next().unwrap().to_owned();
        (line.split('"').nth(1).unwrap().to_owned(), first)
    };
    let text = fs::read_to_string(shipped("config/lab.yaml")).unwrap();
    let text = text.replace("../demo-inbox", "../inbox");
    let titled = |title: &str| text.replace("Spectroscopy class", title);
    let (built_in, first) = title();
    assert_eq!(built_in, "Spectroscopy class");
    assert_eq!(first, "The built-in settings: no mistakes.");
    fs::write(here.join("config/lab.yaml"), titled("In config")).unwrap();
    assert_eq!(title().0, "In config");
    let text = titled("Here").replace("../inbox", "inbox");
    fs::write(here.join("lab.yaml"), text).unwrap();
    assert_eq!(title().0, "Here");
    // A folder of that name is a mistake, and no reason for other settings.
    fs::remove_file(here.join("lab.yaml")).unwrap();
    fs::create_dir(here.join("lab.yaml")).unwrap();
    assert_eq!(run(here, &["check"]).status.code(), Some(2));
}

#[test]
fn init_writes_what_is_missing_and_leaves_alone_what_is_there() {
    let folder = tempfile::tempdir().unwrap();
    let made = run(folder.path(), &["init", "my class"]);
    assert_eq!(made.status.code(), Some(0), "{}", stderr(&made));
    let class = folder.path().join("my class");
    let names: Vec<String> = files_below(&class).into_iter().collect();
    assert_eq!(names, ["lab.yaml", "slitwatch.service", "words.en.yaml"]);
    assert!(class.join("inbox").is_dir());
    for name in ["lab.yaml", "slitwatch.service", "words.en.yaml", "inbox"] {
        assert!(stdout(&made).contains(&format!("made: my class/{name}")));
    }
    // It means what the built-in settings mean, and says so.
    let checked = run(&class, &["check"]);
    assert_eq!(checked.status.code(), Some(0), "{}", stderr(&checked));
    assert!(stderr(&checked).contains("lab.yaml"));
    put(&class, "inbox/heron/lamp-01.jpg");
    assert_eq!(run(&class, &["sweep"]).status.code(), Some(0));
    let table = |folder: &Path| fs::read(folder.join("quality.csv")).unwrap();
    let bare = folder.path().join("bare");
    put(&bare, "inbox/heron/lamp-01.jpg");
    assert_eq!(run(&bare, &["sweep"]).status.code(), Some(0));
    assert_eq!(table(&class.join("results")), table(&bare.join("results")));
    // Nothing is overwritten, and what is missing is made.
    fs::write(class.join("lab.yaml"), "mine").unwrap();
    fs::remove_file(class.join("words.en.yaml")).unwrap();
    let again = run(&class, &["init"]);
    assert_eq!(again.status.code(), Some(0), "{}", stderr(&again));
    assert_eq!(fs::read(class.join("lab.yaml")).unwrap(), b"mine");
    let said = stdout(&again);
    for line in [
        "left alone: ./lab.yaml",
        "left alone: ./slitwatch.service",
        "left alone: ./inbox",
        "made: ./words.en.yaml",
    ] {
        assert!(said.contains(line), "{line}: {said}");
    }
    let refused = run(&class, &["init", "lab.yaml"]);
    assert_eq!(refused.status.code(), Some(1));
    assert!(stderr(&refused).contains("lab.yaml"));
}

#[test]
fn a_daemon_without_a_configuration_takes_up_the_one_that_comes() {
    let folder = tempfile::tempdir().unwrap();
    let here = folder.path();
    put(here, "inbox/heron/notes.txt");
    let mut daemon = Command::new(env!("CARGO_BIN_EXE_slitwatch"))
        .current_dir(here)
        .args(["watch", "--poll", "-qq"])
        .env_remove("NOTIFY_SOCKET")
        .stdin(Stdio::null())
        .spawn()
        .unwrap();
    let board = || fs::read_to_string(here.join("results/board.html")).unwrap_or_default();
    let waited = |title: &str| {
        let mut tries = 0..600;
        tries.any(|_| {
            std::thread::sleep(std::time::Duration::from_millis(50));
            board().contains(title)
        })
    };
    let began = waited("Spectroscopy class");
    let config = fs::read_to_string(shipped("config/lab.yaml")).unwrap();
    let config = config
        .replace("../demo-inbox", "inbox")
        .replace("../results", "results")
        .replace("Spectroscopy class", "Lamps along the quay");
    fs::write(here.join("lab.yaml"), config).unwrap();
    let taken_up = waited("Lamps along the quay");
    daemon.kill().unwrap();
    daemon.wait().unwrap();
    assert!(began && taken_up, "{began} {taken_up}");
}
