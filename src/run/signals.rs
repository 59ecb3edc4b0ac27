//! Turns the system's signals into events: end after the photos in hand, end at once, read the configuration again.

use crate::system::{self, Signal};

use super::bell::Bell;
use super::failure::Failure;

/// From now on SIGINT and SIGTERM stop the run, a second one leaves at once with status 1, and SIGHUP asks for the
/// configuration.
///
/// # Errors
/// Where the system refuses the handlers.
pub fn ring(bell: Bell) -> Result<(), Failure> {
    let failure =
        |error: std::io::Error| Failure::Work(format!("cannot listen to signals: {error}"));
    let signals = system::signals().map_err(failure)?;
    let listen = move || {
        let mut is_stopping = false;
        for signal in signals {
            if signal == Signal::Reload {
                bell.reload();
            } else if is_stopping {
                // Whatever is half made has a name that nobody reads, and is removed at the next start.
                std::process::exit(1);
            } else {
                is_stopping = true;
                bell.stop();
            }
        }
    };
    std::thread::Builder::new()
        .name("signals".to_owned())
        .spawn(listen)
        .map_err(failure)?;
    Ok(())
}
