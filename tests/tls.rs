//! `mqtts://` against a real mosquitto, with certificates made by openssl.
#![cfg(feature = "tls")]

#[path = "common/house.rs"]
mod house;
#[path = "common/links.rs"]
mod links;
#[path = "common/mosquitto.rs"]
mod mosquitto;

use std::fs;
use std::path::PathBuf;
use std::process::Command;

use house::{Home, Plugs, clock, free_port};
use lampward::link::{Link, LinkSettings, Tls};
use links::{settings, until_down, until_up};
use mosquitto::Mosquitto;
use tempfile::TempDir;

/// A folder in which openssl works.
struct Workshop(TempDir);

impl Workshop {
    /// With two authorities, `ours` and `strange`.
    fn open() -> Workshop {
        let shop = Workshop(tempfile::tempdir().unwrap());
        for name in ["ours", "strange"] {
            shop.openssl(&format!(
                "req -x509 -newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes -days 2 \
                 -subj /CN={name} -keyout {name}.key -out {name}.pem"
            ));
        }
        shop
    }

    /// A certificate and key `NAME.pem`, `NAME.key` for a broker, signed by `ours`, good until so many days from now.
    fn certify(&self, name: &str, alternative: &str, days: i64) {
        fs::write(self.path(&format!("{name}.ext")), format!("subjectAltName={alternative}\n")).unwrap();
        self.openssl(&format!(
            "req -newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes -subj /CN=broker -keyout {name}.key -out {name}.csr"
        ));
        self.openssl(&format!(
            "x509 -req -in {name}.csr -CA ours.pem -CAkey ours.key -CAcreateserial -days {days} -extfile {name}.ext \
             -out {name}.pem"
        ));
    }

    fn openssl(&self, words: &str) {
        let run = Command::new("openssl").args(words.split_whitespace()).current_dir(self.0.path()).output();
        let run = run.expect("openssl: is the package openssl installed?");
        assert!(run.status.success(), "openssl {words}: {}", String::from_utf8_lossy(&run.stderr));
    }

    fn path(&self, name: &str) -> PathBuf {
        self.0.path().join(name)
    }

    /// A mosquitto with the certificate `name`, and `lines` besides.
    fn broker(&self, name: &str, lines: &str) -> Mosquitto {
        let (certificate, key) = (self.path(&format!("{name}.pem")), self.path(&format!("{name}.key")));
        let (certificate, key) = (certificate.display(), key.display());
        Mosquitto::with(&format!("allow_anonymous true\ncertfile {certificate}\nkeyfile {key}\n{lines}"))
    }

    fn trusting(&self, authority: &str, broker: &Mosquitto, host: &str) -> LinkSettings {
        let tls = Tls::new(Some(&self.path(&format!("{authority}.pem")))).unwrap();
        LinkSettings { host: host.to_owned(), tls: Some(tls), ..settings(broker.address(), "lampward") }
    }
}

async fn check_up(settings: LinkSettings) {
    let mut link = Link::start(settings, vec!["yard/3/report".into()]);
    until_up(&mut link).await;
}

async fn check_down(settings: LinkSettings, expected: &str) {
    let expected = expected.replace("BROKER", &format!("{}:{}", settings.host, settings.port));
    let mut link = Link::start(settings, Vec::new());
    assert_eq!(until_down(&mut link).await, expected);
}

#[tokio::test]
async fn the_name_or_the_address_of_the_broker_must_be_in_its_certificate() {
    let shop = Workshop::open();
    shop.certify("broker", "DNS:localhost,IP:127.0.0.1", 2);
    shop.certify("other", "DNS:broker.example,IP:192.0.2.7", 2);
    shop.certify("mail", "email:broker@broker.example", 2);
    let broker = shop.broker("broker", "");
    check_up(shop.trusting("ours", &broker, "localhost")).await;
    check_up(shop.trusting("ours", &broker, "127.0.0.1")).await;
    let broker = shop.broker("other", "");
    for host in ["localhost", "127.0.0.1"] {
        let expected = format!(
            "the certificate of the broker at BROKER is not for `{host}`, but for `broker.example`, `192.0.2.7`"
        );
        check_down(shop.trusting("ours", &broker, host), &expected).await;
    }
    let broker = shop.broker("mail", "");
    let expected = "the certificate of the broker at BROKER is not for `localhost`: it names no host";
    check_down(shop.trusting("ours", &broker, "localhost"), expected).await;
}

