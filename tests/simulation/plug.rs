//! A plug as it is in life: it has power or not, hears or not, and comes back as its maker thought best.

use lampward::pure::power::Power;

use super::house::Make;

/// What a plug does when its power returns.
#[derive(Clone, Copy, Debug)]
pub enum Boots {
    On,
    Off,
    Last,
}

/// One plug.
#[derive(Debug)]
pub struct Plug {
    pub name: String,
    pub report_topic: String,
    pub alive_topic: String,
    pub lamp: usize,
    pub make: Make,
    pub boots: Boots,
    /// Whether the broker keeps its reports.
    pub retains: bool,
    /// What its relay is at.
    pub power: Power,
    /// The mains.
    pub mains: bool,
    /// Connected to the broker. Counts up with each change, so that what was meant for an earlier time is known.
    pub joined: bool,
    pub session: u32,
    /// The broker has yet to say that the session before is gone.
    pub will_due: bool,
    /// Hears and says nothing until then, though it is connected.
    pub deaf_until: i64,
    /// Something is wrong with it until then.
    pub disturbed_until: i64,
    /// The relay may be other than the keeper can know: changed by something else than a command, or a command was
    /// lost, and no report of it has come through since.
    pub hidden_since: Option<i64>,
    /// When the keeper last heard of it what was true no more, in a report that had been overtaken. A command that was sent
    /// before says nothing of what the keeper has believed since.
    pub misled_at: Option<i64>,
    /// Its last report that came through to the keeper.
    pub last_heard: &'static str,
    /// When somebody or something other than us last changed it.
    pub stirred_at: i64,
}

impl Plug {
    pub fn new(name: &str, lamp: usize, make: Make, rng: &mut fastrand::Rng) -> Plug {
        Plug {
            name: name.to_string(),
            report_topic: format!("{name}/report"),
            alive_topic: format!("{name}/alive"),
            last_heard: "",
            lamp,
            make,
            boots: *rng.choice(&[Boots::On, Boots::Off, Boots::Last]).expect("three"),
            retains: rng.bool(),
            power: Power::from_lit(rng.bool()),
            mains: true,
            joined: true,
            session: 0,
            will_due: false,
            deaf_until: 0,
            disturbed_until: 0,
            hidden_since: Some(0),
            misled_at: None,
            stirred_at: 0,
        }
    }

    /// Takes a command that was sent at a time; whether it reports.
    pub fn obey(&mut self, wanted: Power, sent: i64) -> bool {
        let changed = self.power != wanted;
        self.power = wanted;
        if self.misled_at.is_none_or(|misled_at| misled_at <= sent) {
            (self.hidden_since, self.misled_at) = (None, None);
        }
        match self.make {
            Make::Plain | Make::Socket | Make::Bare => true,
            Make::Terse => changed,
            Make::Mute => false,
        }
    }

    /// Changes without a command.
    pub fn stir(&mut self, now: i64, power: Power) {
        if self.power != power {
            self.power = power;
            self.hidden_since.get_or_insert(now);
        }
        self.stirred_at = now;
    }
}
