//! One run that writes: its own folder in `tmp`, and cleaning up after runs that were killed.

use super::{Store, StoreError, commit, io_error, names};
use std::fs::{self, File, TryLockError};
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, SystemTime};

/// A run of another machine that has written nothing for so long is taken for dead.
const DEAD_AFTER: Duration = Duration::from_secs(30 * 60);
pub(super) const OWNER: &str = "owner";

/// Writes into a store. Dropping it removes its folder; being killed leaves the folder to the next run.
#[derive(Debug)]
pub struct Writer {
    store: Store,
    run: String,
    folder: PathBuf,
    /// Locked while this run lives: tells others of this machine at once that it is over.
    owner: Option<File>,
    count: AtomicU64,
}

impl Writer {
    /// Begins to write: finishes what killed runs left in `ready` and `retired` and removes what they left in `tmp`.
    ///
    /// # Errors
    /// When the store cannot be written.
    pub fn begin(store: &Store) -> Result<Writer, StoreError> {
        let run = names::run_name();
        let folder = store.root().join("tmp").join(&run);
        let owner = own(&folder)?;
        let writer = Writer { store: store.clone(), run, folder, owner, count: AtomicU64::new(0) };
        writer.recover()?;
        Ok(writer)
    }

    /// The store.
    pub fn store(&self) -> &Store {
        &self.store
    }

    pub(super) fn run(&self) -> &str {
        &self.run
    }

    /// A new path in this run's folder. The folder is made again when somebody took this run for dead.
    ///
    /// # Errors
    /// When it cannot be made.
    pub fn aside(&self) -> Result<PathBuf, StoreError> {
        fs::create_dir_all(&self.folder).map_err(io_error(&self.folder, "make a folder for this run"))?;
        Ok(self.folder.join(self.count.fetch_add(1, Ordering::Relaxed).to_string()))
    }

    /// Writes a small file aside and renames it to its place below the store.
    pub(super) fn place_bytes(&self, bytes: &[u8], place: &Path) -> Result<(), StoreError> {
        match self.try_place(bytes, place) {
            // Somebody took this run for dead and removed its folder: once more.
            Err(StoreError::Io { source, .. }) if source.kind() == io::ErrorKind::NotFound => {
                self.try_place(bytes, place)
            }
            other => other,
        }
    }

    fn try_place(&self, bytes: &[u8], place: &Path) -> Result<(), StoreError> {
        let aside = self.aside()?;
        fs::write(&aside, bytes).map_err(io_error(&aside, "write a record"))?;
        move_to(&aside, &self.store.root().join(place))
    }

    pub(super) fn place_text(&self, text: &str, place: &Path) -> Result<(), StoreError> {
        self.place_bytes(text.as_bytes(), place)
    }

    fn recover(&self) -> Result<(), StoreError> {
        let root = self.store.root();
        for entry in list(&root.join("tmp"))? {
            if entry != self.folder && is_dead(&entry, &self.folder.join(OWNER)) {
                // Somebody else may be removing it too.
                let _ = fs::remove_dir_all(&entry);
            }
        }
        for entry in list(&root.join("ready"))? {
            commit::publish(&self.store, &entry)?;
        }
        for entry in list(&root.join("retired"))? {
            commit::finish_retired(&self.store, &entry)?;
        }
        // Heads that were being written when their process died. One that is being written now may go too: the store has its
        // head already, and its writer, which finds it there, goes on.
        for entry in list(root)? {
            let name = entry.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
            if name.starts_with(".lostfix-store-") {
                let _ = fs::remove_file(&entry);
            }
        }
        Ok(())
    }
}

impl Drop for Writer {
    fn drop(&mut self) {
        self.owner = None;
        let _ = fs::remove_dir_all(&self.folder);
        // Empty when this was the only run; another run's folder keeps it.
        for folder in ["tmp", "ready", "retired"] {
            let _ = fs::remove_dir(self.store.root().join(folder));
        }
    }
}

