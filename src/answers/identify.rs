//! What a lamp is: its peaks against the published tables, and the plain shapes of lasers, diodes and glowing filaments. The
//! score is like a probability among the candidates and `unknown`; it says nothing of lamps in no table, except by `unknown`.

use crate::terms::{Estimate, Lamp, LampLine, Peak, Spectrum};

use super::shift::{NARROW_NM, SHIFT_FREEDOM, Shift, WELL_SEEN_NM, sharp_of, weight};

/// Strength below which a table's line may be lost, the strongest being 1.
const MAY_BE_LOST: f64 = 0.08;
/// How dear an unexplained share of the light, or a missing share of the lines, is; and what `unknown` costs: as much as
/// four tenths unexplained. Chosen so that lamps of one element do not become another by one chance agreement.
const DEAR: f64 = 9.0;
/// So many lines of a table that has none in the well seen make it a candidate, at the price of so much missing.
const MANY_LINES: usize = 5;
const UNSEEN: f64 = 0.2;
const UNKNOWN_COST: f64 = 0.4 * DEAR;

/// A shifted lamp must be as much dearer as this, shared by the lines beyond its numbers.
const SHIFT_COST: f64 = 2.0;

/// Peaks outside this range, nm, say nothing of a lamp: phones hardly see there (no source).
const PEAKS_NM: std::ops::Range<f64> = 410.0..700.0;
/// What is narrower than this to either side, nm, is no broad light.
const OPENED_NM: f64 = 5.0;

/// A coloured diode's top is told by the part above this share of it: steadier than the highest row.
const CAP_SHARE: f64 = 0.8;
/// The phone's colour filters lean on a diode's flanks by these shares of its width, in top, centroid and width, and by this share of
/// the bandpass (common practice, no source).
const LEAN_TOP: f64 = 0.05;
const LEAN_CENTROID: f64 = 0.06;
const LEAN_WIDTH: f64 = 0.10;
const LEAN_BANDPASS: f64 = 0.1;

/// A coloured diode is measured within so many widths of its top (no source).
const ABOUT_TOP_WIDTHS: f64 = 1.5;
/// Where a white diode's blue top is, where its gap, and where blue is weighed against red, nm (no source).
const BLUE_TOP_NM: (f64, f64) = (440.0, 470.0);
const GAP_NM: (f64, f64) = (482.0, 490.0);
const BLUE_NM: (f64, f64) = (445.0, 460.0);
const RED_NM: (f64, f64) = (600.0, 620.0);

/// A peak is a table's line within so many of its uncertainties, or within this share of the bandpass, but never beyond so many nm.
const NEAR_SIGMAS: f64 = 3.0;
const NEAR_BANDPASS: f64 = 0.5;
const NEAR_MOST_NM: f64 = 2.0;
/// A peak belongs to a phosphor's band within this share of the band's width.
const IN_BAND: f64 = 0.6;
/// Lines nearer to each other than so many bandpasses make one peak between them.
const MERGED_BANDPASSES: f64 = 1.6;
/// A table's line is there where a peak lies within this share of the bandpass.
const THERE_BANDPASS: f64 = 0.8;
/// Where the red phosphor of the three-band lamps shines, nm (CIE FL10 to FL12 against FL2), and its least share of the highest peak.
const RED_PHOSPHOR_NM: std::ops::Range<f64> = 609.0..614.0;
const RED_PHOSPHOR_SHARE: f64 = 0.15;
/// Price of a red phosphor where the lamp has none, and of none where it has one.
const WRONG_PHOSPHOR: f64 = 0.6;
/// A lamp with phosphor bands has at least this share of broad light.
const PHOSPHOR_BROAD: f64 = 0.5;
/// A gas or vapour in clear glass, or a laser, has no more broad light than this share: glare and weak lines make a third.
const GLARE_BROAD: f64 = 0.35;
/// A line so many times as high as the broad light begins to tower over it, and does so wholly at twice that.
const TOWERS_FROM: f64 = 15.0;
/// A line wider than so many bandpasses is no laser's.
const LASER_BANDPASSES: f64 = 1.8;
/// A laser is as much dearer than a table's lamp, so that a lamp of one line (sodium) is that lamp.
const LASER_PRICE: f64 = 0.08;

