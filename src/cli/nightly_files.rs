//! Files of the nightly run: the lock on the store, the history, old reports.

use crate::model::time::{UtcMs, parse_utc};
use crate::pipeline::WindowNumbers;
use std::fs::{self, File, TryLockError};
use std::io::{self, Read, Seek, Write};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

/// One run at a time on a store. The system lets go of the lock when its owner ends, however it ends. The store stays right
/// without it; two runs at once would only do the work twice.
#[derive(Debug)]
pub(super) struct Lock {
    /// Held for its lock.
    _file: File,
}

/// What came of asking for the lock.
#[derive(Debug)]
pub(super) enum Locked {
    /// We have it.
    Ours(Lock),
    /// Somebody has it: who, in words.
    Busy(String),
}

impl Lock {
    /// Takes the lock, waiting up to `wait_s`.
    pub(super) fn take(store: &Path, wait_s: u32) -> Result<Locked, String> {
        let path = store.join("nightly.lock");
        let mut file =
            File::options().read(true).write(true).create(true).truncate(false).open(&path).map_err(|e| {
                format!("{}: could not be opened: {e}; give the user who runs this the right to write", path.display())
            })?;
        let end = Instant::now() + Duration::from_secs(u64::from(wait_s));
        loop {
            match file.try_lock() {
                Ok(()) => break,
                Err(TryLockError::WouldBlock) if Instant::now() < end => std::thread::sleep(Duration::from_millis(500)),
                Err(TryLockError::WouldBlock) => {
                    let mut who = String::new();
                    // Some systems do not let others read a locked file.
                    let _ = file.read_to_string(&mut who);
                    let who = who.trim();
                    return Ok(Locked::Busy(if who.is_empty() {
                        "owner not known".to_owned()
                    } else {
                        who.to_owned()
                    }));
                }
                // A share without locks.
                Err(TryLockError::Error(_)) => break,
            }
        }
        let who = format!("process {}, since {}", std::process::id(), chrono::Utc::now().format("%Y-%m-%dT%H:%M:%SZ"));
        let _ = file.set_len(0).and_then(|()| file.rewind()).and_then(|()| file.write_all(who.as_bytes()));
        Ok(Locked::Ours(Lock { _file: file }))
    }
}

const HISTORY: &str = "history.jsonl";
/// Windows kept: more than ten years of nights.
const MOST: usize = 4000;

/// Numbers of former windows, one line each.
#[derive(Debug, Default)]
pub(super) struct History {
    windows: Vec<WindowNumbers>,
}

impl History {
    /// Reads it; lines that are not of ours are left out.
    pub(super) fn load(reports: &Path) -> io::Result<History> {
        match fs::read_to_string(reports.join(HISTORY)) {
            Ok(text) => Ok(History { windows: text.lines().filter_map(|l| serde_json::from_str(l).ok()).collect() }),
            Err(e) if e.kind() == io::ErrorKind::NotFound => Ok(History::default()),
            Err(e) => Err(e),
        }
    }

    /// The last window that ended when the one from `from` on begins, or before, but not longer ago than a window's length.
    pub(super) fn before(&self, from: UtcMs) -> Option<&WindowNumbers> {
        let span = |w: &WindowNumbers| parse_utc(&w.window.from).zip(parse_utc(&w.window.to));
        self.windows
            .iter()
            .filter_map(|w| span(w).map(|s| (s, w)))
            .filter(|((a, b), _)| *b <= from && from - b <= b - a)
            .max_by_key(|((_, b), _)| *b)
            .map(|(_, w)| w)
    }

    /// Adds a window; one of the same time is replaced.
    pub(super) fn add(&mut self, numbers: WindowNumbers) {
        self.windows.retain(|w| w.window != numbers.window);
        self.windows.push(numbers);
        self.windows.sort_by(|a, b| (&a.window.to, &a.window.from).cmp(&(&b.window.to, &b.window.from)));
        let surplus = self.windows.len().saturating_sub(MOST);
        self.windows.drain(..surplus);
    }

    /// Writes it aside and renames it.
    pub(super) fn save(&self, reports: &Path) -> io::Result<()> {
        let mut text = String::new();
        for window in &self.windows {
            text.push_str(&serde_json::to_string(window).map_err(io::Error::other)?);
            text.push('\n');
        }
        let aside = reports.join(format!(".{HISTORY}.part-{}", std::process::id()));
        fs::write(&aside, text)?;
        fs::rename(&aside, reports.join(HISTORY))
    }
}

