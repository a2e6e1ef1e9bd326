//! lostfix: from diagnostic bundles of GNSS bases and RTK rovers to ranked causes of lost fix per base site.
//!
//! ```text
//! folders, zips
//!     |
//!  [crawl]      bytes + where they came from; every file listed, taken or refused with a reason
//!     |
//!  [formats]    bytes -> rows + problems + byte ledger                  one folder or file per format
//!     |
//!  [identify]   which unit, which site, which base at which second
//!     |
//!  [frames]     rows -> columnar tables per site, fixed schemas
//!     |
//!  [detect]     tables -> events                                        one file per detector
//!     |
//!  [correlate]  float periods, who else, overlap and chance             tables end here
//!     |
//!  [causes]     evidence -> one verdict a period, one ranking a site    one file per cause
//!     |
//!  [report]     findings -> HTML, Markdown, JSON, CSV
//! ```
//!
//! Beside the flow: [`model`] (shared words), [`maths`] (pure formulas with their sources). Above it: [`config`],
//! [`pipeline`], [`cli`]. Apart: [`practice`] writes bundles and shares no code with the decoders.

pub mod causes;
pub mod cli;
pub mod config;
pub mod correlate;
pub mod crawl;
pub mod detect;
pub mod formats;
pub mod frames;
pub mod identify;
pub mod maths;
pub mod model;
pub mod pipeline;
pub mod practice;
pub mod report;
pub mod score;
pub mod store;
