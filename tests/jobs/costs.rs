//! What an edit costs: a limit, a word, a rule and the instructor's table are judged anew by what was measured before, without
//! decoding a photo, and make byte for byte what a fresh sweep by the same settings makes.
//!
//! The photos are small drawings of the demo's, one bench's for every bench. `SLITWATCH_TERM=1` has 2400 of them.

use std::fs;
use std::path::PathBuf;
use std::sync::LazyLock;
use std::time::{Duration, Instant};

use slitwatch::publish::kept::MEASURED;
use slitwatch::run::Bell;
use slitwatch::simulate::{Phone, Shot, draw};

use crate::evening;
use crate::lab::{Lab, asked};
use crate::real::{Place, assert_same_tree, files_below, shipped, stderr, stdout};

/// The demo's pictures are so many times as wide. Of smaller ones the lamp is not known any more.
const TIMES_SMALLER: usize = 2;
/// Their height, px: what lies above and below the spectrum is left out.
const HEIGHT_PX: usize = 480;

/// A class of eight.
pub const BENCHES: [&str; 8] = [
    "heron",
    "dunlin",
    "avocet",
    "turnstone",
    "tern",
    "curlew",
    "plover",
    "godwit",
];

/// Photos of the demo's bench with a dilution series, by name, drawn small.
static DRAWN: LazyLock<Vec<(String, Vec<u8>)>> = LazyLock::new(|| {
    let planned = evening::class().into_iter();
    let mut planned: Vec<_> = planned
        .filter_map(|p| Some((p.path.strip_prefix("dunlin/")?.to_owned(), p.shot)))
        .filter(|(name, _)| name != "lamp-01-soft.jpg")
        .collect();
    planned.iter_mut().for_each(|(_, shot)| smaller(shot));
    std::thread::scope(|scope| {
        let draw = |(name, shot)| scope.spawn(move || (name, draw(&shot).jpeg));
        let drawing: Vec<_> = planned.into_iter().map(draw).collect();
        drawing
            .into_iter()
            .map(|d| d.join().expect("drawn"))
            .collect()
    })
});

/// Makes a photo's picture smaller.
pub fn smaller(shot: &mut Shot) {
    let phone = &shot.phone;
    shot.phone = Phone {
        width: phone.width / TIMES_SMALLER,
        height: HEIGHT_PX,
        focal_px: phone.focal_px / TIMES_SMALLER as f64,
        centre_offset_px: (0.0, 0.0),
        ..phone.clone()
    };
}

/// The same picture in other bytes: with a comment behind the mark that begins a JPEG.
fn told_apart(jpeg: &[u8], by: &str) -> Vec<u8> {
    let length = u16::try_from(by.len() + 2).expect("short").to_be_bytes();
    let (start, rest) = jpeg.split_at(2);
    [start, &[0xff, 0xfe], &length, by.as_bytes(), rest].concat()
}

/// The `k`th small drawn photo of a bench: its name, and its bytes, told apart by the folder that it is for.
pub fn drawn(k: usize, folder: &str) -> (String, Vec<u8>) {
    let (name, jpeg) = &DRAWN[k % DRAWN.len()];
    let name = match k / DRAWN.len() {
        0 => name.clone(),
        round => format!("{}-{round}-{k}.jpg", name.trim_end_matches(".jpg")),
    };
    let bytes = told_apart(jpeg, &format!("{folder}{name}"));
    (name, bytes)
}

/// A class with its settings, words and table beside it.
struct Class {
    place: Place,
    config: PathBuf,
}

