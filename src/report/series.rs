//! Dilution series: from records and published absorbances to `concentrations.csv` and `series.csv`. The arithmetic is that of
//! `answers`; here is only which photo belongs to what.

use std::collections::{BTreeMap, BTreeSet};

use super::dictionary;
use super::scenes::{Brackets, Scene, each_scene};
use super::shown::{Inputs, Shown, by_path, subject};
use super::whose::Whose;
use crate::answers::Refusal;
use crate::answers::absorb::{Link, absorbance, own_sigma};
use crate::answers::bands;
use crate::answers::blanks::{Blank, mean_blank};
use crate::answers::limits::{self, Limits};
use crate::answers::series::{self, Concentration, Line, STATED_FREEDOM, Standard};
use crate::classify::stated::{Stated, number};
use crate::publish::files::lines::read_absorbance_and_signal;
use crate::publish::files::table::{Row, Table};
use crate::publish::files::tables::read_spectrum;
use crate::publish::numbers;
use crate::publish::record::{CONCENTRATION, Record, SERIES};
use crate::terms::{Code, Estimate, Spectrum, Subject};

/// Group of a rule that states a concentration's unit.
const UNIT: &str = "unit";

/// What a photo is in its series.
#[derive(Clone, Debug, PartialEq, strum::IntoStaticStr)]
#[strum(serialize_all = "lowercase")]
pub enum Role {
    /// A solution of stated concentration.
    Standard(f64),
    /// One to be found out.
    Unknown,
    /// Something is stated that is no concentration.
    Unclear(String),
}

/// A photo of a series.
pub struct Member<'a> {
    /// Its record.
    pub record: &'a Record,
    /// What it is in the series.
    pub role: Role,
    /// Absorbance at the series's wavelength; absent where it means nothing there.
    pub absorbance: Option<Estimate>,
    /// The same with the uncertainty that the photo alone has, without what the series shares.
    own: Option<Estimate>,
    /// How many exposures its spectrum is joined of; absent where it is the photo's own.
    pub joined: Option<usize>,
    /// Why it has no absorbance anywhere.
    why_not: Option<Refusal>,
    /// An unknown's concentration, or why there is none; why a photo takes no part.
    pub found: Option<Result<Concentration, Refusal>>,
}

impl<'a> Member<'a> {
    fn read(sample: Sample<'a>, wavelength_nm: Option<f64>) -> Member<'a> {
        let absorbance = wavelength_nm.and_then(|nm| bands::at(&sample.absorbance, nm));
        let signal = wavelength_nm.and_then(|nm| bands::noise_at(&sample.signal, nm));
        let own = absorbance.zip(signal).map(|(read, signal)| {
            let sigma = own_sigma(read, signal, sample.exposures_differ);
            Estimate::new(read.value, sigma)
        });
        Member {
            record: sample.record,
            role: sample.role,
            absorbance,
            own,
            joined: sample.joined,
            why_not: sample.why_not,
            found: None,
        }
    }

    /// Stated concentration; absent for an unknown.
    pub fn stated(&self) -> Option<f64> {
        match self.role {
            Role::Standard(c) => Some(c),
            _ => None,
        }
    }

    /// A standard's concentration and absorbance; absent for an unknown, and where the absorbance means nothing.
    pub fn standard(&self) -> Option<(f64, Estimate)> {
        self.stated().zip(self.absorbance)
    }

    /// Why the photo can take no part, whatever the line.
    fn excluded(&self) -> Option<Refusal> {
        if let Role::Unclear(text) = &self.role {
            return Some(Refusal::new(
                "no-concentration",
                format!("\"{text}\" is no concentration: write a number such as 0.5"),
            ));
        }
        self.why_not.clone()
    }
}

/// Why a photo has no absorbance anywhere, if that is so.
fn why_not(record: &Record) -> Option<Refusal> {
    if record.provenance.blank.is_empty() {
        return Some(Refusal::new(
            "no-blank",
            "it has no blank to be compared with",
        ));
    }
    let mut said = record.not_measured.iter();
    let spoilt = said.find(|said| said.what == Subject::Blank)?;
    let why = format!("its blank {}", spoilt.why);
    Some(Refusal::new("blank-retake", why))
}

/// A bench's dilution series.
pub struct Series<'a> {
    /// The bench.
    pub bench: &'a str,
    /// Its name: the rule's group `series`, or that of the table of concentrations, or empty.
    pub name: &'a str,
    /// Unit of all its concentrations; empty where none is stated.
    pub unit: &'a str,
    /// Wavelength at which it is read, nm; absent where no place serves all.
    pub wavelength_nm: Option<f64>,
    /// Standards and unknowns by path.
    pub members: Vec<Member<'a>>,
    /// The line, or why there is none.
    pub line: Result<Line, Refusal>,
    /// How many photos of its blank agree.
    pub n_blanks: usize,
    /// The limits by their scatter, or why there are none.
    pub limits: Result<Limits, Refusal>,
    /// Each unknown's name and the mean concentration of its repeats.
    pub unknowns: Vec<(&'a str, Result<Concentration, Refusal>)>,
}

/// A photo of a series before its place in the spectrum is chosen.
struct Sample<'a> {
    record: &'a Record,
    role: Role,
    /// Unit of what is stated; may be empty.
    unit: &'a str,
    /// By wavelength; empty without a blank, as is the signal.
    absorbance: Vec<bands::Row>,
    signal: Vec<bands::Row>,
    /// The photos of its blank.
    blanks: BTreeSet<&'a str>,
    exposures_differ: bool,
    joined: Option<usize>,
    why_not: Option<Refusal>,
}