/// This share of narrow light is none that speaks against a broad lamp; so many peaks are by chance, and each beyond them costs so
/// much; a towering line costs so much (no source).
const CHANCE_NARROW: f64 = 0.12;
const CHANCE_PEAKS: usize = 3;
const PEAK_PRICE: f64 = 0.02;
const TOWER_PRICE: f64 = 0.3;

/// A coloured diode's light is no wider than this, nm, and no narrower than this; each doubt grows over so many nm (no source)…
const LED_WIDEST_NM: f64 = 60.0;
const LED_WIDEST_OVER_NM: f64 = 25.0;
const LED_NARROWEST_NM: f64 = 10.0;
const LED_NARROWEST_OVER_NM: f64 = 6.0;
/// …and this share of it lies about its top; each share less costs so many times as much.
const LED_GATHERED: f64 = 0.9;
const LED_GATHERED_PRICE: f64 = 3.0;
/// A filament's light and daylight are at least as wide as this, nm…
const WIDE_NM: f64 = 75.0;
const WIDE_OVER_NM: f64 = 25.0;
/// …and have no gap after the blue; a white diode has one, below this share of its blue top (no source).
const GAP: f64 = 0.55;
const NO_GAP: f64 = 0.75;
const GAP_OVER: f64 = 0.25;
/// Blue over red: daylight has more than this, a filament less, a white diode more than the least.
const COLD: f64 = 0.6;
const WARM: f64 = 0.55;
const COLD_OVER: f64 = 0.3;
const WHITE_LEAST_BLUE: f64 = 0.05;
const WHITE_LEAST_BLUE_OVER: f64 = 0.03;
/// A white diode's light reaches beyond what lies about its top: no more than this share is there.
const WHITE_GATHERED: f64 = 0.97;
const WHITE_GATHERED_OVER: f64 = 0.03;

/// What a light was taken for, and how sure that is.
#[derive(Clone, Debug, PartialEq)]
pub struct Identity {
    /// Name of the table, or `laser`, `led`, `white-led`, `filament`, `daylight`, `unknown`.
    pub name: String,
    /// 0…1.
    pub score: f64,
    /// The next best, `unknown` among them.
    pub runner_up: (String, f64),
    /// A laser's wavelength, nm.
    pub laser_nm: Option<Estimate>,
    /// A coloured diode's numbers.
    pub led: Option<Led>,
}

/// A coloured diode, from the light as the phone shows it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Led {
    /// Wavelength of the highest point, nm.
    pub peak_nm: Estimate,
    /// Centroid, nm.
    pub centroid_nm: Estimate,
    /// Full width at half height, nm.
    pub half_width_nm: Estimate,
}

