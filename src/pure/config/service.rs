//! `[broker]`, `[web]`, `[clock]`, `[daybook]`: the daemon's surroundings, and whom it lets in.

use std::net::{IpAddr, Ipv4Addr, Ipv6Addr, SocketAddr};
use std::path::PathBuf;
use std::time::Duration;

use chrono::TimeDelta;

use super::fault::{PhraseFault, quoted};
use super::phrases::parse_pace;
use super::place::choose;
use super::reader::{Entry, Reader, Table};
use super::topic::LONGEST;
use super::{Broker, BrokerAt, ClockTrust, Config, Encryption, Web, WebRead};

/// The page and its address where the file says nothing.
const LISTEN: SocketAddr = SocketAddr::new(IpAddr::V4(Ipv4Addr::LOCALHOST), 8460);
/// MQTT over TCP, and over TLS (IANA).
const MQTT_PORT: u16 = 1883;
const MQTTS_PORT: u16 = 8883;
/// Slower than this, commands would pile up; common practice, no source.
const MOST_PACE: TimeDelta = TimeDelta::seconds(60);

/// Reads `[broker]`.
pub(super) fn broker<'t>(reader: &mut Reader<'t>, root: &Table<'_, 't>) -> Option<Broker> {
    let own = |serve, accounts_file| BrokerAt::Own { serve, accounts_file };
    let Some(entry) = root.get("broker") else {
        return Some(Broker { at: own(None, None), user: None, password_file: None, pace: Duration::ZERO });
    };
    let keys = ["address", "user", "password_file", "ca", "serve", "accounts_file", "pace"];
    let table = reader.table("[broker]", &entry, &keys)?;
    let address = table.get("address").map(|entry| reader.phrase(&entry, address));
    let user = optional(reader, table.get("user"), user);
    let password_file = optional(reader, table.get("password_file"), path);
    let serve = optional(reader, table.get("serve"), socket);
    let accounts_file = optional(reader, table.get("accounts_file"), path);
    let pace = reader.phrase_or(table.get("pace"), TimeDelta::zero(), |text| {
        let pace = parse_pace(text)?;
        let fault = || PhraseFault::new(0..text.len(), format!("{} is too long", quoted(text)));
        if pace <= MOST_PACE { Ok(pace) } else { Err(fault().expected("0 ms to 60 s")) }
    });
    let ca = optional(reader, table.get("ca"), path);
    let plain = match &address {
        Some(Some(address)) => !address.encrypted,
        Some(None) => false,
        None => true,
    };
    if let Some(entry) = table.get("ca").filter(|_| plain) {
        let fault = PhraseFault::new(entry.key_at(), "`ca` goes with an address that begins with mqtts://");
        reader.refuse_unless_lost("broker", fault.expected(r#"address = "mqtts://192.0.2.7:8883" as well"#));
    }
    let stray: &[&str] = if address.is_some() { &["serve", "accounts_file"] } else { &["user", "password_file"] };
    for entry in stray.iter().filter_map(|key| table.get(key)) {
        let (with, expected) = match address.is_some() {
            true => ("goes with lampward's own broker, and here is an address", "one of the two"),
            false => ("goes with the address of a broker", r#"address = "mqtt://192.0.2.7:1883" as well"#),
        };
        let fault = PhraseFault::new(entry.key_at(), format!("{} {with}", quoted(entry.key)));
        reader.refuse_unless_lost("broker", fault.expected(expected));
    }
    if let (Some(_), Some(entry), None) = (&address, table.get("password_file"), table.get("user")) {
        let fault = PhraseFault::new(entry.key_at(), "`password_file` without `user`");
        reader.refuse_unless_lost(
            "broker",
            fault.expected(r#"user = "lampward" as well (MQTT sends no password alone)"#),
        );
    }
    if let (Some(Some(serve)), Some(None), Some(entry)) = (serve, &accounts_file, table.get("serve"))
        && !serve.ip().is_loopback()
    {
        let warning = PhraseFault::new(entry.at(), "beyond loopback without accounts: lampward won't start like this");
        reader.warn(warning.expected("accounts_file as well"));
    }
    let at = match address {
        Some(address) => address.zip(ca).map(|(Address { host, port, encrypted }, ca)| {
            let encryption = match (encrypted, ca) {
                (false, _) => Encryption::None,
                (true, None) => Encryption::BySystem,
                (true, Some(file)) => Encryption::ByCa(file),
            };
            BrokerAt::Address { host, port, encryption }
        }),
        None => Some(own(serve?, accounts_file?)),
    };
    let pace = pace?.to_std().unwrap_or(Duration::ZERO);
    Some(Broker { at: at?, user: user?, password_file: password_file?, pace })
}

/// Reads an entry that may be left out; the outer `None` is a fault.
fn optional<'t, T>(
    reader: &mut Reader<'t>,
    entry: Option<Entry<'_, 't>>,
    parse: impl FnOnce(&str) -> Result<T, PhraseFault>,
) -> Option<Option<T>> {
    match entry {
        Some(entry) => reader.phrase(&entry, parse).map(Some),
        None => Some(None),
    }
}

/// Where a broker is.
struct Address {
    host: String,
    port: u16,
    encrypted: bool,
}

/// `mqtt://host:port` or `mqtts://host:port`, the port 1883 or 8883 where none is written.
fn address(text: &str) -> Result<Address, PhraseFault> {
    const EXAMPLE: &str = "mqtt://192.0.2.7:1883";
    let fault = |at, message: &str| Err(PhraseFault::new(at, message).expected(EXAMPLE));
    let (plain, secure) = (text.strip_prefix("mqtt://"), text.strip_prefix("mqtts://"));
    let encrypted = secure.is_some();
    let Some(rest) = plain.or(secure) else {
        let scheme = 0..text.find("://").map_or(text.len(), |at| at + "://".len());
        return fault(scheme, "the address of a broker begins with mqtt:// or mqtts://");
    };
    let start = text.len() - rest.len();
    if let Some(at) = rest.find('@') {
        return Err(PhraseFault::new(start..start + at + 1, "user and password do not stand in the address")
            .expected("user and password_file beside the address"));
    }
    if let Some(at) = rest.find(['/', '?', '#']) {
        return fault(start + at..text.len(), "nothing follows the port of a broker");
    }
    let (host, port) = match rest.strip_prefix('[') {
        Some(literal) => {
            let Some((host, port)) = literal.split_once(']') else {
                return fault(start..text.len(), "`]` is missing after the IPv6 address");
            };
            if host.parse::<Ipv6Addr>().is_err() {
                return fault(start + 1..start + 1 + host.len(), "no IPv6 address stands between the brackets");
            }
            (host, port)
        }
        None => rest.split_at(rest.find(':').unwrap_or(rest.len())),
    };
    if host.is_empty() {
        return fault(start..text.len(), "the address has no host");
    }
    if !rest.starts_with('[') && !host_name(host) {
        return fault(start..start + host.len(), &format!("{} is no name of a host", quoted(host)));
    }
    let port_at = text.len() - port.len()..text.len();
    match port.strip_prefix(':').map(str::parse) {
        None if port.is_empty() => {
            let port = if encrypted { MQTTS_PORT } else { MQTT_PORT };
            Ok(Address { host: host.to_owned(), port, encrypted })
        }
        Some(Ok(port)) if port > 0 => Ok(Address { host: host.to_owned(), port, encrypted }),
        _ => Err(PhraseFault::new(port_at, format!("{} is no port", quoted(port))).expected("1 to 65535")),
    }
}

/// Letters, digits, `-` and `_` between dots, as in names of hosts (RFC 1123, section 2.1) and of machines at home.
fn host_name(text: &str) -> bool {
    let fits = |c: char| c.is_alphanumeric() || c == '-' || c == '_';
    let name = text.strip_suffix('.').unwrap_or(text);
    text.len() <= 255 && name.split('.').all(|part| !part.is_empty() && part.len() <= 63 && part.chars().all(fits))
}

fn user(text: &str) -> Result<String, PhraseFault> {
    let fault = |message: &str| Err(PhraseFault::new(0..text.len(), message).expected("the name of an account"));
    match text {
        "" => fault("the user is empty"),
        text if text.chars().any(char::is_control) => fault("a control character in a user"),
        text if text.len() > LONGEST => fault("the user is longer than 65535 bytes (MQTT)"),
        text => Ok(text.to_owned()),
    }
}

fn path(text: &str) -> Result<PathBuf, PhraseFault> {
    let fault = |message: &str| Err(PhraseFault::new(0..text.len(), message).expected("the path of a file"));
    match text {
        "" => fault("the path is empty"),
        text if text.contains('\0') => fault("a NUL character in a path"),
        text => Ok(PathBuf::from(text)),
    }
}

fn socket(text: &str) -> Result<SocketAddr, PhraseFault> {
    text.parse().map_err(|_| {
        let message = format!("{} is no address to listen on", quoted(text));
        let localhost = text.strip_prefix("localhost:").map(|port| format!("127.0.0.1:{port}"));
        let expected = "an IP address and a port, such as 127.0.0.1:8460 or [::1]:8460";
        PhraseFault::new(0..text.len(), message).expected(expected).nearest(localhost)
    })
}

/// Reads `[web]`.
pub(super) fn web<'t>(reader: &mut Reader<'t>, root: &Table<'_, 't>) -> Option<Web> {
    let Some(entry) = root.get("web") else {
        return Some(Web { listen: LISTEN, token_file: None, read: WebRead::Open, hosts: Vec::new() });
    };
    let table = reader.table("[web]", &entry, &["listen", "token_file", "read", "hosts"])?;
    let listen = reader.phrase_or(table.get("listen"), LISTEN, socket);
    let token_file = optional(reader, table.get("token_file"), path);
    let read = reader.phrase_or(table.get("read"), WebRead::Open, |text| {
        choose(text, &[("open", WebRead::Open), ("token", WebRead::Token)])
    });
    let hosts = match table.get("hosts") {
        Some(entry) => hosts(reader, &entry),
        None => Some(Vec::new()),
    };
    Some(Web { listen: listen?, token_file: token_file?, read: read?, hosts: hosts? })
}

fn hosts<'t>(reader: &mut Reader<'t>, entry: &Entry<'_, 't>) -> Option<Vec<String>> {
    let entries = reader.list(entry, r#"hosts = ["lamps.example"]"#)?;
    let host = |text: &str| match host_name(text) {
        true => Ok(text.to_owned()),
        false => Err(PhraseFault::new(0..text.len(), format!("{} is no name of a host", quoted(text)))
            .expected("a name such as lamps.example, without port")),
    };
    // Each is read, so that every fault is shown.
    let hosts: Vec<Option<String>> = entries.iter().map(|entry| reader.phrase(entry, host)).collect();
    hosts.into_iter().collect()
}

/// Reads `[clock]`.
pub(super) fn clock<'t>(reader: &mut Reader<'t>, root: &Table<'_, 't>) -> Option<ClockTrust> {
    let Some(entry) = root.get("clock") else { return Some(ClockTrust::Synchronised) };
    let table = reader.table("[clock]", &entry, &["trust"])?;
    reader.phrase_or(table.get("trust"), ClockTrust::Synchronised, |text| {
        choose(text, &[("synchronised", ClockTrust::Synchronised), ("always", ClockTrust::Always)])
    })
}

/// Reads `[daybook] years`.
pub(super) fn daybook_years<'t>(reader: &mut Reader<'t>, root: &Table<'_, 't>) -> Option<u32> {
    let Some(entry) = root.get("daybook") else { return Some(2) };
    let table = reader.table("[daybook]", &entry, &["years"])?;
    let Some(entry) = table.get("years") else { return Some(2) };
    reader.whole(&entry, 1..=100).and_then(|years| u32::try_from(years).ok())
}

/// Why the daemon may not start with this file: it would be open to the network. `token_present` says whether a token
/// was found, in `[web] token_file` or in the credential `web-token`.
pub fn exposure_faults(config: &Config, token_present: bool) -> Vec<String> {
    let mut faults = Vec::new();
    if let BrokerAt::Own { serve: Some(serve), accounts_file: None } = config.broker.at
        && !serve.ip().is_loopback()
    {
        faults.push(format!(
            "[broker] serve = \"{serve}\" is beyond loopback and has no accounts: set accounts_file, or leave serve out"
        ));
    }
    let listen = config.web.listen;
    if !listen.ip().is_loopback() && !token_present {
        faults.push(format!(
            "[web] listen = \"{listen}\" is beyond loopback and has no token: set token_file, or leave listen out"
        ));
    }
    if config.web.read == WebRead::Token && !token_present {
        faults.push("[web] read = \"token\" needs a token: set token_file, or leave read out".to_owned());
    }
    faults
}
