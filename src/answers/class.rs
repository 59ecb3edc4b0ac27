//! How well a class agrees: repeatability and reproducibility of one quantity over benches, and benches that stand apart.
//! After ISO 5725-2; a bench is its laboratory.

use super::quantile::{fisher_f, student_t};
use super::refusal::Refusal;

/// Below five benches one of them always stands apart: of three, h cannot pass 1.155, and its 1 % value is 1.155.
const FEWEST_TO_JUDGE: usize = 5;

/// Significance beyond which a bench is an outlier, and a straggler (ISO 5725-2, 7.3).
const OUTLIER: f64 = 0.01;
const STRAGGLER: f64 = 0.05;
/// A light's top is sought so near to its peak, nm (no source).
const TOP_NM: f64 = 2.0;

/// Widest light at half its height by whose place benches are compared, nm. Broader light has its highest point where the phone
/// answers best, not where the lamp shines most, and no two phones agree on it. Lines and coloured diodes are narrower.
const BROADEST_NM: f64 = 60.0;

/// True where the light about `peak_nm` is a line or a band narrow enough for benches to be compared by its place.
///
/// `light` is a spectrum: wavelength (nm) and signal, rising; half the height is sought on either side of the highest signal
/// within 2 nm of the peak. Light that reaches the spectrum's end above half its height is broad.
pub fn is_narrow(light: &[(f64, f64)], peak_nm: f64) -> bool {
    let near = |p: &&(f64, f64)| (p.0 - peak_nm).abs() <= TOP_NM;
    let top = light.iter().filter(near).map(|p| p.1).fold(0.0, f64::max);
    let is_low = |p: &&(f64, f64)| p.1 <= 0.5 * top;
    let below = light.iter().rev().filter(|p| p.0 < peak_nm).find(is_low);
    let above = light.iter().filter(|p| p.0 > peak_nm).find(is_low);
    match (below, above) {
        (Some(below), Some(above)) => top > 0.0 && above.0 - below.0 <= BROADEST_NM,
        _ => false,
    }
}

/// Results of one bench for one quantity.
#[derive(Clone, Debug, PartialEq)]
pub struct Cell {
    /// The bench.
    pub bench: String,
    /// Results of its repeats, one or more.
    pub values: Vec<f64>,
}

/// A bench's place among the others.
#[derive(Clone, Debug, PartialEq)]
pub struct Standing {
    /// The bench.
    pub bench: String,
    /// Number of its repeats.
    pub n: usize,
    /// Mean of its repeats.
    pub mean: f64,
    /// Standard deviation of its repeats; absent for one.
    pub sd: Option<f64>,
    /// Mandel's h: deviation of its mean from the class's in standard deviations of the means; absent below three benches.
    pub h: Option<f64>,
    /// Mandel's k: its scatter over the class's; absent for one repeat.
    pub k: Option<f64>,
    /// What follows: `agrees`, `straggler` (beyond the 5 % value of the whole class) or `outlier` (beyond its 1 % value).
    pub word: &'static str,
    /// Which statistic said so: `h` (Grubbs's test), `k` (Cochran's), or empty.
    pub by: &'static str,
}

/// How well the benches of a class agree about one quantity.
#[derive(Clone, Debug, PartialEq)]
pub struct Precision {
    /// Mean over all results.
    pub mean: f64,
    /// Standard deviation of one bench's repeats; absent where no bench has two.
    pub repeatability_sd: Option<f64>,
    /// Standard deviation between benches; absent with `repeatability_sd`.
    pub between_sd: Option<f64>,
    /// Standard deviation of one result by any bench.
    pub reproducibility_sd: f64,
    /// Cochran's C of the most scattered bench and its 5 % value, for equal numbers of repeats ≥ 2 alone.
    pub cochran: Option<(f64, f64)>,
    /// Every bench.
    pub benches: Vec<Standing>,
}

