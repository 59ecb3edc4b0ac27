//! Does a JPEG's coded data add up? Every Huffman code is read and counted, no pixel is made: each restart
//! interval must hold exactly its blocks and nothing besides.
//!
//! Asked only of files in which a long run of zero bytes makes a hole likely. In a picture with a large even
//! area and tables made to measure, such a run is genuine; after a hole the count is off. Sources: ITU-T T.81
//! annexes F.2 (sequential) and G.2 (progressive).

use super::markers::{FrameHeader, Layout, Segment, code};

/// Why the coded data do not add up; `at` counts bytes from the start of the file.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Flaw {
    pub(super) at: usize,
}

/// Reads all scans of a Huffman-coded JPEG (`SOF0`, `SOF1`, `SOF2`) and checks that they hold the blocks that the
/// header announces, no bit fewer and at most two bytes more.
pub(super) fn adds_up(bytes: &[u8], layout: &Layout) -> Result<(), Flaw> {
    let Some(frame) = &layout.frame else {
        return Err(Flaw { at: 0 });
    };
    let mut tables = Tables::default();
    let mut restart_interval = 0;
    let mut history: Vec<Vec<u64>> = vec![Vec::new(); frame.components.len()];
    for segment in &layout.segments {
        let body = &bytes[segment.body.clone()];
        match segment.marker {
            code::DHT => tables.define(body),
            code::DRI if body.len() >= 2 => {
                restart_interval = usize::from(u16::from_be_bytes([body[0], body[1]]));
            }
            code::SOS => {
                let Some(scan) = Scan::new(frame, segment, body) else {
                    return Err(Flaw {
                        at: segment.body.start,
                    });
                };
                let mut reader = Bits::new(&bytes[..segment.coded.end], segment.coded.start);
                scan.read(&mut reader, &tables, restart_interval, &mut history)
                    .ok_or(Flaw { at: reader.at })?;
            }
            _ => {}
        }
    }
    Ok(())
}

/// The Huffman tables in force: four for DC, four for AC.
#[derive(Default)]
struct Tables {
    dc: [Option<Table>; 4],
    ac: [Option<Table>; 4],
}

/// By the next 16 bits: the length of the code (0: no such code) and its symbol.
struct Table(Vec<(u8, u8)>);

impl Tables {
    /// ITU-T T.81 B.2.4.2; a definition that does not fit ends the segment.
    fn define(&mut self, mut body: &[u8]) {
        while body.len() >= 17 {
            let (class, slot) = (body[0] >> 4, usize::from(body[0] & 3));
            let counts = &body[1..17];
            let n: usize = counts.iter().map(|&c| usize::from(c)).sum();
            let Some(symbols) = body.get(17..17 + n) else {
                return;
            };
            let table = Some(Table::new(counts, symbols));
            if class == 0 {
                self.dc[slot] = table;
            } else {
                self.ac[slot] = table;
            }
            body = &body[17 + n..];
        }
    }
}

impl Table {
    /// Codes are given out in order of length, ITU-T T.81 annex C.
    fn new(counts: &[u8], symbols: &[u8]) -> Table {
        let mut lookup = vec![(0, 0); 1 << 16];
        let mut next = 0usize;
        let mut symbols = symbols.iter();
        for (i, &count) in counts.iter().enumerate() {
            let length = i + 1;
            let span = 1usize << (16 - length);
            for &symbol in symbols.by_ref().take(usize::from(count)) {
                let end = (next + span).min(lookup.len());
                lookup[next.min(end)..end].fill((length as u8, symbol));
                next = end;
            }
        }
        Table(lookup)
    }
}

/// Reads bits up to the next marker, undoing the byte stuffing.
struct Bits<'a> {
    bytes: &'a [u8],
    /// Next byte to be taken in.
    at: usize,
    /// The bits taken in and not yet read, at the low end.
    held: u64,
    n_held: u32,
}