impl<'a> Sample<'a> {
    /// A photo of what `role` says; `csv` is its `spectrum.csv`, empty without a blank.
    fn of_photo(record: &'a Record, (role, unit): (Role, &'a str), csv: &[u8]) -> Sample<'a> {
        let [absorbance, signal] = read_absorbance_and_signal(csv);
        let mut reasons = record.reasons.iter();
        Sample {
            record,
            role,
            unit,
            absorbance,
            signal,
            blanks: record.provenance.blank.keys().map(String::as_str).collect(),
            exposures_differ: reasons.any(|r| r.code == Code::ExposureDiffers),
            joined: None,
            why_not: why_not(record),
        }
    }

    /// The joined exposures of a scene, as one sample under the name of the longest.
    fn of_scene(scene: &Scene<'a>, (role, unit): (Role, &'a str)) -> Sample<'a> {
        let absorbed = scene.absorbed.as_ref();
        let rows = scene.joined.as_ref().map_or(&[][..], |joined| &joined.rows);
        let curve = |of: &dyn Fn(usize) -> Option<Estimate>| -> Vec<bands::Row> {
            let wavelengths = rows.iter().map(|row| row.wavelength_nm);
            wavelengths.zip((0..rows.len()).map(of)).collect()
        };
        let known = absorbed.map_or(&[][..], |absorbed| &absorbed.rows);
        let blanks = absorbed.map_or(&[][..], |absorbed| &absorbed.blanks);
        Sample {
            record: scene.longest,
            role,
            unit,
            absorbance: curve(&|i| known.get(i)?.absorbance),
            signal: curve(&|i| rows[i].signal),
            blanks: blanks.iter().copied().collect(),
            exposures_differ: absorbed.is_ok_and(|absorbed| absorbed.exposures_differ),
            joined: Some(scene.shots.len()),
            why_not: absorbed.err().cloned(),
        }
    }
}

