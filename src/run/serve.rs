//! Hands the published pages to the phones in the room, read-only: on a thread of its own, so that no client, however slow or
//! hostile, has any part in a verdict. It reads what is published, and knows nothing of the engine.

use std::convert::Infallible;
use std::fs::File;
use std::io::{self, Read};
use std::net::{IpAddr, Ipv4Addr, SocketAddr, TcpListener, UdpSocket};
use std::path::{Path, PathBuf};
use std::pin::Pin;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::task::{Context, Poll};
use std::time::{Duration, Instant};

use base64::Engine;
use base64::prelude::BASE64_STANDARD;
use hyper::body::{Body, Bytes, Frame, SizeHint};
use hyper::header::{self, HeaderMap, HeaderName, HeaderValue};
use hyper::service::service_fn;
use hyper::{Method, Response, StatusCode};
use hyper_util::rt::{TokioIo, TokioTimer};
use percent_encoding::percent_decode_str;
use tokio::task::JoinHandle;

use crate::publish::files::QUALITY_JSON;
use crate::publish::names;
use crate::publish::public::{self, is_of_a_bench, is_public, media_type};
use crate::slates::Square;
use crate::system::{file_numbers, look_at, open_plain};
use crate::terms::Phrases;

use super::failure::Failure;

/// What is handed out, and to whom.
struct Site {
    results: PathBuf,
    /// Where browsers find it, with `/` at its end.
    address: String,
    /// Hash of what has to be said for what is not a bench's own; absent: it is for everybody. Hashes of this kind are compared in a
    /// time that tells nothing of where they differ.
    password: Option<blake3::Hash>,
    /// The class's language, for what is said where there is no page.
    phrases: Phrases,
}

/// Connections at once. Each needs two open files at most, and the program as a whole must stay below the 1024 that systems
/// commonly allow it.
const MOST_CONNECTIONS: usize = 200;
/// Where all places are taken, one who has not asked for anything yet has to make room, or one who has read for longer than this; if
/// there is none, whoever comes waits. Common practice, no source.
const READING_TIME: Duration = Duration::from_secs(20);
/// Time in which a request's header must have come. A phone's takes milliseconds; common practice, no source.
const HEADER_PATIENCE: Duration = Duration::from_secs(5);
/// Time after which a connection is closed, whatever it does: enough for the largest table over a poor radio link. Common
/// practice, no source.
const MOST_TIME: Duration = Duration::from_secs(300);
/// Longest header, bytes, and most lines of it; browsers send about 1 KiB in 15 lines.
const MOST_HEADER_BYTES: usize = 16 << 10;
const MOST_HEADER_LINES: usize = 64;
/// A file is read and sent in pieces of so many bytes, so that what is held does not depend on its size.
const PIECE_BYTES: usize = 64 << 10;
/// Waits before a place is looked for again, and before another try where the system gives no connection.
const BETWEEN_LOOKS: Duration = Duration::from_millis(20);
/// Port that is served on where none is said.
pub const USUAL_PORT: u16 = 8080;
/// Ports above a taken one of which a free one is proposed.
const PORTS_TRIED: u16 = 20;

/// Seconds after which a phone asks again for a page that is being made.
const WAIT_S: &str = "2";

/// What a bench's phone is shown before its page is there.
fn wait_page(t: &Phrases) -> String {
    format!(
        "<!DOCTYPE html><html {}><meta name=\"viewport\" content=\"width=device-width\"><title>{}</title><p>{}</p></html>\n",
        t.html_attributes(),
        t.html("wait.title"),
        t.html("wait.soon")
    )
}

/// Reads what was typed for the address to serve on: `ADDR:PORT`, either of both, or with an empty text neither.
///
/// # Errors
/// In words, where it is none of these.
pub fn address(text: &str) -> Result<SocketAddr, String> {
    let loopback = IpAddr::V4(Ipv4Addr::LOCALHOST);
    if text.is_empty() {
        return Ok(SocketAddr::new(loopback, USUAL_PORT));
    }
    if let Ok(both) = text.parse() {
        return Ok(both);
    }
    if let Ok(port) = text.strip_prefix(':').unwrap_or(text).parse() {
        return Ok(SocketAddr::new(loopback, port));
    }
    if let Ok(address) = text.parse() {
        return Ok(SocketAddr::new(address, USUAL_PORT));
    }
    Err(format!(
        "write it like 192.168.1.20:{USUAL_PORT}, or 0.0.0.0:{USUAL_PORT} for every address that this computer has"
    ))
}

