//! The main job, end to end: the real binary, a real mosquitto, and plugs played by programs that are not ours.

#[path = "common/house.rs"]
mod house;
#[path = "common/mosquitto.rs"]
mod mosquitto;

use house::{Daemon, Home, Plugs, clock, collect, finished, free_port, instant, request, until};
use lampward::clock::Clock;
use lampward::pure::config::ClockTrust;
use lampward::pure::trust::KernelClock;
use mosquitto::Mosquitto;
use rustix::process::Signal;
use serde_json::{Value, json};

/// One lamp on `yard/3`, lit between two clock times.
fn one_lamp(broker: &Mosquitto, from: &str, until: &str) -> String {
    format!(
        "[broker]\naddress = \"mqtt://{}\"\n[channel.jetty]\nlabel = \"Jetty lamp\"\nplug = \"yard/3\"\n\
         lit = [{{ from = \"{from}\", until = \"{until}\" }}]\n",
        broker.address()
    )
}

/// A lamp that is lit now and for an hour or more.
fn lit_now(broker: &Mosquitto) -> String {
    one_lamp(broker, &clock(-60), &clock(120))
}

/// A lamp that is not lit now.
fn dark_now(broker: &Mosquitto) -> String {
    one_lamp(broker, &clock(120), &clock(180))
}

fn set(daemon: &Daemon, wanted: &str, until: &str) -> Value {
    let body = json!({ "wanted": wanted, "until": until }).to_string();
    let (code, answer) = daemon.ask("PUT", "/channels/jetty/override", Some(&body)).expect("the daemon answers");
    assert_eq!(code, 200, "{answer}");
    answer
}

#[test]
fn a_lamp_due_in_the_next_minute_is_switched_on_and_off_at_its_time() {
    let broker = Mosquitto::start();
    let plugs = Plugs::start(broker.port(), |_| true);
    // Far enough away that the daemon is there before it.
    let begun = lampward::clock::wall();
    let first = (begun + chrono::TimeDelta::seconds(75)).format("%H:%M").to_string();
    let last = (begun + chrono::TimeDelta::seconds(135)).format("%H:%M").to_string();
    let home = Home::new(&one_lamp(&broker, &first, &last));
    let daemon = home.start();
    let next = &daemon.status()["channels"][0]["next"];
    assert_eq!((next["wanted"].as_str(), next["because"].as_str()), (Some("on"), Some(first.as_str())));

    for (word, due) in [("on", &first), ("off", &last)] {
        let due = instant(due, begun);
        let switched = |entry: &Value| {
            let at = entry["due"].as_str().and_then(|at| chrono::DateTime::parse_from_rfc3339(at).ok());
            entry["kind"] == "switched" && entry["wanted"] == word && at.is_some_and(|at| at.to_utc() == due)
        };
        until(&format!("{word} at {due}, recorded as switched\n{}", daemon.log()), || {
            let (_, past) = daemon.ask("GET", "/past?days=1", None)?;
            past["entries"].as_array()?.iter().any(switched).then_some(())
        });
        daemon.until_confirmed("yard/3", word);
        // The other word stood until then, and none came before its time.
        let told = plugs.got("yard/3/order");
        let (before, after): (Vec<_>, Vec<_>) = told.iter().partition(|got| got.at < due);
        let other = if word == "on" { "off" } else { "on" };
        assert!(before.last().is_none_or(|got| got.payload == other), "{word} before {due}: {told:?}");
        assert_eq!(after.first().map(|got| got.payload.as_str()), Some(word), "at {due}: {told:?}");
    }
    assert_eq!(daemon.status()["missed"], json!([]));
}

