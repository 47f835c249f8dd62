//! The page on this machine: its server over plain TCP, and the page driven in a real browser.

mod access;
mod agree;
mod browser;
mod check;
mod server;
mod tune;
