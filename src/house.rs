//! Makes a daemon ready: state folder, broker, clock, stores and web, in the order in which they need each other.

use std::fs;
use std::net::{SocketAddr, TcpListener};
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use chrono::{DateTime, TimeDelta, Utc};
use tokio::sync::{mpsc, watch};
use tracing::{error, info};

use crate::broker::OwnBroker;
use crate::cli::Failure;
use crate::clock::{self, Clock};
use crate::daemon::{Daemon, MISSES_SHOWN};
use crate::daybook::{Daybook, Filter};
use crate::keepsake::KeepsakeFile;
use crate::link::{Link, LinkSettings, Tls};
use crate::pure::config::{BrokerAt, Config, exposure_faults};
use crate::pure::entry::{Entry, EntryKind};
use crate::pure::keeper::{Down, Keeper, Miss, Start, Step};
use crate::pure::trust::{Before, Trust};
use crate::rules_file::RulesFile;
use crate::state::{State, reason};
use crate::supervisor::Supervisor;
use crate::web::{self, Door, Facts, GiveWay, Guard, Serving, Taken};

/// Orders that may wait for the loop; a person is told to try again when there are more.
const ORDERS: usize = 64;

/// How long a stop waits for the others to take note of it.
const CLOSING: Duration = Duration::from_millis(1_300);

/// How long before the last sign of life a switching may have been waiting to be confirmed.
const SETTLING: TimeDelta = TimeDelta::minutes(5);

/// What a house is made ready from.
pub struct Ground {
    /// The file, already read.
    pub file: RulesFile,
    /// The file in force when Lampward last ran.
    pub last_run: Option<Arc<Config>>,
    /// The state folder.
    pub state: State,
    /// The clock to go by.
    pub clock: Clock,
    /// Who gets in, see [`admit`].
    pub guard: Guard,
    /// Where the web listens.
    pub listener: TcpListener,
    /// Told of each entry.
    pub watcher: Option<mpsc::UnboundedSender<Entry>>,
}

/// A daemon ready to run, and what runs beside it.
pub struct House {
    daemon: Daemon,
    keeper: Keeper,
    first: Step,
    web: Serving,
    broker: Option<OwnBroker>,
}

impl House {
    /// Makes everything ready. Nothing is switched before [`House::live`].
    ///
    /// # Errors
    ///
    /// What a person has to put right first, and where.
    pub async fn open(ground: Ground) -> Result<House, Failure> {
        let Ground { file, last_run, state, clock, guard, listener, watcher } = ground;
        let config = file.config();
        let credentials = web::guard::credentials_folder();
        let (settings, broker) = link_of(&file, &state, credentials.as_deref()).await?;

        let now = clock.now();
        let daybook = Daybook::open(state.folder(), config.daybook_years, now.wall);
        let (keepsakes, keepsake) = KeepsakeFile::load(state.folder(), now.wall);
        let last_life = daybook.last_entry_at().max(state.last_life());
        let before = Before { kept: clock::trust_kept(state.folder()), last_life };
        let trust = Trust::new(clock.trust(), before, now.wall, clock.kernel());
        if trust.trusted() {
            info!(because = %trust.because(), "the clock is trusted");
        } else {
            error!(because = %trust.because(), "the clock is not trusted: no planned switching is made until it is synchronised (network time), or trust = \"always\" stands under [clock]");
        }
        let _ = clock::keep_trust(state.folder(), trust.latched());
        let first_run = state.first_run();
        let down = last_life.zip(last_run).map(|(last_life, config)| {
            let recent = daybook.reader().since(last_life - SETTLING);
            Down { last_life, config, first_run, recent: recent.unwrap_or_default() }
        });
        let missed_before = missed_before(&daybook, now.wall);
        let start = Start { keepsake, down, trusted: trust.trusted() };

        let (mut keeper, first) = Keeper::new(now, config.clone(), start);
        // Whoever asks before the loop runs is told of the misses as well.
        let mut snapshot = keeper.snapshot(now);
        snapshot.missed.splice(0..0, missed_before.iter().cloned());
        let facts = Facts {
            config,
            snapshot,
            clock_because: trust.because().to_string(),
            link_since: now.wall,
            link_because: Some("connecting".into()),
            taken: Taken::default(),
            file: file.facts(),
            notices: file.notices().into_iter().chain(state.trouble()).chain(daybook.trouble()).collect(),
        };
        let (facts, facts_seen) = watch::channel(Arc::new(facts));
        let (orders_in, orders) = mpsc::channel(ORDERS);
        let give_way = Arc::new(GiveWay::default());
        let door = Door {
            facts: facts_seen,
            orders: orders_in,
            now: Arc::new(clock.face()),
            daybook: daybook.reader(),
            guard: Arc::new(guard),
            give_way: give_way.clone(),
        };
        let link = Link::start(settings, keeper.topics());
        let web = web::start(listener, door)
            .map_err(|error| Failure::Other(format!("cannot start the web: {}", reason(&error))))?;
        let daemon = Daemon {
            clock,
            trust,
            state: Arc::new(state),
            keepsakes,
            daybook,
            link,
            file,
            orders,
            facts,
            give_way,
            watcher,
            supervisor: Supervisor::from_environment(),
            missed_before,
        };
        Ok(House { daemon, keeper, first, web, broker })
    }

