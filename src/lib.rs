//! slitwatch turns phone photographs, taken through hand-built spectroscopes, into spectra in
//! nanometres and verdicts that a class can act on.
//!
//! The modules are listed in the order in which a photo meets them.

pub mod cli;
pub mod settings;
pub mod system;
pub mod terms;

pub mod arrive;
pub mod classify;
pub mod decode;
pub mod frame;
pub mod judge;
pub mod lab;
pub mod measure;
pub mod pair;
pub mod publish;
pub mod report;
pub mod run;
pub mod slates;

pub mod answers;
pub mod simulate;
pub mod standards;