/// Every series of the class, by bench and name. `fetch` gives a photo's `spectrum.csv`.
///
/// Photos to be taken again take no part; one without a blank has a place and no absorbance. What `stated` says of a photo
/// goes before what its rule says. The benches of a class read a series of one name at one wavelength, or their slopes would
/// not be comparable: at the middle one of their own best, where all of a bench's standards are known there.
pub fn of_class<'a>(
    photos: &[Shown<'a>],
    stated: &'a Stated,
    brackets: &[Brackets<'a>],
    mut fetch: impl FnMut(&Shown<'a>) -> Option<Vec<u8>>,
) -> Vec<Series<'a>> {
    let mut groups: BTreeMap<(&str, &str), Vec<Sample<'a>>> = BTreeMap::new();
    let samples = by_path(photos).into_iter();
    for shown in samples.filter(|s| s.record.is_usable_sample()) {
        let r = shown.record;
        let Some(name) = series_of(r, stated) else {
            continue;
        };
        let has_blank = !r.provenance.blank.is_empty();
        let csv = if has_blank { fetch(&shown) } else { None }.unwrap_or_default();
        let sample = Sample::of_photo(r, role(r, stated), &csv);
        groups.entry((&r.bench, name)).or_default().push(sample);
    }
    for (bench, scene) in each_scene(brackets) {
        let mut told = scene.records.iter();
        if let Some((r, name)) = told.find_map(|r| Some((*r, series_of(r, stated)?))) {
            let sample = Sample::of_scene(scene, role(r, stated));
            groups.entry((bench, name)).or_default().push(sample);
        }
    }
    let mut own_best: BTreeMap<&str, Vec<f64>> = BTreeMap::new();
    for ((_, name), samples) in &groups {
        let best = bands::best_wavelength(&curves_of_standards(samples));
        own_best.entry(name).or_default().extend(best);
    }
    for wavelengths in own_best.values_mut() {
        wavelengths.sort_by(f64::total_cmp);
    }
    groups
        .into_iter()
        .map(|((bench, name), samples)| {
            let best = &own_best[name];
            let middle = best.get(best.len().saturating_sub(1) / 2).copied();
            let curves = curves_of_standards(&samples);
            let serves = |nm: &f64| curves.iter().all(|c| bands::at(c, *nm).is_some());
            let wavelength_nm = middle
                .filter(serves)
                .or_else(|| bands::best_wavelength(&curves));
            let blanks = most_blanks(&samples);
            let of_blanks = photos
                .iter()
                .filter(|s| blanks.contains(s.record.photo.as_str()));
            let readings = match wavelength_nm {
                Some(nm) => blank_readings(of_blanks, nm, &mut fetch),
                _ => Vec::new(),
            };
            evaluate((bench, name), samples, wavelength_nm, &readings)
        })
        .collect()
}

/// The series that a photo is of by what is stated of it, or by its rule; absent where it is of none.
fn series_of<'a>(record: &'a Record, stated: &'a Stated) -> Option<&'a str> {
    let groups = &record.groups;
    let by_rule = || groups.get(SERIES).map_or("", String::as_str);
    let row = stated.of(&record.photo);
    let belongs =
        row.is_some() || groups.contains_key(SERIES) || groups.contains_key(CONCENTRATION);
    belongs.then(|| match row.map_or("", |row| row.series.as_str()) {
        "" => by_rule(),
        name => name,
    })
}

/// The blanks of the most that a photo of the series is compared with: what is taken hours apart scatters with the lamp.
fn most_blanks<'a>(samples: &[Sample<'a>]) -> BTreeSet<&'a str> {
    let sets = samples.iter().map(|s| s.blanks.clone());
    // Of equally many the first by name, whatever the order of the photos.
    sets.max_by(|a, b| a.len().cmp(&b.len()).then_with(|| b.cmp(a)))
        .unwrap_or_default()
}

