//! `lampward new`: a first file, or a further lamp in one, by asking or by options.
//!
//! Each answer is judged by reading a file that holds it; the whole is read once more before it is written.

mod ask;
mod house;
mod lamp;

use std::fmt::Write;
use std::io::{self, IsTerminal};
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::Args;

use self::ask::{Answers, Dialogue};
use super::columns::columns;
use super::file::bytes;
use super::{Failure, print, rewrite};
use crate::clock;
use crate::pure::config::{Checked, Fault, read};
use crate::pure::edit::with_lines;
use crate::pure::starter::{house_text, lamp_text};

/// Where a package puts the file; without its folder the file is made in the current one.
const INSTALLED: &str = "/etc/lampward/lampward.toml";
/// Where there is nothing installed.
const HERE: &str = "lampward.toml";
/// A package puts it there; as long as nobody has touched it, a file of one's own may take its place.
const EXAMPLE: &[u8] = include_bytes!("../../../config/lampward.toml");

/// `lampward new`
#[derive(Args, Debug)]
pub struct New {
    /// The file to write, or to add a lamp to [default: /etc/lampward/lampward.toml where that folder is, else lampward.toml].
    #[arg(long, value_name = "FILE")]
    pub file: Option<PathBuf>,
    /// Ask for what is not given even where standard input is no terminal: answers line by line.
    #[arg(long)]
    pub ask: bool,
    /// What you call the house.
    #[arg(long, value_name = "TEXT", help_heading = "A new file")]
    pub name: Option<String>,
    /// Where it stands, such as "59.7412 N, 5.2097 E"; or locate, or "locate /dev/ttyUSB0": by a GPS receiver.
    #[arg(long, value_name = "POSITION", help_heading = "A new file")]
    pub position: Option<String>,
    /// Its time zone, such as Europe/Oslo.
    #[arg(long, value_name = "ZONE", help_heading = "A new file", allow_hyphen_values = true)]
    pub time_zone: Option<String>,
    /// The broker of the plugs, such as mqtt://192.0.2.7:1883; or own: Lampward's own [default: own].
    #[arg(long, value_name = "ADDRESS", help_heading = "A new file")]
    pub broker: Option<String>,
    /// The file (PEM) of the authority that signed the certificate of a broker with mqtts:// [default: those the system trusts].
    #[arg(long, value_name = "FILE", help_heading = "A new file")]
    pub ca: Option<String>,
    /// The account with which Lampward logs in at the broker.
    #[arg(long, value_name = "NAME", help_heading = "A new file")]
    pub user: Option<String>,
    /// The file with its password.
    #[arg(long, value_name = "FILE", help_heading = "A new file")]
    pub password_file: Option<String>,
    /// The lamp.
    #[command(flatten)]
    pub lamp: lamp::LampOptions,
}

/// What stands at the path.
enum Before {
    /// Nothing.
    Nothing,
    /// The example, as it was shipped.
    Example,
    /// A file of somebody's, without fault.
    File(Box<Standing>),
}

/// A file that is there.
struct Standing {
    old: Vec<u8>,
    text: String,
    checked: Checked,
}

/// Asks, or takes what was given, and writes.
///
/// # Errors
/// Something was not given and can't be asked; an answer that can't be; the file can't be written.
pub fn run(new: &New) -> Result<ExitCode, Failure> {
    let path = new.path();
    let before = Before::look(&path)?;
    let standing = match &before {
        Before::File(standing) => Some(&**standing),
        Before::Nothing | Before::Example => None,
    };
    new.check_fit(&path, standing.is_some())?;
    let missing = new.missing(standing.is_some());
    let ask = new.ask || (io::stdin().is_terminal() && !missing.is_empty());
    if !ask && !missing.is_empty() {
        return Err(not_told(&path, &before, &missing));
    }
    let mut answers = Answers::new(ask.then(Dialogue::default));
    introduce(&mut answers, &path, &before);

    let text = match standing {
        Some(standing) => {
            let lamp = lamp::lamp(&new.lamp, &mut answers, lamp::Base::Standing(&standing.text, &standing.checked))?;
            let text = with_lines(&standing.text, &lamp_text(&lamp));
            answers.show(&lamp_text(&lamp));
            text
        }
        None => {
            let mut house = house::house(new, &mut answers)?;
            let lamp = lamp::lamp(&new.lamp, &mut answers, lamp::Base::New(&mut house))?;
            let text = format!("{}\n{}", house_text(&house), lamp_text(&lamp));
            answers.show(&text);
            text
        }
    };
    judge(&path.display().to_string(), &text).map_err(Failure::Fault)?;
    if !answers.agreed(&format!("Write this to {}?", path.display()))? {
        return Err(Failure::Other("nothing is written".to_owned()));
    }
    print(&write(&path, &before, &text)?)
}

impl New {
    fn path(&self) -> PathBuf {
        let installed = Path::new(INSTALLED);
        let usual = if installed.parent().is_some_and(Path::is_dir) { INSTALLED } else { HERE };
        self.file.clone().unwrap_or_else(|| PathBuf::from(usual))
    }

