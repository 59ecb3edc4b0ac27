//! Twenty classes that nobody tunes on: real discs, eight benches each, pooled. A figure that falls short is mended in the model, and
//! the class that showed it is looked at on another seed.

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;

use serde_json::Value;
use slitwatch::run::rehearse::{Discs, Names, Play, TruePhoto, rehearse};
use slitwatch::run::{Bell, Worker};
use slitwatch::settings;
use slitwatch::simulate::score::{LineError, Score, quantile};
use slitwatch::terms::Estimate;

use super::lab::asked;

/// The classes: 410 009 + 7919 n, taken without a look at any of them. (Those from 9109 on have been looked at.)
const SEEDS: [u64; 20] = {
    let mut seeds = [0; 20];
    let mut i = 0;
    while i < 20 {
        seeds[i] = 410_009 + 7919 * i as u64;
        i += 1;
    }
    seeds
};
const BENCHES: usize = 8;
/// Photos of a class: two lamps and half a dozen samples a bench.
const PHOTOS: usize = 64;
/// Sensors lose the red from here on, nm, and lamps have no line beyond.
const RED_NM: f64 = 600.0;
/// A scale that is wrong by more, nm, is no good one.
const WRONG_NM: f64 = 1.0;

/// What all classes come to.
#[derive(Default)]
struct Pooled {
    classes: Vec<Score>,
    /// True width of each sound photo's slit, µm, and what was said of it.
    slits: Vec<(f64, Estimate)>,
    /// Sound photos without a width.
    without_width: usize,
    /// True and pooled width of each bench, µm.
    benches: Vec<(f64, f64)>,
}

#[test]
fn classes_that_nobody_has_looked_at_keep_the_stated_limits() {
    let Some(n) = asked("SLITWATCH_FROZEN") else {
        println!("skipped: SLITWATCH_FROZEN=20 plays as many classes, several minutes each");
        return;
    };
    let config = Path::new(env!("CARGO_MANIFEST_DIR")).join("config/lab.yaml");
    let mut pooled = Pooled::default();
    for seed in SEEDS.into_iter().take(n as usize) {
        let folder = tempfile::tempdir().unwrap();
        let play = Play {
            n_benches: BENCHES,
            n_photos: PHOTOS,
            seed,
            discs: Discs::Real,
            names: Names::Plain,
            folder: folder.path().to_owned(),
        };
        let worker = Worker::new(settings::load(&config).unwrap());
        let (score, table) = rehearse(worker, &play, None, Bell::new().1, None).unwrap();
        println!("class {seed}\n{table}");
        pooled.read(folder.path());
        pooled.classes.push(score);
    }
    let failed: Vec<String> = pooled.limits().into_iter().filter_map(told).collect();
    assert!(failed.is_empty(), "{failed:#?}");
}

/// Prints a figure beside its limit, and returns it where the limit is not kept.
fn told((what, figure, kept): (&str, String, bool)) -> Option<String> {
    let line = format!(
        "{} {what}: {figure}",
        if kept { "kept  " } else { "FAILED" }
    );
    println!("{line}");
    (!kept).then_some(line)
}

fn json(path: &Path) -> Option<Value> {
    serde_json::from_slice(&fs::read(path).ok()?).ok()
}

/// Shares of errors within one and two stated uncertainties.
fn coverage(errors: impl Iterator<Item = Estimate> + Clone) -> (f64, f64) {
    let all = errors.clone().count().max(1) as f64;
    let within = |n: f64| {
        let inside = errors.clone().filter(|e| e.value.abs() < n * e.sigma);
        inside.count() as f64 / all
    };
    (within(1.0), within(2.0))
}

impl Pooled {
    /// Takes down the slits' widths of a class from its published files.
    fn read(&mut self, folder: &Path) {
        let truths: Vec<TruePhoto> =
            serde_json::from_slice(&fs::read(folder.join("truth.json")).unwrap()).unwrap();
        let results = folder.join("results");
        let mut by_bench: BTreeMap<String, f64> = BTreeMap::new();
        for photo in truths
            .iter()
            .filter(|t| t.truth.faults.is_empty() && t.truth.has_spectrum)
        {
            let truth_um = photo.truth.slit_width_um;
            let quality = json(&results.join(&photo.photo).join("quality.json"));
            let metric = |key: &str| quality.as_ref()?["metrics"][key].as_f64();
            match metric("slit_width_um").zip(metric("slit_width_um_sigma")) {
                Some((um, sigma)) => self.slits.push((truth_um, Estimate::new(um, sigma))),
                None => self.without_width += 1,
            }
            if let Some((bench, _)) = photo.photo.split_once('/') {
                by_bench.insert(bench.to_owned(), truth_um);
            }
        }
        for (bench, truth_um) in by_bench {
            let calibration = json(&results.join(bench).join("calibration.json"));
            if let Some(um) = calibration.and_then(|c| c["slit"]["width_um"].as_f64()) {
                self.benches.push((truth_um, um));
            }
        }
    }

    fn lines(&self) -> impl Iterator<Item = &LineError> + Clone {
        let all = self.classes.iter().flat_map(|c| &c.lines);
        all.filter(|line| line.is_of_other_lamp)
    }

    /// What is stated, the figure, and whether it holds.
    fn limits(&self) -> Vec<(&'static str, String, bool)> {
        let mut limits = self.of_verdicts();
        limits.extend(self.of_wavelengths());
        limits.extend(self.of_slits());
        limits
    }

