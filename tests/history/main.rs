//! Logs of checks: written, read, damaged, charted, shown.

mod commands;
mod log;
mod pages;
mod review;
mod sample;
