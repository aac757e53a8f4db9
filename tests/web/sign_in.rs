//! Signing in on the page: what lets a browser switch lamps, and what does not.

use std::io;
use std::sync::{Arc, Mutex};

use lampward::pure::config::{Web, WebRead};

use crate::house::{House, Reply, TOKEN, plain_web};

const FORM: (&str, &str) = ("Content-Type", "application/x-www-form-urlencoded");
const SAME_SITE: (&str, &str) = ("Sec-Fetch-Site", "same-origin");

fn read_by_token() -> Web {
    Web { read: WebRead::Token, ..plain_web() }
}

async fn post(house: &House, path: &str, body: &str, more: &[(&str, &str)]) -> Reply {
    let headers: Vec<(&str, &str)> = [FORM, SAME_SITE].into_iter().chain(more.iter().copied()).collect();
    house.ask("POST", path, &headers, body).await
}

async fn guess(house: &House, token: &str) -> Reply {
    post(house, "/page/sign-in", &format!("token={token}"), &[]).await
}

/// Signs in; gives the cookie as a browser sends it back.
async fn signed_in(house: &House) -> String {
    let reply = guess(house, TOKEN).await;
    assert_eq!((reply.status, reply.header("location")), (303, "/"), "{reply:?}");
    let cookie = reply.header("set-cookie");
    cookie.split(';').next().unwrap_or_default().to_string()
}

#[track_caller]
fn nothing_reached(house: &House) {
    assert!(house.orders.lock().expect("not poisoned").is_empty(), "nothing reached the daemon");
}

#[tokio::test]
async fn signing_in_once_lets_a_browser_switch() {
    let house = House::guarded(plain_web()).await;
    let before = house.get("/").await.body;
    assert!(before.contains("To switch lamps, <a href=\"/page/sign-in\">sign in</a>"), "{before}");
    assert!(!before.contains("<button"), "no button that would be refused: {before}");
    assert!(house.get("/page/sign-in").await.body.contains("type=\"password\""));
    let cookie = signed_in(&house).await;
    let signed = [("Cookie", cookie.as_str())];
    let page = house.ask("GET", "/", &signed, "").await.body;
    assert!(page.contains("Everything on for the evening</button>") && page.contains("Sign out</button>"), "{page}");
    for (path, body) in [("/page/override", "wanted=on"), ("/page/cancel", "channel=jetty")] {
        assert_eq!(post(&house, path, body, &signed).await.status, 303, "{path}");
    }
    assert_eq!(house.orders.lock().expect("not poisoned").len(), 2);
}

#[tokio::test]
async fn the_cookie_is_no_script_s_and_no_other_site_s_and_not_the_token() {
    let house = House::guarded(plain_web()).await;
    let cookie = guess(&house, TOKEN).await.header("set-cookie").to_string();
    let (id, rest) = cookie.split_once(';').expect("attributes");
    assert_eq!(rest, " Max-Age=31536000; Path=/; HttpOnly; SameSite=Strict");
    assert!(id.starts_with("lampward=") && id.len() == 73 && !id.contains(TOKEN), "{id}");
    assert_ne!(guess(&house, TOKEN).await.header("set-cookie"), cookie, "each browser has its own");
}

/// The browser itself says that it got the page over TLS, so no header of a proxy need be believed.
#[tokio::test]
async fn behind_tls_the_cookie_is_for_tls_alone() {
    let mut web = plain_web();
    web.hosts = vec!["lamps.example".into()];
    let house = House::guarded(web).await;
    for (origin, secure) in [("https://lamps.example", true), ("http://lamps.example", false)] {
        let body = format!("token={TOKEN}");
        let head = format!(
            "POST /page/sign-in HTTP/1.1\r\nHost: lamps.example\r\nConnection: close\r\nOrigin: {origin}\r\n\
             Content-Type: application/x-www-form-urlencoded\r\nContent-Length: {}\r\n\r\n{body}",
            body.len()
        );
        let reply = house.raw(head.as_bytes()).await;
        assert_eq!(reply.status, 303, "{reply:?}");
        assert_eq!(reply.header("set-cookie").ends_with("; Secure"), secure, "{origin}");
    }
}

#[tokio::test]
async fn without_the_cookie_nothing_is_changed() {
    let house = House::guarded(plain_web()).await;
    for path in ["/page/override", "/page/cancel", "/page/sign-out", "/page/nowhere"] {
        let reply = post(&house, path, "wanted=on", &[]).await;
        assert_eq!((reply.status, reply.header("content-type")), (401, "text/html; charset=utf-8"), "{path}");
        assert!(reply.body.contains("Sign in first; nothing was changed."), "{}", reply.body);
        assert_eq!(reply.header("www-authenticate"), "Bearer realm=\"lampward\"");
    }
    nothing_reached(&house);
}