    fn of_verdicts(&self) -> Vec<(&'static str, String, bool)> {
        let classes = || self.classes.iter();
        let sound: usize = classes().map(|c| c.n_sound).sum();
        let refused: Vec<String> = classes()
            .flat_map(|c| &c.invented)
            .map(|i| format!("{} {}", i.photo, i.code))
            .collect();
        let missed = |is_gross: bool| {
            let planted = classes().flat_map(|c| &c.planted);
            let all: Vec<_> = planted.filter(|p| p.is_gross() == is_gross).collect();
            (all.iter().filter(|p| !p.caught).count(), all.len())
        };
        let (gross, moderate) = (missed(true), missed(false));
        let planted = || classes().flat_map(|c| &c.planted);
        let named = planted().filter(|p| p.named.is_some()).count();
        let n_planted = planted().count();
        let scales = classes().flat_map(|c| &c.scales);
        let wrong = scales.filter(|s| s.verdict == "good" && s.median_error_nm.abs() > WRONG_NM);
        let wrong = wrong.count();
        vec![
            (
                "no sound photo is called retake",
                format!("of {sound}: {refused:?}"),
                refused.is_empty(),
            ),
            (
                "no gross fault is missed",
                format!("{} of {}", gross.0, gross.1),
                gross.0 == 0,
            ),
            (
                "at most 5 % of moderate faults are missed",
                format!("{} of {}", moderate.0, moderate.1),
                20 * moderate.0 <= moderate.1,
            ),
            (
                "95 % of the faults are named",
                format!("{named} of {n_planted}"),
                20 * named >= 19 * n_planted,
            ),
            (
                "no scale wrong by 1 nm is good",
                format!("{wrong}"),
                wrong == 0,
            ),
        ]
    }

    fn of_wavelengths(&self) -> Vec<(&'static str, String, bool)> {
        let errors: Vec<f64> = self.lines().filter_map(|l| l.in_spectrum_nm).collect();
        let sizes: Vec<f64> = errors.iter().map(|e| e.abs()).collect();
        let at = |share: f64| quantile(&sizes, share).unwrap_or(f64::NAN);
        let (median, most) = (at(0.5), at(0.95));
        let lost = self
            .lines()
            .filter(|l| l.is_strong && l.in_spectrum_nm.is_none())
            .count();
        let red: Vec<f64> = self
            .lines()
            .filter(|l| l.wavelength_nm > RED_NM)
            .filter_map(|l| l.in_spectrum_nm)
            .collect();
        let red_nm = red.iter().sum::<f64>() / red.len().max(1) as f64;
        let (one, two) = coverage(self.lines().filter_map(|l| l.in_peaks_nm));
        vec![
            ("no strong line is lost", format!("{lost}"), lost == 0),
            (
                "other lamps' lines: median within 0.06 nm",
                format!("{median:.3} nm of {}", sizes.len()),
                median <= 0.06,
            ),
            (
                "other lamps' lines: 95 % within 0.25 nm",
                format!("{most:.3} nm"),
                most <= 0.25,
            ),
            (
                "beyond 600 nm without bias: mean within 0.05 nm",
                format!("{red_nm:.3} nm of {}", red.len()),
                red_nm.abs() <= 0.05,
            ),
            (
                "60 to 76 % within one stated uncertainty",
                format!("{one:.2}"),
                (0.60..=0.76).contains(&one),
            ),
            ("93 % within two", format!("{two:.2}"), two >= 0.93),
        ]
    }

    fn of_slits(&self) -> Vec<(&'static str, String, bool)> {
        let errors = self
            .slits
            .iter()
            .map(|(truth, e)| Estimate::new(e.value - truth, e.sigma));
        let (one, two) = coverage(errors);
        let off = |said: f64, truth: f64| (said / truth).ln().abs();
        let shares: Vec<f64> = self
            .slits
            .iter()
            .map(|(truth, e)| off(e.value, *truth))
            .collect();
        let typical = quantile(&shares, 0.5).unwrap_or(f64::NAN);
        // The constant that is least wrong in the median, in steps of 2 %.
        let guess = (0..250)
            .map(|i| 20.0 * 1.02f64.powi(i))
            .map(|um| {
                let off: Vec<f64> = self
                    .slits
                    .iter()
                    .map(|(truth, _)| off(um, *truth))
                    .collect();
                quantile(&off, 0.5).unwrap_or(f64::NAN)
            })
            .fold(f64::INFINITY, f64::min);
        let pooled = |from_um: f64| {
            let wide = self.benches.iter().filter(|(truth, _)| *truth > from_um);
            let off: Vec<f64> = wide.map(|(truth, um)| (um / truth - 1.0).abs()).collect();
            (quantile(&off, 0.5).unwrap_or(0.0), off.len())
        };
        let ((all, n), (wide, n_wide)) = (pooled(0.0), pooled(300.0));
        vec![
            (
                "every sound photo has a slit's width",
                format!("{} have none", self.without_width),
                self.without_width == 0,
            ),
            (
                "slits: 60 to 76 % within one stated uncertainty",
                format!("{one:.2}"),
                (0.60..=0.76).contains(&one),
            ),
            ("slits: 93 % within two", format!("{two:.2}"), two >= 0.93),
            (
                "slits: better than the best constant guess",
                format!("ln {typical:.3}, guess {guess:.3}"),
                typical < guess,
            ),
            (
                "a bench's width within 15 % in the median",
                format!("{all:.3} of {n}"),
                all <= 0.15,
            ),
            (
                "…within 10 % above 300 µm",
                format!("{wide:.3} of {n_wide}"),
                wide <= 0.10,
            ),
        ]
    }
}
