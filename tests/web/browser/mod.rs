//! The users' main paths, driven in a real browser.

mod driver;
mod look;
mod runs;
