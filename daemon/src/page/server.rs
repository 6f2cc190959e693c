//! The page over HTTP/1.1: three files, the news as server-sent events, and one
//! address that takes commands, the same JSON as on the control socket.

use std::convert::Infallible;
use std::net::IpAddr;
use std::pin::Pin;
use std::sync::Arc;
use std::time::Duration;

use hyper::body::{Body, Bytes, Incoming};
use hyper::header::{CONTENT_TYPE, HeaderMap, HeaderName, HeaderValue, RETRY_AFTER};
use hyper::server::conn::http1;
use hyper::service::service_fn;
use hyper::{Method, Request as HttpRequest, Response, StatusCode};
use hyper_util::rt::{TokioIo, TokioTimer};
use serde_json::Value;
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{OwnedSemaphorePermit, Semaphore, mpsc};
use tokio::time::timeout;

use super::body::Reply;
use super::door::Refusal;
use super::{Site, news};
use crate::issued;
use crate::request::{Request, refusal};
use crate::socket::{LONGEST_LINE, Origin};

/// Whoever is connected at once; more wait. A browser opens up to six.
const MOST_CONNECTIONS: usize = 32;
/// Whoever looks on at once.
const MOST_LOOKERS: usize = 8;
/// The head of a request comes within this time, or the connection is closed; so is
/// one on which nothing is asked for as long.
const HEAD_WITHIN: Duration = Duration::from_secs(15);
/// And its body within this.
const BODY_WITHIN: Duration = Duration::from_secs(10);
/// What a phone does not take for this long, for want of signal say, it never will.
const TAKEN_WITHIN_MS: u32 = 20_000;
/// What the system keeps for a phone that does not take it, in bytes.
const KEPT_FOR_SLOW: usize = 64 * 1024;
/// The longest head, in bytes.
const LONGEST_HEAD: usize = 16 * 1024;
/// Headers of a request.
const MOST_HEADERS: usize = 64;

const HTML: &str = include_str!("page.html");
const CSS: &str = include_str!("page.css");
const JS: &str = include_str!("page.js");

/// What the browser is told of each answer: nothing but the page's own files is loaded,
/// nothing is put into other pages, nothing is kept.
const HEADERS: [(HeaderName, &str); 8] = [
    (
        HeaderName::from_static("content-security-policy"),
        "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; base-uri 'none'; \
         form-action 'none'; frame-ancestors 'none'; require-trusted-types-for 'script'; trusted-types 'none'",
    ),
    (HeaderName::from_static("x-content-type-options"), "nosniff"),
    (HeaderName::from_static("x-frame-options"), "DENY"),
    (HeaderName::from_static("referrer-policy"), "no-referrer"),
    (HeaderName::from_static("cross-origin-opener-policy"), "same-origin"),
    (HeaderName::from_static("cross-origin-resource-policy"), "same-origin"),
    (HeaderName::from_static("permissions-policy"), "camera=(), geolocation=(), microphone=()"),
    (HeaderName::from_static("cache-control"), "no-store"),
];

/// Answers whoever connects, until dropped.
pub(super) async fn serve(listener: TcpListener, site: Arc<Site>) {
    let places = Arc::new(Semaphore::new(MOST_CONNECTIONS));
    let lookers = Arc::new(Semaphore::new(MOST_LOOKERS));
    loop {
        let Ok(place) = Arc::clone(&places).acquire_owned().await else { return };
        match listener.accept().await {
            Ok((stream, peer)) => {
                let server =
                    Server { site: Arc::clone(&site), lookers: Arc::clone(&lookers), from: peer.ip() };
                tokio::spawn(async move {
                    if let Err(error) = server.converse(stream).await {
                        tracing::debug!(%error, "a browser went away");
                    }
                    drop(place);
                });
            }
            Err(error) => {
                // Out of file descriptors, most likely: give others time to close.
                tracing::warn!(%error, "the page cannot take a connection");
                tokio::time::sleep(Duration::from_secs(1)).await;
            }
        }
    }
}

/// One connection.
#[derive(Clone)]
struct Server {
    site: Arc<Site>,
    lookers: Arc<Semaphore>,
    from: IpAddr,
}

type Answer = Result<Response<Reply>, Refusal>;

impl Server {
    async fn converse(self, stream: TcpStream) -> hyper::Result<()> {
        // Without these it is only slower to notice who is gone.
        let _ = stream.set_nodelay(true);
        let _ = rustix::net::sockopt::set_tcp_user_timeout(&stream, TAKEN_WITHIN_MS);
        let _ = rustix::net::sockopt::set_socket_send_buffer_size(&stream, KEPT_FOR_SLOW);
        http1::Builder::new()
            .timer(TokioTimer::new())
            .header_read_timeout(HEAD_WITHIN)
            .max_buf_size(LONGEST_HEAD)
            .max_headers(MOST_HEADERS)
            .serve_connection(TokioIo::new(stream), service_fn(move |request| self.clone().answer(request)))
            .await
    }

    async fn answer(self, request: HttpRequest<Incoming>) -> Result<Response<Reply>, Infallible> {
        let mut response = self.route(request).await.unwrap_or_else(|why| refused(&why));
        for (name, value) in HEADERS {
            response.headers_mut().insert(name, HeaderValue::from_static(value));
        }
        Ok(response)
    }

