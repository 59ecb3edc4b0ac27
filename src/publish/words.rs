//! The words that people read for reasons, and text made fit to be shown: one place, so that page, picture and table agree.

use crate::terms::Reason;

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
