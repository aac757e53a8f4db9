//! Who gets in: the table of Host names, tokens and sites.

use lampward::pure::config::WebRead;
use lampward::pure::keeper::Order;
use lampward::web::guard::token_of;

use crate::house::{House, TOKEN, plain_web, write_private};

const SET: &str = r#"{"wanted":"on"}"#;
const PATH: &str = "/override";

async fn status_with_head(head: &str) -> u16 {
    let mut web = plain_web();
    web.hosts = vec!["lamps.example".into()];
    let house = House::with(web, Box::new(|_| None)).await;
    house.raw(format!("{head}\r\nConnection: close\r\n\r\n").as_bytes()).await.status
}

#[tokio::test]
async fn it_answers_to_its_own_names_and_to_literal_addresses() {
    for host in [
        "localhost",
        "LOCALHOST:8460",
        "localhost.",
        "127.0.0.1",
        "127.0.0.1:8460",
        "192.0.2.9:8460",
        "[::1]",
        "[::1]:8460",
        "[2001:db8::9]",
        "lamps.example",
        "Lamps.Example.:80",
    ] {
        assert_eq!(status_with_head(&format!("GET /status HTTP/1.1\r\nHost: {host}")).await, 200, "{host}");
    }
}

#[tokio::test]
async fn it_does_not_answer_to_the_name_of_another_site() {
    for host in ["evil.example", "localhost.evil.example", "127.0.0.1.evil.example", "lamps.example.evil.example"] {
        assert_eq!(status_with_head(&format!("GET /status HTTP/1.1\r\nHost: {host}")).await, 421, "{host}");
    }
    assert_eq!(status_with_head("GET http://evil.example/status HTTP/1.1\r\nHost: localhost").await, 421);
    assert_eq!(status_with_head("GET http://localhost/status HTTP/1.1\r\nHost: localhost").await, 200);
}

#[tokio::test]
async fn a_request_that_could_be_read_in_two_ways_is_refused() {
    for head in [
        "GET /status HTTP/1.1",
        "GET /status HTTP/1.1\r\nHost: localhost\r\nHost: evil.example",
        "GET /status HTTP/1.1\r\nHost: someone@localhost",
        "GET /status HTTP/1.1\r\nHost: local host",
        "GET /status HTTP/1.1\r\nHost: ",
        "PUT /override HTTP/1.1\r\nHost: localhost\r\nContent-Length: 4\r\nContent-Length: 5",
    ] {
        assert_eq!(status_with_head(head).await, 400, "{head}");
    }
}

/// RFC 9112 §6.3: where both are given, the chunks alone count, and the connection is closed after the answer.
#[tokio::test]
async fn nothing_can_be_smuggled_in_behind_two_lengths() {
    let house = House::plain().await;
    let lengths =
        ["Content-Length: 4\r\nTransfer-Encoding: chunked", "Transfer-Encoding: chunked\r\nContent-Length: 4"];
    for lengths in lengths {
        let head =
            format!("PUT /override HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/json\r\n{lengths}\r\n\r\n");
        let body_by_length = house.raw(format!("{head}null").as_bytes()).await;
        assert_eq!(body_by_length.status, 400, "no chunk, no body");
        let hidden = "DELETE /override HTTP/1.1\r\nHost: localhost\r\n\r\n";
        let reply = house.raw(format!("{head}f\r\n{SET}\r\n0\r\n\r\n{hidden}").as_bytes()).await;
        assert_eq!((reply.status, reply.header("connection")), (200, "close"));
        assert!(!reply.body.contains("HTTP/1.1"), "one answer: {reply:?}");
    }
    let orders = house.orders.lock().expect("not poisoned");
    assert!(!orders.iter().any(|order| matches!(order, Order::Cancel { .. })), "{orders:?}");
}

#[tokio::test]
async fn a_change_needs_the_token_where_one_is_given() {
    let house = House::guarded(plain_web()).await;
    let no_token = house.ask("PUT", PATH, &[], SET).await;
    assert_eq!(no_token.problem(), "401: this needs the token, in a header: Authorization: Bearer TOKEN");
    assert_eq!(no_token.header("www-authenticate"), "Bearer realm=\"lampward\"");
    let longer = format!("Bearer {TOKEN}x");
    let shorter = format!("Bearer {}", &TOKEN[1..]);
    let other_scheme = format!("Basic {TOKEN}");
    for wrong in [&longer, &shorter, &other_scheme, TOKEN, "Bearer ", "Bearer", ""] {
        for (method, path) in [
            ("PUT", PATH),
            ("DELETE", PATH),
            ("PUT", "/channels/jetty/override"),
            ("DELETE", "/channels/jetty/override"),
            ("POST", "/status"),
            ("POST", "/nowhere"),
        ] {
            let reply = house.ask(method, path, &[("Authorization", wrong)], SET).await;
            assert_eq!(reply.status, 401, "{method} {path} with {wrong:?}");
            assert!(reply.problem().contains("not the token that lampward was started with"), "{}", reply.problem());
            assert_eq!(reply.header("www-authenticate"), "Bearer realm=\"lampward\", error=\"invalid_token\"");
        }
    }
    assert!(house.orders.lock().expect("not poisoned").is_empty(), "nothing reached the daemon");
    for right in [format!("Bearer {TOKEN}"), format!("bearer {TOKEN}")] {
        assert_eq!(house.ask("PUT", PATH, &[("Authorization", &right)], SET).await.status, 200, "{right}");
    }
    assert_eq!(house.get("/status").await.status, 200, "reading stays open");
}

