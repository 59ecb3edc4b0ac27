//! A term: sessions that are closed one after the other while limits are edited, photos go to an archive and the program becomes
//! another version. What is closed stays as it was closed; what is open is what a fresh sweep makes; kills change neither.
//!
//! In the ordinary run the photos cannot be read, which takes no time, and their limits still make all of them anew.
//! `SLITWATCH_TERM=1` has fifteen sessions of eight benches with twenty small drawn photos each; `SLITWATCH_KILLS=1000` that many kills.

use std::collections::BTreeMap;
use std::fs;
use std::process::Stdio;
use std::time::{Duration, Instant};

use rand::{RngExt, SeedableRng};
use rand_pcg::Pcg32;

use slitwatch::run::{self, Bell, Worker};
use slitwatch::settings;

use crate::costs::{BENCHES, drawn};
use crate::lab::asked;
use crate::real::{Place, assert_same_tree, files_below, shipped, stderr, stdout};

/// The program that made the first half of the term.
const OLD_VERSION: &str = "0.0.1";

type Tree = BTreeMap<String, Vec<u8>>;

/// How large a term is.
#[derive(Clone, Copy)]
struct Size {
    sessions: usize,
    benches: usize,
    photos: usize,
    is_drawn: bool,
}

struct Term {
    place: Place,
    /// As each session stood when it was closed.
    closed: BTreeMap<String, Tree>,
    n_edits: u32,
}

fn name(session: usize) -> String {
    format!("evening-{session:02}")
}

impl Term {
    fn new() -> Term {
        let place = Place::new();
        let term = Term {
            place,
            closed: BTreeMap::new(),
            n_edits: 0,
        };
        term.configure();
        term
    }

    /// Writes the configuration with another limit for each edit.
    fn configure(&self) {
        let text = fs::read_to_string(shipped("config/lab.yaml")).unwrap();
        let limit = format!("skew_deg: {{caution: 1.{:04}", self.n_edits);
        let edited = text
            .replace("settle_s: 2 ", "settle_s: 0.1 ")
            .replace("rescan_s: 5 ", "rescan_s: 0.5 ")
            .replace("damaged_after_s: 60 ", "damaged_after_s: 1 ")
            .replace("  by: none", "  by: folder")
            .replace("skew_deg: {caution: 2", &limit);
        assert!(edited.contains(&limit) && edited.contains("  by: folder"));
        fs::write(self.place.path("lab.yaml"), edited).unwrap();
    }

    fn edit(&mut self) {
        self.n_edits += 1;
        self.configure();
    }

    fn put_session(&self, session: usize, size: Size) {
        for bench in BENCHES.iter().take(size.benches) {
            for k in 0..size.photos {
                let below = format!("{}/{bench}/", name(session));
                match size.is_drawn {
                    true => {
                        let (photo, bytes) = drawn(k, &below);
                        self.place.put(&format!("{below}{photo}"), &bytes);
                    }
                    false => self.put_one(&format!("{below}quay-{k}.jpg"), 0),
                }
            }
        }
    }

    /// A photo that cannot be read, and is not what it was at another time.
    fn put_one(&self, photo: &str, time: u64) {
        let text = format!("no picture: {photo} at {time}");
        self.place.put(photo, text.as_bytes());
    }

    /// Sweeps as another version of the program would.
    fn sweep_as(&self, version: &str) {
        let mut settings = settings::load(&self.place.path("lab.yaml")).expect("settings");
        settings.inbox = self.place.inbox();
        settings.results = self.place.results();
        let mut setup = Worker::new(settings).setup();
        version.clone_into(&mut setup.orders.version);
        let report = run::sweep(setup, Bell::new().1).expect("a sweep");
        assert!(report.failures.is_empty(), "{:?}", report.failures);
    }

    fn run(&self, arguments: &[&str]) -> String {
        let config = self.place.path("lab.yaml");
        let config = ["--config", config.to_str().unwrap()];
        let output = self.place.run(&[arguments, &config].concat());
        let said = stdout(&output) + &stderr(&output);
        assert_eq!(output.status.code(), Some(0), "{arguments:?}: {said}");
        said
    }

