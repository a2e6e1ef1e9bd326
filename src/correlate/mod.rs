//! Float periods of rovers against events: who else was lost, what overlaps, beyond chance or not. Knows no cause.

pub mod anyway;
mod apart;
pub mod association;
mod beside;
pub mod case;
mod conditions;
pub mod context;
mod distance;
pub mod evidence;
pub mod gather;
pub mod grid;
mod leads;
mod lonely;
pub mod onsets;
pub mod periods;
pub mod place;
mod rivals;
#[cfg(test)]
mod samples;
pub mod segment;
mod sky_signs;
mod spikes;
mod stopped_with;
mod symptoms;
mod timeline;
