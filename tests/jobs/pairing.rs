//! A late lamp photo reaches back, in a daemon and over restarts.

use std::fs;

use crate::lab::{Lab, assert_same, wait_for};

#[test]
fn a_late_lamp_photo_reaches_back_and_only_where_it_should() {
    let lab = Lab::new();
    lab.put("heron/quay-01.jpg", "taken=10:05 light=5");
    lab.put("dunlin/lamp-01.jpg", "taken=10:00 light=2");
    lab.put("dunlin/quay-01.jpg", "taken=10:05 light=5");
    let watch = lab.watch();
    wait_for("a waiting photo", || {
        lab.verdict("heron/quay-01.jpg") == "waiting"
    });
    lab.put("heron/lamp-01.jpg", "taken=10:30 light=3");
    wait_for("a good photo", || {
        lab.verdict("heron/quay-01.jpg") == "good"
    });
    let quality = lab.quality("heron/quay-01.jpg").unwrap();
    assert!(quality["provenance"]["calibration"]["heron/lamp-01.jpg"].is_string());
    lab.wait_until_done();
    // Two of dunlin's, the waiting one, the lamp, and the one brought up to date.
    assert_eq!(watch.stop().n_made, 5);
}

#[test]
fn a_nearer_lamp_photo_takes_over_and_its_removal_gives_back() {
    let lab = Lab::new();
    lab.put("heron/lamp-01.jpg", "taken=10:00 light=1");
    lab.put("heron/quay-01.jpg", "taken=10:20 light=5");
    lab.put("heron/quay-02.jpg", "taken=10:02 light=5");
    lab.sweep();
    let first = lab.tree();
    lab.put("heron/lamp-02.jpg", "taken=10:21 light=2");
    assert_eq!(lab.sweep().n_made, 2);
    assert_eq!(
        lab.quality("heron/quay-01.jpg").unwrap()["metrics"]["peak_level"],
        2005.0
    );
    assert_eq!(
        lab.quality("heron/quay-02.jpg").unwrap()["metrics"]["peak_level"],
        1005.0
    );
    fs::remove_file(lab.inbox().join("heron/lamp-02.jpg")).unwrap();
    lab.sweep();
    assert_same(&lab.tree(), &first, "without the second lamp photo");
}

#[test]
fn a_lamp_photo_that_was_retaken_under_the_same_name_counts_anew() {
    let lab = Lab::new();
    lab.put("heron/lamp-01.jpg", "taken=10:00 bad");
    lab.put("heron/quay-01.jpg", "taken=10:20 light=5");
    let watch = lab.watch();
    wait_for("waiting", || lab.verdict("heron/quay-01.jpg") == "waiting");
    lab.put("heron/lamp-01.jpg", "taken=10:25 light=4");
    wait_for("good", || lab.verdict("heron/quay-01.jpg") == "good");
    lab.wait_until_done();
    drop(watch);
}

#[test]
fn the_order_of_arrival_changes_nothing() {
    let photos = [
        ("heron/lamp-01.jpg", "taken=10:00 light=3"),
        ("heron/lamp-02.jpg", "taken=11:00 light=4"),
        ("heron/dark-01.jpg", "taken=10:01 light=0"),
        ("heron/blank-01.jpg", "taken=10:02 light=9"),
        ("heron/quay-01.jpg", "taken=10:10 light=5"),
        ("heron/quay-02.jpg", "taken=10:50 light=6"),
    ];
    let orders: [[usize; 6]; 3] = [[0, 1, 2, 3, 4, 5], [5, 4, 3, 2, 1, 0], [4, 0, 3, 5, 2, 1]];
    for order in orders {
        let lab = Lab::new();
        let watch = lab.watch();
        for i in order {
            let (path, words) = photos[i];
            lab.put(path, words);
            std::thread::sleep(std::time::Duration::from_millis(150));
        }
        lab.wait_until_done();
        drop(watch);
    }
}
