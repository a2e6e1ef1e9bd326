//! Room: report.
use crate::model::findings::Findings;
use crate::model::picture::Pictures;
use std::path::Path;
/// x
#[derive(Default, Clone, Debug)]
pub struct ReportOptions {
    /// x
    pub html: bool,
    /// x
    pub md: bool,
    /// x
    pub complaints_given: bool,
}
/// x
pub fn write(f: &Findings, _p: &Pictures, _o: &ReportOptions, out: &Path, log: &str) -> std::io::Result<()> {
    std::fs::create_dir_all(out)?;
    std::fs::write(out.join("findings.json"), serde_json::to_string_pretty(f)?)?;
    std::fs::write(out.join("run.log"), log)
}
