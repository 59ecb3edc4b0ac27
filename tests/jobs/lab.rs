//! A folder of its own for each test, runs in it, and a look at what came out.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use rustix::process::Signal;
use slitwatch::run::reload::{Loaded, Unusable};
use slitwatch::run::{self, Bell, Failure, Orders, Report, Setup, Work, reload, signals};

use crate::fake::{Fake, WithCards};

/// An inbox and a results folder.
pub struct Lab {
    folder: tempfile::TempDir,
}

impl Lab {
    pub fn new() -> Lab {
        Lab::at(tempfile::tempdir().expect("a folder"))
    }

    /// A lab in memory where the system has such a place: for tests of thousands of writes, which would otherwise
    /// measure how fast the disk says that it is done.
    pub fn in_memory() -> Lab {
        let in_memory = tempfile::tempdir_in("/dev/shm");
        in_memory.map_or_else(|_| Lab::new(), Lab::at)
    }

    fn at(folder: tempfile::TempDir) -> Lab {
        fs::create_dir(folder.path().join("inbox")).expect("an inbox");
        Lab { folder }
    }

    pub fn inbox(&self) -> PathBuf {
        self.folder.path().join("inbox")
    }

    pub fn results(&self) -> PathBuf {
        self.folder.path().join("results")
    }

    /// Puts a photo into the inbox, whole at once.
    pub fn put(&self, path: &str, words: &str) {
        self.put_bytes(path, &crate::fake::photo(words));
    }

    pub fn put_bytes(&self, path: &str, bytes: &[u8]) {
        let path = self.inbox().join(path);
        fs::create_dir_all(path.parent().expect("a parent")).expect("a folder");
        fs::write(path, bytes).expect("a photo");
    }

    pub fn orders(&self) -> Orders {
        orders(&self.inbox(), &self.results())
    }

    /// By the configuration, where there is one.
    pub fn setup(&self) -> Setup {
        let orders = self.orders();
        if !self.config().exists() {
            let work = Arc::new(Fake);
            return Setup { orders, work };
        }
        let configured = configured(&self.config(), orders);
        configured.map_or_else(|u| panic!("{}", u.why), |(setup, _)| setup)
    }

    /// Sweeps with other work than the configuration's, without a failure: how many photos it makes.
    pub fn sweep_with(&self, work: Arc<dyn Work>) -> usize {
        let mut setup = self.setup();
        setup.work = work;
        let report = run::sweep(setup, Bell::new().1).unwrap();
        assert!(report.failures.is_empty(), "{:?}", report.failures);
        report.n_made
    }

    /// A configuration in two files: whether there are cards and the name of the other one, which stands for lamps.
    pub fn config(&self) -> PathBuf {
        self.beside("lab.conf")
    }

    /// Writes both as an editor does that replaces files.
    pub fn put_config(&self, has_cards: bool, lamps: &str) {
        self.put_beside("lamps.conf", lamps);
        let cards = if has_cards { "cards" } else { "none" };
        self.put_beside("lab.conf", &format!("{cards} lamps.conf"));
    }

    pub fn put_beside(&self, name: &str, text: &str) {
        let new = self.beside("edited~");
        fs::write(&new, text).expect("a place for it");
        fs::rename(new, self.beside(name)).expect("its own place");
    }

    pub fn sweep(&self) -> Report {
        self.try_sweep().expect("a sweep")
    }

    pub fn try_sweep(&self) -> Result<Report, Failure> {
        run::sweep(self.setup(), Bell::new().1)
    }

    /// What an undisturbed sweep makes of the inbox as it is now.
    pub fn expected(&self) -> BTreeMap<String, String> {
        let fresh = self.folder.path().join("expected");
        let _ = fs::remove_dir_all(&fresh);
        let mut setup = self.setup();
        setup.orders.results = fresh.clone();
        run::sweep(setup, Bell::new().1).expect("a sweep");
        tree(&fresh)
    }

    /// Starts a daemon in this process.
    pub fn watch(&self) -> Watch {
        self.watch_with(self.setup())
    }

