//! A real Mosquitto on a free loopback port, and its real clients.

use std::fmt::Write as _;
use std::io::{BufRead, BufReader, Write as _};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::time::{Duration, Instant};

use tempfile::TempDir;

use crate::http::free_port;
use crate::{needs, wait_for};

/// Far above what it takes on a busy machine.
const START_WITHIN: Duration = Duration::from_secs(60);

/// A broker that forgets everything when it stops, and stops when dropped.
pub struct Broker {
    program: PathBuf,
    dir: TempDir,
    port: u16,
    login: Option<(String, String)>,
    /// Whether clients show [`Self::path`] `client.pem` over TLS.
    secured: bool,
    running: Option<Child>,
}

impl Broker {
    /// Starts a broker that lets anyone in; `None` where Mosquitto is not installed.
    #[must_use]
    pub fn start() -> Option<Self> {
        Some(Self::start_with(needs::mosquitto()?, "allow_anonymous true\n", TempDir::new().unwrap(), false))
    }

    /// Starts a broker with one user and an access list (lines of Mosquitto's
    /// `acl_file`). [`Self::publish`] and [`Self::subscribe`] log in as that user.
    #[must_use]
    pub fn start_guarded(user: &str, password: &str, access: &str) -> Option<Self> {
        Self::start_for(&[(user, password)], &format!("user {user}\n{access}\n"))
    }

    /// Starts a broker with these users and their passwords, and an access list.
    /// [`Self::publish`] and [`Self::subscribe`] log in as the first of them.
    #[must_use]
    pub fn start_for(users: &[(&str, &str)], access: &str) -> Option<Self> {
        let program = needs::mosquitto()?;
        let dir = TempDir::new().unwrap();
        let (passwords, acl) = (dir.path().join("passwords"), dir.path().join("acl"));
        std::fs::write(&acl, access).unwrap();
        std::fs::write(&passwords, "").unwrap();
        for (user, password) in users {
            let mut make = Command::new("mosquitto_passwd");
            make.arg("-b").arg(&passwords).args([user, password]);
            assert!(make.status().unwrap().success(), "mosquitto_passwd failed");
        }
        let rules = format!(
            "allow_anonymous false\npassword_file {}\nacl_file {}\n",
            passwords.display(),
            acl.display()
        );
        let mut broker = Self::start_with(program, &rules, dir, false);
        broker.log_in_as(users[0].0, users[0].1);
        Some(broker)
    }

    /// Starts a broker that speaks TLS and lets in who shows a certificate of its
    /// authority, which [`Self::publish`] and [`Self::subscribe`] do. In [`Self::path`] are
    /// `ca.pem`, `client.pem` and `client.key`; and `other.pem`, an authority that has
    /// nothing to do with it.
    #[must_use]
    pub fn start_secured() -> Option<Self> {
        let program = needs::mosquitto()?;
        needs::openssl()?;
        let dir = TempDir::new().unwrap();
        certificates(dir.path());
        let path = |name: &str| dir.path().join(name).display().to_string();
        let rules = format!(
            "allow_anonymous true\ncafile {}\ncertfile {}\nkeyfile {}\nrequire_certificate true\n",
            path("ca.pem"),
            path("broker.pem"),
            path("broker.key")
        );
        Some(Self::start_with(program, &rules, dir, true))
    }

    /// From now on [`Self::publish`] and [`Self::subscribe`] log in as this user.
    pub fn log_in_as(&mut self, user: &str, password: &str) {
        self.login = Some((user.into(), password.into()));
    }

    /// A file in the broker's directory.
    #[must_use]
    pub fn path(&self, name: &str) -> PathBuf {
        self.dir.path().join(name)
    }

    fn start_with(program: PathBuf, rules: &str, dir: TempDir, secured: bool) -> Self {
        let port = free_port();
        // `user root` has an effect only when root starts it: else it could not read its own files.
        // It keeps more for a slow client than its usual 1000 messages: what is dropped, we drop.
        let config = format!(
            "listener {port} 127.0.0.1\npersistence false\nuser root\nmax_queued_messages 100000\n{rules}"
        );
        std::fs::write(dir.path().join("mosquitto.conf"), config).unwrap();
        let mut broker = Self { program, dir, port, login: None, secured, running: None };
        broker.restart();
        broker
    }

