//! Encrypted connections: `mqtts://`. The name or address in the file must be one of those in the broker's certificate.
//!
//! Built without the feature `tls` there are none, and a file that asks for one can't be run.

#[cfg_attr(not(feature = "tls"), path = "tls/absent.rs")]
mod built;

pub use built::{Tls, because};

use crate::pure::config::Encryption;

impl Tls {
    /// As the file asks for it.
    ///
    /// # Errors
    ///
    /// As [`Tls::new`].
    pub fn of(encryption: &Encryption) -> Result<Option<Tls>, String> {
        match encryption {
            Encryption::None => Ok(None),
            Encryption::BySystem => Tls::new(None).map(Some),
            Encryption::ByCa(file) => Tls::new(Some(file)).map(Some),
        }
    }
}
