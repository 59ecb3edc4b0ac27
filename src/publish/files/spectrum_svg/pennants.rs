//! Pennants: words flown from staffs above a curve, so placed that none covers another and no staff runs through one.

use std::ops::Range;

use super::sheet::{LEFT, LETTER, RIGHT, TEXT, WIDTH, cut};
use crate::publish::drawing::plane::Axis;
use crate::publish::numbers;
use crate::terms::{Estimate, Peak, Phrases, Spectrum};

/// Height of a row of pennants.
pub const PENNANT: f64 = 22.0;
const PENNANT_ROWS: usize = 4;
/// Most peaks named; the rest stand in `peaks.csv`.
const MOST_NAMES: usize = 10;

/// What a pennant is about.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Hue {
    /// A peak that agrees with a published line.
    Named,
    /// Another peak.
    Bare,
    /// Clipped light.
    Hot,
}

/// A pennant on its staff: it flies from the staff to one side.
#[derive(Clone, Debug)]
pub struct Pennant {
    /// Where the staff stands.
    pub staff: f64,
    width: f64,
    /// What it says.
    pub words: String,
    /// What it is about.
    pub hue: Hue,
    /// Row above the curve, 0 the lowest.
    pub row: usize,
    /// True where it flies to the left.
    pub to_left: bool,
}

impl Pennant {
    fn new(staff: f64, words: String, hue: Hue) -> Pennant {
        Pennant {
            staff,
            width: words.chars().count() as f64 * TEXT * LETTER + 16.0,
            words,
            hue,
            row: 0,
            to_left: false,
        }
    }

    /// Its left and right end.
    pub fn span(&self) -> (f64, f64) {
        match self.to_left {
            true => (self.staff - self.width, self.staff),
            false => (self.staff, self.staff + self.width),
        }
    }

    /// True where neither pennant covers the other, and no staff runs through a pennant.
    fn is_clear_of(&self, other: &Pennant) -> bool {
        // Less than the distance of the yellow mercury pair, which may fly to both sides.
        let gap = 2.0;
        let ((a0, a1), (b0, b1)) = (self.span(), other.span());
        let apart = a0 > b1 + gap || b0 > a1 + gap;
        let below_self = other.staff > a0 - gap && other.staff < a1 + gap;
        let below_other = self.staff > b0 - gap && self.staff < b1 + gap;
        (apart || self.row != other.row)
            && (!below_self || other.row < self.row)
            && (!below_other || self.row < other.row)
    }
}

/// Steps that the search for places may take: some ten pennants need a few hundred, and a crowd must not stall a photo.
const MOST_STEPS: usize = 4000;

/// Gives every pennant a row and a side, low rows first. Absent where the rows do not suffice.
fn hoist(mut pennants: Vec<Pennant>) -> Option<Vec<Pennant>> {
    pennants.sort_by(|a, b| b.staff.total_cmp(&a.staff));
    let mut done = Vec::with_capacity(pennants.len());
    let mut steps = 0;
    place_all(&pennants, &mut done, &mut steps).then_some(done)
}

/// Places the pennants one after the other, going back where the next finds no place.
fn place_all(waiting: &[Pennant], done: &mut Vec<Pennant>, steps: &mut usize) -> bool {
    let Some((next, rest)) = waiting.split_first() else {
        return true;
    };
    for row in 0..PENNANT_ROWS {
        for to_left in [false, true] {
            *steps += 1;
            if *steps > MOST_STEPS {
                return false;
            }
            let place = Pennant {
                row,
                to_left,
                ..next.clone()
            };
            let (from, to) = place.span();
            let is_inside = from >= 2.0 && to <= WIDTH - 2.0;
            if is_inside && done.iter().all(|other| place.is_clear_of(other)) {
                done.push(place);
                if place_all(rest, done, steps) {
                    return true;
                }
                done.pop();
            }
        }
    }
    false
}

/// The pennants to fly: clipped light first, then peaks by importance, each only where there is room beside those before.
pub fn arrange(
    hot: &[Range<usize>],
    peaks: &[Peak],
    (spectrum, across): (&Spectrum, &Axis),
    t: &Phrases,
) -> Vec<Pennant> {
    let mut wanted = Vec::new();
    if let Some(widest) = hot.iter().max_by_key(|run| run.len()) {
        let middle = spectrum.rows[(widest.start + widest.end - 1) / 2].wavelength_nm;
        let clipped = t.say("picture.clipped");
        wanted.push(Pennant::new(across.at(middle), clipped, Hue::Hot));
    }
    for peak in important(peaks) {
        let staff = across.at(peak.centre_nm.value);
        if !(LEFT..=RIGHT).contains(&staff) {
            continue;
        }
        let hue = if peak.name.is_empty() {
            Hue::Bare
        } else {
            Hue::Named
        };
        wanted.push(Pennant::new(staff, t.n(name_of(peak)), hue));
    }
    let mut flown: Vec<Pennant> = Vec::new();
    for pennant in wanted {
        let mut more = flown.clone();
        more.push(pennant);
        if let Some(placed) = hoist(more) {
            flown = placed;
        }
    }
    flown
}

