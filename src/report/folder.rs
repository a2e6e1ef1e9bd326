//! The target folder: what may be replaced, and how it is replaced in one step.

use super::ReportError;
use crate::model::findings::SCHEMA;
use std::fs;
use std::io::{self, Write};
use std::path::{Path, PathBuf};

/// Top-level names that a report writes.
const OURS: [&str; 7] = ["index.html", "sites", "complaints.html", "report.md", "findings.json", "tables", "run.log"];

fn io_error(path: &Path, doing: &'static str) -> impl FnOnce(io::Error) -> ReportError {
    let path = path.to_owned();
    move |source| ReportError::Io { path, doing, source }
}

/// A target that may be written.
pub(super) struct Target {
    path: PathBuf,
    exists: bool,
}

impl Target {
    /// Looks at what is there. A link to a folder is followed, so that the link itself survives.
    pub(super) fn check(out: &Path) -> Result<Self, ReportError> {
        let not_ours = |found: &str| ReportError::NotOurs { path: out.to_owned(), found: found.to_owned() };
        let meta = match fs::metadata(out) {
            Ok(meta) => meta,
            Err(e) if e.kind() == io::ErrorKind::NotFound => {
                if fs::symlink_metadata(out).is_ok() {
                    return Err(not_ours("a link that leads nowhere is there"));
                }
                return Ok(Self { path: out.to_owned(), exists: false });
            }
            Err(e) => return Err(io_error(out, "look at the target folder")(e)),
        };
        if !meta.is_dir() {
            return Err(not_ours("a file is there"));
        }
        let path = fs::canonicalize(out).map_err(io_error(out, "resolve the target folder"))?;
        let mut entries = fs::read_dir(&path).map_err(io_error(out, "list the target folder"))?;
        if entries.next().is_none() {
            return Ok(Self { path, exists: true });
        }
        match fs::File::open(path.join("findings.json")) {
            Ok(file) if is_ours(&file) => Ok(Self { path, exists: true }),
            Ok(_) => Err(not_ours("the folder holds a findings.json that is not of this program")),
            Err(_) => Err(not_ours("the folder is not empty and is no former report")),
        }
    }

    /// Makes the temporary folder beside the target.
    pub(super) fn stage(self) -> Result<Stage, ReportError> {
        let parent = match self.path.parent() {
            Some(p) if !p.as_os_str().is_empty() => p.to_owned(),
            Some(_) => PathBuf::from("."),
            None => {
                return Err(ReportError::NotOurs { path: self.path, found: "this is the top of a drive".to_owned() });
            }
        };
        fs::create_dir_all(&parent).map_err(io_error(&parent, "make the parent folder"))?;
        let name = self.path.file_name().map(|n| n.to_string_lossy().into_owned());
        let Some(name) = name else {
            return Err(ReportError::NotOurs { path: self.path, found: "this path has no name of its own".to_owned() });
        };
        for n in 0..1000_u32 {
            let temp = parent.join(format!(".{name}.part-{}-{n}", std::process::id()));
            match fs::create_dir(&temp) {
                Ok(()) => return Ok(Stage { temp, target: self.path, exists: self.exists }),
                Err(e) if e.kind() == io::ErrorKind::AlreadyExists => {}
                Err(e) => return Err(io_error(&temp, "make a temporary folder")(e)),
            }
        }
        Err(io_error(&parent, "find a free name for a temporary folder")(io::ErrorKind::AlreadyExists.into()))
    }
}

/// A findings file of ours, whatever its version. All but its schema is passed over: it may be of a large fleet.
fn is_ours(file: &fs::File) -> bool {
    #[derive(serde::Deserialize)]
    struct Head {
        schema: String,
    }
    let family = SCHEMA.split('/').next().unwrap_or(SCHEMA);
    serde_json::from_reader::<_, Head>(io::BufReader::new(file))
        .is_ok_and(|head| head.schema.strip_prefix(family).is_some_and(|rest| rest.starts_with('/')))
}

/// A file of the report that is written piece by piece.
pub(super) struct Pieces {
    path: PathBuf,
    out: io::BufWriter<fs::File>,
}

impl Pieces {
    /// One more piece.
    pub(super) fn add(&mut self, text: &str) -> Result<(), ReportError> {
        self.out.write_all(text.as_bytes()).map_err(io_error(&self.path, "write a file"))
    }

    /// That was all.
    pub(super) fn end(mut self) -> Result<(), ReportError> {
        self.out.flush().map_err(io_error(&self.path, "write a file"))
    }
}

impl io::Write for Pieces {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.out.write(bytes)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.out.flush()
    }
}

/// The temporary folder; removed when it is dropped before [`Stage::finish`].
pub(super) struct Stage {
    temp: PathBuf,
    target: PathBuf,
    exists: bool,
}

impl Stage {
    /// Writes one file; `name` is relative, with `/`.
    pub(super) fn put(&self, name: &str, text: &str) -> Result<(), ReportError> {
        self.put_by(name, |out| out.write_all(text.as_bytes()))
    }

    /// The same, written piece by piece: tables and findings of a large fleet are too long to be put together in memory.
    pub(super) fn put_by<E: Into<io::Error>>(
        &self,
        name: &str,
        write: impl FnOnce(&mut Pieces) -> Result<(), E>,
    ) -> Result<(), ReportError> {
        let mut pieces = self.begin(name)?;
        write(&mut pieces).map_err(|e| io_error(&pieces.path, "write a file")(e.into()))?;
        pieces.end()
    }

    /// Begins a file that is written as the run goes on; [`Pieces::end`] ends it.
    pub(super) fn begin(&self, name: &str) -> Result<Pieces, ReportError> {
        let path = self.temp.join(name);
        if let Some(folder) = path.parent() {
            fs::create_dir_all(folder).map_err(io_error(folder, "make a folder"))?;
        }
        let file = fs::File::create(&path).map_err(io_error(&path, "write a file"))?;
        Ok(Pieces { path, out: io::BufWriter::new(file) })
    }

    /// Puts the finished report in the target's place.
    pub(super) fn finish(self) -> Result<(), ReportError> {
        if !self.exists {
            return fs::rename(&self.temp, &self.target).map_err(io_error(&self.target, "put the report in place"));
        }
        let mut old = self.temp.clone().into_os_string();
        old.push("-old");
        let old = PathBuf::from(old);
        fs::rename(&self.target, &old).map_err(io_error(&self.target, "move the former report aside"))?;
        if let Err(e) = fs::rename(&self.temp, &self.target) {
            // Give back what was there; if even that fails the message names where the former report lies.
            let back = fs::rename(&old, &self.target);
            let path = if back.is_err() { old } else { self.target.clone() };
            return Err(io_error(&path, "put the report in place")(e));
        }
        keep_strangers(&old, &self.target)?;
        fs::remove_dir_all(&old).map_err(io_error(&old, "remove the former report"))
    }
}

/// Files that somebody else put into the former report move to the new one.
fn keep_strangers(old: &Path, new: &Path) -> Result<(), ReportError> {
    for entry in fs::read_dir(old).map_err(io_error(old, "list the former report"))? {
        let entry = entry.map_err(io_error(old, "list the former report"))?;
        let name = entry.file_name();
        if !OURS.iter().any(|ours| name == *ours) {
            fs::rename(entry.path(), new.join(&name))
                .map_err(io_error(&entry.path(), "keep a file that is not ours"))?;
        }
    }
    Ok(())
}

impl Drop for Stage {
    fn drop(&mut self) {
        // After a successful rename there is nothing left to remove.
        let _ = fs::remove_dir_all(&self.temp);
    }
}
