//! Tests of the whole room: what is written, where, and what strangers' text can do.

use super::test_fleet::{fleet, hostile_fleet, large_fleet, large_site, redraw};
use super::{ReportError, ReportOptions, write};
use crate::causes::about::{GENERAL_CAUTIONS, about};
use crate::model::findings::Findings;
use std::collections::BTreeMap;
use std::fs;
use std::path::Path;

fn options() -> ReportOptions {
    ReportOptions { html: true, markdown: true, about, cautions: &GENERAL_CAUTIONS }
}

/// All files below a folder: relative path with `/`, text.
fn files(folder: &Path) -> BTreeMap<String, String> {
    let mut out = BTreeMap::new();
    let mut open = vec![folder.to_owned()];
    while let Some(dir) = open.pop() {
        for entry in fs::read_dir(&dir).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                open.push(path);
            } else {
                let name = path.strip_prefix(folder).unwrap().to_string_lossy().replace('\\', "/");
                out.insert(name, fs::read_to_string(&path).unwrap());
            }
        }
    }
    out
}

fn written(fleet: (Findings, crate::model::picture::Pictures)) -> BTreeMap<String, String> {
    let home = temp_dir::TempDir::new().unwrap();
    let out = home.path().join("report");
    write(&mut fleet.0.clone(), &fleet.1, &options(), &out, "log\n").unwrap();
    assert_eq!(fs::read_dir(home.path()).unwrap().count(), 1, "no temporary folder is left");
    files(&out)
}

/// Values of an attribute in a page.
fn attributes<'a>(page: &'a str, name: &str) -> Vec<&'a str> {
    let open = format!(" {name}=\"");
    page.split(open.as_str()).skip(1).filter_map(|rest| rest.split('"').next()).collect()
}

/// Compares with `snapshots/NAME.txt`; `LOSTFIX_SNAPSHOTS=write` writes it anew, to be looked at in the diff.
fn same_as_snapshot(name: &str, text: &str) {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join(format!("src/report/snapshots/{name}.txt"));
    if std::env::var("LOSTFIX_SNAPSHOTS").as_deref() == Ok("write") {
        fs::write(&path, text).unwrap();
    }
    let kept = fs::read_to_string(&path).unwrap_or_default();
    for (number, (a, b)) in kept.lines().zip(text.lines()).enumerate() {
        assert_eq!(a, b, "{} line {}", path.display(), number + 1);
    }
    assert_eq!(kept.lines().count(), text.lines().count(), "{}", path.display());
}

#[test]
fn markdown_snapshot() {
    same_as_snapshot("report_md", &written(fleet())["report.md"]);
}

#[test]
fn json_snapshot() {
    same_as_snapshot("findings_json", &written(fleet())["findings.json"]);
}

#[test]
fn tables_snapshot() {
    let all = written(fleet());
    same_as_snapshot("site_ranking_csv", &all["tables/site_ranking.csv"].replace("\r\n", "\n"));
}

#[test]
fn every_file_of_the_contract_is_written_and_nothing_else() {
    let names: Vec<String> = written(fleet()).into_keys().collect();
    assert_eq!(
        names,
        [
            "complaints.html",
            "findings.json",
            "index.html",
            "report.md",
            "run.log",
            "sites/harbour.html",
            "sites/larkfield.html",
            "sites/mill.html",
            "sites/ridge.html",
            "tables/base_events.csv",
            "tables/event_tests.csv",
            "tables/float_periods.csv",
            "tables/site_ranking.csv",
            "tables/verdicts.csv",
        ]
    );
    let mut quiet = fleet();
    quiet.0.complaints.clear();
    let without = written(quiet);
    assert!(!without.contains_key("complaints.html"));
    assert!(!without.values().any(|page| page.contains("complaints.html\"")), "no link to a page that is not there");
}

#[test]
fn findings_json_reads_back_and_two_runs_are_equal() {
    let once = written(fleet());
    let back: Findings = serde_json::from_str(&once["findings.json"]).unwrap();
    let mut rounded = fleet().0;
    super::json::round_all(&mut rounded);
    assert!(back == rounded, "what was written is what is read");
    assert_eq!(once, written(fleet()));
}

