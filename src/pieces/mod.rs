//! pieces
