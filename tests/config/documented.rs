//! docs/file.md: each of its examples is read, and no key is left out of it.

use lampward::pure::config::read;

use super::PLACE;

const PAGE: &str = include_str!("../../docs/file.md");

/// The examples of the page.
fn examples() -> Vec<&'static str> {
    PAGE.split("```toml\n").skip(1).map(|rest| rest.split("```").next().unwrap_or_default()).collect()
}

#[test]
fn each_example_of_the_page_is_a_file_without_fault_once_it_has_a_place() {
    assert_eq!(PAGE.matches("```").count(), 2 * examples().len());
    for example in examples() {
        let place = if example.contains("[place]") { "" } else { PLACE };
        if let Err(faults) = read("docs/file.md", format!("{place}{example}").as_bytes()) {
            panic!("{faults}\nin\n{example}");
        }
    }
}

#[test]
fn every_key_has_an_example_on_the_page() {
    let keys = |text: &str| -> Vec<String> {
        let words = text.split(['{', ',', '\n']);
        words.filter_map(|word| word.split_once('=')).map(|(key, _)| key.trim().to_owned()).collect()
    };
    let shown: Vec<String> = examples().into_iter().flat_map(keys).collect();
    // Names that the file of every key chose itself.
    let names = ["late"];
    for key in keys(include_str!("every_key.toml")) {
        assert!(names.contains(&key.as_str()) || shown.contains(&key), "{key} has no example in docs/file.md");
    }
}

#[test]
fn the_fault_on_the_page_is_the_one_that_is_shown() {
    let text = format!(
        "{PLACE}\n\n\n\n\n\n[channel.a]\nlabel = \"A\"\nplug = \"a\"\nlit = [{{ from = \"sunsett\", until = \"23:00\" }}]\n"
    );
    let faults = read("house.toml", text.as_bytes()).expect_err("a fault").to_string();
    let indented = faults.lines().map(|line| format!("    {line}\n")).collect::<String>();
    assert!(PAGE.contains(&indented), "{indented}");
}
