//! Dilution series: from records and published absorbances to `concentrations.csv` and `series.csv`. The arithmetic is that of
//! `answers`; here is only which photo belongs to what.

use std::collections::{BTreeMap, BTreeSet};

use super::{Shown, by_path, subject};
use crate::answers::Refusal;
use crate::answers::absorb::own_sigma;
use crate::answers::bands::{self, Row};
use crate::answers::series::{self, Concentration, Line, STATED_FREEDOM, Standard};
use crate::classify::stated::{Stated, number};
use crate::publish::files::numbers;
use crate::publish::files::tables::{
    finish, push, read_absorbance, read_signal, text_cell, writer,
};
use crate::publish::record::{CONCENTRATION, Record, SERIES};
use crate::terms::{Capture, Subject};
use crate::terms::{Code, Estimate, Verdict};

/// Group of a rule that states a concentration's unit.
const UNIT: &str = "unit";

/// What a photo is in its series.
#[derive(Clone, Debug, PartialEq)]
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
    /// Path below the inbox.
    pub photo: &'a str,
    /// What it is in the series.
    pub role: Role,
    /// Absorbance at the series's wavelength; absent where it means nothing there.
    pub absorbance: Option<Estimate>,
    /// An unknown's concentration, or why there is none; why a photo takes no part.
    pub found: Option<Result<Concentration, Refusal>>,
}

impl Member<'_> {
    /// Stated concentration; absent for an unknown.
    pub fn stated(&self) -> Option<f64> {
        match self.role {
            Role::Standard(c) => Some(c),
            _ => None,
        }
    }
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
    /// Each unknown's name and the mean concentration of its repeats.
    pub unknowns: Vec<(&'a str, Result<Concentration, Refusal>)>,
}

/// Every series of the class, by bench and name. `fetch` gives a photo's `spectrum.csv`.
///
/// Photos to be taken again take no part; one without a blank has a place and no absorbance. What `stated` says of a photo
/// goes before what its rule says.
pub fn of_class<'a>(
    photos: &[Shown<'a>],
    stated: &'a Stated,
    mut fetch: impl FnMut(&Shown<'a>) -> Option<Vec<u8>>,
) -> Vec<Series<'a>> {
    let mut groups: BTreeMap<(&str, &str), Vec<Shown<'a>>> = BTreeMap::new();
    for shown in by_path(photos) {
        let r = shown.record;
        let sound = matches!(r.verdict, Verdict::Good | Verdict::Caution);
        let row = stated.of(&r.photo);
        let belongs =
            row.is_some() || r.groups.contains_key(SERIES) || r.groups.contains_key(CONCENTRATION);
        if sound && belongs && r.capture == Some(Capture::Sample) {
            let by_rule = r.groups.get(SERIES).map_or("", String::as_str);
            let name = row.map_or("", |row| &row.series);
            let name = if name.is_empty() { by_rule } else { name };
            groups.entry((&r.bench, name)).or_default().push(shown);
        }
    }
    let groups: Vec<_> = groups
        .into_iter()
        .map(|(key, photos)| {
            let curves: Vec<Curves> = photos
                .iter()
                .map(|s| match s.record.provenance.blank.is_empty() {
                    true => Curves::default(),
                    false => fetch(s).map_or_else(Curves::default, |csv| Curves {
                        absorbance: read_absorbance(&csv),
                        signal: read_signal(&csv),
                    }),
                })
                .collect();
            (key, photos, curves)
        })
        .collect();
    let mut own: BTreeMap<&str, Vec<f64>> = BTreeMap::new();
    for ((_, name), photos, curves) in &groups {
        let best = bands::best_wavelength(&standards(photos, curves, stated));
        own.entry(name).or_default().extend(best);
    }
    groups
        .into_iter()
        .map(|((bench, name), photos, curves)| {
            let of_all = own.get_mut(name).and_then(|nm| middle(nm));
            let curves_of_standards = standards(&photos, &curves, stated);
            let wavelength_nm = of_all
                .filter(|nm| serves(&curves_of_standards, *nm))
                .or_else(|| bands::best_wavelength(&curves_of_standards));
            evaluate((bench, name), &photos, &curves, stated, wavelength_nm)
        })
        .collect()
}

