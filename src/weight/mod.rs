//! Weight: density models, depth rules, mass.