/// Each blank's absorbance against the mean of them all at a wavelength, without those that show another light.
fn blank_readings<'a, 's>(
    photos: impl Iterator<Item = &'s Shown<'a>>,
    nm: f64,
    fetch: &mut impl FnMut(&Shown<'a>) -> Option<Vec<u8>>,
) -> Vec<f64>
where
    'a: 's,
{
    let mut spectra: Vec<(&str, f64, Spectrum)> = photos
        .filter(|s| s.record.is_usable() && s.record.is_calibrated())
        .filter_map(|s| {
            let spectrum = read_spectrum(&fetch(s)?).ok()?;
            Some((s.record.photo.as_str(), s.record.exposure()?, spectrum))
        })
        .collect();
    spectra.sort_by_key(|s| s.0);
    if spectra.is_empty() {
        return Vec::new();
    }
    let blanks = spectra.iter().map(|(_, exposure, spectrum)| Blank {
        spectrum,
        exposure: *exposure,
    });
    let mean = mean_blank(&blanks.collect::<Vec<_>>());
    let read = |i: &usize| {
        let (_, exposure, spectrum) = &spectra[*i];
        let link = Link::of(spectra[0].1 / exposure);
        let rows = absorbance(spectrum, &mean.spectrum, &link);
        let wavelengths = spectrum.rows.iter().map(|row| row.wavelength_nm);
        let rows: Vec<bands::Row> = wavelengths
            .zip(rows.iter().map(|row| row.absorbance))
            .collect();
        Some(bands::at(&rows, nm)?.value)
    };
    mean.used.iter().filter_map(read).collect()
}

/// The absorbance curves of the standards among a series' photos.
fn curves_of_standards<'s>(samples: &'s [Sample<'_>]) -> Vec<&'s [bands::Row]> {
    samples
        .iter()
        .filter(|s| matches!(s.role, Role::Standard(_)) && !s.absorbance.is_empty())
        .map(|s| s.absorbance.as_slice())
        .collect()
}

/// What a photo is, and the unit of what is stated of it.
pub(super) fn role<'a>(record: &'a Record, stated: &'a Stated) -> (Role, &'a str) {
    let by_rule = record.groups.get(UNIT).map_or("", String::as_str);
    if let Some(row) = stated.of(&record.photo) {
        let role = row.concentration.map_or(Role::Unknown, Role::Standard);
        return match row.unit.as_str() {
            "" => (role, by_rule),
            unit => (role, unit),
        };
    }
    let role = match record.groups.get(CONCENTRATION).map(|t| t.trim()) {
        None | Some("") => Role::Unknown,
        Some(text) => number(text).map_or_else(|| Role::Unclear(text.to_owned()), Role::Standard),
    };
    (role, by_rule)
}

fn evaluate<'a>(
    (bench, name): (&'a str, &'a str),
    samples: Vec<Sample<'a>>,
    wavelength_nm: Option<f64>,
    blank_readings: &[f64],
) -> Series<'a> {
    let units = samples.iter().map(|s| s.unit).filter(|u| !u.is_empty());
    let units: Vec<&str> = units.collect::<BTreeSet<_>>().into_iter().collect();
    let mut members: Vec<Member<'a>> = samples
        .into_iter()
        .map(|sample| Member::read(sample, wavelength_nm))
        .collect();
    let line = fit(&members, &units);
    let mut repeats: BTreeMap<&'a str, Vec<Estimate>> = BTreeMap::new();
    for m in &mut members {
        m.found = match (m.excluded(), &m.role, &line) {
            (Some(refusal), ..) => Some(Err(refusal)),
            (None, Role::Unknown, Ok(line)) => {
                let of_its_name = repeats.entry(subject(&m.record.label)).or_default();
                of_its_name.extend(m.own);
                Some(line.concentration(m.own.as_slice()))
            }
            (None, Role::Unknown, Err(refusal)) => Some(Err(refusal.clone())),
            _ => None,
        };
    }
    let unknowns = match &line {
        Ok(line) => repeats
            .into_iter()
            .map(|(name, repeats)| (name, line.concentration(&repeats)))
            .collect(),
        Err(_) => Vec::new(),
    };
    let limits = match &line {
        Ok(line) => limits::of_blanks(blank_readings, line.slope),
        Err(refusal) => Err(refusal.clone()),
    };
    Series {
        n_blanks: blank_readings.len(),
        limits,
        bench,
        name,
        unit: units.first().copied().unwrap_or_default(),
        wavelength_nm,
        unknowns,
        members,
        line,
    }
}

