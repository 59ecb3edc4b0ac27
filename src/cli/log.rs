//! The log on stderr: a line of words or of JSON for each event, and nothing in it that a file's name could use to give the
//! terminal commands.

use std::io::{self, Write};

use clap::ValueEnum;
use tracing_subscriber::filter::{LevelFilter, Targets};
use tracing_subscriber::layer::SubscriberExt as _;
use tracing_subscriber::util::SubscriberInitExt as _;

use super::tame::tame;
use super::terminal::Terminal;

/// Form of the log.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum LogFormat {
    /// A line of words for each event.
    Text,
    /// A line of JSON for each event.
    Json,
}

/// Starts it; `more` says how much more is said than usual, which is less beside a terminal that shows all of it.
pub fn start(format: LogFormat, more: i32, terminal: Option<Terminal>) {
    let usual = if terminal.is_some() { 1 } else { 2 };
    let level = match usual + more {
        ..=0 => LevelFilter::ERROR,
        1 => LevelFilter::WARN,
        2 => LevelFilter::INFO,
        3 => LevelFilter::DEBUG,
        4.. => LevelFilter::TRACE,
    };
    let others = level.min(LevelFilter::WARN);
    let filter = Targets::new()
        .with_default(others)
        .with_target("slitwatch", level);
    let log = tracing_subscriber::fmt()
        .with_max_level(level)
        .with_writer(move || OneLine(Above(terminal.clone())))
        // Colours would have to be told from those that a name brings along.
        .with_ansi(false)
        .with_target(false);
    // A second log in one process is the first one's business.
    let _ = match format {
        LogFormat::Text => log.finish().with(filter).try_init(),
        LogFormat::Json => log
            .json()
            .flatten_event(true)
            .finish()
            .with(filter)
            .try_init(),
    };
    std::panic::set_hook(Box::new(|panic| tracing::error!("{panic}")));
}

/// Stderr; where a terminal has a line that is updated in place, the lines above it.
struct Above(Option<Terminal>);

impl Write for Above {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        match &self.0 {
            Some(terminal) => terminal.above(|| io::stderr().write(bytes)),
            None => io::stderr().write(bytes),
        }
    }

    fn flush(&mut self) -> io::Result<()> {
        io::stderr().flush()
    }
}

/// Keeps each entry of the log on a line of its own, and without commands to the terminal: file names may hold line breaks
/// and worse, and whoever names a photo must not be able to write the log. Each entry comes in one piece and ends with a
/// line break.
struct OneLine<W>(W);

impl<W: Write> Write for OneLine<W> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let entry = bytes.strip_suffix(b"\n").unwrap_or(bytes);
        let mut text = tame(&String::from_utf8_lossy(entry))
            .replace('\n', "\\n")
            .into_bytes();
        text.extend_from_slice(&bytes[entry.len()..]);
        self.0.write_all(&text)?;
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        self.0.flush()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_with_line_breaks_does_not_forge_the_log() {
        let mut log = Vec::new();
        let entry = b"INFO published photo=a\r\nERROR all is lost\n";
        OneLine(&mut log).write_all(entry).unwrap();
        assert_eq!(log, b"INFO published photo=a\\r\\nERROR all is lost\n");
        let mut log = Vec::new();
        let entry = "INFO a\u{1b}[8mb\u{9b}2Jc é\u{202e}\n".as_bytes();
        OneLine(&mut log).write_all(entry).unwrap();
        let kept = "INFO a\\x1B[8mb\\u009B2Jc é\\u202E\n";
        assert_eq!(String::from_utf8(log).unwrap(), kept);
    }
}
