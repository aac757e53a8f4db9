//! A try where no daemon runs: the keeper of one channel, straight at the broker.
//!
//! Its clock counts as not trusted, so the plan has no say and each plug is put back to what it said before. It has a
//! client id of its own and says nothing on lampward's own topic, so a daemon elsewhere is left in peace.

use std::pin::pin;
use std::sync::Arc;
use std::time::Duration;

use strsim::damerau_levenshtein;
use tokio::time::sleep;

use crate::cli::Failure;
use crate::cli::file::FileOption;
use crate::cli::run::{in_runtime, stop_signal};
use crate::clock::Clock;
use crate::house::password;
use crate::link::{Link, LinkEvent, LinkSettings, Tls};
use crate::pure::config::{BrokerAt, Config};
use crate::pure::keeper::{Answer, Delivery, Input, Keeper, Order, OrderId, Output, Start, Step, Tried};
use crate::state::reason;
use crate::web::guard::credentials_folder;
use crate::web::tried;

/// How long the broker may take to let us in.
const UP_WITHIN: Duration = Duration::from_secs(10);
/// How long plugs have to say how they are before they are blinked.
const SAY_WITHIN: Duration = Duration::from_secs(1);
/// How long a broker that went away in the middle is waited for, to put the plugs back.
const BACK_WITHIN: Duration = Duration::from_secs(30);
/// How long a person who stops the try waits for the plugs to be put back.
const STOP_WITHIN: Duration = Duration::from_secs(5);

/// Tries one channel of the file.
///
/// # Errors
/// There is no file, or it has no such channel or no broker's address; the broker is out of reach.
pub fn run(file: &FileOption, channel: &str, nobody_at: &str) -> Result<tried::Tried, Failure> {
    let nobody = format!("no lampward answers at {nobody_at}");
    let loaded = file.load().map_err(|failure| match failure {
        Failure::Fault(text) => Failure::Fault(format!("{nobody}, and without one the file is needed\n{text}")),
        other => other,
    })?;
    let mut config = loaded.checked.config;
    let Some(index) = config.channels.iter().position(|known| known.name == channel) else {
        return Err(Failure::Fault(unknown(&config, channel)));
    };
    let BrokerAt::Address { host, port, encryption } = config.broker.at.clone() else {
        return Err(Failure::Other(format!(
            "{nobody}, and {} names no broker: without `address` under [broker] lampward serves its own, which is there \
             only while lampward runs; start it with `lampward run {0}` and try again",
            loaded.path.display()
        )));
    };
    config.channels = vec![config.channels.swap_remove(index)];
    let settings = LinkSettings {
        host,
        port,
        tls: Tls::of(&encryption).map_err(Failure::Fault)?,
        user: config.broker.user.clone(),
        password: password(&config, credentials_folder().as_deref())?,
        client_id: format!("lampwardtry{}", (0..12).map(|_| fastrand::alphanumeric()).collect::<String>()),
        alive_topic: None,
        // It is gone again in a moment.
        folds: false,
    };
    eprintln!("{nobody}: speaking to the broker at {}:{port} without one", settings.host);
    let tried = in_runtime(async { Alone::new(config, settings, channel)?.live().await })?;
    Ok(tried::Tried::from(&tried))
}

fn unknown(config: &Config, channel: &str) -> String {
    let names = config.channels.iter().map(|known| known.name.as_str());
    let nearest = names.clone().min_by_key(|name| damerau_levenshtein(name, channel)).unwrap_or_default();
    format!("there is no channel `{channel}`; there are {}; nearest: {nearest}", names.collect::<Vec<_>>().join(", "))
}

struct Alone {
    clock: Clock,
    keeper: Keeper,
    first: Option<Step>,
    settings: LinkSettings,
    channel: String,
    tried: Option<Tried>,
    refused: Option<String>,
    rest: Duration,
}

