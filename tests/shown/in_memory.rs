//! The class's tables and pages, kept in memory as they are made.

use std::io::{self, Write};

use slitwatch::report::Sink;

/// All of them at once, path and bytes, in the order of their making.
#[derive(Debug, Default)]
pub struct InMemory(pub Vec<(String, Vec<u8>)>);

impl Sink for InMemory {
    fn put(&mut self, path: &str, bytes: &[u8], _has_clock: bool) {
        self.0.push((path.to_owned(), bytes.to_vec()));
    }

    fn stream(&mut self, path: &str, write: &mut dyn FnMut(&mut dyn Write) -> io::Result<()>) {
        let mut bytes = Vec::new();
        write(&mut bytes).expect("writing to memory does not fail");
        self.0.push((path.to_owned(), bytes));
    }
}
