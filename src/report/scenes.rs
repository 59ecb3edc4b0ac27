//! Brackets: a phone's tone curve beside sRGB's (`tone.csv`), and the exposures of one scene joined to a spectrum beyond one
//! photo's range (`joined.csv`, and in `brackets.csv` how), which is compared with the bench's blank as a photo is. From records and published spectra; the arithmetic is that of
//! `answers`.

use std::collections::{BTreeMap, BTreeSet};

use jiff::civil::DateTime;

use super::dictionary;
use super::shown::{Shown, by_path};
use super::whose::Whose;
use crate::answers::Refusal;
use crate::answers::absorb::{
    HELD_ANEW, KNOWN_TONE, Likeness, Link, UNKNOWN_TONE, absorbance, likeness,
};
use crate::answers::blanks::{Blank, mean_blank};
use crate::answers::bracket::{Curve, Level, curve, levels_of};
use crate::answers::join::{self, Joined, join};
use crate::publish::files::table::{Row, Table};
use crate::publish::files::tables::read_spectrum;
use crate::publish::numbers;
use crate::publish::record::Record;
use crate::terms::{AbsorbanceRow, Capture, Estimate, REPEATED_WITHIN_S, SAME_EXPOSURE, Spectrum};

/// Group of a rule that tells the scenes of several brackets apart.
const SCENE: &str = "scene";

/// What a joined spectrum absorbs beside the bench's blank.
pub struct Absorbed<'a> {
    /// The photos of the blank.
    pub blanks: Vec<&'a str>,
    /// True where that was not exposed like the longest shot.
    pub exposures_differ: bool,
    /// An entry per row of the joined spectrum.
    pub rows: Vec<AbsorbanceRow>,
}

/// Exposures of one scene.
pub struct Scene<'a> {
    /// The rule's group `scene`, or empty.
    pub name: &'a str,
    /// Photo and exposure (time × ISO / 100, s), by path.
    pub shots: Vec<(&'a str, f64)>,
    /// Their records, by path.
    pub records: Vec<&'a Record>,
    /// That of the longest of them.
    pub longest: &'a Record,
    /// What they come to.
    pub joined: Result<Joined, Refusal>,
    /// What that absorbs, or why nothing can be said of it.
    pub absorbed: Result<Absorbed<'a>, Refusal>,
}

/// A bench's brackets.
pub struct Brackets<'a> {
    /// The bench.
    pub bench: &'a str,
    /// The phone's tone curve, or why there is none and sRGB's is used.
    pub curve: Result<Curve, Refusal>,
    /// Its scenes by name.
    pub scenes: Vec<Scene<'a>>,
}

/// Every scene with its bench.
pub fn each_scene<'s, 'a>(
    all: &'s [Brackets<'a>],
) -> impl Iterator<Item = (&'a str, &'s Scene<'a>)> {
    all.iter()
        .flat_map(|b| b.scenes.iter().map(|scene| (b.bench, scene)))
}

/// A photo, its exposure and its spectrum.
type Exposed<'a> = (&'a Record, f64, Spectrum);

/// What a bench has photographed: the shots of its scenes, and its blanks.
#[derive(Default)]
struct Shots<'a> {
    scenes: BTreeMap<&'a str, Vec<Exposed<'a>>>,
    blanks: Vec<Exposed<'a>>,
}

/// The brackets of every bench that has photographed one on a calibrated scale. `fetch` gives a photo's `spectrum.csv`.
///
/// Whatever their verdicts, for shots of a bracket are over-exposed and dim on purpose; those that do not say how they were
/// exposed take no part. A joined spectrum is compared with the bench's last usable blank before the longest exposure, or else the first
/// after it, and that one's repeats.
pub fn of_class<'a>(
    photos: &[Shown<'a>],
    mut fetch: impl FnMut(&Shown<'a>) -> Option<Vec<u8>>,
) -> Vec<Brackets<'a>> {
    let mut benches: BTreeMap<&str, Shots<'a>> = BTreeMap::new();
    let by_path = by_path(photos);
    let with_brackets: BTreeSet<&str> = by_path
        .iter()
        .filter(|s| s.record.capture == Some(Capture::Bracket) && s.record.is_calibrated())
        .map(|s| s.record.bench.as_str())
        .collect();
    for shown in by_path {
        let r = shown.record;
        let is_blank = r.capture == Some(Capture::Blank) && r.is_usable();
        let takes_part = is_blank || r.capture == Some(Capture::Bracket);
        if !(takes_part && r.is_calibrated() && with_brackets.contains(r.bench.as_str())) {
            continue;
        }
        let spectrum = fetch(&shown).and_then(|csv| read_spectrum(&csv).ok());
        let (Some(spectrum), Some(exposure)) = (spectrum, r.exposure()) else {
            continue;
        };
        let bench = benches.entry(&r.bench).or_default();
        if is_blank {
            bench.blanks.push((r, exposure, spectrum));
            continue;
        }
        let scene = r.groups.get(SCENE).map_or("", String::as_str);
        let shots = bench.scenes.entry(scene).or_default();
        shots.push((r, exposure, spectrum));
    }
    benches.retain(|_, shots| !shots.scenes.is_empty());
    benches
        .into_iter()
        .map(|(bench, shots)| evaluate(bench, shots))
        .collect()
}

