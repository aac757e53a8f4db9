//! Our own broker, with our own link on it, and with clients that are not ours.
#![cfg(feature = "own-broker")]

#[path = "common/links.rs"]
mod links;

use std::net::{SocketAddr, TcpListener};
use std::path::Path;
use std::process::{Command, Stdio};

use lampward::broker::{OwnBroker, account_line};
use lampward::link::{Link, LinkEvent, LinkSettings};
use lampward::pure::keeper::Ticket;
use links::{message, patiently, until, until_down, until_up, up};
use tempfile::TempDir;

/// On a free port of 127.0.0.1, with a state directory of its own.
async fn broker() -> (OwnBroker, TempDir) {
    let state = tempfile::tempdir().unwrap();
    let broker = OwnBroker::start(Some(any_port()), None, state.path()).await.unwrap();
    (broker, state)
}

/// An account `plugs` with the password `lantern`, hashed by the crate argon2 0.6 at its least cost (8 KiB, one pass): at the
/// usual cost a dozen guesses take a busy machine so long that the minute is over in which they count.
const CHEAP: &str =
    "plugs:$argon2id$v=19$m=8,t=1,p=1$c2FsdHNhbHRzYWx0c2FsdA$dGeOgOtoKClB1ZQGM8ivqjC89q03m7czsVi74sSfjxU";

fn any_port() -> SocketAddr {
    "127.0.0.1:0".parse().unwrap()
}

/// As the daemon has it for this broker.
fn settings(broker: SocketAddr, id: &str) -> LinkSettings {
    LinkSettings { folds: false, ..links::settings(broker, id) }
}

fn as_user(mut settings: LinkSettings, user: &str, password: &str) -> LinkSettings {
    (settings.user, settings.password) = (Some(user.to_owned()), Some(password.to_owned()));
    settings
}

#[tokio::test]
async fn a_publish_is_acknowledged_and_arrives() {
    let (broker, _state) = broker().await;
    links::a_publish_is_acknowledged_and_arrives(settings(broker.address(), "a"), settings(broker.address(), "b"))
        .await;
}

#[tokio::test]
async fn what_the_broker_kept_is_told_from_news() {
    let (broker, _state) = broker().await;
    links::what_the_broker_kept_is_told_from_news(settings(broker.address(), "a"), settings(broker.address(), "b"))
        .await;
}

#[tokio::test]
async fn it_says_here_when_it_comes_and_gone_when_it_goes() {
    let (broker, _state) = broker().await;
    links::it_says_here_and_gone(settings(broker.address(), "a"), settings(broker.address(), "b")).await;
}

#[tokio::test]
async fn listening_can_change_while_the_link_is_up() {
    let (broker, _state) = broker().await;
    links::listening_can_change(settings(broker.address(), "a"), settings(broker.address(), "b")).await;
}

#[tokio::test]
async fn ten_thousand_commands_at_once_all_arrive() {
    let (broker, _state) = broker().await;
    links::ten_thousand_commands_at_once_all_arrive(settings(broker.address(), "a"), settings(broker.address(), "b"))
        .await;
}

#[tokio::test]
async fn ten_thousand_kept_reports_all_come() {
    let (broker, _state) = broker().await;
    let (teller, listener) = (settings(broker.address(), "a"), settings(broker.address(), "b"));
    links::ten_thousand_kept_reports_all_come(teller, listener, |n| format!("yard/{n}/report")).await;
}

#[tokio::test]
async fn a_link_notices_the_broker_s_end_and_finds_the_next_one_with_all_it_had_kept() {
    let (broker, state) = broker().await;
    let address = broker.address();
    let mut link = up(settings(address, "lampward"), &["yard/3/report"]).await;
    link.publish(Some(Ticket(1)), "yard/3/report", "on", true);
    until(&mut link, "acknowledged", |event| (event == LinkEvent::Acked(Ticket(1))).then_some(())).await;
    broker.stop().await;
    until_down(&mut link).await;

    let broker = OwnBroker::start(Some(address), None, state.path()).await.unwrap();
    until_up(&mut link).await;
    assert_eq!(message(&mut link).await, ("yard/3/report".into(), "on".into(), true));
    broker.stop().await;
}

