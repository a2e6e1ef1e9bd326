//! The causes a scenario can inject, under the ids of the contract.

/// What can be injected (every id of the contract but `unexplained`).
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Cause {
    BaseSecondFrequency,
    BaseWeakSignal,
    BaseAntennaPower,
    BaseInterference,
    BaseMultipath,
    BaseObstruction,
    BaseMoved,
    BaseRestart,
    BaseMessages,
    BaseFirmware,
    LinkOutage,
    LinkRange,
    LinkRover,
    LinkStationClash,
    SkyScintillation,
    SkyStorm,
    LongBaseline,
    RoverObstruction,
    RoverTracking,
    RoverInterference,
    RoverRestart,
    RoverFirmware,
}

impl Cause {
    pub(super) const ALL: [Cause; 22] = [
        Cause::BaseSecondFrequency,
        Cause::BaseWeakSignal,
        Cause::BaseAntennaPower,
        Cause::BaseInterference,
        Cause::BaseMultipath,
        Cause::BaseObstruction,
        Cause::BaseMoved,
        Cause::BaseRestart,
        Cause::BaseMessages,
        Cause::BaseFirmware,
        Cause::LinkOutage,
        Cause::LinkRange,
        Cause::LinkRover,
        Cause::LinkStationClash,
        Cause::SkyScintillation,
        Cause::SkyStorm,
        Cause::LongBaseline,
        Cause::RoverObstruction,
        Cause::RoverTracking,
        Cause::RoverInterference,
        Cause::RoverRestart,
        Cause::RoverFirmware,
    ];

    /// The contract's id.
    pub(super) fn id(self) -> &'static str {
        match self {
            Cause::BaseSecondFrequency => "base-second-frequency",
            Cause::BaseWeakSignal => "base-weak-signal",
            Cause::BaseAntennaPower => "base-antenna-power",
            Cause::BaseInterference => "base-interference",
            Cause::BaseMultipath => "base-multipath",
            Cause::BaseObstruction => "base-obstruction",
            Cause::BaseMoved => "base-moved",
            Cause::BaseRestart => "base-restart",
            Cause::BaseMessages => "base-messages",
            Cause::BaseFirmware => "base-firmware",
            Cause::LinkOutage => "link-outage",
            Cause::LinkRange => "link-range",
            Cause::LinkRover => "link-rover",
            Cause::LinkStationClash => "link-station-clash",
            Cause::SkyScintillation => "sky-scintillation",
            Cause::SkyStorm => "sky-storm",
            Cause::LongBaseline => "long-baseline",
            Cause::RoverObstruction => "rover-obstruction",
            Cause::RoverTracking => "rover-tracking",
            Cause::RoverInterference => "rover-interference",
            Cause::RoverRestart => "rover-restart",
            Cause::RoverFirmware => "rover-firmware",
        }
    }

    pub(super) fn from_id(id: &str) -> Option<Cause> {
        Cause::ALL.into_iter().find(|c| c.id() == id)
    }

    /// Ids as one line, for error texts.
    pub(super) fn accepted() -> String {
        Cause::ALL.map(Cause::id).join(", ")
    }

    /// Acts on one rover only.
    pub(super) fn one_rover(self) -> bool {
        matches!(
            self,
            Cause::LinkRover
                | Cause::RoverObstruction
                | Cause::RoverTracking
                | Cause::RoverInterference
                | Cause::RoverRestart
                | Cause::RoverFirmware
        )
    }

    /// Work in the field can take it away: not the sky, not the distance.
    pub(super) fn mendable(self) -> bool {
        !self.sky() && self != Cause::LongBaseline
    }

    /// Comes from the sky: needs the right place and hour.
    pub(super) fn sky(self) -> bool {
        matches!(self, Cause::SkyScintillation | Cause::SkyStorm)
    }
}
