//! Regular expressions as a configuration writes them.

use regex::{Regex, RegexBuilder};

/// Compiles a regular expression as rules understand it: letter case aside, found anywhere in the text.
///
/// The `regex` crate runs in time linear in the text whatever the expression, so a rule cannot hang the class.
///
/// # Errors
/// In words, where `source` is not a regular expression or would take more than a megabyte.
pub fn expression(source: &str) -> Result<Regex, String> {
    RegexBuilder::new(source)
        .case_insensitive(true)
        .size_limit(1 << 20)
        .build()
        .map_err(|error| match error {
            regex::Error::Syntax(text) => {
                // The last line of the message says what is wrong; the lines before it draw the expression.
                let last = text.lines().last().unwrap_or_default();
                last.trim_start_matches("error: ").to_owned()
            }
            regex::Error::CompiledTooBig(_) => "it needs more than a megabyte".to_owned(),
            other => other.to_string(),
        })
}
