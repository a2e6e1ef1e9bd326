//! Deflate (RFC 1951) and gzip (RFC 1952) readers that give back every byte that could be decoded before an error.
//!
//! The ready-made readers of the library return an error in place of the bytes decoded in the same call; a damaged log
//! would lose up to the whole last buffer. Here the bytes come first and the error with the next call.

use crc32fast::Hasher;
use flate2::{Decompress, FlushDecompress, Status};
use std::cell::RefCell;
use std::io::{self, BufRead, Read};

thread_local! {
    /// Decoder states that are not in use.
    static SPARE: RefCell<Vec<Decompress>> = const { RefCell::new(Vec::new()) };
}
/// States kept: zips in zips need one each at the same time.
const SPARE_STATES: usize = 4;

/// A decoder state that goes back to its shelf. Made anew for every file of a zip with fifty thousand of them, its window of 32 KiB
/// left as many holes between what is kept about each: a gigabyte of them.
struct Lent(Option<Decompress>);

impl Lent {
    fn take() -> Lent {
        Lent(SPARE.with_borrow_mut(Vec::pop).map(|mut state| {
            state.reset(false);
            state
        }))
    }

    fn state(&mut self) -> &mut Decompress {
        self.0.get_or_insert_with(|| Decompress::new(false))
    }
}

impl Drop for Lent {
    fn drop(&mut self) {
        // Nothing can be put back when the thread is at its end.
        let _ = SPARE.try_with(|shelf| {
            let mut shelf = shelf.borrow_mut();
            if shelf.len() < SPARE_STATES {
                shelf.extend(self.0.take());
            }
        });
    }
}

/// A raw deflate stream.
pub(super) struct Inflate<R> {
    input: R,
    state: Lent,
    ended: bool,
    failed: Option<io::Error>,
}

impl<R: BufRead> Inflate<R> {
    pub fn new(input: R) -> Inflate<R> {
        Inflate { input, state: Lent::take(), ended: false, failed: None }
    }

    /// What is left of the input after the end of the stream.
    pub fn input(&mut self) -> &mut R {
        &mut self.input
    }

    /// Ready for another stream on the same input.
    fn restart(&mut self) {
        self.state.state().reset(false);
        self.ended = false;
    }
}

impl<R: BufRead> Read for Inflate<R> {
    fn read(&mut self, out: &mut [u8]) -> io::Result<usize> {
        if let Some(error) = self.failed.take() {
            self.ended = true;
            return Err(error);
        }
        loop {
            if self.ended || out.is_empty() {
                return Ok(0);
            }
            let input = match self.input.fill_buf() {
                Ok(input) => input,
                Err(e) if e.kind() == io::ErrorKind::Interrupted => continue,
                Err(e) => return Err(e),
            };
            let at_end = input.is_empty();
            let state = self.state.state();
            let (in_before, out_before) = (state.total_in(), state.total_out());
            let result = state.decompress(input, out, FlushDecompress::None);
            let used = (state.total_in() - in_before) as usize;
            let made = (state.total_out() - out_before) as usize;
            self.input.consume(used);
            match result {
                Ok(Status::StreamEnd) => {
                    self.ended = true;
                    return Ok(made);
                }
                Ok(_) if made > 0 => return Ok(made),
                Ok(_) if at_end => {
                    self.ended = true;
                    return Err(io::Error::new(io::ErrorKind::UnexpectedEof, "the compressed data end in the middle"));
                }
                // Neither input used nor output made cannot repeat: the output has room and there is input.
                Ok(_) if used == 0 => return self.fail(made),
                Ok(_) => {}
                Err(_) => return self.fail(made),
            }
        }
    }
}

impl<R> Inflate<R> {
    fn fail(&mut self, made: usize) -> io::Result<usize> {
        let error = io::Error::new(io::ErrorKind::InvalidData, "the compressed data are damaged");
        if made > 0 {
            self.failed = Some(error);
            return Ok(made);
        }
        self.ended = true;
        Err(error)
    }
}

