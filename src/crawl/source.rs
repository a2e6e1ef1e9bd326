//! Bytes that can be read from any place: a file on disk or an inner zip in memory, or a part of either.

use std::fs::{File, Metadata, OpenOptions};
use std::io::{self, BufRead, Read};
use std::path::Path;
use std::sync::Arc;

/// Bytes read from disk at a time.
const BUFFER_BYTES: usize = 64 * 1024;

/// Opens a regular file for reading; never waits on a FIFO, never opens a device.
///
/// # Errors
/// What the system says, or that the path is not a regular file (it may have been exchanged since it was listed).
pub(super) fn open_regular(path: &Path) -> io::Result<(File, Metadata)> {
    let not_regular = || io::Error::new(io::ErrorKind::InvalidInput, "it is no longer a regular file");
    if !std::fs::symlink_metadata(path)?.file_type().is_file() {
        return Err(not_regular());
    }
    let mut options = OpenOptions::new();
    options.read(true);
    // Between the check and the opening the file may become a FIFO: opened this way it does not wait for a writer.
    #[cfg(all(target_os = "linux", any(target_arch = "x86_64", target_arch = "aarch64", target_arch = "riscv64")))]
    std::os::unix::fs::OpenOptionsExt::custom_flags(&mut options, 0o4000);
    let file = options.open(path)?;
    let metadata = file.metadata()?;
    if metadata.file_type().is_file() { Ok((file, metadata)) } else { Err(not_regular()) }
}

/// A stretch of bytes with random access. Cheap to clone; clones do not share a position.
#[derive(Debug, Clone)]
pub(super) struct Source {
    store: Store,
    start: u64,
    len: u64,
}

#[derive(Debug, Clone)]
enum Store {
    File(Arc<File>),
    Memory(Arc<Vec<u8>>),
}

impl Source {
    /// The first `len` bytes of a file.
    pub fn file(file: File, len: u64) -> Source {
        Source { store: Store::File(Arc::new(file)), start: 0, len }
    }

    /// Bytes in memory.
    pub fn memory(bytes: Vec<u8>) -> Source {
        let len = bytes.len() as u64;
        Source { store: Store::Memory(Arc::new(bytes)), start: 0, len }
    }

    /// A part of this; cut where this ends.
    pub fn part(&self, start: u64, len: u64) -> Source {
        let start = start.min(self.len);
        Source { store: self.store.clone(), start: self.start.saturating_add(start), len: len.min(self.len - start) }
    }

    pub fn len(&self) -> u64 {
        self.len
    }

    /// Reads at an offset; 0 at the end.
    ///
    /// # Errors
    /// What the system says.
    pub fn read_at(&self, offset: u64, out: &mut [u8]) -> io::Result<usize> {
        let left = self.len.saturating_sub(offset);
        let want = usize::try_from(left).unwrap_or(usize::MAX).min(out.len());
        let Some(out) = out.get_mut(..want) else { return Ok(0) };
        if out.is_empty() {
            return Ok(0);
        }
        let at = self.start.saturating_add(offset);
        match &self.store {
            Store::File(file) => loop {
                match file_read_at(file, out, at) {
                    Err(e) if e.kind() == io::ErrorKind::Interrupted => {}
                    other => return other,
                }
            },
            Store::Memory(bytes) => {
                let from = usize::try_from(at).unwrap_or(usize::MAX).min(bytes.len());
                let bytes = bytes.get(from..).unwrap_or_default();
                let n = bytes.len().min(out.len());
                if let (Some(to), Some(from)) = (out.get_mut(..n), bytes.get(..n)) {
                    to.copy_from_slice(from);
                }
                Ok(n)
            }
        }
    }

    /// Fills `out` from an offset as far as there are bytes.
    ///
    /// # Errors
    /// What the system says.
    pub fn fill_at(&self, offset: u64, out: &mut [u8]) -> io::Result<usize> {
        let mut done = 0;
        while let Some(rest) = out.get_mut(done..).filter(|rest| !rest.is_empty()) {
            match self.read_at(offset.saturating_add(done as u64), rest)? {
                0 => break,
                n => done += n,
            }
        }
        Ok(done)
    }

    /// Reads from `offset` on, `len` bytes.
    pub fn section(&self, offset: u64, len: u64, short: &'static str) -> Section {
        Section {
            source: self.clone(),
            at: offset,
            end: offset.saturating_add(len),
            buffer: Vec::new(),
            used: 0,
            filled: 0,
            short,
        }
    }
}

#[cfg(unix)]
fn file_read_at(file: &File, out: &mut [u8], at: u64) -> io::Result<usize> {
    std::os::unix::fs::FileExt::read_at(file, out, at)
}

#[cfg(windows)]
fn file_read_at(file: &File, out: &mut [u8], at: u64) -> io::Result<usize> {
    std::os::windows::fs::FileExt::seek_read(file, out, at)
}

/// A reader over a stretch of a [`Source`]. Ending before the stretch is complete is an error with the text `short`.
pub(super) struct Section {
    source: Source,
    at: u64,
    end: u64,
    buffer: Vec<u8>,
    used: usize,
    filled: usize,
    short: &'static str,
}

impl Section {
    /// Bytes of the stretch that were not consumed.
    pub fn left(&self) -> u64 {
        self.end.saturating_sub(self.at) + (self.filled - self.used) as u64
    }

    fn pull(&mut self, out: &mut [u8]) -> io::Result<usize> {
        let left = usize::try_from(self.end.saturating_sub(self.at)).unwrap_or(usize::MAX);
        let want = out.len().min(left);
        let Some(out) = out.get_mut(..want).filter(|out| !out.is_empty()) else { return Ok(0) };
        let n = self.source.read_at(self.at, out)?;
        if n == 0 {
            return Err(io::Error::new(io::ErrorKind::UnexpectedEof, self.short));
        }
        self.at += n as u64;
        Ok(n)
    }
}

impl Read for Section {
    fn read(&mut self, out: &mut [u8]) -> io::Result<usize> {
        if self.used == self.filled && out.len() >= BUFFER_BYTES {
            return self.pull(out);
        }
        let buffered = self.fill_buf()?;
        let n = buffered.len().min(out.len());
        if let (Some(to), Some(from)) = (out.get_mut(..n), buffered.get(..n)) {
            to.copy_from_slice(from);
        }
        self.consume(n);
        Ok(n)
    }
}

impl BufRead for Section {
    fn fill_buf(&mut self) -> io::Result<&[u8]> {
        if self.used >= self.filled {
            let mut buffer = std::mem::take(&mut self.buffer);
            if buffer.is_empty() {
                // Small files need no big buffer.
                let left = usize::try_from(self.end.saturating_sub(self.at)).unwrap_or(usize::MAX);
                buffer = vec![0; left.clamp(1, BUFFER_BYTES)];
            }
            (self.used, self.filled) = (0, 0);
            let result = self.pull(&mut buffer);
            self.buffer = buffer;
            self.filled = result?;
        }
        Ok(self.buffer.get(self.used..self.filled).unwrap_or_default())
    }

    fn consume(&mut self, n: usize) {
        self.used = self.used.saturating_add(n).min(self.filled);
    }
}
