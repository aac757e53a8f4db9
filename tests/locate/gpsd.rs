//! gpsd: a make-believe one that speaks the recorded protocol, and the real one with a receiver on a pseudo-terminal.

use std::io::{BufRead, BufReader, Write};
use std::net::{TcpListener, TcpStream};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use crate::receiver::Receiver;
use crate::{check_failure, check_pulled, json};

/// Recorded from gpsd 3.22, shortened.
const HELLO: &str = r#"{"class":"VERSION","release":"3.22","rev":"3.22","proto_major":3,"proto_minor":14}"#;
const DEVICES: &str = r#"{"class":"DEVICES","devices":[{"class":"DEVICE","path":"/dev/pts/0","driver":"NMEA0183","activated":"2026-11-25T03:00:30.585Z","bps":38400,"parity":"N","stopbits":1,"cycle":1.00}]}
{"class":"WATCH","enable":true,"json":true,"nmea":false,"raw":0,"scaled":false,"timing":false,"split24":false,"pps":false}"#;
const FIX: &str = r#"{"class":"TPV","device":"/dev/pts/0","mode":3,"time":"2026-11-25T03:00:30.880Z","ept":0.005,"lat":59.741200000,"lon":5.209700000,"alt":12.0000,"eph":17.100}"#;
const NO_FIX: &str = r#"{"class":"TPV","device":"/dev/pts/0","mode":1}
{"class":"SKY","device":"/dev/pts/0","satellites":[{"PRN":3,"used":false},{"PRN":9,"used":true}]}"#;

/// Says its greeting, waits to be asked, says the rest, and hangs up or holds the line. Its address.
fn make_believe(greeting: &str, rest: Vec<String>, holds: bool) -> String {
    let listener = TcpListener::bind("127.0.0.1:0").expect("a free port");
    let address = listener.local_addr().expect("it listens").to_string();
    let greeting = greeting.to_owned();
    std::thread::spawn(move || {
        let (mut peer, _) = listener.accept().expect("somebody comes");
        // Whoever asked may have gone: then there is nobody to speak to.
        let _ = peer.write_all(format!("{greeting}\n").as_bytes());
        let mut asked = BufReader::new(peer.try_clone().expect("a socket"));
        let mut line = String::new();
        let _ = asked.read_line(&mut line);
        assert!(greeting.is_empty() || line == "?WATCH={\"enable\":true,\"json\":true};\n", "{line}");
        for text in rest {
            let _ = peer.write_all(format!("{text}\n").as_bytes());
        }
        while holds && asked.read_line(&mut line).is_ok_and(|length| length > 0) {}
    });
    address
}

#[track_caller]
fn check_wrong(greeting: &str, rest: &[&str], holds: bool, words: &[&str]) {
    let address = make_believe(greeting, rest.iter().map(|text| (*text).to_owned()).collect(), holds);
    check_failure(&["--gpsd", &address, "--wait", "3 s"], words);
}

#[test]
fn ten_fixes_make_a_place() {
    let rest = [vec![DEVICES.to_owned(), NO_FIX.to_owned()], vec![FIX.to_owned(); 10]].concat();
    let answer = json(&["--gpsd", &make_believe(HELLO, rest, true)]);
    assert_eq!((&answer["position"], &answer["fixes"]), (&"59.7412 N, 5.2097 E".into(), &10.into()));
}

#[test]
fn when_the_time_is_up_a_few_fixes_will_do() {
    let rest = [vec![DEVICES.to_owned()], vec![FIX.to_owned(); 4]].concat();
    let answer = json(&["--gpsd", &make_believe(HELLO, rest, true), "--wait", "3 s"]);
    assert_eq!((&answer["position"], &answer["fixes"]), (&"59.7412 N, 5.2097 E".into(), &4.into()));
    check_wrong(HELLO, &[DEVICES, FIX, FIX], true, &["within 3 s: 2 of 3 fixes"]);
}