/// The absorbance curves of the standards among a series' photos.
fn standards<'c>(photos: &[Shown<'_>], curves: &'c [Curves], stated: &Stated) -> Vec<&'c [Row]> {
    let with_curve = photos.iter().zip(curves);
    with_curve
        .filter(|(s, c)| {
            matches!(role(s.record, stated).0, Role::Standard(_)) && !c.absorbance.is_empty()
        })
        .map(|(_, c)| c.absorbance.as_slice())
        .collect()
}

/// The benches of a class read a series of one name at one wavelength, or their slopes would not be comparable: at the middle
/// one of their own best.
fn middle(own: &mut [f64]) -> Option<f64> {
    own.sort_by(f64::total_cmp);
    own.get(own.len().saturating_sub(1) / 2).copied()
}

/// True where all curves are known at a wavelength.
fn serves(curves: &[&[Row]], wavelength_nm: f64) -> bool {
    curves.iter().all(|c| bands::at(c, wavelength_nm).is_some())
}

/// What a photo's spectrum says by wavelength.
#[derive(Default)]
struct Curves {
    absorbance: Vec<Row>,
    signal: Vec<Row>,
}

/// What a photo is, and the unit of what is stated of it.
fn role<'a>(record: &'a Record, stated: &'a Stated) -> (Role, &'a str) {
    let by_rule = record.groups.get(UNIT).map_or("", String::as_str);
    if let Some(row) = stated.of(&record.photo) {
        let unit = if row.unit.is_empty() {
            by_rule
        } else {
            &row.unit
        };
        return (
            row.concentration.map_or(Role::Unknown, Role::Standard),
            unit,
        );
    }
    let role = match record.groups.get(CONCENTRATION).map(|t| t.trim()) {
        None | Some("") => Role::Unknown,
        Some(text) => number(text).map_or_else(|| Role::Unclear(text.to_owned()), Role::Standard),
    };
    (role, by_rule)
}

