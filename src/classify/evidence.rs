//! What is known of a photo when it is decided what becomes of it.

use crate::decode::Facts;
use crate::terms::Seen;

use super::said::Said;

/// What is known of a photo. In the order of trust: a person's row, a rule that ignores, a slate, the name, the looks.
#[derive(Clone, Copy)]
pub struct Evidence<'a> {
    /// Path below the inbox, folders joined by `/`.
    pub path: &'a str,
    /// From its header.
    pub facts: &'a Facts,
    /// What it looks like; absent as long as nobody has looked.
    pub seen: Option<&'a Seen>,
    /// What the instructor's table says of it.
    pub person: Option<&'a Said>,
    /// What the slate before it says, or one behind it that it does not count.
    pub slate: Option<&'a Said>,
}

impl<'a> Evidence<'a> {
    /// The file's name and header alone.
    pub fn new(path: &'a str, facts: &'a Facts) -> Evidence<'a> {
        Evidence {
            path,
            facts,
            seen: None,
            person: None,
            slate: None,
        }
    }
}