/// Repeatability and reproducibility standard deviations (ISO 5725-2:1994, 7.4), Mandel's h and k (7.3.1), Cochran's test
/// (7.3.3).
///
/// Without repeats the two cannot be told apart: only the spread of the benches is given, as reproducibility. A bench is
/// given its word by the tests that hold for a whole class, Cochran's of its scatter and Grubbs's of its mean (7.3.3, 7.3.4):
/// h and k with the significance shared among the benches. By the lines for a single bench (7.3.1) every other class of
/// ten sound benches would have a straggler.
///
/// # Errors
/// `too-few-benches` below two benches with a result.
pub fn precision(cells: &[Cell]) -> Result<Precision, Refusal> {
    let cells: Vec<&Cell> = cells.iter().filter(|c| !c.values.is_empty()).collect();
    let p = cells.len();
    if p < 2 {
        return Err(Refusal::new(
            "too-few-benches",
            "agreement needs results of two benches at least",
        ));
    }
    let n_of = |cell: &&Cell| cell.values.len();
    let all: Vec<f64> = cells.iter().flat_map(|c| c.values.clone()).collect();
    let grand = mean(&all);
    let freedom: usize = cells.iter().map(|c| n_of(c) - 1).sum();
    let within = (freedom > 0)
        .then(|| cells.iter().map(|c| squares(&c.values)).sum::<f64>() / freedom as f64);
    let means: Vec<f64> = cells.iter().map(|c| mean(&c.values)).collect();
    let weighed = cells.iter().zip(&means);
    let s_d2 = weighed
        .map(|(c, m)| n_of(c) as f64 * (m - grand).powi(2))
        .sum::<f64>()
        / (p as f64 - 1.0);
    let total = all.len() as f64;
    let squared: f64 = cells.iter().map(|c| (n_of(c) as f64).powi(2)).sum();
    let n_bar = (total - squared / total) / (p as f64 - 1.0);
    let between = within.map(|s_r2| ((s_d2 - s_r2) / n_bar).max(0.0));
    let reproducibility = match (within, between) {
        (Some(w), Some(b)) => w + b,
        _ => s_d2,
    };
    let class = Class {
        n_benches: p,
        n_with_repeats: cells.iter().filter(|c| n_of(c) > 1).count(),
        freedom,
        within,
        middle: mean(&means),
        sd_of_means: (squares(&means) / (p as f64 - 1.0)).sqrt(),
    };
    Ok(Precision {
        mean: grand,
        repeatability_sd: within.map(f64::sqrt),
        between_sd: between.map(f64::sqrt),
        reproducibility_sd: reproducibility.sqrt(),
        cochran: cochran(&cells),
        benches: cells.iter().map(|cell| class.standing(cell)).collect(),
    })
}

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}

/// Sum of the squared deviations from the mean.
fn squares(values: &[f64]) -> f64 {
    let m = mean(values);
    values.iter().map(|x| (x - m).powi(2)).sum::<f64>()
}

/// What a bench is compared with.
struct Class {
    n_benches: usize,
    n_with_repeats: usize,
    /// Degrees of freedom of all repeats together.
    freedom: usize,
    /// Variance of one bench's repeats; absent where no bench has two.
    within: Option<f64>,
    /// Mean of the benches' means, and their standard deviation.
    middle: f64,
    sd_of_means: f64,
}

impl Class {
    fn standing(&self, cell: &Cell) -> Standing {
        let n = cell.values.len();
        let mean = mean(&cell.values);
        let sd = (n > 1).then(|| (squares(&cell.values) / (n as f64 - 1.0)).sqrt());
        let h = (self.n_benches > 2 && self.sd_of_means > 0.0)
            .then(|| (mean - self.middle) / self.sd_of_means);
        let within = self.within.filter(|w| *w > 0.0);
        let k = sd.zip(within).map(|(s, w)| s / w.sqrt());
        let others = self.freedom - (n - 1);
        let beyond = |level: f64| {
            let is_far = self.n_benches >= FEWEST_TO_JUDGE
                && h.is_some_and(|h| {
                    h.abs() > mandel_h(self.n_benches, level / self.n_benches as f64)
                });
            let is_wild = others > 0
                && k.is_some_and(|k| {
                    k > scatter_limit(n - 1, others, level / self.n_with_repeats as f64)
                });
            match (is_far, is_wild) {
                (true, _) => Some("h"),
                (false, true) => Some("k"),
                (false, false) => None,
            }
        };
        let (word, by) = match (beyond(OUTLIER), beyond(STRAGGLER)) {
            (Some(by), _) => ("outlier", by),
            (None, Some(by)) => ("straggler", by),
            (None, None) => ("agrees", ""),
        };
        Standing {
            bench: cell.bench.clone(),
            n,
            mean,
            sd,
            h,
            k,
            word,
            by,
        }
    }
}

