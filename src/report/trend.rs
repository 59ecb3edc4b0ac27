//! A bench over time: how slit, scale and focus have come along from photo to photo, in numbers and in words. All of them
//! are better when they are smaller.

use super::builds::has_own_scale;
use super::pages;
use super::standing::BenchStanding;
use crate::answers::drift;
use crate::publish::numbers;
use crate::publish::record::Record;
use crate::terms::{Code, Estimate, Phrases, Quantity, Verdict};

/// A change below this share says as much about phone, lamp and noise as about the instrument (common practice, no source).
const LEAST_CHANGE: f64 = 0.15;
/// Photos before the last that stand for "lately".
const LATELY: usize = 3;
/// Fewer photos than this have no "lately" (no source).
const LEAST_FOR_LATELY: usize = 3;

/// A quantity over a bench's photos.
pub struct Trend {
    /// Under which key it is named.
    pub key: &'static str,
    /// Unit, with a space before it.
    pub unit: &'static str,
    /// As the photos were taken; never empty.
    pub points: Vec<Point>,
    /// True where the last of them had to be taken again and a usable photo since does not tell.
    pub is_outdated: bool,
}

/// One photo's value.
pub struct Point {
    /// When it was taken; may be empty.
    pub time: String,
    /// Value.
    pub value: f64,
    /// Standard uncertainty; absent where there is none.
    pub sigma: Option<f64>,
    /// True for a photo that is to be taken again: drawn hollow.
    pub is_retake: bool,
}

/// How one value stands to an earlier one.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Change {
    /// Smaller, beyond doubt.
    Better,
    /// No change that can be told.
    Steady,
    /// Larger, beyond doubt.
    Worse,
}

/// What has been seen of a bench: slit width, dust, uncertainty of the scale, focus, bandpass; those without a value are left out.
pub fn trends(bench: &BenchStanding<'_>) -> Vec<Trend> {
    [
        ("trend.slit", " µm", Quantity::SlitWidthUm, false),
        ("trend.dust", "", Quantity::DustShare, false),
        ("trend.scale", " nm", Quantity::WavelengthSigmaNm, true),
        ("trend.focus", " px", Quantity::BlurPx, false),
        ("page.bandpass", " nm", Quantity::BandpassNm, true),
    ]
    .into_iter()
    .filter_map(|(key, unit, metric, lamps_only)| {
        let points: Vec<Point> = bench
            .records()
            .filter(|r| tells(r) && (!lamps_only || has_own_scale(r)))
            .filter_map(|r| point(r, metric))
            .collect();
        (!points.is_empty()).then(|| Trend {
            key,
            unit,
            is_outdated: bench.metric(metric).is_none(),
            points,
        })
    })
    .collect()
}

/// True where a photo shows the instrument as it was: not where it has to be taken again for what was done with it, such
/// as moving it, or letting light in.
fn tells(record: &Record) -> bool {
    let is_built_so = |code: Code| {
        matches!(
            code,
            Code::Tilted | Code::Skewed | Code::SlitWide | Code::Defocused
        )
    };
    record.verdict != Verdict::Retake || record.reasons.iter().any(|r| is_built_so(r.code))
}

fn point(record: &Record, quantity: Quantity) -> Option<Point> {
    let metric = record.metrics.reading(quantity)?;
    Some(Point {
        time: pages::when(record.taken.as_deref()),
        value: metric.value,
        sigma: metric.sigma,
        is_retake: record.verdict == Verdict::Retake,
    })
}

/// How `late` stands to `early`: a change must be beyond doubt, and [`LEAST_CHANGE`] of the larger.
fn change(early: Estimate, late: Estimate) -> Change {
    let step = late.value - early.value;
    let is_small = step.abs() <= LEAST_CHANGE * early.value.max(late.value);
    if is_small || !drift::is_another(early, late) {
        Change::Steady
    } else if step < 0.0 {
        Change::Better
    } else {
        Change::Worse
    }
}

impl Trend {
    fn last(&self) -> &Point {
        &self.points[self.points.len() - 1]
    }

    /// The last value against the first; absent for one value.
    pub fn since_the_first(&self) -> Option<Change> {
        let [first, .., last] = self.points.as_slice() else {
            return None;
        };
        Some(change(first.known(), last.known()))
    }

