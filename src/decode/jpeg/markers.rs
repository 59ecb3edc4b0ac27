//! A walk over a JPEG's markers, ITU-T T.81 annex B, from the start of the image to its end marker: where the
//! header's parts lie, where the coded pixels lie, and whether the file holds all of it.
//!
//! What follows the end marker (a motion photo's video, a second picture) is not looked at.

use std::ops::Range;

use crate::decode::bytes::be;

/// Marker codes, ITU-T T.81 table B.1.
pub(super) mod code {
    pub const SOF0: u8 = 0xc0;
    pub const SOF1: u8 = 0xc1;
    pub const SOF2: u8 = 0xc2;
    pub const SOF15: u8 = 0xcf;
    pub const DHT: u8 = 0xc4;
    pub const JPG: u8 = 0xc8;
    pub const DAC: u8 = 0xcc;
    pub const RST0: u8 = 0xd0;
    pub const RST7: u8 = 0xd7;
    pub const SOI: u8 = 0xd8;
    pub const EOI: u8 = 0xd9;
    pub const SOS: u8 = 0xda;
    pub const DQT: u8 = 0xdb;
    pub const DRI: u8 = 0xdd;
    pub const APP1: u8 = 0xe1;
    pub const APP2: u8 = 0xe2;
    pub const APP14: u8 = 0xee;
    pub const TEM: u8 = 0x01;
}

/// One marker segment.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Segment {
    /// The marker's second byte.
    pub(super) marker: u8,
    /// Where its content lies, without the length.
    pub(super) body: Range<usize>,
    /// For a scan, where its entropy-coded data lie; empty otherwise.
    pub(super) coded: Range<usize>,
}

/// One colour component of the frame header.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Component {
    /// Identifier by which scans name it.
    pub(super) id: u8,
    /// Horizontal and vertical sampling factors, 1…4.
    pub(super) sampling: (usize, usize),
    /// Which of the four quantisation tables it uses.
    pub(super) table: u8,
}

/// The frame header, ITU-T T.81 B.2.2.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct FrameHeader {
    /// `SOF0` … `SOF15`.
    pub(super) marker: u8,
    /// Bits per sample.
    pub(super) precision: u8,
    /// Width in pixels.
    pub(super) width: usize,
    /// Height in pixels; 0 where it is only given after the first scan.
    pub(super) height: usize,
    /// One to four in practice.
    pub(super) components: Vec<Component>,
}

impl FrameHeader {
    /// The greatest sampling factors, horizontal and vertical.
    pub(super) fn most_sampled(&self) -> (usize, usize) {
        let factors = self.components.iter().map(|c| c.sampling);
        factors.fold((1, 1), |most, s| (most.0.max(s.0), most.1.max(s.1)))
    }

    /// Blocks of all components in one MCU.
    pub(super) fn blocks_per_mcu(&self) -> usize {
        let blocks = self.components.iter().map(|c| c.sampling.0 * c.sampling.1);
        blocks.sum()
    }

    /// MCUs across and down, ITU-T T.81 A.2.
    pub(super) fn mcus(&self) -> (usize, usize) {
        let (h_most, v_most) = self.most_sampled();
        (
            self.width.div_ceil(8 * h_most),
            self.height.div_ceil(8 * v_most),
        )
    }

    /// A component's own blocks, across and down, as a scan of it alone has them: ITU-T T.81 A.2.2.
    pub(super) fn blocks(&self, component: usize) -> (usize, usize) {
        let (h_most, v_most) = self.most_sampled();
        let (h, v) = self.components[component].sampling;
        (
            (self.width * h).div_ceil(h_most).div_ceil(8),
            (self.height * v).div_ceil(v_most).div_ceil(8),
        )
    }
}

/// What the walk found.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Layout {
    /// Every segment in file order.
    pub(super) segments: Vec<Segment>,
    /// The first frame header, if it was reached and makes sense.
    pub(super) frame: Option<FrameHeader>,
    /// The longest stretch between two segments that belongs to neither.
    pub(super) gap: Range<usize>,
    /// True where restart markers stand in the coded data.
    pub(super) has_restarts: bool,
    /// Where the end marker stands; absent if the file ends before it.
    pub(super) end: Option<usize>,
}

