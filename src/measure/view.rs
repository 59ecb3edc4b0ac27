//! What is found in a picture by itself, before anything is known of its bench: a look at a photo begins with it, and measuring the
//! same photo goes on from it.

use crate::frame::Frame;
use crate::measure::scale::lamp_photo::Surveyed;
use crate::measure::sight::{Familiar, NoSight, Sight, Sketch, look};

/// What is found in a picture without its bench. It depends on the picture, on what its header states, and on what was looked for; a
/// measurement comes to the same with it as without.
pub struct View {
    /// The picture's map, and the bright bars in it.
    pub sketch: Sketch,
    /// What was found of the slit; absent where nobody has looked for it.
    pub alone: Option<Alone>,
}

/// The slit and its bands as they are found without the bench's lamp photo.
pub struct Alone {
    /// Focal length that the header states, px.
    pub focal_px: Option<f64>,
    /// The slit's image, or why there is none.
    pub sight: Result<Sight, NoSight>,
    /// What finding it said.
    pub log: Vec<String>,
    /// The surveys that were made, one a disc.
    pub surveyed: Vec<Surveyed>,
}

impl View {
    /// Looks for the slit in a picture in which nobody has looked for it.
    pub fn of(frame: &Frame) -> View {
        View {
            sketch: Sketch::of(frame),
            alone: None,
        }
    }

    /// Memory that it takes, bytes.
    pub fn n_bytes(&self) -> u64 {
        let surveyed = self.alone.iter().flat_map(|alone| &alone.surveyed);
        self.sketch.map.n_bytes() + surveyed.map(Surveyed::n_bytes).sum::<u64>()
    }
}

impl Alone {
    /// The slit's image as it is found in a picture without its bench.
    pub fn of(frame: &Frame, sketch: &Sketch, focal_px: Option<f64>) -> Alone {
        let mut log = Vec::new();
        let nobody = (&Familiar::default(), None);
        Alone {
            focal_px,
            sight: look(frame, sketch, focal_px, nobody, &mut log),
            log,
            surveyed: Vec::new(),
        }
    }
}
