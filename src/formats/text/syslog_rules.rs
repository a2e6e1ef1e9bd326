//! Keyword rules: which syslog message is which event. The first rule that matches wins; the rules of the configuration
//! come before the built-in ones. Wordings: common practice, no source.

use super::events::{KINDS, known_kind};
use regex::bytes::{RegexSet, RegexSetBuilder};

/// The kind of a rule that says: this is not an event.
pub const IGNORE: &str = "ignore";

/// Pattern (without case, over "program: message") and event kind.
const BUILT_IN: [(&str, &str); 35] = [
    // What looks like trouble but says that all is well, and daemons that start on their own.
    (r"\bantenna\b.{0,40}\b(ok|normal|good|no (open|short))\b", IGNORE),
    (r"\b(syslogd|rsyslogd|syslog-ng|cron|sshd|ntpd|chronyd|dhcpd?|dhclient|httpd|nginx)\b.{0,40}\b(re)?start", IGNORE),
    (r"\bno (power fail|reboot|restart|fault|error|alarm)", IGNORE),
    (
        r"\bfirmware\b.{0,60}\b(updat|upgrad|install|flash)(ed|ing|e)?\b.{0,30}\b(available|failed|not|check|server)\b",
        IGNORE,
    ),
    (
        r"\bfirmware\b.{0,60}\b(updated?|upgraded?|installed|flashed|updating|upgrading|flashing|changed)\b",
        "firmware-update",
    ),
    (r"\b(updat|upgrad|install|flash)(ed|ing) (the )?firmware\b", "firmware-update"),
    // The unit's own start.
    (r"\blinux version \d", "restart"),
    (r"\bwatchdog\b.{0,30}\b(reset|timeout|timed out|expired|fired|bite)", "restart"),
    (r"\brebooting\b|\brebooted\b|\breboot (requested|initiated|now|by)\b|\bsystem reboot\b", "restart"),
    (
        r"\b(system|receiver|device|unit|base station|base|rover|controller|application) (is )?(re)?(start|boot)(ed|ing|s)?\b",
        "restart",
    ),
    (
        r"\b(cold|warm) ?(start|boot)\b|\bpower[- ]?on reset\b|\bbooting\b|\bboot(ed)? (complete|finished|up|from)",
        "restart",
    ),
    (r"\b(reset|restart|boot) (cause|reason)\b", "restart"),
    // Supply.
    (
        r"\bbrown-?out\b|\bunder-?voltage\b|\b(supply|input|battery) voltage (too )?low\b|\blow (battery|supply|input|voltage)\b",
        "power-fail",
    ),
    (
        r"\b(mains|ac|external|input|supply)? ?power (is )?(fail(s|ed|ure|ing)?|lost|loss|cut|outage|down|removed|off)\b",
        "power-fail",
    ),
    (
        r"\b(mains|line) (power )?(fail(ed|ure)?|lost)\b|\b(running )?on battery\b|\bups\b.{0,20}\bon battery\b",
        "power-fail",
    ),
    (
        r"\b(power|mains|supply)( voltage)? (is |has been )?(restored|back|returned|recovered|good|resumed)\b",
        "power-restored",
    ),
    (r"\b(external|mains|ac|line) power (ok|on|connected|present|applied)\b", "power-restored"),
    // Antenna feed.
    (
        r"\bantenna\b.{0,50}\b(short(ed)?|short[- ]circuit(ed)?|over-?current)\b|\bshort(ed| circuit)?\b.{0,25}\bantenna\b",
        "antenna-short",
    ),
    (
        r"\bantenna\b.{0,50}\b(open|open[- ]circuit|disconnected|unplugged|not connected|not detected|no current|missing)\b",
        "antenna-open",
    ),
    (r"\bopen( circuit)?\b.{0,25}\bantenna\b", "antenna-open"),
    // Reference position before settings: it is the graver of the two.
    (
        r"\b(reference|base|station)( station)? (position|coordinates?)\b.{0,50}\b(changed?|set|updated?|modified|new|re-?established|average[ds]?)\b",
        "position-change",
    ),
    (
        r"\b(set|changed|updated|new) (the )?(reference|base|station)( station)? (position|coordinates?)\b",
        "position-change",
    ),
    (
        r"\b(config(uration)?|settings?|parameters?|profile)\b.{0,50}\b(changed?|modified|updated|saved|applied|loaded|written|restored|reset)\b",
        "settings-change",
    ),
    (
        r"\b(changed|modified|updated|saved|applied|loaded|factory) (the )?(config(uration)?|settings?|parameters?|defaults)\b",
        "settings-change",
    ),
    // Radio.
    (
        r"\b(radio|uhf|modem|transmitter|data ?link)\b.{0,40}\b(off|disabled|down|stopped|lost|fail(ed|ure)?|not responding|no carrier|disconnected)\b",
        "radio-off",
    ),
    (r"\b(switch(ed|ing)|turn(ed|ing)) off (the )?(radio|modem|transmitter)\b", "radio-off"),
    (
        r"\b(radio|uhf|modem|transmitter|data ?link)\b.{0,40}\b(on|enabled|up|started|ready|connected|restored|registered)\b",
        "radio-on",
    ),
    (r"\b(switch(ed|ing)|turn(ed|ing)) on (the )?(radio|modem|transmitter)\b", "radio-on"),
    // Surroundings.
    (r"\bover-?(heat|temp)(ed|ing|erature)?\b|\bthermal (shutdown|throttl|trip|alarm|limit)", "overheat"),
    (r"\btemperature\b.{0,30}\b(too high|critical|alarm|exceed(s|ed)?|above (the )?limit|high limit)\b", "overheat"),
    (
        r"\bwater (in|ingress|detected|alarm|leak)|\bmoisture (detected|alarm)|\bcondensation\b|\bwater\b.{0,20}\bconnector\b",
        "water",
    ),
    (r"\bhumidity\b.{0,20}\b(too high|alarm|critical|exceed(s|ed)?)\b", "water"),
    (r"\b(tilt|motion|movement|shock|tamper|theft)\b.{0,25}\b(detected|alarm|exceed(s|ed)?|triggered)\b", "moved"),
    (r"\b(base|antenna|station|unit|device|tripod|mast) (was |has been |has )?(moved|tilted|tipped)\b", "moved"),
    (
        r"\b(system|unit|device|receiver) (is )?shutting down\b|\bshutdown requested\b|\bgoing down for (system )?(reboot|halt|power)",
        "restart",
    ),
];

