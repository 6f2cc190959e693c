//! The page over real HTTP: who may look and who may command, that its commands are the
//! socket's, its news, and what it does about those who are too many, too long or too slow.

use std::fs;
use std::io::{Read, Write};
use std::os::unix::fs::PermissionsExt;
use std::time::Duration;

use frameside_tests::http::{self, Response};
use frameside_tests::{Site, wait_for};
use jiff::{SignedDuration, Timestamp};
use serde_json::{Value, json};

use crate::yard::{SOON, expose, frame, json_of, ok, site};

/// Longer than any patience of the page's.
const PATIENCE: Duration = Duration::from_secs(90);

/// A rig with a page.
pub(crate) struct Paged {
    pub(crate) site: Site,
    pub(crate) port: u16,
}

impl Paged {
    /// The usual yard with a page on an address of this machine.
    pub(crate) fn on(address: &str, speed: u32) -> Self {
        let (site, port) = (site(speed, None), http::free_port());
        let config = fs::read_to_string(site.path("config.toml")).unwrap();
        site.configure(&format!(
            "{config}\n[page]\nlisten = \"{address}:{port}\"\nhosts = [\"rig.example\"]\n"
        ));
        Self { site, port }
    }

    pub(crate) fn token(&self) -> String {
        json_of(&self.site, &["page", "token"])["token"].as_str().unwrap().to_owned()
    }

    fn head(&self, line: &str, headers: &str) -> String {
        format!("{line} HTTP/1.1\nHost: 127.0.0.1:{}\n{headers}", self.port)
    }

    fn get(&self, path: &str, headers: &str) -> Response {
        http::send(self.port, &self.head(&format!("GET {path}"), headers), None)
    }

    /// A command with these headers.
    fn post(&self, headers: &str, body: &str) -> Response {
        http::send(self.port, &self.head("POST /ask", headers), Some(body.as_bytes()))
    }

    /// A command as the page sends it.
    fn ask(&self, token: &str, request: &Value) -> Response {
        let origin = format!("Origin: http://127.0.0.1:{}\nSec-Fetch-Site: same-origin", self.port);
        self.post(&format!("{}\n{origin}", with_token(token)), &request.to_string())
    }
}

fn with_token(token: &str) -> String {
    format!("Content-Type: application/json\nAuthorization: Bearer {token}")
}

/// An event of the stream: its name and its data.
fn event(part: &[u8]) -> (String, Value) {
    let text = std::str::from_utf8(part).unwrap();
    let (name, data) = text.trim_end().strip_prefix("event: ").unwrap().split_once("\ndata: ").unwrap();
    (name.to_owned(), serde_json::from_str(data).unwrap())
}