    async fn route(self, request: HttpRequest<Incoming>) -> Answer {
        self.site.door.knows_host(request.headers())?;
        let looks = matches!(*request.method(), Method::GET | Method::HEAD);
        let file =
            |kind, text| if looks { Ok(response(StatusCode::OK, kind, text)) } else { Err(Refusal::Method) };
        match request.uri().path() {
            "/" => file("text/html; charset=utf-8", HTML),
            "/page.css" => file("text/css; charset=utf-8", CSS),
            "/page.js" => file("text/javascript; charset=utf-8", JS),
            // Browsers ask for it unasked.
            "/favicon.ico" => Ok(with_status(StatusCode::NO_CONTENT)),
            "/events" if *request.method() == Method::GET => self.events(request.headers()),
            "/ask" if *request.method() == Method::POST => self.ask(request).await,
            "/events" | "/ask" => Err(Refusal::Method),
            _ => Err(Refusal::NotHere),
        }
    }

    fn events(self, headers: &HeaderMap) -> Answer {
        self.site.door.lets_look(self.from, headers)?;
        let place = Arc::clone(&self.lookers).try_acquire_owned().map_err(|_| Refusal::Full)?;
        // One at a time: whoever is slow takes the newest next, and misses what was between.
        let (tell, events) = mpsc::channel(1);
        tokio::spawn(self.tell(headers.clone(), tell, place));
        let mut response = with_status(StatusCode::OK);
        *response.body_mut() = Reply::Events(events);
        response.headers_mut().insert(CONTENT_TYPE, HeaderValue::from_static("text/event-stream"));
        Ok(response)
    }

    /// Tells the news for as long as somebody listens and may.
    async fn tell(self, headers: HeaderMap, tell: mpsc::Sender<Bytes>, _place: OwnedSemaphorePermit) {
        let mut looker = self.site.news.look();
        loop {
            let event = tokio::select! { event = looker.next() => event, () = tell.closed() => None };
            let Some(event) = event else { return };
            // A token may have been made anew since.
            if self.site.door.lets_look(self.from, &headers).is_err() || tell.send(event).await.is_err() {
                return;
            }
        }
    }

    async fn ask(self, request: HttpRequest<Incoming>) -> Answer {
        self.site.door.lets_write(self.from, request.headers())?;
        let line = timeout(BODY_WITHIN, whole(request.into_body())).await.map_err(|_| Refusal::CutOff)??;
        let (request, from) = match command(&line) {
            Ok(command) => command,
            Err(error) => return Ok(told(StatusCode::BAD_REQUEST, &refusal(&error))),
        };
        let changes = !request.only_asks();
        if changes {
            tracing::info!(from = %self.from, "asked over the page: {request}");
        }
        let answer = news::ask(&self.site.questions, request, from).await;
        let answer = answer.unwrap_or_else(|| refusal("the daemon is stopping"));
        if changes {
            self.site.news.refresh();
        }
        let done = answer["ok"] == Value::Bool(true);
        Ok(told(if done { StatusCode::OK } else { StatusCode::CONFLICT }, &answer))
    }
}

/// A command in a body, with its id and the time it was issued at.
fn command(body: &[u8]) -> Result<(Request, Origin), String> {
    let mut fields = Request::fields(body).map_err(|error| error.to_string())?;
    let id = issued::take_id(&mut fields).map_err(|error| error.to_string())?;
    let at = issued::take_time(&mut fields).map_err(|error| error.to_string())?;
    let request = Request::from_fields(fields).map_err(|error| error.to_string())?;
    Ok((request, Origin::Page { id, at }))
}

/// A whole body, if it is not too long.
async fn whole(mut body: Incoming) -> Result<Vec<u8>, Refusal> {
    if body.size_hint().lower() > LONGEST_LINE as u64 {
        return Err(Refusal::TooLarge);
    }
    let mut bytes = Vec::new();
    while let Some(frame) = std::future::poll_fn(|context| Pin::new(&mut body).poll_frame(context)).await {
        let frame = frame.map_err(|_| Refusal::CutOff)?;
        bytes.extend_from_slice(frame.data_ref().map_or(&[][..], |data| data));
        if bytes.len() > LONGEST_LINE {
            return Err(Refusal::TooLarge);
        }
    }
    Ok(bytes)
}

fn with_status(status: StatusCode) -> Response<Reply> {
    let mut response = Response::new(Reply::whole(""));
    *response.status_mut() = status;
    response
}

fn response(status: StatusCode, kind: &'static str, body: impl Into<Bytes>) -> Response<Reply> {
    let mut response = with_status(status);
    *response.body_mut() = Reply::whole(body);
    response.headers_mut().insert(CONTENT_TYPE, HeaderValue::from_static(kind));
    response
}

fn told(status: StatusCode, answer: &Value) -> Response<Reply> {
    response(status, "application/json", answer.to_string())
}

fn refused(why: &Refusal) -> Response<Reply> {
    let mut response = told(why.status(), &refusal(&why.to_string()));
    if *why == Refusal::TooManyTries {
        response.headers_mut().insert(RETRY_AFTER, HeaderValue::from_static("60"));
    }
    response
}
