//! Huffman codes read bit by bit out of a JPEG's coded data: ITU-T T.81 annexes B.2.4.2, C and F.2.2.

use super::markers::code;

/// The Huffman tables in force: four for DC, four for AC.
#[derive(Default)]
pub(super) struct Tables {
    pub(super) dc: [Option<Table>; 4],
    pub(super) ac: [Option<Table>; 4],
}

/// What a Huffman code says, found by the bits ahead.
#[derive(Clone, Copy, Default)]
struct Entry {
    /// Length of the code; 0: no such code.
    length: u8,
    symbol: u8,
}

/// Codes of up to [`Table::FAST`] bits are found in a table small enough to stay in the nearest cache.
pub(super) struct Table {
    fast: Vec<Entry>,
    all: Vec<Entry>,
}

impl Tables {
    /// ITU-T T.81 B.2.4.2; a definition that does not fit ends the segment.
    pub(super) fn define(&mut self, mut body: &[u8]) {
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
    const FAST: u32 = 10;

    /// Codes are given out in order of length, ITU-T T.81 annex C.
    fn new(counts: &[u8], symbols: &[u8]) -> Table {
        let mut all = vec![Entry::default(); 1 << 16];
        let mut next = 0usize;
        let mut symbols = symbols.iter();
        for (i, &count) in counts.iter().enumerate() {
            let length = i + 1;
            let span = 1usize << (16 - length);
            for &symbol in symbols.by_ref().take(usize::from(count)) {
                let end = (next + span).min(all.len());
                all[next.min(end)..end].fill(Entry {
                    length: length as u8,
                    symbol,
                });
                next = end;
            }
        }
        let whole_code = |i: usize| {
            let entry = all[i << (16 - Table::FAST)];
            if u32::from(entry.length) <= Table::FAST {
                entry
            } else {
                Entry::default()
            }
        };
        Table {
            fast: (0..1 << Table::FAST).map(whole_code).collect(),
            all,
        }
    }

    /// The entry of the code at the high end of `ahead`.
    #[inline]
    fn find(&self, ahead: u64) -> Entry {
        let entry = self.fast[(ahead >> (64 - Table::FAST)) as usize];
        if entry.length > 0 {
            entry
        } else {
            self.all[(ahead >> 48) as usize]
        }
    }
}

/// Reads bits up to the next marker, undoing the byte stuffing.
pub(super) struct Bits<'a> {
    bytes: &'a [u8],
    /// Next byte to be taken in.
    pub(super) at: usize,
    /// The bits taken in and not yet read, at the high end; zeros below them.
    held: u64,
    n_held: u32,
    /// Where an interval first held more than its blocks.
    pub(super) left_over_at: Option<usize>,
}

