//! Files come slowly, in parts, under other names, and as things that are no files.

use std::fs;
use std::io::Write;
use std::os::unix::ffi::OsStrExt;
use std::time::{Duration, Instant, SystemTime};

use crate::fake::photo;
use crate::lab::{Lab, assert_same, wait_for};

#[test]
fn a_slow_upload_is_measured_once_and_whole() {
    let lab = Lab::new();
    let watch = lab.watch();
    let bytes = photo("taken=10:00 light=3");
    fs::create_dir(lab.inbox().join("heron")).unwrap();
    let mut file = fs::File::create(lab.inbox().join("heron/lamp-01.jpg")).unwrap();
    for part in bytes.chunks(bytes.len() / 4) {
        file.write_all(part).unwrap();
        file.sync_all().unwrap();
        // Longer than the settle time: only the file's own structure says that more will come.
        std::thread::sleep(Duration::from_millis(250));
        assert!(lab.verdict("heron/lamp-01.jpg") != "unreadable");
    }
    wait_for("a good photo", || {
        lab.verdict("heron/lamp-01.jpg") == "good"
    });
    assert_eq!(watch.stop().n_made, 1);
}

/// What is taken before the settle time is over was closed, and shows its own end.
#[test]
fn what_was_closed_and_is_whole_is_not_waited_for_and_what_is_not_is() {
    let lab = Lab::new();
    let mut setup = lab.setup();
    let settle = Duration::from_secs(12);
    setup.orders.settle = settle;
    setup.orders.patience = Duration::from_secs(600);
    setup.orders.rescan = Duration::from_millis(100);
    let watch = lab.watch_with(setup);
    let bytes = photo("taken=10:00 light=3");
    fs::create_dir(lab.inbox().join("heron")).unwrap();
    let at = |name: &str| lab.inbox().join("heron").join(name);
    let began = Instant::now();
    // Closed after each part, with pauses in which it would be taken if it were whole.
    for part in bytes.chunks(bytes.len() / 2) {
        let mut file = fs::OpenOptions::new();
        let file = file.create(true).append(true).open(at("lamp-01.jpg"));
        file.unwrap().write_all(part).unwrap();
        assert_eq!(lab.verdict("heron/lamp-01.jpg"), "none");
        std::thread::sleep(settle / 6);
    }
    wait_for("the photo", || lab.verdict("heron/lamp-01.jpg") == "good");
    assert!(began.elapsed() < settle);
    // Whole, and not closed.
    let began = Instant::now();
    let mut open = fs::File::create(at("quay-01.jpg")).unwrap();
    open.write_all(&photo("taken=10:05 light=5")).unwrap();
    fs::write(at(".part"), photo("taken=10:06 light=6")).unwrap();
    fs::rename(at(".part"), at("quay-02.jpg")).unwrap();
    wait_for("what was renamed in", || {
        lab.verdict("heron/quay-02.jpg") == "good"
    });
    assert_eq!(lab.verdict("heron/quay-01.jpg"), "none");
    drop(open);
    wait_for("what was closed", || {
        lab.verdict("heron/quay-01.jpg") == "good"
    });
    assert!(began.elapsed() < settle);
    assert_eq!(watch.stop().n_made, 3);
}

#[test]
fn an_upload_that_stops_gets_its_row_and_is_put_right_when_it_goes_on() {
    let lab = Lab::new();
    let watch = lab.watch();
    let bytes = photo("taken=10:00 light=3");
    lab.put_bytes("heron/lamp-01.jpg", &bytes[..40]);
    lab.put_bytes("heron/empty.jpg", b"");
    wait_for("a row", || lab.verdict("heron/lamp-01.jpg") == "unreadable");
    wait_for("a row", || lab.verdict("heron/empty.jpg") == "unreadable");
    lab.put_bytes("heron/lamp-01.jpg", &bytes);
    wait_for("a good photo", || {
        lab.verdict("heron/lamp-01.jpg") == "good"
    });
    lab.wait_until_done();
    drop(watch);
}

#[test]
fn temporary_names_are_no_photos_until_they_are_renamed() {
    let lab = Lab::new();
    let watch = lab.watch();
    lab.put("heron/.syncthing.lamp-01.jpg.tmp", "taken=10:00 light=3");
    lab.put("heron/dark-01.jpg", "taken=10:00 light=0");
    wait_for("the other photo", || {
        lab.verdict("heron/dark-01.jpg") == "waiting"
    });
    wait_for("its row", || {
        let table = lab.tree().remove("quality.csv").unwrap_or_default();
        table.lines().count() == 3
    });
    let at = |name: &str| lab.inbox().join("heron").join(name);
    fs::rename(at(".syncthing.lamp-01.jpg.tmp"), at("lamp-01.jpg")).unwrap();
    wait_for("a good photo", || {
        lab.verdict("heron/lamp-01.jpg") == "good"
    });
    drop(watch);
}

