//! What a check with a reference target says beside the nine errors: colours, what a change costs, and the triangulation of stripe
//! scanners.

mod colour;
mod commands;
mod effect;
mod stripe_scans;
mod stripes;
mod written;
