//! One filter for many topics.
//!
//! A broker looks each message up among all filters, and with twenty thousand of them that takes mosquitto some 60 ms more in a
//! burst of ten thousand lamps. Plugs of one kind have topics that differ in one level, and one filter with `+` there hears them
//! all. It also hears whoever else speaks beneath, so a house with fewer plugs is not folded, and never the first level: what
//! stands there tells a household's devices from others'.

use std::hash::{DefaultHasher, Hash, Hasher};

use smol_str::SmolStr;

use super::filter::matches;

/// A filter stands for so many topics at least.
const FROM: usize = 256;

/// Levels further back are left as they are.
const LEVELS: usize = 8;

/// Filters that hear each of these topics, which are all different: many that differ in one level by one filter, others as they
/// are. In order, each once.
pub fn folded(topics: &[SmolStr]) -> Vec<SmolStr> {
    let mut alike = alike(topics);
    alike.sort_unstable();
    let mut groups: Vec<&[Place]> =
        alike.chunk_by(|one, other| one.hash == other.hash).filter(|group| group.len() >= FROM).collect();
    groups.sort_by_key(|group| (std::cmp::Reverse(group.len()), group[0].topic, group[0].level));
    let mut heard = vec![false; topics.len()];
    let mut filters = Vec::new();
    for group in groups {
        let filter = with_wildcard(&topics[group[0].topic as usize], group[0].level);
        // Two that are not alike may have the same hash.
        let theirs = group.iter().map(|place| place.topic as usize);
        let theirs = theirs.filter(|&topic| !heard[topic] && matches(&topics[topic], &filter));
        let theirs: Vec<usize> = theirs.collect();
        if theirs.len() >= FROM {
            theirs.into_iter().for_each(|topic| heard[topic] = true);
            filters.push(filter);
        }
    }
    filters.extend(topics.iter().zip(heard).filter(|(_, heard)| !heard).map(|(topic, _)| topic.clone()));
    filters.sort_unstable();
    filters
}

/// A level of a topic, with the hash of all else in it.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
struct Place {
    hash: u64,
    topic: u32,
    level: u32,
}

fn alike(topics: &[SmolStr]) -> Vec<Place> {
    if topics.len() < FROM {
        return Vec::new();
    }
    let mut all = Vec::with_capacity(2 * topics.len());
    let places = topics.iter().zip(0..).flat_map(|(text, topic)| {
        let levels = text.split('/').count().min(LEVELS) as u32;
        (1..levels).map(move |level| {
            let mut hasher = DefaultHasher::new();
            level.hash(&mut hasher);
            around(text, level).hash(&mut hasher);
            Place { hash: hasher.finish(), topic, level }
        })
    });
    all.extend(places);
    all
}

/// What stands before and after a level that is not the first, without the slashes next to it.
fn around(topic: &str, level: u32) -> (&str, Option<&str>) {
    let begin = topic.match_indices('/').nth(level as usize - 1).map_or(topic.len(), |(at, _)| at);
    let rest = topic.get(begin + 1..).unwrap_or_default();
    (&topic[..begin], rest.split_once('/').map(|(_, after)| after))
}

fn with_wildcard(topic: &str, level: u32) -> SmolStr {
    match around(topic, level) {
        (before, Some(after)) => smol_str::format_smolstr!("{before}/+/{after}"),
        (before, None) => smol_str::format_smolstr!("{before}/+"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn some(count: usize, topic: impl Fn(usize) -> String) -> Vec<SmolStr> {
        (0..count).map(|n| topic(n).into()).collect()
    }

    #[track_caller]
    fn check(topics: &[Vec<SmolStr>], expected: &[&str]) {
        let topics = topics.concat();
        let filters = folded(&topics);
        assert_eq!(filters, expected);
        let unheard: Vec<_> =
            topics.iter().filter(|topic| !filters.iter().any(|filter| matches(topic, filter))).collect();
        assert_eq!(unheard, Vec::<&SmolStr>::new());
    }

    #[test]
    fn reports_and_words_of_life_of_many_plugs_take_one_filter_each() {
        let report = some(FROM, |n| format!("yard/{n}/report"));
        let alive = some(FROM, |n| format!("yard/{n}/alive"));
        check(
            &[report, alive, some(1, |_| "pier/1/report".into())],
            &["pier/1/report", "yard/+/alive", "yard/+/report"],
        );
    }

    #[test]
    fn the_level_may_be_the_last_or_empty_and_the_text_of_any_script() {
        check(&[some(FROM, |n| format!("øst/lampe/{n}"))], &["øst/lampe/+"]);
        check(&[some(FROM, |n| format!("/{n}/å"))], &["/+/å"]);
        let mut with_empty = some(FROM - 1, |n| format!("a/{n}/b"));
        with_empty.push("a//b".into());
        check(&[with_empty], &["a/+/b"]);
    }

    #[test]
    fn a_few_are_left_as_they_are_and_so_is_the_first_level() {
        let few = some(FROM - 1, |n| format!("yard/{n:03}/report"));
        let all: Vec<_> = few.iter().map(SmolStr::as_str).collect();
        check(std::slice::from_ref(&few), &all);
        let first = some(300, |n| format!("plug{n:03}/report"));
        let all: Vec<_> = first.iter().map(SmolStr::as_str).collect();
        check(std::slice::from_ref(&first), &all);
        check(&[vec![]], &[]);
    }

    #[test]
    fn two_levels_that_differ_take_a_filter_for_each_of_one() {
        let plugs = some(4 * FROM, |n| format!("quay/{}/{}/report", n % 4, n / 4));
        check(&[plugs], &["quay/0/+/report", "quay/1/+/report", "quay/2/+/report", "quay/3/+/report"]);
        // Twenty houses of twenty plugs: no level has enough that differ in it alone.
        let plugs = some(400, |n| format!("quay/{:02}/{:02}/report", n / 20, n % 20));
        let all: Vec<_> = plugs.iter().map(SmolStr::as_str).collect();
        check(std::slice::from_ref(&plugs), &all);
    }

    #[test]
    fn a_topic_that_two_could_stand_for_counts_for_the_larger() {
        // `a/b/0` differs from either kind in one level.
        let last = some(FROM + 1, |n| format!("a/b/{n}"));
        let middle = some(FROM - 1, |n| format!("a/{n:03}/0"));
        let all: Vec<_> = middle.iter().map(SmolStr::as_str).chain(["a/b/+"]).collect();
        check(&[last, middle.clone()], &all);
    }

    #[test]
    fn a_level_far_back_is_left_alone() {
        let deep = some(FROM, |n| format!("{}{n:03}", "x/".repeat(LEVELS)));
        let all: Vec<_> = deep.iter().map(SmolStr::as_str).collect();
        check(std::slice::from_ref(&deep), &all);
    }
}