/// Cochran's C of the most scattered bench and its 5 % value; absent for unequal or single repeats, and without scatter.
fn cochran(cells: &[&Cell]) -> Option<(f64, f64)> {
    let n_each = cells[0].values.len();
    if n_each < 2 || cells.iter().any(|c| c.values.len() != n_each) {
        return None;
    }
    let squares: Vec<f64> = cells.iter().map(|c| squares(&c.values)).collect();
    let sum: f64 = squares.iter().sum();
    let most = squares.iter().copied().fold(0.0, f64::max);
    (sum > 0.0).then(|| (most / sum, cochran_critical(cells.len(), n_each, STRAGGLER)))
}

/// Critical value of Mandel's h for `p` benches at significance `level` (two-sided).
///
/// h = (p − 1) t / √(p (t² + p − 2)), t of p − 2 degrees of freedom (ISO 5725-2:1994, from the definition of h).
pub fn mandel_h(p: usize, level: f64) -> f64 {
    let p = p as f64;
    let t = student_t(1.0 - 0.5 * level, p - 2.0);
    (p - 1.0) * t / (p * (t * t + p - 2.0)).sqrt()
}

/// Critical value of k for a bench with `own` degrees of freedom, all `others` together having theirs.
///
/// k² = ν / (own + others/F), ν = own + others, F of (own, others) degrees of freedom: k² is the bench's variance over the
/// pooled one, of which it is a part. With equal repeats it is Mandel's k, √(p / (1 + (p − 1)/F)).
fn scatter_limit(own: usize, others: usize, level: f64) -> f64 {
    let (own, others) = (own as f64, others as f64);
    let f = fisher_f(1.0 - level, own, others);
    ((own + others) / (own + others / f)).sqrt()
}