fn entries(folder: &Path) -> io::Result<Vec<(String, PathBuf)>> {
    let mut out = Vec::new();
    for entry in fs::read_dir(folder)? {
        let entry = entry?;
        out.push((entry.file_name().to_string_lossy().into_owned(), entry.path()));
    }
    out.sort();
    Ok(out)
}

/// Removes what a killed run left: its temporary folders. A former report that was moved aside and never replaced goes back.
pub(super) fn clean(reports: &Path) -> io::Result<()> {
    for (name, path) in entries(reports)? {
        let Some((target, _)) = name.strip_prefix('.').and_then(|n| n.split_once(".part-")) else { continue };
        let target = reports.join(target);
        if name.ends_with("-old") && !target.exists() {
            fs::rename(&path, &target)?;
        } else if path.is_dir() {
            fs::remove_dir_all(&path)?;
        } else {
            fs::remove_file(&path)?;
        }
    }
    Ok(())
}

fn is_date(name: &str) -> bool {
    name.len() == 10
        && name.bytes().enumerate().all(|(i, b)| if i == 4 || i == 7 { b == b'-' } else { b.is_ascii_digit() })
}

/// Removes dated reports beyond the last `keep`. Folders that are not reports of ours stay.
pub(super) fn prune(reports: &Path, keep: u32) -> io::Result<()> {
    let dated: Vec<PathBuf> = entries(reports)?
        .into_iter()
        .filter(|(name, path)| is_date(name) && path.join("findings.json").is_file())
        .map(|(_, path)| path)
        .collect();
    let surplus = dated.len().saturating_sub(keep.max(1) as usize);
    for path in dated.into_iter().take(surplus) {
        fs::remove_dir_all(path)?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::findings::Window;

    #[test]
    fn a_second_run_leaves_and_a_dead_owners_lock_is_free() {
        let folder = temp_dir::TempDir::new().unwrap();
        let first = Lock::take(folder.path(), 0).unwrap();
        assert!(matches!(first, Locked::Ours(_)));
        match Lock::take(folder.path(), 0).unwrap() {
            Locked::Busy(who) => assert!(who.contains(&std::process::id().to_string()), "{who}"),
            Locked::Ours(_) => panic!("two owners"),
        }
        drop(first);
        assert!(matches!(Lock::take(folder.path(), 0).unwrap(), Locked::Ours(_)));
    }

    #[test]
    fn the_window_before_is_the_last_that_does_not_overlap() {
        let window = |from: &str, to: &str| WindowNumbers {
            window: Window { from: from.to_owned(), to: to.to_owned() },
            sites: Vec::new(),
        };
        let mut history = History::default();
        for day in 1..=9 {
            history.add(window(&format!("2026-05-{day:02}T00:00:00Z"), &format!("2026-05-{:02}T00:00:00Z", day + 7)));
        }
        let folder = temp_dir::TempDir::new().unwrap();
        history.save(folder.path()).unwrap();
        let history = History::load(folder.path()).unwrap();
        let before = history.before(parse_utc("2026-05-10T02:00:00Z").unwrap()).unwrap();
        assert_eq!(before.window.to, "2026-05-10T00:00:00Z");
        assert!(history.before(parse_utc("2026-05-07T00:00:00Z").unwrap()).is_none());
        assert!(history.before(parse_utc("2026-07-07T00:00:00Z").unwrap()).is_none());
    }

    #[test]
    fn leftovers_go_and_the_last_reports_stay() {
        let folder = temp_dir::TempDir::new().unwrap();
        let make = |name: &str| {
            fs::create_dir_all(folder.path().join(name)).unwrap();
            fs::write(folder.path().join(name).join("findings.json"), "{}").unwrap();
        };
        for name in ["2026-05-01", "2026-05-02", "2026-05-03", "latest", ".latest.part-7-0", ".2026-05-04.part-7-0-old"]
        {
            make(name);
        }
        fs::create_dir(folder.path().join("2026-04-01")).unwrap(); // not a report
        clean(folder.path()).unwrap();
        prune(folder.path(), 2).unwrap();
        let names: Vec<String> = entries(folder.path()).unwrap().into_iter().map(|e| e.0).collect();
        assert_eq!(names, ["2026-04-01", "2026-05-03", "2026-05-04", "latest"]);
    }
}