/// Identifies a lamp by its finished spectrum and peaks; `bandpass_nm` is the width of an unresolved line.
///
/// Never fails: what fits nothing is `unknown`.
pub fn identify(spectrum: &Spectrum, peaks: &[Peak], bandpass_nm: f64, lamps: &[Lamp]) -> Identity {
    let seen: Vec<&Peak> = peaks
        .iter()
        .filter(|p| p.height.value > 0.0 && PEAKS_NM.contains(&p.centre_nm.value))
        .collect();
    let sharp = sharp_of(&seen);
    let shape = Shape::of(spectrum);
    let mut costs: Vec<(String, f64)> = vec![("unknown".into(), UNKNOWN_COST)];
    for lamp in lamps {
        let as_read = line_lamp(lamp, &sharp, &shape, bandpass_nm);
        let put_right = Shift::of(lamp, &sharp, bandpass_nm).and_then(|(shift, n_lines)| {
            let peaks: Vec<Peak> = sharp.iter().map(|p| shift.put_right(p)).collect();
            let peaks: Vec<&Peak> = peaks.iter().collect();
            let cost = line_lamp(lamp, &peaks, &shape, bandpass_nm)?;
            Some(cost + SHIFT_COST / (n_lines - SHIFT_FREEDOM) as f64)
        });
        if let Some(cost) = as_read.into_iter().chain(put_right).reduce(f64::min) {
            costs.push((lamp.name.clone(), cost));
        }
    }
    costs.push(("laser".into(), laser(&sharp, &shape, bandpass_nm)));
    for (name, cost) in broad(&sharp, &shape) {
        costs.push((name.into(), cost));
    }
    let total: f64 = costs.iter().map(|c| (-c.1).exp()).sum();
    costs.sort_by(|a, b| a.1.total_cmp(&b.1).then(a.0.cmp(&b.0)));
    let score = |i: usize| (-costs[i].1).exp() / total;
    let name = costs[0].0.clone();
    let strongest = sharp
        .iter()
        .max_by(|a, b| a.height.value.total_cmp(&b.height.value));
    Identity {
        score: score(0),
        runner_up: (costs[1].0.clone(), score(1)),
        laser_nm: strongest.filter(|_| name == "laser").map(|p| p.centre_nm),
        led: (name == "led")
            .then(|| shape.led(spectrum, bandpass_nm))
            .flatten(),
        name,
    }
}

/// The broad features of a spectrum.
struct Shape {
    /// Share of the light that is no narrow peak, 0…1.
    broad: f64,
    /// Highest broad level, and where (nm).
    top: (f64, f64),
    /// Full width of the broad light at half its height, nm.
    width_nm: f64,
    /// Share of the broad light within that width about the top.
    gathered: f64,
    /// Level at 485 nm over that of the blue top (440–470 nm).
    blue_gap: f64,
    /// Light about 450 nm over light about 610 nm.
    blue_to_red: f64,
}

impl Shape {
    fn of(spectrum: &Spectrum) -> Shape {
        let rows: Vec<(f64, f64)> = spectrum
            .rows
            .iter()
            .filter(|r| WELL_SEEN_NM.contains(&r.wavelength_nm))
            .map(|r| (r.wavelength_nm, r.signal.max(0.0)))
            .collect();
        // Lowest about each place, then highest of those (an opening): narrow peaks are gone, slopes stay.
        let reach = (OPENED_NM / spectrum.step_nm.max(0.01)).round() as usize;
        let slide = |v: &[f64], pick: fn(f64, f64) -> f64| -> Vec<f64> {
            (0..v.len())
                .map(|i| {
                    v[i.saturating_sub(reach)..(i + reach + 1).min(v.len())]
                        .iter()
                        .copied()
                        .reduce(pick)
                        .unwrap_or(0.0)
                })
                .collect()
        };
        let light: Vec<f64> = rows.iter().map(|r| r.1).collect();
        let opened = slide(&slide(&light, f64::min), f64::max);
        let sum = |v: &[f64]| v.iter().sum::<f64>();
        let total = sum(&light).max(1e-12);
        let top =
            rows.iter().zip(&opened).fold(
                (0.0, 0.0),
                |best, (r, o)| if *o > best.0 { (*o, r.0) } else { best },
            );
        let peak = rows.iter().position(|r| r.0 >= top.1).unwrap_or(0);
        let mut low = peak;
        while low > 0 && opened[low] > 0.5 * top.0 {
            low -= 1;
        }
        let mut high = peak;
        while high + 1 < opened.len() && opened[high] > 0.5 * top.0 {
            high += 1;
        }
        let width_nm = (high - low) as f64 * spectrum.step_nm;
        let wide = high - low;
        let about = &opened[low.saturating_sub(wide / 2)..(high + wide / 2 + 1).min(opened.len())];
        let from_nm = |nm: f64| rows.partition_point(|r| r.0 < nm);
        let mean = |(from, to): (f64, f64)| {
            let part = &opened[from_nm(from)..from_nm(to)];
            sum(part) / part.len().max(1) as f64
        };
        let blue = &opened[from_nm(BLUE_TOP_NM.0)..from_nm(BLUE_TOP_NM.1)];
        let blue = blue.iter().copied().fold(0.0, f64::max);
        Shape {
            broad: sum(&opened) / total,
            top,
            width_nm,
            gathered: sum(about) / sum(&opened).max(1e-12),
            blue_gap: mean(GAP_NM) / blue.max(1e-12),
            blue_to_red: mean(BLUE_NM) / mean(RED_NM).max(1e-12),
        }
    }