    fn session(&self, session: &str) -> Tree {
        let within = format!("{session}/");
        let tree = self.place.tree().into_iter();
        tree.filter(|(path, _)| path.starts_with(&within)).collect()
    }

    fn close(&mut self, session: &str) {
        let before = self.session(session);
        self.run(&["close", session]);
        let mut after = self.session(session);
        self.closed.insert(session.to_owned(), after.clone());
        for made in ["closed.json", "workbook.xlsx"] {
            let made = after.remove(&format!("{session}/{made}"));
            assert!(made.is_some_and(|bytes| !bytes.is_empty()));
        }
        assert_same_tree(&after, &before, "closing changes nothing else");
    }

    fn assert_closed_stay(&self, when: &str) {
        for (session, tree) in &self.closed {
            assert_same_tree(&self.session(session), tree, &format!("{when}: {session}"));
        }
    }

    /// Holds what is open against a fresh sweep of it.
    fn assert_open_as_fresh(&self, when: &str) {
        let fresh = Place::new();
        let mut expected = Tree::new();
        for session in self.open() {
            for photo in files_below(&self.place.inbox().join(&session)) {
                let photo = format!("{session}/{photo}");
                fresh.put(&photo, &fs::read(self.place.inbox().join(&photo)).unwrap());
            }
        }
        let config = self.place.path("lab.yaml");
        let output = fresh.run(&["sweep", "--config", config.to_str().unwrap()]);
        assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
        for session in self.open() {
            let within = format!("{session}/");
            let tree = fresh.tree().into_iter();
            expected.extend(tree.filter(|(path, _)| path.starts_with(&within)));
        }
        let mut found = Tree::new();
        for session in self.open() {
            found.extend(self.session(&session));
        }
        assert_same_tree(&found, &expected, when);
    }

    /// Sessions with photos that are not closed.
    fn open(&self) -> Vec<String> {
        let folders = fs::read_dir(self.place.inbox()).unwrap().flatten();
        let names = folders.map(|e| e.file_name().to_string_lossy().into_owned());
        let mut names: Vec<String> = names.filter(|n| !self.closed.contains_key(n)).collect();
        names.sort();
        names
    }

    /// Takes a session's photos out of the inbox.
    fn archive(&self, session: &str) {
        let _ = fs::remove_dir_all(self.place.inbox().join(session));
    }

    /// The whole term but for its last two sessions, which stay open.
    fn play(size: Size) -> Term {
        let mut term = Term::new();
        for session in 0..size.sessions {
            let is_old = session < size.sessions / 2;
            let sweep = |term: &Term| match is_old {
                true => term.sweep_as(OLD_VERSION),
                false => {
                    term.run(&["sweep"]);
                }
            };
            term.put_session(session, size);
            sweep(&term);
            term.edit();
            sweep(&term);
            term.assert_closed_stay(&format!("after evening {session}"));
            if session + 2 < size.sessions {
                term.close(&name(session));
            }
            if session + 1 == 2 * size.sessions / 3 {
                (0..=session).for_each(|s| term.archive(&name(s)));
            }
        }
        term.run(&["sweep"]);
        term
    }
}

#[test]
fn what_is_closed_stays_through_edits_versions_and_archives_and_what_is_open_is_as_fresh() {
    let is_long = asked("SLITWATCH_TERM").is_some();
    let size = match is_long {
        true => Size {
            sessions: 15,
            benches: 8,
            photos: 20,
            is_drawn: true,
        },
        false => Size {
            sessions: 7,
            benches: 2,
            photos: 2,
            is_drawn: false,
        },
    };
    let mut term = Term::play(size);
    term.assert_closed_stay("at the end of the term");
    term.assert_open_as_fresh("the open ones at the end of the term");
    let first = fs::read_to_string(term.place.results().join(name(0)).join("closed.json"));
    assert!(first.unwrap().contains(OLD_VERSION));
    // The last one that was closed still has its photos.
    let last = name(size.sessions - 3);
    term.run(&["reopen", &last]);
    term.closed.remove(&last);
    term.edit();
    let said = term.run(&["sweep"]);
    assert!(said.contains("before it begins"), "{said}");
    term.assert_closed_stay("after reopening another");
    term.assert_open_as_fresh("the open ones with the one that was reopened");
    let instruments = term.place.rows("instruments.csv");
    assert_eq!(instruments.len(), size.sessions * size.benches);
}

