//! The users' main paths, driven in a real browser.

mod agree;
mod check;
mod driver;
mod look;
mod runs;
mod tune;
