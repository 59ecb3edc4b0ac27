//! What is in the inbox, and is this file finished?
//!
//! [`listing`] walks the folder, [`settle`] decides from successive listings when a file has come to rest, [`complete`]
//! reads a file's own structure for its end, and [`watch`] turns the system's events into hints to look again. The
//! inbox is only ever read.

pub mod complete;
pub mod listing;
pub mod settle;
pub mod watch;
