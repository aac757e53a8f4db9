//! Questions and answers: by options, on a terminal, or line by line from a program.

use std::io::{self, BufRead, IsTerminal, Read, Write};

use crate::cli::Failure;

/// No answer is longer.
const LONGEST: u64 = 10_000;

/// Where answers come from: options first, then a dialogue where there is one, then what holds without an answer.
pub struct Answers {
    dialogue: Option<Dialogue>,
}

/// Asks on standard error and reads standard input.
#[derive(Default)]
pub struct Dialogue {
    _private: (),
}

/// One thing to know.
pub struct Question<'a> {
    /// The option that answers it.
    pub option: &'a str,
    /// What was given with it.
    pub given: Option<&'a str>,
    /// What is asked otherwise.
    pub words: &'a str,
    /// What holds if nothing is answered; `Some("")` is "none".
    pub default: Option<&'a str>,
}

impl Answers {
    /// With a dialogue or without.
    pub fn new(dialogue: Option<Dialogue>) -> Answers {
        Answers { dialogue }
    }

    /// Whether questions are asked.
    pub fn asks(&self) -> bool {
        self.dialogue.is_some()
    }

    /// Tells something to whoever is asked.
    pub fn note(&mut self, words: &str) {
        if self.asks() {
            eprintln!("{words}");
        }
    }

    /// Shows what is to be written to whoever is asked.
    pub fn show(&mut self, text: &str) {
        self.note(&format!("\n{}", text.trim_end().lines().map(|line| format!("  {line}\n")).collect::<String>()));
    }

    /// The answer, which `check` found good: it gives what it makes of it.
    ///
    /// # Errors
    /// What was given is not good; or the answers ended.
    pub fn get<T>(
        &mut self,
        question: &Question<'_>,
        mut check: impl FnMut(&str) -> Result<T, String>,
    ) -> Result<T, Failure> {
        let option = question.option;
        let fault = |why: String| Failure::Fault(format!("{option}: {why}"));
        match (question.given, &mut self.dialogue) {
            (Some(given), _) => check(given).map_err(fault),
            (None, None) => check(question.default.unwrap_or("")).map_err(fault),
            (None, Some(dialogue)) => loop {
                let answer = dialogue.ask(question.words, question.default)?;
                match check(&answer) {
                    Ok(good) => return Ok(good),
                    Err(why) => eprintln!("  {why}"),
                }
            },
        }
    }

    /// Yes or no; yes where nobody is asked.
    ///
    /// # Errors
    /// The answers ended.
    pub fn agreed(&mut self, words: &str) -> Result<bool, Failure> {
        let question = Question { option: "", given: None, words, default: Some("yes") };
        self.get(&question, |answer| match answer.to_lowercase().as_str() {
            "yes" | "y" => Ok(true),
            "no" | "n" => Ok(false),
            _ => Err("yes or no?".to_owned()),
        })
    }
}

impl Dialogue {
    /// One question, and the line that answers it.
    fn ask(&mut self, words: &str, default: Option<&str>) -> Result<String, Failure> {
        let shown = match default {
            None => String::new(),
            Some("") => " [none]".to_owned(),
            Some(default) => format!(" [{default}]"),
        };
        eprint!("{words}{shown}{} ", if words.ends_with('?') && shown.is_empty() { "" } else { ":" });
        // Without a prompt the person would wait, and nothing worse.
        let _ = io::stderr().flush();
        let mut line = String::new();
        let read = io::stdin().lock().take(LONGEST).read_line(&mut line);
        let ended = |why: &str| Failure::Other(format!("{why}: nothing is written"));
        match read {
            Err(error) => return Err(ended(&format!("the answer can't be read ({error})"))),
            Ok(0) => {
                eprintln!();
                return Err(ended("the answers ended"));
            }
            Ok(_) => {}
        }
        let answer = line.trim();
        if !io::stdin().is_terminal() {
            // Nobody typed it where it can be seen.
            eprintln!("{answer}");
        }
        Ok(if answer.is_empty() { default.unwrap_or("").to_owned() } else { answer.to_owned() })
    }
}
