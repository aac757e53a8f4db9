//! What a slow, greedy or broken client gets.

use std::io;
use std::net::SocketAddr;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::{Duration, Instant};

use lampward::web::{CONNECTIONS, FROM_ONE_ADDRESS, HALL};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpSocket, TcpStream};
use tokio::time::timeout;

use crate::house::{House, plain_web, read_reply};

/// Far beyond every limit: a test that waits this long has failed.
const PATIENCE: Duration = Duration::from_secs(60);

async fn connect(house: &House) -> TcpStream {
    TcpStream::connect(house.address).await.expect("a connection")
}

/// Reads until the server closes; fails when it never does.
async fn until_closed(stream: &mut TcpStream) -> Vec<u8> {
    let mut read = Vec::new();
    match timeout(PATIENCE, stream.read_to_end(&mut read)).await.expect("the server closes") {
        Ok(_) => read,
        Err(error) if error.kind() == io::ErrorKind::ConnectionReset => read,
        Err(error) => panic!("{error}"),
    }
}

#[tokio::test]
async fn a_body_over_16_kib_is_refused() {
    let house = House::plain().await;
    let large = format!(r#"{{"wanted":"on","until":"{}"}}"#, "x".repeat(17 * 1024));
    let announced = house.ask("PUT", "/override", &[], &large).await;
    assert_eq!(announced.problem(), "413: the body is larger than 16 kB");
    let mut chunked = "PUT /override HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\
                       Content-Type: application/json\r\nTransfer-Encoding: chunked\r\n\r\n"
        .to_string();
    for _ in 0..17 {
        chunked += &format!("400\r\n{}\r\n", "x".repeat(1024));
    }
    chunked += "0\r\n\r\n";
    assert_eq!(house.raw(chunked.as_bytes()).await.problem(), "413: the body is larger than 16 kB");
    let fits = format!(r#"{{"wanted":"on","until":"{}"}}"#, "x".repeat(16_000));
    assert_eq!(house.ask("PUT", "/override", &[], &fits).await.status, 200);
}

#[tokio::test]
async fn too_much_header_is_refused() {
    let house = House::plain().await;
    let long = "x".repeat(20 * 1024);
    assert_eq!(house.ask("GET", "/status", &[("X-Long", &long)], "").await.status, 431);
    let many: Vec<(String, String)> = (0..100).map(|n| (format!("X-{n}"), "x".into())).collect();
    let many: Vec<(&str, &str)> = many.iter().map(|(n, v)| (n.as_str(), v.as_str())).collect();
    assert_eq!(house.ask("GET", "/status", &many, "").await.status, 431);
}

#[tokio::test]
async fn an_order_the_daemon_does_not_answer_ends_with_503() {
    let house = House::with(plain_web(), Box::new(|_| None)).await;
    let reply = house.ask("PUT", "/override", &[], r#"{"wanted":"on"}"#).await;
    assert_eq!(reply.problem(), "503: no answer yet; it may still be carried out, GET /status says what stands");
}

#[tokio::test]
async fn a_body_that_never_comes_ends_with_503() {
    let house = House::plain().await;
    let request = "PUT /override HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\
                   Content-Type: application/json\r\nContent-Length: 15\r\n\r\n{\"wan";
    assert_eq!(house.raw(request.as_bytes()).await.problem(), "503: it took too long; try again");
}

#[tokio::test]
async fn silent_and_dripping_connections_are_closed() {
    let house = House::plain().await;
    let mut idle = connect(&house).await;
    let mut half = connect(&house).await;
    half.write_all(b"GET /status HTTP/1.1\r\nHost: local").await.expect("sent");
    let mut kept = connect(&house).await;
    kept.write_all(b"GET /health HTTP/1.1\r\nHost: localhost\r\n\r\n").await.expect("sent");
    let mut dripping = connect(&house).await;
    let drip = async {
        // One byte a second would take minutes for this header; the server gives up long before.
        for byte in b"GET /status HTTP/1.1\r\nHost: localhost\r\nX-Slow: yes\r\n".iter().cycle() {
            if dripping.write_all(&[*byte]).await.is_err() {
                return;
            }
            tokio::time::sleep(Duration::from_millis(250)).await;
        }
    };
    let (_, _, answered, dripped) = tokio::join!(
        until_closed(&mut idle),
        until_closed(&mut half),
        until_closed(&mut kept),
        timeout(PATIENCE, drip)
    );
    assert!(answered.starts_with(b"HTTP/1.1 200 OK"), "the good request was answered before its connection closed");
    dripped.expect("the dripping connection is cut");
}

#[tokio::test]
async fn a_good_request_gets_in_once_the_idle_ones_are_closed() {
    let house = House::plain().await;
    let mut idle = Vec::new();
    for _ in 0..CONNECTIONS + 8 {
        idle.push(connect(&house).await);
    }
    let reply = timeout(PATIENCE, house.get("/status")).await.expect("an answer");
    assert_eq!(reply.status, 200);
}

/// Asks on a connection again and again, as fast as it is answered, on a new one whenever it is closed.
async fn ask_for_ever(address: SocketAddr, from: &'static str) {
    loop {
        let socket = TcpSocket::new_v4().expect("a socket");
        socket.bind(SocketAddr::new(from.parse().expect("an address"), 0)).expect("bound");
        let Ok(mut stream) = socket.connect(address).await else { continue };
        let mut answer = [0; 4096];
        while stream.write_all(b"GET /status HTTP/1.1\r\nHost: localhost\r\n\r\n").await.is_ok() {
            if !matches!(stream.read(&mut answer).await, Ok(1..)) {
                break;
            }
        }
    }
}

#[tokio::test]
async fn busy_connections_shut_nobody_out_not_even_from_their_own_address() {
    let house = House::plain().await;
    let mut busy = Vec::new();
    for (from, count) in [("127.0.0.1", FROM_ONE_ADDRESS + 4), ("127.0.0.2", 2 * CONNECTIONS)] {
        busy.extend((0..count).map(|_| tokio::spawn(ask_for_ever(house.address, from))));
    }
    // Somebody from another address, and somebody from an address that has its share already.
    for from in ["127.0.0.3", "127.0.0.1"] {
        for _ in 0..20 {
            let socket = TcpSocket::new_v4().expect("a socket");
            socket.bind(SocketAddr::new(from.parse().expect("an address"), 0)).expect("bound");
            let answered = async {
                let mut stream = socket.connect(house.address).await.expect("a connection");
                stream
                    .write_all(b"GET /health HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n")
                    .await
                    .expect("sent");
                let mut answer = String::new();
                let _ = stream.read_to_string(&mut answer).await;
                answer
            };
            let answer = timeout(PATIENCE, answered).await.expect("an answer");
            assert!(answer.starts_with("HTTP/1.1 200 "), "{from}: {answer}");
        }
    }
    busy.iter().for_each(|task| task.abort());
}

/// Asks once on a connection that stays.
async fn answered(stream: &mut TcpStream) -> bool {
    let mut answer = [0; 4096];
    let sent = stream.write_all(b"GET /health HTTP/1.1\r\nHost: localhost\r\n\r\n").await;
    sent.is_ok() && matches!(stream.read(&mut answer).await, Ok(1..)) && answer.starts_with(b"HTTP/1.1 200 ")
}

#[tokio::test]
async fn the_longest_idle_connection_makes_room_and_the_others_stay() {
    let house = House::plain().await;
    let mut held = Vec::new();
    for _ in 0..FROM_ONE_ADDRESS {
        let mut stream = connect(&house).await;
        assert!(answered(&mut stream).await);
        held.push(stream);
    }
    assert_eq!(house.get("/status").await.status, 200);
    until_closed(&mut held.remove(0)).await;
    for stream in &mut held {
        assert!(answered(stream).await, "only one had to go");
    }
}

/// Half a header and then nothing, on a new connection whenever it is closed.
async fn stall_for_ever(address: SocketAddr, from: SocketAddr, made: Arc<AtomicUsize>) {
    loop {
        let socket = TcpSocket::new_v4().expect("a socket");
        socket.bind(from).expect("bound");
        let Ok(mut stream) = socket.connect(address).await else { continue };
        made.fetch_add(1, Ordering::Relaxed);
        let _ = stream.write_all(b"GET /status HTTP/1.1\r\nHost: local").await;
        let _ = stream.read(&mut [0; 512]).await;
    }
}

#[tokio::test]
async fn a_crowd_that_never_finishes_its_header_costs_nobody_his_answer_and_does_not_run_in_circles() {
    const CROWD: usize = HALL + 100;
    let house = House::plain().await;
    let mut kept = connect(&house).await;
    assert!(answered(&mut kept).await);
    let made = Arc::new(AtomicUsize::new(0));
    let began = Instant::now();
    let crowd: Vec<_> = (0..CROWD)
        .map(|n| {
            let from = SocketAddr::from(([127, 0, 1, (n % 50 + 1) as u8], 0));
            tokio::spawn(stall_for_ever(house.address, from, made.clone()))
        })
        .collect();
    let all_there = async {
        while made.load(Ordering::Relaxed) < CROWD {
            tokio::time::sleep(Duration::from_millis(5)).await;
        }
    };
    timeout(PATIENCE, all_there).await.expect("the crowd has come");
    // Somebody who is there already, from an address of the crowd or not, and newcomers. All the time that the crowd needs
    // to be seen to run.
    while began.elapsed() < Duration::from_secs(3) {
        assert!(answered(&mut kept).await, "who asks keeps the connection");
        let newcomer = timeout(PATIENCE, house.get("/status")).await.expect("an answer");
        assert_eq!(newcomer.status, 200);
    }
    let bound = CROWD + began.elapsed().as_millis() as usize;
    let made = made.load(Ordering::Relaxed);
    assert!(made <= bound, "{made} connections in {:?}: no more than one in a millisecond has to go", began.elapsed());
    assert!(made > CROWD, "each has half a second, then it makes room for the next");
    crowd.iter().for_each(|task| task.abort());
}

#[tokio::test]
async fn a_request_comes_first_where_the_hall_is_full_of_silent_ones() {
    let house = House::plain().await;
    let mut silent = Vec::new();
    for _ in 0..HALL {
        silent.push(connect(&house).await);
    }
    let began = Instant::now();
    assert_eq!(house.get("/status").await.status, 200);
    assert!(began.elapsed() < Duration::from_secs(4), "before the silent ones are closed for their silence");
    until_closed(&mut silent.remove(0)).await;
}

/// Nobody reads these answers, so they stay in memory; further ones must wait, and anything else is answered.
#[tokio::test]
async fn long_answers_that_nobody_reads_hold_up_nothing_else() {
    let house = House::plain().await;
    let mut greedy = Vec::new();
    for _ in 0..8 {
        let mut stream = connect(&house).await;
        stream.write_all(b"GET /ahead?days=400 HTTP/1.1\r\nHost: localhost\r\n\r\n").await.expect("sent");
        greedy.push(stream);
    }
    assert_eq!(house.get("/status").await.status, 200);
    assert_eq!(house.ask("PUT", "/override", &[], r#"{"wanted":"on"}"#).await.status, 200);
    drop(greedy);
    let again = timeout(PATIENCE, house.get("/ahead")).await.expect("an answer");
    assert_eq!(again.status, 200);
}

#[tokio::test]
async fn a_stop_lets_the_request_under_way_finish_and_takes_no_more() {
    let mut house = House::plain().await;
    let mut under_way = connect(&house).await;
    under_way
        .write_all(
            b"PUT /override HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/json\r\nContent-Length: 15\r\n\r\n",
        )
        .await
        .expect("sent");
    // The server has read the header once a later request on another connection is answered.
    assert_eq!(house.get("/status").await.status, 200);
    house.stop();
    under_way.write_all(br#"{"wanted":"on"}"#).await.expect("sent");
    assert_eq!(read_reply(&mut under_way).await.status, 200);
    timeout(PATIENCE, &mut house.server).await.expect("it stops").expect("in order");
    assert!(TcpStream::connect(house.address).await.is_err(), "nobody listens any more");
}

#[tokio::test]
async fn a_page_gives_way_to_a_switching_and_to_one_alone() {
    let house = House::plain().await;
    house.get("/status").await;
    let (begun, long) = (Instant::now(), Duration::from_millis(300));
    house.give_way.give(long);
    assert_eq!(house.get("/status").await.status, 200);
    assert!(begun.elapsed() >= long, "answered after {:?}", begun.elapsed());
    // Switchings without end, each close behind the other.
    let way = house.give_way.clone();
    let switchings = tokio::spawn(async move {
        loop {
            way.give(long);
            tokio::time::sleep(Duration::from_millis(10)).await;
        }
    });
    let answer = timeout(PATIENCE, house.get("/status")).await.expect("an answer between two switchings");
    assert_eq!(answer.status, 200);
    assert!(!switchings.is_finished());
    switchings.abort();
}