/// The page without the one script that is ours.
fn without_our_script(page: &str) -> String {
    page.replacen(concat!("<script>", include_str!("../../report-templates/fleet.js"), "</script>"), "", 1)
}

/// The policy of the fleet page names the script by its hash: with another one the browser would not run it.
#[test]
fn the_policy_names_our_script() {
    // FIPS 180-4, appendix B.1 of its former edition: SHA-256 of "abc".
    let hex: String = sha256(b"abc").iter().map(|b| format!("{b:02x}")).collect();
    assert_eq!(hex, "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
    let script = include_str!("../../report-templates/fleet.js");
    let policy = format!("script-src 'sha256-{}'", base64(&sha256(script.as_bytes())));
    let all = written(fleet());
    assert!(all["index.html"].contains(&policy), "the hash in view/fleet.rs must be {policy}");
    assert!(!all["sites/larkfield.html"].contains("script-src"));
}

/// SHA-256 (FIPS 180-4), for the test above only.
fn sha256(data: &[u8]) -> Vec<u8> {
    // The first 32 bits of the fractional parts of the square and cube roots of the first primes.
    let primes: Vec<u32> = (2..312).filter(|n: &u32| (2..*n).all(|d| !n.is_multiple_of(d))).take(64).collect();
    let part = |root: f64| (root.fract() * 4_294_967_296.0) as u32;
    let mut h: Vec<u32> = primes.iter().take(8).map(|p| part(f64::from(*p).sqrt())).collect();
    let k: Vec<u32> = primes.iter().map(|p| part(f64::from(*p).cbrt())).collect();
    let mut message = data.to_vec();
    message.push(0x80);
    while message.len() % 64 != 56 {
        message.push(0);
    }
    message.extend((data.len() as u64 * 8).to_be_bytes());
    for block in message.chunks(64) {
        let mut w: Vec<u32> = block.chunks(4).map(|c| u32::from_be_bytes([c[0], c[1], c[2], c[3]])).collect();
        for t in 16..64 {
            let s0 = w[t - 15].rotate_right(7) ^ w[t - 15].rotate_right(18) ^ (w[t - 15] >> 3);
            let s1 = w[t - 2].rotate_right(17) ^ w[t - 2].rotate_right(19) ^ (w[t - 2] >> 10);
            w.push(w[t - 16].wrapping_add(s0).wrapping_add(w[t - 7]).wrapping_add(s1));
        }
        let mut v = h.clone();
        for t in 0..64 {
            let s1 = v[4].rotate_right(6) ^ v[4].rotate_right(11) ^ v[4].rotate_right(25);
            let choice = (v[4] & v[5]) ^ (!v[4] & v[6]);
            let t1 = v[7].wrapping_add(s1).wrapping_add(choice).wrapping_add(k[t]).wrapping_add(w[t]);
            let s0 = v[0].rotate_right(2) ^ v[0].rotate_right(13) ^ v[0].rotate_right(22);
            let majority = (v[0] & v[1]) ^ (v[0] & v[2]) ^ (v[1] & v[2]);
            v.rotate_right(1);
            v[4] = v[4].wrapping_add(t1);
            v[0] = t1.wrapping_add(s0).wrapping_add(majority);
        }
        for (x, y) in h.iter_mut().zip(v) {
            *x = x.wrapping_add(y);
        }
    }
    h.iter().flat_map(|x| x.to_be_bytes()).collect()
}

fn base64(data: &[u8]) -> String {
    const LETTERS: &[u8] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    data.chunks(3)
        .flat_map(|c| {
            let n = c.iter().fold(0_u32, |n, b| n << 8 | u32::from(*b)) << (8 * (3 - c.len()));
            (0..4).map(move |i| if i > c.len() { '=' } else { LETTERS[(n >> (18 - 6 * i) & 63) as usize] as char })
        })
        .collect()
}

#[test]
fn pages_stand_alone_and_every_link_leads_somewhere() {
    for all in [written(fleet()), written(hostile_fleet())] {
        let mut links = 0;
        for (name, page) in all.iter().filter(|(n, _)| n.ends_with(".html")) {
            assert!(attributes(page, "src").is_empty(), "{name} loads nothing");
            assert!(
                !page.contains("<link") && !page.contains("@import") && !page.contains("url("),
                "{name} loads nothing"
            );
            assert!(!without_our_script(page).contains("<script"), "{name} needs no script but that of sorting");
            for href in attributes(page, "href") {
                links += 1;
                let (path, anchor) = href.split_once('#').unwrap_or((href, ""));
                let target = match path {
                    "" => name.clone(),
                    p => {
                        let mut parts: Vec<&str> = name.split('/').collect();
                        parts.pop();
                        for part in p.split('/') {
                            if part == ".." {
                                parts.pop().map(|_| ()).expect("inside the report")
                            } else {
                                parts.push(part)
                            }
                        }
                        parts.join("/")
                    }
                };
                let there = all.get(&target).unwrap_or_else(|| panic!("{name}: {href} leads nowhere"));
                assert!(anchor.is_empty() || there.contains(&format!("id=\"{anchor}\"")), "{name}: no anchor {href}");
            }
        }
        assert!(links > 20);
        let md = all["report.md"].replace("\\](", "");
        for href in md.split("](").skip(1).filter_map(|r| r.split(')').next()) {
            assert!(all.contains_key(href), "report.md: {href}");
        }
    }
}

#[test]
fn strangers_text_stays_text() {
    let all = written(hostile_fleet());
    for (name, page) in &all {
        let page = &without_our_script(page);
        if name.ends_with(".html") {
            assert!(!page.contains("<script") && !page.contains("<img"), "{name}");
            assert!(page.contains("&lt;script&gt;alert(1)"), "{name} shows the text");
            assert!(page.contains("{{ 7*7 }}") && !page.contains("49 {%"), "{name}: text is not a template");
            assert!(!page.contains(&"x".repeat(500)), "{name} cuts what is too long");
            for tag in page.split('<').skip(1) {
                let tag = tag.split('>').next().unwrap_or("");
                // Outside of quoted values no handler may stand in a tag.
                let names: String = tag.split('"').step_by(2).collect();
                assert!(!names.contains("onerror") && !names.contains('\''), "{name}: <{tag}>");
            }
        }
        if name.ends_with(".html") || name.ends_with(".md") {
            assert!(!page.contains('\u{202E}') && !page.contains('\u{7}'), "{name} shows no hidden characters");
        }
        if name.ends_with(".csv") {
            let mut reader = csv::ReaderBuilder::new().has_headers(false).from_reader(page.as_bytes());
            for record in reader.records() {
                for cell in record.unwrap().iter() {
                    assert!(!cell.starts_with(['=', '@', '+', '-']) || cell.parse::<f64>().is_ok(), "{name}: {cell}");
                }
            }
        }
    }
    let md = &all["report.md"];
    // A fenced block shows everything as it is, so markup is looked for outside of the blocks only.
    let outside: String = md.split("```").step_by(2).collect();
    assert!(!outside.contains("<script") && !outside.contains("https://") && !outside.contains("\n# head"));
    assert_eq!(md.matches("```").count() % 2, 0, "every block is closed");
    // Every row of a table has as many cells as its head: no pipe got through.
    let cells = |line: &str| line.replace("\\|", "").matches('|').count();
    let mut head: Option<usize> = None;
    for line in md.lines() {
        match (line.starts_with('|'), head) {
            (true, None) => head = Some(cells(line)),
            (true, Some(n)) => assert_eq!(cells(line), n, "{line}"),
            (false, _) => head = None,
        }
    }
    assert!(all.keys().all(|k| !k.contains("..")), "{:?}", all.keys());
}

#[test]
fn numbers_on_the_pages_are_those_of_the_findings() {
    // Where a line may not break stands another blank.
    let all: BTreeMap<String, String> =
        written(fleet()).into_iter().map(|(name, text)| (name, text.replace('\u{A0}', " "))).collect();
    let index = &all["index.html"];
    for text in
        ["2 of 4 sites need a person", "17.7 h", "83.9 %", "very likely (94 %)", "Second frequency lost at the base"]
    {
        assert!(index.contains(text), "index: {text}");
    }
    // Every part of the manager's view, on the page and in the Markdown.
    for text in [
        "at a cost of 2 532",
        "1 872",
        "Against the window before: 1 newly bad, 1 better, 1 about as before, 1 with too little data to compare.",
        "\u{2212}15 to \u{2212}5",
        "Of 2 changes in the field: 1 helped, 1 too early to say.",
        "0.20 (0.08 to 0.44)",
        "1 rover loses far more than the rovers beside it at every site.",
        "10 of 10 (100 %)",
        "1 in 250 000",
    ] {
        assert!(index.contains(text), "index: {text}");
        assert!(all["report.md"].contains(text), "report.md: {text}");
    }
    let site = &all["sites/larkfield.html"];
    for text in [
        "15.1 h",
        "85 %",
        "Mon 2026-05-04 09:05:00 to 10:35:30 CEST (07:05:00 to 08:35:30 UTC)",
        "All 11, longest first",
        "Antenna voltage at the base was not logged.",
        "not for grade-critical",
        "antenna cable replaced",
    ] {
        assert!(site.contains(text), "site: {text}");
    }
    assert!(all["sites/ridge.html"].contains("Too little data"));
    assert!(!all["sites/mill.html"].contains("id=\"sheet\""), "a healthy site needs no technician");
}

#[test]
fn headings_are_in_order_and_table_heads_have_a_scope() {
    for (name, page) in written(fleet()).iter().filter(|(n, _)| n.ends_with(".html")) {
        let mut level = 0;
        for rest in page.split("<h").skip(1) {
            let Some(n) = rest.chars().next().and_then(|c| c.to_digit(10)) else { continue };
            assert!(n <= level + 1, "{name}: h{n} after h{level}");
            level = n;
        }
        assert_eq!(page.matches("<h1").count(), 1, "{name}");
        assert_eq!(page.matches("<th ").count(), page.matches(" scope=").count(), "{name}");
        assert!(!page.contains("<th>"), "{name}");
        for svg in page.split("<svg ").skip(1) {
            let (tag, inside) = svg.split_once('>').unwrap();
            let described = inside.starts_with("<title id=") && inside.contains("<desc id=");
            assert!(described || tag.contains("aria-hidden=\"true\""), "{name}: every picture is described: {tag}");
        }
        let mut ids = attributes(page, "id");
        let all = ids.len();
        ids.sort_unstable();
        ids.dedup();
        assert_eq!(ids.len(), all, "{name}: ids are unique");
    }
}

/// Pages are mailed and opened over slow lines: 2 MB at most.
#[test]
fn large_pages_stay_under_two_megabytes() {
    let site = written(large_site());
    let size = site["sites/larkfield.html"].len();
    println!("site with 10 rovers and 7 days: {size} bytes");
    assert!(size < 2_000_000, "{size}");
    let fleet = written(large_fleet());
    let size = fleet["index.html"].len();
    println!("fleet of 500 sites: {size} bytes");
    assert!(size < 2_000_000, "{size}");
    assert_eq!(fleet["index.html"].matches("<tr role=\"row\" data-rank").count(), 500, "all sites are there");
}

#[test]
fn only_an_empty_folder_or_a_former_report_is_replaced() {
    let home = temp_dir::TempDir::new().unwrap();
    let (findings, pictures) = fleet();
    let go = |out: &Path| write(&mut findings.clone(), &pictures, &options(), out, "");
    let out = home.path().join("new/deep/report");
    go(&out).unwrap();
    fs::write(out.join("sites/gone.html"), "of last week").unwrap();
    fs::write(out.join("my notes.txt"), "keep me").unwrap();
    go(&out).unwrap();
    assert!(!out.join("sites/gone.html").exists(), "a page of the former report is gone");
    assert_eq!(fs::read_to_string(out.join("my notes.txt")).unwrap(), "keep me");

    let empty = home.path().join("empty");
    fs::create_dir(&empty).unwrap();
    go(&empty).unwrap();

    let precious = home.path().join("precious");
    fs::create_dir(&precious).unwrap();
    fs::write(precious.join("findings.json"), "{\"schema\": \"something-else/1\"}").unwrap();
    assert!(matches!(go(&precious), Err(ReportError::NotOurs { .. })));
    fs::write(precious.join("findings.json"), "{\"schema\": \"lostfix-findings-of-mine\"}").unwrap();
    assert!(matches!(go(&precious), Err(ReportError::NotOurs { .. })));
    assert_eq!(fs::read_dir(&precious).unwrap().count(), 1, "untouched");

    let file = home.path().join("file");
    fs::write(&file, "x").unwrap();
    let error = go(&file).unwrap_err().to_string();
    assert!(error.contains("file") && error.contains("--out"), "{error}");
}

#[test]
fn a_failure_leaves_nothing_behind() {
    let home = temp_dir::TempDir::new().unwrap();
    let out = home.path().join("report");
    let (findings, pictures) = fleet();
    write(&mut findings.clone(), &pictures, &options(), &out, "first").unwrap();
    let before = files(&out);
    let stage = super::folder::Target::check(&out).unwrap().stage().unwrap();
    stage.put("index.html", "half").unwrap();
    // A file where a folder should be: the next write fails as on a full or broken drive.
    stage.put("sites", "in the way").unwrap();
    assert!(matches!(stage.put("sites/a.html", "x"), Err(ReportError::Io { .. })));
    drop(stage);
    assert_eq!(fs::read_dir(home.path()).unwrap().count(), 1, "the temporary folder is gone");
    assert_eq!(files(&out), before, "the former report is as it was");

    let in_the_way = home.path().join("file");
    fs::write(&in_the_way, "x").unwrap();
    let below = in_the_way.join("report");
    assert!(write(&mut findings.clone(), &pictures, &options(), &below, "").is_err());
    assert_eq!(fs::read_to_string(&in_the_way).unwrap(), "x");
}

#[test]
fn an_empty_run_still_says_so() {
    let mut nothing = fleet();
    nothing.0.sites.clear();
    nothing.0.complaints.clear();
    nothing.1.sites.clear();
    let all = written(nothing);
    assert!(all["index.html"].contains("No site could be analysed."));
}

#[test]
fn a_fleet_of_500_sites_stays_small() {
    // Issue limit: the fleet page under 2 MB for 500 sites.
    let (mut findings, pictures) = fleet();
    let one = findings.sites[0].clone();
    findings.sites = (0..500)
        .map(|n| {
            let mut site = one.clone();
            site.site = format!("site-{n}");
            site.rank = n + 1;
            site
        })
        .collect();
    let options = options();
    let run = super::view::Context::new(&findings, &pictures, &options).of_run();
    let page = super::templates::Engine::new().unwrap().render("index.html", &run.fleet).unwrap();
    assert!(page.len() < 2_000_000, "{} bytes", page.len());
}

#[test]
fn a_site_page_of_ten_rovers_and_a_week_stays_small() {
    // Issue limit: 2 MB for 10 rovers and 7 days. Worst case: the state changes every 30 s all week.
    let (findings, mut pictures) = fleet();
    redraw(&mut pictures, 0, |picture| {
        let one = picture.strips[0].clone();
        picture.strips = (0..10)
            .map(|n| {
                let mut strip = one.clone();
                strip.label = format!("EX-{n}");
                strip.marks = (0..20_160)
                    .map(|i| crate::model::picture::Mark {
                        from: picture.from + i * 30_000,
                        to: picture.from + (i + 1) * 30_000,
                        class: ["fixed", "float", "none", "dgnss", "gap"][usize::try_from((i / 7 + i) % 5).unwrap()]
                            .to_owned(),
                        title: String::new(),
                    })
                    .collect();
                strip
            })
            .collect();
    });
    let page = &written((findings, pictures))["sites/larkfield.html"];
    assert!(page.len() < 2_000_000, "{} bytes", page.len());
}

/// Writes the test fleets where `LOSTFIX_REPORT_OUT` says, for looking at them in a browser.
#[test]
#[ignore = "for looking at pages by hand"]
fn pages_for_looking() {
    let Ok(out) = std::env::var("LOSTFIX_REPORT_OUT") else { return };
    // The sheet with most to say: three causes with many cautions.
    let mut full = fleet();
    for (cause, id) in full.0.sites[0].causes.iter_mut().zip(["base-interference", "base-antenna-power", "link-range"])
    {
        cause.cause = id.to_owned();
        cause.side = "base".to_owned();
    }
    for (name, (findings, pictures)) in [
        ("fleet", fleet()),
        ("hostile", hostile_fleet()),
        ("full", full),
        ("large", large_site()),
        ("many", large_fleet()),
    ] {
        write(&mut findings.clone(), &pictures, &options(), &Path::new(&out).join(name), "looked at by hand\n")
            .unwrap();
    }
}
