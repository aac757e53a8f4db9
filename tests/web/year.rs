//! The picture of the year.

use crate::house::House;

#[tokio::test]
async fn the_year_is_a_picture_that_brings_its_own_style_and_runs_nothing() {
    let house = House::plain().await;
    let reply = house.get("/year.svg").await;
    assert_eq!((reply.status, reply.header("content-type")), (200, "image/svg+xml; charset=utf-8"));
    assert_eq!(
        reply.header("content-security-policy"),
        "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    );
    let picture = roxmltree::Document::parse(&reply.body).expect("well-formed XML");
    let words: Vec<&str> = picture.descendants().filter_map(|node| node.text()).collect();
    assert!(words.contains(&"Skarvholmen, 2026") && words.contains(&"today, 24 Nov"), "{words:?}");
}

#[tokio::test]
async fn the_picture_follows_the_day_the_file_and_the_year_asked_for() {
    let house = House::plain().await;
    let first = house.get("/year.svg").await.body;
    assert_eq!(house.get("/year.svg").await.body, first, "the same while nothing changes");
    house.set_clock("2026-11-25T12:00:00+01:00");
    assert!(house.get("/year.svg").await.body.contains("today, 25 Nov"));
    house.change(|facts| {
        let mut config = (*facts.config).clone();
        config.channels[0].label = "Landing stage".into();
        facts.config = config.into();
    });
    assert!(house.get("/year.svg").await.body.contains(">Landing stage<"));
    let next = house.get("/year.svg?year=2027").await.body;
    assert!(next.contains(">Skarvholmen, 2027<") && !next.contains(">today"));
}

#[tokio::test]
async fn a_year_that_cannot_be_drawn_is_refused_in_words() {
    let house = House::plain().await;
    for (path, detail) in [
        ("/year.svg?year=1899", "year must be a whole number from 1900 to 2199, not `1899`"),
        ("/year.svg?year=x", "year must be a whole number from 1900 to 2199, not `x`"),
        ("/year.svg?yaer=2027", "`yaer` means nothing here; this path takes year"),
        ("/year.svg?year=2027&year=2028", "this path takes year, once"),
    ] {
        let reply = house.get(path).await;
        assert_eq!((reply.status, reply.json()["detail"].as_str()), (422, Some(detail)), "{path}");
    }
}
