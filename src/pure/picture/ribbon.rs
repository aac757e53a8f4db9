//! Parts of columns → the outline of what they make together: one path, so that no seams show between the days.

use std::fmt::Write as _;

use super::grid::{COLUMN_S, Cell};

/// Width of a column, in tenths of a unit.
pub(super) const COLUMN_TENTHS: i64 = 20;
/// Height of a column, from noon to noon, in tenths of a unit.
pub(super) const HEIGHT_TENTHS: i64 = 1_920;
/// What is shorter is drawn this high, so that it can be seen.
const LEAST_TENTHS: i64 = 8;

/// Cells of neighbouring columns that overlap, one a column.
struct Ribbon {
    first_column: i64,
    /// Top and bottom of each column.
    edges: Vec<(i64, i64)>,
}

/// How far below noon, in tenths of a unit.
pub(super) fn tenths(seconds: i64) -> i64 {
    (seconds * HEIGHT_TENTHS + COLUMN_S / 2).div_euclid(COLUMN_S)
}

/// The path data of cells in order. Empty where there are none.
pub(super) fn outline(cells: &[Cell]) -> String {
    let mut path = String::new();
    let mut open: Vec<Ribbon> = Vec::new();
    for of_column in cells.chunk_by(|a, b| a.column == b.column) {
        let column = of_column[0].column;
        let goes_on = |ribbon: &Ribbon| ribbon.first_column + ribbon.edges.len() as i64 == column;
        for ended in open.extract_if(.., |ribbon| !goes_on(ribbon)) {
            ended.write(&mut path);
        }
        for cell in of_column {
            let edges = drawn(cell);
            let joins = |ribbon: &&mut Ribbon| {
                let (top, bottom) = *ribbon.edges.last().expect("a ribbon begins with a cell");
                goes_on(ribbon) && edges.0 < bottom && top < edges.1
            };
            match open.iter_mut().find(joins) {
                Some(ribbon) => ribbon.edges.push(edges),
                None => open.push(Ribbon { first_column: column, edges: vec![edges] }),
            }
        }
    }
    for ribbon in open {
        ribbon.write(&mut path);
    }
    path
}

fn drawn(cell: &Cell) -> (i64, i64) {
    let (top, bottom) = (tenths(cell.top_s), tenths(cell.bottom_s));
    let wanting = LEAST_TENTHS - (bottom - top);
    if wanting <= 0 {
        return (top, bottom);
    }
    let top = (top - wanting / 2).clamp(0, HEIGHT_TENTHS - LEAST_TENTHS);
    (top, top + LEAST_TENTHS)
}

impl Ribbon {
    /// Along the tops to the right, back along the bottoms.
    fn write(self, path: &mut String) {
        let Some(((first_top, _), (_, last_bottom))) = self.edges.first().zip(self.edges.last()) else { return };
        let _ = write!(path, "M{} {}", number(self.first_column * COLUMN_TENTHS), number(*first_top));
        steps(path, self.edges.iter().map(|(top, _)| *top), COLUMN_TENTHS);
        let _ = write!(path, "V{}", number(*last_bottom));
        steps(path, self.edges.iter().rev().map(|(_, bottom)| *bottom), -COLUMN_TENTHS);
        path.push('z');
    }
}

/// One column after the other; level runs in one stroke.
fn steps(path: &mut String, levels: impl Iterator<Item = i64>, column: i64) {
    let (mut level, mut run) = (None, 0);
    for next in levels {
        if let Some(level) = level
            && level != next
        {
            let _ = write!(path, "h{}v{}", number(run), number(next - level));
            run = 0;
        }
        level = Some(next);
        run += column;
    }
    let _ = write!(path, "h{}", number(run));
}

/// Tenths as a number in as few characters as SVG allows: `12`, `-.5`.
pub(super) fn number(tenths: i64) -> String {
    let (sign, whole, part) = (if tenths < 0 { "-" } else { "" }, tenths.abs() / 10, tenths.abs() % 10);
    match (whole, part) {
        (whole, 0) => format!("{sign}{whole}"),
        (0, part) => format!("{sign}.{part}"),
        (whole, part) => format!("{sign}{whole}.{part}"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const HOUR: i64 = 3_600;

    #[track_caller]
    fn check(cells: &[(i64, i64, i64)], path: &str) {
        let cell =
            |&(column, top, bottom): &(i64, i64, i64)| Cell { column, top_s: top * HOUR, bottom_s: bottom * HOUR };
        let cells: Vec<_> = cells.iter().map(cell).collect();
        assert_eq!(outline(&cells), path);
    }

    #[test]
    fn neighbours_that_overlap_share_one_outline() {
        check(&[(0, 4, 10), (1, 4, 10)], "M0 32h4V80h-4z");
        check(&[(0, 4, 10), (1, 5, 9)], "M0 32h2v8h2V72h-2v8h-2z");
    }

    #[test]
    fn those_apart_have_outlines_of_their_own() {
        check(&[(0, 4, 10), (2, 4, 10)], "M0 32h2V80h-2zM4 32h2V80h-2z");
        check(&[(0, 4, 6), (1, 8, 10)], "M0 32h2V48h-2zM2 64h2V80h-2z");
        check(&[(3, 1, 2), (3, 8, 10)], "M6 8h2V16h-2zM6 64h2V80h-2z");
        check(&[], "");
    }

    #[test]
    fn a_minute_can_be_seen() {
        assert_eq!(outline(&[Cell { column: 0, top_s: 0, bottom_s: 60 }]), "M0 0h2V.8h-2z");
        assert_eq!(outline(&[Cell { column: 0, top_s: 86_340, bottom_s: 86_400 }]), "M0 191.2h2V192h-2z");
    }
}
