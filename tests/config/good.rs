//! Files without fault.

use lampward::pure::config::{read, weekdays_words};

#[test]
fn the_file_of_the_design_is_read_in_full() {
    let checked = read("design.toml", include_bytes!("design.toml")).unwrap_or_else(|faults| panic!("{faults}"));
    assert_eq!(checked.warnings, []);
    let mut said = Vec::new();
    for channel in &checked.config.channels {
        for rule in &channel.lit {
            let days = weekdays_words(&rule.days);
            said.push(format!("{}: {} until {}, {days}", channel.name, rule.from, rule.until));
        }
    }
    assert_eq!(
        said,
        [
            "jetty: sunset until sunrise, every day",
            "parlour: 20 min before sunset, not before 16:00 until bedtime, every day",
            "parlour: rising until 15 min before sunrise, Mon-Fri",
            "festoon: dusk until 23:00, every day",
        ]
    );
}
