//! Asking the running daemon, for the commands that do.

use std::net::{IpAddr, Ipv4Addr, Ipv6Addr, SocketAddr};
use std::path::{Path, PathBuf};
use std::time::Duration;

use clap::Args;
use serde::de::DeserializeOwned;
use serde_json::Value;
use ureq::http::{Method, Request};

use super::Failure;
use super::file::{FileOption, bytes, find, load};
use crate::state::reason;
use crate::web::guard::token_of;

/// Where the daemon listens when the file says nothing.
const USUAL: &str = "127.0.0.1:8460";

/// Longer than the daemon ever takes over a request, a try excepted.
const ANSWER_WITHIN: Duration = Duration::from_secs(10);

/// How to reach the running daemon.
#[derive(Args, Clone, Debug)]
pub struct DaemonOption {
    /// The file the daemon runs on; its [web] says where it listens and which token it takes.
    #[command(flatten)]
    pub file: FileOption,
    /// Where the daemon answers, such as 127.0.0.1:8460, in place of what the file says.
    #[arg(long, value_name = "ADDRESS")]
    pub address: Option<String>,
    /// A file with the token, in place of the one that the file names.
    #[arg(long, value_name = "FILE")]
    pub token_file: Option<PathBuf>,
}

/// The running daemon, as far as we know where it is.
#[derive(Debug)]
pub struct Daemon {
    address: String,
    token: Option<String>,
    /// Why there is no token, where a file with one was named.
    no_token: Option<String>,
}

impl DaemonOption {
    /// Works out where the daemon is; asks nothing yet.
    ///
    /// # Errors
    /// A file was named, or stands where it usually does, and has faults; the address is none.
    pub fn daemon(&self) -> Result<Daemon, Failure> {
        let named = self.file.file.as_deref();
        let web = match (&self.address, find(named)) {
            // With an address the file is only good for its token.
            (Some(_), found) => found.ok().and_then(|path| load(path).ok()).map(|loaded| loaded.checked.config.web),
            (None, Ok(path)) => match load(path.clone()) {
                Ok(loaded) => Some(loaded.checked.config.web),
                Err(Failure::Fault(faults)) => {
                    let there = said_address(&path).unwrap_or_else(|| USUAL.to_owned());
                    let text =
                        format!("{faults}\nto ask a daemon that runs all the same, say where: --address {there}");
                    return Err(Failure::Fault(text));
                }
                Err(other) => return Err(other),
            },
            (None, Err(fault)) if named.is_some() => return Err(fault),
            (None, Err(_)) => None,
        };
        let address = match (&self.address, &web) {
            (Some(given), _) => plain_address(given)?,
            (None, Some(web)) => reachable(web.listen).to_string(),
            (None, None) => USUAL.to_string(),
        };
        let token_file = self.token_file.as_deref().or(web.as_ref().and_then(|web| web.token_file.as_deref()));
        let (token, no_token) = match token_of(token_file, None) {
            Ok(token) => (token.and_then(|token| String::from_utf8(token).ok()), None),
            Err(because) => (None, Some(because)),
        };
        Ok(Daemon { address, token, no_token })
    }
}

/// Where a faulty file says that the daemon listens, if that much of it can be read.
fn said_address(file: &Path) -> Option<String> {
    let text = String::from_utf8(bytes(file).ok()?).ok()?;
    let mut of_web = text.lines().map(str::trim).skip_while(|line| !line.starts_with("[web]")).skip(1);
    let listen = of_web.find_map(|line| match line.starts_with('[') {
        true => Some(None),
        false => line.strip_prefix("listen").and_then(|rest| rest.trim_start().strip_prefix('=')).map(Some),
    })??;
    let address = listen.trim_start().strip_prefix('"')?.split('"').next()?;
    Some(reachable(address.parse().ok()?).to_string())
}

/// Where to connect for something that listens on every address.
fn reachable(listen: SocketAddr) -> SocketAddr {
    let ip = match listen.ip() {
        IpAddr::V4(ip) if ip.is_unspecified() => Ipv4Addr::LOCALHOST.into(),
        IpAddr::V6(ip) if ip.is_unspecified() => Ipv6Addr::LOCALHOST.into(),
        ip => ip,
    };
    SocketAddr::new(ip, listen.port())
}