    pub fn watch_with(&self, setup: Setup) -> Watch {
        let (bell, ears) = Bell::new();
        let thread = std::thread::spawn(move || run::watch(setup, ears, &mut reload::Never));
        Watch {
            bell,
            thread: Some(thread),
        }
    }

    /// Starts this binary as a daemon or a sweep in a process of its own.
    pub fn process(&self, mode: &str, crash_at: Option<u64>) -> Process {
        let crash_at = crash_at.map(|n| ("SLITWATCH_CRASH_AT", n.to_string()));
        let environment: Vec<_> = crash_at.into_iter().collect();
        self.process_through(&[], mode, &environment)
    }

    /// As [`Lab::process`], by way of another program that ends in executing its arguments, and with more environment.
    pub fn process_through(
        &self,
        by: &[&str],
        mode: &str,
        environment: &[(&str, String)],
    ) -> Process {
        let me = std::env::current_exe().expect("this program");
        let mut command = match by {
            [] => Command::new(&me),
            [program, arguments @ ..] => {
                let mut command = Command::new(program);
                command.args(arguments).arg(&me);
                command
            }
        };
        let log = fs::File::options()
            .create(true)
            .append(true)
            .open(self.log());
        command
            .args([
                "--exact",
                "lab::be_the_program",
                "--nocapture",
                "--test-threads=1",
            ])
            .env("JOBS_MODE", mode)
            .env("JOBS_INBOX", self.inbox())
            .env("JOBS_RESULTS", self.results())
            .envs(
                self.config()
                    .exists()
                    .then(|| ("JOBS_CONFIG", self.config())),
            )
            .envs(environment.iter().map(|(name, value)| (name, value)))
            .stdout(Stdio::null())
            .stderr(log.expect("a log"));
        Process(command.spawn().expect("a process"))
    }

    fn log(&self) -> PathBuf {
        self.folder.path().join("stderr")
    }

    /// What the processes have said so far.
    pub fn said(&self) -> String {
        fs::read_to_string(self.log()).unwrap_or_default()
    }

    /// A folder beside the inbox.
    pub fn beside(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    pub fn tree(&self) -> BTreeMap<String, String> {
        tree(&self.results())
    }

    /// The verdict in a photo's `quality.json`, or why there is none.
    pub fn verdict(&self, folder: &str) -> String {
        self.quality(folder).map_or("none".to_owned(), |quality| {
            quality["verdict"].as_str().unwrap_or("not text").to_owned()
        })
    }

    pub fn quality(&self, folder: &str) -> Option<serde_json::Value> {
        let path = self.results().join(folder).join("quality.json");
        let bytes = fs::read(path).ok()?;
        Some(serde_json::from_slice(&bytes).expect("whole JSON"))
    }

    /// Waits until the results are what a sweep of the inbox would make.
    pub fn wait_until_done(&self) {
        let expected = self.expected();
        wait_for("the expected results", || self.tree() == expected);
    }
}

pub fn orders(inbox: &Path, results: &Path) -> Orders {
    let mut orders = Orders::new(inbox, results);
    orders.settle = Duration::from_millis(60);
    orders.patience = Duration::from_millis(600);
    orders.rescan = Duration::from_millis(200);
    orders.workers = 2;
    orders
}

/// The setup by a configuration, see [`Lab::config`].
fn configured(config: &Path, mut orders: Orders) -> Loaded {
    let text = fs::read_to_string(config).unwrap_or_default();
    let Some((cards, lamps)) = text.split_once(' ') else {
        let why = Failure::Usage(format!("{text:?} is no configuration"));
        let names = Vec::new();
        return Err(Unusable { why, names });
    };
    let names = vec![config.with_file_name(lamps)];
    let Ok(lamps) = fs::read_to_string(&names[0]) else {
        let why = Failure::Usage("there are no lamps".to_owned());
        return Err(Unusable { why, names });
    };
    orders.configuration_hash = format!("{text} {lamps}");
    let work = Arc::new(WithCards(cards == "cards"));
    Ok((Setup { orders, work }, names))
}

/// A daemon in this process; stopped when it is let go.
pub struct Watch {
    pub bell: Bell,
    thread: Option<JoinHandle<Result<Report, Failure>>>,
}

impl Watch {
    pub fn stop(mut self) -> Report {
        self.bell.stop();
        let thread = self.thread.take().expect("still running");
        thread.join().expect("no panic").expect("a report")
    }

