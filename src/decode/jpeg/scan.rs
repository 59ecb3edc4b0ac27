//! What a JPEG's scans are read by: the tables in force, and the scan's own header. ITU-T T.81 annex B.2.

use super::huffman::Tables;
use super::markers::{FrameHeader, code};

/// What the segments before a scan define.
#[derive(Default)]
pub(super) struct Definitions {
    pub(super) tables: Tables,
    /// Quantisation steps in zigzag order.
    pub(super) steps: [Option<[f32; 64]>; 4],
    /// MCUs between restarts; 0 for none.
    pub(super) restart_interval: usize,
}

impl Definitions {
    /// Takes in a segment; what does not fit is left out.
    pub(super) fn take(&mut self, marker: u8, body: &[u8]) {
        match marker {
            code::DHT => self.tables.define(body),
            code::DQT => self.define_steps(body),
            code::DRI if body.len() >= 2 => {
                self.restart_interval = usize::from(u16::from_be_bytes([body[0], body[1]]));
            }
            _ => {}
        }
    }

    /// ITU-T T.81 B.2.4.1: tables of 64 steps of 8 or 16 bits.
    fn define_steps(&mut self, mut body: &[u8]) {
        while let Some((&kind, rest)) = body.split_first() {
            let size = if kind >> 4 == 0 { 1 } else { 2 };
            let Some(values) = rest.get(..64 * size) else {
                return;
            };
            self.steps[usize::from(kind & 3)] = Some(std::array::from_fn(|i| {
                let value = &values[i * size..(i + 1) * size];
                value.iter().fold(0.0, |v, b| 256.0 * v + f32::from(*b))
            }));
            body = &rest[64 * size..];
        }
    }
}

/// One component's part in a scan.
pub(super) struct Part {
    /// Index in the frame header.
    pub(super) component: usize,
    /// Which of the DC tables it uses.
    pub(super) dc: usize,
    /// Which of the AC tables it uses.
    pub(super) ac: usize,
    /// Blocks in one MCU, across and down.
    pub(super) blocks: (usize, usize),
}

/// A scan header, ITU-T T.81 B.2.3, with the grid that it covers.
pub(super) struct Scan {
    pub(super) parts: Vec<Part>,
    pub(super) progressive: bool,
    /// First and last coefficient in zigzag order.
    pub(super) band: (usize, usize),
    /// True where the scan adds a bit to coefficients sent before.
    pub(super) refines: bool,
    /// MCUs across and down; of a lone component, its blocks.
    pub(super) mcus: (usize, usize),
}

impl Scan {
    /// Reads a header; absent where it does not fit the frame.
    pub(super) fn new(frame: &FrameHeader, body: &[u8]) -> Option<Scan> {
        let n = usize::from(*body.first()?);
        let tail = body.get(1 + 2 * n..1 + 2 * n + 3)?;
        let mut parts = Vec::new();
        for pair in body[1..1 + 2 * n].chunks_exact(2) {
            let component = frame.components.iter().position(|c| c.id == pair[0])?;
            parts.push(Part {
                component,
                dc: usize::from(pair[1] >> 4 & 3),
                ac: usize::from(pair[1] & 3),
                // A lone component is coded block by block, whatever factors it states (T.81 A.2.2).
                blocks: match n {
                    1 => (1, 1),
                    _ => frame.components[component].sampling,
                },
            });
        }
        let mcus = match &parts[..] {
            [] => return None,
            [lone] => frame.blocks(lone.component),
            _ => frame.mcus(),
        };
        let progressive = frame.marker == code::SOF2;
        let band = if progressive {
            (usize::from(tail[0]), usize::from(tail[1]))
        } else {
            (0, 63)
        };
        let sound = band.0 <= band.1 && band.1 < 64 && (band.0 == 0 || n == 1);
        sound.then_some(Scan {
            parts,
            progressive,
            band,
            refines: progressive && tail[2] >> 4 != 0,
            mcus,
        })
    }
}