/// Makes the folder of a run with its owner file, locked. Between these steps the folder looks like one of a dead run, and
/// another run may remove it: then once more.
pub(super) fn own(folder: &Path) -> Result<Option<File>, StoreError> {
    let path = folder.join(OWNER);
    let make = || -> io::Result<File> {
        fs::create_dir_all(folder)?;
        let mut file = File::create(&path)?;
        file.write_all(names::host().as_bytes())?;
        Ok(file)
    };
    let mut tries = 0;
    loop {
        tries += 1;
        match make() {
            // Where the share knows no locks the age of the file tells; then the lock is simply not held. Another run that
            // looks whether we live holds it for a moment.
            Ok(file) if file.try_lock().is_ok() && path.exists() => return Ok(Some(file)),
            Ok(_) if tries >= 5 => return Ok(None),
            Ok(_) => std::thread::sleep(Duration::from_millis(10)),
            Err(e) if e.kind() == io::ErrorKind::NotFound && tries < 5 => {}
            Err(e) => return Err(io_error(&path, "write into the store")(e)),
        }
    }
}

/// The entries of a folder; none when it does not exist.
pub(super) fn list(folder: &Path) -> Result<Vec<PathBuf>, StoreError> {
    match fs::read_dir(folder) {
        Ok(entries) => {
            let mut out: Vec<PathBuf> = entries.flatten().map(|e| e.path()).collect();
            out.sort();
            Ok(out)
        }
        Err(e) if e.kind() == io::ErrorKind::NotFound => Ok(Vec::new()),
        Err(e) => Err(io_error(folder, "list a folder of the store")(e)),
    }
}

/// How much older a file is than another of the same share, by the share's own clock.
fn age(path: &Path, than: &Path) -> Duration {
    let time = |p: &Path| -> Option<SystemTime> { fs::metadata(p).ok()?.modified().ok() };
    match (time(path), time(than)) {
        (Some(old), Some(new)) => new.duration_since(old).unwrap_or_default(),
        _ => Duration::ZERO,
    }
}

/// Whether the run behind a folder in `tmp` is over. A mistake costs that run one more writing of a bundle, nothing else.
pub(super) fn is_dead(folder: &Path, mine: &Path) -> bool {
    let path = folder.join(OWNER);
    if age(folder, mine).min(age(&path, mine)) > DEAD_AFTER {
        return true;
    }
    // Without a name in it the run died (or is) between the first steps of its life.
    match fs::read_to_string(&path) {
        Ok(host) if host.is_empty() || host == names::host() => {}
        Ok(_) => return false,
        Err(e) => return e.kind() == io::ErrorKind::NotFound,
    }
    match File::open(&path) {
        Ok(file) => match file.try_lock() {
            Ok(()) => true,
            Err(TryLockError::WouldBlock | TryLockError::Error(_)) => false,
        },
        Err(_) => false,
    }
}

/// Renames a file to its place, making the folders. Where the place is taken by a file of the same size (another process
/// was first, and on some systems a file that is open cannot be replaced), ours is dropped.
pub(super) fn move_to(from: &Path, to: &Path) -> Result<(), StoreError> {
    let mut last = None;
    for _ in 0..3 {
        // Another process may remove an empty folder between the two steps: then once more.
        let made = to.parent().map_or(Ok(()), fs::create_dir_all);
        match made.and_then(|()| fs::rename(from, to)) {
            Ok(()) => return Ok(()),
            Err(e) => {
                let same = match (fs::metadata(from), fs::metadata(to)) {
                    (Ok(a), Ok(b)) => a.len() == b.len(),
                    // Another process moved it for us.
                    (Err(_), Ok(_)) => return Ok(()),
                    _ => false,
                };
                if same {
                    return fs::remove_file(from).map_err(io_error(from, "remove a second copy"));
                }
                last = Some(e);
                std::thread::sleep(Duration::from_millis(50));
            }
        }
    }
    Err(io_error(to, "put a file in its place")(last.unwrap_or_else(|| io::Error::other("unknown"))))
}
