//! Our own broker, for a household that has none. In here alone is the broker library named.
//!
//! Built without the feature `own-broker` there is none. A package has both programs: the one without, which takes half a
//! megabyte less, and the one with it, as which the first goes on where a broker of our own is wanted, see [`needed`].

mod accounts;
#[cfg_attr(not(feature = "own-broker"), path = "broker/absent.rs")]
mod served;

pub use accounts::{Account, Accounts, check_name};
pub use served::{OwnBroker, account_line, needed};
