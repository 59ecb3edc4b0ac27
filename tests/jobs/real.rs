//! The program itself, as a user starts it, on copies of the demo's photos.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::sync::LazyLock;
use std::time::{Duration, Instant};

use slitwatch::simulate::Planned;

use crate::evening;

/// Shipped with the program.
pub fn shipped(path: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(path)
}

/// The demo's answer key.
pub static CLASS: LazyLock<Vec<Planned>> = LazyLock::new(evening::class);

/// The demo inbox, swept once with the shipped configuration; to be looked at only.
pub static SWEPT: LazyLock<Swept> = LazyLock::new(|| {
    let place = Place::new();
    place.put_demo(|_| true);
    let output = place.run(&["sweep", "--workers", "4"]);
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    Swept {
        tree: place.tree(),
        rows: place.rows("quality.csv"),
        place,
    }
});

/// A finished sweep.
pub struct Swept {
    pub place: Place,
    /// See [`Place::tree`].
    pub tree: BTreeMap<String, Vec<u8>>,
    /// `quality.csv`.
    pub rows: Vec<BTreeMap<String, String>>,
}

/// An inbox and a results folder, with the shipped configuration.
pub struct Place {
    folder: tempfile::TempDir,
}

impl Place {
    pub fn new() -> Place {
        let folder = tempfile::tempdir().expect("a folder");
        fs::create_dir(folder.path().join("inbox")).expect("an inbox");
        Place { folder }
    }

    pub fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    pub fn inbox(&self) -> PathBuf {
        self.path("inbox")
    }

    pub fn results(&self) -> PathBuf {
        self.path("results")
    }

    pub fn put_demo(&self, wanted: impl Fn(&str) -> bool) {
        for photo in demo_photos().iter().filter(|photo| wanted(photo)) {
            self.put(photo, &demo_bytes(photo));
        }
    }

    pub fn put(&self, photo: &str, bytes: &[u8]) {
        let path = self.inbox().join(photo);
        fs::create_dir_all(path.parent().expect("a folder")).expect("a folder");
        fs::write(path, bytes).expect("a photo");
    }

    /// The program with this inbox, these results and the shipped configuration; `arguments` may overrule them.
    pub fn command(&self, arguments: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_slitwatch"));
        command.args(arguments);
        let mut give = |option: &str, path: PathBuf| {
            if !arguments.contains(&option) {
                command.arg(option).arg(path);
            }
        };
        give("--inbox", self.inbox());
        give("--results", self.results());
        give("--config", shipped("config/lab.yaml"));
        command.env_remove("NOTIFY_SOCKET").stdin(Stdio::null());
        command
    }

    pub fn run(&self, arguments: &[&str]) -> Output {
        self.command(arguments).output().expect("the program")
    }

    /// Runs the program, and returns its exit status and the most memory that it took, MiB.
    pub fn run_and_weigh(&self, arguments: &[&str]) -> (Option<i32>, u64) {
        let mut child = self.command(arguments).spawn().expect("the program");
        let mut most_kib = 0;
        loop {
            // The mark never falls, so that the last look before the end is the highest.
            let status =
                fs::read_to_string(format!("/proc/{}/status", child.id())).unwrap_or_default();
            let mark = status.lines().find_map(|line| line.strip_prefix("VmHWM:"));
            let kib = mark.and_then(|text| text.split_whitespace().next()?.parse().ok());
            most_kib = most_kib.max(kib.unwrap_or(0));
            if let Some(ended) = child.try_wait().expect("a child") {
                return (ended.code(), most_kib >> 10);
            }
            std::thread::sleep(Duration::from_millis(3));
        }
    }

    pub fn start(&self, arguments: &[&str]) -> Running {
        let mut command = self.command(arguments);
        let log = fs::File::create(self.path("stderr")).expect("a log");
        Running(command.stderr(log).spawn().expect("the program"))
    }

    /// Every file below the results with its content, but for logs and what the program says of itself; the board's clock is taken out.
    pub fn tree(&self) -> BTreeMap<String, Vec<u8>> {
        let mut tree = BTreeMap::new();
        for name in files_below(&self.results()) {
            let last = name.rsplit('/').next().unwrap_or_default();
            if name.ends_with(".log") || last.starts_with('.') || last == "alive.js" {
                continue;
            }
            let mut bytes = fs::read(self.results().join(&name)).unwrap_or_default();
            // Where there are sessions, the board above them has no clock: it only leads to theirs.
            let leads = name == "board.html" && self.results().join("index.html").exists();
            if name.rsplit('/').next() == Some("board.html") && !leads {
                bytes = without_clock(&String::from_utf8(bytes).expect("UTF-8")).into_bytes();
            }
            tree.insert(name, bytes);
        }
        tree
    }