#[test]
fn a_folder_moved_in_whole_is_found() {
    let lab = Lab::new();
    let outside = tempfile::tempdir_in(lab.inbox().parent().unwrap()).unwrap();
    for i in 0..20 {
        let name = format!("quay-{i:02}.jpg");
        fs::write(outside.path().join(name), photo(&format!("light={i}"))).unwrap();
    }
    let watch = lab.watch();
    std::thread::sleep(Duration::from_millis(100));
    fs::rename(outside.path(), lab.inbox().join("heron")).unwrap();
    wait_for("all twenty", || {
        (0..20).all(|i| lab.verdict(&format!("heron/quay-{i:02}.jpg")) == "waiting")
    });
    drop(watch);
    fs::create_dir(outside.path()).unwrap();
}

#[test]
fn old_and_future_times_neither_hide_nor_hold_up_a_photo() {
    let lab = Lab::new();
    for (name, seconds) in [("old", -400_000_000_i64), ("future", 400_000_000)] {
        let path = format!("heron/{name}.jpg");
        lab.put(&path, "light=5");
        let now = SystemTime::now();
        let span = Duration::from_secs(seconds.unsigned_abs());
        let time = if seconds < 0 { now - span } else { now + span };
        let file = fs::File::options()
            .write(true)
            .open(lab.inbox().join(&path))
            .unwrap();
        file.set_modified(time).unwrap();
    }
    let began = Instant::now();
    lab.sweep();
    assert!(
        began.elapsed() < Duration::from_secs(3),
        "{:?}",
        began.elapsed()
    );
    assert_eq!(lab.verdict("heron/old.jpg"), "waiting");
    assert_eq!(lab.verdict("heron/future.jpg"), "waiting");
}

#[test]
fn a_sweep_does_not_wait_for_what_is_finished() {
    let lab = Lab::new();
    lab.put("heron/lamp-01.jpg", "light=3");
    let mut setup = lab.setup();
    setup.orders.settle = Duration::from_millis(500);
    setup.orders.patience = Duration::from_secs(60);
    std::thread::sleep(Duration::from_millis(600));
    let began = Instant::now();
    slitwatch::run::sweep(setup, slitwatch::run::Bell::new().1).unwrap();
    assert!(
        began.elapsed() < Duration::from_millis(400),
        "{:?}",
        began.elapsed()
    );
}

#[test]
fn a_sweep_ends_although_a_file_grows_for_ever() {
    let lab = Lab::new();
    lab.put("heron/dark-01.jpg", "light=0");
    let path = lab.inbox().join("heron/grows.jpg");
    let mut file = fs::File::create(&path).unwrap();
    let grow = std::sync::atomic::AtomicBool::new(true);
    std::thread::scope(|scope| {
        scope.spawn(|| {
            while grow.load(std::sync::atomic::Ordering::SeqCst) {
                file.write_all(b"more and more and more").unwrap();
                std::thread::sleep(Duration::from_millis(2));
            }
        });
        let began = Instant::now();
        let report = lab.sweep();
        grow.store(false, std::sync::atomic::Ordering::SeqCst);
        assert!(began.elapsed() < Duration::from_secs(3));
        assert_eq!(report.records.len(), 2);
    });
}

#[test]
fn whatever_is_no_file_gets_a_row_and_the_photos_beside_it_are_measured() {
    let lab = Lab::new();
    lab.put("heron/lamp-01.jpg", "light=3");
    lab.put("heron/album.jpg/inside.jpg", "light=4");
    lab.put("heron/=1+1.jpg", "light=4");
    lab.put("heron/line\nbreak.jpg", "light=4");
    lab.put("heron/<b>.jpg", "light=4");
    lab.put("heron/lamp-01.JPG", "light=4");
    lab.put(&format!("heron/{}.jpg", "n".repeat(251)), "light=4");
    let odd = lab
        .inbox()
        .join("heron")
        .join(std::ffi::OsStr::from_bytes(b"odd\xff.jpg"));
    fs::write(odd, photo("light=4")).unwrap();
    let at = |name: &str| lab.inbox().join("heron").join(name);
    std::os::unix::fs::symlink("/etc/hostname", at("link.jpg")).unwrap();
    std::os::unix::fs::symlink("..", at("loop")).unwrap();
    let mode = rustix::fs::Mode::from_raw_mode(0o600);
    rustix::fs::mknodat(
        rustix::fs::CWD,
        at("pipe.jpg"),
        rustix::fs::FileType::Fifo,
        mode,
        0,
    )
    .unwrap();
    let report = lab.sweep();
    let verdicts: Vec<(&str, String)> = report
        .records
        .iter()
        .map(|r| {
            (
                r.photo.strip_prefix("heron/").unwrap(),
                format!("{:?}", r.verdict),
            )
        })
        .filter(|(name, _)| !name.starts_with("nn"))
        .collect();
    let good = |name| (name, "Good".to_owned());
    let not = |name| (name, "Unreadable".to_owned());
    assert_eq!(
        verdicts,
        [
            good("<b>.jpg"),
            good("=1+1.jpg"),
            not("album.jpg"),
            good("album.jpg/inside.jpg"),
            good("lamp-01.JPG"),
            good("lamp-01.jpg"),
            good("line\nbreak.jpg"),
            not("link.jpg"),
            not("loop"),
            good("odd\\xFF.jpg"),
            not("pipe.jpg"),
        ]
    );
    assert_eq!(report.records.len(), 12);
    assert!(report.failures.is_empty(), "{:?}", report.failures);
    let reason = lab.quality("heron/link.jpg").unwrap()["reasons"][0]["advice"].to_string();
    assert!(reason.contains("never followed"), "{reason}");
    assert_eq!(lab.sweep().n_made, 0);
}

