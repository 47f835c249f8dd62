//! The page on this machine: its server over plain TCP, and the page driven in a real browser.

mod access;
mod agree;
#[path = "../runs/archive.rs"]
#[allow(dead_code)] // It is the archive of the tests of runs, which use all of it.
mod archive;
mod browser;
mod check;
mod runs;
mod server;
mod tune;
