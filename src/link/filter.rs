//! Topic filters with wildcards (MQTT 3.1.1, 4.7).

/// Whether a broker takes it: `+` and `#` stand for whole levels, `#` for the last ones.
pub fn is_valid(filter: &str) -> bool {
    let mut levels = filter.split('/').rev();
    let last = levels.next().unwrap_or_default();
    let plain = |level: &str| level == "+" || !level.contains(['+', '#']);
    !filter.is_empty()
        && !filter.contains('\0')
        && filter.len() <= usize::from(u16::MAX)
        && (last == "#" || plain(last))
        && levels.all(plain)
}

/// Whether a topic matches a valid filter. (The client library's own test ends in a panic where a topic begins with a
/// letter beyond ASCII.)
pub fn matches(topic: &str, filter: &str) -> bool {
    if topic.starts_with('$') && filter.starts_with(['+', '#']) {
        return false;
    }
    let mut levels = topic.split('/');
    for part in filter.split('/') {
        match (part, levels.next()) {
            ("#", _) => return true,
            ("+", Some(_)) => {}
            (part, Some(level)) if part == level => {}
            _ => return false,
        }
    }
    levels.next().is_none()
}

/// Whether a topic is one that a broker takes: anything else would end the connection. (MQTT 3.1.1, 4.7.3 and 1.5.3.)
pub fn sound(topic: &str) -> bool {
    !topic.is_empty() && !topic.contains(['+', '#', '\0']) && topic.len() <= usize::from(u16::MAX)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn filters_match_as_the_standard_says() {
        // MQTT 3.1.1, 4.7.1 and 4.7.2.
        let cases = [
            ("sport/tennis/player1/#", "sport/tennis/player1", true),
            ("sport/tennis/player1/#", "sport/tennis/player1/ranking", true),
            ("sport/tennis/player1/#", "sport/tennis/player1/score/wimbledon", true),
            ("sport/#", "sport", true),
            ("#", "sport", true),
            ("sport/tennis/+", "sport/tennis/player1", true),
            ("sport/tennis/+", "sport/tennis/player1/ranking", false),
            ("sport/+", "sport", false),
            ("sport/+", "sport/", true),
            ("+/+", "/finance", true),
            ("/+", "/finance", true),
            ("+", "/finance", false),
            ("#", "$SYS/uptime", false),
            ("+/monitor/Clients", "$SYS/monitor/Clients", false),
            ("$SYS/#", "$SYS/uptime", true),
            ("+/3", "øst/3", true),
            ("ACCOUNTS", "Accounts", false),
        ];
        for (filter, topic, expected) in cases {
            assert!(is_valid(filter), "{filter}");
            assert_eq!(matches(topic, filter), expected, "{topic} against {filter}");
        }
    }

    #[test]
    fn a_wildcard_stands_for_a_whole_level() {
        for filter in ["sport/tennis#", "sport/tennis/#/ranking", "sport+", "", "a\0"] {
            assert!(!is_valid(filter), "{filter:?}");
        }
        for filter in ["#", "+", "+/tennis/#", "/", "sport/+/player1"] {
            assert!(is_valid(filter), "{filter:?}");
        }
    }
}