    fn led(&self, spectrum: &Spectrum, bandpass_nm: f64) -> Option<Led> {
        // Wavelength (nm) and signal.
        let near: Vec<(f64, f64)> = spectrum
            .rows
            .iter()
            .filter(|r| (r.wavelength_nm - self.top.1).abs() < ABOUT_TOP_WIDTHS * self.width_nm)
            .map(|r| (r.wavelength_nm, r.signal))
            .collect();
        let top = near.iter().max_by(|a, b| a.1.total_cmp(&b.1))?;
        let centre_above = |level: f64| {
            let above = near.iter().filter(|r| r.1 > level);
            let moment: f64 = above.clone().map(|r| r.0 * (r.1 - level)).sum();
            moment / above.map(|r| r.1 - level).sum::<f64>()
        };
        let half = 0.5 * top.1;
        // Where the light, followed inwards, last rises through half its height.
        let crossing = |inwards: &[(f64, f64)]| {
            let rises = inwards
                .windows(2)
                .rfind(|w| w[0].1 < half && w[1].1 >= half)?;
            let (outer, inner) = (rises[0], rises[1]);
            let t = (half - outer.1) / (inner.1 - outer.1);
            Some(outer.0 + t * (inner.0 - outer.0))
        };
        let at = near.iter().position(|r| r.0 == top.0)?;
        let left = crossing(&near[..=at])?;
        let right = crossing(&near[at..].iter().rev().copied().collect::<Vec<_>>())?;
        let lean = |share: f64| (share * self.width_nm).hypot(LEAN_BANDPASS * bandpass_nm);
        let e = |value, sigma| Estimate::new(value, sigma);
        Some(Led {
            peak_nm: e(centre_above(CAP_SHARE * top.1), lean(LEAN_TOP)),
            centroid_nm: e(centre_above(0.0), lean(LEAN_CENTROID)),
            half_width_nm: e(right - left, lean(LEAN_WIDTH)),
        })
    }
}