/// Steps of closing and reopening itself, which are always taken…
const LEAST_STEPS: u64 = 5;
/// …and of all that follows from it or from what becomes of a closed session's photos, which depend on what stood there before.
const FEW_STEPS: u64 = 15;
/// Where an edit makes a session's four photos anew it takes more than these.
const STEPS_OF_AN_EDIT: u64 = 50;

/// How the program is ended before it has done its work.
enum Kill {
    /// It breaks off by itself before this step.
    AtStep(u64),
    /// From outside, once it has used so much processor time, ns: however busy the machine is, it is then as far.
    After(u64),
}

/// What is done to a term, and what the program is then to do.
enum Deed {
    Close,
    Reopen,
    Late,
    Archive,
    Edit,
}

impl Term {
    /// What can be done to a session: the last one is never closed, so that an edit always has photos to make anew.
    fn deed(&self, session: &str, is_last: bool, random: &mut Pcg32) -> Deed {
        let is_closed = self.closed.contains_key(session);
        let has_results = self.place.results().join(session).is_dir();
        let has_photos = !files_below(&self.place.inbox().join(session)).is_empty();
        match random.random_range(0..5) {
            0 | 1 if is_closed => Deed::Reopen,
            0 | 1 if has_results && has_photos && !is_last => Deed::Close,
            2 if is_closed || !has_photos => Deed::Late,
            3 if is_closed && has_photos => Deed::Archive,
            _ => Deed::Edit,
        }
    }

    /// Starts the operation and ends it before its end; false where it had ended before.
    fn kill(&self, operation: &[&str], kill: &Kill) -> bool {
        let config = self.place.path("lab.yaml");
        let config = ["--config", config.to_str().unwrap()];
        let mut command = self.place.command(&[operation, &config].concat());
        if let Kill::AtStep(step) = kill {
            command.env("SLITWATCH_CRASH_AT", step.to_string());
        }
        let quiet = command.stdout(Stdio::null()).stderr(Stdio::null());
        let mut child = quiet.spawn().expect("the program");
        if let Kill::After(ns) = kill {
            while child.try_wait().expect("a child").is_none() && used_ns(child.id()) < *ns {
                std::thread::sleep(Duration::from_micros(200));
            }
            let _ = child.kill();
        }
        child.wait().expect("an end").code().is_none()
    }

    /// Processor time that a sweep after an edit takes, ns, as it is seen from outside.
    fn edit_takes_ns(&mut self) -> u64 {
        self.edit();
        let config = self.place.path("lab.yaml");
        let arguments = ["sweep", "--config", config.to_str().unwrap()];
        let mut command = self.place.command(&arguments);
        let quiet = command.stdout(Stdio::null()).stderr(Stdio::null());
        let mut child = quiet.spawn().expect("the program");
        let mut most = 0;
        while child.try_wait().expect("a child").is_none() {
            most = most.max(used_ns(child.id()));
            std::thread::sleep(Duration::from_micros(200));
        }
        assert!(most > 0, "/proc says nothing of processor time");
        most
    }
}

/// Processor time that a process's living threads have used, ns (proc(5): first number of `schedstat`).
fn used_ns(process: u32) -> u64 {
    let threads = fs::read_dir(format!("/proc/{process}/task"));
    let threads = threads.into_iter().flatten().flatten();
    let of = |thread: fs::DirEntry| -> Option<u64> {
        let text = fs::read_to_string(thread.path().join("schedstat")).ok()?;
        text.split(' ').next()?.parse().ok()
    };
    threads.filter_map(of).sum()
}