/// Picture of a page's address, in the page's folder. It is made here and stands on no disk.
const CODE: &str = "code.svg";

/// Begins to hand out the pages, and returns the address at which a browser finds them, with `/` at its end. It ends with the
/// program. Where there is a `password`, it is asked for before anything that is not a bench's own.
///
/// # Errors
/// Where the address cannot be had.
pub fn serve(
    at: SocketAddr,
    results: &Path,
    password: Option<&str>,
    phrases: &Phrases,
) -> Result<String, Failure> {
    let listener = TcpListener::bind(at).map_err(|error| refused(at, &error))?;
    let failure = |error: io::Error| Failure::Work(format!("the pages cannot be served: {error}"));
    let bound = listener.local_addr().map_err(failure)?;
    listener.set_nonblocking(true).map_err(failure)?;
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_io()
        .enable_time()
        .build()
        .map_err(failure)?;
    let address = format!("http://{}/", reached_at(bound));
    let site = Arc::new(Site {
        results: results.to_owned(),
        address: address.clone(),
        password: password.map(|password| blake3::hash(password.as_bytes())),
        phrases: phrases.clone(),
    });
    let serve = move || {
        runtime.block_on(async move {
            match tokio::net::TcpListener::from_std(listener) {
                Ok(listener) => accept(listener, site).await,
                Err(error) => tracing::error!("the pages cannot be served: {error}"),
            }
        });
    };
    let thread = std::thread::Builder::new().name("pages".to_owned());
    thread.spawn(serve).map_err(failure)?;
    Ok(address)
}

/// Why an address cannot be had, and which to choose.
fn refused(at: SocketAddr, error: &io::Error) -> Failure {
    let what_to_do = match error.kind() {
        io::ErrorKind::AddrInUse => {
            let next = (1..=PORTS_TRIED)
                .filter_map(|n| at.port().checked_add(n))
                .map(|port| SocketAddr::new(at.ip(), port))
                .find(|at| TcpListener::bind(at).is_ok());
            let next = next.map_or("another port".to_owned(), |free| format!("--serve {free}"));
            format!("another program has it; choose {next}")
        }
        io::ErrorKind::AddrNotAvailable => format!(
            "this computer has no such address; 0.0.0.0:{} means all that it has",
            at.port()
        ),
        io::ErrorKind::PermissionDenied => {
            format!(
                "this account may not use that port; choose one from 1024 on, such as {USUAL_PORT}"
            )
        }
        _ => format!("{error}; choose another"),
    };
    Failure::Work(format!("the pages cannot be served at {at}: {what_to_do}"))
}

/// Where others reach what is bound to every address: the one by which this computer would speak to the outside. Nothing is
/// sent to find that out.
fn reached_at(bound: SocketAddr) -> SocketAddr {
    if !bound.ip().is_unspecified() {
        return bound;
    }
    // An address for documents (RFC 5737), which is nobody's.
    let found = UdpSocket::bind((Ipv4Addr::UNSPECIFIED, 0)).and_then(|socket| {
        socket.connect((Ipv4Addr::new(192, 0, 2, 1), 9))?;
        socket.local_addr()
    });
    let own = found.map_or(IpAddr::V4(Ipv4Addr::LOCALHOST), |own| own.ip());
    SocketAddr::new(own, bound.port())
}

/// A connection that is being served.
struct Guest {
    since: Instant,
    /// True once it has asked for something.
    has_asked: Arc<AtomicBool>,
    served: JoinHandle<()>,
}

/// Takes connections, as many at once as there are places.
async fn accept(listener: tokio::net::TcpListener, site: Arc<Site>) {
    let mut guests: Vec<Guest> = Vec::new();
    loop {
        if !has_room(&mut guests) {
            tokio::time::sleep(BETWEEN_LOOKS).await;
            continue;
        }
        let Ok((stream, _)) = listener.accept().await else {
            // As a rule the system's limit of open files; it passes.
            tokio::time::sleep(BETWEEN_LOOKS).await;
            continue;
        };
        let has_asked = Arc::new(AtomicBool::new(false));
        let served = serve_one(stream, site.clone(), has_asked.clone());
        guests.push(Guest {
            since: Instant::now(),
            has_asked,
            served: tokio::spawn(served),
        });
    }
}

