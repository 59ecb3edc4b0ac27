//! The words that people read for reasons, and text made fit to be shown: one place, so that page, picture and table agree.

use crate::terms::{Code, Reason};

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
