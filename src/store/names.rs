//! Names inside a store: safe on every system, whatever a site or path is called.

use std::time::{SystemTime, UNIX_EPOCH};

/// A value of a `key=value` folder: letters, digits, `.`, `_`, `-` stay, every other byte becomes `%XX` (as Hive writes them
/// and its readers undo). A very long value is cut and made unique by its hash.
pub(super) fn partition(value: &str) -> String {
    if value.is_empty() {
        return "_unknown".to_owned();
    }
    let mut out = String::new();
    for byte in value.bytes() {
        if byte.is_ascii_alphanumeric() || matches!(byte, b'.' | b'_' | b'-') {
            out.push(byte as char);
        } else {
            out.push_str(&format!("%{byte:02X}"));
        }
    }
    if out.len() > 120 {
        let hash = short_hash(value);
        out.truncate(100);
        // Not in the middle of an escape.
        if let Some(at) = out.rfind('%').filter(|at| at + 3 > out.len()) {
            out.truncate(at);
        }
        out.push('~');
        out.push_str(&hash);
    }
    // A folder name must not end in a dot on some systems.
    if out.ends_with('.') {
        out.pop();
        out.push_str("%2E");
    }
    out
}

/// 16 hexadecimal characters that stand for a text.
pub(super) fn short_hash(text: &str) -> String {
    blake3::hash(text.as_bytes()).to_hex().chars().take(16).collect()
}

/// A name that no other run has: host, process, time.
pub(super) fn run_name() -> String {
    let nanos = SystemTime::now().duration_since(UNIX_EPOCH).map_or(0, |d| d.as_nanos());
    // Two runs of one process (tests) within the clock's step.
    use std::sync::atomic::{AtomicU64, Ordering};
    static COUNT: AtomicU64 = AtomicU64::new(0);
    let n = COUNT.fetch_add(1, Ordering::Relaxed);
    format!("{}-{}-{}", short_hash(&host()), std::process::id(), short_hash(&format!("{nanos} {n} {}", host())))
}

/// The name of this machine, as far as it tells without asking the system's libraries.
pub(super) fn host() -> String {
    ["COMPUTERNAME", "HOSTNAME"]
        .iter()
        .find_map(|k| std::env::var(k).ok().filter(|v| !v.is_empty()))
        .or_else(|| std::fs::read_to_string("/etc/hostname").ok())
        .map(|h| h.trim().to_owned())
        .filter(|h| !h.is_empty())
        .unwrap_or_else(|| "unknown".to_owned())
}

#[cfg(test)]
mod tests {
    use super::partition;

    #[test]
    fn any_site_is_one_safe_folder() {
        assert_eq!(partition("larkfield"), "larkfield");
        assert_eq!(partition("a/b\\..c"), "a%2Fb%5C..c");
        assert_eq!(partition("ü"), "%C3%BC");
        assert_eq!(partition(""), "_unknown");
        assert_eq!(partition("x."), "x%2E");
        let long = partition(&"ä".repeat(10_000));
        assert!(long.len() <= 120 && long.contains('~'), "{long}");
    }
}
