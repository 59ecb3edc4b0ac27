//! One photo with its scale and its two orders: what its health is read from.

use crate::frame::Frame;
use crate::measure::inputs::Inputs;
use crate::measure::light::lineshape::LineShape;
use crate::measure::light::profile::{Order, Profile};
use crate::measure::scale::photo_scale::PhotoScale;
use crate::measure::sight::Survey;
use crate::terms::{Interval, Lamp};

/// One photo with its scale and its two orders.
#[derive(Clone, Copy)]
pub struct Shot<'a> {
    /// The picture.
    pub frame: &'a Frame,
    /// What it is measured with.
    pub inputs: &'a Inputs<'a>,
    /// The slit's image and the band.
    pub survey: &'a Survey,
    /// Where each wavelength lies.
    pub scale: &'a PhotoScale,
    /// Extent of the slit in β − β_mid, about the middle that the scale's optics have.
    pub beta: Interval,
    /// The first orders, that of −α first.
    pub orders: &'a [Order; 2],
    /// Which of them is measured.
    pub measured: usize,
    /// Shape of a lamp photo's clearest line.
    pub shape: Option<LineShape>,
    /// The lamp of a lamp photo.
    pub lamp: Option<&'a Lamp>,
}

impl<'a> Shot<'a> {
    /// The measured order.
    pub fn order(&self) -> &'a Order {
        &self.orders[self.measured]
    }

    /// Its light.
    pub fn profile(&self) -> &'a Profile {
        &self.order().profile
    }

    /// Light of the other order.
    pub fn other(&self) -> &'a Profile {
        &self.orders[1 - self.measured].profile
    }
}
