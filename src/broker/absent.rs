//! What stands in for the broker where none was built in.

use std::convert::Infallible;
use std::env;
use std::net::SocketAddr;
use std::os::unix::process::CommandExt;
use std::path::Path;
use std::process::Command;

use crate::state::reason;

const SORRY: &str = "this lampward was built without a broker of its own: \
    set address under [broker] to the broker of the household, or build with the feature own-broker";

/// Where a package has the program with a broker: below the folder that has this one in `bin`.
const WITH_BROKER: &str = "libexec/lampward/lampward";

/// Goes on as the program with a broker, called with the same words; it stays the same process. To be asked before anything
/// is begun that must come to an end.
///
/// # Errors
///
/// Always, where it returns: there is no such program, or it can't be run, with what to do.
pub fn needed() -> Result<(), String> {
    // In words for people: without `..` in it.
    let beside = |this: &Path| Some(this.parent()?.parent()?.join(WITH_BROKER));
    let Some(program) = env::current_exe().ok().and_then(|this| beside(&this)) else {
        return Err(SORRY.to_owned());
    };
    if !program.exists() {
        return Err(format!("{SORRY}, and put that at {}", program.display()));
    }
    let mut words = env::args_os();
    let name = words.next().unwrap_or_else(|| "lampward".into());
    let because = reason(&Command::new(&program).arg0(name).args(words).exec());
    Err(format!(
        "cannot go on as {}, which has the broker: {because}. Install lampward again, or set address under [broker] to \
         the broker of the household",
        program.display()
    ))
}

/// A broker of our own, which this build has not.
#[derive(Debug)]
pub struct OwnBroker(Infallible);

impl OwnBroker {
    /// Can't be done in this build.
    ///
    /// # Errors
    ///
    /// Always, saying what to do instead.
    pub async fn start(_: Option<SocketAddr>, _: Option<&Path>, _: &Path) -> Result<OwnBroker, String> {
        Err(SORRY.to_owned())
    }

    /// Where it listens.
    pub fn address(&self) -> SocketAddr {
        match self.0 {}
    }

    /// Where our own client finds it.
    pub fn own_address(&self) -> SocketAddr {
        match self.0 {}
    }

    /// How our own client logs in.
    pub fn own_account(&self) -> Option<(String, String)> {
        match self.0 {}
    }

    /// Stops it.
    pub async fn stop(self) {
        match self.0 {}
    }
}

/// The line of an accounts file for one account.
///
/// # Errors
///
/// Always: this build can't make one.
pub fn account_line(_name: &str, _password: &str) -> Result<String, String> {
    Err(SORRY.to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn a_file_without_an_address_is_refused_with_what_to_do() {
        let fault = OwnBroker::start(None, None, Path::new("state")).await.unwrap_err();
        assert_eq!(
            fault,
            "this lampward was built without a broker of its own: set address under [broker] to the broker of the \
             household, or build with the feature own-broker"
        );
    }
}