    /// Its port on 127.0.0.1, the same after a restart.
    #[must_use]
    pub fn port(&self) -> u16 {
        self.port
    }

    /// Ends the broker as a power cut would; a no-op when it is stopped.
    pub fn kill(&mut self) {
        if let Some(mut child) = self.running.take() {
            child.kill().unwrap();
            child.wait().unwrap();
        }
    }

    /// Starts the broker again on its port, killing it first if it runs, and
    /// waits until it takes connections.
    pub fn restart(&mut self) {
        self.kill();
        let config = self.dir.path().join("mosquitto.conf");
        let log = std::fs::File::create(self.dir.path().join("log")).unwrap();
        let mut child = Command::new(&self.program)
            .arg("-c")
            .arg(config)
            .stdout(Stdio::null())
            .stderr(log)
            .spawn()
            .unwrap();
        wait_for("the broker", START_WITHIN, || {
            if let Some(status) = child.try_wait().unwrap() {
                panic!("mosquitto ended with {status}: {}", self.log());
            }
            // Its own word for it: something else might answer on the port for a moment.
            self.log().contains(" running").then_some(())
        });
        self.running = Some(child);
    }

    /// What the broker has logged since it was last started.
    #[must_use]
    pub fn log(&self) -> String {
        std::fs::read_to_string(self.dir.path().join("log")).unwrap()
    }

    /// Subscribes with QoS 1 and waits until the broker has confirmed it.
    /// Retained messages come first, marked [`Message::retained`].
    #[must_use]
    pub fn subscribe(&self, topics: &[&str]) -> Subscriber {
        let mut client = self.client("mosquitto_sub");
        for topic in topics {
            client.args(["-t", topic]);
        }
        Subscriber::start(client)
    }

    /// Publishes with QoS 1 and waits for the broker's acknowledgement.
    ///
    /// # Panics
    ///
    /// When the broker refuses it.
    pub fn publish(&self, publish: &Publish) {
        assert!(self.try_publish(publish), "mosquitto_pub to {} failed", publish.topic);
    }

    /// The same, if the broker lets it; whether it said so.
    pub fn try_publish(&self, publish: &Publish) -> bool {
        let mut client = self.client("mosquitto_pub");
        client.args(&publish.options).args(["-t", &publish.topic]);
        // An empty payload on standard input is no message at all.
        client.arg(if publish.payload.is_empty() { "-n" } else { "-s" });
        let mut child = client.stdin(Stdio::piped()).spawn().unwrap();
        child.stdin.take().unwrap().write_all(&publish.payload).unwrap();
        child.wait().unwrap().success()
    }

    /// Publishes each line of a text to a topic with QoS 1, over one connection, and waits
    /// for the acknowledgements.
    pub fn publish_lines(&self, topic: &str, lines: &str) {
        let mut client = self.client("mosquitto_pub");
        let mut child = client.args(["-t", topic, "-l"]).stdin(Stdio::piped()).spawn().unwrap();
        child.stdin.take().unwrap().write_all(lines.as_bytes()).unwrap();
        assert!(child.wait().unwrap().success(), "mosquitto_pub to {topic} failed");
    }

    fn client(&self, program: &str) -> Command {
        // Line by line: mosquitto_sub would keep its word on the subscription to itself.
        let mut client = Command::new("stdbuf");
        client.args(["--output=L", program]);
        client.args(["-V", "5", "-q", "1", "-h", "127.0.0.1", "-p", &self.port.to_string()]);
        if self.secured {
            for (option, file) in [("--cafile", "ca.pem"), ("--cert", "client.pem"), ("--key", "client.key")]
            {
                client.arg(option).arg(self.path(file));
            }
        }
        if let Some((user, password)) = &self.login {
            client.args(["-u", user, "-P", password]);
        }
        client
    }
}