    /// The options that make a new file, as far as they were given.
    fn of_a_new_file(&self) -> Vec<&'static str> {
        let given = [
            ("--name", &self.name),
            ("--position", &self.position),
            ("--time-zone", &self.time_zone),
            ("--broker", &self.broker),
            ("--ca", &self.ca),
            ("--user", &self.user),
            ("--password-file", &self.password_file),
        ];
        given.iter().filter(|(_, value)| value.is_some()).map(|(option, _)| *option).collect()
    }

    /// A file that is there is not made anew.
    fn check_fit(&self, path: &Path, standing: bool) -> Result<(), Failure> {
        match self.of_a_new_file().as_slice() {
            [first, ..] if standing => Err(Failure::Fault(format!(
                "{path} is there already, and new does not overwrite it: {first} is for a new file, elsewhere (--file); a lamp \
                 is added with --label, --plug and --lit; the position is changed by lampward locate --write",
                path = path.display()
            ))),
            _ => Ok(()),
        }
    }

    /// The options that are needed and were not given.
    fn missing(&self, standing: bool) -> Vec<&'static str> {
        let lamp = &self.lamp;
        let house = [("--name", &self.name), ("--position", &self.position), ("--time-zone", &self.time_zone)];
        let needed = house.into_iter().filter(|_| !standing).chain([("--label", &lamp.label), ("--plug", &lamp.plug)]);
        let mut missing: Vec<&str> = needed.filter(|(_, value)| value.is_none()).map(|(option, _)| option).collect();
        if lamp.lit.is_empty() {
            missing.push("--lit");
        }
        missing
    }
}

impl Before {
    fn look(path: &Path) -> Result<Before, Failure> {
        if path.symlink_metadata().is_err_and(|error| error.kind() == io::ErrorKind::NotFound) {
            return Ok(Before::Nothing);
        }
        let old = bytes(path).map_err(Failure::Fault)?;
        if old == EXAMPLE {
            return Ok(Before::Example);
        }
        let name = path.display().to_string();
        let checked = read(&name, &old).map_err(|faults| {
            let count = faults.0.len();
            let faults_are = if count == 1 { "a fault" } else { "faults" };
            Failure::Fault(format!(
                "{faults}\n\n{name} is there and has {faults_are}: mend that first, then add a lamp"
            ))
        })?;
        // Read without fault, so it is UTF-8.
        let text = String::from_utf8_lossy(&old).into_owned();
        Ok(Before::File(Box::new(Standing { old, text, checked })))
    }
}

fn not_told(path: &Path, before: &Before, missing: &[&str]) -> Failure {
    let path = path.display();
    let what = match before {
        Before::Nothing => format!("for a new {path}"),
        Before::Example => format!("for a new {path} in place of the example that stands there"),
        Before::File(_) => format!("for a further lamp in {path}"),
    };
    let missing = missing.join(", ");
    Failure::Fault(format!(
        "{what} say {missing}; or run it on a terminal, and you are asked; or --ask, with answers line by line"
    ))
}

fn introduce(answers: &mut Answers, path: &Path, before: &Before) {
    let path = path.display();
    let what = match before {
        Before::Nothing => format!("A new file, {path}."),
        Before::Example => {
            format!("{path} is the example as it was shipped. Yours takes its place; the example is kept.")
        }
        Before::File(_) => format!("{path} is there. A lamp is added to it; everything else in it stays."),
    };
    answers.note(&format!("{what}\nEnter takes what stands in [brackets]. Ctrl-D stops, and nothing is written.\n"));
}

/// Reads a whole text as the daemon would, or says in one line what is wrong with it.
fn judge(name: &str, text: &str) -> Result<Checked, String> {
    read(name, text.as_bytes()).map_err(|faults| faults.0.first().map_or_else(|| faults.to_string(), words))
}

/// A fault in one line, for an answer that has neither line nor column.
fn words(fault: &Fault) -> String {
    let mut said = fault.message.clone();
    if let Some(expected) = &fault.expected {
        let _ = write!(said, "; expected {expected}");
    }
    if let Some(nearest) = &fault.nearest {
        let _ = write!(said, "; nearest: {nearest}");
    }
    said
}

/// Writes, and says what to do next.
fn write(path: &Path, before: &Before, text: &str) -> Result<String, Failure> {
    let old = match before {
        Before::Nothing => None,
        Before::Example => Some(EXAMPLE),
        Before::File(standing) => Some(standing.old.as_slice()),
    };
    let mut said = format!("{} is written\n", path.display());
    match old {
        None => rewrite::create(path, text.as_bytes())?,
        Some(old) => {
            let kept = rewrite::replace(path, old, text.as_bytes(), clock::wall())?;
            let _ = writeln!(said, "{} is as it was before", kept.display());
        }
    }
    let usual = path == Path::new(INSTALLED);
    let (argument, option) = match usual {
        true => (String::new(), String::new()),
        false => (format!(" {}", path.display()), format!(" --file {}", path.display())),
    };
    said += "\nnext:\n";
    let mut next = vec![
        (format!("lampward check{argument}"), "what was read, and what the coming two years make of it"),
        (format!("lampward ahead{option} 7"), "every switching of the next week, with its reason"),
    ];
    match before {
        Before::File(_) => {}
        _ if usual => {
            next.push(("sudo systemctl restart lampward".to_owned(), "where it runs as a service; else lampward run"))
        }
        _ => next.push((format!("lampward run{argument}"), "switch")),
    }
    let rows = next.into_iter().map(|(command, does)| vec![format!("  {command}"), does.to_owned()]);
    said += &columns(&rows.collect::<Vec<_>>());
    if matches!(before, Before::File(_)) {
        said += "\na running Lampward reads the file again a second later\n";
    }
    Ok(said)
}