#[tokio::test]
async fn with_accounts_nobody_gets_in_without_one() {
    let state = tempfile::tempdir().unwrap();
    let file = state.path().join("accounts");
    std::fs::write(&file, format!("# plugs\n{}\n", account_line("plugs", "lantern").unwrap())).unwrap();
    let broker = OwnBroker::start(Some(any_port()), Some(&file), state.path()).await.unwrap();
    let address = broker.address();

    let (user, password) = broker.own_account().unwrap();
    let ours = up(as_user(settings(address, "lampward"), &user, &password), &[]).await;
    let mut theirs = up(as_user(settings(address, "plug"), "plugs", "lantern"), &["yard/3/order"]).await;
    ours.publish(None, "yard/3/order", "on", false);
    assert_eq!(message(&mut theirs).await, ("yard/3/order".into(), "on".into(), false));

    let refused = [
        (as_user(settings(address, "a"), "plugs", "candle"), "refuses the user `plugs` or its password"),
        (as_user(settings(address, "b"), &user, "candle"), "refuses the user `lampward-itself` or its password"),
        (as_user(settings(address, "c"), "strangers", "lantern"), "refuses the user `strangers` or its password"),
        (settings(address, "d"), "wants a user and a password"),
    ];
    for (settings, because) in refused {
        let mut link = Link::start(settings, vec![]);
        assert_eq!(until_down(&mut link).await, format!("the broker at {address} {because}"));
    }
    broker.stop().await;
}

#[tokio::test]
async fn one_who_tries_passwords_is_shut_out_but_never_our_own_client() {
    let state = tempfile::tempdir().unwrap();
    let file = state.path().join("accounts");
    std::fs::write(&file, CHEAP).unwrap();
    let broker = OwnBroker::start(Some(any_port()), Some(&file), state.path()).await.unwrap();
    let right = as_user(settings(broker.address(), "right"), "plugs", "lantern");
    up(right.clone(), &[]).await.goodbye().await;
    for n in 0..12 {
        let wrong = as_user(settings(broker.address(), &format!("wrong{n}")), "plugs", &format!("guess {n}"));
        until_down(&mut Link::start(wrong, vec![])).await;
    }
    until_down(&mut Link::start(right, vec![])).await;
    let (user, password) = broker.own_account().unwrap();
    up(as_user(settings(broker.address(), "lampward"), &user, &password), &[]).await;
}

#[tokio::test]
async fn the_own_secret_is_another_one_at_each_start() {
    let state = tempfile::tempdir().unwrap();
    let file = state.path().join("accounts");
    std::fs::write(&file, CHEAP).unwrap();
    let mut seen = Vec::new();
    for _ in 0..2 {
        let broker = OwnBroker::start(Some(any_port()), Some(&file), state.path()).await.unwrap();
        seen.push(broker.own_account().unwrap().1);
        broker.stop().await;
    }
    assert!(seen[0] != seen[1] && seen[0].len() == 64);
}

#[track_caller]
fn refused(started: Result<OwnBroker, String>, expected: &str) {
    match started {
        Ok(broker) => panic!("it started: {broker:?}"),
        Err(fault) => assert_eq!(fault, expected),
    }
}

#[tokio::test]
async fn beyond_loopback_there_must_be_accounts() {
    let state = tempfile::tempdir().unwrap();
    for serve in ["0.0.0.0:1883", "192.0.2.7:1883", "[::]:1883"] {
        refused(
            OwnBroker::start(Some(serve.parse().unwrap()), None, state.path()).await,
            &format!(
                "the broker would listen on {serve}, beyond loopback, and let anyone switch the lamps: \
                 set accounts_file under [broker], or leave serve out"
            ),
        );
    }
}

