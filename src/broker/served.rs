//! The broker itself: MQTT 3.1.1 and 5 on one port, retained messages kept on disk.

use std::fmt;
use std::fs;
use std::future::Future;
use std::io;
use std::net::{IpAddr, Ipv4Addr, Ipv6Addr, SocketAddr};
use std::path::{Path, PathBuf};
use std::pin::Pin;
use std::sync::Arc;
use std::time::Duration;

use mqtt5::broker::auth::AuthRateLimiter;
use mqtt5::broker::config::{AuthConfig, BrokerConfig, StorageBackend, StorageConfig};
use mqtt5::broker::{AuthProvider, AuthResult, BrokerShutdownHandle, MqttBroker, PasswordAuthProvider};
use mqtt5::packet::connect::ConnectPacket;
use mqtt5::protocol::v5::reason_codes::ReasonCode;
use subtle::ConstantTimeEq;
use tokio::task::JoinHandle;

use super::accounts::{Accounts, OURS, check_name};
use crate::clock;
use crate::link::LARGEST_PACKET;

/// The port registered for MQTT.
const PORT: u16 = 1883;

/// So many ports after it are tried where the file asks for none.
const FURTHER: u16 = 100;

/// How long a start or a stop may take.
const PATIENCE: Duration = Duration::from_secs(10);

/// A client that has gone and asked for its messages to be kept: for so long, and so many. A plug that comes back after
/// hours shall not act on last night's orders one after the other.
const ABSENT: Duration = Duration::from_secs(600);
const KEPT_FOR_ABSENT: usize = 100;

/// More than any house has; a bound for what a stranger can fill.
const RETAINED: usize = 100_000;

/// Wrong passwords from one address: so many in a minute shut it out for five.
const WRONG: (u32, u64, u64) = (10, 60, 300);

/// A broker of our own, running.
pub struct OwnBroker {
    address: SocketAddr,
    own_account: Option<(String, String)>,
    shutdown: BrokerShutdownHandle,
    task: JoinHandle<()>,
}

/// Nothing is missing: this program has the broker.
///
/// # Errors
///
/// None; the program without a broker has some.
pub fn needed() -> Result<(), String> {
    Ok(())
}

impl fmt::Debug for OwnBroker {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "own broker on {}", self.address)
    }
}

impl OwnBroker {
    /// Starts it; retained messages are kept in a folder of their own under `state`.
    ///
    /// `serve` is where it listens: `None` is 127.0.0.1:1883, or the next free port if that is taken. With an
    /// accounts file nobody gets in without an account; beyond loopback there must be one. Must be called within the runtime.
    ///
    /// # Errors
    ///
    /// A sentence: the address is taken or not ours, beyond loopback without accounts, a fault in the accounts, or a
    /// state directory that can't be written.
    pub async fn start(
        serve: Option<SocketAddr>,
        accounts_file: Option<&Path>,
        state: &Path,
    ) -> Result<OwnBroker, String> {
        if let (Some(serve), None) = (serve, accounts_file)
            && !serve.ip().is_loopback()
        {
            return Err(format!(
                "the broker would listen on {serve}, beyond loopback, and let anyone switch the lamps: \
                 set accounts_file under [broker], or leave serve out"
            ));
        }
        let accounts = accounts_file.map(Accounts::load).transpose()?;
        let own_account = match accounts {
            Some(_) => Some((OURS.to_owned(), secret()?)),
            None => None,
        };
        let door =
            accounts.zip(own_account.clone()).map(|(accounts, (_, secret))| Arc::new(Door::new(accounts, secret)));
        let address = free(serve)?;
        let folder = state.join("broker");
        let running = match launch(address, Some(&folder), door.clone()).await {
            // What it kept on disk is of less worth than a house with light: it is set aside and a new one begun.
            Err(fault) if !fault.contains("in use") => {
                let anew = match set_aside(&folder) {
                    Ok(aside) => {
                        tracing::error!(%fault, ?aside, "what the broker had kept is damaged: set aside, and begun anew");
                        launch(address, Some(&folder), door.clone()).await
                    }
                    Err(_) => Err(fault),
                };
                match anew {
                    Err(fault) if !fault.contains("in use") => {
                        tracing::error!(%fault, "the broker keeps nothing on disk: what it is to remember ends with this run");
                        launch(address, None, door).await?
                    }
                    other => other?,
                }
            }
            other => other?,
        };
        let (address, shutdown, task) = running;
        Ok(OwnBroker { address, own_account, shutdown, task })
    }