#[test]
fn a_plug_that_stays_silent_is_told_again_and_reported_missed() {
    let broker = Mosquitto::start();
    let plugs = Plugs::start(broker.port(), |_| false);
    let home = Home::new(&lit_now(&broker));
    let daemon = home.start();
    let line = daemon.until_logged(&["WARN", "missed", "yard/3"]);
    for field in ["channel=\"jetty\"", "wanted=\"on\"", "because=\"plug silent\""] {
        assert!(line.contains(field), "{line}");
    }
    // At once, then 5, 10, 20 and 40 s after the first, then every minute.
    let told = plugs.got("yard/3/order");
    assert!((5..=7).contains(&told.len()), "{told:?}");
    assert!(told.iter().all(|got| got.payload == "on"), "{told:?}");
    let missed = &daemon.status()["missed"][0];
    assert_eq!((missed["plug"].as_str(), missed["because"].as_str()), (Some("yard/3"), Some("plug silent")));
    assert_eq!(daemon.plug("yard/3")["delivery"], "missed");
    plugs.until_got("lampward/skarvholmen-nord/missed", &plugs.got("lampward/skarvholmen-nord/missed")[0].payload);
    let log = daemon.log();
    // The daybook has a thread of its own.
    until("the miss in the daybook", || {
        let (_, past) = daemon.ask("GET", "/past?days=1", None)?;
        past["entries"].as_array()?.iter().any(|entry| entry["kind"] == "missed").then_some(())
    });
    daemon.kill();
    let daemon = home.start();
    let still = daemon.status()["missed"].clone();
    assert_eq!(still[0]["plug"], "yard/3", "a restart hides no miss: {still}\n{log}");
    let told: Value = serde_json::from_str(&plugs.got("lampward/skarvholmen-nord/missed")[0].payload).unwrap();
    assert_eq!((told["channel"].as_str(), told["because"].as_str()), (Some("jetty"), Some("plug silent")));
}

#[test]
fn after_a_broker_was_killed_and_restarted_the_lamp_is_as_wanted() {
    let mut broker = Mosquitto::start();
    let plugs = Plugs::start(broker.port(), |_| true);
    let home = Home::new(&lit_now(&broker));
    let daemon = home.start();
    daemon.until_confirmed("yard/3", "on");

    broker.kill();
    until("the loss is noticed", || (daemon.status()["broker"]["link"] == "down").then_some(()));
    let (health, _) = daemon.ask("GET", "/health", None).unwrap();
    assert_eq!(health, 503, "no lamp could be switched now");
    set(&daemon, "off", "cancelled");
    drop(plugs);

    broker.restart();
    let plugs = Plugs::start(broker.port(), |_| true);
    plugs.until_got("yard/3/order", "off");
    daemon.until_confirmed("yard/3", "off");
    assert_eq!(daemon.ask("GET", "/health", None).unwrap().0, 200);
    assert!(plugs.got("yard/3/order").iter().all(|got| got.payload == "off"), "{:?}", plugs.all());
}

#[test]
fn an_override_outlives_sigkill_right_after_its_answer() {
    let broker = Mosquitto::start();
    let home = Home::new(&dark_now(&broker));
    let mut daemon = home.start();
    daemon.status();
    for round in 0..50_u64 {
        let wanted = if round % 2 == 0 { "on" } else { "off" };
        let answer = set(&daemon, wanted, "cancelled");
        assert_eq!(answer["wanted"], wanted, "{answer}");
        // Somewhere in the first 100 ms after the answer, at another place each time.
        std::thread::sleep(std::time::Duration::from_millis(round * 2));
        daemon.kill();
        daemon = home.start();
        let channel = &daemon.status()["channels"][0];
        assert_eq!(channel["override"]["wanted"], wanted, "round {round}: {channel}\n{}", daemon.log());
        assert_eq!(channel["wanted"], wanted);
    }
}

#[test]
fn a_start_in_the_middle_of_a_lit_span_switches_on_at_once() {
    let broker = Mosquitto::start();
    let plugs = Plugs::start(broker.port(), |_| true);
    let home = Home::new(&lit_now(&broker));
    let daemon = home.start();
    daemon.until_confirmed("yard/3", "on");
    assert_eq!(plugs.got("yard/3/order")[0].payload, "on");
    let channel = &daemon.status()["channels"][0];
    assert_eq!(channel["next"]["wanted"], "off");
    assert!(channel["because"].as_str().unwrap().starts_with("lit from "), "{channel}");
}

#[test]
fn a_lamp_burning_in_the_dark_hours_of_the_plan_is_switched_off() {
    let broker = Mosquitto::start();
    broker.publish("yard/3/report", b"on", true);
    let plugs = Plugs::start(broker.port(), |_| true);
    let home = Home::new(&dark_now(&broker));
    let daemon = home.start();
    daemon.until_confirmed("yard/3", "off");
    assert_eq!(plugs.got("yard/3/order")[0].payload, "off");
}

