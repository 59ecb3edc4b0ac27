//! Does a JPEG's coded data add up? Every Huffman code is read and counted, no pixel is made: each restart
//! interval must hold exactly its blocks and nothing besides.
//!
//! Asked only of files in which a long run of zero bytes makes a hole likely. In a picture with a large even
//! area and tables made to measure, such a run is genuine; after a hole the count is off. Sources: ITU-T T.81
//! annexes F.2 (sequential) and G.2 (progressive).

use super::huffman::{Bits, Table, Tables};
use super::markers::{FrameHeader, Layout, code};
use crate::decode::zeros::{HOLE_BYTES, zero_run};

/// Why the coded data do not add up; positions count bytes from the start of the file.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Flaw {
    /// Blocks are missing, or a code is read that no table has.
    TooFew {
        /// Where reading ended.
        at: usize,
    },
    /// All blocks are there, and more than padding is left over before a marker.
    TooMany {
        /// Where the blocks ended.
        at: usize,
    },
}

/// Reads all scans of a Huffman-coded JPEG (`SOF0`, `SOF1`, `SOF2`) and checks that they hold the blocks that the
/// header announces, no bit fewer and at most two bytes more.
pub(super) fn adds_up(bytes: &[u8], layout: &Layout) -> Result<(), Flaw> {
    let Some(frame) = &layout.frame else {
        return Err(Flaw::TooFew { at: 0 });
    };
    let mut tables = Tables::default();
    let mut restart_interval = 0;
    let mut history: Vec<Vec<u64>> = vec![Vec::new(); frame.components.len()];
    let mut begun = vec![false; frame.components.len()];
    let mut left_over_at = None;
    for segment in &layout.segments {
        let body = &bytes[segment.body.clone()];
        match segment.marker {
            code::DHT => tables.define(body),
            code::DRI if body.len() >= 2 => {
                restart_interval = usize::from(u16::from_be_bytes([body[0], body[1]]));
            }
            code::SOS => {
                let Some(scan) = Scan::new(frame, body) else {
                    return Err(Flaw::TooFew {
                        at: segment.body.start,
                    });
                };
                let hole = zero_run(&bytes[segment.coded.clone()], HOLE_BYTES);
                if let Some(hole) = hole
                    && scan.has_detail_to_refine(&history)
                {
                    let at = segment.coded.start + hole.start;
                    return Err(Flaw::TooFew { at });
                }
                let mut bits = Bits::new(&bytes[..segment.coded.end], segment.coded.start);
                scan.read(&mut bits, &tables, restart_interval, &mut history)
                    .ok_or(Flaw::TooFew { at: bits.at })?;
                left_over_at = left_over_at.or(bits.left_over_at);
                if scan.band.0 == 0 && !scan.refines {
                    scan.parts.iter().for_each(|p| begun[p.component] = true);
                }
            }
            _ => {}
        }
    }
    if !begun.iter().all(|b| *b) {
        let at = layout.end.unwrap_or(bytes.len());
        return Err(Flaw::TooFew { at });
    }
    left_over_at.map_or(Ok(()), |at| Err(Flaw::TooMany { at }))
}

/// One component's part in a scan.
struct Part {
    /// Index in the frame header.
    component: usize,
    dc: usize,
    ac: usize,
    /// Blocks in one MCU.
    blocks_per_mcu: usize,
}

/// A scan header, ITU-T T.81 B.2.3, with the grid that it covers.
struct Scan {
    parts: Vec<Part>,
    progressive: bool,
    /// First and last coefficient in zigzag order.
    band: (usize, usize),
    /// True where the scan adds a bit to coefficients sent before.
    refines: bool,
    n_mcus: usize,
}

