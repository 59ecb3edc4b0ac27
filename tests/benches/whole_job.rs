//! What a photo of twelve megapixels costs: processor time of decoding alone and of everything after it (measure, judge,
//! write the files' bytes), and the most memory that the program takes with one photo in hand.
//!
//! Times are the best and the median of seven, on one thread. The goal is 150 ms beyond decoding and 150 MiB.
//!
//! What looking at a photo costs whose name says nothing is said beside that, of a lamp, of other lines and of light of all colours:
//! looking and then measuring, less measuring alone (the best of each, and the median of each), since measuring goes on from what the look has
//! found. The goal is 15 ms.

use std::fs;
use std::path::Path;
use std::process::Command;
use std::sync::Arc;
use std::time::Duration;

use slitwatch::classify::{Decision, Outcome, Purpose};
use slitwatch::decode;
use slitwatch::lab::{self, Against, Examined, Lab, Origin, Picture, Scale};
use slitwatch::publish::files;
use slitwatch::publish::record::Provenance;
use slitwatch::settings;
use slitwatch::settings::english;
use slitwatch::simulate::{Phone, draw};
use slitwatch::slates;
use slitwatch::terms::Capture;

#[path = "../jobs/evening.rs"]
mod evening;

const ROUNDS: usize = 7;

fn main() {
    match std::env::var("WHOLE_JOB_PHOTOS") {
        Ok(folder) => measure(Path::new(&folder)),
        Err(_) => {
            // Drawing a photo takes more memory than measuring one: another process does that.
            let folder = tempfile::tempdir().expect("a folder");
            draw_photos(folder.path());
            let status = Command::new(std::env::current_exe().expect("this program"))
                .env("WHOLE_JOB_PHOTOS", folder.path())
                .status();
            assert!(status.expect("a process").success());
        }
    }
}

/// A lamp, a sample of lines and one of all colours, as the demo's first bench would take them with a phone of twelve megapixels.
fn draw_photos(folder: &Path) {
    let phones = Phone::all();
    let phone = phones.iter().find(|p| p.width * p.height > 11_900_000);
    let phone = phone.expect("a phone of twelve megapixels");
    let class = evening::class();
    let planned = |path: &str| &class.iter().find(|p| p.path == path).expect("planned").shot;
    let light = &planned("avocet/harbour-led.jpg").light;
    for (name, path, light) in [
        ("lamp.jpg", "heron/lamp-01.jpg", None),
        ("lines.jpg", "heron/helium-sign.jpg", None),
        ("colours.jpg", "heron/helium-sign.jpg", Some(light)),
    ] {
        let mut shot = planned(path).clone();
        shot.phone = phone.clone();
        shot.light = light.unwrap_or(&shot.light).clone();
        fs::write(folder.join(name), draw(&shot).jpeg).expect("a place for it");
    }
}

fn measure(folder: &Path) {
    let config = Path::new(env!("CARGO_MANIFEST_DIR")).join("config/lab.yaml");
    let settings = settings::load(&config).expect("the shipped configuration");
    let lab = Lab::new(settings);
    let before = most_memory_mib();
    let lamp = fs::read(folder.join("lamp.jpg")).expect("drawn");
    let (_, lamp_photo) = job(&lab, "heron/lamp-01.jpg", &lamp, Capture::Calibration, None);
    println!(
        "most memory: {before:.0} MiB before, {:.0} MiB after one lamp photo",
        most_memory_mib()
    );
    let calibration = lamp_photo.measurement.calibration.expect("a scale");
    let scale = Scale {
        photo: "heron/lamp-01.jpg",
        hash: "",
        calibration: &calibration,
    };
    let [lines, colours] = ["lines.jpg", "colours.jpg"].map(|name| fs::read(folder.join(name)));
    for (what, bytes, capture, scale) in [
        ("lamp", &lamp, Capture::Calibration, None),
        (
            "lines",
            &lines.expect("drawn"),
            Capture::Sample,
            Some(scale),
        ),
        (
            "colours",
            &colours.expect("drawn"),
            Capture::Sample,
            Some(scale),
        ),
    ] {
        let mut rounds: Vec<[Duration; 4]> = (0..ROUNDS)
            .map(|_| job(&lab, "heron/photo.jpg", bytes, capture, scale).0)
            .collect();
        let mut line = |stage: &str, cost: &dyn Fn(&[Duration; 4]) -> Duration| {
            rounds.sort_by_key(|round| cost(round));
            let ms = |i: usize| 1000.0 * cost(&rounds[i]).as_secs_f64();
            println!(
                "{what}: {stage:<22} best {:6.1} ms, median {:6.1} ms",
                ms(0),
                ms(ROUNDS / 2)
            );
        };
        line("decode", &|r| r[0]);
        line("measure and judge", &|r| r[1]);
        line("files but the picture", &|r| r[2]);
        line("picture", &|r| r[3]);
        line("all beyond decoding", &|r| r[1] + r[2] + r[3]);
        looks(&lab, what, bytes, (capture, scale));
    }
    println!("most memory: {:.0} MiB after all", most_memory_mib());
}