impl Class {
    fn new(benches: &[&str], n_photos: usize) -> Class {
        let place = Place::new();
        for bench in benches {
            let is_dye = |drawn: &&(String, Vec<u8>)| drawn.0.starts_with("dye");
            let (dyes, others): (Vec<_>, Vec<_>) = DRAWN.iter().partition(is_dye);
            let solutions = dyes.iter().cycle();
            for (k, (name, jpeg)) in others.iter().chain(solutions).take(n_photos).enumerate() {
                let stem = name.trim_end_matches(".jpg");
                let photo = match k / DRAWN.len() {
                    0 => format!("{bench}/{name}"),
                    round => format!("{bench}/{stem}-{round}-{k}.jpg"),
                };
                place.put(&photo, &told_apart(jpeg, &photo));
            }
        }
        let config = place.path("lab.yaml");
        let class = Class { place, config };
        let settings = fs::read_to_string(shipped("config/lab.yaml")).expect("settings");
        let named = "\nwords: words.en.yaml\noverrides: overrides.csv\n";
        fs::write(&class.config, settings + named).expect("settings");
        let words = fs::read(shipped("config/words.en.yaml")).expect("words");
        fs::write(class.place.path("words.en.yaml"), words).expect("words");
        fs::write(
            class.place.path("overrides.csv"),
            "photo,verdict,label,by\n",
        )
        .expect("a table");
        // What was read so soon after it was written is not remembered, and `check` would not know of it.
        std::thread::sleep(Duration::from_millis(2100));
        class
    }

    /// The same in other folders: copies, so that no file is what it was to the system.
    fn carried(&self) -> Class {
        let place = Place::new();
        for name in files_below(&self.place.path("")) {
            let to = place.path(&name);
            fs::create_dir_all(to.parent().expect("a folder")).expect("a folder");
            fs::copy(self.place.path(&name), to).expect("a copy");
        }
        let config = place.path("lab.yaml");
        Class { place, config }
    }

    fn edit(&self, file: &str, from: &str, to: &str) {
        let path = self.place.path(file);
        let text = fs::read_to_string(&path).expect("a text");
        assert!(text.contains(from), "{file} has no {from:?}");
        fs::write(path, text.replacen(from, to, 1)).expect("an edit");
    }

    fn arguments<'a>(&'a self, command: &'a str) -> [&'a str; 3] {
        [command, "--config", self.config.to_str().expect("UTF-8")]
    }

    /// Sweeps; what was said, and how many photos were made, measured, judged again, and pictures decoded.
    fn sweep(&self) -> (String, [usize; 4]) {
        let output = self.place.run(&self.arguments("sweep"));
        let said = stderr(&output);
        assert!(output.status.success(), "{said}");
        let last = said.lines().last().unwrap_or_default();
        let counted = |after: &str| {
            let before = last.split(after).next().unwrap_or_default();
            let number = before.rsplit(' ').next().unwrap_or_default();
            number.parse().unwrap_or(0)
        };
        let what = [
            " made anew",
            " measured",
            " judged again",
            " pictures decoded",
        ];
        (said.clone(), what.map(counted))
    }

    /// Holds the tree against that of a fresh sweep by the same settings.
    fn assert_as_fresh(&self, when: &str) {
        let found = self.place.tree();
        let (results, aside) = (self.place.results(), self.place.path("aside"));
        fs::rename(&results, &aside).expect("set aside");
        let (_, [_, measured, judged, _]) = self.sweep();
        assert!(measured > 0 && judged == 0, "a fresh sweep measures");
        let fresh = self.place.tree();
        fs::remove_dir_all(&results).expect("the fresh one");
        fs::rename(&aside, &results).expect("put back");
        assert_same_tree(&found, &fresh, when);
    }
}