impl Scan {
    fn new(frame: &FrameHeader, body: &[u8]) -> Option<Scan> {
        let n = usize::from(*body.first()?);
        let tail = body.get(1 + 2 * n..1 + 2 * n + 3)?;
        let mut parts = Vec::new();
        for pair in body[1..1 + 2 * n].chunks_exact(2) {
            let component = frame.components.iter().position(|c| c.id == pair[0])?;
            let (h, v) = frame.components[component].sampling;
            parts.push(Part {
                component,
                dc: usize::from(pair[1] >> 4 & 3),
                ac: usize::from(pair[1] & 3),
                blocks_per_mcu: if n > 1 {
                    usize::from(h) * usize::from(v)
                } else {
                    1
                },
            });
        }
        let (across, down) = grid(frame, parts.first()?.component, n > 1);
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
            n_mcus: across * down,
        })
    }

    /// True for a refining AC scan of a picture that is not even.
    ///
    /// There the count proves nothing: how a block is read depends on what is known of it, so a reading that has
    /// slipped drifts until it meets the right block again, and was seen to end in step. But nor can a run of zeros be
    /// genuine: it would be a thousand coefficients whose next bit is 0 without exception.
    fn has_detail_to_refine(&self, history: &[Vec<u64>]) -> bool {
        let component = self.parts[0].component;
        self.refines && self.band.0 > 0 && history[component].iter().any(|known| *known != 0)
    }

    /// Reads the scan to its end; `None` where blocks are missing.
    fn read(
        &self,
        bits: &mut Bits,
        tables: &Tables,
        restart_interval: usize,
        history: &mut [Vec<u64>],
    ) -> Option<()> {
        let interval = if restart_interval == 0 {
            self.n_mcus
        } else {
            restart_interval
        };
        let mut first = 0;
        while first < self.n_mcus {
            if first > 0 {
                bits.restart()?;
            }
            let mcus = first..self.n_mcus.min(first + interval);
            first = mcus.end;
            if !self.progressive {
                self.read_sequential(bits, tables, mcus.len())?;
            } else if self.band.0 == 0 {
                self.read_progressive_dc(bits, tables, mcus.len())?;
            } else {
                let part = &self.parts[0];
                let table = tables.ac[part.ac].as_ref()?;
                let known = &mut history[part.component];
                known.resize(self.n_mcus, 0);
                let mut end_of_band_run = 0;
                for block in &mut known[mcus] {
                    self.read_band(bits, table, block, &mut end_of_band_run)?;
                }
            }
            bits.finish();
        }
        Some(())
    }

    fn read_sequential(&self, bits: &mut Bits, tables: &Tables, n_mcus: usize) -> Option<()> {
        for _ in 0..n_mcus {
            for part in &self.parts {
                let (dc, ac) = (tables.dc[part.dc].as_ref()?, tables.ac[part.ac].as_ref()?);
                for _ in 0..part.blocks_per_mcu {
                    read_dc(bits, dc)?;
                    read_ac(bits, ac)?;
                }
            }
        }
        Some(())
    }

    fn read_progressive_dc(&self, bits: &mut Bits, tables: &Tables, n_mcus: usize) -> Option<()> {
        let blocks_per_mcu = self.parts.iter().map(|p| p.blocks_per_mcu).sum::<usize>();
        if self.refines {
            for _ in 0..n_mcus * blocks_per_mcu {
                bits.take(1)?;
            }
            return Some(());
        }
        for _ in 0..n_mcus {
            for part in &self.parts {
                let dc = tables.dc[part.dc].as_ref()?;
                for _ in 0..part.blocks_per_mcu {
                    read_dc(bits, dc)?;
                }
            }
        }
        Some(())
    }

    /// One block of a progressive AC scan, first (T.81 G.1.2.2) or refining (G.1.2.3).
    ///
    /// `known` marks the coefficients that are not zero so far: each takes one bit of a refining scan.
    fn read_band(
        &self,
        bits: &mut Bits,
        table: &Table,
        known: &mut u64,
        end_of_band_run: &mut u32,
    ) -> Option<()> {
        let (mut k, last) = self.band;
        while k <= last && *end_of_band_run == 0 {
            let symbol = bits.symbol(table, |symbol| {
                let size = u32::from(symbol & 15);
                if self.refines { size.min(1) } else { size }
            })?;
            let (run, size) = (u32::from(symbol >> 4), symbol & 15);
            if size == 0 && run < 15 {
                *end_of_band_run = (1 << run) + bits.take(run)?;
                break;
            }
            let mut zeros_left = run;
            if self.refines {
                // Passes over `run` zeros, giving each known coefficient on the way its bit.
                while k <= last {
                    if *known >> k & 1 == 1 {
                        bits.take(1)?;
                    } else if zeros_left == 0 {
                        break;
                    } else {
                        zeros_left -= 1;
                    }
                    k += 1;
                }
            } else {
                k += run as usize;
            }
            if size > 0 {
                if k > last {
                    return None;
                }
                *known |= 1 << k;
            }
            k += 1;
        }
        if *end_of_band_run > 0 {
            *end_of_band_run -= 1;
            if self.refines && k <= last {
                let rest = *known >> k & (u64::MAX >> (63 - (last - k)));
                for _ in 0..rest.count_ones() {
                    bits.take(1)?;
                }
            }
        }
        Some(())
    }
}

