//! The commands that ask the running daemon: the real binary against a server.

use std::path::Path;
use std::sync::Arc;

use lampward::pure::keeper::{Answer, Delivery, Elsewhere, Ends, Hand, Order, Override, Tried, TriedPlug};
use lampward::pure::power::Power;
use tokio::process::Command;

use crate::house::{House, TOKEN, now, plain_web, utc, write_private};

/// Exit code, standard output, standard error. It runs in an empty folder, so that no file is found by chance.
async fn lampward(arguments: &[&str]) -> (i32, String, String) {
    let folder = tempfile::tempdir().expect("a folder");
    let run = Command::new(env!("CARGO_BIN_EXE_lampward")).args(arguments).current_dir(folder.path()).output().await;
    let run = run.expect("the binary runs");
    let text = |bytes: Vec<u8>| String::from_utf8(bytes).expect("text");
    (run.status.code().expect("an exit code"), text(run.stdout), text(run.stderr))
}

fn evening() -> Override {
    Override {
        wanted: Power::On,
        ends: Ends::At(utc("2026-11-24T23:10:00+01:00")),
        because: "on until 23:10, the planned switch-off".into(),
        since: now(),
        by_trusted_clock: true,
        before: vec![],
    }
}

fn tried() -> Tried {
    let plug = TriedPlug {
        plug: "yard/3".into(),
        answered: false,
        told: 5,
        answers: 0,
        took: None,
        because: "did not answer: nothing came on yard/3/report".into(),
        back_to: Some(Power::On),
        back_because: "lit from sunset until sunrise".into(),
        delivery: Delivery::Unanswered,
    };
    let elsewhere = Elsewhere {
        topic: "yard/3/state".into(),
        after_on: "ON".into(),
        after_off: "OFF".into(),
        report: r#"report = { topic = "{plug}/state", on = "ON", off = "OFF" }"#.into(),
    };
    Tried { channel: "jetty".into(), ended: None, plugs: vec![plug], elsewhere: vec![elsewhere] }
}

async fn obliging() -> House {
    let answer = |order: &Order| match order {
        Order::Set { channels: Some(names), .. } if names[0] == "jetty" => {
            Some(Answer::Done(vec![("jetty".into(), Some(evening()))]))
        }
        Order::Set { channels: Some(names), .. } => Some(Answer::UnknownChannel(names[0].clone())),
        Order::Set { .. } => Some(Answer::Done(vec![])),
        Order::Cancel { .. } => Some(Answer::Done(vec![("jetty".into(), None)])),
        Order::Try { channel } if channel == "jetty" => Some(Answer::Tried(Box::new(tried()))),
        Order::Try { channel } => Some(Answer::UnknownChannel(channel.clone())),
    };
    House::with(plain_web(), Box::new(answer)).await
}

#[tokio::test]
async fn now_is_a_table_for_people() {
    let house = House::plain().await;
    house.change(|facts| {
        Arc::make_mut(&mut facts.config).channels[1].label = "Parlour".into();
        Arc::make_mut(&mut facts.snapshot.channels[1]).plugs[0].hand =
            Some(Box::new(Hand { wanted: Power::Off, until: utc("2026-11-24T22:45:00+01:00"), since: now() }));
        Arc::make_mut(&mut facts.snapshot.channels[1]).plugs[0].said = Some(Power::Off);
        Arc::make_mut(&mut facts.snapshot.channels[0]).overridden = Some(Box::new(evening()));
    });
    let (code, out, err) = lampward(&["now", "--address", &house.address.to_string()]).await;
    assert_eq!((code, err.as_str()), (0, ""));
    let lines: Vec<&str> = out.lines().collect();
    assert!(lines[0].starts_with("Skarvholmen, Tuesday 24 November, 16:03. The Sun stands "), "{out}");
    assert_eq!(
        lines[1..],
        [
            "Clock trusted: synchronised. Broker up since Fri 07:11. File read Fri 07:11.",
            "",
            "lamp        is   wanted  because                                 next",
            "Jetty lamp  on   on      on until 23:10, the planned switch-off  off tomorrow 08:59, sunrise",
            "Parlour     off  on      lit from sunset until sunrise           off tomorrow 08:59, sunrise",
            "",
            "Parlour: Plug house/parlour confirmed it 15:54; somebody switched it off at the plug, and that holds until \
             22:45.",
        ],
        "{out}"
    );
}