fn evaluate<'a>(
    (bench, name): (&'a str, &'a str),
    photos: &[Shown<'a>],
    curves: &[Curves],
    stated: &'a Stated,
    wavelength_nm: Option<f64>,
) -> Series<'a> {
    let roles: Vec<(Role, &str)> = photos.iter().map(|s| role(s.record, stated)).collect();
    let units: BTreeSet<&str> = roles
        .iter()
        .map(|r| r.1)
        .filter(|u| !u.is_empty())
        .collect();
    let mut members: Vec<Member<'a>> = photos
        .iter()
        .zip(roles)
        .zip(curves)
        .map(|((s, (role, _)), curve)| Member {
            photo: &s.record.photo,
            role,
            absorbance: wavelength_nm.and_then(|nm| bands::at(&curve.absorbance, nm)),
            found: None,
        })
        .collect();
    let of_its_own: Vec<Option<Estimate>> = photos
        .iter()
        .zip(&members)
        .zip(curves)
        .map(|((s, m), curve)| {
            let (read, signal) = (
                m.absorbance?,
                bands::noise_at(&curve.signal, wavelength_nm?)?,
            );
            let differ = s
                .record
                .reasons
                .iter()
                .any(|r| r.code == Code::ExposureDiffers);
            Some(Estimate::new(read.value, own_sigma(read, signal, differ)))
        })
        .collect();
    let known: Vec<Standard> = members
        .iter()
        .zip(&of_its_own)
        .filter_map(|(m, own)| {
            Some(Standard {
                concentration: m.stated()?,
                absorbance: (*own)?,
            })
        })
        .collect();
    let line = if units.len() > 1 {
        let all: Vec<&str> = units.iter().copied().collect();
        Err(Refusal::new(
            "units-differ",
            format!(
                "its concentrations are stated in {}: state all in one unit",
                all.join(" and ")
            ),
        ))
    } else {
        series::fit(&known, STATED_FREEDOM)
    };
    let mut repeats: BTreeMap<&'a str, Vec<Estimate>> = BTreeMap::new();
    for ((m, own), shown) in members.iter_mut().zip(&of_its_own).zip(photos) {
        let has_blank = !shown.record.provenance.blank.is_empty();
        let spoilt = shown
            .record
            .not_measured
            .iter()
            .find(|said| said.what == Subject::Blank);
        m.found = match (&m.role, &line) {
            (Role::Unclear(text), _) => Some(Err(Refusal::new(
                "no-concentration",
                format!("\"{text}\" is no concentration: write a number such as 0.5"),
            ))),
            _ if !has_blank => Some(Err(Refusal::new(
                "no-blank",
                "it has no blank to be compared with",
            ))),
            _ if spoilt.is_some() => Some(Err(Refusal::new(
                "blank-retake",
                format!("its blank {}", spoilt.map_or("", |said| &said.why)),
            ))),
            (Role::Standard(_), _) => None,
            (Role::Unknown, Ok(line)) => {
                repeats
                    .entry(subject(&shown.record.label))
                    .or_default()
                    .extend(*own);
                Some(line.concentration(own.as_slice()))
            }
            (Role::Unknown, Err(refusal)) => Some(Err(refusal.clone())),
        };
    }
    let unknowns = match &line {
        Ok(line) => repeats
            .into_iter()
            .map(|(name, repeats)| (name, line.concentration(&repeats)))
            .collect(),
        Err(_) => Vec::new(),
    };
    Series {
        bench,
        name,
        unit: units.into_iter().next().unwrap_or_default(),
        wavelength_nm,
        members,
        line,
        unknowns,
    }
}

fn two(e: Option<Estimate>) -> [String; 2] {
    e.map_or_else(Default::default, numbers::cells)
}

fn wavelength(nm: Option<f64>) -> String {
    nm.map_or_else(String::new, |nm| numbers::fixed(nm, 0))
}

/// `concentrations.csv`: a row per photo of a series, and one per file that `stated` names and no photo is.
pub fn concentrations_csv(all: &[Series<'_>], photos: &[Shown<'_>], stated: &Stated) -> Vec<u8> {
    let mut out = writer();
    push(
        &mut out,
        [
            "bench",
            "series",
            "photo",
            "role",
            "stated_concentration",
            "unit",
            "wavelength_nm",
            "absorbance",
            "absorbance_sigma",
            "residual",
            "concentration",
            "concentration_sigma",
            "low_95",
            "high_95",
            "refused",
        ],
    );
    for s in all {
        let mut nth_standard = 0;
        for m in &s.members {
            let mut residual = String::new();
            if let (Some(_), Some(a), Ok(line)) = (m.stated(), m.absorbance, &s.line) {
                residual = numbers::cell(line.residuals[nth_standard], a.sigma);
            }
            if m.stated().is_some() && m.absorbance.is_some() {
                nth_standard += 1;
            }
            let found = m.found.as_ref().and_then(|f| f.as_ref().ok());
            let refused = match (&m.found, m.absorbance) {
                (Some(Err(refusal)), _) => refusal.to_string(),
                (_, None) => "no-absorbance: it means nothing at this wavelength".to_owned(),
                _ => String::new(),
            };
            let mut row = vec![
                text_cell(s.bench),
                text_cell(s.name),
                text_cell(m.photo),
                match m.role {
                    Role::Standard(_) => "standard",
                    Role::Unknown => "unknown",
                    Role::Unclear(_) => "unclear",
                }
                .to_owned(),
                m.stated().map_or_else(String::new, |c| format!("{c}")),
                text_cell(s.unit),
                wavelength(s.wavelength_nm),
            ];
            row.extend(two(m.absorbance));
            row.push(residual);
            row.extend(two(found.map(|f| f.value)));
            for end in [found.map(|f| f.low), found.map(|f| f.high)] {
                let sigma = found.map_or(1.0, |f| f.value.sigma);
                row.push(end.map_or_else(String::new, |e| numbers::cell(e, sigma)));
            }
            row.push(text_cell(&refused));
            push(&mut out, row);
        }
    }
    for file in stated.without(photos.iter().map(|s| s.record.photo.as_str())) {
        let mut row = vec![String::new(); 15];
        row[2] = text_cell(file);
        row[14] =
            "no-photo: a concentration is stated for it, but no photo has this name".to_owned();
        push(&mut out, row);
    }
    finish(out)
}

