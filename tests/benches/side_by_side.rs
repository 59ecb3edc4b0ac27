//! The whole job beside what is known: the program with its files on the disk, bare decoding by libjpeg-turbo's `djpeg`, and a
//! practitioner's script (`tests/benches/script.py`), over the same 24 photos of twelve megapixels of three benches, in one run.
//!
//! Goals: at most 2.5 times the processor time of `djpeg`, 8 times faster than the script by the clock, 120 MiB for one photo, and 1.9 times
//! faster with two workers. What is not installed is left out, and said: `djpeg` (Debian: libjpeg-turbo-progs), and numpy, Pillow, SciPy
//! and matplotlib for the script's `PYTHON` (`python3` otherwise). Times are the best of `ROUNDS` (3 otherwise). Processor time is what
//! the system counts of the processes (user and system, all threads); the clock tells something only on a machine that does nothing else.
//!
//! `SLITWATCH=FILE` measures another build of the program, `PHOTOS=FOLDER` another inbox. `--draw` draws the photos and ends.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use jiff::ToSpan;
use jiff::civil::date;
use slitwatch::simulate::light::Dye;
use slitwatch::simulate::{
    Exposure, Instrument, Light, Nuisance, Phone, Pose, Reality, Scene, Shot, Source, draw,
};

/// Best of so many.
const ROUNDS: usize = 3;

/// What a process took.
#[derive(Clone, Copy, Default)]
struct Cost {
    processor: Duration,
    clock: Duration,
    most_mib: f64,
}

fn main() {
    let drawn = Path::new(env!("CARGO_TARGET_TMPDIR")).join("side-by-side");
    let inbox = std::env::var_os("PHOTOS").map_or(drawn, PathBuf::from);
    if !inbox.is_dir() {
        draw_class(&inbox);
    }
    if std::env::args().any(|argument| argument == "--draw") {
        return;
    }
    let photos = photos_below(&inbox);
    let bytes: u64 = photos
        .iter()
        .map(|path| fs::metadata(path).expect("a photo").len())
        .sum();
    println!(
        "{} photos, {:.1} MB each; others keep {} of this machine's processors busy",
        photos.len(),
        bytes as f64 / 1e6 / photos.len().max(1) as f64,
        load()
    );
    let one = best(|| sweep(&inbox, 1));
    let two = best(|| sweep(&inbox, 2));
    let single = tempfile::tempdir().expect("a folder");
    fs::create_dir(single.path().join("heron")).expect("a folder");
    let lamp = photos.iter().find(|path| path.ends_with("lamp-01.jpg"));
    fs::copy(
        lamp.unwrap_or(&photos[0]),
        single.path().join("heron/lamp-01.jpg"),
    )
    .expect("a copy");
    let alone = sweep(single.path(), 1);
    say("slitwatch, one worker", one);
    say("slitwatch, two workers", two);
    println!("slitwatch, one photo alone: {:.0} MiB", alone.most_mib);

    let djpeg = is_there("djpeg", &["-version"]).then(|| best(|| all_by_djpeg(&photos)));
    let python = std::env::var("PYTHON").unwrap_or_else(|_| "python3".to_owned());
    let needs = "import numpy, scipy, PIL, matplotlib";
    let script = is_there(&python, &["-c", needs]).then(|| best(|| by_script(&python, &inbox)));

    let times = |a: Duration, b: Duration| a.as_secs_f64() / b.as_secs_f64();
    match djpeg {
        Some(djpeg) => {
            say("djpeg", djpeg);
            println!(
                "RATIO processor time of djpeg: {:.2} (goal: at most 2.5)",
                times(one.processor, djpeg.processor)
            );
        }
        None => println!("LEFT OUT: djpeg is not installed"),
    }
    match script {
        Some(script) => {
            say("the script", script);
            println!(
                "RATIO faster than the script by the clock: {:.1} with two workers, {:.1} with one (goal: 8); by processor time {:.1}",
                times(script.clock, two.clock),
                times(script.clock, one.clock),
                times(script.processor, one.processor)
            );
        }
        None => println!("LEFT OUT: {python} lacks numpy, SciPy, Pillow or matplotlib"),
    }
    println!(
        "RATIO memory of one photo alone: {:.0} MiB (goal: at most 120)",
        alone.most_mib
    );
    println!(
        "RATIO faster with two workers: {:.2} by the clock (goal: 1.9), for {:.2} times the processor time",
        times(one.clock, two.clock),
        times(two.processor, one.processor)
    );
}

