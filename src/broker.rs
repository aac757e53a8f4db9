//! Our own broker, for a household that has none. In here alone is the broker library named.
//!
//! Built without the feature `own-broker` there is none, and a file that names no `address` can't be run.

mod accounts;
#[cfg_attr(not(feature = "own-broker"), path = "broker/absent.rs")]
mod served;

pub use accounts::{Account, Accounts, check_name};
pub use served::{OwnBroker, account_line};
