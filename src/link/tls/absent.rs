//! What stands in for TLS where it was not built in.

use std::convert::Infallible;
use std::path::Path;

use rumqttc::{ConnectionError, Transport};

/// Whom we trust to vouch for a broker, which this build can't.
#[derive(Clone)]
pub struct Tls(Infallible);

impl Tls {
    /// Can't be done in this build.
    ///
    /// # Errors
    ///
    /// Always, saying what to do instead.
    pub fn new(_: Option<&Path>) -> Result<Tls, String> {
        Err("this lampward was built without TLS: set address under [broker] to one with mqtt://, or build with the feature tls"
            .to_owned())
    }

    /// What the client library is given.
    pub(in crate::link) fn transport(&self) -> Transport {
        match self.0 {}
    }
}

/// Nothing is ever wrong with it.
pub fn because(_: &str, _: &str, _: &ConnectionError) -> Option<(String, bool)> {
    None
}
