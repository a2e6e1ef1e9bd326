//! File names of site pages.

use std::collections::BTreeSet;

/// Names that some systems keep for devices, whatever the extension.
const DEVICES: [&str; 22] = [
    "con", "prn", "aux", "nul", "com1", "com2", "com3", "com4", "com5", "com6", "com7", "com8", "com9", "lpt1", "lpt2",
    "lpt3", "lpt4", "lpt5", "lpt6", "lpt7", "lpt8", "lpt9",
];

/// One file stem a site id, in their order: the id itself where it is plain (letters, digits, `.`, `_`, `-`), else with
/// other characters as `-`; unique also where upper and lower case are the same.
pub(super) fn stems<'a>(ids: impl Iterator<Item = &'a str>) -> Vec<String> {
    let mut taken = BTreeSet::new();
    ids.map(|id| {
        let plain: String = id
            .chars()
            .take(80)
            .map(|c| if c.is_ascii_alphanumeric() || matches!(c, '.' | '_' | '-') { c } else { '-' })
            .collect();
        // Many dashes in a row come from replaced characters only; a plain id keeps its own.
        let plain = if plain == id { plain } else { squeeze(&plain) };
        let plain = plain.trim_matches(['.', '-']);
        let device = plain.split('.').next().unwrap_or("").to_ascii_lowercase();
        let stem = match plain {
            "" => "site".to_owned(),
            p if DEVICES.contains(&device.as_str()) => format!("site-{p}"),
            p => p.to_owned(),
        };
        let mut name = stem.clone();
        let mut n = 2_u32;
        while !taken.insert(name.to_ascii_lowercase()) {
            name = format!("{stem}-{n}");
            n += 1;
        }
        name
    })
    .collect()
}

fn squeeze(text: &str) -> String {
    text.split('-').filter(|part| !part.is_empty()).collect::<Vec<_>>().join("-")
}

#[cfg(test)]
mod tests {
    use super::stems;

    #[test]
    fn plain_ids_stay_and_others_become_safe_and_unique() {
        let ids =
            ["larkfield", "North_2.a", "../../etc/passwd", "a/b", "a b", "A-B", "", "NUL", "con.txt", "ü", "<script>"];
        assert_eq!(
            stems(ids.into_iter()),
            [
                "larkfield",
                "North_2.a",
                "etc-passwd",
                "a-b",
                "a-b-2",
                "A-B-3",
                "site",
                "site-NUL",
                "site-con.txt",
                "site-2",
                "script"
            ]
        );
    }
}
