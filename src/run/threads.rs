//! Threads that work side by side.

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
