//! Runs over archives, made by the program as its users make them.

mod archive;
mod bad_input;
mod comparisons;
mod early;
mod interrupted;
mod reproducible;
mod shards;
mod summaries;