#[tokio::test]
async fn an_address_that_is_taken_is_a_fault_where_the_file_asks_for_it() {
    let state = tempfile::tempdir().unwrap();
    let taken = TcpListener::bind("127.0.0.1:0").unwrap();
    let serve = taken.local_addr().unwrap();
    refused(
        OwnBroker::start(Some(serve), None, state.path()).await,
        &format!("the broker can't listen on {serve}: another program does; stop it, or choose another port for serve"),
    );
}

#[tokio::test]
async fn where_the_file_asks_for_none_the_next_free_port_is_taken() {
    let (one_state, other_state) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    let one = OwnBroker::start(None, None, one_state.path()).await.unwrap();
    let other = OwnBroker::start(None, None, other_state.path()).await.unwrap();
    for broker in [&one, &other] {
        let address = broker.address();
        assert!(address.ip().is_loopback() && (1883..=1983).contains(&address.port()), "{address}");
    }
    assert_ne!(one.address(), other.address());
    up(settings(other.address(), "a"), &[]).await;
}

#[tokio::test]
async fn faulty_accounts_are_a_fault() {
    let state = tempfile::tempdir().unwrap();
    let file = state.path().join("accounts");
    refused(
        OwnBroker::start(Some(any_port()), Some(&file), state.path()).await,
        &format!(
            "cannot read the accounts of the broker from {}: No such file or directory (os error 2)",
            file.display()
        ),
    );
    std::fs::write(&file, "plugs:lantern\n").unwrap();
    refused(
        OwnBroker::start(Some(any_port()), Some(&file), state.path()).await,
        &format!("{}:1: the hash of `plugs` is none: make it with `lampward account plugs`", file.display()),
    );
}

#[tokio::test]
async fn what_it_kept_is_set_aside_when_it_is_damaged_and_the_broker_starts() {
    let (broker, state) = broker().await;
    broker.stop().await;
    let version = std::fs::read_dir(state.path().join("broker"))
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .find(|path| path.file_name().unwrap().to_string_lossy().contains("version"))
        .expect("the broker says which version its folder is of");
    std::fs::write(version, "from another world").unwrap();
    let broker = OwnBroker::start(Some(any_port()), None, state.path()).await.unwrap();
    up(settings(broker.address(), "a"), &[]).await;
    let names = std::fs::read_dir(state.path()).unwrap().map(|entry| entry.unwrap().file_name());
    assert!(names.into_iter().any(|name| name.to_string_lossy().starts_with("broker.damaged-2")));
}

#[tokio::test]
async fn a_state_directory_in_use_is_left_alone() {
    let (_broker, state) = broker().await;
    let fault = OwnBroker::start(Some(any_port()), None, state.path()).await.unwrap_err();
    assert!(fault.contains("already in use by another broker"), "{fault}");
    assert_eq!(std::fs::read_dir(state.path()).unwrap().count(), 1, "nothing set aside");
}

/// Publishes with MQTT 5, by a program that is not ours.
fn publish_mqtt_5(broker: SocketAddr, topic: &str, payload: &str, state: &Path) {
    let log = std::fs::File::create(state.join("publisher")).unwrap();
    let status = Command::new("mosquitto_pub")
        .args(["-V", "5", "-h", "127.0.0.1", "-q", "1", "-p", &broker.port().to_string(), "-t", topic, "-m", payload])
        .stdout(Stdio::null())
        .stderr(log)
        .status();
    let said = std::fs::read_to_string(state.join("publisher")).unwrap();
    assert!(status.expect("mosquitto_pub: is mosquitto-clients installed?").success(), "{said}");
}

#[tokio::test]
async fn plugs_that_speak_mqtt_5_share_the_port() {
    let (broker, state) = broker().await;
    let mut link = up(settings(broker.address(), "lampward"), &["yard/3/report"]).await;
    let (address, folder) = (broker.address(), state.path().to_owned());
    let published = tokio::task::spawn_blocking(move || publish_mqtt_5(address, "yard/3/report", "on", &folder));
    assert_eq!(message(&mut link).await, ("yard/3/report".into(), "on".into(), false));
    patiently("published", published).await.unwrap();
}