#[test]
fn a_faulty_file_is_refused_with_all_its_faults_unless_a_good_one_is_known() {
    let broker = Mosquitto::start();
    let faulty = "[channel.jetty]\nlabel = 7\nplug = \"yard/+\"\nlit = [{ from = \"sunsett\", until = \"25:00\" }]\n";
    let home = Home::new(faulty);
    let mut run = home.command(&["run"]);
    run.arg("--state").arg(home.state());
    let (code, _, said) = finished(run);
    assert_eq!(code, 2, "{said}");
    for part in [
        "lampward.toml:10:9:",
        "lampward.toml:11:14:",
        "lampward.toml:12:18:",
        "lampward.toml:12:37:",
        "`sunsett` is not a mark",
        "nearest: sunset",
    ] {
        assert!(said.contains(part), "{part} in {said}");
    }

    home.write(&lit_now(&broker));
    let daemon = home.start();
    daemon.status();
    assert!(daemon.stop().success());

    home.write(faulty);
    let daemon = home.start();
    let status = daemon.status();
    assert_eq!(status["channels"][0]["label"], "Jetty lamp", "the last good copy is in force");
    assert!(status["file"]["faults"].as_array().unwrap().len() >= 4, "{status}");
    daemon.until_logged(&["ERROR", "lampward.toml:10:9:"]);
    daemon.until_logged(&["going on with the last good copy"]);
}

#[test]
fn a_reload_follows_a_good_file_and_refuses_a_faulty_one() {
    let broker = Mosquitto::start();
    let plugs = Plugs::start(broker.port(), |_| true);
    let home = Home::new(&lit_now(&broker));
    let daemon = home.start();
    daemon.until_confirmed("yard/3", "on");

    home.write("[channel.jetty]\nlit = []\n");
    daemon.signal(Signal::HUP);
    until("the faults are shown", || (!daemon.status()["file"]["faults"].as_array().unwrap().is_empty()).then_some(()));
    assert_eq!(daemon.status()["channels"][0]["wanted"], "on", "the old rules go on");

    home.write(&dark_now(&broker));
    daemon.signal(Signal::HUP);
    plugs.until_got("yard/3/order", "off");
    daemon.until_confirmed("yard/3", "off");
    assert_eq!(daemon.status()["file"]["faults"], json!([]));
}

#[test]
fn saving_the_file_is_enough_however_the_editor_does_it() {
    let broker = Mosquitto::start();
    let plugs = Plugs::start(broker.port(), |_| true);
    let home = Home::new(&lit_now(&broker));
    let daemon = home.start();
    daemon.until_confirmed("yard/3", "on");

    // Written in place.
    home.write(&dark_now(&broker));
    daemon.until_confirmed("yard/3", "off");

    // A new file renamed over the old one.
    let text = std::fs::read_to_string(home.file()).unwrap();
    home.write(&lit_now(&broker));
    let lit = std::fs::read_to_string(home.file()).unwrap();
    std::fs::write(home.file(), &text).unwrap();
    let aside = home.file().with_extension("new");
    std::fs::write(&aside, lit).unwrap();
    std::fs::rename(&aside, home.file()).unwrap();
    daemon.until_confirmed("yard/3", "on");

    // Gone, and empty: refused, and the rules in force go on.
    std::fs::remove_file(home.file()).unwrap();
    let faults = || daemon.status()["file"]["faults"].clone();
    until("a missing file is a fault", || faults().to_string().contains("no such file").then_some(()));
    // A pipe is never waited for: the daemon would stand still with it.
    assert!(std::process::Command::new("mkfifo").arg(home.file()).status().unwrap().success());
    until("a pipe is a fault", || faults().to_string().contains("a pipe or a device").then_some(()));
    std::fs::remove_file(home.file()).unwrap();
    std::fs::write(home.file(), "").unwrap();
    until("an empty file is a fault", || faults().to_string().contains("[place]").then_some(()));
    assert_eq!(daemon.status()["channels"][0]["wanted"], "on");
    assert_eq!(
        plugs.got("yard/3/order").iter().map(|got| got.payload.as_str()).collect::<Vec<_>>(),
        ["on", "off", "on"]
    );
}

