//! Decodes raw files in a child process: this same program, told by a hidden command to take the samples out of one
//! file. The decoder has been seen to ask for gigabytes and abort on damaged files; so it ends the child only, whose
//! memory and time are limited.

use crate::decode::{self, Facts, Fault};
use crate::frame::Frame;

#[cfg(feature = "dng")]
pub use child::serve;

/// Decodes a photo, a raw one with a child's help: see [`decode::decode`].
pub fn decode(bytes: &[u8], max_pixels: u64) -> Result<(Facts, Frame), Fault> {
    #[cfg(feature = "dng")]
    if decode::is_dng(bytes) {
        return child::decode(bytes, max_pixels);
    }
    decode::decode(bytes, max_pixels)
}

#[cfg(feature = "dng")]
mod child {
    use std::io::{self, BufReader, Read, Write};
    use std::process::{Command, Stdio};
    use std::sync::mpsc::{RecvTimeoutError, channel};
    use std::time::Duration;

    use crate::decode::{self, Facts, Fault};
    use crate::frame::Frame;
    use crate::system;

    /// The hidden command.
    const COMMAND: &str = "unpack-raw";

    /// Memory that the child may ask for, bytes: 200 megapixels of 16 bits twice over, and the program itself. Set as the
    /// size of its address space, which no decoder gets around.
    const MEMORY_BYTES: u64 = 2 << 30;

    /// Time after which the child is killed. A phone's raw file takes it less than a second, one of JPEG XL a few.
    const TIME: Duration = Duration::from_secs(30);

    /// What the child may say for itself, bytes.
    const LONGEST_WORDS: u64 = 300;

    pub(super) fn decode(bytes: &[u8], max_pixels: u64) -> Result<(Facts, Frame), Fault> {
        decode::may_be_decoded(bytes, max_pixels)?;
        let no_child = |e: io::Error| {
            Fault::Unreadable(format!(
                "the process that reads DNG could not be started ({e}): run it again, or upload the JPEG of the same shot"
            ))
        };
        let mut child = Command::new(std::env::current_exe().map_err(no_child)?)
            .arg(COMMAND)
            // Its own threads would compete with the other photos' workers.
            .env("RAYON_NUM_THREADS", "1")
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .map_err(no_child)?;
        let kill = system::killer(&child);
        let mut stdin = child.stdin.take();
        let stdout = child.stdout.take();
        let stderr = child.stderr.take();
        let (done, until_done) = channel::<()>();
        let (decoded, words, in_time) = std::thread::scope(|scope| {
            let watch = scope.spawn(move || {
                let in_time = until_done.recv_timeout(TIME) != Err(RecvTimeoutError::Timeout);
                if !in_time {
                    // Not waited for yet, so that the number is still the child's.
                    kill();
                }
                in_time
            });
            // A child that ends early does not read on.
            let feed = scope.spawn(move || stdin.take().map(|mut stdin| stdin.write_all(bytes)));
            let listen = scope.spawn(move || {
                let mut words = String::new();
                if let Some(stderr) = stderr {
                    let mut limited = stderr.take(LONGEST_WORDS);
                    let _ = limited.read_to_string(&mut words);
                    let _ = io::copy(&mut limited.into_inner(), &mut io::sink());
                }
                words
            });
            let from = BufReader::with_capacity(1 << 16, stdout.into_iter().next().expect("piped"));
            let decoded = decode::decode_unpacked(bytes, from, max_pixels);
            drop(done);
            let _ = feed.join();
            let words = listen.join().unwrap_or_default();
            (decoded, words, watch.join().unwrap_or(true))
        });
        let status = child.wait().map_err(no_child)?;
        if !in_time {
            return Err(Fault::Unreadable(format!(
                "this DNG took its decoder longer than {} s, and was given up: upload the JPEG of the same shot",
                TIME.as_secs()
            )));
        }
        match decoded {
            Ok(decoded) if status.success() => Ok(decoded),
            Err(Fault::TooLarge(words)) => Err(Fault::TooLarge(words)),
            // What it says when it chooses to end is about the file; what a panic says is not for readers.
            _ if status.code() == Some(1) && !words.is_empty() => Err(Fault::Unreadable(format!(
                "{}: upload the photo again, or the JPEG of the same shot",
                words.trim()
            ))),
            Err(fault) => Err(fault),
            Ok(_) => Err(Fault::Unreadable(
                "the process that reads DNG ended without an end: upload the JPEG of the same shot"
                    .to_owned(),
            )),
        }
    }

    /// What the child does: it reads a raw file from stdin and writes its samples to stdout.
    ///
    /// # Errors
    /// In words about the file.
    pub fn serve() -> Result<(), String> {
        let limited = system::limit_own_memory(MEMORY_BYTES);
        limited.map_err(|e| format!("no limit of memory: {e}"))?;
        let mut bytes = Vec::new();
        io::stdin()
            .lock()
            .read_to_end(&mut bytes)
            .map_err(|e| format!("it cannot be read: {e}"))?;
        let mut out = io::BufWriter::with_capacity(1 << 16, io::stdout().lock());
        decode::unpack_dng(&bytes, &mut out)?;
        out.flush()
            .map_err(|e| format!("its samples get nowhere: {e}"))
    }
}