    /// Where our own broker listens; `None` where the file names one.
    pub fn broker_address(&self) -> Option<SocketAddr> {
        self.broker.as_ref().map(OwnBroker::address)
    }

    /// Lives until `stop`; then everything is closed in order. Lamps stay as they are.
    pub async fn live(self, reload: mpsc::Receiver<()>, stop: impl Future<Output = ()>) {
        let (link, daybook) = self.daemon.run(self.keeper, self.first, reload, stop).await;
        let in_order = async {
            tokio::join!(link.goodbye(), self.web.stop());
            if let Some(broker) = self.broker {
                broker.stop().await;
            }
        };
        // A reader that hangs on or a broker that does not answer can't hold up a stop.
        let _ = tokio::time::timeout(CLOSING, in_order).await;
        daybook.close();
    }
}

/// The misses of the last day, as the daybook has them.
fn missed_before(daybook: &Daybook, now: DateTime<Utc>) -> Vec<Miss> {
    let missed = Filter { kinds: vec![EntryKind::Missed], ..Filter::default() };
    let entries = daybook.reader().past(now - MISSES_SHOWN, now, &missed).unwrap_or_default();
    let miss = |entry: Entry| {
        let (plug, wanted) = (entry.plug?, entry.wanted?);
        let at = entry.due.unwrap_or(entry.at);
        Some(Miss { at, channel: entry.channel.into(), plug: plug.into(), wanted, because: entry.because.into() })
    };
    entries.into_iter().filter_map(miss).collect()
}

/// Where the broker is and who we are to it; our own is started first.
async fn link_of(
    file: &RulesFile,
    state: &State,
    credentials: Option<&Path>,
) -> Result<(LinkSettings, Option<OwnBroker>), Failure> {
    let config = file.config();
    let client_id = client_id(&config, &state.client_id());
    let settings = LinkSettings {
        host: String::new(),
        port: 0,
        tls: None,
        user: config.broker.user.clone(),
        password: None,
        client_id,
        alive_topic: Some(file.alive_topic()),
        folds: true,
    };
    match &config.broker.at {
        BrokerAt::Address { host, port, encryption } => {
            let password = password(&config, credentials)?;
            let tls = Tls::of(encryption).map_err(Failure::Fault)?;
            Ok((LinkSettings { host: host.clone(), port: *port, tls, password, ..settings }, None))
        }
        BrokerAt::Own { serve, accounts_file } => {
            let broker = OwnBroker::start(*serve, accounts_file.as_deref(), state.folder()).await;
            let broker = broker.map_err(Failure::Other)?;
            info!(address = %broker.address(), "serving a broker of our own");
            let (user, password) = broker.own_account().unzip();
            let address = broker.own_address();
            let (host, port) = (address.ip().to_string(), address.port());
            let settings = LinkSettings { host, port, user, password, folds: false, ..settings };
            Ok((settings, Some(broker)))
        }
    }
}

/// From `password_file`, else from the systemd credential `broker-password`; `None` without either.
pub fn password(config: &Config, credentials: Option<&Path>) -> Result<Option<String>, Failure> {
    if config.broker.user.is_none() {
        return Ok(None);
    }
    let credential = || credentials.map(|folder| folder.join("broker-password")).filter(|path| path.exists());
    let Some(path) = config.broker.password_file.clone().or_else(credential) else { return Ok(None) };
    let text = fs::read_to_string(&path).map_err(|error| {
        Failure::Fault(format!("cannot read the broker's password from {}: {}", path.display(), reason(&error)))
    })?;
    Ok(Some(text.trim_end_matches(['\r', '\n']).to_owned()))
}

/// Letters and digits, 23 at most: what every broker takes (MQTT 3.1.1, 3.1.3.1).
fn client_id(config: &Config, random: &str) -> String {
    let place: String = config.place.slug().chars().filter(|c| *c != '-').collect();
    let room = 23_usize.saturating_sub(random.len());
    format!("{}{random}", place.get(..room).unwrap_or(&place))
}

/// Who gets in, over HTTP and to our own broker. To be settled before anything listens.
///
/// # Errors
///
/// When the file asks to listen beyond loopback without token or accounts, or the token can't be used.
pub fn admit(config: &Config) -> Result<Guard, Failure> {
    let guard = Guard::new(&config.web, web::guard::credentials_folder().as_deref()).map_err(Failure::Fault)?;
    match exposure_faults(config, true).into_iter().next() {
        Some(fault) => Err(Failure::Fault(fault)),
        None => Ok(guard),
    }
}

/// Listens where the file says.
///
/// # Errors
///
/// When the port is taken or the address is not this machine's, with what to do.
pub fn listen(config: &Config) -> Result<TcpListener, Failure> {
    let at = config.web.listen;
    TcpListener::bind(at).map_err(|error| {
        Failure::Other(format!(
            "cannot listen on {at} for the web: {}; choose another address with [web] listen",
            reason(&error)
        ))
    })
}
