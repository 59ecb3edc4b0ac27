//! The shell: owns the threads, the clock and the state, and carries each photo from step to step.
//!
//! `results/` is the output of a build: at any moment the inbox and the configuration say what each photo's folder is
//! to be made from, and the folders whose record says otherwise are made again. Restarts, late lamp photos, renamed and
//! deleted photos and changed rules are all that one comparison. What is kept besides (the ledger of what was read, blanks'
//! spectra, tone curves, drawn cards) only spares work, and no result depends on it.

mod ahead;
mod alive;
mod arranged;
mod bell;
mod build;
mod cards;
mod clock;
mod close;
mod configuration;
mod cost;
mod engine;
mod explain;
mod failure;
mod folders;
mod foretold;
mod governed;
mod hand_in;
mod inbox;
mod init;
mod intake;
mod job;
mod known;
mod lab_sheet;
mod ledger;
mod look;
mod looking;
mod make;
mod news;
mod over;
mod pictures;
mod preflight;
mod progress;
mod raw;
mod read;
mod readers;
pub mod rehearse;
pub mod reload;
mod serve;
mod service;
mod sessions;
mod shared;
mod show;
pub mod signals;
mod slates;
mod sorting;
mod spectra;
mod summaries;
mod summing;
mod telling;
mod threads;
mod unnamed;
mod usage;
mod work;
mod workbook;
mod worker;
mod world;

use crate::publish::{Shelf, Trap};

pub use crate::report::{BenchClosing, Closing, Late, Session, Sink, ToDo};
pub use bell::{Bell, Ears};
pub use close::{check_part, close, no_such_session, reopen};
pub use configuration::Configuration;
pub use engine::{Mode, Report};
pub use explain::explain;
pub use failure::Failure;
pub use folders::check_folders;
pub use hand_in::write_hand_ins;
pub use init::init;
pub use job::{Fate, Job, Stands};
pub use lab_sheet::{room_address, write_lab_sheets};
pub use news::{News, Screen, Tally};
pub use preflight::{preflight, would_start};
#[cfg(feature = "dng")]
pub use raw::serve as unpack_raw;
pub use read::Gone;
pub use reload::Reload;
pub use serve::{address, serve};
pub use slates::{printed_slates, write_slates};
pub use work::{Class, Orders, Outcome, Part, Setup, Work};
pub use workbook::write_workbook;
pub use worker::Worker;

use engine::Engine;

/// Brings the results up to date with what is in the inbox now.
///
/// Files that are finished are taken at once; one that is being written is given time to settle, up to a limit.
///
/// # Errors
/// Where the folders cannot be used, or another slitwatch holds the results.
pub fn sweep(setup: Setup, ears: Ears) -> Result<Report, Failure> {
    let trap = Trap::from_environment();
    run(Mode::Sweep, setup, ears, &mut reload::Never, trap)
}

/// Follows the inbox until the bell says stop.
///
/// # Errors
/// Where the folders cannot be used at the start, or another slitwatch holds the results. Later on, whatever fails is
/// reported and tried again.
pub fn watch(setup: Setup, ears: Ears, reload: &mut dyn Reload) -> Result<Report, Failure> {
    run(Mode::Watch, setup, ears, reload, Trap::from_environment())
}

/// [`sweep`] or [`watch`], with a trap in the publishing.
///
/// # Errors
/// As they have them.
pub fn run(
    mode: Mode,
    setup: Setup,
    ears: Ears,
    reload: &mut dyn Reload,
    trap: Trap,
) -> Result<Report, Failure> {
    check_folders(&setup.orders.inbox, &setup.orders.results)?;
    let held = setup.orders.part.held();
    let shelf = Shelf::open_part(&setup.orders.results, held, trap)?;
    Engine::new(mode, setup, shelf, ears, reload)?.run()
}
