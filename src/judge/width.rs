//! Lines that are wide: by the slit, by blur, or by a movement, which widen them alike.

use super::{Judgement, Slots};
use crate::judge::checks::{Check, Told};
use crate::judge::limit::Limit;
use crate::terms::{Code, Estimate, FWHM_PER_SIGMA, Finding, Quantity, Severity};

/// A slit to aim for, µm: two sheets of printer paper (common practice, no source).
const WANTED_UM: &str = "200";

/// Lines are wide by what has more than this share in their width…
const MOSTLY: f64 = 0.5;
/// …and may be by what has more than this.
const PERHAPS: f64 = 0.2;

/// Widths of slits are told in steps of so many µm.
const WIDTH_STEP_UM: f64 = 10.0;

/// A slit's width as it is told, µm.
fn rounded(um: f64) -> String {
    format!("{:.0}", (um / WIDTH_STEP_UM).round() * WIDTH_STEP_UM)
}

/// What the advice on a slit of this width says of it.
fn slots_of_slit(um: f64) -> Slots {
    Slots::from([
        ("width_um", rounded(um)),
        ("wanted_um", WANTED_UM.to_owned()),
    ])
}

impl Judgement<'_> {
    /// The slit's width, or what it is if nothing has moved.
    pub(super) fn slit_width(&mut self) {
        let metrics = &self.m.metrics;
        let width = metrics.estimate(Quantity::SlitWidthUm);
        let in_blur = self.has(Code::Defocused, Severity::Retake);
        if let Some(if_still) = metrics.reading(Quantity::SlitWidthIfStillUm) {
            let told = Told {
                words: "slit about {} µm, if nothing has moved",
                ..Check::SlitWidthUm.row().measured
            };
            let slots = Slots::from([("if_still_um", rounded(if_still.value))]);
            let measured = told.reading(if_still);
            self.weigh(Check::SlitWidthUm, if_still.value, measured, slots);
        }
        // Wider than allowed is what is rather so than not, however little is known of it.
        if let Some(Estimate { value, sigma }) = width
            && !metrics.has(Quantity::MovedPx)
            && !in_blur
        {
            let measured = format!(
                "slit {} ± {} µm",
                rounded(value),
                rounded(sigma.max(WIDTH_STEP_UM))
            );
            self.weigh(Check::SlitWidthUm, value, measured, slots_of_slit(value));
        }
    }

    /// Lines wider than slit and blur make them that are both at their limits. One of the two is beyond it, if nothing tells which:
    /// the likelier is named.
    pub(super) fn line_width(&mut self) {
        let metrics = &self.m.metrics;
        let width = metrics.estimate(Quantity::LineWidthPx);
        let (Some(width), Some(um_per_px), Some(blur_share)) = (
            width,
            metrics.value(Quantity::SlitUmPerPx),
            metrics.value(Quantity::LineBlurShare),
        ) else {
            return;
        };
        let limits = [Check::SlitWidthUm, Check::BlurPx].map(|check| self.limit(check));
        let at = |slit_um: f64, blur_px: f64| (slit_um / um_per_px).hypot(FWHM_PER_SIGMA * blur_px);
        let [caution, retake] = [|l: &Limit| l.caution, |l: &Limit| l.retake]
            .map(|of| Some(at(of(&limits[0])?, of(&limits[1])?)));
        let passed = |limit: Option<f64>| limit.filter(|px| width.value > *px);
        let (severity, limit_px) = match (passed(retake), passed(caution)) {
            (Some(px), _) => (Severity::Retake, px),
            (None, Some(px)) => (Severity::Caution, px),
            (None, None) => return,
        };
        // Where the disc is turned against the slit, lines are wide for that.
        let named = [Code::SlitWide, Code::Defocused, Code::Moved, Code::Skewed];
        if named.iter().any(|code| self.has(*code, severity)) {
            return;
        }
        let blur_px = width.value * blur_share.sqrt() / FWHM_PER_SIGMA;
        let slit_um = width.value * (1.0 - blur_share).sqrt() * um_per_px;
        let mut found = [
            (
                blur_share,
                Code::Defocused,
                Slots::from([("blur_px", format!("{blur_px:.0}"))]),
            ),
            (1.0 - blur_share, Code::SlitWide, slots_of_slit(slit_um)),
        ];
        found.sort_by(|a, b| b.0.total_cmp(&a.0));
        for (share, code, slots) in found {
            let severity = match share {
                share if share >= MOSTLY => severity,
                share if share >= PERHAPS => Severity::Caution,
                _ => continue,
            };
            self.add(Finding {
                code,
                severity,
                measured: format!(
                    "lines {:.0} ± {:.0} px wide",
                    width.value,
                    width.sigma.max(1.0)
                ),
                limit: format!("{limit_px:.0} px, slit and blur together"),
                slots,
            });
        }
    }

    /// A movement straight across widens lines and the slit's image as an opened slit does: where a slit is to be set narrower, and
    /// nothing tells the two apart, the other is named, too.
    pub(super) fn may_have_moved(&mut self) {
        let metrics = &self.m.metrics;
        let wide = self.reasons.iter().find(|r| r.code == Code::SlitWide);
        let is_told = self.has(Code::Moved, Severity::Caution) || metrics.has(Quantity::MovedPx);
        let (Some(Severity::Retake), false, Some(width_um), Some(um_per_px)) = (
            wide.map(|r| r.severity),
            is_told,
            metrics.value(Quantity::SlitWidthAtMostUm),
            metrics.value(Quantity::SlitUmPerPx),
        ) else {
            return;
        };
        let px = format!("{:.0}", width_um / um_per_px);
        let measured = format!("smeared over up to {px} px, if the slit is narrower");
        let moved = Finding::new(Code::Moved, Severity::Caution, measured);
        self.add(moved.with("at_most_px", px));
    }
}

