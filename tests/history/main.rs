//! Logs of checks: written, read, damaged, charted, shown.

mod log;
mod review;
mod sample;