#[test]
fn a_clock_that_nobody_vouches_for_switches_nothing_and_says_so() {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    let kernel = runtime.block_on(async { Clock::real(ClockTrust::Synchronised).unwrap().kernel() });
    let broker = Mosquitto::start();
    let plugs = Plugs::start(broker.port(), |_| true);
    let home = Home::new(&format!("{}[clock]\ntrust = \"synchronised\"\n", lit_now(&broker)));
    let daemon = home.start();
    until("the link is up", || (daemon.status()["broker"]["link"] == "up").then_some(()));
    let status = daemon.status();
    if kernel == KernelClock::Synchronised {
        assert_eq!(
            status["clock"],
            json!({ "trusted": true, "because": "synchronised", "zone_rules": status["clock"]["zone_rules"] })
        );
        daemon.until_confirmed("yard/3", "on");
        return;
    }
    assert_eq!(status["clock"]["trusted"], false);
    assert_eq!(status["channels"][0]["wanted"], Value::Null);
    daemon.until_logged(&["ERROR", "the clock is not trusted"]);
    assert_eq!(daemon.ask("GET", "/health", None).unwrap().0, 503);
    let (code, answer) =
        daemon.ask("PUT", "/channels/jetty/override", Some("{\"wanted\":\"on\",\"until\":\"sunrise\"}")).unwrap();
    assert_eq!(code, 409, "{answer}");
    // A person's word still counts, and by the time it is carried out, a plan that was followed would have shown.
    set(&daemon, "on", "45 min");
    daemon.until_confirmed("yard/3", "on");
    let told = plugs.got("yard/3/order");
    assert!(told.iter().all(|got| got.payload == "on"), "{told:?}");
    assert_eq!(daemon.status()["channels"][0]["override"]["wanted"], "on");
}

#[test]
fn a_stop_leaves_the_lamps_and_says_goodbye() {
    let broker = Mosquitto::start();
    let plugs = Plugs::start(broker.port(), |_| true);
    let home = Home::new(&lit_now(&broker));
    let daemon = home.start();
    daemon.until_confirmed("yard/3", "on");
    let alive = "lampward/skarvholmen-nord/alive";
    plugs.until_got(alive, "here");
    assert!(daemon.stop().success());
    plugs.until_got(alive, "gone");
    assert_eq!(plugs.all().last().unwrap().topic, alive, "nothing is said after the goodbye: {:?}", plugs.all());
    assert_eq!(plugs.got("yard/3/order").len(), 1, "{:?}", plugs.all());
    let orderly = broker.logged("Received DISCONNECT from skarvholmen");
    assert_eq!(orderly, 1, "the connection was not closed in order\n{}", broker.log());
}

#[test]
fn without_an_address_it_serves_a_broker_that_plugs_can_use() {
    let port = free_port();
    let home = Home::new(&format!(
        "[broker]\nserve = \"127.0.0.1:{port}\"\n[channel.jetty]\nlabel = \"Jetty lamp\"\nplug = \"yard/3\"\n\
         lit = [{{ from = \"{}\", until = \"{}\" }}]\n",
        clock(-60),
        clock(60)
    ));
    let daemon = home.start();
    until("the link is up", || (daemon.status()["broker"]["link"] == "up").then_some(()));
    let plugs = Plugs::start(port, |_| true);
    plugs.until_got("yard/3/order", "on");
    daemon.until_confirmed("yard/3", "on");
    assert!(daemon.stop().success());
}

#[test]
fn the_commands_speak_with_the_running_daemon() {
    let broker = Mosquitto::start();
    let plugs = Plugs::start(broker.port(), |_| true);
    let home = Home::new(&dark_now(&broker));
    let (code, _, said) = finished(home.command(&["now"]));
    assert_eq!(code, 1, "nobody is there: {said}");

    let daemon = home.start();
    daemon.status();
    let (code, said, complaint) = finished(home.command(&["override", "jetty", "on", "--until", "2 h"]));
    assert_eq!(code, 0, "{complaint}");
    assert!(said.contains("on for 2 h"), "{said}");
    plugs.until_got("yard/3/order", "on");
    daemon.until_confirmed("yard/3", "on");
    let (code, said, _) = finished(home.command(&["now"]));
    assert_eq!(code, 0);
    for part in ["Jetty lamp", "on for 2 h"] {
        assert!(said.contains(part), "{part} in {said}");
    }
    assert_eq!(finished(home.command(&["cancel", "jetty"])).0, 0);
    daemon.until_confirmed("yard/3", "off");
    assert_eq!(finished(home.command(&["override", "jettty", "on"])).0, 2, "no such channel");
    assert_eq!(finished(home.command(&["override", "jetty", "on", "--until", "sunsett"])).0, 2, "no such moment");
}

