//! Ten different faults in one file, all shown at once.

use lampward::pure::config::read;

#[test]
fn ten_different_faults_of_one_file_are_all_shown_with_line_and_column() {
    let faults = read("house.toml", include_bytes!("ten.toml")).expect_err("ten faults");
    assert_eq!(format!("{faults}\n"), include_str!("ten.txt"));
    assert_eq!(faults.0.len(), 10);
}