/// The peaks worth a name: those that agree with a published line first, then by height.
fn important(peaks: &[Peak]) -> Vec<&Peak> {
    let mut chosen: Vec<&Peak> = peaks
        .iter()
        .filter(|p| p.centre_nm.value.is_finite() && p.height.value.is_finite())
        .collect();
    let highest = chosen.iter().map(|p| p.height.value).fold(0.0, f64::max);
    chosen.retain(|p| !p.name.is_empty() || p.height.value > 0.05 * highest);
    chosen.sort_by(|a, b| {
        let key = |p: &Peak| (p.name.is_empty(), -p.height.value);
        let (a, b) = (key(a), key(b));
        a.0.cmp(&b.0).then(a.1.total_cmp(&b.1))
    });
    chosen.truncate(MOST_NAMES);
    chosen
}

/// A peak in a word: the element with the line's whole nanometres, or its measured centre. The full numbers stand in
/// `peaks.csv`.
fn name_of(peak: &Peak) -> String {
    let whole = |word: &str| {
        let nm = word.parse::<f64>().ok();
        nm.map_or(word.to_owned(), |nm| numbers::fixed(nm, 0))
    };
    if !peak.name.is_empty() {
        let words: Vec<String> = peak.name.split_whitespace().map(whole).collect();
        return cut(&words.join(" "), 130.0);
    }
    let Estimate { value, sigma } = peak.centre_nm;
    numbers::fixed(value, if sigma < 0.5 { 1 } else { 0 })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_pennant_covers_another_wherever_the_peaks_lie() {
        // A fixed sequence of odd places (multiples of the golden ratio), checked by a plain comparison of areas.
        for n in 1..12 {
            let mut flown: Vec<Pennant> = Vec::new();
            for k in 0..n {
                let share = (0.618_033_988_75 * f64::from(k * n + 1)).fract();
                let staff = LEFT + share * (RIGHT - LEFT);
                let mut more = flown.clone();
                more.push(Pennant::new(staff, format!("Xx {k}"), Hue::Named));
                if let Some(placed) = hoist(more) {
                    flown = placed;
                }
            }
            assert!(!flown.is_empty());
            for (i, p) in flown.iter().enumerate() {
                assert!(p.span().0 >= 0.0 && p.span().1 <= WIDTH);
                for q in flown.iter().skip(i + 1) {
                    let touch = p.span().0 < q.span().1 && q.span().0 < p.span().1;
                    assert!(!(touch && p.row == q.row), "{p:?} covers {q:?}");
                    let pierced = |p: &Pennant, q: &Pennant| {
                        q.staff > p.span().0 && q.staff < p.span().1 && q.row > p.row
                    };
                    assert!(!pierced(p, q) && !pierced(q, p), "{p:?} {q:?}");
                }
            }
        }
    }

    #[test]
    fn a_pair_of_lines_keeps_both_names() {
        let across = Axis::new(380.0, 750.0, (LEFT, RIGHT));
        let e = |value| Estimate::new(value, 0.1);
        let peak = |nm: f64, height: f64| Peak {
            centre_nm: e(nm),
            own_sigma_nm: 0.05,
            instrument_sigma_nm: 0.05,
            fwhm_nm: e(1.5),
            height: e(height),
            area: e(1.0),
            kind: crate::terms::PeakKind::Line,
            clipped: false,
            name: format!("Hg {nm:.2}"),
        };
        // The mercury lines of a fluorescent lamp (NIST Atomic Spectra Database, from memory).
        let peaks = [
            peak(404.66, 0.3),
            peak(435.83, 0.6),
            peak(546.07, 0.9),
            peak(576.96, 0.2),
            peak(579.07, 0.2),
        ];
        let flown = {
            let english = crate::settings::english();
            arrange(&[], &peaks, (&Spectrum::default(), &across), english)
        };
        let mut words: Vec<&str> = flown.iter().map(|p| p.words.as_str()).collect();
        words.sort_unstable();
        assert_eq!(words, ["Hg 405", "Hg 436", "Hg 546", "Hg 577", "Hg 579"]);
    }

    #[test]
    fn bare_peaks_show_what_was_measured_and_faint_ones_stay_unnamed() {
        let e = |value, sigma| Estimate::new(value, sigma);
        let peak = |nm: f64, sigma: f64, height: f64| Peak {
            centre_nm: e(nm, sigma),
            own_sigma_nm: 0.05,
            instrument_sigma_nm: 0.05,
            fwhm_nm: e(20.0, 1.0),
            height: e(height, 0.01),
            area: e(1.0, 0.1),
            kind: crate::terms::PeakKind::Band,
            clipped: false,
            name: String::new(),
        };
        assert_eq!(name_of(&peak(452.13, 0.1, 0.5)), "452.1");
        assert_eq!(name_of(&peak(557.4, 2.0, 0.5)), "557");
        assert_eq!(
            important(&[peak(452.0, 0.1, 0.5), peak(700.0, 0.1, 0.01)]).len(),
            1
        );
    }
}