#[tokio::test]
async fn reading_needs_the_token_where_the_file_says_so() {
    let mut web = plain_web();
    web.read = WebRead::Token;
    let house = House::guarded(web).await;
    for path in
        ["/", "/status", "/ahead", "/past", "/live", "/health", "/year.svg", "/calendar.ics", "/metrics", "/nowhere"]
    {
        assert_eq!(house.get(path).await.status, 401, "{path}");
    }
    let token = format!("Bearer {TOKEN}");
    assert_eq!(house.ask("GET", "/status", &[("Authorization", &token)], "").await.status, 200);
}

#[tokio::test]
async fn a_page_of_another_site_changes_nothing() {
    let house = House::guarded(plain_web()).await;
    let token = format!("Bearer {TOKEN}");
    let put = async |name: &str, value: &str| {
        house.ask("PUT", PATH, &[("Authorization", &token), (name, value)], SET).await.status
    };
    assert_eq!(put("Sec-Fetch-Site", "same-origin").await, 200);
    assert_eq!(put("Sec-Fetch-Site", "none").await, 200);
    assert_eq!(put("Origin", "http://localhost").await, 200);
    assert_eq!(put("Sec-Fetch-Site", "cross-site").await, 403);
    assert_eq!(put("Sec-Fetch-Site", "same-site").await, 403);
    assert_eq!(put("Origin", "https://evil.example").await, 403);
    assert_eq!(put("Origin", "null").await, 403);
    let told = house.ask("PUT", PATH, &[("Sec-Fetch-Site", "cross-site")], SET).await;
    assert_eq!(told.problem(), "403: a page from another site may not change anything here");
}

#[tokio::test]
async fn every_answer_tells_a_browser_to_be_careful() {
    let house = House::guarded(plain_web()).await;
    for (method, path, status) in
        [("GET", "/status", 200), ("GET", "/", 200), ("GET", "/nowhere", 404), ("PUT", PATH, 401), ("POST", "/", 401)]
    {
        let reply = house.ask(method, path, &[], "").await;
        assert_eq!(reply.status, status, "{method} {path}");
        for (name, value) in [
            ("x-content-type-options", "nosniff"),
            ("referrer-policy", "no-referrer"),
            ("cross-origin-resource-policy", "same-origin"),
            ("cross-origin-opener-policy", "same-origin"),
            ("cache-control", "no-store"),
        ] {
            assert_eq!(reply.header(name), value, "{name} of {method} {path}");
        }
        let policy = reply.header("content-security-policy");
        for part in ["default-src 'none'", "base-uri 'none'", "form-action 'self'", "frame-ancestors 'none'"] {
            assert!(policy.contains(part), "{part} is not in {policy}");
        }
        assert!(!policy.contains("unsafe"), "{policy}");
        assert_eq!(reply.header("access-control-allow-origin"), "", "no other site may read");
    }
}

#[test]
fn a_token_that_others_can_read_is_refused() {
    use std::os::unix::fs::PermissionsExt;
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("token");
    write_private(&path, &format!("{TOKEN}\n"));
    assert_eq!(token_of(Some(&path), None), Ok(Some(TOKEN.as_bytes().to_vec())));
    for mode in [0o640, 0o604, 0o660, 0o644] {
        std::fs::set_permissions(&path, std::fs::Permissions::from_mode(mode)).expect("changed");
        let because = token_of(Some(&path), None).expect_err("refused");
        let path = path.display();
        assert_eq!(
            because,
            format!(
                "the token in {path} can be read by others (mode {mode:o}); make it its owner's alone: chmod 600 {path}"
            )
        );
    }
}

#[test]
fn a_token_that_can_be_guessed_is_refused() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("token");
    for weak in ["", "\n", "short", "fifteen-letters", "two words of some length", "with a\ttab in it, long"] {
        write_private(&path, weak);
        let because = token_of(Some(&path), None).expect_err("refused");
        assert!(because.contains("must be one word of 16 or more plain characters"), "{because}");
    }
}

#[test]
fn the_token_comes_from_the_file_named_else_from_the_credential() {
    let folder = tempfile::tempdir().expect("a folder");
    assert_eq!(token_of(None, None), Ok(None));
    assert_eq!(token_of(None, Some(folder.path())), Ok(None));
    write_private(&folder.path().join("web-token"), "of-the-credential");
    write_private(&folder.path().join("named"), "of-the-file-named");
    assert_eq!(token_of(None, Some(folder.path())), Ok(Some(b"of-the-credential".to_vec())));
    let named = folder.path().join("named");
    assert_eq!(token_of(Some(&named), Some(folder.path())), Ok(Some(b"of-the-file-named".to_vec())));
    let absent = folder.path().join("absent");
    let because = token_of(Some(&absent), Some(folder.path())).expect_err("refused");
    assert_eq!(because, format!("cannot read the token from {}: no such file or directory", absent.display()));
}

#[test]
fn listening_beyond_this_machine_needs_a_token() {
    use lampward::web::Guard;
    for (listen, alone) in [
        ("127.0.0.1:8460", true),
        ("127.8.0.1:8460", true),
        ("[::1]:8460", true),
        ("[::ffff:127.0.0.1]:8460", true),
        ("0.0.0.0:8460", false),
        ("192.0.2.9:8460", false),
        ("[::]:8460", false),
    ] {
        let mut web = plain_web();
        web.listen = listen.parse().expect("an address");
        assert_eq!(Guard::new(&web, None).is_ok(), alone, "{listen} without a token");
        let folder = tempfile::tempdir().expect("a folder");
        write_private(&folder.path().join("web-token"), TOKEN);
        assert!(Guard::new(&web, Some(folder.path())).is_ok(), "{listen} with a token");
        let shown = format!("{:?}", Guard::new(&web, Some(folder.path())));
        assert!(!shown.contains(TOKEN), "a token is never shown: {shown}");
    }
}