#[tokio::test]
async fn now_says_what_is_wrong_before_anything_else() {
    let house = House::plain().await;
    house.change(|facts| {
        facts.snapshot.trusted = false;
        facts.clock_because = "not synchronised since the start".into();
        facts.snapshot.link_up = false;
        facts.link_because = Some("connection refused".into());
        Arc::make_mut(&mut facts.snapshot.channels[0]).wanted = None;
    });
    let (code, out, _) = lampward(&["now", "--address", &house.address.to_string()]).await;
    assert_eq!(code, 0);
    for line in [
        "! The clock is not trusted (not synchronised since the start). No planned switching is made until it is: \
         switch network time on (timedatectl set-ntp true), or, for a board with a good battery clock, \
         set trust = \"always\" under [clock].",
        "! The broker has been out of reach since Fri 07:11: connection refused. No lamp can be switched.",
    ] {
        assert!(out.lines().any(|said| said == line), "{out}");
    }
    assert!(out.contains("Jetty lamp        on  as it is"), "{out}");
}

#[tokio::test]
async fn now_as_json_is_status_and_as_csv_one_row_a_plug() {
    let house = House::plain().await;
    let address = house.address.to_string();
    let (code, out, _) = lampward(&["now", "--format", "json", "--address", &address]).await;
    assert_eq!(code, 0);
    assert_eq!(serde_json::from_str::<serde_json::Value>(&out).expect("JSON"), house.get("/status").await.json());
    let (_, out, _) = lampward(&["now", "--format", "csv", "--address", &address]).await;
    let rows: Vec<&str> = out.lines().collect();
    assert_eq!(rows.len(), 3);
    assert!(rows[1].starts_with("jetty,Jetty lamp,on,lit from sunset until sunrise,2026-11-25T08:59:07+01:00,off,"));
}

#[tokio::test]
async fn override_says_what_will_happen() {
    let house = obliging().await;
    let address = house.address.to_string();
    let (code, out, err) = lampward(&["override", "jetty", "on", "--until", "bedtime", "--address", &address]).await;
    assert_eq!((code, out.as_str(), err.as_str()), (0, "jetty: on until 23:10, the planned switch-off\n", ""));
    let set = Order::Set { channels: Some(vec!["jetty".into()]), wanted: Power::On, until: Some("bedtime".into()) };
    assert_eq!(*house.orders.lock().expect("not poisoned"), [set]);
    let (code, out, _) = lampward(&["cancel", "jetty", "--address", &address]).await;
    assert_eq!((code, out.as_str()), (0, "jetty: no override; it follows the plan\n"));
}

#[tokio::test]
async fn past_says_that_nothing_is_on_record_and_whether_there_is_such_a_channel() {
    let house = House::plain().await;
    let address = house.address.to_string();
    let (code, out, err) = lampward(&["past", "--channel", "jetty", "--address", &address]).await;
    assert_eq!((code, out.as_str(), err.as_str()), (0, "nothing is on record of jetty in the last 7 days\n", ""));
    let (code, out, _) = lampward(&["past", "1", "--missed", "--channel", "jety", "--address", &address]).await;
    let said = "nothing was missed of jety in the last day\nthere is no channel `jety` now; there are jetty, parlour\n";
    assert_eq!((code, out.as_str()), (0, said));
}

#[tokio::test]
async fn a_channel_that_is_not_there_is_a_fault_of_the_arguments() {
    let house = obliging().await;
    let address = house.address.to_string();
    for name in ["jety", "../status", "jetty/override?x=", "a b", "ø"] {
        let (code, _, err) = lampward(&["override", name, "on", "--address", &address]).await;
        assert_eq!((code, err), (2, format!("there is no channel `{name}`; there are jetty, parlour\n")));
    }
    for arguments in [&["override", "jetty", "toggle"][..], &["override", "jetty"], &["past", "0"], &["past", "x"]] {
        assert_eq!(lampward(arguments).await.0, 2, "{arguments:?}");
    }
}

#[tokio::test]
async fn a_daemon_that_does_not_answer_is_said_with_its_address() {
    // Bound and never served: nobody else can take the port meanwhile.
    let nobody = std::net::TcpListener::bind("127.0.0.1:0").expect("a port");
    let address = nobody.local_addr().expect("an address").to_string();
    drop(nobody);
    for arguments in [&["now"][..], &["past"], &["override", "jetty", "on"], &["cancel", "jetty"]] {
        let (code, _, err) = lampward(&[arguments, &["--address", &address]].concat()).await;
        assert_eq!(code, 1);
        assert_eq!(err, format!("no lampward answers at {address}: is it running? (connection refused)\n"));
    }
}