#[test]
fn commands_need_the_token_and_the_rigs_own_page() {
    let rig = Paged::on("127.0.0.1", 20);
    let daemon = rig.site.run();
    let (token, cover) = (rig.token(), r#"{"do":"expose","frame":"oak","target":"5kJ/m2"}"#);
    let file = fs::metadata(rig.site.path("ledger.page-token")).unwrap();
    assert_eq!(file.permissions().mode() & 0o777, 0o640, "others cannot read it");

    let right = with_token(&token);
    let refused = |headers: &str| {
        let response = rig.post(headers, cover);
        assert_eq!(response.json()["ok"], false);
        (response.status, response.json()["error"].as_str().unwrap().to_owned())
    };
    let (status, said) = refused("Content-Type: application/json");
    assert_eq!(status, 401);
    assert_eq!(said, "this needs the token; 'frameside page token' on the rig shows it");
    assert_eq!(refused(&with_token("0000-0000-0000-0000")).0, 401);
    assert_eq!(refused(&with_token("")).0, 401);
    assert_eq!(refused(&format!("{right}\nAuthorization: Bearer {token}")).0, 401, "which one is meant?");
    // What a form of another page can send without asking.
    for kind in
        ["text/plain", "application/x-www-form-urlencoded", "multipart/form-data", "", "application/jsonx"]
    {
        let headers = format!("Content-Type: {kind}\nAuthorization: Bearer {token}");
        assert_eq!(refused(&headers).0, 415, "{kind}");
    }
    for origin in ["http://evil.example", "null", "http://127.0.0.1:1", "https://127.0.0.1"] {
        assert_eq!(refused(&format!("{right}\nOrigin: {origin}")).0, 403, "{origin}");
    }
    assert_eq!(refused(&format!("{right}\nSec-Fetch-Site: cross-site")).0, 403);
    let asks_first = http::send(rig.port, &rig.head("OPTIONS /ask", "Origin: http://evil.example"), None);
    assert_eq!(asks_first.status, 405);
    assert!(asks_first.headers.iter().all(|(name, _)| !name.starts_with("access-control")), "{asks_first:?}");
    assert_eq!(rig.get("/ask?token=x", &right).status, 405);
    assert_eq!(frame(&rig.site, "oak")["state"], "empty", "nothing came of all that");

    let done = rig.ask(&token, &json!({ "do": "expose", "frame": "oak", "target": "5kJ/m2" }));
    assert_eq!((done.status, &done.json()["ok"]), (200, &json!(true)), "{done:?}");
    assert_eq!(frame(&rig.site, "oak")["state"], "exposing");
    // Typed on a phone: capitals and no dashes.
    let typed = token.replace('-', "").to_uppercase();
    assert_eq!(rig.ask(&typed, &json!({ "do": "cover", "frame": "oak" })).status, 200);
    assert!(!daemon.stderr().contains(&token), "the log does not tell it");
    assert!(daemon.terminate().success());
}

#[test]
fn the_page_answers_to_its_own_names_only() {
    let rig = Paged::on("127.0.0.1", 20);
    let daemon = rig.site.run();
    let get =
        |path: &str, host: &str| http::send(rig.port, &format!("GET {path} HTTP/1.1\n{host}"), None).status;
    for path in ["/", "/page.js", "/events"] {
        for host in [
            "Host: evil.example",
            "Host: evil.example:8330",
            "Host: 127.0.0.1.evil.example",
            "Host: ",
            "X: y",
        ] {
            assert_eq!(get(path, host), 421, "{path} {host}");
        }
        for host in ["127.0.0.1", "localhost:9000"] {
            assert_eq!(get(path, &format!("Host: {host}")), 200, "{path} {host}");
        }
    }
    // By a name of its own it is reached by way of a proxy, from wherever that lets in.
    for host in ["rig.example", "RIG.example:80"] {
        let statuses = ["/", "/events"].map(|path| get(path, &format!("Host: {host}")));
        assert_eq!(statuses, [200, 401], "{host}");
    }
    assert_eq!(get("/", "Host: localhost\nHost: evil.example"), 421);
    assert_eq!(get("/../etc/passwd", "Host: localhost"), 404);
    assert!(daemon.terminate().success());
}

#[test]
fn its_files_bring_all_they_need_and_say_so() {
    let rig = Paged::on("127.0.0.1", 20);
    let daemon = rig.site.run();
    let whole = ["/", "/page.css", "/page.js"].map(|path| {
        let response = rig.get(path, "");
        assert_eq!(response.status, 200);
        let policy = response.header("content-security-policy").unwrap();
        assert!(
            policy
                .starts_with("default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self';")
        );
        assert!(!policy.contains("unsafe") && policy.contains("frame-ancestors 'none'"), "{policy}");
        for (name, value) in [
            ("x-content-type-options", "nosniff"),
            ("referrer-policy", "no-referrer"),
            ("cache-control", "no-store"),
        ] {
            assert_eq!(response.header(name), Some(value), "{path}");
        }
        String::from_utf8(response.body).unwrap()
    });
    let page = whole[0].replace("http-equiv", "");
    for forbidden in ["http:", "https:", "//", "style=", "<style", "onclick"] {
        assert!(!page.contains(forbidden), "{forbidden} in the page");
    }
    assert!(!whole[1].contains("url(") && !whole[1].contains("@import"));
    assert!(!whole[2].contains("innerHTML") && !whole[2].contains("eval("));
    let answers = [rig.get("/nothing", ""), rig.post("", "x")];
    assert!(answers.iter().all(|answer| answer.header("content-security-policy").is_some()), "refusals too");
    assert!(daemon.terminate().success());
}

#[test]
fn a_command_that_was_long_on_its_way_is_refused() {
    let rig = Paged::on("127.0.0.1", 1);
    let daemon = rig.site.run();
    let token = rig.token();
    let expose = |issued_at: Option<Timestamp>| {
        let issued_at = issued_at.map(|at| at.to_string());
        let target = "50kJ/m2";
        rig.ask(&token, &json!({ "do": "expose", "frame": "oak", "target": target, "issued_at": issued_at }))
    };
    let now = Timestamp::now();
    for (issued_at, why) in [
        (None, "needs \"issued_at\""),
        (Some(now - SignedDuration::from_hours(2)), "issued 7"),
        (Some(now + SignedDuration::from_mins(1)), "ahead of the rig's clock"),
    ] {
        let refused = expose(issued_at);
        assert_eq!(refused.status, 409);
        assert!(refused.json()["error"].as_str().unwrap().contains(why), "{refused:?}");
    }
    assert_eq!(frame(&rig.site, "oak")["state"], "empty");
    assert_eq!(expose(Some(Timestamp::now())).json()["ok"], true);
    assert!(daemon.terminate().success());
}

#[test]
fn its_commands_are_those_of_the_socket() {
    let rig = Paged::on("127.0.0.1", 20);
    let daemon = rig.site.run();
    let token = rig.token();
    let ask = |request: Value| rig.ask(&token, &request);
    ok(&rig.site.frameside(["recipe", "add", "citrate", "--target", "50kJ/m2"]));
    let begun =
        ask(json!({ "do": "expose", "frame": "oak", "recipe": "citrate", "negative": "boats 3" })).json();
    let print = begun["print"].as_str().unwrap();
    assert_eq!(begun["steps"][0], "citrate under sun: 50.0 kJ/m²");
    assert_eq!(ask(json!({ "do": "cover", "frame": "oak" })).json()["state"], "covered");
    assert_eq!(ask(json!({ "do": "uncover", "frame": "oak" })).json()["state"], "exposing");
    let again = ask(json!({ "do": "retarget", "frame": "oak", "target": "1.5kJ/m2" })).json();
    assert_eq!(again["target_j_m2"], 1500.0);
    wait_for("due", SOON, || (frame(&rig.site, "oak")["state"] == "due").then_some(()));
    assert_eq!(ask(json!({ "do": "hush" })).json()["hushed"], 1);
    assert_eq!(ask(json!({ "do": "note", "print": print, "text": "sky cleared" })).status, 200);
    assert_eq!(ask(json!({ "do": "bring-in", "frame": "oak" })).json()["state"], "in");
    let judged =
        ask(json!({ "do": "judge", "print": print, "off": "+1/3stop", "dry": true, "oxidised": true }));
    assert!(judged.json()["steps"][0].as_str().unwrap().starts_with("too light by 0.33 stops"), "{judged:?}");
    let show = json_of(&rig.site, &["show", print]);
    assert_eq!((&show["negative"], &show["notes"][0]["text"]), (&json!("boats 3"), &json!("sky cleared")));
    assert_eq!(show["judgements"].as_array().unwrap().len(), 1, "{show}");
    assert_eq!(ask(json!({ "do": "prints" })).json()["prints"][0]["print"], print);
    assert_eq!(ask(json!({ "do": "status" })).json()["rig"], "yard");

    // The same words for what cannot be done, by the same way.
    for request in [
        json!({ "do": "bake" }),
        json!({ "do": "cover", "frame": "pine" }),
        json!({ "do": "cover", "frame": "elm" }),
        json!({ "do": "hush" }),
        json!({ "do": "expose", "frame": "elm", "recipe": "none such" }),
        json!({ "do": "expose", "frame": "elm", "target": "15" }),
        json!({ "do": "judge", "print": "2020" }),
        json!({ "do": "judge", "print": print, "good": true, "off": "1stop" }),
    ] {
        let over_page = ask(request.clone());
        assert!(matches!(over_page.status, 400 | 409), "{over_page:?}");
        assert_eq!(over_page.json(), over_the_socket(&rig.site, &request), "{request}");
    }
    assert!(daemon.terminate().success());
}

/// The answer that the control socket gives.
fn over_the_socket(site: &Site, request: &Value) -> Value {
    let mut socket = std::os::unix::net::UnixStream::connect(site.path("frameside.sock")).unwrap();
    socket.write_all(format!("{request}\n").as_bytes()).unwrap();
    socket.shutdown(std::net::Shutdown::Write).unwrap();
    let mut answer = String::new();
    socket.read_to_string(&mut answer).unwrap();
    serde_json::from_str(&answer).unwrap()
}

#[test]
fn another_token_ends_the_first() {
    let rig = Paged::on("127.0.0.1", 20);
    let daemon = rig.site.run();
    let first = rig.token();
    assert_eq!(rig.token(), first, "it stays");
    let status = json!({ "do": "status" });
    assert_eq!(rig.ask(&first, &status).status, 200);
    let said = ok(&rig.site.frameside(["page", "token", "--new"]));
    let (second, link) = said.trim_end().split_once('\n').unwrap();
    assert_eq!(link, format!("on the phone: http://rig.example:{}/#token={second}", rig.port));
    assert_eq!((rig.ask(&first, &status).status, rig.ask(second, &status).status), (401, 200));
    assert!(daemon.terminate().success());
    let daemon = rig.site.run();
    assert_eq!(rig.ask(second, &status).status, 200, "it outlives the daemon");
    assert!(daemon.terminate().success());
}

#[test]
fn guessing_the_token_ends_soon() {
    let rig = Paged::on("127.0.0.1", 20);
    let daemon = rig.site.run();
    let (token, status) = (rig.token(), json!({ "do": "status" }));
    let wrong: Vec<u16> = (0..5).map(|_| rig.ask("0000-0000-0000-0000", &status).status).collect();
    assert_eq!(wrong, [401; 5]);
    let later = rig.ask(&token, &status);
    assert_eq!(
        (later.status, later.header("retry-after")),
        (429, Some("60")),
        "not even the right one counts"
    );
    assert_eq!(later.json()["error"], "too many wrong tokens; wait a minute");
    assert!(daemon.terminate().success());
}

#[test]
fn the_network_looks_with_the_token_only() {
    let rig = Paged::on("0.0.0.0", 20);
    let daemon = rig.site.run();
    assert!(
        daemon.stderr().contains("the page is served to the network, and not encrypted"),
        "{}",
        daemon.stderr()
    );
    assert_eq!(rig.get("/", "").status, 200, "the page itself tells nothing");
    assert_eq!(rig.get("/events", "").status, 401);
    let token = rig.token();
    let bearer = format!("Authorization: Bearer {token}");
    let mut looking = rig.get("/events", &bearer);
    assert_eq!(looking.status, 200);
    assert_eq!(rig.get("/events", &format!("{bearer}\nOrigin: http://evil.example")).status, 403);
    // Whoever looks on with a token that is no more is shown out.
    ok(&rig.site.frameside(["page", "token", "--new"]));
    wait_for("the end of the news", PATIENCE, || looking.part().is_none().then_some(()));
    assert!(daemon.terminate().success());
}

#[test]
fn news_come_by_themselves() {
    let rig = Paged::on("127.0.0.1", 20);
    let daemon = rig.site.run();
    let mut looking = rig.get("/events", "");
    assert_eq!(looking.header("content-type"), Some("text/event-stream"));
    let mut next = |wanted: &str, fits: &dyn Fn(&Value) -> bool| {
        wait_for(wanted, PATIENCE, || {
            let (name, data) = event(&looking.part().expect("the news go on"));
            (name == wanted && fits(&data)).then_some(data)
        })
    };
    let first = next("rig", &|_| true);
    assert_eq!((&first["rig"], first["frames"].as_array().unwrap().len()), (&json!("yard"), 2));
    let print = expose(&rig.site, "oak", "20kJ/m2");
    let out = next("rig", &|rig| {
        let says = rig["frames"][0]["says"].as_str().unwrap();
        rig["frames"][0]["state"] == "exposing" && says.starts_with("due about ")
    });
    assert!(out["frames"][0]["dose"].as_str().unwrap().ends_with(" of 20.0 kJ/m²"), "{out}");
    ok(&rig.site.frameside(["retarget", "oak", "1kJ/m2"]));
    next("rig", &|rig| rig["frames"][0]["says"].as_str().unwrap().ends_with("bring it in covered"));
    next("curves", &|told| {
        told["curves"][&print]["points"].as_array().is_some_and(|points| points.len() > 1)
    });
    ok(&rig.site.frameside(["bring-in", "oak"]));
    rig.ask(&rig.token(), &json!({ "do": "cover", "frame": "oak" }));
    let shelf = next("shelf", &|shelf| !shelf["unjudged"].as_array().unwrap().is_empty());
    assert_eq!(shelf["unjudged"][0]["print"], print);
    assert!(daemon.terminate().success());
}

#[test]
fn there_is_room_for_so_many_and_no_more() {
    let rig = Paged::on("127.0.0.1", 20);
    let daemon = rig.site.run();
    let mut looking: Vec<Response> = (0..8).map(|_| rig.get("/events", "")).collect();
    assert!(looking.iter().all(|one| one.status == 200));
    assert_eq!(rig.get("/events", "").status, 503);
    assert_eq!(rig.get("/", "").status, 200, "others are not shut out");
    looking.pop();
    wait_for("the place of who went", PATIENCE, || (rig.get("/events", "").status == 200).then_some(()));
    // All connections taken by those who say nothing: they are let go after a while.
    let silent: Vec<_> = (0..64).map(|_| http::connect(rig.port)).collect();
    assert_eq!(rig.get("/", "").status, 200);
    drop(silent);
    let token = rig.token();
    for (head, body) in [
        (format!("{}\nContent-Length: 65537", with_token(&token)), "{}".to_owned()),
        (
            format!("{}\nTransfer-Encoding: chunked", with_token(&token)),
            format!("10001\r\n{}\r\n0\r\n\r\n", "x".repeat(0x10001)),
        ),
    ] {
        let mut stream = http::connect(rig.port);
        let head = rig.head("POST /ask", &head).replace('\n', "\r\n");
        stream.write_all(format!("{head}\r\n\r\n").as_bytes()).unwrap();
        let _ = stream.write_all(body.as_bytes());
        assert_eq!(http::read(stream).status, 413);
    }
    let long = rig.get("/", &format!("X: {}", "x".repeat(40_000)));
    assert_eq!(long.status, 431);
    assert_eq!(rig.get("/", &"X: y\n".repeat(100)).status, 431);
    assert_eq!(frame(&rig.site, "oak")["state"], "empty");
    assert!(daemon.terminate().success());
}

#[test]
fn who_does_not_take_what_is_sent_is_let_go_and_holds_up_nobody() {
    let rig = Paged::on("127.0.0.1", 20);
    let daemon = rig.site.run();
    let mut deaf = http::connect(rig.port);
    deaf.set_nonblocking(true).unwrap();
    let request = rig.head("GET /page.js", "").replace('\n', "\r\n") + "\r\n";
    let many = request.repeat(20_000);
    // As much as goes: the page stops reading when it cannot answer.
    let mut sent = 0;
    while let Ok(count) = deaf.write(&many.as_bytes()[sent..]) {
        sent += count;
    }
    let print = expose(&rig.site, "oak", "1kJ/m2");
    assert_eq!(rig.get("/", "").status, 200);
    wait_for("due", SOON, || (frame(&rig.site, "oak")["state"] == "due").then_some(()));
    assert!(print.starts_with("20"));
    wait_for("the end of the connection", PATIENCE, || {
        let gone = |error: &std::io::Error| error.kind() != std::io::ErrorKind::WouldBlock;
        deaf.write(b"x").err().filter(gone).map(|_| ())
    });
    assert!(daemon.terminate().success());
}

#[test]
fn prints_go_on_where_the_page_cannot_be_served() {
    let rig = Paged::on("127.0.0.1", 20);
    let _taken = std::net::TcpListener::bind(("127.0.0.1", rig.port)).unwrap();
    let daemon = rig.site.run();
    assert!(
        daemon.stderr().contains("choose another [page] listen; going on without it"),
        "{}",
        daemon.stderr()
    );
    expose(&rig.site, "oak", "1kJ/m2");
    let check = ok(&rig.site.frameside(["check"]));
    assert!(check.contains(&format!("page: on http://127.0.0.1:{}/", rig.port)), "{check}");
    assert!(daemon.terminate().success());
}
