//! A broker that says what a test wants it to say, byte by byte.

#![allow(dead_code, reason = "each test uses a part of it")]

use std::net::SocketAddr;

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};

use super::links::patiently;

pub const SUBSCRIBE: u8 = 8;
pub const UNSUBSCRIBE: u8 = 10;
pub const PUBLISH: u8 = 3;

/// A broker that says what the test wants it to say, byte by byte (MQTT 3.1.1, chapters 2 and 3).
pub struct ScriptedBroker {
    pub listener: TcpListener,
    pub address: SocketAddr,
}

pub struct Session(TcpStream);

/// One packet: its kind, and what follows the fixed header.
pub struct Packet {
    pub kind: u8,
    pub body: Vec<u8>,
}

impl ScriptedBroker {
    pub async fn listen() -> ScriptedBroker {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let address = listener.local_addr().unwrap();
        ScriptedBroker { listener, address }
    }

    /// Takes the next client in.
    pub async fn accept(&self) -> Session {
        let (stream, _) = patiently("a client", self.listener.accept()).await.unwrap();
        let mut session = Session(stream);
        session.expect(1).await;
        session.send(&[0x20, 2, 0, 0]).await;
        session
    }
}

impl Session {
    pub async fn send(&mut self, bytes: &[u8]) {
        self.0.write_all(bytes).await.unwrap();
    }

    /// Whether anything has come that was not read.
    pub async fn has_more(&self) -> bool {
        tokio::time::timeout(std::time::Duration::ZERO, self.0.peek(&mut [0])).await.is_ok()
    }

    /// The next packet of this kind; others are passed over.
    pub async fn expect(&mut self, kind: u8) -> Packet {
        patiently("a packet", async {
            loop {
                let packet = self.packet().await;
                if packet.kind == kind {
                    return packet;
                }
            }
        })
        .await
    }

    pub async fn packet(&mut self) -> Packet {
        let kind = self.0.read_u8().await.unwrap() >> 4;
        let (mut length, mut shift) = (0_usize, 0);
        loop {
            let byte = self.0.read_u8().await.unwrap();
            length |= usize::from(byte & 0x7f) << shift;
            shift += 7;
            if byte & 0x80 == 0 {
                break;
            }
        }
        let mut body = vec![0; length];
        self.0.read_exact(&mut body).await.unwrap();
        Packet { kind, body }
    }
}

impl Packet {
    /// The packet id, which stands here in the body.
    pub fn id_at(&self, at: usize) -> [u8; 2] {
        [self.body[at], self.body[at + 1]]
    }
}