fn file(folder: &Path, address: &str, more: &str) -> String {
    let path = folder.join("house.toml");
    let text = format!(
        "[place]\nname = \"Skarvholmen\"\nposition = \"59.7412 N, 5.2097 E\"\ntime_zone = \"Europe/Oslo\"\n\
         [web]\nlisten = \"{address}\"\n{more}"
    );
    std::fs::write(&path, text).expect("written");
    path.display().to_string()
}

#[tokio::test]
async fn the_address_and_the_token_come_from_the_file() {
    let house = House::guarded(plain_web()).await;
    let folder = tempfile::tempdir().expect("a folder");
    let token = folder.path().join("token");
    write_private(&token, TOKEN);
    let address = house.address.to_string();
    let with_token = file(folder.path(), &address, &format!("token_file = \"{}\"\n", token.display()));
    let (code, _, err) = lampward(&["cancel", "jetty", "--file", &with_token]).await;
    assert_eq!((code, err.as_str()), (0, ""));
    let named = token.display().to_string();
    let (code, ..) = lampward(&["cancel", "jetty", "--address", &address, "--token-file", &named]).await;
    assert_eq!(code, 0);
    let (code, _, err) = lampward(&["cancel", "jetty", "--address", &address]).await;
    assert_eq!((code, err.as_str()), (1, "lampward asks for its token; name the file that has it with --token-file\n"));
    write_private(&token, "another-token-of-length");
    let (code, _, err) = lampward(&["cancel", "jetty", "--file", &with_token]).await;
    assert_eq!((code, err.as_str()), (1, "lampward does not take this token; it was given another one at its start\n"));
    std::fs::remove_file(&token).expect("gone");
    let (code, _, err) = lampward(&["cancel", "jetty", "--file", &with_token]).await;
    assert_eq!(code, 1);
    assert_eq!(
        err,
        format!("lampward asks for its token: cannot read the token from {named}: no such file or directory\n")
    );
    assert_eq!(lampward(&["now", "--file", &with_token]).await.0, 0, "reading is open");
}

#[tokio::test]
async fn a_faulty_file_is_shown_and_an_address_goes_past_it() {
    let house = obliging().await;
    let folder = tempfile::tempdir().expect("a folder");
    let faulty = file(folder.path(), &house.address.to_string(), "no_such_key = 1\n");
    let (code, _, err) = lampward(&["now", "--file", &faulty]).await;
    assert_eq!(code, 2);
    let hint = format!("to ask a daemon that runs all the same, say where: --address {}\n", house.address);
    assert!(err.contains("no_such_key") && err.ends_with(&hint), "{err}");
    assert_eq!(lampward(&["now", "--file", &faulty, "--address", &house.address.to_string()]).await.0, 0);
    let (code, _, err) = lampward(&["now", "--address", "not an address"]).await;
    assert_eq!(
        (code, err.as_str()),
        (2, "`not an address` is not an address; one with a port is meant, such as 127.0.0.1:8460\n")
    );
}

#[tokio::test]
async fn try_says_what_each_plug_answered_and_ends_in_1_where_one_did_not() {
    let house = obliging().await;
    let address = house.address.to_string();
    let (code, out, err) = lampward(&["try", "jetty", "--address", &address]).await;
    assert_eq!((code, err.as_str()), (1, ""));
    assert_eq!(
        out.lines().collect::<Vec<_>>(),
        [
            "jetty: told off, on, off, on, off",
            "  yard/3  did not answer: nothing came on yard/3/report",
            "          back to on, lit from sunset until sunrise: not confirmed yet",
            "on other topics, in step with the commands:",
            "  yard/3/state said `ON` after on and `OFF` after off; if that is the plug's answer, its kind needs",
            r#"    report = { topic = "{plug}/state", on = "ON", off = "OFF" }"#,
        ]
    );
    let (code, out, _) = lampward(&["try", "jetty", "--address", &address, "--format", "csv"]).await;
    assert_eq!(
        (code, out.as_str()),
        (
            1,
            "plug,answered,commands,answers,fastest_s,slowest_s,back_to,because\n\
             yard/3,false,5,0,,,on,did not answer: nothing came on yard/3/report\n"
        )
    );
    let (code, _, err) = lampward(&["try", "jety", "--address", &address]).await;
    assert_eq!((code, err.trim()), (2, "there is no channel `jety`; there are jetty, parlour"));
}