    pub fn is_running(&self) -> bool {
        self.thread
            .as_ref()
            .is_some_and(|thread| !thread.is_finished())
    }
}

impl Drop for Watch {
    fn drop(&mut self) {
        self.bell.stop();
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

/// A run in a process of its own; killed when it is let go.
pub struct Process(Child);

impl Process {
    pub fn kill(mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }

    /// Processor time used so far, all threads together.
    pub fn processor_time(&self) -> Duration {
        let stat = fs::read_to_string(format!("/proc/{}/stat", self.0.id())).expect("its state");
        // proc_pid_stat(5): utime and stime are the 12th and 13th field after the name in brackets, in ticks, of which Linux
        // shows programs 100 a second.
        let after_name = stat.rsplit_once(')').expect("a name").1;
        let fields: Vec<&str> = after_name.split_whitespace().collect();
        let ticks: u64 = [11, 12]
            .iter()
            .map(|&i| fields[i].parse::<u64>().expect("ticks"))
            .sum();
        Duration::from_millis(10 * ticks)
    }

    /// Most memory it ever took, as the system says it.
    pub fn most_memory(&self) -> String {
        let status = fs::read_to_string(format!("/proc/{}/status", self.0.id())).expect("status");
        let line = status.lines().find(|line| line.starts_with("VmHWM:"));
        line.unwrap_or_default().to_owned()
    }

    pub fn interrupt(&self) {
        self.signal(Signal::TERM);
    }

    pub fn signal(&self, signal: Signal) {
        let pid = rustix::process::Pid::from_child(&self.0);
        let _ = rustix::process::kill_process(pid, signal);
    }

    /// True where it uses the system's file events.
    pub fn has_events(&self) -> bool {
        let open = fs::read_dir(format!("/proc/{}/fd", self.0.id()));
        open.into_iter().flatten().flatten().any(|entry| {
            fs::read_link(entry.path()).is_ok_and(|to| to.to_string_lossy().contains("inotify"))
        })
    }

    /// Kills it; true where it had already aborted.
    pub fn kill_or_find_aborted(mut self) -> bool {
        use std::os::unix::process::ExitStatusExt;
        let _ = self.0.kill();
        let ended = self.0.wait().expect("an end");
        ended.signal() == Some(Signal::ABORT.as_raw())
    }

    /// True where it ended by itself and well, false where it did not or has not within 20 s.
    pub fn ends_well_soon(mut self) -> bool {
        let deadline = Instant::now() + Duration::from_secs(20);
        while Instant::now() < deadline {
            if let Some(status) = self.0.try_wait().expect("a child") {
                return status.success();
            }
            std::thread::sleep(Duration::from_millis(20));
        }
        false
    }

    /// True where it ended by itself and well.
    pub fn ended_well(mut self) -> bool {
        self.0.wait().expect("an end").success()
    }
}

impl Drop for Process {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// Does nothing as a test: see [`Lab::process`].
#[test]
fn be_the_program() {
    let Ok(mode) = std::env::var("JOBS_MODE") else {
        return;
    };
    let path = |name| PathBuf::from(std::env::var_os(name).expect("a folder"));
    let mut orders = orders(&path("JOBS_INBOX"), &path("JOBS_RESULTS"));
    if let Some(ms) = std::env::var("JOBS_RESCAN_MS")
        .ok()
        .and_then(|ms| ms.parse().ok())
    {
        orders.rescan = Duration::from_millis(ms);
    }
    orders.poll = std::env::var_os("JOBS_POLL").is_some();
    tracing_subscriber::fmt()
        .with_writer(std::io::stderr)
        .with_ansi(false)
        .init();
    if let Some(ms) = std::env::var("JOBS_GIVE_UP_MS")
        .ok()
        .and_then(|ms| ms.parse().ok())
    {
        orders.give_up = Duration::from_millis(ms);
    }
    let (bell, ears) = Bell::new();
    signals::ring(bell).expect("signals");
    let work = Arc::new(Fake);
    let ended = match (mode.as_str(), std::env::var_os("JOBS_CONFIG")) {
        ("watch", Some(config)) => {
            let load = |config: &Path| configured(config, orders.clone());
            let opened = reload::FromFile::open(Path::new(&config), load);
            opened.and_then(|(mut reload, setup)| run::watch(setup, ears, &mut reload))
        }
        ("watch", None) => run::watch(Setup { orders, work }, ears, &mut reload::Never),
        _ => run::sweep(Setup { orders, work }, ears),
    };
    let status = ended.map_or_else(|failure| failure.exit_status(), |_| 0);
    std::process::exit(i32::from(status));
}

/// Every file below a folder with its content, every folder that is empty, and nothing that may differ: logs, what
/// the program says of itself, the board's clock, and what is being made.
pub fn tree(root: &Path) -> BTreeMap<String, String> {
    let mut tree = BTreeMap::new();
    let mut folders = vec![root.to_owned()];
    while let Some(folder) = folders.pop() {
        let mut is_empty = true;
        for entry in fs::read_dir(&folder).into_iter().flatten().flatten() {
            is_empty = false;
            let path = entry.path();
            let name = path
                .strip_prefix(root)
                .expect("below")
                .display()
                .to_string();
            if path.is_dir() {
                folders.push(path);
            } else if name.rsplit('/').next() == Some("board.html") {
                let text = fs::read_to_string(&path).unwrap_or_default();
                let after_clock = text.split_once('\n').map_or("", |(_, rest)| rest);
                tree.insert(name, after_clock.to_owned());
            } else if !name.ends_with(".log") && !name.ends_with("alive.js") {
                tree.insert(name, content(&path));
            }
        }
        if is_empty && folder != root {
            let name = folder.strip_prefix(root).expect("below").display();
            tree.insert(format!("{name}/ (empty)"), String::new());
        }
    }
    tree
}

/// A file's text; of one that is no text, such as a picture, the size and a hash.
fn content(path: &Path) -> String {
    match String::from_utf8(fs::read(path).unwrap_or_default()) {
        Ok(text) => text,
        Err(other) => {
            let bytes = other.as_bytes();
            format!("{} bytes, BLAKE3 {}", bytes.len(), blake3::hash(bytes))
        }
    }
}

/// A number that the environment asks for, for the long version of a test.
pub fn asked(name: &str) -> Option<u64> {
    std::env::var(name).ok().and_then(|n| n.parse().ok())
}

/// Waits up to a minute; what it waits for takes well under a second on an idle machine, and half a minute on a busy one.
pub fn wait_for(what: &str, mut condition: impl FnMut() -> bool) {
    let deadline = Instant::now() + Duration::from_secs(60);
    while !condition() {
        assert!(Instant::now() < deadline, "waited in vain for {what}");
        std::thread::sleep(Duration::from_millis(20));
    }
}

/// Panics with what differs.
pub fn assert_same(
    found: &BTreeMap<String, String>,
    expected: &BTreeMap<String, String>,
    when: &str,
) {
    let mut differences = Vec::new();
    for name in found.keys().chain(expected.keys()) {
        if found.get(name) != expected.get(name) && !differences.contains(&name) {
            differences.push(name);
        }
    }
    if let Some(first) = differences.first() {
        panic!(
            "{when}: {} files differ: {differences:?}\n--- found {first}\n{:?}\n--- expected\n{:?}",
            differences.len(),
            found
                .get(*first)
                .map(|t| t.chars().take(1500).collect::<String>()),
            expected
                .get(*first)
                .map(|t| t.chars().take(1500).collect::<String>()),
        );
    }
}
