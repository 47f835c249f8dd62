//! Values of the library beside published ones and those of other libraries; sources and licences stand in the folders beside.

mod agreement;
mod charts;
mod colour;
mod geometry;
mod weight;