impl Layout {
    /// Walks the markers from the start of `bytes`, which must begin with a start-of-image marker.
    pub(super) fn of(bytes: &[u8]) -> Layout {
        let mut layout = Layout::default();
        let mut at = 2;
        // Between segments anything but a marker is skipped, as every reader does, but noted.
        while let Some(found) = next_marker(bytes, at) {
            let skipped = bytes[at..found].iter().rposition(|&b| b != 0xff);
            let gap = at..skipped.map_or(at, |last| at + last + 1);
            if gap.len() > layout.gap.len() {
                layout.gap = gap;
            }
            let marker = bytes[found + 1];
            at = found + 2;
            match marker {
                code::EOI => {
                    layout.end = Some(found);
                    break;
                }
                code::SOI | code::TEM | code::RST0..=code::RST7 => continue,
                _ => {}
            }
            let Some(body) = body_of(bytes, at) else {
                break;
            };
            at = body.end;
            let mut segment = Segment {
                marker,
                body,
                coded: at..at,
            };
            match marker {
                code::SOS => {
                    let (end, restarts) = end_of_coded(bytes, at);
                    at = end;
                    layout.has_restarts |= restarts;
                    segment.coded.end = at;
                }
                code::DHT | code::JPG | code::DAC => {}
                code::SOF0..=code::SOF15 if layout.frame.is_none() => {
                    layout.frame = frame_header(marker, &bytes[segment.body.clone()]);
                }
                _ => {}
            }
            layout.segments.push(segment);
        }
        layout
    }

    /// The Exif block, if there is one: Exif 2.32, 4.7.2.
    pub(super) fn exif<'a>(&self, bytes: &'a [u8]) -> Option<&'a [u8]> {
        self.segments
            .iter()
            .filter(|s| s.marker == code::APP1)
            .find_map(|s| bytes[s.body.clone()].strip_prefix(b"Exif\0\0"))
    }

    /// The ICC profile put together from its pieces, ICC.1:2022 annex B.4; absent if one is missing.
    pub(super) fn icc(&self, bytes: &[u8]) -> Option<Vec<u8>> {
        let mut pieces: Vec<(u8, u8, &[u8])> = self
            .segments
            .iter()
            .filter(|s| s.marker == code::APP2)
            .filter_map(|s| bytes[s.body.clone()].strip_prefix(b"ICC_PROFILE\0"))
            .filter_map(|piece| Some((*piece.first()?, *piece.get(1)?, piece.get(2..)?)))
            .collect();
        pieces.sort_by_key(|(number, ..)| *number);
        let whole = !pieces.is_empty()
            && pieces.iter().enumerate().all(|(i, (number, count, _))| {
                usize::from(*number) == i + 1 && usize::from(*count) == pieces.len()
            });
        let pieces: Vec<&[u8]> = pieces.into_iter().map(|(.., piece)| piece).collect();
        whole.then(|| pieces.concat())
    }

    /// The scans' entropy-coded data.
    pub(super) fn coded(&self) -> impl Iterator<Item = Range<usize>> + '_ {
        self.segments
            .iter()
            .filter(|s| s.marker == code::SOS)
            .map(|s| s.coded.clone())
    }
}

/// The position of the next marker's first byte, with fill bytes passed over.
fn next_marker(bytes: &[u8], from: usize) -> Option<usize> {
    let mut at = from;
    loop {
        at += memchr::memchr(0xff, bytes.get(at..)?)?;
        match bytes.get(at + 1)? {
            0x00 => at += 2,
            0xff => at += 1,
            _ => return Some(at),
        }
    }
}

/// The body of the segment whose length stands at `at`; absent if the file ends before it does.
fn body_of(bytes: &[u8], at: usize) -> Option<Range<usize>> {
    let length = be(bytes, at, 2)?;
    let body = at + 2..at + length.max(2);
    (body.end <= bytes.len()).then_some(body)
}

/// The end of entropy-coded data, the next marker that is neither a stuffed zero nor a restart; and whether there
/// were restarts on the way.
fn end_of_coded(bytes: &[u8], from: usize) -> (usize, bool) {
    let mut at = from;
    let mut restarts = false;
    while let Some(found) = next_marker(bytes, at) {
        if !(code::RST0..=code::RST7).contains(&bytes[found + 1]) {
            return (found, restarts);
        }
        restarts = true;
        at = found + 2;
    }
    (bytes.len(), restarts)
}

