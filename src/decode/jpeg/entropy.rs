//! Checks a JPEG's coded data by reading every Huffman code and counting the blocks, without making a pixel: each restart
//! interval must hold exactly its blocks and nothing besides.
//!
//! Asked only of files in which a long run of zero bytes makes a hole likely. In a picture with a large even
//! area and tables made to measure, such a run is genuine; after a hole the count is off. Sources: ITU-T T.81
//! annexes F.2 (sequential) and G.2 (progressive).

use super::huffman::{Bits, Table, Tables, read_ac, read_dc};
use super::markers::{FrameHeader, Layout, code};
use super::scan::{Definitions, Scan};
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
pub(super) fn adds_up(bytes: &[u8], layout: &Layout, frame: &FrameHeader) -> Result<(), Flaw> {
    let mut defined = Definitions::default();
    let mut history: Vec<Vec<u64>> = vec![Vec::new(); frame.components.len()];
    let mut begun = vec![false; frame.components.len()];
    let mut left_over_at = None;
    for segment in &layout.segments {
        let body = &bytes[segment.body.clone()];
        if segment.marker != code::SOS {
            defined.take(segment.marker, body);
            continue;
        }
        let at = segment.body.start;
        let scan = Scan::new(frame, body).ok_or(Flaw::TooFew { at })?;
        let hole = zero_run(&bytes[segment.coded.clone()], HOLE_BYTES);
        if let Some(hole) = hole
            && scan.has_detail_to_refine(&history)
        {
            let at = segment.coded.start + hole.start;
            return Err(Flaw::TooFew { at });
        }
        let mut bits = Bits::new(&bytes[..segment.coded.end], segment.coded.start);
        scan.read(&mut bits, &defined, &mut history)
            .ok_or(Flaw::TooFew { at: bits.at })?;
        left_over_at = left_over_at.or(bits.left_over_at);
        if scan.band.0 == 0 && !scan.refines {
            scan.parts.iter().for_each(|p| begun[p.component] = true);
        }
    }
    if !begun.iter().all(|b| *b) {
        let at = layout.end.unwrap_or(bytes.len());
        return Err(Flaw::TooFew { at });
    }
    left_over_at.map_or(Ok(()), |at| Err(Flaw::TooMany { at }))
}

impl Scan {
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
    fn read(&self, bits: &mut Bits, defined: &Definitions, history: &mut [Vec<u64>]) -> Option<()> {
        let n_mcus = self.mcus.0 * self.mcus.1;
        let interval = match defined.restart_interval {
            0 => n_mcus,
            interval => interval,
        };
        let mut first = 0;
        while first < n_mcus {
            if first > 0 {
                bits.restart()?;
            }
            let mcus = first..n_mcus.min(first + interval);
            first = mcus.end;
            if self.band.0 == 0 {
                self.read_mcus(bits, &defined.tables, mcus.len())?;
            } else {
                let part = &self.parts[0];
                let table = defined.tables.ac[part.ac].as_ref()?;
                let known = &mut history[part.component];
                known.resize(n_mcus, 0);
                let mut end_of_band_run = 0;
                for block in &mut known[mcus] {
                    self.read_band(bits, table, block, &mut end_of_band_run)?;
                }
            }
            bits.finish();
        }
        Some(())
    }

    /// MCUs of a sequential scan, or of the DC coefficients alone.
    fn read_mcus(&self, bits: &mut Bits, tables: &Tables, n_mcus: usize) -> Option<()> {
        for _ in 0..n_mcus {
            for part in &self.parts {
                for _ in 0..part.blocks.0 * part.blocks.1 {
                    if self.refines {
                        bits.take(1)?;
                        continue;
                    }
                    read_dc(bits, tables.dc[part.dc].as_ref()?)?;
                    if !self.progressive {
                        read_ac(bits, tables.ac[part.ac].as_ref()?, |_, _| ())?;
                    }
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
            let (symbol, _) = bits.symbol(table, |symbol| {
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
                let frame = layout.frame.as_ref().expect("a header");
                assert_eq!(adds_up(&bytes, &layout, frame), Ok(()), "{form:?}");
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
                    let layout = Layout::of(&bytes);
                    let frame = layout.frame.as_ref().expect("a header");
                    found += usize::from(adds_up(&bytes, &layout, frame).is_err());
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
                if let Some(frame) = &layout.frame {
                    let _ = adds_up(&bytes, &layout, frame);
                }
            }
        }
    }
}
