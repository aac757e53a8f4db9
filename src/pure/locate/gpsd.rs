//! gpsd's JSON protocol (gpsd_json(5)), as far as a position needs it: one message a line.

use chrono::{DateTime, Utc};
use serde::Deserialize;
use serde_json::Value;

use super::{Listener, Word, position};

/// Asks gpsd to say what its receivers say.
pub const WATCH: &str = "?WATCH={\"enable\":true,\"json\":true};\n";

/// What gpsd has said so far.
#[derive(Clone, Debug, Default)]
pub struct Gpsd {
    greeted: bool,
    /// The first line was no message of gpsd's.
    stranger: bool,
    /// The receivers that it has, once it has said so.
    receivers: Option<Vec<String>>,
    /// What it said when it refused us.
    refused: Option<String>,
    /// It has passed on something of a receiver.
    heard: bool,
    /// The receiver that it lost after that.
    lost: Option<String>,
    /// Used and seen satellites.
    satellites: Option<(usize, usize)>,
}

#[derive(Deserialize)]
#[serde(tag = "class")]
enum Message {
    #[serde(rename = "VERSION")]
    Version {},
    #[serde(rename = "DEVICES")]
    Devices { devices: Vec<Device> },
    #[serde(rename = "DEVICE")]
    Device(Device),
    #[serde(rename = "TPV")]
    Tpv(Tpv),
    #[serde(rename = "SKY")]
    Sky { satellites: Option<Vec<Satellite>> },
    #[serde(rename = "ERROR")]
    Error { message: Option<String> },
    #[serde(other)]
    Other,
}

#[derive(Deserialize)]
struct Device {
    path: Option<String>,
    /// When it was opened; the number 0 once it is closed.
    activated: Option<Value>,
}

/// Time, position, velocity.
#[derive(Deserialize)]
struct Tpv {
    /// 0 and 1: no fix; 2: without altitude; 3: with it.
    mode: Option<u8>,
    lat: Option<f64>,
    lon: Option<f64>,
    time: Option<DateTime<Utc>>,
}

#[derive(Deserialize)]
struct Satellite {
    #[serde(default)]
    used: bool,
}

impl Listener for Gpsd {
    fn hear(&mut self, line: &[u8]) -> Word {
        if line.trim_ascii().is_empty() {
            return Word::default();
        }
        match serde_json::from_slice(line) {
            Ok(message) => {
                self.greeted = true;
                self.take(message)
            }
            Err(_) => {
                // Later ones are passed over: a newer gpsd may say things in another way.
                self.stranger |= !self.greeted;
                Word::default()
            }
        }
    }

    fn hopeless(&self) -> Option<String> {
        if self.stranger {
            return Some("what answers there is not gpsd".to_owned());
        }
        if let Some(lost) = &self.lost {
            return Some(format!("gpsd has lost the receiver {lost}: is it unplugged?"));
        }
        if let Some(refused) = &self.refused {
            return Some(format!("gpsd refuses to tell the position: {refused}"));
        }
        self.receivers.as_ref().is_some_and(Vec::is_empty).then(|| {
            "gpsd runs, but has no receiver: plug it in, or tell gpsd of it (DEVICES in /etc/default/gpsd), and try again"
                .to_owned()
        })
    }

    fn status(&self) -> String {
        match (self.greeted, self.satellites) {
            (false, _) => "waiting for gpsd to answer".to_owned(),
            (true, None) if !self.heard => format!("waiting for {}", self.names()),
            (true, None) => "no fix yet".to_owned(),
            (true, Some((used, seen))) => format!("no fix yet, {used} of {seen} satellites used"),
        }
    }

    fn no_fix(&self) -> String {
        if !self.greeted {
            return "it takes the connection, but says nothing: is that gpsd?".to_owned();
        }
        if !self.heard {
            return format!(
                "gpsd has heard nothing that it understands from {}: is the receiver powered, is that the right device, and \
                 does it speak at a speed that gpsd tries?",
                self.names()
            );
        }
        let satellites = self.satellites.map(|(used, seen)| format!(" ({used} of {seen} satellites used)"));
        format!(
            "gpsd hears the receiver, but it has no fix{}: give it a free view of the sky, and wait longer \
             (--wait \"15 min\"); the first fix after a long rest takes the longest",
            satellites.unwrap_or_default()
        )
    }

    fn silent(&self) -> Option<String> {
        let why = || format!("gpsd hears nothing any more from {}: is it unplugged, or without power?", self.names());
        self.heard.then(why)
    }

    fn ended(&self) -> String {
        match self.greeted {
            true => "gpsd has closed the connection: was it stopped?".to_owned(),
            false => "what answers there closes the connection at once: is that gpsd?".to_owned(),
        }
    }
}