/// Compiled rules.
#[derive(Debug, Clone)]
pub struct SyslogRules {
    set: RegexSet,
    kinds: Vec<String>,
}

impl Default for SyslogRules {
    fn default() -> Self {
        SyslogRules::new(&[]).unwrap_or(SyslogRules { set: RegexSet::empty(), kinds: Vec::new() })
    }
}

impl SyslogRules {
    /// The rules given as (pattern, kind), then the built-in ones. Patterns are regular expressions without case over
    /// `program: message`; the kind is one of the contract, `other`, or `ignore`.
    ///
    /// # Errors
    /// The index of the rule that is wrong (0 when they are too large together), and why.
    pub fn new(given: &[(String, String)]) -> Result<SyslogRules, (usize, String)> {
        let build = |patterns: &[&str]| {
            RegexSetBuilder::new(patterns).case_insensitive(true).unicode(false).size_limit(32 << 20).build()
        };
        for (i, (pattern, kind)) in given.iter().enumerate() {
            if kind != IGNORE && kind != "other" && known_kind(kind).is_none() {
                let known = KINDS.join(", ");
                return Err((
                    i,
                    format!("`kind` \"{kind}\" is not an event kind; these are: {known}, other, {IGNORE}"),
                ));
            }
            build(&[pattern]).map_err(|e| (i, format!("`pattern` is not a regular expression: {e}")))?;
        }
        let all = given.iter().map(|(p, k)| (p.as_str(), k.as_str())).chain(BUILT_IN);
        let (patterns, kinds): (Vec<&str>, Vec<&str>) = all.unzip();
        let set = build(&patterns).map_err(|e| (0, format!("the patterns are too large together: {e}")))?;
        Ok(SyslogRules { set, kinds: kinds.into_iter().map(|k| known_kind(k).unwrap_or(k).to_owned()).collect() })
    }

    /// The event kind of a message; `None` for one that is no event.
    pub fn kind(&self, message: &[u8]) -> Option<&str> {
        let first = self.set.matches(message).iter().next()?;
        self.kinds.get(first).map(String::as_str).filter(|k| *k != IGNORE)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn built_in_rules_compile_and_read_plain_wordings() {
        let rules = SyslogRules::new(&[]).unwrap();
        for (text, kind) in [
            ("kernel: Linux version 6.1.0", Some("restart")),
            ("wdt: watchdog timer expired, resetting", Some("restart")),
            ("pwr: Power failure detected", Some("power-fail")),
            ("pwr: power restored", Some("power-restored")),
            ("gnss: antenna status: OPEN", Some("antenna-open")),
            ("gnss: Antenna short circuit", Some("antenna-short")),
            ("gnss: antenna status OK, no short", None),
            ("app: configuration saved by operator", Some("settings-change")),
            ("app: base position changed to 47.1, 8.2", Some("position-change")),
            ("upd: firmware updated to 5.2.1", Some("firmware-update")),
            ("upd: firmware update available", None),
            ("uhf: radio disabled", Some("radio-off")),
            ("uhf: radio enabled", Some("radio-on")),
            ("env: over-temperature alarm", Some("overheat")),
            ("env: moisture detected", Some("water")),
            ("env: tilt alarm", Some("moved")),
            ("syslogd 1.4.1: restart.", None),
            ("sshd: session opened", None),
        ] {
            assert_eq!(rules.kind(text.as_bytes()), kind, "{text}");
        }
    }

    #[test]
    fn rules_of_the_configuration_come_first() {
        let given =
            [(r"pump 3 tripped".to_owned(), "power-fail".to_owned()), ("linux version".to_owned(), IGNORE.to_owned())];
        let rules = SyslogRules::new(&given).unwrap();
        assert_eq!(rules.kind(b"plc: Pump 3 TRIPPED"), Some("power-fail"));
        assert_eq!(rules.kind(b"kernel: Linux version 6.1.0"), None);
    }

    #[test]
    fn a_wrong_rule_is_named() {
        let rule =
            |p: &str, k: &str| SyslogRules::new(&[("ok".into(), "water".into()), (p.into(), k.into())]).map(|_| ());
        assert_eq!(rule("(", "water").unwrap_err().0, 1);
        assert!(rule("x", "explosion").unwrap_err().1.contains("explosion"));
    }
}
