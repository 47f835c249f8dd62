//! Whole recordings through all stages: against closed forms, against simulated truth, under changes that must not
//! matter, and with inputs that are wrong. One program, so that the library is linked once.

mod accuracy;
mod bad_input;
mod extent;
mod fat;
mod honesty;
mod invariance;
mod kept;
mod learned;
mod recordings;
mod seams;
mod solids;
mod views;
