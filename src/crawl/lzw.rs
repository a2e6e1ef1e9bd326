//! Unix `.Z` files: Lempel-Ziv-Welch with 9 to 16 bits, as the POSIX utility `compress` writes them (IEEE Std 1003.1,
//! `compress`; T. Welch, IEEE Computer 17(6), 1984). A streaming decoder; it never panics on any input.
//!
//! Codes are packed lowest bit first. Eight codes make a group; when the code width changes, or at a clear code, the rest
//! of the group is padding. The format has no length and no checksum, so a file cut at a code border looks complete.

use std::io::{self, Read};

const CLEAR: u16 = 256;
const FIRST_BITS: u32 = 9;
const INPUT_BYTES: usize = 32 * 1024;

/// Decodes a `.Z` stream that begins at its magic `1F 9D`.
pub(super) struct LzwReader<R> {
    input: R,
    buffer: Vec<u8>,
    at: usize,
    filled: usize,
    bits: u64,
    bit_count: u32,
    input_ended: bool,
    /// `None` until the header was read.
    table: Option<Table>,
    /// Decoded bytes that wait for room, last byte first.
    pending: Vec<u8>,
    ended: bool,
    failed: Option<io::Error>,
}

struct Table {
    max_bits: u32,
    block_mode: bool,
    width: u32,
    /// Codes read since the width changed, modulo 8.
    in_group: u32,
    prefix: Vec<u16>,
    suffix: Vec<u8>,
    /// The next entry to be made; up to 65,536.
    free: usize,
    previous: Option<u16>,
    first_byte: u8,
}

impl<R: Read> LzwReader<R> {
    pub fn new(input: R) -> LzwReader<R> {
        LzwReader {
            input,
            buffer: vec![0; INPUT_BYTES],
            at: 0,
            filled: 0,
            bits: 0,
            bit_count: 0,
            input_ended: false,
            table: None,
            pending: Vec::new(),
            ended: false,
            failed: None,
        }
    }

    fn next_byte(&mut self) -> io::Result<Option<u8>> {
        while self.at >= self.filled {
            if self.input_ended {
                return Ok(None);
            }
            match self.input.read(&mut self.buffer) {
                Ok(0) => self.input_ended = true,
                Ok(n) => (self.at, self.filled) = (0, n),
                Err(e) if e.kind() == io::ErrorKind::Interrupted => {}
                Err(e) => return Err(e),
            }
        }
        let byte = self.buffer.get(self.at).copied();
        self.at += 1;
        Ok(byte)
    }

    /// The next code of `width` bits; `None` at the end of the input.
    fn code(&mut self, width: u32) -> io::Result<Option<u16>> {
        while self.bit_count < width {
            match self.next_byte()? {
                Some(byte) => {
                    self.bits |= u64::from(byte) << self.bit_count;
                    self.bit_count += 8;
                }
                None => return Ok(None),
            }
        }
        let code = (self.bits & ((1 << width) - 1)) as u16;
        self.bits >>= width;
        self.bit_count -= width;
        Ok(Some(code))
    }

    fn header(&mut self) -> io::Result<Table> {
        let short = || io::Error::new(io::ErrorKind::UnexpectedEof, "the .Z file ends inside its header");
        let magic = [self.next_byte()?.ok_or_else(short)?, self.next_byte()?.ok_or_else(short)?];
        let flags = self.next_byte()?.ok_or_else(short)?;
        let max_bits = u32::from(flags & 0x1f);
        if magic != [0x1f, 0x9d] || !(FIRST_BITS..=16).contains(&max_bits) {
            return Err(bad(format!("the .Z header asks for codes of {max_bits} bits, 9 to 16 exist")));
        }
        let block_mode = flags & 0x80 != 0;
        let size = 1usize << max_bits;
        Ok(Table {
            max_bits,
            block_mode,
            width: FIRST_BITS,
            in_group: 0,
            prefix: vec![0; size],
            suffix: vec![0; size],
            free: if block_mode { 257 } else { 256 },
            previous: None,
            first_byte: 0,
        })
    }

    /// Decodes one more string into `pending`; `false` at the end.
    fn step(&mut self) -> io::Result<bool> {
        let mut table = match self.table.take() {
            Some(table) => table,
            None => self.header()?,
        };
        let more = self.step_with(&mut table);
        self.table = Some(table);
        more
    }

    fn skip_group(&mut self, table: &mut Table) -> io::Result<bool> {
        while table.in_group != 0 {
            if self.code(table.width)?.is_none() {
                return Ok(false);
            }
            table.in_group = (table.in_group + 1) % 8;
        }
        Ok(true)
    }

    fn step_with(&mut self, t: &mut Table) -> io::Result<bool> {
        loop {
            if t.free > (1 << t.width) - 1 && t.width < t.max_bits {
                if !self.skip_group(t)? {
                    return Ok(false);
                }
                t.width += 1;
            }
            let Some(code) = self.code(t.width)? else { return Ok(false) };
            t.in_group = (t.in_group + 1) % 8;
            if code == CLEAR && t.block_mode {
                if !self.skip_group(t)? {
                    return Ok(false);
                }
                t.width = FIRST_BITS;
                t.free = 257;
                t.previous = None;
                continue;
            }
            let Some(previous) = t.previous else {
                let Ok(byte) = u8::try_from(code) else {
                    return Err(bad(format!("the .Z data begins a table with code {code}, which cannot be")));
                };
                t.first_byte = byte;
                t.previous = Some(code);
                self.pending.push(byte);
                return Ok(true);
            };
            let mut walk = usize::from(code);
            if walk >= t.free {
                if walk > t.free {
                    return Err(bad(format!("the .Z data uses code {code} before it is made")));
                }
                self.pending.push(t.first_byte);
                walk = usize::from(previous);
            }
            // Prefixes always point to older entries, so this ends; the bound is for a table that is not what it should be.
            while walk >= 256 {
                let (Some(suffix), Some(prefix)) = (t.suffix.get(walk), t.prefix.get(walk)) else {
                    return Err(bad("the .Z data points outside its table".to_string()));
                };
                if self.pending.len() > t.suffix.len() {
                    return Err(bad("the .Z data loops in its table".to_string()));
                }
                self.pending.push(*suffix);
                walk = usize::from(*prefix);
            }
            t.first_byte = walk as u8;
            self.pending.push(t.first_byte);
            if t.free < 1 << t.max_bits {
                if let (Some(p), Some(s)) = (t.prefix.get_mut(t.free), t.suffix.get_mut(t.free)) {
                    *p = previous;
                    *s = t.first_byte;
                }
                t.free += 1;
            }
            t.previous = Some(code);
            return Ok(true);
        }
    }
}

impl<R: Read> Read for LzwReader<R> {
    fn read(&mut self, out: &mut [u8]) -> io::Result<usize> {
        let mut written = 0;
        loop {
            while let Some(slot) = out.get_mut(written) {
                let Some(byte) = self.pending.pop() else { break };
                *slot = byte;
                written += 1;
            }
            if written == out.len() || self.ended {
                return Ok(written);
            }
            if let Some(error) = self.failed.take() {
                if written > 0 {
                    self.failed = Some(error);
                    return Ok(written);
                }
                self.ended = true;
                return Err(error);
            }
            match self.step() {
                Ok(true) => {}
                Ok(false) => self.ended = true,
                Err(error) => {
                    // A string that was only half walked is not data.
                    self.pending.clear();
                    self.failed = Some(error);
                }
            }
        }
    }
}

fn bad(what: String) -> io::Error {
    io::Error::new(io::ErrorKind::InvalidData, what)
}
