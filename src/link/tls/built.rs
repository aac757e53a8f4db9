//! TLS by rustls with ring.

use std::fs;
use std::path::Path;
use std::sync::Arc;

use rumqttc::{ConnectionError, TlsConfiguration, TlsError, Transport};
use rustls::pki_types::CertificateDer;
use rustls::pki_types::pem::PemObject;
use rustls::{CertificateError, ClientConfig, RootCertStore};

/// Whom we trust to vouch for a broker. Cheap to clone.
#[derive(Clone)]
pub struct Tls(Arc<ClientConfig>);

impl Tls {
    /// Trusts the authorities in a file (PEM), or those of the system where there is none.
    ///
    /// # Errors
    ///
    /// A sentence: the file can't be read or holds no certificate, or the system has none.
    pub fn new(ca: Option<&Path>) -> Result<Tls, String> {
        let roots = match ca {
            Some(file) => from_file(file)?,
            None => of_the_system()?,
        };
        let provider = Arc::new(rustls::crypto::ring::default_provider());
        let config = ClientConfig::builder_with_provider(provider)
            .with_safe_default_protocol_versions()
            .map_err(|error| format!("cannot prepare TLS: {error}"))?
            .with_root_certificates(roots)
            .with_no_client_auth();
        Ok(Tls(Arc::new(config)))
    }

    /// What the client library is given.
    pub(in crate::link) fn transport(&self) -> Transport {
        Transport::tls_with_config(TlsConfiguration::Rustls(self.0.clone()))
    }
}

fn from_file(file: &Path) -> Result<RootCertStore, String> {
    let shown = file.display();
    let fault =
        |because: &str| format!("cannot read the certificate of the broker's authority from {shown}: {because}");
    let text = fs::read(file).map_err(|error| fault(&crate::state::reason(&error)))?;
    let mut roots = RootCertStore::empty();
    for certificate in CertificateDer::pem_slice_iter(&text) {
        let certificate = certificate.map_err(|error| fault(&error.to_string()))?;
        roots.add(certificate).map_err(|error| fault(&error.to_string()))?;
    }
    match roots.is_empty() {
        true => Err(fault("there is no certificate in it; it begins with -----BEGIN CERTIFICATE-----")),
        false => Ok(roots),
    }
}

fn of_the_system() -> Result<RootCertStore, String> {
    let mut roots = RootCertStore::empty();
    let found = rustls_native_certs::load_native_certs();
    // A system's store may hold one that nobody can read; the others are good all the same.
    roots.add_parsable_certificates(found.certs);
    if !roots.is_empty() {
        return Ok(roots);
    }
    let because = found.errors.first().map_or_else(String::new, |error| format!(" ({error})"));
    Err(format!(
        "this system has no certificate of an authority{because}: install them (ca-certificates), or set ca under [broker]"
    ))
}

/// What is wrong with the encryption, for people, if that is what ended it; and whether trying again soon is of no use.
pub fn because(at: &str, host: &str, error: &ConnectionError) -> Option<(String, bool)> {
    let ConnectionError::Tls(error) = error else { return None };
    let error = match error {
        TlsError::TLS(error) => error,
        TlsError::DNSName(_) => return Some((format!("no certificate can be for `{host}`: write another name"), true)),
        TlsError::Io(io) => match io.get_ref().and_then(|inner| inner.downcast_ref::<rustls::Error>()) {
            Some(error) => error,
            None => {
                return Some((
                    format!("the broker at {at} broke off while TLS was begun: does it speak TLS there?"),
                    false,
                ));
            }
        },
        error => return Some((format!("TLS with the broker at {at} failed: {error}"), false)),
    };
    let certificate = format!("the certificate of the broker at {at}");
    let because = match error {
        rustls::Error::InvalidCertificate(fault) => match fault {
            CertificateError::UnknownIssuer => {
                format!(
                    "{certificate} is signed by nobody whom lampward trusts: set ca under [broker] to the file of the one who signed it"
                )
            }
            CertificateError::Expired | CertificateError::ExpiredContext { .. } => format!("{certificate} has expired"),
            CertificateError::NotValidYet | CertificateError::NotValidYetContext { .. } => {
                format!("{certificate} is not valid yet: is the clock of this computer right?")
            }
            CertificateError::NotValidForName => format!("{certificate} is not for `{host}`"),
            CertificateError::NotValidForNameContext { presented, .. } => {
                format!("{certificate} is not for `{host}`{}", names(presented))
            }
            // The type of the reason belongs to a crate that we don't name.
            CertificateError::Other(other) if format!("{other:?}").contains("CaUsedAsEndEntity") => {
                format!("{certificate} is that of an authority: give the broker one of its own, signed by it")
            }
            fault => format!("{certificate} is not accepted: {fault}"),
        },
        rustls::Error::InvalidMessage(_) => {
            return Some((format!("the broker at {at} does not speak TLS there"), false));
        }
        error => return Some((format!("TLS with the broker at {at} failed: {error}"), false)),
    };
    Some((because, true))
}

/// ", but for `a`, `b`", from names as rustls shows them: `DnsName("a")`, `IpAddress(192.0.2.7)`, and kinds that are no host's.
fn names(presented: &[String]) -> String {
    let host = |name: &String| {
        let inner = name.strip_prefix("DnsName(").or_else(|| name.strip_prefix("IpAddress("))?;
        Some(format!("`{}`", inner.trim_end_matches(')').trim_matches('"')))
    };
    let hosts: Vec<String> = presented.iter().filter_map(host).collect();
    if hosts.is_empty() { ": it names no host".to_owned() } else { format!(", but for {}", hosts.join(", ")) }
}

#[cfg(test)]
mod tests {
    use std::io;

    use super::*;

    #[track_caller]
    fn check(error: rustls::Error, expected: &str, lasting: bool) {
        let error = ConnectionError::Tls(TlsError::Io(io::Error::new(io::ErrorKind::InvalidData, error)));
        let said = because("192.0.2.7:8883", "192.0.2.7", &error);
        assert_eq!(said, Some((expected.to_owned(), lasting)));
    }

    #[test]
    fn a_certificate_that_is_refused_is_not_tried_again_soon() {
        let refused = |fault| rustls::Error::InvalidCertificate(fault);
        check(refused(CertificateError::Expired), "the certificate of the broker at 192.0.2.7:8883 has expired", true);
        check(
            refused(CertificateError::NotValidYet),
            "the certificate of the broker at 192.0.2.7:8883 is not valid yet: is the clock of this computer right?",
            true,
        );
        check(
            rustls::Error::InvalidMessage(rustls::InvalidMessage::InvalidContentType),
            "the broker at 192.0.2.7:8883 does not speak TLS there",
            false,
        );
    }
}
