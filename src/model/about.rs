//! The manual text of a cause: the same words in `lostfix explain`, on the pages and in the findings.

/// What a cause is, in words for people.
#[derive(Debug, Clone, Copy)]
pub struct About {
    /// Id of the contract, `base-second-frequency`.
    pub id: &'static str,
    /// `base`, `link`, `sky`, `rover`, `unexplained`.
    pub side: &'static str,
    /// A short plain title: "Second frequency lost at the base".
    pub title: &'static str,
    /// What happens and why it costs the fix; two to four sentences.
    pub what: &'static str,
    /// What it looks like in the logs.
    pub looks_like: &'static [&'static str],
    /// Evidence for it.
    pub speaks_for: &'static [&'static str],
    /// Evidence against it.
    pub speaks_against: &'static [&'static str],
    /// What to check on site, cheapest and most telling first.
    pub checks: &'static [&'static str],
    /// What would prove it wrong.
    pub would_disprove: &'static [&'static str],
    /// Cautions that go with the checks.
    pub cautions: &'static [&'static str],
    /// Published sources, or "common practice, no source".
    pub sources: &'static [&'static str],
}
