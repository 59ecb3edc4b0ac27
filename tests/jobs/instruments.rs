//! Instruments from session to session, against what was drawn: one that stays, and one whose slit opens. On pictures as small as these one
//! photo a session tells a slit only widely, so that what it shows is in the table, and neither is called worse or rebuilt. From which
//! changes on that is said is held against drawn numbers in `src/report/term/mod.rs` and `src/answers/drift.rs`.

use std::fs;

use slitwatch::simulate::{Instrument, Shot, draw};

use crate::costs::smaller;
use crate::evening;
use crate::real::{Place, shipped, stderr};

const SESSIONS: usize = 6;
/// The slit of the bench whose slit opens: so wide at first, and by so much wider each session, µm.
const OPENS_UM: (f64, f64) = (160.0, 80.0);

/// The demo's lamp photo without a fault, through an instrument.
fn lamp(seed: u64, change: impl Fn(&mut Instrument)) -> Vec<u8> {
    let planned = evening::class().into_iter();
    let mut planned = planned.filter(|p| p.path == "dunlin/lamp-02.jpg");
    let mut shot: Shot = planned.next().expect("it is in the plan").shot;
    smaller(&mut shot);
    shot.seed = seed;
    change(&mut shot.instrument);
    draw(&shot).jpeg
}

#[test]
fn the_table_follows_a_slit_that_opens_and_says_nothing_that_the_uncertainties_do_not_bear() {
    let place = Place::new();
    for session in 0..SESSIONS {
        let opened_um = OPENS_UM.0 + OPENS_UM.1 * session as f64;
        let seed = 100 + session as u64;
        let photos = [
            ("avocet", lamp(seed, |_| {})),
            ("heron", lamp(seed + 20, |i| i.slit_width_um = opened_um)),
        ];
        for (bench, jpeg) in photos {
            place.put(&format!("evening-{session}/{bench}/lamp-1.jpg"), &jpeg);
        }
    }
    let text = fs::read_to_string(shipped("config/lab.yaml")).unwrap();
    let text = text.replace("  by: none", "  by: folder");
    fs::write(place.path("lab.yaml"), text).unwrap();
    let config = place.path("lab.yaml");
    let output = place.run(&["sweep", "--config", config.to_str().unwrap()]);
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    let rows = place.rows("instruments.csv");
    let of = |bench: &str, column: &str| -> Vec<String> {
        let own = rows.iter().filter(|row| row["bench"] == bench);
        own.map(|row| row[column].clone()).collect()
    };
    let numbers = |bench: &str, column: &str| -> Vec<f64> {
        let cells = of(bench, column);
        cells
            .iter()
            .map(|cell| cell.parse().expect("a number"))
            .collect()
    };
    for bench in ["avocet", "heron"] {
        let rebuilt = of(bench, "rebuilt");
        assert_eq!(rebuilt[0], "", "nothing to compare with");
        assert!(rebuilt[1..].iter().all(|said| said == "no"), "{rebuilt:?}");
        assert!(of(bench, "worse").iter().all(String::is_empty));
        assert_eq!(of(bench, "build"), ["1"; SESSIONS]);
    }
    let share = |bench: &str, column: &str| {
        let numbers = numbers(bench, column);
        numbers[SESSIONS - 1] / numbers[0]
    };
    // Of the steady one within what single photos scatter by.
    assert!((0.85..1.15).contains(&share("avocet", "slit_width_um")));
    assert!((0.95..1.05).contains(&share("avocet", "bandpass_nm")));
    assert!(share("heron", "slit_width_um") > 1.25);
    assert!(share("heron", "bandpass_nm") > 1.1);
    assert!(numbers("heron", "bandpass_nm").is_sorted());
    let page = fs::read_to_string(place.results().join("instruments.html")).unwrap();
    assert_eq!(page.matches("Nothing gets worse by more than").count(), 2);
    assert_eq!(page.matches("No rebuilding that can be told").count(), 2);
    let page = page.trim_start_matches("<!doctype html>");
    roxmltree::Document::parse(page).expect("a whole document");
}
