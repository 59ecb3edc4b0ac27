//! Instruments from session to session, against what was drawn: one that stays, one whose slit opens, one whose disc was seated anew.

use std::fs;

use slitwatch::simulate::{Instrument, Shot, draw};

use crate::costs::smaller;
use crate::evening;
use crate::real::{Place, shipped, stderr};

const SESSIONS: usize = 6;
/// The slit of the bench whose slit opens: so wide at first, and by so much wider each session, µm.
const OPENS_UM: (f64, f64) = (160.0, 80.0);
/// The session in which another's disc is seated anew, and where the slit then stands before it, degrees.
const SEATED_ANEW: (usize, f64) = (3, 1.6);

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
fn what_stays_what_opens_and_what_was_rebuilt_are_told_apart() {
    let place = Place::new();
    for session in 0..SESSIONS {
        let opened_um = OPENS_UM.0 + OPENS_UM.1 * session as f64;
        let seed = 100 + session as u64;
        let photos = [
            ("avocet", lamp(seed, |_| {})),
            ("heron", lamp(seed + 20, |i| i.slit_width_um = opened_um)),
            (
                "tern",
                lamp(seed + 40, |i| {
                    if session >= SEATED_ANEW.0 {
                        i.incidence_deg = SEATED_ANEW.1;
                    }
                }),
            ),
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
    for bench in ["avocet", "heron", "tern"] {
        for column in [
            "slit_width_um",
            "bandpass_nm",
            "rebuilt",
            "changed",
            "worse",
        ] {
            eprintln!("{bench} {column}: {:?}", of(bench, column));
        }
        assert_eq!(of(bench, "session").len(), SESSIONS);
        assert_eq!(of(bench, "rebuilt")[0], "", "nothing to compare with");
    }
    assert!(of("avocet", "rebuilt")[1..].iter().all(|said| said == "no"));
    assert!(of("avocet", "worse").iter().all(String::is_empty));
    let seated = of("tern", "rebuilt");
    let at = |session: usize| {
        if session == SEATED_ANEW.0 {
            "yes"
        } else {
            "no"
        }
    };
    assert!((1..SESSIONS).all(|s| seated[s] == at(s)), "{seated:?}");
    assert!(of("tern", "worse").iter().all(String::is_empty));
    assert!(of("heron", "rebuilt")[1..].iter().all(|said| said == "no"));
    let worse = of("heron", "worse");
    assert!(worse[..2].iter().all(String::is_empty), "{worse:?}");
    assert!(!worse[SESSIONS - 1].is_empty(), "it opens: {worse:?}");
    let page = fs::read_to_string(place.results().join("instruments.html")).unwrap();
    assert!(page.contains("Getting worse") && page.contains("Rebuilt by evening-3"));
    roxmltree::Document::parse_with_options(
        &page,
        roxmltree::ParsingOptions {
            allow_dtd: true,
            ..Default::default()
        },
    )
    .expect("a whole document");
}
