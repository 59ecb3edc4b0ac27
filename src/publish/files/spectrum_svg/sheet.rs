//! The sheet that a spectrum is drawn on: its width, its edges, and the room that words take.

/// Width of the drawing, in its own units.
pub const WIDTH: f64 = 480.0;
/// Left and right edge of the panels.
pub const LEFT: f64 = 56.0;
pub const RIGHT: f64 = 468.0;
/// Height of the letters.
pub const TEXT: f64 = 18.0;
/// Mean width of a letter of the bold face as a share of its height; on the safe side for digits.
pub const LETTER: f64 = 0.6;

/// `words` cut to `room` units.
pub fn cut(words: &str, room: f64) -> String {
    let most = (room / (TEXT * LETTER)).floor().max(1.0) as usize;
    if words.chars().count() <= most {
        return words.to_owned();
    }
    words.chars().take(most - 1).chain(['…']).collect()
}
