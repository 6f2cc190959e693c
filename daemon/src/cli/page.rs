//! `frameside page`

use std::net::{IpAddr, Ipv4Addr, SocketAddr, UdpSocket};

use clap::Subcommand;
use serde_json::json;

use super::{Context, Failure, out, out_json};
use crate::config;
use crate::page::token::{self, TokenError};

/// The page for a phone, served by the daemon where the config has [page].
///
/// It shows the frames live and has buttons for them. Whoever has its token may press them.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  frameside page token          the token, and the link to open on the phone
  frameside page token --new    another one; the old one opens nothing any more")]
pub(super) struct Args {
    #[command(subcommand)]
    verb: Verb,
}

#[derive(Debug, Subcommand)]
enum Verb {
    /// Show the token that lets a phone command the rig
    #[command(after_help = "Example:\n  frameside page token")]
    Token(TokenArgs),
}

#[derive(Debug, clap::Args)]
struct TokenArgs {
    /// Make another one; the old one opens nothing any more
    #[arg(long)]
    new: bool,
}

impl From<TokenError> for Failure {
    fn from(error: TokenError) -> Self {
        Self::Failed(error.to_string())
    }
}

pub(super) fn run(args: &Args, context: &Context) -> Result<(), Failure> {
    let Verb::Token(args) = &args.verb;
    let config = context.config()?;
    let file = token::path(&config.ledger.path);
    let token = if args.new { token::renew(&file)? } else { token::keep(&file)? };
    let link = config.page.as_ref().map(|page| format!("http://{}/#token={token}", place(page)));
    if context.json {
        out_json(&json!({ "token": token.to_string(), "link": link }));
        return Ok(());
    }
    out(&format!("{token}\n"));
    match link {
        Some(link) => out(&format!("on the phone: {link}\n")),
        None => out("! the config has no [page] yet; add one with listen = \"127.0.0.1:8330\"\n"),
    }
    Ok(())
}

/// Name or address, and port, that a phone finds the page by.
fn place(page: &config::Page) -> String {
    let port = page.listen.port();
    match page.hosts.first() {
        Some(host) => format!("{host}:{port}"),
        None if page.listen.ip().is_unspecified() => {
            SocketAddr::new(own_address().unwrap_or(page.listen.ip()), port).to_string()
        }
        None => page.listen.to_string(),
    }
}

/// The address that this machine has towards the network. Nothing is sent: the socket
/// is only told where it would send to, an address kept for examples (RFC 5737).
fn own_address() -> Option<IpAddr> {
    let socket = UdpSocket::bind((Ipv4Addr::UNSPECIFIED, 0)).ok()?;
    socket.connect((Ipv4Addr::new(192, 0, 2, 1), 9)).ok()?;
    Some(socket.local_addr().ok()?.ip())
}
