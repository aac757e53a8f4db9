//! What stands in for the broker where none was built in.

use std::convert::Infallible;
use std::net::SocketAddr;
use std::path::Path;

const SORRY: &str = "this lampward was built without a broker of its own: \
    set address under [broker] to the broker of the household, or build with the feature own-broker";

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