#[cfg(test)]
mod tests {
    use super::super::tests::{exposed, said};
    use super::*;
    use crate::terms::{Capture, Measurement};

    fn reasons(m: &Measurement) -> Vec<(Severity, Code)> {
        let (_, reasons) = said(m, Capture::Sample);
        reasons.iter().map(|r| (r.severity, r.code)).collect()
    }

    /// Lines 20 px wide, of which blur has a share.
    fn wide(blur_share: f64) -> Measurement {
        let mut m = exposed(0.0);
        m.metrics
            .note(Quantity::LineWidthPx, Estimate::new(20.0, 1.0));
        m.metrics.set(Quantity::LineBlurShare, blur_share);
        m.metrics.set(Quantity::SlitUmPerPx, 100.0);
        m.metrics.set(Quantity::SlitWidthAtMostUm, 1500.0);
        m
    }

    #[test]
    fn lines_are_wide_by_what_has_most_of_their_width_and_perhaps_by_the_other() {
        use {Code::Defocused, Code::Moved, Code::SlitWide, Severity::Caution, Severity::Retake};
        assert_eq!(reasons(&wide(0.9)), [(Retake, Defocused)]);
        assert_eq!(
            reasons(&wide(0.6)),
            [(Retake, Defocused), (Caution, SlitWide)]
        );
        assert_eq!(
            reasons(&wide(0.3)),
            [(Retake, SlitWide), (Caution, Defocused), (Caution, Moved)]
        );
        assert_eq!(reasons(&wide(0.1)), [(Retake, SlitWide), (Caution, Moved)]);
    }

    #[test]
    fn a_movement_that_is_seen_is_not_told_twice_and_one_that_may_be_is_no_reason_by_itself() {
        let mut m = wide(0.1);
        m.metrics.note(Quantity::MovedPx, Estimate::new(15.0, 2.0));
        assert_eq!(reasons(&m), [(Severity::Retake, Code::Moved)]);
        let mut m = exposed(0.0);
        m.metrics.set(Quantity::SlitUmPerPx, 100.0);
        m.metrics.set(Quantity::SlitWidthAtMostUm, 1500.0);
        assert_eq!(reasons(&m), []);
        // The student is told of how many pixels.
        let (_, all) = said(&wide(0.1), Capture::Sample);
        assert!(all[1].advice.contains("up to 15 pixels"), "{all:?}");
    }
}