impl Alone {
    fn new(config: Config, settings: LinkSettings, channel: &str) -> Result<Alone, Failure> {
        let clock = Clock::real(config.clock)
            .map_err(|error| Failure::Other(format!("cannot wait on the clock: {}", reason(&error))))?;
        let (keeper, first) = Keeper::new(clock.now(), Arc::new(config), Start::default());
        let (channel, rest) = (channel.to_string(), first.rest);
        Ok(Alone { clock, keeper, first: Some(first), settings, channel, tried: None, refused: None, rest })
    }

    async fn live(mut self) -> Result<Tried, Failure> {
        let mut stop = pin!(stop_signal()?);
        let mut link = Link::start(self.settings.clone(), self.keeper.topics());
        if let Some(first) = self.first.take() {
            self.carry_out(&link, first);
        }
        let mut patience = pin!(sleep(UP_WITHIN));
        let (mut up, mut begun, mut stopped) = (false, false, false);
        loop {
            let rest = self.rest;
            let input = tokio::select! {
                event = link.next() => match event {
                    LinkEvent::Up => {
                        if !up && !begun {
                            patience.set(sleep(SAY_WITHIN));
                        }
                        up = true;
                        Input::LinkUp
                    }
                    LinkEvent::Down { because } if !begun => return Err(Failure::Other(because)),
                    LinkEvent::Down { .. } => {
                        up = false;
                        patience.set(sleep(BACK_WITHIN));
                        Input::LinkDown
                    }
                    LinkEvent::Acked(ticket) => Input::Acked(ticket),
                    LinkEvent::Message { topic, payload, retained } => Input::Message { topic, payload, retained },
                },
                _ = self.clock.rest(rest, None) => Input::Tick,
                () = &mut stop, if !stopped => {
                    stopped = true;
                    patience.set(sleep(STOP_WITHIN));
                    Input::Stop
                }
                () = &mut patience, if !begun || self.tried.is_some() => match (begun, up) {
                    (false, true) => {
                        begun = true;
                        Input::Order(OrderId(1), Order::Try { channel: self.channel.clone() })
                    }
                    (false, false) => {
                        let at = format!("{}:{}", self.settings.host, self.settings.port);
                        return Err(Failure::Other(format!("the broker at {at} does not answer")));
                    }
                    (true, _) => break,
                },
            };
            let step = self.keeper.step(self.clock.now(), input);
            self.carry_out(&link, step);
            if let Some(because) = self.refused.take() {
                return Err(Failure::Other(because));
            }
            if stopped && !begun {
                return Err(Failure::Other("stopped before any plug was told anything".to_string()));
            }
            if self.tried.is_some() && up && self.at_rest() {
                break;
            }
        }
        link.goodbye().await;
        self.tried.take().ok_or_else(|| Failure::Other("stopped before the try was through".to_string()))
    }

    /// Whether every plug has been put back, or there is nothing more that could be done about it.
    fn at_rest(&mut self) -> bool {
        if self.tried.as_ref().is_some_and(|tried| tried.ended.is_none()) {
            return true;
        }
        let snapshot = self.keeper.snapshot(self.clock.now());
        let mut plugs = snapshot.channels.iter().flat_map(|channel| &channel.plugs);
        plugs.all(|plug| matches!(plug.delivery, Delivery::Confirmed | Delivery::Accepted))
    }

    fn carry_out(&mut self, link: &Link, step: Step) {
        let mut next = Some(step);
        while let Some(step) = next.take() {
            self.rest = step.rest;
            for output in step.outputs {
                match output {
                    Output::Publish { ticket, topic, payload, retain } => {
                        link.publish(Some(ticket), topic, payload, retain);
                    }
                    Output::Listen => {
                        link.listen(self.keeper.topics());
                        link.watch(self.keeper.filters());
                    }
                    Output::Keep(_) => next = Some(self.keeper.step(self.clock.now(), Input::Kept(Ok(())))),
                    Output::Answer(_, Answer::Tried(tried)) => self.tried = Some(*tried),
                    Output::Answer(_, Answer::Busy(because) | Answer::NoLink(because)) => self.refused = Some(because),
                    Output::Answer(..) | Output::Record(_) | Output::Say(_) | Output::Alive => {}
                }
            }
        }
    }
}