#[tokio::test]
async fn a_wrong_cookie_changes_nothing() {
    let house = House::guarded(plain_web()).await;
    let cookie = signed_in(&house).await;
    let zeros = format!("lampward={}", "0".repeat(64));
    let twice = format!("{cookie}; {zeros}");
    let token = format!("lampward={TOKEN}");
    for wrong in [&zeros, &cookie[..70], &twice, &token, "lampward=", "lampward", ""] {
        assert_eq!(post(&house, "/page/override", "wanted=on", &[("Cookie", wrong)]).await.status, 401, "{wrong}");
    }
    nothing_reached(&house);
}

#[tokio::test]
async fn a_cookie_is_worth_nothing_on_another_site_s_page_or_on_a_json_path() {
    let house = House::guarded(plain_web()).await;
    let cookie = signed_in(&house).await;
    let signed = ("Cookie", cookie.as_str());
    for foreign in
        [("Sec-Fetch-Site", "cross-site"), ("Sec-Fetch-Site", "same-site"), ("Origin", "http://evil.example")]
    {
        let reply = house.ask("POST", "/page/override", &[FORM, signed, foreign], "wanted=on").await;
        assert_eq!(reply.status, 403, "{foreign:?}");
    }
    let silent = house.ask("POST", "/page/override", &[FORM, signed], "wanted=on").await;
    assert_eq!(silent.status, 403, "a post that does not say where it comes from");
    for (method, path) in [
        ("PUT", "/override"),
        ("DELETE", "/override"),
        ("PUT", "/channels/jetty/override"),
        ("DELETE", "/channels/jetty/override"),
    ] {
        let reply = house.ask(method, path, &[signed, SAME_SITE], r#"{"wanted":"on"}"#).await;
        assert_eq!(reply.status, 401, "{method} {path}");
    }
    let other_name = "POST /page/override HTTP/1.1\r\nHost: evil.example\r\nConnection: close\r\n";
    let head = format!("{other_name}Cookie: {cookie}\r\nSec-Fetch-Site: same-origin\r\n\r\n");
    assert_eq!(house.raw(head.as_bytes()).await.status, 421, "nor under another site's name");
    nothing_reached(&house);
}

#[tokio::test]
async fn another_site_can_t_sign_a_browser_in_or_out() {
    let house = House::guarded(plain_web()).await;
    let cookie = signed_in(&house).await;
    for (path, body) in [("/page/sign-in", format!("token={TOKEN}")), ("/page/sign-out", "x=1".into())] {
        for headers in [[FORM, ("Sec-Fetch-Site", "cross-site")], [FORM, ("Cookie", &cookie)]] {
            let reply = house.ask("POST", path, &headers, &body).await;
            assert_eq!((reply.status, reply.header("set-cookie")), (403, ""), "{path} with {headers:?}");
        }
    }
    assert_eq!(
        post(&house, "/page/override", "wanted=on", &[("Cookie", &cookie)]).await.status,
        303,
        "still signed in"
    );
}

#[tokio::test]
async fn who_signs_out_is_out_for_good() {
    let house = House::guarded(plain_web()).await;
    let cookie = signed_in(&house).await;
    let reply = post(&house, "/page/sign-out", "", &[("Cookie", &cookie)]).await;
    assert_eq!((reply.status, reply.header("location")), (303, "/"));
    assert_eq!(reply.header("set-cookie"), "lampward=; Max-Age=0; Path=/; HttpOnly; SameSite=Strict");
    let kept = post(&house, "/page/override", "wanted=on", &[("Cookie", &cookie)]).await;
    assert_eq!(kept.status, 401, "also for whoever kept a copy of the cookie");
    nothing_reached(&house);
}

#[tokio::test]
async fn guesses_are_limited() {
    let house = House::guarded(plain_web()).await;
    let cookie = signed_in(&house).await;
    for _ in 0..10 {
        let reply = guess(&house, "not-the-token-at-all").await;
        assert_eq!(reply.status, 401);
        assert!(reply.body.contains("That is not the token."), "{}", reply.body);
    }
    let limited = guess(&house, TOKEN).await;
    assert_eq!((limited.status, limited.header("retry-after"), limited.header("set-cookie")), (429, "60", ""));
    assert!(limited.body.contains("Try again in a minute."), "{}", limited.body);
    let token = format!("Bearer {TOKEN}");
    let by_header = house.ask("DELETE", "/override", &[("Authorization", &token)], "").await;
    assert_eq!(by_header.status, 200, "programs with the token go on");
    assert_eq!(post(&house, "/page/cancel", "", &[("Cookie", &cookie)]).await.status, 303, "who is in stays in");
}

#[tokio::test]
async fn guesses_in_a_header_are_limited_too() {
    let house = House::guarded(plain_web()).await;
    let ask = async |token: &str| {
        house.ask("DELETE", "/override", &[("Authorization", &format!("Bearer {token}"))], "").await
    };
    for _ in 0..60 {
        assert_eq!(ask("not-the-token-at-all").await.status, 401);
    }
    let limited = ask(TOKEN).await;
    assert_eq!(limited.problem(), "429: too many wrong tokens from this address; try again in a minute");
    assert_eq!(limited.header("retry-after"), "60");
    assert_eq!(house.ask("DELETE", "/override", &[], "").await.status, 401, "no guess, no limit");
    assert_eq!(house.get("/status").await.status, 200);
    assert_eq!(guess(&house, TOKEN).await.status, 303, "the page counts by itself");
}

#[tokio::test]
async fn where_reading_needs_the_token_the_page_asks_for_it_first() {
    let house = House::guarded(read_by_token()).await;
    let reply = house.get("/").await;
    assert_eq!((reply.status, reply.header("content-type")), (401, "text/html; charset=utf-8"));
    assert!(reply.body.contains("action=\"/page/sign-in\""), "{}", reply.body);
    assert!(
        !reply.body.contains("Jetty") && !reply.body.contains("Skarvholmen"),
        "nothing of the house: {}",
        reply.body
    );
    for path in ["/page.css", "/page.js", "/page/sign-in"] {
        let reply = house.get(path).await;
        assert_eq!(reply.status, 200, "{path}");
        assert!(!reply.body.contains("Jetty") && !reply.body.contains("Skarvholmen"), "{path}");
    }
    let cookie = signed_in(&house).await;
    for path in ["/", "/status", "/past", "/year.svg"] {
        assert_eq!(house.ask("GET", path, &[("Cookie", &cookie)], "").await.status, 200, "{path}");
    }
}

#[tokio::test]
async fn without_a_token_there_is_nothing_to_sign_in_to() {
    let house = House::plain().await;
    let reply = house.get("/page/sign-in").await;
    assert_eq!((reply.status, reply.header("location")), (303, "/"));
    let reply = guess(&house, TOKEN).await;
    assert_eq!((reply.status, reply.header("set-cookie")), (303, ""));
}

/// Keeps what is logged, for looking at it.
#[derive(Clone, Default)]
struct Log(Arc<Mutex<Vec<u8>>>);

impl io::Write for Log {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.0.lock().expect("not poisoned").extend(bytes);
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

#[tokio::test]
async fn the_token_is_never_in_log_or_page() {
    let log = Log::default();
    let writer = log.clone();
    let everything =
        tracing_subscriber::fmt().with_max_level(tracing::Level::TRACE).with_writer(move || writer.clone());
    everything.try_init().expect("no other test listens to the log");
    let house = House::guarded(read_by_token()).await;
    let cookie = signed_in(&house).await;
    let token = format!("Bearer {TOKEN}");
    let mut replies =
        vec![guess(&house, TOKEN).await, guess(&house, &TOKEN[1..]).await, house.get("/page/sign-in").await];
    replies.push(house.ask("GET", "/", &[("Cookie", &cookie)], "").await);
    replies.push(house.ask("GET", "/status", &[("Authorization", &token)], "").await);
    replies.push(house.ask("PUT", "/override", &[("Authorization", &token)], TOKEN).await);
    replies.push(post(&house, "/page/override", &format!("wanted={TOKEN}"), &[("Cookie", &cookie)]).await);
    for reply in &replies[..5] {
        assert!(!format!("{reply:?}").contains(&TOKEN[1..]), "{reply:?}");
    }
    // What was sent where no token belongs may come back in a fault; the log has it in no case.
    tracing::info!("a line of the test's own");
    let log = String::from_utf8_lossy(&log.0.lock().expect("not poisoned")).into_owned();
    assert!(log.contains("a line of the test's own"), "the log was listened to");
    assert!(!log.contains(&TOKEN[1..]), "{log}");
}