/// True where there is a place for one more of the `guests`, in the order in which they came; one may have to go for it.
fn has_room(guests: &mut Vec<Guest>) -> bool {
    if guests.len() < MOST_CONNECTIONS {
        return true;
    }
    guests.retain(|guest| !guest.served.is_finished());
    if guests.len() < MOST_CONNECTIONS {
        return true;
    }
    let is_silent = |guest: &Guest| !guest.has_asked.load(Ordering::Relaxed);
    let is_slow = |guest: &Guest| guest.since.elapsed() > READING_TIME;
    let silent = guests.iter().position(is_silent);
    let Some(leaves) = silent.or_else(|| guests.iter().position(is_slow)) else {
        return false;
    };
    guests.remove(leaves).served.abort();
    true
}

/// Serves one connection to its end.
async fn serve_one(stream: tokio::net::TcpStream, site: Arc<Site>, has_asked: Arc<AtomicBool>) {
    let service = service_fn(move |request: hyper::Request<_>| {
        has_asked.store(true, Ordering::Relaxed);
        let (method, path) = (request.method(), request.uri().path());
        let answer = answer(method, path, request.headers(), &site);
        async move { Ok::<_, Infallible>(answer) }
    });
    let connection = hyper::server::conn::http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(HEADER_PATIENCE)
        .max_buf_size(MOST_HEADER_BYTES)
        .max_headers(MOST_HEADER_LINES)
        // A phone that only waits for the next look shall not keep a place.
        .keep_alive(false)
        .serve_connection(TokioIo::new(stream), service);
    // Whatever goes wrong in a connection is that client's affair.
    let _ = tokio::time::timeout(MOST_TIME, connection).await;
}

/// The answer to a request for `path`, as it was asked for.
fn answer(method: &Method, path: &str, headers: &HeaderMap, site: &Site) -> Response<Pieces> {
    if method != Method::GET && method != Method::HEAD {
        let response = site.told(StatusCode::METHOD_NOT_ALLOWED, "serve.read_only");
        return with(response, [(header::ALLOW, "GET, HEAD")]);
    }
    let not_here = || site.told(StatusCode::NOT_FOUND, "serve.not_here");
    let Some(asked) = path.strip_prefix('/') else {
        return not_here();
    };
    let Ok(asked) = percent_decode_str(asked).decode_utf8() else {
        return not_here();
    };
    if asked.is_empty() {
        return led_to(names::BOARD, site);
    }
    let index = |folder: &str| format!("{folder}/index.html");
    let file = match asked.strip_suffix('/') {
        Some(folder) => index(folder),
        None => asked.clone().into_owned(),
    };
    let is_admitted = site.admits(headers);
    let may_see = |path: &str| is_admitted || is_of_a_bench(path);
    let has = |path: &str| may_see(path) && published(&site.results, path).is_some();
    if let Some(folder) = asked
        .strip_suffix(CODE)
        .map(|path| path.trim_end_matches('/'))
        && (folder.is_empty() || has(&index(folder)))
    {
        return site.code(folder);
    }
    if may_see(&file)
        && let Some(found) = published(&site.results, &file)
    {
        return handed(&file, found, headers, site);
    }
    if has(&index(&asked)) {
        return led_to(&format!("{asked}/"), site);
    }
    let is_page = file.ends_with("/index.html");
    let page = if is_page { file } else { index(&asked) };
    if is_to_come(&site.results, &page) {
        return asked_to_wait(site);
    }
    // Whoever may not see a thing is not told either whether it is there.
    if is_admitted {
        not_here()
    } else {
        asked_for_the_password(site)
    }
}