    /// Where it listens.
    pub fn address(&self) -> SocketAddr {
        self.address
    }

    /// Where our own client finds it: on loopback where it listens on every address.
    pub fn own_address(&self) -> SocketAddr {
        let ip = match self.address.ip() {
            IpAddr::V4(ip) if ip.is_unspecified() => Ipv4Addr::LOCALHOST.into(),
            IpAddr::V6(ip) if ip.is_unspecified() => Ipv6Addr::LOCALHOST.into(),
            ip => ip,
        };
        SocketAddr::new(ip, self.address.port())
    }

    /// User and password of our own client, where accounts exist. The password is drawn at each start and held in
    /// memory alone.
    pub fn own_account(&self) -> Option<(String, String)> {
        self.own_account.clone()
    }

    /// Stops it, and returns when what it keeps is on disk.
    pub async fn stop(self) {
        self.shutdown.shutdown();
        let mut task = self.task;
        if tokio::time::timeout(PATIENCE, &mut task).await.is_err() {
            tracing::warn!("the broker does not end by itself and is cut off");
            task.abort();
        }
    }
}

type Running = (SocketAddr, BrokerShutdownHandle, JoinHandle<()>);

async fn launch(address: SocketAddr, folder: Option<&Path>, door: Option<Arc<Door>>) -> Result<Running, String> {
    let failed = |fault: String| format!("cannot start the broker on {address}: {fault}");
    let mut broker = MqttBroker::with_config(config(address, folder)).await.map_err(|e| failed(e.to_string()))?;
    if let Some(door) = door {
        broker = broker.with_auth_provider(door);
    }
    let address = broker.local_addr().ok_or_else(|| failed("it does not listen".to_owned()))?;
    let shutdown = broker.shutdown_handle();
    let mut ready = broker.ready_receiver();
    let mut task = tokio::spawn(async move { broker.run().await.map_err(|error| error.to_string()) });
    tokio::select! {
        ended = &mut task => {
            let fault = match ended {
                Ok(Ok(())) => "it ended at once".to_owned(),
                Ok(Err(fault)) => fault,
                Err(panic) => panic.to_string(),
            };
            return Err(failed(fault));
        }
        ready = tokio::time::timeout(PATIENCE, ready.wait_for(|&ready| ready)) => match ready {
            Ok(Ok(_)) => {}
            // It ends with the reason in a moment.
            Ok(Err(_)) => return Err(failed(task.await.map_or_else(|e| e.to_string(), |r| r.err().unwrap_or_default()))),
            Err(_) => {
                task.abort();
                return Err(failed("it does not get ready".to_owned()));
            }
        },
    }
    let watched = tokio::spawn(async move {
        match task.await {
            Ok(Ok(())) => tracing::debug!("the broker has ended"),
            Ok(Err(fault)) => tracing::error!(fault, "the broker has ended; start lampward again"),
            Err(panic) => tracing::error!(%panic, "the broker has ended; start lampward again"),
        }
    });
    Ok((address, shutdown, watched))
}

/// Without a folder everything is kept in memory.
fn config(address: SocketAddr, folder: Option<&Path>) -> BrokerConfig {
    let storage = match folder {
        Some(folder) => StorageConfig::new().with_base_dir(folder.to_owned()),
        None => StorageConfig::new().with_backend(StorageBackend::Memory),
    };
    BrokerConfig {
        bind_addresses: vec![address],
        max_packet_size: LARGEST_PACKET,
        max_retained_messages: RETAINED,
        max_retained_message_size: LARGEST_PACKET,
        session_expiry_interval: ABSENT,
        // Nobody asks for them, and publishing them would wake the machine for nothing.
        sys_topics_enabled: false,
        // The door replaces this where there are accounts.
        auth_config: AuthConfig::new().with_allow_anonymous(true),
        storage_config: storage.with_max_queued_messages_per_client(KEPT_FOR_ABSENT),
        ..BrokerConfig::default()
    }
}