/// The line through the standards, whose concentrations must have one unit.
fn fit(members: &[Member<'_>], units: &[&str]) -> Result<Line, Refusal> {
    if units.len() > 1 {
        return Err(Refusal::new(
            "units-differ",
            format!(
                "its concentrations are stated in {}: state all in one unit",
                units.join(" and ")
            ),
        ));
    }
    let known = members.iter().filter_map(|m| {
        Some(Standard {
            concentration: m.stated()?,
            absorbance: m.own?,
        })
    });
    series::fit(&known.collect::<Vec<_>>(), STATED_FREEDOM)
}

fn wavelength(nm: Option<f64>) -> Option<String> {
    nm.map(|nm| numbers::fixed(nm, 0))
}

/// Cells of a concentration that was found: value, uncertainty, and the two ends of its interval.
fn found_cells(row: Row, found: Option<&Concentration>) -> Row {
    let end = |end: fn(&Concentration) -> f64| found.map(|f| numbers::cell(end(f), f.value.sigma));
    row.estimate(found.map(|f| f.value))
        .maybe(end(|f| f.low))
        .maybe(end(|f| f.high))
}

/// `concentrations.csv`: a row per photo of a series, and one per file of which a concentration is stated and that no photo is.
pub fn concentrations_csv(all: &[Series<'_>], inputs: &Inputs<'_>, whose: &Whose<'_>) -> Vec<u8> {
    let mut table = Table::new(dictionary::CONCENTRATIONS.columns);
    for s in all {
        let mut residuals = s.line.iter().flat_map(|line| &line.residuals);
        for m in &s.members {
            let standard = m.standard();
            let residual =
                standard.and_then(|(_, a)| Some(numbers::cell(*residuals.next()?, a.sigma)));
            let (found, refused) = match &m.found {
                Some(Ok(found)) => (Some(found), None),
                Some(Err(refusal)) => (None, Some(refusal.to_string())),
                None => (None, None),
            };
            let means_nothing = "no-absorbance: it means nothing at this wavelength";
            let refused = refused.unwrap_or_else(|| match m.absorbance {
                None => means_nothing.to_owned(),
                Some(_) => String::new(),
            });
            let row = Row::default()
                .text(s.bench)
                .text(s.name)
                .text(&m.record.photo)
                .cell(<&str>::from(&m.role))
                .maybe(m.stated())
                .text(s.unit)
                .maybe(wavelength(s.wavelength_nm))
                .estimate(m.absorbance)
                .maybe(residual);
            let row = found_cells(row, found).text(refused).maybe(m.joined);
            table.push(whose.of_photo(row, &m.record.photo));
        }
    }
    let photos = inputs.photos.iter().map(|s| s.record.photo.as_str());
    for file in inputs.stated.without(photos) {
        let row = Row::default().cell("").cell("").text(file);
        let row = (0..11).fold(row, |row, _| row.cell(""));
        let row =
            row.text("no-photo: a concentration is stated for it, but no photo has this name");
        let row = row.cell("");
        table.push(whose.of_photo(row, file));
    }
    table.finish()
}

/// `series.csv`: a row per series; where it has several unknowns, one for each.
pub fn series_csv(all: &[Series<'_>], whose: &Whose<'_>) -> Vec<u8> {
    let mut table = Table::new(dictionary::SERIES.columns);
    for s in all {
        if s.unknowns.is_empty() {
            table.push(whose.of_session(series_row(s, "", None)));
        }
        for (name, unknown) in &s.unknowns {
            let row = series_row(s, name, Some(unknown));
            table.push(whose.of_session(row));
        }
    }
    table.finish()
}

fn series_row(s: &Series<'_>, name: &str, unknown: Option<&Result<Concentration, Refusal>>) -> Row {
    let standards = s.members.iter().filter(|m| m.standard().is_some()).count();
    let line = s.line.as_ref().ok();
    let refused = s
        .line
        .as_ref()
        .err()
        .or(unknown.and_then(|u| u.as_ref().err()));
    let limit =
        |limit: fn(&Line) -> f64| line.map(|l| Estimate::new(limit(l), l.limit_sigma(limit(l))));
    let row = Row::default()
        .text(s.bench)
        .text(s.name)
        .text(s.unit)
        .maybe(wavelength(s.wavelength_nm))
        .cell(standards)
        .estimate(line.map(|l| l.slope))
        .estimate(line.map(|l| l.intercept))
        .rounded(line.map(|l| l.scatter), 3)
        .rounded(line.map(|l| l.range.0), 3)
        .rounded(line.map(|l| l.range.1), 3)
        .maybe(line.map(|l| l.left_out))
        .estimate(limit(Line::detection_limit))
        .estimate(limit(Line::quantification_limit))
        .text(name);
    let found = unknown.and_then(|u| u.as_ref().ok());
    let by_blanks = s.limits.as_ref().ok();
    found_cells(row, found)
        .maybe(refused)
        .cell(s.n_blanks)
        .estimate(by_blanks.map(|l| l.scatter))
        .estimate(by_blanks.map(|l| l.detection))
        .estimate(by_blanks.map(|l| l.quantification))
        .maybe(s.limits.as_ref().err())
}
