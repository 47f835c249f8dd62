//! Pictures for people: height maps and pieces over colour.
