//! Nutation: how the Earth's axis nods.

use std::f64::consts::TAU;

use super::series::sin_cos_turns;

/// Terms that are worked on together.
const WIDTH: usize = 8;

/// Multiples of the five arguments of `ARGUMENTS`, then the sine's size in longitude and the cosine's in obliquity,
/// arcsec.
type Term = ([i8; 5], f64, f64);

/// IAU 2000A (Mathews, Herring and Buffett 2002; IERS Conventions 2010, tables 5.3a and 5.3b; read from Skyfield 1.55):
/// all lunisolar terms above 0.002″. What is left out stays below 0.013″ in longitude and 0.006″ in obliquity from 1900
/// to 2199.
#[rustfmt::skip]
const TERMS: [Term; 28] = [
    ([0, 0, 0, 0, 1], -17.2064161, 9.2052331),
    ([0, 0, 2, -2, 2], -1.3170906, 0.5730336),
    ([0, 0, 2, 0, 2], -0.2276413, 0.0978459),
    ([0, 0, 0, 0, 2], 0.2074554, -0.0897492),
    ([0, 1, 0, 0, 0], 0.1475877, 0.0073871),
    ([0, 1, 2, -2, 2], -0.0516821, 0.0224386),
    ([1, 0, 0, 0, 0], 0.0711159, -0.000675),
    ([0, 0, 2, 0, 1], -0.0387298, 0.0200728),
    ([1, 0, 2, 0, 2], -0.0301461, 0.0129025),
    ([0, -1, 2, -2, 2], 0.0215829, -0.0095929),
    ([0, 0, 2, -2, 1], 0.0128227, -0.0068982),
    ([-1, 0, 2, 0, 2], 0.0123457, -0.0053311),
    ([-1, 0, 0, 2, 0], 0.0156994, -0.0001235),
    ([1, 0, 0, 0, 1], 0.006311, -0.0033228),
    ([-1, 0, 0, 0, 1], -0.0057976, 0.0031429),
    ([-1, 0, 2, 2, 2], -0.0059641, 0.0025543),
    ([1, 0, 2, 0, 1], -0.0051613, 0.0026366),
    ([-2, 0, 2, 0, 1], 0.0045893, -0.0024236),
    ([0, 0, 0, 2, 0], 0.0063384, -0.000122),
    ([0, 0, 2, 2, 2], -0.0038571, 0.0016452),
    ([0, -2, 2, -2, 2], 0.0032481, -0.001387),
    ([-2, 0, 0, 2, 0], -0.0047722, 0.0000477),
    ([2, 0, 2, 0, 2], -0.0031046, 0.0013238),
    ([1, 0, 2, -2, 2], 0.0028593, -0.0012338),
    ([-1, 0, 2, 0, 1], 0.0020441, -0.0010758),
    ([2, 0, 0, 0, 0], 0.0029243, -0.0000609),
    ([0, 0, 2, 0, 0], 0.0025887, -0.000055),
    ([0, 0, -2, 2, 0], 0.0021783, -0.0000167),
];

/// The Moon's and the Sun's mean anomaly, the Moon's mean distance from its node, its elongation, and its node's
/// longitude: arcsec at 2000-01-01 12:00 TT and in a Julian century (IERS Conventions 2010, eq. 5.43; the square terms
/// would change the sums by 0.003″ at most).
const ARGUMENTS: [[f64; 2]; 5] = [
    [485_868.249_036, 1_717_915_923.217_8],
    [1_287_104.793_048, 129_596_581.048_1],
    [335_779.526_232, 1_739_527_262.847_8],
    [1_072_260.703_692, 1_602_961_601.209],
    [450_160.398_036, -6_962_890.543_1],
];

const ARCSEC: f64 = TAU / 1_296_000.0;

/// Nutation in longitude and obliquity: rad, and rad a day.
pub(super) struct Nutation {
    pub longitude: [f64; 2],
    pub obliquity: [f64; 2],
    /// Sine of the longitude of the Moon's node.
    pub sin_node: f64,
}

struct Block {
    phase: [f64; WIDTH],
    rate: [f64; WIDTH],
    longitude: [f64; WIDTH],
    obliquity: [f64; WIDTH],
}

static BLOCKS: [Block; TERMS.len().div_ceil(WIDTH)] = blocks();

const fn blocks() -> [Block; TERMS.len().div_ceil(WIDTH)] {
    const NONE: [f64; WIDTH] = [0.0; WIDTH];
    let mut blocks =
        [const { Block { phase: NONE, rate: NONE, longitude: NONE, obliquity: NONE } }; TERMS.len().div_ceil(WIDTH)];
    let mut term = 0;
    while term < TERMS.len() {
        let (multiples, longitude, obliquity) = TERMS[term];
        let (mut phase, mut rate) = (0.0, 0.0);
        let mut argument = 0;
        while argument < ARGUMENTS.len() {
            phase += multiples[argument] as f64 * ARGUMENTS[argument][0];
            rate += multiples[argument] as f64 * ARGUMENTS[argument][1];
            argument += 1;
        }
        let (block, lane) = (term / WIDTH, term % WIDTH);
        blocks[block].phase[lane] = phase / 1_296_000.0;
        blocks[block].rate[lane] = rate / (1_296_000.0 * 36_525.0);
        blocks[block].longitude[lane] = longitude;
        blocks[block].obliquity[lane] = obliquity;
        term += 1;
    }
    blocks
}

/// For days of TT since 2000-01-01 12:00.
pub(super) fn nutation(days: f64) -> Nutation {
    let mut longitude = [[0.0; WIDTH]; 2];
    let mut obliquity = [[0.0; WIDTH]; 2];
    for block in &BLOCKS {
        for lane in 0..WIDTH {
            let rate = block.rate[lane];
            let (sin, cos) = sin_cos_turns(block.phase[lane] + rate * days);
            longitude[0][lane] += block.longitude[lane] * sin;
            longitude[1][lane] += block.longitude[lane] * rate * cos;
            obliquity[0][lane] += block.obliquity[lane] * cos;
            obliquity[1][lane] -= block.obliquity[lane] * rate * sin;
        }
    }
    let total = |lanes: [f64; WIDTH]| lanes.iter().sum::<f64>();
    let centuries = days / 36_525.0;
    let node = (ARGUMENTS[4][0] + ARGUMENTS[4][1] * centuries) / 1_296_000.0;
    let (sin_node, cos_node) = sin_cos_turns(node);
    // The largest term's growth and its other phase, from the same tables.
    let more_longitude = -0.017_466_6 * centuries * sin_node + 0.003_338_6 * cos_node;
    let more_obliquity = 0.000_908_6 * centuries * cos_node + 0.001_537_7 * sin_node;
    Nutation {
        longitude: [ARCSEC * (total(longitude[0]) + more_longitude), ARCSEC * TAU * total(longitude[1])],
        obliquity: [ARCSEC * (total(obliquity[0]) + more_obliquity), ARCSEC * TAU * total(obliquity[1])],
        sin_node,
    }
}
