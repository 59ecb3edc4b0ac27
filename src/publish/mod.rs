//! Result -> files; the only writer below `results/`, a folder at a time, whole or not at all.

pub mod closed;
pub mod drawing;
pub mod files;
pub mod kept;
mod lock;
pub mod names;
pub mod numbers;
pub mod place;
pub mod public;
pub mod record;
pub mod shelf;
mod stream;
pub mod trap;
pub mod words;

pub use files::files;
pub use lock::Refusal;
pub use shelf::{Held, Inventory, Shelf, read_head};
pub use trap::{Trap, Trouble};
