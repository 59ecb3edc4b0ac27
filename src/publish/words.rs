//! The words that people and tables read for verdicts, captures and reasons; one place, so that page, picture and table
//! agree.

use crate::terms::Capture;
use crate::terms::{Code, PeakKind, Reason, ScaleKind, Verdict};

/// A verdict as in tables.
pub fn verdict(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Good => "good",
        Verdict::Caution => "caution",
        Verdict::Retake => "retake",
        Verdict::Waiting => "waiting",
        Verdict::Unreadable => "unreadable",
        Verdict::Ignored => "ignored",
    }
}

/// A capture as in tables.
pub fn capture(capture: Capture) -> &'static str {
    match capture {
        Capture::Calibration => "calibration",
        Capture::Sample => "sample",
        Capture::Dark => "dark",
        Capture::Blank => "blank",
        Capture::Bracket => "bracket",
    }
}

/// A kind of peak as in tables.
pub fn peak_kind(kind: PeakKind) -> &'static str {
    match kind {
        PeakKind::Line => "line",
        PeakKind::Band => "band",
        PeakKind::Merged => "merged",
    }
}

/// A kind of scale as in tables.
pub fn scale_kind(kind: ScaleKind) -> &'static str {
    match kind {
        ScaleKind::Calibrated => "calibrated",
        ScaleKind::Provisional => "provisional",
    }
}

/// A reason in two or three plain words, for headings.
pub fn trouble(code: Code) -> &'static str {
    match code {
        Code::Clipped => "over-exposed",
        Code::Dim => "too little light",
        Code::Tilted => "phone is turned",
        Code::Skewed => "disc is turned against the slit",
        Code::SlitWide => "slit too wide",
        Code::Defocused => "out of focus",
        Code::Moved => "moved",
        Code::Leak => "stray light",
        Code::Cropped => "spectrum cut off",
        Code::NoSpectrum => "no spectrum seen",
        Code::FewLines => "too few lamp lines",
        Code::PoorFit => "lamp lines do not fit",
        Code::ExposureDiffers => "not exposed like its blank",
        Code::ExposureAuto => "exposure not locked",
        Code::Truncated => "file is cut short",
        Code::Unreadable => "not a picture",
        Code::TooLarge => "picture too large",
    }
}

/// A reason's number and limit: "34 % (limit 2 %)", or what there is of it.
pub fn measured(reason: &Reason) -> String {
    match (reason.measured.is_empty(), reason.limit.is_empty()) {
        (true, true) => String::new(),
        (true, false) => format!("limit {}", reason.limit),
        (false, true) => reason.measured.clone(),
        (false, false) => format!("{} (limit {})", reason.measured, reason.limit),
    }
}

/// Text of any origin, fit to stand in a page or picture: line breaks and tabs become spaces, other control characters
/// and what XML 1.0 forbids the replacement character. Markup is left to whoever writes the text.
pub fn visible(text: &str) -> String {
    text.chars()
        .map(|c| match c {
            '\t' | '\n' | '\r' => ' ',
            '\u{fffe}' | '\u{ffff}' => '\u{fffd}',
            c if c.is_control() => '\u{fffd}',
            c => c,
        })
        .collect()
}

/// True for reasons that the instrument gives, not the single photo: they stay until somebody mends it.
pub fn is_of_the_instrument(code: Code) -> bool {
    matches!(
        code,
        Code::Tilted | Code::Skewed | Code::SlitWide | Code::Defocused | Code::Leak
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_in_tables_are_those_of_the_record() {
        // Tables and `quality.json` must never disagree: serde's names are the others' names.
        fn json<T: serde::Serialize>(value: T) -> String {
            let text = serde_json::to_string(&value).unwrap();
            text.trim_matches('"').to_owned()
        }
        for v in [
            Verdict::Good,
            Verdict::Caution,
            Verdict::Retake,
            Verdict::Waiting,
            Verdict::Unreadable,
            Verdict::Ignored,
        ] {
            assert_eq!(verdict(v), json(v));
        }
        for c in [
            Capture::Calibration,
            Capture::Sample,
            Capture::Dark,
            Capture::Blank,
            Capture::Bracket,
        ] {
            assert_eq!(capture(c), json(c));
        }
        for k in [PeakKind::Line, PeakKind::Band, PeakKind::Merged] {
            assert_eq!(peak_kind(k), json(k));
        }
        for k in [ScaleKind::Calibrated, ScaleKind::Provisional] {
            assert_eq!(scale_kind(k), json(k));
        }
        for c in Code::ALL {
            assert_eq!(c.as_str(), json(c));
        }
    }
}
