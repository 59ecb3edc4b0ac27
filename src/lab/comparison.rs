//! A measured photo beside its blank, and what it answers: what of a photo's results hangs on another photo of the same light. It needs
//! no picture, so that a blank that comes late, or goes, costs no second look.

use serde::{Deserialize, Serialize};

use crate::classify::Purpose;
use crate::decode::Facts;
use crate::measure::portrait::smeared_beside;
use crate::publish::record::Answers;
use crate::terms::{AbsorbanceRow, Estimate, Lamp, Measurement, Quantity, Unmeasured, packed};

use super::against::Against;
use super::answering;
use super::beside::Beside;
use super::known;

/// What a measured photo says beside its blank, or without one.
#[derive(Clone, Default, Serialize, Deserialize)]
pub struct Comparison {
    /// A movement that only the blank's picture shows; absent where the photo's own shows a longer one.
    pub moved_px: Option<Estimate>,
    /// Where it is compared with its blank: whether that surely is the blank of its light.
    pub is_sure: Option<bool>,
    /// Against the blank, one entry per row of the spectrum.
    #[serde(with = "packed::maybe")]
    pub absorbance: Option<Vec<AbsorbanceRow>>,
    /// What of this could not be measured.
    pub not_measured: Vec<Unmeasured>,
    /// What the spectrum answers.
    pub answers: Answers,
    /// Width of lines, px, where they are seen wider than was explained.
    pub line_width_px: Option<Estimate>,
    /// For people.
    pub remarks: Vec<String>,
}

impl Comparison {
    /// Compares a photo of these facts, measured as `m`. `against` has its blank's spectrum, where there is one.
    pub fn of(
        m: &Measurement,
        (purpose, facts): (&Purpose, &Facts),
        against: &Against,
        lamps: &[Lamp],
    ) -> Comparison {
        let mut found = Comparison {
            moved_px: smear_px(m, against),
            ..Comparison::default()
        };
        match Beside::of(m, facts, against, answering::is_solution(purpose)) {
            Err(why) => found.remarks.push(why),
            Ok(None) => {}
            Ok(Some(beside)) => {
                found.is_sure = Some(beside.is_sure());
                found.absorbance =
                    beside.absorbance(m, &mut found.not_measured, &mut found.remarks);
            }
        }
        found.answers = answering::answers(purpose, m, found.absorbance.as_deref(), lamps);
        found.line_width_px = known::line_width_px(m, &found.answers, lamps);
        found
    }
}

/// A movement that only the blank's picture shows: the longest of those known counts.
fn smear_px(m: &Measurement, against: &Against) -> Option<Estimate> {
    let metrics = &against.blank?.record.metrics;
    let slit_px = metrics.value(Quantity::SlitImagePx)?;
    let reference = against.blank_spectrum.as_ref()?;
    let smear_px = smeared_beside(m, reference, slit_px)?;
    let own = m.metrics.estimate(Quantity::MovedPx);
    own.is_none_or(|own| own.value <= smear_px.value)
        .then_some(smear_px)
}