fn plain_address(given: &str) -> Result<String, Failure> {
    let address = given.strip_prefix("http://").unwrap_or(given);
    let address = address.strip_suffix('/').unwrap_or(address);
    let has_port = address.rsplit_once(':').is_some_and(|(_, port)| port.parse::<u16>().is_ok());
    let is_one = address.parse::<ureq::http::uri::Authority>().is_ok_and(|one| !one.as_str().contains('@'));
    match (is_one, has_port) {
        (true, true) => Ok(address.to_string()),
        (true, false) => Ok(format!("{address}:8460")),
        (false, _) => {
            Err(Failure::Fault(format!("`{given}` is not an address; one with a port is meant, such as {USUAL}")))
        }
    }
}

impl Daemon {
    /// Asks for what can be read.
    ///
    /// # Errors
    /// Nobody answers, or the answer is a refusal.
    pub fn get<T: DeserializeOwned>(&self, path: &str) -> Result<T, Failure> {
        self.ask(Method::GET, path, None)
    }

    /// Sends an order.
    ///
    /// # Errors
    /// Nobody answers, or the answer is a refusal: a fault of the arguments where the request does not fit.
    pub fn ask<T: DeserializeOwned>(&self, method: Method, path: &str, body: Option<&Value>) -> Result<T, Failure> {
        self.ask_within(ANSWER_WITHIN, method, path, body)
    }

    /// The same with more patience.
    ///
    /// # Errors
    /// As for [`Daemon::ask`].
    pub fn ask_within<T: DeserializeOwned>(
        &self,
        within: Duration,
        method: Method,
        path: &str,
        body: Option<&Value>,
    ) -> Result<T, Failure> {
        let config = ureq::Agent::config_builder()
            .http_status_as_error(false)
            .max_redirects(0)
            .proxy(None)
            .timeout_global(Some(within))
            .build();
        let mut request = Request::builder().method(method).uri(format!("http://{}{path}", self.address));
        if let Some(token) = &self.token {
            request = request.header("authorization", format!("Bearer {token}"));
        }
        let text = body.map(Value::to_string).unwrap_or_default();
        if body.is_some() {
            request = request.header("content-type", "application/json");
        }
        let request = request.body(text).map_err(|error| Failure::Other(format!("cannot ask lampward: {error}")))?;
        let unreached = |error: ureq::Error| self.unreached(&error, within);
        let mut answer = ureq::Agent::new_with_config(config).run(request).map_err(unreached)?;
        let status = answer.status().as_u16();
        // History of years fits; endless data does not.
        let text = answer.body_mut().with_config().limit(64 * 1024 * 1024).read_to_string();
        let text = text.map_err(unreached)?;
        if (200..300).contains(&status) {
            return serde_json::from_str(&text).map_err(|_| self.not_ours());
        }
        let problem: Value = serde_json::from_str(&text).map_err(|_| self.not_ours())?;
        let detail = problem["detail"].as_str().ok_or_else(|| self.not_ours())?;
        Err(match status {
            404 | 422 => Failure::Fault(detail.to_string()),
            401 => Failure::Other(self.no_entry()),
            _ => Failure::Other(detail.to_string()),
        })
    }

    /// Whether anything listens there; where that can't be told, it is taken to do so.
    pub fn listens(&self) -> bool {
        let refused = |error: std::io::Error| error.kind() == std::io::ErrorKind::ConnectionRefused;
        !std::net::TcpStream::connect(&self.address).is_err_and(refused)
    }

    /// Where it is looked for.
    pub fn address(&self) -> &str {
        &self.address
    }

    fn unreached(&self, error: &ureq::Error, within: Duration) -> Failure {
        let because = match error {
            ureq::Error::Io(error) => reason(error),
            ureq::Error::Timeout(_) => format!("no answer within {} s", within.as_secs()),
            ureq::Error::HostNotFound => "no such host".to_string(),
            other => other.to_string(),
        };
        Failure::Other(format!("no lampward answers at {}: is it running? ({because})", self.address))
    }

    fn not_ours(&self) -> Failure {
        Failure::Other(format!("something answers at {}, but it is not lampward", self.address))
    }

    fn no_entry(&self) -> String {
        match (&self.token, &self.no_token) {
            (_, Some(because)) => format!("lampward asks for its token: {because}"),
            (Some(_), None) => "lampward does not take this token; it was given another one at its start".to_string(),
            (None, None) => "lampward asks for its token; name the file that has it with --token-file".to_string(),
        }
    }
}

/// A channel's name as part of a path (RFC 3986 §2.1).
pub fn in_path(name: &str) -> String {
    let mut safe = String::new();
    for byte in name.bytes() {
        if byte.is_ascii_alphanumeric() || byte == b'-' {
            safe.push(char::from(byte));
        } else {
            safe += &format!("%{byte:02X}");
        }
    }
    safe
}
