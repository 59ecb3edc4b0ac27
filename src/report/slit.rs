//! A bench's slit, from all its photos together: each tells its width only widely, for lens and focus widen lines as well.

use super::builds::builds;
use crate::answers::drift::MEDIAN;
use crate::publish::record::Record;
use crate::terms::{Code, Estimate, Quantity, USUAL_SLIT_LN, Verdict};

/// What one phone, its lens and the disc do alike to all photos of a bench does not average out: share of the width (drawn
/// benches, and photos that another program drew: the widths of eleven benches).
const COMMON_SHARE: f64 = 0.3;

/// The slit of a bench as it was built last.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize)]
pub struct BenchSlit {
    /// Width, µm.
    pub width_um: f64,
    /// Its standard uncertainty, µm.
    pub width_um_sigma: f64,
    /// From so many photos.
    pub photos: usize,
}

impl BenchSlit {
    /// The width with its uncertainty, µm.
    pub fn width(self) -> Estimate {
        Estimate::new(self.width_um, self.width_um_sigma)
    }
}

/// The median of what the bench's photos say, each by its own uncertainty: a photo that is wrong counts no more than any other.
///
/// `photos` are the bench's, in any order. Only those of the last build count, of these only usable ones if there are any, and none
/// that has moved or is out of focus. Absent where nothing is left.
pub fn bench_slit(photos: &[&Record]) -> Option<BenchSlit> {
    let builds = builds(photos);
    let last = builds.values().map(|build| build.number).max();
    let is_of_last = |r: &Record| {
        let lamp = r.calibration.as_ref().and_then(|c| c.photo.as_deref());
        let build = lamp.and_then(|photo| builds.get(photo));
        last.is_none() || build.map(|build| build.number) == last
    };
    let is_sharp = |r: &Record| {
        let blurred = [Code::Moved, Code::Defocused];
        !r.metrics.has(Quantity::MovedPx) && !r.reasons.iter().any(|r| blurred.contains(&r.code))
    };
    let known: Vec<(bool, Estimate)> = photos
        .iter()
        .filter(|r| is_of_last(r) && is_sharp(r))
        .filter_map(|r| {
            let width = r.metrics.estimate(Quantity::SlitWidthUm)?;
            let is_usable = matches!(r.verdict, Verdict::Good | Verdict::Caution);
            (width.value > 0.0 && width.sigma > 0.0).then_some((is_usable, width))
        })
        .collect();
    let any_usable = known.iter().any(|(is_usable, _)| *is_usable);
    let mut widths: Vec<Estimate> = known
        .into_iter()
        .filter(|(is_usable, _)| *is_usable || !any_usable)
        .map(|(_, width)| width)
        .collect();
    widths.sort_by(|a, b| a.value.total_cmp(&b.value));
    let weight = |e: &Estimate| (e.value / e.sigma).powi(2);
    let sum: f64 = widths.iter().map(weight).sum();
    let mut below = 0.0;
    let middle = widths.iter().find(|e| {
        below += weight(e);
        below >= 0.5 * sum
    })?;
    // What was known before any photo is in all of them, and counts once: precisions of the width's logarithm.
    let before = USUAL_SLIT_LN.powi(-2);
    let told: f64 = widths.iter().map(|e| (weight(e) - before).max(0.0)).sum();
    let variance_of_told = MEDIAN * MEDIAN / told + COMMON_SHARE * COMMON_SHARE;
    Some(BenchSlit {
        width_um: middle.value,
        width_um_sigma: middle.value / (before + 1.0 / variance_of_told).sqrt(),
        photos: widths.len(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn photo(name: &str, verdict: Verdict, um: f64, sigma: f64) -> Record {
        let mut record = Record {
            photo: name.to_owned(),
            verdict,
            ..Record::default()
        };
        let width = Estimate::new(um, sigma);
        record.metrics.numbers.note(Quantity::SlitWidthUm, width);
        record
    }

    fn slit(photos: &[Record]) -> Option<BenchSlit> {
        bench_slit(&photos.iter().collect::<Vec<_>>())
    }

    #[test]
    fn many_photos_know_the_slit_better_than_one_but_never_better_than_their_phone() {
        let all: Vec<Record> = (0..100)
            .map(|i| {
                photo(
                    &format!("{i}.jpg"),
                    Verdict::Good,
                    180.0 + f64::from(i),
                    90.0,
                )
            })
            .collect();
        let one = slit(&all[..1]).unwrap();
        let many = slit(&all).unwrap();
        assert!((many.width_um - 230.0).abs() < 25.0, "{many:?}");
        assert!(many.width_um_sigma < 0.8 * one.width_um_sigma);
        assert!(many.width_um_sigma > 0.8 * COMMON_SHARE * many.width_um);
        assert_eq!(many.photos, 100);
    }

    #[test]
    fn photos_that_tell_nothing_do_not_become_certain_by_their_number() {
        // As wide, and as uncertain, as slits are before any photo.
        let silent: Vec<Record> = (0..30)
            .map(|i| photo(&format!("{i}.jpg"), Verdict::Good, 200.0, 120.0))
            .collect();
        let all = slit(&silent).unwrap();
        assert!(
            (all.width_um_sigma / all.width_um - USUAL_SLIT_LN).abs() < 0.01,
            "{all:?}"
        );
    }

    #[test]
    fn a_slit_that_was_mended_and_a_photo_that_moved_do_not_count() {
        let wide = photo("a.jpg", Verdict::Retake, 900.0, 100.0);
        assert_eq!(slit(std::slice::from_ref(&wide)).unwrap().width_um, 900.0);
        let good = photo("b.jpg", Verdict::Good, 200.0, 80.0);
        let mut moved = photo("c.jpg", Verdict::Good, 600.0, 80.0);
        moved.metrics.numbers.set(Quantity::MovedPx, 9.0);
        let both = slit(&[wide, good, moved.clone()]).unwrap();
        assert_eq!((both.width_um, both.photos), (200.0, 1));
        assert_eq!(slit(&[moved]), None);
    }
}
