//! Where a unit's knowledge of the sky comes from.

/// Source of the directions of a base's satellites.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum GeometryFrom {
    /// Broadcast orbits in files of the site's own bases.
    OwnOrbits,
    /// Broadcast orbits in other files of the run.
    OtherOrbits,
    /// The unit's own satellite lists (GSV).
    Lists,
    /// Nothing: no directions.
    #[default]
    None,
}

impl GeometryFrom {
    /// In words, for pages.
    pub fn words(self) -> &'static str {
        match self {
            GeometryFrom::OwnOrbits => "broadcast orbits in the site's own files",
            GeometryFrom::OtherOrbits => "broadcast orbits in other files of the run",
            GeometryFrom::Lists => "the unit's own satellite lists (GSV)",
            GeometryFrom::None => "nothing: no orbits and no satellite lists",
        }
    }
}
