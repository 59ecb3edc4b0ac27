//! What can wake the engine, and the bell by which other threads do so.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use crossbeam_channel::{Receiver, Sender};

use crate::arrive::settle::Candidate;

use super::intake::Taken;
use super::job::Job;
use super::known::Known;
use super::looking::Looked;
use super::make::Made;
use super::summing::Summed;

/// Everything that can wake the engine.
pub enum Event {
    /// Something happened in the inbox.
    Look,
    /// Read the configuration again.
    Reload,
    /// Finish what is in hand and end.
    Stop,
    /// An entry was read, by the reader of this number.
    Read(Box<(u64, Candidate, Taken)>),
    /// A photo was looked at; nothing was seen where it has changed meanwhile.
    Looked(Box<(Candidate, Known, Option<Looked>)>),
    /// A photo's folder was made, or not.
    Made(Box<(Arc<Job>, Made)>),
    /// The class's tables and pages were made.
    Summed(Box<Summed>),
}

/// Wakes the shell from another thread.
#[derive(Clone)]
pub struct Bell {
    sender: Sender<Event>,
    /// True from a hint to the listing it causes: thousands of files at once must not fill the memory with equal hints.
    pub(super) look_is_under_way: Arc<AtomicBool>,
    /// Set by [`Bell::stop`]; asked by work that is done before the engine listens.
    stop_is_called: Arc<AtomicBool>,
}

/// The shell's end of a [`Bell`].
pub struct Ears {
    pub(super) bell: Bell,
    pub(super) events: Receiver<Event>,
}

impl Bell {
    /// Makes a bell, and the ears that hear it.
    pub fn new() -> (Bell, Ears) {
        let (sender, events) = crossbeam_channel::unbounded();
        let bell = Bell {
            sender,
            look_is_under_way: Arc::default(),
            stop_is_called: Arc::default(),
        };
        let ears = Ears {
            bell: bell.clone(),
            events,
        };
        (bell, ears)
    }

    /// Wakes the engine; nothing happens where it has ended.
    pub(super) fn ring(&self, event: Event) {
        let _ = self.sender.send(event);
    }

    /// Asks the engine to finish the photos in hand and to end.
    pub fn stop(&self) {
        self.stop_is_called.store(true, Ordering::SeqCst);
        self.ring(Event::Stop);
    }

    /// Asks for the configuration to be read again, whether or not it looks changed.
    pub fn reload(&self) {
        self.ring(Event::Reload);
    }

    /// Asks for a listing of the inbox now.
    pub fn look(&self) {
        if !self.look_is_under_way.swap(true, Ordering::SeqCst) {
            self.ring(Event::Look);
        }
    }
}

impl Ears {
    /// True where somebody said stop; the run that these ears are handed to will then stop, too.
    pub fn is_stop_called(&self) -> bool {
        self.bell.stop_is_called.load(Ordering::SeqCst)
    }
}