impl<'a> Bits<'a> {
    fn new(bytes: &'a [u8], at: usize) -> Bits<'a> {
        Bits {
            bytes,
            at,
            held: 0,
            n_held: 0,
        }
    }

    fn fill(&mut self) {
        while self.n_held <= 48 {
            let Some(&byte) = self.bytes.get(self.at) else {
                return;
            };
            if byte == 0xff {
                if self.bytes.get(self.at + 1) != Some(&0) {
                    return;
                }
                self.at += 1;
            }
            self.at += 1;
            self.held = self.held << 8 | u64::from(byte);
            self.n_held += 8;
        }
    }

    fn take(&mut self, n: u32) -> Option<u32> {
        if self.n_held < n {
            self.fill();
            if self.n_held < n {
                return None;
            }
        }
        self.n_held -= n;
        Some((self.held >> self.n_held) as u32 & ((1u32 << n) - 1))
    }

    fn symbol(&mut self, table: &Table) -> Option<u8> {
        if self.n_held < 16 {
            self.fill();
        }
        let next = if self.n_held >= 16 {
            self.held >> (self.n_held - 16)
        } else {
            self.held << (16 - self.n_held)
        };
        let (length, symbol) = table.0[(next & 0xffff) as usize];
        let length = u32::from(length);
        if length == 0 || length > self.n_held {
            return None;
        }
        self.n_held -= length;
        Some(symbol)
    }

    /// Goes to the end of the interval; `None` if more than padding was left unread.
    fn finish(&mut self) -> Option<()> {
        self.fill();
        // Up to 7 bits pad the last byte (T.81 F.1.2.3); two bytes more are tolerated, as some writers flush so.
        let at_marker = self
            .bytes
            .get(self.at)
            .is_none_or(|&b| b == 0xff && self.bytes.get(self.at + 1) != Some(&0));
        if !at_marker || self.n_held > 7 + 16 {
            return None;
        }
        self.n_held = 0;
        Some(())
    }

    /// Steps over a restart marker, with fill bytes before it.
    fn restart(&mut self) -> Option<()> {
        while self.bytes.get(self.at) == Some(&0xff) && self.bytes.get(self.at + 1) == Some(&0xff) {
            self.at += 1;
        }
        let marker = *self.bytes.get(self.at + 1)?;
        if !(code::RST0..=code::RST7).contains(&marker) {
            return None;
        }
        self.at += 2;
        Some(())
    }
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
    fn new(frame: &FrameHeader, segment: &Segment, body: &[u8]) -> Option<Scan> {
        debug_assert_eq!(segment.marker, code::SOS);
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

    /// Reads the scan to its end; `None` where it does not add up.
    fn read(
        &self,
        bits: &mut Bits,
        tables: &Tables,
        restart_interval: usize,
        history: &mut [Vec<u64>],
    ) -> Option<()> {
        let mut end_of_band_run = 0u32;
        for mcu in 0..self.n_mcus {
            if restart_interval > 0 && mcu > 0 && mcu % restart_interval == 0 {
                bits.finish()?;
                bits.restart()?;
                end_of_band_run = 0;
            }
            for part in &self.parts {
                for _ in 0..part.blocks_per_mcu {
                    if !self.progressive {
                        read_dc(bits, tables.dc[part.dc].as_ref()?)?;
                        read_ac(bits, tables.ac[part.ac].as_ref()?)?;
                    } else if self.band.0 == 0 {
                        if self.refines {
                            bits.take(1)?;
                        } else {
                            read_dc(bits, tables.dc[part.dc].as_ref()?)?;
                        }
                    } else {
                        let known = &mut history[part.component];
                        known.resize(self.n_mcus, 0);
                        let table = tables.ac[part.ac].as_ref()?;
                        self.read_band(bits, table, &mut known[mcu], &mut end_of_band_run)?;
                    }
                }
            }
        }
        bits.finish()
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
            let symbol = bits.symbol(table)?;
            let (run, size) = (u32::from(symbol >> 4), u32::from(symbol & 15));
            if size == 0 && run < 15 {
                *end_of_band_run = (1 << run) + bits.take(run)?;
                break;
            }
            bits.take(if self.refines { size.min(1) } else { size })?;
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

fn read_dc(bits: &mut Bits, table: &Table) -> Option<()> {
    let size = u32::from(bits.symbol(table)?);
    if size > 16 {
        return None;
    }
    bits.take(size).map(|_| ())
}

fn read_ac(bits: &mut Bits, table: &Table) -> Option<()> {
    let mut k = 1;
    while k < 64 {
        let symbol = bits.symbol(table)?;
        let (run, size) = (u32::from(symbol >> 4), u32::from(symbol & 15));
        if size == 0 {
            if run < 15 {
                return Some(());
            }
            k += 16;
            continue;
        }
        k += run + 1;
        bits.take(size)?;
    }
    (k == 64).then_some(())
}