fn evaluate<'a>(bench: &'a str, shots: Shots<'a>) -> Brackets<'a> {
    let Shots { scenes, blanks } = shots;
    let mut levels: Vec<Level> = Vec::new();
    let mut exposures = Vec::new();
    for (i, shots) in scenes.values().enumerate() {
        for (_, exposure, spectrum) in shots {
            levels.extend(levels_of(spectrum, i, exposures.len()));
            exposures.push(*exposure);
        }
    }
    let curve = curve(&levels, &exposures);
    let tone_share = match curve {
        Ok(_) => KNOWN_TONE,
        Err(_) => UNKNOWN_TONE,
    };
    let scenes = scenes
        .into_iter()
        .map(|(name, shots)| {
            let spectra: Vec<Spectrum> = shots
                .iter()
                .map(|(_, _, s)| match &curve {
                    Ok(curve) => curve.retoned(s),
                    Err(_) => s.clone(),
                })
                .collect();
            let exposed: Vec<join::Shot<'_>> = spectra
                .iter()
                .zip(&shots)
                .map(|(spectrum, (_, exposure, _))| join::Shot {
                    spectrum,
                    exposure: *exposure,
                })
                .collect();
            let joined = join(&exposed, tone_share);
            // Of equally long ones the first by path.
            let longer = |a: &&Exposed<'a>, b: &&Exposed<'a>| b.1.total_cmp(&a.1);
            let longest = shots.iter().min_by(longer).expect("a scene has a shot");
            let absorbed = match &joined {
                Ok(joined) => absorbed(&joined.spectrum(), longest, &blanks, tone_share),
                Err(refusal) => Err(refusal.clone()),
            };
            Scene {
                name,
                joined,
                absorbed,
                longest: longest.0,
                records: shots.iter().map(|s| s.0).collect(),
                shots: shots.iter().map(|s| (s.0.photo.as_str(), s.1)).collect(),
            }
        })
        .collect();
    Brackets {
        bench,
        curve,
        scenes,
    }
}

/// A joined spectrum beside the blank that was taken before its longest exposure.
fn absorbed<'a>(
    joined: &Spectrum,
    longest: &Exposed<'a>,
    blanks: &[Exposed<'a>],
    tone_share: f64,
) -> Result<Absorbed<'a>, Refusal> {
    let (first, others) = blank_of(longest.0, blanks).ok_or_else(|| {
        Refusal::new(
            "no-blank",
            "its bench has no blank that says how it was exposed",
        )
    })?;
    let all: Vec<&Exposed<'a>> = std::iter::once(first).chain(others).collect();
    let of_mean = all.iter().map(|(_, exposure, spectrum)| Blank {
        spectrum,
        exposure: *exposure,
    });
    let mean = mean_blank(&of_mean.collect::<Vec<_>>());
    let link = Link {
        tone_share,
        // Half of the variance of two photos is the sample's own.
        held: (HELD_ANEW / 2f64.sqrt()).hypot(mean.level_sigma),
        ..Link::of(first.1 / longest.1)
    };
    if likeness(joined, &[], &mean.spectrum, link.exposure_ratio) == Likeness::Another {
        return Err(Refusal::new(
            "another-light",
            format!(
                "{} is not its light without a sample",
                first.0.photo.as_str()
            ),
        ));
    }
    let blanks = mean.used.iter().map(|i| all[*i].0.photo.as_str());
    Ok(Absorbed {
        blanks: blanks.collect(),
        exposures_differ: (link.exposure_ratio - 1.0).abs() > 1e-3,
        rows: absorbance(joined, &mean.spectrum, &link),
    })
}