/// An address nobody listens on yet. Somebody may still take it before the broker does; that is then its fault to tell.
fn free(serve: Option<SocketAddr>) -> Result<SocketAddr, String> {
    if let Some(serve) = serve {
        return match std::net::TcpListener::bind(serve) {
            Ok(_) => Ok(serve),
            Err(error) if error.kind() == io::ErrorKind::AddrInUse => Err(format!(
                "the broker can't listen on {serve}: another program does; stop it, or choose another port for serve"
            )),
            Err(error) => Err(format!("the broker can't listen on {serve}: {error}")),
        };
    }
    for port in PORT..=PORT + FURTHER {
        let address = SocketAddr::from((Ipv4Addr::LOCALHOST, port));
        match std::net::TcpListener::bind(address) {
            Ok(_) => return Ok(address),
            Err(error) if error.kind() == io::ErrorKind::AddrInUse => {}
            Err(error) => return Err(format!("the broker can't listen on {address}: {error}")),
        }
    }
    Err(format!(
        "the broker finds no free port from {PORT} to {} on 127.0.0.1: set serve under [broker]",
        PORT + FURTHER
    ))
}

/// Renames a folder to a dated name beside it.
fn set_aside(folder: &Path) -> io::Result<PathBuf> {
    let aside = folder.with_extension(format!("damaged-{}", clock::wall().format("%Y%m%dT%H%M%SZ")));
    fs::rename(folder, &aside)?;
    Ok(aside)
}

/// 256 bits from the kernel's generator.
fn secret() -> Result<String, String> {
    let mut bytes = [0_u8; 32];
    fs::File::open("/dev/urandom")
        .and_then(|mut source| io::Read::read_exact(&mut source, &mut bytes))
        .map_err(|error| format!("cannot draw a secret from /dev/urandom: {error}"))?;
    Ok(bytes.iter().map(|byte| format!("{byte:02x}")).collect())
}

/// The line of an accounts file for one account, without a line break.
///
/// # Errors
///
/// A sentence, where the name can't be one.
pub fn account_line(name: &str, password: &str) -> Result<String, String> {
    check_name(name)?;
    let hash = PasswordAuthProvider::hash_password(password).map_err(|error| format!("cannot hash it: {error}"))?;
    Ok(format!("{name}:{hash}"))
}

/// Who gets in where there are accounts: our own client by its secret, others by their password. Addresses that try
/// wrong ones are shut out for a while; an account never is, or a stranger could shut out the plugs.
struct Door {
    secret: String,
    accounts: PasswordAuthProvider,
    limit: AuthRateLimiter,
}

impl Door {
    fn new(accounts: Accounts, secret: String) -> Door {
        let known = PasswordAuthProvider::new();
        for account in accounts.0 {
            known.add_user_with_hash(account.name, account.hash);
        }
        let (attempts, window_s, lockout_s) = WRONG;
        Door { secret, accounts: known, limit: AuthRateLimiter::new(attempts, window_s, lockout_s) }
    }

    async fn judge(&self, connect: &ConnectPacket, from: IpAddr) -> mqtt5::Result<AuthResult> {
        if connect.username.as_deref() == Some(OURS) {
            let given = connect.password.as_deref().unwrap_or_default();
            return Ok(match bool::from(given.ct_eq(self.secret.as_bytes())) {
                true => AuthResult::success_with_user(OURS),
                false => AuthResult::fail(ReasonCode::BadUsernameOrPassword),
            });
        }
        if !self.limit.check_rate_limit(from) {
            return Ok(AuthResult::fail(ReasonCode::NotAuthorized));
        }
        let address = SocketAddr::new(from, 0);
        let result = self.accounts.authenticate(connect, address).await?;
        self.limit.record_attempt(from, result.authenticated);
        if !result.authenticated {
            self.limit.cleanup_expired();
            tracing::warn!(user = connect.username.as_deref(), %from, "the broker refused a login");
        }
        Ok(result)
    }
}

/// The library's answer to a question, in a box.
type Boxed<'a, T> = Pin<Box<dyn Future<Output = T> + Send + 'a>>;

impl AuthProvider for Door {
    fn authenticate<'a>(
        &'a self,
        connect: &'a ConnectPacket,
        from: SocketAddr,
    ) -> Boxed<'a, mqtt5::Result<AuthResult>> {
        Box::pin(self.judge(connect, from.ip()))
    }

    fn authorize_publish<'a>(&'a self, _client: &str, _user: Option<&'a str>, _topic: &'a str) -> Boxed<'a, bool> {
        Box::pin(async { true })
    }

    fn authorize_subscribe<'a>(&'a self, _client: &str, _user: Option<&'a str>, _filter: &'a str) -> Boxed<'a, bool> {
        Box::pin(async { true })
    }
}