impl Gpsd {
    fn take(&mut self, message: Message) -> Word {
        match message {
            Message::Devices { devices } => {
                let receivers: Vec<String> = devices.into_iter().filter_map(|device| device.path).collect();
                if receivers.is_empty() && self.heard {
                    self.lost = Some(self.names());
                }
                self.receivers = Some(receivers);
            }
            Message::Device(Device { path, activated }) => {
                let path = path.unwrap_or_else(|| "that it had".to_owned());
                let closed = activated.is_some_and(|activated| activated.as_f64() == Some(0.0));
                if closed && self.heard {
                    self.lost = Some(path);
                } else if let Some(receivers) = &mut self.receivers
                    && !receivers.contains(&path)
                {
                    receivers.push(path);
                }
            }
            Message::Tpv(tpv) => {
                self.heard = true;
                self.lost = None;
                if tpv.mode.is_some_and(|mode| mode >= 2) {
                    let place = tpv.lat.zip(tpv.lon);
                    return Word { position: place.and_then(|(lat, lon)| position(lat, lon)), time: tpv.time };
                }
            }
            Message::Sky { satellites: Some(satellites) } => {
                self.heard = true;
                let used = satellites.iter().filter(|satellite| satellite.used).count();
                self.satellites = Some((used, satellites.len()));
            }
            Message::Error { message } => {
                self.refused = Some(message.unwrap_or_else(|| "it does not say why".to_owned()))
            }
            Message::Version {} | Message::Sky { satellites: None } | Message::Other => {}
        }
        Word::default()
    }

    fn names(&self) -> String {
        match self.receivers.as_deref() {
            Some(receivers @ [_, ..]) => receivers.join(", "),
            _ => "a receiver".to_owned(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Recorded from gpsd 3.22 on a pseudo-terminal, shortened.
    const HELLO: [&str; 3] = [
        r#"{"class":"VERSION","release":"3.22","rev":"3.22","proto_major":3,"proto_minor":14}"#,
        r#"{"class":"DEVICES","devices":[{"class":"DEVICE","path":"/dev/pts/0","driver":"NMEA0183","activated":"2026-11-25T03:00:30.585Z","flags":1,"native":0,"bps":38400,"parity":"N","stopbits":1,"cycle":1.00}]}"#,
        r#"{"class":"WATCH","enable":true,"json":true,"nmea":false,"raw":0,"scaled":false,"timing":false,"split24":false,"pps":false}"#,
    ];
    const TPV: &str = r#"{"class":"TPV","device":"/dev/pts/0","mode":3,"time":"2026-11-25T03:00:30.880Z","ept":0.005,"lat":59.741200000,"lon":5.209700000,"altHAE":57.0000,"altMSL":12.0000,"alt":12.0000,"track":0.0000,"magtrack":1.2309,"magvar":1.2,"speed":0.000,"climb":0.000,"geoidSep":45.000,"eph":17.100}"#;

    fn heard(lines: &[&str]) -> (Gpsd, Vec<String>) {
        let mut gpsd = Gpsd::default();
        let mut found = Vec::new();
        for line in lines {
            let word = gpsd.hear(line.as_bytes());
            found.extend(word.position.map(|place| place.to_string()));
            found.extend(word.time.map(|time| time.to_rfc3339()));
        }
        (gpsd, found)
    }

    #[track_caller]
    fn check_hopeless(more: &[&str], expected: &str) {
        let (gpsd, _) = heard(&[&HELLO, more].concat());
        assert!(gpsd.hopeless().is_some_and(|why| why.contains(expected)), "{:?}", gpsd.hopeless());
    }

    #[test]
    fn a_fix_gives_position_and_time_and_what_is_not_known_is_passed_over() {
        let odd = r#"{"class":"MADE-UP","mode":"what"}"#;
        let (gpsd, found) =
            heard(&[HELLO[0], HELLO[1], HELLO[2], odd, "{broken", r#"{"class":"TPV","mode":"x"}"#, TPV]);
        assert_eq!(found, ["59.7412 N, 5.2097 E", "2026-11-25T03:00:30.880+00:00"]);
        assert_eq!(gpsd.hopeless(), None);
    }

    #[test]
    fn no_fix_is_no_position() {
        let (gpsd, found) = heard(&[
            HELLO[0],
            HELLO[1],
            r#"{"class":"TPV","device":"/dev/pts/0","mode":1,"lat":0.0,"lon":0.0}"#,
            r#"{"class":"TPV","device":"/dev/pts/0","mode":3,"lat":95.0,"lon":5.0}"#,
            r#"{"class":"SKY","satellites":[{"PRN":3,"used":true},{"PRN":4,"used":false}]}"#,
            r#"{"class":"SKY","xdop":1.2}"#,
        ]);
        assert!(found.is_empty());
        assert_eq!(gpsd.status(), "no fix yet, 1 of 2 satellites used");
        assert!(gpsd.no_fix().contains("free view of the sky"));
    }

    #[test]
    fn what_stands_in_the_way_is_told_at_once() {
        check_hopeless(&[r#"{"class":"DEVICES","devices":[]}"#], "has no receiver");
        check_hopeless(
            &[TPV, r#"{"class":"DEVICE","path":"/dev/pts/0","activated":0}"#],
            "has lost the receiver /dev/pts/0",
        );
        check_hopeless(&[TPV, r#"{"class":"DEVICES","devices":[]}"#], "has lost the receiver /dev/pts/0");
        check_hopeless(&[r#"{"class":"ERROR","message":"Bad attempt"}"#], "refuses to tell the position: Bad attempt");
        let (stranger, _) = heard(&["SSH-2.0-example"]);
        assert_eq!(stranger.hopeless().as_deref(), Some("what answers there is not gpsd"));
    }

    #[test]
    fn a_receiver_that_gpsd_has_not_opened_yet_is_not_lost() {
        let (gpsd, _) = heard(&[HELLO[0], HELLO[1], r#"{"class":"DEVICE","path":"/dev/pts/0","activated":0}"#]);
        assert_eq!(gpsd.hopeless(), None);
        assert_eq!(gpsd.status(), "waiting for /dev/pts/0");
    }
}