/// `SLITWATCH_KILLS=1000` for the long one; `SLITWATCH_SEED` repeats a run.
#[test]
fn kills_while_sessions_are_closed_reopened_and_edited_lose_nothing() {
    let n_kills = asked("SLITWATCH_KILLS").unwrap_or(12);
    let seed = asked("SLITWATCH_SEED").unwrap_or(23);
    eprintln!("SLITWATCH_KILLS={n_kills} SLITWATCH_SEED={seed}");
    let mut random = Pcg32::seed_from_u64(seed);
    let size = Size {
        sessions: 5,
        benches: 2,
        photos: 2,
        is_drawn: false,
    };
    let mut term = Term::play(size);
    let edit_takes_ns = term.edit_takes_ns();
    let began = Instant::now();
    let mut n_of = [0; 5];
    let (mut n_killed, mut n_outside) = (0, 0);
    for i in 0..n_kills {
        let s = random.random_range(0..size.sessions);
        let (session, is_last) = (name(s), s + 1 == size.sessions);
        let is_closed = term.closed.contains_key(&session);
        let deed = term.deed(&session, is_last, &mut random);
        let mut operation = vec!["sweep"];
        let mut kill = Kill::AtStep(random.random_range(1..=FEW_STEPS));
        match deed {
            Deed::Close => operation = vec!["close", &session],
            Deed::Reopen => operation = vec!["reopen", &session],
            Deed::Late => term.put_one(&format!("{session}/heron/late-{}.jpg", i % 7), i),
            Deed::Archive => term.archive(&session),
            Deed::Edit => {
                term.edit();
                let whole = edit_takes_ns as f64;
                kill = match random.random_range(0..3) {
                    0 => Kill::After((whole * random.random_range(0.05..0.7)) as u64),
                    _ => Kill::AtStep(random.random_range(1..=STEPS_OF_AN_EDIT)),
                };
            }
        }
        let when = format!("seed {seed}, kill {i}, {operation:?}");
        let least = match deed {
            Deed::Close | Deed::Reopen => LEAST_STEPS,
            Deed::Late | Deed::Archive => 0,
            Deed::Edit => STEPS_OF_AN_EDIT,
        };
        n_of[deed as usize] += 1;
        let before = term.session(&session);
        let is_killed = term.kill(&operation, &kill);
        n_killed += u64::from(is_killed);
        match kill {
            Kill::AtStep(step) => {
                assert!(is_killed || step > least, "{when}: it has a step {step}")
            }
            Kill::After(_) => n_outside += u64::from(is_killed),
        }
        term.run(&operation);
        match operation[0] {
            "close" => {
                term.run(&["sweep"]);
                let closed = term.session(&session);
                assert!(closed.contains_key(&format!("{session}/closed.json")));
                term.closed.insert(session.clone(), closed);
            }
            "reopen" => {
                term.closed.remove(&session);
                term.run(&["sweep"]);
            }
            _ if is_closed => assert_same_tree(&term.session(&session), &before, &when),
            _ => {}
        }
        term.assert_closed_stay(&when);
    }
    let [closed, reopened, late, archived, edited] = n_of;
    eprintln!(
        "{n_kills} kills in {:.0?}: {closed} closing, {reopened} reopening, {late} with late photos, {archived} after photos were \
         archived, {edited} after edits; {n_killed} of them before the end, {n_outside} of these from outside",
        began.elapsed()
    );
    assert!(2 * n_killed >= n_kills, "they ended too soon to be killed");
    term.run(&["sweep"]);
    term.assert_closed_stay(&format!("seed {seed}, at the end"));
    term.assert_open_as_fresh(&format!("seed {seed}, at the end"));
    let left: Vec<String> = files_below(&term.place.results())
        .into_iter()
        .filter(|name| name.contains(".making-"))
        .collect();
    assert!(left.is_empty(), "{left:?}");
}
