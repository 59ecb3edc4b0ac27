//! The rule set: as checked, and the decision for one photo with its why.
//!
//! Pure: a path and the facts of a file go in, a decision comes out, and it comes out for every path there is. Reading
//! rules from a configuration belongs to `settings`; what the decision is used for, to `run`.

mod bench;
mod conditions;
mod decision;
mod endings;
mod rule;
mod ruleset;
pub mod stated;
mod template;

pub use bench::{UNSORTED, default_bench};
pub use conditions::{Conditions, FactTest, NumberFact, PathGlobs, TimeWindow};
pub use decision::{Decision, Outcome, Purpose};
pub use endings::CARD_ENDING;
pub use rule::{Measuring, Rule, Then};
pub use ruleset::RuleSet;
pub use template::{BUILT_IN, Template};
