//! What a photo of twelve megapixels costs: processor time of decoding alone and of everything after it (measure, judge,
//! write the files' bytes), and the most memory that the program takes with one photo in hand.
//!
//! Times are the best and the median of seven, on one thread. The goal is 150 ms beyond decoding and 150 MiB. What looking at a photo
//! takes whose name says nothing is said beside that: the goal is 15 ms beyond what measuring takes of the same.

use std::fs;
use std::path::Path;
use std::process::Command;
use std::sync::Arc;
use std::time::Duration;

use slitwatch::classify::{Decision, Outcome, Purpose};
use slitwatch::decode;
use slitwatch::lab::{self, Against, Examined, Lab, Origin, Scale};
use slitwatch::publish::files;
use slitwatch::publish::record::Provenance;
use slitwatch::settings;
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

/// A lamp and a sample of the demo's first bench, taken with a phone of twelve megapixels.
fn draw_photos(folder: &Path) {
    let phones = Phone::all();
    let phone = phones.iter().find(|p| p.width * p.height > 11_900_000);
    let phone = phone.expect("a phone of twelve megapixels");
    for (name, path) in [
        ("lamp.jpg", "heron/lamp-01.jpg"),
        ("sample.jpg", "heron/helium-sign.jpg"),
    ] {
        let class = evening::class();
        let planned = class.iter().find(|p| p.path == path).expect("planned");
        let mut shot = planned.shot.clone();
        shot.phone = phone.clone();
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
    let sample = fs::read(folder.join("sample.jpg")).expect("drawn");
    for (what, bytes, capture, scale) in [
        ("lamp", &lamp, Capture::Calibration, None),
        ("sample", &sample, Capture::Sample, Some(scale)),
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
        looks(&lab, what, bytes);
    }
    println!("most memory: {:.0} MiB after all", most_memory_mib());
}

/// What a look takes of a decoded photo, and what of it the search for a slate.
fn looks(lab: &Lab, what: &str, bytes: &[u8]) {
    let (facts, frame) = decode::decode(bytes, u64::MAX).expect("a photo");
    let mut rounds = [[Duration::ZERO; 2]; ROUNDS];
    let mut seen = String::new();
    for round in &mut rounds {
        let t0 = processor_time();
        let look = lab.look_of(&facts, &frame);
        let t1 = processor_time();
        let slate = slates::look(&frame);
        let t2 = processor_time();
        seen = format!("{:?}, {slate:?}", look.look);
        *round = [t1 - t0, t2 - t1];
    }
    for (of, part) in ["look", "slate's part of it"].into_iter().enumerate() {
        rounds.sort_by_key(|round| round[of]);
        let ms = |i: usize| 1000.0 * rounds[i][of].as_secs_f64();
        println!(
            "{what}: {part:<22} best {:6.1} ms, median {:6.1} ms ({seen})",
            ms(0),
            ms(ROUNDS / 2)
        );
    }
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
    let facts = decode::facts(bytes);
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
    let origin = Origin {
        photo: photo.to_owned(),
        facts: Arc::new(facts),
        decision: Arc::new(decision),
        provenance: Provenance::default(),
    };
    let against = Against {
        scale,
        ..Against::default()
    };
    let t2 = processor_time();
    let examined = lab.examine(&origin, Ok(decoded), &against);
    let t3 = processor_time();
    let m = &examined.measurement;
    let record = lab::record(&origin, &examined);
    let t4 = processor_time();
    let without = files::files(&record, m, None, None);
    let t5 = processor_time();
    let with = files::files(&record, m, None, examined.frame.as_ref());
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
