//! Instruments from session to session, against what was drawn: one that stays, one whose slit opens, one whose disc was seated anew. Each
//! photo is laid, focused and lit anew, through a disc and a lens as they are. `SLITWATCH_TERM=1` has six classes of them.

use std::collections::BTreeMap;
use std::fs;

use rand::{RngExt, SeedableRng};
use rand_pcg::Pcg64Mcg;

use slitwatch::simulate::{Instrument, Phone, Pose, Shot, draw};

use crate::evening;
use crate::lab::asked;
use crate::real::{Place, shipped, stderr};

const SESSIONS: usize = 6;
/// Lamp photos of a bench and session.
const LAMPS: usize = 2;
/// The slit of the bench whose slit opens: so wide at first, and by so much wider each session, µm.
const OPENS_UM: (f64, f64) = (160.0, 80.0);
/// The session in which another's disc is seated anew, and by how much, degrees.
const SEATED_ANEW: (usize, f64) = (3, 1.6);
/// What lies above and below the spectrum is left out: the phones' pictures are so high, px.
const HEIGHT_PX: usize = 900;

/// What becomes of an instrument.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Fate {
    Stays,
    Opens,
    SeatedAnew,
}

const BENCHES: [(&str, Fate); 3] = [
    ("avocet", Fate::Stays),
    ("heron", Fate::Opens),
    ("tern", Fate::SeatedAnew),
];

/// A lamp photo of a class and session, without a fault.
fn lamp(class: u64, fate: Fate, session: usize, k: usize) -> Vec<u8> {
    let planned = evening::class().into_iter();
    let mut planned = planned.filter(|p| p.path == "dunlin/lamp-02.jpg");
    let mut shot: Shot = planned.next().expect("it is in the plan").shot;
    let phones = Phone::all();
    shot.phone = Phone {
        height: HEIGHT_PX,
        centre_offset_px: (0.0, 0.0),
        ..phones[class as usize % phones.len()].clone()
    };
    shot.instrument = Instrument {
        slit_width_um: OPENS_UM.0,
        incidence_deg: -0.7 + 0.3 * class as f64,
        ..Instrument::sound(13 * class + 5)
    };
    match fate {
        Fate::Opens => shot.instrument.slit_width_um += OPENS_UM.1 * session as f64,
        Fate::SeatedAnew if session >= SEATED_ANEW.0 => {
            shot.instrument.incidence_deg += SEATED_ANEW.1;
        }
        _ => {}
    }
    shot.seed = 10_000 * class + 1000 * fate as u64 + (10 * session + k) as u64;
    let mut random = Pcg64Mcg::seed_from_u64(shot.seed);
    let mut jitter = |size: f64| size * (2.0 * random.random::<f64>() - 1.0);
    shot.pose = Pose {
        roll_deg: jitter(0.8),
        yaw_deg: jitter(0.35),
        pitch_deg: jitter(0.4),
    };
    let minutes = (24 * 60 * session + 4 * k) as i64;
    shot.taken = shot
        .taken
        .saturating_add(jiff::Span::new().minutes(minutes));
    let lit = shot.seed;
    draw(&shot.as_it_is(lit)).jpeg
}

/// The rows of `instruments.csv` of a class, by bench, and the page.
fn swept(class: u64) -> (BTreeMap<String, Vec<BTreeMap<String, String>>>, String) {
    let place = Place::new();
    for (bench, fate) in BENCHES {
        for session in 0..SESSIONS {
            for k in 0..LAMPS {
                let photo = format!("evening-{session}/{bench}/lamp-{k}.jpg");
                place.put(&photo, &lamp(class, fate, session, k));
            }
        }
    }
    let text = fs::read_to_string(shipped("config/lab.yaml")).unwrap();
    let text = text.replace("  by: none", "  by: folder");
    fs::write(place.path("lab.yaml"), text).unwrap();
    let config = place.path("lab.yaml");
    let output = place.run(&["sweep", "--config", config.to_str().unwrap()]);
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    let mut of_bench: BTreeMap<String, Vec<_>> = BTreeMap::new();
    for row in place.rows("instruments.csv") {
        let rows = of_bench.entry(row["bench"].clone()).or_default();
        rows.push(row);
    }
    let page = fs::read_to_string(place.results().join("instruments.html")).unwrap();
    (of_bench, page)
}

#[test]
fn what_stays_what_opens_and_what_was_seated_anew_are_told_apart() {
    let n_classes = if asked("SLITWATCH_TERM").is_some() {
        6
    } else {
        1
    };
    // Of sessions that were compared: called rebuilt, or worse, where nothing was.
    let (mut n_false, mut n_compared) = (0, 0);
    let (mut n_opened, mut n_seated) = (0, 0);
    for class in 0..n_classes {
        let (of_bench, page) = swept(class);
        for (bench, fate) in BENCHES {
            let rows = &of_bench[bench];
            assert_eq!(rows.len(), SESSIONS);
            let column =
                |name: &str| -> Vec<&str> { rows.iter().map(|r| r[name].as_str()).collect() };
            for name in [
                "slit_width_um",
                "slit_image_px",
                "bandpass_nm",
                "nm_per_px",
                "rebuilt",
                "changed",
                "worse",
            ] {
                eprintln!(
                    "class {class}, {bench} {fate:?}, {name}: {:?}",
                    column(name)
                );
            }
            let (rebuilt, worse) = (column("rebuilt"), column("worse"));
            assert_eq!(rebuilt[0], "", "nothing to compare with");
            let changed = column("changed");
            let is_said = |s: usize| rebuilt[s] == "yes" || !worse[s].is_empty();
            match fate {
                Fate::Opens => {
                    let is_slit = |s: usize| {
                        !worse[s].is_empty()
                            || changed[s].contains("the slit from")
                            || changed[s].contains("the slit's image from")
                    };
                    n_opened += usize::from((1..SESSIONS).any(is_slit));
                }
                _ => {
                    let at = |s: &usize| fate == Fate::SeatedAnew && *s == SEATED_ANEW.0;
                    n_seated += usize::from((1..SESSIONS).any(|s| at(&s) && rebuilt[s] == "yes"));
                    let others: Vec<usize> = (1..SESSIONS).filter(|s| !at(s)).collect();
                    n_compared += others.len();
                    n_false += others.into_iter().filter(|s| is_said(*s)).count();
                }
            }
        }
        let page = page.trim_start_matches("<!doctype html>");
        roxmltree::Document::parse(page).expect("a whole document");
    }
    eprintln!(
        "of {n_classes} slits that opened {n_opened} were said to, of {n_classes} discs that were seated anew {n_seated}; \
         {n_false} of {n_compared} sessions with nothing new were called rebuilt or worse"
    );
    // One that opens may be missed in one class of six, and one session of twenty may be called what it is not.
    assert!(6 * n_opened >= 5 * n_classes as usize, "{n_opened} opened");
    assert!(6 * n_seated >= 5 * n_classes as usize, "{n_seated} seated");
    assert!(20 * n_false <= n_compared, "{n_false} of {n_compared}");
}
