//! What came of a try, in figures and in words.

use std::time::Duration;

use super::types::Delivery;
use crate::pure::power::Power;

/// What came of trying one channel.
#[derive(Clone, Debug, PartialEq)]
pub struct Tried {
    /// Which channel.
    pub channel: String,
    /// Why it ended before it was through; `None`: it went through.
    pub ended: Option<String>,
    /// In the order of the file.
    pub plugs: Vec<TriedPlug>,
    /// What was said on other topics in step with the commands.
    pub elsewhere: Vec<Elsewhere>,
}

impl Tried {
    /// Whether it went through and every plug answered all it was told.
    pub fn answered(&self) -> bool {
        self.ended.is_none() && self.plugs.iter().all(|plug| plug.answered)
    }
}

/// What one plug made of it.
#[derive(Clone, Debug, PartialEq)]
pub struct TriedPlug {
    /// Its name.
    pub plug: String,
    /// Whether it reported everything it was told.
    pub answered: bool,
    /// How many commands an answer was waited for.
    pub told: u32,
    /// How many of them it answered.
    pub answers: u32,
    /// From the command to its answer, the shortest and the longest.
    pub took: Option<(Duration, Duration)>,
    /// What it said or did not say, in words.
    pub because: String,
    /// What it is to be now that the try is over; `None`: it is left as it is.
    pub back_to: Option<Power>,
    /// Why.
    pub back_because: String,
    /// How far that has got.
    pub delivery: Delivery,
}

/// A topic on which something was said in step with the commands, but which is not the one that is listened to; or
/// which is, and what is said there is not understood.
#[derive(Clone, Debug, PartialEq)]
pub struct Elsewhere {
    /// The topic.
    pub topic: String,
    /// What was said there after *on*, shortened.
    pub after_on: String,
    /// What was said there after *off*, shortened.
    pub after_off: String,
    /// The line of the plug's kind that would understand it, as the file has it.
    pub report: String,
}

/// What a plug did, before it is put in words.
#[derive(Clone, Debug, Default)]
pub(super) struct Deeds {
    pub told: u32,
    pub acked: u32,
    pub answers: u32,
    /// Of the answers, those that came only when the plug was asked.
    pub when_asked: u32,
    pub took: Option<(Duration, Duration)>,
    /// The topic it reports on; `None`: its kind has none.
    pub report: Option<String>,
    /// The kind's name.
    pub kind: String,
    /// It said the contrary when told this.
    pub contrary: Option<Power>,
    /// What it said that means neither on nor off.
    pub garbled: Option<String>,
    /// Where it said that it is gone, and nothing since.
    pub gone: Option<String>,
}

impl Deeds {
    pub fn answered(&self) -> bool {
        self.report.is_some() && self.told > 0 && self.answers == self.told
    }

    /// In words, for a person.
    pub fn words(&self) -> String {
        let told = self.told;
        let Some(report) = &self.report else {
            return format!(
                "can't answer, for its kind `{}` has no `report`; the broker took {} of {told} commands: look whether the lamp blinked",
                self.kind, self.acked
            );
        };
        if told == 0 {
            return "was told too little to say".to_string();
        }
        if self.answers > 0 {
            let all = if self.answers == told { format!("all {told}") } else { format!("{} of {told}", self.answers) };
            let took = self.took.map(|took| format!(", after {}", seconds(took))).unwrap_or_default();
            let asked = match self.when_asked {
                0 => String::new(),
                asked if asked == self.answers => ", but only when asked".to_string(),
                asked => format!(", {asked} of them only when asked"),
            };
            let contrary = self.contrary_words().map(|words| format!("; {words}")).unwrap_or_default();
            return format!("answered {all} commands{took}{asked}{contrary}");
        }
        if let Some(payload) = &self.garbled {
            return format!(
                "says `{payload}` on {report}, which means neither on nor off: compare it with `report` of its kind `{}`",
                self.kind
            );
        }
        if let Some(words) = self.contrary_words() {
            return words;
        }
        let gone = self.gone.as_ref().map(|topic| format!(", and {topic} says that it is gone")).unwrap_or_default();
        let broker = if self.acked == 0 { "; the broker took none of the commands" } else { "" };
        format!("did not answer: nothing came on {report}{gone}{broker}")
    }

    fn contrary_words(&self) -> Option<String> {
        self.contrary.map(|told| format!("said {} when it was told {told}", told.other()))
    }
}

fn seconds((shortest, longest): (Duration, Duration)) -> String {
    let (shortest, longest) = (format!("{:.2}", shortest.as_secs_f64()), format!("{:.2}", longest.as_secs_f64()));
    if shortest == longest { format!("{shortest} s") } else { format!("{shortest} to {longest} s") }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn reports() -> Deeds {
        Deeds {
            told: 5,
            acked: 5,
            report: Some("yard/3/report".to_string()),
            kind: "plain".to_string(),
            ..Deeds::default()
        }
    }

    #[track_caller]
    fn check(deeds: Deeds, answered: bool, words: &str) {
        assert_eq!((deeds.answered(), deeds.words().as_str()), (answered, words));
    }

    #[test]
    fn a_person_reads_what_each_plug_answered() {
        let took = Some((Duration::from_millis(40), Duration::from_millis(120)));
        check(Deeds { answers: 5, took, ..reports() }, true, "answered all 5 commands, after 0.04 to 0.12 s");
        check(
            Deeds { answers: 3, when_asked: 1, took, ..reports() },
            false,
            "answered 3 of 5 commands, after 0.04 to 0.12 s, 1 of them only when asked",
        );
        check(reports(), false, "did not answer: nothing came on yard/3/report");
        check(
            Deeds { acked: 0, gone: Some("yard/3/alive".to_string()), ..reports() },
            false,
            "did not answer: nothing came on yard/3/report, and yard/3/alive says that it is gone; the broker took none of the commands",
        );
        check(Deeds { contrary: Some(Power::On), ..reports() }, false, "said off when it was told on");
        check(
            Deeds { garbled: Some("ON".to_string()), ..reports() },
            false,
            "says `ON` on yard/3/report, which means neither on nor off: compare it with `report` of its kind `plain`",
        );
        check(
            Deeds { report: None, kind: "mute".to_string(), ..reports() },
            false,
            "can't answer, for its kind `mute` has no `report`; the broker took 5 of 5 commands: look whether the lamp blinked",
        );
    }
}
