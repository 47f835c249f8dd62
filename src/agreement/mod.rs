//! Agreement of estimated weights with a checkweigher: which weighing belongs to which piece, how well they agree, why they differ, and the
//! product profile that follows.

pub mod causes;
mod pair;
pub mod statistics;
pub mod tune;
mod weighing;

pub use pair::PairedPiece;
pub use weighing::Weighing;
