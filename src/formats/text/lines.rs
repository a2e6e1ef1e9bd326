//! Lines out of a stream of pieces, with their places. A line may be cut anywhere by a piece; a line longer than
//! [`LINE_LIMIT`] is counted but not kept, so that a file without line ends cannot fill the memory.

use memchr::memchr;

/// Longest line that is kept, bytes.
pub const LINE_LIMIT: usize = 64 * 1024;

/// One line with its place.
#[derive(Debug, Clone, Copy)]
pub struct Line<'a> {
    /// The line with its end (`\n`, `\r\n`; none at the end of the file). Empty when `too_long`.
    pub raw: &'a [u8],
    /// Bytes of the line with its end.
    pub size: u64,
    /// Byte offset of its begin in the file.
    pub offset: u64,
    /// Line number, from 1.
    pub number: u64,
    /// The line was longer than [`LINE_LIMIT`]; its bytes are gone.
    pub too_long: bool,
}

impl<'a> Line<'a> {
    /// The line without its end, and without a byte order mark at the begin of the file.
    pub fn content(&self) -> &'a [u8] {
        let mut bytes = self.raw;
        if self.offset == 0 {
            bytes = without_mark(bytes);
        }
        without_end(bytes)
    }
}

/// Cuts `\n` and `\r` at the end.
pub fn without_end(mut bytes: &[u8]) -> &[u8] {
    while let [head @ .., b'\n' | b'\r'] = bytes {
        bytes = head;
    }
    bytes
}

/// Cuts a UTF-8 byte order mark.
pub fn without_mark(bytes: &[u8]) -> &[u8] {
    bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes)
}

/// Collects pieces into lines.
#[derive(Debug, Default)]
pub struct Lines {
    tail: Vec<u8>,
    /// Bytes of the line that is being dropped because it is too long.
    dropped: u64,
    offset: u64,
    number: u64,
}

impl Lines {
    /// The next piece of the file; `sink` gets each complete line.
    pub fn feed(&mut self, mut bytes: &[u8], sink: &mut dyn FnMut(Line<'_>)) {
        while !bytes.is_empty() {
            let Some(at) = memchr(b'\n', bytes) else {
                if self.dropped > 0 || self.tail.len() + bytes.len() > LINE_LIMIT {
                    self.dropped += (self.tail.len() + bytes.len()) as u64;
                    self.tail.clear();
                } else {
                    self.tail.extend_from_slice(bytes);
                }
                return;
            };
            let (line, rest) = bytes.split_at(at + 1);
            bytes = rest;
            if self.dropped > 0 || self.tail.len() + line.len() > LINE_LIMIT {
                self.dropped += (self.tail.len() + line.len()) as u64;
                self.tail.clear();
                self.emit_dropped(sink);
            } else if self.tail.is_empty() {
                self.emit(line, sink);
            } else {
                let mut whole = std::mem::take(&mut self.tail);
                whole.extend_from_slice(line);
                self.emit(&whole, sink);
                whole.clear();
                self.tail = whole;
            }
        }
    }

    /// The end of the file: a last line without an end is given out.
    pub fn finish(&mut self, sink: &mut dyn FnMut(Line<'_>)) {
        if self.dropped > 0 {
            self.emit_dropped(sink);
        } else if !self.tail.is_empty() {
            let whole = std::mem::take(&mut self.tail);
            self.emit(&whole, sink);
        }
    }

    fn emit(&mut self, raw: &[u8], sink: &mut dyn FnMut(Line<'_>)) {
        self.number += 1;
        let size = raw.len() as u64;
        let line = Line { raw, size, offset: self.offset, number: self.number, too_long: false };
        self.offset += size;
        sink(line);
    }

    fn emit_dropped(&mut self, sink: &mut dyn FnMut(Line<'_>)) {
        self.number += 1;
        let size = std::mem::take(&mut self.dropped);
        let line = Line { raw: &[], size, offset: self.offset, number: self.number, too_long: true };
        self.offset += size;
        sink(line);
    }
}

/// Text of bytes that should be UTF-8; other bytes are read as Latin-1, so that nothing is lost.
pub fn text_of(bytes: &[u8]) -> std::borrow::Cow<'_, str> {
    match std::str::from_utf8(bytes) {
        Ok(text) => text.into(),
        Err(_) => bytes.iter().map(|b| char::from(*b)).collect::<String>().into(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn collect(pieces: &[&[u8]]) -> Vec<(String, u64, u64, u64, bool)> {
        let mut lines = Lines::default();
        let mut out = Vec::new();
        let mut sink = |l: Line<'_>| {
            out.push((text_of(l.content()).into_owned(), l.size, l.offset, l.number, l.too_long));
        };
        for piece in pieces {
            lines.feed(piece, &mut sink);
        }
        lines.finish(&mut sink);
        out
    }

    #[test]
    fn pieces_of_any_size_give_the_same_lines() {
        let file = b"\xef\xbb\xbfone\r\ntwo\n\nlast";
        let whole = collect(&[file]);
        assert_eq!(whole.iter().map(|l| l.0.as_str()).collect::<Vec<_>>(), ["one", "two", "", "last"]);
        assert_eq!(whole.iter().map(|l| l.1).sum::<u64>(), file.len() as u64);
        for size in 1..file.len() {
            assert_eq!(collect(&file.chunks(size).collect::<Vec<_>>()), whole, "pieces of {size}");
        }
    }

    #[test]
    fn a_line_without_end_does_not_fill_the_memory() {
        let mut file = vec![b'x'; 3 * LINE_LIMIT];
        file.extend_from_slice(b"\nnext\n");
        for size in [1000, file.len()] {
            let lines = collect(&file.chunks(size).collect::<Vec<_>>());
            assert_eq!(lines.len(), 2);
            assert!(lines[0].4 && lines[0].1 == 3 * LINE_LIMIT as u64 + 1);
            assert_eq!((lines[1].0.as_str(), lines[1].2), ("next", lines[0].1));
        }
    }

    #[test]
    fn latin_1_is_kept() {
        assert_eq!(text_of(b"Geh\xe4use"), "Gehäuse");
    }
}
