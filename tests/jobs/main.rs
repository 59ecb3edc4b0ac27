//! The shell, from outside: what a person relies on, with photos that are a few bytes long.
//!
//! A worker that knows nothing of optics stands in for the measuring, so that thousands of runs cost seconds. Where
//! a run must be killed it lives in a process of its own: this test binary again, told by its environment to be the
//! daemon.

mod fake;
mod lab;

mod arrivals;
mod crashes;
mod faults;
mod pairing;
mod refusals;
mod rehearsal;
mod restarts;
mod scale;
