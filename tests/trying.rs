//! `lampward try` and `POST /channels/{name}/try`: the real binary, a real mosquitto, and plugs that are not ours.

#[path = "common/house.rs"]
mod house;
#[path = "common/mosquitto.rs"]
mod mosquitto;

use std::process::{Child, Stdio};

use house::{Daemon, Home, Plugs, clock, finished, free_port, until};
use mosquitto::{Mosquitto, program};
use rustix::process::{Pid, Signal, kill_process};
use serde_json::{Value, json};

/// A lamp on `yard/3` that is lit now and for an hour or more.
fn lit_now(broker: &Mosquitto) -> String {
    format!(
        "[broker]\naddress = \"mqtt://{}\"\n[channel.jetty]\nlabel = \"Jetty lamp\"\nplug = \"yard/3\"\n\
         lit = [{{ from = \"{}\", until = \"{}\" }}]\n",
        broker.address(),
        clock(-60),
        clock(120)
    )
}

/// A plug on `yard/3` that takes orders and says what it does on a topic of its choice.
struct OnAnotherTopic(Child);

impl OnAnotherTopic {
    fn start(broker: &Mosquitto) -> OnAnotherTopic {
        let at = format!("-h 127.0.0.1 -p {}", broker.port());
        let script = format!(
            "stdbuf -oL mosquitto_sub {at} -t yard/3/order -d -F %p | while read -r word rest; do \
             case $word in on) s=true;; off) s=false;; *) echo \"$word $rest\" >&2; continue;; esac; \
             mosquitto_pub {at} -q 1 -t yard/3/state -m \"{{\\\"n\\\":$RANDOM,\\\"relay\\\":$s}}\"; done"
        );
        let mut command = program("setsid");
        let mut child = command
            .args(["bash", "-c", &script])
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::piped())
            .spawn();
        let child_ref = child.as_mut().expect("bash is there");
        let said = house::collect(child_ref.stderr.take().expect("it is piped"));
        until("the plug listens", || said.lock().unwrap().contains("received SUBACK").then_some(()));
        OnAnotherTopic(child.expect("bash is there"))
    }
}

impl Drop for OnAnotherTopic {
    fn drop(&mut self) {
        // The whole group, which is ours: the shell and what it started.
        let _ = rustix::process::kill_process_group(Pid::from_child(&self.0), Signal::KILL);
        let _ = self.0.wait();
    }
}

/// `lampward try jetty`; exit code, standard output, standard error.
fn tries(home: &Home, words: &[&str]) -> (i32, String, String) {
    finished(home.command(&[&["try", "jetty"], words].concat()))
}

fn daemon_with_lamp_on(home: &Home) -> Daemon {
    let daemon = home.start();
    daemon.until_confirmed("yard/3", "on");
    daemon
}

/// Every word the plug was told, in order.
fn told(plugs: &Plugs) -> Vec<String> {
    plugs.got("yard/3/order").into_iter().map(|got| got.payload).collect()
}

#[test]
fn a_running_daemon_blinks_the_plug_and_says_that_it_answered() {
    let broker = Mosquitto::start();
    let plugs = Plugs::start(broker.port(), |_| true);
    let home = Home::new(&lit_now(&broker));
    let daemon = daemon_with_lamp_on(&home);
    let (code, out, err) = tries(&home, &["--format", "json"]);
    assert_eq!((code, err.as_str()), (0, ""), "{out}\n{}", daemon.log());
    let tried: Value = serde_json::from_str(&out).unwrap();
    let plug = &tried["plugs"][0];
    assert_eq!(tried["channel"], "jetty");
    assert_eq!((&tried["answered"], &tried["ended_early"]), (&json!(true), &Value::Null));
    assert_eq!((&plug["plug"], &plug["commands"], &plug["answers"]), (&json!("yard/3"), &json!(5), &json!(5)));
    assert!(plug["because"].as_str().unwrap().starts_with("answered all 5 commands, after 0."), "{plug}");
    assert_eq!((plug["back_to"].as_str(), plug["delivery"].as_str()), (Some("on"), Some("confirmed")));
    assert_eq!(told(&plugs), ["on", "off", "on", "off", "on", "off", "on"]);
    daemon.until_confirmed("yard/3", "on");
    let status = daemon.status();
    assert_eq!(status["missed"], json!([]));
    assert_eq!(daemon.plug("yard/3")["hand"], Value::Null);
    let (code, answer) = daemon.ask("POST", "/channels/jety/try", None).unwrap();
    assert_eq!((code, answer["detail"].as_str()), (404, Some("there is no channel `jety`; there are jetty")));
}

#[test]
fn a_running_daemon_finds_the_topic_on_which_the_plug_answers() {
    let broker = Mosquitto::start();
    let _plug = OnAnotherTopic::start(&broker);
    let home = Home::new(&lit_now(&broker));
    let daemon = home.start();
    until("the lamp was told", || (daemon.plug("yard/3")["delivery"] == "unanswered").then_some(()));
    let (code, out, err) = tries(&home, &[]);
    assert_eq!((code, err.as_str()), (1, ""), "{out}\n{}", daemon.log());
    assert!(out.contains("did not answer: nothing came on yard/3/report"), "{out}");
    let line = r#"report = { topic = "{plug}/state", pointer = "/relay", on = true, off = false }"#;
    assert!(out.contains("yard/3/state said `") && out.contains(line), "{out}");
    assert_eq!(daemon.status()["missed"], json!([]));
}

