//! What a check with a reference target says beside the nine errors: colours, and what a change costs.

mod colour;
mod effect;
mod written;
