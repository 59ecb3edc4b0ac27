//! Threads that work side by side, and the bar that shows how far they are.

use indicatif::{ProgressBar, ProgressStyle};
use rayon::{ThreadPool, ThreadPoolBuilder};

use super::failure::Failure;

/// So many threads, one at least, each named `name` and a number.
pub fn pool(n_threads: usize, name: &'static str) -> Result<ThreadPool, Failure> {
    ThreadPoolBuilder::new()
        .num_threads(n_threads.max(1))
        .thread_name(move |i| format!("{name}-{i}"))
        .build()
        .map_err(|error| Failure::Work(format!("cannot start the threads ({name}): {error}")))
}

/// A bar on the terminal, `n` photos long.
pub fn bar(template: &str, n: usize) -> ProgressBar {
    let style = ProgressStyle::with_template(template);
    ProgressBar::new(n as u64).with_style(style.unwrap_or_else(|_| ProgressStyle::default_bar()))
}
