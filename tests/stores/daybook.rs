//! The daybook while its file is whole, and the card slow, full or not there.

use std::fs;

use chrono::TimeDelta;
use lampward::daybook::{Daybook, Filter};
use lampward::pure::entry::{Entry, EntryKind};
use rusqlite::Connection;

use crate::{all, entry, folder, log, now, said, until, utc};

#[test]
fn the_daybook_gives_back_what_it_was_given() {
    let folder = folder();
    let daybook = Daybook::open(folder.path(), 2, now());
    assert_eq!(daybook.last_entry_at(), None);
    let plain = Entry { plug: None, wanted: None, due: None, late: None, ..entry(now(), "\"ö\" 'x'; --\n") };
    let mut given = vec![plain];
    for (minute, kind) in (1..).zip(EntryKind::ALL) {
        given.push(Entry { kind, ..entry(now() + TimeDelta::minutes(minute), "sunset") });
    }
    for entry in &given {
        daybook.record(std::slice::from_ref(entry), true);
    }
    let reader = daybook.reader();
    daybook.close();
    let daybook = Daybook::open(folder.path(), 2, now());
    assert_eq!(all(&daybook), given);
    assert_eq!(daybook.last_entry_at(), Some(now() + TimeDelta::minutes(8)));
    let within = reader.past(given[2].at, given[4].at, &Filter::default()).expect("read");
    assert_eq!(within, given[2..4], "the first instant counts, the last does not");
}

#[test]
fn an_entry_made_while_the_clock_was_not_trusted_is_no_sign_of_life() {
    let folder = folder();
    let daybook = Daybook::open(folder.path(), 2, now());
    daybook.record(&[entry(now(), "sunset")], true);
    daybook.record(&[entry(now() + TimeDelta::days(900), "by a clock gone wrong")], false);
    daybook.close();
    let daybook = Daybook::open(folder.path(), 2, now());
    assert_eq!(daybook.last_entry_at(), Some(now()));
    assert_eq!(all(&daybook).len(), 2);
}

#[test]
fn what_waits_for_the_daybook_is_done_when_all_handed_over_before_is_written() {
    let folder = folder();
    let daybook = Daybook::open(folder.path(), 2, now());
    let (tell, told) = std::sync::mpsc::channel();
    for nth in 0..20 {
        let written = entry(now() + TimeDelta::minutes(nth), "sunset");
        daybook.record(std::slice::from_ref(&written), true);
        let (reader, tell) = (daybook.reader(), tell.clone());
        daybook.then(move || {
            let found = reader.past(written.at, written.at + TimeDelta::seconds(1), &Filter::default());
            tell.send(found == Ok(vec![written])).expect("somebody listens");
        });
    }
    daybook.close();
    drop(tell);
    assert_eq!(told.iter().collect::<Vec<_>>(), [true; 20]);
}

#[test]
fn a_switching_is_found_by_its_own_time_whatever_clock_it_was_recorded_by() {
    let folder = folder();
    let daybook = Daybook::open(folder.path(), 2, now());
    let due = Some(now() - TimeDelta::minutes(2));
    let old = entry(now() - TimeDelta::hours(1), "long before");
    let put_back = Entry { due, ..entry(now() - TimeDelta::days(4), "clock not trusted") };
    daybook.record(&[old], true);
    daybook.record(std::slice::from_ref(&put_back), false);
    let (reader, ahead) = (daybook.reader(), entry(now() + TimeDelta::days(1), "by a clock that was ahead"));
    daybook.record(std::slice::from_ref(&ahead), true);
    daybook.close();
    assert_eq!(reader.since(now() - TimeDelta::minutes(5)).expect("read"), [put_back, ahead]);
}

#[test]
fn what_is_older_than_the_years_of_the_file_is_forgotten() {
    let folder = folder();
    let daybook = Daybook::open(folder.path(), 2, now());
    for (at, because) in
        [("2024-11-24T15:03:10Z", "too old"), ("2024-11-24T15:03:11Z", "two years"), ("2026-11-24T15:00:00Z", "today")]
    {
        daybook.record(&[entry(utc(at), because)], true);
    }
    daybook.prune(now());
    until("the old one is gone", || {
        all(&daybook).iter().map(|entry| entry.because.clone()).collect::<Vec<_>>() == ["two years", "today"]
    });
    daybook.prune(now() + TimeDelta::hours(23));
    daybook.record(&[entry(now(), "later")], true);
    until("the later one is there", || all(&daybook).len() == 3);
}

#[test]
fn a_card_that_takes_nothing_never_makes_the_caller_wait_and_is_said_once() {
    let _ = log();
    let folder = folder();
    let daybook = Daybook::open(folder.path(), 2, now());
    daybook.record(&[entry(now(), "before")], true);
    until("the first is written", || all(&daybook).len() == 1);
    // As good as a card that hangs: nobody else can write.
    let other = Connection::open(folder.path().join("daybook.sqlite")).expect("opened");
    other.execute_batch("BEGIN IMMEDIATE").expect("held");
    // More than wait in the queue and are held back together.
    for minute in 0..70_000 {
        daybook.record(&[entry(now() + TimeDelta::minutes(minute), "meanwhile")], true);
    }
    until("the trouble is known", || daybook.trouble().is_some());
    until("it is said", || said(folder.path(), "the daybook loses entries; switching goes on") == 1);
    other.execute_batch("ROLLBACK").expect("let go");
    until("it recovers", || {
        daybook.record(&[entry(now(), "nudge")], true);
        daybook.trouble().is_none()
    });
    assert_eq!(said(folder.path(), "the daybook is written again"), 1);
    assert!(said(folder.path(), "WARN") <= 2, "once for what is held back, once for what is lost");
    let kept = all(&daybook).iter().filter(|entry| entry.because == "meanwhile").count();
    assert!(kept > 0, "what was held back is written");
}

#[test]
fn ten_thousand_plugs_that_answer_at_one_instant_are_all_on_record() {
    let _ = log();
    let folder = folder();
    let daybook = Daybook::open(folder.path(), 2, now());
    for plug in 0..10_000 {
        daybook.record(&[entry(now(), &format!("plug {plug}"))], true);
    }
    until("all of them are written", || all(&daybook).len() == 10_000);
    assert_eq!((daybook.reader().tally().lost, daybook.trouble()), (0, None));
}

#[test]
fn a_daybook_that_cannot_be_opened_is_tried_again() {
    let _ = log();
    let around = folder();
    let folder = around.path().join("state");
    fs::write(&folder, "").expect("something in the way");
    let daybook = Daybook::open(&folder, 2, now());
    assert_eq!(
        daybook.trouble().as_deref(),
        Some("the daybook cannot be written, switching goes on: unable to open database file: daybook.sqlite"),
        "without a path: people on the network read it"
    );
    daybook.record(&[entry(now(), "held back")], true);
    fs::remove_file(&folder).expect("out of the way");
    daybook.record(&[entry(now(), "the next")], true);
    until("it recovers", || daybook.trouble().is_none() && all(&daybook).len() == 2);
    assert_eq!(said(&folder, "the daybook cannot be written; switching goes on, and entries are held back"), 1);
    assert_eq!(said(&folder, "the daybook is written again"), 1);
}