fn frame_header(marker: u8, body: &[u8]) -> Option<FrameHeader> {
    let n = usize::from(*body.get(5)?);
    let components: Vec<Component> = body
        .get(6..6 + 3 * n)?
        .chunks_exact(3)
        .map(|c| Component {
            id: c[0],
            sampling: (usize::from(c[1] >> 4), usize::from(c[1] & 15)),
            table: c[2] & 3,
        })
        .collect();
    let sound = components
        .iter()
        .all(|c| (1..=4).contains(&c.sampling.0) && (1..=4).contains(&c.sampling.1));
    (sound && n > 0).then(|| FrameHeader {
        marker,
        precision: body[0],
        height: usize::from(u16::from_be_bytes([body[1], body[2]])),
        width: usize::from(u16::from_be_bytes([body[3], body[4]])),
        components,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    const SCAN: &[u8] = &[0xff, 0xda, 0, 2];

    fn image(parts: &[&[u8]]) -> Vec<u8> {
        [&[0xff, 0xd8], parts.concat().as_slice()].concat()
    }

    #[test]
    fn the_end_is_found_past_stuffing_restarts_and_fill_bytes() {
        let data = [1, 0xff, 0, 2, 0xff, 0xd3, 3, 0xff, 0xff, 0xd9, 9, 9, 9];
        let bytes = image(&[SCAN, &data]);
        let layout = Layout::of(&bytes);
        assert_eq!(layout.end, Some(6 + 8));
        assert_eq!(layout.coded().next(), Some(6..6 + 8));
        assert!(layout.has_restarts);
    }

    #[test]
    fn bytes_between_segments_are_noted_and_fill_bytes_are_not() {
        let segment = [0xff, 0xe0, 0, 4, 1, 2];
        let bytes = image(&[&segment, &[7, 0, 7], &segment, &[0xff, 0xff], &segment]);
        let layout = Layout::of(&bytes);
        assert_eq!(layout.gap, 8..11);
        assert_eq!(layout.segments.len(), 3);
    }

    #[test]
    fn an_end_marker_inside_a_header_segment_is_not_the_end() {
        // The thumbnail of an Exif block has an end marker of its own.
        let app1 = [0xff, 0xe1, 0, 6, 0xff, 0xd9, 0xff, 0xd9];
        let bytes = image(&[&app1, SCAN, &[1, 2, 3]]);
        assert_eq!(Layout::of(&bytes).end, None);
        assert_eq!(Layout::of(&image(&[&app1[..5]])).end, None);
    }

    #[test]
    fn the_frame_header_gives_size_and_sampling() {
        let sof = [
            0xff, 0xc2, 0, 17, 8, 0x0b, 0xb8, 0x0f, 0xa0, 3, 1, 0x22, 0, 2, 0x11, 1, 3, 0x11, 1,
        ];
        let frame = Layout::of(&image(&[&sof])).frame.expect("a header");
        assert_eq!((frame.width, frame.height), (4000, 3000));
        assert_eq!((frame.marker, frame.precision), (code::SOF2, 8));
        assert_eq!(frame.components[0].sampling, (2, 2));
        assert_eq!(frame.components.len(), 3);
    }

    #[test]
    fn an_icc_profile_is_put_together_in_order_or_not_at_all() {
        let piece = |number: u8, count: u8, content: &[u8]| {
            let length = (2 + 14 + content.len()) as u16;
            [
                &[0xff, 0xe2],
                length.to_be_bytes().as_slice(),
                b"ICC_PROFILE\0",
                &[number, count],
                content,
            ]
            .concat()
        };
        let whole = image(&[&piece(2, 2, b"light"), &piece(1, 2, b"day")]);
        assert_eq!(
            Layout::of(&whole).icc(&whole).as_deref(),
            Some(b"daylight".as_slice())
        );
        let half = image(&[&piece(2, 2, b"light")]);
        assert_eq!(Layout::of(&half).icc(&half), None);
        assert_eq!(Layout::of(&image(&[])).icc(&image(&[])), None);
    }
}
