//! What the instructor's table says of a photo goes before what was measured: the word, and a remark on who decided what.

use std::collections::BTreeMap;

use crate::classify::Said;
use crate::judge::Words;
use crate::publish::record::Remark;
use crate::terms::{Code, Reason, Severity, Verdict};

use super::examined::Examined;

/// Gives the photo the verdict of a person, and says so first of all.
///
/// Only what was measured can be called good or bad: a photo that waits for its lamp, or cannot be read, stays what it is.
pub(super) fn decide(examined: &mut Examined, said: &Said, words: &Words) {
    let by = match said.by.as_str() {
        "" => "the instructor",
        by => by,
    };
    let mut cells = said.cells();
    let note = cells.remove("note");
    cells.remove("by");
    let cells: Vec<String> = cells
        .iter()
        .map(|(column, cell)| format!("{column} {cell}"))
        .collect();
    let parts: Vec<String> = cells.into_iter().chain(note.clone()).collect();
    let mut remarks = vec![format!("decided by {by}: {}", parts.join(", "))];
    if let Some(verdict) = said.verdict {
        let is_measured = matches!(
            examined.verdict,
            Verdict::Good | Verdict::Caution | Verdict::Retake
        );
        match is_measured {
            true => remarks.extend(judge_by_hand(examined, verdict, by, note.as_deref(), words)),
            false => remarks.push(format!(
                "it cannot be called {}: it is {}",
                verdict.as_str(),
                examined.verdict.as_str()
            )),
        }
    }
    let remarks = remarks.into_iter().map(Remark::from);
    examined.remarks.splice(0..0, remarks);
}

/// Puts the person's verdict in place of the measured one; returns a remark on the reasons that are set aside.
fn judge_by_hand(
    examined: &mut Examined,
    verdict: Verdict,
    by: &str,
    note: Option<&str>,
    words: &Words,
) -> Option<String> {
    examined.verdict = verdict;
    let reason = |severity| {
        let note = note.map(|note| ("note", note.trim_end_matches('.').to_owned()));
        let slots: BTreeMap<&str, String> =
            note.into_iter().chain([("by", by.to_owned())]).collect();
        Reason {
            code: Code::Instructor,
            severity,
            measured: format!("{} by {by}", verdict.as_str()),
            limit: String::new(),
            advice: words.advice(Code::Instructor, severity, &slots),
        }
    };
    match verdict {
        Verdict::Retake => {
            examined.reasons.insert(0, reason(Severity::Retake));
            None
        }
        Verdict::Caution => {
            for reason in &mut examined.reasons {
                reason.severity = Severity::Caution;
            }
            examined.reasons.insert(0, reason(Severity::Caution));
            None
        }
        _ => {
            let aside = std::mem::take(&mut examined.reasons);
            let codes: Vec<String> = aside
                .iter()
                .map(|reason| format!("{} ({})", reason.code.as_str(), reason.measured))
                .collect();
            (!codes.is_empty()).then(|| format!("set aside by {by}: {}", codes.join(", ")))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::settings;

    fn clipped(verdict: Verdict) -> Examined {
        Examined {
            verdict,
            reasons: vec![Reason {
                code: Code::Clipped,
                severity: Severity::Retake,
                measured: "12 %".to_owned(),
                limit: "5 %".to_owned(),
                advice: "Shorter.".to_owned(),
            }],
            ..Examined::default()
        }
    }

    fn said(verdict: Verdict) -> Said {
        Said {
            verdict: Some(verdict),
            note: "seen on the wall.".to_owned(),
            by: "Ada".to_owned(),
            ..Said::default()
        }
    }

    #[test]
    fn a_person_s_word_goes_before_the_measured_one_and_says_whose_it_is() {
        let words = settings::words::shipped();
        let by_hand = |from, to| {
            let mut examined = clipped(from);
            decide(&mut examined, &said(to), &words);
            let codes: Vec<&str> = examined.reasons.iter().map(|r| r.code.as_str()).collect();
            (
                examined.verdict,
                codes.join(" "),
                String::from(examined.remarks[0].clone()),
            )
        };
        let (verdict, codes, remark) = by_hand(Verdict::Retake, Verdict::Good);
        assert_eq!((verdict, &*codes), (Verdict::Good, ""));
        assert_eq!(remark, "decided by Ada: verdict good, seen on the wall.");
        let (verdict, codes, _) = by_hand(Verdict::Good, Verdict::Retake);
        assert_eq!((verdict, &*codes), (Verdict::Retake, "instructor clipped"));
        let (verdict, ..) = by_hand(Verdict::Waiting, Verdict::Good);
        assert_eq!(
            verdict,
            Verdict::Waiting,
            "nobody can measure it by saying so"
        );
    }
}
