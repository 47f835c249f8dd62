//! Agreement with a checkweigher: groups, causes and tuned profiles on days with known faults.

#[allow(dead_code)]
mod generator;

mod causes;
mod groups;
mod tune;
