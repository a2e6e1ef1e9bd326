//! Time grows with the lost time, not with the square of the events.
