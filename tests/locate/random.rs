//! What a bad line or a stranger may say: nothing of it breaks anything, and a place off the Earth never comes of it.

use lampward::pure::config::read;
use lampward::pure::edit::with_place;
use lampward::pure::locate::{Gpsd, Listener, Nmea, Word};
use proptest::prelude::*;

/// A sentence with its right checksum: what is odd in it gets as far as its fields are read.
fn sound(body: &str) -> Vec<u8> {
    let sum = body.bytes().fold(0, |sum, byte| sum ^ byte);
    format!("${body}*{sum:02X}").into_bytes()
}

/// Fields as receivers write them, and such as none should.
fn field() -> impl Strategy<Value = String> {
    prop_oneof![
        "[0-9]{6}(\\.[0-9]{0,3})?",
        "[0-9]{4}\\.[0-9]{0,9}",
        "[0-9]{5}\\.[0-9]{0,9}",
        "[NSEWAVDM0-9]",
        "[-+]?[0-9]{0,25}\\.?[0-9]{0,25}(e-?[0-9]{1,3})?",
        Just(String::new()),
        Just("NaN".to_owned()),
        Just("inf".to_owned()),
        "[ -)+-~]{0,12}",
    ]
}

fn sentence() -> impl Strategy<Value = Vec<u8>> {
    let kind = prop_oneof![Just("GPRMC"), Just("GNGGA"), Just("GPGSV"), Just("GPZDA"), Just("P"), Just("")];
    (kind, prop::collection::vec(field(), 0..16))
        .prop_map(|(kind, fields)| sound(&format!("{kind},{}", fields.join(","))))
}

/// RMC and GGA with one field exchanged, so that the others are read up to it.
fn nearly() -> impl Strategy<Value = Vec<u8>> {
    let good = prop_oneof![
        Just("GPRMC,031204.00,A,5944.4720,N,00512.5820,E,0.0,0.0,251126,,,A"),
        Just("GPGGA,031204.00,5944.4720,N,00512.5820,E,1,08,0.9,12.0,M,45.0,M,,"),
    ];
    (good, 1..13_usize, field()).prop_map(|(good, at, odd)| {
        let mut fields: Vec<&str> = good.split(',').collect();
        fields[at] = &odd;
        sound(&fields.join(","))
    })
}

fn message() -> impl Strategy<Value = Vec<u8>> {
    let class = prop_oneof![
        Just("TPV"),
        Just("SKY"),
        Just("DEVICES"),
        Just("DEVICE"),
        Just("ERROR"),
        Just("VERSION"),
        Just("x")
    ];
    let value = prop_oneof![
        Just("null".to_owned()),
        Just("[]".to_owned()),
        Just("[{\"used\":true},{\"path\":\"/dev/pts/0\"}]".to_owned()),
        Just("\"2026-11-25T03:00:30.880Z\"".to_owned()),
        "-?[1-9][0-9]{0,20}(\\.[0-9]{1,20})?",
    ];
    let key = prop_oneof![
        Just("mode"),
        Just("lat"),
        Just("lon"),
        Just("time"),
        Just("satellites"),
        Just("devices"),
        Just("path"),
        Just("activated"),
        Just("message"),
    ];
    (class, prop::collection::btree_map(key, value, 0..6)).prop_map(|(class, fields)| {
        let fields: String = fields.iter().map(|(key, value)| format!(",\"{key}\":{value}")).collect();
        format!("{{\"class\":\"{class}\"{fields}}}").into_bytes()
    })
}

fn check(listener: &mut dyn Listener, lines: &[Vec<u8>]) {
    for line in lines {
        let Word { position, .. } = listener.hear(line);
        if let Some(position) = position {
            assert!(position.latitude_deg.abs() <= 90.0 && position.longitude_deg.abs() <= 180.0, "{position}");
        }
        for said in [listener.status(), listener.no_fix(), listener.ended()] {
            assert!(!said.is_empty());
        }
        let _ = (listener.hopeless(), listener.silent());
    }
}

proptest! {
    #[test]
    fn no_serial_line_breaks_anything(
        lines in prop::collection::vec(prop_oneof![sentence(), nearly(), prop::collection::vec(any::<u8>(), 0..120)], 0..20),
    ) {
        check(&mut Nmea::default(), &lines);
    }

    #[test]
    fn nothing_that_answers_as_gpsd_breaks_anything(
        lines in prop::collection::vec(prop_oneof![message(), prop::collection::vec(any::<u8>(), 0..120)], 0..20),
    ) {
        check(&mut Gpsd::default(), &lines);
    }

    #[test]
    fn whatever_is_set_is_what_is_read_again(text in "\\PC{0,60}") {
        for file in [include_str!("../../config/lampward.toml"), include_str!("../../config/one-of-each.toml")] {
            let new = with_place(file, &[("name", &text)]).expect("the file has a place");
            let table: toml::Table = new.parse().expect("it stays TOML");
            assert_eq!(table["place"]["name"].as_str(), Some(text.as_str()));
        }
    }
}

#[test]
fn every_file_that_is_shipped_can_move() {
    for file in [include_str!("../../config/lampward.toml"), include_str!("../../config/one-of-each.toml")] {
        let moved = [("position", "54.8018 S, 68.304 W"), ("time_zone", "America/Argentina/Ushuaia")];
        let new = with_place(file, &moved).expect("the file has a place");
        let config = read("lampward.toml", new.as_bytes()).unwrap_or_else(|faults| panic!("{faults}")).config;
        assert_eq!(config.place.position.to_string(), "54.8018 S, 68.304 W");
        assert_eq!(config.place.zone.rules.to_string(), "America/Argentina/Ushuaia");
    }
}
