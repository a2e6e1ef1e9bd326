//! Real files against reference values that another open decoder computed (`reference/rtcm/**.json` of the shared data; the
//! JSON names library and version). Skipped with a printed line where the data is absent.
