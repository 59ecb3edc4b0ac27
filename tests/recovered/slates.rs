//! Slates, photographed as a class does: turned, tilted, out of focus, unevenly lit, in poor light. They are read, or seen and not
//! read, and never read wrongly; and nothing else that a phone brings along is taken for one.

use std::collections::BTreeSet;
use std::time::{Duration, Instant};

use rand::{RngExt, SeedableRng};
use rand_pcg::Pcg64Mcg;
use rayon::prelude::*;
use slitwatch::decode;
use slitwatch::lab::Picture;
use slitwatch::simulate::{Card, Exposure, Fault, Light, Scene, Shot, Source, draw};
use slitwatch::slates::{Sighting, Slate, Square, What, look};

use super::lab::{Bench, LAB, light};

/// The long run, `SLITWATCH_SLATES=200`, photographs so many cards (or as many as it says), and [`OTHERS_A_CARD`] other things for each,
/// which takes a quarter of an hour. The ordinary run takes the worst of them.
const CARDS: usize = 200;
/// Other things for each card in the long run.
const OTHERS_A_CARD: f64 = 2.5;
/// Share of the cards that must be read: of a dozen, all.
const READ: f64 = 0.98;
/// Cards that the ordinary run takes for each way in which a card is hard to read.
const WORST: usize = 2;

/// How many cards the long run is to photograph; none in the ordinary one.
fn long_run() -> Option<usize> {
    let n = std::env::var("SLITWATCH_SLATES").ok()?;
    Some(n.parse().expect("a number of cards"))
}

/// What the program sees in a photo, and how long it searches.
///
/// # Panics
/// If a whole look, which asks for a slit first, sees another slate than the search alone.
fn seen(shot: &Shot) -> (Sighting, Duration) {
    let photo = draw(shot);
    let mut picture = Picture::from(decode::decode(&photo.jpeg, 64_000_000).expect("a photo"));
    let start = Instant::now();
    let seen = look(&picture.frame);
    let time = start.elapsed();
    let by_lab = LAB.look_at(&mut picture);
    assert_eq!(
        Sighting::recalled(by_lab.slate.as_ref()),
        seen,
        "{by_lab:?}"
    );
    (seen, time)
}

/// The middle one, in words: two photos are drawn at once on a busy machine, so nothing is asked of it.
fn median_words(mut times: Vec<Duration>) -> String {
    times.sort_unstable();
    let middle = times.get(times.len() / 2).copied().unwrap_or_default();
    format!("{:.1} ms in the median", 1e3 * middle.as_secs_f64())
}

fn slate(chance: &mut Pcg64Mcg) -> Slate {
    let text = |s: &str| Some(s.to_owned());
    let what = match chance.random_range(0..8) {
        0 => return Slate::of_bench("heron"),
        1 => What::Lamp(None),
        2 => What::Blank,
        3 => What::Sample(text("quay-lamp-by-the-slipway")),
        4 => What::Standard {
            concentration: 0.5,
            unit: "mg/L".to_owned(),
            series: "dye".to_owned(),
        },
        5 => What::Unknown("dye".to_owned()),
        6 => What::Void,
        _ => {
            return Slate {
                bench: text("sandpiper"),
                what: Some(What::Lamp(None)),
            };
        }
    };
    Slate::of(what)
}

/// The card with this number.
fn nth(i: usize) -> (Slate, Shot) {
    let slate = slate(&mut Pcg64Mcg::seed_from_u64(52_000 + i as u64));
    let shot = shot(i, &slate);
    (slate, shot)
}

/// How easy a card at this ISO number is to read, in one respect: the smaller, the harder.
type Ease = fn(&(f64, Card)) -> f64;

/// Numbers of the cards to photograph: in the ordinary run, of the long run's, the smallest, the most tilted, the most blurred, the most
/// unevenly lit, the darkest and the grainiest of those that are left.
fn cards() -> Vec<usize> {
    if let Some(n) = long_run() {
        return (0..n).collect();
    }
    let all: Vec<(f64, Card)> = (0..CARDS)
        .filter_map(|i| match nth(i).1 {
            Shot {
                scene: Scene::Card(card),
                exposure: Exposure::Set(_, iso),
                ..
            } => Some((iso, card)),
            _ => None,
        })
        .collect();
    let eases: [Ease; 6] = [
        |(_, card)| card.height / card.side as f64,
        |(_, card)| -card.tilt_deg,
        |(_, card)| -card.blur,
        |(_, card)| card.evenness,
        |(_, card)| card.paper_level,
        |(iso, card)| card.paper_level / iso,
    ];
    let mut chosen = BTreeSet::new();
    for ease in eases {
        let mut left: Vec<usize> = (0..all.len()).filter(|i| !chosen.contains(i)).collect();
        left.sort_by(|a, b| ease(&all[*a]).total_cmp(&ease(&all[*b])));
        chosen.extend(left.into_iter().take(WORST));
    }
    chosen.into_iter().collect()
}