impl Site {
    /// True where a request may see everything: there is no password, or it says it (RFC 7617), under whatever name.
    fn admits(&self, headers: &HeaderMap) -> bool {
        let Some(password) = &self.password else {
            return true;
        };
        let said = || {
            let header = headers.get(header::AUTHORIZATION)?.to_str().ok()?;
            let (scheme, token) = header.split_once(' ')?;
            let token = Some(token.trim()).filter(|_| scheme.eq_ignore_ascii_case("basic"))?;
            let pair = BASE64_STANDARD.decode(token).ok()?;
            let colon = pair.iter().position(|byte| *byte == b':')?;
            Some(blake3::hash(&pair[colon + 1..]))
        };
        said().is_some_and(|said| said == *password)
    }

    /// A few words, by their key.
    fn told(&self, status: StatusCode, key: &str) -> Response<Pieces> {
        let words = format!("{}\n", self.phrases.say(key));
        let mut response = Response::new(Pieces::Words(Some(words.into())));
        *response.status_mut() = status;
        with(
            response,
            [(header::CONTENT_TYPE, "text/plain; charset=utf-8")],
        )
    }

    /// The address of a bench's page as a picture that a phone reads, or that of the board for no folder.
    fn code(&self, folder: &str) -> Response<Pieces> {
        let path = match folder {
            "" => String::new(),
            folder => format!("{}/", public::href(folder)),
        };
        match Square::of_address(&format!("{}{path}", self.address)) {
            Some(square) => {
                let response = Response::new(Pieces::Words(Some(square.svg().into())));
                with(response, of_a_page(CODE))
            }
            None => self.told(StatusCode::NOT_FOUND, "serve.no_code"),
        }
    }
}

/// Has the browser ask for the password (RFC 7617, 2).
fn asked_for_the_password(site: &Site) -> Response<Pieces> {
    let response = site.told(StatusCode::UNAUTHORIZED, "serve.password");
    let how = "Basic realm=\"the whole class\", charset=\"UTF-8\"";
    with(response, [(header::WWW_AUTHENTICATE, how)])
}

/// Has the browser come again, by itself, for a page that is being made.
fn asked_to_wait(site: &Site) -> Response<Pieces> {
    let mut response = Response::new(Pieces::Words(Some(wait_page(&site.phrases).into())));
    *response.status_mut() = StatusCode::SERVICE_UNAVAILABLE;
    let headers = [
        (header::CONTENT_TYPE, media_type(names::BOARD)),
        (header::CACHE_CONTROL, "no-store"),
        (header::RETRY_AFTER, WAIT_S),
        (header::REFRESH, WAIT_S),
    ];
    with(response, headers)
}