/// What a table of lines leaves unexplained and what it lacks; absent for a table without a sharp line in the well seen,
/// unless many of its other lines are there: argon shines beyond where phones see well, but not only.
fn line_lamp(lamp: &Lamp, sharp: &[&Peak], shape: &Shape, bandpass_nm: f64) -> Option<f64> {
    // A phosphor's bands stand in the tables of the lamps that have it.
    let (lines, bands): (Vec<&LampLine>, Vec<&LampLine>) =
        lamp.lines.iter().partition(|l| l.width_nm < NARROW_NM);
    let reach = |p: &Peak| {
        (NEAR_SIGMAS * p.centre_nm.sigma)
            .max(NEAR_BANDPASS * bandpass_nm)
            .min(NEAR_MOST_NM)
    };
    let is_near = |l: &LampLine, p: &Peak, least_nm: f64| {
        (l.wavelength_nm - p.centre_nm.value).abs() < reach(p).max(least_nm)
    };
    let agrees = |p: &&&Peak| {
        lines.iter().any(|l| is_near(l, p, 0.0))
            || bands.iter().any(|l| is_near(l, p, IN_BAND * l.width_nm))
            // Lines closer than the instrument separates make one peak between them.
            || lines.windows(2).any(|w| {
                w[1].wavelength_nm - w[0].wavelength_nm < MERGED_BANDPASSES * bandpass_nm
                    && (w[0].wavelength_nm..w[1].wavelength_nm).contains(&p.centre_nm.value)
            })
    };
    let all: f64 = sharp.iter().map(|p| weight(p)).sum();
    let explained: f64 = sharp.iter().filter(agrees).map(|p| weight(p)).sum();
    let unexplained = if all > 0.0 {
        1.0 - explained / all
    } else {
        1.0
    };
    let is_there = |l: &LampLine, least_nm: f64| sharp.iter().any(|p| is_near(l, p, least_nm));
    let wanted: Vec<&LampLine> = lines
        .iter()
        .filter(|l| WELL_SEEN_NM.contains(&l.wavelength_nm) && l.strength >= MAY_BE_LOST)
        .copied()
        .collect();
    let missing = if wanted.is_empty() {
        if lines.iter().filter(|l| is_there(l, 0.0)).count() < MANY_LINES {
            return None;
        }
        UNSEEN
    } else {
        let there = wanted
            .iter()
            .filter(|l| is_there(l, THERE_BANDPASS * bandpass_nm));
        let there: f64 = there.map(|l| l.strength.sqrt()).sum();
        1.0 - there / wanted.iter().map(|l| l.strength.sqrt()).sum::<f64>()
    };
    let has_red = sharp.iter().any(|p| {
        RED_PHOSPHOR_NM.contains(&p.centre_nm.value)
            && p.height.value > RED_PHOSPHOR_SHARE * highest(sharp)
    });
    let has_bands = bands.iter().any(|l| l.width_nm > 0.0);
    let phosphor = match (lamp.name == "fluorescent", has_bands, has_red) {
        (true, _, true) => 0.0,
        (true, _, false) | (false, true, true) => WRONG_PHOSPHOR,
        (false, true, false) => (PHOSPHOR_BROAD - shape.broad).max(0.0),
        (false, false, _) => (shape.broad - GLARE_BROAD).max(0.0) * (1.0 - towering(sharp, shape)),
    };
    Some(DEAR * (unexplained + missing + phosphor))
}

fn highest(sharp: &[&Peak]) -> f64 {
    sharp.iter().map(|p| p.height.value).fold(0.0, f64::max)
}

/// How far the highest line towers over the broad light, 0 to 1. Stray light that is left over the whole spectrum can make
/// most of a faint laser's light; a lamp's own broad light is a tenth of its lines or more.
fn towering(sharp: &[&Peak], shape: &Shape) -> f64 {
    ((highest(sharp) / shape.top.0.max(1e-12) - TOWERS_FROM) / TOWERS_FROM).clamp(0.0, 1.0)
}

/// One line and nothing else.
fn laser(sharp: &[&Peak], shape: &Shape, bandpass_nm: f64) -> f64 {
    let light: f64 = sharp.iter().map(|p| weight(p)).sum();
    let Some(top) = sharp
        .iter()
        .max_by(|a, b| a.height.value.total_cmp(&b.height.value))
    else {
        return f64::MAX.sqrt();
    };
    let alone = weight(top) / light.max(f64::MIN_POSITIVE);
    let wide = (top.fwhm_nm.value / bandpass_nm.max(0.1) - LASER_BANDPASSES).clamp(0.0, 1.0);
    DEAR * (1.0 - alone
        + wide
        + (shape.broad - GLARE_BROAD).max(0.0) * (1.0 - towering(sharp, shape))
        + LASER_PRICE)
}

