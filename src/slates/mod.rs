//! Slates: printed cards that a phone photographs before its captures, so that photos whose names say nothing are known.
//!
//! What a slate can say and its text in the code ([`Slate`]), its square of modules ([`Square`]), the page they are printed on ([`page()`], one alone [`card()`]), what is seen of one
//! in a photo ([`look`]), and which photos it governs ([`governed`]).
//! Pure: pictures and words in, words out.

mod page;
mod reign;
mod sight;
mod slate;
mod square;

pub use page::{CARD_STYLE, Paper, card, page};
pub use reign::{Photo, Under, Ungoverned, governed, natural};
pub use sight::{Sighting, look};
pub use slate::{NoSlate, Slate, What};
pub use square::Square;