/// The last blank before a photo, or else the first after it, and its repeats; by the times that the phones state, and without
/// them the first by path alone.
fn blank_of<'s, 'a>(
    photo: &Record,
    blanks: &'s [Exposed<'a>],
) -> Option<(&'s Exposed<'a>, Vec<&'s Exposed<'a>>)> {
    let taken = |record: &Record| record.taken.as_ref()?.parse::<DateTime>().ok();
    let at = taken(photo);
    let away_s = |other: &Record| {
        let (at, other) = (at?, taken(other)?);
        Some(other.duration_since(at).as_secs_f64())
    };
    let first = blanks.iter().min_by(|a, b| {
        let rank = |blank: &Exposed<'a>| {
            let away_s = away_s(blank.0).unwrap_or(f64::MAX);
            (away_s > 0.0, away_s.abs())
        };
        let (a, b) = (rank(a), rank(b));
        a.0.cmp(&b.0).then(a.1.total_cmp(&b.1))
    })?;
    let is_repeat = |other: &&Exposed<'a>| {
        let apart_s = taken(first.0)
            .zip(taken(other.0))
            .map(|(a, b)| a.duration_since(b).as_secs_f64().abs());
        let ratio = other.1 / first.1;
        other.0.photo != first.0.photo
            && apart_s.is_some_and(|apart_s| apart_s <= REPEATED_WITHIN_S)
            && (1.0 / SAME_EXPOSURE..SAME_EXPOSURE).contains(&ratio)
    };
    Some((first, blanks.iter().filter(is_repeat).collect()))
}

/// `tone.csv`: what each code means in light by the bench's phone and by sRGB, shares of full scale; one row with the reason
/// where a bracket gives no curve.
pub fn tone_csv(all: &[Brackets<'_>], whose: &Whose<'_>) -> Vec<u8> {
    let mut table = Table::new(dictionary::TONE.columns);
    for b in all {
        let row = || Row::default().text(b.bench);
        match &b.curve {
            Ok(curve) => {
                for (code, srgb, light) in curve.table() {
                    let row = row()
                        .cell(numbers::fixed(255.0 * code, 0))
                        .cell(numbers::fixed(srgb, 5))
                        .estimate(Estimate::new(light, light * curve.rms));
                    table.push(whose.of_session(row.cell("")));
                }
            }
            Err(refusal) => {
                let row = row().cell("").cell("").estimate(None).cell(refusal);
                table.push(whose.of_session(row));
            }
        }
    }
    table.finish()
}

/// `brackets.csv`: a row per exposure, with its ratio to the longest by its light and as written.
pub fn brackets_csv(all: &[Brackets<'_>], whose: &Whose<'_>) -> Vec<u8> {
    let mut table = Table::new(dictionary::BRACKETS.columns);
    for (bench, scene) in each_scene(all) {
        for (i, (photo, exposure)) in scene.shots.iter().enumerate() {
            let joined = scene.joined.as_ref();
            let ratio = joined
                .ok()
                .and_then(|j| j.ratios.iter().find(|r| r.shot == i));
            let row = Row::default()
                .text(bench)
                .text(scene.name)
                .text(photo)
                .rounded(*exposure, 4)
                .rounded(ratio.map(|r| r.written), 4)
                .estimate(ratio.map(|r| r.ratio));
            let row = match (joined, ratio) {
                (Err(refusal), _) => row.cell(refusal),
                (_, Some(r)) if !r.is_measured => {
                    row.cell("as-written: it has too little light in common with the longer ones")
                }
                _ => row.cell(""),
            };
            table.push(whose.of_photo(row, photo));
        }
    }
    table.finish()
}

/// `joined.csv`, tidy: a row per wavelength that an exposure shows. The signal is what the longest exposure would show if
/// nothing were blown out.
pub fn joined_csv(all: &[Brackets<'_>], whose: &Whose<'_>) -> Vec<u8> {
    let mut table = Table::new(dictionary::JOINED.columns);
    for (bench, scene) in each_scene(all) {
        let rows = scene.joined.as_ref().map_or(&[][..], |j| &j.rows);
        let (first, step) = match rows {
            [first, second, ..] => (
                first.wavelength_nm,
                second.wavelength_nm - first.wavelength_nm,
            ),
            _ => (rows.first().map_or(0.0, |r| r.wavelength_nm), 1.0),
        };
        let decimals = numbers::decimals_of_grid(first, step);
        let absorbed = scene.absorbed.as_ref().map_or(&[][..], |a| &a.rows);
        for (i, row) in rows.iter().enumerate() {
            if row.signal.is_none() {
                continue;
            }
            let absorbance = absorbed.get(i).and_then(|row| row.absorbance);
            let cells = Row::default()
                .text(bench)
                .text(scene.name)
                .cell(numbers::fixed(row.wavelength_nm, decimals))
                .estimate(row.signal);
            let cells = cells.cell(row.shots).estimate(absorbance);
            table.push(whose.of_session(cells));
        }
    }
    table.finish()
}