fn say(what: &str, cost: Cost) {
    println!(
        "{what}: {:.2} s of processor time, {:.2} s by the clock, {:.0} MiB",
        cost.processor.as_secs_f64(),
        cost.clock.as_secs_f64(),
        cost.most_mib
    );
}

/// The least of each figure, for whatever else a machine does only adds to them.
fn best(mut run: impl FnMut() -> Cost) -> Cost {
    let rounds = std::env::var("ROUNDS").ok().and_then(|n| n.parse().ok());
    let costs: Vec<Cost> = (0..rounds.unwrap_or(ROUNDS).max(1))
        .map(|_| run())
        .collect();
    let least = |of: &dyn Fn(&Cost) -> Duration| costs.iter().map(of).min().unwrap_or_default();
    Cost {
        processor: least(&|cost| cost.processor),
        clock: least(&|cost| cost.clock),
        most_mib: costs.iter().map(|c| c.most_mib).fold(0.0, f64::max),
    }
}

/// The class from its photos to its board.
fn sweep(inbox: &Path, workers: usize) -> Cost {
    let results = tempfile::tempdir().expect("a folder");
    let program = std::env::var_os("SLITWATCH");
    let mut command = Command::new(program.unwrap_or(env!("CARGO_BIN_EXE_slitwatch").into()));
    command.args(["sweep", "-q", "-q", "--config"]);
    command.arg(Path::new(env!("CARGO_MANIFEST_DIR")).join("config/lab.yaml"));
    command.arg("--inbox").arg(inbox);
    command.arg("--results").arg(results.path());
    command.args(["--workers", &workers.to_string()]);
    let cost = weighed(&mut command);
    assert!(results.path().join("board.html").is_file(), "no board");
    cost
}

/// One process a photo, as a shell's loop has.
fn all_by_djpeg(photos: &[PathBuf]) -> Cost {
    let each = photos.iter().map(|photo| {
        let mut command = Command::new("djpeg");
        command.args(["-outfile", "/dev/null"]).arg(photo);
        weighed(&mut command)
    });
    each.fold(Cost::default(), |sum, one| Cost {
        processor: sum.processor + one.processor,
        clock: sum.clock + one.clock,
        most_mib: sum.most_mib.max(one.most_mib),
    })
}

fn by_script(python: &str, inbox: &Path) -> Cost {
    let results = tempfile::tempdir().expect("a folder");
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/benches/script.py");
    weighed(
        Command::new(python)
            .arg(script)
            .arg(inbox)
            .arg(results.path()),
    )
}

fn weighed(command: &mut Command) -> Cost {
    let (before, began) = (ended_children(), Instant::now());
    let mut child = command
        .stdout(Stdio::null())
        .stderr(Stdio::inherit())
        .spawn()
        .expect("a process");
    let status = format!("/proc/{}/status", child.id());
    // The mark never falls: the last look before the end is the highest. Looks are rare, for they take time themselves.
    let mut most_kib = 0.0f64;
    let ended = loop {
        let text = fs::read_to_string(&status).unwrap_or_default();
        let mark = text.lines().find_map(|line| line.strip_prefix("VmHWM:"));
        let kib = mark.and_then(|text| text.split_whitespace().next()?.parse::<f64>().ok());
        most_kib = most_kib.max(kib.unwrap_or(0.0));
        if let Some(ended) = child.try_wait().expect("a child") {
            break ended;
        }
        std::thread::sleep(Duration::from_millis(5));
    };
    assert!(ended.success(), "{command:?}: {ended}");
    Cost {
        clock: began.elapsed(),
        processor: ended_children() - before,
        most_mib: most_kib / 1024.0,
    }
}

/// Processor time of all processes that this one has started and that have ended: proc_pid_stat(5), the 14th and 15th field after the
/// name, in ticks of a hundredth of a second.
fn ended_children() -> Duration {
    let stat = fs::read_to_string("/proc/self/stat").expect("Linux");
    let after_name = stat.rsplit_once(')').expect("a name").1;
    let ticks = after_name.split_whitespace().skip(13).take(2);
    let ticks: u64 = ticks.map(|n| n.parse::<u64>().expect("ticks")).sum();
    Duration::from_millis(10 * ticks)
}