/// Critical value of Cochran's C for `p` benches of `n` repeats: 1 / (1 + (p − 1)/F) with F at 1 − level/p.
fn cochran_critical(p: usize, n: usize, level: f64) -> f64 {
    let (p, n) = (p as f64, n as f64);
    let f = fisher_f(1.0 - level / p, n - 1.0, (p - 1.0) * (n - 1.0));
    1.0 / (1.0 + (p - 1.0) / f)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn cells(rows: &[&[f64]]) -> Vec<Cell> {
        rows.iter()
            .enumerate()
            .map(|(i, values)| Cell {
                bench: format!("{i}"),
                values: values.to_vec(),
            })
            .collect()
    }

    #[test]
    fn lines_and_diodes_are_narrow_and_what_a_phone_makes_of_a_filament_is_not() {
        let bump = |nm: f64, centre: f64, fwhm: f64| {
            (-4.0 * 2f64.ln() * ((nm - centre) / fwhm).powi(2)).exp()
        };
        let seen = |light: &dyn Fn(f64) -> f64| -> Vec<(f64, f64)> {
            (1480..3120)
                .map(|i| (0.25 * f64::from(i), light(0.25 * f64::from(i))))
                .collect()
        };
        assert!(is_narrow(&seen(&|nm| bump(nm, 587.6, 1.5) + 0.05), 587.6));
        assert!(is_narrow(&seen(&|nm| bump(nm, 525.0, 35.0)), 525.3));
        // A line on a phosphor that is less than half as high.
        let white = seen(&|nm| bump(nm, 450.0, 22.0) + 0.45 * bump(nm, 580.0, 120.0));
        assert!(is_narrow(&white, 450.0) && !is_narrow(&white, 580.0));
        assert!(!is_narrow(&seen(&|nm| bump(nm, 605.0, 95.0)), 605.0));
        assert!(!is_narrow(&seen(&|_| 1.0), 605.0));
        assert!(!is_narrow(&seen(&|_| 0.0), 605.0) && !is_narrow(&[], 605.0));
    }

    #[test]
    fn critical_values_are_those_of_the_published_tables() {
        // From memory; tolerance a unit of the last printed digit. ISO 5725-2:1994: Cochran's C, 5 %, n = 3, p = 10: 0.445;
        // Mandel's h, p = 10: 1.80 at 5 %, 2.18 at 1 %. ASTM E691, 0.5 %, p = 8, n = 3: h 2.15, k 2.06.
        assert!((cochran_critical(10, 3, 0.05) - 0.445).abs() < 0.0015);
        assert!((mandel_h(10, 0.05) - 1.80).abs() < 0.011);
        assert!((mandel_h(10, 0.01) - 2.18).abs() < 0.011);
        assert!((mandel_h(8, 0.005) - 2.15).abs() < 0.011);
        assert!((scatter_limit(2, 7 * 2, 0.005) - 2.06).abs() < 0.011);
    }

    #[test]
    fn a_bench_that_stands_apart_is_named_with_its_statistic() {
        let rows: Vec<Vec<f64>> = (0..8)
            .map(|i| {
                let off = if i == 5 {
                    0.2
                } else {
                    0.003 * f64::from(i % 3)
                };
                vec![0.5 + off, 0.501 + off, 0.499 + off]
            })
            .collect();
        let rows: Vec<&[f64]> = rows.iter().map(Vec::as_slice).collect();
        let found = precision(&cells(&rows)).unwrap();
        assert_eq!(
            (found.benches[5].word, found.benches[5].by),
            ("outlier", "h")
        );
        assert!(found.benches.iter().filter(|b| b.word == "agrees").count() == 7);
        let wild = precision(&cells(&[
            &[1.0, 1.01],
            &[1.0, 0.99],
            &[0.99, 1.0],
            &[0.8, 1.2],
            &[1.0, 1.01],
        ]))
        .unwrap();
        assert_eq!((wild.benches[3].word, wild.benches[3].by), ("outlier", "k"));
    }

    #[test]
    fn the_limit_for_means_is_grubbs_s_and_that_for_scatter_cochran_s() {
        // ISO 5725-2:1994, Grubbs's critical values for one outlying mean, from memory, to the printed digits: p = 5 1.715
        // at 5 %, 1.764 at 1 %; p = 10 2.290 and 2.482. Cochran's C is k² over p.
        for (p, level, g) in [
            (5, 0.05, 1.715),
            (5, 0.01, 1.764),
            (10, 0.05, 2.290),
            (10, 0.01, 2.482),
        ] {
            assert!((mandel_h(p, level / p as f64) - g).abs() < 6e-4, "{p}");
        }
        let k = scatter_limit(2, 18, 0.05 / 10.0);
        assert!((k * k / 10.0 - cochran_critical(10, 3, 0.05)).abs() < 1e-9);
    }

    #[test]
    fn a_class_of_sound_benches_seldom_has_a_bench_called_out() {
        use rand::{RngExt, SeedableRng};
        let mut chance = rand_pcg::Pcg64Mcg::seed_from_u64(11);
        let mut normal = || (0..12).map(|_| chance.random::<f64>()).sum::<f64>() - 6.0;
        for repeats in [[3; 10], [1, 1, 1, 1, 1, 1, 2, 2, 4, 6]] {
            let (mut outliers, mut any) = (0, 0);
            let n = 1000;
            for _ in 0..n {
                let rows: Vec<Vec<f64>> = repeats
                    .iter()
                    .map(|r| (0..*r).map(|_| normal()).collect())
                    .collect();
                let rows: Vec<&[f64]> = rows.iter().map(Vec::as_slice).collect();
                let found = precision(&cells(&rows)).unwrap();
                outliers += usize::from(found.benches.iter().any(|b| b.word == "outlier"));
                any += usize::from(found.benches.iter().any(|b| b.word != "agrees"));
            }
            // Two tests of 5 and of 1 % each. Means of unequal repeats scatter unequally, which Grubbs's test does not know.
            let share = |k: usize| k as f64 / f64::from(n);
            assert!(share(outliers) < 0.045, "{repeats:?}: {}", share(outliers));
            assert!(
                (0.04..0.17).contains(&share(any)),
                "{repeats:?}: {}",
                share(any)
            );
        }
    }

    #[test]
    fn of_three_benches_none_is_called_an_outlier() {
        let three = precision(&cells(&[&[1.0], &[1.0], &[1.2]])).unwrap();
        assert!(three.benches.iter().all(|b| b.word == "agrees"));
    }

    #[test]
    fn without_repeats_only_the_spread_of_the_benches_is_given() {
        let found = precision(&cells(&[&[1.0], &[1.2], &[1.1]])).unwrap();
        assert_eq!(found.repeatability_sd, None);
        assert!((found.reproducibility_sd - 0.1).abs() < 1e-12);
        assert_eq!(
            precision(&cells(&[&[1.0]])).unwrap_err().code,
            "too-few-benches"
        );
    }
}