/// Names that clients give when two devices changed a file, or sent it twice (common practice, no source): each is a photo
/// of its own, and the same bytes are said.
#[test]
fn conflict_copies_are_photos_of_their_own_and_are_said() {
    let lab = Lab::new();
    lab.put("heron/lamp-01.jpg", "light=3");
    lab.put("heron/quay-01.jpg", "light=5");
    let copies = [
        "heron/quay-01 (1).jpg",
        "heron/quay-01 (conflicted copy 2026-11-25 190507).jpg",
        "heron/quay-01 - Copy.jpg",
        "heron/quay-01.sync-conflict-20261125-190507-ABCDEFG.jpg",
        "heron/quay-01_conflict-20261125-190507.jpg",
    ];
    for copy in &copies[..3] {
        lab.put(copy, "light=5");
    }
    for copy in &copies[3..] {
        lab.put(copy, "light=6");
    }
    let report = lab.sweep();
    assert_eq!((report.records.len(), report.n_not_here), (7, 0));
    // Of those that are alike the first by path is the one that the others are copies of.
    let n_said = |copies: &[&str]| {
        let remarks = copies
            .iter()
            .map(|copy| lab.quality(copy).unwrap()["remarks"].to_string());
        remarks
            .filter(|r| r.contains("one of the two is a copy"))
            .count()
    };
    assert_eq!(n_said(&[&copies[..3], &["heron/quay-01.jpg"]].concat()), 3);
    assert_eq!(n_said(&copies[3..]), 1);
    for copy in copies {
        assert_eq!(lab.verdict(copy), "good");
    }
    assert_same(&lab.tree(), &lab.expected(), "with conflict copies");
}

#[test]
fn what_may_not_be_read_gets_a_row_and_the_others_are_measured() {
    if crate::nobody::ran("arrivals::what_may_not_be_read_gets_a_row_and_the_others_are_measured") {
        return;
    }
    use std::os::unix::fs::PermissionsExt;
    let lab = Lab::new();
    lab.put("heron/lamp-01.jpg", "light=3");
    lab.put("heron/quay-01.jpg", "light=3");
    lab.put("dunlin/quay-01.jpg", "light=3");
    let at = |name: &str| lab.inbox().join(name);
    let allow = |name: &str, mode| {
        fs::set_permissions(at(name), fs::Permissions::from_mode(mode)).unwrap();
    };
    allow("heron/quay-01.jpg", 0);
    allow("dunlin", 0);
    if fs::read(at("heron/quay-01.jpg")).is_ok() {
        eprintln!("skipped: the administrator may read everything");
        return;
    }
    let report = lab.sweep();
    assert!(report.failures.is_empty(), "{:?}", report.failures);
    assert_eq!(lab.verdict("heron/lamp-01.jpg"), "good");
    assert_eq!(lab.verdict("heron/quay-01.jpg"), "unreadable");
    assert_eq!(report.records.len(), 3, "the closed folder has a row too");
    allow("heron/quay-01.jpg", 0o644);
    allow("dunlin", 0o755);
    lab.sweep();
    assert_eq!(lab.verdict("heron/quay-01.jpg"), "good");
    assert_eq!(lab.verdict("dunlin/quay-01.jpg"), "waiting");
}

#[test]
fn two_benches_that_meet_in_one_folder_keep_apart() {
    let lab = Lab::new();
    lab.put("a/heron@x.jpg", "light=1");
    lab.put("heron/a/heron@x.jpg", "light=2");
    lab.sweep();
    let tree = lab.tree();
    let n = tree
        .keys()
        .filter(|name| name.ends_with("quality.json"))
        .count();
    assert_eq!(n, 2, "{:?}", tree.keys());
    assert!(
        tree.values()
            .any(|text| text.contains("another photo's results lie in"))
    );
    assert_same(&lab.tree(), &lab.expected(), "folders that meet");
}