impl<'a> Bits<'a> {
    pub(super) fn new(bytes: &'a [u8], at: usize) -> Bits<'a> {
        Bits {
            bytes,
            at,
            held: 0,
            n_held: 0,
            left_over_at: None,
        }
    }

    /// Takes in what fits, so that at least 32 bits are held unless a marker is near.
    #[inline]
    fn fill(&mut self) {
        let next = self.bytes.get(self.at..).and_then(<[u8]>::first_chunk);
        if let Some(&four) = next
            && self.n_held <= 32
            && !four.contains(&0xff)
        {
            self.held |= u64::from(u32::from_be_bytes(four)) << (32 - self.n_held);
            self.n_held += 32;
            self.at += 4;
        } else {
            self.fill_bytewise();
        }
    }

    fn fill_bytewise(&mut self) {
        while self.n_held <= 56 {
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
            self.held |= u64::from(byte) << (56 - self.n_held);
            self.n_held += 8;
        }
    }

    /// Reads `n` bits, at most 16.
    pub(super) fn take(&mut self, n: u32) -> Option<u32> {
        if self.n_held < n {
            self.fill();
        }
        let value = (self.held >> 48) as u32 >> (16 - n);
        self.drop(n).map(|()| value)
    }

    #[inline]
    fn drop(&mut self, n: u32) -> Option<()> {
        self.n_held = self.n_held.checked_sub(n)?;
        self.held <<= n;
        Some(())
    }

    /// Reads a code and the bits after it, of which `bits_after` says how many, at most 16.
    #[inline]
    pub(super) fn symbol(
        &mut self,
        table: &Table,
        bits_after: impl Fn(u8) -> u32,
    ) -> Option<(u8, u32)> {
        if self.n_held < 32 {
            self.fill();
        }
        let Entry { length, symbol } = table.find(self.held);
        if length == 0 {
            return None;
        }
        self.drop(u32::from(length))?;
        let n = bits_after(symbol);
        // In two steps, since a shift by all 64 bits is none.
        let bits = (self.held >> 1 >> (63 - n)) as u32;
        self.drop(n)?;
        Some((symbol, bits))
    }

    /// Goes to the marker at the end of the interval, and notes whether more than padding was left before it.
    pub(super) fn finish(&mut self) {
        self.fill_bytewise();
        let at = self.at;
        let is_marker = |pair: &[u8]| pair[0] == 0xff && pair[1] != 0;
        self.at += self.bytes[at..]
            .windows(2)
            .position(is_marker)
            .unwrap_or(self.bytes.len() - at);
        // Up to 7 bits pad the last byte (T.81 F.1.2.3); two bytes more are tolerated, as some writers flush so.
        if self.at > at || self.n_held > 7 + 16 {
            self.left_over_at = self.left_over_at.or(Some(at));
        }
        (self.held, self.n_held) = (0, 0);
    }

    /// Steps over a restart marker, with fill bytes before it.
    pub(super) fn restart(&mut self) -> Option<()> {
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

/// Reads a DC code: the difference to the block before (T.81 F.2.2.1).
#[inline]
pub(super) fn read_dc(bits: &mut Bits, table: &Table) -> Option<i32> {
    let (size, ahead) = bits.symbol(table, |size| u32::from(size.min(16)))?;
    Some(signed(ahead, size.min(16)))
}

/// Reads the AC codes of a block to its end (T.81 F.2.2.2), and hands out the place in zigzag order and the value of each
/// coefficient that is coded.
#[inline]
pub(super) fn read_ac(
    bits: &mut Bits,
    table: &Table,
    mut put: impl FnMut(usize, i32),
) -> Option<()> {
    const SIXTEEN_ZEROS: u8 = 0xf0;
    let mut k = 1;
    while k < 64 {
        let (symbol, ahead) = bits.symbol(table, |symbol| u32::from(symbol & 15))?;
        let size = symbol & 15;
        if size == 0 && symbol != SIXTEEN_ZEROS {
            return Some(());
        }
        k += usize::from(symbol >> 4);
        if size > 0 && k < 64 {
            put(k, signed(ahead, size));
        }
        k += 1;
    }
    (k == 64).then_some(())
}

/// T.81 F.2.2.1, figure F.12: of `size` bits, those that begin with 0 are negative.
#[inline]
fn signed(bits: u32, size: u8) -> i32 {
    let bits = bits as i32;
    if size > 0 && bits >> (size - 1) == 0 {
        bits - (1 << size) + 1
    } else {
        bits
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The definition of a DC table in slot 0.
    fn definition(counts: [u8; 16], symbols: &[u8]) -> Vec<u8> {
        [&[0], counts.as_slice(), symbols].concat()
    }

    #[test]
    fn the_standard_luminance_table_reads_as_printed() {
        // ITU-T T.81 table K.3: category and code word.
        let printed = [
            (0, "00"),
            (1, "010"),
            (2, "011"),
            (3, "100"),
            (4, "101"),
            (5, "110"),
            (6, "1110"),
            (7, "11110"),
            (8, "111110"),
            (9, "1111110"),
            (10, "11111110"),
            (11, "111111110"),
        ];
        let mut counts = [0u8; 16];
        for (_, word) in printed {
            counts[word.len() - 1] += 1;
        }
        let mut tables = Tables::default();
        tables.define(&definition(counts, &printed.map(|(category, _)| category)));
        let table = tables.dc[0].as_ref().expect("a table");
        for (category, word) in printed {
            let padded = format!("{word:0<16}");
            let bytes: Vec<u8> = (0..2)
                .map(|i| u8::from_str_radix(&padded[8 * i..8 * i + 8], 2).expect("bits"))
                // An FF among the coded bytes is followed by a stuffed zero.
                .flat_map(|b| if b == 0xff { vec![b, 0] } else { vec![b] })
                .collect();
            let mut bits = Bits::new(&bytes, 0);
            assert_eq!(bits.symbol(table, |_| 0), Some((category, 0)), "{word}");
            assert_eq!(bits.take(16 - word.len() as u32), Some(0), "{word}");
            assert_eq!(bits.take(1), None, "{word}");
        }
        assert_eq!(Bits::new(&[0xff, 0, 0xff, 0], 0).symbol(table, |_| 0), None);
    }

    #[test]
    fn bits_end_at_a_marker_and_go_on_after_a_restart() {
        let bytes = [0xa5, 0xff, 0, 0xff, 0xd0, 0x80, 0xff, 0xd9];
        let mut bits = Bits::new(&bytes, 0);
        assert_eq!(bits.take(8), Some(0xa5));
        assert_eq!(bits.take(8), Some(0xff));
        assert_eq!(bits.take(1), None);
        bits.finish();
        assert_eq!(bits.restart(), Some(()));
        assert_eq!(bits.take(1), Some(1));
        bits.finish();
        assert_eq!(bits.left_over_at, None);
        assert_eq!(bits.restart(), None);
    }
}