#[test]
fn each_way_of_failing_has_its_own_words() {
    check_wrong(
        HELLO,
        &[DEVICES, NO_FIX],
        true,
        &["within 3 s: ", "has no fix (1 of 2 satellites used)", "view of the sky"],
    );
    check_wrong(HELLO, &[DEVICES], true, &["has heard nothing that it understands from /dev/pts/0"]);
    check_wrong(HELLO, &[r#"{"class":"DEVICES","devices":[]}"#], true, &["gpsd runs, but has no receiver"]);
    check_wrong(HELLO, &[DEVICES, FIX], false, &["gpsd has closed the connection"]);
    let lost = r#"{"class":"DEVICE","path":"/dev/pts/0","activated":0}"#;
    check_wrong(HELLO, &[DEVICES, FIX, lost], true, &["gpsd has lost the receiver /dev/pts/0", "unplugged"]);
    check_wrong("SSH-2.0-example", &[], true, &["what answers there is not gpsd"]);
    check_wrong(&"x".repeat(100_000), &[], true, &["what answers there is not gpsd"]);
    check_wrong("", &[], true, &["says nothing: is that gpsd?"]);
}

#[test]
fn gpsd_that_is_not_there_is_named_with_what_to_do() {
    let free = TcpListener::bind("127.0.0.1:0").expect("a free port").local_addr().expect("it listens").to_string();
    let words = ["does not answer at 127.0.0.1:", "connection refused", "the package gpsd", "--serial DEVICE"];
    check_failure(&["--gpsd", &free], &words);
    check_failure(&["--gpsd", "nonsense"], &["nonsense is no address of gpsd", "expected HOST:PORT"]);
}

/// The real gpsd, reading a receiver.
struct Gpsd {
    child: Child,
    address: String,
}

impl Gpsd {
    fn start(device: &str) -> Gpsd {
        // Another program may take the port between our look and gpsd's bind: then another one is tried.
        for _ in 0..10 {
            let address = TcpListener::bind("127.0.0.1:0").expect("a free port").local_addr().expect("it listens");
            let path = std::env::var("PATH").unwrap_or_default() + ":/usr/sbin:/usr/local/sbin";
            let mut child = Command::new("gpsd")
                .args(["-N", "-n", "-S", &address.port().to_string(), device])
                .env("PATH", path)
                .stdin(Stdio::null())
                .stderr(Stdio::null())
                .spawn()
                .expect("gpsd starts: is the package gpsd installed?");
            let begun = Instant::now();
            while begun.elapsed() < Duration::from_secs(20) && matches!(child.try_wait(), Ok(None)) {
                if TcpStream::connect(address).is_ok() {
                    return Gpsd { child, address: address.to_string() };
                }
                std::thread::sleep(Duration::from_millis(20));
            }
            let _ = child.kill();
            let _ = child.wait();
        }
        panic!("gpsd does not listen");
    }
}

impl Drop for Gpsd {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

#[test]
fn the_real_gpsd_tells_the_place_to_five_decimals() {
    // 48.1234 / 60 = 0.802057; 18.2468 / 60 = 0.304113.
    let receiver = Receiver::start(&["5448.1234,S,06818.2468,W", "--every", "0.2"]);
    let gpsd = Gpsd::start(receiver.device());
    let answer = json(&["--gpsd", &gpsd.address, "--wait", "1 min"]);
    assert_eq!((&answer["position"], &answer["fixes"]), (&"54.80206 S, 68.30411 W".into(), &10.into()));
    assert!(answer["clock"]["ahead_s"].as_f64().is_some_and(|ahead| ahead.abs() < 60.0), "{answer}");
}

#[test]
fn the_real_gpsd_tells_of_a_receiver_without_a_fix_and_of_garbage() {
    let receiver = Receiver::start(&["--says", "none", "--every", "0.2"]);
    let gpsd = Gpsd::start(receiver.device());
    check_failure(&["--gpsd", &gpsd.address, "--wait", "12 s"], &["has no fix", "view of the sky"]);

    let receiver = Receiver::start(&["--says", "garbage"]);
    let gpsd = Gpsd::start(receiver.device());
    check_failure(
        &["--gpsd", &gpsd.address, "--wait", "5 s"],
        &["has heard nothing that it understands from /dev/pts/"],
    );
}

#[test]
fn the_real_gpsd_makes_no_place_of_wrong_checksums() {
    let receiver = Receiver::start(&["--says", "checksums", "--every", "0.2"]);
    let gpsd = Gpsd::start(receiver.device());
    check_failure(
        &["--gpsd", &gpsd.address, "--wait", "5 s"],
        &["has heard nothing that it understands from /dev/pts/"],
    );
}

#[test]
fn a_receiver_pulled_from_the_real_gpsd_is_missed() {
    let receiver = Receiver::start(&["--says", "none", "--every", "0.2"]);
    let gpsd = Gpsd::start(receiver.device());
    // gpsd says that it lost it, or falls silent, as it finds out.
    check_pulled(&["--gpsd", &gpsd.address, "--wait", "2 min"], receiver, &["no position from gpsd at ", "unplugged"]);
}
