//! Brackets: a phone's tone curve beside sRGB's (`tone.csv`), and the exposures of one scene joined to a spectrum beyond one
//! photo's range (`joined.csv`, and in `brackets.csv` how). From records and published spectra; the arithmetic is that of
//! `answers`.

use std::collections::BTreeMap;

use super::dictionary;
use super::shown::{Shown, by_path};
use super::whose::Whose;
use crate::answers::Refusal;
use crate::answers::absorb::{KNOWN_TONE, UNKNOWN_TONE};
use crate::answers::bracket::{Curve, Level, curve, levels_of};
use crate::answers::join::{self, Joined, join};
use crate::publish::files::table::{Row, Table};
use crate::publish::files::tables::read_spectrum;
use crate::publish::numbers;
use crate::terms::{Capture, Estimate, Spectrum};

/// Group of a rule that tells the scenes of several brackets apart.
const SCENE: &str = "scene";

/// Exposures of one scene.
pub struct Scene<'a> {
    /// The rule's group `scene`, or empty.
    pub name: &'a str,
    /// Photo and exposure (time × ISO / 100, s), by path.
    pub shots: Vec<(&'a str, f64)>,
    /// What they come to.
    pub joined: Result<Joined, Refusal>,
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

/// The shots of a bench's scenes: photo, exposure and spectrum.
type Shots<'a> = BTreeMap<&'a str, Vec<(&'a str, f64, Spectrum)>>;

/// The brackets of every bench that has photographed one on a calibrated scale. `fetch` gives a photo's `spectrum.csv`.
///
/// Whatever their verdicts, for shots of a bracket are over-exposed and dim on purpose; those that do not say how they were
/// exposed take no part.
pub fn of_class<'a>(
    photos: &[Shown<'a>],
    mut fetch: impl FnMut(&Shown<'a>) -> Option<Vec<u8>>,
) -> Vec<Brackets<'a>> {
    let mut benches: BTreeMap<&str, Shots<'a>> = BTreeMap::new();
    for shown in by_path(photos) {
        let r = shown.record;
        if r.capture != Some(Capture::Bracket) || !r.is_calibrated() {
            continue;
        }
        let spectrum = fetch(&shown).and_then(|csv| read_spectrum(&csv).ok());
        let (Some(spectrum), Some(exposure)) = (spectrum, r.exposure()) else {
            continue;
        };
        let scene = r.groups.get(SCENE).map_or("", String::as_str);
        let scenes = benches.entry(&r.bench).or_default();
        let shots = scenes.entry(scene).or_default();
        shots.push((&r.photo, exposure, spectrum));
    }
    benches
        .into_iter()
        .map(|(bench, scenes)| evaluate(bench, scenes))
        .collect()
}

fn evaluate<'a>(bench: &'a str, scenes: Shots<'a>) -> Brackets<'a> {
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
            Scene {
                name,
                joined: join(&exposed, tone_share),
                shots: shots.iter().map(|s| (s.0, s.1)).collect(),
            }
        })
        .collect();
    Brackets {
        bench,
        curve,
        scenes,
    }
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
    let scenes = all
        .iter()
        .flat_map(|b| b.scenes.iter().map(|s| (b.bench, s)));
    for (bench, scene) in scenes {
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
    let scenes = all
        .iter()
        .flat_map(|b| b.scenes.iter().map(|s| (b.bench, s)));
    for (bench, scene) in scenes {
        let rows = scene.joined.as_ref().map_or(&[][..], |j| &j.rows);
        let (first, step) = match rows {
            [first, second, ..] => (
                first.wavelength_nm,
                second.wavelength_nm - first.wavelength_nm,
            ),
            _ => (rows.first().map_or(0.0, |r| r.wavelength_nm), 1.0),
        };
        let decimals = numbers::decimals_of_grid(first, step);
        for row in rows.iter().filter(|row| row.signal.is_some()) {
            let cells = Row::default()
                .text(bench)
                .text(scene.name)
                .cell(numbers::fixed(row.wavelength_nm, decimals))
                .estimate(row.signal);
            table.push(whose.of_session(cells.cell(row.shots)));
        }
    }
    table.finish()
}
