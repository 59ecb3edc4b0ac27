//! What is in the inbox, and which of its files have come to rest.
//!
//! [`listing`] walks the folder, [`settle`] decides from successive listings when a file has come to rest, and [`watch`]
//! turns the system's events into hints to look again and into news of files that were closed. Whether a file reaches its own end,
//! [`crate::decode::suspicion`] says. The inbox is only ever read.

pub mod listing;
pub mod settle;
pub mod watch;
