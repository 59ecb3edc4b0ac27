//! Many files at once, and a daemon that has nothing to do.

use std::fs;
use std::time::{Duration, Instant};

use crate::fake::photo;
use crate::lab::Lab;

#[test]
fn a_listing_of_ten_thousand_files_is_cheap() {
    let lab = Lab::new();
    for bench in 0..20 {
        let folder = lab.inbox().join(format!("bench-{bench:02}"));
        fs::create_dir(&folder).unwrap();
        for i in 0..500 {
            fs::File::create(folder.join(format!("quay-{i:03}.jpg"))).unwrap();
        }
    }
    slitwatch::arrive::listing::list(&lab.inbox()).unwrap();
    let began = Instant::now();
    let listing = slitwatch::arrive::listing::list(&lab.inbox()).unwrap();
    let took = began.elapsed();
    eprintln!("a listing of {} files: {took:?}", listing.entries.len());
    assert_eq!(listing.entries.len(), 10_000);
    // Listed every 5 s, this is a few per cent of a core at the very worst; a machine under load is given room.
    assert!(took < Duration::from_millis(500), "{took:?}");
}

#[test]
fn a_thousand_files_at_once_all_get_their_fate() {
    let lab = Lab::new();
    let watch = lab.watch();
    for bench in 0..50 {
        let folder = lab.inbox().join(format!("bench-{bench:02}"));
        fs::create_dir(&folder).unwrap();
        for i in 0..20 {
            fs::write(folder.join(format!("quay-{i:02}.jpg")), photo("bad")).unwrap();
        }
    }
    crate::lab::wait_for("a thousand rows", || {
        fs::read_to_string(lab.results().join("quality.csv"))
            .is_ok_and(|text| text.lines().count() == 1002)
    });
    assert_eq!(watch.stop().n_made, 1000);
}
