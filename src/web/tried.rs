//! What came of a try, as HTTP says it.

use serde::{Deserialize, Serialize};

use crate::pure::keeper;

/// What `POST /channels/{name}/try` answers.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Tried {
    /// The channel's name.
    pub channel: String,
    /// Whether every plug answered all it was told.
    pub answered: bool,
    /// Why the try ended before it was through; null: it went through.
    pub ended_early: Option<String>,
    /// In the order of the file.
    pub plugs: Vec<TriedPlug>,
    /// What was said on other topics in step with the commands.
    pub elsewhere: Vec<Elsewhere>,
}

/// One of `plugs` of [`Tried`].
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct TriedPlug {
    /// Its name.
    pub plug: String,
    /// Whether it answered all it was told.
    pub answered: bool,
    /// In words: "answered all 5 commands, after 0.04 to 0.12 s".
    pub because: String,
    /// Commands to which an answer was waited for.
    pub commands: u32,
    /// Those that it answered.
    pub answers: u32,
    /// The shortest time to an answer; null without one.
    pub fastest_s: Option<f64>,
    /// The longest.
    pub slowest_s: Option<f64>,
    /// What it is to be now that the try is over: on or off; null: it is left as it is.
    pub back_to: Option<String>,
    /// Why.
    pub back_because: String,
    /// How far that had got when this was answered: untold, unanswered, confirmed, accepted or missed.
    pub delivery: String,
}

/// One of `elsewhere` of [`Tried`].
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Elsewhere {
    /// The topic.
    pub topic: String,
    /// What was said there after on, shortened.
    pub after_on: String,
    /// What was said there after off, shortened.
    pub after_off: String,
    /// A line for the plug's kind that would understand it.
    pub report: String,
}

impl From<&keeper::Tried> for Tried {
    fn from(tried: &keeper::Tried) -> Tried {
        Tried {
            channel: tried.channel.clone(),
            answered: tried.answered(),
            ended_early: tried.ended.clone(),
            plugs: tried.plugs.iter().map(TriedPlug::from).collect(),
            elsewhere: tried.elsewhere.iter().map(Elsewhere::from).collect(),
        }
    }
}

impl From<&keeper::TriedPlug> for TriedPlug {
    fn from(plug: &keeper::TriedPlug) -> TriedPlug {
        let seconds = |took: std::time::Duration| took.as_millis() as f64 / 1000.0;
        TriedPlug {
            plug: plug.plug.clone(),
            answered: plug.answered,
            because: plug.because.clone(),
            commands: plug.told,
            answers: plug.answers,
            fastest_s: plug.took.map(|(fastest, _)| seconds(fastest)),
            slowest_s: plug.took.map(|(_, slowest)| seconds(slowest)),
            back_to: plug.back_to.map(|power| power.word().to_string()),
            back_because: plug.back_because.clone(),
            delivery: plug.delivery.word().to_string(),
        }
    }
}

impl From<&keeper::Elsewhere> for Elsewhere {
    fn from(elsewhere: &keeper::Elsewhere) -> Elsewhere {
        let keeper::Elsewhere { topic, after_on, after_off, report } = elsewhere.clone();
        Elsewhere { topic, after_on, after_off, report }
    }
}
