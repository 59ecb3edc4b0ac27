//! A decoded photo, and what was found in it where somebody has looked at it.

use crate::decode::Facts;
use crate::frame::Frame;
use crate::measure::view::View;

/// A decoded photo, and what was found in it where somebody has looked at it.
pub struct Picture {
    /// What its header says, as it holds for the upright picture.
    pub facts: Facts,
    /// Its pixels.
    pub frame: Frame,
    /// What a look has found in it, which measuring need not find anew.
    pub(super) view: Option<View>,
}

impl Picture {
    /// Memory that it takes, bytes.
    pub fn n_bytes(&self) -> u64 {
        self.frame.n_bytes() + self.view.as_ref().map_or(0, View::n_bytes)
    }
}

impl From<(Facts, Frame)> for Picture {
    /// At which nobody has looked.
    fn from((facts, frame): (Facts, Frame)) -> Picture {
        Picture {
            facts,
            frame,
            view: None,
        }
    }
}
