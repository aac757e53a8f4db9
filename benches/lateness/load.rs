//! The HTTP side under load, from a thread of its own: connections that never finish their header, requests at a rate, and
//! once in a while somebody who comes anew.

use std::net::{Ipv4Addr, SocketAddr};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex};
use std::thread::JoinHandle;
use std::time::Duration;

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpSocket, TcpStream};
use tokio::runtime::Builder;
use tokio::time::{Instant, MissedTickBehavior, interval, sleep, timeout};

const STALLED: u32 = 1_000;
const REQUESTS_A_SECOND: u32 = 2_000;
/// Connections that the requests share.
const SHARED: u32 = 8;

#[derive(Default)]
struct Counts {
    ok: AtomicU64,
    other: AtomicU64,
    failed: AtomicU64,
    stalled: AtomicU64,
    /// How long a newcomer took from connecting to the whole answer; infinite where there was none.
    newcomers_s: Mutex<Vec<f64>>,
}

/// Begins the load; the thread ends with it, and says what was served.
pub fn begin(page: SocketAddr, long: Duration) -> JoinHandle<String> {
    std::thread::spawn(move || {
        let runtime = Builder::new_current_thread().enable_all().build().expect("a runtime");
        runtime.block_on(run(page, long))
    })
}

async fn run(page: SocketAddr, long: Duration) -> String {
    let counts = Arc::new(Counts::default());
    let end = Instant::now() + long;
    let mut tasks = Vec::new();
    for _ in 0..SHARED {
        tasks.push(tokio::spawn(requests(page, end, counts.clone())));
    }
    // Those who ask have their connections before the crowd comes.
    sleep(Duration::from_millis(500)).await;
    for number in 0..STALLED {
        tasks.push(tokio::spawn(stall(page, number, end, counts.clone())));
    }
    tasks.push(tokio::spawn(newcomers(page, end, counts.clone())));
    for task in tasks {
        let _ = task.await;
    }
    let mut newcomers_s = counts.newcomers_s.lock().expect("not poisoned").clone();
    newcomers_s.sort_by(f64::total_cmp);
    let of = |count: &AtomicU64| count.load(Ordering::Relaxed);
    format!(
        "{} answers of 200 in {} s ({} a second of {REQUESTS_A_SECOND} asked), {} others, {} connections of requests cut; \
         {STALLED} stalled connections at any time, made {} times; {} newcomers \
         answered after {:.2} s (p50), {:.2} s (worst)",
        of(&counts.ok),
        long.as_secs(),
        of(&counts.ok) / long.as_secs(),
        of(&counts.other),
        of(&counts.failed),
        of(&counts.stalled),
        newcomers_s.len(),
        newcomers_s.get(newcomers_s.len() / 2).unwrap_or(&f64::NAN),
        newcomers_s.last().unwrap_or(&f64::NAN)
    )
}

/// Asks for `/status` at its share of the rate, on a connection that is made anew when it is cut.
async fn requests(page: SocketAddr, end: Instant, counts: Arc<Counts>) {
    let mut tick = interval(Duration::from_secs(1) * SHARED / REQUESTS_A_SECOND);
    tick.set_missed_tick_behavior(MissedTickBehavior::Burst);
    while Instant::now() < end {
        let Ok(mut stream) = TcpStream::connect(page).await else { continue };
        let _ = stream.set_nodelay(true);
        while Instant::now() < end {
            tick.tick().await;
            match timeout(Duration::from_secs(10), ask(&mut stream)).await {
                Ok(Ok(200)) => counts.ok.fetch_add(1, Ordering::Relaxed),
                Ok(Ok(_)) => counts.other.fetch_add(1, Ordering::Relaxed),
                _ => {
                    counts.failed.fetch_add(1, Ordering::Relaxed);
                    break;
                }
            };
        }
    }
}

async fn ask(stream: &mut TcpStream) -> std::io::Result<u16> {
    stream.write_all(b"GET /status HTTP/1.1\r\nHost: localhost\r\n\r\n").await?;
    let mut answer = Vec::with_capacity(8 * 1024);
    loop {
        if stream.read_buf(&mut answer).await? == 0 {
            return Err(std::io::ErrorKind::UnexpectedEof.into());
        }
        let Some(head) = answer.windows(4).position(|bytes| bytes == b"\r\n\r\n") else { continue };
        let text = String::from_utf8_lossy(&answer[..head]).to_ascii_lowercase();
        let length = text.lines().find_map(|line| line.strip_prefix("content-length:")?.trim().parse::<usize>().ok());
        if answer.len() >= head + 4 + length.unwrap_or(0) {
            return Ok(text.split(' ').nth(1).and_then(|code| code.parse().ok()).unwrap_or(0));
        }
    }
}

/// Half a header, and then nothing; again as soon as it is cut. Each from an address of its own among a hundred.
async fn stall(page: SocketAddr, number: u32, end: Instant, counts: Arc<Counts>) {
    let from = Ipv4Addr::new(127, 0, 1, (number % 100 + 1) as u8);
    while Instant::now() < end {
        let Ok(socket) = TcpSocket::new_v4() else { continue };
        let _ = socket.bind((from, 0).into());
        let Ok(Ok(mut stream)) = timeout(Duration::from_secs(5), socket.connect(page)).await else { continue };
        counts.stalled.fetch_add(1, Ordering::Relaxed);
        let _ = stream.write_all(b"GET /status HTTP/1.1\r\nHost: loc").await;
        let left = end.saturating_duration_since(Instant::now());
        let _ = timeout(left, stream.read(&mut [0_u8; 512])).await;
    }
}

/// Somebody who was not there before, from an address of their own, asks once; twice a second.
async fn newcomers(page: SocketAddr, end: Instant, counts: Arc<Counts>) {
    let mut tick = interval(Duration::from_millis(500));
    tick.set_missed_tick_behavior(MissedTickBehavior::Delay);
    while Instant::now() + Duration::from_secs(1) < end {
        tick.tick().await;
        let began = Instant::now();
        let asked = async {
            let socket = TcpSocket::new_v4()?;
            socket.bind((Ipv4Addr::new(127, 0, 2, 1), 0).into())?;
            let mut stream = socket.connect(page).await?;
            ask(&mut stream).await
        };
        let answered = matches!(timeout(Duration::from_secs(30), asked).await, Ok(Ok(200)));
        let took_s = if answered { began.elapsed().as_secs_f64() } else { f64::INFINITY };
        counts.newcomers_s.lock().expect("not poisoned").push(took_s);
    }
}