#[tokio::test]
async fn a_stranger_s_signature_and_an_old_certificate_are_refused() {
    let shop = Workshop::open();
    shop.certify("broker", "DNS:localhost", 2);
    shop.certify("old", "DNS:localhost", -1);
    let broker = shop.broker("broker", "");
    let unknown = "the certificate of the broker at BROKER is signed by nobody whom lampward trusts: set ca under \
                   [broker] to the file of the one who signed it";
    check_down(shop.trusting("strange", &broker, "localhost"), unknown).await;
    let by_system = Tls::new(None).expect("this system knows some authority");
    let settings = LinkSettings { tls: Some(by_system), ..shop.trusting("ours", &broker, "localhost") };
    check_down(settings, unknown).await;
    let authority = shop.broker("ours", "");
    let own =
        "the certificate of the broker at BROKER is that of an authority: give the broker one of its own, signed by it";
    check_down(shop.trusting("ours", &authority, "localhost"), own).await;
    let old = shop.broker("old", "");
    check_down(shop.trusting("ours", &old, "localhost"), "the certificate of the broker at BROKER has expired").await;
}

#[tokio::test]
async fn a_port_where_the_other_language_is_spoken_says_so() {
    let shop = Workshop::open();
    shop.certify("broker", "DNS:localhost", 2);
    let plain = Mosquitto::start();
    let expected = "the broker at BROKER broke off while TLS was begun: does it speak TLS there?";
    check_down(shop.trusting("ours", &plain, "localhost"), expected).await;
    let secure = shop.broker("broker", "");
    let expected = "the broker at BROKER closed the connection before it was made; it may refuse user or password, or \
                    want mqtts://";
    check_down(settings(secure.address(), "lampward"), expected).await;
}

#[test]
fn a_file_that_is_no_certificate_is_a_fault() {
    let shop = Workshop::open();
    let check = |name: &str, because: &str| {
        let file = shop.path(name);
        let expected =
            format!("cannot read the certificate of the broker's authority from {}: {because}", file.display());
        assert_eq!(Tls::new(Some(&file)).err().as_deref(), Some(expected.as_str()));
    };
    check("nowhere.pem", "no such file or directory");
    check("ours.key", "there is no certificate in it; it begins with -----BEGIN CERTIFICATE-----");
}

#[test]
fn by_tls_a_lamp_is_switched_and_what_is_wrong_with_it_is_on_the_status() {
    let shop = Workshop::open();
    shop.certify("broker", "IP:127.0.0.1", 2);
    let open = free_port();
    // The plug is a simple one and comes in by another door.
    let broker = shop.broker("broker", &format!("listener {open} 127.0.0.1"));
    let plugs = Plugs::start(open, |_| true);
    let house = |authority: &str| {
        format!(
            "[broker]\naddress = \"mqtts://{}\"\nca = {:?}\n[channel.jetty]\nlabel = \"Jetty lamp\"\nplug = \"yard/3\"\n\
             lit = [{{ from = \"{}\", until = \"{}\" }}]\n",
            broker.address(),
            shop.path(authority),
            clock(-60),
            clock(120)
        )
    };
    let home = Home::new(&house("strange.pem"));
    let daemon = home.start();
    let because = "is signed by nobody whom lampward trusts";
    house::until("the certificate is refused", || {
        daemon.status()["broker"]["because"].as_str().filter(|said| said.contains(because)).map(drop)
    });
    daemon.until_logged(&["WARN", because]);
    daemon.kill();

    home.write(&house("ours.pem"));
    let daemon = home.start();
    plugs.until_got("yard/3/order", "on");
    daemon.until_confirmed("yard/3", "on");
}