#[test]
fn a_daemon_killed_in_the_middle_of_a_try_has_the_lamp_on_again_after_its_start() {
    let broker = Mosquitto::start();
    let plugs = Plugs::start(broker.port(), |_| true);
    let home = Home::new(&lit_now(&broker));
    let daemon = daemon_with_lamp_on(&home);
    let mut trying = home.command(&["try", "jetty"]).stdout(Stdio::null()).stderr(Stdio::piped()).spawn().unwrap();
    plugs.until_got("yard/3/order", "off");
    daemon.kill();
    let said = house::collect(trying.stderr.take().unwrap());
    assert_eq!(trying.wait().unwrap().code(), Some(1), "{}", said.lock().unwrap());
    let daemon = home.start();
    daemon.until_confirmed("yard/3", "on");
}

#[test]
fn a_daemon_stopped_in_the_middle_of_a_try_leaves_the_lamp_as_wanted() {
    let broker = Mosquitto::start();
    let plugs = Plugs::start(broker.port(), |_| true);
    let home = Home::new(&lit_now(&broker));
    let daemon = daemon_with_lamp_on(&home);
    let mut trying = home.command(&["try", "jetty"]).stdout(Stdio::piped()).stderr(Stdio::null()).spawn().unwrap();
    plugs.until_got("yard/3/order", "off");
    assert!(daemon.stop().success());
    assert_eq!(trying.wait().unwrap().code(), Some(1));
    until("the lamp is told to be on", || (told(&plugs).last()? == "on").then_some(()));
}

#[test]
fn without_a_daemon_the_plug_blinks_and_is_put_back_to_what_it_said() {
    let broker = Mosquitto::start();
    for before in ["on", "off"] {
        broker.publish("yard/3/report", before.as_bytes(), true);
        let plugs = Plugs::start(broker.port(), |_| true);
        let home = Home::new(&lit_now(&broker));
        let (code, out, err) = tries(&home, &[]);
        assert_eq!(code, 0, "{out}\n{err}");
        assert!(err.contains("no lampward answers at 127.0.0.1:") && err.contains("without one"), "{err}");
        assert!(out.contains("yard/3  answered all 5 commands, after 0."), "{out}");
        assert!(out.contains(&format!("back to {before}, as it said before: the plug confirmed it")), "{out}");
        assert_eq!(told(&plugs).last().map(String::as_str), Some(before));
        let ours: Vec<_> = plugs.all().into_iter().filter(|got| got.topic.starts_with("lampward/")).collect();
        assert_eq!(ours, [], "it says nothing in the name of a daemon");
    }
}

#[test]
fn without_a_daemon_a_silent_plug_is_put_off_and_its_answer_elsewhere_is_found() {
    let broker = Mosquitto::start();
    let home = Home::new(&lit_now(&broker));
    let plugs = Plugs::start(broker.port(), |_| false);
    let (code, out, _) = tries(&home, &[]);
    assert_eq!(code, 1, "{out}");
    assert!(out.contains("did not answer: nothing came on yard/3/report"), "{out}");
    assert!(out.contains("back to off, it had not said how it was"), "{out}");
    assert_eq!(told(&plugs).last().map(String::as_str), Some("off"));
    drop(plugs);

    let _plug = OnAnotherTopic::start(&broker);
    let (code, out, _) = tries(&home, &["--format", "json"]);
    let tried: Value = serde_json::from_str(&out).unwrap();
    assert_eq!((code, &tried["answered"]), (1, &json!(false)));
    let line = r#"report = { topic = "{plug}/state", pointer = "/relay", on = true, off = false }"#;
    assert_eq!(
        (&tried["elsewhere"][0]["topic"], &tried["elsewhere"][0]["report"]),
        (&json!("yard/3/state"), &json!(line))
    );
}

#[test]
fn without_a_daemon_an_interrupt_puts_the_lamp_back() {
    let broker = Mosquitto::start();
    broker.publish("yard/3/report", b"on", true);
    let plugs = Plugs::start(broker.port(), |_| true);
    let home = Home::new(&lit_now(&broker));
    let mut trying = home.command(&["try", "jetty"]).stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap();
    plugs.until_got("yard/3/order", "off");
    kill_process(Pid::from_child(&trying), Signal::INT).unwrap();
    assert_eq!(trying.wait().unwrap().code(), Some(1));
    until("the lamp is told to be on", || (told(&plugs).last()? == "on").then_some(()));
}

#[test]
fn without_a_daemon_the_words_say_what_is_wanting() {
    let broker = Mosquitto::start();
    let home = Home::new(&lit_now(&broker));
    let (code, _, err) = finished(home.command(&["try", "jety"]));
    assert_eq!((code, err.trim()), (2, "there is no channel `jety`; there are jetty; nearest: jetty"));

    let nobody = format!("127.0.0.1:{}", free_port());
    let (code, _, err) = tries(&home, &["--address", &nobody]);
    assert_eq!(code, 1);
    assert!(err.contains(&format!("no lampward answers at {nobody}")), "{err}");

    drop(broker);
    let (code, _, err) = tries(&home, &[]);
    assert_eq!(code, 1);
    assert!(err.contains("cannot reach the broker at 127.0.0.1:") && err.contains("connection refused"), "{err}");

    home.write(
        "[channel.jetty]\nlabel = \"Jetty lamp\"\nplug = \"yard/3\"\nlit = [{ from = \"18:00\", until = \"23:00\" }]\n",
    );
    let (code, _, err) = tries(&home, &[]);
    assert_eq!(code, 1);
    assert!(err.contains("names no broker") && err.contains("lampward run"), "{err}");

    home.write("[channel.jetty]\nlabel = 3\n");
    let (code, _, err) = tries(&home, &[]);
    assert_eq!(code, 2, "{err}");
}
