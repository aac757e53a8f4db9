//! ΔT: how far the turning Earth lags behind even time.

/// TT − UT1 in seconds at 1 January of a year. Skyfield 1.55's values, measured until 2026 and predicted after.
const TABLE: [(f64, f64); 9] = [
    (1970.0, 39.93),
    (2000.0, 63.83),
    (2010.0, 66.07),
    (2024.0, 69.18),
    (2026.0, 69.11),
    (2030.0, 69.08),
    (2035.0, 69.26),
    (2050.0, 71.44),
    (2099.0, 95.18),
];

/// ΔT in seconds, for days since 2000-01-01 12:00: linear between the values of the table, held beyond its ends.
///
/// Held rather than carried on by one of the usual long-range polynomials: those are 22 s off by 2050 already. An error
/// of 30 s moves a sunset at 60° by less than 0.4 s.
pub(super) fn delta_t_s(since_j2000: f64) -> f64 {
    let year = 2000.0 + since_j2000 / 365.25;
    let after = TABLE.partition_point(|&(at, _)| at <= year);
    match (after.checked_sub(1).map(|before| TABLE[before]), TABLE.get(after)) {
        (Some((from, low)), Some(&(to, high))) => low + (high - low) * (year - from) / (to - from),
        (Some((_, held)), None) | (None, Some(&(_, held))) => held,
        (None, None) => unreachable!("the table is not empty"),
    }
}