#[test]
fn an_edit_is_judged_again_without_decoding_a_photo_and_makes_what_a_fresh_sweep_makes() {
    let class = Class::new(&["heron", "dunlin", "avocet"], 10);
    let (_, [made, measured, judged, _]) = class.sweep();
    assert_eq!([made, measured, judged], [30, 30, 0]);
    assert_eq!(class.sweep().1, [0; 4], "nothing was edited");
    let verdict = |photo: &str| class.place.quality(photo)["verdict"].clone();

    // A limit that nothing keeps within.
    class.edit(
        "lab.yaml",
        "tilt_deg: {caution: 3.5",
        "tilt_deg: {caution: 0.0001",
    );
    let foretold = "has 30 photos to be judged again without being measured";
    let checked = stdout(&class.place.run(&class.arguments("check")));
    assert!(checked.contains(foretold), "{checked}");
    let (said, [made, measured, judged, decoded]) = class.sweep();
    assert_eq!([made, measured, judged, decoded], [30, 0, 30, 0], "{said}");
    assert!(
        said.contains("30 photos to be judged again without being measured"),
        "{said}"
    );
    assert_eq!(verdict("heron/lamp-02.jpg"), "caution");

    // A word of the advice. What was damaged or is gone meanwhile is made again with what is judged again.
    let result = |name: &str| class.place.path(&format!("results/heron/{name}"));
    fs::write(result("dye-2mg.jpg/spectrum.csv"), "nothing").expect("damaged");
    fs::remove_file(result("dye-4mg.jpg/spectrum.svg")).expect("removed");
    class.edit("words.en.yaml", "phone", "telephone");
    let (said, counts) = class.sweep();
    assert_eq!(counts, [30, 0, 30, 0], "{said}");

    // The table: a verdict, and a label.
    let rows =
        "photo,verdict,label,by\nheron/dye-2mg.jpg,retake,,Ada\ndunlin/dye-4mg.jpg,,tea,Ada\n";
    fs::write(class.place.path("overrides.csv"), rows).expect("a table");
    let (said, counts) = class.sweep();
    assert_eq!(counts, [2, 0, 2, 0], "{said}");
    assert_eq!(verdict("heron/dye-2mg.jpg"), "retake");

    // A rule that leaves one photo alone, and one that names another anew.
    let rules = "rules:\n  - {name: spilt, path: 'avocet/dye-2mg.jpg', then: {ignore: 'spilt'}}\n\
                 \x20 - {name: tea, path: 'avocet/lamp-02.jpg', then: {capture: calibration, lamp: fluorescent, label: tea}}\n";
    class.edit("lab.yaml", "rules:\n", rules);
    let (said, [made, measured, _, decoded]) = class.sweep();
    assert_eq!([made, measured, decoded], [2, 0, 0], "{said}");
    assert_eq!(verdict("avocet/dye-2mg.jpg"), "ignored");
    class.assert_as_fresh("after a limit, a word, two rows and two rules");

    // Carried to another machine: other folders, other files, other times of change.
    let elsewhere = class.carried();
    assert_eq!(elsewhere.sweep().1, [0; 4], "after it was carried away");
    elsewhere.edit(
        "lab.yaml",
        "skew_deg: {caution: 2",
        "skew_deg: {caution: 1.5",
    );
    let (said, [_, measured, _, decoded]) = elsewhere.sweep();
    assert_eq!([measured, decoded], [0, 0], "{said}");
}

/// What a blank says of its samples is told from what their own pictures show.
#[test]
fn a_blank_that_goes_comes_or_is_to_be_taken_again_costs_its_samples_no_second_look() {
    let class = Class::new(&["heron", "dunlin"], 10);
    class.sweep();
    let photo = class.place.path("inbox/heron/blank-01.jpg");
    let bytes = fs::read(&photo).expect("a blank");
    let samples = || {
        class.place.tree().into_iter().filter(|(name, bytes)| {
            let of_blank = b"blank-01.jpg".as_slice();
            let names_it = bytes.windows(of_blank.len()).any(|at| at == of_blank);
            name.starts_with("heron/dye") && name.ends_with("quality.json") && names_it
        })
    };
    let n_compared = samples().count();
    assert!(n_compared > 4, "{n_compared} samples have the blank");

    fs::remove_file(&photo).expect("taken away");
    let (said, [_, measured, judged, decoded]) = class.sweep();
    assert_eq!([measured, judged, decoded], [0, n_compared, 0], "{said}");
    assert_eq!(samples().count(), 0);
    class.assert_as_fresh("without its blank");

    // Once for its own results, and once on the scale of the samples.
    fs::write(&photo, &bytes).expect("brought back");
    let (said, [_, measured, _, decoded]) = class.sweep();
    assert_eq!([measured, decoded], [1, 2], "{said}");
    assert_eq!(samples().count(), n_compared);
    class.assert_as_fresh("with its blank again");

    // A person has it taken again.
    let rows = "photo,verdict,label,by\nheron/blank-01.jpg,retake,,Ada\n";
    fs::write(class.place.path("overrides.csv"), rows).expect("a table");
    let (said, [_, measured, _, decoded]) = class.sweep();
    assert_eq!([measured, decoded], [0, 0], "{said}");
    class.assert_as_fresh("with a blank that is to be taken again");
}

