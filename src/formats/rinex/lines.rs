//! Cuts chunks of any size into lines with their number and byte offset.

/// Longer lines are no lines of these formats; a RINEX 3 record of 100 observation types has 1 603 bytes.
pub(crate) const LINE_LIMIT: usize = 32 * 1024;

/// One line without its end.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Line<'a> {
    /// The text; cut at [`LINE_LIMIT`] when `overlong`.
    pub text: &'a [u8],
    /// Bytes of the whole line in the file with its end.
    pub bytes: u64,
    /// Number in the file, from 1.
    pub number: u64,
    /// Offset of its first byte in the file.
    pub offset: u64,
    /// Longer than [`LINE_LIMIT`].
    pub overlong: bool,
}

/// Holds the unfinished line between chunks.
#[derive(Debug, Default)]
pub(crate) struct Lines {
    carry: Vec<u8>,
    /// Bytes of the unfinished line that were left out because it is too long.
    dropped: u64,
    number: u64,
    offset: u64,
}

impl Lines {
    /// Gives every line that ends in `bytes` to `take`.
    pub fn feed(&mut self, mut bytes: &[u8], take: &mut impl FnMut(Line<'_>)) {
        while let Some(at) = memchr::memchr(b'\n', bytes) {
            let (line, rest) = bytes.split_at(at);
            bytes = rest.get(1..).unwrap_or_default();
            if self.carry.is_empty() && self.dropped == 0 && line.len() <= LINE_LIMIT {
                self.give(line, line.len() as u64 + 1, false, take);
            } else {
                self.keep(line);
                self.give_carry(1, take);
            }
        }
        self.keep(bytes);
    }

    /// The last line, when it has no end.
    pub fn finish(&mut self, take: &mut impl FnMut(Line<'_>)) {
        if !self.carry.is_empty() || self.dropped > 0 {
            self.give_carry(0, take);
        }
    }

    fn keep(&mut self, bytes: &[u8]) {
        let room = LINE_LIMIT.saturating_sub(self.carry.len()).min(bytes.len());
        let (kept, left) = bytes.split_at(room);
        self.carry.extend_from_slice(kept);
        self.dropped += left.len() as u64;
    }

    fn give_carry(&mut self, end: u64, take: &mut impl FnMut(Line<'_>)) {
        let carry = std::mem::take(&mut self.carry);
        let bytes = carry.len() as u64 + self.dropped + end;
        let overlong = self.dropped > 0;
        self.dropped = 0;
        self.give(&carry, bytes, overlong, take);
        self.carry = carry;
        self.carry.clear();
    }

    fn give(&mut self, text: &[u8], bytes: u64, overlong: bool, take: &mut impl FnMut(Line<'_>)) {
        self.number += 1;
        let mut text = text.strip_suffix(b"\r").unwrap_or(text);
        if self.number == 1 {
            text = text.strip_prefix(b"\xef\xbb\xbf").unwrap_or(text);
        }
        take(Line { text, bytes, number: self.number, offset: self.offset, overlong });
        self.offset += bytes;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn cut(text: &[u8], chunk: usize) -> Vec<(Vec<u8>, u64, u64, u64, bool)> {
        let mut lines = Lines::default();
        let mut got = Vec::new();
        let mut take = |l: Line<'_>| got.push((l.text.to_vec(), l.bytes, l.number, l.offset, l.overlong));
        for part in text.chunks(chunk) {
            lines.feed(part, &mut take);
        }
        lines.finish(&mut take);
        got
    }

    #[test]
    fn lines_do_not_depend_on_chunks() {
        let mut text = b"\xef\xbb\xbfone\r\n\ntwo\n".to_vec();
        text.extend(std::iter::repeat_n(b'x', LINE_LIMIT + 10));
        text.extend_from_slice(b"\nlast");
        let whole = cut(&text, text.len());
        assert_eq!(whole.len(), 5);
        assert_eq!(whole[0], (b"one".to_vec(), 8, 1, 0, false));
        assert_eq!(whole[2], (b"two".to_vec(), 4, 3, 9, false));
        assert!(whole[3].4 && whole[3].1 == LINE_LIMIT as u64 + 11);
        assert_eq!(whole[4].0, b"last");
        assert_eq!(whole.iter().map(|l| l.1).sum::<u64>(), text.len() as u64);
        for chunk in [1, 2, 3, 7, 1000, 40_000] {
            assert_eq!(cut(&text, chunk), whole, "{chunk}");
        }
    }
}
