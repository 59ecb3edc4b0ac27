//! The rule set: as checked, and the decision for one photo with its why.
//!
//! Pure: a path and the facts of a file go in, a decision comes out, and it comes out for every path there is. Reading
//! rules from a configuration belongs to `settings`; what the decision is used for, to `run`.

mod bench;
mod camera_names;
mod conditions;
mod decision;
mod endings;
mod evidence;
mod expected;
mod expression;
mod overrides;
mod phones;
mod rule;
mod ruleset;
mod said;
mod slated;
pub mod stated;
mod template;

pub use bench::{UNSORTED, default_bench};
pub use camera_names::CameraNames;
pub use conditions::{Conditions, FactTest, NumberFact, PathGlobs, TimeWindow};
pub use decision::{Basis, Decision, Outcome, Purpose};
pub use endings::CARD_ENDING;
pub use evidence::Evidence;
pub use expected::{Expectations, Expected, TakenPhoto};
pub use overrides::Overrides;
pub use phones::{Owned, Phone, Phones, Taken, alike, notices};
pub use rule::{Measuring, Rule, Then};
pub use ruleset::RuleSet;
pub use said::Said;
pub use slated::SlateSearch;
pub use template::{BUILT_IN, Template};