/// An authority, certificates of it for a broker on 127.0.0.1 and for a client, and another
/// authority; good for a day.
fn certificates(dir: &Path) {
    let script = "set -e
        new='-newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes'
        for ca in ca other; do
            openssl req -x509 $new -keyout $ca.key -out $ca.pem -subj /CN=$ca -days 1
        done
        printf subjectAltName=IP:127.0.0.1 >broker.ext
        printf extendedKeyUsage=clientAuth >client.ext
        for who in broker client; do
            openssl req $new -keyout $who.key -out $who.csr -subj /CN=$who
            openssl x509 -req -in $who.csr -CA ca.pem -CAkey ca.key -CAcreateserial \
                -extfile $who.ext -out $who.pem -days 1
        done";
    let made = Command::new("sh").args(["-c", script]).current_dir(dir).output().unwrap();
    assert!(made.status.success(), "{}", String::from_utf8_lossy(&made.stderr));
}

impl Drop for Broker {
    fn drop(&mut self) {
        self.kill();
    }
}

/// A message to publish.
pub struct Publish {
    topic: String,
    payload: Vec<u8>,
    options: Vec<String>,
}

impl Publish {
    /// A message that is not retained and carries no properties; the payload may be any bytes.
    pub fn new(topic: impl Into<String>, payload: impl Into<Vec<u8>>) -> Self {
        Self { topic: topic.into(), payload: payload.into(), options: Vec::new() }
    }

    /// Sets the retain flag.
    #[must_use]
    pub fn retained(mut self) -> Self {
        self.options.push("-r".into());
        self
    }

    /// Adds an MQTT 5 property such as `response-topic`, `correlation-data` or `message-expiry-interval`.
    #[must_use]
    pub fn property(mut self, name: &str, value: &str) -> Self {
        self.options.extend(["-D", "publish", name, value].map(Into::into));
        self
    }

    /// Adds an MQTT 5 user property.
    #[must_use]
    pub fn user_property(mut self, key: &str, value: &str) -> Self {
        self.options.extend(["-D", "publish", "user-property", key, value].map(Into::into));
        self
    }
}

/// A message as `mosquitto_sub` received it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Message {
    /// The topic.
    pub topic: String,
    /// The payload's bytes.
    pub payload: Vec<u8>,
    /// Quality of service it was delivered with.
    pub qos: u8,
    /// True for a message the broker had kept from before the subscription.
    pub retained: bool,
    /// The MQTT 5 correlation data; empty if none.
    pub correlation: String,
}

impl Message {
    /// The fields as `mosquitto_sub -F` prints them: tabs cannot be in our topics,
    /// and the payload is in hexadecimal so that any bytes come through.
    const FORMAT: &str = r"MESSAGE\t%q\t%r\t%D\t%t\t%x";

    fn parse(line: &str) -> Option<Self> {
        let mut fields = line.strip_prefix("MESSAGE\t")?.split('\t');
        let mut next = || fields.next().expect("mosquitto_sub prints every field of the format");
        Some(Self {
            qos: next().parse().unwrap(),
            retained: next() == "1",
            correlation: next().to_owned(),
            topic: next().to_owned(),
            payload: bytes_of_hex(next()),
        })
    }

    /// The payload as text.
    ///
    /// # Panics
    ///
    /// If it is not UTF-8.
    #[must_use]
    pub fn text(&self) -> &str {
        std::str::from_utf8(&self.payload).unwrap()
    }

    /// The payload as JSON.
    ///
    /// # Panics
    ///
    /// If it is not JSON.
    #[must_use]
    pub fn json(&self) -> serde_json::Value {
        serde_json::from_slice(&self.payload)
            .unwrap_or_else(|error| panic!("{error} in {:?} on {}", self.payload, self.topic))
    }
}

fn bytes_of_hex(hex: &str) -> Vec<u8> {
    let byte = |at| u8::from_str_radix(&hex[at..at + 2], 16).unwrap();
    (0..hex.len()).step_by(2).map(byte).collect()
}

/// A running `mosquitto_sub`; it reconnects by itself and ends when dropped.
pub struct Subscriber {
    client: Child,
    messages: Receiver<Message>,
}