/// A gzip file of one or more members.
pub(super) struct GzReader<R> {
    inflate: Inflate<R>,
    state: GzState,
    crc: Hasher,
    /// Size of the member modulo 2^32, as its trailer has it.
    size: u32,
}

enum GzState {
    Header { first: bool },
    Body,
    Done,
}

impl<R: BufRead> GzReader<R> {
    pub fn new(input: R) -> GzReader<R> {
        GzReader { inflate: Inflate::new(input), state: GzState::Header { first: true }, crc: Hasher::new(), size: 0 }
    }

    fn byte(&mut self) -> io::Result<Option<u8>> {
        let mut byte = [0];
        loop {
            match self.inflate.input().read(&mut byte) {
                Ok(0) => return Ok(None),
                Ok(_) => return Ok(Some(byte[0])),
                Err(e) if e.kind() == io::ErrorKind::Interrupted => {}
                Err(e) => return Err(e),
            }
        }
    }

    fn need(&mut self, where_: &'static str) -> io::Result<u8> {
        self.byte()?.ok_or_else(|| {
            io::Error::new(io::ErrorKind::UnexpectedEof, format!("the gzip file ends inside its {where_}"))
        })
    }

    /// Reads a member's header; `false` when the file ends properly instead.
    fn header(&mut self, first: bool) -> io::Result<bool> {
        let Some(mut byte) = self.byte()? else {
            return Ok(false);
        };
        // Tapes and some loggers pad with zeros.
        while !first && byte == 0 {
            match self.byte()? {
                Some(next) => byte = next,
                None => return Ok(false),
            }
        }
        if byte != 0x1f || self.byte()? != Some(0x8b) {
            return Err(bad("after the end of the gzip data come bytes that are no gzip"));
        }
        if self.need("header")? != 8 {
            return Err(bad("the gzip file uses a method other than deflate"));
        }
        let flags = self.need("header")?;
        for _ in 0..6 {
            self.need("header")?;
        }
        if flags & 0x04 != 0 {
            let extra = u16::from_le_bytes([self.need("header")?, self.need("header")?]);
            for _ in 0..extra {
                self.need("header")?;
            }
        }
        for flag in [0x08, 0x10] {
            while flags & flag != 0 && self.need("header")? != 0 {}
        }
        if flags & 0x02 != 0 {
            self.need("header")?;
            self.need("header")?;
        }
        Ok(true)
    }

    fn trailer(&mut self) -> io::Result<()> {
        let mut words = [0u32; 2];
        for word in &mut words {
            for shift in [0, 8, 16, 24] {
                *word |= u32::from(self.need("checksum")?) << shift;
            }
        }
        if words[0] != self.crc.clone().finalize() {
            return Err(bad("the gzip checksum does not match: some bytes before this place are wrong"));
        }
        if words[1] != self.size {
            return Err(bad("the gzip length does not match: bytes are missing or too many"));
        }
        Ok(())
    }
}

impl<R: BufRead> Read for GzReader<R> {
    fn read(&mut self, out: &mut [u8]) -> io::Result<usize> {
        if out.is_empty() {
            return Ok(0);
        }
        loop {
            let result = match self.state {
                GzState::Done => return Ok(0),
                GzState::Header { first } => match self.header(first) {
                    Ok(true) => {
                        self.state = GzState::Body;
                        self.crc.reset();
                        self.size = 0;
                        self.inflate.restart();
                        continue;
                    }
                    Ok(false) => Ok(0),
                    Err(e) => Err(e),
                },
                GzState::Body => match self.inflate.read(out) {
                    Ok(0) => match self.trailer() {
                        Ok(()) => {
                            self.state = GzState::Header { first: false };
                            continue;
                        }
                        Err(e) => Err(e),
                    },
                    Ok(n) => {
                        self.crc.update(out.get(..n).unwrap_or_default());
                        self.size = self.size.wrapping_add(n as u32);
                        return Ok(n);
                    }
                    Err(e) => Err(e),
                },
            };
            self.state = GzState::Done;
            return result;
        }
    }
}

fn bad(what: &'static str) -> io::Error {
    io::Error::new(io::ErrorKind::InvalidData, what)
}
