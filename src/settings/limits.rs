//! The section `limits:`: which checks have limits, and their defaults, stands in the judge's table.

use crate::judge::{Check, Limit, Limits, Side};
use crate::terms::Severity;

use super::reading::{Spot, Table};

/// Reads the section; what it leaves out keeps its default.
pub fn read(spot: &Spot<'_>) -> Option<Limits> {
    spot.table(|t| {
        let mut limits = Limits::default();
        for check in Check::ALL {
            if let Some(spot) = t.get(check.key()) {
                read_limit(&spot, &mut limits[check], check.row().largest);
            }
        }
        read_severity(t, "exposure_auto", &mut limits.exposure_auto);
        read_severity(t, "exposure_auto_in_set", &mut limits.exposure_auto_in_set);
        Some(limits)
    })
}

/// `{caution: 3.5, retake: 5}`; `off` in place of a number, or of the whole, switches it off.
fn read_limit(spot: &Spot<'_>, limit: &mut Limit, largest: f64) {
    if is_off(spot) {
        limit.caution = None;
        limit.retake = None;
        return;
    }
    let read = spot.table(|t| {
        let mut threshold = |key, default| match t.get(key) {
            None => default,
            Some(spot) if is_off(&spot) => None,
            Some(spot) => spot.number(0.0..=largest, "").or(default),
        };
        Some((
            threshold("caution", limit.caution),
            threshold("retake", limit.retake),
        ))
    });
    let Some((caution, retake)) = read else {
        return;
    };
    limit.caution = caution;
    limit.retake = retake;
    if let (Some(caution), Some(retake)) = (caution, retake) {
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

fn read_severity(table: &mut Table<'_>, key: &'static str, severity: &mut Option<Severity>) {
    let Some(spot) = table.get(key) else { return };
    if is_off(&spot) {
        *severity = None;
    } else if let Some(word) = spot.word(&["caution", "retake", "off"]) {
        *severity = Some(word);
    }
}

fn is_off(spot: &Spot<'_>) -> bool {
    spot.is_null()
        || spot
            .raw()
            .is_some_and(|text| text.eq_ignore_ascii_case("off"))
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::super::mistake::Report;
    use super::*;

    fn read_text(text: &str) -> (Limits, Vec<String>) {
        let report = Report::new(Path::new("lab.yaml"));
        let limits = report.parse(text, |spot| read(&spot));
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
