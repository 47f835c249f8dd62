//! Pieces and weighings brought together: right matches on days with known truth, logs as machines write them, refusals, the command and its page.

mod accuracy;
mod commands;
mod generator;
mod logs;
mod refusals;