/// A card as it lies, from a fifth of the picture's height up: the most tilted, most blurred and darkest that must be read among
/// them, half of them at ISO 3200.
fn shot(i: usize, slate: &Slate) -> Shot {
    let mut chance = Pcg64Mcg::seed_from_u64(53_000 + i as u64);
    let mut within = |low: f64, high: f64| low + (high - low) * chance.random::<f64>();
    let bench = Bench::whole(4 + i % 2, 53_000);
    let square = Square::of(slate).expect("a short text");
    let mut shot = bench.shot(i as u64, Light::of(Source::Dark, 0), (0.0, 0.0, 0.0));
    let iso = if i.is_multiple_of(2) {
        3200.0
    } else {
        100.0 * 2f64.powf(within(0.0, 5.0))
    };
    shot.exposure = Exposure::Set(1.0 / 60.0, iso);
    let mut card = Card {
        side: square.side,
        dark: square.dark,
        height: 0.2 * 4f64.powf(within(0.0, 1.0)),
        at: (0.5, 0.5),
        turn_deg: within(0.0, 360.0),
        tilt_deg: within(0.0, 40.0),
        tilt_towards_deg: within(0.0, 360.0),
        blur: within(0.0, 1.0 / 3.0),
        evenness: within(0.3, 1.0),
        paper_level: within(0.3, 0.8),
    };
    loop {
        card.at = (within(0.0, 1.0), within(0.0, 1.0));
        let (w, h) = (shot.phone.width as f64, shot.phone.height as f64);
        let inside = |&(x, y): &(f64, f64)| (0.0..w).contains(&x) && (0.0..h).contains(&y);
        if card.corners(&shot.phone).iter().all(inside) {
            break;
        }
        card.height = (card.height * 0.99).max(0.2);
    }
    shot.orientation = [1, 3, 6, 8][i % 4];
    shot.scene = Scene::Card(card);
    shot
}

#[test]
fn slates_are_read_as_phones_photograph_them_and_none_is_read_wrongly() {
    let cards = cards();
    let n = cards.len();
    let seen: Vec<(usize, Slate, Sighting)> = cards
        .into_par_iter()
        .map(|i| {
            let (slate, shot) = nth(i);
            let (seen, _) = seen(&shot);
            (i, slate, seen)
        })
        .collect();
    let mut read = 0;
    for (i, slate, seen) in &seen {
        match seen {
            Sighting::Read(said) => {
                assert_eq!(said, slate, "{i} is read wrongly");
                read += 1;
            }
            _ => println!("{i} ({slate}): {seen:?}"),
        }
    }
    println!("{read} of {n} slates are read");
    assert!(read as f64 >= READ * n as f64, "{read} of {n}");
}

#[test]
fn a_slate_under_a_thumb_is_seen_and_not_read() {
    // Four photos are both thumbs, and each way to hold the phone once.
    let n = if long_run().is_some() { 8 } else { 4 };
    let wrong: Vec<String> = (0..n)
        .into_par_iter()
        .filter_map(|i| {
            let mut shot = shot(i, &Slate::of(What::Blank));
            let Scene::Card(card) = &mut shot.scene else {
                return Some("no card".to_owned());
            };
            for y in 8..card.side {
                for x in 8..card.side {
                    card.dark[y * card.side + x] = i % 4 < 2;
                }
            }
            let (seen, _) = seen(&shot);
            (!matches!(seen, Sighting::Unread(_))).then(|| format!("{i}: {seen:?}"))
        })
        .collect();
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

/// Anything but a slate: lamps of all kinds through benches of all kinds, sound and not, rooms and pockets.
fn other(i: usize) -> Shot {
    let seed = 54_000 + i as u64;
    let mut chance = Pcg64Mcg::seed_from_u64(seed);
    let mut within = |low: f64, high: f64| low + (high - low) * chance.random::<f64>();
    let source = match i % 9 {
        0 => Source::TriPhosphor,
        1 => Source::Helium,
        2 => Source::Neon,
        3 => Source::Mercury,
        4 => Source::WhiteLed(within(2700.0, 6500.0)),
        5 => Source::Tungsten(within(2300.0, 3000.0)),
        6 => Source::Laser(within(520.0, 660.0)),
        _ => Source::Dark,
    };
    let is_spectrum = i % 9 < 7;
    let mut bench = if is_spectrum {
        Bench::sound(i % 6, seed)
    } else {
        Bench::whole(i % 6, seed)
    };
    bench.instrument.slit_width_um = within(100.0, 600.0);
    bench.orientation = [1, 6][i % 2];
    let pose = (within(-6.0, 6.0), within(-1.0, 1.0), within(-0.5, 0.5));
    let mut shot = bench.shot(seed, light(source, seed), pose);
    match i / 9 % 4 {
        0 => shot.faults.push(Fault::Defocused(within(1.0, 8.0))),
        1 => shot.faults.push(Fault::Leak(within(0.01, 0.2))),
        2 => shot.faults.push(Fault::Clipped(within(2.0, 20.0))),
        _ => {}
    }
    if !is_spectrum {
        shot.exposure = Exposure::Set(1.0 / 60.0, 100.0 * 2f64.powf(within(0.0, 5.0)));
        shot.scene = if i % 4 == 3 {
            Scene::Pocket
        } else {
            Scene::Room
        };
    }
    if i.is_multiple_of(3) {
        shot = shot.as_it_is(seed);
    }
    shot
}

#[test]
fn no_spectrum_and_no_room_is_taken_for_a_slate() {
    let chosen: Vec<usize> = match long_run() {
        Some(n) => (0..(OTHERS_A_CARD * n as f64) as usize).collect(),
        // Each scene with two of the four faults, each fault with half of the scenes.
        None => (0..36).filter(|i| (i % 9 + i / 9) % 2 == 0).collect(),
    };
    let n = chosen.len();
    let seen: Vec<(usize, Sighting, Duration)> = chosen
        .into_par_iter()
        .map(|i| {
            let (seen, time) = seen(&other(i));
            (i, seen, time)
        })
        .collect();
    let times = seen.iter().map(|(_, _, time)| *time).collect();
    let wrong: Vec<String> = seen
        .iter()
        .filter(|(_, seen, _)| *seen != Sighting::None)
        .map(|(i, seen, _)| format!("{i}: {seen:?}"))
        .collect();
    println!(
        "{} of {n} other things are taken for slates; a look takes {}",
        wrong.len(),
        median_words(times)
    );
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}