/// What goes with every page and picture.
const COMMON: [(HeaderName, &str); 4] = [
    (header::CACHE_CONTROL, "no-cache"),
    (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
    (header::REFERRER_POLICY, "no-referrer"),
    (
        header::CONTENT_SECURITY_POLICY,
        "default-src 'none'; img-src 'self' data:; style-src 'unsafe-inline'; script-src 'self'",
    ),
];

/// What goes with a page or a picture of this name.
fn of_a_page(path: &str) -> impl Iterator<Item = (HeaderName, &'static str)> {
    let kind = (header::CONTENT_TYPE, media_type(path));
    COMMON.into_iter().chain([kind])
}

/// An answer with these headers.
fn with(
    mut response: Response<Pieces>,
    headers: impl IntoIterator<Item = (HeaderName, &'static str)>,
) -> Response<Pieces> {
    for (name, value) in headers {
        let value = HeaderValue::from_static(value);
        response.headers_mut().insert(name, value);
    }
    response
}

/// Sends the browser to another page, whose links start from there.
fn led_to(path: &str, site: &Site) -> Response<Pieces> {
    let mut response = site.told(StatusCode::FOUND, "serve.elsewhere");
    let place = format!("/{}", public::href(path));
    if let Ok(place) = HeaderValue::from_str(&place) {
        response.headers_mut().insert(header::LOCATION, place);
    }
    response
}

/// A file as it is now; not again where the client has it.
fn handed(path: &str, file: File, headers: &HeaderMap, site: &Site) -> Response<Pieces> {
    let Ok(metadata) = file.metadata() else {
        return site.told(StatusCode::NOT_FOUND, "serve.not_here");
    };
    // A published file is never written to: another content is another file.
    let (numbers, n_bytes) = (file_numbers(&metadata), metadata.len());
    let mark = format!(
        "\"{:x}-{n_bytes:x}-{:x}\"",
        numbers.number, numbers.modified_ns
    );
    let has_it = headers
        .get(header::IF_NONE_MATCH)
        .is_some_and(|known| known.as_bytes() == mark.as_bytes());
    let mut response = Response::new(match has_it {
        true => Pieces::Words(None),
        false => Pieces::Of {
            file,
            left: n_bytes,
        },
    });
    if has_it {
        *response.status_mut() = StatusCode::NOT_MODIFIED;
    }
    let mut response = with(response, of_a_page(path));
    if let Ok(mark) = HeaderValue::from_str(&mark) {
        response.headers_mut().insert(header::ETAG, mark);
    }
    response
}

/// True for a bench's page that is still to be made: its first photo's verdict is there a moment before it.
fn is_to_come(results: &Path, page: &str) -> bool {
    let Some(folder) = page.strip_suffix("/index.html").map(Path::new) else {
        return false;
    };
    let is_folder = || look_at(results, folder).is_ok_and(|found| found.is_dir());
    let is_missing = |path: &Path| {
        let looked = look_at(results, path);
        looked.is_err_and(|error| error.kind() == io::ErrorKind::NotFound)
    };
    // A session has a board, a photo its verdict, and whatever lies in a bench's folder is no bench.
    let others = [
        folder.join(names::BOARD),
        folder.join(QUALITY_JSON),
        folder.with_file_name("index.html"),
    ];
    is_public(page)
        && is_of_a_bench(page)
        && is_folder()
        && is_missing(Path::new(page))
        && others.iter().all(|path| is_missing(path))
}

/// Opens a published file, never over a link and never anything but a file.
fn published(results: &Path, path: &str) -> Option<File> {
    if !is_public(path) {
        return None;
    }
    let file = open_plain(results, Path::new(path)).ok()?;
    file.metadata().ok()?.is_file().then_some(file)
}

/// What is sent: a few words, or a file piece by piece.
enum Pieces {
    Words(Option<Bytes>),
    Of { file: File, left: u64 },
}

impl Body for Pieces {
    type Data = Bytes;
    type Error = io::Error;

    fn poll_frame(
        mut self: Pin<&mut Self>,
        _: &mut Context<'_>,
    ) -> Poll<Option<Result<Frame<Bytes>, io::Error>>> {
        let piece = match &mut *self {
            Pieces::Words(words) => words.take().map(Ok),
            Pieces::Of { left: 0, .. } => None,
            Pieces::Of { file, left } => {
                let n = usize::try_from(*left).map_or(PIECE_BYTES, |left| left.min(PIECE_BYTES));
                let mut bytes = vec![0; n];
                // From a disk at hand; one that does not answer holds up the readers of pages only.
                Some(file.read_exact(&mut bytes).map(|()| {
                    *left -= n as u64;
                    Bytes::from(bytes)
                }))
            }
        };
        Poll::Ready(piece.map(|piece| piece.map(Frame::data)))
    }

    fn is_end_stream(&self) -> bool {
        matches!(self, Pieces::Words(None) | Pieces::Of { left: 0, .. })
    }

    fn size_hint(&self) -> SizeHint {
        SizeHint::with_exact(match self {
            Pieces::Words(words) => words.as_ref().map_or(0, |words| words.len() as u64),
            Pieces::Of { left, .. } => *left,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_address_may_be_typed_in_parts_and_is_this_computer_s_own_unless_it_says_otherwise() {
        for (text, expected) in [
            ("", "127.0.0.1:8080"),
            ("9000", "127.0.0.1:9000"),
            (":9000", "127.0.0.1:9000"),
            ("0.0.0.0", "0.0.0.0:8080"),
            ("192.168.1.20:80", "192.168.1.20:80"),
            ("[::1]:9000", "[::1]:9000"),
            ("::1", "[::1]:8080"),
        ] {
            assert_eq!(address(text).unwrap().to_string(), expected, "{text}");
        }
        for text in ["the board", "1.2.3", "localhost:80", "1.2.3.4:99999"] {
            assert!(address(text).is_err(), "{text}");
        }
    }
}
