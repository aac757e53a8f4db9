//! What went wrong with a connection, for people.

use std::io;

use rumqttc::mqttbytes::Error as PacketError;
use rumqttc::{ConnectReturnCode, ConnectionError, StateError};

use super::retry::Ended;
use super::{LinkSettings, tls};

/// The broker as people know it: `192.0.2.7:1883`, `[2001:db8::7]:1883`, `broker.example:1883`.
pub fn broker(settings: &LinkSettings) -> String {
    format!("{}:{}", host(&settings.host), settings.port)
}

/// With brackets around an IPv6 address, as the client's parser wants it as well.
pub fn host(host: &str) -> String {
    if host.contains(':') && !host.starts_with('[') { format!("[{host}]") } else { host.to_owned() }
}

/// Why there is no connection, or none any more.
pub fn because(settings: &LinkSettings, error: &ConnectionError, was_connected: bool) -> String {
    let at = broker(settings);
    if let Some((because, _)) = tls::because(&at, &settings.host, error) {
        return because;
    }
    match error {
        ConnectionError::ConnectionRefused(code) => refused(settings, *code),
        ConnectionError::NetworkTimeout => format!("the broker at {at} does not answer"),
        ConnectionError::FlushTimeout | ConnectionError::MqttState(StateError::AwaitPingResp) => {
            format!("the broker at {at} has fallen silent")
        }
        ConnectionError::MqttState(StateError::Deserialization(PacketError::PayloadSizeLimitExceeded(bytes))) => {
            format!("the broker at {at} sent a message of {bytes} bytes, too large for a report")
        }
        _ if !was_connected && closed(error) => {
            format!(
                "the broker at {at} closed the connection before it was made; it may refuse user or password, or want mqtts://"
            )
        }
        _ if closed(error) => format!("the broker at {at} closed the connection"),
        ConnectionError::Io(error) => format!("cannot reach the broker at {at}: {}", plain(error)),
        error => format!("the connection to the broker at {at} broke: {error}"),
    }
}

fn refused(settings: &LinkSettings, code: ConnectReturnCode) -> String {
    let at = broker(settings);
    match (code, &settings.user) {
        (ConnectReturnCode::BadUserNamePassword | ConnectReturnCode::NotAuthorized, Some(user)) => {
            format!("the broker at {at} refuses the user `{user}` or its password")
        }
        (ConnectReturnCode::BadUserNamePassword | ConnectReturnCode::NotAuthorized, None) => {
            format!("the broker at {at} wants a user and a password")
        }
        (ConnectReturnCode::BadClientId, _) => {
            format!("the broker at {at} refuses the client id `{}`", settings.client_id)
        }
        (ConnectReturnCode::ServiceUnavailable, _) => format!("the broker at {at} says that it is not available"),
        (ConnectReturnCode::RefusedProtocolVersion, _) => format!("the broker at {at} does not speak MQTT 3.1.1"),
        (ConnectReturnCode::Success, _) => format!("the broker at {at} gave an answer that means nothing"),
    }
}

/// Whether this end counts as a refusal of user, password or certificate.
pub fn ended(settings: &LinkSettings, error: &ConnectionError) -> Ended {
    match error {
        error if tls::because("", &settings.host, error).is_some_and(|(_, lasting)| lasting) => Ended::Refused,
        ConnectionError::ConnectionRefused(
            ConnectReturnCode::BadUserNamePassword | ConnectReturnCode::NotAuthorized | ConnectReturnCode::BadClientId,
        ) => Ended::Refused,
        _ => Ended::Never,
    }
}

/// How large the message was that was too large to be taken in, if that is why.
pub fn oversize(error: &ConnectionError) -> Option<usize> {
    match error {
        ConnectionError::MqttState(StateError::Deserialization(PacketError::PayloadSizeLimitExceeded(bytes))) => {
            Some(*bytes)
        }
        _ => None,
    }
}

/// Whether the other side closed it.
pub fn closed(error: &ConnectionError) -> bool {
    let io = match error {
        ConnectionError::MqttState(StateError::ConnectionAborted) => return true,
        ConnectionError::Io(io)
        | ConnectionError::MqttState(StateError::Io(io) | StateError::Deserialization(PacketError::Io(io))) => io,
        _ => return false,
    };
    matches!(
        io.kind(),
        io::ErrorKind::ConnectionReset
            | io::ErrorKind::ConnectionAborted
            | io::ErrorKind::BrokenPipe
            | io::ErrorKind::UnexpectedEof
    )
}

/// "connection refused" rather than "Connection refused (os error 111)".
fn plain(error: &io::Error) -> String {
    let text = error.to_string();
    let text = text.split(" (os error").next().unwrap_or_default();
    let mut letters = text.chars();
    letters.next().map(|first| first.to_lowercase().chain(letters).collect()).unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn check(error: ConnectionError, was_connected: bool, user: Option<&str>, expected: &str) {
        let settings = LinkSettings {
            host: "192.0.2.7".into(),
            port: 1883,
            tls: None,
            user: user.map(str::to_owned),
            password: None,
            client_id: "lampward-skarvholmen-1".into(),
            alive_topic: None,
            folds: true,
        };
        assert_eq!(because(&settings, &error, was_connected), expected);
    }

    #[test]
    fn a_person_can_tell_what_to_do() {
        let refused = |code| ConnectionError::ConnectionRefused(code);
        let io = |kind: io::ErrorKind| ConnectionError::Io(kind.into());
        check(
            ConnectionError::Io(io::Error::from_raw_os_error(111)),
            false,
            None,
            "cannot reach the broker at 192.0.2.7:1883: connection refused",
        );
        check(
            refused(ConnectReturnCode::BadUserNamePassword),
            false,
            Some("lampward"),
            "the broker at 192.0.2.7:1883 refuses the user `lampward` or its password",
        );
        check(
            refused(ConnectReturnCode::NotAuthorized),
            false,
            None,
            "the broker at 192.0.2.7:1883 wants a user and a password",
        );
        check(ConnectionError::NetworkTimeout, false, None, "the broker at 192.0.2.7:1883 does not answer");
        check(
            io(io::ErrorKind::ConnectionReset),
            false,
            None,
            "the broker at 192.0.2.7:1883 closed the connection before it was made; it may refuse user or password, or want mqtts://",
        );
        check(StateError::ConnectionAborted.into(), true, None, "the broker at 192.0.2.7:1883 closed the connection");
        check(StateError::AwaitPingResp.into(), true, None, "the broker at 192.0.2.7:1883 has fallen silent");
    }

    #[test]
    fn an_ipv6_address_gets_its_brackets() {
        assert_eq!(host("2001:db8::7"), "[2001:db8::7]");
        assert_eq!(host("[2001:db8::7]"), "[2001:db8::7]");
        assert_eq!(host("192.0.2.7"), "192.0.2.7");
        assert_eq!(host("broker.example"), "broker.example");
    }
}
