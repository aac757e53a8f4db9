//! Room that leaves no hole behind.
//!
//! What a burst takes for a moment lies between what stays, and once it is freed its place is still the process's. Pieces of 128 kB
//! and more glibc takes from the system apart from all else, and gives them back (mallopt(3), `M_MMAP_THRESHOLD`; the
//! unit's settings keep that size from growing). Of such a piece only the pages that are used are there.

/// So many of these take a piece of their own.
pub const fn apart<T>() -> usize {
    (128 << 10) / size_of::<T>() + 1
}