/// With photos that are a few bytes long, and what a version or damage does to what was kept of them.
#[test]
fn another_version_measures_again_and_says_so_and_so_does_damage_to_what_was_kept() {
    let lab = Lab::new();
    for photo in [
        "heron/lamp-01.jpg",
        "heron/quay-01.jpg",
        "dunlin/quay-01.jpg",
    ] {
        lab.put(photo, "taken=10:00 light=3");
    }
    lab.sweep();
    let sweep = |configuration: &str, version: &str| {
        let mut setup = lab.setup();
        configuration.clone_into(&mut setup.orders.configuration_hash);
        version.clone_into(&mut setup.orders.version);
        let report = slitwatch::run::sweep(setup, Bell::new().1).expect("a sweep");
        (report.n_measured, report.n_judged)
    };
    let own = lab.orders().version;
    assert_eq!(sweep("another", &own), (0, 3), "another configuration");
    assert_eq!(sweep("another", "0.0.1"), (3, 0), "another version");
    assert_eq!(sweep("another", "0.0.1"), (0, 0), "the same");
    let kept = |photo: &str| lab.results().join(photo).join(MEASURED);
    let mut bytes = fs::read(kept("heron/quay-01.jpg")).expect("kept");
    *bytes.last_mut().expect("some") ^= 1;
    fs::write(kept("heron/quay-01.jpg"), bytes).expect("damaged");
    fs::remove_file(kept("dunlin/quay-01.jpg")).expect("removed");
    assert_eq!(
        sweep("a third", "0.0.1"),
        (2, 1),
        "one damaged, one deleted"
    );
    assert_eq!(sweep("a fourth", "0.0.1"), (0, 3), "mended");
}

/// Processor time that the programs that were run so far have used (children that have ended).
fn children_used() -> Duration {
    let text = fs::read_to_string("/proc/self/stat").expect("/proc");
    // proc(5): cutime and cstime are the 16th and 17th field, in hundredths of a second; the second may have spaces in it.
    let behind = text.rsplit(") ").next().unwrap_or_default();
    let fields = behind.split(' ').skip(13).take(2);
    let hundredths: u64 = fields.filter_map(|f| f.parse::<u64>().ok()).sum();
    Duration::from_millis(10 * hundredths)
}

/// As many photos as a term has: 2400, with `SLITWATCH_TERM` alone.
#[test]
fn one_limit_edited_over_a_term_takes_seconds() {
    let is_long = asked("SLITWATCH_TERM").is_some();
    if !is_long {
        eprintln!("skipped: SLITWATCH_TERM=1 has 2400 photos judged again");
        return;
    }
    let began = Instant::now();
    let class = Class::new(&BENCHES, 300);
    eprintln!("drawn in {:.0?}", began.elapsed());
    let began = Instant::now();
    let (_, [n, ..]) = class.sweep();
    eprintln!("{n} photos swept in {:.0?}", began.elapsed());
    assert!(n >= 2400, "{n}");
    class.edit(
        "lab.yaml",
        "skew_deg: {caution: 2",
        "skew_deg: {caution: 1.5",
    );
    let checked = stdout(&class.place.run(&class.arguments("check")));
    let foretold = format!("ok: the next sweep or watch has {n} photos to be judged again");
    assert!(checked.contains(&foretold), "{checked}");
    let timed = |what: &str| {
        let began = (Instant::now(), children_used());
        let (said, counts) = class.sweep();
        let took = began.0.elapsed();
        let used = children_used() - began.1;
        eprintln!("{what}: {counts:?} in {took:.2?}, {used:.2?} of processor time");
        assert!(took < Duration::from_secs(10), "{took:?}");
        (said, counts)
    };
    for (from, to) in [("1.5", "1.6"), ("1.6", "1.7")] {
        let (said, counts) = timed("one limit");
        assert_eq!(counts, [n, 0, n, 0], "{said}");
        let limit = |degrees: &str| format!("skew_deg: {{caution: {degrees}");
        class.edit("lab.yaml", &limit(from), &limit(to));
    }
    timed("a third limit");
    let row = "photo,verdict,label,by\nheron/dye-2mg.jpg,retake,,Ada\n";
    fs::write(class.place.path("overrides.csv"), row).expect("a table");
    let (said, counts) = timed("one override");
    assert_eq!(counts, [1, 0, 1, 0], "{said}");
    assert_eq!(timed("nothing").1, [0; 4]);
}
