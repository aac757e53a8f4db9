//! Plans as a person would see them. Each numbered sentence of docs/rules.md has tests that name its number. Expected
//! instants of the Sun are those of `reference.py`.

mod absence;
mod ahead;
mod dates;
mod house;
mod one_of_each;
mod oracle;
mod overrides;
mod properties;
mod random;
mod reach;
mod sentences;