impl Subscriber {
    fn start(mut client: Command) -> Self {
        // -d says when the broker has confirmed the subscription. Standard error is not passed on:
        // a client that outlived a killed test would hold the test run's pipe open.
        client.args(["-d", "-F", Message::FORMAT]).stdout(Stdio::piped()).stderr(Stdio::null());
        let mut client = client.spawn().unwrap();
        let lines = BufReader::new(client.stdout.take().unwrap()).lines();
        let (subscribed_in, subscribed) = channel();
        let (messages_in, messages) = channel();
        std::thread::spawn(move || {
            for line in lines.map_while(Result::ok) {
                sort_line(&line, &subscribed_in, &messages_in);
            }
        });
        let subscriber = Self { client, messages };
        subscribed.recv_timeout(START_WITHIN).expect("the broker confirms the subscription");
        subscriber
    }

    /// The next message, or `None` when none came within the time.
    #[must_use]
    pub fn next(&self, within: Duration) -> Option<Message> {
        match self.messages.recv_timeout(within) {
            Ok(message) => Some(message),
            Err(RecvTimeoutError::Timeout) => None,
            Err(RecvTimeoutError::Disconnected) => panic!("mosquitto_sub ended"),
        }
    }

    /// The first message that `wanted` accepts; those before it are dropped.
    ///
    /// # Panics
    ///
    /// When none came within the time, with what came instead.
    #[must_use]
    pub fn wait_for(&self, within: Duration, wanted: impl Fn(&Message) -> bool) -> Message {
        let deadline = Instant::now() + within;
        let mut others = String::new();
        while let Some(message) = self.next(deadline.saturating_duration_since(Instant::now())) {
            if wanted(&message) {
                return message;
            }
            let payload = String::from_utf8_lossy(&message.payload);
            writeln!(others, "  {} (retained {}): {payload}", message.topic, message.retained).unwrap();
        }
        panic!("the message did not come within {within:?}; these came:\n{others}");
    }
}

impl Drop for Subscriber {
    fn drop(&mut self) {
        // It may have ended by itself.
        let _ = self.client.kill();
        let _ = self.client.wait();
    }
}

fn sort_line(line: &str, subscribed: &Sender<()>, messages: &Sender<Message>) {
    // Nobody listens once the subscriber is dropped.
    if let Some(message) = Message::parse(line) {
        let _ = messages.send(message);
    } else if line.starts_with("Subscribed") {
        let _ = subscribed.send(());
    }
}

#[cfg(test)]
mod tests {
    use std::net::TcpStream;

    use super::*;

    const SOON: Duration = Duration::from_secs(10);

    #[test]
    fn any_bytes_flags_and_properties_come_through() {
        let Some(broker) = Broker::start() else { return };
        broker.publish(&Publish::new("kept", "before").retained());
        let light = broker.subscribe(&["kept", "live/#"]);
        let odd = b"line\nzero\0quote\"\xff";
        broker
            .publish(&Publish::new("live/a", *odd).property("correlation-data", "7").user_property("k", "v"));
        broker.publish(&Publish::new("live/empty", ""));

        let kept = light.next(SOON).unwrap();
        assert_eq!((kept.text(), kept.retained, kept.qos), ("before", true, 1));
        let live = light.wait_for(SOON, |message| message.topic == "live/a");
        assert_eq!((&live.payload[..], live.retained, &live.correlation[..]), (&odd[..], false, "7"));
        assert_eq!(light.next(SOON).unwrap().payload, b"");
    }

    #[test]
    fn a_restarted_broker_keeps_its_port_and_forgets_the_rest() {
        let Some(mut broker) = Broker::start() else { return };
        let port = broker.port();
        broker.publish(&Publish::new("kept", "before").retained());
        broker.kill();
        assert!(TcpStream::connect(("127.0.0.1", port)).is_err());
        broker.restart();
        assert_eq!(broker.port(), port);
        let after = broker.subscribe(&["kept", "mark"]);
        broker.publish(&Publish::new("mark", "x"));
        assert_eq!(after.next(SOON).unwrap().topic, "mark");
    }

    #[test]
    fn a_guarded_broker_refuses_what_its_list_does_not_allow() {
        let Some(broker) = Broker::start_guarded("yard", "secret", "topic readwrite open/#") else { return };
        let all = broker.subscribe(&["open/#", "shut/#"]);
        broker.publish(&Publish::new("shut/a", "x"));
        broker.publish(&Publish::new("open/a", "x"));
        assert_eq!(all.next(SOON).unwrap().topic, "open/a");
    }
}
