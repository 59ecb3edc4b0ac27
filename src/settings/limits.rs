//! Reads the section `limits:`. Which checks there are, and their defaults, is in the judge's table.

use crate::judge::{Check, Limit, Limits, Side};
use crate::terms::Severity;

use super::reading::{Spot, Table};

/// Reads the section.
pub fn read(limits: &mut Limits, t: &mut Table<'_>) {
    for check in Check::ALL {
        let largest = check.row().largest;
        if let Some(spot) = t.get(check.key()) {
            read_limit(&spot, &mut limits[check], largest);
        }
    }
    t.set("exposure_auto", &mut limits.exposure_auto, read_severity);
    t.set(
        "exposure_auto_in_set",
        &mut limits.exposure_auto_in_set,
        read_severity,
    );
}

/// `{caution: 3.5, retake: 5}`; `off` in place of a number, or of the whole, switches it off.
fn read_limit(spot: &Spot<'_>, limit: &mut Limit, largest: f64) {
    if spot.is_off() {
        (limit.caution, limit.retake) = (None, None);
        return;
    }
    let threshold = |spot: &Spot<'_>| match spot.is_off() {
        true => Some(None),
        false => spot.number(0.0..=largest, "").map(Some),
    };
    *limit = spot.on_top_of(*limit, |limit, t| {
        t.set("caution", &mut limit.caution, threshold);
        t.set("retake", &mut limit.retake, threshold);
    });
    if let (Some(caution), Some(retake)) = (limit.caution, limit.retake) {
        let (in_order, order) = match limit.side {
            Side::AtMost => (caution <= retake, "not above"),
            Side::AtLeast => (caution >= retake, "not below"),
        };
        if !in_order {
            spot.mistake(
                format!("caution {caution} would come after retake {retake}"),
                format!("here the number for caution is {order} the number for retake"),
            );
        }
    }
}

fn read_severity(spot: &Spot<'_>) -> Option<Option<Severity>> {
    if spot.is_off() {
        return Some(None);
    }
    spot.word(&["caution", "retake", "off"]).map(Some)
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::super::mistake::Report;
    use super::*;

    fn read_text(text: &str) -> (Limits, Vec<String>) {
        let report = Report::new(Path::new("lab.yaml"));
        let limits = report.parse(text, |spot| Some(spot.on_top_of(Limits::default(), read)));
        (
            limits.expect("limits are always usable"),
            report
                .into_mistakes()
                .iter()
                .map(ToString::to_string)
                .collect(),
        )
    }

    #[test]
    fn a_limit_can_be_changed_in_part_or_switched_off() {
        let (limits, mistakes) = read_text(
            "tilt_deg: {retake: 8}\nskew_deg: off\nsnr: {caution: off}\nexposure_auto: off\n",
        );
        assert_eq!(mistakes, [""; 0]);
        assert_eq!(limits[Check::TiltDeg], Limit::at_most(3.5, 8.0));
        assert_eq!(limits[Check::SkewDeg].judge(40.0), None);
        assert_eq!(limits[Check::Snr].judge(50.0), None);
        assert_eq!(
            limits[Check::Snr].judge(5.0),
            Some((Severity::Retake, 30.0))
        );
        assert_eq!(limits.exposure_auto, None);
        assert_eq!(limits[Check::BlurPx], Limits::default()[Check::BlurPx]);
    }

    #[test]
    fn thresholds_in_the_wrong_order_are_a_mistake_on_either_side() {
        let (_, mistakes) = read_text("tilt_deg: {caution: 6}\nsnr: {caution: 5, retake: 10}\n");
        assert_eq!(mistakes.len(), 2);
        assert!(mistakes[0].contains("tilt_deg: caution 6 would come after retake 5"));
        assert!(mistakes[1].contains("not below"));
    }
}
