//! What a link costs while the broker stays away. Alone in its file, so that the process measured does nothing else.

#[path = "common/links.rs"]
mod links;

use lampward::link::{Link, LinkEvent};
use lampward::pure::keeper::Ticket;
use links::{patiently, settings, until_down};
use tokio::net::TcpListener;

/// Clock ticks of processor time and pages of memory of this process (proc(5)).
fn cost() -> (u64, u64) {
    let stat = std::fs::read_to_string("/proc/self/stat").unwrap();
    let fields: Vec<&str> = stat.rsplit_once(") ").unwrap().1.split(' ').collect();
    let number = |field: usize| fields[field - 3].parse::<u64>().unwrap();
    (number(14) + number(15), number(24))
}

#[tokio::test]
async fn a_broker_that_stays_away_costs_next_to_nothing() {
    // Hangs up on everyone, so that the tries can be counted.
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let topics = (0..1_000).map(|n| format!("yard/{n}/report").into()).collect();
    let mut link = Link::start(settings(listener.local_addr().unwrap(), "lampward"), topics);
    drop(patiently("a try", listener.accept()).await.unwrap());
    until_down(&mut link).await;
    let (ticks_before, pages_before) = cost();
    for _ in 0..5 {
        for n in 0..100_000 {
            link.publish(Some(Ticket(n)), "yard/3/order", "on", false);
        }
        patiently("another try", async {
            tokio::select! {
                event = link.next() => assert!(matches!(event, LinkEvent::Down { .. }), "{event:?}"),
                stream = listener.accept() => drop(stream.unwrap()),
            }
        })
        .await;
    }
    let (ticks, pages) = cost();
    // A hundred ticks are a second of work, for half a million orders thrown away and five tries; a page is 4 kB.
    assert!(ticks - ticks_before < 100, "{} ticks of processor time", ticks - ticks_before);
    assert!(pages.saturating_sub(pages_before) < 1_000, "{pages_before} pages, then {pages}");
}