/// What a look takes of a decoded photo, what of it the search for a slate, and what looking costs beyond measuring.
fn looks(lab: &Lab, what: &str, bytes: &[u8], (capture, scale): (Capture, Option<Scale<'_>>)) {
    let origin = origin("heron/photo.jpg", bytes, capture);
    let against = Against {
        scale,
        ..Against::default()
    };
    let mut rounds = [[Duration::ZERO; 4]; ROUNDS];
    let mut seen = String::new();
    for round in &mut rounds {
        let picture = || Picture::from(decode::decode(bytes, u64::MAX).expect("a photo"));
        let (alone, mut looked_at) = (picture(), picture());
        let t0 = processor_time();
        let measured_alone = lab.examine(&origin, Ok(alone), &against);
        let t1 = processor_time();
        let slate = slates::look(&looked_at.frame);
        let t2 = processor_time();
        let look = lab.look_at(&mut looked_at);
        let t3 = processor_time();
        let measured = lab.examine(&origin, Ok(looked_at), &against);
        let t4 = processor_time();
        assert_eq!(
            measured.measurement.metrics,
            measured_alone.measurement.metrics
        );
        seen = format!("{:?}, {slate:?}", look.look);
        *round = [t1 - t0, t3 - t2, t4 - t3, t2 - t1];
    }
    let line = |stage: &str, cost: &dyn Fn(&[Duration; 4]) -> f64| {
        let mut costs: Vec<f64> = rounds.iter().map(cost).collect();
        costs.sort_by(f64::total_cmp);
        let (best, median) = (1000.0 * costs[0], 1000.0 * costs[ROUNDS / 2]);
        println!("{what}: {stage:<22} best {best:6.1} ms, median {median:6.1} ms");
    };
    let s = |i: usize| move |r: &[Duration; 4]| r[i].as_secs_f64();
    line("measuring alone", &s(0));
    line("look", &s(1));
    line("slate's part of it", &s(3));
    line("measuring looked at", &s(2));
    let median = |i: usize| {
        let mut costs: Vec<f64> = rounds.iter().map(s(i)).collect();
        costs.sort_by(f64::total_cmp);
        (costs[0], costs[ROUNDS / 2])
    };
    // Of the stages, not of the rounds: what other programs do to one of them would count thrice.
    let [alone, look, looked_at] = [0, 1, 2].map(median);
    println!(
        "{what}: extra cost of looking  best {:6.1} ms, median {:6.1} ms",
        1000.0 * (look.0 + looked_at.0 - alone.0),
        1000.0 * (look.1 + looked_at.1 - alone.1)
    );
    println!("{what}: seen as {seen}");
}

/// One photo as the daemon does it, but for the disk: processor time for decoding, for measuring and judging, for the
/// files but the picture, for the picture.
fn job(
    lab: &Lab,
    photo: &str,
    bytes: &[u8],
    capture: Capture,
    scale: Option<Scale<'_>>,
) -> ([Duration; 4], Examined) {
    let t0 = processor_time();
    let decoded = decode::decode(bytes, u64::MAX).expect("a photo");
    let t1 = processor_time();
    let origin = origin(photo, bytes, capture);
    let against = Against {
        scale,
        ..Against::default()
    };
    let t2 = processor_time();
    let examined = lab.examine(&origin, Ok(decoded.into()), &against);
    let t3 = processor_time();
    let m = &examined.measurement;
    let record = lab::record(&origin, &examined);
    let t4 = processor_time();
    let without = files::files(&record, m, None, None, english());
    let t5 = processor_time();
    let with = files::files(&record, m, None, examined.frame.as_ref(), english());
    let t6 = processor_time();
    assert!(
        without.len() == with.len() && m.spectrum.is_some(),
        "{:?}",
        m.log
    );
    let others = t5 - t4;
    let costs = [t1 - t0, t3 - t2, others, (t6 - t5).saturating_sub(others)];
    (costs, examined)
}

/// A photo as the rules would take it for this capture.
fn origin(photo: &str, bytes: &[u8], capture: Capture) -> Origin {
    let decision = Decision {
        rule: String::new(),
        outcome: Outcome::Measure(Purpose {
            capture,
            bench: "heron".to_owned(),
            lamp: match capture {
                Capture::Calibration => "fluorescent".to_owned(),
                _ => String::new(),
            },
            label: String::new(),
            groups: Default::default(),
        }),
        passed_over: Vec::new(),
        basis: Default::default(),
    };
    Origin {
        photo: photo.to_owned(),
        facts: Arc::new(decode::facts(bytes)),
        decision: Arc::new(decision),
        provenance: Provenance::default(),
    }
}

/// Of this thread, as the scheduler counts it: proc_pid_schedstat, the first number, ns.
fn processor_time() -> Duration {
    // The number is brought up to date when the scheduler is called.
    std::thread::yield_now();
    let text = fs::read_to_string("/proc/thread-self/schedstat").expect("Linux");
    let ns = text.split_whitespace().next().and_then(|n| n.parse().ok());
    Duration::from_nanos(ns.expect("nanoseconds"))
}

/// Most memory that this process ever took: proc_pid_status(5), VmHWM.
fn most_memory_mib() -> f64 {
    let status = fs::read_to_string("/proc/self/status").expect("Linux");
    let line = status.lines().find_map(|l| l.strip_prefix("VmHWM:"));
    let kib: f64 = line
        .and_then(|l| l.split_whitespace().next()?.parse().ok())
        .expect("kB");
    kib / 1024.0
}
