//! Text in columns, for people.

use unicode_width::UnicodeWidthStr;

/// Rows in columns as wide as their widest cell, two blanks between; the last column is as long as it is.
pub fn columns(rows: &[Vec<String>]) -> String {
    let count = rows.iter().map(Vec::len).max().unwrap_or(0);
    let widths: Vec<usize> = (0..count)
        .map(|column| rows.iter().filter_map(|row| row.get(column)).map(|cell| cell.width()).max().unwrap_or(0))
        .collect();
    let mut text = String::new();
    for row in rows {
        let mut line = String::new();
        for (cell, width) in row.iter().zip(&widths) {
            line += cell;
            line += &" ".repeat(width - cell.width() + 2);
        }
        text += line.trim_end();
        text.push('\n');
    }
    text
}

/// Rows as comma-separated values (RFC 4180), the first being the heading.
pub fn csv(rows: &[Vec<String>]) -> String {
    let mut writer = csv::Writer::from_writer(Vec::new());
    for row in rows {
        writer.write_record(row).expect("memory takes every row");
    }
    let bytes = writer.into_inner().expect("memory takes every row");
    String::from_utf8_lossy(&bytes).into_owned()
}