/// How many processes wanted to run in the last minute: proc_loadavg(5).
fn load() -> String {
    let text = fs::read_to_string("/proc/loadavg").unwrap_or_default();
    text.split_whitespace().next().unwrap_or("?").to_owned()
}

fn is_there(program: &str, arguments: &[&str]) -> bool {
    let mut command = Command::new(program);
    command
        .args(arguments)
        .stdin(Stdio::null())
        .stdout(Stdio::null());
    let status = command.stderr(Stdio::null()).status();
    status.is_ok_and(|status| status.success())
}

fn photos_below(inbox: &Path) -> Vec<PathBuf> {
    let mut photos = Vec::new();
    for bench in fs::read_dir(inbox).expect("an inbox") {
        let bench = bench.expect("a folder").path();
        let entries = fs::read_dir(&bench).expect("a bench's folder");
        photos.extend(entries.map(|entry| entry.expect("a photo").path()));
    }
    photos.sort();
    assert!(!photos.is_empty(), "no photo in {}", inbox.display());
    photos
}

/// Three benches of eight photos each, with phones of twelve megapixels: two look at lamps, one measures a dye beside its blank.
fn draw_class(inbox: &Path) {
    let phones = Phone::all();
    let large: Vec<&Phone> = phones
        .iter()
        .filter(|p| p.width * p.height > 11_900_000)
        .collect();
    let dim = |source, variety, brightness| Light {
        brightness,
        ..Light::of(source, variety)
    };
    let lamp = || ("lamp-01", Light::of(Source::TriPhosphor, 5));
    let lamps = || {
        vec![
            lamp(),
            ("quay-sodium", dim(Source::Sodium, 2, 0.7)),
            ("helium-sign", dim(Source::Helium, 3, 0.3)),
            ("neon-sign", dim(Source::Neon, 4, 0.9)),
            ("tank-germicidal", dim(Source::Mercury, 6, 0.5)),
            ("harbour-led", dim(Source::WhiteLed(3000.0), 7, 9.0)),
            ("kiosk-halogen", dim(Source::Tungsten(2950.0), 9, 14.0)),
            ("pier-lamp", dim(Source::Halophosphate, 12, 4.0)),
        ]
    };
    let bench_led = dim(Source::WhiteLed(4500.0), 10, 10.0);
    let dye = |mg| bench_led.through(Dye::Red, mg);
    let dyes = vec![
        lamp(),
        ("blank-01", bench_led.clone()),
        ("dye-1mg", dye(1.0)),
        ("dye-2mg", dye(2.0)),
        ("dye-4mg", dye(4.0)),
        ("dye-6mg", dye(6.0)),
        ("dye-8mg", dye(8.0)),
        ("dye-unknown", dye(4.9)),
    ];
    let benches = [
        ("heron", large[0], 1, lamps()),
        ("dunlin", large[1], 6, dyes),
        ("avocet", large[large.len() - 1], 1, lamps()),
    ];
    // Drawn beside its place, so that what was broken off is not taken for a class.
    let beside = inbox.with_extension("drawing");
    let mut seed = 0;
    for (name, phone, orientation, photos) in benches {
        fs::create_dir_all(beside.join(name)).expect("a folder");
        for (label, light) in photos {
            seed += 1;
            let shot = Shot {
                seed,
                taken: date(2026, 11, 12)
                    .at(19, 0, 0, 0)
                    .saturating_add((180 * seed as i64).seconds()),
                phone: phone.clone(),
                instrument: Instrument::sound(u64::from(orientation)),
                pose: Pose {
                    roll_deg: 0.1 * (seed % 7) as f64 - 0.3,
                    yaw_deg: 0.05 * (seed % 5) as f64 - 0.1,
                    pitch_deg: 0.1 * (seed % 3) as f64 - 0.1,
                },
                light,
                scene: Scene::Slit,
                exposure: Exposure::Metered(0.75),
                orientation,
                jpeg_quality: 90,
                reality: Reality::ideal(),
                nuisance: Nuisance::ALL,
                faults: Vec::new(),
            };
            let file = beside.join(name).join(format!("{label}.jpg"));
            fs::write(file, draw(&shot.as_it_is(1)).jpeg).expect("a place for it");
        }
    }
    fs::rename(&beside, inbox).expect("one disk");
}
