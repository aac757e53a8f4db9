//! Sums of many sines with their changes, several terms at a time.

use std::f64::consts::TAU;

/// Terms that are worked on together. Compilers turn the loops over them into vector instructions.
const WIDTH: usize = 8;

/// Some terms of a sum; those that fill up the last block have size 0.
pub(super) struct Block {
    /// Turns at 2000-01-01 12:00 TT.
    phase: [f64; WIDTH],
    /// Turns a day.
    rate: [f64; WIDTH],
    /// What the cosine is multiplied by.
    size: [f64; WIDTH],
}

/// How many blocks hold so many terms.
pub(super) const fn blocks_for(terms: usize) -> usize {
    terms.div_ceil(WIDTH)
}

/// Lays out rows of amplitude, phase (rad) and rate (rad in a thousand Julian years).
pub(super) const fn blocks<const TERMS: usize, const BLOCKS: usize>(rows: &[[f64; 3]; TERMS]) -> [Block; BLOCKS] {
    let mut blocks = [const { Block { phase: [0.0; WIDTH], rate: [0.0; WIDTH], size: [0.0; WIDTH] } }; BLOCKS];
    let mut term = 0;
    while term < TERMS {
        let [amplitude, phase, rate] = rows[term];
        let (block, lane) = (term / WIDTH, term % WIDTH);
        blocks[block].phase[lane] = phase / TAU;
        blocks[block].rate[lane] = rate / (TAU * 365_250.0);
        blocks[block].size[lane] = amplitude;
        term += 1;
    }
    blocks
}

/// The sum of the cosines at `days`, as a polynomial about it: coefficients of rising powers of days. Third powers are
/// left out: those of the Moon's pull, the quickest terms, reach 0.002″ after 12 h.
pub(super) fn sum(blocks: &[Block], days: f64) -> [f64; 3] {
    let mut values = [0.0; WIDTH];
    let mut slopes = [0.0; WIDTH];
    let mut curves = [0.0; WIDTH];
    for block in blocks {
        for lane in 0..WIDTH {
            let rate = block.rate[lane];
            let (sin, cos) = sin_cos_turns(block.phase[lane] + rate * days);
            let cosine = block.size[lane] * cos;
            values[lane] += cosine;
            slopes[lane] -= block.size[lane] * rate * sin;
            curves[lane] -= rate * rate * cosine;
        }
    }
    let total = |lanes: [f64; WIDTH]| lanes.iter().sum::<f64>();
    [total(values), TAU * total(slopes), TAU * TAU / 2.0 * total(curves)]
}

/// Sine and cosine of an angle in turns, within 2e-12, and the rounding of the turns.
///
/// The half angle's sine and cosine are polynomials, fitted so that the largest error is least: 4e-14 and 8e-13.
/// Without branches, so that a loop of these becomes vector instructions, and the same on every machine.
#[inline(always)]
pub(super) fn sin_cos_turns(turns: f64) -> (f64, f64) {
    /// Adding 1.5 × 2⁵² leaves no bits for a fraction.
    const WHOLE: f64 = 6_755_399_441_055_744.0;
    let rest = turns - ((turns + WHOLE) - WHOLE);
    let square = rest * rest;
    let half_sin = rest
        * (3.141_592_653_588_615
            + square
                * (-5.167_712_779_873_704
                    + square
                        * (2.550_164_032_252_596_2
                            + square
                                * (-0.599_264_383_840_056_8
                                    + square
                                        * (0.082_144_460_793_677_24
                                            + square
                                                * (-0.007_362_937_306_734_941
                                                    + square * 0.000_446_177_664_000_805_97))))));
    let half_cos = 0.999_999_999_999_251_4
        + square
            * (-4.934_802_200_250_929
                + square
                    * (4.058_712_107_588_537
                        + square
                            * (-1.335_262_316_137_121_3
                                + square
                                    * (0.235_325_443_356_366_93
                                        + square
                                            * (-0.025_776_340_525_230_052 + square * 0.001_840_021_595_766_788_4)))));
    (2.0 * half_sin * half_cos, 1.0 - 2.0 * half_sin * half_sin)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sines_and_cosines_agree_with_the_library_s() {
        for step in -100_000..=100_000 {
            let turns = f64::from(step) * 0.000_137;
            let (sin, cos) = sin_cos_turns(turns);
            let (true_sin, true_cos) = (turns * TAU).sin_cos();
            assert!((sin - true_sin).abs() < 3e-12 && (cos - true_cos).abs() < 3e-12, "{turns}: {sin} {cos}");
        }
    }

    #[test]
    fn a_sum_and_its_changes_are_those_of_its_terms() {
        const ROWS: [[f64; 3]; 5] =
            [[2.0, 0.3, 6283.0], [0.5, 5.0, 84_334.6], [0.1, 1.0, 0.0], [0.25, 2.0, 12_566.2], [0.7, 4.0, 529.7]];
        let polynomial = sum(&blocks::<5, 2>(&ROWS), 9_000.25);
        for ahead in [-0.5, -0.2, 0.0, 0.3, 0.5] {
            let millennia = (9_000.25 + ahead) / 365_250.0;
            let truth: f64 = ROWS.iter().map(|[size, phase, rate]| size * (phase + rate * millennia).cos()).sum();
            let ours = polynomial.iter().rev().fold(0.0, |sum, coefficient| sum * ahead + coefficient);
            assert!((ours - truth).abs() < 2e-4, "{ahead}: {ours} is not {truth}");
        }
    }
}
