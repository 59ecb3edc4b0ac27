//! What a person relies on, from outside: the shell with photos that are a few bytes long, and the program itself on
//! the demo's photos (`real` and what uses it).
//!
//! For the shell, a worker that knows nothing of optics stands in for the measuring, so that thousands of runs cost seconds. Where
//! a run must be killed it lives in a process of its own: this test binary again, told by its environment to be the
//! daemon.

mod evening;
mod fake;
mod known_lines;
mod lab;
mod mounts;
mod nobody;
mod nothing;
mod real;

mod alive;
mod arrivals;
mod begin;
mod blanks;
mod bombs;
mod by_hand;
mod cards;
mod checks;
mod costs;
mod crashes;
mod demo;
mod edits;
mod explains;
mod faults;
mod forms;
mod frozen;
mod hand_in;
mod hostile;
mod instruments;
mod lab_sheet;
mod large;
mod limits;
mod names;
mod notebook;
mod office;
mod pairing;
mod promises;
mod refusals;
mod rehearsal;
mod restarts;
mod said;
mod scale;
mod serving;
mod sessions;
mod slates;
mod slurm;
mod tables;
mod term;
mod terminal;
mod usage;
mod watching;
mod workbook;
