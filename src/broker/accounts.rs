//! The accounts file: who may log in at our own broker.
//!
//! One account a line, `name:hash`, with a hash as `lampward account` makes it (Argon2id in PHC string format). Empty lines
//! and lines that start with `#` say nothing. Anything else is a fault: an account that is left out without a word is
//! a plug that can't log in.

use std::fs;
use std::os::unix::fs::MetadataExt;
use std::path::Path;

/// Our own client logs in under this name, so nobody else can have it.
pub const OURS: &str = "lampward-itself";

/// One account.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Account {
    /// Its name.
    pub name: String,
    /// PHC string.
    pub hash: String,
}

/// Everyone who may log in.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Accounts(pub Vec<Account>);

impl Accounts {
    /// Reads an accounts file.
    ///
    /// # Errors
    ///
    /// A sentence: the file can't be read, a line is not an account, or there is none.
    pub fn load(file: &Path) -> Result<Accounts, String> {
        let text = fs::read_to_string(file)
            .map_err(|error| format!("cannot read the accounts of the broker from {}: {error}", file.display()))?;
        if fs::metadata(file).is_ok_and(|meta| meta.mode() & 0o007 != 0) {
            let file = file.display();
            tracing::warn!("the accounts in {file} are open to everyone on this machine; close them: chmod o= {file}");
        }
        Accounts::read(&file.display().to_string(), &text)
    }

    /// Reads the text of an accounts file, which is called `file_name` in faults.
    ///
    /// # Errors
    ///
    /// As [`Accounts::load`].
    pub fn read(file_name: &str, text: &str) -> Result<Accounts, String> {
        let mut accounts: Vec<Account> = Vec::new();
        for (index, line) in text.lines().enumerate() {
            let fault = |what: &str| Err(format!("{file_name}:{}: {what}", index + 1));
            let line = line.trim();
            if line.is_empty() || line.starts_with('#') {
                continue;
            }
            let Some((name, hash)) = line.split_once(':') else {
                return fault("expected name:hash, as `lampward account` makes it");
            };
            let (name, hash) = (name.trim(), hash.trim());
            if let Err(what) = check_name(name) {
                return fault(&what);
            }
            if !hash.starts_with("$argon2") || hash.matches('$').count() < 4 {
                return fault(&format!("the hash of `{name}` is none: make it with `lampward account {name}`"));
            }
            if accounts.iter().any(|account| account.name == name) {
                return fault(&format!("`{name}` stands here twice"));
            }
            accounts.push(Account { name: name.to_owned(), hash: hash.to_owned() });
        }
        if accounts.is_empty() {
            return Err(format!("{file_name}: no account in it; make one with `lampward account NAME`"));
        }
        Ok(Accounts(accounts))
    }
}

/// Whether an account may have this name.
///
/// # Errors
///
/// A sentence that says why not.
pub fn check_name(name: &str) -> Result<(), String> {
    if name.is_empty() {
        return Err("an account needs a name".to_owned());
    }
    if name.contains(':') || name.contains(char::is_control) || name.trim() != name || name.starts_with('#') {
        return Err(format!("`{}` can't be the name of an account", name.escape_debug()));
    }
    if name == OURS {
        return Err(format!("`{OURS}` is lampward's own account: choose another name"));
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A hash in the right form; what it is the hash of does not matter here.
    const HASH: &str = "$argon2id$v=19$m=19456,t=2,p=1$c2FsdHNhbHRzYWx0$aGFzaGhhc2hoYXNoaGFzaGhhc2hoYXNo";

    #[track_caller]
    fn check(text: &str, expected: Result<&[&str], &str>) {
        let text = text.replace("HASH", HASH);
        let names = Accounts::read("accounts", &text)
            .map(|accounts| accounts.0.into_iter().map(|account| account.name).collect::<Vec<_>>());
        assert_eq!(
            names,
            expected.map(|names| names.iter().map(|&name| name.to_owned()).collect()).map_err(String::from)
        );
    }

    #[test]
    fn a_file_names_those_who_may_log_in() {
        check("# plugs\n\nplugs:HASH\n  boathouse : HASH \r\n", Ok(&["plugs", "boathouse"]));
    }

    #[test]
    fn a_line_that_is_no_account_is_a_fault() {
        check("plugs HASH", Err("accounts:1: expected name:hash, as `lampward account` makes it"));
        check("\nplugs:secret", Err("accounts:2: the hash of `plugs` is none: make it with `lampward account plugs`"));
        check(":HASH", Err("accounts:1: an account needs a name"));
        check("plugs:HASH\nplugs:HASH", Err("accounts:2: `plugs` stands here twice"));
        check(
            "lampward-itself:HASH",
            Err("accounts:1: `lampward-itself` is lampward's own account: choose another name"),
        );
    }

    #[test]
    fn a_file_without_an_account_is_a_fault() {
        check("# nobody\n", Err("accounts: no account in it; make one with `lampward account NAME`"));
    }
}