/// The lamps without lines, with their costs.
fn broad(sharp: &[&Peak], shape: &Shape) -> Vec<(&'static str, f64)> {
    // Light in narrow peaks speaks against all of them.
    let narrow = (1.0 - shape.broad - CHANCE_NARROW).max(0.0)
        + PEAK_PRICE * sharp.len().saturating_sub(CHANCE_PEAKS) as f64
        + TOWER_PRICE * towering(sharp, shape);
    let over = |x: f64, limit: f64, width: f64| ((x - limit) / width).clamp(0.0, 1.0);
    let led = over(shape.width_nm, LED_WIDEST_NM, LED_WIDEST_OVER_NM)
        + (LED_GATHERED - shape.gathered).max(0.0) * LED_GATHERED_PRICE
        + over(
            LED_NARROWEST_NM - shape.width_nm,
            0.0,
            LED_NARROWEST_OVER_NM,
        );
    let is_wide = over(WIDE_NM - shape.width_nm, 0.0, WIDE_OVER_NM);
    let gap = over(shape.blue_gap, GAP, GAP_OVER);
    let no_gap = over(NO_GAP - shape.blue_gap, 0.0, GAP_OVER);
    let (cold, warm) = (
        over(COLD - shape.blue_to_red, 0.0, COLD_OVER),
        over(shape.blue_to_red, WARM, COLD_OVER),
    );
    let white_narrow = over(shape.gathered, WHITE_GATHERED, WHITE_GATHERED_OVER);
    [
        ("led", led),
        (
            "white-led",
            gap + white_narrow
                + over(
                    WHITE_LEAST_BLUE - shape.blue_to_red,
                    0.0,
                    WHITE_LEAST_BLUE_OVER,
                ),
        ),
        ("filament", is_wide + no_gap + warm),
        ("daylight", is_wide + no_gap + cold),
    ]
    .map(|(name, cost)| (name, DEAR * (narrow + cost)))
    .into()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::answers::tests::drawn;
    use crate::terms::PeakKind;

    fn spectrum(light: impl Fn(f64) -> f64) -> Spectrum {
        drawn((400.0, 720.0), 0.5, light)
    }

    fn bell(nm: f64, centre: f64, fwhm: f64) -> f64 {
        (-4.0 * std::f64::consts::LN_2 * ((nm - centre) / fwhm).powi(2)).exp()
    }

    fn peaks(lines: &[(f64, f64)]) -> Vec<Peak> {
        let e = |value, sigma| Estimate::new(value, sigma);
        lines
            .iter()
            .map(|&(nm, height)| Peak {
                centre_nm: e(nm, 0.08),
                own_sigma_nm: 0.05,
                instrument_sigma_nm: 0.05,
                fwhm_nm: e(1.5, 0.1),
                height: e(height, 0.001),
                area: e(height * 1.6, 0.002),
                kind: PeakKind::Line,
                clipped: false,
                name: String::new(),
            })
            .collect()
    }

    fn table(name: &str, lines: &[(f64, f64)]) -> Lamp {
        Lamp {
            name: name.into(),
            title: name.into(),
            strengths_known: Lamp::USUAL_STRENGTHS,
            lines: lines
                .iter()
                .map(|&(wavelength_nm, strength)| LampLine {
                    wavelength_nm,
                    sigma_nm: 0.01,
                    strength,
                    name: name.into(),
                    fit: true,
                    width_nm: 0.0,
                })
                .collect(),
        }
    }

    fn lamps() -> Vec<Lamp> {
        vec![
            table(
                "helium",
                &[(447.15, 0.4), (501.57, 0.2), (587.56, 1.0), (667.82, 0.3)],
            ),
            table("sodium", &[(588.995, 1.0), (589.592, 0.5)]),
            table("hydrogen", &[(434.05, 0.2), (486.13, 0.5), (656.28, 1.0)]),
        ]
    }

    fn of_lines(lines: &[(f64, f64)]) -> Identity {
        let lit = spectrum(|nm| lines.iter().map(|l| l.1 * bell(nm, l.0, 1.5)).sum());
        identify(&lit, &peaks(lines), 1.5, &lamps())
    }

    #[test]
    fn a_tube_is_known_by_its_lines_and_one_line_alone_is_a_laser() {
        let helium = of_lines(&[(447.2, 0.2), (501.5, 0.2), (587.6, 0.5), (667.8, 0.2)]);
        assert_eq!(helium.name, "helium");
        assert!(helium.score > 0.8, "{helium:?}");
        assert_eq!(of_lines(&[(589.2, 0.5)]).name, "sodium");
        let laser = of_lines(&[(532.1, 0.5)]);
        assert_eq!(laser.name, "laser");
        assert!((laser.laser_nm.unwrap().value - 532.1).abs() < 1e-9);
    }

    #[test]
    fn a_tube_of_many_lines_is_known_on_a_scale_that_is_off_evenly_and_each_line_is_found() {
        // Strong lines of neon (NIST ASD 5, nm in air; from memory).
        let nm = [
            585.25, 594.48, 603.00, 614.31, 621.73, 630.48, 640.22, 650.65,
        ];
        let neon = table("neon", &nm.map(|nm| (nm, 1.0)));
        let read = |off: fn(f64) -> f64| nm.map(|nm| (nm + off(nm), 0.3));
        let known = |lines: &[(f64, f64)]| {
            let lit = spectrum(|nm| lines.iter().map(|l| l.1 * bell(nm, l.0, 1.0)).sum());
            identify(&lit, &peaks(lines), 1.0, &[neon.clone(), lamps().remove(0)])
        };
        let off = |nm: f64| 0.5 + 0.009 * (nm - 600.0);
        let found = known(&read(off));
        assert!(found.name == "neon" && found.score > 0.8, "{found:?}");
        let read = peaks(&read(off));
        let pairs = crate::answers::shift::placed(&neon, &read, 1.0);
        assert_eq!(pairs.len(), nm.len());
        for (line, peak) in pairs {
            let (nm, seen) = (line.wavelength_nm, peak.centre_nm.value);
            assert!((seen - nm - off(nm)).abs() < 0.1, "{nm} {seen}");
        }
        // Each line off by chance is no scale that is off evenly.
        let scattered = |nm: f64| 1.2 * (7.0 * nm).sin();
        let scattered = nm.map(|nm| (nm + scattered(nm), 0.3));
        assert_eq!(known(&scattered).name, "unknown");
    }

    #[test]
    fn a_faint_laser_over_stray_light_is_no_daylight() {
        let lit = spectrum(|nm| 0.0009 + 0.045 * bell(nm, 650.0, 1.7));
        let found = identify(&lit, &peaks(&[(650.0, 0.045)]), 1.7, &lamps());
        assert_eq!(found.name, "laser", "{found:?}");
    }

    #[test]
    fn lines_of_no_table_are_unknown() {
        for lines in [
            &[(460.0, 0.3), (520.0, 0.4), (551.0, 0.3), (610.0, 0.2)][..],
            &[
                (587.6, 0.3),
                (520.0, 0.4),
                (551.0, 0.3),
                (610.0, 0.2),
                (640.0, 0.3),
            ],
        ] {
            assert_eq!(of_lines(lines).name, "unknown", "{:?}", of_lines(lines));
        }
    }

    #[test]
    fn a_diode_has_its_peak_and_half_width() {
        let found = identify(
            &spectrum(|nm| 0.5 * bell(nm, 523.0, 32.0)),
            &[],
            1.5,
            &lamps(),
        );
        assert_eq!(found.name, "led", "{found:?}");
        let led = found.led.unwrap();
        assert!(
            (led.peak_nm.value - 523.0).abs() < 0.3 && (led.centroid_nm.value - 523.0).abs() < 0.3
        );
        assert!((led.half_width_nm.value - 32.0).abs() < 1.5, "{led:?}");
    }
}