/// `series.csv`: a row per series; where it has several unknowns, one for each.
pub fn series_csv(all: &[Series<'_>]) -> Vec<u8> {
    let mut out = writer();
    push(
        &mut out,
        [
            "bench",
            "series",
            "unit",
            "wavelength_nm",
            "standards",
            "slope",
            "slope_sigma",
            "intercept",
            "intercept_sigma",
            "scatter",
            "linear_from",
            "linear_to",
            "left_out",
            "detection_limit",
            "detection_limit_sigma",
            "quantification_limit",
            "quantification_limit_sigma",
            "unknown_name",
            "unknown",
            "unknown_sigma",
            "low_95",
            "high_95",
            "refused",
        ],
    );
    for s in all {
        let one: Vec<(&str, Option<&Result<Concentration, Refusal>>)> = match s.unknowns.as_slice()
        {
            [] => vec![("", None)],
            several => several.iter().map(|(n, u)| (*n, Some(u))).collect(),
        };
        for (name, unknown) in one {
            push(&mut out, series_row(s, name, unknown));
        }
    }
    finish(out)
}

fn series_row(
    s: &Series<'_>,
    name: &str,
    unknown: Option<&Result<Concentration, Refusal>>,
) -> Vec<String> {
    let standards = s
        .members
        .iter()
        .filter(|m| m.stated().is_some() && m.absorbance.is_some())
        .count();
    let line = s.line.as_ref().ok();
    let refused = match (&s.line, unknown) {
        (Err(refusal), _) | (_, Some(Err(refusal))) => refusal.to_string(),
        _ => String::new(),
    };
    let unknown = unknown.and_then(|u| u.as_ref().ok());
    let about = |x: Option<f64>| {
        x.and_then(|x| numbers::rounded(x, 3))
            .map_or_else(String::new, |x| format!("{x}"))
    };
    let mut row = vec![
        text_cell(s.bench),
        text_cell(s.name),
        text_cell(s.unit),
        wavelength(s.wavelength_nm),
        standards.to_string(),
    ];
    row.extend(two(line.map(|l| l.slope)));
    row.extend(two(line.map(|l| l.intercept)));
    row.push(about(line.map(|l| l.scatter)));
    row.push(about(line.map(|l| l.range.0)));
    row.push(about(line.map(|l| l.range.1)));
    row.push(line.map_or_else(String::new, |l| l.left_out.to_string()));
    for limit in [Line::detection_limit, Line::quantification_limit] {
        row.extend(two(
            line.map(|l| Estimate::new(limit(l), l.limit_sigma(limit(l))))
        ));
    }
    row.push(text_cell(name));
    row.extend(two(unknown.map(|u| u.value)));
    for end in [unknown.map(|u| u.low), unknown.map(|u| u.high)] {
        let sigma = unknown.map_or(1.0, |u| u.value.sigma);
        row.push(end.map_or_else(String::new, |e| numbers::cell(e, sigma)));
    }
    row.push(text_cell(&refused));
    row
}