    /// Everything beside the results, the inbox among it: what it is, its time of last change, its length.
    pub fn outside(&self) -> BTreeMap<PathBuf, (u64, i64, i64, u64)> {
        let mut found = BTreeMap::new();
        let mut folders = vec![self.folder.path().to_owned()];
        while let Some(folder) = folders.pop() {
            for entry in fs::read_dir(&folder).expect("a folder").flatten() {
                let (path, metadata) = (entry.path(), entry.metadata().expect("an entry"));
                if path == self.results() {
                    continue;
                }
                if metadata.is_dir() {
                    folders.push(path.clone());
                }
                let changed = (metadata.ctime(), metadata.ctime_nsec());
                found.insert(path, (metadata.ino(), changed.0, changed.1, metadata.len()));
            }
        }
        found
    }

    pub fn rows(&self, table: &str) -> Vec<BTreeMap<String, String>> {
        rows(&fs::read(self.results().join(table)).expect("a table"))
    }

    pub fn quality(&self, folder: &str) -> serde_json::Value {
        let bytes = fs::read(self.results().join(folder).join("quality.json"));
        let bytes = bytes.unwrap_or_else(|error| panic!("{folder}/quality.json: {error}"));
        serde_json::from_slice(&bytes).expect("whole JSON")
    }

    /// Waits for as long as the whole demo takes on a slow and busy machine.
    pub fn wait_for(&self, what: &str, condition: impl FnMut() -> bool) {
        self.wait_for_s(240, what, condition);
    }

    /// Waits at most so many seconds.
    pub fn wait_for_s(&self, most_s: u64, what: &str, mut condition: impl FnMut() -> bool) {
        let deadline = Instant::now() + Duration::from_secs(most_s);
        while !condition() {
            if Instant::now() > deadline {
                let log = fs::read_to_string(self.path("stderr")).unwrap_or_default();
                panic!("waited in vain for {what}; the program said:\n{log}");
            }
            std::thread::sleep(Duration::from_millis(30));
        }
    }
}

fn without_clock(board: &str) -> String {
    let (before, rest) = board.split_once("<time id=\"clock\">").expect("a clock");
    let (clock, after) = rest.split_once("</time>").expect("a clock");
    assert_eq!(clock.len(), "2026-11-25 10:15:30".len(), "{clock}");
    format!("{before}{after}")
}

/// A table's rows by column, as the `csv` crate reads them.
pub fn rows(table: &[u8]) -> Vec<BTreeMap<String, String>> {
    let mut reader = csv::Reader::from_reader(table);
    let header = reader.headers().expect("a header").clone();
    reader
        .records()
        .map(|row| {
            let row = row.expect("as many cells as the header");
            let cells = header.iter().zip(row.iter());
            cells.map(|(h, c)| (h.to_owned(), c.to_owned())).collect()
        })
        .collect()
}

/// Paths of all files below a folder, from there.
pub fn files_below(root: &Path) -> BTreeSet<String> {
    let mut found = BTreeSet::new();
    let mut folders = vec![root.to_owned()];
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(&folder).into_iter().flatten().flatten() {
            let path = entry.path();
            if entry.file_type().is_ok_and(|t| t.is_dir()) {
                folders.push(path);
            } else {
                let below = path.strip_prefix(root).expect("below");
                found.insert(below.to_string_lossy().into_owned());
            }
        }
    }
    found
}

pub fn demo_photos() -> BTreeSet<String> {
    files_below(&shipped("demo-inbox"))
}

pub fn demo_bytes(photo: &str) -> Vec<u8> {
    fs::read(shipped("demo-inbox").join(photo)).expect("a demo photo")
}

pub fn stdout(output: &Output) -> String {
    String::from_utf8_lossy(&output.stdout).into_owned()
}

pub fn stderr(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}

/// Panics with the names of what differs.
pub fn assert_same_tree(
    found: &BTreeMap<String, Vec<u8>>,
    expected: &BTreeMap<String, Vec<u8>>,
    when: &str,
) {
    let names: BTreeSet<&String> = found.keys().chain(expected.keys()).collect();
    let differ: Vec<String> = names
        .into_iter()
        .filter_map(|name| match (found.get(name), expected.get(name)) {
            (Some(a), Some(b)) if a == b => None,
            (Some(_), Some(_)) => Some(format!("{name} differs")),
            (None, _) => Some(format!("{name} is missing")),
            (_, None) => Some(format!("{name} is too much")),
        })
        .collect();
    assert!(differ.is_empty(), "{when}: {differ:#?}");
}

/// The program at work; killed when it is let go.
pub struct Running(Child);

impl Running {
    /// Asks it to finish what it has in hand, and returns its exit status.
    pub fn stop(mut self) -> Option<i32> {
        let pid = rustix::process::Pid::from_child(&self.0);
        rustix::process::kill_process(pid, rustix::process::Signal::TERM).expect("alive");
        self.0.wait().expect("an end").code()
    }

    /// SIGKILL.
    pub fn kill(mut self) {
        self.0.kill().expect("alive");
        self.0.wait().expect("an end");
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// What a command ends with, and all that it says.
pub fn heard(command: &mut Command) -> (Option<i32>, String) {
    let output = command.output().expect("it runs");
    let said = [output.stdout, output.stderr].concat();
    let said = String::from_utf8_lossy(&said).into_owned();
    (output.status.code(), said)
}