    /// The last value against the median of the few before it; absent for fewer than three values.
    pub fn lately(&self) -> Option<Change> {
        let n = self.points.len();
        if n < LEAST_FOR_LATELY {
            return None;
        }
        let mut before: Vec<Estimate> = self.points[n.saturating_sub(LATELY + 1)..n - 1]
            .iter()
            .map(Point::known)
            .collect();
        before.sort_by(|a, b| a.value.total_cmp(&b.value));
        Some(change(before[before.len() / 2], self.last().known()))
    }

    /// The last value with its uncertainty and unit.
    pub fn now(&self, t: &Phrases) -> String {
        t.n(format!("{}{}", self.last().text(), self.unit))
    }

    /// What the trend is of, in words.
    pub fn title(&self, t: &Phrases) -> String {
        t.say(self.key)
    }

    /// State letter: a caution where it has become worse lately, or else since the first photo.
    pub fn class(&self) -> &'static str {
        match self.lately().or_else(|| self.since_the_first()) {
            _ if self.is_outdated => "i",
            None => "i",
            Some(Change::Worse) => "c",
            Some(_) => "g",
        }
    }

    /// The history in a sentence or two.
    pub fn say(&self, t: &Phrases) -> String {
        if self.is_outdated {
            return t.say("trend.outdated");
        }
        let Some(since) = self.since_the_first() else {
            return t.say("trend.once");
        };
        let first = t.n(format!("{}{}", self.points[0].text(), self.unit));
        let since = match since {
            Change::Better => t.of("trend.better"),
            Change::Steady => t.of("trend.steady"),
            Change::Worse => t.of("trend.worse"),
        };
        let since = since.put("first", first).to_string();
        match self.lately() {
            None => since,
            Some(Change::Better) => format!("{since} {}", t.say("trend.still_better")),
            Some(Change::Steady) => format!("{since} {}", t.say("trend.still_steady")),
            Some(Change::Worse) => format!("{since} {}", t.say("trend.still_worse")),
        }
    }
}

impl Point {
    fn known(&self) -> Estimate {
        Estimate::new(self.value, self.sigma.unwrap_or(0.0))
    }

    /// The value as people read it.
    pub fn text(&self) -> String {
        match self.sigma {
            Some(sigma) => numbers::plus_minus(Estimate::new(self.value, sigma)),
            None => numbers::sigma_alone(self.value),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::settings::english;

    fn trend(values: &[(f64, f64)]) -> Trend {
        Trend {
            key: "trend.slit",
            unit: " µm",
            is_outdated: false,
            points: values
                .iter()
                .map(|&(value, sigma)| Point {
                    time: String::new(),
                    value,
                    sigma: Some(sigma),
                    is_retake: false,
                })
                .collect(),
        }
    }

    #[test]
    fn a_mended_slit_has_improved_and_is_steady() {
        let mended = trend(&[(412.0, 9.0), (209.0, 8.0), (214.0, 9.0), (207.0, 7.0)]);
        assert_eq!(mended.since_the_first(), Some(Change::Better));
        assert_eq!(mended.lately(), Some(Change::Steady));
        assert_eq!(mended.class(), "g");
        assert_eq!(
            mended.say(english()),
            "Improved since the first photo (412 ± 9 µm). Steady lately."
        );
        assert_eq!(mended.now(english()), "207 ± 7 µm");
    }

    #[test]
    fn what_slips_is_said_even_where_the_beginning_was_worse() {
        let slips = trend(&[(412.0, 9.0), (209.0, 8.0), (214.0, 9.0), (300.0, 7.0)]);
        assert_eq!(slips.since_the_first(), Some(Change::Better));
        assert_eq!(slips.lately(), Some(Change::Worse));
        assert_eq!(slips.class(), "c");
        assert!(slips.say(english()).contains("Getting worse lately"));
    }

    #[test]
    fn a_change_within_its_uncertainty_or_too_small_to_matter_is_none() {
        let e = Estimate::new;
        assert_eq!(change(e(200.0, 40.0), e(270.0, 40.0)), Change::Steady);
        assert_eq!(change(e(200.0, 1.0), e(215.0, 1.0)), Change::Steady);
        assert_eq!(change(e(200.0, 1.0), e(270.0, 1.0)), Change::Worse);
        let once = trend(&[(200.0, 1.0)]).say(english());
        assert_eq!(once, "Measured once so far.");
        assert_eq!(trend(&[(200.0, 1.0)]).class(), "i");
        let mended = Trend {
            is_outdated: true,
            ..trend(&[(944.0, 102.0)])
        };
        assert!(mended.say(english()).contains("before it was mended"));
    }
}
