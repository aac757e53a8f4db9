//! MQTT topics as a file may write them.

use std::ops::Range;

use super::fault::{PhraseFault, nearest, quoted};

/// The only name in braces.
const PLUG: &str = "{plug}";
/// MQTT 3.1.1, 1.5.3: a string has at most this many bytes.
pub(super) const LONGEST: usize = 65_535;

/// What a topic is for.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(super) enum Use {
    /// Lampward publishes on it.
    Publish,
    /// Lampward listens to it.
    Listen,
}

/// Checks a topic with `{plug}` in it, or the name of a plug that goes in there.
///
/// MQTT 3.1.1: not empty, no wildcard, no NUL (4.7.3), no control character (1.5.3, "should not"), at most 65,535 bytes,
/// and no publishing below `$`, which is the broker's (4.7.2).
pub(super) fn check(text: &str, noun: &str, usage: Use) -> Result<(), PhraseFault> {
    let whole = 0..text.len();
    if text.is_empty() {
        return Err(PhraseFault::new(whole, format!("{noun} is empty")).expected("at least one character"));
    }
    if text.len() > LONGEST {
        let message = format!("{noun} is {} bytes long", text.len());
        return Err(PhraseFault::new(whole, message).expected("at most 65535 bytes (MQTT)"));
    }
    for (at, c) in text.char_indices() {
        let fault = |message: String| PhraseFault::new(at..at + c.len_utf8(), message);
        match c {
            '+' | '#' => {
                let message = format!("{} is a wildcard and can't stand in {noun}", quoted(&c.to_string()));
                return Err(fault(message).expected("every plug by its own topic"));
            }
            '\0' => return Err(fault(format!("a NUL character in {noun}"))),
            c if c.is_control() => return Err(fault(format!("a control character in {noun}"))),
            _ => {}
        }
    }
    if text.trim() != text {
        return Err(PhraseFault::new(whole, format!("{noun} begins or ends with a blank")).expected(text.trim()));
    }
    let share = usage == Use::Listen && text.starts_with("$share/");
    if share || (usage == Use::Publish && text.starts_with('$')) {
        let message = format!("{noun} begins with `$`: such topics are the broker's own");
        return Err(PhraseFault::new(0..1, message));
    }
    Ok(())
}

/// Checks that braces hold nothing but `plug`.
pub(super) fn check_braces(text: &str) -> Result<(), PhraseFault> {
    let mut from = 0;
    while let Some(at) = text[from..].find(['{', '}']).map(|at| from + at) {
        if !text[at..].starts_with(PLUG) {
            let end = text[at..].find('}').map_or(text.len(), |end| at + end + 1);
            let name: Range<usize> = at..end;
            let fault = PhraseFault::new(name.clone(), format!("{} stands for nothing", quoted(&text[name.clone()])));
            return Err(fault.expected("{plug}, the plug's name").nearest(nearest(&text[name], [PLUG])));
        }
        from = at + PLUG.len();
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use crate::pure::config::Topic;

    proptest! {
        /// Few letters, so that text before and after a name looks like the name.
        #[test]
        fn a_topic_is_a_plug_s_where_its_name_in_place_of_the_braces_makes_it(
            template in "(a|/|\\{plug\\}){1,4}",
            plug in "[a/]{1,3}",
            other in "[a/]{0,9}",
        ) {
            let topic = Topic(template);
            let its = topic.of(&plug);
            prop_assert!(topic.is(&its, &plug));
            prop_assert_eq!(topic.is(&other, &plug), other == its);
            let (longer, shorter) = (format!("{its}a"), &its[1..]);
            prop_assert!(!topic.is(&longer, &plug) && !topic.is(shorter, &plug));
        }
    }
}
