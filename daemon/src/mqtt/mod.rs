//! The rig at an MQTT 5 broker: what it tells, and what it can be asked.
//!
//! The broker may come and go at any time and never touches an exposure:
//! [`Link::publish`] does not wait, and what must arrive stays in the
//! [`Outbox`] until the broker has acknowledged it.

mod announcer;
mod ask;
mod command;
mod credentials;
pub mod discovery;
mod link;
mod outbox;
mod publication;
mod remote;
mod tls;
pub mod topics;

pub use announcer::{Announcer, AtBroker};
pub use ask::{RigAnswer, ask_rigs};
#[cfg(test)]
pub(crate) use command::understood;
pub use command::{BARE_VERBS, CommandError, Dropped, Incoming, LONGEST_PAYLOAD, Message, ReplyTo};
pub use credentials::CredentialsError;
pub(crate) use credentials::credentials_problem;
pub(crate) use link::random_share;
pub use link::{Answers, BadKeepAlive, KeepAlive, Link, LinkEvent, NotSent, Settings, connect};
pub use outbox::{Outbox, Standing};
pub use publication::{Delivery, Publication, Topic};
pub use remote::{LightMessage, NotALight, RemoteLight};
pub use tls::TlsError;
pub use topics::SignalPayload;