/// MCUs across and down (interleaved), or the component's own blocks: ITU-T T.81 A.2.
fn grid(frame: &FrameHeader, component: usize, interleaved: bool) -> (usize, usize) {
    let most = |pick: fn((u8, u8)) -> u8| {
        let factors = frame.components.iter().map(|c| pick(c.sampling));
        usize::from(factors.max().unwrap_or(1))
    };
    let (h_max, v_max) = (most(|s| s.0), most(|s| s.1));
    let (width, height) = (usize::from(frame.width), usize::from(frame.height));
    if interleaved {
        return (width.div_ceil(8 * h_max), height.div_ceil(8 * v_max));
    }
    let (h, v) = frame.components[component].sampling;
    (
        (width * usize::from(h)).div_ceil(h_max).div_ceil(8),
        (height * usize::from(v)).div_ceil(v_max).div_ceil(8),
    )
}

/// T.81 F.2.2.1: the symbol is the number of bits of the difference that follow.
#[inline]
fn read_dc(bits: &mut Bits, table: &Table) -> Option<()> {
    bits.symbol(table, |size| u32::from(size.min(16)))
        .map(|_| ())
}

/// T.81 F.2.2.2: run of zeros and number of bits of the coefficient that follow, up to the end of the block.
#[inline]
fn read_ac(bits: &mut Bits, table: &Table) -> Option<()> {
    const SIXTEEN_ZEROS: u8 = 0xf0;
    let mut k = 1;
    while k < 64 {
        let symbol = bits.symbol(table, |symbol| u32::from(symbol & 15))?;
        if symbol & 15 == 0 && symbol != SIXTEEN_ZEROS {
            return Some(());
        }
        k += u32::from(symbol >> 4) + 1;
    }
    (k == 64).then_some(())
}

#[cfg(test)]
mod tests {
    use super::super::drawn::{Form, flat, noisy};
    use super::*;
    use rand::{RngExt, SeedableRng};

    fn forms() -> Vec<Form> {
        let mut forms = Vec::new();
        for (width, height) in [(64, 48), (61, 35), (200, 9)] {
            for progressive in [None, Some(4), Some(10)] {
                for sampling in [(1, 1), (2, 1), (2, 2)] {
                    for restart in [0, 3] {
                        for optimised in [false, true] {
                            // The encoder does not foresee restarts in tables made to measure, and panics.
                            if optimised && restart > 0 {
                                continue;
                            }
                            forms.push(Form {
                                width,
                                height,
                                progressive,
                                sampling,
                                restart,
                                optimised,
                                ..Form::default()
                            });
                        }
                    }
                }
            }
        }
        forms
    }

    #[test]
    fn every_sound_file_adds_up() {
        for form in forms() {
            for bytes in [noisy(&form), flat(&form)] {
                let layout = Layout::of(&bytes);
                assert_eq!(adds_up(&bytes, &layout), Ok(()), "{form:?}");
            }
        }
    }

    #[test]
    fn a_hole_of_zeros_does_not_add_up() {
        let mut rng = rand_pcg::Pcg64::seed_from_u64(11);
        let (mut found, mut all) = (0, 0);
        for progressive in [None, Some(4)] {
            for optimised in [false, true] {
                let form = Form {
                    width: 640,
                    height: 480,
                    progressive,
                    optimised,
                    ..Form::default()
                };
                let sound = noisy(&form);
                let coded: Vec<_> = Layout::of(&sound).coded().collect();
                let longest = coded.into_iter().max_by_key(|c| c.len()).expect("a scan");
                for _ in 0..20 {
                    let mut bytes = sound.clone();
                    let at = rng.random_range(longest.start..longest.end - 4096);
                    bytes[at..at + 4096].fill(0);
                    all += 1;
                    found += usize::from(adds_up(&bytes, &Layout::of(&bytes)).is_err());
                }
            }
        }
        assert_eq!(found, all);
    }

    #[test]
    fn no_bytes_make_it_panic() {
        let mut rng = rand_pcg::Pcg64::seed_from_u64(12);
        for form in forms().into_iter().step_by(5) {
            let sound = noisy(&form);
            for _ in 0..40 {
                let mut bytes = sound.clone();
                for _ in 0..rng.random_range(1..6) {
                    let at = rng.random_range(2..bytes.len());
                    bytes[at] = rng.random();
                }
                let layout = Layout::of(&bytes);
                let _ = adds_up(&bytes, &layout);
            }
        }
    }
}