#[test]
fn the_demo_switches_make_believe_lamps_on_ports_that_are_free() {
    // Whoever runs the tests may have the usual ports in use; the demo must not mind.
    let _page = std::net::TcpListener::bind("127.0.0.1:8460");
    let mut child = std::process::Command::new(env!("CARGO_BIN_EXE_lampward"))
        .args(["demo", "--speed", "4000"])
        .stdout(std::process::Stdio::piped())
        .stderr(std::process::Stdio::inherit())
        .spawn()
        .unwrap();
    let said = collect(child.stdout.take().unwrap());
    let page = until("the page's address", || {
        let said = said.lock().unwrap();
        let address = said.split("http://").nth(1)?.split('/').next()?.to_owned();
        address.parse::<std::net::SocketAddr>().ok()
    });
    for wanted in ["on", "off"] {
        until(&format!("the jetty lamp goes {wanted}"), || {
            let said = said.lock().unwrap();
            let found = said.lines().filter_map(|line| line.split_once("Jetty lamp ")).any(|(_, rest)| {
                let mut words = rest.split_whitespace();
                words.next() == Some(wanted) && words.next().is_some_and(|word| word != "missed:")
            });
            found.then_some(())
        });
    }
    let (code, status) = request(page, "GET", "/status", None).unwrap();
    assert_eq!((code, &status["place"]["name"]), (200, &json!("Skarvholmen")));
    assert!(
        status["channels"].as_array().unwrap().iter().any(|channel| channel["next"]["because"].is_string()),
        "{status}"
    );
    rustix::process::kill_process(rustix::process::Pid::from_child(&child), Signal::INT).unwrap();
    let ended = until("the demo ends", || child.try_wait().unwrap());
    assert!(ended.success(), "{ended}");
}

#[test]
fn what_was_due_before_the_first_start_of_all_is_neither_late_nor_missed() {
    let broker = Mosquitto::start();
    let _plugs = Plugs::start(broker.port(), |_| true);
    // Due within the 2 min before, which is as far back as a restart looks.
    let home = Home::new(&one_lamp(&broker, &clock(-1), &clock(60)));
    let daemon = home.start();
    daemon.until_confirmed("yard/3", "on");
    daemon.kill();
    let daemon = home.start();
    daemon.until_confirmed("yard/3", "on");
    let kinds = until("the daybook answers", || {
        let (code, past) = daemon.ask("GET", "/past?days=1", None)?;
        let entries = past["entries"].as_array()?;
        (code == 200).then(|| entries.iter().map(|entry| entry["kind"].to_string()).collect::<Vec<_>>())
    });
    assert!(!kinds.is_empty() && kinds.iter().all(|kind| kind == "\"switched\""), "{kinds:?}\n{}", daemon.log());
}

#[test]
fn when_a_crowd_has_gone_another_thread_answers_and_a_stop_still_ends_it() {
    let home = Home::new("[broker]\naddress = \"mqtt://127.0.0.1:1\"\n");
    let daemon = home.start();
    // One thread as a rule; for a moment none.
    let thread = || {
        let tasks =
            std::fs::read_dir(format!("/proc/{}/task", daemon.pid().as_raw_nonzero())).expect("the daemon runs");
        let called = |task: &std::path::PathBuf| {
            std::fs::read_to_string(task.join("comm")).is_ok_and(|name| name.trim_end() == "web")
        };
        tasks.filter_map(|task| Some(task.ok()?.path())).find(called)
    };
    let first = until("the page has a thread", thread);
    for _ in 0..1_000 {
        until("the page answers", || daemon.ask("GET", "/health", None));
    }
    until("what the crowd took goes with its thread", || thread().filter(|now| *now != first));
    assert_eq!(daemon.status()["place"]["name"], "Skarvholmen Nord");
    assert_eq!(daemon.stop().code(), Some(0));
}

#[test]
fn how_much_is_logged_can_be_chosen_and_a_slip_in_it_is_told() {
    let home = Home::new("[broker]\naddress = \"mqtt://127.0.0.1:1\"\n");
    let by = |asked: &str| {
        let mut program = std::process::Command::new("env");
        program.arg(format!("RUST_LOG={asked}")).arg(env!("CARGO_BIN_EXE_lampward"));
        program
    };
    let daemon = home.start_by(by("lampward=loud"));
    daemon.until_logged(&["RUST_LOG=lampward=loud is not understood", "info,lampward=debug"]);
    daemon.until_logged(&["the broker is not there"]);
    daemon.signal(Signal::TERM);
    until("it ends", || daemon.ended());
    let told = daemon.log().len();
    let daemon = home.start_by(by("error"));
    assert_eq!(until("the page answers", || daemon.ask("GET", "/health", None)).0, 503);
    daemon.signal(Signal::TERM);
    until("it ends", || daemon.ended());
    assert_eq!(&daemon.log()[told..], "");
}
