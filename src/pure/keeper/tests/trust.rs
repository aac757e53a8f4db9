//! The wall clock is not trusted, becomes trusted, or is set.
