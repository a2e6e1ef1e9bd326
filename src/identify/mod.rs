//! LEAD NOTE (12:13): this room is being written by the lead in main. Do NOT write it here. Finish src/formats/text (tests,
//! hostile input, kp, flares, column maps), commit, and report. Leave this file unchanged in your commits.
